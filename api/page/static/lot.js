// Lots: scans sent together, the list of lots, and the way to the screen of one of them.

import { takeFiles } from "./everywhere.js";
import { byId, fill, h, say } from "./dom.js";
import { wrongWith } from "./files.js";
import { doneTold, showLot } from "./lotscreen.js";
import { ask, formOf, get, newKey, PLAIN, Problem, upload } from "./service.js";

const keyOf = new WeakMap(); // one a scan: what was lost on the way and is sent again is taken once
let files = [];

// Sending: one scan at a time, so that a cut network costs one

byId("choose").addEventListener("click", () => byId("files").click());
byId("files").addEventListener("change", (event) => {
  take([...event.target.files]);
  event.target.value = "";
});
takeFiles((more) => {
  if (location.hash) location.hash = "";
  take(more);
});

async function take(more) {
  fill(byId("wrong"));
  const faults = [];
  for (const file of more) {
    const fault = await wrongWith(file);
    if (fault) faults.push(fault);
    else files.push(file);
  }
  byId("start").disabled = !files.length;
  fill(byId("chosen"), files.length ? `${files.length} scan${files.length === 1 ? "" : "s"} chosen` : "");
  for (const fault of faults) byId("wrong").append(told(fault));
}

byId("send").addEventListener("submit", async (event) => {
  event.preventDefault();
  fill(byId("wrong"));
  const query = new URLSearchParams({ name: byId("lot-name").value.trim() || nameOf(files), sides: byId("sides").value });
  await send(`/v1/lots?${query}`, files);
});

const nameOf = ([one, ...more]) => (more.length ? `${one.name} and ${more.length} more` : one.name);

async function send(start, scans, made = null) {
  byId("start").disabled = true;
  let lot = made;
  for (const [place, scan] of scans.entries()) {
    if (!keyOf.has(scan)) keyOf.set(scan, newKey());
    const key = keyOf.get(scan);
    try {
      fill(byId("sending"), `Sending ${place + 1} of ${scans.length}: ${scan.name}. Keep this page open until all are sent.`);
      lot = await upload(lot ? `/v1/lots/${lot.lot_id}/photos` : start, formOf([scan]), { headers: { "Idempotency-Key": key } });
      if (place === 0) location.hash = lot.lot_id;
    } catch (error) {
      fill(byId("sending"));
      return void wrong(error, () => send(start, scans.slice(place), lot), `Send the remaining ${scans.length - place}`, "unsent");
    }
  }
  files = [];
  fill(byId("sending"), "All sent. This page may be closed; the work goes on.");
  fill(byId("chosen"));
  say("All scans are sent");
  await route();
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

byId("take-folder").addEventListener("click", () => takeFolder());

async function takeFolder(again = false) {
  const button = byId("take-folder");
  const folder = byId("folder").value;
  const json = { folder, name: byId("lot-name").value.trim(), sides: byId("sides").value };
  button.disabled = true;
  try {
    const { items } = await get("/v1/lots?limit=500");
    const before = items.find(({ name }) => name === (json.name || folder.split("/").pop()));
    if (before && !again) {
      fill(byId("wrong"), h("div", { class: "problem" }, h("p", {}, h("b", {}, `${before.lot_id} has this name already`), `, with ${counted(before)}.`),
        h("p", { class: "row" }, h("a", { class: "button", href: `#${before.lot_id}` }, `Open ${before.lot_id}`), h("button", { type: "button", class: "second", onclick: () => takeFolder(true) }, "Take the folder once more"))));
      return;
    }
    const { data: lot } = await ask("/v1/lots/folder", { method: "POST", json });
    location.hash = lot.lot_id;
  } catch (error) {
    wrong(error, () => takeFolder(again));
  } finally {
    button.disabled = false;
  }
}

const counted = ({ items: { queued, done, failed } }) => `${queued + done + failed} scan${queued + done + failed === 1 ? "" : "s"}`;

async function list() {
  const { items } = await get("/v1/lots?limit=100");
  fill(byId("lots"), items.length ? items.map((lot) => h("li", {}, h("a", { href: `#${lot.lot_id}` }, h("b", {}, lot.lot_id), ` ${lot.name}`),
    h("span", { class: "small" }, ` ${counted(lot)}, ${state(lot)}, ${lot.who}`))) : h("li", { class: "empty" }, "No lot yet. Send a box of scans, or a page of an album."));
}

function state(lot) {
  const { items: { queued, done }, state: is, compared } = lot;
  if (is === "cancelled") return `stopped, ${doneTold(lot)}`;
  return queued || compared || !done ? doneTold(lot) : `${doneTold(lot)}, comparing them with each other`;
}

// What could not be sent stays told, with its button, whatever else goes wrong meanwhile.
function wrong(error, again, words = "Try again", kind = "") {
  fill(byId("wrong"), kind ? null : byId("wrong").querySelector(".unsent"), told(error, again, words, kind));
}

function told(error, again, words, kind = "") {
  if (!(error instanceof Problem)) throw error;
  const box = h("div", { class: `problem ${kind}` }, h("p", {}, h("b", {}, `${error.title}.`), ` ${error.todo}`),
    again && h("button", { type: "button", class: "second", onclick: () => { box.remove(); again(); } }, words));
  return box;
}

async function route() {
  const id = location.hash.slice(1);
  byId("start-screen").hidden = Boolean(id);
  fill(byId("wrong"), byId("wrong").querySelector(".unsent"));
  try {
    await showLot(byId("lot"), id);
    if (!id) {
      await folders();
      await list();
    }
  } catch (error) {
    const none = ["no_such_lot", "validation"].includes(error.code); // what is no lot's number at all, too
    if (none) wrong(new Problem("no_such_lot", "There is no such lot", PLAIN.no_such_lot), () => { location.hash = ""; }, "All lots");
    else wrong(error, route);
  }
}

addEventListener("hashchange", route);
route();
