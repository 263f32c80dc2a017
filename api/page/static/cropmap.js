// Crop maps: every known crop of a negative a rectangle in one frame; a card's own, with its uncertainty, among them.

import { h, svg } from "./dom.js";
import { sureness } from "./ladder.js";

// Of a comparison: crops as the service tells them, corners in pixels of its picture.
export function comparedCrops(crops) {
  const { width, height } = crops;
  const corners = (quad) => quad.map((corner) => corner.join(",")).join(" ");
  const known = crops.known.flatMap(({ crop, corners: quad }, number) => [
    svg("polygon", { class: "window", points: corners(quad) }),
    svg("text", { class: "window-name", x: quad[0][0] + 6, y: quad[0][1] + 18 + 16 * number }, crop),
  ]);
  const drawing = svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": told(crops) },
    svg("image", { href: crops.picture, width, height }), known,
    svg("polygon", { class: "doubt", points: corners(crops.own), "stroke-width": 2 * crops.sigma_px }),
    svg("polygon", { class: "own", points: corners(crops.own) }));
  const rows = crops.known.map(({ crop, probability }) =>
    h("li", {}, h("b", {}, crop), ` ${sureness(probability)} that this card shows it`));
  return h("figure", { class: "crop-map" }, drawing,
    h("figcaption", {}, `Known crops of ${crops.pose}. Orange: this card's own, within ${crops.sigma_mm} mm.`,
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
  const windows = mapped.crops.flatMap(({ crop, window_mm: [l, t, r, b], sigma_mm: sigma }, number) => [
    svg("rect", { class: "doubt", x: l, y: t, width: r - l, height: b - t, "stroke-width": 2 * sigma }),
    svg("rect", { class: crop === mine ? "own" : "window", x: l, y: t, width: r - l, height: b - t }),
    svg("text", { class: "window-name", x: l + 0.8, y: t + 3 + 2.6 * number, "font-size": 2.4 }, crop),
  ]);
  const names = mapped.crops.map(({ crop }) => crop).join(", ");
  return h("figure", { class: "crop-map in-mm" },
    svg("svg", {
      viewBox: `${left} ${top} ${right - left} ${bottom - top}`, role: "img",
      "aria-label": `Where the known crops ${names} of ${mapped.pose} lie`,
    },
    svg("image", {
      href: `/v1/thumbnail?reference=${mapped.frame}&size=whole`, width: mapped.width_mm, height: mapped.height_mm,
      preserveAspectRatio: "none",
    }), windows),
    h("figcaption", {}, `${mapped.pose} in mm of reference ${mapped.frame}'s card. `,
      h("ul", { class: "bare" }, mapped.crops.map(({ crop, window_mm: w, sigma_mm: sigma }) =>
        h("li", {}, h("b", {}, crop), ` ${(w[2] - w[0]).toFixed(1)} x ${(w[3] - w[1]).toFixed(1)} mm, `,
          `${w[0].toFixed(1)} right, ${w[1].toFixed(1)} down, within ${sigma} mm`)))));
}
