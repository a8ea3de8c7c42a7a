// Keys that go to a part of the page, and the dialog that lists them. They work while no text
// field has the focus, and can be switched off (WCAG 2.2, success criterion 2.1.4).

import { html, useState } from './html.js';
import { startWriting } from './mail-write.js';
import { StopAll } from './stop-bar.js';
import { stop } from './stop.js';
import { SPANS, follow, pan, pause, setSpan, view } from './view.js';

const REMEMBERED = 'dunlin.keys';

/** @typedef {{ key: string, words: string, act: () => void }} Key */

/** @type {Key[]} */
const KEYS = [
  { key: 'g', words: 'Go to the gates: why a port transmits or does not', act: goToGate },
  { key: 'a', words: 'Go to the alarms', act: () => goTo('alarms') },
  { key: 's', words: 'Go to the strips', act: () => goTo('strips') },
  { key: 'h', words: 'Go to the stations heard', act: () => goTo('heard') },
  { key: 't', words: 'Go to the next talk’s text field', act: nextTalk },
  { key: 'o', words: 'Open a talk: type a call sign', act: () => document.getElementById('call-to')?.focus() },
  { key: 'c', words: 'Go to the crossings', act: () => goTo('crossings') },
  { key: 'm', words: 'Go to the mail', act: () => goTo('mail') },
  { key: 'w', words: 'Write a message', act: () => startWriting({}) },
  { key: 'n', words: 'Go to the timeline', act: () => goTo('notes') },
  { key: 'j', words: 'Look back into the journal', act: () => goTo('look-back') },
  { key: 'f', words: 'Strips: pause, or follow again', act: () => (view.pausedAt === null ? pause(false) : follow()) },
  { key: ',', words: 'Strips: earlier', act: () => pan(-0.5) },
  { key: '.', words: 'Strips: later', act: () => pan(0.5) },
  ...SPANS.map(({ ms, words, key }) => ({ key, words: `Strips: show ${words}`, act: () => setSpan(ms) })),
  { key: '?', words: 'Show or hide these keys', act: () => openKeys() },
];

const WITHIN = [
  ['← → Home End', 'In a strip: from block to block'],
  ['Enter', 'In a strip: show the block'],
  ['PageUp PageDown', 'In a strip: earlier, later'],
  ['Enter', 'In a talk: send'],
  ['Shift+Enter', 'In a talk: begin a new line'],
  ['↑ ↓', 'In the mail: from message to message'],
  ['r l k x Del', 'In a message: answer, let go or send, hold, recall, delete'],
  ['d n p', 'In a radiogram: delivered, not delivered, pass on'],
  ['Ctrl+Enter', 'While you write a message: send'],
  ['Esc', 'In a message: close it; in a talk: leave the text field; in details: close them'],
];

/** @param {string} id */
function goTo(id) {
  const section = document.getElementById(id);
  section?.focus();
  section?.scrollIntoView({ block: 'start' });
}

/** From gate to gate, and opens none: Enter does that. */
function goToGate() {
  const gates = [...document.querySelectorAll('.gate > summary')].map((e) => /** @type {HTMLElement} */ (e));
  if (gates.length === 0) return goTo('strips');
  const here = gates.findIndex((gate) => gate.parentElement?.contains(document.activeElement));
  gates[(here + 1) % gates.length].focus();
}

function nextTalk() {
  /** @type {HTMLElement[]} */
  const fields = [...document.querySelectorAll('.talk textarea')].map((e) => /** @type {HTMLElement} */ (e));
  if (fields.length === 0) return goTo('talks');
  const here = fields.findIndex((field) => field.closest('.talk')?.contains(document.activeElement));
  fields[(here + 1) % fields.length].focus();
}

/** @param {EventTarget | null} target */
function isTyping(target) {
  return target instanceof HTMLElement && target.matches('input:not([type=radio], [type=checkbox]), textarea, select');
}

function areOn() {
  return localStorage.getItem(REMEMBERED) !== 'off';
}

/** Begins to listen for keys. */
export function startKeys() {
  window.addEventListener('keydown', (event) => {
    // Wherever the focus is, and also where single keys are switched off.
    if ((event.ctrlKey || event.metaKey) && event.key === '.') {
      event.preventDefault();
      stop(null);
      return;
    }
    if (event.ctrlKey || event.altKey || event.metaKey || isTyping(event.target) || !areOn()) return;
    const dialog = document.querySelector('dialog[open]');
    if (dialog && (event.key !== '?' || dialog.id !== 'keys')) return;
    const key = KEYS.find(({ key }) => key === event.key);
    if (key) {
      event.preventDefault();
      key.act();
    }
  });
}

function dialogElement() {
  return /** @type {HTMLDialogElement | null} */ (document.getElementById('keys'));
}

export function openKeys() {
  const dialog = dialogElement();
  if (dialog?.open) dialog.close();
  else dialog?.showModal();
}

export function KeysDialog() {
  const [on, setOn] = useState(areOn);
  const toggle = () => {
    localStorage.setItem(REMEMBERED, on ? 'off' : 'on');
    setOn(!on);
  };
  return html`<dialog id="keys" aria-labelledby="keys-name">
    <h2 id="keys-name">Keys</h2>
    <label class="switch"><input type="checkbox" checked=${on} onChange=${toggle} /> Single keys go to parts of the page (never while you type)</label>
    <dl><div><dt><kbd>Ctrl+.</kbd></dt><dd><b>Stop the whole station at once</b>, also while you type and while single keys are off</dd></div></dl>
    <dl>${KEYS.map(({ key, words }) => html`<div key=${key}><dt><kbd>${key}</kbd></dt><dd>${words}</dd></div>`)}</dl>
    <h3>Within a part</h3>
    <dl>${WITHIN.map(([key, words]) => html`<div key=${words}><dt><kbd>${key}</kbd></dt><dd>${words}</dd></div>`)}</dl>
    <form method="dialog" class="dialog-acts"><button>Close</button><${StopAll} /></form>
  </dialog>`;
}
