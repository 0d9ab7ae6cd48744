/* I show a picture of any size, made of small tiles at every halving, to be moved about and looked at closely; or several
   pictures laid over each other, each with a motion of its own.
   In: an element, and a source {width, height, tile, halvings, url(halvings, row, col)}, all px; halvings 0 is full size.
   Of several: {width, height, layers}, each a source with `matrix` [a, b, c, d, e, f] (x' = a x + c y + e, as in CSS), drawn
   in their order, those `above` last; `hidden` ones are not, `seen` (0..1) lets those below show through, and `mix`
   ("difference") lays one over them otherwise. `dpi` gives rulers.
   Out: the picture drawn in the element, and where one looks.

   Places in the picture are [x, y] px with pixel centers at whole numbers: it covers -0.5 to width - 0.5. Places on the
   stage (the element) are [x, y] CSS px from its top left. A view is {scale, left, top}: CSS px for each px of the picture,
   and where the picture's corner lies on the stage. "Dots" are the screen's own: `density` of them to each CSS px. */

const NEAREST_FROM = 2; // dots for each px: from here on one looks at pixels, so they are shown as they are
const LARGEST = 32; // dots for each px; more shows nothing new
const MOST_KEPT = 192; // tiles; at 512 px each is 1 MiB, and a screen of 4K shows at most some 150
const MOST_LOADING = 6; // tiles at once, as many as browsers ask one server for anyway
const GLIDE_MS = 180; // long enough to see where one goes, short enough not to wait
const STEP = 1.6; // zoom of one press of a key
const KEY_MOVE = 0.15; // of the stage's shorter side, for one press of an arrow
const WHEEL_DOUBLES = 320; // CSS px of turning the wheel that double the scale; one notch is some 100
const RULER = 20; // CSS px of the rulers along the upper and the left side
const MARK_PX = 70; // CSS px between two numbers of a ruler at least: room for four digits
const BUFFER_MOST = 4096; // px a side of a turned layer drawn at once; a level coarser is taken where that would be passed
const LINE_PX = 33; // CSS px of one line, where a wheel counts in lines: three lines to a notch

/* ---------------------------------------------------------------- arithmetic, without any page */

export const fromImage = (view, [x, y]) => [view.left + (x + 0.5) * view.scale, view.top + (y + 0.5) * view.scale];

export const toImage = (view, [x, y]) => [(x - view.left) / view.scale - 0.5, (y - view.top) / view.scale - 0.5];

/* The view that shows the frame [x, y, width, height] px (x, y: center of its first pixel) whole, in the middle. */
export const fitted = ([x, y, width, height], stage) => {
  const scale = Math.min(stage.width / width, stage.height / height);
  const left = (stage.width - width * scale) / 2 - x * scale;
  return { scale, left, top: (stage.height - height * scale) / 2 - y * scale };
};

/* The view after a zoom that leaves the place under [x, y] of the stage where it is. */
export const zoomed = (view, factor, [x, y]) =>
  ({ scale: view.scale * factor, left: x - (x - view.left) * factor, top: y - (y - view.top) * factor });

export const shifted = (view, [dx, dy]) => ({ ...view, left: view.left + dx, top: view.top + dy });

/* The part (0..1) of the way from one view to another: the scale grows evenly to the eye, and a place that is at the same
   spot of the stage in both stays there all the way. */
export const between = (from, to, part) => {
  const scale = from.scale * (to.scale / from.scale) ** part;
  const gone = Math.abs(to.scale / from.scale - 1) < 1e-6 ? part : (scale - from.scale) / (to.scale - from.scale);
  return { scale, left: from.left + (to.left - from.left) * gone, top: from.top + (to.top - from.top) * gone };
};

/* The nearest view that is allowed: from half of the whole picture to LARGEST, the stage's middle on the picture. */
export const allowed = (view, stage, source, density = 1) => {
  const middle = [stage.width / 2, stage.height / 2];
  const whole = fitted([0, 0, source.width, source.height], stage).scale;
  const most = LARGEST / density, least = Math.min(whole, 1 / density, most) / 2;
  const held = zoomed(view, Math.min(Math.max(view.scale, least), most) / view.scale, middle);
  const near = (corner, half, size) => Math.min(half, Math.max(half - size * held.scale, corner));
  return {
    scale: held.scale, left: near(held.left, middle[0], source.width), top: near(held.top, middle[1], source.height),
  };
};

/* Halvings of the smallest level that still has a pixel for every dot. */
export const levelOf = (view, halvings, density = 1) =>
  Math.min(halvings, Math.max(0, Math.floor(-Math.log2(view.scale * density) + 1e-9)));

/* Tiles [halvings, row, col] of a level that the stage shows, nearest to its middle first. */
export const tilesIn = (view, stage, source, halvings) => {
  const span = source.tile * 2 ** halvings * view.scale; // CSS px
  const range = (corner, length, size) => {
    const last = Math.ceil(size / (source.tile * 2 ** halvings)) - 1;
    return [Math.max(0, Math.floor(-corner / span)), Math.min(last, Math.ceil((length - corner) / span) - 1)];
  };
  const [firstRow, lastRow] = range(view.top, stage.height, source.height);
  const [firstCol, lastCol] = range(view.left, stage.width, source.width);
  const far = ([, row, col]) => Math.hypot(
    view.left + (col + 0.5) * span - stage.width / 2, view.top + (row + 0.5) * span - stage.height / 2);
  const found = [];
  for (let row = firstRow; row <= lastRow; row++) {
    for (let col = firstCol; col <= lastCol; col++) found.push([halvings, row, col]);
  }
  return found.sort((a, b) => far(a) - far(b));
};

/* The motion [a, b, c, d, e, f] after the other one. */
export const after = ([a, b, c, d, e, f], [p, q, r, s, t, u]) =>
  [a * p + c * q, b * p + d * q, a * r + c * s, b * r + d * s, a * t + c * u + e, b * t + d * u + f];

export const moved = ([a, b, c, d, e, f], [x, y]) => [a * x + c * y + e, b * x + d * y + f];

export const undone = ([a, b, c, d, e, f]) => {
  const area = a * d - b * c;
  return [d / area, -b / area, -c / area, a / area, (c * f - d * e) / area, (b * e - a * f) / area];
};

/* The motion of a picture's px when it is turned clockwise by quarters, its upper left pixel center staying at (0, 0). */
export const quarterTurn = (quarters, { width, height }) => [
  [1, 0, 0, 1, 0, 0], [0, 1, -1, 0, height - 1, 0], [-1, 0, 0, -1, width - 1, height - 1], [0, -1, 1, 0, 0, width - 1],
][((quarters % 4) + 4) % 4];

/* Tiles [halvings, row, col] of a level that a frame [left, top, right, bottom] px of the layer touches. */
export const tilesWithin = ([left, top, right, bottom], source, halvings) => {
  const span = source.tile * 2 ** halvings;
  const range = (low, high, size) =>
    [Math.max(0, Math.floor((low + 0.5) / span)), Math.min(Math.ceil(size / span) - 1, Math.floor((high + 0.5) / span))];
  const [firstRow, lastRow] = range(top, bottom, source.height);
  const [firstCol, lastCol] = range(left, right, source.width);
  const found = [];
  for (let row = firstRow; row <= lastRow; row++) {
    for (let col = firstCol; col <= lastCol; col++) found.push([halvings, row, col]);
  }
  return found;
};

/* Marks of a ruler: mm between numbers, the round one that leaves `MARK_PX` between them. pxPerMm: CSS px for each. */
export const rulerStep = (pxPerMm) => {
  for (let ten = 0.1; ; ten *= 10) {
    for (const one of [1, 2, 5]) if (one * ten * pxPerMm >= MARK_PX) return one * ten;
  }
};

/* ---------------------------------------------------------------- tiles */

/* Loaded tiles by name, the one used last at the end. `arrived` and `lost` are called when a tile has come, or cannot. */
export const tileStore = (source, arrived, lost) => {
  const held = new Map(), loading = new Set(), missing = new Set();
  const load = async (tile, name) => {
    loading.add(name);
    try {
      const image = new Image();
      image.src = source.url(...tile);
      await image.decode();
      held.set(name, await createImageBitmap(image));
    } catch {
      missing.add(name); // not asked for again: the picture is opened anew when its tiles are back
      lost(tile);
    }
    loading.delete(name);
    arrived();
  };
  return {
    get size() { return held.size; },
    /* The tile's picture if it is here; from now on the one used last. */
    use(tile) {
      const name = tile.join(), bitmap = held.get(name);
      if (bitmap) held.set(name, (held.delete(name), bitmap));
      return bitmap;
    },
    /* Ask for tiles, the first first; true when none of them is still to come. */
    want(tiles) {
      const open = tiles.filter((tile) => !held.has(tile.join()) && !missing.has(tile.join()));
      for (const tile of open) {
        if (loading.size < MOST_LOADING && !loading.has(tile.join())) load(tile, tile.join());
      }
      return open.length === 0;
    },
    /* Let go of what was used longest ago, until `count` are left. */
    trim(count) {
      for (const [name, bitmap] of held) {
        if (held.size <= count) return;
        bitmap.close();
        held.delete(name);
      }
    },
  };
};

/* ---------------------------------------------------------------- the viewer */

/* A viewer in `element`. settings: words (what the picture is, for those who do not see it), most (tiles kept).
   Calls by name, see `on`: "open"; "view" (each time it is drawn); "settled" (every tile of the view is there);
   "lost" (a tile cannot be loaded). */
export const pictureViewer = (element, { words = "The picture", most = MOST_KEPT, rulers = false } = {}) => {
  const calls = { open: [], view: [], settled: [], lost: [] };
  const call = (name, value) => calls[name].forEach((one) => one(value));
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("2d");
  Object.assign(canvas.style, { position: "absolute", inset: "0", width: "100%", height: "100%" });
  Object.assign(element.style, { touchAction: "none", userSelect: "none", overflow: "hidden" });
  element.append(canvas);
  element.tabIndex = 0;
  element.setAttribute("role", "application");
  element.setAttribute("aria-label", words);

  const stage = { width: 1, height: 1 };
  let source = null, world = null, layers = [], turn = 0;
  let view = null, goal = null, glide = null, asked = 0, whole = true;
  const density = () => window.devicePixelRatio || 1;
  const ask = () => { if (!asked && source) asked = requestAnimationFrame(draw); };
  const middle = () => [stage.width / 2, stage.height / 2];
  const everything = () => [0, 0, world.width, world.height];
  const inset = () => (rulers && source.dpi > 0 ? RULER : 0);
  /* the frame in the part of the stage that no ruler covers */
  const fittedHere = (frame) => {
    const free = inset();
    return shifted(fitted(frame, { width: stage.width - free, height: stage.height - free }), [free, free]);
  };

  /* Go to a view: at once, or gliding there where motion is welcome. */
  const go = (next, gliding = false) => {
    if (!source) return;
    goal = allowed(next, stage, world, density());
    whole = false;
    glide = gliding && view && !calm.matches ? { from: view, start: performance.now() } : null;
    if (!glide) view = goal;
    ask();
  };
  const follow = (now) => {
    if (!glide) return;
    const part = Math.min(1, Math.max(0, (now - glide.start) / GLIDE_MS));
    view = part < 1 ? between(glide.from, goal, part * (2 - part)) : goal;
    if (part < 1) ask(); else glide = null;
  };
  const measure = () => {
    const before = middle(), [width, height] = [element.clientWidth, element.clientHeight];
    if (goal && !(width && height)) return; // hidden for a while: the view stays as it is
    [stage.width, stage.height] = [Math.max(1, width), Math.max(1, height)];
    if (!source) return;
    if (whole || !goal) go(fittedHere(everything())), whole = true;
    else go(shifted(goal, [middle()[0] - before[0], middle()[1] - before[1]]));
  };

  /* One picture that lies as it is: tiles straight to their dots, so that pixels stay pixels. */
  const paint = ({ source, tiles }, level, dots) => {
    /* whole dots, so that neighbors meet without a gap */
    const at = (offset, place) => Math.round((offset + place * view.scale) * dots);
    const [right, bottom] = [at(view.left, source.width), at(view.top, source.height)];
    context.save();
    context.beginPath();
    context.rect(at(view.left, 0), at(view.top, 0), right - at(view.left, 0), bottom - at(view.top, 0));
    context.clip();
    context.imageSmoothingEnabled = view.scale * dots < NEAREST_FROM;
    context.imageSmoothingQuality = "high";
    let used = 0;
    for (const tile of tilesIn(view, stage, source, level)) {
      const bitmap = tiles.use(tile), [, row, col] = tile, span = source.tile * 2 ** level;
      if (!bitmap) continue;
      const [x, y] = [at(view.left, col * span), at(view.top, row * span)];
      const [endX, endY] = [bitmap.width, bitmap.height].map((side) => side * 2 ** level);
      context.drawImage(bitmap, x, y, at(view.left, col * span + endX) - x, at(view.top, row * span + endY) - y);
      used++;
    }
    context.restore();
    return used;
  };
  /* stage dots from a layer's px */
  const motionOf = (layer, seen, dots) => after(
    [seen.scale * dots, 0, 0, seen.scale * dots, (seen.left + seen.scale / 2) * dots, (seen.top + seen.scale / 2) * dots],
    layer.motion);
  /* the frame of a layer that the stage shows, px */
  const frameOf = (motion, dots) => {
    const back = undone(motion), [right, bottom] = [stage.width * dots, stage.height * dots];
    const corners = [[0, 0], [right, 0], [right, bottom], [0, bottom]].map((corner) => moved(back, corner));
    const [xs, ys] = [0, 1].map((axis) => corners.map((corner) => corner[axis]));
    return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
  };
  const levelIn = (layer, motion) =>
    levelOf({ scale: Math.hypot(motion[0], motion[1]) }, layer.source.halvings);
  const isPlain = ({ motion: [a, b, c, d, e, f], source: own }) =>
    a === 1 && !b && !c && d === 1 && !e && !f && own.width === world.width && own.height === world.height;

  /* A moved layer: its tiles meet without a gap in a buffer of their own px, which is then drawn at once. */
  const paintMoved = (layer, dots) => {
    const { source: own, tiles } = layer, motion = motionOf(layer, view, dots), frame = frameOf(motion, dots);
    let level = levelIn(layer, motion), wanted = tilesWithin(frame, own, level);
    if (!wanted.length) return 0;
    const sizeOf = () => {
      const [, firstRow, firstCol] = wanted[0], [, lastRow, lastCol] = wanted[wanted.length - 1];
      const side = (first, last, size) => [first * own.tile, Math.min((last + 1) * own.tile, Math.ceil(size / 2 ** level))];
      const [[left, right], [top, bottom]] = [side(firstCol, lastCol, own.width), side(firstRow, lastRow, own.height)];
      return { left, top, width: right - left, height: bottom - top };
    };
    let size = sizeOf();
    while (Math.max(size.width, size.height) > BUFFER_MOST && level < own.halvings) {
      wanted = tilesWithin(frame, own, ++level);
      size = sizeOf();
    }
    const all = [];
    for (let coarse = own.halvings; coarse >= level; coarse--) {
      all.push(...tilesWithin(frame, own, coarse).filter((tile) => tiles.use(tile)));
    }
    const here = wanted.every((tile) => tiles.use(tile)) ? wanted : all;
    const key = `${level} ${here.join(" ")}`;
    if (layer.key !== key) {
      layer.key = key;
      layer.buffer ??= document.createElement("canvas");
      [layer.buffer.width, layer.buffer.height] = [size.width, size.height];
      const into = layer.buffer.getContext("2d");
      for (const tile of here) {
        const bitmap = tiles.use(tile), grown = 2 ** (tile[0] - level), span = own.tile * grown;
        into.drawImage(bitmap, tile[2] * span - size.left, tile[1] * span - size.top, bitmap.width * grown, bitmap.height * grown);
      }
    }
    const grown = 2 ** level;
    context.save();
    context.globalCompositeOperation = layer.source.mix || "source-over";
    context.globalAlpha = layer.source.seen ?? 1;
    context.setTransform(...after(motion, [grown, 0, 0, grown, size.left * grown - 0.5, size.top * grown - 0.5]));
    context.imageSmoothingEnabled = Math.hypot(motion[0], motion[1]) < NEAREST_FROM;
    context.imageSmoothingQuality = "high";
    context.drawImage(layer.buffer, 0, 0);
    context.restore();
    return here.length;
  };
  /* A plain layer; returns the tiles that were used. */
  const paintPlain = (layer, dots) => {
    const { source: own, tiles } = layer, smallest = [own.halvings, 0, 0], level = levelOf(view, own.halvings, dots);
    /* smaller levels stand in for what has not come, or cannot */
    const here = tilesIn(view, stage, own, level).every(tiles.use);
    let used = 1;
    for (let coarse = here ? level : own.halvings; coarse >= level; coarse--) used += paint(layer, coarse, dots);
    tiles.use(smallest);
    return used;
  };
  /* Ask for what the goal shows; true when all of it is there. */
  const want = (layer, dots) => {
    const { source: own, tiles } = layer, smallest = [own.halvings, 0, 0];
    if (isPlain(layer)) return tiles.want([smallest, ...tilesIn(goal, stage, own, levelOf(goal, own.halvings, dots))]);
    const motion = motionOf(layer, goal, dots), seen = tilesWithin(frameOf(motion, dots), own, levelIn(layer, motion));
    return tiles.want(seen.length ? [smallest, ...seen] : []);
  };
  const drawRulers = (dots) => {
    const perMm = view.scale * source.dpi / 25.4, step = rulerStep(perMm), parts = 5;
    context.save();
    context.scale(dots, dots);
    context.fillStyle = "rgb(38 39 40 / 0.86)";
    context.fillRect(0, 0, stage.width, RULER);
    context.fillRect(0, RULER, RULER, stage.height);
    context.fillStyle = context.strokeStyle = "#e9e9e7";
    context.font = '11px "Gill Sans", Candara, "Segoe UI", "DejaVu Sans", sans-serif';
    context.textBaseline = "top";
    context.beginPath();
    const marks = (corner, length, put) => {
      const first = Math.ceil((RULER - corner) / perMm / step * parts), last = (length - corner) / perMm / step * parts;
      for (let mark = first; mark <= last; mark++) put(Math.round(corner + mark * step * perMm / parts) + 0.5, mark);
    };
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const named = (mark) => (mark * step / parts).toFixed(digits);
    marks(view.left, stage.width, (x, mark) => {
      context.moveTo(x, RULER);
      context.lineTo(x, mark % parts ? RULER - 5 : 0);
      if (mark % parts === 0) context.fillText(named(mark), x + 3, 2);
    });
    marks(view.top, stage.height, (y, mark) => {
      context.moveTo(RULER, y);
      context.lineTo(mark % parts ? RULER - 5 : 0, y);
      if (mark % parts) return;
      context.save();
      context.translate(2, y - 3);
      context.rotate(-Math.PI / 2);
      context.fillText(named(mark), 0, 0);
      context.restore();
    });
    context.stroke();
    context.fillStyle = "rgb(38 39 40)";
    context.fillRect(0, 0, RULER, RULER);
    context.fillStyle = "#e9e9e7";
    context.fillText("mm", 1, 4);
    context.restore();
  };
  const draw = (now) => {
    asked = 0;
    follow(now);
    const dots = density();
    const size = [Math.round(stage.width * dots), Math.round(stage.height * dots)];
    if (canvas.width !== size[0] || canvas.height !== size[1]) [canvas.width, canvas.height] = size;
    else context.clearRect(0, 0, ...size);
    const seen = layers.filter((layer) => !layer.source.hidden);
    const done = seen.map((layer) => want(layer, dots)).every(Boolean);
    const room = most / Math.max(1, layers.length);
    seen.sort((one, other) => (one.source.above || 0) - (other.source.above || 0));
    for (const layer of seen) layer.used = (isPlain(layer) ? paintPlain : paintMoved)(layer, dots);
    for (const layer of layers) layer.tiles.trim(Math.max(room, layer.source.hidden ? 1 : layer.used));
    if (inset()) drawRulers(dots);
    call("view", view);
    if (done && !glide) call("settled", view);
  };
  const turned = () => {
    world = turn % 2 ? { width: source.height, height: source.width } : source;
    const motion = quarterTurn(turn, source);
    for (const layer of layers) layer.motion = after(motion, layer.source.matrix || [1, 0, 0, 1, 0, 0]);
  };
  const letGo = () => layers.forEach((layer) => layer.tiles.trim(0));
  const layerOf = (own) => {
    const layer = { source: own, motion: null, key: "", buffer: null, used: 0 };
    layer.tiles = tileStore(
      own, () => { if (layers.includes(layer)) ask(); }, (tile) => { if (layers.includes(layer)) call("lost", tile); });
    return layer;
  };

  const viewer = {
    element,
    get view() { return { ...goal }; },
    get source() { return source; },
    get kept() { return layers.reduce((sum, layer) => sum + layer.tiles.size, 0); },
    get turn() { return turn; },
    on(name, one) { calls[name].push(one); return viewer; },
    open(next) {
      letGo();
      source = next;
      layers = (next.layers || [next]).map(layerOf);
      turn = 0;
      turned();
      view = goal = glide = null;
      whole = true;
      measure();
      call("open", next);
    },
    /* Draw anew: layers were moved, hidden or shown. */
    renew() { turned(); ask(); },
    /* Turn what is seen clockwise by quarters, about the middle of the stage. */
    turnBy(quarters) {
      if (!source) return;
      const held = viewer.toImage(middle()), all = whole;
      turn = (((turn + quarters) % 4) + 4) % 4;
      turned();
      if (all) return viewer.fit();
      const [x, y] = fromImage(goal, moved(quarterTurn(turn, source), held)), [midX, midY] = middle();
      return go(shifted(goal, [midX - x, midY - y]));
    },
    /* Stage place of a layer's px, as a motion, for shapes laid over it; without a layer, of the picture's. */
    motion(index) {
      const layer = index === undefined ? { motion: quarterTurn(turn, source) } : layers[index];
      return motionOf(layer, view || goal, 1);
    },
    close() {
      cancelAnimationFrame(asked);
      watch.disconnect();
      letGo();
      source = null;
      layers = [];
      element.replaceChildren();
    },
    toImage: (place) => moved(undone(quarterTurn(turn, source)), toImage(view, place)),
    /* Where on the element a pointer is. */
    placeOf: (event) => placeOf(event),
    fromImage: (place) => fromImage(view, moved(quarterTurn(turn, source), place)),
    /* Show the frame [x, y, width, height] px, or the whole picture. */
    fit(frame) {
      const corners = frame && [frame.slice(0, 2), [frame[0] + frame[2] - 1, frame[1] + frame[3] - 1]];
      const [[x, y], [endX, endY]] = (corners || [[0, 0], [source.width - 1, source.height - 1]])
        .map((corner) => moved(quarterTurn(turn, source), corner));
      const [left, top] = [Math.min(x, endX), Math.min(y, endY)];
      go(fittedHere([left, top, Math.abs(endX - x) + 1, Math.abs(endY - y) + 1]), true);
      whole = !frame;
    },
    /* Look where one looked before. */
    goTo(next) { go(next); },
    zoomBy(factor, at = middle()) { go(zoomed(goal, factor, at), true); },
    /* So many of the screen's dots for each pixel. */
    zoomTo(dots, at = middle()) { viewer.zoomBy(dots / density() / goal.scale, at); },
    moveBy(dx, dy) { go(shifted(goal, [dx, dy]), true); },
  };

  /* mouse and fingers */
  const fingers = new Map();
  const placeOf = (event) => {
    const frame = element.getBoundingClientRect();
    return [event.clientX - frame.left, event.clientY - frame.top];
  };
  const spread = () => {
    const [a, b = a] = [...fingers.values()];
    return { at: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], apart: Math.hypot(a[0] - b[0], a[1] - b[1]) };
  };
  const lift = (event) => fingers.delete(event.pointerId);
  const listen = (name, does) => element.addEventListener(name, does, { passive: false });
  listen("pointerdown", (event) => {
    if (event.button > 1 || !source || fingers.size > 1) return;
    element.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, placeOf(event));
  });
  listen("pointermove", (event) => {
    if (!fingers.has(event.pointerId) || !source) return;
    const before = spread();
    fingers.set(event.pointerId, placeOf(event));
    const now = spread();
    const grown = before.apart > 0 && now.apart > 0 ? now.apart / before.apart : 1;
    go(zoomed(shifted(goal, [now.at[0] - before.at[0], now.at[1] - before.at[1]]), grown, now.at));
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) listen(name, lift);
  listen("dblclick", (event) => { if (source) viewer.zoomBy(2, placeOf(event)); });
  listen("wheel", (event) => {
    if (!source) return;
    event.preventDefault();
    /* two fingers drawn apart on a touch pad come as small turns with the control key */
    const turn = event.deltaY * (event.deltaMode === 1 ? LINE_PX : 1) * (event.ctrlKey ? 8 : 1);
    go(zoomed(goal, 2 ** (-Math.min(300, Math.max(-300, turn)) / WHEEL_DOUBLES), placeOf(event)));
  });

  /* keys */
  const keys = {
    ArrowLeft: (far) => viewer.moveBy(far, 0), ArrowRight: (far) => viewer.moveBy(-far, 0),
    ArrowUp: (far) => viewer.moveBy(0, far), ArrowDown: (far) => viewer.moveBy(0, -far),
    "+": () => viewer.zoomBy(STEP), "=": () => viewer.zoomBy(STEP),
    "-": () => viewer.zoomBy(1 / STEP), "_": () => viewer.zoomBy(1 / STEP), 0: () => viewer.fit(),
  };
  listen("keydown", (event) => {
    if (!source || event.ctrlKey || event.altKey || event.metaKey || !Object.hasOwn(keys, event.key)) return;
    event.preventDefault();
    keys[event.key](KEY_MOVE * Math.min(stage.width, stage.height));
  });

  const watch = new ResizeObserver(measure);
  watch.observe(element);
  return viewer;
};
