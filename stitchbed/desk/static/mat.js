/* I show on the mat what the page says lies there: a picture in depth with its overlays, or pieces where they lie.
   In: the JSON in #mat-data, or a card that was chosen. Out: the viewer, its tools, what lies over it. */
import { post, tried } from "./api.js";
import { areaOver } from "./area.js";
import { overlayShapes } from "./overlays.js";
import { placing } from "./placing.js";
import { pictureViewer } from "./viewer.js";

const byId = (id) => document.getElementById(id);
const WORDS = "The picture: arrow keys move, plus and minus zoom, 0 shows all, 1 is one to one, R turns the view";
let viewer = null, shown = "", over = null, pieces = null, area = null;

const tilesOf = (one) => ({
  ...one, tile: 512, url: (halvings, row, col) => `/tile/${one.id}/${one.stamp}/${halvings}/${row}/${col}`,
});

const sourceOf = (data) => (data.layers ? { ...data, layers: data.layers.map(tilesOf) } : tilesOf(data));

const opened = () => {
  byId("view").hidden = byId("tools").hidden = false;
  if (viewer) return viewer;
  viewer = pictureViewer(byId("picture"), { words: WORDS, rulers: true });
  viewer.on("view", ({ scale }) => {
    const dots = 100 * scale * devicePixelRatio;
    byId("where").textContent = `${dots >= 10 ? Math.round(dots) : dots.toPrecision(2)} %`;
  });
  viewer.on("settled", () => { byId("view").dataset.drawn = "yes"; });
  viewer.on("lost", () => { byId("where").textContent = "a part cannot be read"; });
  viewer.element.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "1") viewer.zoomTo(1);
    if (event.key.toLowerCase() === "r") viewer.turnBy(event.shiftKey ? 3 : 1);
  });
  window.desk.viewer = viewer;
  return viewer;
};

const closed = () => {
  area?.close();
  viewer?.close();
  viewer = over = pieces = null;
  shown = "";
  byId("view").hidden = byId("tools").hidden = true;
};

/* The switches at the side say which overlays are seen; they are drawn anew with the page. */
const switchOverlays = () => document.querySelectorAll("[data-overlay]").forEach((box) => {
  over?.show(box.dataset.overlay, box.checked);
});

const show = (data) => {
  const was = viewer?.source, same = was && was.width === data.width && was.height === data.height && was.id === data.id;
  const before = same ? viewer.view : null;
  area?.close();
  over?.remove();
  pieces?.remove();
  over = pieces = null;
  byId("view").dataset.drawn = "";
  opened().open(sourceOf(data));
  if (before) viewer.goTo(before);
  if (data.layers) pieces = placing(viewer);
  if (data.shapes?.pieces) {
    over = overlayShapes(viewer, data.shapes);
    over.drawArrows(20);
    switchOverlays();
  }
};

export const showMat = () => {
  const said = byId("mat-data")?.textContent;
  if (!said) {
    if (shown && shown !== "closer") closed();
    return;
  }
  if (said === shown) {
    switchOverlays();
    pieces?.renew();
    return;
  }
  shown = said;
  show(JSON.parse(said));
};

const looks = {
  all: () => viewer.fit(), one: () => viewer.zoomTo(1), in: () => viewer.zoomBy(1.6), out: () => viewer.zoomBy(1 / 1.6),
  turn: () => viewer.turnBy(1), back: () => closed(),
};
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (button?.dataset.look && viewer) looks[button.dataset.look]();
  if (!button?.dataset.closer) return;
  const data = JSON.parse(button.dataset.closer), { turn } = data;
  show(data);
  for (let quarter = 0; quarter < turn; quarter++) viewer.turnBy(1);
  shown = "closer";
  document.querySelector('[data-look="back"]').hidden = false;
  viewer.element.focus();
});
/* a piece is shown in an area that is drawn on the canvas */
document.addEventListener("click", (event) => {
  if (event.target.id !== "show-here" || !viewer || area) return;
  const piece = byId("show-piece").value;
  area = areaOver(viewer, {
    done: (around) => tried(() => post("/act", { act: "show", piece, around })),
    ended: () => { area = null; },
  });
});
document.addEventListener("change", (event) => { if (event.target.dataset?.overlay) switchOverlays(); });
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || shown !== "closer") return;
  closed();
  document.querySelector("[data-closer]")?.focus();
});
