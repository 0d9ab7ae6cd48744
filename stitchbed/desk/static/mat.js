/* I show on the mat what the page says lies there: a picture in depth, or pieces where they lie.
   In: the JSON in #mat-data, or a card that was chosen. Out: the viewer, its tools, its overlays. */
import { pictureViewer } from "./viewer.js";

const byId = (id) => document.getElementById(id);
let viewer = null, shown = "";

const sourceOf = (data) => ({
  ...data,
  url: (halvings, row, col) => `/tile/${data.id}/${data.stamp}/${halvings}/${row}/${col}`,
});

const opened = () => {
  if (viewer) return viewer;
  byId("view").hidden = byId("tools").hidden = false;
  viewer = pictureViewer(byId("picture"), { words: "The picture: arrow keys move, plus and minus zoom, 0 shows all, 1 is one to one" });
  viewer.element.addEventListener("keydown", (event) => { if (event.key === "1") viewer.zoomTo(1); });
  window.desk.viewer = viewer;
  return viewer;
};

const closed = () => {
  viewer?.close();
  viewer = null;
  shown = "";
  byId("view").hidden = byId("tools").hidden = true;
};

export const showMat = () => {
  const said = byId("mat-data")?.textContent;
  if (!said) { if (shown && shown !== "closer") closed(); return; }
  if (said === shown) return;
  shown = said;
  opened().open(sourceOf(JSON.parse(said)));
};

const looks = {
  all: () => viewer.fit(), one: () => viewer.zoomTo(1), in: () => viewer.zoomBy(1.6), out: () => viewer.zoomBy(1 / 1.6),
  turn: () => viewer.turnBy?.(1),
};
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (button?.dataset.look && viewer) looks[button.dataset.look]();
  if (button?.dataset.closer) {
    opened().open(sourceOf(JSON.parse(button.dataset.closer)));
    shown = "closer";
    viewer.element.focus();
  }
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && shown === "closer") closed();
});
