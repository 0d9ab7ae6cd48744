/* I keep a page of the desk alive: acts go to the server, and what changed there is drawn anew, here and in other tabs.
   In: the page as the server wrote it, events. Out: the page as it is now. */
import { post, say, textOf, tried } from "./api.js";
import { showMat } from "./mat.js";
import { chooseFolder, watchDrops } from "./pieces.js";

/* Choices that only change what is seen, by name: they stand in the page alone, and stay when it is drawn anew. */
const looksOf = (part) => new Map([...part.querySelectorAll("select[id], input[type=checkbox]")]
  .filter((one) => !one.dataset.set && !one.dataset.size)
  .map((one) => [one.id || one.dataset.overlay, one.type === "checkbox" ? one.checked : one.value]));
const lookAgain = (part, looks) => {
  for (const one of part.querySelectorAll("select[id], input[type=checkbox]")) {
    const before = looks.get(one.id || one.dataset.overlay);
    if (before === undefined || one.dataset.set || one.dataset.size) continue;
    if (one.type === "checkbox") one.checked = before;
    else if ([...one.options].some((option) => option.value === before)) one.value = before;
  }
};

/* Draw anew what differs; what is being typed stays, and the keyboard stays where it is. */
const refresh = async () => {
  const fresh = new DOMParser().parseFromString(await textOf(location.pathname), "text/html");
  const focused = document.activeElement, id = focused?.id;
  const label = focused?.getAttribute?.("aria-label") || focused?.textContent;
  for (const part of document.querySelectorAll("[data-part]")) {
    const next = fresh.querySelector(`[data-part="${part.dataset.part}"]`);
    if (!next || next.innerHTML === part.dataset.was) continue;
    const open = [...part.querySelectorAll("details[open]")].map((one) => one.id || one.className);
    const scroll = part.scrollTop, looks = looksOf(part);
    const taking = part.querySelector("#taking"), folders = part.querySelector("#folders");
    part.dataset.was = next.innerHTML;
    part.innerHTML = next.innerHTML;
    if (taking) part.querySelector("#taking")?.replaceWith(taking);
    if (folders) part.querySelector("#folders")?.replaceWith(folders);
    for (const one of part.querySelectorAll("details")) one.open = open.includes(one.id || one.className);
    lookAgain(part, looks);
    part.scrollTop = scroll;
  }
  if (!document.activeElement || document.activeElement === document.body) {
    const again = id ? document.getElementById(id)
      : [...document.querySelectorAll("button, a")].find((one) => (one.getAttribute("aria-label") || one.textContent) === label);
    again?.focus({ preventScroll: true });
  }
  showMat();
};

let busy = null, again = false;
const refreshed = () => {
  again = true;
  busy ??= (async () => {
    while (again) {
      again = false;
      await tried(refresh);
    }
    busy = null;
  })();
};

const progress = ({ stop, step, done, total, seconds }) => {
  const bar = document.getElementById("share");
  if (!bar) return refreshed();
  bar.max = total || 1;
  if (total) bar.value = done; else bar.removeAttribute("value");
  document.getElementById("step").textContent = total > 1 ? `${step}, ${done} of ${total}` : step;
  document.getElementById("spent").textContent = `${Math.round(seconds)} s`;
  const dot = document.querySelector(`.line a[href$="${stop}"] .dot`) || document.querySelector(".line .busy .dot");
  dot?.style.setProperty("--part", total ? Math.min(0.9, done / total) : 0.3);
  return undefined;
};

const listen = () => {
  const events = new EventSource("/events");
  let lost = false;
  events.addEventListener("changed", refreshed);
  events.addEventListener("progress", (event) => progress(JSON.parse(event.data)));
  events.onerror = () => { lost = true; };
  events.onopen = () => { if (lost) refreshed(); lost = false; };
};

const clicks = {
  act: (button) => post("/act", { act: button.dataset.act, ...JSON.parse(button.dataset.takes || "{}") })
    .then(() => button.dataset.then && post("/start", { stop: button.dataset.then })),
  post: (button) => post(button.dataset.post),
  start: (button) => post("/start", { stop: button.dataset.start, replace: button.dataset.replace === "yes" }),
  folders: (button) => chooseFolder(button.dataset.folders),
};
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  const what = button && Object.keys(clicks).find((name) => name in button.dataset);
  if (what) tried(() => clicks[what](button));
});

/* a field is kept as soon as it is left */
document.addEventListener("change", (event) => {
  const field = event.target;
  if (field.dataset?.size && field.value) tried(() => post("/act", { act: field.dataset.size, size: field.value }));
  if (!field.dataset?.set) return;
  const value = field.type === "checkbox" ? field.checked : field.value;
  tried(async () => {
    try {
      await post("/act", { act: "set", step: field.dataset.step, path: JSON.parse(field.dataset.set), value });
      field.removeAttribute("aria-invalid");
    } catch (error) {
      field.setAttribute("aria-invalid", "true");
      throw error;
    }
  });
});

document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.target.matches("input[type=text], textarea")) return;
  const way = event.key.toLowerCase() === "z" ? (event.shiftKey ? "redo" : "undo") : event.key.toLowerCase() === "y" ? "redo" : "";
  if (!way) return;
  event.preventDefault();
  tried(() => post(`/history/${way}`));
});

window.desk = { refreshed, say };
document.querySelectorAll("[data-part]").forEach((part) => { part.dataset.was = part.innerHTML; });
document.querySelector(".line [aria-current]")?.scrollIntoView({ inline: "center", block: "nearest" }); // narrow pages
watchDrops();
showMat();
listen();
