// The log of what was decided, newest first, with undo and redo; of one thing, or of everything. What was decided at
// one go is folded into one line, and undone at one go.

import { day, fill, h, recordAddress, say, thumbnail } from "./dom.js";
import { ask, decide, get, redo, undo } from "./service.js";
import { toast } from "./toast.js";

const AT_ONCE = 50;
const MANY = 500;

// about: id of a record or a find, or null. changed: called after an undo or redo. which: {action, actor} to list alone.
export async function decisions(about, changed = () => {}, which = {}) {
  const list = h("ol", { class: "decisions bare" });
  const more = h("button", { type: "button", class: "second" }, "Earlier ones");
  const wrong = h("div", { role: "alert" });
  const box = h("div", {}, wrong, list, more);
  let offset = 0;

  async function load() {
    const items = await some(AT_ONCE);
    const ended = items.length < AT_ONCE || (await wholeBatch(items));
    offset += items.length;
    more.hidden = ended;
    list.append(...folded(items).map((some) => (some.length > 1 ? batch(some, turn) : entry(some[0], turn))));
    if (!offset) fill(list, h("li", { class: "empty" }, Object.keys(which).length ? "Nothing of this kind was decided." : "Nothing was decided yet."));
  }

  async function some(limit, from = offset) {
    const query = new URLSearchParams({ limit, offset: from, ...(about && { about }), ...which });
    return (await get(`/v1/decisions?${query}`)).items;
  }

  // A batch is told with its true number, since it is undone as a whole. Whether the log ends with it.
  async function wholeBatch(items) {
    const { batch: name } = items.at(-1);
    for (let got = []; name; ) {
      got = await some(MANY, offset + items.length);
      const other = got.findIndex(({ batch: one }) => one !== name);
      items.push(...got.slice(0, other < 0 ? got.length : other));
      if (other >= 0) return false;
      if (got.length < MANY) return true;
    }
    return false;
  }

  async function turn(one, whole = false) {
    fill(wrong);
    try {
      if (whole) await decide({ action: "undo", number: one.number, whole_batch: true }, (await ask("/v1/decisions?limit=1")).etag);
      else await (one.standing ? undo(one.number) : redo(one.number));
      const words = `${whole ? "They were" : `Decision ${one.number} was`} ${one.standing ? "undone" : "done again"}`;
      say(words);
      toast(`${words}.`);
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

// Entries of one batch that follow each other.
function folded(items) {
  const groups = [];
  for (const one of items) {
    const last = groups.at(-1);
    if (last && one.batch && last[0].batch === one.batch && last[0].action === one.action) last.push(one);
    else groups.push([one]);
  }
  return groups;
}

function batch(some, turn) {
  const [newest] = some;
  const standing = some.filter((one) => one.standing).length;
  const undoing = standing && !TURNED.includes(newest.action) ? asking(`Undo these ${standing}`, `Undo all ${standing}?`, () => turn(newest, true)) : null;
  return h("li", { class: `batch ${standing ? "" : "undone"}` }, h("span", { class: "number" }, `${some.at(-1).number}–${newest.number}`),
    h("details", {}, h("summary", {}, h("b", {}, `${ACTIONS[newest.action] ?? newest.action.replaceAll("_", " ")}, ${some.length} at one go`), h("span", { class: "small" }, ` ${newest.actor === "machine" ? "by the machine" : `by ${newest.by}`}, ${day(newest.at)}`),
      h("span", { class: "log-faces" }, some.slice(0, 12).map(faceOf))), h("ol", { class: "decisions bare" }, some.map((one) => entry(one, turn)))), undoing);
}

// A press asks, a second one does it.
function asking(words, question, run) {
  const button = h("button", { type: "button", class: "plain", onclick: () => {
    if (button.dataset.asked) return void run();
    button.dataset.asked = "yes";
    button.textContent = question;
    setTimeout(() => { delete button.dataset.asked; button.textContent = words; }, 4000);
  } }, words);
  return button;
}

function faceOf({ about }) {
  const [name] = about.split(" ");
  const what = /^F\d+$/.test(name) ? { find: name } : /^V\d/.test(name) ? { record: name } : null;
  if (!what) return null;
  const image = h("img", { src: thumbnail(what), alt: "", width: 28, height: 48, loading: "lazy" });
  image.onerror = () => image.remove(); // a record that is gone
  return image;
}

export const ACTIONS = {
  enrol: "added from a table", accept: "accepted as a new record", merge_find: "entered into a known record", reject: "rejected", see: "noted as seen", propose: "kept as a find",
  outline: "outlined anew", edit: "corrected", remove: "removed", join_copy: "named a copy", part_copy: "left the copy open", map_crops: "measured crops", undo: "undone", redo: "done again",
};

// What an entry says of itself, without what stands before it already.
const SAID = [[/^seen: \S+ \((sighting \d+)\)$/, "$1"], [/^seen: /, ""], [/^(accepted|merged): /, ""], [/^1 proposed from /, "from "], [/^rejected$/, ""], [/^1 crops of \S+ mapped$/, "1 crop"], [/^(\d+ crops) of \S+ mapped$/, "$1"], [/^decision (\d+) \(\w+\) (undone|done again)$/, "decision $1"]];
const told = ({ outcome, about }) => SAID.reduce((words, [said, instead]) => words.replace(said, instead), (outcome ?? "").replace(`${about}: `, ""));

function entry(one, turn) {
  const what = ACTIONS[one.action] ?? one.action.replaceAll("_", " ");
  return h("li", { class: one.standing ? "" : "undone" },
    h("span", { class: "number" }, `${one.number}`, faceOf(one)),
    h("span", { class: "decision-words" }, h("b", {}, what), " ", links(one.about), told(one) && `: ${told(one)}`,
      one.note && h("span", { class: "small" }, ` "${one.note}"`),
      h("span", { class: "small" }, ` ${one.actor === "machine" ? "by the machine" : `by ${one.by}`}, `, h("time", { datetime: one.at }, day(one.at)),
        one.standing ? "" : ", undone")),
    !TURNED.includes(one.action) && named(asking(one.standing ? "Undo" : "Do again", one.standing ? "Really undo?" : "Really?", () => turn(one)), one));
}

function named(button, one) {
  button.setAttribute("aria-label", `${one.standing ? "Undo" : "Do again"} decision ${one.number}`);
  return button;
}

function links(about) {
  return about.split(" ").flatMap((name, place) => {
    const before = place ? " " : "";
    if (/^F\d+$/.test(name)) return [before, h("a", { href: `/find?id=${name}` }, name)];
    return [before, /^V\d/.test(name) ? h("a", { href: recordAddress(name) }, name) : name];
  });
}
