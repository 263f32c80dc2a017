// On every page: one search, photographs dropped or pasted anywhere are asked about, more pages behind one button.

import { byId } from "./dom.js";
import { keys } from "./keys.js";
import { keep, newId } from "./kept.js";
import { undoToast } from "./toast.js";

let taking = null; // the page's own use of files; without one they go to Identify

// run(files): what this page does with files that are dropped or pasted.
export function takeFiles(run) {
  taking = run;
}

async function give(files) {
  if (!files.length) return;
  if (taking) return void taking(files);
  for (const [order, file] of files.entries()) await keep({ id: newId(), place: "inbox", order, name: file.name || "photo", file });
  location.assign("/");
}

for (const kind of ["dragenter", "dragover"]) {
  document.addEventListener(kind, (event) => {
    if (![...(event.dataTransfer?.types ?? [])].includes("Files")) return;
    event.preventDefault();
    document.body.classList.add("over");
  });
}
document.addEventListener("dragleave", (event) => event.relatedTarget ?? document.body.classList.remove("over"));
document.addEventListener("drop", (event) => {
  if (!event.dataTransfer?.files.length) return;
  event.preventDefault();
  document.body.classList.remove("over");
  give([...event.dataTransfer.files]);
});
document.addEventListener("paste", (event) => {
  const files = [...event.clipboardData.files];
  if (files.length) event.preventDefault();
  give(files);
});

const search = byId("search");
search.addEventListener("submit", (event) => {
  event.preventDefault();
  const name = byId("name").value.trim();
  if (document.body.classList.contains("page-catalogue") || !name) return;
  const [address] = directly(name) ?? [`/catalogue?${new URLSearchParams({ name })}`];
  location.assign(address);
});

// Finds and lots have pages of their own; records and negatives are looked up in the catalogue.
export function directly(name) {
  if (/^F\d{3,}$/i.test(name)) return [`/review#${name.toUpperCase()}`];
  return /^L\d{3,}$/i.test(name) ? [`/lot#${name.toUpperCase()}`] : null;
}

byId("more")?.addEventListener("click", (event) => {
  const open = document.body.classList.toggle("more-open");
  event.currentTarget.setAttribute("aria-expanded", String(open));
});

keys("Everywhere", [
  { key: "/", words: "Search", run: () => { byId("name").focus(); byId("name").select(); return true; } },
  { key: "u", run: undoToast },
]);
