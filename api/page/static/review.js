// The queue of finds as a filmstrip: look, decide, next. A decision names the record on the screen, and is refused
// until that record is shown. What was typed survives; what another window decides is told.

import "./everywhere.js";
import "./compare.js";
import { compareKeys } from "./comparekeys.js";
import { byId, fill, h, recordAddress, say, thumbnail } from "./dom.js";
import { RecordForm } from "./fields.js";
import { alike, cardOf, decideOn, kin, likePanel, openFinds, readFind } from "./finding.js";
import { inset, outlineQuery } from "./inset.js";
import { keys } from "./keys.js";
import { ask, newKey, undo, whenOthersDecide } from "./service.js";
import { toast } from "./toast.js";
import { against, cautionLine, firstShown, inWords, looks, verdict, TITLES } from "./words.js";

const state = { open: [], find: null, form: null, busy: null, shown: null }; // busy: the find that is being decided
const comparisons = new Map();
const AGAIN_MS = 5000;
const bench = byId("bench");

async function refresh() {
  state.open = await openFinds();
  film();
}

// The filmstrip

function film() {
  const groups = [];
  for (const find of state.open) {
    if (groups.at(-1)?.name !== kin(find)) groups.push({ name: kin(find), finds: [] });
    groups.at(-1).finds.push(find);
  }
  document.body.classList.toggle("has-strip", state.open.length > 0);
  fill(byId("film"), state.open.length ? h("p", { class: "film-count" }, h("b", { id: "count" }, `${state.open.length} to decide`)) : null,
    groups.map(({ name, finds }) => h("div", { class: "film-group", title: name }, finds.map(frame))));
  mark();
}

function frame(find) {
  return h("button", { type: "button", class: "film-frame", "data-id": find.find_id, "data-outcome": find.outcome, "aria-label": `${find.find_id}, ${TITLES[find.outcome]}`, onclick: () => guard(() => open(find.find_id)) },
    h("img", { src: thumbnail({ find: find.find_id }), alt: "", width: 32, height: 56, loading: "lazy" }));
}

function mark() {
  for (const one of byId("film").querySelectorAll(".film-frame")) {
    const isOpen = one.dataset.id === state.find?.find_id;
    one.setAttribute("aria-current", String(isOpen));
    if (isOpen) one.scrollIntoView({ block: "nearest", inline: "nearest" });
  }
}

const place = () => state.open.findIndex(({ find_id: id }) => id === state.find?.find_id);

async function open(id) {
  if (!id) return void nothing();
  state.find = await readFind(id);
  history.replaceState(null, "", `#${id}`);
  state.form = new RecordForm(id, cardOf(state.find), state.find.evidence.candidates);
  draw();
  mark();
  await lay(state.find);
  const next = state.open[place() + 1];
  if (next) compared(next.find_id).catch(() => {}); // in advance; told when it is looked at
}

function nothing() {
  state.find = state.compare = null;
  history.replaceState(null, "", location.pathname);
  fill(bench, h("p", { class: "empty all-done" }, "No find is waiting. Cards that are new are kept as finds on the page ", h("a", { href: "/" }, "Identify"), ", or come from a ", h("a", { href: "/lot" }, "lot"), "."));
}

function draw() {
  const { find, form } = state;
  state.busy = null; // what is on the screen may be decided, while its comparison is still awaited
  const isOpen = find.state === "open";
  Object.assign(state, { shown: null, picked: null, wrong: h("div", { role: "alert", class: "wrong" }), like: h("div"), today: h("div"), photoBox: h("div", { class: "inset-box" }), compare: document.createElement("card-compare") });
  const where = [find.name, find.source, find.seen_on && `seen ${find.seen_on}`].filter(Boolean).join(", ");
  state.verdict = h("header", { class: "verdict" }, verdict(cardOf(find)));
  const side = h("aside", { class: "side", "aria-label": "Deciding" }, state.like, state.today,
    isOpen ? h("form", { class: "decide", id: "decide", onsubmit: (event) => { event.preventDefault(); accept(); } }, form.node) : closed(find),
    isOpen ? h("div", { class: "decide-foot" }, state.wrong, buttons()) : state.wrong, isOpen ? cautionLine("Accepting says that this variation was not in your catalogue") : null,
    h("div", { class: "side-parts" }, h("p", { class: "small" }, h("a", { href: `/find?id=${find.find_id}` }, find.find_id), ` ${where}. ${looks(find.evidence.face)}`), state.photoBox));
  side.addEventListener("moving", () => bench.classList.add("stale"));
  fill(bench, state.verdict, state.compare, side);
  bench.classList.remove("stale");
  const best = begins(find);
  state.compare.early({ face: thumbnail({ find: find.find_id }, "whole"), reference: best ? thumbnail({ reference: best.reference }, "whole") : "/static/mark.svg", record: best?.record_id ?? "" });
  state.compare.addEventListener("candidate", () => { state.picked = state.compare.chosen; fill(state.wrong); labelled(); });
  state.compare.addEventListener("gone", () => gone(find));
  labelled();
}

const begins = (find) => find.evidence.candidates[firstShown(cardOf(find))];

function buttons() {
  const button = (words, key, run, kind = "second") => h("button", { type: "button", class: kind, onclick: run }, words, " ", h("kbd", {}, key));
  state.enterButton = button("It is a known record", "e", enter);
  return h("div", { class: "decide-row" }, h("button", { form: "decide" }, "Accept as a new record ", h("kbd", {}, "a")), state.enterButton, button("Reject", "r", reject), button("Later", "s", () => step(1)));
}

function closed(find) {
  return h("div", {}, h("p", {}, `This find is ${find.state}`, find.record_id && [": ", h("a", { href: recordAddress(find.record_id) }, find.record_id)], "."),
    h("p", { class: "row" }, h("button", { type: "button", onclick: () => step(1) }, "Next")));
}

// Comparing with the catalogue as it is now

function compared(id) {
  if (!comparisons.has(id)) {
    const asked = ask(`/v1/finds/${encodeURIComponent(id)}/comparison`, { method: "POST" }).then(({ data }) => data);
    asked.catch(() => comparisons.delete(id));
    comparisons.set(id, asked);
  }
  return comparisons.get(id);
}

// Pictures are kept for an hour and not over a restart: what was asked ahead is asked once more.
function gone(find) {
  if (state.find !== find || Date.now() - (state.askedAgain ?? 0) < AGAIN_MS) return;
  state.askedAgain = Date.now();
  comparisons.clear();
  draw();
  lay(find);
}

async function lay(find) {
  try {
    const comparison = await compared(find.find_id);
    if (state.find?.find_id !== find.find_id) return;
    shownNow(find, comparison);
  } catch (error) {
    fill(state.wrong, problem(error, () => { fill(state.wrong); lay(find); }));
  }
}

function shownNow(find, comparison, quad = null) {
  bench.classList.remove("stale");
  state.shown = comparison;
  // What was named when the find was kept stays what is named, if it still is among the nearest.
  const named = begins(find)?.record_id;
  const { identification: { width, height, cards: [now] }, photo } = comparison;
  const at = now?.candidates.findIndex(({ record_id: id }) => id === named) ?? -1;
  state.compare.show(comparison, 0, at < 0 ? firstShown(now ?? {}) : at);
  if (named && at < 0 && state.compare.chosen) fill(state.verdict, verdict({ ...cardOf(find), candidates: now.candidates })); // it names what is on the screen
  labelled();
  fill(state.photoBox, inset({ photo, width, height, quads: [now?.quad ?? find.quad], chosen: 0, upright: now?.face.by_hand }, find.state === "open" ? { redraw: (drawn) => outlined(find, drawn) } : {}));
  if (!now || find.state !== "open") return;
  if (quad) {
    fill(state.today, h("div", { class: "notice" }, h("p", {}, h("b", {}, "Within this outline: "), inWords(now)),
      h("p", { class: "row" }, h("button", { type: "button", onclick: () => keepOutline(find, quad) }, "Keep this outline"), h("button", { type: "button", class: "second", onclick: () => guard(() => open(find.find_id)) }, "Back to the old one"))));
  } else if (now.outcome !== find.outcome || (named && at < 0)) {
    fill(state.today, h("p", { class: "notice" }, h("b", {}, "Compared again with today's catalogue: "), inWords(now)));
  }
}

async function outlined(find, drawn) {
  try {
    const query = new URLSearchParams(outlineQuery(drawn));
    const { data } = await ask(`/v1/finds/${encodeURIComponent(find.find_id)}/comparison?${query}`, { method: "POST" });
    if (state.find?.find_id === find.find_id) shownNow(find, data, query);
  } catch (error) {
    bench.classList.remove("stale");
    fill(state.wrong, problem(error));
  }
}

async function keepOutline(find, query) {
  try {
    const headers = { "Idempotency-Key": newKey(), "If-Match": find.etag };
    const { data } = await ask(`/v1/finds/${encodeURIComponent(find.find_id)}/outline?${query}`, { method: "POST", headers });
    comparisons.delete(find.find_id);
    state.form.forget();
    await refresh();
    await open(find.find_id);
    toast(`${find.find_id} has its new outline.`, async () => { await undo(data.number); comparisons.delete(find.find_id); await refresh(); await open(find.find_id); toast(`${find.find_id} has its old outline again.`); });
  } catch (error) {
    fill(state.wrong, problem(error));
  }
}

// What the buttons name is what is shown: nothing can be entered before its picture is there.
function labelled() {
  const chosen = state.shown && state.compare.chosen;
  if (chosen) state.form.compared(state.compare.laid, chosen.record_id, state.compare.hasBothCaptions);
  if (!state.enterButton || state.find.state !== "open") return;
  fill(state.enterButton, chosen ? `It is ${chosen.record_id} ` : state.shown ? "No record resembles it " : "Comparing… ", h("kbd", {}, "e"));
  state.enterButton.disabled = true;
  if (chosen) onceSeen(state.enterButton, chosen);
}

async function onceSeen(button, chosen) {
  await state.compare.painted();
  if (button === state.enterButton && chosen === state.compare.chosen) button.disabled = false;
}

// Deciding

async function settle(wish) {
  if (!state.find || state.find.state !== "open" || state.busy) return false;
  const { find, form } = state;
  state.busy = find;
  const likes = alike(find, state.open);
  fill(state.wrong);
  try {
    const made = await decideOn(find, wish);
    form.forget();
    say(`${find.find_id}: ${made.outcome}`);
    toast(`${find.find_id}: ${words(made)}.`, () => takeBack(find.find_id, made.number));
    await after(find, wish, likes);
  } catch (error) {
    await refused(error);
  } finally {
    if (state.busy === find) state.busy = null;
  }
  return true;
}

const words = ({ outcome }) => outcome.replace(/^accepted: (\S+), reference \d+/, "$1 was added to the catalogue").replace(/^merged: (\S+), reference (\d+)/, "entered as reference $2 of $1");

async function after(find, wish, likes) {
  await refresh();
  comparisons.clear(); // what was just decided may be what the next one resembles
  if (!likes.length) return void (await goOn(find));
  const done = await readFind(find.find_id);
  state.find = done;
  draw();
  const into = done.record_id;
  const told = (n) => (into ? `Enter ${n || "them"} into ${into}` : `Reject ${n || "them"} too`);
  const same = into ? { action: "merge_find", record_id: into } : { action: wish.action };
  fill(state.like, likePanel(likes, told, (chosen) => toLikes(find, chosen, same)));
  await lay(done);
}

async function toLikes(find, chosen, wish) {
  try {
    const made = [];
    for (const one of chosen) made.push(await decideOn(await readFind(one.find_id), wish));
    await refresh();
    await goOn(find);
    toast(`${made.length} more decided the same way.`, async () => {
      for (const { number } of made.reverse()) await undo(number);
      await refresh();
      await open(chosen[0].find_id);
    });
  } catch (error) {
    await refused(error);
  }
}

// To the one that now stands where the last one stood.
async function goOn(find) {
  const next = state.order?.slice(state.order.indexOf(find.find_id) + 1).find((id) => state.open.some((one) => one.find_id === id));
  await open(next ?? state.open[0]?.find_id);
}

function accept() {
  if (state.find?.state !== "open") return false;
  const lacking = state.form.lacking();
  state.order = order();
  if (!lacking) return settle({ action: "accept", ...state.form.wish() });
  fill(state.wrong, lacking.told);
  lacking.field.focus();
  return true;
}

const order = () => [...byId("film").querySelectorAll(".film-frame")].map((one) => one.dataset.id);

function reject() {
  state.order = order();
  return settle({ action: "reject", note: state.form?.values().note });
}

function enter() {
  const chosen = state.shown && state.compare.chosen;
  if (!chosen || state.enterButton?.disabled) return false;
  const doubt = chosen !== state.picked && against(chosen);
  if (doubt) {
    state.picked = chosen; // by the second press
    fill(state.wrong, h("p", { class: "problem" }, doubt));
    fill(state.enterButton, `Yes, it is ${chosen.record_id} `, h("kbd", {}, "e"));
    if (state.enterButton.getBoundingClientRect().bottom > innerHeight - 60) state.wrong.scrollIntoView({ block: "center" }); // on a phone the words push it off the screen
    return true;
  }
  state.order = order();
  const { copy, note } = state.form.values();
  return settle({ action: "merge_find", record_id: chosen.record_id, ...(copy && { copy }), note });
}

async function step(by) {
  const next = state.open[place() + by] ?? state.open[by > 0 ? 0 : state.open.length - 1];
  await guard(() => open(next?.find_id));
}

async function takeBack(id, number) {
  await undo(number);
  await refresh();
  comparisons.clear();
  await open(id);
  toast(`${id} is open again.`);
}

// Another window, another person, or a find that is not what it was: it is read again, and what was typed stays.
async function refused(error) {
  if (["already_decided", "changed_since"].includes(error.code)) {
    const typed = state.form.values();
    await refresh();
    state.find = await readFind(state.find.find_id);
    draw();
    for (const [name, value] of Object.entries(typed)) state.form.fields[name].value = value;
    await lay(state.find);
  }
  fill(state.wrong, problem(error));
}

function problem(error, again) {
  if (!error.title) throw error;
  return h("div", { class: "problem" }, h("p", {}, h("b", {}, `${error.title}.`), ` ${error.todo}`),
    error.faults?.length ? h("ul", {}, error.faults.map(({ name, detail }) => h("li", {}, `${name}: ${detail}`))) : null,
    again && h("button", { type: "button", class: "second", onclick: again }, "Try again"));
}

async function guard(run) {
  try {
    await run();
  } catch (error) {
    fill(byId("wrong"), problem(error, () => { fill(byId("wrong")); guard(run); }));
  }
}

const on = (run) => () => { run(); return true; };
compareKeys(() => (state.shown ? state.compare : null));
keys("Deciding", [
  { key: "a", words: "Accept as a new record, and next", run: on(accept) },
  { key: "e", words: "It is the candidate shown: enter it there, and next", run: on(enter) },
  { key: "r", words: "Reject, and next", run: on(reject) },
  { key: "s", words: "Later: the next one", run: on(() => step(1)) },
  { key: "p", words: "The one before", run: on(() => step(-1)) },
  { key: "u", words: "Undo, while the message offers it", run: () => false },
]);
whenOthersDecide(() => guard(async () => {
  await refresh();
  if (!state.find || state.busy) return;
  const now = await readFind(state.find.find_id);
  if (now.state !== state.find.state) {
    state.find = now;
    draw();
    await lay(now);
    fill(state.wrong, h("p", { class: "problem" }, `Another window has decided: ${now.find_id} is ${now.state}.`));
  }
}));
addEventListener("hashchange", () => location.hash && location.hash.slice(1) !== state.find?.find_id && guard(() => open(location.hash.slice(1))));
guard(async () => {
  await refresh();
  const asked = location.hash.slice(1);
  try {
    await open(asked || state.open[0]?.find_id);
  } catch (error) {
    if (error.code !== "no_such_find") throw error;
    fill(byId("wrong"), problem(error));
    await open(state.open[0]?.find_id);
  }
});
