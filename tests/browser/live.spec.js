// The live stream: fast, and whole after the connection was cut.

import { GoBetween, command, expect, openPage, snapshotOf, startStation, test } from "./station.js";

/** Notes every event that the page's stream delivers. */
const record = () => {
  window.told = { ids: [], snapshots: 0 };
  window.EventSource = class extends EventSource {
    constructor(url) {
      super(url);
      this.addEventListener("message", (event) => window.told.ids.push(event.lastEventId));
      this.addEventListener("snapshot", () => (window.told.snapshots += 1));
    }
  };
};

async function openTalkDirectly(url, call) {
  const { ports } = await snapshotOf(url);
  const port = ports.find(({ name }) => name === "VHF").port;
  const { answer } = await command(url, { do: "open_talk", port, to: call, via: [] });
  return answer.talk;
}

const say = (url, talk, text) => command(url, { do: "say", talk, text });

test("after a cut connection nothing is missing and nothing is there twice", async ({ page, station }) => {
  test.setTimeout(120_000);
  const between = new GoBetween(station.url);
  const url = await between.start();
  await page.addInitScript(record);
  await openPage(page, url);
  const talk = await openTalkDirectly(station.url, "QM3BAR-5");
  const lines = page.locator(`#talk-${talk} li.sent .said`);
  await say(station.url, talk, "before");
  await expect(lines).toHaveText(["before"]);
  for (const round of [1, 2, 3]) {
    between.cut();
    await expect(page.locator(".link")).toContainText("connection lost");
    await say(station.url, talk, `while cut ${round}`);
    between.mend();
    await expect(page.locator(".link")).toHaveAttribute("data-state", "live", { timeout: 15_000 });
    await say(station.url, talk, `after ${round}`);
  }
  const words = [1, 2, 3].flatMap((n) => [`while cut ${n}`, `after ${n}`]);
  await expect(lines).toHaveText(["before", ...words]);
  const { ids, snapshots } = await page.evaluate(() => window.told);
  const numbers = ids.map((id) => Number(id.split("-").at(-1)));
  expect(numbers.length).toBeGreaterThan(10);
  expect(numbers).toEqual(numbers.map((_, n) => numbers[0] + n));
  expect(snapshots).toBe(1);
  await command(station.url, { do: "close_talk", talk });
  await between.stop();
});

test("a station that was started anew is shown anew, and drafts stay", async ({ page, station }) => {
  test.skip(!process.env.DUNLIN, "needs to start a second station");
  const second = await startStation();
  const between = new GoBetween(station.url);
  await openPage(page, await between.start());
  const talk = await openTalkDirectly(station.url, "QM3BAR-6");
  await page.locator(`#write-${talk}`).fill("typed before the restart");
  between.target = new URL(second.url);
  between.cut();
  between.mend();
  await expect(page.locator(`#talk-${talk}`)).toHaveCount(0, { timeout: 15_000 });
  await expect(page.locator(".link")).toHaveAttribute("data-state", "live");
  await page.getByText(/Never sent, kept/).click();
  await expect(page.locator(".strays")).toContainText("typed before the restart");
  await command(station.url, { do: "close_talk", talk });
  await between.stop();
  await second.stop();
});

test("from the key Enter to the line on the page it takes less than 200 ms", async ({ page, station }) => {
  test.setTimeout(90_000);
  await openPage(page, station.url);
  const talk = await openTalkDirectly(station.url, "QM3BAR-7");
  const field = page.locator(`#write-${talk}`);
  await field.waitFor();
  await page.evaluate((talk) => {
    window.delays = [];
    let pressed = 0;
    addEventListener("keydown", (event) => (pressed = event.key === "Enter" ? performance.now() : pressed), true);
    // The box is drawn already; a line more in it is what the eye sees.
    new MutationObserver((changes) => {
      const added = changes.some((change) => [...change.addedNodes].some((node) => node.matches?.("li.sent")));
      if (added) window.delays.push(performance.now() - pressed);
    }).observe(document.querySelector(`#talk-${talk} .lines`), { childList: true, subtree: true });
  }, talk);
  for (let n = 1; n <= 15; n++) {
    await field.fill(`line ${n}`);
    await field.press("Enter");
    await expect(page.locator(`#talk-${talk} li.sent`)).toHaveCount(n);
    await expect(field).toHaveValue("");
  }
  const delays = (await page.evaluate(() => window.delays)).sort((a, b) => a - b);
  const [median, longest] = [delays[7], delays[14]].map(Math.round);
  console.log(`Enter to line on the page, with the command's way there: median ${median} ms, longest ${longest} ms`);
  expect(delays).toHaveLength(15);
  expect(median).toBeLessThan(200);
  await command(station.url, { do: "close_talk", talk });
});
