// What waits for a person in a lot: one case a time, the one that settles most first, with its like to be ticked by eye.

import { OUTCOMES } from "./answer.js";
import { beside } from "./beside.js";
import { CardCompare } from "./compare.js";
import { fill, h, say } from "./dom.js";
import { draft } from "./draft.js";
import { keys } from "./keys.js";
import { face } from "./lotcards.js";
import { ask, newKey } from "./service.js";

const FIELDS = [["subject", "Who is shown"], ["pose", "Negative"], ["crop", "Crop"], ["caption", "The card's words"], ["club", "Club"], ["issuer", "Issuer"], ["year", "Year"]];
const NEW = ["new_crop", "new_caption", "new_pose"];
const SURE = 0.9;
const state = {};

// The lot's waiting decisions as an element; changed: called after each.
export async function queue(lot, changed) {
  const { data, etag } = await ask(`/v1/lots/${lot.lot_id}/review/queue?limit=50`);
  const box = h("section", { class: "lot-queue" });
  Object.assign(state, { lot, cases: data.items, etag, changed, box, at: 0 });
  fill(box, h("h2", {}, data.total ? `${data.total} decision${data.total === 1 ? "" : "s"} wait` : "No decision waits"),
    data.known ? h("p", {}, `${data.known} cards are in your catalogue. `, h("button", { type: "button", class: "second", onclick: () => decide({ action: "confirm", above: SURE }, etag) },
      `Note those with over ${100 * SURE} % as seen`)) : null,
    h("div", { class: "case" }), h("p", { class: "row" }, h("button", { type: "button", class: "plain", onclick: takeBack }, "Undo the last decision on this lot")), h("div", { role: "alert", class: "case-wrong" }));
  if (data.items.length) draw();
  return box;
}

const current = () => state.cases?.[state.at];

function draw() {
  const one = current();
  const { row } = one;
  state.draft = draft(`${state.lot.lot_id}-${one.card}`);
  const typed = state.draft.read() ?? {};
  const keep = () => state.draft.keep(said());
  state.fields = Object.fromEntries(FIELDS.map(([name, words]) => [name, h("input", {
    id: `lot-${name}`, maxlength: 200, autocomplete: "off", value: typed[name] ?? suggested(one, name), "aria-label": words, oninput: keep,
  })]));
  state.like = one.like.map((card) => h("input", { type: "checkbox", value: card, id: `like-${card}` }));
  state.compare = document.createElement("card-compare");
  const [title, detail] = OUTCOMES[row.outcome];
  const told = h("div", {}, h("p", { class: "outcome" }, h("b", {}, title), " ", detail({ ...row, record_id: row.tag })),
    row.reasons && h("ul", { class: "reasons" }, row.reasons.split("; ").map((words) => h("li", {}, words))));
  fill(state.box.querySelector(".case"),
    h("h3", {}, `Card ${one.card} (${state.at + 1} of ${state.cases.length})`, one.skipped ? ", put off" : ""),
    beside(told, deciding(one), buttons(one), state.compare));
  lay(one);
}

const isNew = ({ row }) => NEW.includes(row.outcome);

function deciding(one) {
  return h("div", {}, one.like.length ? likes(one) : null,
    isNew(one) && h("div", { class: "columns" }, FIELDS.map(([name, words]) => h("div", {}, h("label", { for: `lot-${name}` }, words), state.fields[name]))));
}

function buttons(one) {
  state.choose = button(chooseWords(), choose);
  return [
    h("div", { class: "row decide-row" }, isNew(one) && button("Accept as a new record", accept, ""), button("Reject", reject), state.choose, button("Skip", skip)),
    h("p", { class: "row" }, button("Next", () => step(1), "plain"), button("Back", () => step(-1), "plain")),
  ];
}

const button = (words, run, kind = "second") => h("button", { type: "button", class: kind, onclick: run }, words);
const chosen = () => state.compare?.chosen ?? current()?.candidates[0];
const chooseWords = () => (chosen() ? `It is ${chosen().record_id}` : "No record is like it");

function suggested({ row, candidates }, name) {
  const closest = candidates[0];
  if (["pose", "crop"].includes(name)) return row[name] ?? "";
  if (!closest || row.outcome === "new_pose") return "";
  if (name === "caption") return row.outcome === "new_crop" ? closest.caption : "";
  return ["subject", "club"].includes(name) ? closest.evidence[name] ?? "" : "";
}

// Cards that seem to be the same variation: looked at, and left out where they are not.
function likes(one) {
  return h("fieldset", { class: "likes" }, h("legend", {}, "These seem to be the same variation. Tick those that are: they are decided with it."),
    h("ul", { class: "cards" }, one.like.map((card, place) => h("li", {}, h("label", { for: `like-${card}` },
      h("img", { src: face(state.lot, card), alt: `Card ${card}`, width: 92, height: 160 }), state.like[place], ` ${card}`)))));
}

async function lay(one) {
  fill(state.compare, h("p", { class: "empty" }, "Laying it over what it resembles"));
  try {
    const { data } = await ask(`/v1/lots/${state.lot.lot_id}/cards/${one.card}/comparison`, { method: "POST" });
    if (current() !== one) return;
    state.compare.show(data);
    state.compare.addEventListener("candidate", () => { state.choose.textContent = chooseWords(); });
    state.choose.textContent = chooseWords();
  } catch (error) {
    fill(state.compare, h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
  }
}

const apart = () => state.like.filter((box) => !box.checked).map((box) => box.value);
const about = () => ({ card: current().card, apart: apart() });

const said = () => Object.fromEntries(Object.entries(state.fields).map(([name, field]) => [name, field.value.trim()]));

function accept() {
  const told = Object.entries(said()).filter(([name, value]) => value || name === "caption");
  return decide({ action: "accept", ...about(), ...Object.fromEntries(told) }, current().etag);
}
const choose = () => chosen() && decide({ action: "choose", ...about(), record_id: chosen().record_id }, current().etag);
const reject = () => decide({ action: "reject", ...about() }, current().etag);
const skip = () => decide({ action: "skip", card: current().card }, current().etag);
const takeBack = () => decide({ action: "undo" }, state.etag);

function step(by) {
  if (!state.cases?.length) return;
  state.at = (state.at + by + state.cases.length) % state.cases.length;
  draw();
}

async function decide(wish, etag) {
  if (state.busy) return;
  state.busy = true;
  try {
    await ask(`/v1/lots/${state.lot.lot_id}/review`, { method: "POST", json: wish, headers: { "Idempotency-Key": newKey(), "If-Match": etag } });
    if (wish.card && wish.action !== "skip") state.draft.forget();
    say("Noted");
    await state.changed();
  } catch (error) {
    if (!error.title) throw error;
    const again = ["changed_since", "already_decided"].includes(error.code) && h("button", { type: "button", class: "second", onclick: () => state.changed() }, "Show it as it is now");
    fill(state.box.querySelector(".case-wrong"), h("div", { class: "problem" }, h("p", {}, h("b", {}, `${error.title}.`), ` ${error.todo}`), again));
  } finally {
    state.busy = false;
  }
}

const on = (run) => () => (current() ? (run(), true) : false);
keys("Deciding", [
  { key: "a", words: "Accept as a new record", run: on(() => isNew(current()) && accept()) },
  { key: "e", words: "It is the candidate shown", run: on(choose) },
  { key: "r", words: "Reject", run: on(reject) },
  { key: "s", words: "Skip: put it off", run: on(skip) },
  { key: "n", words: "Next", run: on(() => step(1)) },
  { key: "p", words: "Back", run: on(() => step(-1)) },
  { key: "u", words: "Undo the last decision on this lot", run: on(takeBack) },
]);
CardCompare.keys(() => state.compare);
