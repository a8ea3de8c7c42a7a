// All talks, the form that opens one, and text that was never sent.

import { discardDraft, strayDrafts } from './drafts.js';
import { html } from './html.js';
import { OpenTalk, SayToAll } from './open-talk.js';
import { ShelfList } from './shelf-list.js';
import { store, useSlices } from './station.js';
import { TalkBox } from './talk-box.js';

export function Talks() {
  useSlices('talks', 'station');
  const talks = [...store.talks.values()].sort((a, b) => a.id - b.id);
  return html`<section class="talks" id="talks" aria-labelledby="talks-name" tabIndex="-1">
    <h2 id="talks-name">Talks</h2>
    <${OpenTalk} />
    <div class="talk-boxes">
      ${talks.map((talk) => html`<${TalkBox} key=${`${store.run} ${talk.id}`} talk=${talk} />`)}
    </div>
    ${talks.length === 0 && html`<p class="dim">No talk yet. Pick a station heard, or type its call sign above.</p>`}
    <${ShelfList} />
    <${Strays} />
    <${SayToAll} />
  </section>`;
}

function Strays() {
  const drafts = strayDrafts();
  if (drafts.length === 0) return null;
  return html`<details class="strays"><summary>Never sent, kept from talks that are gone (${drafts.length})</summary>
    <ul>${drafts.map(({ key, remote, text }) => html`<li key=${key}>
      <p><span class="dim">To <span class="call">${remote}</span>:</span> <span class="said">${text}</span></p>
      <button type="button" onClick=${() => discardDraft(key)}>Throw away<span class="hidden"> the text to ${remote}</span></button>
    </li>`)}</ul>
  </details>`;
}
