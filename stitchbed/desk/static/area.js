/* I let a person draw an area on a picture: dragged by pointer, or moved and stretched by keys.
   In: a viewer. Out: the area's corners, mm, when said so. */
import { handBar } from "./bar.js";
import { say } from "./api.js";
import { svgNode, twice } from "./overlays.js";

const BEGUN = 0.25; // of what is seen is left round the area one begins with
const STEP = 0.02; // of what is seen, for a key
const LEAST_MM = 1;
const MM = 25.4;
const WORDS = "Drag a rectangle round the place. Or by keys: arrows move it, with shift they stretch it, Enter takes it.";

export const areaOver = (viewer, { done, ended }) => {
  const stage = document.getElementById("view");
  const over = svgNode("svg", { class: "over", "aria-hidden": "true" });
  const frame = svgNode("g", { class: "area" }, over);
  const seen = () => [[0, 0], [viewer.element.clientWidth, viewer.element.clientHeight]].map((at) => viewer.toImage(at));
  const [near, far] = seen();
  let corners = [BEGUN, 1 - BEGUN].map((share) => [0, 1].map((axis) => near[axis] + share * (far[axis] - near[axis])));

  /* within the picture, from its least corner to its greatest */
  const box = () => {
    const { width, height } = viewer.source, most = [width - 0.5, height - 0.5];
    const within = corners.map((at) => at.map((px, axis) => Math.min(most[axis], Math.max(-0.5, px))));
    return [Math.min, Math.max].map((pick) => [0, 1].map((axis) => pick(within[0][axis], within[1][axis])));
  };
  const draw = () => {
    const [[left, top], [right, bottom]] = box();
    frame.replaceChildren();
    twice("rect", { x: left, y: top, width: right - left, height: bottom - top }, frame);
    frame.setAttribute("transform", `matrix(${viewer.motion().join(" ")})`);
  };
  const follow = () => { if (over.isConnected) draw(); };

  const listening = new AbortController(), until = { signal: listening.signal, capture: true };
  const close = () => {
    listening.abort();
    bar.remove();
    over.remove();
    viewer.element.style.cursor = "";
    ended();
  };
  const accept = () => {
    const [low, high] = box().map((at) => at.map((px) => (px + 0.5) * MM / viewer.source.dpi));
    if (high.some((mm, axis) => mm - low[axis] < LEAST_MM)) return say("Draw the area larger, and on the picture.");
    close();
    return done([low, [high[0], low[1]], high, [low[0], high[1]]]);
  };
  const bar = handBar(WORDS, [["Show it there", accept, true], ["Leave it", close, false]]);

  const pointOf = (event) => viewer.toImage(viewer.placeOf(event));
  let held = false;
  const down = (event) => {
    if (event.button > 0 || !viewer.element.contains(event.target)) return;
    event.stopPropagation();
    viewer.element.focus({ preventScroll: true });
    viewer.element.setPointerCapture(event.pointerId);
    held = true;
    corners = [pointOf(event), pointOf(event)];
    draw();
  };
  const move = (event) => {
    if (!held) return;
    event.stopPropagation();
    corners[1] = pointOf(event);
    draw();
  };
  stage.addEventListener("pointerdown", down, until);
  stage.addEventListener("pointermove", move, until);
  for (const name of ["pointerup", "pointercancel"]) window.addEventListener(name, () => { held = false; }, until);

  const keys = (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const here = viewer.element.contains(document.activeElement);
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (event.key === "Escape") close();
    else if (event.key === "Enter" && here) accept();
    else if (step && here) {
      /* along the screen, as the picture is turned for looking */
      const [from, to] = [[0, 0], step].map((at) => viewer.toImage(at.map((px) => px * STEP * viewer.element.clientWidth)));
      corners = event.shiftKey ? box() : corners;
      const by = [0, 1].map((axis) => to[axis] - from[axis]), moves = ([x, y]) => [x + by[0], y + by[1]];
      corners = [event.shiftKey ? corners[0] : moves(corners[0]), moves(corners[1])];
      draw();
    } else return;
    event.preventDefault();
    event.stopPropagation();
  };
  document.addEventListener("keydown", keys, until);

  viewer.element.append(over);
  viewer.element.style.cursor = "crosshair";
  viewer.on("view", follow);
  stage.append(bar);
  draw();
  viewer.element.focus({ preventScroll: true });
  return { close };
};
