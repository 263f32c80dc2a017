// The camera while it aims: a frame for the card, one word on what to change, a shutter that opens when it is good.
// It works where the browser allows a page the camera: on this machine, or over https. Elsewhere the phone's own is used.

import { fill, h } from "./dom.js";

const LOOK_MS = 250;
const RATIO = 36.5 / 63.5;
const [LOOK_WIDE, LOOK_HIGH] = [120, 208];
const LEAST_PX = 900; // of the card's height in the picture that is taken; our own choice: a caption's letters are then 20 px high
const MOST_GLARE = 0.015;
const LEAST_SHARP = 10;
const MOST_MOVED = 9;
const LEAST_EDGE = 14;
const SMALLER = [0.85, 0.75, 0.65, 0.55, 0.45]; // a card that lies whole within the frame, too far away

const LACKING = {
  NotAllowedError: "This page may not use the camera: allow it in the browser's settings for this page.",
  NotFoundError: "No camera was found here.",
  NotReadableError: "Another program is using the camera: close that, and open this again.",
};

// run(file): what was taken. own(): opens the phone's own camera. True where the browser lends the page a camera.
export function openCamera(run, own) {
  if (!navigator.mediaDevices?.getUserMedia || !matchMedia("(pointer: coarse)").matches) return false;
  aim(run, own);
  return true;
}

async function aim(run, own) {
  const video = h("video", { autoplay: true, muted: true, playsInline: true });
  const frame = h("div", { class: "aim-frame", "aria-hidden": "true" });
  const told = h("p", { class: "aim-words", role: "status" }, "Asking for the camera");
  const shutter = h("button", { type: "button", class: "shutter", "aria-label": "Take the photograph", disabled: true });
  const box = h("dialog", { class: "full aim", "aria-label": "Camera" }, video, frame, told, h("div", { class: "aim-bar" }, h("button", { type: "button", class: "second", onclick: () => box.close() }, "Close"), shutter,
    h("button", { type: "button", class: "second", onclick: () => { box.close(); own(); } }, "Phone's camera")));
  document.body.append(box);
  box.showModal();
  let stream = null;
  let looking = 0;
  const stop = () => {
    clearInterval(looking);
    for (const track of stream?.getTracks() ?? []) track.stop();
  };
  const without = (words) => {
    stop();
    box.classList.remove("good");
    box.classList.add("blind");
    fill(told, `${words} Or press "Phone's camera".`);
  };
  box.addEventListener("close", () => {
    stop();
    box.remove();
  });
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment", width: { ideal: 3840 }, height: { ideal: 2160 } } });
  } catch (error) {
    return void without(LACKING[error.name] ?? LACKING.NotAllowedError);
  }
  if (!box.isConnected) return void stop(); // closed while the browser was asking: the camera must not stay on
  video.srcObject = stream;
  stream.getVideoTracks()[0].addEventListener("ended", () => without("The camera has stopped."));
  let before = null;
  looking = setInterval(() => {
    if (!video.videoWidth) return;
    const seen = look(video, frame);
    const words = judge(seen, before);
    before = seen.grey;
    fill(told, words ?? "Good: take it");
    box.classList.toggle("good", !words);
    shutter.disabled = false;
  }, LOOK_MS);
  shutter.addEventListener("click", async () => {
    shutter.hidden = true; // one press, one photograph
    const canvas = h("canvas", { width: video.videoWidth, height: video.videoHeight });
    canvas.getContext("2d").drawImage(video, 0, 0);
    const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.95));
    box.close();
    run(new File([blob], `camera-${new Date().toISOString().slice(0, 19).replaceAll(":", "-")}.jpg`, { type: "image/jpeg" }));
  });
}

// What lies within the frame, small and grey, with how large it is in the picture that would be taken.
function look(video, frame) {
  const [shown, aimed] = [video.getBoundingClientRect(), frame.getBoundingClientRect()];
  const scale = Math.max(shown.width / video.videoWidth, shown.height / video.videoHeight); // object-fit: cover
  const left = (aimed.left - shown.left - (shown.width - video.videoWidth * scale) / 2) / scale;
  const top = (aimed.top - shown.top - (shown.height - video.videoHeight * scale) / 2) / scale;
  const high = aimed.height / scale;
  const canvas = h("canvas", { width: LOOK_WIDE, height: LOOK_HIGH });
  const paint = canvas.getContext("2d", { willReadFrequently: true });
  paint.drawImage(video, left, top, high * RATIO, high, 0, 0, LOOK_WIDE, LOOK_HIGH);
  const { data } = paint.getImageData(0, 0, LOOK_WIDE, LOOK_HIGH);
  const grey = new Float32Array(LOOK_WIDE * LOOK_HIGH);
  for (let i = 0; i < grey.length; i += 1) grey[i] = 0.299 * data[4 * i] + 0.587 * data[4 * i + 1] + 0.114 * data[4 * i + 2];
  return { grey, high };
}

// What to change, the first that applies; null where it is good. Exported for tests.
export function judge({ grey, high }, before) {
  const at = (x, y) => grey[y * LOOK_WIDE + x];
  const bright = (from, to) => {
    const part = grey.slice(Math.round(from * LOOK_HIGH) * LOOK_WIDE, Math.round(to * LOOK_HIGH) * LOOK_WIDE);
    return part.filter((value) => value > 250).length / part.length;
  };
  if (bright(0.85, 1) > 2 * MOST_GLARE) return "Glare on the caption: move the lamp or the phone";
  if (bright(0, 0.85) > MOST_GLARE) return "Glare on the picture: move the lamp or the phone";
  if (grey.reduce((sum, value) => sum + value, 0) / grey.length < 45) return "Too dark: more light, from the side";
  if (before && moved(grey, before) > MOST_MOVED) return "Hold still";
  if (high < LEAST_PX) return "Too few pixels for the caption: use the phone's own camera";
  if (!edges(at)) return smaller(at) ? "Closer: let the card fill the frame" : "Fit the card's four edges to the frame";
  return sharp(at) < LEAST_SHARP ? "Not sharp: a little farther away, and hold still" : null;
}

const moved = (now, before) => now.reduce((sum, value, place) => sum + Math.abs(value - before[place]), 0) / now.length;

// Along how many sides of a frame a step of brightness runs, within a few pixels. share: of the frame's size, about its middle.
function sides(at, share = 1) {
  const [x0, y0] = [Math.round(((1 - share) / 2) * LOOK_WIDE), Math.round(((1 - share) / 2) * LOOK_HIGH)];
  const [x1, y1] = [LOOK_WIDE - 1 - x0, LOOK_HIGH - 1 - y0];
  const step = (from, to, read) => {
    let best = 0;
    for (let inwards = 0; inwards < 12; inwards += 1) {
      let sum = 0;
      for (let along = from + 10; along < to - 10; along += 2) sum += read(inwards, along);
      best = Math.max(best, Math.abs(sum) / ((to - from - 20) / 2));
    }
    return best;
  };
  const found = [
    step(y0, y1, (i, y) => at(x0 + i + 2, y) - at(x0 + i, y)),
    step(y0, y1, (i, y) => at(x1 - 2 - i, y) - at(x1 - i, y)),
    step(x0, x1, (i, x) => at(x, y0 + i + 2) - at(x, y0 + i)),
    step(x0, x1, (i, x) => at(x, y1 - 2 - i) - at(x, y1 - i)),
  ];
  return found.filter((one) => one > LEAST_EDGE).length;
}

const edges = (at) => sides(at) >= 3;
const smaller = (at) => SMALLER.some((share) => sides(at, share) === 4);

// Mean strength of the finest detail.
function sharp(at) {
  let sum = 0;
  for (let y = 2; y < LOOK_HIGH - 2; y += 1) {
    for (let x = 2; x < LOOK_WIDE - 2; x += 1) sum += Math.abs(4 * at(x, y) - at(x - 1, y) - at(x + 1, y) - at(x, y - 1) - at(x, y + 1));
  }
  return sum / (LOOK_WIDE * LOOK_HIGH);
}
