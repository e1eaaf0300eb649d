// The stack from the shop's stock.

import { byId, capital, html, sentence, withNumbers } from "./build.js";
import { Told, ask, save } from "./ask.js";

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

// What the drawings are made from: the block that was wanted, and the best stack.
let block = null;

const wrong = (host, error) => {
  byId(host).hidden = false;
  byId(host).replaceChildren(html("p", {}, html("strong", {}, sentence(capital(error.message)))), html("p", { class: "next" }, sentence(capital(error.hint))));
};

const table = (host, headings, rows) => {
  byId(host).replaceChildren(
    html("thead", {}, html("tr", {}, headings.map((heading) => html("th", { scope: "col" }, heading)))),
    html("tbody", {}, rows.map((cells) => html("tr", {}, cells.map((cell, index) => (index === 0 ? html("th", { scope: "row" }, withNumbers(cell)) : html("td", {}, withNumbers(cell))))))),
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
    show(await ask("/api/stack", { method: "POST", body }));
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    byId("found").hidden = true;
    wrong("wrong", error);
  }
}

function show({ spacer, page }) {
  const [best] = page.stacks;
  block = { wanted: spacer.spacer_mm, best: spacer.stacks[0].total_mm.value };
  const knowsSlack = spacer.depth_of_focus_mm !== null;
  byId("found").hidden = false;
  byId("best").replaceChildren(html("p", { class: "action" }, withNumbers(capital(best.pieces))), html("p", { class: "result" }, withNumbers(`${best.total}: ${best.off}; ${best.slack}`)));
  byId("live").textContent = `Best stack: ${best.pieces}, ${best.off}.`;
  byId("cautions").replaceChildren(html("ul", { class: "cautions" }, page.cautions.map(([what, next]) => html("li", {}, html("p", {}, withNumbers(sentence(capital(what)))), html("p", { class: "next" }, html("strong", {}, "Do next: "), withNumbers(sentence(next)))))));
  // Where the height slack is not known, it is said once, above.
  const line = (s) => (knowsSlack ? [s.wider ? `${s.wider}; ${s.slack}` : s.slack] : []);
  table("stacks", ["Pieces", "Thickness", "Off by", ...(knowsSlack ? ["Line"] : [])], page.stacks.map((s) => [s.pieces, s.total, s.off, ...line(s)]));
  table("settings", ["Work", "Gap from nozzle to work", "Nearest stack"], page.settings.map((s) => [capital(s.work), s.gap ? `${s.gap}${s.is_small ? " (small: warped sheet may hit the nozzle)" : ""}` : "cannot be: the nozzle would touch", s.stack ?? "–"]));
  byId("swelling").textContent = page.swelling;
}

async function draw(file, more) {
  byId("artwork-wrong").hidden = true;
  for (const input of byId("artwork").querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
  const filled = [...new FormData(byId("artwork"))].filter(([, value]) => value.trim() !== "");
  try {
    await save(`/api/stack/${file}?${new URLSearchParams({ ...more, ...Object.fromEntries(filled) })}`, file);
    byId("live").textContent = `${file} is saved.`;
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    wrong("artwork-wrong", error);
    const input = byId(`field-${error.field}`);
    input?.setAttribute("aria-invalid", "true");
    input?.focus();
  }
}

byId("save-label").addEventListener("click", () => draw("label.svg", { measured_mm: block.best }));
byId("save-gauge").addEventListener("click", () => draw("step-gauge.svg", { spacer_mm: block.wanted.value, spacer_u_mm: block.wanted.standard_uncertainty }));
byId("artwork").addEventListener("submit", (event) => event.preventDefault());
byId("ask").addEventListener("submit", (event) => {
  event.preventDefault();
  find();
});
if (last && byId("field-stock").value.trim() !== "") find();
