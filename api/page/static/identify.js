// Photographs in, answers out, one after the other; corners put right are answered again.

import { answer } from "./answer.js";
import { CardCompare } from "./compare.js";
import { begun, byId, fill, h, say } from "./dom.js";
import { proposing } from "./proposing.js";
import "./outline.js";
import { get, Problem, upload } from "./service.js";

const TOP = 9;
const MOST = Number(document.querySelector("meta[name=most-bytes]").content);
const KEPT = "platekin-comparisons";
const waiting = [];
let working = false;
let latest = null;

// Taking photographs

byId("choose").addEventListener("click", () => byId("files").click());
byId("camera").addEventListener("click", () => byId("shot").click());
for (const id of ["files", "shot"]) {
  byId(id).addEventListener("change", (event) => {
    take([...event.target.files]);
    event.target.value = "";
  });
}
for (const kind of ["dragenter", "dragover"]) {
  document.addEventListener(kind, (event) => {
    event.preventDefault();
    byId("take").classList.add("over");
  });
}
document.addEventListener("dragleave", (event) => event.relatedTarget ?? byId("take").classList.remove("over"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  byId("take").classList.remove("over");
  take([...event.dataTransfer.files]);
});
document.addEventListener("paste", (event) => take([...event.clipboardData.files]));

function take(files) {
  for (const file of files) {
    const photo = new Photo(file.name || "photo", file);
    byId("photos").prepend(photo.node);
    if (file.size > MOST) photo.fail(tooLarge(file));
    else waiting.push(photo);
  }
  if (files.length && matchMedia("(max-width: 52rem)").matches) byId("photos").firstElementChild.scrollIntoView();
  work();
}

function tooLarge(file) {
  const size = (file.size / 1e6).toFixed(0);
  return new Problem("body_too_large", `The file has ${size} MB, the limit is ${MOST / 1e6} MB`,
    "Save the photograph as a JPEG at quality 90, or scan at 300 to 600 dpi. Nothing was sent.");
}

async function work() {
  if (working) return;
  working = true;
  for (let photo = waiting.shift(); photo; photo = waiting.shift()) await photo.identify();
  working = false;
}

// One photograph

class Photo {
  constructor(name, file) {
    Object.assign(this, { name, file, card: 0 });
    this.state = h("p", { class: "state" }, "Waits for its turn");
    this.body = h("div", { class: "photo-body" });
    this.node = h("article", { class: "photo", "aria-label": name },
      h("header", { class: "photo-head" }, h("h2", {}, name), this.state,
        h("button", { type: "button", class: "plain", onclick: () => this.remove() }, "Put away")),
      this.body);
    if (file && file.type.startsWith("image/")) this.preview();
  }

  preview() {
    this.url = URL.createObjectURL(this.file);
    const shown = h("img", { class: "preview", src: this.url, alt: "The photograph" });
    shown.onerror = () => shown.remove(); // HEIC and TIFF: few browsers show them
    fill(this.body, shown);
  }

  async identify(quad = null) {
    this.stopping?.abort();
    this.stopping = new AbortController();
    const query = new URLSearchParams({ top: TOP, ...(quad && { quad: written(quad) }) });
    this.node.setAttribute("aria-busy", "true");
    this.tell("Sending");
    try {
      const progress = (share) => this.tell(share < 1 ? `Sending, ${Math.round(100 * share)} %` : "Comparing with the catalogue");
      const made = await upload(`/v1/comparisons?${query}`, this.file, { progress, signal: this.stopping.signal });
      this.quad = quad;
      this.show(quad ? this.put(made) : made);
    } catch (error) {
      if (error.name !== "AbortError") this.fail(error, quad);
    } finally {
      this.node.removeAttribute("aria-busy");
    }
  }

  // A drawn outline is answered alone: its card takes its place among the others of the photograph.
  put(made) {
    const all = structuredClone(this.comparison ?? made);
    if (!all.identification.cards.length) return made;
    all.identification.cards[this.card] = made.identification.cards[0];
    all.cards[this.card] = made.cards[0];
    return all;
  }

  tell(words) {
    fill(this.state, words);
  }

  fail(error, quad = null) {
    this.tell("No answer");
    const again = this.file && this.file.size <= MOST &&
      h("button", { type: "button", onclick: () => this.identify(quad) }, "Try again");
    this.node.querySelector(".problem")?.remove();
    this.body.prepend(h("div", { class: "problem", role: "alert" },
      h("p", {}, h("b", {}, `${this.name}: ${error.title ?? "Something unexpected happened"}.`), " ", error.todo ?? error.message), again));
  }

  show(comparison) {
    this.comparison = comparison;
    latest = this;
    this.node.dataset.comparison = comparison.name;
    remember();
    const { identification, photo } = comparison;
    const { cards, width, height } = identification;
    this.tell(cards.length === 1 ? "" : cards.length ? `${cards.length} cards` : "No card found");
    this.outline = document.createElement("card-outline");
    this.outline.show({ photo, width, height, quads: cards.map(({ quad }) => quad), chosen: this.card });
    this.outline.addEventListener("pick", (event) => this.pick(event.detail));
    this.outline.addEventListener("outlined", (event) => this.redraw(event.detail));
    this.told = h("div", { class: "told" });
    this.compare = document.createElement("card-compare");
    fill(this.body, h("div", { class: "seen" }, this.outline, this.chooser(cards), this.corners(cards)), this.told, this.compare);
    if (cards.length) this.pick(this.card);
    else this.empty(identification.error);
  }

  chooser(cards) {
    if (cards.length < 2) return null;
    return h("div", { class: "chooser", role: "group", "aria-label": "Cards of this photograph" }, cards.map((_, index) =>
      h("button", { type: "button", class: "plain", onclick: () => this.pick(index) }, `Card ${index + 1}`)));
  }

  corners(cards) {
    if (cards.length) {
      return h("p", { class: "small" }, "Is the outline off? Drag its corners: it is answered again.",
        this.quad && h("button", { type: "button", class: "plain", onclick: () => { this.card = 0; this.identify(); } }, "Find the outline again"));
    }
    return h("p", {}, h("button", { type: "button", class: "second", onclick: () => this.drawNew() }, "Draw the outline by hand"));
  }

  pick(index) {
    this.card = index;
    const card = this.comparison.identification.cards[index];
    for (const [place, button] of [...(this.body.querySelector(".chooser")?.children ?? [])].entries()) {
      button.setAttribute("aria-pressed", String(place === index));
    }
    if (this.outline.chosen !== index) {
      const { photo, identification: { width, height, cards } } = this.comparison;
      this.outline.show({ photo, width, height, quads: cards.map(({ quad }) => quad), chosen: index });
    }
    fill(this.told, answer(card), proposing(this, card));
    this.compare.show(this.comparison, index);
    latest = this;
    say(`${this.name}: ${this.told.querySelector(".outcome").textContent}`);
  }

  empty(error) {
    fill(this.told, h("p", { class: "outcome" }, h("b", {}, "No card found")), h("p", {}, error && `${begun(error.message.replace(/^.*?: /, ""))}.`),
      h("p", {}, "Show all four edges, on a ground that differs from the card; or draw the outline yourself."));
    say(`${this.name}: no card found`);
    this.compare.remove();
  }

  drawNew() {
    const { photo, identification: { width, height } } = this.comparison;
    const [left, top, right, bottom] = [0.25 * width, 0.15 * height, 0.75 * width, 0.85 * height];
    this.outline.show({ photo, width, height, quads: [[[left, top], [right, top], [right, bottom], [left, bottom]]] });
    this.outline.querySelector(".corner").focus();
  }

  redraw(quad) {
    if (this.file) this.identify(quad);
    else this.fail(new Problem("gone", "The photograph is not on this page any more", "Choose it again to draw its outline."));
  }

  remove() {
    this.stopping?.abort();
    if (waiting.includes(this)) waiting.splice(waiting.indexOf(this), 1);
    if (this.url) URL.revokeObjectURL(this.url);
    if (latest === this) latest = null;
    this.node.remove();
    remember();
    byId("choose").focus();
  }
}

export const written = (quad) => quad.flat().map((value) => value.toFixed(1)).join(",");

// Answers are shown again after a reload, for as long as the service keeps them

function remember() {
  const names = [...byId("photos").children].map((node) => node.dataset.comparison).filter(Boolean);
  sessionStorage.setItem(KEPT, JSON.stringify(names));
}

async function again() {
  for (const name of JSON.parse(sessionStorage.getItem(KEPT) ?? "[]").reverse()) {
    try {
      const comparison = await get(`/v1/comparisons/${name}`);
      const photo = new Photo(comparison.identification.photo, null);
      byId("photos").prepend(photo.node);
      photo.show(comparison);
    } catch {
      // The service was started anew, or an hour has passed: the photograph can be chosen again.
    }
  }
}

CardCompare.keys(() => latest?.compare);
again();
