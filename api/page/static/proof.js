// The proof of one rung, in the place of the pictures: what moved, the crops of the negative, both captions, the copy.

import { comparedCrops } from "./cropmap.js";
import { h, say, svg } from "./dom.js";
import { markLine, stands, sureness, toldOf } from "./words.js";

const PX_PER_MM = 640 / 63.5;

// view: a card-compare that shows something. rung: its name.
export function proof(view, rung) {
  const told = toldOf(view.answer, view.chosen);
  if (rung === "pose") return moved(view, told.pose);
  if (rung === "crop") return crops(view, told.crop);
  if (rung === "caption") return lines(view, told.caption);
  if (rung === "mark") return mark(view, told.mark);
  return closely(view, told.copy);
}

// The pictures side by side with a ring about every spot that has moved; Tab goes from one to the next.
function moved(view, words) {
  const { moved: places, agreement } = view.laid;
  view.beside(places?.length && view.isLaid ? () => rings(places) : null);
  const list = places?.length && view.isLaid ? h("p", { class: "spots" }, "Go to: ", places.map((place, number) =>
    h("button", { type: "button", class: "bar", onfocus: () => spot(view, place, number), onclick: () => spot(view, place, number) }, `Spot ${number + 1}`))) : null;
  const map = agreement && view.isLaid && h("figure", { class: "map" }, h("div", { class: "pane still" }, h("img", { src: agreement, alt: `Where the card and ${view.chosen.record_id} agree and differ` })),
    h("figcaption", {}, "Blue: the same. Red: moved. Grey: cannot be judged, or damaged."));
  view.stage.append(...[map].filter(Boolean));
  view.stage.classList.toggle("three", Boolean(map));
  explain(view, "pose", words, list);
}

function spot(view, place, number) {
  view.view.goTo(place);
  say(`Spot ${number + 1}`);
}

function rings(places) {
  return svg("svg", { class: "rings", viewBox: "0 0 368 640", "aria-hidden": "true" }, places.map(([left, top, width, height], number) => [
    svg("ellipse", { cx: left + width / 2, cy: top + height / 2, rx: width / 2 + 10, ry: height / 2 + 10 }),
    svg("text", { x: left + width + 10, y: top }, number + 1),
  ]));
}

function crops(view, words) {
  const known = view.layers.crops;
  view.put(known ? comparedCrops(known) : h("p", { class: "empty" }, "No reference of one negative could be laid over this card, so there is nothing to compare crops on."));
  explain(view, "crop", words);
}

// Both strips of words at one scale, the card's above; letters that differ are boxed in both.
function lines(view, words) {
  const strips = view.laid?.lines ?? [];
  view.put(h("div", { class: "lines" }, strips.map((line) => strip(line, view.chosen.record_id, !view.hasBothCaptions)),
    strips.length ? null : h("p", { class: "empty" }, "The caption could not be compared: too faint, covered, or of another negative.")));
  explain(view, "caption", words);
}

// alone: of another negative's card, or another crop's, whose words have nothing to do with these or stand elsewhere.
export function strip({ picture, width, height, step, letters }, record, alone = false) {
  if (alone) return h("figure", { class: "line" }, svg("svg", { viewBox: `0 0 ${width} ${height - step}`, role: "img", "aria-label": "The caption of this card" }, svg("image", { href: picture, width, height })));
  const boxes = [0, step].map((down) => letters.map(([left, top, wide, high]) => svg("rect", { x: left - 2, y: top + down - 2, width: wide + 4, height: high + 4 })));
  return h("figure", { class: "line" },
    svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `Caption of this card above that of ${record}${letters.length ? `; ${letters.length} places differ` : ""}` },
      svg("image", { href: picture, width, height }), boxes),
    h("figcaption", {}, h("span", {}, "This card"), h("span", {}, record), letters.length ? h("span", { class: "small" }, "boxed: roughly where they differ") : null));
}

// What an eye can tell: the mount, its stains and its edges, as they are; damage that one of the two shows alone is ringed.
// Marks that both show are not named: a match of small spots may as well be the negative's or the printer's.
function closely(view, words) {
  const odd = view.isLaid ? view.chosen.evidence.damage ?? [] : [];
  const boxes = odd.map(({ box_mm: box }) => inPixels(box));
  view.beside(odd.length ? () => rings(boxes) : null);
  const list = odd.length ? h("p", { class: "spots" }, "Only one of them shows: ", odd.map(({ kind, on, place }, number) =>
    h("button", { type: "button", class: "bar", onfocus: () => spot(view, boxes[number], number), onclick: () => spot(view, boxes[number], number) }, `${number + 1} ${kind}, ${place} (${on === "either" ? "one of the two" : on})`))) : null;
  explain(view, "copy", words || "Stains, scratches and cut edges that both show speak for one physical card. Blink to see them.", list);
}

const inPixels = ([left, top, right, bottom]) => [left, top, right - left, bottom - top].map((mm) => mm * PX_PER_MM);

// Both cards, the mark that was read on this one ringed and brought near, with what the record says of its own.
function mark(view, words) {
  const line = markLine(view.answer);
  const box = line && inPixels(line.box_mm);
  view.beside(box && view.isLaid ? () => rings([box]) : null);
  if (box) view.view.goTo(box);
  const known = view.chosen.evidence.mark;
  const read = line ? [h("i", { class: "printed" }, line.words), `, ${stands(line)}`] : "none";
  explain(view, "mark", words, h("p", {}, "Read on this card: ", read, `. ${view.chosen.record_id} has: `, known ? h("i", { class: "printed" }, known) : "none said", "."));
}

function explain(view, rung, words, more = null) {
  const share = view.chosen.confidence[rung];
  const numbers = view.chosen.evidence.words ?? [];
  view.stage.append(h("div", { class: "proof-words" }, h("p", {}, words), more,
    h("details", {}, h("summary", {}, "The numbers"), h("p", { class: "small" }, share === null || share === undefined ? "This rung was not reached." : `${sureness(share)} for the same.`),
      h("ul", { class: "small" }, numbers.map((sentence) => h("li", {}, sentence))))));
}
