// A sale's words and pictures in; the pictures left and staying, claim by claim what they say of the words right.

import "./compare.js";
import { compareKeys } from "./comparekeys.js";
import { byId, fill, h, percent, recordAddress, say } from "./dom.js";
import { takeFiles } from "./everywhere.js";
import { MOST, wrongWith } from "./files.js";
import { forget, keep, keptAt, newId } from "./kept.js";
import { formOf, Problem, upload } from "./service.js";
import { toast } from "./toast.js";
import { sureness } from "./words.js";

const KEPT = "platekin-listing-text";
const STATUS = { agrees: "confirmed", contradicts: "contradicted", "cannot be told": "can't tell", unread: "not checked" };
const MARKS = { contradicts: "×", "cannot be told": "?", agrees: "✓" }; // the gravest first
const PROOF = { caption: "caption", club: "caption", crop: "crop", pose: "pose" };
let pictures = []; // {id, file}
let result = null;
const shown = { compare: null, comparisons: new Map(), now: null };

byId("text").value = localStorage.getItem(KEPT) ?? "";
byId("text").addEventListener("input", () => localStorage.setItem(KEPT, byId("text").value));
byId("choose").addEventListener("click", () => byId("files").click());
byId("files").addEventListener("change", (event) => {
  add([...event.target.files]);
  event.target.value = "";
});
takeFiles(add);
byId("listing").addEventListener("submit", (event) => {
  event.preventDefault();
  weigh();
});
byId("anew").addEventListener("click", () => {
  for (const { id } of pictures) forget(id);
  forget("listing-result");
  localStorage.removeItem(KEPT);
  [pictures, result] = [[], null];
  byId("text").value = "";
  draw();
  fill(byId("result"));
  byId("text").focus();
});

async function add(files) {
  fill(byId("wrong"));
  for (const file of files) {
    const fault = await wrongWith(file);
    if (fault) byId("wrong").append(problem(fault));
    else {
      const one = { id: newId(), place: "listing", order: Date.now() + pictures.length, name: file.name, file };
      pictures.push(one);
      keep(one);
    }
  }
  draw();
}

function draw() {
  byId("anew").hidden = !pictures.length && !result;
  fill(byId("pictures"), pictures.map((one) => {
    const url = URL.createObjectURL(one.file);
    const image = h("img", { src: url, alt: "", width: 54, height: 72 });
    image.onload = () => URL.revokeObjectURL(url);
    image.onerror = () => image.removeAttribute("src");
    return h("li", {}, image, h("span", { class: "small" }, one.name), h("button", { type: "button", class: "bar", "aria-label": `Remove ${one.name}`, onclick: () => {
      pictures = pictures.filter((other) => other !== one);
      forget(one.id);
      draw();
      byId("choose").focus();
    } }, "Remove"));
  }));
}

async function weigh() {
  fill(byId("wrong"));
  const size = pictures.reduce((sum, { file }) => sum + file.size, 0);
  try {
    if (!pictures.length) throw new Problem("no_photo", "There is no picture", "Add the sale's pictures: saved from the page, as large as they come.");
    if (size > MOST) throw new Problem("body_too_large", `The pictures have ${Math.round(size / 1e6)} MB together, the limit is ${MOST / 1e6} MB`, "Save them as JPEG at quality 90.");
    byId("ask").disabled = true;
    const progress = (share) => fill(byId("state"), share < 1 ? `Sending, ${percent(share)}` : "Comparing");
    const found = await upload("/v1/listings", formOf(pictures.map(({ file }) => file), { text: byId("text").value }), { progress });
    if (found.error) throw new Problem(found.error.code, found.error.message, "");
    shown.comparisons.clear();
    keep({ id: "listing-result", place: "listing-result", order: 0, found });
    show(found);
    byId("result").scrollIntoView({ block: "start" });
  } catch (error) {
    fill(byId("wrong"), problem(error));
  } finally {
    byId("ask").disabled = false;
    fill(byId("state"));
  }
}

function problem(error) {
  if (!error.title) throw error;
  return h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`);
}

// The answer

function show(found) {
  result = found;
  shown.compare = document.createElement("card-compare");
  shown.tabs = h("div", { class: "row shots", role: "group", "aria-label": "Pictures and cards" });
  shown.wrong = h("div", { role: "alert" });
  const side = h("aside", { class: "side listing-side", "aria-label": "Claim by claim" }, shown.tabs, shown.wrong, marked(found), claims(found.claims),
    listed("Also worth knowing", [...found.seen_before.map(({ words, record_id: id }) => [sentence(plain(words)), " ", h("a", { href: recordAddress(id) }, id)]), ...found.notes.filter((note) => !found.seen_before.some(({ words }) => words === note))]),
    questions(found.questions), h("p", { class: "caution-line" }, found.cautions[0]));
  fill(byId("result"), h("header", { class: `verdict step-${found.verdict.step.replaceAll(" ", "-")}` }, headline(found)), shown.compare, side);
  byId("anew").hidden = false;
  tabs();
  const first = found.photos.findIndex(({ cards }) => cards.length);
  if (first >= 0) look(first, 0);
  say(byId("result").querySelector(".outcome").textContent);
}

// Two sitters in one listing come before all else; then what contradicts; then how far it goes.
function headline(found) {
  const sitters = [...new Set(found.photos.flatMap(({ cards }) => cards).filter(({ pose }) => pose).map(({ candidates: [best] }) => best?.evidence.subject).filter(Boolean))];
  const against = found.claims.filter(({ status }) => status === "contradicts");
  if (sitters.length > 1 && !found.claims.some(({ kind }) => kind === "count")) return verdict("Two cards", `The pictures show ${sitters.slice(0, -1).join(", ")} and ${sitters.at(-1)}: ask which of them is for sale.`, against.length ? `Besides: ${first(against[0])}` : "");
  if (against.length) return verdict("Does not match", first(against[0]), against.length > 1 ? `${against.length - 1} more claim${against.length > 2 ? "s" : ""} contradicted.` : "");
  const told = found.claims.filter(({ status }) => status === "agrees").length;
  const all = told === found.claims.length;
  if (found.verdict.step === "in accord") return verdict(all ? "Matches" : "Partly confirmed", `The pictures confirm ${told} of ${found.claims.length} claim${found.claims.length === 1 ? "" : "s"} and contradict none.`, all ? "" : "The others they cannot tell: see below.");
  return verdict("Open", "The pictures neither confirm nor contradict what matters: who it is, which pose, crop or caption.");
}

const verdict = (title, words, more = "") => h("p", { class: "outcome" }, h("b", {}, title), " ", h("span", {}, words, " ", more));
const plain = (words) => words.replace(/\bpose (?=P\d)/g, "negative ").replace(/ \(([01]\.\d\d)\)/g, (_, share) => ` (${sureness(Number(share))})`);
const first = (claim) => `${sentence(plain(claim.reason).replace(/ \([^()]*%\)$/, ""))}.`;
const reason = (claim) => (claim.confidence === null ? sentence(plain(claim.reason)) : first(claim).replace(/\.$/, "")); // its number stands before it
const sentence = (words) => (/^\S+\.\w+\b/.test(words) ? words : `${words.charAt(0).toUpperCase()}${words.slice(1)}`); // a file's name stays as it is

function tabs() {
  const cards = result.photos.flatMap((photo, at) => (photo.error ? [[at, -1, `${photo.photo}: ${photo.error.message}`]] : photo.cards.map((_, card) => [at, card, photo.cards.length > 1 ? `${photo.photo}, card ${card + 1}` : photo.photo])));
  fill(shown.tabs, cards.length > 1 || cards.some(([, card]) => card < 0) ? cards.map(([at, card, words]) => h("button", { type: "button", class: "bar", disabled: card < 0, "aria-pressed": String(shown.now === `${at}.${card}`), onclick: () => look(at, card) }, words)) : null);
}

// The picture that a claim is about, laid over what it resembles; rung: to show the proof of.
async function look(at, card, rung = null) {
  shown.now = `${at}.${card}`;
  tabs();
  const picture = pictures.find(({ name }) => name === result.photos[at].photo) ?? pictures[at];
  if (!picture) return void fill(shown.wrong, h("p", { class: "problem" }, "This picture is not in this browser any more: add it again and compare."));
  try {
    if (!shown.comparisons.has(at)) {
      shown.comparisons.set(at, upload("/v1/comparisons?top=9", picture.file));
      shown.compare.early({ face: URL.createObjectURL(picture.file), reference: "/static/mark.svg", record: "", words: "Comparing…" });
    }
    const comparison = await shown.comparisons.get(at);
    if (shown.now !== `${at}.${card}`) return;
    shown.compare.show(comparison, card);
    if (rung) shown.compare.prove(rung);
  } catch (error) {
    shown.comparisons.delete(at);
    fill(shown.wrong, problem(error));
  }
}

function prove(claim) {
  const [, name, card] = claim.about.match(/^(.*), card (\d+)$/) ?? [];
  const at = result.photos.findIndex(({ photo }) => photo === name);
  if (at >= 0) look(at, Number(card) - 1, PROOF[claim.kind] ?? null);
  for (const node of byId("result").querySelectorAll(".claims li")) node.classList.toggle("open", node.claim === claim);
}

// The text as it was given: each claim's words marked with how they fare, what was not understood as not checked.
function marked({ text, claims: all, unread }) {
  const spans = [...all.flatMap((claim, index) => claim.spans.map(([start, end]) => ({ start, end, index, claim }))), ...unread.map(({ start, end, why }) => ({ start, end, why }))];
  const letters = [...text]; // places are counted in characters, not in JavaScript's halves
  const cuts = [...new Set([0, letters.length, ...spans.flatMap(({ start, end }) => [start, end])])].sort((a, b) => a - b);
  const parts = cuts.slice(0, -1).map((from, place) => {
    const words = letters.slice(from, cuts[place + 1]).join("");
    const over = spans.filter(({ start, end }) => start <= from && end >= cuts[place + 1]);
    const claimed = over.filter(({ claim }) => claim);
    if (claimed.length) return markedWords(words, claimed);
    return over.length ? h("span", { class: "claim-words unread", title: over[0].why || "not checked" }, words) : words;
  });
  const legend = [...Object.keys(MARKS), "unread"].map((status) => h("span", { class: `claim-words ${status.replaceAll(" ", "-")}` }, `${MARKS[status] ?? ""} ${STATUS[status]}`.trim()));
  return h("div", {}, h("p", { class: "listing-text" }, parts), h("p", { class: "small row legend" }, legend));
}

// Words may belong to several claims: the one that fares worst is what they are marked by, and lead to.
function markedWords(words, over) {
  const gravity = Object.keys(MARKS);
  over.sort((a, b) => gravity.indexOf(a.claim.status) - gravity.indexOf(b.claim.status) || a.index - b.index);
  const [{ claim }] = over;
  return h("button", { type: "button", class: `claim-words ${classOf(claim)}`, title: STATUS[claim.status], onclick: () => prove(claim) }, words, h("span", { class: "claim-mark", "aria-hidden": "true" }, MARKS[claim.status]));
}

const classOf = ({ status }) => status.replaceAll(" ", "-");

function claims(all) {
  if (!all.length) return h("p", { class: "empty" }, "Nothing in the text is something that a picture could confirm.");
  const gravity = Object.keys(MARKS);
  return h("ol", { class: "claims bare" }, [...all].sort((a, b) => gravity.indexOf(a.status) - gravity.indexOf(b.status)).map((claim) => {
    const node = h("li", { class: classOf(claim) }, h("button", { type: "button", class: "claim", onclick: () => prove(claim) },
      h("span", { class: "claim-mark" }, MARKS[claim.status]), h("span", {}, h("b", {}, `${claim.kind}: ${claim.denied ? "not " : ""}${claim.value}`), claim.with_reserve ? " (said with reserve)" : "", ` ${STATUS[claim.status]}`, claim.confidence === null ? "" : `, ${sureness(claim.confidence)}`,
        h("span", { class: "small" }, `${reason(claim)}${claim.about ? ` (${claim.about})` : ""}`, claim.unsure && `. Unsure: ${claim.unsure}`, claim.may_also_mean.length ? `. May also mean ${claim.may_also_mean.join(", ")}` : ""))));
    node.claim = claim;
    return node;
  }));
}

function listed(title, items) {
  return items.length ? [h("h3", {}, title), h("ul", { class: "small" }, items.map((item) => h("li", {}, typeof item === "string" ? sentence(plain(item)) : item)))] : null;
}

function questions(items) {
  if (!items.length) return null;
  const message = `Good day, before I decide, may I ask:\n${items.map((one) => `- ${one}`).join("\n")}\nThank you.`;
  return [h("h3", {}, "To ask the seller"), h("p", { class: "message" }, message), h("p", {}, h("button", { type: "button", class: "second", onclick: async () => {
    await navigator.clipboard.writeText(message);
    toast("The message was copied.");
  } }, "Copy as one message"))];
}

compareKeys(() => (shown.compare?.comparison ? shown.compare : null));
(async () => {
  pictures = await keptAt("listing");
  draw();
  const [held] = await keptAt("listing-result");
  if (held && pictures.length) show(held.found);
})();
