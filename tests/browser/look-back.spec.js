// Looking back into the journal on the page: by words, station and kind, the whole talk of a line, and how it looks.

import { command, expect, expectAccessible, openPage, snapshotOf, startStation, test as base } from "./station.js";

const SHOTS = "../../target/shots";
const HOSTILE = '<img src=x onerror="window.harmed = 1"> zebulon';

const test = base.extend({
  isles: [
    async ({}, use) => {
      const station = await startStation("--fidelity", "frame");
      await talk(station.url);
      await use(station);
      await station.stop();
    },
    { scope: "worker" },
  ],
});

/** A talk with some lines in it; the first one is in the journal when this is over. */
async function talk(url) {
  const { ports } = await snapshotOf(url);
  const port = ports.find(({ name }) => name === "VHF").port;
  const { answer } = await command(url, { do: "open_talk", port, to: "QM3BAR-9", via: [] });
  const lines = ["Forty cots wait on the quay for the ferry.", HOSTILE];
  for (let n = 0; n < 24; n += 1) lines.push(`Crate ${n} of diesel`);
  for (const text of lines) await command(url, { do: "say", talk: answer.talk, text });
  await expect(async () => {
    const found = await (await fetch(new URL("/api/journal?words=cots&only=line", url))).json();
    expect(found.items).toHaveLength(1);
  }).toPass({ timeout: 60_000 });
}

/** @param {Record<string, string>} fields */
async function look(page, fields) {
  for (const name of ["words", "station"]) await page.locator(`#back-${name}`).fill(fields[name] ?? "");
  await page.locator(".look-back .zoom label", { hasText: fields.kind ?? "All" }).click();
  await page.locator(".look-back").getByRole("button", { name: "Look", exact: true }).click();
}

const things = (page) => page.locator(".look-back > ol > li");

test("a line is found by its words, and the whole talk shown", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await page.keyboard.press("j");
  await expect(page.locator("#look-back")).toBeFocused();
  await look(page, { words: "COTS quay", kind: "Talks" });
  await expect(things(page)).toHaveCount(1);
  await expect(things(page)).toContainText("QA1SKY to QM3BAR-9: Forty cots wait on the quay for the ferry.");
  await things(page).getByRole("button", { name: "Whole talk" }).click();
  await expect(page.locator(".kept-talk .sought")).toContainText("Forty cots");
  await expect(page.locator(".kept-talk li")).toContainText([/Forty cots/, /zebulon/, /Crate 0/]);
  await things(page).getByRole("button", { name: "Whole talk" }).click();
  await expect(page.locator(".kept-talk")).toHaveCount(0);
});

test("a line deep in a talk shows what stands around it, and the beginning if asked", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await look(page, { words: "crate 23", kind: "Talks" });
  await things(page).getByRole("button", { name: "Whole talk" }).click();
  await expect(page.locator(".kept-talk .sought")).toContainText("Crate 23");
  await expect(page.locator(".kept-talk")).not.toContainText("Forty cots");
  await page.getByRole("button", { name: "Show it from its first line" }).click();
  await expect(page.locator(".kept-talk li").first()).toContainText("Forty cots");
});

test("what others may have written is shown as text", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await look(page, { words: "zebulon", kind: "Talks" });
  await expect(things(page)).toContainText("<img src=x");
  expect(await page.evaluate(() => window.harmed)).toBeUndefined();
});

test("only what lies between two times is found", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await page.getByText("Between two times").click();
  const field = (ms) => new Date(ms).toISOString().slice(0, 16);
  const { items } = await (await fetch(new URL("/api/journal?words=cots&only=line", isles.url))).json();
  const minute = 60_000;
  await page.locator("#back-from").fill(field(items[0].wall - minute));
  await page.locator("#back-until").fill(field(items[0].wall + 2 * minute));
  await look(page, { words: "cots", kind: "Talks" });
  await expect(things(page)).toHaveCount(1);
  await page.locator("#back-until").fill(field(items[0].wall - minute));
  await look(page, { words: "cots", kind: "Talks" });
  await expect(things(page)).toHaveCount(0);
});

test("earlier things come below, by station, and what does not fit is told", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await look(page, { station: "qm3bar-9", kind: "Talks" });
  await expect(things(page)).toHaveCount(20);
  await expect(page.locator(".look-back [role=status]")).toHaveText("The newest 20");
  await page.getByRole("button", { name: "Show earlier ones" }).click();
  await expect(things(page)).toHaveCount(26);
  await expect(things(page).last()).toContainText("Forty cots");
  await look(page, { words: "neverheard" });
  await expect(page.locator(".look-back")).toContainText("Nothing fits. Only whole words are found");
  await look(page, { words: "cots", kind: "Notes" });
  await expect(things(page)).toHaveCount(0);
});

test.describe("wrong input", () => {
  test.use({ allowed: /status of 400/ });

  test("a station that is no call sign is refused with the reason", async ({ page, isles }) => {
    await openPage(page, isles.url);
    await look(page, { station: "QM3BAR-99" });
    await expect(page.locator(".look-back .wrong")).toHaveText("The station: the SSID after the hyphen must be a number from 0 to 15.");
  });
});

for (const width of [360, 800, 1400]) {
  for (const colorScheme of ["light", "dark"]) {
    test.describe(`${width} pixels, ${colorScheme}`, () => {
      test.use({ viewport: { width, height: 900 }, colorScheme });

      test("nothing is inaccessible or too wide", async ({ page, isles }) => {
        await openPage(page, isles.url);
        await look(page, {});
        await expect(things(page).first()).toBeVisible();
        await look(page, { words: "ferry" });
        await things(page).getByRole("button", { name: "Whole talk" }).first().click();
        await page.locator(".kept-talk").waitFor();
        await page.locator("#look-back").screenshot({ path: `${SHOTS}/${width}-${colorScheme}-look-back.png` });
        await expectAccessible(page);
      });
    });
  }
}
