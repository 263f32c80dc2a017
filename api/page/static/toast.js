// What was just done, said where it is seen, with its Undo; one at a time, and it waits while it is looked at.

import { fill, h } from "./dom.js";

const LONG_MS = 9000;
let box = null;
let going = 0;

// undo: called when it is pressed; it may fail, which is told here too.
export function toast(words, undo = null, { wrong = false } = {}) {
  box ??= h("div", { class: "toast", role: "status", "aria-live": "polite" });
  (document.querySelector("dialog.full[open]") ?? document.body).append(box); // what lies under a dialog cannot be pressed
  box.classList.toggle("wrong", wrong);
  const button = undo && h("button", { type: "button", class: "second", onclick: () => turn(undo, button) }, "Undo ", h("kbd", {}, "u"));
  fill(box, h("span", {}, words), button, h("button", { type: "button", class: "plain", "aria-label": "Close this message", onclick: close }, "×"));
  box.hidden = false;
  box.onpointerenter = () => clearTimeout(going);
  box.onpointerleave = wait;
  pending = undo;
  wait();
}

let pending = null;

// The key for Undo: what the toast offers, for as long as it is there.
export function undoToast() {
  if (!pending || box?.hidden) return false;
  const button = box.querySelector("button.second");
  turn(pending, button);
  return true;
}

async function turn(undo, button) {
  pending = null;
  if (button) button.disabled = true;
  const told = box.firstChild;
  try {
    await undo();
    if (box.firstChild === told) close(); // nothing else was said meanwhile
  } catch (error) {
    toast(error.title ? `${error.title}. ${error.todo}` : String(error), null, { wrong: true });
  }
}

function wait() {
  clearTimeout(going);
  going = setTimeout(close, LONG_MS);
}

function close() {
  if (box) box.hidden = true;
  pending = null;
}
