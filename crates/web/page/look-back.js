// Looking back: what was said, heard and noted, found in the journal by words, station and time.

/** @import { Found, JournalItem, KeptTalk } from './types' */
/** @import { Refused } from './command.js' */

import { send } from './command.js';
import { html, useState } from './html.js';
import { store, useSlices } from './station.js';
import { count, moment, utc } from './words.js';

/** @typedef {{ words: string, station: string, only: '' | JournalItem['kind'], from: string, until: string }} Sought */

/** @type {{ only: Sought['only'], words: string }[]} */
const KINDS = [
  { only: '', words: 'All' },
  { only: 'line', words: 'Talks' },
  { only: 'frame', words: 'Frames' },
  { only: 'note', words: 'Notes' },
];
const THINGS = 20;
/** Lines of a talk that are shown before the one that was found. */
const BEFORE = 20;

/** @param {Sought} sought @param {Found | null} before what was found already */
function address(sought, before) {
  const asked = new URLSearchParams({ most: String(THINGS) });
  for (const name of /** @type {const} */ (['words', 'station', 'only'])) {
    if (sought[name].trim()) asked.set(name, sought[name].trim());
  }
  for (const name of /** @type {const} */ (['from', 'until'])) {
    // What the field gives has no time zone; here all times are UTC.
    const at = Date.parse(`${sought[name]}Z`);
    if (!Number.isNaN(at)) asked.set(name, String(at));
  }
  for (const [kind, row] of Object.entries(before?.behind ?? {})) if (row !== null) asked.set(kind, String(row));
  return `/api/journal?${asked}`;
}

export function LookBack() {
  useSlices('station');
  const [sought, setSought] = useState(/** @type {Sought} */ ({ words: '', station: '', only: '', from: '', until: '' }));
  const [found, setFound] = useState(/** @type {Found | null} */ (null));
  const [asked, setAsked] = useState(/** @type {Sought | null} */ (null));
  const [wrong, setWrong] = useState('');
  if (store.role !== 'operator') return null;
  const look = async (/** @type {Sought} */ what, /** @type {Found | null} */ before) => {
    /** @type {{ answer: Found, refused?: undefined } | Refused} */
    const looked = await send(address(what, before));
    if (looked.refused !== undefined) return setWrong(looked.refused);
    setWrong('');
    setAsked(what);
    const { answer } = looked;
    setFound({ ...answer, items: [...(before?.items ?? []), ...answer.items] });
  };
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    void look(sought, null);
  };
  const on = (/** @type {keyof Sought} */ name) => (/** @type {Event} */ event) =>
    setSought({ ...sought, [name]: /** @type {HTMLInputElement} */ (event.currentTarget).value });
  return html`<section class="look-back" id="look-back" aria-labelledby="look-back-name" tabIndex="-1">
    <h2 id="look-back-name">Look back</h2>
    <form role="search" aria-label="Search the journal" onSubmit=${submit}>
      <div class="field wide"><label for="back-words">Whole words, all of them</label>
        <input id="back-words" type="search" value=${sought.words} maxLength="200" autocomplete="off" onInput=${on('words')} /></div>
      <div class="field"><label for="back-station">Station</label>
        <input id="back-station" class="call" value=${sought.station} size="10" maxLength="9" autocomplete="off" autocapitalize="characters" spellcheck=${false} onInput=${on('station')} /></div>
      <fieldset class="zoom"><legend class="hidden">What kind</legend>
        ${KINDS.map(({ only, words }) => html`<label key=${only}><input type="radio" name="back-only" value=${only}
          checked=${sought.only === only} onChange=${on('only')} /><span>${words}</span></label>`)}
      </fieldset>
      <details><summary>Between two times</summary>
        <div class="field"><label for="back-from">From (UTC)</label>
          <input id="back-from" type="datetime-local" value=${sought.from} onInput=${on('from')} /></div>
        <div class="field"><label for="back-until">Before (UTC)</label>
          <input id="back-until" type="datetime-local" value=${sought.until} onInput=${on('until')} /></div>
      </details>
      <button>Look</button>
    </form>
    <p class="wrong" role="alert">${wrong && `${wrong.charAt(0).toUpperCase()}${wrong.slice(1)}.`}</p>
    <p class="dim" role="status">${found && told(found)}</p>
    <ol>${found?.items.map((item) => html`<${Row} key=${`${item.kind} ${item.row}`} item=${item} />`)}</ol>
    ${found?.more && asked && html`<button type="button" class="quiet" onClick=${() => look(asked, found)}>Show earlier ones</button>`}
  </section>`;
}

/** @param {Found} found */
function told({ items, more }) {
  if (items.length === 0) return 'Nothing fits. Only whole words are found; leave one out, or look in all kinds.';
  return more ? `The newest ${items.length}` : count(items.length, 'thing');
}

/** @param {{ item: JournalItem }} props */
function Row({ item }) {
  const [talk, setTalk] = useState(/** @type {KeptTalk | null} */ (null));
  const [wrong, setWrong] = useState('');
  const at = moment(item.wall);
  /** Lines from this one on, below those that are there. @param {number} from @param {KeptTalk | null} above */
  const show = async (from, above) => {
    /** @type {{ answer: KeptTalk, refused?: undefined } | Refused} */
    const asked = await send(`/api/journal/talk?run=${item.run}&talk=${item.talk}&from=${from}`);
    setWrong(asked.refused ?? '');
    if (asked.refused === undefined) setTalk({ ...asked.answer, lines: [...(above?.lines ?? []), ...asked.answer.lines] });
  };
  const open = () => (talk === null ? show(Math.max(0, (item.line ?? 0) - BEFORE), null) : setTalk(null));
  return html`<li class=${item.mark}>
    <time class="time" dateTime=${at.iso}>${at.words}</time>
    <span class="about">${item.port ?? ''}</span>
    <span class="text">${item.kind === 'note'
      ? html`${item.mark === 'attention' && html`<b><span aria-hidden="true">▲ </span>Attention: </b>`}${item.words}`
      : item.kind === 'line'
        ? html`<span class="call">${item.from}</span> to <span class="call">${item.to}</span>: ${item.words}`
        : html`${item.mark}: ${item.words}`}</span>
    ${item.talk !== null && html`<button type="button" class="quiet" aria-expanded=${talk !== null} onClick=${open}>Whole talk</button>`}
    <p class="wrong" role="alert">${wrong}</p>
    ${talk !== null && html`<${WholeTalk} item=${item} kept=${talk} show=${show} />`}
  </li>`;
}

/** @param {{ item: JournalItem, kept: KeptTalk, show: (from: number, above: KeptTalk | null) => void }} props */
function WholeTalk({ item, kept, show }) {
  const view = kept.talk?.value.view;
  const [first, last] = [kept.lines.at(0)?.value.line ?? 0, kept.lines.at(-1)?.value.line ?? 0];
  return html`<div class="kept-talk" tabIndex="0" role="region" aria-label="The whole talk">
    ${view && html`<p class="dim">${view.local} and ${view.remote}${view.via.length > 0 && `, by ${view.via.join(', ')}`}: ${view.words}</p>`}
    ${first > 0 && html`<button type="button" class="quiet" onClick=${() => show(0, null)}>Show it from its first line</button>`}
    <ol>${kept.lines.map(({ row, wall, value }) => html`<li key=${row} class=${row === item.row ? 'sought' : ''}>
      <span class="time">${utc(new Date(wall))}</span>
      <span class="about">${value.direction === 'sent' ? 'we' : 'they'}</span>
      <span class="text">${value.text}</span></li>`)}</ol>
    ${kept.more && html`<button type="button" class="quiet" onClick=${() => show(last + 1, kept)}>Show later lines</button>`}
  </div>`;
}
