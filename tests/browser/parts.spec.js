// The parts of the page that need no station: types, vendored files, and the modules that
// compute, each loaded in the browser as the page loads it.

import { execFileSync } from "node:child_process";
import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { startFeed } from "./made-up.js";
import { command, expect, test } from "./station.js";

const PAGE = new URL("../../crates/web/page/", import.meta.url);
const require = createRequire(import.meta.url);
const sha256 = (octets) => createHash("sha256").update(octets).digest("hex");

test("the page passes the type checker", () => {
  test.setTimeout(120_000);
  const tsc = require.resolve("typescript/bin/tsc");
  const run = () => execFileSync(process.execPath, [tsc, "-p", "tsconfig.json"], { encoding: "utf8" });
  expect(() => run()).not.toThrow();
});

test("the types that the page is checked with are those that the station sends", async ({ station }) => {
  const feed = await startFeed();
  for (const { url } of [station, feed]) await typesAgree(url);
  await feed.stop();
});

async function typesAgree(url) {
  const { port } = await snapshot(url).then(({ snapshot }) => snapshot.ports.at(-1));
  const { answer } = await command(url, { do: "open_talk", port, to: "QM3BAR-4", via: [] });
  await command(url, { do: "say", talk: answer.talk, text: "hello" });
  const text = readFileSync(new URL("types.d.ts", PAGE), "utf8");
  const fields = (name) => {
    const body = new RegExp(`export interface ${name} {([^}]*)}`).exec(text)[1];
    return [...body.matchAll(/^ {2}(\w+): /gm)].map(([, field]) => field).sort();
  };
  const greeting = await snapshot(url);
  const all = greeting.snapshot;
  const ways = await (await fetch(new URL("/api/ways?to=QM3BAR", url))).json();
  const samples = {
    Greeting: [greeting],
    Snapshot: [all],
    PortView: all.ports,
    TalkView: all.talks,
    TalkLine: all.lines,
    Block: all.blocks,
    HeardView: all.heard,
    CrossingView: all.crossings,
    CrossingHalf: all.crossings.flatMap(({ near, far }) => [near, far]),
    Note: all.notes,
    GateView: all.gates,
    ConditionView: all.gates.flatMap(({ conditions }) => conditions),
    WaitingView: all.gates.flatMap(({ waiting }) => waiting),
    KeyDownView: all.gates.map(({ key_down }) => key_down),
    Stop: all.stops,
    AlarmView: all.alarms,
    RejectView: all.rejects,
    MuteView: all.mutes,
    PartnerView: all.partners,
    FileView: all.files,
    WaysView: [ways],
    WayView: ways.ways,
    LegView: ways.ways.flatMap(({ legs }) => legs),
  };
  const seen = Object.entries(samples).filter(([, list]) => list.length > 0);
  expect(seen.length).toBeGreaterThanOrEqual(5); // Blocks and others come with time.
  for (const [name, list] of seen) expect(Object.keys(list.at(-1)).sort(), name).toEqual(fields(name));
  await command(url, { do: "close_talk", talk: answer.talk });
}

const snapshot = async (url) => (await fetch(new URL("/api/snapshot", url))).json();

test("vendored files are those of the packages named, but for the change written down", () => {
  const table = readFileSync(new URL("vendor/VENDOR.md", PAGE), "utf8");
  const rows = [...table.matchAll(/^\| `(\S+)` \| (\S+) (\S+) \| `(\S+)` \| `([0-9a-f]{64})` \|/gm)];
  expect(rows).toHaveLength(3);
  for (const [, file, name, version, source, sum] of rows) {
    const folder = new URL(`node_modules/${name}/`, import.meta.url);
    expect(JSON.parse(readFileSync(new URL("package.json", folder), "utf8")).version).toBe(version);
    const original = readFileSync(new URL(source, folder), "utf8");
    expect(sha256(original)).toBe(sum);
    const wanted = file === "hooks.js" ? original.replaceAll('from"preact"', 'from"./preact.js"') : original;
    expect(readFileSync(new URL(`vendor/${file}`, PAGE), "utf8")).toBe(wanted);
    const licence = readFileSync(new URL("LICENSE", folder), "utf8");
    expect(readFileSync(new URL(`vendor/LICENSE-${name}`, PAGE), "utf8")).toBe(licence);
  }
});

test.describe("modules", () => {
  test.beforeEach(async ({ page, station }) => {
    await page.goto(new URL("/assets/mark.svg", station.url).href);
  });

  test("the clock follows late reports slowly, early ones at once, and stops when they stop", async ({ page }) => {
    const seen = await page.evaluate(async () => {
      const { EngineClock } = await import("/assets/clock.js");
      let read = 0;
      const clock = new EngineClock(() => read);
      const seen = [];
      clock.start(1_700_000_000_000, 1, 5000);
      read = 1000;
      seen.push(clock.now()); // runs by itself
      clock.report(5900);
      seen.push(clock.now()); // 100 ms late: a tenth of it
      clock.report(6500);
      seen.push(clock.now()); // ahead: at once
      read = 60_000;
      seen.push(clock.now()); // no report for 59 s: stands 3 s after the last
      clock.report(0);
      seen.push(clock.now()); // a jump back
      seen.push(clock.wall(1000).toISOString());
      clock.start(0, null, 100);
      read += 500;
      seen.push(clock.now()); // without a speed only reports move it
      return seen;
    });
    expect(seen).toEqual([6000, 5990, 6500, 9500, 0, "2023-11-14T22:13:21.000Z", 100]);
  });

  test("the store puts changes in place, in order, and forgets what is too much", async ({ page }) => {
    const seen = await page.evaluate(async () => {
      const { Store } = await import("/assets/store.js");
      const store = new Store();
      const block = (id, start_ms, end_ms = start_ms + 500) => ({ id, port: 0, start_ms, end_ms, kind: "heard" });
      for (const id of [1, 2, 4]) store.apply({ block: block(id, id * 1000) });
      store.apply({ block: block(3, 3000) });
      store.apply({ block: { ...block(2, 2000), kind: "unreadable" } });
      const kinds = store.blocks.get(0).map(({ id, kind }) => `${id} ${kind}`);
      store.apply({ block: block(9, 50 * 60_000) });
      const left = store.blocks.get(0).map(({ id }) => id);
      const line = (line, text) => ({ talk_line: { talk: 1, line, text } });
      for (const event of [line(0, "a"), line(2, "c"), line(1, "b"), line(2, "d")]) store.apply(event);
      const lines = store.lines.get(1).map(({ text }) => text).join("");
      store.apply({ talk_gone: 1 });
      for (let n = 0; n < 400; n++) store.apply({ note: { text: String(n) } });
      return [kinds, left, lines, store.lines.has(1), store.notes.length, store.notes.at(-1).text];
    });
    expect(seen).toEqual([["1 heard", "2 unreadable", "3 heard", "4 heard"], [9], "abd", false, 300, "399"]);
  });

  test("flags never overlap in a row and keep their row", async ({ page }) => {
    const { overlaps, moved, without } = await page.evaluate(async () => {
      const { place } = await import("/assets/strip-layout.js");
      let seed = 7;
      const random = () => (seed = (seed * 48271) % 2147483647) / 2147483647;
      const blocks = [];
      for (let id = 1, at = 0; id <= 300; id++, at += 200 + random() * 9000) {
        blocks.push({ id, kind: "heard", start_ms: at, end_ms: at + 700, from: "QM3BAR", to: "QF1BOT", what: "text 1" });
      }
      const rows = new Map();
      const at = { anchor: 0, scale: 0.02, now: 0, rows, brief: false };
      const placed = place(blocks, at);
      const overlaps = [0, 1, 2].flatMap((row) => {
        const flags = placed.filter((one) => one.row === row);
        // Sixteen letters and more at six pixels at least.
        return flags.filter((one, n) => n > 0 && one.x - flags[n - 1].x < 20 * 6);
      }).length;
      const later = place(blocks.slice(50), at);
      const moved = later.filter((one) => one.row >= 0 && one.row !== placed[one.block.id - 1].row
        && placed[one.block.id - 1].row >= 0).length;
      return { overlaps, moved, without: placed.filter((one) => one.row < 0).length };
    });
    expect(overlaps).toBe(0);
    expect(moved).toBe(0);
    expect(without).toBeLessThan(150);
  });

  test("call signs and paths are read as the station reads them", async ({ page }) => {
    const read = await page.evaluate(async () => {
      const { readCall, readPath } = await import("/assets/call-sign.js");
      const calls = [" qm3bar-2 ", "QM3BAR-0", "QM3BAR-16", "QM3BARR", "Q-", "", "QM3BAR-1-2", "Ö1"];
      return [calls.map((call) => readCall(call).call ?? null), readPath("a, b-2;c").wrong !== undefined, readPath(" a,b-2  c ").via];
    });
    expect(read).toEqual([["QM3BAR-2", "QM3BAR", null, null, null, null, null, null], true, ["A", "B-2", "C"]]);
  });

  test("figures have words", async ({ page }) => {
    const read = await page.evaluate(async () => {
      const words = await import("/assets/words.js");
      return [
        [12.4, -23.6, 0.2, null].map(words.offset),
        [6.24, -3, 0.3, null].map(words.twist),
        [-72, -50, -35, -20, -6, -1].map(words.levelWords),
        [400, 61_000, 3_700_000].map(words.span),
        words.pairs("82a0e0"),
      ];
    });
    expect(read).toEqual([
      ["12 Hz high", "24 Hz low", "0 Hz", ""],
      ["low +6.2 dB", "high +3.0 dB", "equal", ""],
      ["no sound", "very quiet", "quiet", "good", "loud, turn down", "too loud, turn down"],
      ["0 s", "1 min 1 s", "1 h 1 min"],
      "82 a0 e0",
    ]);
  });
});
