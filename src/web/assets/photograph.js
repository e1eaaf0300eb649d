// The photograph with what was measured drawn over it: zoom and pan to single pixels, handles that can be moved.

import { html, svg } from "./build.js";

const LARGEST_PIXEL = 40; // screen pixels per pixel of the photograph
const STEP = 1.5;

export class Photograph {
  // `onPoint` hears which measured place is pointed at: its index, or null.
  constructor(host, onPoint) {
    this.onPoint = onPoint;
    this.size = [1, 1];
    this.stations = [];
    this.pointers = new Map();
    this.handles = [];
    this.view = { x: 0, y: 0, scale: 1 };
    this.isWhole = true;
    this.image = svg("image", { x: 0, y: 0 });
    this.piece = svg("image", { class: "piece" });
    this.drawing = svg("g", { class: "drawing" });
    this.light = svg("g", { class: "light" });
    this.grips = svg("g", { class: "grips" });
    this.svg = svg("svg", { class: "photo", tabindex: 0, role: "group", "aria-roledescription": "photograph", "aria-describedby": "photo-keys", "aria-label": "Photograph of the strip" },
      this.image, this.piece, this.drawing, this.light, this.grips);
    this.loupeImage = svg("image", { x: 0, y: 0 });
    this.loupe = svg("svg", { class: "loupe", "aria-hidden": "true" }, this.loupeImage, svg("path", { class: "cross", d: "" }));
    this.loupe.setAttribute("hidden", "");
    this.finest = html("button", { type: "button", onclick: () => this.showFinest(), hidden: true }, "Finest place");
    this.tools = html("div", { class: "photo-tools", role: "group", "aria-label": "Look closer" },
      html("button", { type: "button", onclick: () => this.zoom(STEP) }, "Closer"),
      html("button", { type: "button", onclick: () => this.zoom(1 / STEP) }, "Further"),
      html("button", { type: "button", onclick: () => this.whole() }, "Whole picture"),
      html("button", { type: "button", onclick: () => this.zoom(null) }, "Pixel by pixel"),
      this.finest,
    );
    this.place = html("p", { class: "photo-told" });
    this.frame = html("div", { class: "photo-frame" }, this.svg, this.loupe);
    host.replaceChildren(
      this.frame,
      html("p", { class: "unseen", id: "photo-keys" }, "Plus and minus look closer and further, arrow keys move, 0 shows the whole picture."),
      this.tools,
      this.place,
    );
    this.listen();
    new ResizeObserver(() => this.apply()).observe(this.frame);
  }

  // A new picture: where it is shown from, its size, and its id on the machine. `isPlain` is false where the browser
  // cannot show the file itself and the machine sends what is looked at.
  setPicture({ src, width, height, id, isPlain, name }) {
    this.size = [width, height];
    this.id = id;
    this.isPlain = isPlain;
    for (const image of [this.image, this.loupeImage]) {
      image.setAttribute("href", src);
      image.setAttribute("width", width);
      image.setAttribute("height", height);
      image.setAttribute("preserveAspectRatio", "none");
    }
    this.piece.removeAttribute("href");
    this.svg.setAttribute("aria-label", `Photograph of the strip: ${name}`);
    this.frame.style.setProperty("--shape", `${width} / ${height}`);
    this.setOverlay(null);
    this.setHandles([], null);
    this.whole();
  }

  whole() {
    this.isWhole = true;
    this.apply();
  }

  // Screen pixels per pixel of the photograph at which all of it shows.
  fitting() {
    const box = this.svg.getBoundingClientRect();
    return Math.min(box.width / this.size[0], box.height / this.size[1]) || 1;
  }

  apply() {
    const box = this.svg.getBoundingClientRect();
    if (box.width === 0) return;
    const [width, height] = this.size;
    const fitting = this.fitting();
    if (this.isWhole) this.view = { scale: fitting, x: width / 2, y: height / 2 };
    this.view.scale = Math.min(Math.max(this.view.scale, fitting), LARGEST_PIXEL);
    this.isWhole = this.view.scale <= fitting * 1.001;
    const [w, h] = [box.width / this.view.scale, box.height / this.view.scale];
    // The middle stays on the photograph, and no more of the surroundings shows than must.
    const held = (middle, seen, all) => (seen >= all ? all / 2 : Math.min(Math.max(middle, seen / 2), all - seen / 2));
    this.view.x = held(this.view.x, w, width);
    this.view.y = held(this.view.y, h, height);
    this.svg.setAttribute("viewBox", `${this.view.x - w / 2} ${this.view.y - h / 2} ${w} ${h}`);
    this.svg.classList.toggle("pixels", this.view.scale > 2);
    this.svg.classList.toggle("movable", !this.isWhole);
    this.fetchPiece(w, h);
    this.drawFinest();
  }

  // What the machine sends in place of the file, as sharp as the screen shows it.
  fetchPiece(w, h) {
    clearTimeout(this.pieceTimer);
    if (this.isPlain || !this.id || this.view.scale <= Math.min(1, 2400 / Math.max(...this.size))) return;
    this.pieceTimer = setTimeout(() => {
      const [width, height] = this.size;
      const x = Math.max(0, Math.floor(this.view.x - w / 2));
      const y = Math.max(0, Math.floor(this.view.y - h / 2));
      const [right, bottom] = [Math.min(width, Math.ceil(x + w) + 1), Math.min(height, Math.ceil(y + h) + 1)];
      for (const [name, value] of Object.entries({ x, y, width: right - x, height: bottom - y })) this.piece.setAttribute(name, value);
      this.piece.setAttribute("href", `/api/pictures/${this.id}/view?x=${x}&y=${y}&w=${right - x}&h=${bottom - y}&side=3000`);
    }, 150);
  }

  // `factor` null: one pixel of the photograph as large as it gets while pixels can be counted.
  zoom(factor, at) {
    const scale = factor === null ? 16 : this.view.scale * factor;
    const [x, y] = at ?? [this.view.x, this.view.y];
    const before = this.view.scale;
    const after = Math.min(Math.max(scale, this.fitting()), LARGEST_PIXEL);
    this.view.x = x + (this.view.x - x) * (before / after);
    this.view.y = y + (this.view.y - y) * (before / after);
    this.view.scale = after;
    this.isWhole = false;
    this.apply();
  }

  showFinest() {
    if (!this.finestPlace) return;
    [this.view.x, this.view.y] = this.finestPlace;
    this.view.scale = Math.max(this.view.scale, 8);
    this.isWhole = false;
    this.apply();
  }

  // A place of the photograph under a place of the screen.
  under(event) {
    const matrix = this.svg.getScreenCTM();
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    return [point.x, point.y];
  }

  listen() {
    const photo = this.svg;
    photo.addEventListener("wheel", (event) => {
      // The page scrolls on unless the photograph is meant.
      if (this.isWhole && !event.ctrlKey && document.activeElement !== photo) return;
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * 0.002), this.under(event));
    }, { passive: false });
    photo.addEventListener("dblclick", (event) => this.zoom(3, this.under(event)));
    photo.addEventListener("pointerdown", (event) => {
      this.pointers.set(event.pointerId, [event.clientX, event.clientY]);
      if (!this.isWhole || this.pointers.size > 1) photo.setPointerCapture(event.pointerId);
      if (event.pointerType !== "mouse") this.point(event);
    });
    photo.addEventListener("pointermove", (event) => this.move(event));
    for (const name of ["pointerup", "pointercancel"]) photo.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
    photo.addEventListener("pointerleave", () => this.onPoint(null));
    photo.addEventListener("keydown", (event) => this.key(event));
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return this.point(event);
    const now = [event.clientX, event.clientY];
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    this.pointers.set(event.pointerId, now);
    if (others.length > 0) {
      const far = ([ax, ay], [bx, by]) => Math.hypot(ax - bx, ay - by) || 1;
      const middle = { clientX: (now[0] + others[0][0]) / 2, clientY: (now[1] + others[0][1]) / 2 };
      this.zoom(far(now, others[0]) / far(before, others[0]), this.under(middle));
    }
    if (!this.isWhole) {
      const share = others.length > 0 ? 0.5 : 1;
      this.view.x -= (share * (now[0] - before[0])) / this.view.scale;
      this.view.y -= (share * (now[1] - before[1])) / this.view.scale;
      this.apply();
    }
  }

  key(event) {
    const far = 60 / this.view.scale;
    const moves = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] };
    if (event.key === "+" || event.key === "=") this.zoom(STEP);
    else if (event.key === "-") this.zoom(1 / STEP);
    else if (event.key === "0") this.whole();
    else if (moves[event.key] && !this.isWhole && event.target === this.svg) {
      this.view.x += moves[event.key][0];
      this.view.y += moves[event.key][1];
      this.apply();
    } else return;
    event.preventDefault();
  }

  // The measured place nearest to what is pointed at, where that is near the line.
  point(event) {
    if (this.stations.length === 0) return;
    const [x, y] = this.under(event);
    let best = null;
    let nearest = 40 / this.view.scale;
    this.stations.forEach(({ left_px: l, right_px: r }, index) => {
      const away = Math.hypot((l[0] + r[0]) / 2 - x, (l[1] + r[1]) / 2 - y);
      if (away < nearest) [best, nearest] = [index, away];
    });
    this.onPoint(best);
  }

  // Lights one measured place; with `isShown` it is brought into view.
  lightUp(index, isShown = false) {
    const station = index === null ? undefined : this.stations[index];
    if (!station) {
      this.light.replaceChildren();
      return;
    }
    const { left_px: l, right_px: r } = station;
    const long = 26 / this.view.scale;
    const away = Math.hypot(r[0] - l[0], r[1] - l[1]) || 1;
    const [dx, dy] = [((r[0] - l[0]) / away) * long, ((r[1] - l[1]) / away) * long];
    const d = `M ${l[0] - dx} ${l[1] - dy} L ${l} M ${r} L ${r[0] + dx} ${r[1] + dy}`;
    this.light.replaceChildren(svg("path", { class: "under", d }), svg("path", { class: "over", d }));
    if (isShown && !this.isWhole) {
      [this.view.x, this.view.y] = [(l[0] + r[0]) / 2, (l[1] + r[1]) / 2];
      this.apply();
    }
  }

  // Draws what a reading found; `null` takes it away.
  setOverlay(page) {
    this.stations = page?.stations ?? [];
    this.finestPlace = page?.finest?.place_px ?? null;
    this.finest.hidden = this.finestPlace === null;
    this.light.replaceChildren();
    const parts = [];
    const twice = (name, d) => parts.push(svg("path", { class: `${name} under`, d }), svg("path", { class: `${name} over`, d }));
    const dots = (stations) => stations.map(({ left_px: l, right_px: r }) => `M ${l} h 0 M ${r} h 0`).join("");
    if (page?.outline_px) parts.push(svg("path", { class: "outline", d: `M ${page.outline_px.join(" L ")} Z` }));
    const left_out = this.stations.filter((station) => !station.used);
    const used = this.stations.filter((station) => station.used);
    if (left_out.length) parts.push(svg("path", { class: "left-out", d: dots(left_out) }));
    if (used.length) parts.push(svg("path", { class: "used", d: dots(used) }));
    if (page?.course && used.length === 0) twice("course", `M ${page.course.places_px.join(" L ")}`);
    for (const { place_px, halves_px } of page?.tie?.marks ?? []) {
      const halves = halves_px.filter(Boolean).map(([a, b]) => `M ${a} L ${b}`);
      twice("mark", `${halves.join("")} M ${place_px} h 0`);
    }
    if (page?.tie) {
      for (const [place, words] of [[page.tie.low_px, "low end"], [page.tie.high_px, "high end"]]) {
        parts.push(svg("path", { class: "end under", d: `M ${place} h 0` }), svg("path", { class: "end over", d: `M ${place} h 0` }));
        parts.push(svg("title", {}, words));
      }
    }
    this.across = null;
    if (page?.finest && page.course) {
      const { places_px: places } = page.course;
      const [a, b] = [places[0], places[places.length - 1]];
      const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
      this.across = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
      this.finestPaths = ["under", "over"].map((layer) => svg("path", { class: `finest ${layer}` }));
      parts.push(...this.finestPaths);
    }
    this.drawing.replaceChildren(...parts);
    this.drawFinest();
  }

  // Two strokes beside the line, as long on the screen at every scale, so that they never lie out of sight.
  drawFinest() {
    if (!this.across) return;
    const [x, y] = this.finestPlace;
    const [nx, ny] = this.across;
    const stroke = (sign) => `M ${x + (sign * nx * 22) / this.view.scale} ${y + (sign * ny * 22) / this.view.scale} L ${x + (sign * nx * 62) / this.view.scale} ${y + (sign * ny * 62) / this.view.scale}`;
    for (const path of this.finestPaths) path.setAttribute("d", stroke(1) + stroke(-1));
  }

  // Handles to move: `{ name, place }` each; `onMoved` gets all places when one was let go. `shape` is `line` or `area`.
  setHandles(handles, onMoved, shape = "line") {
    this.handles = handles.map((handle) => ({ ...handle }));
    this.onMoved = onMoved;
    this.shape = shape;
    this.drawHandles();
  }

  outlineOfHandles() {
    const [a, b] = this.handles.map((handle) => handle.place);
    return this.shape === "area" ? `M ${a} H ${b[0]} V ${b[1]} H ${a[0]} Z` : `M ${a} L ${b}`;
  }

  drawHandles() {
    if (this.handles.length === 0) {
      this.grips.replaceChildren();
      return;
    }
    const between = this.outlineOfHandles();
    this.between = [svg("path", { class: "between under", d: between }), svg("path", { class: "between over", d: between })];
    this.grips.replaceChildren(...this.between, ...this.handles.map((handle) => this.grip(handle)));
  }

  grip(handle) {
    const grip = svg("g", { class: "grip", tabindex: 0, role: "button", "aria-roledescription": "movable point" });
    const draw = () => {
      const at = `M ${handle.place} h 0`;
      const label = `${handle.name}, at ${Math.round(handle.place[0])} across and ${Math.round(handle.place[1])} down; arrow keys move it, with shift further`;
      grip.setAttribute("aria-label", label);
      grip.replaceChildren(svg("path", { class: "reach", d: at }), svg("path", { class: "ring", d: at }), svg("path", { class: "hole", d: at }), svg("path", { class: "dot", d: at }));
      const d = this.outlineOfHandles();
      for (const path of this.between) path.setAttribute("d", d);
    };
    draw();
    const set = ([x, y]) => {
      handle.place = [Math.min(Math.max(x, 0), this.size[0]), Math.min(Math.max(y, 0), this.size[1])];
      draw();
    };
    const done = () => {
      this.loupe.setAttribute("hidden", "");
      this.onMoved(this.handles.map(({ place }) => place));
    };
    let offset = null;
    grip.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      grip.setPointerCapture(event.pointerId);
      const [x, y] = this.under(event);
      offset = [handle.place[0] - x, handle.place[1] - y];
      this.magnify(handle.place);
    });
    grip.addEventListener("pointermove", (event) => {
      if (offset === null) return;
      event.stopPropagation();
      const [x, y] = this.under(event);
      set([x + offset[0], y + offset[1]]);
      this.magnify(handle.place);
    });
    for (const name of ["pointerup", "pointercancel"]) {
      grip.addEventListener(name, () => {
        if (offset === null) return;
        offset = null;
        done();
      });
    }
    let timer = null;
    grip.addEventListener("keydown", (event) => {
      const far = event.shiftKey ? 20 : 1;
      const moves = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] };
      const by = moves[event.key];
      if (!by) return;
      event.preventDefault();
      event.stopPropagation();
      set([handle.place[0] + by[0], handle.place[1] + by[1]]);
      this.magnify(handle.place);
      clearTimeout(timer);
      timer = setTimeout(done, 350);
    });
    return grip;
  }

  // A finger covers what it moves: the corner shows it enlarged.
  magnify([x, y]) {
    const seen = 40;
    this.loupe.removeAttribute("hidden");
    this.loupe.setAttribute("viewBox", `${x - seen / 2} ${y - seen / 2} ${seen} ${seen}`);
    this.loupe.lastChild.setAttribute("d", `M ${x - seen / 2} ${y} H ${x - 2} M ${x + 2} ${y} H ${x + seen / 2} M ${x} ${y - seen / 2} V ${y - 2} M ${x} ${y + 2} V ${y + seen / 2}`);
    const box = this.svg.getBoundingClientRect();
    const onLeft = (x - this.view.x) * this.view.scale < 0 && box.width > 0;
    this.loupe.classList.toggle("at-right", onLeft);
  }
}
