/* I show one picture of any size, made of small tiles at every halving, to be moved about and looked at closely.
   In: an element, and a source {width, height, tile, halvings, url(halvings, row, col)}, all px; halvings 0 is full size.
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
export const pictureViewer = (element, { words = "The picture", most = MOST_KEPT } = {}) => {
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
  let source = null, tiles = null, view = null, goal = null, glide = null, asked = 0, whole = true;
  const density = () => window.devicePixelRatio || 1;
  const ask = () => { if (!asked && source) asked = requestAnimationFrame(draw); };
  const middle = () => [stage.width / 2, stage.height / 2];
  const everything = () => [0, 0, source.width, source.height];

  /* Go to a view: at once, or gliding there where motion is welcome. */
  const go = (next, gliding = false) => {
    if (!source) return;
    goal = allowed(next, stage, source, density());
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
    if (whole || !goal) go(fitted(everything(), stage)), whole = true;
    else go(shifted(goal, [middle()[0] - before[0], middle()[1] - before[1]]));
  };

  const paint = (level, dots) => {
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
  const draw = (now) => {
    asked = 0;
    follow(now);
    const dots = density();
    const size = [Math.round(stage.width * dots), Math.round(stage.height * dots)];
    if (canvas.width !== size[0] || canvas.height !== size[1]) [canvas.width, canvas.height] = size;
    else context.clearRect(0, 0, ...size);
    const smallest = [source.halvings, 0, 0], level = levelOf(view, source.halvings, dots);
    const done = tiles.want([smallest, ...tilesIn(goal, stage, source, levelOf(goal, source.halvings, dots))]);
    /* smaller levels stand in for what has not come, or cannot */
    const here = tilesIn(view, stage, source, level).every(tiles.use);
    let used = 1;
    for (let coarse = here ? level : source.halvings; coarse >= level; coarse--) used += paint(coarse, dots);
    tiles.use(smallest);
    tiles.trim(Math.max(most, used));
    call("view", view);
    if (done && !glide) call("settled", view);
  };

  const viewer = {
    element,
    get view() { return { ...goal }; },
    get source() { return source; },
    get kept() { return tiles ? tiles.size : 0; },
    on(name, one) { calls[name].push(one); return viewer; },
    open(next) {
      if (tiles) tiles.trim(0);
      source = next;
      tiles = tileStore(next, () => { if (source === next) ask(); }, (tile) => { if (source === next) call("lost", tile); });
      view = goal = glide = null;
      whole = true;
      measure();
      call("open", next);
    },
    close() {
      cancelAnimationFrame(asked);
      watch.disconnect();
      if (tiles) tiles.trim(0);
      source = tiles = null;
      element.replaceChildren();
    },
    toImage: (place) => toImage(view, place),
    fromImage: (place) => fromImage(view, place),
    /* Show the frame [x, y, width, height] px, or the whole picture. */
    fit(frame) { go(fitted(frame || everything(), stage), true); whole = !frame; },
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
