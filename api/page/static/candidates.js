// The candidates of a card as tiles: those that share most with it first, each with one word on what differs.

import { fill, h, thumbnail } from "./dom.js";
import { finding, hasMark, markTold, negative, RUNGS } from "./words.js";

// run(index): a tile was chosen. add(record): a record that is not among them was asked for; it may fail.
export function candidateTiles(card, chosen, run, add) {
  if (!card) return null;
  const groups = new Map();
  for (const [index, one] of card.candidates.entries()) {
    const name = group(card, one);
    groups.set(name, [...(groups.get(name) ?? []), tile(one, index, index === chosen, run)]);
  }
  return [[...groups].map(([name, tiles]) => h("section", { class: "tile-group" }, h("h3", {}, name), h("ol", { class: "tiles bare" }, tiles))), another(add)];
}

// A person may know that it is a record which the machine did not think of.
function another(add) {
  const field = h("input", { "aria-label": "Number of another record", placeholder: "V00001", maxlength: 40, autocomplete: "off", spellcheck: false });
  const told = h("p", { class: "small", role: "alert" });
  const look = async (event) => {
    event.preventDefault();
    fill(told);
    try {
      if (field.value.trim()) await add(field.value.trim());
    } catch (error) {
      if (!error.title) throw error;
      fill(told, error.code === "no_such_record" ? `There is no record ${field.value.trim()}: look its number up in the catalogue.` : `${error.title}. ${error.todo}`);
    }
  };
  return h("form", { class: "another-record row", onsubmit: look }, h("span", { class: "small" }, "Another record"), field, h("button", { class: "bar" }, "Show it"), told);
}

function group(card, one) {
  if (one.asked) return "Asked for";
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
      one.evidence?.club && h("span", { class: "small" }, one.evidence.club), markTold(one.evidence?.mark), h("span", { class: "small differs" }, differs(one))));
  button.setAttribute("aria-pressed", String(isChosen));
  return h("li", {}, button);
}

// The first rung that is not the same.
export function differs(one) {
  for (const rung of RUNGS) {
    const { state, sure, words } = rung.name === "pose" ? negative(one) : finding(rung, one.confidence[rung.name]);
    if (state === "open" && sure === null) return words;
    if (rung.name === "copy") break;
    if (state === "other") return `another ${rung.title.toLowerCase()}`;
    if (state === "open") return `${rung.title.toLowerCase()} open`;
    if (state === "unchecked" && rung.name !== "mark") return `${rung.title.toLowerCase()} not checked`;
  }
  return hasMark(one) && (one.confidence.mark ?? null) === null ? "agrees; its mark was not compared" : "agrees throughout";
}
