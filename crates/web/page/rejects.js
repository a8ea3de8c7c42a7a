// What was received and not taken: why, how often, and the last one of each kind.

import { html } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { count, span } from './words.js';

export function Rejects() {
  useSlices('rejects', 'station');
  const rejects = [...store.rejects.values()].sort((a, b) => b.last_ms - a.last_ms);
  if (rejects.length === 0) return null;
  const all = rejects.reduce((sum, reject) => sum + reject.count, 0);
  return html`<details class="rejects" id="rejects"><summary>Received and not taken (${all})</summary>
    <ul>${rejects.map((reject) => html`<li key=${`${reject.port} ${reject.kind}`}>
      <p><b>${reject.reason}</b> on ${portName(reject.port)}, ${count(reject.count, 'time')}, last <${Age} at=${reject.last_ms} /> ago</p>
      <p class="dim">${reject.example}</p>
    </li>`)}</ul>
  </details>`;
}

/** @param {{ at: number }} props */
function Age({ at }) {
  useSecond();
  return span(clock.now() - at);
}
