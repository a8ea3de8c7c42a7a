// What a message costs on the air, by each way, told before it is sent.

/** @import { Reckoning } from './types' */

import { html } from './html.js';
import { portName } from './station.js';
import { count, figure, span } from './words.js';

/** @param {{ cost: Reckoning }} props */
export function Ways({ cost }) {
  const stays = cost.routes.length === 0;
  return html`<p>${count(cost.octets, 'octet')} of text; packed, with title and address, ${cost.packed}. ${stays
      ? cost.words === 'here' ? 'It stays here, and costs no airtime.' : `If you send it: ${cost.words}.` : ''}</p>
    <ul>${cost.routes.map((way) => html`<li key=${way.partner}><span class="call">${way.partner}</span> on ${portName(way.port)}, ${way.baud} Bd${way.digipeaters > 0 && `, by ${count(way.digipeaters, 'digipeater')}`}: about <b>${airtime(way.seconds)}</b> on the air${way.later
        && ', only if the one before has not taken it in time'}</li>`)}</ul>`;
}

/** @param {number} seconds */
function airtime(seconds) {
  return seconds < 60 ? `${figure(seconds, seconds < 10 ? 1 : 0)} s` : span(seconds * 1000);
}
