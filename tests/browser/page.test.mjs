// The page in a real Chromium: the whole path with real files on a desktop and a phone, by mouse, finger and keyboard.
// Screenshots go to the folder SCREENSHOTS, where that is set.

import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { ROOT, launch, open, start, violations } from "./serve.mjs";

const fixture = (name) => join(ROOT, "fixtures", name);
const SHOTS = process.env.SCREENSHOTS;
if (SHOTS) mkdirSync(SHOTS, { recursive: true });

let browser;
let served;

before(async () => {
  browser = await launch();
  served = await start();
  served.importShop();
});

after(async () => {
  await browser?.close();
  if (served) assert.equal(await served.stop(), 0);
});

async function look(page, name) {
  await page.waitForTimeout(150);
  if (SHOTS) await page.screenshot({ path: join(SHOTS, `${name}.png`), fullPage: true });
  assert.deepEqual(await violations(page), [], name);
  // Nothing is wider than the window.
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `${name}: ${wide} px too wide`);
}

const answer = (page) => page.waitForSelector("#step-3:not([hidden]) .action", { timeout: 60_000 });
const action = async (page, place = "#answer") => (await page.textContent(`${place} .action`)).replaceAll("\u00a0", " ");

async function choose(page, picture, setup) {
  await page.setInputFiles("#file", fixture(picture));
  await page.waitForSelector("#step-2:not([hidden])", { timeout: 60_000 });
  await page.setInputFiles("#setup-file", fixture(setup));
  await page.waitForFunction(() => document.querySelector("#ramp-told").textContent === "" && document.querySelector("#side svg:not(.faint)"));
}

for (const kind of ["desktop", "phone"]) {
  for (const dark of [false, true]) {
    test(`the demo answers in one click: ${kind}, ${dark ? "dark" : "light"}`, async () => {
      const page = await open(browser, kind, { dark });
      const name = `${kind}-${dark ? "dark" : "light"}`;
      await page.goto(served.address);
      await look(page, `${name}-1-picture`);
      await page.click("#demo");
      await answer(page);
      assert.equal(await action(page), "Add a 0.6 mm shim to the 8.0 mm block");
      await look(page, `${name}-3-answer`);
      await page.click('[data-step="2"]');
      await look(page, `${name}-2-ramp`);
      await page.click('[data-step="4"]');
      await page.waitForSelector("#keep-machine");
      await look(page, `${name}-4-keep`);
      assert.deepEqual(page.troubles, []);
      await page.context().close();
    });
  }

  test(`a strip from a file to the logbook: ${kind}`, async () => {
    const page = await open(browser, kind);
    await page.goto(served.address);
    await choose(page, "north-photo.jpg", "north-photo.toml");
    await page.click("#read");
    await answer(page);
    assert.match(await page.textContent("#answer .result"), /give or take/);
    await look(page, `${kind}-photograph-answer`);
    // A measured place lights up on both, wherever it is pointed at.
    const chart = await page.locator(".chart-drawing").boundingBox();
    await page.locator(".chart-drawing").scrollIntoViewIfNeeded();
    await page.locator(".chart-drawing").click({ position: { x: chart.width * 0.4, y: chart.height * 0.6 } });
    await page.waitForSelector(".light .over", { state: "attached" });
    const told = await page.textContent(".chart-told");
    assert.match(told, /mm up the strip: line .* wide; /);
    // Keep it, twice the same: the second is noticed.
    await page.click('[data-step="4"]');
    await page.fill("#keep-machine", kind);
    await page.click("#keep-acts button");
    await page.click(`text=Add ${kind} and keep it`);
    await page.waitForSelector("text=Kept as record");
    await page.click('[data-step="3"]');
    await page.click('[data-step="4"]');
    await page.waitForSelector("#keep-machine");
    await page.fill("#keep-machine", kind);
    await page.click("#keep-acts button");
    await page.waitForSelector("text=This picture is there already");
    await page.goto(`${served.address}/logbook`);
    await page.selectOption("#filter-machine", kind);
    await page.waitForFunction(() => document.querySelectorAll("#rows tr").length === 1);
    assert.deepEqual(page.troubles, []);
    await page.context().close();
  });

  test(`stack, logbook, drift, plan: ${kind}`, async () => {
    const page = await open(browser, kind);
    await page.goto(`${served.address}/stack`);
    await look(page, `${kind}-stack-empty`);
    await page.fill("#field-spacer", "8.45");
    await page.fill("#field-stock", "3.0, 4.1, 6.2, 0.5x4, 1.2, 2.25");
    await page.click("button[type=submit]");
    await page.waitForSelector("#found:not([hidden])");
    assert.equal(await action(page, "#best"), "6.2 + 2.25 mm");
    await look(page, `${kind}-stack`);
    for (const [button, file] of [["#save-label", "label.svg"], ["#save-gauge", "step-gauge.svg"]]) {
      const [saved] = await Promise.all([page.waitForEvent("download"), page.click(button)]);
      assert.equal(saved.suggestedFilename(), file);
      assert.match(readFileSync(await saved.path(), "utf8"), /<svg .*8\.45 mm|<path id="outline"/s);
    }
    await page.fill("#field-label_width_mm", "4");
    await page.click("#save-label");
    await page.waitForSelector("#artwork-wrong:not([hidden])");
    assert.match(await page.textContent("#artwork-wrong"), /letters would be .* high/);
    await page.fill("#field-spacer", "eight");
    await page.click("button[type=submit]");
    await page.waitForSelector("#wrong:not([hidden])");
    assert.match(await page.textContent("#wrong"), /not a number/);
    await page.goto(`${served.address}/logbook`);
    await page.waitForSelector("#rows tr.reading");
    await look(page, `${kind}-logbook`);
    await page.click("#rows tr.reading >> nth=0 >> button");
    await page.waitForSelector("#one:not([hidden])");
    await page.click("#one-correct summary");
    await page.fill("#correct-note", "looked at again");
    await page.click("#correct button");
    await page.waitForFunction(() => document.querySelector("#live").textContent.startsWith("Corrected"));
    await page.click("#one-withdraw summary");
    await page.fill("#reason", "of the browser test");
    await page.click("#withdraw button");
    await page.waitForFunction(() => document.querySelector("#live").textContent.includes("is withdrawn"));
    await page.fill("#event-machine", "north");
    await page.selectOption("#event-kind", "mirrors_cleaned");
    await page.click("#event button[type=submit]");
    await page.waitForFunction(() => document.querySelector("#live").textContent.startsWith("Written down"));
    await page.goto(`${served.address}/drift`);
    await page.waitForSelector("#found:not([hidden])");
    await page.selectOption("#machine", "south");
    await page.waitForFunction(() => document.querySelector("#verdict").textContent.includes("Drifting"));
    await page.waitForFunction(() => document.querySelector("#drift-chart").naturalWidth > 0);
    await look(page, `${kind}-drift`);
    await page.goto(`${served.address}/plan`);
    await page.click("button[type=submit]");
    await page.waitForSelector("#wrong:not([hidden])");
    await page.fill("[name=nominal_focal_length_mm]", "2 in");
    await page.fill("[name=spacer_in_use_mm]", "7");
    await page.click("button[type=submit]");
    await page.waitForSelector("#found:not([hidden])");
    await page.waitForFunction(() => document.querySelector("#plan-side").naturalWidth > 0);
    await look(page, `${kind}-plan`);
    assert.deepEqual(page.troubles, []);
    await page.context().close();
  });
}

test("moving an end by mouse reads again, and undoing it gives the first answer", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  await page.click("#demo");
  await answer(page);
  const first = await page.textContent("#answer .result");
  await page.check('input[value="datums"]');
  const grip = page.locator(".grip").nth(1);
  const box = await grip.boundingBox();
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  await page.mouse.move(x, y);
  await page.mouse.down();
  await page.mouse.move(x - 60, y, { steps: 5 });
  assert.ok(await page.locator(".loupe").isVisible());
  await page.mouse.up();
  await page.waitForFunction((before) => document.querySelector("#answer .result").textContent !== before, first);
  await page.click("#undo");
  await page.waitForFunction((before) => document.querySelector("#answer .result").textContent === before, first);
  await page.check('input[value="line"]');
  await page.locator(".grip").nth(0).focus();
  await page.keyboard.press("Shift+ArrowRight");
  await page.waitForFunction(() => !document.querySelector("#undo").hidden);
  await page.check('input[value="area"]');
  assert.equal(await page.locator(".grip").count(), 2);
  assert.deepEqual(page.troubles, []);
  await page.context().close();
});

test("zoom reaches single pixels, by wheel, keys and buttons", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  await page.click("#demo");
  await answer(page);
  const seen = async () => (await page.getAttribute(".photo", "viewBox")).split(" ").map(Number);
  const whole = await seen();
  await page.click("text=Finest place");
  const near = await seen();
  assert.ok(near[2] < whole[2] / 5);
  await page.click("text=Pixel by pixel");
  const box = await page.locator(".photo").boundingBox();
  const pixels = await seen();
  assert.ok(Math.abs(box.width / pixels[2] - 16) < 0.1, "16 screen pixels for each of the photograph");
  assert.ok(await page.locator(".photo.pixels").count());
  await page.locator(".photo").focus();
  await page.keyboard.press("ArrowRight");
  assert.ok((await seen())[0] > pixels[0]);
  await page.keyboard.press("0");
  assert.deepEqual((await seen()).map(Math.round), whole.map(Math.round));
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  await page.mouse.wheel(0, -600);
  await page.waitForFunction((width) => Number(document.querySelector(".photo").getAttribute("viewBox").split(" ")[2]) < width, whole[2]);
  await page.context().close();
});

test("by keyboard alone", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  const press = async (key, until, most = 60) => {
    for (let i = 0; i < most; i += 1) {
      await page.keyboard.press(key);
      if (await page.evaluate(until)) return;
    }
    assert.fail(`not reached: ${until}`);
  };
  await press("Tab", "document.activeElement.classList.contains('skip')");
  await press("Tab", "document.activeElement.id === 'demo'");
  const ring = await page.evaluate(() => getComputedStyle(document.activeElement).outlineWidth);
  assert.ok(parseFloat(ring) >= 2, "focus shows");
  await page.keyboard.press("Enter");
  await answer(page);
  await press("Tab", "document.activeElement.classList.contains('chart-drawing')");
  await page.keyboard.press("ArrowRight");
  assert.match(await page.getAttribute(".chart-drawing", "aria-valuetext"), /mm up the strip/);
  await press("Shift+Tab", "document.activeElement.dataset.step === '2'");
  await page.keyboard.press("Enter");
  await press("Tab", "document.activeElement.id === 'field-gap_high_mm'");
  // What stood there is chosen, and typed over.
  await page.keyboard.type("50");
  await page.keyboard.press("Enter");
  await page.waitForSelector("#wrong:not([hidden])");
  // The two gaps contradict each other; the first of them is pointed at.
  assert.equal(await page.evaluate(() => document.activeElement.id), "field-gap_low_mm");
  await page.context().close();
});

test("an impossible entry shows at once, a missing one calmly", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  await page.setInputFiles("#file", fixture("north-scan.jpg"));
  await page.waitForSelector("#step-2:not([hidden])", { timeout: 60_000 });
  await page.waitForFunction(() => document.querySelector("#ramp-told").textContent.includes("still missing"));
  assert.equal(await page.locator("#ramp-told.impossible").count(), 0);
  await page.fill("#field-travel_mm", "90");
  await page.fill("#field-gap_low_mm", "2");
  await page.fill("#field-gap_high_mm", "14");
  await page.waitForSelector("#ramp-told.impossible");
  assert.match(await page.textContent("#ramp-told"), /gap must be larger over the low end/i);
  await look(page, "impossible");
  await page.fill("#field-gap_low_mm", "14");
  await page.fill("#field-gap_high_mm", "2,0");
  await page.waitForFunction(() => document.querySelector("#ramp-told").textContent.includes("decimal comma"));
  await page.fill("#field-gap_high_mm", "2");
  await page.waitForFunction(() => document.querySelector("#ramp-told").textContent === "");
  assert.match(await page.getAttribute("#side svg", "aria-label"), /rise 12 mm/);
  await page.context().close();
});

test("a refusal says what to do, and a file that is no picture too", async () => {
  const page = await open(browser, "phone");
  await page.goto(served.address);
  await choose(page, "south-off-the-end.jpg", "south-off-the-end.toml");
  await page.click("#read");
  await answer(page);
  assert.equal(await page.textContent("#answer .action"), "No answer");
  assert.match(await page.textContent("#answer"), /Do next: /);
  await look(page, "refused");
  await page.click('[data-step="1"]');
  await page.setInputFiles("#file", { name: "strip.png", mimeType: "image/png", buffer: Buffer.from("travel_mm = 90\n") });
  await page.waitForSelector("#wrong:not([hidden])");
  assert.match(await page.textContent("#wrong"), /holds text, not a picture/);
  await look(page, "no-picture");
  assert.deepEqual(page.troubles, []);
  await page.context().close();
});

test("a picture turned by its EXIF tag lies under its drawing", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  // The demo strip with an EXIF block that turns it by a quarter (TIFF 6.0 tag 274, value 6).
  const file = readFileSync(fixture("north-scan.jpg"));
  const exif = Buffer.from("457869660000" + "4d4d002a00000008" + "0001" + "01120003000000010006" + "0000" + "00000000", "hex");
  const segment = Buffer.concat([Buffer.from([0xff, 0xe1, 0, exif.length + 2]), exif]);
  const turned = Buffer.concat([file.subarray(0, 2), segment, file.subarray(2)]);
  await page.setInputFiles("#file", { name: "turned.jpg", mimeType: "image/jpeg", buffer: turned });
  await page.waitForSelector("#step-2:not([hidden])", { timeout: 60_000 });
  await page.setInputFiles("#setup-file", fixture("north-scan.toml"));
  await page.waitForFunction(() => document.querySelector("#field-travel_mm").value === "90");
  // A quarter turn to the right brings the left to the top.
  await page.selectOption("#field-low_end", "top");
  await page.click("#read");
  await answer(page);
  assert.equal(await action(page), "Add a 0.6 mm shim to the 8.0 mm block");
  const [width, height] = await page.evaluate(() => ["width", "height"].map((side) => Number(document.querySelector(".photo image").getAttribute(side))));
  assert.ok(height > width);
  await look(page, "turned");
  await page.context().close();
});

test("work can be cancelled and a second upload does not wait", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  await page.route("**/api/pictures?name=*", async (route) => {
    await new Promise((resolve) => setTimeout(resolve, 3000));
    await route.continue().catch(() => {});
  });
  await page.setInputFiles("#file", fixture("north-scan.jpg"));
  await page.waitForSelector("#busy:not([hidden])", { timeout: 2500 });
  await look(page, "busy");
  await page.click("#busy-stop");
  await page.waitForSelector("#busy", { state: "hidden" });
  assert.equal(await page.textContent("#live"), "Cancelled.");
  await page.unroute("**/api/pictures?name=*");
  await page.setInputFiles("#file", fixture("south-scan.jpg"));
  await page.waitForSelector("#step-2:not([hidden])", { timeout: 60_000 });
  await page.context().close();
});

test("it prints the answer, and not the controls", async () => {
  const page = await open(browser, "desktop");
  await page.goto(served.address);
  await page.click("#demo");
  await answer(page);
  await page.emulateMedia({ media: "print" });
  assert.ok(await page.locator("#answer .action").isVisible());
  for (const hidden of [".steps", ".photo-tools", "#correct", ".top nav"]) assert.ok(!(await page.locator(hidden).first().isVisible()), hidden);
  await page.emulateMedia({ media: null });
  const sheets = async (name) => {
    const printed = await page.pdf({ preferCSSPageSize: true, format: "A4", ...(SHOTS ? { path: join(SHOTS, `${name}.pdf`) } : {}) });
    return printed.toString("latin1").match(/\/Type\s*\/Page\b(?!s)/g).length;
  };
  assert.equal(await sheets("print"), 1, "a scan on one sheet of paper");
  await page.reload();
  await choose(page, "north-photo.jpg", "north-photo.toml");
  await page.click("#read");
  await answer(page);
  assert.equal(await sheets("print-photograph"), 1, "a photograph with a caution too");
  await page.context().close();
});

test("a phone is paired by the code, once, and hands a picture over", async (t) => {
  const lan = await start("--lan");
  t.after(() => lan.stop());
  if (lan.lan.length === 0) return t.skip("this machine has no address on a network");
  const desk = await open(browser, "desktop");
  await desk.goto(lan.address);
  await desk.click("#phone-way");
  await desk.waitForSelector(".pairing .code");
  await desk.waitForFunction(() => document.querySelector(".pairing img").naturalWidth > 0);
  await look(desk, "pairing");
  const code = await desk.textContent(".pairing .code");
  const phone = await open(browser, "phone");
  await phone.goto(lan.lan[0]);
  assert.match(await phone.textContent("h1"), /Pair this device/);
  await look(phone, "phone-pair");
  await phone.fill("#code", "AAAA-AAAA-AAAA");
  await phone.click("text=Pair >> visible=true >> nth=-1");
  await phone.waitForFunction(() => document.querySelector("#pair-told").textContent !== "");
  // As the QR code has it.
  await phone.goto(`${lan.lan[0]}/pair#${code.replaceAll("-", "")}`);
  await phone.waitForSelector("#demo");
  await phone.setInputFiles("#camera", fixture("north-scan.jpg"));
  await phone.waitForSelector("#step-2:not([hidden])", { timeout: 60_000 });
  await desk.click("text=Take north-scan.jpg", { timeout: 10_000 });
  await desk.waitForSelector("#step-2:not([hidden])");
  // The code is used up.
  const other = await open(browser, "phone");
  await other.goto(`${lan.lan[0]}/pair#${code.replaceAll("-", "")}`);
  await other.waitForFunction(() => document.querySelector("#pair-told").textContent.includes("not right"));
  for (const page of [desk, phone]) assert.deepEqual(page.troubles, []);
  for (const page of [desk, phone, other]) await page.context().close();
});
