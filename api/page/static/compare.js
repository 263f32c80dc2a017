// The card and a candidate laid over each other, looked at in one of eight ways, with one zoom and pan for all.
// show(comparison, card, candidate); dispatches `candidate` (detail: index) when another one is chosen.

import { comparedCrops } from "./cropmap.js";
import { fill, h, placed, recordAddress, say, thumbnail } from "./dom.js";
import { keys } from "./keys.js";
import { toldInWords } from "./ladder.js";
import { Viewport } from "./viewport.js";

const FACE = [368, 640];
const PX_PER_MM = 640 / 63.5;
const FLICKER_MS = 500; // twice a second: below the three flashes a second that WCAG 2.3.1 allows
const WAYS = [
  ["beside", "b", "Side by side"], ["swipe", "w", "Swipe"], ["fade", "f", "Fade"], ["flicker", "k", "Flicker"],
  ["difference", "d", "Difference"], ["agreement", "m", "Agreement"], ["crops", "c", "Crops"],
  ["photos", "o", "Untouched"],
];
const NOT_LAID = "This reference could not be laid over the card. Look at both side by side, untouched.";

export class CardCompare extends HTMLElement {
  show(comparison, card = 0, candidate = 0) {
    Object.assign(this, { comparison, card, candidate });
    this.way ??= "beside";
    this.shares ??= { swipe: 0.5, fade: 0.5, difference: 0.2 };
    this.view ??= new Viewport(FACE, () => this.#ruler());
    if (!this.stage) this.#build();
    this.view.reset(false);
    this.#list();
    this.#look(this.way);
  }

  disconnectedCallback() {
    clearInterval(this.flicking);
  }

  // Keys for the page's one comparison; which: gives the element that they act on.
  static keys(which) {
    const on = (run) => () => { const found = which(); return found?.stage ? run(found) : false; };
    keys("Comparing", [
      ...WAYS.map(([way, key, words]) => ({ key, words, run: on((it) => it.#look(way)) })),
      ...[1, 2, 3, 4, 5, 6, 7, 8, 9].map((n) => ({
        key: String(n), shown: n === 1 ? "1-9" : undefined, words: n === 1 ? "Candidate" : undefined,
        run: on((it) => it.choose(n - 1)),
      })),
      { key: "+", words: "Closer", run: on((it) => it.view.zoomBy(1.5)) },
      { key: "-", words: "Farther", run: on((it) => it.view.zoomBy(1 / 1.5)) },
      { key: "0", words: "Whole card", run: on((it) => it.view.reset()) },
      { key: ".", words: "Flip the upper picture on or off", run: on((it) => it.#flip()) },
    ]);
  }

  choose(index) {
    const candidates = this.#answer?.candidates ?? []; // none before something is shown
    if (index >= candidates.length) return false;
    this.candidate = index;
    this.#list();
    this.#look(this.way);
    say(`Candidate ${index + 1}: ${candidates[index].record_id}`);
    this.dispatchEvent(new CustomEvent("candidate", { detail: index }));
    return true;
  }

  get #answer() { return this.comparison?.identification.cards[this.card]; }
  get #layers() { return this.comparison.cards[this.card]; }
  get chosen() { return this.#answer?.candidates[this.candidate]; }

  #build() {
    this.ways = h("div", { class: "ways", role: "group", "aria-label": "Ways of comparing" }, WAYS.map(([way, key, words]) =>
      h("button", { type: "button", class: "plain", "data-way": way, title: `Key ${key}`, onclick: () => this.#look(way) }, words)));
    this.stage = h("div", { class: "stage" });
    this.rest = h("div", { class: "stage-rest" });
    this.list = h("ol", { class: "candidates", "aria-label": "Candidates" });
    this.bar = h("span", { class: "mm-bar", "aria-hidden": "true" });
    this.barWords = h("span", { class: "mm-words" });
    const button = (words, name, run) =>
      h("button", { type: "button", class: "plain", "aria-label": name, onclick: run }, words);
    this.zooms = h("div", { class: "zooms" }, this.bar, this.barWords,
      button("−", "Farther", () => this.view.zoomBy(1 / 1.5)), button("+", "Closer", () => this.view.zoomBy(1.5)),
      button("Whole card", "Whole card", () => this.view.reset()));
    fill(this, this.ways, this.stage, this.zooms, this.list, this.rest);
  }

  #list() {
    fill(this.list, this.#answer.candidates.map((one, index) => {
      const button = h("button", { type: "button", class: "candidate", onclick: () => this.choose(index) },
        h("span", { class: "number", "aria-hidden": "true" }, String(index + 1)),
        h("img", { src: thumbnail({ reference: one.reference }), alt: "", width: 46, height: 80, loading: "lazy" }),
        h("span", { class: "candidate-words" }, h("b", {}, one.record_id), ` ${one.caption}`,
          h("span", { class: "small" }, `${one.pose}, crop ${one.crop}: ${climb(one.confidence)}`)));
      button.setAttribute("aria-pressed", String(index === this.candidate));
      return h("li", {}, button);
    }));
  }

  #look(way) {
    clearInterval(this.flicking);
    this.way = way;
    for (const button of this.ways.children) button.setAttribute("aria-pressed", String(button.dataset.way === way));
    fill(this.rest);
    this.dataset.way = way;
    const one = this.chosen;
    if (way === "crops") return this.#crops();
    if (!one) return void fill(this.stage, h("p", { class: "empty" }, "No enrolled picture resembles this card."));
    if (way === "photos") return this.#photos(one);
    const laid = this.#layers.candidates[this.candidate].laid;
    if (!laid && way !== "beside") return void fill(this.stage, h("p", { class: "empty" }, NOT_LAID));
    this.#laid(way, one, laid);
    fill(this.rest, this.#slider(way), this.#facts(one));
  }

  #laid(way, one, laid) {
    const face = () => h("img", { src: this.#layers.face, alt: "The card, cut out of the photo and flattened", draggable: false });
    const upper = h("img", {
      src: laid ?? thumbnail({ reference: one.reference }, "whole"), draggable: false, class: "upper",
      alt: `Reference ${one.reference} of ${one.record_id}${laid ? ", laid over the card" : ", not laid over it"}`,
    });
    this.upper = upper;
    if (way === "beside") {
      return this.#panes([["This card", face()], [`${one.record_id}, reference ${one.reference}`, upper]]);
    }
    if (way === "agreement") {
      const map = this.#layers.candidates[this.candidate].agreement;
      if (!map) return void fill(this.stage, h("p", { class: "empty" }, "Too little of the two could be judged for a map."));
      return this.#panes([["Blue: the same. Red: it has moved. Grey: cannot be judged, or damaged.",
        h("img", { src: map, alt: `Where the card and ${one.record_id} agree and differ`, draggable: false })]]);
    }
    this.#panes([[way === "difference" ? "Black: no difference" : `This card under ${one.record_id}`, [face(), upper]]]);
    this.#set(this.shares[way] ?? 1);
    if (way === "flicker") this.flicking = setInterval(() => this.#flip(), FLICKER_MS);
    return undefined;
  }

  #panes(list) {
    const panes = list.map(([words, pictures]) => {
      const sheet = h("div", { class: "sheet" }, pictures);
      const frame = h("div", { class: "pane", tabindex: "0", role: "group", "aria-label": `${words}. Arrow keys move it when it is enlarged.` }, sheet);
      return { frame, sheet, figure: h("figure", {}, frame, h("figcaption", {}, words)) };
    });
    fill(this.stage, panes.map(({ figure }) => figure));
    this.view.use(panes);
  }

  #photos(one) {
    const { photo, identification } = this.comparison;
    const link = (address, alt) => h("a", { href: address, target: "_blank", rel: "noopener" }, h("img", { src: address, alt }));
    fill(this.stage,
      h("figure", {}, link(photo, "The photograph, untouched"), h("figcaption", {}, identification.photo)),
      h("figure", {}, link(`/v1/references/${one.reference}/image`, `Reference ${one.reference}, untouched`),
        h("figcaption", {}, `${one.record_id}, reference ${one.reference}`)));
    fill(this.rest, this.#facts(one));
  }

  #crops() {
    const { crops } = this.#layers;
    fill(this.stage, crops ? comparedCrops(crops)
      : h("p", { class: "empty" }, "No reference of one pose could be laid over this card, so there is no crop map."));
  }

  #slider(way) {
    const words = { swipe: "Where the upper picture ends", fade: "How much of the upper picture", difference: "How strongly" }[way];
    if (way === "flicker") {
      return h("p", { class: "row" }, h("button", { type: "button", class: "second", onclick: () => this.#flip() }, "Flip by hand"),
        h("button", { type: "button", class: "second", onclick: () => clearInterval(this.flicking) }, "Hold still"));
    }
    if (!words) return null;
    const slider = h("input", { type: "range", min: "0", max: "100", value: String(100 * this.shares[way]), oninput: () => this.#set(slider.value / 100) });
    return h("label", { class: "slider" }, h("span", {}, words), slider);
  }

  #set(share) {
    if (this.way in this.shares) this.shares[this.way] = share;
    const { style } = this.upper;
    style.opacity = this.way === "fade" ? share : 1;
    style.clipPath = this.way === "swipe" ? `inset(0 0 0 ${100 * share}%)` : "none";
    this.style.setProperty("--strength", String(1 + 7 * share));
  }

  #flip() {
    if (!this.upper) return;
    const hidden = this.upper.style.visibility === "hidden";
    this.upper.style.visibility = hidden ? "visible" : "hidden";
  }

  #facts(one) {
    const shift = one.crop_shift_mm;
    return h("div", { class: "facts" },
      h("p", {}, h("a", { href: recordAddress(one.record_id) }, one.record_id), ` ${one.caption}`),
      shift && h("p", { class: "small" }, `Its window lies ${placed(shift.dx, shift.dy)} the reference's, `,
        `at ${(100 * shift.scale).toFixed(1)} % of its scale, within ${shift.sigma_mm.toFixed(2)} mm.`),
      h("ul", { class: "small bare" }, (one.evidence.words ?? []).map((words) => h("li", {}, words))));
  }

  #ruler() {
    if (!this.bar) return;
    const scale = this.view.scale * PX_PER_MM;
    const length = [10, 5, 2, 1].find((mm) => mm * scale < 160) ?? 1;
    this.bar.style.width = `${length * scale}px`;
    this.barWords.textContent = `${length} mm`;
  }
}


function climb(confidence) {
  const told = ["pose", "crop", "caption"].filter((rung) => confidence[rung] !== null);
  return told.map((rung) => toldInWords(rung, confidence[rung])).join("; ") || "not compared";
}

customElements.define("card-compare", CardCompare);
