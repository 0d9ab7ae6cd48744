/* I lay shapes over the picture of a viewer: outlines of pieces, seams, residuals, dust, changes, lifted places.
   In: a viewer, shapes in px of its picture (as `report.overlays` makes them). Out: groups that can be shown and hidden. */

export const OVERLAYS = ["heat", "pieces", "seams", "arrows", "dust", "changes", "lift", "shown"];
const LETTER_PX = 9;
const SVG = "http://www.w3.org/2000/svg";

export const svgNode = (name, attributes, parent) => {
  const node = document.createElementNS(SVG, name);
  for (const key of Object.keys(attributes)) node.setAttribute(key, attributes[key]);
  if (parent) parent.appendChild(node);
  return node;
};

/* A line with a light one under it, to be seen on dark and light. */
export const twice = (name, attributes, parent) => {
  svgNode(name, { ...attributes, class: "case" }, parent);
  return svgNode(name, { ...attributes, class: `line ${attributes.class || ""}` }, parent);
};

/* Shapes over a viewer. data: what there is of OVERLAYS, `steps` of residuals in px. */
export const overlayShapes = (viewer, data) => {
  const over = svgNode("svg", { class: "over", "aria-hidden": "true" });
  const world = svgNode("g", {}, over);
  viewer.element.append(over);
  const groups = {};
  for (const name of OVERLAYS) {
    groups[name] = svgNode("g", { class: `g-${name}`, id: `over-${name}` }, world);
    if (name !== "shown") groups[name].style.display = "none";
  }
  const labels = [];
  for (const piece of data.pieces || []) {
    twice("polygon", { points: piece.corners.map((corner) => corner.join(",")).join(" ") }, groups.pieces);
    const text = svgNode("text", {}, groups.pieces);
    const across = Math.max(...piece.corners.map(([x]) => x)) - Math.min(...piece.corners.map(([x]) => x));
    labels.push([text, piece, across]);
  }
  if (data.seams) twice("path", { d: data.seams }, groups.seams);
  const stepOf = (px) => data.steps.filter((edge) => px >= edge).length;
  for (const [col, row, rms] of data.heat?.cells || []) {
    const cell = data.heat.cell;
    const place = { x: col * cell - 0.5, y: row * cell - 0.5, width: cell, height: cell };
    svgNode("rect", { ...place, class: `h${stepOf(rms)}` }, groups.heat);
  }
  for (const [x, y, radius] of data.dust || []) twice("circle", { cx: x, cy: y, r: Math.max(radius * 2, 1) }, groups.dust);
  for (const [x, y, width, height] of data.changes || []) twice("rect", { x, y, width, height }, groups.changes);
  if (data.lift?.length) twice("path", { d: data.lift.map(([x, y]) => `M${x} ${y}h0`).join("") }, groups.lift);

  const follow = ({ scale }) => {
    if (!over.isConnected) return;
    world.setAttribute("transform", `matrix(${viewer.motion().join(" ")})`);
    /* a name wider than half its piece would lie over its neighbor's: then numbers, as in the table of pieces */
    const named = labels.every(([, { name }, across]) => name.length * LETTER_PX < across * scale / 2);
    for (const [text, { name, number, middle: [x, y] }] of labels) {
      text.setAttribute("transform", `translate(${x} ${y}) rotate(${-90 * viewer.turn}) scale(${1 / scale})`);
      text.textContent = named ? name : String(number);
    }
  };
  viewer.on("view", follow);
  return {
    groups, over,
    show(name, on) { groups[name].style.display = on ? "" : "none"; },
    remove() { over.remove(); },
    /* Residuals as arrows, so many times their length. */
    drawArrows(factor) {
      groups.arrows.replaceChildren();
      const words = ["", "", ""];
      for (const [x, y, dx, dy] of data.arrows || []) {
        const step = stepOf(Math.hypot(dx, dy)), ux = dx * factor, uy = dy * factor;
        words[step < 2 ? 0 : step < 4 ? 1 : 2] += `M${x} ${y}l${ux.toFixed(1)} ${uy.toFixed(1)}` +
          `l${(-0.3 * ux - 0.15 * uy).toFixed(1)} ${(-0.3 * uy + 0.15 * ux).toFixed(1)}` +
          `m${(0.3 * ux + 0.15 * uy).toFixed(1)} ${(0.3 * uy - 0.15 * ux).toFixed(1)}` +
          `l${(-0.3 * ux + 0.15 * uy).toFixed(1)} ${(-0.3 * uy - 0.15 * ux).toFixed(1)}`;
      }
      words.forEach((d, index) => { if (d) twice("path", { d, class: `a${index}` }, groups.arrows); });
    },
  };
};
