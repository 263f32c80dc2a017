// The log of what was decided, newest first, with undo and redo; of one thing, or of everything.

import { day, fill, h, recordAddress, say } from "./dom.js";
import { get, redo, undo } from "./service.js";

const AT_ONCE = 50;

// about: id of a record or a find, or null. changed: called after an undo or redo.
export async function decisions(about, changed = () => {}) {
  const list = h("ol", { class: "decisions bare" });
  const more = h("button", { type: "button", class: "second" }, "Earlier ones");
  const wrong = h("div", { role: "alert" });
  const box = h("div", {}, wrong, list, more);
  let offset = 0;

  async function load() {
    const query = new URLSearchParams({ limit: AT_ONCE, offset, ...(about && { about }) });
    const { items } = await get(`/v1/decisions?${query}`);
    offset += items.length;
    more.hidden = items.length < AT_ONCE;
    list.append(...items.map((one) => entry(one, turn)));
    if (!offset) fill(list, h("li", { class: "empty" }, "Nothing was decided yet."));
  }

  async function turn(one) {
    fill(wrong);
    try {
      await (one.standing ? undo(one.number) : redo(one.number));
      say(`Decision ${one.number} ${one.standing ? "undone" : "done again"}`);
      offset = 0;
      fill(list);
      await load();
      changed();
    } catch (error) {
      fill(wrong, h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
    }
  }

  more.addEventListener("click", load);
  await load();
  return box;
}

const TURNED = ["undo", "redo"];

function entry(one, turn) {
  const what = one.action.replaceAll("_", " ");
  return h("li", { class: one.standing ? "" : "undone" },
    h("span", { class: "number" }, `${one.number}`), " ",
    h("span", { class: "decision-words" }, h("b", {}, what), " ", links(one.about), one.outcome && `: ${one.outcome}`,
      one.note && h("span", { class: "small" }, ` "${one.note}"`),
      h("span", { class: "small" }, ` ${one.actor === "machine" ? "by the machine" : `by ${one.by}`}, `, h("time", { datetime: one.at }, day(one.at)),
        one.standing ? "" : ", undone")),
    !TURNED.includes(one.action) && h("button", { type: "button", class: "plain", "aria-label": `${one.standing ? "Undo" : "Do again"} decision ${one.number}`, onclick: () => turn(one) },
      one.standing ? "Undo" : "Do again"));
}

function links(about) {
  return about.split(" ").flatMap((name, place) => {
    const before = place ? " " : "";
    if (/^F\d+$/.test(name)) return [before, h("a", { href: `/find?id=${name}` }, name)];
    return [before, /^V\d/.test(name) ? h("a", { href: recordAddress(name) }, name) : name];
  });
}
