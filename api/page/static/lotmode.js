// A lot card by card, full screen, by arrow keys: right agrees, left does not, down puts off, up goes back. The place is
// kept whatever is decided. A decision names the record on the screen and waits until its picture is painted.

import "./compare.js";
import { compareKeys } from "./comparekeys.js";
import { fill, h, thumbnail } from "./dom.js";
import { RecordForm } from "./fields.js";
import { inset, outlineQuery } from "./inset.js";
import { keys } from "./keys.js";
import { face, waits } from "./lotscreen.js";
import { ask, newKey, undo } from "./service.js";
import { toast } from "./toast.js";
import { against, cautionLine, CERTAIN, firstShown, inWords, isNew, RUNGS, verdict, sureness } from "./words.js";

const AHEAD = 2;
const PLACE = "platekin-mode";
const AGAIN_MS = 5000;
const FIELDS = ["subject", "caption", "club", "mark", "pose", "crop", "caption_place", "issuer", "year"];
let state = null;

// rows: the cards in their order; at: the first; changed(): called after each decision; rowsNow(): the rows as they are.
export function openMode({ id, rows, at, changed, rowsNow }) {
  const box = h("dialog", { class: "full mode", "aria-label": "Deciding, card by card" });
  state = { id, order: rows.map(({ card }) => card), rows: new Map(rows.map((row) => [row.card, row])), changed, rowsNow, box, cases: new Map(), comparisons: new Map(), made: 0, began: Date.now() };
  box.addEventListener("close", () => { box.remove(); state = null; sessionStorage.removeItem(PLACE); });
  document.body.append(box);
  box.showModal();
  open(at);
}

// What is asked is asked once, and a little ahead

function caseOf(card) {
  return once(state.cases, card, () => ask(`/v1/lots/${state.id}/cards/${card}/case`).then(({ data }) => data));
}

function comparisonOf(card) {
  return once(state.comparisons, card, () => ask(`/v1/lots/${state.id}/cards/${card}/comparison`, { method: "POST" }).then(({ data }) => data));
}

const loaded = ({ cards: [card] }) => Promise.allSettled([card?.face, card?.candidates[0]?.laid].filter(Boolean).map((src) => Object.assign(new Image(), { src }).decode()));

function once(held, card, run) {
  if (!held.has(card)) {
    const asked = run();
    asked.catch(() => held.delete(card));
    held.set(card, asked);
  }
  return held.get(card);
}

async function ahead(card) {
  const next = state?.order.slice(state.order.indexOf(card) + 1).filter((one) => !state.rows.get(one).decided).slice(0, AHEAD) ?? [];
  for (const one of next) {
    if (!state) return;
    try {
      await caseOf(one);
      await loaded(await comparisonOf(one));
    } catch {
      return; // told when it is looked at
    }
  }
}

// The card of this lot that was on the screen when the page was left or loaded again; null where there was none.
export function placeOf(lot) {
  const [id, card] = (sessionStorage.getItem(PLACE) ?? "").split(" ");
  return id === lot ? card : null;
}

async function open(card) {
  sessionStorage.setItem(PLACE, `${state.id} ${card}`);
  Object.assign(state, { card, case: null, shown: null, ready: false, named: null, picked: false, looked: false });
  frame();
  const row = state.rows.get(card);
  if (row.decided) return void decided(row);
  try {
    const one = await caseOf(card);
    if (state?.card !== card) return;
    await begin(one);
    const comparison = await comparisonOf(card);
    await loaded(comparison); // until then the first pictures stay: on a slow network the frames were empty again
    if (state?.card === card) shownNow(comparison);
    ahead(card);
  } catch (error) {
    if (state?.card === card) warn(problem(error, () => open(card)));
  }
}

// Pictures are kept for an hour and not over a restart: what was asked ahead is asked once more.
function gone(card) {
  if (state?.card !== card || Date.now() - (state.askedAgain ?? 0) < AGAIN_MS) return;
  state.askedAgain = Date.now();
  state.comparisons.clear();
  open(card);
}

function frame() {
  const { order, card, box } = state;
  Object.assign(state, { verdict: h("header", { class: "verdict" }), compare: document.createElement("card-compare"), wrong: h("div", { role: "alert", class: "wrong" }), deciding: h("div"), more: h("div"), photoBox: h("div", { class: "inset-box" }), today: h("div") });
  const at = order.indexOf(card);
  const left = order.filter((one) => waits(state.rows.get(one))).length;
  const pace = state.made > 2 ? `, ${Math.round(state.made / ((Date.now() - state.began) / 60_000))} a minute` : "";
  const side = h("aside", { class: "side", "aria-label": "Deciding" }, state.deciding, state.wrong, state.today, state.more, h("div", { class: "side-parts" }, h("p", { class: "small" }, `Card ${card}, ${state.rows.get(card).file ?? ""}`), state.photoBox));
  side.addEventListener("moving", () => state.bench.classList.add("stale"));
  state.bench = h("section", { class: "bench" }, state.verdict, state.compare, side);
  fill(box, h("header", { class: "mode-head slim" }, h("b", {}, `${at + 1} of ${order.length}`), h("progress", { max: order.length, value: at + 1, "aria-hidden": "true" }), h("span", { class: "small" }, `${left} to decide${pace}`),
    h("button", { type: "button", class: "bar", onclick: () => step(-1) }, "Back ", h("kbd", {}, "↑")), h("button", { type: "button", class: "bar", onclick: () => box.close() }, "Close ", h("kbd", {}, "Esc"))), state.bench);
  state.compare.addEventListener("gone", () => gone(card));
  state.compare.addEventListener("candidate", () => { Object.assign(state, { picked: true, looked: false, named: state.compare.chosen.record_id }); fill(state.wrong); label(); });
}

function decided(row) {
  fill(state.verdict, h("p", { class: "outcome" }, h("b", {}, "Decided"), ` ${row.decided}${row.decided_record ? `: ${row.decided_record}` : ""}.`));
  state.compare.early({ face: face(state.id, row.card), reference: row.decided_record ? thumbnail({ record: row.decided_record }, "whole") : "/static/mark.svg", record: row.decided_record ?? "" });
  fill(state.deciding, h("p", { class: "decide-row" }, h("button", { type: "button", onclick: () => step(1) }, "Next ", h("kbd", {}, "↓"))));
}

// The card beside the record that is named, at once; what was measured follows and changes no name.
async function begin(one) {
  state.case = one;
  const card = cardOf(one);
  const named = card.record_id ?? one.candidates[firstShown(card)]?.record_id ?? null;
  state.named = named;
  const best = one.candidates.find(({ record_id: id }) => id === named);
  fill(state.verdict, verdict(card));
  state.compare.early({ face: face(state.id, one.card), reference: best ? thumbnail({ reference: best.reference }, "whole") : "/static/mark.svg", record: named ?? "" });
  state.form = new RecordForm(`${state.id}-${one.card}`, card, one.candidates, FIELDS);
  state.like = one.like.map((name) => h("input", { type: "checkbox", value: name, id: `like-${name}` }));
  fill(state.deciding, h("div", { class: "decide-foot" }, buttons(card), state.wrong), cautionLine(), isNew(card.outcome) ? asForm() : null, one.like.length ? likes(one) : null);
  label();
  await state.compare.painted();
  if (state?.case !== one) return;
  state.ready = true;
  label();
}

// A case in the shape of an answer.
function cardOf({ row, candidates, fields }) {
  const confidence = Object.fromEntries(["pose", "crop", "caption", "mark", "record", "copy"].map((rung) => [rung, row[`confidence_${rung}`] ?? null]));
  const known = row.outcome === "known";
  return { ...(fields && { fields }), outcome: row.outcome, record_id: known ? row.tag : null, pose: row.pose, crop: row.crop, caption: row.caption, confidence, reasons: row.reasons ? row.reasons.split("; ") : [],
    candidates: known ? [...candidates].sort((a, b) => (b.record_id === row.tag) - (a.record_id === row.tag)) : candidates };
}

function shownNow(comparison, quad = null) {
  state.shown = comparison;
  state.bench.classList.remove("stale");
  const [now] = comparison.identification.cards;
  const at = now ? now.candidates.findIndex(({ record_id: id }) => id === state.named) : -1;
  if (at >= 0 || quad) state.compare.show(comparison, 0, Math.max(at, 0));
  state.form.compared(state.compare.laid ?? comparison.cards[0]?.candidates[0], state.named, state.compare.hasBothCaptions);
  const { identification: { width, height }, photo } = comparison;
  fill(state.photoBox, inset({ photo, width, height, quads: now ? [now.quad] : [], chosen: 0, upright: now?.face.by_hand }, { redraw: outlined }));
  const differs = now && now.outcome !== state.case.row.outcome;
  fill(state.today, quad && now ? h("div", { class: "notice" }, h("p", {}, h("b", {}, "Within this outline: "), inWords(now)), h("p", { class: "row" },
    h("button", { type: "button", onclick: () => keepOutline(quad) }, "Keep this outline"), h("button", { type: "button", class: "second", onclick: () => { state.comparisons.delete(state.card); open(state.card); } }, "Back to the old one")))
    : now && at < 0 ? elsewhere(comparison) : differs ? h("p", { class: "notice" }, h("b", {}, "Compared with today's catalogue: "), inWords(now)) : null);
}

// What the lot named is not among the nearest of today's catalogue: it stays on the screen and on the buttons until a
// person asks for the one that is.
function elsewhere(comparison) {
  const [now] = comparison.identification.cards;
  const nearest = now.candidates[firstShown(now)];
  const look = () => {
    state.compare.show(comparison, 0);
    Object.assign(state, { named: state.compare.chosen.record_id, picked: true });
    fill(state.verdict, verdict({ ...cardOf(state.case), candidates: now.candidates })); // it names what is on the screen
    state.form.compared(state.compare.laid, state.named, state.compare.hasBothCaptions);
    fill(state.today);
    label();
  };
  return h("div", { class: "notice" }, h("p", {}, h("b", {}, "Compared with today's catalogue: "), inWords(now)),
    nearest && h("p", { class: "row" }, h("button", { type: "button", class: "second", onclick: look }, `Look at ${nearest.record_id}`)));
}

async function outlined(drawn) {
  const { card } = state;
  const query = new URLSearchParams(outlineQuery(drawn));
  try {
    const { data } = await ask(`/v1/lots/${state.id}/cards/${card}/comparison?${query}`, { method: "POST" });
    if (state?.card === card) shownNow(data, query);
  } catch (error) {
    state?.bench.classList.remove("stale");
    warn(problem(error));
  }
}

async function keepOutline(query) {
  const { card } = state;
  try {
    await ask(`/v1/lots/${state.id}/cards/${card}/outline?${query}`, { method: "POST" });
    state.cases.delete(card);
    state.comparisons.delete(card);
    await refreshed();
    if (state) open(card);
    toast(`Card ${card} has its new outline.`);
  } catch (error) {
    warn(problem(error));
  }
}

// Buttons with their keys

const button = (words, key, run, kind = "second") => h("button", { type: "button", class: kind, onclick: run }, words, " ", h("kbd", {}, key));

function buttons(card) {
  state.agreeButton = button("", "→", agree, "");
  state.enterButton = isNew(card.outcome) ? button("", "e", enter) : null;
  return h("div", { class: "decide-row" }, state.agreeButton, button(card.outcome === "known" ? "It is not" : "Otherwise…", "←", otherwise), button("Later", "↓", later), state.enterButton);
}

function label() {
  if (!state.agreeButton) return;
  const { outcome } = state.case.row;
  const isOwn = isNew(outcome);
  const words = isOwn ? "New record" : state.named && (outcome === "known" || state.picked) ? `${state.looked ? "Yes, it" : "It"} is ${state.named}` : "Choose 1 to 9 first";
  fill(state.agreeButton, state.ready ? words : "Loading…", " ", h("kbd", {}, "→"));
  state.agreeButton.disabled = !state.ready || (!isOwn && !(state.named && (outcome === "known" || state.picked)));
  if (state.enterButton) {
    fill(state.enterButton, state.named ? `${state.looked ? "Yes, it" : "It"} is ${state.named}` : "No record resembles it", " ", h("kbd", {}, "e"));
    state.enterButton.disabled = !state.ready || !state.named;
  }
}

function asForm() {
  return h("form", { class: "decide", onsubmit: (event) => { event.preventDefault(); accept(); } }, state.form.node, h("button", { class: "unseen", tabindex: "-1" }, "Accept"));
}

// Cards that seem to be the same variation: looked at, and ticked where they are.
function likes(one) {
  return h("fieldset", { class: "likes" }, h("legend", {}, "These seem to be the same variation. Tick those that are: they are decided with it."),
    h("ul", { class: "cards" }, one.like.map((card, place) => h("li", {}, h("label", { for: `like-${card}` }, h("img", { src: face(state.id, card), alt: `Card ${card}`, width: 92, height: 160 }), state.like[place], ` ${card}`)))));
}

// Deciding

const about = () => ({ card: state.card, apart: state.like.filter((one) => !one.checked).map((one) => one.value) });

function agree() {
  if (state.rows.get(state.card)?.decided) return step(1);
  if (!state.case || state.agreeButton.disabled) return true;
  if (isNew(state.case.row.outcome)) return accept();
  return isDoubtful() ? lookTwice() : choose(state.named);
}

// A likely answer, which nobody has chosen, is not entered by one key: the first shows the proof of what is least sure
// and asks about it, the second does it.
function isDoubtful() {
  const { row } = state.case;
  return row.outcome === "known" && !state.picked && !state.looked && row.confidence_record < CERTAIN;
}

const QUESTIONS = {
  pose: "Has anything moved?", crop: "Does the picture end at the same places?",
  caption: "Are all the words the same?", mark: "Is the issuer's mark the same?",
};

// What is in the way of a decision, brought on the screen: on a phone the buttons above it stand at the foot.
function warn(words) {
  fill(state.wrong, words);
  state.wrong.scrollIntoView({ block: "nearest" });
}

function lookTwice() {
  const { confidence_record: sure, ...row } = state.case.row;
  const rung = leastSure(row);
  state.looked = true;
  if (state.shown && state.compare.way !== `proof-${rung}`) state.compare.prove(rung);
  warn(h("p", { class: "problem" }, h("b", {}, `Likely, not certain (${sureness(sure)}).`), ` Least sure is the ${rungOf(rung)}. ${QUESTIONS[rung]} Press once more if it is ${state.named}. Nothing is decided yet.`));
  label();
  return true;
}

const shareOf = (row, rung) => row[`confidence_${rung}`] ?? 1;
const leastSure = (row) => Object.keys(QUESTIONS).reduce((least, rung) => (shareOf(row, rung) < shareOf(row, least) ? rung : least));
const rungOf = (name) => RUNGS.find((rung) => rung.name === name).title.toLowerCase();

function enter() {
  if (!state?.case || !state.ready || !state.named || state.case.row.outcome === "known") return false;
  const doubt = !state.picked && !state.looked && against(state.case.candidates.find(({ record_id: id }) => id === state.named));
  if (!doubt) return choose(state.named);
  state.looked = true;
  warn(h("p", { class: "problem" }, doubt));
  label();
  return true;
}

const choose = (record) => decide({ action: "choose", ...about(), record_id: record }, `Card ${state.card} is ${record}`);

function accept() {
  const lacking = state.form.lacking();
  if (lacking) {
    fill(state.wrong, lacking.told);
    lacking.field.focus();
    return true;
  }
  return decide({ action: "accept", ...about(), ...state.form.wish() }, `Card ${state.card} is a new record`);
}

// What the first answer does not offer.
function otherwise() {
  if (!state?.case) return false;
  const { outcome } = state.case.row;
  fill(state.more, h("section", { class: "notice" }, h("p", {}, "What is it, then? Choose a record", h("span", { class: "by-mouse" }, " with ", h("kbd", {}, "1"), "–", h("kbd", {}, "9")), ", correct the outline, or:"),
    isNew(outcome) ? null : [asForm(), h("p", { class: "row" }, h("button", { type: "button", onclick: accept }, "Accept as a new record ", h("kbd", {}, "a")))],
    h("p", { class: "row" }, h("button", { type: "button", class: "second", onclick: reject }, "Reject: nothing to keep ", h("kbd", {}, "r")))));
  state.more.scrollIntoView({ block: "nearest" });
  return true;
}

const reject = () => (state?.case ? decide({ action: "reject", ...about() }, `Card ${state.card} was rejected`) : false);

function later() {
  if (!state) return false;
  if (!state.case) return step(1);
  const { card } = state;
  const { row, etag } = state.case;
  if (row.outcome !== "unreadable") ask(`/v1/lots/${state.id}/review`, { method: "POST", json: { action: "skip", card }, headers: { "Idempotency-Key": newKey(), "If-Match": etag } }).catch(() => {});
  return step(1);
}

async function decide(wish, words) {
  if (state.busy) return true;
  state.busy = true;
  const { id, card, case: { etag }, form } = state;
  fill(state.wrong);
  try {
    const { data } = await ask(`/v1/lots/${id}/review`, { method: "POST", json: wish, headers: { "Idempotency-Key": newKey(), "If-Match": etag } });
    form.forget();
    if (!state) return true;
    state.made += 1;
    const settled = [card, ...state.like.filter((one) => one.checked).map((one) => one.value)];
    for (const one of settled) if (state.rows.has(one)) state.rows.get(one).decided ??= wish.action === "reject" ? "rejected" : "seen";
    next(card);
    toast(`${words}.`, () => takeBack(card, settled, data.decisions));
    refreshed();
  } catch (error) {
    if (!state) throw error;
    const again = ["changed_since", "already_decided"].includes(error.code) && (() => anew(card));
    warn(problem(error, again, "Show it as it is now"));
  } finally {
    if (state) state.busy = false;
  }
  return true;
}

async function anew(card) {
  state.cases.delete(card);
  await refreshed();
  open(card);
}

async function takeBack(card, settled, decisions) {
  for (const { number, actor } of [...decisions].reverse()) if (actor === "person") await undo(number);
  if (state) {
    for (const one of settled) {
      state.cases.delete(one);
      if (state.rows.has(one)) state.rows.get(one).decided = null;
    }
    state.made = Math.max(0, state.made - 1);
    open(card);
  }
  await refreshed();
  toast(`Card ${card} is open again.`);
}

async function refreshed() {
  const { changed, rowsNow } = state ?? {};
  if (!changed) return;
  await changed();
  if (!state) return;
  for (const row of rowsNow()) if (state.rows.has(row.card)) state.rows.set(row.card, row);
}

// The next that waits, after this place; at the end, the first that still does; else it is done.
function next(card) {
  const { order, rows } = state;
  const at = order.indexOf(card);
  const found = [...order.slice(at + 1), ...order.slice(0, at)].find((one) => !rows.get(one).decided);
  if (found) open(found);
  else {
    frame();
    fill(state.bench, h("p", { class: "all-done" }, h("b", {}, "All of these are decided. "), h("button", { type: "button", onclick: () => state.box.close() }, "Back to the wall")));
    state.card = null;
    state.case = null;
  }
}

function step(by) {
  if (!state) return false;
  const { order, card } = state;
  open(order[(order.indexOf(card) + by + order.length) % order.length]);
  return true;
}

const TAKEN = ["This card is decided already", "In another window, or by somebody else; nothing of yours was entered."];

function problem(error, again = null, words = "Try again") {
  if (!error.title) throw error;
  const told = error.code === "already_decided" ? TAKEN : [error.title, error.todo];
  return h("div", { class: "problem" }, h("p", {}, h("b", {}, `${told[0]}.`), ` ${told[1]}`), again && h("button", { type: "button", class: "second", onclick: again }, words));
}

const on = (run) => () => (state ? run() !== false : false);
compareKeys(() => (state?.shown ? state.compare : null));
keys("Card by card", [
  { key: "ArrowRight", shown: "→", words: "Agree, and next", run: on(agree) },
  { key: "ArrowLeft", shown: "←", words: "It is not: what else", run: on(otherwise) },
  { key: "ArrowDown", shown: "↓", words: "Later: put it off", run: on(later) },
  { key: "ArrowUp", shown: "↑", words: "The one before", run: on(() => step(-1)) },
  { key: "a", words: "Accept as a new record", run: on(() => state.case && accept()) },
  { key: "e", words: "It is the record shown", run: on(enter) },
  { key: "r", words: "Reject", run: on(reject) },
]);
