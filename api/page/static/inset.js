// The photograph with its outline, small beside the evidence, large to correct it: drag a corner, turn it, then done.

import "./outline.js";
import { h } from "./dom.js";

// picture: {photo, width, height, quads, chosen, upright}; redraw({quad, upright}): another outline, or another way up;
// pick(index): another card of the photo.
export function inset(picture, { redraw, pick, again } = {}) {
  const outline = document.createElement("card-outline");
  outline.show(picture);
  if (redraw) outline.addEventListener("outlined", (event) => redraw(event.detail));
  if (pick) outline.addEventListener("pick", (event) => pick(event.detail));
  const box = h("section", { class: "inset", "aria-label": "The photograph and its outline" });
  const large = h("button", { type: "button", class: "bar", "aria-expanded": "false", onclick: () => {
    const open = box.classList.toggle("large");
    large.setAttribute("aria-expanded", String(open));
    large.textContent = open ? "Smaller" : "Larger";
  } }, "Larger");
  box.append(outline, h("p", { class: "small row" }, picture.quads.length ? "Outline off? Drag a corner to the card's edge." : "No card found: draw its outline.",
    redraw && picture.quads.length ? h("button", { type: "button", class: "bar", title: "The bar in the outline shows which edge is taken for the upper one", onclick: () => outline.turn() }, "Turn it") : null,
    large, again && h("button", { type: "button", class: "bar", onclick: again }, "Find the outline again")));
  box.outline = outline;
  return box;
}

// An outline as the service is asked about it.
export function outlineQuery({ quad, upright }) {
  return { quad: quad.flat().map((value) => value.toFixed(1)).join(","), ...(upright && { upright: "true" }) };
}
