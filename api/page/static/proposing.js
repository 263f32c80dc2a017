// A card that is new: keep it as a find, to be decided in the review.

import { fill, h, say } from "./dom.js";
import { newKey, upload } from "./service.js";

export function proposing(photo, card) {
  if (!photo.file) return null;
  const key = newKey(); // one for this card: a request that was lost is not carried out twice
  const source = h("input", { id: `source-${key}`, maxlength: 200, autocomplete: "off" });
  const seenOn = h("input", { id: `seen-${key}`, maxlength: 10, placeholder: "1987-05", autocomplete: "off" });
  const told = h("p", { role: "status" });
  const button = h("button", {}, "Keep as a find");
  const form = h("form", { class: "proposing" },
    h("p", {}, "Keep it, and decide in the review whether it is a new record."),
    h("label", { for: source.id }, "Where it was seen"), source,
    h("label", { for: seenOn.id }, "When (day, month or year)"), seenOn,
    h("p", { class: "row" }, button), told);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    const said = { quad: card.quad.flat().map((value) => value.toFixed(1)).join(",") };
    if (source.value.trim()) said.source = source.value.trim();
    if (seenOn.value.trim()) said.seen_on = seenOn.value.trim();
    try {
      const path = `/v1/finds?${new URLSearchParams(said)}`;
      const { items } = await upload(path, photo.file, { headers: { "Idempotency-Key": key } });
      if (!items.length) fill(told, "Looked at again, it is nothing new any more: somebody may have enrolled it meanwhile.");
      else {
        fill(told, "Kept as ", h("a", { href: `/review#${items[0].find_id}` }, items[0].find_id), ".");
        button.remove();
      }
      say(told.textContent);
    } catch (error) {
      button.disabled = false;
      fill(told, h("span", { class: "problem", role: "alert" }, `${error.title}. ${error.todo}`));
    }
  });
  return form;
}
