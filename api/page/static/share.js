// An answer as one picture to send: card, reference, what was found, the caution. Drawn here, sent by nobody but you.

import { h } from "./dom.js";
import { toast } from "./toast.js";
import { told } from "./chips.js";
import { finding, inWords, RUNGS, toldOf } from "./words.js";

const [WIDE, HIGH, MARGIN, FACE_HIGH] = [1200, 1000, 40, 640];
const CAUTION = "Compared by picture alone: no proof that a card is genuine or unaltered, no grade, no value.";

// what(): {card, comparison, index, candidate, name}.
export function shareButton(what, ...more) {
  return h("p", { class: "row share" },
    h("button", { type: "button", class: "bar", onclick: () => run(() => save(what())) }, "Save as a picture"),
    h("button", { type: "button", class: "bar", onclick: () => run(() => copy(what())) }, "Copy as a sentence"),
    h("button", { type: "button", class: "bar", onclick: () => print() }, "Print or PDF"), more);
}

async function run(work) {
  try {
    await work();
  } catch (error) {
    toast(`That did not work: ${error.message}. Try again, or print the page.`, null, { wrong: true });
  }
}

async function copy({ card }) {
  await navigator.clipboard.writeText(`${inWords(card)} ${CAUTION}`);
  toast("The sentence was copied.");
}

async function save(what) {
  const canvas = await picture(what);
  const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/png"));
  const name = `${what.name.replace(/\.\w+$/, "")}-platekin.png`;
  const file = new File([blob], name, { type: "image/png" });
  if (matchMedia("(pointer: coarse)").matches && navigator.canShare?.({ files: [file] })) return void (await navigator.share({ files: [file] }));
  const link = h("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  toast(`Saved as ${name}.`);
}

export async function picture({ card, comparison, index, candidate }) {
  const layers = comparison.cards[index];
  const one = card.candidates[candidate];
  const addresses = [layers.face, one && (layers.candidates[candidate].laid ?? `/v1/thumbnail?reference=${one.reference}&size=whole`)].filter(Boolean);
  const images = await Promise.all(addresses.map(loaded));
  const canvas = h("canvas", { width: WIDE, height: HIGH });
  const paint = canvas.getContext("2d");
  paint.fillStyle = "#fbfbfa";
  paint.fillRect(0, 0, WIDE, HIGH);
  paint.fillStyle = "#1c1f20";
  let down = text(paint, inWords(card), 30, MARGIN, MARGIN + 26, WIDE - 2 * MARGIN);
  down += 14;
  images.forEach((image, place) => {
    const wide = (FACE_HIGH * image.naturalWidth) / image.naturalHeight;
    paint.drawImage(image, MARGIN + place * (wide + 16), down, wide, FACE_HIGH);
    text(paint, place ? `${one.record_id}, reference ${one.reference}` : "This card", 20, MARGIN + place * (wide + 16), down + FACE_HIGH + 26, wide);
  });
  const across = MARGIN + images.length * (FACE_HIGH * 0.575 + 16) + 10;
  let line = down + 22;
  const sentences = toldOf(card, one), confidence = told(one); // as the page's own findings say it
  for (const rung of RUNGS.filter(({ name }) => one && (confidence[name] ?? null) !== null)) {
    line = text(paint, `${rung.title}: ${finding(rung, confidence[rung.name]).words}`, 24, across, line, WIDE - across - MARGIN);
    const words = h("p", {}, sentences[rung.name]).textContent.trim(); // some are parts, some in italics
    if (words) line = text(paint, words, 18, across, line, WIDE - across - MARGIN);
    line += 14;
  }
  text(paint, CAUTION, 18, MARGIN, HIGH - 44, WIDE - 2 * MARGIN);
  text(paint, `platekin, ${new Date().toISOString().slice(0, 10)}`, 18, MARGIN, HIGH - 18, WIDE - 2 * MARGIN);
  return canvas;
}

async function loaded(src) {
  const image = new Image();
  image.src = src;
  await image.decode();
  return image;
}

// Words wrapped to a width; returns how far down the next line stands.
function text(paint, words, size, x, y, most) {
  paint.font = `${size}px Charter, "Noto Serif", Georgia, serif`;
  let line = "";
  for (const word of words.split(" ")) {
    if (line && paint.measureText(`${line} ${word}`).width > most) {
      paint.fillText(line, x, y);
      [line, y] = [word, y + 1.3 * size];
    } else line = line ? `${line} ${word}` : word;
  }
  paint.fillText(line, x, y);
  return y + 1.3 * size;
}
