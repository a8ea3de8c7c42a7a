// The fields of a radiogram while it is written, and what the station says of them: its count, its hints, its cost. The
// rules are the station's alone.

/** @import { FormalDraft, FormalField, FormalTally, Radiogram } from './types' */

import { readCall } from './call-sign.js';
import { html, useEffect, useState } from './html.js';
import { countFormal } from './mail-ask.js';
import { Ways } from './mail-cost.js';
import { count } from './words.js';

/** After so long without a further letter it is counted, ms. */
const TYPED_MS = 350;

/** @type {Omit<Radiogram, 'precedence'>} */
export const BLANK = { handling: '', place: '', filed: '', date: '', to: '', phone: '', text: '', signature: '' };

/** What the handling instructions ask. @type {[string, string][]} */
const HANDLING = [
  ['HXA50', 'collect call within 50 miles'],
  ['HXB24', 'cancel 24 h after filing'],
  ['HXC', 'report the delivery'],
  ['HXD', 'each station reports'],
  ['HXE', 'get a reply'],
  ['HXF15', 'hold until the 15th'],
  ['HXG', 'no toll, else cancel'],
];

/** @type {{ name: keyof typeof BLANK, label: string, rows?: number, size?: number, hint?: string }[]} */
const FIELDS = [
  { name: 'handling', label: 'Handling (may be empty)', size: 14, hint: 'HXC HXG' },
  { name: 'place', label: 'Place of origin', size: 20, hint: 'where the signer is' },
  { name: 'filed', label: 'Time filed', size: 8, hint: 'now' },
  { name: 'date', label: 'Date', size: 8, hint: 'today' },
  { name: 'to', label: 'Name and address, a line each; the last is the town', rows: 3 },
  { name: 'phone', label: 'Phone', size: 16 },
  { name: 'text', label: 'Text: about 25 words; X between sentences, QUERY for a question mark', rows: 4 },
  { name: 'signature', label: 'Signature', size: 30 },
];

/**
 * What the station is told, or what is wrong with to whom it goes.
 * @param {{ call: string, home: string, precedence: Radiogram['precedence'], radiogram: typeof BLANK }} form
 * @param {boolean} keepBack
 * @returns {{ draft: FormalDraft, wrong?: undefined } | { field: string, wrong: string }}
 */
export function formalOf(form, keepBack) {
  const radiogram = { ...form.radiogram, precedence: form.precedence };
  const to = readCall(form.call);
  if (to.wrong !== undefined) return { field: 'to', wrong: to.wrong };
  if (form.home.trim() === '') return { draft: { to: to.call, radiogram, keep_back: keepBack } };
  const home = readCall(form.home);
  if (home.wrong !== undefined) return { field: 'home', wrong: home.wrong };
  return { draft: { to: `${to.call} at ${home.call}`, radiogram, keep_back: keepBack } };
}

/**
 * @param {{ form: Parameters<typeof formalOf>[0], fill: (name: FormalField, value: string) => void, tried: boolean }} props
 * `tried`: it was to be sent, so that empty fields are told too
 */
export function FormalFields({ form, fill, tried }) {
  const [tally, setTally] = useState(/** @type {FormalTally | null} */ (null));
  const [why, setWhy] = useState('');
  useEffect(() => {
    let wanted = true;
    const timer = setTimeout(async () => {
      const { draft } = { draft: undefined, ...formalOf(form, false) };
      const radiogram = { ...form.radiogram, precedence: form.precedence };
      const answer = await countFormal(draft ?? { radiogram, keep_back: false });
      if (!wanted) return;
      setTally(answer.refused === undefined ? answer.answer : null);
      setWhy(answer.refused ?? '');
    }, TYPED_MS);
    return () => {
      wanted = false;
      clearTimeout(timer);
    };
  }, [JSON.stringify(form)]);
  const { radiogram } = form;
  const amiss = (/** @type {FormalField} */ name) =>
    (tried || radiogram[name].trim() !== '' ? tally?.amiss.find(({ field }) => field === name)?.words : undefined) ?? '';
  return html`${FIELDS.map(({ name, label, rows, size, hint }) => html`<${FormalField} key=${name} name=${name} label=${label}
      rows=${rows} size=${size} hint=${hint} value=${radiogram[name]} wrong=${amiss(name)}
      onInput=${(/** @type {Event} */ event) => fill(name, /** @type {HTMLInputElement} */ (event.currentTarget).value)} />`)}
    <details class="wide handling"><summary>Handling instructions</summary>
      <dl>${HANDLING.map(([sign, words]) => html`<div key=${sign}><dt class="call">${sign}</dt><dd>${words}</dd></div>`)}</dl></details>
    <div class="cost" role="status"><p>${tally?.check
      ? html`Check <b class="call" id="mail-check">${tally.check}</b>, counted by the station.`
      : 'The check is counted as soon as there is a text that can be sent.'} The number is given when you send it.${why && ` Not counted: ${why}.`}</p>
      ${tally && html`<ul>${tally.remarks.map((words) => html`<li key=${words}>▲ ${words}</li>`)}</ul>`}
      ${tally?.cost && html`<${Ways} cost=${tally.cost} />`}
      ${tally && !tally.cost && tally.amiss.length > 0 && html`<p class="dim">${count(tally.amiss.length, 'part is', 'parts are')} still to be filled in or put right.</p>`}
    </div>`;
}

/**
 * @param {{ name: string, label: string, value: string, wrong: string, rows?: number, size?: number, hint?: string,
 *   onInput: (event: Event) => void }} props
 */
function FormalField({ name, label, value, wrong, rows, size, hint, onInput }) {
  const id = `mail-formal-${name}`;
  const shared = { id, value, onInput, 'aria-invalid': wrong !== '', 'aria-describedby': wrong === '' ? undefined : `${id}-wrong` };
  return html`<div class=${rows || name === 'signature' ? 'field wide' : 'field'}><label for=${id}>${label}</label>
    ${rows
      ? html`<textarea ...${shared} rows=${rows} class="formal" autocapitalize="characters"></textarea>`
      : html`<input ...${shared} type="text" class="formal" size=${size} placeholder=${hint} autocomplete="off" autocapitalize="characters" />`}
    ${wrong !== '' && html`<p class="wrong" id=${`${id}-wrong`}>${wrong}</p>`}</div>`;
}
