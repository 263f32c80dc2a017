// The photograph with its outline, small beside the evidence, large to correct it: drag a corner, turn it, then done.

import "./outline.js";
import { h } from "./dom.js";

// picture: {photo, width, height, quads, chosen}; redraw(quad): another outline; pick(index): another card of the photo.
export function inset(picture, { redraw, pick, again } = {}) {
  const outline = document.createElement("card-outline");
  outline.show(picture);
  outline.addEventListener("outlined", (event) => redraw(event.detail));
  if (pick) outline.addEventListener("pick", (event) => pick(event.detail));
  const box = h("section", { class: "inset", "aria-label": "The photograph and its outline" });
  const large = h("button", { type: "button", class: "bar", "aria-expanded": "false", onclick: () => {
    const open = box.classList.toggle("large");
    large.setAttribute("aria-expanded", String(open));
    large.textContent = open ? "Smaller" : "Larger";
  } }, "Larger");
  box.append(outline, h("p", { class: "small row" }, picture.quads.length ? "Outline off? Drag a corner to the card's edge." : "No card found: draw its outline.",
    large, again && h("button", { type: "button", class: "bar", onclick: again }, "Find the outline again")));
  box.outline = outline;
  return box;
}
