// What a file is, before it is sent: empty, too large, an archive or a text are told at once, where they were chosen.

import { Problem } from "./service.js";

export const MOST = Number(document.querySelector("meta[name=most-bytes]").content);
const ARCHIVES = [["PK\x03\x04", "a zip"], ["Rar!", "a rar archive"], ["7z\xBC\xAF", "a 7z archive"], ["\x1F\x8B", "a gz archive"]];

// The problem with a file as a Problem, or null.
export async function wrongWith(file) {
  if (file.size > MOST) {
    return new Problem("body_too_large", `${file.name} has ${Math.round(file.size / 1e6)} MB, the limit is ${MOST / 1e6} MB`,
      "Save the photograph as a JPEG at quality 90, or scan at 300 to 600 dpi. It was not sent.");
  }
  if (!file.size) return new Problem("empty", `${file.name} is empty`, "It has no bytes: copy it from the camera or the phone once more. It was not sent.");
  const bytes = new Uint8Array(await file.slice(0, 64).arrayBuffer());
  const text = String.fromCharCode(...bytes);
  const archive = ARCHIVES.find(([start]) => text.startsWith(start));
  if (archive) return new Problem("archive", `${file.name} is ${archive[1]}`, "Unpack it, and choose the pictures inside. It was not sent.");
  if (!text.startsWith("%PDF") && bytes.every((byte) => byte === 9 || byte === 10 || byte === 13 || (byte >= 32 && byte < 127))) {
    return new Problem("no_picture", `${file.name} is no picture, its content is text`, "Choose JPEG, PNG, TIFF, WebP, HEIC or PDF files. It was not sent.");
  }
  return null;
}
