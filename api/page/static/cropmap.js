// Crop maps: every known crop of a negative a frame on one picture; a card's own, with its uncertainty, among them.

import { begun, fill, h, placed, say, svg } from "./dom.js";
import { sureness } from "./words.js";

const SNAP_MM = 1.2; // within this a dragged frame is called like the one it lies on; twice what hand-cut edges allow

// Of a comparison: crops as the service tells them, corners in pixels of its picture. The card's frame can be dragged.
export function comparedCrops(crops) {
  const { width, height } = crops;
  const perMm = crops.sigma_px / Math.max(crops.sigma_mm, 0.05);
  const told = h("p", { class: "small", role: "status" }, "Drag this card's frame to see which crop it fits.");
  const drawing = svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": toldOf(crops) },
    svg("image", { href: crops.picture, width, height }),
    crops.known.map(({ corners }) => [polygon(corners, "casing"), polygon(corners, "window")]));
  const own = svg("g", { class: "dragged" }, polygon(crops.own, "doubt", { "stroke-width": 2 * crops.sigma_px }), polygon(crops.own, "own"));
  drawing.append(own, ...letters(crops.known.map(({ crop, corners: [[x, y]] }) => [crop, Math.max(x, 0) + 10, Math.max(y, 0) + 28]), 26));
  dragging(drawing, own, (dx, dy) => fill(told, said(crops, dx, dy, perMm)));
  const rows = crops.known.map(({ crop, probability }) => h("li", {}, h("b", {}, `Crop ${crop}`), `: ${sureness(probability)} that this card shows it`));
  return h("figure", { class: "crop-map" }, drawing, h("figcaption", {}, `The negative ${crops.pose} as far as its cards show it. Orange: this card's crop, within ${crops.sigma_mm} mm.`, h("ul", { class: "bare" }, rows), told));
}

const polygon = (quad, kind, more = {}) => svg("polygon", { class: kind, points: quad.map((corner) => corner.join(",")).join(" "), ...more });

// Each crop's letter at its frame's corner, or below the letters that it would lie upon. high: of a letter.
function letters(wanted, high) {
  const set = [];
  for (const [crop, x, corner] of wanted) {
    let y = corner;
    while (set.some((one) => Math.abs(one.x - x) < high && Math.abs(one.y - y) < high)) y += high / 4;
    set.push({ crop, x, y });
  }
  return set.map(({ crop, x, y }) => svg("text", { class: "window-name", x, y }, crop));
}

const toldOf = (crops) => `Where the known crops ${crops.known.map(({ crop }) => crop).join(", ")} of ${crops.pose} lie, and this card's own`;

// How far the dragged frame is from each known crop, at its worst corner.
function said(crops, dx, dy, perMm) {
  const far = crops.known.map(({ crop, corners }) => [crop, Math.max(...corners.map(([x, y], at) => Math.hypot(x - crops.own[at][0] - dx, y - crops.own[at][1] - dy))) / perMm]);
  const [crop, mm] = far.sort((a, b) => a[1] - b[1])[0];
  const moved = Math.hypot(dx, dy) / perMm;
  return moved < 0.3 ? "Where it was measured." : mm < SNAP_MM ? `Here it would be crop ${crop}, but it was measured ${moved.toFixed(1)} mm away.` : `Nearest is crop ${crop}: its frame still differs by ${mm.toFixed(1)} mm at a corner.`;
}

function dragging(drawing, own, tell) {
  let from = null;
  const at = (event) => {
    const box = drawing.getScreenCTM().inverse();
    return [event.clientX * box.a + box.e, event.clientY * box.d + box.f];
  };
  own.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    own.setPointerCapture(event.pointerId);
    from = at(event);
  });
  own.addEventListener("pointermove", (event) => {
    if (!from) return;
    const [x, y] = at(event);
    own.setAttribute("transform", `translate(${x - from[0]} ${y - from[1]})`);
    tell(x - from[0], y - from[1]);
  });
  own.addEventListener("pointerup", () => {
    from = null;
    own.removeAttribute("transform"); // it is where it was measured, whatever is tried
    say("The frame is back where it was measured");
  });
}

// Of a pose as it is kept in the catalogue, on the negative stitched from all its crops. mine: the crop to stress.
export function poseCrops(mapped, mine) {
  const [left, top, right, bottom] = mapped.shown_mm;
  const windows = mapped.crops.flatMap(({ crop, window_mm: [l, t, r, b], sigma_mm: sigma }) => [
    svg("rect", { class: "doubt", x: l, y: t, width: r - l, height: b - t, "stroke-width": 2 * sigma }),
    svg("rect", { class: "casing", x: l, y: t, width: r - l, height: b - t }),
    svg("rect", { class: crop === mine ? "own" : "window", x: l, y: t, width: r - l, height: b - t }),
  ]);
  const labels = letters(mapped.crops.map(({ crop, window_mm: [l, t] }) => [crop, l + 1.2, t + 4]), 3.6);
  const names = mapped.crops.map(({ crop }) => crop).join(", ");
  const { crop: widest, window_mm: [atX, atY] } = mapped.crops.reduce((a, b) => (area(b) > area(a) ? b : a));
  const lies = ({ crop, window_mm: [l, t] }) => (crop === widest ? (mapped.crops.length > 1 ? "the widest" : "the only one") : `${placed(l - atX, t - atY)} crop ${widest}'s corner`);
  return h("figure", { class: "crop-map in-mm" },
    svg("svg", { viewBox: `${left - 1} ${top - 1} ${right - left + 2} ${bottom - top + 2}`, role: "img", "aria-label": `Where the known crops ${names} of ${mapped.pose} lie` },
      svg("image", { href: `/v1/crops/picture?${new URLSearchParams({ pose: mapped.pose })}`, x: left, y: top, width: right - left, height: bottom - top, preserveAspectRatio: "none" }), windows, labels),
    h("figcaption", {}, `${begun("the negative")} ${mapped.pose} as far as its cards show it${mine ? `. Orange: crop ${mine}, this record's` : ""}.`,
      h("ul", { class: "bare" }, mapped.crops.map((one) =>
        h("li", {}, h("b", {}, one.crop), ` ${sides(one).map((mm) => mm.toFixed(1)).join(" x ")} mm, ${lies(one)}, within ${one.sigma_mm} mm`)))));
}

const sides = ({ window_mm: [left, top, right, bottom] }) => [right - left, bottom - top];
const area = (one) => sides(one)[0] * sides(one)[1];
