// A sale's words and pictures in; claim by claim what the pictures say of them out, in the text itself and as a list.

import { CardCompare } from "./compare.js";
import { begun, byId, fill, h, percent, recordAddress, say } from "./dom.js";
import { sureness } from "./ladder.js";
import { formOf, Problem, upload } from "./service.js";

const MOST = Number(document.querySelector("meta[name=most-bytes]").content);
const KEPT = "platekin-listing-text";
const STATUS = { agrees: "borne out", contradicts: "spoken against", "cannot be told": "cannot be told" };
const STEPS = { "in accord": "In accord", "at odds": "At odds", open: "Open" };
const MARKS = { contradicts: "×", "cannot be told": "?", agrees: "+" }; // the gravest first
let files = [];
let compare = null;

byId("text").value = sessionStorage.getItem(KEPT) ?? "";
byId("text").addEventListener("input", () => sessionStorage.setItem(KEPT, byId("text").value));
byId("choose").addEventListener("click", () => byId("files").click());
byId("files").addEventListener("change", (event) => {
  add([...event.target.files]);
  event.target.value = "";
});
document.addEventListener("dragover", (event) => event.preventDefault());
document.addEventListener("drop", (event) => {
  event.preventDefault();
  add([...event.dataTransfer.files]);
});
byId("listing").addEventListener("submit", (event) => {
  event.preventDefault();
  weigh();
});

function add(more) {
  files = [...files, ...more];
  fill(byId("pictures"), files.map((file) => {
    const url = URL.createObjectURL(file);
    const shown = h("img", { src: url, alt: "", width: 92, height: 160 });
    shown.onload = () => URL.revokeObjectURL(url);
    shown.onerror = () => shown.remove();
    return h("li", {}, shown, h("span", {}, file.name),
      h("button", { type: "button", class: "plain", "aria-label": `Leave out ${file.name}`, onclick: () => leaveOut(file) }, "Leave out"));
  }));
}

function leaveOut(file) {
  files = files.filter((one) => one !== file);
  add([]);
  byId("choose").focus();
}

async function weigh() {
  fill(byId("wrong"));
  const size = files.reduce((sum, file) => sum + file.size, 0);
  try {
    if (!files.length) throw new Problem("no_photo", "There is no picture", "Add the sale's pictures: saved from the page, as large as they come.");
    if (size > MOST) throw new Problem("body_too_large", `The pictures have ${Math.round(size / 1e6)} MB together, the limit is ${MOST / 1e6} MB`, "Save them as JPEG at quality 90.");
    byId("ask").disabled = true;
    const progress = (share) => fill(byId("state"), share < 1 ? `Sending, ${percent(share)}` : "Comparing");
    show(await upload("/v1/listings", formOf(files, { text: byId("text").value }), { progress }));
  } catch (error) {
    if (!error.title) throw error;
    fill(byId("wrong"), h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
  } finally {
    byId("ask").disabled = false;
    fill(byId("state"));
  }
}

function show(found) {
  const box = byId("result");
  if (found.error) return void fill(byId("wrong"), h("p", { class: "problem" }, found.error.message));
  fill(box,
    h("section", { class: "verdict" }, h("h2", { tabindex: "-1" }, STEPS[found.verdict.step]),
      h("p", {}, begun(found.verdict.meaning), "."), found.verdict.words !== found.verdict.meaning && h("p", {}, begun(found.verdict.words), ".")),
    h("h2", {}, "The text"), marked(found),
    h("h2", {}, "Claim by claim"), claims(found.claims),
    listed("Also worth knowing", [...found.seen_before.map(({ words, record_id: id }) => [words, " ", h("a", { href: recordAddress(id) }, id)]), ...found.notes.filter((note) => !found.seen_before.some(({ words }) => words === note))]),
    listed("Worth asking the seller", found.questions),
    pictures(found.photos));
  box.querySelector("h2").focus();
  say(`${STEPS[found.verdict.step]}: ${found.verdict.words}`);
  return undefined;
}

// The text as it was given, each claim's words marked with its number and how it fares.
function marked({ text, claims: all }) {
  const spans = all.flatMap((claim, index) => claim.spans.map(([start, end]) => ({ start, end, index, claim })));
  const letters = [...text]; // places are counted in characters, not in JavaScript's halves
  const cuts = [...new Set([0, letters.length, ...spans.flatMap(({ start, end }) => [start, end])])].sort((a, b) => a - b);
  const parts = cuts.slice(0, -1).map((from, place) => {
    const words = letters.slice(from, cuts[place + 1]).join("");
    const over = spans.filter(({ start, end }) => start <= from && end >= cuts[place + 1]);
    return over.length ? markedWords(words, over) : words;
  });
  return [h("p", { class: "listing-text" }, parts), h("p", { class: "small" }, Object.entries(MARKS).map(([status, mark]) => `${mark} ${STATUS[status]}`).join(", "))];
}

// Words may belong to several claims: the one that fares worst is what they are marked by, and lead to.
function markedWords(words, over) {
  const gravity = Object.keys(MARKS);
  over.sort((a, b) => gravity.indexOf(a.claim.status) - gravity.indexOf(b.claim.status) || a.index - b.index);
  const [{ claim, index }] = over;
  return h("a", { class: `claim-words ${classOf(claim)}`, href: `#claim-${index + 1}` }, words,
    h("sup", {}, over.map((one) => `${one.index + 1}${MARKS[one.claim.status]}`).join(" ")));
}

const classOf = ({ status }) => status.replaceAll(" ", "-");

function claims(all) {
  if (!all.length) return h("p", { class: "empty" }, "Nothing was read from the text that a picture could bear out.");
  return h("ol", { class: "claims bare" }, all.map((claim, index) =>
    h("li", { id: `claim-${index + 1}`, class: classOf(claim) },
      h("span", { class: "number" }, `${index + 1}${MARKS[claim.status]}`),
      h("div", {}, h("p", {}, h("i", {}, claim.kind), ` ${claim.denied ? "not " : ""}${claim.value}`, claim.with_reserve ? " (said with reserve)" : "", ": ",
        h("b", {}, STATUS[claim.status]), claim.confidence === null ? "" : `, ${sureness(claim.confidence)}`),
      h("p", { class: "small" }, claim.reason, claim.about && ` (${claim.about})`, claim.unsure && `. Unsure: ${claim.unsure}`,
        claim.may_also_mean.length ? `. May also mean ${claim.may_also_mean.join(", ")}` : "")))));
}

function listed(title, items) {
  return items.length ? [h("h2", {}, title), h("ul", {}, items.map((item) => h("li", {}, item)))] : null;
}

function pictures(photos) {
  const stage = h("div");
  const list = h("ul", { class: "bare" }, photos.map((photo, index) => h("li", { class: "row" }, h("span", {}, photo.photo, ": ",
    photo.error ? photo.error.message : photo.cards.map((card) => card.outcome.replaceAll("_", " ")).join(", ")),
  !photo.error && files[index] && h("button", { type: "button", class: "plain", onclick: () => look(files[index], stage) }, "Look at it"))));
  return [h("h2", {}, "The pictures"), list, stage];
}

async function look(file, stage) {
  fill(stage, h("p", { class: "empty" }, "Laying it over what it resembles"));
  try {
    const comparison = await upload("/v1/comparisons?top=9", file);
    compare = document.createElement("card-compare");
    fill(stage, compare);
    compare.show(comparison);
  } catch (error) {
    fill(stage, h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
  }
}

CardCompare.keys(() => compare);
