// The ways of comparing, and the keys for a page's one comparison.

import { keys } from "./keys.js";

export const WAYS = [
  ["beside", "b", "Side by side"], ["over", "w", "Lay over"], ["difference", "d", "Difference"], ["photos", "o", "Untouched"],
];
const PROOFS = { m: "pose", c: "crop", t: "caption", y: "copy" };

// which: gives the card-compare that they act on.
export function compareKeys(which) {
  const on = (run) => () => { const found = which(); return found?.comparison ? run(found) ?? true : false; };
  keys("Comparing", [
    { key: " ", shown: "Space, held", words: "Blink: the reference in the card's place", run: on((it) => it.blink(true)), up: () => which()?.blink?.(false) },
    ...WAYS.map(([way, key, words]) => ({ key, words, run: on((it) => it.look(way)) })),
    ...Object.entries(PROOFS).map(([key, rung]) => ({ key, words: `Proof: ${rung === "pose" ? "what has moved" : rung}`, run: on((it) => it.prove(rung)) })),
    ...[1, 2, 3, 4, 5, 6, 7, 8, 9].map((n) => ({
      key: String(n), shown: n === 1 ? "1-9" : undefined, words: n === 1 ? "Candidate" : undefined, run: on((it) => it.choose(n - 1)),
    })),
    { key: "]", words: "The record's next reference", run: on((it) => void it.step(1)) },
    { key: "+", words: "Closer", run: on((it) => it.view.zoomBy(1.5)) },
    { key: "-", words: "Farther", run: on((it) => it.view.zoomBy(1 / 1.5)) },
    { key: "0", words: "Whole card", run: on((it) => it.view.reset()) },
    { key: "g", words: "Tones as they are, or brought together", run: on((it) => it.turnTones()) },
    { key: "f", words: "Full screen", run: on((it) => it.full()) },
  ]);
}
