// Starts the program whose page is tested, and a go-between that can cut its connections.
// DUNLIN names the program; DUNLIN_URL a station that runs already.

import { spawn } from "node:child_process";
import { readFileSync } from "node:fs";
import http from "node:http";
import { createRequire } from "node:module";
import { expect, test as base } from "@playwright/test";

export { expect };

/** Longest time until the program has printed the address of its page, ms. */
const START_MS = 20_000;

/** Starts a rehearsal on a free port, with further arguments; `stop` ends it. */
export async function startStation(...more) {
  const program = process.env.DUNLIN;
  if (!program) throw new Error("set DUNLIN to the program, or DUNLIN_URL to a running station");
  const child = spawn(program, ["rehearse", "--port", "0", ...more], { stdio: ["ignore", "pipe", "inherit"] });
  const url = await new Promise((resolve, reject) => {
    let printed = "";
    const give_up = () => reject(new Error(`no address within ${START_MS} ms, but: ${printed}`));
    const timer = setTimeout(give_up, START_MS);
    child.stdout.on("data", (octets) => {
      printed += octets;
      const found = /http:\/\/127\.0\.0\.1:\d+\//.exec(printed);
      if (!found) return;
      clearTimeout(timer);
      resolve(found[0]);
    });
    child.on("exit", (code) => reject(new Error(`ended with ${code}: ${printed}`)));
  });
  const stop = () =>
    new Promise((resolve) => {
      child.on("exit", resolve);
      child.kill("SIGINT");
    });
  return { url, stop };
}

export const test = base.extend({
  /** A station that all tests share. */
  station: [
    async ({}, use) => {
      if (process.env.DUNLIN_URL) {
        await use({ url: process.env.DUNLIN_URL });
        return;
      }
      const station = await startStation();
      await use(station);
      await station.stop();
    },
    { scope: "worker" },
  ],
  /** Complaints of the browser that a test wants, besides. */
  allowed: [/$^/, { option: true }],
  /** A page that fails its test if anything goes wrong in it. */
  page: async ({ page, allowed }, use) => {
    const wrong = [];
    page.on("pageerror", (error) => wrong.push(String(error)));
    page.on("console", (message) => {
      // The browser also reports connections that a test cuts and commands that are refused.
      const wanted = /ERR_(CONNECTION|EMPTY|INCOMPLETE|SOCKET_NOT_CONNECTED)|status of (409|503)/.test(message.text());
      if (message.type() === "error" && !wanted && !allowed.test(message.text())) wrong.push(message.text());
    });
    await use(page);
    if (wrong.length > 0) throw new Error(`the page complained:\n${wrong.join("\n")}`);
  },
});

/** Opens the page and waits until it is live. */
export async function openPage(page, url) {
  await page.goto(url);
  await page.locator('.link[data-state="live"]').waitFor();
}

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** Nothing that the accessibility checker objects to, nothing wider than the screen. */
export async function expectAccessible(page) {
  // Nothing may lie half under the bar that stays at the top.
  await page.evaluate(() => window.scrollTo(0, 0));
  await page.evaluate(AXE);
  const { violations } = await page.evaluate(() =>
    window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  expect(violations.map(({ id, nodes }) => `${id}: ${nodes.map((n) => n.html.slice(0, 120)).join(" ")}`)).toEqual([]);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  expect(wide).toBeLessThanOrEqual(0);
}

/** What the station knows now, straight from it. */
export async function snapshotOf(url) {
  const response = await fetch(new URL("/api/snapshot", url));
  return (await response.json()).snapshot;
}

/** Asks the station directly, past the page. */
export async function command(url, body) {
  const response = await fetch(new URL("/api/command", url), {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  return { status: response.status, answer: await response.json() };
}

/** A go-between before a station, whose connections can be cut and refused. */
export class GoBetween {
  constructor(target) {
    this.target = new URL(target);
    this.sockets = new Set();
    this.refusing = false;
    this.server = http.createServer((request, response) => this.pass(request, response));
    this.server.on("connection", (socket) => {
      if (this.refusing) socket.destroy();
      this.sockets.add(socket);
      socket.on("close", () => this.sockets.delete(socket));
    });
  }

  async start() {
    await new Promise((resolve) => this.server.listen(0, "127.0.0.1", resolve));
    return `http://127.0.0.1:${this.server.address().port}/`;
  }

  pass(request, response) {
    // The station answers only to its own name, so the go-between speaks as the station's page.
    const headers = { ...request.headers, host: this.target.host };
    if (headers.origin) headers.origin = this.target.origin;
    const onward = http.request(
      { host: "127.0.0.1", port: this.target.port, path: request.url, method: request.method, headers },
      (answer) => {
        response.writeHead(answer.statusCode, answer.headers);
        answer.pipe(response);
        answer.on("error", () => response.destroy());
      },
    );
    onward.on("error", () => response.destroy());
    response.on("close", () => onward.destroy());
    request.pipe(onward);
  }

  cut() {
    this.refusing = true;
    for (const socket of this.sockets) socket.destroy();
  }

  mend() {
    this.refusing = false;
  }

  async stop() {
    this.cut();
    await new Promise((resolve) => this.server.close(resolve));
  }
}

/** Pixels at a strip's ends where frames may still appear after it was paused: those that were being received. */
const ENDS = 30;

/**
 * A frame heard that the pointer can hit: its strip is paused, for what moves is hard to hit, and no frame that
 * followed closely lies over it.
 */
export async function blockInSight(page) {
  const find = () => page.evaluate((ends) => {
    const canBeHit = (block) => {
      const picture = block.closest(".strip-picture");
      picture.scrollIntoView({ block: "center" });
      const { left, right, top, bottom } = block.getBoundingClientRect();
      const sides = picture.getBoundingClientRect();
      return left > sides.left + ends && right < sides.right - ends
        && document.elementFromPoint((left + right) / 2, (top + bottom) / 2)?.closest(".block") === block;
    };
    return [...document.querySelectorAll(".block.heard")].findLast(canBeHit)?.id ?? "";
  }, ENDS);
  await base.expect.poll(find, { timeout: 90_000 }).not.toBe("");
  await page.keyboard.press("f");
  let found = "";
  await base.expect.poll(async () => (found = await find()), { timeout: 90_000 }).not.toBe("");
  return page.locator(`#${found}`);
}
