// One lot: a wall of its cards that fills while it is worked on, filtered by what is to be done; the way into the
// full-screen mode and to the wall of pairs.

import { fill, h } from "./dom.js";
import { keys } from "./keys.js";
import { openMode, placeOf } from "./lotmode.js";
import { ask, get, PLAIN } from "./service.js";
import { toast } from "./toast.js";
import { CERTAIN, NEW, TITLES } from "./words.js";

const EVERY_MS = 1500;
const FAILED = "failed"; // scans and no cards: shown by their names
const state = { id: "", tiles: new Map(), rows: [], failures: [] };

const FILTERS = [
  ["decide", "To decide", (row) => waits(row) && row.outcome !== "known"],
  ["new", "New", (row) => NEW.includes(row.outcome)],
  ["known", "Known", (row) => row.outcome === "known"],
  ["unconfirmed", "Known, to confirm", (row) => waits(row) && row.outcome === "known"],
  ["damaged", "Damaged", (row) => row.outcome === "unreadable" || row.glare > 0.1],
  ["decided", "Decided", (row) => Boolean(row.decided)],
  ["all", "All", () => true],
];

export const waits = (row) => row.side !== "back" && !row.decided && row.outcome !== "unreadable" && !repeats(row);
const repeats = (row) => Boolean(row.same_scan) && row.same_scan.split(" ").some((other) => first(other) < first(row.card));
const first = (card) => Number(card.split(".")[0]);

export const face = (lot, card) => `/v1/lots/${lot}/cards/${card}/face`;

export async function showLot(box, id) {
  clearTimeout(state.watching);
  Object.assign(state, { id, box, tiles: new Map(), rows: [], failures: [], filter: null, sitter: "", began: null, built: false });
  fill(box);
  if (id) await update();
}

function build() {
  const { lot } = state;
  Object.assign(state, {
    built: true, progress: h("progress", { "aria-label": "Scans done" }), far: h("p", { class: "small", role: "status" }), filters: h("div", { class: "filters", role: "group", "aria-label": "Which cards" }),
    wall: h("ol", { class: "wall bare" }), failed: h("div"), work: h("div", { class: "row lot-work" }), links: h("p", { class: "row small on-screen" }),
  });
  fill(state.box, h("header", { class: "lot-head" }, h("p", { class: "trail" }, h("a", { href: "#" }, "Lots")), h("h1", { tabindex: "-1" }, `${lot.lot_id} `, h("span", { class: "h1-words" }, lot.name)), state.work),
    h("div", { class: "lot-far" }, state.progress, state.far), state.failed, state.filters, state.wall, state.links);
  const names = [["results.xlsx", "Spreadsheet"], ["results.csv", "CSV"], ["results.jsonl", "JSON Lines"]];
  fill(state.links, "Results: ", names.map(([name, words]) => h("a", { href: `/v1/lots/${lot.lot_id}/${name}`, download: "" }, words)),
    h("button", { type: "button", class: "plain", onclick: () => print() }, "Print the contact sheet"), h("button", { type: "button", class: "plain", onclick: removal }, "Remove this lot"));
}

// The lot, its rows, and again for as long as it is worked on.
export async function update() {
  const { id } = state;
  if (!id) return;
  clearTimeout(state.watching);
  const lot = await get(`/v1/lots/${id}`);
  const rows = await allRows(id);
  if (state.id !== id) return;
  state.lot = lot;
  state.rows = rows;
  if (!state.built) build(); // also after a network that was away when the lot was opened
  far();
  chooseFilter();
  filters();
  wall();
  work();
  if (lot.items.failed) await failures();
  resume();
  if (!isDone(lot) && lot.served) {
    again();
  }
}

// A network that is away for a while is told, and asked again: the work goes on without it.
function again() {
  const { id } = state;
  state.watching = setTimeout(() => update().catch((error) => {
    if (!error.title) throw error;
    if (state.id !== id) return;
    fill(state.far, `${error.title}. Asking again.`);
    again();
  }), EVERY_MS);
}

async function allRows(id) {
  const items = [];
  for (;;) {
    const page = await get(`/v1/lots/${id}/cards?limit=500&offset=${items.length}`);
    items.push(...page.items);
    if (!page.items.length || items.length >= page.total) return items;
  }
}

// What became of a lot's scans so far; one that failed is not done. The list of lots says the same.
export const doneTold = ({ items: { done, failed } }) => `${done} done${failed ? `, ${failed} failed` : ""}`;

const isDone = (lot) => lot.state === "cancelled" || (!lot.items.queued && (lot.compared || !lot.items.done));

function far() {
  const { lot } = state;
  const { queued, done, failed } = lot.items;
  const all = queued + done + failed;
  state.progress.max = all || 1;
  state.progress.value = done + failed;
  state.progress.hidden = isDone(lot);
  state.began ??= { at: Date.now(), done: done + failed };
  const made = done + failed - state.began.done;
  const left = made ? ((Date.now() - state.began.at) / made) * queued : 0;
  const time = !queued || !left ? "" : left < 50_000 ? ", less than a minute left" : `, about ${Math.ceil(left / 60_000)} minute${left > 60_000 ? "s" : ""} left`;
  const stop = lot.state === "open" && queued && lot.served ? h("button", { type: "button", class: "bar", onclick: () => post("cancel") }, "Stop here") : null;
  const words = lot.state === "cancelled" ? `Stopped after ${done + failed} of ${all} scans.` : queued ? `${done + failed} of ${all} scans${time}.`
    : `${all} scan${all === 1 ? "" : "s"}${failed ? `: ${doneTold(lot)}` : " done"}.${!lot.compared && done ? " Their cards are being compared with each other; you can begin." : ""}`;
  fill(state.far, words, " ", stop, failed ? h("button", { type: "button", class: "bar", onclick: () => post("retry") }, `Try the ${failed} failed again`) : null);
}

async function post(what) {
  try {
    await ask(`/v1/lots/${state.id}/${what}`, { method: "POST" });
    state.began = null;
    await update();
  } catch (error) {
    toast(`${error.title}. ${error.todo}`, null, { wrong: true });
  }
}

// Filters: what is to be decided, if there is any, comes first

function chooseFilter() {
  if (state.filter) return;
  if (isDone(state.lot)) state.filter = state.rows.some(FILTERS[0][2]) ? "decide" : "all";
}

const shown = () => {
  if (state.filter === FAILED) return [];
  const [, , fits] = FILTERS.find(([name]) => name === (state.filter ?? "all"));
  return state.rows.filter((row) => fits(row) && (!state.sitter || sitterOf(row) === state.sitter));
};

const sitterOf = (row) => row.subject ?? row.closest_subject ?? "";

function filters() {
  const button = ([name, words, fits]) => {
    const count = name === FAILED ? state.lot.items.failed : state.rows.filter(fits).length;
    return count || name === "all" || name === "decide" ? h("button", { type: "button", class: "bar", "aria-pressed": String(name === (state.filter ?? "all")), onclick: () => { state.filter = name; filters(); wall(); work(); } }, `${words} `, h("b", {}, count)) : null;
  };
  const sitters = [...new Set(state.rows.map(sitterOf).filter(Boolean))].sort();
  const select = h("select", { "aria-label": "Only this sitter", onchange: () => { state.sitter = select.value; wall(); work(); } }, h("option", { value: "" }, "every sitter"), sitters.map((name) => h("option", { value: name, selected: name === state.sitter }, name)));
  fill(state.filters, [...FILTERS, [FAILED, "Failed"]].map(button), sitters.length > 1 ? select : null);
}

// The wall: tiles stay where they are, and change when what they show does

function wall() {
  if (state.filter === FAILED) return void fill(state.wall, state.failures.map((item) => h("li", { class: "wall-failed" }, h("b", {}, item.name), h("span", { class: "small" }, why(item)))));
  const rows = shown();
  for (const row of rows) {
    const told = JSON.stringify(row);
    const held = state.tiles.get(row.card);
    if (held?.told !== told) {
      const made = tile(row, held?.node.querySelector("img"));
      state.tiles.set(row.card, { told, node: made });
    }
  }
  const nodes = rows.map((row) => state.tiles.get(row.card).node);
  const now = [...state.wall.children];
  if (now.length !== nodes.length || now.some((node, place) => node !== nodes[place])) fill(state.wall, nodes.length ? nodes : h("li", { class: "empty" }, state.rows.length ? "No card is left here." : isDone(state.lot) ? "No card was found." : "The first cards appear here in a moment."));
}

function tile(row, image) {
  const picture = image ?? h("img", { src: face(state.id, row.card), alt: `Card ${row.card}`, width: 110, height: 191, loading: "lazy", decoding: "async" });
  const outcome = row.side === "back" ? "back" : TITLES[row.outcome] ?? "not told";
  return h("li", {}, h("button", { type: "button", class: `wall-card ${row.decided ? "decided" : ""}`, "data-outcome": row.outcome ?? "", "data-card": row.card, disabled: row.side === "back", onclick: () => mode(row.card) },
    picture, h("span", { class: "wall-words" }, h("b", {}, row.decided ? DECIDED[row.decided] ?? row.decided : outcome), row.tag && ` ${row.tag}`),
    h("span", { class: "small" }, row.caption ?? (row.closest ? `nearest: ${row.closest}` : ""), " "), h("span", { class: "small" }, `${row.card} ${row.file ?? ""}`), notes(row)));
}

const DECIDED = { accepted: "New record", merged: "Entered", seen: "Seen", rejected: "Rejected" };

function notes(row) {
  const told = [row.same_scan && `same scan as ${row.same_scan}`, row.same_card && `the same card as ${row.same_card}`, row.like && `like ${row.like}`].filter(Boolean);
  return told.length ? h("span", { class: "small" }, told.join("; ")) : null;
}

function work() {
  const cards = shown().filter(waits);
  const [known, sure] = [toConfirm(), certain()];
  fill(state.work,
    cards.length ? h("button", { type: "button", onclick: () => mode() }, `Work through ${cards.length} card${cards.length === 1 ? "" : "s"} `, h("kbd", {}, "Enter")) : null,
    sure.length ? h("button", { type: "button", class: "second", onclick: pairs }, `Confirm ${sure.length}${sure.length < known.length ? ` of ${known.length}` : ""} known…`) : null);
}

function mode(card = null) {
  const rows = shown().filter((row) => row.side !== "back");
  if (!rows.length) return false;
  openMode({ id: state.id, rows, at: card ?? rows.find(waits)?.card ?? rows[0].card, changed: update, rowsNow: () => state.rows });
  return true;
}

// Loaded again, or come back to, the page stands where it stood.
function resume() {
  if (state.resumed === state.id) return;
  state.resumed = state.id;
  const card = placeOf(state.id);
  if (!card || !state.rows.some((row) => row.card === card)) return;
  if (!shown().some((row) => row.card === card)) {
    state.filter = "all";
    filters();
    wall();
    work();
  }
  mode(card);
}

async function pairs() {
  const { openPairs } = await import("./lotpairs.js").catch(() => ({})); // a part of its own: fetched when it is wanted
  if (!openPairs) return void toast("The service does not answer. See whether it is running, then load this page again: nothing is lost.", null, { wrong: true });
  openPairs({ id: state.id, rows: certain(), known: toConfirm().length, changed: update, rowsNow: () => state.rows });
}

// Known cards for the wall of pairs: those that card by card are entered by one key too. The least sure come first.
const toConfirm = () => state.rows.filter(FILTERS.find(([name]) => name === "unconfirmed")[2]);
const certain = () => toConfirm().filter((row) => row.confidence_record >= CERTAIN).sort((a, b) => a.confidence_record - b.confidence_record);

async function failures() {
  const { id } = state;
  const { items } = await get(`/v1/lots/${id}/items?state=failed&limit=500`);
  if (state.id !== id) return;
  state.failures = items;
  fill(state.failed, h("details", { class: "problem", open: items.length < 6 }, h("summary", {}, `${items.length} scan${items.length === 1 ? "" : "s"} failed`), h("ul", {}, items.map((item) => h("li", {}, h("b", {}, item.name), `: ${why(item)}`)))));
  if (state.filter === FAILED) wall();
}

const why = (item) => `${item.pages > 1 ? `page ${item.page}: ` : ""}${(PLAIN[item.code] || item.message || item.code).replace(`${item.name}: `, "")}`;

// Removing asks once: what was sent goes, what was decided stays.
function removal() {
  const box = h("dialog", { "aria-labelledby": "removing" }, h("h2", { id: "removing" }, `Remove ${state.id}?`), h("p", {}, "The copies of its scans that were sent here, and its results, are deleted. What was decided on it stays in the catalogue and the log; your own files are not touched."),
    h("p", { class: "row" }, h("button", { type: "button", onclick: async () => {
      box.close();
      try {
        await ask(`/v1/lots/${state.id}`, { method: "DELETE" });
        toast(`${state.id} was removed.`);
        location.hash = "";
      } catch (error) {
        toast(`${error.title}. ${error.todo}`, null, { wrong: true });
      }
    } }, "Remove it"), h("button", { type: "button", class: "second", onclick: () => box.close() }, "Keep it")));
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
}

addEventListener("beforeprint", () => { if (state.id) { state.filter = "all"; filters(); wall(); } });
keys("Lot", [{ key: "Enter", words: "Work through the cards shown", run: () => (state.id && !document.querySelector("dialog[open]") ? mode() : false) }]);
