// Stopping and starting again: always in sight, one press, said aloud, also while the live
// stream is down.

import { GoBetween } from "./station.js";
import { command, expect, openPage, snapshotOf, test } from "./made-up.js";

const stopStation = (page) => page.getByRole("region", { name: "Stop", exact: true }).getByRole("button", { name: /^Stop station/ });

for (const width of [360, 800, 1400]) {
  test(`at ${width} pixels the stop is in sight wherever the page is scrolled, and large`, async ({ page, feed }) => {
    await page.setViewportSize({ width, height: 700 });
    await openPage(page, feed.url);
    for (const to of [0, 400, 100_000]) {
      await page.evaluate((to) => window.scrollTo(0, to), to);
      for (const name of [/^Stop station/, /^Stop VHF/, /^Stop HF/]) {
        const button = page.locator(".stop-bar").getByRole("button", { name });
        await expect(button).toBeInViewport({ ratio: 1 });
        const { width, height } = await button.boundingBox();
        expect(Math.min(width, height)).toBeGreaterThanOrEqual(44);
        // Nothing lies over it: a press in its middle is a press on it.
        expect(await button.evaluate((e) => {
          const { x, y, width, height } = e.getBoundingClientRect();
          return e.contains(document.elementFromPoint(x + width / 2, y + height / 2));
        })).toBe(true);
      }
    }
  });
}

test("one press stops the station; who, when and why are shown; only a confirmed start ends it", async ({ page, feed }) => {
  await openPage(page, feed.url);
  await stopStation(page).click();
  await expect(page.getByRole("alert").filter({ hasText: "Stopped: the station confirmed" })).toBeVisible();
  const notice = page.locator(".stop-notice").filter({ hasText: "The whole station is stopped" });
  await expect(notice).toContainText(/by the page on this machine, at \d\d:\d\d:\d\d UTC/);
  await notice.getByLabel("Why?").fill("thunderstorm");
  await page.keyboard.press("Enter");
  await expect(notice).toContainText("thunderstorm");
  await expect(page.locator("#strip-0 .gate-state")).toContainText("Stopped");
  const { stops } = await snapshotOf(feed.url);
  expect(stops.filter(({ port }) => port === null)).toHaveLength(1);

  await notice.getByRole("button", { name: /^Start the station again/ }).click();
  const dialog = page.getByRole("dialog", { name: "Start the whole station again?" });
  await expect(dialog.getByRole("button", { name: "Leave it stopped" })).toBeFocused();
  await page.keyboard.press("Enter");
  await expect(notice).toBeVisible();
  await notice.getByRole("button", { name: /^Start the station again/ }).click();
  await dialog.getByRole("button", { name: "Start the whole station" }).click();
  await expect(notice).toHaveCount(0);
  expect((await snapshotOf(feed.url)).stops.filter(({ port }) => port === null)).toHaveLength(0);
});

test("one port is stopped alone", async ({ page, feed }) => {
  await openPage(page, feed.url);
  await page.locator(".stop-bar").getByRole("button", { name: /^Stop VHF/ }).click();
  await expect(page.locator(".stop-notice").filter({ hasText: "VHF is stopped" })).toBeVisible();
  await expect(page.locator(".stop-bar").getByRole("button", { name: "Stop VHF is stopped" })).toBeVisible();
  expect((await snapshotOf(feed.url)).stops.map(({ port }) => port).sort()).toEqual([0, 1]);
});

test("the key stops while one types, from a dialog, and with single keys off", async ({ page, feed }) => {
  await openPage(page, feed.url);
  const stopped = async () => (await snapshotOf(feed.url)).stops.some(({ port }) => port === null);
  await page.locator("#call-to").fill("QM3");
  await page.keyboard.press("Control+.");
  await expect.poll(stopped).toBe(true);
  await expect(page.locator("#call-to")).toHaveValue("QM3");
  await command(feed.url, { do: "start", port: null, by: "" });
  await page.locator("#main").focus();
  await page.keyboard.press("?");
  const keys = page.getByRole("dialog", { name: "Keys" });
  await expect(keys).toContainText("Ctrl+.");
  await keys.getByRole("checkbox").uncheck();
  await page.keyboard.press("Control+.");
  await expect.poll(stopped).toBe(true);
});

test("it works while the live stream is down, and says when nobody answers", async ({ page, feed }) => {
  test.setTimeout(90_000);
  const between = new GoBetween(feed.url);
  await openPage(page, await between.start());
  // Only the stream is cut; a plain POST still passes.
  between.pass = ((pass) => (request, response) =>
    request.url.startsWith("/api/events") ? response.destroy() : pass.call(between, request, response))(between.pass);
  for (const socket of between.sockets) socket.destroy();
  await expect(page.locator(".link")).toContainText("connection lost");
  await stopStation(page).click();
  await expect(page.locator(".stop-result")).toContainText("Stopped: the station confirmed", { timeout: 5000 });
  expect((await snapshotOf(feed.url)).stops.some(({ port }) => port === null)).toBe(true);
  between.cut();
  await stopStation(page).click();
  await expect(page.locator(".stop-result")).toContainText(/asking again/);
  await expect(page.locator(".stop-result")).toContainText("Switch the radio off by hand", { timeout: 20_000 });
  await between.stop();
});
