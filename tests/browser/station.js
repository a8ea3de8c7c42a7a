// Starts the program whose page is tested, and a go-between that can cut its connections.
// DUNLIN names the program; DUNLIN_URL a station that runs already.

import { spawn } from "node:child_process";
import http from "node:http";
import { test as base } from "@playwright/test";

export { expect } from "@playwright/test";

/** Longest time until the program has printed the address of its page, ms. */
const START_MS = 20_000;

/** Starts a rehearsal on a free port; `stop` ends it. */
export async function startStation() {
  const program = process.env.DUNLIN;
  if (!program) throw new Error("set DUNLIN to the program, or DUNLIN_URL to a running station");
  const child = spawn(program, ["rehearse", "--port", "0"], { stdio: ["ignore", "pipe", "inherit"] });
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

/** A frame heard that is in sight of its strip, which is paused: what moves is hard to hit. */
export async function blockInSight(page) {
  const find = () => page.evaluate(() => {
    const inSight = (block) => {
      const { left, right } = block.getBoundingClientRect();
      const picture = block.closest(".strip-picture").getBoundingClientRect();
      return left > picture.left + 5 && right < picture.right - 5;
    };
    return [...document.querySelectorAll(".block.heard")].findLast(inSight)?.id ?? "";
  });
  await base.expect.poll(find, { timeout: 90_000 }).not.toBe("");
  await page.keyboard.press("f");
  return page.locator(`#${await find()}`);
}
