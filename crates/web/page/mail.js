// The mail: what is kept here, one letter at a time, and what it says of itself.

/** @import { MailHead, MailWhich } from './types' */

import { html, useEffect, useState } from './html.js';
import { Letter } from './mail-letter.js';
import { choose, closeLetter, load, loadMore, loadSoon, mail, openLetter, search } from './mail-ask.js';
import { WriteMail, startWriting } from './mail-write.js';
import { Partners } from './partners.js';
import { store, useSlices } from './station.js';
import { PRECEDENCES, moment } from './words.js';

/** @type {{ which: MailWhich, words: string, none: string }[]} */
const LISTS = [
  { which: 'all', words: 'All', none: 'No mail here yet.' },
  { which: 'unread', words: 'Unread', none: 'You have read all your mail.' },
  { which: 'bulletins', words: 'Bulletins', none: 'No bulletins here.' },
  { which: 'own', words: 'Mine', none: 'You have written nothing.' },
  { which: 'queue', words: 'Waiting', none: 'Nothing waits for a partner.' },
  { which: 'held', words: 'Held', none: 'Nothing is held.' },
];

/** What a row says at its edge: a mark with a word. @type {Record<string, unknown>} */
const MARKS = {
  new: html`<b><span aria-hidden="true">● </span>new</b>`,
  held: html`<b class="held"><span aria-hidden="true">▲ </span>held</b>`,
  undeliverable: html`<b class="held"><span aria-hidden="true">✕ </span>no way</b>`,
  written: html`<span>draft</span>`,
};

export function Mail() {
  useSlices('mail', 'station');
  useEffect(() => void load(), [store.run, store.role]);
  useEffect(() => loadSoon(), [store.mailChanges]);
  const operator = store.role === 'operator';
  const none = mail.heads?.length === 0 && mail.refused === '';
  return html`<section class="mail" id="mail" aria-labelledby="mail-name" tabIndex="-1">
    <div class="section-head"><h2 id="mail-name">Mail</h2>
      <${Counts} />
      ${operator && mail.refused === '' && html`<button type="button" class="main-act" onClick=${() => startWriting({})}>Write a message</button>`}
    </div>
    ${operator && html`<${WriteMail} />`}
    ${operator && mail.refused === '' && html`<${Choice} />`}
    ${!operator && html`<p class="dim">Guests see the heads of bulletins.</p>`}
    ${mail.heads === null && html`<p class="dim">Looking …</p>`}
    ${mail.without && html`<p class="dim">${sentence(mail.refused)}</p>`}
    <p class="wrong" role="alert">${mail.refused === '' || mail.without ? '' : sentence(mail.refused)}</p>
    ${none && html`<p class="dim">${noneWords()}</p>`}
    <ol class="heads" onKeyDown=${onArrows}>${(mail.heads ?? []).map((head) => html`<${Row} key=${head.id} head=${head} operator=${operator} />`)}</ol>
    ${mail.more && mail.words === '' && html`<button type="button" class="quiet" onClick=${loadMore}>Show older ones</button>`}
    ${mail.more && mail.words !== '' && html`<p class="dim">There are more; search for another word too.</p>`}
    <${Partners} />
  </section>`;
}

function noneWords() {
  if (mail.words !== '') return `No message has all of these words: ${mail.words}`;
  return LISTS.find(({ which }) => which === mail.which)?.none;
}

/** @param {string} words */
function sentence(words) {
  return `${words.charAt(0).toUpperCase()}${words.slice(1)}.`;
}

function Counts() {
  const { counts } = mail;
  if (!counts) return null;
  const { unread, queued, held } = counts;
  const words = [`${unread} unread`, queued > 0 && `${queued} waiting`, held > 0 && `${held} held`].filter(Boolean);
  return html`<p class=${unread > 0 || held > 0 ? 'mail-counts' : 'mail-counts dim'} role="status">${words.join(', ')}</p>`;
}

/** Which list, and the search. */
function Choice() {
  const [words, setWords] = useState(mail.words);
  const find = (/** @type {Event} */ event) => {
    event.preventDefault();
    search(words.trim());
  };
  const pick = (/** @type {MailWhich} */ which) => {
    setWords('');
    choose(which);
  };
  return html`<div class="mail-choice">
    <fieldset class="zoom"><legend class="hidden">Which mail</legend>
      ${LISTS.map(({ which, words }) => html`<label key=${which}><input type="radio" name="mail-which" value=${which}
        checked=${mail.words === '' && mail.which === which} onChange=${() => pick(which)} /><span>${words}</span></label>`)}
    </fieldset>
    <form role="search" aria-label="Search the mail" onSubmit=${find}>
      <label class="hidden" for="mail-words">Whole words in title or text</label>
      <input id="mail-words" type="search" value=${words} placeholder="Whole words" autocomplete="off"
        onInput=${(/** @type {Event} */ event) => setWords(/** @type {HTMLInputElement} */ (event.currentTarget).value)} />
      <button>Search</button>
    </form>
  </div>`;
}

/** @param {{ head: MailHead, operator: boolean }} props */
function Row({ head, operator }) {
  const open = mail.open === head.id;
  const inside = html`<span class="mark">${MARKS[head.unread ? 'new' : head.standing] ?? ''}</span>
    <span class="title">${head.precedence !== 'routine' && html`<b class=${`precedence ${head.precedence}`}>${PRECEDENCES[head.precedence]}</b> `}${head.title}</span>
    <span class="who"><span class="call">${head.from.split(' ')[0]}</span> to ${to(head)}</span>
    <time class="time" dateTime=${moment(head.arrived).iso}>${moment(head.arrived).words}</time>
    <span class="stands dim">${head.words}</span>`;
  return html`<li class=${head.unread ? 'new' : ''}>
    ${operator
      ? html`<button type="button" class="head" aria-expanded=${open} onClick=${() => (open ? closeLetter() : openLetter(head.id))}>${inside}</button>`
      : html`<div class="head">${inside}</div>`}
    ${open && mail.letter?.message.id === head.id && html`<${Letter} key=${head.id} letter=${mail.letter} />`}
  </li>`;
}

/** @param {MailHead} head */
function to(head) {
  return head.kind === 'bulletin' ? html`all: ${head.topic}, ${head.area}` : html`<span class="call">${head.to}</span>`;
}

/** From row to row. @param {KeyboardEvent} event */
function onArrows(event) {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  const here = event.target instanceof HTMLElement ? event.target.closest('button.head') : null;
  if (!step || !here) return;
  const rows = [...document.querySelectorAll('.mail button.head')].map((e) => /** @type {HTMLElement} */ (e));
  const next = rows[rows.indexOf(/** @type {HTMLElement} */ (here)) + step];
  if (!next) return;
  event.preventDefault();
  next.focus();
}
