// Everything that was decided, newest first; all of it, or one kind.

import { ACTIONS, decisions } from "./decisions.js";
import { byId, fill, h } from "./dom.js";
import "./everywhere.js";

const kind = h("select", { id: "kind", onchange: show }, h("option", { value: "" }, "everything"), Object.entries(ACTIONS).map(([action, words]) => h("option", { value: action }, words)));
const who = h("select", { id: "who", onchange: show }, h("option", { value: "" }, "by anybody"), h("option", { value: "person" }, "by people"), h("option", { value: "machine" }, "by the machine"));
fill(byId("which"), h("label", { for: "kind" }, "What"), kind, h("label", { for: "who" }, "By whom"), who);

async function show() {
  try {
    fill(byId("log"), await decisions(null, () => {}, { ...(kind.value && { action: kind.value }), ...(who.value && { actor: who.value }) }));
  } catch (error) {
    fill(byId("log"), h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
  }
}

show();
