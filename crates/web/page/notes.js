// The timeline: what happened or did not happen, and why.

import { html, useState } from './html.js';
import { clock, portName, store, useSlices } from './station.js';
import { utc } from './words.js';

const FIRST = 12;

export function Notes() {
  useSlices('notes', 'station');
  const [all, setAll] = useState(false);
  const notes = store.notes.slice(all ? 0 : -FIRST).reverse();
  return html`<section class="notes" id="notes" aria-labelledby="notes-name" tabIndex="-1">
    <h2 id="notes-name">Timeline</h2>
    ${notes.length === 0 && html`<p class="dim">Nothing to tell yet.</p>`}
    <ol>${notes.map((note) => html`<li key=${note.key} class=${note.urgency}>
      <span class="time">${utc(clock.wall(note.at_ms))}</span>
      <span class="about">${note.port === null ? '' : portName(note.port)}</span>
      <span class="text">${note.urgency === 'attention' && html`<b><span aria-hidden="true">▲ </span>Attention: </b>`}${note.text}</span>
    </li>`)}</ol>
    ${store.notes.length > FIRST && html`<button type="button" class="quiet" onClick=${() => setAll(!all)}>
      ${all ? 'Show only the latest' : `Show all ${store.notes.length}`}</button>`}
  </section>`;
}
