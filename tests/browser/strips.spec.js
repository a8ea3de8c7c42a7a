// Strips and stations heard: blocks come, can be read, moved and reached by keyboard.

import { blockInSight, expect, openPage, test } from "./station.js";

test("the page says whose station it is and that it cannot key a radio", async ({ page, station }) => {
  await openPage(page, station.url);
  await expect(page.getByRole("heading", { level: 1 })).toContainText("QA1SKY");
  await expect(page.locator(".world")).toHaveText("Rehearsal: nothing here can key a radio");
  await expect(page.locator(".clocks")).toContainText(/\d\d:\d\d:\d\d UTC/);
  await expect(page).toHaveTitle(/QA1SKY · Dunlin/);
});

test("both strips get blocks, which grow into frames with names", async ({ page, station }) => {
  await openPage(page, station.url);
  await expect(page.locator(".strip")).toHaveCount(2);
  await expect(page.locator(".strip .block.heard").first()).toBeAttached({ timeout: 45_000 });
  const flag = page.locator(".flag.heard b").first();
  await expect(flag).toHaveText(/^Q\w+(-\d+)?→\w+/);
  for (const name of ["HF", "VHF"]) {
    const strip = page.getByRole("article", { name, exact: true });
    await expect(strip.locator(".channel")).toHaveText(/clear|busy|transmitting/);
    await expect(strip.locator(".level")).toContainText(/dBFS|No sound/);
    await expect(strip.locator(".share")).toContainText(/occupied \d+ %, by us \d+ %/);
  }
});

test("time runs: a block moves left, and stands still while paused", async ({ page, station }) => {
  await openPage(page, station.url);
  const block = page.locator(".strip .block.heard").last();
  await block.waitFor({ state: "attached", timeout: 45_000 });
  const id = await block.getAttribute("id");
  const left = () => page.locator(`#${id}`).evaluate((e) => e.getBoundingClientRect().left);
  const first = await left();
  await expect.poll(left).toBeLessThan(first - 10);
  await page.keyboard.press("f");
  await expect(page.locator(".edge")).toContainText("Paused at");
  await page.waitForTimeout(100);
  const still = await left();
  await page.waitForTimeout(1200);
  expect(await left()).toBe(still);
  await page.keyboard.press("f");
  await expect(page.locator(".edge")).toContainText("Following");
});

test("a block is reached, read and left by keyboard alone", async ({ page, station }) => {
  await openPage(page, station.url);
  await page.locator(".strip .block.heard").first().waitFor({ state: "attached", timeout: 45_000 });
  await page.keyboard.press("2"); // Five minutes, so that enough is in sight.
  await page.keyboard.press("s");
  const onBlock = () => page.evaluate(() => document.activeElement?.matches(".block") ?? false);
  for (let n = 0; n < 15 && !(await onBlock()); n++) await page.keyboard.press("Tab");
  expect(await onBlock()).toBe(true);
  await expect(page.locator(".edge")).toContainText("while you read");
  const focused = () => page.evaluate(() => document.activeElement?.id);
  const before = await focused();
  await page.keyboard.press("Home");
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("ArrowLeft");
  await page.keyboard.press("Enter");
  const details = page.locator(".block-details");
  await expect(details).toContainText("Began");
  await expect(details.getByRole("heading")).toBeFocused();
  await page.keyboard.press("Escape");
  await expect(details).toHaveCount(0);
  expect(await onBlock()).toBe(true);
  expect(before).toMatch(/^block-\d+$/);
  await page.keyboard.press("Escape");
  await expect(page.locator(".edge")).toContainText("Following");
});

test("a frame's details hold its octets and figures", async ({ page, station }) => {
  test.setTimeout(120_000);
  await openPage(page, station.url);
  await (await blockInSight(page)).click();
  const details = page.locator(".block-details");
  await expect(details).toContainText(/Level\s*−?\d+ dBFS/);
  await expect(details).toContainText(/Offset\s*(\d+ Hz (high|low)|0 Hz)/);
  await expect(details.locator("code")).toHaveText(/^([0-9a-f]{2} )+[0-9a-f]{2}$/);
});

test("the frames are also a list", async ({ page, station }) => {
  await openPage(page, station.url);
  await page.getByText("Latest as a list").last().click();
  const rows = page.locator(".strip").last().locator(".latest-row");
  await expect(rows.first()).toContainText(/\d\d:\d\d:\d\d/, { timeout: 45_000 });
  await rows.first().click();
  await expect(page.locator(".block-details")).toContainText("Began");
});

test("stations heard have ages that count up, words for figures, and can be sorted", async ({ page, station }) => {
  await openPage(page, station.url);
  const rows = page.locator(".heard tbody tr");
  await expect(rows.nth(1)).toBeVisible({ timeout: 60_000 });
  await expect(page.locator('.heard td[data-name="Offset"]').first()).toHaveText(/Hz (high|low)|0 Hz|–/);
  const ages = () => page.locator('.heard td[data-name="Age"]').allInnerTexts();
  const first = await ages();
  await expect.poll(ages, { timeout: 5000 }).not.toEqual(first);
  await page.getByRole("button", { name: "Station", exact: true }).click();
  await expect(page.locator('th[aria-sort="ascending"]')).toHaveText(/Station/);
  await expect.poll(async () => {
    const calls = await page.locator(".heard tbody th").allInnerTexts();
    return calls.join() === [...calls].sort().join();
  }).toBe(true);
});
