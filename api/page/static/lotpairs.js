// Known cards confirmed together, but only over a wall of pairs: each card beside its record, the odd one out tapped.

import { fill, h, thumbnail } from "./dom.js";
import { face } from "./lotscreen.js";
import { ask, newKey, undo } from "./service.js";
import { toast } from "./toast.js";
import { sureness } from "./words.js";

// rows: known cards that nobody has confirmed. changed(): called after it.
export function openPairs({ id, rows, changed }) {
  const out = new Set();
  const told = h("div", { role: "alert" });
  const button = h("button", { type: "button", onclick: confirm });
  const label = () => {
    const left = rows.length - out.size;
    fill(button, left === 1 ? "Confirm this 1" : `Confirm these ${left}`);
    button.disabled = !left;
  };
  const pair = (row) => {
    const node = h("button", { type: "button", class: "pair", "aria-pressed": "true", onclick: () => {
      if (!out.delete(row.card)) out.add(row.card);
      node.setAttribute("aria-pressed", String(!out.has(row.card)));
      label();
    } }, h("img", { src: face(id, row.card), alt: `Card ${row.card}`, width: 130, height: 226, loading: "lazy" }), h("img", { src: thumbnail({ record: row.tag }), alt: `Record ${row.tag}`, width: 130, height: 226, loading: "lazy" }),
    h("span", {}, h("b", {}, row.tag), ` ${row.caption ?? ""}, ${row.club ?? ""}`), h("span", { class: "small" }, `card ${row.card}, ${sureness(row.confidence_record)}`));
    return h("li", {}, node);
  };
  const box = h("dialog", { class: "full pairs", "aria-labelledby": "pairs-title" },
    h("header", { class: "mode-head" }, h("h2", { id: "pairs-title" }, "Is each card the record beside it?"), h("p", { class: "small" }, "Left the card, right the record. Tap a pair that is not: it stays to be decided."),
      h("p", { class: "row" }, button, h("button", { type: "button", class: "second", onclick: () => box.close() }, "Close ", h("kbd", {}, "Esc"))), told),
    h("ul", { class: "pair-wall bare" }, rows.map(pair)));

  async function confirm() {
    button.disabled = true;
    const cards = rows.map(({ card }) => card).filter((card) => !out.has(card));
    try {
      const { etag } = await ask(`/v1/lots/${id}/review/queue?limit=1`);
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

  label();
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
}
