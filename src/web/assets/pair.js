import { byId, sentence } from "./build.js";
import { Told, ask } from "./ask.js";

const form = byId("pair");
const code = byId("code");

async function pair() {
  byId("pair-told").textContent = "";
  try {
    await ask("/api/pair", { method: "POST", body: { code: code.value } });
    location.replace("/");
  } catch (error) {
    if (!(error instanceof Told)) throw error;
    byId("pair-told").textContent = `${sentence(error.message)} ${sentence(error.hint)}`;
    code.select();
  }
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  pair();
});

if (location.hash.length > 1) {
  code.value = location.hash.slice(1);
  history.replaceState(null, "", "/pair");
  pair();
}
