/* I show two pieces side by side, each under a cross, to say that both crosses stand on the same spot.
   In: two layers of the placed pieces. Out: the point of each under its cross, px, when the person says so.

   The pictures are moved under the crosses, by hand, by arrow keys, with shift by tenths of a dot; together until told
   otherwise. So the place is exact however large a finger is. Or a spot is pointed at, seen magnified, and goes under the
   cross of its picture alone. */
import { lensOver } from "./lens.js";
import { after, fromImage, moved, pictureViewer, toImage, undone } from "./viewer.js";

const FINE = 0.1; // CSS px of one press of an arrow with shift

export const sideBySide = (place, layers, done) => {
  const panel = document.createElement("div");
  panel.className = "spots";
  const windows = layers.map((layer) => {
    const frame = document.createElement("div"), name = document.createElement("p"), picture = document.createElement("div");
    frame.className = "spot";
    picture.className = "spot-picture";
    name.textContent = layer.name;
    frame.append(picture, name);
    panel.append(frame);
    return picture;
  });
  const bar = document.createElement("div");
  bar.className = "spot-bar";
  bar.innerHTML = '<button type="button" class="main">Both crosses stand on the same spot</button>'
    + '<label class="check"><input type="checkbox" checked> Move both together</label>'
    + '<button type="button">Close</button>';
  panel.append(bar);
  place.append(panel);
  const [yes, no] = bar.querySelectorAll("button"), both = bar.querySelector("input");
  const words = (name) => `${name}, under a cross: arrow keys move it, with shift by tenths, plus and minus zoom; a click puts the spot under it`;
  const viewers = windows.map((picture, index) => pictureViewer(picture, { words: words(layers[index].name) }));
  viewers.forEach((viewer, index) => viewer.open({ ...layers[index], matrix: undefined, hidden: false, mix: "" }));

  const middle = (viewer) => [viewer.element.clientWidth / 2, viewer.element.clientHeight / 2];
  /* by where a viewer is going, not by where it is on the way there */
  const under = (index) => toImage(viewers[index].view, middle(viewers[index]));
  const put = (index, place) => {
    const viewer = viewers[index], [left, top] = fromImage(viewer.view, place), [midX, midY] = middle(viewer);
    viewer.goTo({ ...viewer.view, left: viewer.view.left + midX - left, top: viewer.view.top + midY - top });
  };
  /* the same place in the other piece, as they lie now */
  const across = (index, point) => moved(after(undone(layers[1 - index].matrix), layers[index].matrix), point);

  /* begin in the middle of what both see */
  const corners = ({ width, height }) => [[0, 0], [width, 0], [width, height], [0, height]];
  const seen = corners(layers[1]).map((corner) => across(1, corner));
  const [low, high] = [Math.max, Math.min].map((pick, end) => [0, 1].map((axis) => {
    const values = seen.map((corner) => corner[axis]), size = axis ? layers[0].height : layers[0].width;
    return pick(end ? Math.max(...values) : Math.min(...values), end ? size : 0);
  }));
  viewers.forEach((viewer) => viewer.zoomTo(1));
  const start = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
  put(0, start);
  put(1, across(0, start));

  let last = [under(0), under(1)], following = false;
  viewers.forEach((viewer, index) => viewer.on("view", () => {
    const now = under(index), [dx, dy] = [now[0] - last[index][0], now[1] - last[index][1]];
    last[index] = now;
    if (following || !both.checked || Math.hypot(dx, dy) < 1e-9) return;
    following = true;
    const turn = after(undone(layers[1 - index].matrix), layers[index].matrix);
    const other = under(1 - index);
    put(1 - index, [other[0] + turn[0] * dx + turn[2] * dy, other[1] + turn[1] * dx + turn[3] * dy]);
    const ratio = viewer.view.scale / viewers[1 - index].view.scale;
    if (Math.abs(ratio - 1) > 1e-6) viewers[1 - index].zoomBy(ratio);
    last[1 - index] = under(1 - index);
    following = false;
  }));
  const fine = (viewer) => (event) => {
    const step = { ArrowLeft: [FINE, 0], ArrowRight: [-FINE, 0], ArrowUp: [0, FINE], ArrowDown: [0, -FINE] }[event.key];
    if (!step || !event.shiftKey) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    const view = viewer.view;
    viewer.goTo({ ...view, left: view.left + step[0], top: view.top + step[1] });
  };
  viewers.forEach((viewer) => viewer.element.addEventListener("keydown", fine(viewer), { capture: true }));
  /* what is pointed at goes under the cross; the other picture stays */
  const lenses = viewers.map((viewer, index) => lensOver(viewer, windows[index].parentElement, {
    ...layers[index], matrix: undefined, hidden: false, mix: "", seen: 1,
  }, (place) => {
    put(index, place);
    last[index] = under(index);
  }));
  const close = () => {
    lenses.forEach((lens) => lens.close());
    viewers.forEach((viewer) => viewer.close());
    panel.remove();
  };
  yes.addEventListener("click", () => done(under(0), under(1)).then(close));
  no.addEventListener("click", close);
  panel.addEventListener("keydown", (event) => { if (event.key === "Escape") close(); });
  viewers[0].element.focus();
  return { close, viewers, under, lenses };
};
