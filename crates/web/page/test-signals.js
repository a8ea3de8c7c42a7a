// Test signals and identification of one port, with what to mind before.

/** @import { Command, GateView, TestSignal } from './types' */

import { ask } from './command.js';
import { html, useState } from './html.js';
import { clock, portName, useSecond } from './station.js';
import { span } from './words.js';

/** @type {[TestSignal, string, string][]} */
const SIGNALS = [
  ['low_tone', 'Low tone', 'for setting the deviation or the drive'],
  ['high_tone', 'High tone', 'to compare with the low one'],
  ['alternating', 'Both tones in turn', 'half a second each'],
  ['repeated_frame', 'A frame, again and again', 'for a friend who listens'],
  ['long_preamble', 'A long preamble, then a frame', 'for finding the key-up delay'],
];
const MOST_SECONDS = 30;

/** @param {{ gate: GateView }} props */
export function TestPanel({ gate }) {
  const { port, test } = gate;
  const [outcome, setOutcome] = useState({ words: '', wrong: false });
  const send = async (/** @type {Command} */ command, /** @type {string} */ done) => {
    const { refused } = await ask(command);
    setOutcome(refused === undefined ? { words: done, wrong: false } : { words: `Not done: ${refused}.`, wrong: true });
  };
  return html`<section class="tests" aria-label="Identification and test signals">
    <h4>Identification and test signals</h4>
    <p class="identified"><${Identified} at=${gate.identified_ms} />
      <button type="button" class="command" onClick=${() => send({ do: 'identify', port }, 'The call sign goes out once the gate is open.')}>Identify now</button></p>
    ${test === null
      ? html`<${TestForm} port=${port} send=${send} />`
      : html`<div class="running" role="status"><p><span aria-hidden="true">≋</span> <b>Test signal:</b> ${test}.</p>
          <button type="button" class="danger" onClick=${() => send({ do: 'end_test', port }, 'The test signal is ended.')}>End the test</button></div>`}
    <p class=${outcome.wrong ? 'wrong' : 'outcome'} role="status">${outcome.words}</p>
  </section>`;
}

/** @param {{ at: number | null }} props */
function Identified({ at }) {
  useSecond();
  return html`<span>${at === null ? 'Not identified since the start.' : `Last identified ${span(clock.now() - at)} ago.`}</span>`;
}

/** @param {{ port: number, send: (command: Command, done: string) => void }} props */
function TestForm({ port, send }) {
  const [signal, setSignal] = useState(/** @type {TestSignal} */ ('low_tone'));
  const [seconds, setSeconds] = useState('5');
  const [wrong, setWrong] = useState('');
  const submit = (/** @type {Event} */ event) => {
    event.preventDefault();
    const whole = Number(seconds);
    const good = Number.isInteger(whole) && whole >= 1 && whole <= MOST_SECONDS;
    setWrong(good ? '' : `Give whole seconds from 1 to ${MOST_SECONDS}.`);
    if (good) send({ do: 'test', port, signal, seconds: whole }, 'The test signal goes out once the gate is open.');
  };
  const value = (/** @type {Event} */ event) => /** @type {HTMLInputElement} */ (event.currentTarget).value;
  const chosen = SIGNALS.find(([id]) => id === signal);
  return html`<form class="command" onSubmit=${submit} noValidate>
    <p class="caution"><b><span aria-hidden="true">▲</span> Before you send:</b> put a dummy load on the radio, or make sure that the
      frequency is free. Nobody may be near the antenna (RF exposure). Your licence and local rules decide whether you may.
      It passes the gate, stops by itself, and the call sign is sent.</p>
    <label class="field"><span>Signal</span>
      <select id=${`test-signal-${port}`} value=${signal} onChange=${(/** @type {Event} */ event) => setSignal(/** @type {TestSignal} */ (value(event)))}>
        ${SIGNALS.map(([id, words]) => html`<option key=${id} value=${id}>${words}</option>`)}</select></label>
    <label class="field"><span>Seconds</span>
      <input id=${`test-seconds-${port}`} type="number" min="1" max=${MOST_SECONDS} value=${seconds} aria-invalid=${wrong !== ''}
        onInput=${(/** @type {Event} */ event) => setSeconds(value(event))} /></label>
    <button>Send it on ${portName(port)}</button>
    <p class="dim">${chosen?.[2]}</p>
    <p class="wrong" role="alert">${wrong}</p>
  </form>`;
}
