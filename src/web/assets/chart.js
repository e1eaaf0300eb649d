// Line width along the strip: measured places with their give or take, the fits, the finest place, the height slack.

import { html, svg } from "./build.js";

const FRAME = { left: 62, right: 16, top: 46, bottom: 56 };
const HEIGHT = 380;

const steps = (from, to, about) => {
  const raw = Math.abs(to - from) / about || 1;
  const ten = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * ten).find((s) => s >= raw);
  const [least, most] = [Math.min(from, to), Math.max(from, to)];
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const ticks = [];
  for (let i = Math.ceil(least / step - 1e-9); i * step <= most + 1e-9; i += 1) ticks.push([i * step, (i * step).toFixed(decimals)]);
  return ticks;
};

export class Chart {
  // `onPoint(index, isShown)` hears which measured place is pointed at.
  constructor(host, onPoint) {
    this.host = host;
    this.onPoint = onPoint;
    this.at = null;
    this.told = html("p", { class: "chart-told", "aria-hidden": "true" });
    this.svg = svg("svg", { class: "chart-drawing", tabindex: 0, role: "slider", "aria-label": "Measured places from the low end to the high end", "aria-orientation": "horizontal" });
    host.replaceChildren(this.svg, this.told, html("ul", { class: "legend" }));
    new ResizeObserver(() => this.draw()).observe(host);
    this.svg.addEventListener("pointermove", (event) => this.pointed(event));
    this.svg.addEventListener("pointerdown", (event) => this.pointed(event));
    this.svg.addEventListener("pointerleave", () => document.activeElement !== this.svg && this.onPoint(null));
    this.svg.addEventListener("keydown", (event) => this.key(event));
    this.svg.addEventListener("focus", () => this.at === null && this.points.length > 0 && this.onPoint(this.nearestTo(this.page.finest?.position_mm), true));
    this.points = [];
  }

  set(page) {
    this.page = page;
    const isTied = page.stations.some((s) => s.position_mm !== null);
    const isScaled = page.stations.some((s) => s.kerf_mm !== null);
    this.isTied = isTied;
    this.points = page.stations
      .map((s, index) => ({ index, x: isTied ? s.position_mm : s.along_px, y: isScaled ? s.kerf_mm : s.kerf_px, by: s.kerf_expanded, used: s.used, told: s.told }))
      .filter((p) => Number.isFinite(p.x) && Number.isFinite(p.y))
      .sort((a, b) => a.x - b.x);
    this.yTitle = isScaled ? "line width (mm)" : "line width (pixels)";
    this.fits = isTied && isScaled ? page.fits : [];
    this.at = null;
    this.draw();
  }

  draw() {
    const width = this.host.clientWidth;
    if (!this.page || width === 0) return;
    const { points, page } = this;
    this.host.hidden = points.length === 0;
    if (points.length === 0) return;
    const counted = points.some((p) => p.used) ? points.filter((p) => p.used) : points;
    const xs = points.map((p) => p.x);
    const span = Math.max(...xs) - Math.min(...xs) || 1;
    this.x = [Math.min(...xs) - 0.03 * span, Math.max(...xs) + 0.03 * span];
    const tops = [...counted.map((p) => p.y + (Number.isFinite(p.by) ? Math.min(p.by, p.y) : 0)), ...this.fits.filter((f) => f.used).flatMap((f) => f.curve.map((c) => c[1]))];
    const most = Math.max(...tops);
    const least = Math.min(...counted.map((p) => p.y));
    const low = least > 0.6 * most ? least - 0.4 * (most - least) : 0;
    this.y = [Math.max(low, 0), most + 0.08 * (most - low)];
    this.width = width;
    const px = (x) => FRAME.left + ((x - this.x[0]) / (this.x[1] - this.x[0])) * (width - FRAME.left - FRAME.right);
    const py = (y) => {
      const held = Math.min(Math.max(y, this.y[0]), this.y[1]);
      return HEIGHT - FRAME.bottom - ((held - this.y[0]) / (this.y[1] - this.y[0])) * (HEIGHT - FRAME.top - FRAME.bottom);
    };
    this.px = px;
    this.py = py;
    const parts = [];
    const [x0, x1, y0, y1] = [FRAME.left, width - FRAME.right, HEIGHT - FRAME.bottom, FRAME.top];
    const band = (range, name) => {
      const [a, b] = range.map(px).map((x) => Math.min(Math.max(x, x0), x1));
      parts.push(svg("rect", { class: name, x: Math.min(a, b), y: y1, width: Math.abs(b - a), height: y0 - y1 }));
    };
    if (page.finest?.slack_mm) band(page.finest.slack_mm, "slack");
    if (page.finest) band([page.finest.position_mm - page.finest.expanded_mm, page.finest.position_mm + page.finest.expanded_mm], "sure");
    for (const [y, text] of steps(...this.y, 5)) {
      parts.push(svg("path", { class: "grid", d: `M ${x0} ${py(y)} H ${x1}` }), svg("text", { x: x0 - 8, y: py(y) + 4, "text-anchor": "end" }, text));
    }
    this.axes(parts, [x0, x1, y0, y1], px);
    parts.push(svg("text", { class: "axis", transform: `translate(16 ${(y0 + y1) / 2}) rotate(-90)`, "text-anchor": "middle" }, this.yTitle));
    const bars = counted.filter((p) => p.used).map((p) => `M ${px(p.x)} ${py(p.y - p.by)} V ${py(p.y + p.by)}`).join("");
    parts.push(svg("path", { class: "bars", d: bars }));
    const dots = (some) => some.map((p) => `M ${px(p.x)} ${py(p.y)} h 0`).join("");
    const crosses = points.filter((p) => !p.used).map((p) => `M ${px(p.x) - 3} ${py(p.y) - 3} l 6 6 m 0 -6 l -6 6`).join("");
    parts.push(svg("path", { class: "left-out", d: crosses }), svg("path", { class: "used", d: dots(points.filter((p) => p.used)) }));
    // The broad curve first: the dashed one stays to be seen on it.
    for (const fit of [...this.fits].sort((a, b) => (a.model === "parabola") - (b.model === "parabola"))) {
      if (fit.curve.length < 2) continue;
      const inside = fit.curve.filter(([x, y]) => x >= this.x[0] && x <= this.x[1] && y <= this.y[1]);
      if (inside.length > 1) parts.push(svg("path", { class: `fit ${fit.model} ${fit.used ? "" : "unused"}`, d: `M ${inside.map(([x, y]) => [px(x), py(y)]).join(" L ")}` }));
    }
    if (page.finest) parts.push(svg("path", { class: "finest", d: `M ${px(page.finest.position_mm)} ${y0} V ${y1}` }));
    this.pointer = svg("g", { class: "pointer" });
    parts.push(this.pointer);
    this.svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    this.svg.setAttribute("height", HEIGHT);
    this.svg.setAttribute("aria-valuemin", 1);
    this.svg.setAttribute("aria-valuemax", points.length);
    this.svg.replaceChildren(...parts);
    this.legend();
    this.lightUp(this.at);
  }

  // Below: what the place means on the ramp. Above: the distance along the strip.
  axes(parts, [x0, x1, y0, y1], px) {
    const { scale } = this.page;
    const ramp = scale.ramp;
    const about = Math.max(3, Math.min(9, Math.round(this.width / 90)));
    const along = steps(...this.x, about);
    const distance = this.isTied ? "distance from the low end (mm)" : scale.title;
    if (!ramp) {
      for (const [x, text] of along) parts.push(svg("text", { x: px(x), y: y0 + 18, "text-anchor": "middle" }, text));
      parts.push(svg("text", { class: "axis", x: (x0 + x1) / 2, y: y0 + 42, "text-anchor": "middle" }, distance));
    } else {
      const value = (x) => ramp.low + ramp.change * (x / ramp.span_mm) + 4 * ramp.bow * (x / ramp.span_mm) * (1 - x / ramp.span_mm);
      const placeOf = (wanted) => {
        let [from, to] = this.x;
        const rising = value(to) > value(from);
        for (let i = 0; i < 50; i += 1) {
          const middle = (from + to) / 2;
          if (value(middle) < wanted === rising) from = middle;
          else to = middle;
        }
        return (from + to) / 2;
      };
      for (const [wanted, text] of steps(value(this.x[0]), value(this.x[1]), about)) {
        const x = px(placeOf(wanted));
        parts.push(svg("path", { class: "tick", d: `M ${x} ${y0} v 5` }), svg("text", { x, y: y0 + 20, "text-anchor": "middle" }, text));
      }
      parts.push(svg("text", { class: "axis", x: (x0 + x1) / 2, y: y0 + 44, "text-anchor": "middle" }, scale.title));
      for (const [x, text] of along) parts.push(svg("path", { class: "tick", d: `M ${px(x)} ${y1} v -5` }), svg("text", { x: px(x), y: y1 - 9, "text-anchor": "middle" }, text));
      parts.push(svg("text", { class: "axis", x: (x0 + x1) / 2, y: y1 - 30, "text-anchor": "middle" }, distance));
    }
    parts.push(svg("path", { class: "edge", d: `M ${x0} ${y1} V ${y0} H ${x1} V ${y1} Z` }));
  }

  legend() {
    const { finest } = this.page;
    const sign = (name, words) => html("li", { class: `sign ${name}` }, words);
    const items = [sign("used", "measured place, with its give or take")];
    if (this.points.some((p) => !p.used)) items.push(sign("left-out", "left out"));
    for (const fit of this.fits) items.push(sign(`fit ${fit.model}`, fit.told));
    if (finest) items.push(sign("finest", "finest place, with its give or take"));
    if (finest?.slack_mm && finest.slack_fraction) items.push(sign("slack", `height slack: line at most ${+(100 * finest.slack_fraction).toFixed(1)} % wider`));
    this.host.querySelector(".legend").replaceChildren(...items);
  }

  nearestTo(x) {
    const wanted = x ?? this.points[Math.floor(this.points.length / 2)].x;
    const best = this.points.reduce((a, b) => (Math.abs(b.x - wanted) < Math.abs(a.x - wanted) ? b : a));
    return best.index;
  }

  pointed(event) {
    if (this.points.length === 0) return;
    const box = this.svg.getBoundingClientRect();
    const share = (event.clientX - box.left - FRAME.left) / (this.width - FRAME.left - FRAME.right);
    this.onPoint(this.nearestTo(this.x[0] + share * (this.x[1] - this.x[0])), event.type === "pointerdown");
  }

  key(event) {
    const now = this.points.findIndex((p) => p.index === this.at);
    const moves = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10, Home: -1e9, End: 1e9 };
    const by = moves[event.key];
    if (by === undefined || this.points.length === 0) return;
    event.preventDefault();
    const next = Math.min(Math.max((now < 0 ? 0 : now) + by, 0), this.points.length - 1);
    this.onPoint(this.points[next].index, true);
  }

  lightUp(index) {
    this.at = index;
    if (!this.pointer) return;
    const point = this.points.find((p) => p.index === index);
    if (!point) {
      this.pointer.replaceChildren();
      this.told.textContent = "Point at a measured place, here or on the photograph.";
      this.svg.setAttribute("aria-valuenow", 1);
      this.svg.setAttribute("aria-valuetext", "no place chosen");
      return;
    }
    const [x, y] = [this.px(point.x), this.py(point.y)];
    this.pointer.replaceChildren(svg("path", { class: "hair", d: `M ${x} ${FRAME.top} V ${HEIGHT - FRAME.bottom}` }), svg("circle", { cx: x, cy: y, r: 6 }));
    this.told.textContent = point.told;
    this.svg.setAttribute("aria-valuenow", this.points.indexOf(point) + 1);
    this.svg.setAttribute("aria-valuetext", point.told);
  }
}
