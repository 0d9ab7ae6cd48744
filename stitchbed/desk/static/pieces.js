/* I take in pieces: files dropped or chosen go to the job's folder with their hash, a folder is chosen by looking.
   In: the page of the first stop. Out: requests; words on how it goes. */
import { post, put, say, textOf, tried } from "./api.js";

const HASHED = 512 * 2 ** 20; // bytes; larger files are hashed by the server alone, which reads back what it wrote

const hashOf = async (file) => {
  if (file.size > HASHED || !crypto.subtle) return "";
  const digest = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
};

const line = (words, bad = false) => {
  const row = document.createElement("p");
  row.textContent = words;
  row.className = bad ? "bad" : "";
  document.getElementById("taking")?.append(row);
  return row;
};

export const takeIn = async (files) => {
  for (const file of files) {
    const row = line(`${file.name}: being copied`);
    try {
      const headers = { "content-type": "application/octet-stream", "x-sha256": await hashOf(file) };
      const answer = await put(`/pieces?name=${encodeURIComponent(file.name)}`, file, headers);
      row.textContent = `${(await answer.json()).name}: copied, bytes checked`;
    } catch (error) {
      row.className = "bad";
      row.textContent = `${file.name}: ${error.message}`;
      say(`${file.name}: ${error.message}`);
    }
  }
  await tried(() => post("/pieces/dropped"));
};

/* Files of what was dropped, those in folders too. */
const filesOf = async (items) => {
  const found = [];
  const walk = async (entry) => {
    if (entry.isFile) found.push(await new Promise((yes, no) => entry.file(yes, no)));
    else {
      const reader = entry.createReader();
      for (let some; (some = await new Promise((yes, no) => reader.readEntries(yes, no))).length;) {
        for (const one of some) await walk(one);
      }
    }
  };
  for (const entry of items.map((item) => item.webkitGetAsEntry()).filter(Boolean)) await walk(entry);
  return found.filter((file) => !file.name.startsWith("."));
};

export const watchDrops = () => {
  const carries = (event) => event.dataTransfer?.types.includes("Files");
  document.addEventListener("dragover", (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    document.body.classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget) document.body.classList.remove("dropping");
  });
  document.addEventListener("drop", async (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    document.body.classList.remove("dropping");
    await takeIn(await filesOf([...event.dataTransfer.items]));
  });
  document.addEventListener("change", (event) => {
    if (event.target.id === "files") takeIn([...event.target.files]);
  });
};

/* The folders of the machine, one level at a time; `act` is what is done with the one chosen. */
export const chooseFolder = (act) => tried(async () => {
  const place = document.getElementById("folders");
  const open = async (id) => {
    place.innerHTML = await textOf(id ? `/folders?id=${encodeURIComponent(id)}` : "/folders"); // written escaped
    place.hidden = false;
    place.querySelector("button")?.focus();
  };
  place.onclick = (event) => tried(async () => {
    const button = event.target.closest("button");
    if (!button) return;
    event.stopPropagation();
    if (button.dataset.open) await open(button.dataset.open);
    else if (button.dataset.choose) {
      place.hidden = true;
      await post("/act", { act, folder: button.dataset.choose });
    } else place.hidden = true;
  });
  await open("");
});
