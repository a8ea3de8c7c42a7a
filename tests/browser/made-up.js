// The made-up feed: a station of which everything is invented, for what a rehearsal does not
// show at will (stops, alarms, gates, passwords). DUNLIN_CANNED names its program.

import { spawn } from "node:child_process";
import { test as base } from "./station.js";

export { command, expect, openPage, snapshotOf } from "./station.js";

const START_MS = 20_000;

/** Starts the feed on a free port with further arguments; `stop` ends it. */
export async function startFeed(...more) {
  const program = process.env.DUNLIN_CANNED;
  if (!program) throw new Error("set DUNLIN_CANNED to the example canned of dunlin-web");
  const child = spawn(program, ["0", ...more], { stdio: ["ignore", "pipe", "inherit"] });
  const url = await new Promise((resolve, reject) => {
    let printed = "";
    const timer = setTimeout(() => reject(new Error(`no address, but: ${printed}`)), START_MS);
    child.stdout.on("data", (octets) => {
      printed += octets;
      const found = /https?:\/\/127\.0\.0\.1:\d+\//.exec(printed);
      if (!found) return;
      clearTimeout(timer);
      resolve(found[0]);
    });
    child.on("exit", (code) => reject(new Error(`ended with ${code}: ${printed}`)));
  });
  const stop = () =>
    new Promise((resolve) => {
      child.on("exit", resolve);
      child.kill("SIGKILL");
    });
  return { url, stop };
}

/** As for a rehearsal, but each test has a fresh feed: a stop would stay for the next. */
export const test = base.extend({
  feed: async ({}, use) => {
    const feed = await startFeed();
    await use(feed);
    await feed.stop();
  },
});
