// One card's answer in a glance: outcome, what is established, the ladder, the reasons, what the card looks like.

import { h, percent, recordAddress } from "./dom.js";
import "./ladder.js";

export const OUTCOMES = {
  known: ["In the catalogue", (card) => [h("a", { href: recordAddress(card.record_id) }, card.record_id), ` ${card.caption}`]],
  new_crop: ["A new crop", (card) => `of negative ${card.pose}`],
  new_caption: ["A new caption", (card) => `on negative ${card.pose}, crop ${card.crop}`],
  new_pose: ["A new negative", () => "none of those enrolled"],
  undecided: ["It cannot tell", (card) => settled(card)],
  unreadable: ["Unreadable", () => "too little of the picture is left or lit to compare"],
};

export const isNew = (outcome) => ["new_crop", "new_caption", "new_pose"].includes(outcome);

function settled(card) {
  if (card.crop) return `negative ${card.pose} and crop ${card.crop} are settled, the caption is not`;
  return card.pose ? `negative ${card.pose} is settled, the crop is not` : "not even which negative it is";
}

export function headline(card) {
  const [title, detail] = OUTCOMES[card.outcome];
  return h("p", { class: `outcome outcome-${card.outcome}` }, h("b", {}, title), " ", h("span", {}, detail(card)));
}

export function answer(card) {
  const ladder = document.createElement("card-ladder");
  ladder.show(card.confidence);
  return h("div", { class: "answer" }, headline(card), ladder,
    h("p", { class: "small" }, "Left end: differs. Right end: the same. On the thick ends a rung counts as settled."),
    h("ul", { class: "reasons" }, card.reasons.map((words) => h("li", {}, words))),
    looks(card.face));
}

export function looks(face) {
  const size = face.size_mm ? `${face.size_mm.map((mm) => mm.toFixed(1)).join(" x ")} mm, ` : "";
  return h("p", { class: "small" }, `The card: ${size}${percent(face.residual_contrast)} of the contrast is left, `,
    `${percent(face.glare)} under glare.`);
}
