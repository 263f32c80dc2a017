// Keys that act at once, the list of them on demand, and a switch that turns them off (WCAG 2.1.4).

import { byId, h } from "./dom.js";

const known = [];
const OFF = "platekin-keys-off";

export function keys(group, list) {
  known.push({ group, list });
  const button = byId("keys-button");
  button.hidden = false;
  button.onclick = show;
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || typing(event.target)) return;
  if (document.querySelector("dialog[open]")) return;
  if (event.key === "?") return void show();
  if (localStorage.getItem(OFF)) return;
  for (const { list } of known) {
    const found = list.find(({ key }) => key === event.key);
    if (found && found.run(event) !== false) {
      event.preventDefault();
      return;
    }
  }
});

function typing(target) {
  if (!(target instanceof Element)) return false;
  if (target.matches("input[type=range], input[type=checkbox]")) return false;
  return Boolean(target.closest("input, textarea, select, [contenteditable]"));
}

function show() {
  const on = h("input", { type: "checkbox", id: "keys-on", checked: !localStorage.getItem(OFF) });
  on.addEventListener("change", () => (on.checked ? localStorage.removeItem(OFF) : localStorage.setItem(OFF, "1")));
  const groups = known.map(({ group, list }) => [
    h("h3", {}, group),
    h("dl", { class: "keys" }, list.filter((one) => one.words).map((one) => [
      h("dt", {}, h("kbd", {}, one.shown ?? one.key)), h("dd", {}, one.words),
    ])),
  ]);
  const box = h("dialog", { "aria-labelledby": "keys-title" },
    h("h2", { id: "keys-title" }, "Keys"), groups,
    h("p", {}, h("label", {}, on, " Single keys act at once")),
    h("form", { method: "dialog", class: "row" }, h("button", {}, "Close")));
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
}
