/* I show magnified what lies under the pointer over a viewer, so that one sees the very dot one points at.
   In: a viewer and the frame it stands in. Out: a small window that follows the pointer; what was pointed at by a press
   that moved nothing, as a place of the picture. */
import { pictureViewer } from "./viewer.js";

const DOTS = 8; // of the screen for each px of the picture
const STILL = 4; // CSS px a pointer may tremble between pressing and lifting
const AWAY = 18; // CSS px between pointer and window

export const lensOver = (viewer, frame, layer, pointed) => {
  const lens = document.createElement("div"), picture = document.createElement("div");
  lens.className = "lens";
  lens.hidden = true;
  picture.className = "lens-picture";
  lens.append(picture);
  frame.append(lens);
  let inner = null, pressed = null;
  const opened = () => {
    inner = pictureViewer(picture, { words: "Magnified", most: 16 });
    picture.tabIndex = -1;
    picture.setAttribute("aria-hidden", "true");
    inner.open(layer);
  };
  const follow = (event) => {
    if (event.pointerType === "touch") return; // a finger covers what it points at; the cross is there for it
    lens.hidden = false;
    if (!inner) opened();
    const [x, y] = viewer.placeOf(event), [width, height] = [frame.clientWidth, frame.clientHeight], side = lens.offsetWidth;
    lens.style.left = `${x + AWAY + side < width ? x + AWAY : Math.max(0, x - AWAY - side)}px`;
    lens.style.top = `${y + AWAY + side < height ? y + AWAY : Math.max(0, y - AWAY - side)}px`;
    const [px, py] = viewer.toImage([x, y]), scale = DOTS / devicePixelRatio;
    inner.goTo({
      scale, left: picture.clientWidth / 2 - (px + 0.5) * scale, top: picture.clientHeight / 2 - (py + 0.5) * scale,
    });
  };
  const hide = () => { lens.hidden = true; };
  const listening = new AbortController(), until = { signal: listening.signal };
  viewer.element.addEventListener("pointermove", follow, until);
  viewer.element.addEventListener("pointerleave", hide, until);
  viewer.element.addEventListener("pointerdown", (event) => { pressed = viewer.placeOf(event); }, until);
  viewer.element.addEventListener("pointerup", (event) => {
    const at = viewer.placeOf(event), from = pressed;
    pressed = null;
    if (event.button === 0 && from && Math.hypot(at[0] - from[0], at[1] - from[1]) < STILL) pointed(viewer.toImage(at));
  }, until);
  return {
    get viewer() { return inner; },
    close() {
      listening.abort();
      inner?.close();
      lens.remove();
    },
  };
};
