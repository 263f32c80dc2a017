// What an answer says, in the words of the trade: one sentence, four findings, what to do where nothing is certain.
// Card: as `identify` tells it. Nothing here is drawn, so that every page says the same of the same answer.

import { h, percent, recordAddress } from "./dom.js";

export const SETTLED = 0.75; // the service's own limit: see the README
// From here on the page says "all but certain", and a known card is entered without a second look: by one arrow key, or
// with others over a wall of pairs. One limit for all; our own choice.
export const CERTAIN = 0.97;
const LEAST_MM = 0.6; // twice the usual error of a crop's edge: less is not told

export const RUNGS = [
  { name: "pose", title: "Negative", same: "the same", other: "another" },
  { name: "crop", title: "Crop", same: "the same", other: "another" },
  { name: "caption", title: "Caption", same: "the same", other: "another" },
  { name: "mark", title: "Mark", same: "the same", other: "another" },
  { name: "copy", title: "Copy", same: "the same card", other: "another copy" },
];

const LOOK_AT = "look at "; // how a reason begins that asks for a person's eye first; the service's own words

export const NEW = ["new_pose", "new_crop", "new_caption", "new_mark"];
export const isNew = (outcome) => NEW.includes(outcome);

const isTold = (share) => share !== null && share !== undefined;
const isOpen = (share) => share < SETTLED && share > 1 - SETTLED;

// A rung in words: state is one of unchecked, open, same, other; sure: how sure the words are.
export function finding(rung, share) {
  if (!isTold(share)) return { state: "unchecked", words: "not checked", sure: null };
  if (isOpen(share)) return { state: "open", words: "open", sure: share };
  const sure = Math.max(share, 1 - share);
  const state = share >= SETTLED ? "same" : "other";
  return { state, words: `${rung[state]}, ${sure >= CERTAIN ? "all but certain" : "likely"}`, sure };
}

const FITS_ALONE = 0.48; // log10 of what the picture alone says: three to one, as the service's own FITS_ALONE

// The negative of a candidate in words. A rival that is likelier does not make it another one where its own picture fits
// too; one whose picture was not laid over the card is not found to be another either.
export function negative(one) {
  if (!isCompared(one)) return finding(RUNGS[0], null);
  const found = finding(RUNGS[0], one?.confidence?.pose);
  if (found.state !== "other" || !((one.evidence?.pose_log10_ratio ?? 0) >= FITS_ALONE)) return found;
  return { state: "open", words: "fits as well by itself: much alike, or one negative enrolled twice", sure: null };
}

const isCompared = (one) => one?.evidence?.method !== "none";

// Why a record that nobody has picked is not entered by one key; null where nothing speaks against it. One that was not
// compared is looked at twice as well, but is not said to show another negative.
export function against(one) {
  const isOther = finding(RUNGS[0], one?.confidence?.pose).state === "other";
  if (!isOther && isCompared(one)) return null;
  const { state, words } = negative(one);
  const why = { other: `shows ${words.replace(",", " negative,")}`, open: words, unchecked: "was not laid over this card" }[state];
  return `${one.record_id} ${why}. Press once more if the card is ${one.record_id} all the same. Nothing is decided yet.`;
}

// Nothing is ever certain: neither 0 nor 100 is written.
export function sureness(share) {
  if (share >= 0.995) return "over 99\u00a0%";
  return share <= 0.005 ? "under 1\u00a0%" : percent(share);
}

// What was read off the card, line by line; empty where nothing was.
export function readLines(card) {
  if (card.reading?.lines) return card.reading.lines.map((line) => line.words ?? line);
  const told = (card.reasons ?? []).find((reason) => reason.startsWith("read as "));
  return told ? [...told.split(/(?<='): nearest/)[0].matchAll(/'((?:[^']|'(?!,|$))*)'/g)].map(([, words]) => words) : [];
}

export const TITLES = {
  known: "Known", new_caption: "New caption", new_crop: "New crop", new_pose: "New negative", new_mark: "New mark",
  undecided: "Cannot tell", unreadable: "Unreadable",
};

export const PARTED = /\s+[-–—]\s+/; // on one line with the club the issuer's words often stand behind a dash

const printed = (words) => h("i", { class: "printed" }, words || "no words");
const link = (id) => h("a", { href: recordAddress(id) }, id);
const club = (one) => (one?.evidence?.club ? [", ", printed(one.evidence.club)] : null);

const stop = (one) => (/\.$/.test(one?.evidence?.club || one?.caption) ? "" : "."); // none after "R. C."

const FAINT = 0.3; // residual contrast: a ghost to the eye; the service's own limit for what it calls clearest
const CLEARER = 1.5;

// The candidate to begin with: the closest, but where that is a ghost and the record is none of them, the clearest of
// those that show the same of the negative.
export function firstShown({ outcome, candidates = [] }) {
  const [best] = candidates;
  const legible = (one) => one.evidence?.legibility ?? 1;
  if (!["new_crop", "new_caption", "new_mark"].includes(outcome) || !best || legible(best) >= FAINT) return 0;
  const like = candidates.filter((one) => one.pose === best.pose && (outcome === "new_crop" || one.crop === best.crop) && legible(one) >= CLEARER * legible(best));
  return like.length ? candidates.indexOf(like.sort((a, b) => legible(b) - legible(a))[0]) : 0;
}

// The answer as one sentence. stored: a find or a lot's row may know a little less than a fresh answer.
export function sentence(card) {
  const best = card.candidates?.[firstShown(card)];
  return h("p", { class: `outcome outcome-${card.outcome}` }, h("b", {}, TITLES[card.outcome] ?? "Not told"), " ", h("span", {}, BODY[card.outcome]?.(card, best)));
}


// The sentence, and what to look at before anything is done with it.
export function verdict(card) {
  return [sentence(card), ...(card.reasons ?? []).filter((reason) => reason.startsWith(LOOK_AT)).map((reason) => h("p", { class: "advice look-at" }, first(reason)))];
}

const BODY = {
  known(card, best) {
    const sure = card.confidence?.record;
    return [isTold(sure) && sure < CERTAIN ? "Most likely " : "", link(card.record_id), ", ", best?.evidence?.subject ?? best?.caption ?? card.caption, ": ",
      printed(card.caption ?? best?.caption), club(best), `; negative ${card.pose ?? best?.pose}, crop ${card.crop ?? best?.crop}.`];
  },
  new_caption(card, best) {
    const lines = readLines(card).slice(0, 2).map((words) => words.split(PARTED)[0]);
    const here = lines.length ? ["read ", lines.map((words, place) => [place ? ", " : "", printed(words)]), "; "] : null;
    return [sitter(best), `negative ${card.pose}, crop ${card.crop} are known, the caption is not: `, here, best ? [best.record_id, " has ", printed(best.caption), club(best)] : null, stop(best)];
  },
  new_mark: (card, best) => [sitter(best), `negative ${card.pose}, crop ${card.crop} and the caption are known, the issuer's mark is not: `, ...marks(card, best)],
  new_crop: (card, best) => [sitter(best), `negative ${card.pose} is known, this crop of it is not: `, beyond(best, 2), "."],
  new_pose: (card, best) => ["None of your negatives shows this picture.", best ? [" Nearest: ", link(best.record_id), ", ", best.evidence?.subject ?? best.caption, "."] : ""],
  undecided: (card) => settled(card),
  unreadable: ({ reasons }) => first(reasons?.find((reason) => !reason.startsWith(LOOK_AT))) || "Too little of the picture is left or lit to compare.",
};

// What a record says that is known to bear no mark; blank: nothing is said.
export const NO_MARK = "none";

// Whether a candidate's record tells of a mark, which the card then bears as well or not.
export const hasMark = (one) => Boolean(one?.evidence?.mark) && one.evidence.mark !== NO_MARK;

// A record's mark as a few words; null where nothing is said of it.
export const markTold = (mark) => mark && h("span", { class: "small" }, mark === NO_MARK ? "no mark" : `mark: ${mark}`);

// The issuer's mark as it was read on the card, and as the record has it. A find, or a lot's card, knows it by its fields.
export const markLine = (card) => (card.lines ?? []).find(({ part }) => part === "mark");

// In which form it stands, if that is told, and where: "oval, foot right".
export const stands = ({ form, place }) => [form, place].filter(Boolean).join(", ");

function marks(card, best) {
  const line = markLine(card);
  const read = line ? `${line.words} (${stands(line)})` : card.fields?.mark?.value;
  const known = best?.evidence?.mark;
  return [read ? ["read ", printed(read)] : "none was read here", known && [`; ${best.record_id} has `, known === NO_MARK ? known : printed(known)], "."];
}

const sitter = (best) => (best?.evidence?.subject ? `${best.evidence.subject}: ` : "");

// The same as a run of plain words, where it stands behind others.
export function inWords(card) {
  const told = sentence(card);
  told.querySelector("b").append(":");
  return told.textContent.replace(/\s+/g, " ").trim();
}

// What a decision is not, where it is taken.
export const cautionLine = (words = "This says which picture the card shows") => h("p", { class: "caution-line" }, `${words}, nothing about whether the card is genuine.`);

// What this card shows beyond a candidate's crop, and what it lacks, in mm.
export function beyond(one, most = 4) {
  const margins = one?.evidence?.margins_mm;
  const told = Object.entries(margins ?? {}).filter(([, mm]) => Math.abs(mm) >= LEAST_MM).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1])).slice(0, most)
    .map(([side, mm]) => `${Math.abs(mm).toFixed(1)} mm ${mm > 0 ? "more" : "less"} at the ${side}`);
  return told.length ? `${told.join(", ")} than crop ${one.crop}` : one ? `cut unlike crop ${one.crop}` : "cut unlike the known ones";
}

function settled({ confidence, pose, crop, caption, candidates }) {
  const [best, next] = candidates ?? [];
  if (!best) return "Nothing in your catalogue resembles it.";
  if (!pose) return ["Not even the negative is settled. The nearest is ", link(best.record_id), ", ", best.evidence?.subject ?? best.caption, "."];
  if (!crop) return [`Negative ${pose} is settled, the crop is open`, confidence.crop <= 1 - SETTLED ? ": it may be a new one" : "", "."];
  if (isTold(caption)) return [`Negative ${pose}, crop ${crop} and the caption are settled, the issuer's mark is open.`];
  const rivals = next && next.pose === best.pose && next.crop === best.crop ? [" between ", printed(best.caption), " and ", printed(next.caption)] : "";
  return [`Negative ${pose} and crop ${crop} are settled, the caption is open`, rivals, "."];
}

// What would make an open answer a sure one; the first that applies.
export function advice(card, photo) {
  if (card.reasons?.some((reason) => reason.startsWith(LOOK_AT))) return null; // that is said above it
  if (!["undecided", "unreadable"].includes(card.outcome)) return null;
  if (card.outcome === "unreadable" && card.reasons?.length) return null; // the reason itself says what to do
  const { face, quad } = card;
  const height = quad && Math.hypot(quad[3][0] - quad[0][0], quad[3][1] - quad[0][1]);
  if (face?.glare > 0.05) return `${percent(face.glare)} of the card is under glare: move the lamp or the card, and take it again.`;
  if (height && height < 480) return `The card is only ${Math.round(height)} px high here: take it from nearer, or use the full photo.`;
  if (face?.sharpness < 0.35) return "The photo is not sharp: hold still, or lean the phone on something.";
  const [best] = card.candidates;
  if (best?.evidence?.margins_mm && Math.max(...Object.values(best.evidence.margins_mm).map(Math.abs)) > 4 && best.confidence.crop > 0.5) {
    return "The outline seems to take in more than the card: drag its corners to the card's edge.";
  }
  if (face?.residual_contrast < 0.15) return "The print is very faint: an even light from the side shows more of it.";
  return photo ? "See whether the outline follows the card's edge; else choose below which record it is, or keep it for later." : "Choose which record it is, or put it off.";
}

// The findings of one candidate, each a sentence of its own, by rung.
export function toldOf(card, one) {
  const words = one?.evidence?.words ?? [];
  const find = (pattern) => words.find((sentence) => pattern.test(sentence)) ?? "";
  const lines = readLines(card);
  return {
    pose: first(find(/negative|exposure/).replace(/^((looks like the )?same negative|another exposure): /, "")),
    crop: one?.confidence.crop >= SETTLED ? `Cut like crop ${one.crop}, within ${(one.crop_shift_mm?.sigma_mm ?? 0.3).toFixed(1)} mm.` : first(beyond(one)),
    caption: [one && ["Printed on ", one.record_id, ": ", printed(one.caption), club(one), stop(one), " "], lines.length ? ["Read on this card: ", lines.map((line, place) => [place ? ", " : "", printed(line)]), lines.at(-1).endsWith(".") ? "" : "."] : null],
    mark: first(find(/issuer's mark|same mark|^mark: /).replace(/^mark: /, "")),
    copy: first(find(/copy|physical card/).replace(/^probably /, "")),
  };
}

function first(words) {
  return words ? `${words.charAt(0).toUpperCase()}${words.slice(1)}${words.endsWith(".") ? "" : "."}` : "";
}

export function looks(face) {
  const size = face.size_mm ? `${face.size_mm.map((mm) => mm.toFixed(1)).join(" x ")} mm, ` : "";
  const glare = face.glare < 0.005 ? "no glare" : `${percent(face.glare)} under glare`;
  return `${size}${percent(face.residual_contrast)} of the contrast left, ${glare}`;
}
