// Crossings: visitors of one port who are carried to a station on another.

/** @import { CrossingHalf, CrossingView } from './types' */

import { ask } from './command.js';
import { html, useState } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { count, span } from './words.js';

/** Ended crossings that stay in sight. */
const MOST_ENDED = 5;

export function Crossings() {
  useSlices('crossings', 'station');
  const all = [...store.crossings.values()].sort((a, b) => b.id - a.id);
  const shown = [...all.filter((c) => !c.ended), ...all.filter((c) => c.ended).slice(0, MOST_ENDED)];
  return html`<section class="crossings" id="crossings" aria-labelledby="crossings-name" tabIndex="-1">
    <h2 id="crossings-name">Crossings</h2>
    ${shown.length === 0 && html`<p class="dim">Nobody crosses from port to port.</p>`}
    <ul>${shown.map((crossing) => html`<${Crossing} key=${`${store.run} ${crossing.id}`} crossing=${crossing} />`)}</ul>
  </section>`;
}

/** @param {{ crossing: CrossingView }} props */
function Crossing({ crossing }) {
  const { near, far, ended } = crossing;
  const [refused, setRefused] = useState('');
  const cut = async () => setRefused((await ask({ do: 'cut_crossing', crossing: crossing.id })).refused ?? '');
  return html`<li class=${ended ? 'crossing ended' : 'crossing'}>
    <div class="line">
      <${Half} half=${near} role="Visitor" />
      <span class="middle"><span aria-hidden="true">${ended ? '⇹' : '⇄'}</span>
        <span class="call">${near.local}</span><span class="dim">${crossing.rule}</span></span>
      <${Half} half=${far} role="Far station" />
      ${!ended && html`<button type="button" class="danger" onClick=${cut}>Cut<span class="hidden">
        the crossing of ${near.remote ?? 'the visitor'}</span></button>`}
    </div>
    <p class="words">${crossing.words}<${Since} crossing=${crossing} /></p>
    ${crossing.notes && !ended && html`<p class="dim">${crossing.notes}</p>`}
    ${refused && html`<p class="wrong" role="alert">Not cut: ${refused}.</p>`}
    ${!ended && near.remote && store.role === 'operator' && html`<${Write} crossing=${crossing.id} visitor=${near.remote} />`}
  </li>`;
}

/** A line to the visitor, which the far station does not get. @param {{ crossing: number, visitor: string }} props */
function Write({ crossing, visitor }) {
  const [text, setText] = useState('');
  const [told, setTold] = useState({ words: '', wrong: false });
  const send = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (text.trim() === '') return;
    const answer = await ask({ do: 'say_to_visitor', crossing, text });
    const refused = answer.refused !== undefined;
    setTold({ words: refused ? `Not sent: ${answer.refused}.` : `Handed on: “${text.trim()}”`, wrong: refused });
    if (!refused) setText('');
  };
  return html`<form class="to-visitor" onSubmit=${send}>
    <label for=${`visitor-${crossing}`}>Write to ${visitor}</label>
    <input id=${`visitor-${crossing}`} type="text" value=${text} autocomplete="off"
      onInput=${(/** @type {Event} */ event) => setText(/** @type {HTMLInputElement} */ (event.currentTarget).value)} />
    <button>Send</button>
    <p class=${told.wrong ? 'wrong' : 'told dim'} role="status">${told.words}</p>
  </form>`;
}

/** @param {{ crossing: CrossingView }} props */
function Since({ crossing }) {
  useSecond();
  return crossing.ended ? null : html`<span class="dim"> (called ${span(clock.now() - crossing.opened_ms)} ago)</span>`;
}

/** @param {{ half: CrossingHalf, role: string }} props */
function Half({ half, role }) {
  const waits = half.waiting_octets > 0 ? `, ${half.waiting_octets} wait for it` : '';
  return html`<div class="half">
    <span class="hidden">${role}: </span>
    <span class="call">${half.remote ?? 'not yet named'}</span> <span class="dim">on ${portName(half.port)}</span>
    <span class="half-words">${half.words}</span>
    <span class="dim">${count(half.received_octets, 'octet')} from it${waits}</span>
  </div>`;
}
