// What an answer leads to: a new card is kept as a find, to be decided in the review; a known one is noted as seen.

import { isNew } from "./answer.js";
import { fill, h, recordAddress, say } from "./dom.js";
import { formOf, newKey, upload } from "./service.js";

const KINDS = {
  find: {
    path: "/v1/finds", words: "Keep it, and decide in the review whether it is a new record.", button: "Keep as a find",
    done: ({ items }) => items.length && ["Kept as ", h("a", { href: `/review#${items[0].find_id}` }, items[0].find_id), "."],
    none: "Looked at again, it is nothing new any more: somebody may have enrolled it meanwhile.",
  },
  sighting: {
    path: "/v1/sightings", words: "Note that you have seen a copy of it. That it is this record is then your word.", button: "Note as seen",
    done: ({ records }) => records.length && ["Noted: a copy of ", h("a", { href: recordAddress(records[0]) }, records[0]), " was seen."],
    none: "This photograph was noted before.",
  },
};

export function proposing(photo, card) {
  if (!photo.file || !(isNew(card.outcome) || card.outcome === "known")) return null;
  const kind = KINDS[card.outcome === "known" ? "sighting" : "find"];
  const key = newKey(); // one for this card: a request that was lost is not carried out twice
  const source = h("input", { id: `source-${key}`, maxlength: 200, autocomplete: "off" });
  const seenOn = h("input", { id: `seen-${key}`, maxlength: 10, placeholder: "1987-05", autocomplete: "off" });
  const told = h("p", { role: "status" });
  const button = h("button", { class: card.outcome === "known" ? "second" : "" }, kind.button);
  const form = h("form", { class: "proposing" }, h("p", {}, kind.words),
    h("div", { class: "columns" }, h("div", {}, h("label", { for: source.id }, "Where it was seen"), source),
      h("div", {}, h("label", { for: seenOn.id }, "When (day, month or year)"), seenOn)),
    h("p", { class: "row" }, button), told);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    const said = { quad: card.quad.flat().map((value) => value.toFixed(1)).join(",") };
    if (source.value.trim()) said.source = source.value.trim();
    if (seenOn.value.trim()) said.seen_on = seenOn.value.trim();
    try {
      const path = `${kind.path}?${new URLSearchParams(said)}`;
      const made = await upload(path, formOf([photo.file]), { headers: { "Idempotency-Key": key } });
      fill(told, kind.done(made) || kind.none);
      button.remove();
      say(told.textContent);
    } catch (error) {
      button.disabled = false;
      fill(told, h("span", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
    }
  });
  return form;
}
