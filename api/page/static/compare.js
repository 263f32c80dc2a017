// The card beside a candidate's reference, with one zoom and pan for both; laid over it; or at the proof of one rung.
// early(pictures) before the comparison is there, show(comparison, card, candidate) then. Dispatches `candidate`
// (detail: index) when another one is chosen, `gone` when the comparison's pictures are no longer kept.

import { candidateTiles } from "./candidates.js";
import { chips } from "./chips.js";
import { canGrow, lookCloser } from "./closer.js";
import { WAYS } from "./comparekeys.js";
import { fill, h, say, svg, thumbnail } from "./dom.js";
import { proof } from "./proof.js";
import { get, Problem } from "./service.js";
import { Viewport } from "./viewport.js";
import { finding, firstShown, RUNGS } from "./words.js";

const FACE = [368, 640];
const PX_PER_MM = 640 / 63.5;
const GREY = "0.299 0.587 0.114 0 0"; // a row of SVG's colour matrix: ITU-R BT.601, as the service takes greys
let made = 0;

export class CardCompare extends HTMLElement {
  // face, reference: addresses; record: whose reference it is; words: what stands below it meanwhile.
  early({ face, reference, record, words = record ?? "" }) {
    this.#build();
    this.comparison = null;
    this.named = record;
    const own = this.#image(face, "This card");
    own.onerror = () => { own.onerror = null; own.src = "/static/mark.svg"; }; // no picture, or one that a browser does not show
    this.#panes([["This card", own], [words, this.#image(reference, `Reference of ${record}`)]]);
    fill(this.chips);
    fill(this.list);
    this.tools.inert = true;
  }

  show(comparison, card = 0, candidate = firstShown(comparison.identification.cards[card] ?? {})) {
    this.#build();
    this.comparison = comparison;
    this.card = card;
    this.candidate = candidate;
    this.other = null;
    this.tools.inert = false;
    if (this.way?.startsWith("proof")) this.way = "beside";
    this.view.reset(false);
    this.#list();
    this.look(this.way ?? "beside");
    this.#clearest();
  }

  disconnectedCallback() {
    this.view?.watch?.disconnect();
  }

  choose(index) {
    const candidates = this.answer?.candidates ?? []; // none before something is shown
    if (index >= candidates.length || index < 0) return false;
    this.candidate = index;
    this.other = null;
    this.#list();
    this.look(this.way.startsWith("proof") ? "beside" : this.way);
    this.#clearest();
    say(`Candidate ${index + 1}: ${candidates[index].record_id}`);
    this.dispatchEvent(new CustomEvent("candidate", { detail: index }));
    return true;
  }

  // A record that is not among the candidates takes its place behind them, whole and upright: nothing was measured of it.
  async #add(name) {
    const { comparison, card } = this;
    const at = this.answer.candidates.findIndex(({ record_id: id }) => id.toLowerCase() === name.toLowerCase());
    if (at >= 0) return void this.choose(at);
    const { record_id, pose, crop, caption, subject, club, mark, references } = await get(`/v1/records/${encodeURIComponent(/^v\d+$/i.test(name) ? name.toUpperCase() : name)}`);
    if (this.comparison !== comparison || this.card !== card) return;
    if (!references.length) throw new Problem("no_picture", `${record_id} has no picture`, "Nothing of it can be shown beside the card.");
    this.answer.candidates.push({ record_id, pose, crop, caption, reference: String(references[0].id), confidence: {}, evidence: { subject, club, mark }, asked: true });
    this.layers.candidates.push({ laid: null });
    this.choose(this.answer.candidates.length - 1);
  }

  // Resolves when what is compared is on the screen, or cannot be.
  painted() { return Promise.allSettled([...this.stage.querySelectorAll("img")].map((image) => image.decode())); }

  get answer() { return this.comparison?.identification.cards[this.card]; }
  get layers() { return this.comparison?.cards[this.card]; }
  get chosen() { return this.answer?.candidates[this.candidate]; }
  get laid() { return this.layers?.candidates[this.candidate]; }

  // The pictures as they are laid: of another negative the reference stands whole and upright instead.
  get isLaid() { return Boolean((this.other ?? this.laid)?.laid) && finding(RUNGS[0], this.chosen?.confidence.pose).state !== "other"; }

  // Whether the reference's words lie beside the card's: of another crop they may stand where the card shows picture.
  get hasBothCaptions() {
    const is = (rung, state) => finding(RUNGS.find(({ name }) => name === rung), this.chosen?.confidence[rung]).state === state;
    return this.isLaid && (!is("crop", "other") || is("caption", "same"));
  }

  #build() {
    if (this.stage) return;
    this.view ??= new Viewport(FACE, () => this.#ruler());
    this.toneId = `tones-${made += 1}`;
    this.tone = svg("svg", { class: "unseen", "aria-hidden": "true" });
    this.stage = h("div", { class: "stage" });
    this.chips = h("div", { class: "chips", role: "group", "aria-label": "What was found, rung by rung" });
    this.ways = h("div", { class: "ways", role: "group", "aria-label": "Ways of comparing" }, WAYS.map(([way, key, words]) =>
      h("button", { type: "button", class: "bar", "data-way": way, onclick: () => this.look(way) }, words, " ", h("kbd", {}, key))));
    this.fade = h("input", { type: "range", min: "0", max: "100", value: "100", "aria-label": "How much of the reference", oninput: () => this.#set() });
    this.fadeBox = h("label", { class: "fade", hidden: true }, "Fade", this.fade);
    this.bar = h("span", { class: "mm-bar", "aria-hidden": "true" });
    this.barWords = h("span", { class: "mm-words" });
    const button = (words, name, run) => h("button", { type: "button", class: "bar", "aria-label": name, title: name, onclick: run }, words);
    this.toneButton = h("button", { type: "button", class: "bar", onclick: () => this.turnTones() }, "Tones matched ", h("kbd", {}, "g"));
    this.tools = h("div", { class: "tools" }, this.ways, this.fadeBox, h("span", { class: "hint" }, "Blink: hold ", h("kbd", {}, "Space"), " or the card"), this.toneButton,
      h("span", { class: "zooms" }, this.bar, this.barWords, button("−", "Farther (key -)", () => this.view.zoomBy(1 / 1.5)), button("+", "Closer (key +)", () => this.view.zoomBy(1.5)),
        button("Whole", "Whole card (key 0)", () => this.view.reset()), button(svg("svg", { viewBox: "0 0 16 16", width: 14, height: 14, "aria-hidden": "true" }, svg("path", { d: "M2 6V2H6M10 2H14V6M14 10V14H10M6 14H2V10", fill: "none", stroke: "currentColor", "stroke-width": 1.6 })), "Full screen (key f)", () => this.full())));
    this.list = h("div", { class: "candidates" });
    fill(this, this.tone, h("div", { class: "look" }, this.stage, this.tools), this.chips, this.list);
  }

  #list() {
    fill(this.list, candidateTiles(this.answer, this.candidate, (index) => this.choose(index), (record) => this.#add(record)));
    fill(this.chips, chips(this.chosen, (rung) => this.prove(rung)));
  }

  prove(rung) {
    if (!this.chosen) return false;
    this.look(this.way === `proof-${rung}` ? "beside" : `proof-${rung}`);
    return true;
  }

  look(way) {
    this.way = way;
    this.dataset.way = way;
    for (const button of this.ways.children) button.setAttribute("aria-pressed", String(button.dataset.way === way));
    for (const chip of this.chips.children) chip.setAttribute("aria-pressed", String(way === `proof-${chip.dataset.rung}`));
    this.fadeBox.hidden = way !== "over";
    this.stage.classList.remove("free");
    const one = this.chosen;
    if (way === "photos") return this.#photos(one);
    if (!one) return void this.#panes([["This card", this.#face()], [this.answer?.outcome === "unreadable" ? "Compared with nothing" : "Nothing in the catalogue resembles it", []]]);
    if (way.startsWith("proof")) return void proof(this, way.slice(6));
    if (way === "beside" || !this.isLaid) return this.beside();
    return this.#over(way);
  }

  #image(src, alt, props = {}) {
    return h("img", { src, alt, draggable: false, ...props });
  }

  #face() {
    const node = this.#growing("face", this.#image(this.layers.face, "The card, cut out of the photo and flattened"));
    const { comparison } = this;
    node.onerror = () => {
      if (this.comparison === comparison && this.gone !== comparison) this.dispatchEvent(new CustomEvent("gone"));
      this.gone = comparison;
    };
    this.#toned(node, "card");
    return node;
  }

  #reference() {
    const words = `Reference ${this.reference} of ${this.chosen.record_id}`;
    if (!this.isLaid) return this.#image(thumbnail({ reference: this.reference }, "whole"), `${words}, as it is`, { class: "upper" });
    const node = this.#growing("laid", this.#image((this.other ?? this.laid).laid, `${words}, laid over the card`, { class: "upper" }));
    this.#toned(node, "reference");
    return node;
  }

  get reference() { return this.other?.id ?? this.chosen.reference; }

  // Once enlarged, as large as its photograph holds it.
  #growing(layer, image) {
    const { comparison: { name }, card } = this;
    const reference = this.isLaid ? this.reference : null;
    return canGrow(image, async () => {
      const made = await lookCloser(name, card, reference, true);
      return made.scale > 1 ? made[layer] : null;
    });
  }

  // marks: drawn over both, in pixels of the face.
  beside(marks = null) {
    const one = this.chosen;
    const blinked = this.isLaid && this.#reference();
    this.upper = blinked || null;
    if (blinked) {
      blinked.style.visibility = "hidden";
      blinked.setAttribute("aria-hidden", "true");
    }
    const held = blinked && { start: () => this.blink(true), end: () => this.blink(false) };
    this.#panes([
      ["This card", [this.#face(), blinked, marks?.()], held],
      [[h("span", {}, one.record_id, h("span", { class: "which-reference" }, `, reference ${this.reference}`)), !this.isLaid && h("span", { class: "small" }, ", whole")], [this.#reference(), this.isLaid && marks?.()], null, this.#clearer()],
    ]);
  }

  // The record's other references; where it has a faint card alone, the candidate that shows the negative most clearly.
  #clearer() {
    const button = (words, name, key, run) => h("button", { type: "button", class: "bar clearer", "aria-label": name, title: name, onclick: run }, words, " ", h("kbd", {}, key));
    if (this.laid?.references > 1) return button("Other", "Other reference", "]", () => this.step(1));
    const at = this.answer.candidates.findIndex(({ record_id: id }) => id === this.laid?.clearest?.record_id);
    if (at < 0 || at === this.candidate) return null;
    const { record_id: clearer } = this.answer.candidates[at];
    return button(`Clearer: ${clearer}`, `Faint. Clearer: ${clearer}`, at + 1, () => this.choose(at));
  }

  #over(way) {
    const upper = this.#reference();
    this.upper = upper;
    const face = this.#face();
    if (way === "difference") {
      for (const node of [face, upper]) node.style.filter = `${node.style.filter || ""} grayscale(1)`.trim();
      this.#panes([["Tones brought together. Black: no difference.", [face, upper]]]);
      return;
    }
    this.share ??= 0.5;
    this.divider = h("span", { class: "divider", "aria-hidden": "true" });
    const held = { start: (x) => this.#wipe(x), move: (x) => this.#wipe(x) };
    this.#panes([[`This card left of the line, ${this.chosen.record_id} right of it: drag the line`, [face, upper, this.divider], held]]);
    this.#set();
  }

  #wipe(share) {
    this.share = share;
    this.#set();
  }

  #set() {
    if (!this.upper || this.way !== "over") return;
    this.upper.style.opacity = String(this.fade.value / 100);
    this.upper.style.clipPath = `inset(0 0 0 ${100 * this.share}%)`;
    this.divider.style.left = `${100 * this.share}%`;
  }

  blink(on) {
    if (!this.upper) return;
    if (this.way === "over" || this.way === "difference") this.upper.style.visibility = on ? "hidden" : "visible";
    else this.upper.style.visibility = on ? "visible" : "hidden";
    this.stage.classList.toggle("blinking", on);
  }

  // Brings the duller of the two to the other's tones, as the service has measured it.
  #toned(node, which) {
    const tones = (this.other ?? this.laid)?.tones;
    if (this.untoned || !tones || tones.of !== which || !this.isLaid) return;
    const [r, g, b] = tones.tables.map((table) => table.join(" "));
    fill(this.tone, svg("filter", { id: this.toneId, "color-interpolation-filters": "sRGB", x: 0, y: 0, width: "100%", height: "100%" },
      svg("feColorMatrix", { type: "matrix", values: `${GREY} ${GREY} ${GREY} 0 0 0 1 0` }), svg("feComponentTransfer", {}, [["R", r], ["G", g], ["B", b]].map(([name, values]) => svg(`feFunc${name}`, { type: "table", tableValues: values })))));
    node.style.filter = `url("#${this.toneId}")`;
  }

  turnTones() {
    this.untoned = !this.untoned;
    fill(this.toneButton, this.untoned ? "Tones as they are " : "Tones matched ", h("kbd", {}, "g"));
    this.look(this.way);
  }

  #panes(list) {
    const panes = list.map(([words, pictures, held, more]) => {
      const sheet = h("div", { class: "sheet" }, pictures);
      const name = typeof words === "string" ? words : words[0].textContent;
      const frame = h("div", { class: "pane", tabindex: "0", role: "group", "aria-label": `${name}. When it is enlarged, arrow keys move it.` }, sheet);
      return { frame, sheet, held, figure: h("figure", {}, frame, more, h("figcaption", {}, words)) };
    });
    fill(this.stage, panes.map(({ figure }) => figure));
    this.view.use(panes);
  }

  // Anything else in the pictures' place.
  put(...nodes) {
    this.stage.classList.add("free");
    this.upper = null;
    fill(this.stage, nodes);
  }

  #photos(one) {
    const { photo, identification } = this.comparison;
    const figure = (address, alt, words) => h("figure", { class: "raw" }, h("a", { href: address, target: "_blank", rel: "noopener" }, h("img", { src: address, alt })), h("figcaption", {}, words));
    this.put(figure(photo, "The photograph, untouched", identification.photo),
      one && figure(`/v1/references/${one.reference}/image`, `Reference ${one.reference}, untouched`, `${one.record_id}, reference ${one.reference}`));
  }

  // The record's other pictures, each laid over the card.
  async step(by) {
    const record = this.chosen?.record_id;
    if (!record) return;
    const { references } = await get(`/v1/records/${encodeURIComponent(record)}`);
    if (this.chosen?.record_id !== record || references.length < 2) return void say("This record has one reference");
    const now = references.findIndex(({ id }) => String(id) === String(this.reference));
    await this.#refer(references[(now + by + references.length) % references.length].id);
  }

  // A ghost gives way to the record's most legible picture.
  #clearest() {
    const { reference, record_id: record } = this.laid?.clearest ?? {};
    if (record && record === this.chosen.record_id) this.#refer(reference);
  }

  async #refer(id) {
    const { comparison, card, candidate } = this;
    let made = null; // back to the one that was compared
    if (String(id) !== this.chosen.reference) {
      made = { id, ...(await lookCloser(comparison.name, card, id, false).catch(() => ({ laid: null }))) };
    }
    if (this.comparison !== comparison || this.card !== card || this.candidate !== candidate) return;
    this.other = made;
    this.look(this.way.startsWith("proof") ? "beside" : this.way);
  }

  full() {
    if (document.fullscreenElement) document.exitFullscreen();
    else this.querySelector(".look").requestFullscreen?.();
  }

  #ruler() {
    if (!this.bar) return;
    const scale = this.view.scale * PX_PER_MM;
    const length = [10, 5, 2, 1].find((mm) => mm * scale < 90) ?? 1;
    this.bar.style.width = `${length * scale}px`;
    this.barWords.textContent = `${length} mm`;
  }
}

customElements.define("card-compare", CardCompare);
