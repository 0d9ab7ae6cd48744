/* I show the picture in depth and lay the record's shapes over it.
   In: the JSON in #shapes (canvas px) and tiles beside the page or inside it. Out: what one sees and can reach by keys. */
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

  /* shapes */
  const SVG = "http://www.w3.org/2000/svg";
  const make = (name, attributes, parent) => {
    const node = document.createElementNS(SVG, name);
    for (const key of Object.keys(attributes)) node.setAttribute(key, attributes[key]);
    if (parent) parent.appendChild(node);
    return node;
  };
  const over = make("svg", { class: "over", "aria-hidden": "true" });
  const world = make("g", {}, over);
  viewer.element.append(over);
  const groups = {};
  for (const name of ["heat", "pieces", "seams", "arrows", "dust", "changes", "lift", "shown"]) {
    groups[name] = make("g", { class: `g-${name}`, id: `over-${name}` }, world);
    if (name !== "shown") groups[name].style.display = "none";
  }
  const twice = (name, attributes, parent) => {
    make(name, { ...attributes, class: "case" }, parent);
    make(name, { ...attributes, class: `line ${attributes.class || ""}` }, parent);
  };
  const labels = [], LETTER_PX = 9;
  for (const piece of data.pieces) {
    twice("polygon", { points: piece.corners.map((corner) => corner.join(",")).join(" ") }, groups.pieces);
    const text = make("text", {}, groups.pieces);
    const across = Math.max(...piece.corners.map(([x]) => x)) - Math.min(...piece.corners.map(([x]) => x));
    labels.push([text, piece, across]);
  }
  if (data.seams) twice("path", { d: data.seams }, groups.seams);
  for (const [col, row, rms] of data.heat.cells) {
    const step = data.steps.filter((edge) => rms >= edge).length;
    const cell = data.heat.cell;
    make("rect", { x: col * cell - 0.5, y: row * cell - 0.5, width: cell, height: cell, class: `h${step}` }, groups.heat);
  }
  for (const [x, y, radius] of data.dust) twice("circle", { cx: x, cy: y, r: Math.max(radius * 2, 1) }, groups.dust);
  for (const [x, y, width, height] of data.changes) twice("rect", { x, y, width, height }, groups.changes);

  if (data.lift.length) twice("path", { d: data.lift.map(([x, y]) => `M${x} ${y}h0`).join("") }, groups.lift);

  const drawArrows = (factor) => {
    groups.arrows.replaceChildren();
    const words = ["", "", ""];
    for (const [x, y, dx, dy] of data.arrows) {
      const length = Math.hypot(dx, dy);
      const step = data.steps.filter((edge) => length >= edge).length;
      const ux = dx * factor, uy = dy * factor;
      words[step < 2 ? 0 : step < 4 ? 1 : 2] += `M${x} ${y}l${ux.toFixed(1)} ${uy.toFixed(1)}` +
        `l${(-0.3 * ux - 0.15 * uy).toFixed(1)} ${(-0.3 * uy + 0.15 * ux).toFixed(1)}` +
        `m${(0.3 * ux + 0.15 * uy).toFixed(1)} ${(0.3 * uy - 0.15 * ux).toFixed(1)}` +
        `l${(-0.3 * ux + 0.15 * uy).toFixed(1)} ${(-0.3 * uy - 0.15 * ux).toFixed(1)}`;
    }
    words.forEach((d, index) => { if (d) twice("path", { d, class: `a${index}` }, groups.arrows); });
  };

  viewer.on("view", ({ scale }) => {
    world.setAttribute("transform", `translate(${viewer.fromImage([0, 0]).join(" ")}) scale(${scale})`);
    /* a name wider than half its piece would lie over its neighbor's: then numbers, as in the table of pieces */
    const named = labels.every(([, { name }, across]) => name.length * LETTER_PX < across * scale / 2);
    for (const [text, { name, number, middle: [x, y] }] of labels) {
      text.setAttribute("transform", `translate(${x} ${y}) scale(${1 / scale})`);
      text.textContent = named ? name : String(number);
    }
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
    groups[button.dataset.shows].style.display = on ? "" : "none";
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
    factor.addEventListener("change", () => drawArrows(Number(factor.value)));
    drawArrows(Number(factor.value));
  }
  document.querySelectorAll('input[name="mat"]').forEach((radio) => {
    radio.addEventListener("change", () => { document.documentElement.dataset.mat = radio.value; });
  });

  /* a link of the table shows its place */
  document.querySelectorAll("[data-link]").forEach((button) => button.addEventListener("click", () => {
    const link = data.links[Number(button.dataset.link)];
    if (!link) return;
    groups.shown.replaceChildren();
    const [x, y, width, height] = link.frame;
    twice("rect", { x, y, width: Math.max(width, 1), height: Math.max(height, 1) }, groups.shown);
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
    const frame = viewer.element.getBoundingClientRect();
    const [x, y] = viewer.toImage([event.clientX - frame.left, event.clientY - frame.top]);
    const mm = (px) => ((px + 0.5) * 25.4 / data.dpi).toFixed(1);
    place.textContent = `${data.dpi > 0 ? `${mm(x)}, ${mm(y)} mm; ` : ""}${Math.round(x)}, ${Math.round(y)} px`;
  });
}
