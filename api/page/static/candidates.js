// The candidates of a card as tiles: those that share most with it first, each with one word on what differs.

import { h, thumbnail } from "./dom.js";
import { finding, RUNGS } from "./words.js";

// run(index): a tile was chosen.
export function candidateTiles(card, chosen, run) {
  if (!card?.candidates.length) return null;
  const groups = new Map();
  for (const [index, one] of card.candidates.entries()) {
    const name = group(card, one);
    groups.set(name, [...(groups.get(name) ?? []), tile(one, index, index === chosen, run)]);
  }
  return [...groups].map(([name, tiles]) => h("section", { class: "tile-group" }, h("h3", {}, name), h("ol", { class: "tiles bare" }, tiles)));
}

function group(card, one) {
  const [best] = card.candidates;
  const isNot = (rung) => finding(rung, one.confidence[rung.name]).state === "other";
  const isPose = !isNot(RUNGS[0]);
  if (isPose && !isNot(RUNGS[1]) && one.crop === (card.crop ?? best.crop) && one.pose === best.pose) return "This negative, this crop";
  if (isPose && one.pose === best.pose) return "This negative, another crop";
  // Of a new negative nobody knows who is shown: that the nearest are of one sitter says nothing of this card.
  const { subject } = best.evidence ?? {};
  if (!subject || one.evidence?.subject !== subject) return "Others";
  return card.outcome === "new_pose" || !card.pose ? `Nearest: ${subject}` : "The same sitter";
}

function tile(one, index, isChosen, run) {
  const button = h("button", { type: "button", class: "candidate", onclick: () => run(index) },
    h("img", { src: thumbnail({ reference: one.reference }), alt: "", width: 92, height: 160, loading: "lazy", decoding: "async" }),
    h("span", { class: "candidate-words" }, h("kbd", { "aria-hidden": "true" }, String(index + 1)), " ", h("b", {}, one.record_id), h("i", { class: "printed" }, one.caption || "no words"),
      one.evidence?.club && h("span", { class: "small" }, one.evidence.club), h("span", { class: "small differs" }, differs(one))));
  button.setAttribute("aria-pressed", String(isChosen));
  return h("li", {}, button);
}

// The first rung that is not the same.
export function differs({ confidence }) {
  for (const rung of RUNGS) {
    const { state } = finding(rung, confidence[rung.name]);
    if (rung.name === "copy") break;
    if (state === "other") return `another ${rung.title.toLowerCase()}`;
    if (state === "open") return `${rung.title.toLowerCase()} open`;
    if (state === "unchecked" && rung.name !== "mark") return `${rung.title.toLowerCase()} not checked`;
  }
  return "agrees throughout";
}
