// Keeping a reading: in the logbook, and as files.

import { byId, capital, html, sentence } from "./build.js";
import { Told, ask } from "./ask.js";

const LAST = "narrows.machine";

const remembered = () => {
  try {
    return localStorage.getItem(LAST) ?? "";
  } catch {
    return "";
  }
};

// `name`, `lens`: what the form was filled from, where it was.
export async function keepForm(host, picture) {
  const told = html("p", { class: "large", role: "status" });
  host.replaceChildren(told);
  let book;
  try {
    book = await ask("/api/logbook");
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    told.textContent = `${sentence(capital(error.message))} ${sentence(capital(error.hint))}`;
    return;
  }
  const only = book.machines.length === 1 ? book.machines[0].name : remembered();
  const field = (name, label, value, note, list) =>
    html("p", { class: "field" }, html("label", { for: `keep-${name}` }, label), html("input", { id: `keep-${name}`, name, value, list, autocomplete: "off", "aria-describedby": note ? `keep-${name}-note` : null }), note ? html("span", { class: "note", id: `keep-${name}-note` }, note) : null);
  const form = html("form", { novalidate: true },
    html("div", { class: "fields" },
      field("machine", "Machine", only, "its name in the shop", "keep-machines"),
      field("lens", "Lens", "", "where there is more than one", "keep-lenses"),
      field("when", "When it was burned", "", picture.captured_at ? "left empty: when the picture was taken" : "left empty: now; else such as 2026\u201103\u201101", null),
      field("note", "Note", "", null, null),
    ),
    html("datalist", { id: "keep-machines" }, book.machines.map(({ name }) => html("option", { value: name }))),
    html("datalist", { id: "keep-lenses" }, book.lenses.map(({ name }) => html("option", { value: name }))),
    html("p", { class: "acts", id: "keep-acts" }, html("button", { type: "submit", class: "main-act" }, "Keep it in the logbook")),
  );
  host.replaceChildren(form, told);

  const offer = (words, button, act) => {
    told.replaceChildren(words, " ", html("button", { type: "button", onclick: act }, button));
    told.querySelector("button").focus();
  };
  const keep = async (more = {}) => {
    const body = { ...Object.fromEntries(new FormData(form)), ...more };
    try {
      const kept = await ask(`/api/pictures/${picture.id}/keep`, { method: "POST", body });
      try {
        localStorage.setItem(LAST, kept.machine);
      } catch {
        // Then the name is typed again next time.
      }
      if (kept.already) return offer(`This picture is there already, as record ${kept.id}.`, "Keep it once more", () => keep({ again: true }));
      told.replaceChildren(`Kept as record ${kept.id}. `, html("a", { href: "/logbook" }, "See the logbook"));
      byId("keep-acts").hidden = true;
    } catch (error) {
      if (!(error instanceof Told)) throw error;
      const name = body.machine.trim();
      const isNew = name !== "" && !book.machines.some((machine) => machine.name.toLowerCase() === name.toLowerCase());
      if (error.code === "logbook" && isNew) {
        return offer(`There is no machine “${name}” in the logbook yet.`, `Add ${name} and keep it`, async () => {
          try {
            await ask("/api/logbook/machines", { method: "POST", body: { name } });
            book.machines.push({ name });
            await keep(more);
          } catch (second) {
            told.textContent = `${sentence(capital(second.message))} ${sentence(capital(second.hint ?? ""))}`;
          }
        });
      }
      told.textContent = `${sentence(capital(error.message))} ${sentence(capital(error.hint))}`;
    }
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    keep();
  });
}
