/* I show pieces where they lie: outlines and names over them, what was found at them, how neighbors agree; two of them
   compared: one over the other, back and forth, their difference; and one of them moved by hand.
   In: a viewer with layers, the choices at the side. Out: what is seen of them; what is said of them, sent. */
import { post, tried } from "./api.js";
import { moving } from "./moving.js";
import { svgNode, twice } from "./overlays.js";
import { sideBySide } from "./spots.js";
import { moved } from "./viewer.js";

const LETTER_PX = 9; // of a name, CSS px

const byId = (id) => document.getElementById(id);
const checked = (id) => byId(id)?.checked ?? false;

/* What tells names apart: without what all begin with, and without endings. */
export const shortNames = (names) => {
  const stems = names.map((name) => name.replace(/\.[^.]*$/, ""));
  let same = 0;
  while (stems.length > 1 && stems.every((stem) => stem[same] && stem[same] === stems[0][same])) same++;
  const cut = stems[0].slice(0, same).search(/[^a-zA-Z0-9][a-zA-Z0-9]*$/) + 1; // whole words only
  return stems.map((stem) => stem.slice(cut) || stem);
};

export const placing = (viewer) => {
  const { layers, links = [] } = viewer.source;
  const over = svgNode("svg", { class: "over", "aria-hidden": "true" });
  viewer.element.append(over);
  const short = shortNames(layers.map((layer) => layer.name));
  const groups = layers.map(({ width, height, name, marks = [], put }, index) => {
    const group = svgNode("g", { class: `g-pieces${put ? " put" : ""}` }, over);
    const shape = svgNode("g", {}, group), found = svgNode("g", { class: "marks" }, shape);
    for (const mark of marks) {
      svgNode("rect", {
        class: mark.level, x: mark.x * width, y: mark.y * height, width: mark.width * width, height: mark.height * height,
      }, found);
    }
    const corners = [[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]];
    twice("polygon", { points: corners.map((corner) => corner.join(",")).join(" ") }, shape);
    const text = svgNode("text", {}, group);
    return { group, shape, text, name, short: short[index], found, index, middle: [(width - 1) / 2, (height - 1) / 2] };
  });
  /* a line from middle to middle for every link, with what is left of it */
  const lines = svgNode("g", { class: "g-links" }, over);
  const drawn = links.map((link) => {
    const ends = [link.a_id, link.b_id].map((id) => layers.findIndex((layer) => layer.id === id));
    if (ends.includes(-1)) return null;
    const group = svgNode("g", { class: link.dropped ? "dropped" : link.weak ? "weak" : "" }, lines);
    twice("line", {}, group);
    const text = svgNode("text", {}, group);
    text.textContent = link.dropped ? "not used" : link.rms_px === null ? (link.weak ? "weak" : "") : `${link.rms_px.toFixed(2)} px`;
    return { ends, group, text };
  }).filter(Boolean);
  const follow = () => {
    const across = (index) => Math.min(layers[index].width, layers[index].height) * Math.hypot(...viewer.motion(index).slice(0, 2));
    /* a name wider than half its piece would lie over its neighbor's */
    const named = groups.every(({ name, index }) => name.length * LETTER_PX < across(index) / 2);
    for (const { shape, text, name, short: less, index, middle: [x, y] } of groups) {
      const [a, b, c, d, e, f] = viewer.motion(index);
      text.textContent = named ? name : less;
      shape.setAttribute("transform", `matrix(${a} ${b} ${c} ${d} ${e} ${f})`);
      text.setAttribute("transform", `translate(${a * x + c * y + e} ${b * x + d * y + f})`);
    }
    for (const { ends, group, text } of drawn) {
      const [[x1, y1], [x2, y2]] = ends.map((end) => moved(viewer.motion(end), groups[end].middle));
      group.querySelectorAll("line").forEach((line) => {
        for (const [key, value] of Object.entries({ x1, y1, x2, y2 })) line.setAttribute(key, value);
      });
      text.setAttribute("transform", `translate(${(x1 + x2) / 2} ${(y1 + y2) / 2})`);
    }
  };
  viewer.on("view", () => { if (over.isConnected) follow(); });

  let swapped = false;
  const pair = () => ["one", "other"].map((id) => layers.findIndex((layer) => layer.id === byId(`pair-${id}`)?.value));
  const renew = () => {
    const [one, other] = pair(), chosen = one >= 0 && other >= 0 && one !== other;
    const alone = chosen && (checked("only-two") || checked("difference") || swapped);
    layers.forEach((layer, index) => {
      layer.hidden = alone && ![one, other].includes(index) || (swapped && chosen && index === Math.max(one, other));
      layer.mix = chosen && checked("difference") && !swapped && index === Math.max(one, other) ? "difference" : "";
    });
    lines.style.display = checked("show-links") ? "" : "none";
    over.classList.toggle("bare", !checked("show-outlines"));
    for (const { group, found, index } of groups) {
      group.style.display = alone && ![one, other].includes(index) ? "none" : "";
      found.style.display = checked("show-marks") ? "" : "none";
      group.classList.toggle("chosen", chosen && [one, other].includes(index));
    }
    document.querySelectorAll("[data-needs-pair]").forEach((node) => { node.disabled = !chosen; });
    viewer.renew();
    follow();
  };
  /* back and forth: as long as it is held */
  const blink = (on) => {
    if (swapped === on) return;
    swapped = on;
    renew();
  };
  /* what is said of two pieces, or of the one above */
  let spots = null;
  const say = (event) => {
    const said = event.target.closest?.("[data-say]")?.dataset.say, [one, other] = pair();
    if (!said || one < 0 || other < 0 || one === other) return;
    const [a, b] = [layers[one], layers[other]];
    if (said === "side by side") {
      spots?.close();
      spots = sideBySide(document.getElementById("view"), [a, b], (aAt, bAt) =>
        tried(() => post("/act", { act: "same_point", a: a.id, a_at: aAt, b: b.id, b_at: bAt })));
    } else if (said === "hold") tried(() => post("/act", { act: "hold", piece: b.id }));
    else tried(() => post("/act", { act: said, a: a.id, b: b.id }));
  };
  /* one piece moved by hand */
  let tool = null;
  const begin = (event) => {
    const index = layers.findIndex((layer) => layer.id === byId("move-piece")?.value);
    if (event.target.id !== "move" || index < 0) return;
    tool?.close();
    tool = moving(viewer, index, {
      changed: follow,
      ended: () => { tool = null; byId("move")?.focus(); },
      done: (said) => tried(() => post("/act", { act: "near", ...said })),
    });
  };
  const press = (event) => { if (event.target.closest?.("#blink")) blink(true); };
  const space = (event) => {
    const here = viewer.element.contains(document.activeElement) || document.activeElement?.id === "blink";
    if (event.key !== " " || !here) return;
    event.preventDefault();
    blink(event.type === "keydown");
  };
  const lift = () => blink(false);
  const change = (event) => {
    if (event.target.closest?.("#side")) renew();
    const [one, other] = pair();
    if (/^pair-/.test(event.target.id) && one >= 0 && other >= 0 && one !== other) frame(one, other);
  };
  /* where both lie */
  const frame = (one, other) => {
    const cornersOf = ({ width, height, matrix: [a, b, c, d, e, f] }) =>
      [[0, 0], [width, 0], [width, height], [0, height]].map(([x, y]) => [a * x + c * y + e, b * x + d * y + f]);
    const sides = [layers[one], layers[other]].map((layer) => {
      const all = cornersOf(layer), [xs, ys] = [0, 1].map((axis) => all.map((corner) => corner[axis]));
      return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
    });
    const [left, top] = [0, 1].map((axis) => Math.max(sides[0][axis], sides[1][axis]));
    const [right, bottom] = [2, 3].map((axis) => Math.min(sides[0][axis], sides[1][axis]));
    if (right > left && bottom > top) viewer.fit([left, top, right - left, bottom - top]);
  };
  const listening = new AbortController(), until = { signal: listening.signal };
  document.addEventListener("click", say, until);
  document.addEventListener("click", begin, until);
  document.addEventListener("pointerdown", press, until);
  for (const name of ["pointerup", "pointercancel", "blur"]) window.addEventListener(name, lift, until);
  document.addEventListener("keydown", space, until);
  document.addEventListener("keyup", space, until);
  document.addEventListener("change", change, until);
  renew();
  return {
    renew,
    remove() {
      over.remove();
      spots?.close();
      tool?.close();
      listening.abort();
    },
  };
};
