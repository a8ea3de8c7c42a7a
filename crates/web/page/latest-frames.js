// The latest blocks of a port as a list: the same as the strip, for narrow screens, for
// fingers and for those who do not see the picture.

/** @import { Block } from './types' */

import { html, useState } from './html.js';
import { clock, store, useSlices } from './station.js';
import { isCovered } from './strip-layout.js';
import { KINDS, length, utc, who } from './words.js';

const SHOWN = 8;
const LOOKED_AT = 200;
/** Tones shorter than this hold no frame; the picture shows them, the list need not. */
const BLIP_MS = 300;
/** Screens up to this width begin with the list open. */
const NARROW = '(max-width: 700px)';

/** @param {{ port: number, chosen: number | null, choose: (id: number) => void }} props */
export function LatestFrames({ port, chosen, choose }) {
  const [open, setOpen] = useState(() => matchMedia(NARROW).matches);
  const onToggle = (/** @type {Event} */ event) =>
    setOpen(/** @type {HTMLDetailsElement} */ (event.currentTarget).open);
  return html`<details class="latest" open=${open} onToggle=${onToggle}>
    <summary>Latest as a list</summary>
    ${open && html`<${List} port=${port} chosen=${chosen} choose=${choose} />`}
  </details>`;
}

/** @param {{ port: number, chosen: number | null, choose: (id: number) => void }} props */
function List({ port, chosen, choose }) {
  useSlices('blocks');
  const recent = (store.blocks.get(port) ?? []).slice(-LOOKED_AT);
  const isBlip = (/** @type {Block} */ block) =>
    block.kind === 'busy' && block.end_ms !== null && block.end_ms - block.start_ms < BLIP_MS;
  const telling = recent.filter((block) => !isBlip(block) && !isCovered(block, recent));
  const blocks = telling.slice(-SHOWN).reverse();
  if (blocks.length === 0) return html`<p class="dim">Nothing heard or sent yet.</p>`;
  return html`<ol>${blocks.map((block) => html`<li key=${block.id}>
    <button type="button" class=${`latest-row ${block.kind}`} aria-pressed=${block.id === chosen}
      onClick=${() => choose(block.id)}>
      <span class="time">${utc(clock.wall(block.start_ms))}</span>
      <span class="kind"><span aria-hidden="true">${KINDS[block.kind].glyph}</span> ${KINDS[block.kind].words}</span>
      <span class="who">${block.from ? who(block) : ''}</span>
      <span class="what">${block.what || block.why || ''}</span>
      <span class="long">${block.end_ms === null ? '…' : length(block.end_ms - block.start_ms)}</span>
    </button>
  </li>`)}</ol>`;
}
