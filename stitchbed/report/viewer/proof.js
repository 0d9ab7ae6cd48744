/* I show the picture in depth and lay the record's shapes over it.
   In: the JSON in #shapes (canvas px) and tiles beside the page or inside it. Out: what one sees and can reach by keys. */
import { overlayShapes, twice } from "./overlays.js";
import { pictureViewer } from "./viewer.js";
{
  const data = JSON.parse(document.getElementById("shapes").textContent);
  const byId = (id) => document.getElementById(id);
  const stage = byId("stage");
  const say = (words) => { byId("status").textContent = words; };
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;

  const viewer = pictureViewer(byId("picture"), {
    words: "The picture: arrow keys move, plus and minus zoom, 0 shows all, 1 to 6 switch overlays",
  });
  const source = {
    width: data.width, height: data.height, tile: data.tile, halvings: data.halvings,
    url(halvings, row, col) {
      const name = `half${halvings}/r${row}c${col}.jpg`;
      return data.inside ? data.inside[name] : `${encodeURIComponent(data.folder)}/${name}`;
    },
  };
  window.proof = { viewer };

  const shapes = overlayShapes(viewer, data);
  viewer.on("view", ({ scale }) => {
    byId("zoom").textContent = `${(100 * scale * devicePixelRatio).toPrecision(3)} %`;
  });
  viewer.on("settled", () => { stage.dataset.drawn = "yes"; });
  viewer.on("lost", () => { byId("missing").hidden = false; });
  viewer.open(source);

  /* switches */
  const switches = [...document.querySelectorAll("[data-shows]")];
  const press = (button) => {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    shapes.show(button.dataset.shows, on);
    say(`${button.dataset.shows} ${on ? "shown" : "hidden"}`);
  };
  switches.forEach((button) => button.addEventListener("click", () => press(button)));

  const around = ([x, y, width, height]) => {
    const margin = 0.15 * Math.max(width, height, 200);
    return [x - margin, y - margin, width + 2 * margin, height + 2 * margin];
  };
  const acts = {
    in: () => viewer.zoomBy(1.6),
    out: () => viewer.zoomBy(1 / 1.6),
    all: () => viewer.fit(),
    one: () => viewer.zoomTo(1),
    full: () => { stage.classList.add("full"); viewer.element.focus(); },
    leave: () => { stage.classList.remove("full"); document.querySelector('[data-act="full"]').focus(); },
  };
  document.querySelectorAll("[data-act]").forEach((button) => button.addEventListener("click", acts[button.dataset.act]));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && stage.classList.contains("full")) acts.leave();
  });
  viewer.element.addEventListener("keydown", (event) => {
    const button = /^[1-9]$/.test(event.key) && switches[Number(event.key) - 1];
    if (button && !button.disabled) press(button);
  });

  const factor = byId("factor");
  if (factor) {
    factor.addEventListener("change", () => shapes.drawArrows(Number(factor.value)));
    shapes.drawArrows(Number(factor.value));
  }
  document.querySelectorAll('input[name="mat"]').forEach((radio) => {
    radio.addEventListener("change", () => { document.documentElement.dataset.mat = radio.value; });
  });

  /* a link of the table shows its place */
  document.querySelectorAll("[data-link]").forEach((button) => button.addEventListener("click", () => {
    const link = data.links[Number(button.dataset.link)];
    if (!link) return;
    shapes.groups.shown.replaceChildren();
    const [x, y, width, height] = link.frame;
    twice("rect", { x, y, width: Math.max(width, 1), height: Math.max(height, 1) }, shapes.groups.shown);
    viewer.fit(around(link.frame));
    stage.scrollIntoView({ block: "nearest", behavior: still ? "auto" : "smooth" });
    say(`Showing ${link.a} and ${link.b}`);
  }));

  /* before and after: the line goes where the range is put, by mouse, finger or keys */
  document.querySelectorAll(".curtain").forEach((curtain) => {
    const range = curtain.querySelector("input");
    const put = () => curtain.style.setProperty("--part", range.value / 100);
    range.addEventListener("input", put);
    put(); /* a page gone back to keeps its ranges */
  });

  /* where the pointer is */
  const place = byId("place");
  stage.addEventListener("pointermove", (event) => {
    const [x, y] = viewer.toImage(viewer.placeOf(event));
    const mm = (px) => ((px + 0.5) * 25.4 / data.dpi).toFixed(1);
    place.textContent = `${data.dpi > 0 ? `${mm(x)}, ${mm(y)} mm; ` : ""}${Math.round(x)}, ${Math.round(y)} px`;
  });
}
