/* I show the picture in depth and lay the record's shapes over it.
   In: the JSON in #shapes (canvas px) and tiles beside the page or inside it. Out: what one sees and can reach by keys. */
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("shapes").textContent);
  const byId = (id) => document.getElementById(id);
  const stage = byId("stage");
  const say = (words) => { byId("status").textContent = words; };
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;

  const source = {
    width: data.width, height: data.height, tileSize: data.tile, tileOverlap: 0,
    maxLevel: Math.ceil(Math.log2(Math.max(data.width, data.height))),
    getTileUrl(level, col, row) {
      const name = `half${this.maxLevel - level}/r${row}c${col}.jpg`;
      return data.inside ? data.inside[name] : `${encodeURIComponent(data.folder)}/${name}`;
    },
  };
  source.minLevel = source.maxLevel - data.halvings;

  const viewer = OpenSeadragon({
    element: byId("picture"), tileSources: source, drawer: "canvas", showNavigationControl: false, showNavigator: false,
    animationTime: still ? 0 : 0.35, springStiffness: 8, visibilityRatio: 0.3, minZoomImageRatio: 0.5,
    maxZoomPixelRatio: 16, crossOriginPolicy: false, preserveImageSizeOnResize: true,
    gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true },
  });
  window.proof = { viewer };
  viewer.canvas.setAttribute("role", "application");
  viewer.canvas.setAttribute("aria-label", "The picture: arrow keys move, plus and minus zoom, 0 shows all, 1 to 6 switch overlays");

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
  viewer.canvas.appendChild(over);
  const groups = {};
  for (const name of ["heat", "pieces", "seams", "arrows", "dust", "lift", "shown"]) {
    groups[name] = make("g", { class: `g-${name}`, id: `over-${name}` }, world);
    if (name !== "shown") groups[name].style.display = "none";
  }
  const twice = (name, attributes, parent) => {
    make(name, { ...attributes, class: "case" }, parent);
    make(name, { ...attributes, class: `line ${attributes.class || ""}` }, parent);
  };
  const labels = [];
  for (const piece of data.pieces) {
    twice("polygon", { points: piece.corners.map((corner) => corner.join(",")).join(" ") }, groups.pieces);
    const text = make("text", {}, groups.pieces);
    text.textContent = piece.name;
    labels.push([text, piece.middle]);
  }
  if (data.seams) twice("path", { d: data.seams }, groups.seams);
  for (const [col, row, rms] of data.heat.cells) {
    const step = data.steps.filter((edge) => rms >= edge).length;
    const cell = data.heat.cell;
    make("rect", { x: col * cell - 0.5, y: row * cell - 0.5, width: cell, height: cell, class: `h${step}` }, groups.heat);
  }
  for (const [x, y, radius] of data.dust) twice("circle", { cx: x, cy: y, r: Math.max(radius * 2, 1) }, groups.dust);

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

  const follow = () => {
    const item = viewer.world.getItemAt(0);
    if (!item) return;
    const zero = item.imageToViewerElementCoordinates(new OpenSeadragon.Point(0, 0));
    const end = item.imageToViewerElementCoordinates(new OpenSeadragon.Point(data.width, 0));
    const scale = (end.x - zero.x) / data.width;
    world.setAttribute("transform", `translate(${zero.x + scale / 2} ${zero.y + scale / 2}) scale(${scale})`);
    for (const [text, [x, y]] of labels) text.setAttribute("transform", `translate(${x} ${y}) scale(${1 / scale})`);
    byId("zoom").textContent = `${(100 * scale).toPrecision(3)} %`;
    /* beyond twice its size one looks at pixels, so they are shown as they are */
    viewer.drawer.setImageSmoothingEnabled(scale * devicePixelRatio < 2);
  };
  for (const name of ["open", "update-viewport", "resize"]) viewer.addHandler(name, follow);
  viewer.addHandler("open", () => { stage.dataset.open = "yes"; });
  viewer.addHandler("tile-drawn", () => { stage.dataset.drawn = "yes"; });
  viewer.addHandler("tile-load-failed", () => { byId("missing").hidden = false; });

  /* switches */
  const switches = [...document.querySelectorAll("[data-shows]")];
  const press = (button) => {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    groups[button.dataset.shows].style.display = on ? "" : "none";
    say(`${button.dataset.shows} ${on ? "shown" : "hidden"}`);
  };
  switches.forEach((button) => button.addEventListener("click", () => press(button)));

  const zoomTo = (frame) => {
    const item = viewer.world.getItemAt(0);
    const margin = 0.15 * Math.max(frame[2], frame[3], 200);
    const [x, y, w, h] = [frame[0] - margin, frame[1] - margin, frame[2] + 2 * margin, frame[3] + 2 * margin];
    viewer.viewport.fitBounds(item.imageToViewportRectangle(x, y, w, h), still);
  };
  const acts = {
    in: () => viewer.viewport.zoomBy(1.6),
    out: () => viewer.viewport.zoomBy(1 / 1.6),
    all: () => viewer.viewport.goHome(still),
    one: () => viewer.viewport.zoomTo(viewer.world.getItemAt(0).imageToViewportZoom(1)),
    full: () => { stage.classList.add("full"); viewer.canvas.focus(); },
    leave: () => { stage.classList.remove("full"); document.querySelector('[data-act="full"]').focus(); },
  };
  const act = (name) => {
    if (!viewer.world.getItemAt(0)) return;
    acts[name]();
    viewer.viewport.applyConstraints(still);
  };
  document.querySelectorAll("[data-act]").forEach((button) => button.addEventListener("click", () => act(button.dataset.act)));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && stage.classList.contains("full")) act("leave");
  });
  viewer.addHandler("canvas-key", (event) => {
    const key = event.originalEvent.key;
    if (/^[1-9]$/.test(key)) {
      event.preventDefaultAction = true;
      const button = switches[Number(key) - 1];
      if (button && !button.disabled) press(button);
    }
    /* one step for each press, the same as the buttons */
    const step = { "+": "in", "=": "in", "-": "out", "_": "out", 0: "all" }[key];
    if (step) {
      event.preventDefaultAction = true;
      act(step);
    }
    /* turning and mirroring would part the picture from the overlays */
    if (/^[rRfF]$/.test(key)) event.preventDefaultAction = true;
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
    if (!link || !viewer.world.getItemAt(0)) return;
    groups.shown.replaceChildren();
    const [x, y, width, height] = link.frame;
    twice("rect", { x, y, width: Math.max(width, 1), height: Math.max(height, 1) }, groups.shown);
    zoomTo(link.frame);
    stage.scrollIntoView({ block: "nearest", behavior: still ? "auto" : "smooth" });
    say(`Showing ${link.a} and ${link.b}`);
  }));

  /* where the pointer is */
  const place = byId("place");
  stage.addEventListener("pointermove", (event) => {
    const item = viewer.world.getItemAt(0);
    if (!item) return;
    const frame = viewer.canvas.getBoundingClientRect();
    const at = item.viewerElementToImageCoordinates(new OpenSeadragon.Point(event.clientX - frame.left, event.clientY - frame.top));
    const mm = data.dpi > 0 ? `${(at.x * 25.4 / data.dpi).toFixed(1)}, ${(at.y * 25.4 / data.dpi).toFixed(1)} mm; ` : "";
    place.textContent = `${mm}${Math.floor(at.x)}, ${Math.floor(at.y)} px`;
  });
})();
