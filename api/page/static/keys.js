// Keys that act at once, the list of them on demand, and a switch that turns them off (WCAG 2.1.4).

import { byId, h } from "./dom.js";

const known = [];
const OFF = "platekin-keys-off";

// list: {key, words, shown, run, up}; run returns false where the key means nothing just now; up: when it is let go.
export function keys(group, list) {
  known.push({ group, list });
  const button = byId("keys-button");
  button.hidden = false;
  button.onclick = show;
}

const isOn = () => !localStorage.getItem(OFF);

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || typing(event.target, event.key)) return;
  if (document.querySelector("dialog[open]:not(.full)")) return;
  if (event.key === "?") return void show();
  if (!isOn()) return;
  for (const { list } of [...known].reverse()) {
    for (const one of list) {
      if (one.key !== event.key || (event.repeat && one.up)) continue;
      if (one.run(event) !== false) return void event.preventDefault();
    }
  }
});
document.addEventListener("keyup", (event) => {
  for (const { list } of known) list.find((one) => one.key === event.key && one.up)?.up();
});

function typing(target, key) {
  if (!(target instanceof Element)) return false;
  if (target.matches("input[type=range]")) return key.startsWith("Arrow");
  if (target.matches("input[type=checkbox]")) return key === " ";
  if (key === "Enter" && clicked(target)) return false;
  if (key === " " || key === "Enter") return Boolean(target.closest("input, textarea, select, button, a, summary"));
  if (key.startsWith("Arrow") && target.closest(".corner, .pane.enlarged, [role=radiogroup]")) return true;
  return Boolean(target.closest("input, textarea, select, [contenteditable]"));
}

// A button that was clicked keeps the focus, unseen: Enter then means what a button on the screen says it does. One
// that the keyboard came to is pressed by it, as everywhere.
let pressed = null;
document.addEventListener("pointerdown", (event) => { pressed = event.target.closest("button"); }, true);
document.addEventListener("focusin", (event) => { if (event.target !== pressed) pressed = null; });
const clicked = (target) => pressed !== null && target === pressed;

function show() {
  const on = h("input", { type: "checkbox", id: "keys-on", checked: isOn() });
  on.addEventListener("change", () => (on.checked ? localStorage.removeItem(OFF) : localStorage.setItem(OFF, "1")));
  const groups = known.map(({ group, list }) => [
    h("h3", {}, group),
    h("dl", { class: "keys" }, list.filter((one) => one.words).map((one) => [
      h("dt", {}, h("kbd", {}, one.shown ?? one.key)), h("dd", {}, one.words),
    ])),
  ]);
  const box = h("dialog", { "aria-labelledby": "keys-title" },
    h("h2", { id: "keys-title", tabindex: "-1", autofocus: true }, "Keys"), groups,
    h("p", {}, h("label", {}, on, " Single keys act at once")),
    h("form", { method: "dialog", class: "row" }, h("button", {}, "Close")));
  box.addEventListener("close", () => box.remove());
  (document.querySelector("dialog.full[open]") ?? document.body).append(box);
  box.showModal();
}
