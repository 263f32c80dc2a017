// A find: what a person says of it in a form that survives a reload, and what is decided on it.

import { h, thumbnail } from "./dom.js";
import { draft } from "./draft.js";
import { isNew } from "./answer.js";
import { ask, decide, get, newKey } from "./service.js";

const FIELDS = [
  ["subject", "Who is shown"], ["pose", "Negative"], ["crop", "Crop"], ["caption", "The card's words"],
  ["club", "Club"], ["issuer", "Issuer"], ["year", "Year"], ["copy", "Which copy"], ["note", "Note for the log"],
];
const PLACEHOLDERS = { pose: "a new one is named", crop: "the next letter" };

export class FindForm {
  constructor(find) {
    this.find = find;
    this.draft = draft(find.find_id);
    const held = this.draft.read() ?? suggestions(find);
    this.fields = Object.fromEntries(FIELDS.map(([name, words]) => [name, h("input", {
      id: `field-${name}`, value: held[name] ?? "", maxlength: name === "note" ? 2000 : 200, autocomplete: "off",
      placeholder: PLACEHOLDERS[name], "aria-label": words,
    })]));
    this.node = h("div", { class: "columns" }, FIELDS.map(([name, words]) =>
      h("div", {}, h("label", { for: `field-${name}` }, words), this.fields[name])));
    this.node.addEventListener("input", () => this.draft.keep(this.values()));
  }

  values() {
    return Object.fromEntries(Object.entries(this.fields).map(([name, field]) => [name, field.value.trim()]));
  }

  // Blank: as it was identified; only the words may be blank, where there are none.
  wish() {
    const said = Object.entries(this.values()).filter(([name, value]) => value || name === "caption");
    return { action: "accept", find_id: this.find.find_id, ...Object.fromEntries(said) };
  }

  // What only a person can say, and has not: of a negative that none of the enrolled ones is, who is shown.
  lacking() {
    const isKnown = this.find.outcome !== "new_pose" || this.find.pose;
    return isKnown || this.values().subject ? null : { field: this.fields.subject, words: "Who is shown" };
  }

  forget() {
    this.draft.forget();
  }
}

// What the closest candidate shares with the find: a person only has to type what is new.
function suggestions({ outcome, pose, crop, evidence }) {
  const closest = evidence.candidates[0];
  const known = closest && isNew(outcome) && outcome !== "new_pose";
  return {
    subject: known ? closest.evidence.subject ?? "" : "", pose: pose ?? "", crop: crop ?? "",
    caption: known && outcome === "new_crop" ? closest.caption : "", club: known ? closest.evidence.club ?? "" : "",
  };
}

// The find with its tag, as it is now.
export async function readFind(id) {
  const { data, etag } = await ask(`/v1/finds/${encodeURIComponent(id)}`);
  return { ...data, etag };
}

export const decideOn = (find, wish, key = newKey()) => decide({ find_id: find.find_id, ...wish }, find.etag, key);

export async function openFinds() {
  const items = [];
  for (;;) {
    const page = await get(`/v1/finds?state=open&limit=500&offset=${items.length}`);
    items.push(...page.items);
    if (!page.items.length || items.length >= page.total) return items;
  }
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
    h("h3", {}, `${likes.length} more ${likes.length === 1 ? "find is" : "finds are"} of this outcome on the same negative and crop`),
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
