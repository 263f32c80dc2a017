// One find's proposal: what was seen, when and where, how it compared, and what was decided on it.

import { answer } from "./answer.js";
import { CardCompare } from "./compare.js";
import { decisions } from "./decisions.js";
import { byId, day, fill, h, recordAddress } from "./dom.js";
import { readFind } from "./finding.js";
import { ask } from "./service.js";

const id = new URLSearchParams(location.search).get("id") ?? "";
let compare = null;

async function show() {
  try {
    const find = await readFind(id);
    document.title = `${id} - platekin`;
    compare = document.createElement("card-compare");
    fill(byId("find"),
      h("h1", {}, find.find_id, " ", h("span", { class: "h1-words" }, find.state)),
      h("p", {}, find.record_id && ["It became ", h("a", { href: recordAddress(find.record_id) }, find.record_id), ". "],
        find.state === "open" && h("a", { href: `/review#${id}` }, "Decide on it in the review")),
      h("div", { class: "deciding" },
        answer({ ...find.evidence, ...find, face: find.evidence.face }),
        h("dl", { class: "fields" }, [["Photograph", find.name], ["Where seen", find.source], ["When seen", find.seen_on], ["Proposed", day(find.proposed_at)],
          ["SHA-256", find.sha256]].filter(([, value]) => value).map(([words, value]) => [h("dt", {}, words), h("dd", {}, value)]))),
      h("h2", {}, "Compared with today's catalogue"), compare,
      h("h2", {}, "Decided on it"), await decisions(id, show));
    compare.show((await ask(`/v1/finds/${encodeURIComponent(id)}/comparison`, { method: "POST" })).data);
  } catch (error) {
    if (!error.title) throw error;
    byId("find").append(h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
  }
}

CardCompare.keys(() => compare);
show();
