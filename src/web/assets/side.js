// The ramp from the side, to scale: strip, nozzle over both ends, gaps, block.

import { html, svg } from "./build.js";

const mm = (value) => `${Number(value.toFixed(1))} mm`;

// A drawing of numbers the library computed; `null` draws a faint ramp without numbers.
export function drawSide(host, side, isImpossible) {
  host.classList.toggle("impossible", isImpossible);
  const known = side !== null;
  const shown = side ?? { travel_mm: 100, strip_mm: [0, 7, 14], gaps_mm: null, block: null };
  const travel = shown.travel_mm;
  const unit = travel / 100;
  const tip = shown.gaps_mm ? shown.gaps_mm[0] + shown.strip_mm[0] : shown.strip_mm[2] + 12 * unit;
  const [left, right] = [-24 * unit, travel + 24 * unit];
  const top = -Math.max(tip, ...shown.strip_mm) - 24 * unit;
  const bottom = 15 * unit;
  const y = (height) => -height;
  const strip = `M 0 ${y(shown.strip_mm[0])} Q ${travel / 2} ${y(2 * shown.strip_mm[1] - (shown.strip_mm[0] + shown.strip_mm[2]) / 2)} ${travel} ${y(shown.strip_mm[2])}`;
  const text = (x, at, words, anchor = "middle") =>
    svg("text", { x, y: at, "text-anchor": anchor, "font-size": 5 * unit }, words);
  const parts = [
    svg("path", { class: "ground", d: `M ${left} 0 H ${right}` }),
    svg("path", { class: "wedge", d: `${strip} V 0 H 0 Z` }),
    svg("path", { class: "strip", d: strip }),
    text(0, 6.5 * unit, "low end"),
    text(travel, 6.5 * unit, "high end"),
  ];
  for (const [index, at] of [[0, 0], [2, travel]]) {
    parts.push(svg("path", { class: "nozzle", d: `M ${at - 2 * unit} ${y(tip)} h ${4 * unit} l ${3 * unit} ${-9 * unit} h ${-10 * unit} Z` }));
    if (shown.gaps_mm) {
      parts.push(svg("path", { class: "gap", d: `M ${at} ${y(tip)} V ${y(shown.strip_mm[index])}` }));
      const outside = index === 0 ? [at - 4 * unit, "end"] : [at + 4 * unit, "start"];
      parts.push(text(outside[0], y((tip + shown.strip_mm[index]) / 2) + 1.5 * unit, mm(shown.gaps_mm[index]), outside[1]));
    }
  }
  if (known) {
    parts.push(text(travel / 2, 12.5 * unit, `travel ${mm(travel)} · rise ${mm(side.rise_mm)} · ${side.incline_deg.toFixed(1)}°`));
    if (side.spacer_in_use_at_mm !== null && side.spacer_in_use_mm !== null) {
      const at = side.spacer_in_use_at_mm;
      const share = at / travel;
      const ground = (1 - share) ** 2 * side.strip_mm[0] + 2 * share * (1 - share) * (2 * side.strip_mm[1] - (side.strip_mm[0] + side.strip_mm[2]) / 2) + share ** 2 * side.strip_mm[2];
      parts.push(svg("path", { class: "in-use", d: `M ${at} ${y(tip)} V ${y(ground)}` }));
      parts.push(text(at, y(tip) - 2.5 * unit, `block in use, ${mm(side.spacer_in_use_mm)}`));
    }
    if (side.block) {
      const [at, thick] = side.block;
      parts.push(svg("path", { class: "in-use", d: `M ${at} ${y(tip)} v ${thick}` }));
      parts.push(text(at, y(tip) - 2.5 * unit, `block ${mm(thick)}`));
    }
  }
  const label = known
    ? `The ramp from the side, to scale: travel ${mm(travel)}, rise ${mm(side.rise_mm)}` +
      (side.gaps_mm ? `, gap ${mm(side.gaps_mm[0])} over the low end and ${mm(side.gaps_mm[2])} over the high end` : "")
    : isImpossible
      ? "A ramp like this cannot be"
      : "The ramp from the side, still without its lengths";
  host.replaceChildren(
    svg("svg", { viewBox: `${left} ${top} ${right - left} ${bottom - top}`, role: "img", "aria-label": label, class: known ? "" : "faint" }, ...parts),
  );
}
