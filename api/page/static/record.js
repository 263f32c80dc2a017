// One record: what is known of it, its references, copies seen, where its crop lies, and what was decided about it.

import "./everywhere.js";
import { poseCrops } from "./cropmap.js";
import { decisions } from "./decisions.js";
import { byId, fill, h, percent, recordAddress, say, thumbnail } from "./dom.js";
import { keys } from "./keys.js";
import { ask, decide, get, newKey, undo } from "./service.js";
import { toast } from "./toast.js";
import { trayButton } from "./tray.js";
import { Viewport } from "./viewport.js";

const id = new URLSearchParams(location.search).get("id") ?? "";
const FIELDS = [
  ["subject", "Subject"], ["pose", "Negative"], ["crop", "Crop"], ["caption", "Caption"], ["club", "Club"], ["issuer", "Issuer"],
  ["mark", "Issuer's mark"], ["caption_place", "Place of the caption"], ["year", "Year"], ["series", "Series"], ["format", "Format"], ["note", "Note"],
];
const EDITABLE = ["caption", "club", "issuer", "year", "note", "series", "mark", "caption_place"];

async function show() {
  if (!id) return void fill(byId("record"), h("h1", {}, "Which record?"), h("p", {}, "This address names none. ", h("a", { href: "/catalogue" }, "Look through the catalogue"), ", or search above."));
  try {
    const { data: record, etag } = await ask(`/v1/records/${encodeURIComponent(id)}`);
    const query = new URLSearchParams({ pose: record.pose });
    const [crops, sightings, siblings] = await Promise.all([
      get(`/v1/crops?${query}`), get(`/v1/sightings?${new URLSearchParams({ record: id })}`), get(`/v1/records?${query}`),
    ]);
    document.title = `${record.record_id} - platekin`;
    fill(byId("record"), head(record), await body(record, etag, crops, sightings.items, siblings.items));
  } catch (error) {
    fill(byId("record"), h("h1", {}, id || "No record"), problem(error));
  }
}

function head(record) {
  return [
    h("p", { class: "trail" }, h("a", { href: `/catalogue?${new URLSearchParams({ name: record.subject })}` }, record.subject), ", negative ", h("a", { href: `/catalogue?${new URLSearchParams({ name: record.pose })}` }, record.pose), `, crop ${record.crop}`),
    h("h1", {}, record.record_id, " ", h("i", { class: "h1-words printed" }, [record.caption || "no words", record.club].filter(Boolean).join(", ")), " ", trayButton(record.record_id)),
  ];
}

async function body(record, etag, crops, sightings, siblings) {
  return [
    h("div", { class: "record-top" }, viewer(record),
      h("div", {}, h("dl", { class: "fields" }, FIELDS.filter(([name]) => record[name]).map(([name, words]) => [h("dt", {}, words), h("dd", {}, record[name])]),
        Object.entries(record.extra).filter(([, value]) => value).map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)])),
      h("h2", {}, `${record.references.length} reference${record.references.length === 1 ? "" : "s"}`), h("ul", { class: "references" }, record.references.map(reference))),
      h("section", { class: "cropping" }, h("h2", {}, "Where its crop lies"), cropping(crops, record))),
    editing(record, etag), await formatting(record),
    h("h2", {}, "Copies seen"), seen(sightings, record),
    h("h2", {}, `Other records of ${record.pose}`), others(siblings),
    h("h2", {}, "Decided about it"), await decisions(record.record_id, show),
    removing(record, etag),
  ];
}

// The reference as large as the screen allows, with zoom; the others below it are a press away.
let view = null;
let showing = 0;

function viewer({ references }) {
  if (!references.length) return h("p", { class: "empty" }, "This record has no picture yet.");
  const legible = (one) => one.facts.residual_contrast ?? 0;
  const best = references.reduce((a, b) => (legible(b) > legible(a) ? b : a));
  const sheet = h("div", { class: "sheet" });
  const frame = h("div", { class: "pane", tabindex: "0", role: "group", "aria-label": "The reference. When it is enlarged, arrow keys move it." }, sheet);
  const words = h("figcaption", {});
  view = new Viewport([368, 640], () => {});
  view.choose = (reference) => {
    const one = references.find(({ id: number }) => number === reference) ?? best;
    showing = one.id;
    fill(sheet, h("img", { src: thumbnail({ reference: one.id }, "whole"), alt: `Reference ${one.id}, flattened`, draggable: false }));
    fill(words, `Reference ${one.id}. `, h("a", { href: one.image, target: "_blank", rel: "noopener" }, "Untouched"), h("span", { class: "row" }, [["−", "Farther", 1 / 1.5], ["+", "Closer", 1.5]].map(([sign, name, by]) => h("button", { type: "button", class: "bar", "aria-label": name, onclick: () => view.zoomBy(by) }, sign)), h("button", { type: "button", class: "bar", onclick: () => view.reset() }, "Whole")));
    for (const button of document.querySelectorAll(".references .candidate")) button.setAttribute("aria-pressed", String(button.dataset.reference === String(one.id)));
  };
  view.step = (by) => view.choose(references[(references.findIndex(({ id: number }) => number === showing) + by + references.length) % references.length].id);
  queueMicrotask(() => { view.use([{ frame, sheet }]); view.choose(best.id); });
  return h("figure", { class: "record-viewer" }, frame, words);
}

const on = (run) => () => (view && !document.querySelector("dialog.full[open]") ? (run(), true) : false);
keys("Record", [
  { key: "]", words: "Next reference", run: on(() => view.step(1)) },
  { key: "+", words: "Closer", run: on(() => view.zoomBy(1.5)) },
  { key: "-", words: "Farther", run: on(() => view.zoomBy(1 / 1.5)) },
  { key: "0", words: "Whole card", run: on(() => view.reset()) },
]);

function reference(one) {
  const contrast = one.facts.residual_contrast;
  return h("li", {}, h("button", { type: "button", class: "candidate", "data-reference": one.id, "aria-label": `Show reference ${one.id}`, onclick: () => view.choose(one.id) },
    h("img", { src: thumbnail({ reference: one.id }), alt: "", width: 110, height: 191, loading: "lazy" })),
  h("p", { class: "small" }, `Reference ${one.id}`, one.copy ? `, copy "${one.copy}"` : ", copy not said", h("br"), one.name, one.source && `, ${one.source}`,
    one.seen_on && `, seen ${one.seen_on}`, contrast ? `, ${percent(contrast)} contrast left` : ""),
  labelling("reference", one.id, one.copy));
}

// Which physical card a reference or a sighting shows.
function labelling(kind, number, label) {
  const field = h("input", { "aria-label": `Which copy it shows: ${kind} ${number}`, value: label ?? "", maxlength: 100, placeholder: "your name for it" });
  const told = h("div", { role: "alert" });
  const form = h("form", { class: "labelling row" }, h("span", { class: "small" }, "Which copy it shows"), field, h("button", { class: "plain" }, "Note it"), told);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const copy = field.value.trim();
    const wish = copy ? { action: "join_copy", kind, number, copy } : { action: "part_copy", kind, number };
    carry_out(wish, null, told, copy ? `Noted: copy ${copy}` : "It belongs to no copy now");
  });
  return form;
}

function seen(sightings, record) {
  const copies = new Set(record.references.map(({ copy }) => copy).filter(Boolean));
  const words = `${record.references.length} reference${record.references.length === 1 ? "" : "s"}, ${sightings.length} other sighting${sightings.length === 1 ? "" : "s"}, ${copies.size} named cop${copies.size === 1 ? "y" : "ies"}.`;
  return [h("p", {}, words), sightings.length ? h("ul", { class: "bare" }, sightings.map((one) =>
    h("li", {}, `Sighting ${one.id}: ${one.name}, ${one.source || "source not said"}, ${one.seen_on || "day not said"}`,
      one.suggested_probability ? `, perhaps the card of reference ${one.suggested_reference} (${percent(one.suggested_probability)})` : "",
      labelling("sighting", one.id, one.copy)))) : null];
}

function cropping(crops, record) {
  const told = h("div", { role: "alert" });
  const measure = h("button", { type: "button", class: "second" }, crops.crops.length ? "Measure again" : "Measure the crops of this negative");
  measure.addEventListener("click", async () => {
    measure.disabled = true;
    await carry_out({ action: "map_crops", pose: record.pose }, null, told, "Measured");
    measure.disabled = false;
  });
  return [crops.crops.length && crops.frame ? poseCrops(crops, record.crop) : h("p", { class: "empty" }, "Not measured yet."), h("p", {}, measure), told];
}

function others(siblings) {
  const rest = siblings.filter(({ record_id: other }) => other !== id);
  if (!rest.length) return h("p", { class: "empty" }, "None.");
  return h("ul", { class: "cards wide-cards" }, rest.map((one) => h("li", {}, h("a", { href: recordAddress(one.record_id) },
    h("img", { src: thumbnail({ record: one.record_id }), alt: "", width: 92, height: 160, loading: "lazy" }),
    h("b", {}, one.record_id), h("span", {}, `crop ${one.crop}, ${one.caption}`)))));
}

function editing(record, etag) {
  const told = h("div", { role: "alert" });
  const fields = EDITABLE.map((name) => [name, h("input", { id: `edit-${name}`, value: record[name], maxlength: 2000 })]);
  const note = h("input", { id: "edit-why", maxlength: 2000 });
  const words = Object.fromEntries(FIELDS);
  const form = h("form", { class: "columns" }, fields.map(([name, field]) => h("div", {}, h("label", { for: field.id }, words[name]), field)),
    h("div", {}, h("label", { for: "edit-why" }, "Why (for the log)"), note), h("p", { class: "row" }, h("button", {}, "Save the corrections")), told);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const changed = fields.filter(([name, field]) => field.value !== record[name]).map(([name, field]) => [name, field.value]);
    if (!changed.length) return void fill(told, h("p", { class: "problem" }, "Nothing was changed."));
    carry_out({ action: "edit", record_id: record.record_id, fields: Object.fromEntries(changed), note: note.value }, etag, told, "Saved");
  });
  return h("details", {}, h("summary", {}, "Correct this record"), form);
}

// Which format its cards have: a named one, one that other cards here have, or any size.
async function formatting(record) {
  const told = h("div", { role: "alert" });
  const known = await get("/v1/formats");
  const own = record.format || "insert";
  const names = [...new Set([own, ...known.map((one) => one.format)])];
  const words = Object.fromEntries(known.map((one) => [one.format, one.words]));
  const field = h("select", { id: "format" }, names.map((name) => h("option", { value: name, selected: name === own }, words[name] ?? name)));
  const other = h("input", { id: "format-other", maxlength: 40, placeholder: "108x165" });
  const form = h("form", { class: "columns" }, h("div", {}, h("label", { for: field.id }, "Format"), field), h("div", {}, h("label", { for: other.id }, "or its size in mm, width first"), other),
    h("p", { class: "row" }, h("button", {}, "Save the format")), told);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    carry_out({ action: "format", records: [record.record_id], format: other.value.trim() || field.value }, null, told, "Saved; its pictures were outlined anew");
  });
  return h("details", {}, h("summary", {}, "Change its format"), form);
}

function removing(record, etag) {
  const told = h("div", { role: "alert" });
  const button = h("button", { type: "button", class: "second", onclick: async () => {
    await carry_out({ action: "remove", record_id: record.record_id }, etag, told, "Removed; the log can bring it back");
  } }, "Remove the record");
  return h("details", {}, h("summary", {}, "Remove this record"), h("p", {}, "Its references and copies go with it. Nothing is deleted: undoing the decision in the log brings everything back."), button, told);
}

async function carry_out(wish, etag, told, words) {
  fill(told);
  try {
    const { number } = await decide(wish, etag ?? (await ask("/v1/decisions?limit=1")).etag, newKey());
    say(words);
    toast(`${words}.`, async () => { await undo(number); await show(); toast("Taken back."); });
    if (wish.action === "remove") fill(byId("record"), h("h1", {}, id), h("p", {}, words, ". ", h("a", { href: "/log" }, "To the log")));
    else await show();
  } catch (error) {
    fill(told, problem(error));
  }
}

function problem(error) {
  if (!error.title) throw error;
  const again = error.code === "changed_since" && h("button", { type: "button", class: "second", onclick: () => location.reload() }, "Show it as it is now");
  return h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo} `, again, error.code === "no_such_record" && h("a", { href: "/catalogue" }, "To the catalogue"));
}

show();
