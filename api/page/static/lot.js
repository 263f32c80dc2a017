// Lots: scans sent together, worked on while nobody waits; how far it is, what was found, what waits, the tables.

import { byId, fill, h, say } from "./dom.js";
import { cards } from "./lotcards.js";
import { queue } from "./lotqueue.js";
import { ask, formOf, get, newKey, Problem, upload } from "./service.js";

const MOST = Number(document.querySelector("meta[name=most-bytes]").content);
const EVERY_MS = 2000;
const keyOf = new WeakMap(); // one a scan: what was lost on the way and is sent again is taken once
let files = [];
let watching = 0;

// Sending: one scan at a time, so that a cut network costs one

byId("choose").addEventListener("click", () => byId("files").click());
byId("files").addEventListener("change", (event) => take([...event.target.files]));
document.addEventListener("dragover", (event) => event.preventDefault());
document.addEventListener("drop", (event) => {
  event.preventDefault();
  take([...event.dataTransfer.files]);
});

function take(more) {
  files = [...files, ...more];
  byId("start").disabled = !files.length;
  fill(byId("chosen"), files.length ? `${files.length} scan${files.length === 1 ? "" : "s"} chosen` : "");
}

byId("send").addEventListener("submit", async (event) => {
  event.preventDefault();
  fill(byId("wrong"));
  const large = files.find((file) => file.size > MOST);
  if (large) return void wrong(new Problem("", `${large.name} has ${Math.round(large.size / 1e6)} MB, the limit is ${MOST / 1e6} MB`, "Scan at 300 to 600 dpi, or save it as a JPEG. Nothing was sent."));
  const query = new URLSearchParams({ name: byId("name").value.trim() || files[0].name, sides: byId("sides").value });
  await send(`/v1/lots?${query}`, files);
  return undefined;
});

async function send(start, scans, made = null) {
  byId("start").disabled = true;
  let lot = made;
  for (const [place, scan] of scans.entries()) {
    if (!keyOf.has(scan)) keyOf.set(scan, newKey());
    const key = keyOf.get(scan);
    try {
      fill(byId("chosen"), `Sending ${place + 1} of ${scans.length}: ${scan.name}`);
      lot = await upload(lot ? `/v1/lots/${lot.lot_id}/photos` : start, formOf([scan]), { headers: { "Idempotency-Key": key } });
      if (place === 0) show(lot.lot_id);
    } catch (error) {
      return void wrong(error, () => send(start, scans.slice(place), lot), `Send the remaining ${scans.length - place}`, "unsent");
    }
  }
  files = [];
  fill(byId("chosen"), "All sent. This page may be closed; the work goes on.");
  say("All scans are sent");
  return undefined;
}

// A folder on the service's own machine, where it was started with one

async function folders() {
  const { items } = await get("/v1/scans");
  byId("from-folder").hidden = !items.length;
  byId("no-folder").hidden = items.length > 0;
  fill(byId("folder"), items.map(({ folder, pictures }) =>
    h("option", { value: folder }, `${folder === "." ? "the folder itself" : folder}, ${pictures} picture${pictures === 1 ? "" : "s"}`)));
}

byId("take-folder").addEventListener("click", takeFolder);

async function takeFolder() {
  const button = byId("take-folder");
  const json = { folder: byId("folder").value, name: byId("name").value.trim(), sides: byId("sides").value };
  button.disabled = true;
  fill(byId("chosen"), "Looking through the folder");
  try {
    const { data: lot } = await ask("/v1/lots/folder", { method: "POST", json });
    fill(byId("chosen"), "This page may be closed; the work goes on.");
    await show(lot.lot_id);
  } catch (error) {
    fill(byId("chosen"));
    wrong(error, takeFolder);
  } finally {
    button.disabled = false;
  }
}

// Lots, and one of them

async function list() {
  const { items } = await get("/v1/lots?limit=100");
  fill(byId("lots"), items.length ? items.map((lot) => h("li", {},
    h("a", { href: `#${lot.lot_id}` }, `${lot.lot_id} ${lot.name}`), h("span", { class: "small" }, ` ${far(lot)}, ${lot.who}`)))
    : h("li", { class: "empty" }, "None yet."));
}

function far({ items: { queued, done, failed }, state, compared }) {
  const parts = [`${done} of ${queued + done + failed} pages done`];
  if (failed) parts.push(`${failed} failed`);
  if (state === "cancelled") parts.push("ended");
  else if (!queued && !compared) parts.push("its cards are being compared with each other");
  return parts.join(", ");
}

const isDone = (lot) => lot.state === "cancelled" || (!lot.items.queued && (lot.compared || !lot.items.done));

async function show(id) {
  if (location.hash.slice(1) !== id) history.replaceState(null, "", `#${id}`);
  clearTimeout(watching);
  fill(byId("wrong"), unsent());
  try {
    const lot = await get(`/v1/lots/${id}`);
    const box = { state: h("p", {}), bar: h("progress", { "aria-label": "Pages done" }), rest: h("div") };
    fill(byId("lot"), h("h2", { tabindex: "-1" }, `${lot.lot_id} ${lot.name}`), box.bar, box.state, box.rest);
    await watch(lot, box);
  } catch (error) {
    wrong(error, () => show(id));
  }
}

async function watch(lot, box) {
  const { queued, done, failed } = lot.items;
  box.bar.max = queued + done + failed || 1;
  box.bar.value = done + failed;
  fill(box.state, `${far(lot)}. `, lot.state === "open" && queued && lot.served ? h("button", { type: "button", class: "plain", onclick: () => post(lot, "cancel") }, "End it here") : "",
    failed ? h("button", { type: "button", class: "plain", onclick: () => post(lot, "retry") }, "Try the failed ones again") : "");
  if (isDone(lot) || !lot.served) {
    fill(box.rest, downloads(lot), await failures(lot), await queue(lot, () => show(lot.lot_id)), await cards(lot));
    say(`${lot.name}: ${far(lot)}`);
    await list();
    return;
  }
  watching = setTimeout(async () => {
    try {
      await watch(await get(`/v1/lots/${lot.lot_id}`), box);
    } catch (error) {
      wrong(error, () => show(lot.lot_id));
    }
  }, EVERY_MS);
}

async function post(lot, what) {
  try {
    await ask(`/v1/lots/${lot.lot_id}/${what}`, { method: "POST" });
    await show(lot.lot_id);
  } catch (error) {
    wrong(error);
  }
}

function downloads(lot) {
  const names = [["results.xlsx", "Spreadsheet"], ["results.csv", "CSV"], ["results.jsonl", "JSON Lines"]];
  return h("p", { class: "row on-screen" }, "Its results: ", names.map(([name, words]) => h("a", { href: `/v1/lots/${lot.lot_id}/${name}`, download: "" }, words)),
    h("button", { type: "button", class: "plain", onclick: () => print() }, "Print the contact sheet"));
}

async function failures(lot) {
  if (!lot.items.failed) return null;
  const { items } = await get(`/v1/lots/${lot.lot_id}/items?state=failed&limit=500`);
  return h("ul", { class: "problem" }, items.map((item) => h("li", {}, `${item.name}${item.pages > 1 ? `, page ${item.page}` : ""}: ${(item.message || item.code).replace(`${item.name}: `, "")}`)));
}

// What could not be sent stays told, with its button, whatever else goes wrong meanwhile.
function wrong(error, again, words = "Try again", kind = "") {
  if (!error.title) throw error;
  const told = h("div", { class: `problem ${kind}` }, h("p", {}, h("b", {}, `${error.title}.`), ` ${error.todo}`),
    again && h("button", { type: "button", class: "second", onclick: () => { told.remove(); again(); } }, words));
  fill(byId("wrong"), kind ? null : unsent(), told);
}

const unsent = () => byId("wrong").querySelector(".unsent");

addEventListener("hashchange", () => location.hash && show(location.hash.slice(1)));
try {
  await folders();
  await list();
  if (location.hash) await show(location.hash.slice(1));
} catch (error) {
  wrong(error, () => location.reload());
}
