// node check.js [--pictures FOLDER] PAGE...
// node check.js --first-sheet PAGE...     only what the printed first sheet needs
//
// Looks at pages of ours with outside tools, and ends with 1 where one of them finds anything:
//   - html-validate, all rules of its preset `standard` (the HTML standard as rules);
//   - axe-core, all its rules (WCAG 2 A to AAA where it has rules, and its best practices), in headless
//     Chromium: on a wide and on a narrow screen, light and dark;
//   - Chromium's print layout: what comes before the cautions is the first sheet, and has to fit one page
//     of A4 and of Letter;
//   - Chromium itself: nothing is loaded, nothing is said on its console, and nothing has to be
//     moved sideways on a telephone but what scrolls by itself.
// With --pictures it leaves screenshots and the printed page for somebody to look at.

import { readFileSync, existsSync } from "node:fs";
import { createRequire } from "node:module";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { HtmlValidate, StaticConfigLoader } from "html-validate";
import { chromium } from "playwright-core";

const WIDE = { width: 1000, height: 1400 };
const NARROW = { width: 380, height: 800 };
// Inside the margins of the page's own style, in CSS pixels of 1/96 inch.
const SHEETS = { A4: { width: 182, height: 277 }, Letter: { width: 187.9, height: 259.4 } };
const pixels = (millimetres) => Math.floor((millimetres * 96) / 25.4);
const axe = createRequire(import.meta.url).resolve("axe-core/axe.min.js");

const pages = process.argv.slice(2);
let pictures;
const firstSheetOnly = pages[0] === "--first-sheet";
if (firstSheetOnly) pages.shift();
if (pages[0] === "--pictures") [, pictures] = pages.splice(0, 2);
const program = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"].find(existsSync);
if (pages.length === 0 || !program) {
  console.error(pages.length === 0 ? "no page was named" : "there is no Chromium (Debian's package chromium)");
  process.exit(2);
}

let found = 0;
function finding(page, tool, text) {
  found += 1;
  console.log(`${basename(page)}: ${tool}: ${text}`);
}

async function validate(page) {
  const loader = new StaticConfigLoader({ root: true, extends: ["html-validate:standard"] });
  const report = await new HtmlValidate(loader).validateFile(page);
  for (const { messages } of report.results) {
    for (const it of messages) finding(page, "html-validate", `${it.line}:${it.column} ${it.ruleId}: ${it.message}`);
  }
}

async function look(browser, page, scheme, [size, viewport]) {
  // The page forbids scripts; what looks at it is one.
  const context = await browser.newContext({ viewport, colorScheme: scheme, bypassCSP: true });
  const tab = await context.newPage();
  const where = `axe-core, ${scheme}, ${size}`;
  tab.on("console", (it) => finding(page, "console", it.text()));
  tab.on("request", (it) => {
    if (it.url() !== pathToFileURL(resolve(page)).href) finding(page, "loads", it.url());
  });
  await tab.goto(pathToFileURL(resolve(page)).href);
  const sideways = await tab.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  if (sideways > 0) finding(page, "Chromium", `${size}: ${sideways} px have to be moved sideways`);
  if (pictures) await tab.screenshot({ path: join(pictures, `${basename(page)}-${scheme}-${size}.png`) });
  await tab.addScriptTag({ path: axe });
  const { violations } = await tab.evaluate(() => window.axe.run(document));
  for (const it of violations) {
    const nodes = it.nodes.slice(0, 3).map((node) => node.html.slice(0, 160));
    finding(page, where, `${it.id}: ${it.help} (${it.nodes.length}): ${nodes.join(" … ")}`);
  }
  await context.close();
}

async function firstSheet(browser, page) {
  const tab = await browser.newPage();
  await tab.emulateMedia({ media: "print" });
  await tab.goto(pathToFileURL(resolve(page)).href);
  for (const [format, { width, height }] of Object.entries(SHEETS)) {
    await tab.setViewportSize({ width: pixels(width), height: pixels(height) });
    const end = await tab.evaluate(() => document.querySelector(".cautions")?.getBoundingClientRect().top);
    if (end > pixels(height)) finding(page, format, `the first sheet is ${Math.ceil(end)} of ${pixels(height)} pixels high`);
  }
  await tab.close();
}

async function print(browser, page) {
  const tab = await browser.newPage();
  await tab.goto(pathToFileURL(resolve(page)).href);
  for (const format of ["A4", "Letter"]) {
    await tab.pdf({ path: join(pictures, `${basename(page)}-${format}.pdf`), format, preferCSSPageSize: false });
  }
  await tab.close();
}

const browser = await chromium.launch({ executablePath: program, args: ["--no-sandbox", "--disable-gpu"] });
for (const page of pages) {
  if (!readFileSync(page, "utf8").startsWith("<!DOCTYPE html>")) finding(page, "check", "it is no page of ours");
  await firstSheet(browser, page);
  if (firstSheetOnly) continue;
  await validate(page);
  for (const scheme of ["light", "dark"]) {
    await look(browser, page, scheme, ["wide", WIDE]);
    await look(browser, page, scheme, ["narrow", NARROW]);
  }
  if (pictures) await print(browser, page);
}
await browser.close();
console.log(found === 0 ? `${pages.length} pages: nothing was found` : `${found} findings`);
process.exit(found === 0 ? 0 : 1);
