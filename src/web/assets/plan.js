// What to set, burn and print before a ramp test.

import { byId, capital, html, sentence, withNumbers } from "./build.js";
import { Told, ask } from "./ask.js";

const FILES = [
  ["sheet.html", "The page for the bench, to print"],
  ["setup.toml", "The setup file, with blanks for what is measured"],
  ["line.svg", "The line, SVG"],
  ["marks.svg", "The index marks, SVG"],
  ["note.svg", "Name and date, SVG"],
  ["line.dxf", "The line, DXF"],
  ["marks.dxf", "The index marks, DXF"],
  ["note.dxf", "Name and date, DXF"],
  ["contours.svg", "A ramp to keep: contours, SVG"],
  ["letters.svg", "A ramp to keep: letters, SVG"],
  ["ramp.toml", "A ramp to keep: its file"],
];

const form = byId("ask");

function query() {
  const filled = [...new FormData(form)].filter(([, value]) => value.trim() !== "");
  return new URLSearchParams(filled).toString();
}

async function plan() {
  byId("wrong").hidden = true;
  for (const input of form.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
  const asked = query();
  try {
    show(await ask(`/api/plan?${asked}`), asked);
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    byId("found").hidden = true;
    byId("wrong").hidden = false;
    byId("wrong").replaceChildren(html("p", {}, html("strong", {}, sentence(capital(error.message)))), html("p", { class: "next" }, sentence(capital(error.hint))));
    const input = byId(`field-${error.field}`);
    input?.setAttribute("aria-invalid", "true");
    input?.focus();
  }
}

function show({ plan, page }, asked) {
  const [action, answer] = page.told;
  byId("found").hidden = false;
  byId("action").replaceChildren(html("p", { class: "action" }, withNumbers(capital(action.text))), html("p", { class: "result" }, withNumbers(sentence(capital(answer.text)))));
  byId("live").textContent = action.text;
  const side = byId("plan-side");
  side.src = `/api/plan/side.svg?${asked}`;
  side.alt = `The ramp from the side, to scale: rise ${plan.ramp.rise_mm.toFixed(1)} mm over ${plan.ramp.travel_mm.toFixed(1)} mm of travel, gap ${plan.ramp.gap_low_mm.toFixed(1)} mm over the low end and ${plan.ramp.gap_high_mm.toFixed(1)} mm over the high end`;
  const parts = [];
  let list = null;
  for (const block of page.told.slice(2)) {
    if (block.kind === "heading") {
      parts.push(html("h2", {}, capital(block.text)));
      list = null;
    } else if (block.kind === "row") {
      if (list === null) parts.push((list = html("dl", {})));
      list.append(html("dt", {}, capital(block.label)), html("dd", {}, withNumbers(block.value)));
    } else {
      parts.push(html("p", {}, withNumbers(sentence(capital(block.text)))));
    }
  }
  byId("told").replaceChildren(...parts);
  const hasMarks = plan.ramp.marks !== null;
  const files = FILES.filter(([file]) => hasMarks || !file.startsWith("marks"));
  byId("files").replaceChildren(...files.map(([file, words]) => html("li", {}, html("a", { href: `/api/plan/${file}?${asked}`, download: file }, words))));
  history.replaceState(null, "", `/plan?${asked}`);
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  plan();
});

const given = new URLSearchParams(location.search);
for (const [name, value] of given) {
  const input = form.elements.namedItem(name);
  if (input) input.value = value;
}
if (given.has("spacer_in_use_mm")) plan();
