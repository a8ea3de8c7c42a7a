// Calling a station, and saying something to all.

/** @import { WayView } from './types' */

import { readCall, readPath } from './call-sign.js';
import { ask } from './command.js';
import { html, useEffect, useRef, useState } from './html.js';
import { store, useSlices } from './station.js';
import { focusTalk } from './talk-focus.js';
import { Ways } from './ways.js';

/** @typedef {{ port: number, to: string, via: string }} Call */

/** @type {((call: Call) => void) | null} */
let fill = null;

/**
 * Fills the form for this station, or goes to the talk with it that is open already.
 * @param {number} port @param {string} to @param {string[]} via
 */
export function callStation(port, to, via) {
  const open = [...store.talks.values()].find(
    (talk) => talk.port === port && talk.remote === to && talk.state !== 'ended');
  if (open) focusTalk(open.id);
  else fill?.({ port, to, via: via.join(' ') });
}

export function OpenTalk() {
  useSlices('station');
  const [call, setCall] = useState(/** @type {Call} */ ({ port: 0, to: '', via: '' }));
  const [wrong, setWrong] = useState({ field: '', words: '' });
  const [asking, setAsking] = useState(false);
  const button = useRef(/** @type {HTMLButtonElement | null} */ (null));
  useEffect(() => {
    fill = (call) => {
      setCall(call);
      setWrong({ field: '', words: '' });
      button.current?.scrollIntoView({ block: 'nearest' });
      button.current?.focus();
    };
    return () => {
      fill = null;
    };
  }, []);
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (asking) return;
    setAsking(true);
    const outcome = await open(call);
    setAsking(false);
    setWrong(outcome);
    if (outcome.words === '') setCall({ ...call, to: '', via: '' });
    else if (outcome.field) document.getElementById(`call-${outcome.field}`)?.focus();
  };
  const on = (/** @type {keyof Call} */ name) => (/** @type {Event} */ event) =>
    setCall({ ...call, [name]: /** @type {HTMLInputElement} */ (event.currentTarget).value });
  const take = (/** @type {WayView} */ way) => {
    setCall({ ...call, port: way.port, via: way.via.join(' ') });
    setWrong({ field: '', words: '' });
    button.current?.focus();
  };
  const path = readPath(call.via);
  const via = path.wrong === undefined ? path.via.join(' ') : null;
  const taken = (/** @type {WayView} */ way) => way.port === Number(call.port) && way.via.join(' ') === via;
  return html`<form class="open-talk" id="open-talk" aria-label="Open a talk" onSubmit=${submit} noValidate>
    <${PortChoice} id="call-port" value=${call.port} onChange=${(/** @type {number} */ port) => setCall({ ...call, port })} />
    <${Field} id="call-to" label="Station" value=${call.to} onInput=${on('to')} wrong=${wrong.field === 'to'} letters=${9} />
    <${Field} id="call-via" label="Digipeaters, if any" value=${call.via} onInput=${on('via')} wrong=${wrong.field === 'via'} letters=${18} />
    <button ref=${button} class="main-act" aria-disabled=${asking}>Call</button>
    <p class="wrong" id="open-talk-wrong" role="alert">${wrong.words}</p>
  </form>
  <${Ways} to=${call.to} take=${take} taken=${taken} />`;
}

/**
 * Opens the talk; what is wrong in which field, if something is.
 * @param {Call} call
 */
async function open(call) {
  const to = readCall(call.to);
  if (to.wrong !== undefined) return { field: 'to', words: to.wrong };
  const path = readPath(call.via);
  if (path.wrong !== undefined) return { field: 'via', words: path.wrong };
  const answer = await ask({ do: 'open_talk', port: Number(call.port), to: to.call, via: path.via });
  if (answer.refused !== undefined) return { field: '', words: `Not called: ${answer.refused}.` };
  if (typeof answer.reply === 'object' && answer.reply.talk !== undefined) focusTalk(answer.reply.talk);
  return { field: '', words: '' };
}

/** @param {{ id: string, value: number, onChange: (port: number) => void }} props */
function PortChoice({ id, value, onChange }) {
  const ports = [...store.ports.values()];
  return html`<label class="field"><span>Port</span>
    <select id=${id} value=${String(value)}
      onChange=${(/** @type {Event} */ event) => onChange(Number(/** @type {HTMLSelectElement} */ (event.currentTarget).value))}>
      ${ports.map(({ port, name, call, may_transmit }) => html`<option key=${port} value=${String(port)} disabled=${!may_transmit}>
        ${name}, as ${call}${may_transmit ? '' : ' (receive only)'}</option>`)}
    </select></label>`;
}

/**
 * @param {{ id: string, label: string, value: string, letters: number, wrong: boolean,
 *   onInput: (event: Event) => void }} props
 */
function Field({ id, label, value, letters, wrong, onInput }) {
  return html`<label class="field"><span>${label}</span>
    <input id=${id} class="call" type="text" value=${value} size=${letters} autocomplete="off"
      autocapitalize="characters" spellcheck=${false} onInput=${onInput} aria-invalid=${wrong}
      aria-describedby=${wrong ? 'open-talk-wrong' : undefined} /></label>`;
}

export function SayToAll() {
  useSlices('station');
  const [port, setPort] = useState(0);
  const [to, setTo] = useState('CQ');
  const [text, setText] = useState('');
  const [outcome, setOutcome] = useState('');
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const read = readCall(to);
    if (read.wrong !== undefined || text.trim() === '') {
      setOutcome(read.wrong ?? 'Type what you want to say.');
      return;
    }
    const answer = await ask({ do: 'say_to_all', port, to: read.call, via: [], text });
    setOutcome(answer.refused === undefined ? 'Handed on; it goes out once the channel is clear.' : `Not sent: ${answer.refused}.`);
    if (answer.refused === undefined) setText('');
  };
  const value = (/** @type {Event} */ event) => /** @type {HTMLInputElement} */ (event.currentTarget).value;
  return html`<details class="say-to-all"><summary>Say to all</summary>
    <form onSubmit=${submit} aria-label="Say to all" noValidate>
      <p class="dim">One frame, without an answer that it arrived.</p>
      <${PortChoice} id="all-port" value=${port} onChange=${setPort} />
      <${Field} id="all-to" label="Addressed to" value=${to} letters=${9} wrong=${false}
        onInput=${(/** @type {Event} */ event) => setTo(value(event))} />
      <label class="field wide"><span>Text</span><input id="all-text" type="text" maxLength=${256} value=${text}
        autocomplete="off" onInput=${(/** @type {Event} */ event) => setText(value(event))} /></label>
      <button>Send to all</button>
      <p role="status">${outcome}</p>
    </form>
  </details>`;
}
