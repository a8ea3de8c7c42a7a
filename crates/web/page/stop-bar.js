// The bar at the top that never scrolls away: a stop for the station and one for each port.
// Below it, who has stopped what, and the way to start it again.

/** @import { Stop } from './types' */

import { ask } from './command.js';
import { html, useRef, useState } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { attempts, dismiss, stop, stopOf, subject } from './stop.js';
import { count, span, utc } from './words.js';

export function StopBar() {
  useSlices('stops', 'ports', 'station', 'gates');
  const ports = [...store.ports.values()].filter((port) => port.may_transmit);
  return html`<section class="stop-bar" aria-label="Stop">
    <div class="stop-buttons">
      ${store.role === 'guest' && html`<p class="guest-words">You look on as a guest: you see everything and command nothing. <a href="/log-in">Log in</a></p>`}
      <${StopAll} />
      ${ports.map(({ port, name }) => html`<${StopButton} key=${port} port=${port} words=${name} held=${stopOf(port) !== undefined} />`)}
    </div>
    <${Result} />
  </section>`;
}

/** Stops the whole station. */
export function StopAll() {
  const all = store.stops.some((stop) => stop.port === null);
  return html`<${StopButton} port=${null} words="station" held=${all} />`;
}

/** @param {{ port: number | null, words: string, held: boolean }} props */
function StopButton({ port, words, held }) {
  const kind = `stop${port === null ? ' all' : ''}${held ? ' held' : ''}`;
  // Pressing again does no harm, and helps if the page should know less than it thinks.
  return html`<button type="button" class=${kind} onClick=${() => stop(port)}
    aria-keyshortcuts=${port === null ? 'Control+.' : undefined}>
    <span aria-hidden="true">${held ? '▧' : '■'}</span> <span class="verb">Stop </span>${words}${held && html`<small>is stopped</small>`}
  </button>`;
}

/** What became of the latest press. */
function Result() {
  const attempt = attempts.latest;
  return html`<div class=${`stop-result ${attempt?.state ?? ''}`} role="alert">
    ${attempt && html`<p>${attempt.words}</p>`}
    ${attempt && attempt.state !== 'asking' && html`<button type="button" class="quiet" onClick=${dismiss}>Close<span class="hidden"> this message</span></button>`}
  </div>`;
}

/** All that is stopped: who, when, why, and the way back. */
export function Stops() {
  useSlices('stops', 'station', 'ports');
  const [asking, setAsking] = useState(/** @type {Stop | null} */ (null));
  const dialog = useRef(/** @type {HTMLDialogElement | null} */ (null));
  const open = (/** @type {Stop} */ stop) => {
    setAsking(stop);
    // Drawn first, so that the words are there when the dialog is announced.
    setTimeout(() => dialog.current?.showModal());
  };
  return html`<div class="stops" role="group" aria-label="What is stopped" hidden=${store.stops.length === 0}>
      ${store.stops.map((stop) => html`<${Stopped} key=${stop.port ?? 'all'} stop=${stop} open=${() => open(stop)} />`)}
    </div>
    <dialog ref=${dialog} id="start" aria-labelledby="start-name" onClose=${() => setAsking(null)}>
      ${asking && html`<${StartForm} stop=${asking} close=${() => dialog.current?.close()} />`}
    </dialog>`;
}

/** @param {{ stop: Stop, open: () => void }} props */
function Stopped({ stop, open }) {
  useSecond();
  const { port, by, why, at } = stop;
  const ago = span(clock.wall(clock.now()).getTime() - at);
  return html`<div class="stop-notice">
    <p><span aria-hidden="true">■</span> <b>${subject(port)} is stopped</b> by ${by}, at ${utc(new Date(at))} UTC
      <span class="dim"> (${ago} ago)</span>${why && html`: <q>${why}</q>`}. <span class="dim">Nothing is sent; what waits is kept.</span></p>
    ${!why && html`<${Reason} port=${port} />`}
    <button type="button" class="command" onClick=${open}>Start ${port === null ? 'the station' : portName(port)} again …</button>
  </div>`;
}

/** @param {{ port: number | null }} props */
function Reason({ port }) {
  const [why, setWhy] = useState('');
  const [wrong, setWrong] = useState('');
  const id = `why-${port ?? 'all'}`;
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (why.trim() === '') return;
    setWrong((await ask({ do: 'stop', port, by: '', why: why.trim() })).refused ?? '');
  };
  return html`<form class="reason command" onSubmit=${submit}>
    <label for=${id}>Why?</label>
    <input id=${id} type="text" maxLength=${120} value=${why} autocomplete="off"
      onInput=${(/** @type {Event} */ event) => setWhy(/** @type {HTMLInputElement} */ (event.currentTarget).value)} />
    <button>Note it</button>
    <p class="wrong" role="alert">${wrong}</p>
  </form>`;
}

/** @param {{ stop: Stop, close: () => void }} props */
function StartForm({ stop, close }) {
  useSlices('gates', 'ports');
  const [wrong, setWrong] = useState('');
  const { port, by, why, at } = stop;
  const name = port === null ? 'the whole station' : portName(port);
  const concerned = [...store.ports.values()].filter((view) => port === null || view.port === port);
  const waiting = concerned.reduce((sum, view) => sum + view.queued, 0);
  const start = async () => {
    const answer = await ask({ do: 'start', port, by: '' });
    if (answer.refused === undefined) {
      dismiss();
      close();
    } else setWrong(`Not started: ${answer.refused}.`);
  };
  return html`<h2 id="start-name">Start ${name} again?</h2>
    <p>Stopped by ${by} at ${utc(new Date(at))} UTC${why && html`: <q>${why}</q>`}.</p>
    <ul class="cautions">
      <li>Is what it was stopped for over, and does whoever stopped it agree?</li>
      <li>Is nobody near the antenna, the feed line or the open radio?</li>
      <li>${waiting === 0 ? 'Nothing waits to be sent.' : `${count(waiting, 'frame waits', 'frames wait')} and will be sent once the channel is clear.`}</li>
    </ul>
    <p class="wrong" role="alert">${wrong}</p>
    <div class="dialog-acts">
      <button type="button" autofocus onClick=${close}>Leave it stopped</button>
      <button type="button" class="main-act" onClick=${start}>Start ${name}</button>
      <${StopAll} />
    </div>`;
}
