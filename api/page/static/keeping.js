// What an answer leads to: noted as a copy seen of the record on the screen, or kept as a find for the review.

import { fill, h, recordAddress, say } from "./dom.js";
import { draft } from "./draft.js";
import { formOf, get, newKey, undo, upload } from "./service.js";
import { toast } from "./toast.js";
import { against, cautionLine, isNew } from "./words.js";

const DONE = "platekin-done-";

// What was done with a card of a photograph of this page: {words, short, name, link}, or null.
export const doneWith = (id, card) => JSON.parse(sessionStorage.getItem(`${DONE}${id}-${card}`) ?? "null");

// photo: {id, file, card, tell()}; compare: where the card lies beside the candidate: nothing is decided before both are
// painted. The element has candidate(), called when another one is chosen.
export function keeping(photo, card, compare) {
  if (!photo.file) return null;
  const name = `${photo.id}-${photo.card}`;
  const typed = draft(`keep-${name}`);
  const held = typed.read() ?? {};
  const field = (id, words, more = {}) => h("input", { id, value: held[id] ?? "", autocomplete: "off", "aria-label": words, oninput: () => typed.keep({ source: source.value, seen: seen.value }), ...more });
  const source = field("source", "Where it was seen", { maxlength: 200 });
  const seen = field("seen", "When: day, month or year", { maxlength: 10, placeholder: "1987-05" });
  const told = h("div", { role: "alert" });
  const where = h("details", {}, h("summary", {}, "Where and when it was seen"), h("div", { class: "columns" }, h("div", {}, h("label", { for: "source" }, "Where"), source), h("div", {}, h("label", { for: "seen" }, "When (day, month or year)"), seen)));
  const seeButton = h("button", { type: "button", onclick: () => run("see") });
  const keepButton = h("button", { type: "button", onclick: () => run("find") });
  const isKnown = card.outcome === "known";
  const node = h("section", { class: "keeping" }, h("p", { class: "row" }, isKnown ? [seeButton, keepButton] : [keepButton, seeButton]), told, where, cautionLine());
  const keyOf = { see: newKey(), find: newKey() }; // one for each: a request that was lost is not carried out twice

  function label() {
    const one = compare.chosen;
    const done = doneWith(photo.id, photo.card);
    seeButton.hidden = !one;
    if (done) return void shown(done);
    const own = one && card.record_id === one.record_id;
    seeButton.className = isKnown ? "" : "second";
    keepButton.className = isKnown ? "second" : "";
    fill(seeButton, one ? (own ? `Note ${one.record_id} as seen` : `It is ${one.record_id}: note as seen`) : "", isKnown && [" ", h("kbd", {}, "Enter")]);
    wait();
    fill(keepButton, isNew(card.outcome) ? "Keep as a find" : isKnown ? "It is not: keep as a find" : "Keep for later as a find", !isKnown && [" ", h("kbd", {}, "Enter")]);
  }

  // The words stay while the pictures are on their way, so that nothing moves when they are there.
  async function wait() {
    const turn = (node.turn = (node.turn ?? 0) + 1);
    seeButton.disabled = keepButton.disabled = true;
    await compare.painted();
    if (turn === node.turn && !node.busy) seeButton.disabled = keepButton.disabled = false;
  }

  function shown(done) {
    seeButton.hidden = keepButton.hidden = where.hidden = true; // what is typed now would go nowhere
    fill(told, h("p", { class: "done" }, done.words, " ", h("a", { href: done.link }, done.name), "."));
  }

  async function run(kind) {
    if (node.busy || keepButton.hidden || keepButton.disabled) return;
    const one = compare.chosen;
    const doubt = kind === "see" && one !== node.picked && against(one);
    if (doubt) {
      node.picked = one; // by the second press
      return void fill(told, h("p", { class: "problem" }, doubt));
    }
    node.busy = true;
    seeButton.disabled = keepButton.disabled = true;
    fill(kind === "see" ? seeButton : keepButton, kind === "see" ? "Noting…" : "Keeping…");
    const said = { quad: card.quad.flat().map((value) => value.toFixed(1)).join(",") };
    if (card.face.by_hand) said.upright = "true";
    if (source.value.trim()) said.source = source.value.trim();
    if (seen.value.trim()) said.seen_on = seen.value.trim();
    if (kind === "see") said.record = one.record_id;
    else said.whatever = "true";
    try {
      const path = `${kind === "see" ? "/v1/sightings" : "/v1/finds"}?${new URLSearchParams(said)}`;
      const made = await upload(path, formOf([photo.file]), { headers: { "Idempotency-Key": keyOf[kind] } });
      const done = kind === "see" ? seenOf(made, one) : foundOf(made);
      fill(told);
      typed.forget();
      sessionStorage.setItem(DONE + name, JSON.stringify(done));
      shown(done);
      photo.tell();
      say(`${done.words} ${done.name}`);
      const number = made.decision?.number ?? (kind === "find" && (await proposedAs(made)));
      toast(`${photo.name}: ${done.words.charAt(0).toLowerCase()}${done.words.slice(1)} ${done.name}.`, number ? async () => {
        await undo(number);
        keyOf[kind] = newKey();
        sessionStorage.removeItem(DONE + name);
        fill(told);
        seeButton.hidden = keepButton.hidden = where.hidden = false;
        label();
        photo.tell();
        toast(`${done.name}: taken back.`);
      } : null);
    } catch (error) {
      if (!error.title) throw error;
      fill(told, h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
    } finally {
      node.busy = false;
      label();
    }
  }

  node.candidate = () => {
    node.picked = compare.chosen;
    fill(told);
    label();
  };
  node.go = () => { run(isKnown ? "see" : "find"); return true; };
  label();
  return node;
}

function seenOf({ decision }, one) {
  const words = decision ? "Noted: a copy was seen of" : "This photograph was noted before, as a copy of";
  return { words, short: "noted", name: one.record_id, link: recordAddress(one.record_id) };
}

const FRESH_MS = 60_000; // older: the find was there before, and is not this page's to take back

async function proposedAs({ items: [one] }) {
  if (Date.now() - new Date(one.proposed_at) > FRESH_MS) return null;
  const { items } = await get(`/v1/decisions?${new URLSearchParams({ about: one.find_id, action: "propose" })}`);
  return items.find(({ standing }) => standing)?.number ?? null;
}

function foundOf({ items }) {
  const [{ find_id: id, state }] = items;
  return { short: "kept", words: state === "open" ? "Kept, and waits in the review as" : `Decided before (${state}):`, name: id, link: `/review#${id}` };
}
