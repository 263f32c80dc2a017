// Finds: read, decided, and those that stand together because they seem akin.

import { h, thumbnail } from "./dom.js";
import { ask, decide, get, newKey } from "./service.js";

// The find with its tag, as it is now.
export async function readFind(id) {
  const { data, etag } = await ask(`/v1/finds/${encodeURIComponent(id)}`);
  return { ...data, etag };
}

// The find's card in the shape of an answer.
export const cardOf = (find) => ({ ...find.evidence, ...find, caption: null, face: find.evidence.face, candidates: find.evidence.candidates });

export const decideOn = (find, wish, key = newKey()) => decide({ find_id: find.find_id, ...wish }, find.etag, key);

// The open finds, the like of each together: by negative, else by the sitter of what is nearest.
export async function openFinds() {
  const items = [];
  for (;;) {
    const page = await get(`/v1/finds?state=open&limit=500&offset=${items.length}`);
    items.push(...page.items);
    if (!page.items.length || items.length >= page.total) break;
  }
  const groups = new Map();
  for (const find of items) groups.set(kin(find), [...(groups.get(kin(find)) ?? []), find]);
  return [...groups.values()].flat();
}

export function kin(find) {
  const [best] = find.evidence.candidates;
  return find.pose ?? (best ? `near ${best.evidence?.subject ?? best.pose}` : "alone");
}

// Finds of the same negative, crop and outcome: perhaps further copies of the same variation.
export function alike(find, open) {
  if (!find.pose) return [];
  const same = ["outcome", "pose", "crop"];
  return open.filter((one) => one.find_id !== find.find_id && same.every((name) => one[name] === find[name]));
}

// The like of a find, to be chosen by eye; run(chosen) is called with those ticked.
export function likePanel(likes, words, run) {
  const boxes = likes.map((one) => h("input", { type: "checkbox", value: one.find_id, id: `like-${one.find_id}` }));
  const button = h("button", { disabled: true }, words(0));
  const chosen = () => likes.filter((_, place) => boxes[place].checked);
  const form = h("form", { class: "likes" },
    h("h3", {}, `${likes.length} more ${likes.length === 1 ? "find has" : "finds have"} the same outcome on the same negative and crop`),
    h("p", { class: "small" }, "They need not be the same variation. Tick those that are; each becomes a decision of its own, which can be undone."),
    h("ul", { class: "cards" }, likes.map((one, place) => h("li", {}, h("label", { for: `like-${one.find_id}` },
      h("img", { src: thumbnail({ find: one.find_id }), alt: `Find ${one.find_id}`, width: 92, height: 160 }), boxes[place], ` ${one.find_id}`)))),
    button);
  form.addEventListener("change", () => {
    button.disabled = !chosen().length;
    button.textContent = words(chosen().length);
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    button.disabled = true;
    run(chosen());
  });
  return form;
}
