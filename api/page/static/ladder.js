// The ladder of an answer: a rung a line, each a scale with the two marks at which a rung counts as settled.

import { fill, h, percent, svg } from "./dom.js";

const SETTLED = 0.75; // the service's own limit: see the README
const RUNGS = [
  ["pose", "Negative", "the same negative", "another negative"],
  ["crop", "Crop", "the same window of it", "another window"],
  ["caption", "Caption", "the same words", "other words"],
  ["copy", "Copy", "the very card of a reference", "another copy than the references show"],
];

const isReached = (share) => share !== null && share !== undefined;
const isOpen = (share) => share < SETTLED && share > 1 - SETTLED;

function inWords(rung, share) {
  if (!isReached(share)) return "not reached";
  const [, , yes, no] = RUNGS.find(([name]) => name === rung);
  if (isOpen(share)) return "open";
  return share >= SETTLED ? yes : no;
}

// How sure the words themselves are: of "another window", not of the same one.
function ofWords(share) {
  if (isOpen(share)) return `${sureness(share)} for the same`;
  return sureness(Math.max(share, 1 - share));
}

export const toldInWords = (rung, share) => `${inWords(rung, share)}, ${ofWords(share)}`;

export class CardLadder extends HTMLElement {
  show(confidence) {
    this.setAttribute("role", "list");
    this.setAttribute("aria-label", "How far the answer reaches");
    fill(this, RUNGS.map(([name, title]) => rung(name, title, confidence[name])));
  }
}

function rung(name, title, share) {
  const reached = isReached(share);
  const words = inWords(name, share);
  const state = !reached ? "unreached" : isOpen(share) ? "open" : "settled";
  return h("div", { class: `rung ${state}`, role: "listitem" },
    h("span", { class: "rung-name" }, title),
    scale(share),
    h("span", { class: "rung-words" }, words, reached && [", ", h("span", { class: "number" }, ofWords(share))]));
}

// Nothing is ever certain: neither 0 nor 100 is written.
export function sureness(share) {
  if (share >= 0.995) return "over 99\u00a0%";
  return share < 0.005 ? "under 1\u00a0%" : percent(share);
}

function scale(share) {
  const at = (value) => 6 + 188 * value;
  const ticks = [0, 0.25, 0.5, 0.75, 1].map((value) =>
    svg("path", { class: "tick", d: `M${at(value)} ${value % 0.5 ? 7 : 9}V14` }));
  return svg("svg", { class: "scale", viewBox: "0 0 200 18", "aria-hidden": "true" },
    svg("path", { class: "rule", d: "M6 14H194" }), ticks,
    svg("path", { class: "zone", d: `M${at(0)} 14H${at(1 - SETTLED)}M${at(SETTLED)} 14H${at(1)}` }),
    isReached(share) && svg("path", { class: "mark", d: `M${at(share)} 13L${at(share) - 5} 2H${at(share) + 5}Z` }));
}

customElements.define("card-ladder", CardLadder);
