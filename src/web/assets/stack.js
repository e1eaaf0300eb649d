// The stack from the shop's stock.

import { byId, capital, html, sentence } from "./build.js";
import { Told, ask } from "./ask.js";

const STOCK = "narrows.stock";
const ANSWER = "narrows.answer";

const read = (key) => {
  try {
    return JSON.parse(localStorage.getItem(key));
  } catch {
    return null;
  }
};

const last = read(ANSWER);
byId("field-stock").value = read(STOCK) ?? "";
if (last) {
  byId("field-spacer").value = last.digits;
  byId("from-answer").hidden = false;
  byId("from-answer").textContent = `From the last answer: ${last.told}.`;
}

const table = (host, headings, rows) => {
  byId(host).replaceChildren(
    html("thead", {}, html("tr", {}, headings.map((heading) => html("th", { scope: "col" }, heading)))),
    html("tbody", {}, rows.map((cells) => html("tr", {}, cells.map((cell, index) => (index === 0 ? html("th", { scope: "row" }, cell) : html("td", {}, cell)))))),
  );
};

async function find() {
  byId("wrong").hidden = true;
  const spacer = byId("field-spacer").value.trim();
  const isLast = last !== null && spacer === last.digits;
  try {
    localStorage.setItem(STOCK, JSON.stringify(byId("field-stock").value));
  } catch {
    // Then it is typed again next time.
  }
  const body = {
    // The answer itself, not its rounded digits, where it was not changed.
    spacer: isLast ? String(last.value) : spacer,
    spacer_u_mm: isLast ? last.u : 0,
    slack: isLast ? last.slack : null,
    stock: byId("field-stock").value,
    pieces: Number(byId("field-pieces").value),
  };
  try {
    show((await ask("/api/stack", { method: "POST", body })).page);
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    byId("found").hidden = true;
    byId("wrong").hidden = false;
    byId("wrong").replaceChildren(html("p", {}, html("strong", {}, sentence(capital(error.message)))), html("p", { class: "next" }, sentence(capital(error.hint))));
  }
}

function show(page) {
  const [best] = page.stacks;
  byId("found").hidden = false;
  byId("best").replaceChildren(html("p", { class: "action" }, capital(best.pieces)), html("p", { class: "result" }, `${best.total}: ${best.off}; ${best.slack}`));
  byId("live").textContent = `Best stack: ${best.pieces}, ${best.off}.`;
  byId("cautions").replaceChildren(html("ul", { class: "cautions" }, page.cautions.map(([what, next]) => html("li", {}, html("p", {}, sentence(capital(what))), html("p", { class: "next" }, html("strong", {}, "Do next: "), sentence(next))))));
  table("stacks", ["Pieces", "Thickness", "Off by", "Line"], page.stacks.map((s) => [s.pieces, s.total, s.off, s.wider ? `${s.wider}; ${s.slack}` : s.slack]));
  table("settings", ["Work", "Gap from nozzle to work", "Nearest stack"], page.settings.map((s) => [capital(s.work), s.gap ? `${s.gap}${s.is_small ? " (small: warped sheet may hit the nozzle)" : ""}` : "cannot be: the nozzle would touch", s.stack ?? "–"]));
  byId("swelling").textContent = page.swelling;
}

byId("ask").addEventListener("submit", (event) => {
  event.preventDefault();
  find();
});
if (last && byId("field-stock").value.trim() !== "") find();
