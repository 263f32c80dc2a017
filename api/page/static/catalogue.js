// The catalogue by surname, club, negative, ..., a screenful at a time; one search for names, clubs and numbers.

import { directly } from "./everywhere.js";
import { byId, fill, h, recordAddress, say, thumbnail } from "./dom.js";
import { get } from "./service.js";
import { trayButton } from "./tray.js";
import { markTold } from "./words.js";

const AT_ONCE = 12;
const SEARCHED = 60;
const WAIT_MS = 200;
const SIZE = "platekin-picture-size";
const GROUPS = [["subject", "Surname"], ["club", "Club"], ["pose", "Negative"], ["issuer", "Issuer"], ["year", "Year"]];
const RARER = [["series", "Series"], ["group", "Group"], ["format", "Format"]]; // offered where some record says it
const SIZES = { s: "S", m: "M", l: "L" };
const list = byId("subjects");
const state = { from: 0, until: 0, total: 0, loading: false, by: "subject", turn: 0 };

// Browsing

async function start(from) {
  Object.assign(state, { from, until: from, total: 0, loading: false, turn: state.turn + 1 });
  fill(list, h("p", { class: "empty" }, "Loading…"));
  fill(byId("letters"));
  byId("earlier").hidden = from === 0;
  await later(true);
}

async function later(fresh = false) {
  if (state.loading || (state.total && state.until >= state.total)) return;
  state.loading = true;
  const { turn } = state;
  const page = await pageOf(state.until, AT_ONCE);
  if (!page || turn !== state.turn) return;
  if (fresh && page.total && state.from >= page.total) return void start(0); // an old address, of a larger catalogue
  state.until += page.items.length;
  if (fresh) fill(list);
  list.append(...page.items.map(section));
  if (!page.total) fill(list, h("p", { class: "empty" }, "Nothing is enrolled yet. platekin enrol brings a table of cards in."));
  state.loading = false;
  byId("end").hidden = state.until < state.total || !state.total;
}

async function earlier() {
  const from = Math.max(0, state.from - AT_ONCE);
  const page = await pageOf(from, state.from - from);
  if (!page) return;
  state.from = from;
  list.prepend(...page.items.map(section));
  byId("earlier").hidden = from === 0;
}

async function pageOf(offset, limit) {
  try {
    const page = await get(`/v1/subjects?${new URLSearchParams({ by: state.by, limit, offset })}`);
    state.total = page.total;
    letters(page.letters);
    return page;
  } catch (error) {
    state.loading = false;
    wrong(error);
    return null;
  }
}

function letters(found) {
  const bar = byId("letters");
  if (bar.children.length) return;
  fill(bar, Object.entries(found).map(([letter, offset]) =>
    h("li", {}, h("a", { href: `?${address(offset)}`, "aria-label": `From ${letter}`, onclick: (event) => jump(event, offset) }, letter))));
}

const address = (from) => new URLSearchParams({ ...(state.by !== "subject" && { by: state.by }), ...(from && { from }) });

async function jump(event, offset) {
  event.preventDefault();
  byId("name").value = "";
  history.replaceState(null, "", `?${address(offset)}`);
  showing(false);
  await start(offset);
  list.querySelector("h2")?.focus();
}

const UNSAID = { club: "No club said", issuer: "No issuer said", year: "No year said", series: "In no series", group: "In no group", format: "No format said" };

function section({ subject: name, also, records, poses }) {
  return h("section", { class: "subject" },
    h("h2", { tabindex: "-1" }, name || UNSAID[state.by], also && `, ${also}`, h("span", { class: "small" }, ` ${state.by === "pose" ? "" : `${counted(poses.length, "negative")}, `}${counted(records, "record")}`)),
    poses.map(pose));
}

function pose({ pose: name, records }) {
  const crops = new Map();
  for (const record of records) crops.set(record.crop, [...(crops.get(record.crop) ?? []), record]);
  return h("div", { class: "pose" }, h("h3", {}, h("a", { href: `/catalogue?${new URLSearchParams({ name })}` }, name)),
    h("div", { class: "crops" }, [...crops].map(([crop, held]) =>
      h("div", { class: "crop" }, h("p", { class: "crop-name" }, `crop ${crop}`), h("ul", { class: "cards" }, held.map((record) => card(record)))))));
}

function card(record, more = false) {
  const said = Object.fromEntries(Object.entries(record.extra).map(([name, value]) => [name.toLowerCase(), value]));
  const marks = ["have", "want", "upgrade"].filter((name) => /^(yes|y|1|x|true)$/i.test(said[name] ?? ""));
  const large = document.body.dataset.size === "l";
  return h("li", {}, h("a", { href: recordAddress(record.record_id) },
    h("img", { src: thumbnail({ record: record.record_id }, large ? "whole" : "small"), alt: "", width: 110, height: 191, loading: "lazy", decoding: "async" }),
    h("b", {}, record.record_id), marks.map((mark) => h("span", { class: `own-mark ${mark}` }, mark)), h("i", { class: "printed" }, record.caption || "no words"), record.club && h("span", { class: "small" }, record.club), markTold(record.mark),
    more && h("span", { class: "small" }, `${record.pose}, crop ${record.crop}`)), trayButton(record.record_id));
}

const counted = (number, word) => `${number} ${word}${number === 1 ? "" : "s"}`;

// What stands together, and how large

function groups() {
  const button = ([by, words]) => h("button", { type: "button", class: "bar", "aria-pressed": String(by === state.by && byId("found").hidden), onclick: () => {
    state.by = by;
    byId("name").value = "";
    history.replaceState(null, "", `?${address(0)}`);
    showing(false);
    groups();
    start(0);
  } }, words);
  fill(byId("by"), h("span", { class: "small" }, "By"), [...GROUPS, ...RARER.filter(([by]) => state.said?.has(by))].map(button));
}

async function rarer() {
  const told = await Promise.all(RARER.map(async ([by]) => [by, (await get(`/v1/subjects?by=${by}&limit=1`)).items[0]?.subject]));
  state.said = new Set(told.filter(([, subject]) => subject).map(([by]) => by));
  groups();
}

function sizes(chosen) {
  document.body.dataset.size = chosen;
  localStorage.setItem(SIZE, chosen);
  fill(byId("sizes"), h("span", { class: "small" }, "Size"), Object.entries(SIZES).map(([size, words]) => h("button", { type: "button", class: "bar", "aria-label": `Pictures ${{ s: "small", m: "of middle size", l: "large" }[size]}`, "aria-pressed": String(size === chosen), onclick: () => {
    sizes(size);
    if (size === "l") for (const image of document.querySelectorAll(".cards img")) image.src = image.src.replace("size=small", "size=whole");
  } }, words)));
}

// Searching

let waiting = 0;

byId("search").addEventListener("submit", (event) => {
  event.preventDefault();
  const [place] = directly(byId("name").value.trim()) ?? [];
  if (place) location.assign(place);
  else search();
});
byId("name").addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(search, WAIT_MS);
});

async function search() {
  clearTimeout(waiting);
  const name = byId("name").value.trim();
  history.replaceState(null, "", name ? `?${new URLSearchParams({ name })}` : `?${address(0)}`);
  if (!name) {
    showing(false);
    groups();
    if (!list.children.length) await start(0);
    return;
  }
  try {
    const { items } = await get(`/v1/search?${new URLSearchParams({ name, limit: SEARCHED })}`);
    if (byId("name").value.trim() !== name) return; // an answer that came too late
    const best = items[0]?.likeness ?? 0;
    const near = items.filter(({ likeness }) => likeness >= Math.max(55, best - 15));
    showing(true);
    groups();
    fill(byId("found"), near.length ? [h("p", { class: "small" }, `${counted(near.length, "record")}${near.length > 1 ? ", the likeliest first" : ""}`), h("ul", { class: "cards" }, near.map(({ record }) => card(record, true)))]
      : h("p", { class: "empty" }, `No name, club or number here is like “${name}”.`));
    say(`${counted(near.length, "record")} found`);
  } catch (error) {
    wrong(error);
  }
}

function showing(found) {
  byId("found").hidden = !found;
  byId("browse").hidden = found;
}

function wrong(error) {
  if (!error.title) throw error;
  fill(byId("wrong"), h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`,
    h("button", { type: "button", class: "second", onclick: () => location.reload() }, "Try again")));
}

byId("earlier").addEventListener("click", earlier);
new IntersectionObserver((seen) => seen.some((one) => one.isIntersecting) && later(), { rootMargin: "900px" }).observe(byId("below"));
const asked = new URLSearchParams(location.search);
const by = asked.get("by");
if ([...GROUPS, ...RARER].some(([name]) => name === by)) state.by = by;
sizes(localStorage.getItem(SIZE) ?? "m");
groups();
if (asked.get("name")) {
  byId("name").value = asked.get("name");
  search();
} else start(Number(asked.get("from")) || 0);
rarer().catch(() => {});
