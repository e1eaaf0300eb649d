// The ramp form: which lengths are asked for follows from what the bench has; only what shows is sent.

import { html } from "./build.js";

const REMEMBERED = "narrows.fields";

// field, label, what it is, and the example shown as a placeholder
const FIELDS = {
  travel_mm: ["Head travel", "level, from the low end to the high end", "90"],
  strip_length_mm: ["Strip length", "along its surface, between the two short edges", "190"],
  strip_width_mm: ["Strip width", "takes a photograph’s perspective out", "40"],
  mark_pitch_mm: ["From mark to mark", "in head travel", "5"],
  gap_low_mm: ["Gap over the low end", "nozzle tip to strip, beam disarmed", "14"],
  gap_high_mm: ["Gap over the high end", "nozzle tip to strip, beam disarmed", "2"],
  block_mm: ["Block that just slid under", "its thickness", "7"],
  block_at_mm: ["Where it slid under", "head travel from the low end", "45"],
  tip_diameter_mm: ["Width of the nozzle’s tip", "its flat face", "8"],
  rise_mm: ["Rise", "from the low end to the high end", "12"],
  low_height_mm: ["Height at the low end", "top of the strip, from one flat reference", "3"],
  high_height_mm: ["Height at the high end", "from the same reference", "15"],
  incline_deg: ["Angle", "in degrees", "7.6"],
  prop_mm: ["Block under the strip", "its thickness", "20"],
  prop_at_mm: ["Distance to that block", "level, from the strip’s toe to its near edge", "150"],
  nozzle_height_mm: ["Height of the nozzle’s tip", "from the heights’ reference", "17"],
  spacer_in_use_mm: ["Block in use today", "to say what to change", "8"],
  gap_u_mm: ["How sure the gaps are", "one standard deviation", "0.1"],
  middle_gap_mm: ["Gap at the middle", "at half the travel; shows a bowed strip", "8"],
  middle_height_mm: ["Height at the middle", "at half the travel; shows a bowed strip", "9"],
  lens_to_nozzle_mm: ["Lens to nozzle", "gives the focal distance", "41.8"],
  nominal_focal_length_mm: ["Focal length on the lens", "", "50.8"],
  dpi: ["Resolution of the scan", "dots per inch, where it is sure", "600"],
  gauged_from: ["Gauged from", "", "nozzle tip"],
  material: ["Material", "", "birch ply 3 mm"],
  power: ["Power", "as the machine shows it", "20 %"],
  speed_mm_s: ["Speed", "mm/s", "20"],
  run_along: ["Line ran along", "which axis of the machine", "x"],
};

const ENDS = [
  ["ends", "the two ends of the line"],
  ["strip", "the strip’s two short edges"],
  ["marks", "index marks beside the line"],
];
const SIDES = [["left", "left"], ["right", "right"], ["top", "top"], ["bottom", "bottom"]];
const HEADS = [
  ["gaps", "I measured the gap over both ends"],
  ["block", "A block just slid under the nozzle"],
  ["gap_low", "I measured the gap over the low end alone"],
  ["gap_high", "I measured the gap over the high end alone"],
  ["nozzle", "I know the height of the nozzle’s tip"],
  ["none", "I do not know: tell me the height, not the block"],
];
const STEEP = [
  ["rise", "its rise"],
  ["heights", "both heights"],
  ["incline", "its angle"],
  ["prop", "a block under the strip"],
];
const MEASURED = [["rule", "a rule"], ["caliper", "a caliper"], ["blocks", "gauge blocks"]];

const STEEP_FIELDS = {
  rise: ["rise_mm"],
  heights: ["low_height_mm", "high_height_mm"],
  incline: ["incline_deg"],
  prop: ["prop_mm", "prop_at_mm"],
};
const HEAD_FIELDS = {
  gaps: ["gap_low_mm", "gap_high_mm"],
  block: ["block_mm", "block_at_mm", "tip_diameter_mm"],
  gap_low: ["gap_low_mm"],
  gap_high: ["gap_high_mm"],
  nozzle: ["nozzle_height_mm"],
  none: [],
};
const MORE = ["gap_u_mm", "strip_width_mm", "dpi", "lens_to_nozzle_mm", "nominal_focal_length_mm", "gauged_from", "material", "power", "speed_mm_s", "run_along"];

export class RampForm {
  // `onChange` hears of every change.
  constructor(host, onChange) {
    this.host = host;
    this.onChange = onChange;
    this.values = remembered();
    this.choices = { datum: "ends", low_end: "left", head: "gaps", steep: "rise", measured_with: "rule" };
    this.kept = {};
    this.guess();
    this.build();
    host.addEventListener("submit", (event) => event.preventDefault());
  }

  // Fields that came from elsewhere: a file, a machine, the demo.
  fill(fields) {
    this.values = { ...fields };
    this.guess();
    this.build();
    this.onChange();
  }

  // Which questions were answered, seen from the answers.
  guess() {
    const { values, choices } = this;
    const has = (name) => (values[name] ?? "") !== "";
    for (const name of ["datum", "low_end", "measured_with"]) if (has(name)) choices[name] = values[name];
    if (choices.datum === "points") choices.datum = "ends";
    if (has("block_mm")) choices.head = "block";
    else if (has("nozzle_height_mm")) choices.head = "nozzle";
    else if (has("gap_low_mm") && has("gap_high_mm")) choices.head = "gaps";
    else if (has("gap_low_mm")) choices.head = "gap_low";
    else if (has("gap_high_mm")) choices.head = "gap_high";
    for (const [way, fields] of Object.entries(STEEP_FIELDS)) if (fields.every(has)) choices.steep = way;
    // What the form has no place for is kept and sent along, so that a file filled in loses nothing.
    const placed = new Set([...Object.keys(FIELDS), "datum", "low_end", "measured_with"]);
    this.kept = Object.fromEntries(Object.entries(values).filter(([name]) => !placed.has(name)));
  }

  shown() {
    const { datum, head, steep } = this.choices;
    const length = datum === "strip" ? ["strip_length_mm", "strip_width_mm"] : ["travel_mm"];
    const marks = datum === "marks" ? ["mark_pitch_mm"] : [];
    const steepness = head === "gaps" ? [] : STEEP_FIELDS[head === "nozzle" ? "heights" : steep];
    const more = MORE.filter((name) => !(datum === "strip" && name === "strip_width_mm"));
    // A photograph's perspective is taken out with both sides of the strip or not at all.
    const sides = datum === "strip" ? [] : ["strip_length_mm"];
    const middle = head === "gaps" ? ["middle_gap_mm"] : steepness.includes("low_height_mm") ? ["middle_height_mm"] : [];
    return { length: [...length, ...marks], head: HEAD_FIELDS[head], steepness, more: [...middle, ...sides, ...more] };
  }

  fields() {
    const { length, head, steepness, more } = this.shown();
    const { datum, low_end, measured_with } = this.choices;
    const fields = { ...this.kept, datum, measured_with };
    if (datum !== "marks") fields.low_end = low_end;
    for (const name of [...length, ...head, ...steepness, ...more, "spacer_in_use_mm"]) {
      const value = (this.values[name] ?? "").trim();
      if (value !== "") fields[name] = value;
    }
    delete fields.points_px;
    delete fields.points_travel_mm;
    delete fields.points_u_px;
    return fields;
  }

  remember() {
    try {
      localStorage.setItem(REMEMBERED, JSON.stringify(this.fields()));
    } catch {
      // A browser that keeps nothing only makes the person type again.
    }
  }

  build() {
    const { length, head, steepness, more } = this.shown();
    const open = this.host.querySelector("details")?.open ?? false;
    const focused = document.activeElement?.id;
    const steep = this.choices.head === "gaps" || this.choices.head === "nozzle" ? [] : [this.select("steep", "How steep is told by", STEEP)];
    this.host.replaceChildren(
      html("fieldset", {}, html("legend", {}, "In the picture"),
        html("div", { class: "fields" },
          this.select("datum", "The ramp’s ends are", ENDS),
          this.choices.datum === "marks" ? null : this.select("low_end", "The low end lies at the", SIDES),
        ),
      ),
      html("fieldset", {}, html("legend", {}, "On the bench"),
        html("div", { class: "fields" }, length.map((name) => this.input(name))),
        html("div", { class: "fields wide" }, this.select("head", "Where was the nozzle?", HEADS)),
        html("div", { class: "fields" }, head.map((name) => this.input(name)), steep, steepness.map((name) => this.input(name))),
        html("div", { class: "fields" }, this.input("spacer_in_use_mm")),
      ),
      html("details", { open }, html("summary", {}, "More, where you know it"),
        html("div", { class: "fields" }, this.select("measured_with", "Measured with", MEASURED), more.map((name) => this.input(name))),
      ),
    );
    if (focused) document.getElementById(focused)?.focus();
  }

  select(name, label, options) {
    const id = `field-${name}`;
    const change = (event) => {
      this.choices[name] = event.target.value;
      this.build();
      this.onChange();
    };
    const chosen = this.choices[name];
    return html("p", { class: "field" },
      html("label", { for: id }, label),
      html("select", { id, name, onchange: change }, options.map(([value, text]) => html("option", { value, selected: value === chosen }, text))),
    );
  }

  input(name) {
    const [label, note, example] = FIELDS[name];
    const id = `field-${name}`;
    const unit = name.endsWith("_mm") ? "mm" : "";
    const isText = ["gauged_from", "material", "power", "run_along"].includes(name);
    const input = html("input", {
      id, name, value: this.values[name] ?? "", placeholder: isText ? null : example, autocomplete: "off", spellcheck: "false",
      inputmode: isText ? "text" : "decimal", "aria-describedby": `${id}-note`,
      oninput: (event) => {
        this.values[name] = event.target.value;
        this.onChange();
      },
    });
    return html("p", { class: "field" },
      html("label", { for: id }, label),
      html("span", { class: "with-unit" }, input, unit === "" ? null : html("span", { class: "unit" }, unit)),
      html("span", { class: "note", id: `${id}-note` }, note),
    );
  }

  // Marks the field that something is wrong with; `null` where all is well.
  blame(field) {
    for (const input of this.host.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
    const input = field === null ? null : document.getElementById(`field-${field}`);
    input?.setAttribute("aria-invalid", "true");
    return input;
  }
}

function remembered() {
  try {
    return JSON.parse(localStorage.getItem(REMEMBERED)) ?? {};
  } catch {
    return {};
  }
}
