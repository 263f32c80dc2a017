// What was found of a candidate, rung by rung: four chips, each a way to its proof.

import { h, svg } from "./dom.js";
import { finding, hasMark, negative, RUNGS, sureness } from "./words.js";

// run(name): the proof of a rung is asked for.
export function chips(candidate, run) {
  const confidence = told(candidate);
  if (finding(RUNGS[0], confidence.pose).state === "open") return [chip(RUNGS[0], confidence.pose, run, negative(candidate))]; // the rest waits for it
  const marked = finding(RUNGS[2], confidence.caption).state === "same" && hasMark(candidate); // where it was not compared, that is told
  return RUNGS.filter(({ name }) => name !== "mark" || marked || (confidence.mark ?? null) !== null).map((rung) => chip(rung, confidence[rung.name], run, rung.name === "pose" ? negative(candidate) : undefined));
}

// What is behind a rung that failed makes no sense, and is not told.
export function told(candidate) {
  const confidence = { ...candidate?.confidence };
  const state = (name) => finding(RUNGS[0], confidence[name]).state;
  if (!candidate || state("pose") !== "same") return { pose: confidence.pose ?? null };
  if (state("crop") === "other") confidence.caption = confidence.mark = confidence.copy = null; // words stand elsewhere there
  return confidence;
}

function chip(rung, share, run, { state, words, sure } = finding(rung, share)) {
  const button = h("button", { type: "button", class: `chip ${state}`, disabled: state === "unchecked", title: sure ? sureness(sure) : "", onclick: () => run(rung.name) },
    h("span", { class: "chip-name" }, rung.title), h("span", { class: "chip-words" }, words, state === "open" && sure && h("span", { class: "number" }, `, ${sureness(share)} for the same`)),
    state === "open" && sure && h("span", { class: "scale", "aria-hidden": "true" }, scale(share)));
  button.dataset.rung = rung.name;
  return button;
}

function scale(share) {
  const at = 4 + 92 * share;
  return svg("svg", { viewBox: "0 0 100 8" }, svg("path", { class: "rule", d: "M4 4H96M27 1V7M73 1V7" }), svg("circle", { cx: at, cy: 4, r: 3.2 }));
}
