/* I let a person put one piece where it belongs: dragged by its middle, turned by a corner, or both by keys.
   In: a viewer with layers, the piece's index. Out: its place on the piece it then lies on, mm and degrees, when said so. */
import { say } from "./api.js";
import { handBar } from "./bar.js";
import { svgNode, twice } from "./overlays.js";
import { after, moved, undone } from "./viewer.js";

const CORNER = 0.2; // of the shorter side: this near to a corner one turns, elsewhere one moves
const STEP_MM = 1;
const STEP_DEGREES = 0.5;
const FINE = 0.1; // of a step, with shift
const SEEN = 0.7; // of a piece while it is moved: what lies below shows through
const MM = 25.4;
const WORDS = "Drag the piece to move it, one of its corners to turn it. Or by keys: arrows, comma and full stop; with shift finely.";

const middleOf = ({ width, height }) => [(width - 1) / 2, (height - 1) / 2];
const cornersOf = ({ width, height }) => [[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]];
const aboutPoint = ([x, y], turn) => {
  const [c, s] = [Math.cos(turn), Math.sin(turn)];
  return [c, s, -s, c, x - c * x + s * y, y - s * x - c * y];
};

/* How much of two layers' frames is shared, px2; negative: how far they are from each other. */
export const sharedArea = (one, other) => {
  const frames = [one, other].map((layer) => {
    const all = cornersOf(layer).map((corner) => moved(layer.matrix, corner));
    return [0, 1].map((axis) => [Math.min(...all.map((at) => at[axis])), Math.max(...all.map((at) => at[axis]))]);
  });
  const sides = [0, 1].map((axis) => Math.min(frames[0][axis][1], frames[1][axis][1]) - Math.max(frames[0][axis][0], frames[1][axis][0]));
  return sides[0] > 0 && sides[1] > 0 ? sides[0] * sides[1] : Math.min(...sides);
};

/* Where a layer lies as a place of another one: mm of its middle from the other's corner, degrees against it. */
export const placeOn = (piece, of) => {
  const motion = after(undone(of.matrix), piece.matrix), at = moved(motion, middleOf(piece));
  return { at: at.map((px) => (px + 0.5) * MM / of.dpi), turn: Math.atan2(motion[1], motion[0]) * 180 / Math.PI };
};

export const moving = (viewer, index, { changed, done, ended }) => {
  const { layers } = viewer.source, layer = layers[index], was = { ...layer };
  const over = svgNode("svg", { class: "over", "aria-hidden": "true" });
  const frame = svgNode("g", { class: "moving" }, over);
  twice("polygon", { points: cornersOf(layer).map((corner) => corner.join(",")).join(" ") }, frame);
  const reach = CORNER * Math.min(layer.width, layer.height);
  for (const [x, y] of cornersOf(layer)) {
    const [inX, inY] = [x ? x - reach : reach, y ? y - reach : reach], sweep = (x > 0) === (y > 0) ? 1 : 0;
    twice("path", { d: `M${x} ${y}H${inX}A${reach} ${reach} 0 0 ${sweep} ${x} ${inY}Z` }, frame);
  }
  viewer.element.append(over);

  const draw = () => {
    viewer.renew();
    frame.setAttribute("transform", `matrix(${viewer.motion(index).join(" ")})`);
    changed();
  };
  const follow = () => { if (over.isConnected) frame.setAttribute("transform", `matrix(${viewer.motion(index).join(" ")})`); };
  viewer.on("view", follow);
  const put = (motion) => {
    layer.matrix = after(motion, layer.matrix);
    draw();
  };
  const middle = () => moved(layer.matrix, middleOf(layer));
  /* a step of the screen, as the picture is turned for looking */
  const along = ([dx, dy]) => {
    const [a, b, c, d] = viewer.motion(), size = Math.hypot(a, b), back = undone([a / size, b / size, c / size, d / size, 0, 0]);
    return moved(back, [dx, dy]);
  };
  const pxPerMm = () => (viewer.source.dpi || layer.dpi) / MM;

  const close = () => {
    listening.abort();
    bar.remove();
    over.remove();
    layer.above = 0;
    layer.seen = 1;
    ended();
  };
  const back = () => {
    layer.matrix = was.matrix;
    close();
    viewer.renew();
  };
  const accept = () => {
    const others = layers.filter((one, other) => other !== index && one.dpi);
    const on = others.sort((a, b) => sharedArea(layer, b) - sharedArea(layer, a))[0];
    if (!on || sharedArea(layer, on) <= 0) return say("It must lie on some other piece, at least with an edge.");
    const place = placeOn(layer, on);
    close();
    return done({ piece: layer.id, of: on.id, ...place });
  };
  const bar = handBar(WORDS, [["It lies there", accept, true], ["As it was", back, false]]);

  /* by pointer */
  const stage = document.getElementById("view");
  const pointOf = (event) => viewer.toImage(viewer.placeOf(event));
  const grips = (at) => {
    const [x, y] = moved(undone(layer.matrix), at), near = cornersOf(layer).some((corner) => Math.hypot(corner[0] - x, corner[1] - y) < reach);
    const inside = x >= 0 && y >= 0 && x < layer.width && y < layer.height;
    return near ? "turn" : inside ? "move" : "";
  };
  let held = null;
  const listening = new AbortController(), until = { signal: listening.signal, capture: true };
  const down = (event) => {
    if (event.button > 0 || !viewer.element.contains(event.target)) return;
    const at = pointOf(event), how = grips(at);
    if (!how) return;
    event.stopPropagation();
    viewer.element.focus({ preventScroll: true });
    viewer.element.setPointerCapture(event.pointerId);
    held = { how, at };
  };
  const move = (event) => {
    if (!held) {
      viewer.element.style.cursor = viewer.element.contains(event.target) ? { move: "move", turn: "crosshair", "": "" }[grips(pointOf(event))] : "";
      return;
    }
    event.stopPropagation();
    const at = pointOf(event), [x, y] = middle();
    if (held.how === "move") put([1, 0, 0, 1, at[0] - held.at[0], at[1] - held.at[1]]);
    else put(aboutPoint([x, y], Math.atan2(at[1] - y, at[0] - x) - Math.atan2(held.at[1] - y, held.at[0] - x)));
    held.at = at;
  };
  const up = () => { held = null; };
  stage.addEventListener("pointerdown", down, until);
  stage.addEventListener("pointermove", move, until);
  for (const name of ["pointerup", "pointercancel"]) window.addEventListener(name, up, until);

  /* by keys */
  const keys = (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const here = viewer.element.contains(document.activeElement);
    if (event.key === "Escape") back();
    else if (event.key === "Enter" && here) accept();
    else if (here) {
      const far = STEP_MM * pxPerMm() * (event.shiftKey ? FINE : 1);
      const turn = STEP_DEGREES * Math.PI / 180 * (event.shiftKey ? FINE : 1);
      const step = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] }[event.key];
      const spin = { ",": -turn, "<": -turn, ";": -turn, ".": turn, ">": turn, ":": turn }[event.key];
      if (!step && !spin) return;
      if (step) put([1, 0, 0, 1, ...along(step)]);
      else put(aboutPoint(middle(), spin));
    } else return;
    event.preventDefault();
    event.stopPropagation();
  };
  document.addEventListener("keydown", keys, until);

  layer.above = 1;
  layer.seen = SEEN;
  stage.append(bar);
  draw();
  viewer.element.focus({ preventScroll: true });
  return { close: back };
};
