// A crossing as the operator sees it: one line with both halves, cut by one button.

import { expect, openPage, test } from "./station.js";

test("a neighbour's crossing is one line with both halves, and one key cuts it", async ({ page, station }) => {
  test.setTimeout(240_000);
  await openPage(page, station.url);
  const live = page.locator(".crossing:not(.ended)");
  // In the rehearsal the harbour office calls within its first minute; tries may be needed.
  await expect(live).toHaveCount(1, { timeout: 180_000 });
  await expect(live.locator(".half").first()).toContainText(/QM3BAR on VHF/);
  await expect(live.locator(".middle")).toContainText("QA1SKY-7");
  await expect(live.locator(".half").last()).toContainText(/(QX0RLF|not yet named) on HF/);
  await expect(live.locator(".words")).toHaveText(/\w+.*called \d+ s ago/);
  await live.getByLabel("Write to QM3BAR").fill("Good evening from the lookout");
  await page.keyboard.press("Enter");
  await expect(live.locator(".told")).toHaveText("Handed on: “Good evening from the lookout”");
  const cut = live.getByRole("button", { name: /^Cut the crossing of QM3BAR/ });
  await cut.focus();
  await page.keyboard.press("Enter");
  await expect(page.locator(".crossing.ended")).toHaveCount(1, { timeout: 60_000 });
  await expect(page.locator(".crossing.ended button")).toHaveCount(0);
});
