// Records put side by side: two to four are picked anywhere in the catalogue, and looked at with one zoom for all.

import { fill, h, recordAddress, thumbnail } from "./dom.js";
import { keys } from "./keys.js";
import { get } from "./service.js";
import { toast } from "./toast.js";
import { Viewport } from "./viewport.js";

const KEPT = "platekin-tray";
const MOST = 4;
const FACE = [368, 640];
let box = null;

const read = () => JSON.parse(sessionStorage.getItem(KEPT) ?? "[]");

function write(records) {
  sessionStorage.setItem(KEPT, JSON.stringify(records));
  draw();
  for (const button of document.querySelectorAll(".to-tray")) label(button);
}

export function trayButton(record) {
  const button = h("button", { type: "button", class: "bar to-tray", onclick: () => {
    const now = read();
    if (now.includes(record)) write(now.filter((one) => one !== record));
    else if (now.length >= MOST) toast(`At most ${MOST} are put side by side: take one off first.`);
    else write([...now, record]);
  } });
  button.dataset.record = record;
  label(button);
  return button;
}

function label(button) {
  const isIn = read().includes(button.dataset.record);
  button.setAttribute("aria-pressed", String(isIn));
  button.textContent = isIn ? "Picked" : "Compare";
  button.setAttribute("aria-label", `${isIn ? "Do not compare" : "Compare"} ${button.dataset.record}`);
}

function draw() {
  const records = read();
  box ??= document.body.appendChild(h("section", { class: "tray", "aria-label": "Records to compare" }));
  box.hidden = !records.length;
  fill(box, records.map((record) => h("img", { src: thumbnail({ record }), alt: record, width: 37, height: 64 })),
    h("button", { type: "button", disabled: records.length < 2, onclick: () => open(records) }, records.length < 2 ? "Pick one more" : `Compare ${records.length}`),
    h("button", { type: "button", class: "bar", onclick: () => write([]) }, "Clear"));
}

let view = null; // of the records that are open side by side

function open(records) {
  view = new Viewport(FACE, () => {});
  const panes = records.map((record) => {
    const sheet = h("div", { class: "sheet" }, h("img", { src: thumbnail({ record }, "whole"), alt: `Record ${record}`, draggable: false }));
    const frame = h("div", { class: "pane", tabindex: "0", role: "group", "aria-label": `${record}. When it is enlarged, arrow keys move it.` }, sheet);
    const words = h("span", { class: "printed" });
    get(`/v1/records/${encodeURIComponent(record)}`).then(({ caption, club, pose, crop }) => fill(words, ` ${[caption || "no words", club].filter(Boolean).join(", ")}; `, h("span", { class: "plain-words" }, `${pose}, crop ${crop}`)), () => {}); // a record that is gone has no words
    return { frame, sheet, figure: h("figure", {}, frame, h("figcaption", {}, h("a", { href: recordAddress(record) }, record), words)) };
  });
  const stage = h("div", { class: "stage side-by-side" }, panes.map(({ figure }) => figure));
  stage.style.setProperty("--count", String(records.length));
  const dialog = h("dialog", { class: "full compare-full", "aria-label": "Records side by side" },
    h("header", { class: "mode-head slim" }, h("b", {}, "Side by side"), h("span", { class: "small by-mouse" }, "One zoom for all: wheel or double click; drag to move."),
      h("button", { type: "button", class: "bar", "aria-label": "Farther", onclick: () => view.zoomBy(1 / 1.5) }, "−"), h("button", { type: "button", class: "bar", "aria-label": "Closer", onclick: () => view.zoomBy(1.5) }, "+"),
      h("button", { type: "button", class: "bar", onclick: () => view.reset() }, "Whole ", h("kbd", {}, "0")), h("button", { type: "button", class: "bar", onclick: () => dialog.close() }, "Close ", h("kbd", {}, "Esc"))), stage);
  dialog.addEventListener("close", () => { dialog.remove(); view = null; });
  document.body.append(dialog);
  dialog.showModal();
  view.use(panes);
  panes[0].frame.focus();
}

const on = (run) => () => (view ? (run(), true) : false);
keys("Side by side", [
  { key: "+", words: "Closer", run: on(() => view.zoomBy(1.5)) },
  { key: "-", words: "Farther", run: on(() => view.zoomBy(1 / 1.5)) },
  { key: "0", words: "Whole cards", run: on(() => view.reset()) },
]);
draw();
