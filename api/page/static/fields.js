// What a person says of a new record: every field with where it comes from, empty and asked for where the card differs.

import { fill, h } from "./dom.js";
import { draft } from "./draft.js";
import { strip } from "./proof.js";
import { CERTAIN, finding, NO_MARK, PARTED, readLines, RUNGS } from "./words.js";

const FIELDS = [
  ["subject", "Who is shown"], ["caption", "Caption, as printed"], ["club", "Club, as printed"], ["mark", "Issuer's mark, as printed"], ["pose", "Negative"], ["crop", "Crop"],
  ["caption_place", "Place of the caption"], ["issuer", "Issuer"], ["year", "Year"], ["copy", "Your name for this copy"], ["note", "Note for the log"],
];
const MORE = ["pose", "crop", "caption_place", "issuer", "year", "copy", "note"];
const PLACEHOLDERS = { pose: "the next free number", crop: "the next free letter", caption_place: "foot centre", copy: "album 3, Ada's" };

const WORDS = ["caption", "club", "mark"];

// By field: value, from (in words), must (a person has to say it, since this card differs or nothing is known).
// Where the service itself says what was read and where each field comes from (`fields`), that is what counts.
export function proposed(card, candidates) {
  if (card.fields) return told(card, candidates);
  const [best] = candidates;
  const lines = readLines(card);
  const negative = card.pose && best?.pose === card.pose;
  const caption = best && negative ? finding(RUNGS[2], best.confidence.caption) : { state: "unchecked" };
  const isSame = caption.state === "same" && caption.sure >= CERTAIN && card.outcome === "new_crop";
  const words = (known, line, what) => {
    if (isSame) return { value: known ?? "", from: `as on ${best.record_id}: compared, ${caption.words}`, must: false };
    if (line) return { value: line, from: "read from this card: check it against the picture", must: true };
    return { value: "", from: `${best && negative ? `may differ from ${best.record_id}` : "not read"}: type what is printed`, must: true, offer: negative ? known : "", of: best?.record_id, what };
  };
  return {
    subject: negative ? { value: best.evidence?.subject ?? "", from: `as all of negative ${card.pose}`, must: false } : { value: "", from: "a new negative: say who it is", must: true },
    caption: words(best?.caption, lines[0]), club: words(best?.evidence?.club, lines[1]),
    pose: { value: card.pose ?? "", from: card.pose ? "found" : "", must: false }, crop: { value: card.crop ?? "", from: card.crop ? "found" : "", must: false },
  };
}

function told({ fields, pose, outcome }, [best]) {
  const made = Object.fromEntries(Object.entries(fields).map(([name, one]) => [name, { value: one.value, from: one.origin, must: one.confirm }]));
  const same = pose && best?.pose === pose ? { caption: best.caption, club: best.evidence?.club, mark: best.evidence?.mark } : {};
  for (const name of WORDS) {
    // Many cards have no mark: it is asked for where one was read, the nearest record has one, or it is what is new.
    if (name === "mark" && !made.mark && !same.mark && outcome !== "new_mark") continue;
    made[name] ??= { value: "", from: "nothing was read: type what is printed", must: true };
    // A reader is sure of itself too easily: words that were read are always looked at before they are written down.
    // A mark that was read as the nearest record has it was told twice.
    const isToldTwice = name === "mark" && same.mark && made.mark.value === same.mark;
    made[name].must ||= !made[name].value || (made[name].from.startsWith("read") && !isToldTwice);
    const known = same[name];
    if (made[name].must && known !== made[name].value) Object.assign(made[name], { offer: known, of: best?.record_id });
  }
  made.subject ??= { value: "", from: "a new negative: say who it is", must: true };
  return made;
}

export class RecordForm {
  // key: of the draft. card: as it was answered. fields: names that this page can send.
  constructor(key, card, candidates, names = FIELDS.map(([name]) => name)) {
    this.draft = draft(key);
    this.proposed = proposed(card, candidates);
    const typed = this.draft.read() ?? {};
    this.names = names;
    this.fields = {};
    this.said = new Set(typed.said ?? []);
    this.strips = h("div", { class: "form-lines" }, h("p", { class: "empty" }, "Comparing the captions…"));
    const rows = FIELDS.filter(([name]) => names.includes(name)).map(([name, words]) => [name, this.#field(name, words, typed)]);
    const isMore = (name) => MORE.includes(name) || (name === "mark" && !this.proposed.mark);
    const part = (more) => rows.filter(([name]) => isMore(name) === more).map(([, row]) => row);
    this.node = h("div", { class: "record-form" }, this.strips, h("div", { class: "columns" }, part(false)),
      h("details", { class: "more-fields" }, h("summary", {}, "More: negative, crop, issuer, year, …"), h("div", { class: "columns" }, part(true))));
  }

  #field(name, words, typed) {
    const from = this.proposed[name] ?? { value: "", from: "", must: false };
    const field = h("input", { id: `field-${name}`, value: typed[name] ?? from.value, maxlength: name === "note" ? 2000 : 200, autocomplete: "off", spellcheck: false,
      placeholder: PLACEHOLDERS[name], "aria-label": words, "aria-describedby": `from-${name}`, "aria-required": from.must ? "true" : undefined });
    this.fields[name] = field;
    const told = h("span", { class: "from small", id: `from-${name}` });
    const tell = () => {
      const isOwn = this.said.has(name);
      field.classList.toggle("asked", from.must && !isOwn);
      fill(told, isOwn ? "your word" : from.from, from.must && !isOwn && WORDS.includes(name) && this.#offers(name, from, field, tell));
    };
    field.addEventListener("input", () => { this.said.add(name); tell(); this.#keep(); });
    tell();
    return h("div", { class: "field" }, h("label", { for: field.id }, words), field, told);
  }

  // What a person can take over by saying so: the words as read or as on the record, or that none are printed.
  #offers(name, from, field, tell) {
    const [before] = field.value.split(PARTED);
    const take = (words, value) => h("button", { type: "button", class: "bar", onclick: () => { field.value = value; this.said.add(name); tell(); this.#keep(); } }, words);
    return h("span", { class: "offers" }, before !== field.value && take(`Only “${before}”`, before), field.value && take("It reads so", field.value), from.offer && from.offer !== NO_MARK && take(`As ${from.of}: “${from.offer}”`, from.offer), take("None printed", name === "mark" ? NO_MARK : ""));
  }

  #keep() {
    this.draft.keep({ ...this.values(), said: [...this.said] });
  }

  // The captions as they were compared, once they are there.
  compared(candidate, record, isLaid) {
    const lines = candidate?.lines ?? [];
    fill(this.strips, lines.length ? strip(lines[0], record, !isLaid) : h("p", { class: "empty" }, "No captions to set side by side: read this one off the picture."));
  }

  values() {
    return Object.fromEntries(Object.entries(this.fields).map(([name, field]) => [name, field.value.trim()]));
  }

  // The first field that a person has to say something about, and has not.
  lacking() {
    for (const [name, words] of FIELDS) {
      if (!this.names.includes(name) || !this.proposed[name]?.must || this.said.has(name)) continue;
      return this.#unsaid(name, words);
    }
    if (this.proposed.subject?.must && !this.values().subject) return this.#unsaid("subject", "Who is shown");
    return null;
  }

  #unsaid(name, words) {
    const { value } = this.fields[name];
    const ask = value ? `“${value}” was only read: press “It reads so” below the field, or type what is printed.` : `Type it${WORDS.includes(name) ? ", or press one of the offers below the field" : ""}.`;
    return { field: this.fields[name], told: h("p", { class: "problem" }, h("b", {}, `${words}?`), ` ${ask} Nothing was decided.`) };
  }

  // Blank: as it was identified; only the caption may be blank, where nothing is printed.
  wish() {
    return Object.fromEntries(Object.entries(this.values()).filter(([name, value]) => value || name === "caption"));
  }

  forget() {
    this.draft.forget();
  }
}
