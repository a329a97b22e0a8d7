// Opens a page as a person would and prints what there is to complain of, as JSON.
// Usage: node look.mjs PAGE.html FOLDER  (chromium, playwright-core and axe-core found by the environment)
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { mkdtempSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";

const require = createRequire(path.join(process.env.STACKER_NODE_MODULES, "node_modules", "x.js"));
const { chromium } = require("playwright-core");
const axe = require("axe-core").source;
const [page_file, folder] = process.argv.slice(2);
const address = pathToFileURL(path.resolve(page_file)).href;

const browser = await chromium.launchPersistentContext(mkdtempSync(path.join(tmpdir(), "look-")), {
  executablePath: process.env.STACKER_CHROMIUM,
  headless: true,
  bypassCSP: false,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
const found = { console: [], requests: [], views: {} };
for (const [scheme, width] of [["light", 1100], ["dark", 1100], ["light", 360], ["dark", 360]]) {
  for (const open of [false, true]) {
    const page = await browser.newPage();
    page.on("console", (message) => found.console.push(message.text()));
    page.on("pageerror", (error) => found.console.push(String(error)));
    page.on("request", (request) => found.requests.push(request.url()));
    await page.setViewportSize({ width, height: 900 });
    await page.emulateMedia({ colorScheme: scheme });
    await page.goto(address);
    if (open) for (const one of await page.locator("summary").all()) await one.click();
    const name = `${scheme}-${width}${open ? "-open" : ""}`;
    const sizes = await page.evaluate(() => ({
      wide: document.documentElement.scrollWidth,
      window: document.documentElement.clientWidth,
      pictures: [...document.querySelectorAll("svg")].filter((one) => one.getClientRects().length).length,
      smallest: Math.min(...[...document.querySelectorAll("svg text")].filter((one) => one.getClientRects().length)
        .map((one) => parseFloat(getComputedStyle(one).fontSize) * Math.hypot(one.getScreenCTM().a, one.getScreenCTM().b))),
      outside: [...document.querySelectorAll("svg")].filter((one) => one.getClientRects().length).flatMap((one) => {
        const frame = one.getBoundingClientRect();
        return [...one.querySelectorAll("text")].filter((text) => {
          const box = text.getBoundingClientRect();
          return box.left < frame.left - 2 || box.right > frame.right + 2;
        }).map((text) => text.textContent);
      }),
    }));
    await page.screenshot({ path: path.join(folder, `${name}.png`), fullPage: true });
    // the page forbids scripts, so axe goes in through the debugger, which the policy does not bind
    const session = await browser.newCDPSession(page);
    await session.send("Runtime.evaluate", { expression: axe });
    const result = await session.send("Runtime.evaluate", {
      expression: `axe.run(document).then((r) => JSON.stringify({
        faults: r.violations.map((v) => [v.id, v.nodes.length, v.nodes[0].html.slice(0, 200)]),
        passed: r.passes.length,
        undecided: r.incomplete.map((v) => v.id)}))`,
      awaitPromise: true,
      returnByValue: true,
    });
    if (!result.result.value) throw new Error(JSON.stringify(result));
    found.views[name] = { ...sizes, axe: JSON.parse(result.result.value) };
    if (scheme === "light" && width === 1100 && !open) {
      await page.pdf({ path: path.join(folder, "page.pdf"), preferCSSPageSize: true, printBackground: true });
    }
    await page.close();
  }
}
await browser.close();
console.log(JSON.stringify(found, null, 1));
