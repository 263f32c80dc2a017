// Crop maps: every known crop of a negative a rectangle in one frame; a card's own, with its uncertainty, among them.

import { h, placed, svg } from "./dom.js";
import { sureness } from "./ladder.js";

// Of a comparison: crops as the service tells them, corners in pixels of its picture.
export function comparedCrops(crops) {
  const { width, height } = crops;
  const corners = (quad) => quad.map((corner) => corner.join(",")).join(" ");
  const known = crops.known.flatMap(({ corners: quad }) => [
    svg("polygon", { class: "casing", points: corners(quad) }), svg("polygon", { class: "window", points: corners(quad) }),
  ]);
  const names = crops.known.map(({ crop, corners: [[x, y]] }, number) =>
    svg("text", { class: "window-name", x: Math.max(x, 0) + 12, y: Math.max(y, 0) + 30 + 26 * number }, crop));
  const drawing = svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": told(crops) },
    svg("image", { href: crops.picture, width, height }), known,
    svg("polygon", { class: "doubt", points: corners(crops.own), "stroke-width": 2 * crops.sigma_px }),
    svg("polygon", { class: "own", points: corners(crops.own) }), names);
  const rows = crops.known.map(({ crop, probability }) =>
    h("li", {}, h("b", {}, crop), ` ${sureness(probability)} that this card shows it`));
  return h("figure", { class: "crop-map" }, drawing,
    h("figcaption", {}, `Known crops of ${crops.pose}. The thick orange one: this card's own, within ${crops.sigma_mm} mm.`,
      h("ul", { class: "bare" }, rows)));
}

const told = (crops) =>
  `Where the known crops ${crops.known.map(({ crop }) => crop).join(", ")} of ${crops.pose} lie, and this card's own`;

// Of a pose as it is kept in the catalogue: rectangles in mm of the face of one reference. mine: the crop to stress.
export function poseCrops(mapped, mine) {
  const all = mapped.crops.map(({ window_mm: window }) => window);
  const [left, top] = [0, 1].map((i) => Math.min(0, ...all.map((window) => window[i])) - 1);
  const right = Math.max(mapped.width_mm, ...all.map((window) => window[2])) + 1;
  const bottom = Math.max(mapped.height_mm, ...all.map((window) => window[3])) + 1;
  const windows = mapped.crops.flatMap(({ crop, window_mm: [l, t, r, b], sigma_mm: sigma }) => [
    svg("rect", { class: "doubt", x: l, y: t, width: r - l, height: b - t, "stroke-width": 2 * sigma }),
    svg("rect", { class: "casing", x: l, y: t, width: r - l, height: b - t }),
    svg("rect", { class: crop === mine ? "own" : "window", x: l, y: t, width: r - l, height: b - t }),
  ]);
  const labels = mapped.crops.map(({ crop, window_mm: [l, t] }, number) =>
    svg("text", { class: "window-name", x: l + 1.2, y: t + 4 + 3.6 * number }, crop));
  const names = mapped.crops.map(({ crop }) => crop).join(", ");
  return h("figure", { class: "crop-map in-mm" },
    svg("svg", {
      viewBox: `${left} ${top} ${right - left} ${bottom - top}`, role: "img",
      "aria-label": `Where the known crops ${names} of ${mapped.pose} lie`,
    },
    svg("image", {
      href: `/v1/thumbnail?reference=${mapped.frame}&size=whole`, width: mapped.width_mm, height: mapped.height_mm,
      preserveAspectRatio: "none",
    }), windows, labels),
    h("figcaption", {}, `${mapped.pose}, on the card of reference ${mapped.frame}${mine ? `. The thick orange one: crop ${mine}, this record's` : ""}.`,
      h("ul", { class: "bare" }, mapped.crops.map(({ crop, window_mm: w, sigma_mm: sigma }) =>
        h("li", {}, h("b", {}, crop), ` ${(w[2] - w[0]).toFixed(1)} x ${(w[3] - w[1]).toFixed(1)} mm, `,
          `${placed(w[0], w[1])} its corner, within ${sigma} mm`)))));
}
