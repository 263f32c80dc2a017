// One find's proposal: what was seen, when and where, how it compared, and what was decided on it.

import "./everywhere.js";
import "./compare.js";
import { compareKeys } from "./comparekeys.js";
import { decisions } from "./decisions.js";
import { byId, day, fill, h, recordAddress, thumbnail } from "./dom.js";
import { cardOf, readFind } from "./finding.js";
import { ask } from "./service.js";
import { looks, verdict } from "./words.js";

const id = new URLSearchParams(location.search).get("id") ?? "";
let compare = null;

async function show() {
  const box = byId("find");
  if (!id) return void fill(box, h("h1", {}, "Which find?"), h("p", {}, "This address names none. ", h("a", { href: "/review" }, "To the review")));
  try {
    const find = await readFind(id);
    document.title = `${id} - platekin`;
    compare = document.createElement("card-compare");
    const fields = [["Photograph", find.name], ["Where seen", find.source], ["When seen", find.seen_on], ["Proposed", day(find.proposed_at)], ["The card", looks(find.evidence.face)], ["SHA-256", find.sha256]];
    fill(box, h("h1", { class: "find-title" }, find.find_id, " ", h("span", { class: "h1-words" }, find.state)),
      h("section", { class: "bench" }, h("header", { class: "verdict" }, find.state !== "open" && h("p", { class: "small" }, "When it was proposed:"), verdict(cardOf(find))), compare,
        h("aside", { class: "side" }, h("p", {}, find.record_id && ["It became ", h("a", { href: recordAddress(find.record_id) }, find.record_id), ". "], find.state === "open" && h("a", { class: "button", href: `/review#${id}` }, "Decide on it")),
          h("dl", { class: "fields" }, fields.filter(([, value]) => value).map(([words, value]) => [h("dt", {}, words), h("dd", {}, value)])), h("h3", {}, "Decided on it"), await decisions(id, show))));
    const [best] = find.evidence.candidates;
    compare.early({ face: thumbnail({ find: id }, "whole"), reference: best ? thumbnail({ reference: best.reference }, "whole") : "/static/mark.svg", record: best?.record_id });
    const { data } = await ask(`/v1/finds/${encodeURIComponent(id)}/comparison`, { method: "POST" });
    // With what it was found nearest to: the nearest today may be the record that it became, which is the card itself.
    const at = data.identification.cards[0]?.candidates.findIndex(({ record_id: record }) => record === best?.record_id) ?? -1;
    compare.show(data, 0, at < 0 ? undefined : at);
  } catch (error) {
    if (!error.title) throw error;
    if (!box.children.length) fill(box, h("h1", {}, id));
    box.append(h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo} `, h("a", { href: "/review" }, "To the review")));
  }
}

compareKeys(() => (compare?.comparison ? compare : null));
show();
