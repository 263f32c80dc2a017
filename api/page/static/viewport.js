// One view of several panes: zoom and pan by wheel, drag, pinch, buttons and keys, the same in all of them.

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

  // Each pane is {frame, sheet}: the sheet has the looked-at size and lies in the frame.
  use(panes) {
    this.watch?.disconnect();
    this.panes = panes;
    this.watch = new ResizeObserver(() => this.#apply());
    for (const { frame } of panes) {
      this.watch.observe(frame);
      this.#listen(frame);
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
      const fit = Math.min(frame.clientWidth / this.size[0], frame.clientHeight / this.size[1]);
      const scale = fit * this.zoom;
      const left = frame.clientWidth * (0.5 + this.x) - (this.size[0] * scale) / 2;
      const top = frame.clientHeight * (0.5 + this.y) - (this.size[1] * scale) / 2;
      sheet.style.transform = `translate(${left}px, ${top}px) scale(${scale})`;
    }
    this.changed();
  }

  #listen(frame) {
    const held = new Map();
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
    };
    frame.onpointermove = (event) => {
      if (!held.has(event.pointerId)) return;
      const before = [...held.values()];
      const [from, to] = [held.get(event.pointerId), place(event)];
      held.set(event.pointerId, to);
      const share = 1 / before.length;
      if (before.length === 2) this.zoomBy(apart([...held.values()]) / apart(before), middle([...held.values()]));
      this.panBy((to[0] - from[0]) * share, (to[1] - from[1]) * share);
    };
    frame.onpointerup = frame.onpointercancel = (event) => held.delete(event.pointerId);
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
