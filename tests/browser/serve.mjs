// The program under test, started with a logbook of its own, and a browser to look at it.

import { spawn, spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { chromium } from "playwright-core";

export const ROOT = join(dirname(fileURLToPath(import.meta.url)), "..", "..");
const PROGRAM = process.env.NARROWS ?? join(ROOT, "target", "debug", "narrows");
const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

export const VIEWPORTS = {
  desktop: { viewport: { width: 1280, height: 900 } },
  phone: { viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true, deviceScaleFactor: 2 },
};

export async function start(...args) {
  const folder = mkdtempSync(join(tmpdir(), "narrows-browser-"));
  const logbook = join(folder, "logbook.db");
  const served = spawn(PROGRAM, ["serve", "--port", "0", "--json", "--logbook", logbook, ...args], { stdio: ["ignore", "pipe", "inherit"] });
  const line = await new Promise((resolve, reject) => {
    let text = "";
    served.stdout.on("data", (data) => {
      text += data;
      if (text.includes("\n")) resolve(text);
    });
    served.on("error", (error) => reject(new Error(`${PROGRAM} does not start: ${error.message}`)));
    served.on("exit", (code) => reject(new Error(`narrows serve ended with ${code}`)));
  });
  const told = JSON.parse(line);
  return {
    ...told,
    folder,
    importShop() {
      const done = spawnSync(PROGRAM, ["log", "import", join(ROOT, "fixtures", "logbook", "shop.jsonl"), "--logbook", logbook]);
      if (done.status !== 0) throw new Error(String(done.stderr));
    },
    async stop() {
      served.removeAllListeners("exit");
      const ended = new Promise((resolve) => served.on("exit", resolve));
      served.kill("SIGTERM");
      const code = await ended;
      rmSync(folder, { recursive: true, force: true });
      return code;
    },
  };
}

export const launch = () =>
  chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run"],
  });

// A page that fails the test on any script error, and on any request that leaves the machine.
export async function open(browser, kind, { dark = false, ...more } = {}) {
  const context = await browser.newContext({ ...VIEWPORTS[kind], colorScheme: dark ? "dark" : "light", ...more });
  const page = await context.newPage();
  page.troubles = [];
  page.on("pageerror", (error) => page.troubles.push(`script: ${error.message}`));
  page.on("console", (message) => {
    // A refused request is told on the page; the browser writes it down as well. And it says which header it has no use for on
    // a plain connection.
    const isKnown = ["the server responded with a status", "Cross-Origin-Opener-Policy header has been ignored"].some((part) => message.text().includes(part));
    if (message.type() === "error" && !isKnown) page.troubles.push(message.text());
  });
  page.on("request", (request) => {
    const { protocol, hostname } = new URL(request.url());
    if (protocol.startsWith("http") && !["127.0.0.1", "localhost"].includes(hostname) && !/^\d+(\.\d+){3}$/.test(hostname)) page.troubles.push(`left the machine: ${request.url()}`);
  });
  return page;
}

// What axe-core finds wrong; its script runs in a world of its own, so that the page's policy stays as it is.
export async function violations(page) {
  const session = await page.context().newCDPSession(page);
  const { frameTree } = await session.send("Page.getFrameTree");
  const { executionContextId } = await session.send("Page.createIsolatedWorld", { frameId: frameTree.frame.id, worldName: "axe" });
  const run = async (expression) => {
    const { result, exceptionDetails } = await session.send("Runtime.evaluate", { expression, contextId: executionContextId, awaitPromise: true, returnByValue: true });
    if (exceptionDetails) throw new Error(exceptionDetails.exception?.description ?? exceptionDetails.text);
    return result.value;
  };
  await run(AXE);
  const found = await run(`axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }).then((r) => r.violations.map((v) => v.id + ": " + v.nodes.map((n) => n.html.slice(0, 160) + " " + n.failureSummary).join(" | ")))`);
  await session.detach();
  return found;
}
