// All strips and what moves them: zoom, pause, earlier and later, the key.

import { html } from './html.js';
import { clock, store, useSlices } from './station.js';
import { Strip } from './strip.js';
import { SPANS, follow, pan, pause, setSpan, view } from './view.js';
import { KINDS, utc } from './words.js';

export function Strips() {
  useSlices('station', 'view');
  const ports = [...store.ports.keys()];
  return html`<section class="strips" id="strips" aria-labelledby="strips-name" tabIndex="-1">
    <div class="section-head">
      <h2 id="strips-name">Strips</h2>
      <${Controls} />
      <${Legend} />
    </div>
    ${ports.map((port) => html`<${Strip} key=${`${store.run} ${port}`} port=${port} />`)}
  </section>`;
}

function Controls() {
  const paused = view.pausedAt !== null;
  return html`<div class="strip-controls">
    <button type="button" id="follow" aria-pressed=${!paused} onClick=${() => (paused ? follow() : pause(false))}>
      ${paused ? '▶ Follow' : '❚❚ Pause'}
    </button>
    <button type="button" onClick=${() => pan(-0.5)}><span aria-hidden="true">«</span> Earlier</button>
    <button type="button" onClick=${() => pan(0.5)} disabled=${!paused}>Later <span aria-hidden="true">»</span></button>
    <fieldset class="zoom">
      <legend>Width</legend>
      ${SPANS.map(({ ms, words }) => html`<label key=${ms}>
        <input type="radio" name="span" checked=${view.span === ms} onChange=${() => setSpan(ms)} />
        <span>${words}</span>
      </label>`)}
    </fieldset>
    <p class="edge" role="status">${paused
      ? `Paused at ${utc(clock.wall(view.pausedAt ?? 0))} UTC${view.held ? ' while you read a block' : ''}`
      : 'Following: now is at the right edge'}</p>
  </div>`;
}

function Legend() {
  return html`<details class="legend">
    <summary>What the shapes mean</summary>
    <ul>
      ${Object.entries(KINDS).map(([kind, { glyph, words }]) => html`<li key=${kind}>
        <span class=${`sample ${kind}`} aria-hidden="true">${glyph}</span> ${words}: ${LEGEND[kind]}
      </li>`)}
    </ul>
  </details>`;
}

/** @type {Record<string, string>} */
const LEGEND = {
  heard: 'a full block above the line, the taller the louder',
  sent: 'an outlined block below the line',
  unreadable: 'a hatched block above the line; its details say what speaks for a collision or a weak signal, and, dimmed, what it may have been (a guess, never a frame)',
  busy: 'a low dotted bar on the line, behind the frames that were read in them',
};
