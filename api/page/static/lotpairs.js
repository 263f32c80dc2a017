// Known cards confirmed together, but only over a wall of pairs: each card beside its record, the odd one out tapped.
// Nothing is confirmed before every pair is painted, nor what somebody has decided or corrected since.

import { fill, h, percent, thumbnail } from "./dom.js";
import { face } from "./lotscreen.js";
import { ask, newKey, undo } from "./service.js";
import { toast } from "./toast.js";
import { CERTAIN, sureness } from "./words.js";

const AT_ONCE = 24; // pairs: as many as an eye goes through at one sitting; our own choice

// rows: cards that are all but certainly known, which nobody has confirmed; known: of how many. changed(): brings the
// lot's rows up to date, called before and after it; rowsNow(): the rows as they are.
export function openPairs({ id, rows: all, known, changed, rowsNow }) {
  const rows = all.slice(0, AT_ONCE);
  const out = new Set();
  let isPainted = false;
  const told = h("div", { role: "alert" });
  const button = h("button", { type: "button", onclick: confirm });
  const label = () => {
    const left = rows.length - out.size;
    fill(button, !isPainted ? "Loading…" : left === 1 ? "Confirm this 1" : `Confirm these ${left}`);
    button.disabled = !left || !isPainted;
  };
  const image = (src, alt) => h("img", { src, alt, width: 184, height: 320 });
  const pair = (row) => {
    const node = h("button", { type: "button", class: "pair", "aria-pressed": "true", onclick: () => {
      if (!out.delete(row.card)) out.add(row.card);
      node.setAttribute("aria-pressed", String(!out.has(row.card)));
      label();
    } }, image(face(id, row.card), `Card ${row.card}`), image(thumbnail({ record: row.tag }, "whole"), `Record ${row.tag}`),
    h("span", {}, h("b", {}, row.tag), ` ${[row.caption, row.club].filter(Boolean).join(", ")}`), h("span", { class: "small" }, `card ${row.card}, ${sureness(row.confidence_record)}`));
    return h("li", {}, node);
  };
  const wall = h("ul", { class: "pair-wall bare" }, rows.map(pair));
  const box = h("dialog", { class: "full pairs", "aria-labelledby": "pairs-title" },
    h("header", { class: "mode-head" }, h("h2", { id: "pairs-title" }, "Is each card the record beside it?"), h("p", { class: "small" }, "Left the card, right the record: the same picture, cut alike, the same words? Tap a pair that is not: it stays to be decided. ", limits()),
      h("p", { class: "row" }, button, h("button", { type: "button", class: "second", onclick: () => box.close() }, "Close ", h("kbd", {}, "Esc"))), told), wall);

  // Which known cards are here, and why the others are not.
  function limits() {
    const next = all.length > rows.length ? ` ${all.length - rows.length} more pairs come after these.` : "";
    const others = known - all.length;
    return `Here are those that are all but certain (${percent(CERTAIN)} or more), the least sure first.${next}${others ? ` ${others} less certain ${others === 1 ? "one is" : "ones are"} asked about card by card.` : ""}`;
  }

  async function confirm() {
    button.disabled = true;
    const cards = rows.map(({ card }) => card).filter((card) => !out.has(card));
    try {
      const { etag } = await ask(`/v1/lots/${id}/review/queue?limit=1`);
      await changed();
      const other = cards.filter((card) => !isAsSeen(card));
      if (other.length) return void fill(told, h("p", { class: "problem" }, h("b", {}, `Nothing was confirmed: ${other.map((card) => `card ${card}`).join(", ")} was decided or corrected meanwhile.`), " Close this, and look again."));
      const { data } = await ask(`/v1/lots/${id}/review`, { method: "POST", json: { action: "confirm", above: 0, cards }, headers: { "Idempotency-Key": newKey(), "If-Match": etag } });
      box.close();
      await changed();
      toast(`${cards.length} card${cards.length === 1 ? " was" : "s were"} noted as seen.`, async () => {
        for (const { number } of [...data.decisions].reverse()) await undo(number);
        await changed();
        toast("Taken back.");
      });
    } catch (error) {
      fill(told, h("p", { class: "problem" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
      button.disabled = false;
    }
  }

  function isAsSeen(card) {
    const [seen, now] = [rows, rowsNow()].map((held) => held.find((row) => row.card === card));
    return now && !now.decided && now.outcome === "known" && now.tag === seen.tag;
  }

  label();
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
  Promise.allSettled([...wall.querySelectorAll("img")].map((one) => one.decode())).then(() => { isPainted = true; label(); });
}
