// The path from a picture to an answer: four steps, each of which can be gone back to.

import { byId, capital, html, sentence, withNumbers } from "./build.js";
import { Told, ask, send, untilReady } from "./ask.js";
import { Chart } from "./chart.js";
import { RampForm } from "./form.js";
import { keepForm } from "./keep.js";
import { togglePhone } from "./phone.js";
import { Photograph } from "./photograph.js";
import { drawSide } from "./side.js";

const STEPS = [1, 2, 3, 4];
const SHOWN_AFTER = 500; // ms: what takes longer says that it goes on

const state = { step: 1, picture: null, file: null, result: null, given: {}, area: null, mode: "look" };
let photograph;
let chart;
let running = null;

// ---- steps ----

function go(step, { focus = true } = {}) {
  state.step = step;
  for (const n of STEPS) byId(`step-${n}`).hidden = n !== step;
  const place = byId("photograph");
  place.hidden = state.picture === null || step === 4 || step === 1;
  // One photograph for all steps: it stands where the step wants it.
  if (step === 3) byId("photograph-here").append(place);
  else byId("step-2").before(place);
  byId("correct").hidden = step !== 3;
  place.classList.toggle("small", step === 2);
  if (step !== 3) photograph?.setHandles([], null);
  else setMode(state.mode);
  if (step === 4) keepForm(byId("keep-form"), state.picture);
  markSteps();
  if (focus) byId(`title-${step}`).focus?.({ preventScroll: true });
  scrollTo({ top: 0 });
}

function markSteps() {
  const done = { 1: state.picture !== null, 2: state.result !== null, 3: state.result !== null, 4: false };
  const open = { 1: true, 2: state.picture !== null, 3: state.result !== null, 4: state.result !== null };
  for (const button of document.querySelectorAll(".steps button")) {
    const step = Number(button.dataset.step);
    button.disabled = !open[step];
    button.classList.toggle("done", done[step]);
    if (step === state.step) button.setAttribute("aria-current", "step");
    else button.removeAttribute("aria-current");
  }
}

// ---- what goes on, and what went wrong ----

// Runs work that can be cancelled. Newer work takes the place of older; `null` where it was cancelled.
async function during(what, work) {
  running?.abort();
  const controller = new AbortController();
  running = controller;
  tell(null);
  const progress = byId("busy-share");
  const show = (text, share) => {
    byId("busy-what").textContent = text;
    if (share === undefined) progress.removeAttribute("value");
    else progress.value = share;
  };
  show(what);
  const timer = setTimeout(() => {
    byId("busy").hidden = false;
    say(what);
  }, SHOWN_AFTER);
  try {
    return await work(controller.signal, show);
  } catch (error) {
    if (error.name !== "AbortError") tell(error);
    else if (running === controller) say("Cancelled.");
    return null;
  } finally {
    clearTimeout(timer);
    if (running === controller) {
      byId("busy").hidden = true;
      running = null;
    }
  }
}

const say = (words) => {
  byId("live").textContent = words;
};

function tell(error) {
  const box = byId("wrong");
  box.hidden = error === null;
  if (error === null) return;
  if (!(error instanceof Told)) {
    console.error(error);
    error = new Told({ error: "something went wrong on this page", hint: "reload it and try again" });
  }
  box.replaceChildren(html("p", {}, html("strong", {}, sentence(error.message))), html("p", { class: "next" }, sentence(error.hint)));
  form.blame(error.field ?? null)?.focus();
}

// ---- 1: the picture ----

async function take(file) {
  const picture = await during(`Sending ${file.name}`, async (signal, show) => {
    const id = await send(file, { signal, onShare: (share) => show(`Sending ${file.name}`, share) });
    show("Opening the picture");
    const ready = await untilReady(id, { signal, onState: (now) => show(now === "waiting" ? "Waiting for another picture to be opened" : "Opening the picture") });
    return { ...ready, ...(await shownFrom(file, ready)) };
  });
  if (picture === null) return;
  state.file = file;
  await accept(picture);
}

// The file itself where the browser shows it upright; else what the machine sends.
async function shownFrom(file, { id, width_px, height_px, orientation }) {
  const src = URL.createObjectURL(file);
  const image = new Image();
  image.src = src;
  try {
    await image.decode();
    const isUpright = orientation === 1 || file.type === "image/jpeg";
    if (isUpright && image.naturalWidth === width_px && image.naturalHeight === height_px) return { src, isPlain: true };
  } catch {
    // A format the browser does not know.
  }
  URL.revokeObjectURL(src);
  return { src: fromMachine(id), isPlain: false };
}

const fromMachine = (id) => `/api/pictures/${id}/view?side=2400`;

async function accept(picture) {
  state.picture = picture;
  state.result = null;
  state.given = {};
  state.area = null;
  state.mode = "look";
  photograph.setPicture({ ...picture, width: picture.width_px, height: picture.height_px });
  say(`${picture.name} is open.`);
  go(2);
}

async function demo() {
  const ready = await during("Opening the demo strip", async (signal, show) => {
    const { id, fields, picture } = await ask("/api/demo", { method: "POST", signal });
    const opened = await untilReady(id, { signal, onState: () => show("Opening the demo strip") });
    return { fields, picture: { ...opened, src: picture, isPlain: true } };
  });
  if (ready === null) return;
  state.file = null;
  state.isDemo = true;
  await accept(ready.picture);
  form.fill(ready.fields);
  await read();
}

// ---- 2: the ramp ----

let checkTimer = null;
let checks = 0;

function checkSoon() {
  clearTimeout(checkTimer);
  checkTimer = setTimeout(check, 120);
}

async function check() {
  checks += 1;
  const mine = checks;
  const told = byId("ramp-told");
  let answer;
  try {
    answer = await ask("/api/setup/check", { method: "POST", body: { fields: form.fields() } });
  } catch (error) {
    told.textContent = sentence(error.message);
    return;
  }
  // An older answer must not overwrite a newer one.
  if (mine !== checks) return;
  const isImpossible = answer.state === "impossible";
  drawSide(byId("side"), answer.side ?? null, isImpossible);
  told.classList.toggle("impossible", isImpossible);
  told.textContent = answer.problem ? `${sentence(capital(answer.problem.error))} ${sentence(answer.problem.hint)}` : "";
  form.blame(isImpossible ? answer.problem.field : null);
}

async function offerMachines() {
  const book = await ask("/api/logbook?kind=readings").catch(() => null);
  if (!book || book.machines.length === 0) return;
  byId("last-way").hidden = false;
  byId("last").append(...book.machines.map(({ name }) => html("option", { value: name }, name)));
}

async function fillFromMachine(name) {
  if (name === "") return;
  const filled = await during("Looking up the last test", (signal) => ask(`/api/logbook/machines/${encodeURIComponent(name)}/fields`, { signal }));
  if (filled) form.fill(filled.fields);
}

async function fillFromFile(file) {
  const filled = await during("Reading the setup file", async (signal) =>
    ask("/api/setup/fields", { method: "POST", signal, body: { text: await file.text() } }));
  if (filled) form.fill(filled.fields);
}

// ---- 3: the answer ----

// Reads the picture, anew where something was moved. `isQuiet` keeps the step and the view.
async function read({ isQuiet = false } = {}) {
  const fields = form.fields();
  if (state.area) fields.area_px = state.area.map((side) => side.toFixed(1)).join(",");
  const begun = performance.now();
  const result = await during("Reading the strip", async (signal, show) => {
    const request = () => ask(`/api/pictures/${state.picture.id}/read`, { method: "POST", signal, body: { fields, ...state.given } });
    try {
      return await request();
    } catch (error) {
      // Many pictures later this one had to make room: it is sent again without a word.
      if (error.code !== "picture_gone" || !state.file) throw error;
      show("Sending the picture again");
      const id = await send(state.file, { signal, onShare: () => {} });
      await untilReady(id, { signal, onState: () => {} });
      state.picture.id = id;
      photograph.id = id;
      return request();
    }
  });
  if (result === null) return;
  state.result = result;
  state.took = performance.now() - begun;
  document.documentElement.dataset.took = Math.round(state.took);
  rememberAnswer(result.reading, result.page);
  if (!state.isDemo) form.remember();
  state.isDemo = false;
  show(result);
  if (!isQuiet) go(3);
  else {
    markSteps();
    if (state.mode !== "look") offerHandles();
  }
}

// For the stack from stock, in this browser alone.
function rememberAnswer({ focus }, page) {
  if (!focus?.spacer_mm) return;
  const result = page.told.find((block) => block.kind === "paragraph")?.text ?? "";
  const digits = /block (-?[\d.]+) mm/.exec(result)?.[1];
  if (!digits) return;
  const slack = focus.depth_of_focus_mm;
  const answer = { digits, told: result.split(":")[0], value: focus.spacer_mm.value, u: focus.spacer_mm.standard_uncertainty, slack: slack && { fraction: slack.fraction, below: slack.below, above: slack.above } };
  try {
    localStorage.setItem("narrows.answer", JSON.stringify(answer));
  } catch {
    // Then the block is typed there.
  }
}

function show({ reading, page }) {
  const blocks = page.told;
  const action = blocks.find((block) => block.kind === "action");
  const first = blocks.findIndex((block) => block.kind === "heading");
  const above = blocks.slice(0, first).filter((block) => block.kind === "paragraph");
  const below = blocks.slice(first).filter((block) => block.kind === "paragraph");
  const rows = blocks.filter((block) => block.kind === "row");
  byId("answer").classList.toggle("refused", reading.verdict === "refused");
  byId("answer").replaceChildren(...(action ? answered(action, above) : refused(above)));
  say(action ? `Answer: ${action.text}.` : `No answer: ${reading.refusal.message}.`);
  byId("doubts").replaceChildren(...doubts(below));
  byId("basis").replaceChildren(html("h3", {}, reading.verdict === "refused" ? "What was seen" : "What it rests on"), list(rows.filter((row) => row.label !== "fits" && row.label !== "")));
  byId("fits").replaceChildren(...fits(page, rows));
  byId("keep").replaceChildren(...keep(reading));
  photograph.setOverlay(page);
  byId("chart-title").hidden = page.stations.length === 0;
  chart.set(page);
}

const answered = (action, above) => [
  html("p", { class: "action" }, withNumbers(capital(action.text))),
  ...above.map((block) => html("p", { class: block.lead ? "next" : "result" }, lead(block), withNumbers(block.lead ? sentence(block.text) : capital(block.text)))),
];

const refused = (above) =>
  above.map((block) =>
    block.lead.startsWith("no answer")
      ? html("div", {}, html("p", { class: "action" }, "No answer"), html("p", { class: "result" }, withNumbers(sentence(block.text))))
      : html("p", { class: "next" }, lead(block), withNumbers(sentence(block.text))));

const lead = (block) => {
  const words = block.lead.trim().replace(/:$/, "");
  return words === "" ? null : html("strong", {}, `${capital(words)}: `);
};

function doubts(paragraphs) {
  const cautions = [];
  for (const block of paragraphs) {
    if (block.lead.trim().startsWith("caution")) cautions.push([block.text, null]);
    else if (cautions.length > 0) cautions[cautions.length - 1][1] = block.text;
  }
  if (cautions.length === 0) return [];
  return [html("h3", {}, cautions.length === 1 ? "One caution" : `${cautions.length} cautions`),
    html("ul", { class: "cautions" }, cautions.map(([what, next]) => html("li", {}, html("p", {}, withNumbers(sentence(what))), next ? html("p", { class: "next" }, html("strong", {}, "Do next: "), withNumbers(sentence(next))) : null)))];
}

const list = (rows) => html("dl", {}, rows.flatMap(({ label, value }) => [html("dt", {}, capital(label)), html("dd", {}, withNumbers(value))]));

function fits(page, rows) {
  if (page.fits.length === 0) return [];
  const share = (fit) => (fit.used ? `counts ${Math.round(100 * fit.weight)} %` : "not used");
  return [html("h3", {}, "Curves through the places"), html("dl", {}, page.fits.flatMap((fit) => [html("dt", {}, capital(fit.told)), html("dd", {}, withNumbers(`finest at ${fit.place}; ${share(fit)}`))]))];
}

// ---- what was taken wrongly ----

const MODES = [
  ["look", "Leave it as found"],
  ["line", "Move the line’s ends"],
  ["datums", "Move low and high end"],
  ["area", "Look only here"],
];

function buildModes() {
  const radios = MODES.map(([mode, words]) =>
    html("label", { class: "choice" }, html("input", { type: "radio", name: "mode", value: mode, checked: mode === "look", onchange: () => setMode(mode) }), html("span", {}, words)));
  const box = html("fieldset", { id: "correct", class: "correct" }, html("legend", {}, "Was the line or an end taken wrongly?"), html("div", { class: "choices" }, radios),
    html("p", { id: "correct-told", class: "quiet" }, ""), html("button", { type: "button", id: "undo", hidden: true, onclick: undo }, "Back to what was found"));
  byId("photograph").append(box);
}

function setMode(mode) {
  state.mode = mode;
  for (const radio of document.querySelectorAll('input[name="mode"]')) radio.checked = radio.value === mode;
  const told = {
    look: "",
    line: "Move the two points onto the ends of the burned line. It is read again when you let go.",
    datums: "Move the two points to where the low end and the high end are. It is read again when you let go.",
    area: "Move the two corners: only what lies between them is looked at.",
  };
  byId("correct-told").textContent = told[mode];
  byId("undo").hidden = !isCorrected();
  offerHandles();
}

const isCorrected = () => state.area !== null || Object.keys(state.given).length > 0;

function offerHandles() {
  const { page } = state.result;
  const [width, height] = [state.picture.width_px, state.picture.height_px];
  const across = [[0.1 * width, 0.5 * height], [0.9 * width, 0.5 * height]];
  const places = page.course?.places_px;
  const line = places ? [places[0], places[places.length - 1]] : across;
  byId("undo").hidden = !isCorrected();
  if (state.mode === "line") {
    const [a, b] = state.given.line_px ?? line;
    photograph.setHandles([{ name: "One end of the line", place: a }, { name: "Other end of the line", place: b }], (places) => {
      state.given = { ...state.given, line_px: places };
      read({ isQuiet: true });
    });
  } else if (state.mode === "datums") {
    const found = page.tie ? [page.tie.low_px, page.tie.high_px] : line;
    const inside = ([x, y]) => [Math.min(Math.max(x, 0), width), Math.min(Math.max(y, 0), height)];
    const [low, high] = state.given.datums_px ?? found.map(inside);
    photograph.setHandles([{ name: "Low end", place: low }, { name: "High end", place: high }], (places) => {
      state.given = { ...state.given, datums_px: places };
      read({ isQuiet: true });
    });
  } else if (state.mode === "area") {
    const [x, y, w, h] = state.area ?? [0.02 * width, 0.02 * height, 0.96 * width, 0.96 * height];
    photograph.setHandles([{ name: "Upper left corner", place: [x, y] }, { name: "Lower right corner", place: [x + w, y + h] }], ([a, b]) => {
      const [left, top] = [Math.min(a[0], b[0]), Math.min(a[1], b[1])];
      state.area = [left, top, Math.max(Math.abs(b[0] - a[0]), 1), Math.max(Math.abs(b[1] - a[1]), 1)];
      read({ isQuiet: true });
    }, "area");
  } else photograph.setHandles([], null);
}

function undo() {
  state.given = {};
  state.area = null;
  setMode("look");
  read({ isQuiet: true });
}

// ---- 4: keeping it ----

function keep(reading) {
  const path = (file) => `/api/pictures/${state.picture.id}/${file}`;
  const json = URL.createObjectURL(new Blob([`${JSON.stringify(reading)}\n`], { type: "application/json" }));
  const link = (href, file, words) => html("li", {}, html("a", { href, download: file }, words));
  const measured = state.result.page.stations.length > 0;
  return [
    html("ul", { class: "downloads" },
      link(path("overlay.png"), "overlay.png", "The photograph with what was measured, PNG"),
      measured ? link(path("chart.svg"), "chart.svg", "The chart, SVG") : null,
      measured ? link(path("stations.csv"), "stations.csv", "Every measured place, as a table") : null,
      link(json, "reading.json", "Every number, JSON"),
    ),
    html("p", { class: "acts" }, html("a", { class: "button", href: "/stack" }, "Stack it from stock"), html("button", { type: "button", onclick: printAnswer }, "Print the answer"), html("button", { type: "button", onclick: () => go(1) }, "Read another strip")),
  ];
}

function printAnswer() {
  go(3);
  requestAnimationFrame(() => print());
}

// ---- start ----

const form = new RampForm(byId("ramp"), checkSoon);

function point(index, isShown = false) {
  photograph.lightUp(index, isShown);
  chart.lightUp(index);
}

photograph = new Photograph(byId("photograph"), (index) => point(index));
chart = new Chart(byId("chart"), point);
buildModes();

for (const button of document.querySelectorAll(".steps button")) button.addEventListener("click", () => go(Number(button.dataset.step)));
for (const id of ["file", "camera"]) {
  byId(id).addEventListener("change", (event) => {
    const [file] = event.target.files;
    event.target.value = "";
    if (file) take(file);
  });
}
byId("setup-file").addEventListener("change", (event) => {
  const [file] = event.target.files;
  event.target.value = "";
  if (file) fillFromFile(file);
});
byId("last").addEventListener("change", (event) => fillFromMachine(event.target.value));
byId("demo").addEventListener("click", demo);
byId("read").addEventListener("click", () => {
  state.given = {};
  read();
});
byId("ramp").addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target.tagName === "INPUT") read();
});
byId("busy-stop").addEventListener("click", () => running?.abort());
byId("phone-way").addEventListener("click", () =>
  togglePhone((picture) => {
    state.file = null;
    accept({ ...picture, src: fromMachine(picture.id), isPlain: false });
  }).catch(tell));

const drop = byId("drop");
for (const name of ["dragover", "dragleave", "drop"]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    drop.classList.toggle("over", name === "dragover");
    if (name === "drop" && event.dataTransfer.files.length > 0) take(event.dataTransfer.files[0]);
  });
}
document.addEventListener("paste", (event) => {
  const [file] = event.clipboardData.files;
  if (file) take(file);
});

go(1, { focus: false });
check();
offerMachines();
