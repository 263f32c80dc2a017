// How many different copies of each record are known, at least and at most; and what the catalogue lacks.

import { byId, fill, h, percent, recordAddress, svg } from "./dom.js";
import { get } from "./service.js";

const AT_ONCE = 500;
const ROWS = 50;
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
  const [rows, gaps] = await Promise.all([all("/v1/scarcity"), all("/v1/gaps")]);
  fill(byId("scarcity"), rows.length ? [plot(rows), table(rows)] : h("p", { class: "empty" }, "Nothing is enrolled yet."));
  fill(byId("gaps"), lacking(gaps));
} catch (error) {
  fill(byId("scarcity"), h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
}

// One stroke up for every count of copies: solid what a person has joined, open what is there if all others differ.
function plot(rows) {
  const most = Math.max(...rows.map((row) => row.at_most));
  const count = (name) => Array.from({ length: most + 1 }, (_, n) => rows.filter((row) => row[name] === n).length);
  const [least, upper] = [count("at_least"), count("at_most")];
  const top = Math.max(...least, ...upper);
  const step = Math.max(46, Math.min(90, 640 / (most + 1)));
  const [width, height] = [(most + 1) * step + 20, 220];
  const up = (n) => 180 - (150 * n) / top;
  const bars = least.flatMap((n, place) => {
    const x = 10 + (place + 0.5) * step;
    return [
      n && svg("path", { class: "least", d: `M${x - 7} 180V${up(n)}` }), n && svg("text", { class: "count-least", x: x - 2, y: up(n) - 5 }, n),
      upper[place] && svg("path", { class: "upper-bound", d: `M${x + 7} 180V${up(upper[place])}` }),
      upper[place] && svg("text", { class: "count-upper", x: x + 2, y: up(upper[place]) - 5 }, upper[place]),
      svg("text", { class: "axis", x, y: 200 }, place),
    ];
  });
  const words = least.map((n, place) => `${place} copies: ${n} at least, ${upper[place]} if all others differ`).join("; ");
  return h("figure", { class: "plot" }, svg("svg", { viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "xMinYMid", role: "img", "aria-label": `Records by copies seen. ${words}` },
    svg("path", { class: "rule", d: `M10 180H${width - 10}` }), bars),
  h("figcaption", {}, "Records by the number of different copies seen. Solid: joined to copies by a person. Dashed: if every other card seen is another copy."));
}

function table(rows) {
  const body = h("tbody");
  const more = h("button", { type: "button", class: "second" }, "More");
  let shown = 0;
  const add = () => {
    const next = rows.slice(shown, shown + ROWS);
    shown += next.length;
    body.append(...next.map((row) => h("tr", {}, h("td", {}, h("a", { href: recordAddress(row.record) }, row.record)),
      h("td", {}, row.at_least === row.at_most ? String(row.at_least) : `${row.at_least} to ${row.at_most}`), h("td", {}, String(row.seen)),
      h("td", { class: "nowrap" }, row.first === row.last ? row.first : `${row.first} to ${row.last}`), h("td", {}, row.best === null ? "" : percent(row.best)))));
    more.hidden = shown >= rows.length;
  };
  more.addEventListener("click", add);
  add();
  return [h("h2", {}, "The scarcest first"), h("div", { class: "wide", tabindex: "0", role: "group", "aria-label": "Table of records" }, h("table", {}, h("thead", {}, h("tr", {},
    ["Record", "Different copies", "Cards seen", "Seen", "Best contrast left"].map((words) => h("th", { scope: "col" }, words)))), body)), h("p", {}, more)];
}

function lacking(gaps) {
  if (!gaps.length) return h("p", { class: "empty" }, "Nothing.");
  return Object.entries(KINDS).map(([kind, words]) => {
    const found = gaps.filter((gap) => gap.kind === kind);
    return found.length ? h("details", {}, h("summary", {}, `${words}: ${found.length}`), h("ul", { class: "bare" }, found.slice(0, 500).map((gap) =>
      h("li", {}, kind === "one crop" ? gap.about : h("a", { href: recordAddress(gap.about) }, gap.about), `, ${gap.detail}`)))) : null;
  });
}
