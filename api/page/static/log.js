// Everything that was decided, newest first.

import { decisions } from "./decisions.js";
import { byId, fill, h } from "./dom.js";

try {
  fill(byId("log"), await decisions(null));
} catch (error) {
  fill(byId("log"), h("p", { class: "problem", role: "alert" }, h("b", {}, `${error.title}.`), ` ${error.todo}`));
}
