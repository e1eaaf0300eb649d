// The logbook: list, filter, one record, correction, withdrawal, events.

import { byId, capital, html, sentence } from "./build.js";
import { Told, ask } from "./ask.js";

let open = null;

async function trying(work) {
  const box = byId("wrong");
  box.hidden = true;
  try {
    return await work();
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    box.hidden = false;
    box.replaceChildren(html("p", {}, html("strong", {}, sentence(capital(error.message)))), html("p", { class: "next" }, sentence(capital(error.hint))));
    box.scrollIntoView({ block: "nearest" });
    return null;
  }
}

const say = (words) => {
  byId("live").textContent = words;
};

async function list() {
  const query = new URLSearchParams({ machine: byId("filter-machine").value, kind: byId("filter-kind").value, all: byId("filter-all").checked });
  const book = await trying(() => ask(`/api/logbook?${query}`));
  if (book === null) return;
  fillChoices(book);
  const isEmpty = book.records.length === 0;
  const isFiltered = byId("filter-machine").value !== "" || byId("filter-kind").value !== "";
  byId("nothing").hidden = !isEmpty;
  byId("nothing").textContent = isFiltered ? "Nothing is kept that fits." : "Nothing is kept yet. Read a strip and keep it, and it stands here.";
  byId("records").hidden = isEmpty;
  byId("rows").replaceChildren(...book.records.map(row));
  say(`${book.records.length} records.`);
}

function fillChoices({ machines, lenses, kinds }) {
  const chosen = byId("filter-machine").value;
  byId("filter-machine").replaceChildren(html("option", { value: "" }, "all"), ...machines.map(({ name }) => html("option", { value: name, selected: name === chosen }, name)));
  byId("machines").replaceChildren(...machines.map(({ name }) => html("option", { value: name })));
  byId("lenses").replaceChildren(...lenses.map(({ name }) => html("option", { value: name })));
  if (byId("event-kind").options.length === 0) byId("event-kind").replaceChildren(...kinds.map(({ kind, words }) => html("option", { value: kind }, words)));
  if (machines.length === 1 && byId("event-machine").value === "") byId("event-machine").value = machines[0].name;
}

function remarks(record) {
  return [
    record.withdrawn === null ? null : `withdrawn: ${record.withdrawn}`,
    record.replaced_by === null ? null : `replaced by ${record.replaced_by}`,
    record.lens === null ? null : `lens ${record.lens}`,
    record.cautions === 0 ? null : record.cautions === 1 ? "1 caution" : `${record.cautions} cautions`,
    record.tube_mark === null ? null : `mark at ${record.tube_mark}`,
    record.note,
  ].filter(Boolean).join("; ");
}

const row = (record) =>
  html("tr", { class: `${record.kind} ${record.is_current ? "" : "past"}` },
    html("th", { scope: "row" }, html("button", { type: "button", class: "plain", "aria-label": `Open record ${record.id}`, onclick: () => show(record.id) }, String(record.id))),
    html("td", { class: "number" }, record.date),
    html("td", {}, record.machine),
    html("td", { class: record.kind === "reading" && !record.is_refused ? "number" : "" }, capital(record.told)),
    html("td", { class: "number" }, record.give_or_take === null ? "" : `${record.give_or_take} mm`),
    html("td", { class: "number more" }, record.line_width === null ? "" : `${record.line_width} mm`),
    html("td", { class: "more" }, remarks(record)));

async function show(id) {
  const page = await trying(() => ask(`/api/logbook/records/${id}`));
  if (page === null) return;
  open = page.record;
  byId("one").hidden = false;
  byId("one-title").textContent = `Record ${id}: ${open.kind === "reading" ? "a reading" : open.told}`;
  byId("one-told").replaceChildren(
    page.has_overlay ? html("img", { class: "kept", src: `/api/logbook/records/${id}/overlay.jpg`, alt: "The photograph with what was measured, as it was kept" }) : "",
    html("pre", { class: "told", tabindex: 0, "aria-label": `Record ${id} in full` }, page.told),
  );
  for (const id of ["one-correct", "one-withdraw"]) {
    byId(id).open = false;
    byId(id).hidden = !open.is_current;
  }
  byId("reason").value = "";
  buildCorrection();
  byId("one-title").focus();
}

function buildCorrection() {
  const field = (name, label, value, note = null) =>
    html("p", { class: "field" }, html("label", { for: `correct-${name}` }, label), html("input", { id: `correct-${name}`, name, value, autocomplete: "off", list: name === "machine" ? "machines" : name === "lens" ? "lenses" : null }), note ? html("span", { class: "note" }, note) : null);
  const when = open.when.slice(0, 16).replace("T", " ");
  const fields = [field("when", "When", when), field("machine", "Machine", open.machine), field("lens", "Lens", open.lens ?? ""), field("note", "Note", open.note ?? "")];
  if (open.kind === "event") fields.push(field("tube_mark", "Mark on the tube", open.tube_mark ?? ""));
  byId("correct").replaceChildren(html("div", { class: "fields wide" }, fields), html("p", { class: "quiet" }, "A correction is a new record in place of this one; this one stays, marked."), html("p", { class: "acts" }, html("button", { type: "submit" }, "Correct it")));
}

function changes(form) {
  const before = { when: open.when.slice(0, 16).replace("T", " "), machine: open.machine, lens: open.lens ?? "", note: open.note ?? "", tube_mark: open.tube_mark ?? "" };
  const now = Object.fromEntries(new FormData(form));
  return Object.fromEntries(Object.entries(now).filter(([name, value]) => value !== before[name]));
}

byId("correct").addEventListener("submit", async (event) => {
  event.preventDefault();
  const done = await trying(() => ask(`/api/logbook/records/${open.id}/correct`, { method: "POST", body: changes(event.target) }));
  if (done === null) return;
  await list();
  await show(done.id);
  say(`Corrected. It is record ${done.id} now.`);
});

byId("withdraw").addEventListener("submit", async (event) => {
  event.preventDefault();
  const id = open.id;
  const done = await trying(async () => {
    await ask(`/api/logbook/records/${id}/withdraw`, { method: "POST", body: { reason: byId("reason").value } });
    return true;
  });
  if (!done) return;
  byId("one").hidden = true;
  await list();
  say(`Record ${id} is withdrawn.`);
});

byId("one-close").addEventListener("click", () => {
  byId("one").hidden = true;
});

byId("event").addEventListener("submit", async (event) => {
  event.preventDefault();
  const body = Object.fromEntries(new FormData(event.target));
  const done = await trying(() => ask("/api/logbook/events", { method: "POST", body }));
  if (done === null) return;
  for (const id of ["event-when", "event-lens", "event-mark", "event-note"]) byId(id).value = "";
  await list();
  say(`Written down as record ${done.id}.`);
});

for (const id of ["filter-machine", "filter-kind", "filter-all"]) byId(id).addEventListener("change", list);
list();
