// All that is known of one block.

import { html, useEffect, useRef } from './html.js';
import { clock, store, useSlices } from './station.js';
import { KINDS, length, level, levelWords, offset, pairs, percent, snr, twist, utc } from './words.js';

/** @import { Block, Guess } from './types' */

/** @param {{ port: number, id: number, close: () => void }} props */
export function BlockDetails({ port, id, close }) {
  useSlices('blocks');
  const heading = useRef(/** @type {HTMLHeadingElement | null} */ (null));
  useEffect(() => heading.current?.focus({ preventScroll: true }), [id]);
  const block = store.blocks.get(port)?.find((block) => block.id === id);
  const onKey = (/** @type {KeyboardEvent} */ event) => {
    if (event.key === 'Escape') close();
  };
  if (!block) {
    return html`<div class="block-details"><p>This block is too old to be shown.</p>
      <button type="button" onClick=${close}>Close</button></div>`;
  }
  const { glyph, words } = KINDS[block.kind];
  return html`<section class="block-details" aria-labelledby=${`details-${port}`} onKeyDown=${onKey}>
    <h4 id=${`details-${port}`} ref=${heading} tabIndex="-1">
      <span aria-hidden="true">${glyph}</span> ${block.from || 'Nobody known'} to ${block.to || 'nobody known'}, ${words}
    </h4>
    <button type="button" class="quiet" onClick=${close}>Close details</button>
    <dl>${facts(block).map(([name, value]) => value && html`<div key=${name}><dt>${name}</dt><dd>${value}</dd></div>`)}</dl>
    ${block.text && html`<p class="whole">${block.text}</p>`}
    ${block.octets && html`<p class="octets"><span class="dim">${block.octets.length / 2} octets without FCS</span>
      <code>${pairs(block.octets)}</code></p>`}
    ${block.guess && html`<${Guessed} guess=${block.guess} />`}
  </section>`;
}

/** What it may have been, set apart from all that is known. @param {{ guess: Guess }} props */
function Guessed({ guess }) {
  const doubtful = new Set(guess.doubtful);
  const octets = pairs(guess.octets).split(' ');
  return html`<section class="guess" aria-label="Guess">
    <p><b>Guess, not a frame.</b> The frame check is wrong. Addresses right with ${percent(Math.min(guess.address, 0.99))};
      nothing acts on it.</p>
    <p class="whole">${guess.text}</p>
    <p class="octets"><span>${octets.length} octets without FCS, ${doubtful.size} of them doubtful (struck through)</span>
      <code>${octets.map((pair, n) => html`${doubtful.has(n) ? html`<s>${pair}</s>` : pair} `)}</code></p>
  </section>`;
}

/** @param {Block} block @returns {[string, string][]} */
function facts(block) {
  const end = block.end_ms;
  const loud = block.level_dbfs === null ? '' : `${level(block.level_dbfs)}, ${levelWords(block.level_dbfs)}`;
  return [
    ['Began', `${utc(clock.wall(block.start_ms))} UTC`],
    ['Length', end === null ? 'still going on' : length(end - block.start_ms)],
    ['What', block.what],
    ['Via', block.via.join(', ')],
    ['Level', loud],
    ['Offset', offset(block.offset_hz)],
    ['Stronger tone', twist(block.twist_db)],
    ['Signal to noise', snr(block.snr_db)],
    ['Why', block.why ?? ''],
  ];
}
