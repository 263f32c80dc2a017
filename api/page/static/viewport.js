// One view of several panes: zoom and pan by wheel, drag, pinch, buttons and keys, the same in all of them.

import { grow } from "./closer.js";

const MOST = 16;

export class Viewport {
  // size: of what is looked at, [width, height]; changed: called after every change.
  constructor(size, changed) {
    this.size = size;
    this.changed = changed;
    this.panes = [];
    this.reset(false);
  }

  reset(tell = true) {
    [this.zoom, this.x, this.y] = [1, 0, 0]; // zoom 1 fits the pane; x, y in parts of the pane's size
    if (tell) this.#apply();
  }

  // Each pane is {frame, sheet, held}: the sheet has the looked-at size and lies in the frame. held: {start, move, end},
  // called with a share of the sheet's width while a finger or the mouse is down on a pane that is not enlarged.
  use(panes) {
    this.watch?.disconnect();
    this.panes = panes;
    this.watch = new ResizeObserver(() => this.#apply());
    for (const pane of panes) {
      this.watch.observe(pane.frame);
      this.#listen(pane);
    }
    this.#apply();
  }

  zoomBy(factor, at = [0, 0]) {
    const zoom = Math.min(Math.max(this.zoom * factor, 1), MOST);
    const by = zoom / this.zoom;
    this.x = at[0] + (this.x - at[0]) * by;
    this.y = at[1] + (this.y - at[1]) * by;
    this.zoom = zoom;
    this.#apply();
  }

  panBy(x, y) {
    this.x += x;
    this.y += y;
    this.#apply();
  }

  // Screen pixels for one pixel of what is looked at, in the first pane.
  get scale() {
    const frame = this.panes[0]?.frame;
    if (!frame?.clientWidth) return 1;
    return this.zoom * Math.min(frame.clientWidth / this.size[0], frame.clientHeight / this.size[1]);
  }

  #apply() {
    const most = (this.zoom - 1) / 2 + 0.25;
    this.x = this.zoom === 1 ? 0 : Math.min(Math.max(this.x, -most), most);
    this.y = this.zoom === 1 ? 0 : Math.min(Math.max(this.y, -most), most);
    for (const { frame, sheet } of this.panes) {
      frame.classList.toggle("enlarged", this.zoom > 1);
      const fit = Math.min(frame.clientWidth / this.size[0], frame.clientHeight / this.size[1]);
      const scale = fit * this.zoom;
      const left = frame.clientWidth * (0.5 + this.x) - (this.size[0] * scale) / 2;
      const top = frame.clientHeight * (0.5 + this.y) - (this.size[1] * scale) / 2;
      sheet.style.transform = `translate(${left}px, ${top}px) scale(${scale})`;
      sheet.style.setProperty("--scale", String(scale));
      if (this.zoom > 1) grow(sheet, scale);
    }
    this.changed();
  }

  // Shows a spot, [left, top, width, height] of what is looked at, with room about it.
  goTo([left, top, width, height]) {
    const [all, high] = this.size;
    this.zoom = Math.min(MOST, Math.max(1.5, Math.min(all / (3 * width), high / (3 * height))));
    const frame = this.panes[0].frame;
    const scale = Math.min(frame.clientWidth / all, frame.clientHeight / high) * this.zoom;
    this.x = ((all / 2 - left - width / 2) * scale) / frame.clientWidth;
    this.y = ((high / 2 - top - height / 2) * scale) / frame.clientHeight;
    this.#apply();
  }

  #listen({ frame, sheet, held: pressed }) {
    const held = new Map();
    const across = (event) => {
      const box = sheet.getBoundingClientRect();
      return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
    };
    const isPressed = () => pressed && this.zoom === 1 && held.size === 1;
    const place = (event) => {
      const box = frame.getBoundingClientRect();
      return [(event.clientX - box.left) / box.width - 0.5, (event.clientY - box.top) / box.height - 0.5];
    };
    frame.onwheel = (event) => {
      if (!event.ctrlKey && !frame.contains(document.activeElement)) return; // the page scrolls until it is chosen
      event.preventDefault();
      this.zoomBy(Math.exp(-event.deltaY / 300), place(event));
    };
    frame.onpointerdown = (event) => {
      held.set(event.pointerId, place(event));
      if (this.zoom > 1 || event.pointerType === "mouse" || held.size > 1) frame.setPointerCapture(event.pointerId);
      if (isPressed()) pressed.start(across(event));
    };
    frame.onpointermove = (event) => {
      if (!held.has(event.pointerId)) return;
      if (isPressed()) return void pressed.move?.(across(event));
      const before = [...held.values()];
      const [from, to] = [held.get(event.pointerId), place(event)];
      held.set(event.pointerId, to);
      const share = 1 / before.length;
      if (before.length === 2) this.zoomBy(apart([...held.values()]) / apart(before), middle([...held.values()]));
      this.panBy((to[0] - from[0]) * share, (to[1] - from[1]) * share);
    };
    frame.onpointerup = frame.onpointercancel = (event) => {
      held.delete(event.pointerId);
      pressed?.end?.();
    };
    frame.onkeydown = (event) => {
      const step = { ArrowLeft: [0.1, 0], ArrowRight: [-0.1, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] }[event.key];
      if (!step || this.zoom === 1) return;
      event.preventDefault();
      this.panBy(...step);
    };
    frame.ondblclick = (event) => (this.zoom > 1 ? this.reset() : this.zoomBy(4, place(event)));
  }
}

const apart = ([a, b]) => Math.max(Math.hypot(a[0] - b[0], a[1] - b[1]), 0.01);
const middle = ([a, b]) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
