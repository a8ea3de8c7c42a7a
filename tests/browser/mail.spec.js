// The mail on the page: written and read by keyboard, held, recalled and deleted, at three widths; and what others
// write is shown as text, whatever it looks like.

import { readFileSync } from "node:fs";
import { command, expect, expectAccessible, openPage, snapshotOf, startStation, test as base } from "./station.js";

const SHOTS = "../../target/shots";
const HOSTILE = '<img src=x onerror="window.harmed = 1">';

/** Each test has a station of its own, which keeps mail and has two partners. */
const test = base.extend({
  isles: async ({}, use) => {
    const station = await startStation("mail.toml", "--fidelity", "frame");
    await use(station);
    await station.stop();
  },
});

async function post(url, what, body) {
  const response = await fetch(new URL(`/api/mail/${what}`, url), {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  expect(response.status, what).toBe(200);
  return response.json();
}

const personal = (to, title, body) => ({ kind: "personal", to, title, body });

/** A few messages of every standing. */
async function fill(url) {
  await post(url, "write", { ...personal("QX5BOB at QX0RLF", "Cots for Lee Cove", "Forty cots wait on the quay.\n"), precedence: "priority" });
  const ferry = "The ferry of 14:00 sails at 16:00, for the wind has gone round to the north.\n";
  await post(url, "write", { kind: "bulletin", topic: "FERRY", area: "ISLES", title: "Ferry two hours late", body: ferry });
  const held = await post(url, "write", personal("QM3BAR", "Diesel for the generator", "How much is left?\n"));
  await post(url, "hold", { id: held.id, why: "ask the harbour office first" });
  await post(url, "write", { ...personal("QM2REE", "Not finished", "Dear all,\n"), keep_back: true });
  await post(url, "write", personal("QA1SKY", HOSTILE, `${HOSTILE}\n<script>window.harmed = 2</script>\n`));
}

const row = (page, title) => page.locator(".heads > li", { hasText: title });

test("what did not arrive in a talk goes as a message instead", async ({ page, isles }) => {
  const { ports } = await snapshotOf(isles.url);
  const port = ports.find(({ name }) => name === "VHF").port;
  const { answer } = await command(isles.url, { do: "open_talk", port, to: "QX5BOB-7", via: [] });
  for (const text of ["Forty cots", "wait on the quay"]) await command(isles.url, { do: "say", talk: answer.talk, text });
  for (const _ of [1, 2]) await command(isles.url, { do: "close_talk", talk: answer.talk });
  await openPage(page, isles.url);
  await page.locator(`#talk-${answer.talk}`).getByRole("button", { name: "Write it as a message" }).click();
  await expect(page.locator("#mail-to")).toHaveValue("QX5BOB");
  await expect(page.locator("#mail-body")).toHaveValue("Forty cots\nwait on the quay\n");
  await expect(page.locator("#mail-body")).toBeFocused();
});

test("a message is written, priced, sent, read and recalled by keyboard alone", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await expect(page.locator(".mail")).toContainText("No mail here yet");
  await page.keyboard.press("w");
  await expect(page.locator("#mail-to")).toBeFocused();
  await page.keyboard.type("qx5bob");
  await page.keyboard.press("Tab");
  await page.keyboard.type("qx0rlf");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  await page.keyboard.type("Cots for Lee Cove");
  await page.keyboard.press("Tab");
  await page.keyboard.type("Forty cots wait on the quay.");
  await expect(page.locator(".cost")).toContainText(/29 octets of text; packed, .*QX0RLF-5 on HF, 300 Bd: about .* on the air/);
  await page.keyboard.press("Control+Enter");
  const letter = page.locator(".letter");
  await expect(letter).toContainText("queued for QX0RLF");
  await expect(letter).toContainText("the sender is the operator of this station");
  await expect(letter.locator(".chain")).toContainText(/QA1SKY\s+since \d{4}-/);
  await expect(letter.locator("h3")).toBeFocused();
  await page.keyboard.press("x");
  await expect(letter.locator(".told")).toHaveText("It waits no longer for QX0RLF. Nobody has it yet.");
  await expect(letter).toContainText("held: it was recalled");
  await page.keyboard.press("l");
  await expect(letter).toContainText("queued for QX0RLF");
  await page.keyboard.press("Delete");
  await expect(letter.getByRole("button", { name: "Delete for ever" })).toBeFocused();
  await page.keyboard.press("Enter");
  await expect(page.locator(".heads > li")).toHaveCount(0);
});

test("what is typed stays until it is sent, and a draft can be changed", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await page.getByRole("button", { name: "Write a message" }).click();
  await page.getByRole("radio", { name: "Bulletin, to all" }).check();
  await page.locator("#mail-topic").fill("ferry");
  await page.locator("#mail-area").fill("isles");
  await page.locator("#mail-title").fill("Late");
  await page.reload();
  await page.getByRole("button", { name: "Go on writing it" }).click();
  await expect(page.locator("#mail-topic")).toHaveValue("ferry");
  await page.locator("#mail-title").fill("");
  await page.getByRole("button", { name: "Keep as a draft" }).click();
  await expect(page.locator("#mail-wrong")).toContainText("Give it a title");
  await page.locator("#mail-title").fill("Late");
  await page.getByRole("button", { name: "Keep as a draft" }).click();
  await expect(row(page, "Late")).toContainText("written, not sent yet");
  await page.getByRole("button", { name: /^Change/ }).click();
  await expect(page.locator("#mail-topic")).toHaveValue("FERRY");
  await page.locator("#mail-title").fill("Late by two hours");
  await page.getByRole("button", { name: /^Send/ }).first().click();
  await expect(page.locator(".heads > li")).toHaveCount(1);
  await expect(row(page, "Late by two hours")).toContainText("queued for QM2REE");
});

const FORM = {
  precedence: "welfare", handling: "HXC", place: "Great Marrow", filed: "", date: "", to: "Warden of the school\nLee Cove",
  phone: "555 0142", text: "Forty cots come by ferry x", signature: "Harbour office",
};

test("a radiogram is counted while it is written, numbered, and delivered", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await page.keyboard.press("w");
  await page.getByRole("radio", { name: "Formal (radiogram)" }).check();
  await page.locator("#mail-to").fill("qa1sky");
  const field = (name) => page.locator(`#mail-formal-${name}`);
  await field("text").fill("Forty cots come by ferry.");
  await expect(page.locator("#mail-formal-text-wrong")).toContainText("write X to part sentences");
  await field("text").fill("Forty cots come by ferry x ARL 50");
  await expect(page.locator("#mail-check")).toHaveText("ARL 8");
  await expect(page.locator(".mail-form .cost")).toContainText("ARL FIFTY, not ARL 50");
  await field("text").fill(`${"more ".repeat(26)}`);
  await expect(page.locator(".mail-form .cost")).toContainText("about 25 are recommended");
  await field("text").fill(FORM.text);
  await expect(page.locator("#mail-check")).toHaveText("6");
  await page.keyboard.press("Control+Enter");
  await expect(page.locator("#mail-wrong")).toContainText("Not sent: place of origin: nothing stands here: write at least one group; name and address: the address has 0 lines");
  await expect(page.locator("#mail-formal-place-wrong")).toBeVisible();
  for (const name of ["handling", "place", "to", "phone", "signature"]) await field(name).fill(FORM[name]);
  await expect(page.locator(".mail-form .cost")).toContainText("It stays here, and costs no airtime");
  await page.locator("#mail-precedence").selectOption("welfare");
  await page.keyboard.press("Control+Enter");
  const letter = page.locator(".letter");
  await expect(letter.locator("h3")).toHaveText("LEE COVE 555");
  await expect(letter.locator("pre").first()).toContainText(/RADIOGRAM\n\nNumber {12}1\nPrecedence {8}WELFARE/);
  await letter.getByText("Read it aloud").click();
  await expect(letter.locator(".spoken li").first()).toContainText("NUMBER ONE, WELFARE, HX CHARLIE, QUEBEC ALFA ONE");
  await letter.locator("h3").focus();
  await page.keyboard.press("d");
  await expect(letter).toContainText("goes on the air, and cannot be taken back");
  await letter.getByRole("button", { name: "Not yet" }).click();
  await expect(letter.locator(".told")).toHaveText("");
  await expect(row(page, "Delivered: LEE COVE 555")).toHaveCount(0);
  await letter.locator("h3").focus();
  await page.keyboard.press("d");
  await expect(letter.getByRole("button", { name: "It was delivered" })).toBeFocused();
  await page.keyboard.press("Enter");
  await expect(letter.locator(".told")).toHaveText("It is noted as delivered. A report goes to QA1SKY at QA1SKY.");
  await expect(letter).toContainText("delivered");
  await expect(row(page, "Delivered: LEE COVE 555")).toBeVisible();
});

test("a radiogram is passed on, or reported as not delivered", async ({ page, isles }) => {
  const body = (check) => `7 R QA1SKY ${check} GREAT MARROW 1830Z NOV 29\nWARDEN\nLEE COVE\nBT\nALL WELL HERE\nBT\nHARBOUR OFFICE\nAR\n`;
  const formal = { kind: "formal", to: "QA1SKY", title: "-" };
  await post(isles.url, "write", { ...formal, body: body("4/3") });
  await openPage(page, isles.url);
  await row(page, "LEE COVE").getByRole("button").first().click();
  const letter = page.locator(".letter");
  await expect(letter.locator("pre").first()).toContainText("4/3");
  await expect(letter.locator("h3")).toBeFocused();
  await page.keyboard.press("p");
  await letter.getByLabel("To (call sign)").fill("qx0rlf");
  await page.keyboard.press("Enter");
  await expect(letter.locator(".told")).toHaveText("It goes on: queued for QX0RLF.");
  await expect(letter).toContainText("passed on");
  // What is with another station is not for this one to give up.
  await expect(letter.getByRole("button", { name: /^Delivered/ })).toBeVisible();
  await expect(letter.getByRole("button", { name: /^Not delivered/ })).toHaveCount(0);
  await post(isles.url, "write", { ...formal, body: body("3").replace("LEE COVE", "NORTH COVE") });
  await row(page, "NORTH COVE").getByRole("button").first().click();
  await expect(letter.locator("h3")).toHaveText("NORTH COVE");
  await letter.locator("h3").focus();
  await page.keyboard.press("n");
  await letter.getByLabel("Why").selectOption("wrong_phone");
  await letter.getByRole("button", { name: "Tell the station of origin" }).click();
  await expect(letter).toContainText("cannot be delivered: phone number not in service");
  await expect(letter.getByRole("button", { name: /^Not delivered/ })).toHaveCount(0);
  await row(page, "Not delivered: NORTH COVE").getByRole("button").first().click();
  await expect(letter.locator("h3")).toHaveText("Not delivered: NORTH COVE");
  await expect(page.locator(".letter .text")).toContainText("NOT DELIVERED X PHONE NUMBER NOT IN SERVICE X PLEASE ADVISE");
});

test("what went on is not sent a second time, whatever becomes of the note of it", async ({ page, isles }) => {
  const body = "7 R QA1SKY 3 GREAT MARROW 1830Z NOV 29\nWARDEN\nLEE COVE\nBT\nALL WELL HERE\nBT\nHARBOUR OFFICE\nAR\n";
  await post(isles.url, "write", { kind: "formal", to: "QA1SKY", title: "-", body });
  await openPage(page, isles.url);
  let written = 0;
  await page.route("**/api/mail/write", (route) => { written += 1; return route.continue(); });
  const refuse = (route) => route.fulfill({ status: 503, contentType: "application/json", body: '{"refused":"the disk is full"}' });
  await page.route("**/api/mail/conclude", refuse);
  await row(page, "LEE COVE").getByRole("button").first().click();
  const letter = page.locator(".letter");
  const pass = async () => {
    await letter.locator("h3").focus();
    await page.keyboard.press("p");
    await letter.getByLabel("To (call sign)").fill("qx0rlf");
    await page.keyboard.press("Enter");
  };
  await pass();
  await expect(letter.locator(".wrong")).toHaveText("It goes on, but that could not be noted: the disk is full.");
  await expect(letter.locator(".conclude")).toHaveCount(0);
  await page.unroute("**/api/mail/conclude", refuse);
  await pass();
  await expect(letter.locator(".told")).toHaveText("It goes on: queued for QX0RLF.");
  expect(written).toBe(1);
});

for (const width of [360, 1400]) {
  test.describe(`a radiogram at ${width} pixels`, () => {
    test.use({ viewport: { width, height: 900 } });

    test("nothing is inaccessible or too wide", async ({ page, isles }) => {
      await post(isles.url, "originate", { to: "QA1SKY", radiogram: FORM });
      await openPage(page, isles.url);
      await row(page, "LEE COVE").getByRole("button").first().click();
      await page.locator(".letter").waitFor();
      await page.locator(".letter").getByText("Read it aloud").click();
      await page.getByRole("button", { name: /^Not delivered/ }).click();
      await page.getByRole("button", { name: "Write a message" }).click();
      await page.getByRole("radio", { name: "Formal (radiogram)" }).check();
      await page.locator("#mail-to").fill("QX5BOB");
      for (const [name, value] of Object.entries(FORM)) if (name !== "precedence") await page.locator(`#mail-formal-${name}`).fill(value);
      await page.locator("#mail-formal-text").fill("Forty cots. Come");
      await page.locator("#mail-formal-text-wrong").waitFor();
      await page.locator("#mail").screenshot({ path: `${SHOTS}/${width}-radiogram.png` });
      await expectAccessible(page);
    });
  });
}

test("titles and texts of others are text and nothing else", async ({ page, isles }) => {
  await fill(isles.url);
  await openPage(page, isles.url);
  await expect(page.locator(".mail-counts")).toHaveText("1 unread, 2 waiting, 1 held");
  const hostile = row(page, HOSTILE);
  await expect(hostile).toContainText("new");
  await hostile.getByRole("button").click();
  await expect(page.locator(".letter h3")).toHaveText(HOSTILE);
  await expect(page.locator(".letter .text")).toContainText("<script>window.harmed = 2</script>");
  await expect(page.locator(".mail-counts")).toHaveText("0 unread, 2 waiting, 1 held");
  expect(await page.locator(".mail img, .mail script").count()).toBe(0);
  expect(await page.evaluate(() => window.harmed)).toBe(undefined);
  await page.getByRole("button", { name: /^Write again/ }).click();
  await expect(page.locator("#mail-to")).toHaveValue("QA1SKY");
  await expect(page.locator("#mail-title")).toHaveValue(`Re: ${HOSTILE}`);
});

test("the types that the page is checked with are those that the station sends", async ({ isles }) => {
  await fill(isles.url);
  const types = readFileSync(new URL("../../crates/web/page/types.d.ts", import.meta.url), "utf8");
  const fields = (name) => {
    const body = new RegExp(`export interface ${name} {([^}]*)}`).exec(types)[1];
    return [...body.matchAll(/^ {2}(\w+): /gm)].map(([, field]) => field).sort();
  };
  const { partners } = await snapshotOf(isles.url);
  const reckoned = await post(isles.url, "reckon", personal("QX5BOB at QX0RLF", "Cots", "Forty.\n"));
  const { heads } = await (await fetch(new URL("/api/mail?which=own&most=1", isles.url))).json();
  const { message } = await post(isles.url, "open", { id: heads[0].id });
  const tally = await post(isles.url, "radiogram", { to: "QA1SKY", radiogram: FORM });
  const written = await post(isles.url, "originate", { to: "QA1SKY", radiogram: FORM });
  const { radiogram } = await post(isles.url, "open", { id: written.id });
  const samples = {
    FormalTally: tally,
    RadiogramView: radiogram,
    Radiogram: radiogram.blank,
    PartnerView: partners[0],
    Reckoning: reckoned,
    RouteCost: reckoned.routes[0],
    MailCounts: await (await fetch(new URL("/api/mail/counts", isles.url))).json(),
    MailStep: message.chain[0],
  };
  for (const [name, sample] of Object.entries(samples)) expect(Object.keys(sample).sort(), name).toEqual(fields(name));
});

test("lists, search and the partners", async ({ page, isles }) => {
  await fill(isles.url);
  await openPage(page, isles.url);
  const titles = page.locator(".heads .title");
  for (const [list, shown] of [["Held", ["Diesel"]], ["Bulletins", ["Ferry"]], ["Waiting", ["Ferry", "Cots"]], ["Unread", ["<img"]]]) {
    await page.locator(".mail-choice label", { hasText: list }).click();
    await expect(titles).toHaveCount(shown.length);
    for (const [n, words] of shown.entries()) await expect(titles.nth(n)).toContainText(words);
  }
  await page.locator("#mail-words").fill("QUAY wait");
  await page.locator("#mail-words").press("Enter");
  await expect(titles).toHaveText(/Cots for Lee Cove/);
  await page.locator("#mail-words").fill("submarine");
  await page.locator("#mail-words").press("Enter");
  await expect(page.locator(".mail")).toContainText("No message has all of these words: submarine");
  const partner = page.locator(".partners li", { hasText: "QX0RLF-5" });
  await expect(partner).toContainText(/no exchange since the start, called in/);
  await partner.getByRole("button", { name: /^Call now/ }).click();
  // The partner may call at the same moment; then the line to it is in use, and the exchange is that one.
  await expect(partner).toContainText(/calling|exchanging|last exchange/);
  await expect(partner).toContainText("last exchange", { timeout: 50_000 });
});

test("an emergency for somebody else alarms until the operator has opened it", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await post(isles.url, "write", { ...personal("QM3BAR", "Boat adrift", "North of Bar Island.\n"), precedence: "emergency" });
  const alarm = page.locator(".alarms li", { hasText: "an emergency waits in the mail unread" });
  await expect(alarm).toContainText("Open it, and see to it that its reader hears of it");
  for (const width of [360, 800, 1400]) {
    await page.setViewportSize({ width, height: 900 });
    await page.screenshot({ path: `${SHOTS}/emergency-${width}.png` });
  }
  await expectAccessible(page);
  await row(page, "Boat adrift").locator(".title").click();
  await expect(page.locator(".mail")).toContainText("North of Bar Island.");
  await expect(alarm).toHaveCount(0);
});

test("a call and an exchange with a partner are ended by one press", async ({ page, isles }) => {
  await openPage(page, isles.url);
  const partner = page.locator(".partners li", { hasText: "QX0RLF-5" });
  const end = partner.getByRole("button", { name: "End the exchange with QX0RLF-5" });
  await expect(partner).toContainText("called in");
  await expect(end).toHaveCount(0);
  await partner.getByRole("button", { name: /^Call now/ }).click();
  await expect(partner).toContainText(/calling|exchanging/);
  await end.click();
  await expect(partner).toContainText("ended by the operator");
  await expect(end).toHaveCount(0);
});

test("who is muted is listed with the reason, and one press ends it", async ({ page, isles }) => {
  await openPage(page, isles.url);
  await expect(page.locator("#mutes")).toHaveCount(0);
  await command(isles.url, { do: "mute", call: "QM3BAR", minutes: 60, why: "floods the channel" });
  await expect(page.locator("#mutes li")).toContainText(/QM3BAR for another 59 min \d+ s: floods the channel/);
  await page.getByRole("button", { name: "End the muting of QM3BAR" }).click();
  await expect(page.locator("#mutes")).toHaveCount(0);
});

for (const width of [360, 800, 1400]) {
  for (const colorScheme of ["light", "dark"]) {
    test.describe(`mail at ${width} pixels, ${colorScheme}`, () => {
      test.use({ viewport: { width, height: 900 }, colorScheme });

      test("nothing is inaccessible or too wide", async ({ page, isles }) => {
        await fill(isles.url);
        await openPage(page, isles.url);
        await row(page, "Ferry two hours late").getByRole("button").first().click();
        await page.locator(".letter").waitFor();
        await page.getByRole("button", { name: "Write a message" }).click();
        await page.locator("#mail-to").fill("QX5BOB");
        await page.locator("#mail-home").fill("QX0RLF");
        await page.locator("#mail-title").fill("Cots");
        await page.locator("#mail-body").fill("Forty cots wait on the quay.");
        await page.locator(".cost li").first().waitFor();
        await page.locator("#mail").screenshot({ path: `${SHOTS}/${width}-${colorScheme}-mail.png` });
        await page.screenshot({ path: `${SHOTS}/${width}-${colorScheme}-mail-page.png`, fullPage: true });
        await expectAccessible(page);
      });
    });
  }
}
