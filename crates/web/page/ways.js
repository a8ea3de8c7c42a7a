// Which ways lead to the station that is about to be called, and on what evidence.

/** @import { WayView, WaysView } from './types' */

import { readCall } from './call-sign.js';
import { toLogIn } from './command.js';
import { html, useEffect, useState } from './html.js';
import { portName } from './station.js';
import { figure } from './words.js';

/** How long to wait for an answer, ms. The station answers or refuses within 5 s. */
const PATIENCE_MS = 8000;
/** After this long without a further letter the call sign counts as typed, ms. */
const TYPED_MS = 500;

/**
 * @param {string} to
 * @returns {Promise<WaysView | null>}
 */
async function askWays(to) {
  try {
    const response = await fetch(`/api/ways?to=${encodeURIComponent(to)}`, { signal: AbortSignal.timeout(PATIENCE_MS) });
    if (response.status === 401) void toLogIn();
    return response.ok ? await response.json() : null;
  } catch {
    return null; // Calling goes on without; that the station is away the page says by itself.
  }
}

/**
 * @param {{ to: string, take: (way: WayView) => void, taken: (way: WayView) => boolean }} props
 */
export function Ways({ to, take, taken }) {
  const [ways, setWays] = useState(/** @type {WaysView | null} */ (null));
  const read = readCall(to);
  const call = read.wrong === undefined ? read.call : '';
  useEffect(() => {
    let wanted = true;
    const timer = setTimeout(async () => {
      const answer = call === '' ? null : await askWays(call);
      if (wanted) setWays(answer);
    }, TYPED_MS);
    return () => {
      wanted = false;
      clearTimeout(timer);
    };
  }, [call]);
  if (ways === null || ways.to !== call) return null;
  return html`<section class="ways" aria-label=${`Ways to ${ways.to}`}>
    <p role="status">${sentence(ways.words)}</p>
    <ol>${ways.ways.map((way) => html`<li key=${`${way.port} ${way.via.join(' ')}`}>
      <p>${sentence(way.words)} <span class="dim">${cost(way)}</span></p>
      ${taken(way)
        ? html`<p class="dim">This is the way above.</p>`
        : html`<button type="button" onClick=${() => take(way)}>Take this way<span class="hidden"> ${name(way)}</span></button>`}
    </li>`)}</ol>
  </section>`;
}

/** @param {WayView} way */
function name(way) {
  const by = way.via.length === 0 ? 'direct' : `by ${way.via.join(', ')}`;
  return `${by} on ${portName(way.port)}`;
}

/** @param {WayView} way */
function cost(way) {
  if (way.etx === null) return 'Not known now what it costs.';
  const proof = { two_way: 'proved both ways', one_way: 'proved one way', hearsay: 'by hearsay' };
  return `Expected transmissions ${figure(way.etx, 1)}, ${way.proof === null ? 'not proved' : proof[way.proof]}.`;
}

/** @param {string} words */
function sentence(words) {
  return `${words.charAt(0).toUpperCase()}${words.slice(1)}.`;
}
