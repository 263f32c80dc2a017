// A lot's cards as a contact sheet, the doubtful first: on the screen, and on paper.

import { OUTCOMES } from "./answer.js";
import { h, recordAddress } from "./dom.js";
import { sureness } from "./ladder.js";
import { get } from "./service.js";

const ORDER = ["undecided", "unreadable", "new_pose", "new_crop", "new_caption", "known", null];

export async function cards(lot) {
  const items = [];
  for (;;) {
    const page = await get(`/v1/lots/${lot.lot_id}/cards?limit=500&offset=${items.length}`);
    items.push(...page.items);
    if (!page.items.length || items.length >= page.total) break;
  }
  if (!items.length) return h("p", { class: "empty" }, "No card was found.");
  items.sort((a, b) => ORDER.indexOf(a.outcome) - ORDER.indexOf(b.outcome) || sure(a) - sure(b));
  return [h("h2", {}, `${items.length} card${items.length === 1 ? "" : "s"}, the doubtful first`),
    h("ol", { class: "cards wide-cards sheet-cards" }, items.map((row) => card(lot, row)))];
}

// How sure the outcome itself is: of a new caption, that these are not the known words.
const SURE = {
  known: (row) => row.confidence_record, new_caption: (row) => other(row.confidence_caption),
  new_crop: (row) => other(row.confidence_crop), new_pose: (row) => other(row.confidence_pose),
};
const other = (share) => (typeof share === "number" ? 1 - share : null);
const sure = (row) => SURE[row.outcome]?.(row) ?? 0;

function card(lot, row) {
  return h("li", {},
    h("img", { src: face(lot, row.card), alt: `Card ${row.card}`, width: 92, height: 160, loading: "lazy", decoding: "async" }),
    h("b", {}, `${row.card} `), row.side === "back" ? h("span", {}, "back") : h("span", {}, outcome(row)),
    row.tag && h("a", { href: recordAddress(row.tag) }, row.tag), row.caption && h("span", {}, row.caption),
    h("span", { class: "small" }, row.file ?? row.name ?? ""), notes(row));
}

export const face = (lot, card) => `/v1/lots/${lot.lot_id}/cards/${card}/face`;

function outcome(row) {
  const told = row.outcome ? OUTCOMES[row.outcome][0].toLowerCase() : "not told";
  return `${told}${sure(row) ? `, ${sureness(sure(row))}` : ""}`;
}

function notes(row) {
  const told = [
    row.decided && `decided: ${row.decided}${row.decided_record ? ` as ${row.decided_record}` : ""}`,
    row.same_scan && `same scan as ${row.same_scan}`, row.same_card && `the same card as ${row.same_card}`, row.like && `like ${row.like}`,
  ].filter(Boolean);
  return told.length ? h("span", { class: "small" }, told.join("; ")) : null;
}
