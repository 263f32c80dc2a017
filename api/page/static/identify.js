// Photographs in, answers out: a strip of all of them with their verdicts, and one open answer.

import { takeFiles } from "./everywhere.js";
import { openCamera } from "./camera.js";
import "./compare.js";
import { compareKeys } from "./comparekeys.js";
import { byId, fill, h, say } from "./dom.js";
import { wrongWith } from "./files.js";
import { inset, outlineQuery } from "./inset.js";
import { keys } from "./keys.js";
import { forget, keep, keptAt, newId } from "./kept.js";
import { doneWith, keeping } from "./keeping.js";
import { get, upload } from "./service.js";
import { shareButton } from "./share.js";
import { toast } from "./toast.js";
import { advice, looks, TITLES, verdict } from "./words.js";

const TOP = 9;
const REFUSED = ["no_picture", "empty", "archive", "body_too_large", "truncated"]; // another try would end the same
const KEEP_MS = 250; // kept for a reload once it is on its way: writing it must not hold up its sending
const photos = [];
const waiting = [];
let working = false;
let open = null;

// Taking photographs

byId("choose").addEventListener("click", () => byId("files").click());
byId("camera").addEventListener("click", () => openCamera((file) => take([file]), () => byId("shot").click()) || byId("shot").click());
for (const id of ["files", "shot"]) {
  byId(id).addEventListener("change", (event) => {
    take([...event.target.files]);
    event.target.value = "";
  });
}
takeFiles(take);

async function take(files) {
  const made = files.map((file, place) => new Photo({ id: newId(), place: "identify", order: Date.now() + place, name: file.name || "photo", file }));
  for (const photo of made) {
    photos.push(photo);
    const fault = await wrongWith(photo.file);
    if (fault) photo.fail(fault);
    else {
      waiting.push(photo);
      setTimeout(() => photos.includes(photo) && photo.remember(), KEEP_MS);
    }
  }
  draw();
  if (made.length) show(made[0]);
  work();
}

async function work() {
  if (working) return;
  working = true;
  for (;;) {
    const next = waiting.includes(open) ? waiting.indexOf(open) : 0; // the one that is looked at comes first
    const [photo] = waiting.splice(next, 1);
    if (!photo) break;
    await photo.identify(photo.outline ?? null);
  }
  working = false;
}

// One photograph

class Photo {
  constructor(stored) {
    Object.assign(this, { card: 0, state: "waits", ...stored });
    this.thumb = h("img", { src: "/static/mark.svg", alt: "", width: 46, height: 60 });
    this.verdict = h("span", { class: "strip-verdict" });
    this.under = h("span", { class: "small" });
    this.button = h("button", { type: "button", class: "strip-photo", onclick: () => show(this) }, this.thumb, h("span", { class: "strip-words" }, this.verdict, this.under));
    if (this.file?.type.startsWith("image/")) {
      this.url = URL.createObjectURL(this.file);
      this.thumb.src = this.url;
      this.thumb.onerror = () => { this.thumb.onerror = null; this.thumb.src = "/static/mark.svg"; }; // HEIC and TIFF: few browsers show them
    }
    this.tell();
  }

  get answer() { return this.comparison?.identification.cards[this.card]; }

  tell(words = null) {
    const { cards } = this.comparison?.identification ?? {};
    fill(this.verdict, words ?? (this.error ? "No answer" : !cards ? "Waits" : !cards.length ? "No card" : cards.length > 1 ? `${cards.length} cards` : title(cards[0])));
    this.button.dataset.outcome = cards?.[0]?.outcome ?? "";
    const done = (cards ?? []).map((_, card) => doneWith(this.id, card)?.short);
    const isDone = done.length > 0 && done.every(Boolean);
    fill(this.under, isDone ? `✓ ${[...new Set(done)].join(", ")}: ` : "", this.name);
    this.button.classList.toggle("done-with", isDone);
  }

  remember() {
    const { id, place, order, name, file, outline, card, comparison } = this;
    keep({ id, place, order, name, file, outline, card, comparison });
  }

  // outline: {quad, upright} as a person has drawn it.
  async identify(outline = null) {
    this.stopping?.abort();
    this.stopping = new AbortController();
    this.error = null;
    this.busy = true;
    const query = new URLSearchParams({ top: TOP, ...(outline && outlineQuery(outline)) });
    this.progress("Sending");
    try {
      const progress = (share) => this.progress(share < 1 ? `Sending, ${Math.round(100 * share)} %` : "Comparing");
      const made = await upload(`/v1/comparisons?${query}`, this.file, { progress, signal: this.stopping.signal });
      this.outline = outline;
      this.comparison = outline ? this.put(made) : made;
      this.remember();
    } catch (error) {
      if (error.name === "AbortError") return;
      this.error = error;
      this.failedOutline = outline;
    }
    this.busy = false;
    this.tell();
    if (open === this) render();
    else if (!open) show(this);
  }

  progress(words) {
    this.tell(words);
    if (open === this && state.progress) fill(state.progress, words);
  }

  // A drawn outline is answered alone: its card takes its place among the others of the photograph.
  put(made) {
    const all = structuredClone(this.comparison ?? made);
    if (!all.identification.cards.length) return made;
    all.identification.cards[this.card] = made.identification.cards[0];
    all.cards[this.card] = made.cards[0];
    return all;
  }

  fail(error) {
    this.error = error;
    this.tell();
  }

  remove() {
    this.stopping?.abort();
    if (waiting.includes(this)) waiting.splice(waiting.indexOf(this), 1);
    const at = photos.indexOf(this);
    photos.splice(at, 1);
    forget(this.id);
    draw();
    show(photos[Math.min(at, photos.length - 1)] ?? null);
    toast(`${this.name} was removed from this page.`, async () => {
      photos.splice(at, 0, this);
      this.remember();
      if (!this.comparison && !this.error) waiting.push(this);
      draw();
      show(this);
      work();
    });
    (photos.length ? open.button : byId("choose")).focus();
  }
}

const title = (card) => (card.outcome === "known" ? `Known: ${card.record_id}` : TITLES[card.outcome]);

// The strip, and the open answer

const state = {};

function draw() {
  document.body.classList.toggle("has-photos", photos.length > 0);
  fill(byId("strip"), photos.map(({ button }) => button),
    h("button", { type: "button", class: "strip-add", onclick: () => byId("files").click() }, "+ Photo"),
    h("button", { type: "button", class: "strip-add by-touch", onclick: () => byId("camera").click() }, "+ Camera"));
}

function show(photo) {
  open = photo;
  for (const one of photos) one.button.setAttribute("aria-current", String(one === open));
  photo?.button.scrollIntoView({ block: "nearest", inline: "nearest" });
  sessionStorage.setItem("platekin-open", photo?.id ?? "");
  render();
  if (photo?.comparison) refresh(photo);
}

// The pictures of an answer are kept for an hour: after that, or a restart, the photograph is asked about once more.
async function refresh(photo) {
  if (photo.checked || photo.busy) return;
  photo.checked = true;
  try {
    await get(`/v1/comparisons/${photo.comparison.name}`);
  } catch (error) {
    if (error.code === "no_such_comparison" && photo.file) photo.identify(photo.outline ?? null);
    else if (open === photo) state.wrong && fill(state.wrong, problem(photo, error));
  }
}

function render() {
  const bench = byId("bench");
  if (!open) {
    state.photo = null;
    return void fill(bench);
  }
  if (!state.bench || state.photo !== open) build(bench);
  const { answer, comparison, error, busy } = open;
  bench.toggleAttribute("aria-busy", Boolean(busy));
  bench.classList.remove("stale");
  bench.classList.toggle("refused", !comparison && REFUSED.includes(error?.code));
  fill(state.wrong, error && problem(open, error));
  if (!comparison) return void skeleton();
  const { identification: { cards, width, height }, photo } = comparison;
  fill(state.verdict, answer ? [verdict(answer), tip(answer)] : nothingFound(comparison), morePages(comparison), chooser(cards));
  fill(state.photoBox, inset({ photo, width, height, quads: cards.map(({ quad }) => quad), chosen: open.card, upright: answer?.face.by_hand }, {
    redraw: (outline) => open.identify(outline), pick, again: open.outline && (() => { open.card = 0; open.outline = null; open.identify(); }),
  }));
  if (!cards.length) drawByHand();
  else if (answer) {
    state.compare.show(comparison, open.card);
    fill(state.act, keeping(open, answer, state.compare), shareButton(() => ({ card: answer, comparison, index: open.card, candidate: state.compare.candidate, name: open.name }), removal()));
    fill(state.looks, looks(answer.face));
    say(`${open.name}: ${state.verdict.textContent}`);
  }
}

function build(bench) {
  Object.assign(state, {
    photo: open, bench: true, verdict: h("header", { class: "verdict" }), compare: document.createElement("card-compare"), act: h("div", { class: "act" }),
    photoBox: h("div", { class: "inset-box" }), looks: h("p", { class: "small" }), wrong: h("div", { role: "alert" }), progress: null,
  });
  const side = h("aside", { class: "side", "aria-label": "What to do with it" }, state.wrong,
    h("div", { class: "side-parts" }, h("div", {}, state.act, state.looks), state.photoBox));
  side.addEventListener("moving", () => bench.classList.add("stale"));
  fill(bench, state.verdict, state.compare, side);
  state.compare.addEventListener("candidate", () => state.act.firstElementChild?.candidate?.());
}

const removal = () => h("button", { type: "button", class: "bar", onclick: () => open.remove() }, "Remove");

function skeleton() {
  byId("bench").classList.remove("stale");
  state.progress = h("b", {}, open.error ? "No answer" : open.busy ? "Comparing" : "Waits for its turn");
  fill(state.verdict, h("p", { class: "outcome" }, state.progress, " ", h("span", {}, open.name)));
  state.compare.early({ face: open.url ?? "/static/mark.svg", reference: "/static/mark.svg", record: "" });
  state.compare.stage.classList.add("waiting");
  fill(state.act, h("p", { class: "row share" }, removal()));
}

function tip(answer) {
  const words = advice(answer, true);
  return words && h("p", { class: "advice" }, words);
}

function morePages({ identification: { pages } }) {
  return pages > 1 && h("p", { class: "advice" }, `This is page 1 of ${pages} of the file. `, h("a", { href: "/lot" }, "A lot reads every page."));
}

function nothingFound({ identification: { error } }) {
  return [h("p", { class: "outcome" }, h("b", {}, "No card found"), " ", h("span", {}, "Show all four edges, on a ground that differs from the card; or draw the outline on the photograph.")),
    error && h("p", { class: "unseen" }, error.message)];
}

function drawByHand() {
  const { photo, identification: { width, height } } = open.comparison;
  const [left, top, right, bottom] = [0.25 * width, 0.15 * height, 0.75 * width, 0.85 * height];
  const start = () => {
    state.photoBox.querySelector("card-outline").show({ photo, width, height, quads: [[[left, top], [right, top], [right, bottom], [left, bottom]]] });
    state.photoBox.querySelector(".inset").classList.add("large");
    state.photoBox.querySelector(".corner").focus();
  };
  state.compare.early({ face: photo, reference: "/static/mark.svg", record: "" });
  fill(state.act, h("p", {}, h("button", { type: "button", onclick: start }, "Draw the outline by hand")));
  say(`${open.name}: no card found`);
}

function chooser(cards) {
  if (cards.length < 2) return null;
  return h("p", { class: "chooser", role: "group", "aria-label": "Cards of this photograph" }, cards.map((card, index) =>
    h("button", { type: "button", class: "bar", "aria-pressed": String(index === open.card), onclick: () => pick(index) }, `Card ${index + 1}: ${title(card)}`)));
}

function pick(index) {
  if (index === open.card) return;
  open.card = index;
  open.remember();
  render();
}

function problem(photo, error) {
  const again = photo.file && !REFUSED.includes(error.code) &&
    h("button", { type: "button", onclick: () => photo.identify(photo.failedOutline ?? null) }, "Try again");
  return h("div", { class: "problem" }, h("p", {}, h("b", {}, `${error.title ?? "Something unexpected happened"}.`), " ", error.todo ?? error.message), again);
}

function step(by) {
  if (photos.length < 2) return false;
  show(photos[(photos.indexOf(open) + by + photos.length) % photos.length]);
  return true;
}

async function again() {
  const held = (await keptAt("identify")).map((stored) => new Photo(stored));
  photos.unshift(...held); // what was given meanwhile comes after them
  const last = sessionStorage.getItem("platekin-open");
  draw();
  if (!open && photos.length) show(photos.find(({ id }) => id === last) ?? photos.at(-1));
  waiting.push(...held.filter(({ comparison }) => !comparison));
  const inbox = await keptAt("inbox");
  for (const { id } of inbox) forget(id);
  if (inbox.length) take(inbox.map(({ file, name }) => (file instanceof File ? file : new File([file], name, { type: file.type }))));
  work();
}

compareKeys(() => (open?.comparison ? state.compare : null));
keys("Photographs", [
  { key: "n", words: "Next photograph", run: () => step(1) },
  { key: "p", words: "Previous photograph", run: () => step(-1) },
  { key: "Enter", words: "Note it as seen, or keep it", run: () => state.act?.firstElementChild?.go?.() ?? false },
]);
again();
