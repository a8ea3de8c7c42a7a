// The head of a strip: what port it is, how the channel stands, why something waits.

/** @import { PortView } from './types' */

import { html } from './html.js';
import { clock, store, useSecond, useSlices } from './station.js';
import { count, figure, levelWords, percent, span } from './words.js';

/** @param {{ view: PortView }} props */
export function PortHeader({ view }) {
  const [glyph, state, words] = channel(view);
  return html`<header class="port-head">
    <div class="port-name">
      <h3 id=${`strip-name-${view.port}`}>${view.name}</h3>
      <span class="call">${view.call}</span>
      <span class="dim">${view.mode}</span>
    </div>
    <p class=${`channel ${state}`} data-state=${state}><span aria-hidden="true">${glyph}</span> ${words}</p>
    <${Queue} view=${view} />
    <${Level} view=${view} />
    <p class="share dim">In 10 min: occupied ${percent(view.occupied)}, by us ${percent(view.own_share)}</p>
  </header>`;
}

/** @param {PortView} view */
function channel(view) {
  if (view.transmitting) return ['▼', 'transmitting', 'transmitting'];
  if (view.busy) return ['▲', 'busy', 'busy'];
  return ['○', 'clear', view.may_transmit ? 'clear' : 'clear, receive only'];
}

/** @param {{ view: PortView }} props */
function Queue({ view }) {
  useSecond();
  useSlices('gates');
  // Where there is a gate, its sentence says the same and more.
  if (store.gates.has(view.port)) return html`<p class="queue dim">${view.queued === 0 ? 'Nothing waits' : count(view.queued, 'frame waits', 'frames wait')}</p>`;
  if (view.queued === 0) return html`<p class="queue dim">Nothing waits</p>`;
  const why = view.waits ? ` for ${span(clock.now() - view.waits[0])}: ${view.waits[1]}` : '';
  return html`<p class="queue">${count(view.queued, 'frame waits', 'frames wait')}${why}</p>`;
}

/**
 * The meter shows the sound of the last second, which between signals is noise and on FM
 * louder than any signal; only the level of a frame says whether the setting is right.
 * @param {{ view: PortView }} props
 */
function Level({ view }) {
  useSlices('blocks');
  const { level_dbfs: dbfs, name, port } = view;
  if (dbfs === null) return html`<p class="level dim">No sound from this port</p>`;
  const value = Math.min(0, Math.max(-60, dbfs));
  const frame = (store.blocks.get(port) ?? []).findLast((block) => block.kind === 'heard')?.level_dbfs;
  return html`<div class="level">
    <meter min="-60" max="0" value=${value} aria-label=${`Level of ${name}`}></meter>
    <span>${figure(dbfs)} dBFS now, ${typeof frame === 'number'
      ? `last frame ${figure(frame)} dBFS, ${levelWords(frame)}`
      : 'no frame yet'}</span>
  </div>`;
}
