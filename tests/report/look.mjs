// Opens pages from disk in headless Chromium and tells, as JSON, what is wrong with them.
// node look.mjs CHROMIUM PAGE...   (playwright-core and axe-core beside it, or on NODE_PATH)
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import path from "node:path";

const require = createRequire(process.env.CHAINRUN_NODE_MODULES ? process.env.CHAINRUN_NODE_MODULES + "/" : import.meta.url);
const { chromium } = require("playwright-core");
const axe = require("axe-core").source;

const [executablePath, ...pages] = process.argv.slice(2);
const browser = await chromium.launch({
  executablePath,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
const told = [];
for (const page of pages) {
  const folder = pathToFileURL(path.dirname(path.resolve(page))).href + "/";
  for (const [width, colorScheme, media] of [[390, "light", "screen"], [1280, "dark", "screen"], [794, "light", "print"]]) {
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme, bypassCSP: false });
    const tab = await context.newPage();
    const errors = [], outside = [];
    tab.on("console", (one) => { if (one.type() === "error") errors.push(one.text()); });
    tab.on("pageerror", (one) => errors.push(String(one)));
    tab.on("request", (one) => { if (!one.url().startsWith(folder) && !one.url().startsWith("data:")) outside.push(one.url().slice(0, 200)); });
    tab.on("requestfailed", (one) => { if (!one.failure()?.errorText.includes("ABORTED")) errors.push("failed: " + one.url().slice(0, 200)); });
    await tab.emulateMedia({ media, colorScheme });
    await tab.goto(pathToFileURL(path.resolve(page)).href, { waitUntil: "load" });
    const found = await tab.evaluate(async () => {
      const audio = [...document.querySelectorAll("audio")].slice(0, 12);
      const durations = await Promise.all(audio.map((one) => one.readyState >= 1 ? one.duration : new Promise((done) => {
        one.addEventListener("loadedmetadata", () => done(one.duration));
        one.addEventListener("error", () => done(-1));
        setTimeout(() => done(-2), 8000);
        one.load();
      })));
      return {
        durations,
        players: document.querySelectorAll("audio").length,
        headings: [...document.querySelectorAll("h1,h2,h3,h4,h5,h6")].map((one) => Number(one.tagName[1])),
        images: [...document.images].map((one) => [one.alt, one.complete && one.naturalWidth > 0]),
        figures: [...document.querySelectorAll("figure picture img")].map((one) => ({
          width: one.getBoundingClientRect().width, column: one.closest("figure").clientWidth, natural: one.naturalWidth,
          file: one.currentSrc.slice(0, 26).startsWith("data:") ? "base64" : one.currentSrc,
        })),
        overflow: document.documentElement.scrollWidth - window.innerWidth,
        policy: document.querySelector('meta[http-equiv="Content-Security-Policy"]')?.content ?? "",
      };
    });
    let violations = [];
    if (media === "screen" && (width === 390 || page === pages[0])) {  // one style for all: dark is judged once
      // The checker is a script of its own, which the page's policy rightly refuses: it looks at a copy without policy.
      const free = await browser.newContext({ viewport: { width, height: 900 }, colorScheme, bypassCSP: true });
      const copy = await free.newPage();
      await copy.goto(pathToFileURL(path.resolve(page)).href, { waitUntil: "load" });
      await copy.evaluate(axe);
      const result = await copy.evaluate(async () => await axe.run(document, { resultTypes: ["violations"] }));
      violations = result.violations.map((one) => `${one.id}: ${one.help} (${one.nodes.length}) ${one.nodes[0].html.slice(0, 160)}`);
      await free.close();
    }
    let sorted = null;
    if (media === "screen") {
      sorted = await tab.evaluate(() => {
        const button = document.querySelector("th button");
        if (!button) return null;
        button.click();
        return button.closest("th").getAttribute("aria-sort");
      });
    }
    told.push({ page, width, media, errors, outside, violations, sorted, ...found });
    await context.close();
  }
}
await browser.close();
console.log(JSON.stringify(told));
