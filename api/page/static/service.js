// Questions to the service: JSON answers with their ETag, or a Problem that says what happened and what to do.

import { begun } from "./dom.js";
import { signIn } from "./signin.js";

export class Problem extends Error {
  constructor(code, title, todo, more = {}) {
    super(`${title}. ${todo}`);
    Object.assign(this, { code, title, todo, status: 0, faults: [], retryAfter: 0 }, more);
  }
}

const away = () =>
  new Problem("away", "The service does not answer",
    "See whether it is running (platekin serve) and whether the network is there, then try again. Nothing here is lost.");

export const newKey = () =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");

export async function ask(path, { method = "GET", json, headers = {}, signal } = {}) {
  const told = { ...headers };
  if (json !== undefined) told["Content-Type"] = "application/json";
  const body = json === undefined ? undefined : JSON.stringify(json);
  for (;;) {
    let response;
    try {
      response = await fetch(path, { method, body, headers: told, signal, credentials: "same-origin" });
    } catch (error) {
      throw error.name === "AbortError" ? error : away();
    }
    const text = await response.text();
    if (response.ok) return { data: text ? JSON.parse(text) : null, etag: response.headers.get("etag") };
    const problem = problemOf(response.status, text, response.headers.get("retry-after"));
    if (problem.code !== "no_token" || path === "/v1/session") throw problem;
    await signIn();
  }
}

export const get = async (path, options) => (await ask(path, options)).data;

// One decision. The same key is used until an answer came, so that a request that was lost is not carried out twice.
export async function decide(wish, etag, key = newKey()) {
  const headers = { "Idempotency-Key": key, "If-Match": etag };
  const made = (await ask("/v1/decisions", { method: "POST", json: wish, headers })).data;
  others?.postMessage({ decision: made.number, about: made.about });
  return made;
}

export async function undo(number) {
  const log = await ask("/v1/decisions?limit=1");
  return decide({ action: "undo", number }, log.etag);
}

export async function redo(number) {
  const log = await ask("/v1/decisions?limit=1");
  return decide({ action: "redo", number }, log.etag);
}

const others = "BroadcastChannel" in window ? new BroadcastChannel("platekin") : null;

// Another window of this browser has decided something.
export function whenOthersDecide(run) {
  others?.addEventListener("message", (event) => run(event.data));
}

export function formOf(photos, fields = {}) {
  const form = new FormData();
  for (const [name, value] of Object.entries(fields)) form.append(name, value);
  for (const file of photos) form.append("photo", file, file.name || "photo");
  return form;
}

// A file or a form, with progress; a full queue is waited for.
export async function upload(path, file, { progress = () => {}, headers = {}, signal } = {}) {
  for (;;) {
    try {
      return await uploadOnce(path, file, progress, headers, signal);
    } catch (error) {
      if (error.code === "no_token") await signIn();
      else if (error.code === "busy") await pause(1000 * (error.retryAfter || 2), signal);
      else throw error;
    }
  }
}

function uploadOnce(path, file, progress, headers, signal) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
    request.upload.onprogress = (event) => event.lengthComputable && progress(event.loaded / event.total);
    request.upload.onload = () => progress(1);
    request.onload = () => {
      if (request.status < 300) resolve(JSON.parse(request.responseText));
      else reject(problemOf(request.status, request.responseText, request.getResponseHeader("retry-after")));
    };
    request.onerror = () => reject(away());
    request.onabort = () => reject(new DOMException("stopped", "AbortError"));
    signal?.addEventListener("abort", () => request.abort());
    request.send(file instanceof FormData ? file : formOf([file]));
  });
}

function problemOf(status, text, retryAfter) {
  let told = {};
  try {
    told = JSON.parse(text);
  } catch {
    // Not ours: something between the service and this page has answered.
  }
  const code = told.code ?? "unexpected";
  const title = told.title ?? `The answer was ${status}`;
  const more = { status, faults: told.errors ?? [], retryAfter: Number(retryAfter) || 0 };
  return new Problem(code, title, PLAIN[code] ?? sentence(told.detail ?? "Try again", title), more);
}

const MISTYPED = "Its number may be mistyped, or it was removed: the log tells.";
export const PLAIN = { // instead of a library's words, or a program's
  truncated: "Part of it is missing or damaged: copy it again from the camera or the phone.",
  no_such_record: MISTYPED, no_such_find: MISTYPED, no_such_lot: "Its number may be mistyped, or it was removed.",
};

// Details are written for programs too: the file's name, what the title says already, and the command's options go.
function sentence(detail, title) {
  let words = detail.replace(/^[^:]+\.\w{2,5}: /, "").replace(/ \([^()]*--[^()]*\)$/, "").replace(/(incomplete or damaged): .* \(copy it again\)$/, "$1: copy it again");
  if (words.toLowerCase().startsWith(title.toLowerCase())) words = words.slice(title.length).trim() || words;
  words = words.replace(/^\((.*)\)$/, "$1");
  return `${begun(words)}${/[.!?)]$/.test(words) ? "" : "."}`;
}

function pause(milliseconds, signal) {
  return new Promise((resolve, reject) => {
    const waiting = setTimeout(resolve, milliseconds);
    signal?.addEventListener("abort", () => {
      clearTimeout(waiting);
      reject(new DOMException("stopped", "AbortError"));
    });
  });
}
