// Talks: opened, held and closed by keyboard alone, several at once, no text lost.

import { expect, openPage, test } from "./station.js";

/** Opens a talk on VHF with nothing but keys; gives its box. */
async function openTalk(page, call) {
  await page.keyboard.press("Escape");
  await page.keyboard.press("o");
  await expect(page.locator("#call-to")).toBeFocused();
  await page.keyboard.type(call.toLowerCase());
  await page.keyboard.press("Shift+Tab");
  await page.keyboard.type("VHF");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Enter");
  const box = page.getByRole("article", { name: `Talk with ${call}`, exact: true });
  await expect(box.locator("textarea")).toBeFocused();
  return box;
}

const open = (box) => expect(box.locator(".state")).toHaveAttribute("data-state", "open", { timeout: 40_000 });

test("two talks at once, by keyboard alone, from the call to the end", async ({ page, station }) => {
  test.setTimeout(180_000);
  await openPage(page, station.url);
  const bar = await openTalk(page, "QM3BAR");
  await open(bar);
  await page.keyboard.type("ferry?");
  await page.keyboard.press("Enter");
  const line = bar.locator("li.sent", { hasText: "ferry?" });
  await expect(line.locator(".fate")).toContainText(/waiting|acknowledged/);
  await expect(line.locator(".fate")).toContainText("acknowledged", { timeout: 40_000 });
  await expect(bar.locator("textarea")).toHaveValue("");
  await expect(bar.locator("li.received").last()).toContainText(/Marrow Lass|Thank you/, { timeout: 60_000 });

  const cove = await openTalk(page, "QB4COV");
  await open(cove);
  await page.keyboard.type("One line");
  await page.keyboard.press("Shift+Enter");
  await page.keyboard.type("and another");
  await page.keyboard.press("Enter");
  await expect(cove.locator("li.sent")).toHaveText([/One line/, /and another/]);
  await expect(cove.locator("li.sent .acknowledged")).toHaveCount(2, { timeout: 40_000 });
  await expect(bar.locator("li.sent")).toHaveCount(1);
  await expect(bar.locator(".state")).toHaveAttribute("data-state", "open");

  await page.keyboard.press("Escape");
  for (const box of [cove, bar]) {
    await box.getByRole("button", { name: /^Close/ }).focus();
    await page.keyboard.press("Enter");
    await expect(box.locator(".state")).toHaveAttribute("data-state", "ended", { timeout: 60_000 });
  }
  await cove.getByRole("button", { name: /^Put away/ }).focus();
  await page.keyboard.press("Enter");
  await expect(cove).toHaveCount(0);
  await expect(bar).toBeVisible();
  await bar.getByRole("button", { name: /^Put away/ }).focus();
  await page.keyboard.press("Enter");
  await expect(bar).toHaveCount(0);
});

test("an unsent draft survives a reload and the end of its talk", async ({ page, station }) => {
  test.setTimeout(120_000);
  await openPage(page, station.url);
  const box = await openTalk(page, "QE7SKE");
  await page.keyboard.type("Not yet sent");
  await page.reload();
  await expect(box.locator("textarea")).toHaveValue("Not yet sent");
  await box.getByRole("button", { name: /^Close/ }).click();
  await expect(box.locator(".state")).toHaveAttribute("data-state", "ended", { timeout: 90_000 });
  await expect(box.locator("textarea")).toHaveValue("Not yet sent");
  await box.getByRole("button", { name: /^Put away/ }).click();
  await expect(box).toHaveCount(0);
  await page.getByText("Never sent, kept from talks that are gone (1)").click();
  await expect(page.locator(".strays")).toContainText("Not yet sent");
  await page.getByRole("button", { name: "Throw away the text to QE7SKE" }).click();
  await expect(page.locator(".strays")).toHaveCount(0);
});

test("text is shown as text, whatever it looks like", async ({ page, station }) => {
  await openPage(page, station.url);
  const box = await openTalk(page, "QF1BOT");
  const odd = "<img src=x onerror=alert(1)> &amp; <b>bold</b>";
  await page.keyboard.type(odd);
  await page.keyboard.press("Enter");
  await expect(box.locator("li.sent .said")).toHaveText(odd, { timeout: 20_000 });
  await expect(page.locator(".lines img, .lines b")).toHaveCount(0);
  await box.getByRole("button", { name: /^Close/ }).click();
});

test("what cannot be called is said at the field, and typed text stays", async ({ page, station }) => {
  await openPage(page, station.url);
  const [to, via] = [page.locator("#call-to"), page.locator("#call-via")];
  const wrong = page.locator("#open-talk-wrong");
  await to.fill("no-call");
  await to.press("Enter");
  await expect(wrong).toContainText("NO-CALL");
  await expect(to).toBeFocused();
  await expect(to).toHaveAttribute("aria-invalid", "true");
  await to.fill("QM3BAR");
  await via.fill("Q1 Q2 Q3 Q4 Q5 Q6 Q7 Q8 Q9");
  await via.press("Enter");
  await expect(wrong).toContainText("9 digipeaters are too many");
  await expect(to).toHaveValue("QM3BAR");
  await via.fill("");
  await to.fill("QA1SKY");
  await to.press("Enter");
  await expect(wrong).toContainText(/Not called: .*own call sign/);
});

test("Talk beside a station heard fills the form with its port and path", async ({ page, station }) => {
  await openPage(page, station.url);
  const row = page.locator(".heard tbody tr").first();
  await expect(row).toBeVisible({ timeout: 60_000 });
  // With the focus in the table its rows stay where they are.
  await row.getByRole("button", { name: /^Talk with/ }).focus();
  const call = await page.locator(".heard tr:focus-within th").innerText();
  await page.keyboard.press("Enter");
  await expect(page.locator("#call-to")).toHaveValue(call);
  await expect(page.getByRole("button", { name: "Call", exact: true })).toBeFocused();
});

test("single keys do nothing while typing, and can be switched off", async ({ page, station }) => {
  await openPage(page, station.url);
  await page.locator("#call-to").focus();
  await page.keyboard.type("?f");
  await expect(page.locator("#keys")).toBeHidden();
  await expect(page.locator("#call-to")).toHaveValue("?f");
  await page.locator("#main").focus();
  await page.keyboard.press("?");
  await expect(page.locator("#keys")).toBeVisible();
  await page.getByLabel(/Single keys/).uncheck();
  await page.keyboard.press("Escape");
  await expect(page.locator("#keys")).toBeHidden();
  await page.locator("#main").focus();
  await page.keyboard.press("f");
  await expect(page.locator(".edge")).toContainText("Following");
});

test("ways to a station are shown with their evidence and fill in the form", async ({ page, station }) => {
  test.setTimeout(120_000);
  await openPage(page, station.url);
  await page.locator("#call-to").fill("QZ9ZZZ");
  const ways = page.getByRole("region", { name: "Ways to QZ9ZZZ" });
  await expect(ways).toContainText("Nothing is known of a way to QZ9ZZZ");
  await page.locator("#call-to").fill("no-call");
  await expect(page.locator(".ways")).toHaveCount(0);
  // Whoever is heard direct has one way at least.
  const row = page.locator(".heard tbody tr", { has: page.getByText("direct", { exact: true }) }).first();
  await expect(row).toBeVisible({ timeout: 60_000 });
  const call = await row.locator("th").innerText();
  await page.locator("#call-to").fill(call);
  await page.locator("#call-via").fill("QC2CAP");
  const known = page.getByRole("region", { name: `Ways to ${call}` });
  await expect(known.locator("li").first()).toContainText(/Expected transmissions \d/);
  await known.getByRole("button", { name: /^Take this way direct/ }).first().click();
  await expect(page.locator("#call-via")).toHaveValue("");
  await expect(page.getByRole("button", { name: "Call", exact: true })).toBeFocused();
  await expect(known).toContainText("This is the way above.");
});
