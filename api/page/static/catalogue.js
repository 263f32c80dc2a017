// The catalogue by subject, negative and crop, a screenful at a time; a search that forgives spelling.

import { byId, fill, h, recordAddress, say, thumbnail } from "./dom.js";
import { get } from "./service.js";

const AT_ONCE = 12;
const SEARCHED = 48;
const WAIT_MS = 200;
const list = byId("subjects");
const state = { from: 0, until: 0, total: 0, loading: false };

// Browsing

async function start(from) {
  Object.assign(state, { from, until: from, loading: false });
  fill(list);
  byId("earlier").hidden = from === 0;
  await later();
}

async function later() {
  if (state.loading || (state.total && state.until >= state.total)) return;
  state.loading = true;
  const page = await page_of(state.until, AT_ONCE);
  if (!page) return;
  state.until += page.items.length;
  list.append(...page.items.map(subject));
  state.loading = false;
  byId("end").hidden = state.until < state.total;
}

async function earlier() {
  const from = Math.max(0, state.from - AT_ONCE);
  const page = await page_of(from, state.from - from);
  if (!page) return;
  state.from = from;
  list.prepend(...page.items.map(subject));
  byId("earlier").hidden = from === 0;
}

async function page_of(offset, limit) {
  try {
    const page = await get(`/v1/subjects?limit=${limit}&offset=${offset}`);
    state.total = page.total;
    letters(page.letters);
    if (!page.total) fill(list, h("p", { class: "empty" }, "Nothing is enrolled yet. platekin enrol brings a table of cards in."));
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
    h("li", {}, h("a", { href: `?from=${offset}`, "aria-label": `Names from ${letter}`, onclick: (event) => jump(event, offset) }, letter))));
}

async function jump(event, offset) {
  event.preventDefault();
  byId("name").value = "";
  history.replaceState(null, "", `?from=${offset}`);
  showing(false);
  await start(offset);
  list.querySelector("h2")?.focus();
}

function subject({ subject: name, records, poses }) {
  return h("section", { class: "subject" },
    h("h2", { tabindex: "-1" }, name, h("span", { class: "small" }, ` ${counted(poses.length, "negative")}, ${counted(records, "record")}`)),
    poses.map(pose));
}

function pose({ pose: name, records }) {
  const crops = new Map();
  for (const record of records) crops.set(record.crop, [...(crops.get(record.crop) ?? []), record]);
  return h("div", { class: "pose" }, h("h3", {}, name),
    h("div", { class: "crops" }, [...crops].map(([crop, held]) =>
      h("div", { class: "crop" }, h("p", { class: "crop-name" }, `crop ${crop}`), h("ul", { class: "cards" }, held.map(card))))));
}

function card(record) {
  return h("li", {}, h("a", { href: recordAddress(record.record_id) },
    h("img", { src: thumbnail({ record: record.record_id }), alt: "", width: 92, height: 160, loading: "lazy", decoding: "async" }),
    h("b", {}, record.record_id), h("span", {}, record.caption || "no words"), record.club && h("span", { class: "small" }, record.club)));
}

const counted = (number, word) => `${number} ${word}${number === 1 ? "" : "s"}`;

// Searching

let waiting = 0;

byId("search").addEventListener("submit", (event) => {
  event.preventDefault();
  search();
});
byId("name").addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(search, WAIT_MS);
});

async function search() {
  clearTimeout(waiting);
  const name = byId("name").value.trim();
  history.replaceState(null, "", name ? `?${new URLSearchParams({ name })}` : location.pathname);
  if (!name) {
    showing(false);
    if (!list.children.length) await start(0);
    return;
  }
  try {
    const { items } = await get(`/v1/search?${new URLSearchParams({ name, limit: SEARCHED })}`);
    if (byId("name").value.trim() !== name) return; // an answer that came too late
    const best = items[0]?.likeness ?? 0;
    const near = items.filter(({ likeness }) => likeness >= Math.max(50, best - 25));
    showing(true);
    fill(byId("found"), near.length ? h("ul", { class: "cards wide-cards" }, near.map(({ record }) => card(record)))
      : h("p", { class: "empty" }, `No name here is like "${name}".`));
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
  fill(byId("wrong"), h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`,
    h("button", { type: "button", class: "second", onclick: () => location.reload() }, "Try again")));
}

byId("earlier").addEventListener("click", earlier);
new IntersectionObserver((seen) => seen.some((one) => one.isIntersecting) && later(), { rootMargin: "900px" }).observe(byId("below"));
const asked = new URLSearchParams(location.search);
if (asked.get("name")) {
  byId("name").value = asked.get("name");
  search();
} else start(Number(asked.get("from")) || 0);
