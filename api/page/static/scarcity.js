// How many different copies of each record are known, at least and at most; and what the catalogue lacks.

import "./everywhere.js";
import { byId, fill, h, percent, recordAddress, svg, thumbnail } from "./dom.js";
import { get } from "./service.js";
import { markTold } from "./words.js";

const TIMES = { 0: "never", 1: "once", 2: "twice" };

const AT_ONCE = 500;
const ROWS = 50;
const records = new Map();
const ORDERS = {
  "the scarcest first": (a, b) => a.at_most - b.at_most || a.at_least - b.at_least,
  "by sitter": (a, b) => sitter(a).localeCompare(sitter(b)),
  "most seen first": (a, b) => b.seen - a.seen,
  "worst preserved first": (a, b) => (a.best ?? 0) - (b.best ?? 0),
};
const sitter = (row) => records.get(row.record)?.subject ?? "";

const KINDS = {
  "no reference": "Records without a picture", "not legible": "Records without a legible picture",
  "one copy": "Records known from one copy", "one crop": "Negatives with one crop seen",
};

async function all(path) {
  const items = [];
  for (;;) {
    const page = await get(`${path}?limit=${AT_ONCE}&offset=${items.length}`);
    items.push(...page.items);
    if (!page.items.length || items.length >= page.total) return items;
  }
}

try {
  const [rows, gaps, held] = await Promise.all([all("/v1/scarcity"), all("/v1/gaps"), all("/v1/records")]);
  for (const record of held) records.set(record.record_id, record);
  fill(byId("scarcity"), rows.length ? [plot(rows), table(rows)] : h("p", { class: "empty" }, "Nothing is enrolled yet."));
  fill(byId("gaps"), lacking(gaps));
} catch (error) {
  if (!error.title) throw error;
  fill(byId("scarcity"), h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
}

// One stroke up for every count of copies: solid what a person has joined, open what is there if all others differ.
function plot(rows) {
  const most = Math.max(...rows.map((row) => row.at_most));
  const count = (name) => Array.from({ length: most + 1 }, (_, n) => rows.filter((row) => row[name] === n).length);
  const [least, upper] = [count("at_least"), count("at_most")];
  const top = Math.max(...least, ...upper);
  const step = Math.max(46, Math.min(90, 640 / (most + 1)));
  const [width, height] = [(most + 1) * step + 20, 140];
  const up = (n) => 110 - (85 * n) / top;
  const isOne = least.every((n, place) => n === upper[place]); // nobody has seen a card that may be another's copy again
  const bars = least.flatMap((n, place) => {
    const x = 10 + (place + 0.5) * step;
    return [
      n && svg("path", { class: "least", d: `M${x - (isOne ? 0 : 7)} 110V${up(n)}` }), n && svg("text", { class: isOne ? "axis" : "count-least", x: isOne ? x : x - 2, y: up(n) - 5 }, n),
      !isOne && upper[place] && svg("path", { class: "upper-bound", d: `M${x + 7} 110V${up(upper[place])}` }),
      !isOne && upper[place] && svg("text", { class: "count-upper", x: x + 2, y: up(upper[place]) - 5 }, upper[place]),
      svg("text", { class: "axis", x, y: 130 }, place),
    ];
  });
  const words = least.map((n, place) => `${place} copies: ${n} at least, ${upper[place]} if all others differ`).join("; ");
  return h("figure", { class: "plot" }, svg("svg", { viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "xMinYMid", role: "img", "aria-label": `Records by copies seen. ${words}` },
    svg("path", { class: "rule", d: `M10 110H${width - 10}` }), bars),
  h("figcaption", {}, isOne ? "Records by the number of different copies seen." : "Records by the number of different copies seen. Solid: at least, as somebody has said which copy each is. Striped: at most, if every other card is a further copy."));
}

// With faces; sorted, and only those whose words have what is looked for.
function table(rows) {
  const list = h("ul", { class: "scarce bare" });
  const more = h("button", { type: "button", class: "second", onclick: () => add() }, "More");
  const order = h("select", { id: "order", onchange: () => start() }, Object.keys(ORDERS).map((words) => h("option", {}, words)));
  const only = h("input", { id: "only", placeholder: "sitter, caption, club or mark", autocomplete: "off", oninput: () => start() });
  let left = [];
  function start() {
    const wanted = only.value.trim().toLowerCase();
    left = rows.filter((row) => !wanted || Object.values(records.get(row.record) ?? {}).some((value) => typeof value === "string" && value.toLowerCase().includes(wanted))).sort(ORDERS[order.value]);
    fill(list, left.length ? null : h("li", { class: "empty" }, `No record has “${only.value}” in it.`));
    add();
  }
  function add() {
    list.append(...left.splice(0, ROWS).map(scarce));
    more.hidden = !left.length;
  }
  start();
  return [h("div", { class: "row which" }, h("span", {}, h("label", { for: "order" }, "Order"), order), h("span", {}, h("label", { for: "only" }, "Only"), only)), list, h("p", {}, more)];
}

function scarce(row) {
  const record = records.get(row.record) ?? {};
  const copies = row.at_least === row.at_most ? `${row.at_least} cop${row.at_least === 1 ? "y" : "ies"}` : `${row.at_least} to ${row.at_most} copies`;
  const seen = row.first ? (row.first === row.last ? row.first : `${row.first} to ${row.last}`) : "";
  return h("li", {}, h("a", { href: recordAddress(row.record) }, h("img", { src: thumbnail({ record: row.record }), alt: "", width: 55, height: 96, loading: "lazy", decoding: "async" }),
    h("span", {}, h("b", {}, row.record), ` ${record.subject ?? ""}`, h("i", { class: "printed" }, [record.caption, record.club].filter(Boolean).join(", ")), markTold(record.mark), h("span", { class: "small" }, `${copies}, seen ${TIMES[row.seen] ?? `${row.seen} times`}${seen ? `, ${seen}` : ""}${row.best === null ? "" : `, best has ${percent(row.best)} contrast left`}`))));
}

function lacking(gaps) {
  if (!gaps.length) return h("p", { class: "empty" }, "Nothing.");
  return Object.entries(KINDS).map(([kind, words]) => {
    const found = gaps.filter((gap) => gap.kind === kind);
    return found.length ? h("details", {}, h("summary", {}, `${words}: ${found.length}`), h("ul", { class: "bare" }, found.slice(0, 500).map((gap) =>
      h("li", {}, kind === "one crop" ? h("a", { href: `/catalogue?${new URLSearchParams({ name: gap.about })}` }, gap.about) : h("a", { href: recordAddress(gap.about) }, gap.about), `, ${gap.detail}`)))) : null;
  });
}
