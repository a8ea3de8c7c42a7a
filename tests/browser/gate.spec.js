// The gate of each port and the alarms, as people read and use them.

import { command, expect, openPage, test } from "./made-up.js";

const CONDITIONS = ["Station plan", "Call sign", "Stop by a person", "Listening first", "Sound device or controller",
  "Key line", "Identification", "Key-down limits", "Other ports", "Channel", "Slot"];

test("one sentence first, then the whole list, what waits, and the key-down time", async ({ page, feed }) => {
  await openPage(page, feed.url);
  const gate = page.locator("#strip-1 .gate");
  await expect(gate.locator("summary")).toContainText(/Stopped.*HF is stopped by .*has waited \d+ min/);
  await expect(gate.locator(".conditions")).toHaveCount(0);
  await gate.locator("summary").press("Enter");
  await expect(gate.locator(".conditions li > b")).toHaveText(CONDITIONS);
  const stop = gate.locator(".conditions li").nth(2);
  await expect(stop).toContainText(/✕ shut.*for \d.*work on the HF antenna.*To open it: Only a person/s);
  await expect(gate.locator(".waiting li")).toHaveCount(3);
  await expect(gate.locator(".waiting li").first()).toContainText(/text 5 to QX0RLF waits for \d+ min \d+ s: HF is stopped/);
  for (const name of ["This time", "In 10 min", "In an hour"]) await expect(gate.locator(".key-down")).toContainText(name);
  await expect(gate.locator(".key-down")).toContainText(/\d+ s of 1 min 0 s/);
});

test("a test signal has its cautions in place, runs in sight, and can be ended", async ({ page, feed }) => {
  await openPage(page, feed.url);
  await command(feed.url, { do: "end_test", port: 0 });
  const gate = page.locator("#strip-0 .gate");
  await gate.locator("summary").click();
  const tests = gate.locator(".tests");
  for (const word of ["dummy load", "RF exposure", "licence", "stops by itself"]) await expect(tests.locator(".caution")).toContainText(word);
  await tests.getByLabel("Seconds").fill("31");
  await tests.getByRole("button", { name: "Send it on VHF" }).click();
  await expect(tests.getByRole("alert")).toHaveText("Give whole seconds from 1 to 30.");
  await tests.getByLabel("Signal").selectOption("alternating");
  await tests.getByLabel("Seconds").fill("20");
  await page.keyboard.press("Enter");
  await expect(tests.locator(".running")).toContainText(/both tones in turn, 20 s, stops by itself in \d+ s/);
  await expect(gate.locator(".gate-state")).toContainText("Key down");
  await tests.getByRole("button", { name: "End the test" }).click();
  await expect(tests.locator(".running")).toHaveCount(0);
  await expect(tests).toContainText(/Last identified \d s ago/);
});

test("a refused test says why, and Identify answers", async ({ page, feed }) => {
  await openPage(page, feed.url);
  const gate = page.locator("#strip-1 .gate");
  await gate.locator("summary").click();
  await gate.getByRole("button", { name: "Send it on HF" }).click();
  await expect(gate.locator(".tests > .wrong")).toContainText("Not done: ");
  await gate.getByRole("button", { name: "Identify now" }).click();
  await expect(gate.locator(".identified")).toContainText(/Last identified \d s ago/);
});

test("alarms are in words with their time, and go when they are over", async ({ page, feed }) => {
  await openPage(page, feed.url);
  const alarms = page.getByRole("region", { name: "2 alarms" });
  await expect(alarms.getByRole("listitem").first()).toContainText(/HF, a frame waits too long: .* since \d\d:\d\d:\d\d UTC/s);
  await expect(alarms.getByRole("checkbox", { name: "Sound at a new alarm" })).not.toBeChecked();
  await command(feed.url, { do: "start", port: 1, by: "" });
  await expect(page.getByRole("region", { name: "1 alarm" })).toContainText("Station, disk");
});
