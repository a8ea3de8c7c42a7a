// What others say is text, whatever it looks like: in every field of a radiogram, in the last words of a partner, in the
// notes of a crossing, and in the names of files.

import { expect, openPage, startStation, test as base } from "./station.js";

const IMG = '<img src=x onerror="window.harmed = 1">';
const SCRIPT = '<script>window.harmed = 2</script>"\'>';
const HOSTILE = `${IMG}${SCRIPT}`;

const test = base.extend({
  isles: async ({}, use) => {
    const station = await startStation("mail.toml", "--fidelity", "frame");
    await use(station);
    await station.stop();
  },
});

/** Every string in a value becomes hostile, but those of these names, which the page has words of its own for. */
function spoilt(value, but, name = "") {
  if (typeof value === "string") return but.includes(name) ? value : `${HOSTILE} ${name}`;
  if (Array.isArray(value)) return value.map((each) => spoilt(each, but, name));
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.entries(value).map(([name, each]) => [name, spoilt(each, but, name)]));
}

async function unharmed(page) {
  expect(await page.locator("img[src=x], body script:not([src])").count()).toBe(0);
  expect(await page.evaluate(() => window.harmed)).toBe(undefined);
}

test("every field of a radiogram is shown as text", async ({ page, isles }) => {
  const radiogram = {
    precedence: "welfare", handling: "", place: "Great Marrow", filed: "", date: "", to: "Warden\nLee Cove", phone: "",
    text: "all well", signature: "Harbour office",
  };
  const sent = await fetch(new URL("/api/mail/originate", isles.url), {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ to: "QA1SKY", radiogram }),
  });
  expect(sent.status).toBe(200);
  await page.route("**/api/mail/open", async (route) => {
    const response = await route.fetch();
    const letter = spoilt(await response.json(), ["id", "kind", "precedence", "standing", "proof"]);
    letter.radiogram = { ...letter.radiogram, remarks: [`${HOSTILE} remark`], log: `${HOSTILE} log`, miscounted: true };
    letter.note = `${HOSTILE} note`;
    await route.fulfill({ response, json: letter });
  });
  await openPage(page, isles.url);
  await page.locator(".heads > li").getByRole("button").first().click();
  const letter = page.locator(".letter");
  await expect(letter.locator("h3")).toHaveText(`${HOSTILE} title`);
  for (const name of ["Read it aloud", "Line of the log", "As it came"]) await letter.getByText(name, { exact: true }).click();
  for (const name of ["printed", "spoken", "log", "remark", "note", "body", "words", "from", "to", "station", "proof_words"]) {
    await expect(letter).toContainText(`${HOSTILE} ${name}`);
  }
  await unharmed(page);
});

test("last words of a partner, notes of a crossing and names of files are shown as text", async ({ page, isles }) => {
  await page.addInitScript((hostile) => {
    const half = (/** @type {string} */ remote) => ({
      port: 1, local: "QA1SKY-5", remote, words: `${hostile} half`, received_octets: 1, waiting_octets: 0,
    });
    const made = {
      crossings: [{
        id: 90, rule: `${hostile} rule`, notes: `${hostile} notes`, near: half("QM3BAR"), far: half("QX0RLF"),
        words: `${hostile} words`, opened_ms: 0, ended: false,
      }],
      talks: [{
        id: 91, port: 1, local: "QA1SKY", remote: "QM3BAR", via: [], incoming: true, state: "open", words: `${hostile} talk`,
        since_ms: 0, opened_ms: 0, waiting_octets: 0, retries: 0, last_heard_ms: null, pace: null,
      }],
      files: ["sent", "received"].map((direction, n) => ({
        id: 92 + n, talk: 91, name: `${hostile} ${direction}.txt`, media: "text/plain", size: 9, hash: "0".repeat(64), direction,
        state: n ? "done" : "offered", words: `${hostile} file`, done: 0, airtime_ms: 1000, since_ms: 0,
      })),
    };
    const listen = EventSource.prototype.addEventListener;
    EventSource.prototype.addEventListener = function (kind, heard) {
      listen.call(this, kind, kind !== "snapshot" ? heard : (event) => {
        const greeting = JSON.parse(event.data);
        const partners = greeting.snapshot.partners.map((partner) => ({ ...partner, words: `${hostile} last words` }));
        Object.assign(greeting.snapshot, made, { partners });
        heard(new MessageEvent("snapshot", { data: JSON.stringify(greeting), lastEventId: event.lastEventId }));
      });
    };
  }, HOSTILE);
  const file = (direction) => ({ hash: "0".repeat(64), name: `${HOSTILE} shelf ${direction}`, media: "text/plain", size: 9, direction });
  await page.route("**/api/files", (route) => route.fulfill({ json: { files: [file("sent"), file("received")] } }));
  await openPage(page, isles.url);
  await page.getByText("Files kept here", { exact: true }).click();
  const body = page.locator("body");
  for (const name of ["last words", "notes", "half", "words", "talk", "file", "sent.txt", "received.txt", "shelf received"]) {
    await expect(body).toContainText(`${HOSTILE} ${name}`);
  }
  await unharmed(page);
});
