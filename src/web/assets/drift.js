// Whether the focus has moved or creeps, and what to check first.

import { byId, capital, html, sentence, withNumbers } from "./build.js";
import { Told, ask } from "./ask.js";

const size = (mm) => Math.abs(mm).toFixed(2);
const way = (mm) => (mm >= 0 ? "thicker" : "thinner");
const signed = (mm) => `${size(mm)}\u00a0mm ${way(mm)}`;

// Both ends of an interval; the way is said once where both lie on the same side.
const between = (low, high) => {
  if (way(low) !== way(high)) return `${signed(low)} to ${signed(high)}`;
  const [less, more] = low >= 0 ? [low, high] : [high, low];
  return `${size(less)} to ${size(more)}\u00a0mm ${way(low)}`;
};

async function trying(work) {
  byId("wrong").hidden = true;
  try {
    return await work();
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    byId("wrong").hidden = false;
    byId("wrong").replaceChildren(html("p", {}, html("strong", {}, sentence(capital(error.message)))), html("p", { class: "next" }, sentence(capital(error.hint))));
    return null;
  }
}

async function start() {
  const book = await trying(() => ask("/api/logbook?kind=readings"));
  if (book === null) return;
  const { machines, lenses } = book;
  byId("nothing").hidden = machines.length > 0;
  if (machines.length === 0) return;
  const newest = book.records[0]?.machine;
  byId("machine").replaceChildren(...machines.map(({ name }) => html("option", { value: name, selected: name === newest }, name)));
  byId("lens").append(...lenses.map(({ name }) => html("option", { value: name }, name)));
  byId("axis").append(...["x", "y"].map((axis) => html("option", { value: axis }, axis)));
  judge();
}

async function judge() {
  const query = new URLSearchParams({ machine: byId("machine").value, lens: byId("lens").value, axis: byId("axis").value, all: byId("all").checked });
  const drift = await trying(() => ask(`/api/drift?${query}`));
  byId("found").hidden = drift === null;
  if (drift === null) return;
  const words = { steady: "Steady", moved: "Moved", drifting: "Drifting", too_few: "Too few readings" };
  byId("verdict").replaceChildren(html("p", { class: "action" }, words[drift.verdict] ?? capital(drift.verdict)), html("p", { class: "result" }, withNumbers(sentence(capital(drift.message)))));
  byId("live").textContent = drift.message;
  const chart = byId("drift-chart");
  chart.hidden = drift.readings.length === 0;
  if (!chart.hidden) {
    chart.src = `/api/drift/chart.svg?${query}`;
    chart.alt = `Block against date, with its give or take, limits, trend and events. ${drift.message}`;
  }
  byId("report").href = `/api/drift/report.html?${query}`;
  byId("first").replaceChildren(...checkFirst(drift));
  byId("shifts").replaceChildren(...shifts(drift));
}

function checkFirst(drift) {
  if (drift.check_first.length === 0) return [];
  const before = drift.check_first.map((finding) => finding.before_looking).find(Boolean);
  return [
    html("h2", {}, "What to check first"),
    before ? html("p", { class: "before" }, before) : null,
    html("ol", { class: "findings" }, drift.check_first.map((finding) => html("li", {}, html("p", {}, html("strong", {}, withNumbers(sentence(capital(finding.message))))), finding.look_at.length ? html("ol", { class: "look" }, finding.look_at.map((what) => html("li", {}, capital(what)))) : null))),
  ].filter(Boolean);
}

function shifts(drift) {
  if (drift.shifts.length === 0) return [];
  const told = (shift) => {
    const done = shift.done.flatMap((d, index) => [index === 0 ? "" : ", ", html("span", { class: "number" }, d.when.slice(0, 10)), ` ${d.kind.replaceAll("_", " ")}`]);
    const [low, high] = shift.interval_mm;
    return html("tr", {}, html("th", { scope: "row" }, done), html("td", {}, signed(shift.by_mm)), html("td", {}, between(low, high)), html("td", {}, `${shift.before} before, ${shift.after} after`));
  };
  return [
    html("h2", {}, "How far the focus moved at each event"),
    html("div", { class: "table", tabindex: 0, role: "region", "aria-label": "Moves at events" }, html("table", {}, html("thead", {}, html("tr", {}, ["Event", "Block", "Lies between", "Readings"].map((h) => html("th", { scope: "col" }, h)))), html("tbody", {}, drift.shifts.map(told)))),
  ];
}

for (const id of ["machine", "lens", "axis", "all"]) byId(id).addEventListener("change", judge);
start();
