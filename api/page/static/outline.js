// The photo with the outline of each card; the corners of the chosen one can be dragged, or moved with the arrow keys.
// A bar along its upper edge shows which way up the card is taken to be; turn() says otherwise, by quarter turns.
// Dispatches `pick` (detail: index of a card), `moving` while a corner is dragged, and `outlined` (detail: {quad: its
// four corners in pixels of the photo, upright: whether a person has said which way up}) once nothing was touched for a
// moment.

import { fill, h, say, svg } from "./dom.js";

const CORNERS = ["top left", "top right", "bottom right", "bottom left"];
const SETTLE_MS = 1100; // long enough to take the next corner; until then nothing is asked

export class CardOutline extends HTMLElement {
  // photo: address; width, height of the upright photo; quads: one a card; chosen: index; upright: its way up is known.
  show({ photo, width, height, quads, chosen = 0, upright = false }) {
    Object.assign(this, { photo, photoWidth: width, photoHeight: height, chosen, upright });
    this.quads = quads.map((quad) => quad.map((corner) => [...corner]));
    this.lines = svg("svg", { viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true", preserveAspectRatio: "none" });
    this.image = h("img", { src: photo, alt: altText(quads.length), draggable: false });
    this.loupe = h("div", { class: "loupe", hidden: true });
    this.frame = h("div", { class: "outline-frame" }, this.image, this.lines);
    this.frame.style.setProperty("--ratio", String(width / height));
    this.handles = quads.length ? CORNERS.map((words, corner) => this.#handle(words, corner)) : [];
    this.frame.append(...this.handles, this.loupe);
    fill(this, this.frame);
    this.#draw();
  }

  #handle(words, corner) {
    const handle = h("button", { type: "button", class: "corner", "data-words": words });
    handle.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      clearTimeout(this.waiting);
      this.dispatchEvent(new CustomEvent("moving", { bubbles: true }));
      handle.setPointerCapture(event.pointerId);
      this.loupe.hidden = false;
      this.#magnify(corner);
      handle.onpointermove = (move) => this.#drag(corner, move);
      handle.onpointerup = handle.onpointercancel = () => {
        handle.onpointermove = null;
        this.loupe.hidden = true;
        this.#settle();
      };
    });
    handle.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!step) return;
      event.preventDefault();
      this.dispatchEvent(new CustomEvent("moving", { bubbles: true }));
      const by = (event.shiftKey ? 0.02 : 0.002) * Math.max(this.photoWidth, this.photoHeight);
      const [x, y] = this.quads[this.chosen][corner];
      this.#move(corner, x + by * step[0], y + by * step[1]);
      this.#settle();
    });
    return handle;
  }

  #drag(corner, event) {
    const box = this.frame.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * this.photoWidth;
    const y = ((event.clientY - box.top) / box.height) * this.photoHeight;
    this.#move(corner, x, y);
    this.#magnify(corner);
  }

  #move(corner, x, y) {
    const within = (value, most) => Math.min(Math.max(value, 0), most);
    this.quads[this.chosen][corner] = [within(x, this.photoWidth), within(y, this.photoHeight)];
    this.#draw();
  }

  // The card turned clockwise by a quarter: what was its left edge is its upper one.
  turn() {
    const [a, b, c, d] = this.quads[this.chosen];
    this.quads[this.chosen] = [d, a, b, c];
    this.upright = true;
    this.dispatchEvent(new CustomEvent("moving", { bubbles: true }));
    this.#draw();
    this.#settle();
  }

  #settle() {
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => {
      say("Asking again with this outline");
      this.dispatchEvent(new CustomEvent("outlined", { detail: { quad: this.quads[this.chosen].map((c) => [...c]), upright: this.upright } }));
    }, SETTLE_MS);
  }

  #draw() {
    fill(this.lines, this.quads.map((quad, index) => {
      const outline = svg("polygon", {
        points: quad.map((corner) => corner.join(",")).join(" "),
        class: index === this.chosen ? "chosen" : "other", "vector-effect": "non-scaling-stroke",
      });
      outline.addEventListener("click", () => this.dispatchEvent(new CustomEvent("pick", { detail: index })));
      return [outline, index === this.chosen && head(quad)];
    }));
    for (const [corner, handle] of this.handles.entries()) {
      const [x, y] = this.quads[this.chosen][corner];
      handle.style.left = `${(100 * x) / this.photoWidth}%`;
      handle.style.top = `${(100 * y) / this.photoHeight}%`;
      const place = `${Math.round(x)} across, ${Math.round(y)} down`;
      handle.setAttribute("aria-label", `Corner ${handle.dataset.words}: ${place}. Arrow keys move it.`);
    }
  }

  // What lies under the finger, three times as large, above it.
  #magnify(corner) {
    const [x, y] = this.quads[this.chosen][corner];
    const box = this.frame.getBoundingClientRect();
    const [left, top] = [(x / this.photoWidth) * box.width, (y / this.photoHeight) * box.height];
    const { style } = this.loupe;
    style.backgroundImage = `url("${this.photo}")`;
    style.backgroundSize = `${3 * box.width}px ${3 * box.height}px`;
    style.backgroundPosition = `${60 - 3 * left}px ${60 - 3 * top}px`;
    style.left = `${left - 60}px`;
    style.top = `${top > 150 ? top - 150 : top + 40}px`;
  }
}

// A bar just within the upper edge, with a point upwards in its middle.
function head([a, b, c, d]) {
  const along = (from, to, share) => [from[0] + (to[0] - from[0]) * share, from[1] + (to[1] - from[1]) * share];
  const at = (across, down) => along(along(a, b, across), along(d, c, across), down);
  const points = [at(0.3, 0.06), at(0.44, 0.06), at(0.5, 0.02), at(0.56, 0.06), at(0.7, 0.06), at(0.7, 0.085), at(0.3, 0.085)];
  return svg("polygon", { points: points.map((point) => point.join(",")).join(" "), class: "head-mark" });
}

function altText(cards) {
  if (!cards) return "The photograph; no card was found in it";
  return cards === 1 ? "The photograph, with the card outlined" : `The photograph, with ${cards} cards outlined`;
}

customElements.define("card-outline", CardOutline);
