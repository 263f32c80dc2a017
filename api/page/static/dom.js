// Elements out of words: every text becomes a text node, so that nothing anybody typed can turn into markup.

export function h(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) set(node, name, value);
  node.append(...flat(children));
  return node;
}

const SVG = "http://www.w3.org/2000/svg";

export function svg(tag, attributes = {}, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) node.setAttribute(name, String(value));
  }
  node.append(...flat(children));
  return node;
}

function set(node, name, value) {
  if (value === null || value === undefined || value === false) return;
  if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
  else if (name === "class") node.className = value;
  else if (name in node && !name.includes("-") && typeof value !== "string") node[name] = value;
  else node.setAttribute(name, value === true ? "" : String(value));
}

function flat(children) {
  return children.flat(4).filter((child) => child !== null && child !== undefined && child !== false);
}

export function fill(node, ...children) {
  node.replaceChildren(...flat(children));
  return node;
}

export const begun = (words) => words.charAt(0).toUpperCase() + words.slice(1);

export const byId = (id) => document.getElementById(id);

export const percent = (share) => `${Math.round(100 * share)}\u00a0%`;

// Said to screen readers; what is seen is shown where it belongs.
export function say(words) {
  const told = byId("told");
  told.textContent = "";
  requestAnimationFrame(() => { told.textContent = words; });
}

export function day(iso) {
  return iso ? new Date(iso).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" }) : "";
}

// A place relative to another, in mm, right and down where positive.
export function placed(across, down) {
  const side = (value, more, less) => `${Math.abs(value).toFixed(1)} mm ${value < 0 ? less : more}`;
  return `${side(across, "right", "left")} and ${side(down, "below", "above")}`;
}

export const recordAddress = (id) => `/record?${new URLSearchParams({ id })}`;

export function thumbnail(what, size = "small") {
  return `/v1/thumbnail?${new URLSearchParams({ ...what, size })}`;
}
