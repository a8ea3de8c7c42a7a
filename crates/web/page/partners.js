// The partners of the mail: how each stands, when it is called next, calling one now, and ending an exchange.

/** @import { PartnerView } from './types' */

import { ask } from './command.js';
import { html, useState } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { count, span } from './words.js';

export function Partners() {
  useSlices('partners', 'station');
  const partners = [...store.partners.values()];
  if (partners.length === 0) return null;
  return html`<div class="partners"><h3>Partners</h3>
    <ul>${partners.map((partner) => html`<${Partner} key=${partner.call} partner=${partner} />`)}</ul></div>`;
}

/** @param {{ partner: PartnerView }} props */
function Partner({ partner }) {
  const [refused, setRefused] = useState('');
  const { call, port, words, exchanging, failed } = partner;
  /** @param {string} what @param {Parameters<typeof ask>[0]} command */
  const wish = async (what, command) => {
    const { refused } = await ask(command);
    setRefused(refused ? `${what}: ${refused}` : '');
  };
  const now = () => wish('Not called', { do: 'call_partner', partner: call });
  const end = () => wish('Not ended', { do: 'end_partner', partner: call, why: '' });
  return html`<li class=${failed > 0 ? 'failed' : ''}>
    <p><span class="call">${call}</span> <span class="dim">on ${portName(port)}</span></p>
    <p class="words">${exchanging && html`<b><span aria-hidden="true">⇄ </span></b>`}${words}${failed > 1 && html` (${count(failed, 'time')} in a row)`}</p>
    <p class="dim"><${Times} partner=${partner} /></p>
    ${store.role === 'operator' && html`<button type="button" class="command" aria-disabled=${exchanging} onClick=${now}>Call now<span class="hidden"> ${call}</span></button>`}
    ${store.role === 'operator' && exchanging && html`<button type="button" class="command" onClick=${end}>End<span class="hidden"> the exchange with ${call}</span></button>`}
    ${refused && html`<p class="wrong" role="alert">${refused}.</p>`}
  </li>`;
}

/** @param {{ partner: PartnerView }} props */
function Times({ partner }) {
  useSecond();
  const { contact_ms, next_ms } = partner;
  const last = contact_ms === null ? 'no exchange since the start' : `last exchange ${span(clock.now() - contact_ms)} ago`;
  if (next_ms === null) return last;
  const left = next_ms - clock.now();
  return `${last}, ${left > 0 ? `called in ${span(left)}` : 'called as soon as it may be'}`;
}
