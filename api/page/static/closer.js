// Pictures that are fetched only when they are looked for: larger ones once something is enlarged beyond its pixels,
// and another reference laid over a card.

import { ask } from "./service.js";

const ENLARGED = 1.25; // screen pixels for one of a face's: from here on the face alone looks soft
const asked = new Map();
const larger = new WeakMap();

// A card of a comparison beside a reference: {scale, face, laid, tones}; asked for once. card: from 0.
export function lookCloser(comparison, card, reference, large) {
  const path = `/v1/comparisons/${comparison}/${card + 1}/closer?${new URLSearchParams({ large, ...(reference && { reference }) })}`;
  if (!asked.has(path)) {
    const made = ask(path, { method: "POST" }).then(({ data }) => data);
    made.catch(() => asked.delete(path));
    asked.set(path, made);
  }
  return asked.get(path);
}

// find(): a promise of the address of the same picture, larger; of none where there is none.
export function canGrow(image, find) {
  larger.set(image, find);
  return image;
}

// scale: pixels of this screen for one of the sheet's. What is there stays until the larger picture can be shown.
export function grow(sheet, scale) {
  if (scale * devicePixelRatio < ENLARGED) return;
  for (const image of sheet.querySelectorAll("img:not([data-grown])")) {
    const find = larger.get(image) ?? (image.src.includes("size=whole") && (() => image.src.replace("size=whole", "size=large")));
    if (!find) continue;
    image.dataset.grown = "asked";
    show(image, find);
  }
}

async function show(image, find) {
  try {
    const address = await find();
    if (!address) return void (image.dataset.grown = "none");
    const made = new Image();
    made.src = address;
    await made.decode();
    image.src = address;
    image.dataset.grown = "shown";
  } catch {
    image.dataset.grown = "none"; // an answer of long ago, or no network: the small one serves
  }
}
