// Files over a talk: chosen or dropped, their airtime seen before they are offered, taken, stopped, saved.

import { readFileSync } from "node:fs";
import { startStation, expect, openPage, snapshotOf, command, test } from "./station.js";

const SHOTS = "../../target/shots";

/** A talk on VHF that is open, and its box. */
async function openTalk(page, url, call) {
  const { ports } = await snapshotOf(url);
  const port = ports.find(({ name }) => name === "VHF").port;
  const { answer } = await command(url, { do: "open_talk", port, to: call, via: [] });
  const box = page.locator(`#talk-${answer.talk}`);
  await expect(box.locator(".state").first()).toHaveAttribute("data-state", "open", { timeout: 60_000 });
  return { box, talk: answer.talk };
}

const shelf = async (url) => (await (await fetch(new URL("/api/files", url))).json()).files;
const text = (name, octets) => ({ name, mimeType: "text/plain", buffer: Buffer.from(octets) });

/** Lets go of a file over an element, as somebody does who drags it there. */
async function drop(page, target, name, octets) {
  const data = await page.evaluateHandle(([name, octets]) => {
    const data = new DataTransfer();
    data.items.add(new File([octets], name, { type: "text/plain" }));
    return data;
  }, [name, octets]);
  for (const kind of ["dragover", "drop"]) await target.dispatchEvent(kind, { dataTransfer: data });
}

/** All that a person of a rehearsal can do with files, with a rehearsal of its own. */
test.describe("in a talk", () => {
  // Files that are refused are told to the page with these.
  test.use({ allowed: /status of (400|413)/ });
  let own;
  test.beforeAll(async () => {
    own = await startStation();
  });
  test.afterAll(() => own.stop());

  test("a file is offered by keyboard after its airtime was seen, and the other side takes it", async ({ page }) => {
    test.setTimeout(180_000);
    // The browser is asked early to hand choosers over: asked at the same time as for one, it may open it for nobody.
    page.on("filechooser", () => {});
    await openPage(page, own.url);
    const { box, talk } = await openTalk(page, own.url, "QM3BAR");
    const write = box.getByLabel("Write to QM3BAR");
    await write.fill("Half a line");
    await write.press("Tab"); // Send.
    await page.keyboard.press("Tab");
    await expect(box.getByRole("button", { name: /^Send a file to QM3BAR/ })).toBeFocused();
    const chooser = page.waitForEvent("filechooser");
    await page.keyboard.press("Enter");
    await (await chooser).setFiles(text("cots list.txt", "Forty cots. ".repeat(20)));
    const chosen = box.locator(".send-file .chosen");
    await expect(chosen).toHaveText(/cots list\.txt, 240 octets, about \d+ s on the air if nothing else goes\. Not offered yet\./);
    expect((await snapshotOf(own.url)).files).toEqual([]);
    expect((await shelf(own.url)).map(({ name, direction }) => [name, direction])).toEqual([["cots list.txt", "sent"]]);
    await expect(write).toHaveValue("Half a line");
    await page.keyboard.press("Tab");
    await expect(box.getByRole("button", { name: "Offer cots list.txt to QM3BAR" })).toBeFocused();
    for (const width of [360, 800, 1400]) {
      await page.setViewportSize({ width, height: 900 });
      await box.scrollIntoViewIfNeeded();
      await page.screenshot({ path: `${SHOTS}/file-chosen-${width}.png` });
      expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBeLessThanOrEqual(width);
    }
    await page.keyboard.press("Enter");
    await expect(chosen).toBeEmpty();
    await expect(box.getByRole("button", { name: /^Send a file/ })).toBeFocused();
    const row = box.locator(".files li");
    await expect(row).toContainText("cots list.txt");
    await expect(row.getByRole("button", { name: "Stop cots list.txt" })).toBeVisible();
    // Typing goes on beside it.
    await write.fill("Here it comes.");
    await write.press("Enter");
    await expect(row).toContainText("stored it", { timeout: 120_000 });
    await expect(row.getByRole("button")).toHaveCount(0);
    await expect(row.getByRole("link")).toHaveCount(0);
    await command(own.url, { do: "close_talk", talk });
    await expect(box.locator(".send-file")).toHaveCount(0, { timeout: 60_000 });
    await expect(box.locator(".state").first()).toHaveAttribute("data-state", "ended", { timeout: 60_000 });
  });

  test("a file that the other side offers is taken, and saved as it was", async ({ page }) => {
    test.setTimeout(180_000);
    await openPage(page, own.url);
    const { box, talk } = await openTalk(page, own.url, "QM3BAR");
    await box.getByLabel("Write to QM3BAR").fill("The timetable, please");
    await page.keyboard.press("Enter");
    const take = box.getByRole("button", { name: "Take ferry-times.txt" });
    await take.click({ timeout: 90_000 });
    const save = box.getByRole("link", { name: "Save ferry-times.txt" });
    await save.waitFor({ timeout: 120_000 });
    for (const width of [360, 1400]) {
      await page.setViewportSize({ width, height: 900 });
      await save.scrollIntoViewIfNeeded();
      await page.screenshot({ path: `${SHOTS}/file-came-${width}.png` });
    }
    await save.focus();
    const [download] = await Promise.all([page.waitForEvent("download"), page.keyboard.press("Enter")]);
    expect(download.suggestedFilename()).toBe("ferry-times.txt");
    const saved = readFileSync(await download.path(), "utf8");
    const scenario = readFileSync("../../scenarios/marrow-isles.toml", "utf8");
    const [, held] = /holds = """\n([^"]*)"""/.exec(scenario);
    expect(saved).toBe(held);
    // It is still here when the talk is put away, until it is deleted.
    await page.getByText("Files kept here").click();
    const kept = page.locator(".shelf li", { hasText: "ferry-times.txt" });
    await expect(kept.getByRole("link", { name: "Save ferry-times.txt" })).toBeVisible();
    await kept.scrollIntoViewIfNeeded();
    await page.screenshot({ path: `${SHOTS}/files-kept-1400.png` });
    await kept.getByRole("button", { name: "Delete ferry-times.txt" }).click();
    await expect(kept).toBeVisible();
    await kept.getByRole("button", { name: "Delete for ever ferry-times.txt" }).click();
    await expect(kept).toHaveCount(0);
    expect((await shelf(own.url)).filter(({ direction }) => direction === "received")).toEqual([]);
    await command(own.url, { do: "close_talk", talk });
  });

  test("a dropped file may be left again, another take its place, and what is refused says why", async ({ page }) => {
    test.setTimeout(180_000);
    await openPage(page, own.url);
    const { box, talk } = await openTalk(page, own.url, "QB4COV");
    const before = (await shelf(own.url)).length;
    const chosen = box.locator(".send-file .chosen");
    await drop(page, box.locator(".lines"), "one.txt", "one");
    await expect(chosen).toContainText("one.txt, 3 octets");
    await drop(page, box, "two.txt", "two!");
    await expect(chosen).toContainText("two.txt, 4 octets");
    await expect.poll(async () => (await shelf(own.url)).length).toBe(before + 1);
    await box.getByRole("button", { name: "Do not offer two.txt" }).click();
    await expect(chosen).toBeEmpty();
    await expect.poll(async () => (await shelf(own.url)).length).toBe(before);
    // What misses the talk leaves the page where it is.
    await drop(page, page.locator("h1"), "three.txt", "three");
    await expect(chosen).toBeEmpty();
    const wrong = box.locator(".send-file .wrong");
    const input = box.locator(".send-file input[type=file]");
    await input.setInputFiles(text("empty.txt", ""));
    await expect(wrong).toHaveText("empty.txt is not offered: the file is empty.");
    await input.setInputFiles(text("large.txt", "x".repeat(100_001)));
    await expect(wrong).toContainText("largest_octets in the plan of this station allows 100000");
    await drop(page, box, "CON.txt", "x");
    await expect(wrong).toContainText("means a device");
    await expect(chosen).toBeEmpty();
    // The talk ends while a file is chosen: it is not offered.
    await drop(page, box, "late.txt", "late");
    await expect(chosen).toContainText("late.txt");
    await command(own.url, { do: "close_talk", talk });
    await expect(box.locator(".send-file")).toHaveCount(0, { timeout: 90_000 });
    await expect(box.locator(".files")).toHaveCount(0);
    await expect.poll(async () => (await shelf(own.url)).length).toBe(before);
  });
});
