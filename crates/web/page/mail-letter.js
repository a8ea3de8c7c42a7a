// One letter: its text, who wrote it and how that is known, where it stands, who has had it.

/** @import { Letter as View, Message } from './types' */

import { html, useEffect, useRef, useState } from './html.js';
import { act, closeLetter, load } from './mail-ask.js';
import { BLANK } from './mail-formal.js';
import { Conclude, RadiogramText, deliveredNow, readable } from './mail-radiogram.js';
import { startWriting } from './mail-write.js';
import { PRECEDENCES, count, moment } from './words.js';

/** @typedef {{ key: string, name: string, words: string, does: () => void, kind?: string }} Act */

/** @param {{ letter: View }} props */
export function Letter({ letter }) {
  const { message } = letter;
  const [told, setTold] = useState({ words: '', wrong: false });
  const [sure, setSure] = useState(/** @type {'delete' | 'delivered' | null} */ (null));
  const [asking, setAsking] = useState(/** @type {'not_delivered' | 'pass' | null} */ (null));
  const heading = useRef(/** @type {HTMLHeadingElement | null} */ (null));
  useEffect(() => heading.current?.focus({ preventScroll: true }), [message.id]);
  const ask = async (/** @type {'release' | 'hold' | 'delete' | 'recall'} */ what, /** @type {string} */ done) => {
    const answer = await act(what, message.id);
    if (answer.refused !== undefined) setTold({ words: `Not done: ${answer.refused}.`, wrong: true });
    else setTold({ words: typeof answer.answer === 'object' ? recalled(answer.answer) : done, wrong: false });
    if (answer.refused === undefined && what === 'delete') {
      closeLetter();
      document.getElementById('mail')?.focus();
    }
    setSure(null);
    await load();
  };
  const tell = (/** @type {string} */ words, /** @type {boolean} */ wrong) => setTold({ words, wrong });
  const delivered = async () => {
    const { words, wrong } = await deliveredNow(letter);
    tell(words, wrong);
    setSure(null);
    await load();
    heading.current?.focus({ preventScroll: true });
  };
  const acts = [...formalActs(letter, () => setSure('delivered'), setAsking), ...actsOf(letter, ask, () => setSure('delete'))];
  const onKey = (/** @type {KeyboardEvent} */ event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    // Whoever fills in a field types letters; Esc leaves the field.
    if (event.target instanceof HTMLElement && event.target.closest('.conclude')) {
      if (event.key === 'Escape') setAsking(null);
      return event.stopPropagation();
    }
    const found = event.key === 'Escape' ? { does: close } : acts.find(({ key }) => key === event.key);
    if (!found) return;
    event.preventDefault();
    event.stopPropagation();
    found.does();
  };
  const close = () => {
    const row = heading.current?.closest('li')?.querySelector('button');
    closeLetter();
    row?.focus();
  };
  return html`<article class="letter" aria-labelledby=${`letter-${message.id}`} onKeyDown=${onKey}>
    <h3 id=${`letter-${message.id}`} ref=${heading} tabIndex="-1">${message.title}</h3>
    <${Facts} letter=${letter} />
    ${letter.radiogram
      ? html`<${RadiogramText} letter=${letter} />`
      : html`<div class="text" tabIndex="0" role="group" aria-label="Text">${message.body}</div>`}
    <p class=${told.wrong ? 'wrong' : 'told'} role="status">${told.words}</p>
    ${asking && html`<${Conclude} key=${asking} letter=${letter} what=${asking} close=${() => setAsking(null)} told=${tell} />`}
    ${sure
      ? html`<${Sure} key=${sure} ...${sure === 'delete' ? DELETE : DELIVERED} yes=${sure === 'delete' ? () => ask('delete', '') : delivered}
          no=${() => setSure(null)} />`
      : html`<div class="letter-acts">${acts.map(({ key, name, words, does, kind = '' }) => html`<button key=${name} type="button"
          class=${kind} title=${words} onClick=${does}>${name} <kbd>${key === 'Delete' ? 'Del' : key}</kbd></button>`)}
        <button type="button" class="quiet" onClick=${close}>Close <kbd>Esc</kbd></button></div>`}
  </article>`;
}

/** @param {{ letter: View }} props */
function Facts({ letter }) {
  const { message, proof, proof_words, words, note } = letter;
  const urgent = message.precedence !== 'routine';
  return html`<dl>
    <div><dt>From</dt><dd><span class="call">${message.from}</span>, ${' '}<span class=${proof === 'unknown' ? 'unproved' : 'dim'}>${proof === 'unknown' && html`<b aria-hidden="true">▲ </b>`}the sender ${proof_words}</span></dd></div>
    <div><dt>To</dt><dd>${message.kind === 'bulletin'
      ? html`all who care for <b>${message.topic}</b>, in the area <b>${message.area}</b>`
      : html`<span class="call">${message.to}</span>${kindWords(message)}`}</dd></div>
    <div><dt>Written</dt><dd>${moment(message.written).words}${urgent && html`, <b class=${`precedence ${message.precedence}`}>${PRECEDENCES[message.precedence]}</b>`}</dd></div>
    <div><dt>Stands</dt><dd>${words}</dd></div>
    <div><dt>Who has it</dt><dd><ol class="chain">${message.chain.map((step, n) => html`<li key=${n}>
      <span class="call">${step.station}</span> since ${moment(step.at).words}</li>`)}</ol></dd></div>
    ${note && html`<div><dt>Note</dt><dd class="unproved">${note}</dd></div>`}
    <div><dt>Name</dt><dd class="dim name">${message.id}</dd></div>
  </dl>`;
}

/** @param {Message} message */
function kindWords(message) {
  if (message.kind === 'service') return ` (a report about ${message.about})`;
  return message.kind === 'formal' ? ' (a radiogram, for delivery)' : '';
}

/** What is asked once more, because it cannot be taken back. */
const DELETE = {
  ask: 'Delete for ever?', words: 'The text goes for ever, and the message never comes back. Copies elsewhere stay.',
  does: 'Delete for ever', not: 'Do not delete', kind: 'danger',
};
const DELIVERED = {
  ask: 'Has the addressee got it?', words: 'What is reported as delivered goes on the air, and cannot be taken back.',
  does: 'It was delivered', not: 'Not yet', kind: 'main-act',
};

/** @param {typeof DELETE & { yes: () => void, no: () => void }} props */
function Sure({ ask, words, does, not, kind, yes, no }) {
  const button = useRef(/** @type {HTMLButtonElement | null} */ (null));
  const once = useRef(false);
  useEffect(() => button.current?.focus(), []);
  const press = () => {
    if (once.current) return;
    once.current = true;
    yes();
  };
  return html`<div class="letter-acts" role="group" aria-label=${ask}>
    <p>${words}</p>
    <button type="button" class=${kind} ref=${button} onClick=${press}>${does}</button>
    <button type="button" onClick=${no}>${not}</button></div>`;
}

/**
 * What may be done with a radiogram, besides. Whether it arrived is for a person to say.
 * @param {View} letter @param {() => void} delivered @param {(what: 'not_delivered' | 'pass') => void} ask @returns {Act[]}
 */
function formalActs(letter, delivered, ask) {
  if (!readable(letter) || !['here', 'held', 'passed', 'undeliverable'].includes(letter.standing)) return [];
  const report = readable(letter)?.reported ? ', and report it to the station of origin' : '';
  /** @type {Act[]} */
  const acts = [
    { key: 'd', name: 'Delivered', words: `The addressee has it${report}`, kind: 'main-act', does: delivered },
    { key: 'p', name: 'Pass on', words: 'Give it to another station', does: () => ask('pass') },
  ];
  // What is with somebody else, or was reported, is not for this station to give up.
  if (letter.standing === 'here' || letter.standing === 'held') {
    acts.splice(1, 0, { key: 'n', name: 'Not delivered', words: 'Tell the station of origin why not', does: () => ask('not_delivered') });
  }
  return acts;
}

/**
 * What may be done with it, as it stands.
 * @param {View} letter @param {(what: 'release' | 'hold' | 'recall', done: string) => void} ask
 * @param {() => void} remove @returns {Act[]}
 */
function actsOf(letter, ask, remove) {
  const { standing, message } = letter;
  /** @type {Act[]} */
  const acts = [];
  if (standing === 'written') {
    acts.push({ key: 'l', name: 'Send', words: 'Send this draft', kind: 'main-act', does: () => ask('release', 'It is on its way.') });
    acts.push({ key: 'e', name: 'Change', words: 'Go on writing', does: () => startWriting(again(letter)) });
  } else {
    // Nobody answers oneself: after an own message one writes to the same person again.
    const own = letter.proof === 'own';
    const whom = own ? message.to : letter.reply_to;
    const [name, words] = own ? ['Write again', 'Write to the same person'] : ['Answer', 'Write to its sender'];
    const does = () => startWriting({ kind: 'personal', ...address(whom ?? ''), title: letter.reply_title });
    if (whom) acts.push({ key: 'r', name, words, does });
  }
  if (standing === 'held' || standing === 'undeliverable') {
    const name = standing === 'held' ? 'Let go' : 'Try again';
    acts.push({ key: 'l', name, words: 'It goes on by the rules of the plan', kind: 'main-act', does: () => ask('release', 'It goes on.') });
  }
  if (['queued', 'here', 'undeliverable'].includes(standing)) {
    acts.push({ key: 'k', name: 'Hold', words: 'Keep it back until you let it go', does: () => ask('hold', 'It is held.') });
  }
  if (standing === 'queued') {
    acts.push({ key: 'x', name: 'Recall', words: 'Take it out of all queues of this station', does: () => ask('recall', '') });
  }
  acts.push({ key: 'Delete', name: 'Delete', words: 'Remove the text for ever', kind: 'danger', does: remove });
  return acts;
}

/** A draft as the form has it. @param {View} letter */
function again(letter) {
  const { id, kind, to, topic, area, precedence, title, body } = letter.message;
  const blank = readable(letter)?.blank;
  if (kind === 'formal' && blank) {
    const radiogram = { ...BLANK, ...blank };
    return { kind, ...address(to), precedence, radiogram, replaces: id };
  }
  const bulletin = kind === 'bulletin';
  return {
    ...(bulletin ? { kind: /** @type {const} */ ('bulletin'), topic, area } : { kind: /** @type {const} */ ('personal'), ...address(to ?? '') }),
    precedence, title, body, replaces: id,
  };
}

/** `QM3BAR at QX0RLF` in two. @param {string} text */
function address(text) {
  const [call, home = ''] = text.split(' at ');
  return { call, home };
}

/** @param {{ stopped: string[], have_it: string[] }} answer */
function recalled({ stopped, have_it }) {
  const waited = stopped.length > 0 ? `It waits no longer for ${stopped.join(', ')}.` : 'It waited for nobody.';
  const had = have_it.length > 0 ? `${count(have_it.length, 'partner has', 'partners have')} it already: ${have_it.join(', ')}.` : 'Nobody has it yet.';
  return `${waited} ${had}`;
}
