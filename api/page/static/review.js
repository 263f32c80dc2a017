// The queue of finds: look, decide, next. What was typed survives a reload; what another window decides is told.

import { answer, OUTCOMES } from "./answer.js";
import { beside } from "./beside.js";
import { CardCompare } from "./compare.js";
import { byId, fill, h, recordAddress, say } from "./dom.js";
import { alike, decideOn, FindForm, likePanel, openFinds, readFind } from "./finding.js";
import { keys } from "./keys.js";
import { ask, undo, whenOthersDecide } from "./service.js";

const DONE = "platekin-decided"; // this window's decisions, for undoing them
const state = { open: [], find: null, form: null, busy: false };
const comparisons = new Map();
const box = byId("find");

async function refresh() {
  state.open = await openFinds();
  byId("count").textContent = state.open.length ? `${state.open.length} to decide` : "";
}

const place = () => state.open.findIndex(({ find_id: id }) => id === state.find?.find_id);

async function open(id) {
  if (!id) return void nothing();
  state.find = await readFind(id);
  history.replaceState(null, "", `#${id}`);
  state.form = new FindForm(state.find);
  draw();
  await lay(state.find);
  const next = state.open[place() + 1];
  if (next) compared(next.find_id).catch(() => {}); // in advance; told when it is looked at
}

function nothing() {
  state.find = null;
  history.replaceState(null, "", location.pathname);
  fill(box, h("p", { class: "empty" }, "No find is waiting. Cards that are new are kept as finds on the page ", h("a", { href: "/" }, "Identify"), "."), undoButton());
}

function draw() {
  const { find, form } = state;
  const at = place();
  const told = find.state === "open" ? `${at + 1} of ${state.open.length}` : find.state;
  state.wrong = h("div", { role: "alert" });
  state.like = h("div");
  state.compare = document.createElement("card-compare");
  state.today = h("div");
  fill(box,
    h("h2", { tabindex: "-1" }, h("a", { href: `/find?id=${find.find_id}` }, find.find_id), h("span", { class: "small" }, ` ${told}, ${find.name}`,
      find.source && `, ${find.source}`, find.seen_on && `, seen ${find.seen_on}`)),
    state.wrong, state.like,
    beside(h("div", {}, answer({ ...find.evidence, ...find, face: find.evidence.face }), state.today),
      find.state === "open" ? h("form", { class: "decide", id: "decide", onsubmit: (event) => { event.preventDefault(); accept(); } }, form.node) : closed(find),
      find.state === "open" ? buttons() : null, state.compare));
}

function buttons() {
  const button = (words, run, kind = "second") => h("button", { type: "button", class: kind, onclick: run }, words);
  state.enterButton = button("It is a known record", enter);
  return [
    h("div", { class: "row decide-row" }, h("button", { form: "decide" }, "Accept as a new record"), button("Reject", reject), state.enterButton,
      button("Skip", () => step(1))),
    h("div", { class: "row" }, button("Back", () => step(-1), "plain"), undoButton()),
  ];
}

function undoButton() {
  const last = decided().at(-1);
  return last && h("button", { type: "button", class: "plain", onclick: takeBack }, `Undo ${last.words}`);
}

function closed(find) {
  return h("div", {}, h("p", {}, `This find is ${find.state}`, find.record_id && [": ", h("a", { href: recordAddress(find.record_id) }, find.record_id)], "."),
    h("p", { class: "row" }, h("button", { type: "button", onclick: () => step(1) }, "Next"), undoButton()));
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

async function lay(find) {
  fill(state.compare, h("p", { class: "empty" }, "Laying it over what it resembles"));
  try {
    const comparison = await compared(find.find_id);
    if (state.find?.find_id !== find.find_id) return;
    state.compare.stage = null;
    state.compare.show(comparison);
    state.compare.addEventListener("candidate", chosenChanged);
    chosenChanged();
    const [now] = comparison.identification.cards;
    if (now && now.outcome !== find.outcome && find.state === "open") {
      const [title, detail] = OUTCOMES[now.outcome];
      fill(state.today, h("p", { class: "notice" }, h("b", {}, "Compared again with today's catalogue: "), title.toLowerCase(), " ", detail(now), "."));
    }
  } catch (error) {
    fill(state.compare, problem(error, () => lay(find)));
  }
}

function chosenChanged() {
  const chosen = state.compare.chosen;
  if (state.enterButton) {
    state.enterButton.textContent = chosen ? `It is ${chosen.record_id}` : "It is a known record";
    state.enterButton.disabled = !chosen;
  }
}

// Deciding

const decided = () => JSON.parse(sessionStorage.getItem(DONE) ?? "[]");

async function settle(wish, words) {
  if (!state.find || state.find.state !== "open" || state.busy) return false;
  state.busy = true;
  const { find, form } = state;
  const likes = alike(find, state.open);
  try {
    const made = await decideOn(find, wish);
    sessionStorage.setItem(DONE, JSON.stringify([...decided(), { number: made.number, find: find.find_id, words: `${words} of ${find.find_id}` }]));
    form.forget();
    say(`${find.find_id}: ${made.outcome}`);
    await after(find, wish, likes);
  } catch (error) {
    await refused(error);
  } finally {
    state.busy = false;
  }
  return true;
}

async function after(find, wish, likes) {
  await refresh();
  comparisons.clear(); // what was just decided may be what the next one resembles
  if (!likes.length) return void (await goOn(find));
  const done = await readFind(find.find_id);
  state.find = done;
  draw();
  const into = done.record_id;
  const words = (n) => (into ? `Enter ${n || "them"} into ${into}` : `Reject ${n || "them"} too`);
  const same = into ? { action: "merge_find", record_id: into } : { action: wish.action };
  fill(state.like, likePanel(likes, words, (chosen) => toLikes(find, chosen, same)));
  await lay(done);
}

async function toLikes(find, chosen, wish) {
  const failed = [];
  for (const one of chosen) {
    try {
      const made = await decideOn(await readFind(one.find_id), wish);
      sessionStorage.setItem(DONE, JSON.stringify([...decided(), { number: made.number, find: one.find_id, words: `the decision on ${one.find_id}` }]));
    } catch (error) {
      failed.push(`${one.find_id}: ${error.title}. ${error.todo}`);
    }
  }
  await refresh();
  await goOn(find);
  if (failed.length) fill(state.wrong ?? byId("wrong"), h("ul", { class: "problem" }, failed.map((words) => h("li", {}, words))));
}

// To the first open find after this one, else to the first of all.
const goOn = (find) => open((state.open.find(({ find_id: id }) => id > find.find_id) ?? state.open[0])?.find_id);

function accept() {
  const lacking = state.find?.state === "open" && state.form.lacking();
  if (!lacking) return settle(state.form?.wish(), "accepting");
  fill(state.wrong, h("p", { class: "problem" }, h("b", {}, `${lacking.words}?`), " Fill it in, then accept it. Nothing was decided."));
  lacking.field.focus();
  return true;
}

const reject = () => settle({ action: "reject", note: state.form?.values().note }, "rejecting");

function enter() {
  const chosen = state.compare?.chosen;
  if (!chosen) return false;
  const { copy, note } = state.form.values();
  return settle({ action: "merge_find", record_id: chosen.record_id, ...(copy && { copy }), note }, "entering");
}

async function step(by) {
  const next = state.open[place() + by] ?? state.open[by > 0 ? 0 : state.open.length - 1];
  await guard(() => (place() < 0 ? goOn(state.find) : open(next?.find_id)));
}

async function takeBack() {
  const last = decided().at(-1);
  if (!last) return;
  try {
    await undo(last.number);
    sessionStorage.setItem(DONE, JSON.stringify(decided().slice(0, -1)));
    await refresh();
    comparisons.clear();
    await open(last.find);
    say(`${last.find} is open again`);
  } catch (error) {
    if (["already_undone", "no_such_decision"].includes(error.code)) sessionStorage.setItem(DONE, JSON.stringify(decided().slice(0, -1)));
    fill(state.wrong ?? byId("wrong"), problem(error));
  }
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
keys("Deciding", [
  { key: "a", words: "Accept as a new record, and next", run: on(accept) },
  { key: "e", words: "It is the candidate shown: enter it there, and next", run: on(enter) },
  { key: "r", words: "Reject, and next", run: on(reject) },
  { key: "s", words: "Skip", run: on(() => step(1)) },
  { key: "p", words: "Back", run: on(() => step(-1)) },
  { key: "u", words: "Undo this window's last decision", run: on(takeBack) },
]);
CardCompare.keys(() => state.compare);
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
