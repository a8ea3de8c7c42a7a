// A radiogram that is open: on paper, aloud, its log, what disagrees, and what became of it.

/** @import { Letter, RadiogramView } from './types' */

import { readCall } from './call-sign.js';
import { html, useEffect, useRef, useState } from './html.js';
import { concludeFormal, load, write } from './mail-ask.js';

/** Why a radiogram was not delivered, by the names of the station. @type {[string, string][]} */
const REASONS = [
  ['no_answer', 'The phone is not answered'],
  ['wrong_phone', 'The phone number is not in service'],
  ['no_such_address', 'Nobody by that name at the address'],
  ['refused', 'The addressee does not want it'],
  ['toll', 'It would need a toll call'],
  ['too_late', 'The time limit has passed'],
  ['not_lawful', 'It may not be passed on here'],
  ['no_station', 'No station near the addressee'],
  ['garbled', 'The text makes no sense as it came'],
  ['other', 'Something else, in words:'],
];

/** @param {Letter} letter @returns {RadiogramView | null} */
export function readable({ radiogram }) {
  return radiogram && !('unreadable' in radiogram) ? radiogram : null;
}

/** @param {{ letter: Letter }} props */
export function RadiogramText({ letter }) {
  const { message, radiogram } = letter;
  const view = readable(letter);
  const asItCame = html`<div class="text" tabIndex="0" role="group" aria-label="Text">${message.body}</div>`;
  if (!view) {
    return html`<p class="wrong">This cannot be read as a radiogram: ${/** @type {{ unreadable: string }} */ (radiogram).unreadable}</p>${asItCame}`;
  }
  return html`${view.remarks.length > 0 && html`<ul class="remarks">${view.remarks.map((words, n) => html`<li key=${n}
      class=${view.miscounted && n === 0 ? 'wrong' : 'unproved'}><span aria-hidden="true">▲ </span>${words}</li>`)}</ul>`}
    <pre class="text" tabIndex="0" role="group" aria-label="On paper">${view.printed}</pre>
    <details><summary>Read it aloud</summary><ol class="spoken">${view.spoken.map((line, n) => html`<li key=${n}>${line}</li>`)}</ol></details>
    ${view.log !== '' && html`<details><summary>Line of the log</summary><pre class="text" tabIndex="0" role="group" aria-label="Log">${view.log}</pre></details>`}
    <details><summary>As it came</summary>${asItCame}</details>`;
}

/**
 * What became of it: asked for before it is noted.
 * @param {{ letter: Letter, what: 'not_delivered' | 'pass', close: () => void,
 *   told: (words: string, wrong: boolean) => void }} props
 */
export function Conclude({ letter, what, close, told }) {
  const first = useRef(/** @type {HTMLElement | null} */ (null));
  const [reason, setReason] = useState('no_answer');
  const [words, setWords] = useState('');
  const [to, setTo] = useState('');
  const [home, setHome] = useState('');
  useEffect(() => first.current?.focus(), [what]);
  const take = (/** @type {(text: string) => void} */ set) => (/** @type {Event} */ event) =>
    set(/** @type {HTMLInputElement} */ (event.currentTarget).value);
  const busy = useRef(false);
  const done = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (busy.current) return;
    busy.current = true;
    const answer = what === 'pass' ? await passOn(letter, to, home) : await notDelivered(letter, reason, words);
    busy.current = false;
    told(answer.words, answer.wrong);
    if (!answer.wrong || answer.over) close();
    await load();
  };
  return html`<form class="conclude" onSubmit=${done} aria-label=${what === 'pass' ? 'Pass it on' : 'Not delivered'}>
    ${what === 'pass'
      ? html`<label class="field"><span>To (call sign)</span><input ref=${first} class="call" type="text" size="12" value=${to} onInput=${take(setTo)} autocomplete="off" /></label>
        <label class="field"><span>Kept at, if known</span><input class="call" type="text" size="12" value=${home} onInput=${take(setHome)} autocomplete="off" /></label>
        <p class="dim">The same words go on in a message of their own${readable(letter)?.miscounted ? ', with the check corrected as the form has it: old count, stroke, new count' : ''}.</p>`
      : html`<label class="field"><span>Why</span><select ref=${first} value=${reason} onChange=${take(setReason)}>${REASONS.map(([name, label]) => html`<option key=${name} value=${name}>${label}</option>`)}</select></label>
        ${reason === 'other' && html`<label class="field"><span>In words, at most 12</span><input class="formal" type="text" size="30" value=${words} onInput=${take(setWords)} autocomplete="off" /></label>`}
        <p class="dim">The station of origin is told by a service message.</p>`}
    <div class="letter-acts"><button class="main-act">${what === 'pass' ? 'Pass it on' : 'Tell the station of origin'}</button>
      <button type="button" onClick=${close}>Not now</button></div>
  </form>`;
}

/** @param {Letter} letter @returns {Promise<{ words: string, wrong: boolean }>} */
export async function deliveredNow(letter) {
  return concluded(await concludeFormal({ id: letter.message.id, outcome: 'delivered' }), 'It is noted as delivered.');
}

/** @param {Letter} letter @param {string} reason @param {string} words @returns {Promise<{ words: string, wrong: boolean, over?: boolean }>} */
async function notDelivered(letter, reason, words) {
  const why = reason === 'other' ? { other: words } : reason;
  return concluded(await concludeFormal({ id: letter.message.id, outcome: 'not_delivered', why }), 'It is noted.');
}

/** What went on from here, by identifier and address, and how: it is never written again. @type {Map<string, string>} */
const wentOn = new Map();

/**
 * Sends the form on, and only then says that it was. `over`: there is nothing to try again.
 * @param {Letter} letter @param {string} to @param {string} home @returns {Promise<{ words: string, wrong: boolean, over?: boolean }>}
 */
async function passOn(letter, to, home) {
  const view = readable(letter);
  const calls = [readCall(to), ...(home.trim() === '' ? [] : [readCall(home)])];
  const bad = calls.find((read) => read.wrong !== undefined);
  if (bad?.wrong !== undefined || !view?.onward) return { words: bad?.wrong ?? 'It cannot go on as it is.', wrong: true };
  const address = calls.map((read) => ('call' in read ? read.call : '')).join(' at ');
  const { precedence, title, id } = letter.message;
  const once = `${id} ${address}`;
  if (!wentOn.has(once)) {
    const sent = await write({ kind: 'formal', to: address, precedence, title, body: view.onward, keep_back: false });
    if (sent.refused !== undefined && sent.status === 0) {
      return { words: 'The station did not answer, so perhaps it goes on: look under Waiting before you try again.', wrong: true, over: true };
    }
    if (sent.refused !== undefined) return { words: `Not passed on: ${sent.refused}.`, wrong: true };
    wentOn.set(once, sent.answer.words);
  }
  const noted = await concludeFormal({ id, outcome: 'passed', to: address });
  if (noted.refused !== undefined) return { words: `It goes on, but that could not be noted: ${noted.refused}.`, wrong: true, over: true };
  return concluded(noted, `It goes on: ${wentOn.get(once)}.`);
}

/** @param {Awaited<ReturnType<typeof concludeFormal>>} answer @param {string} done */
function concluded(answer, done) {
  if (answer.refused !== undefined) return { words: `Not done: ${answer.refused}.`, wrong: true };
  const to = answer.answer.reported_to;
  return { words: to ? `${done} A report goes to ${to}.` : done, wrong: false };
}
