// Who is muted: nothing is repeated or carried for them for a while.

/** @import { MuteView } from './types' */

import { ask } from './command.js';
import { html, useEffect, useState } from './html.js';
import { clock, store, useSecond, useSlices } from './station.js';
import { span } from './words.js';

export function Mutes() {
  useSlices('mutes', 'station');
  useSecond();
  useEffect(follow, []);
  const held = store.mutes.filter((mute) => mute.until_ms > clock.now());
  if (held.length === 0) return null;
  return html`<section class="mutes" id="mutes" aria-labelledby="mutes-name" tabIndex="-1">
    <h2 id="mutes-name">Muted</h2>
    <ul>${held.map((mute) => html`<${Mute} key=${mute.call} mute=${mute} />`)}</ul>
  </section>`;
}

/** No event tells who is muted, but a note in the timeline tells each change; then the station is asked. */
function follow() {
  const listen = (/** @type {import('./types').StationEvent} */ { note }) => {
    if (note && /\bmute/i.test(note.text)) void look();
  };
  store.listeners.add(listen);
  return () => {
    store.listeners.delete(listen);
  };
}

async function look() {
  try {
    const { snapshot } = await (await fetch('/api/snapshot')).json();
    store.mutes = snapshot.mutes;
    store.touch('mutes');
  } catch {
    // The station is away, which the page says by itself.
  }
}

/** @param {{ mute: MuteView }} props */
function Mute({ mute }) {
  const [refused, setRefused] = useState('');
  const left = mute.until_ms - clock.now();
  const end = async () => {
    setRefused((await ask({ do: 'mute', call: mute.call, minutes: 0, by: '', why: '' })).refused ?? '');
    await look();
  };
  return html`<li>
    <p><span class="call">${mute.call}</span> for another ${span(left)}${mute.why && `: ${mute.why}`}</p>
    <p class="dim">${mute.by_itself ? 'by the station itself; nothing is digipeated for it' : `by ${mute.by}; nothing is digipeated or carried for it`}</p>
    ${store.role === 'operator' && html`<button type="button" class="command" onClick=${end}>End<span class="hidden"> the muting of ${mute.call}</span></button>`}
    ${refused && html`<p class="wrong" role="alert">Not ended: ${refused}.</p>`}
  </li>`;
}
