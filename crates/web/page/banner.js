// The banner: whose station, in which world, what time, and whether the page is live.

import { logOut } from './command.js';
import { html } from './html.js';
import { openKeys } from './keys.js';
import { clock, connection, store, useSecond, useSlices } from './station.js';
import { count, utc } from './words.js';

export function Banner() {
  useSlices('station');
  const rehearsal = store.world === 'rehearsal';
  return html`<header class="banner">
    <p class="whose"><img src="/assets/mark.svg" alt="" width="28" height="28" /><span class="product">Dunlin</span></p>
    <h1><span class="hidden">Station </span>${store.call}</h1>
    <p class=${`world ${store.world}`}>${rehearsal
      ? html`<b>Rehearsal:</b> nothing here can key a radio`
      : html`<b>On the air:</b> this station can key its radios`}</p>
    <${Link} />
    <${Clocks} />
    ${store.locked && store.role === 'operator' && html`<button type="button" class="quiet" onClick=${logOut}>Log out</button>`}
    <button type="button" class="quiet" onClick=${openKeys}>Keys <kbd>?</kbd></button>
  </header>`;
}

function Clocks() {
  useSecond();
  const now = clock.speed === 1 ? new Date() : clock.wall(clock.now());
  const local = now.toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });
  return html`<p class="clocks"><time dateTime=${now.toISOString()}><b>${utc(now)}</b> UTC</time> <span class="dim">${local} here</span></p>`;
}

function Link() {
  useSlices('link');
  const { state, since, tries } = store.link;
  const words = {
    starting: '◌ connecting',
    live: '● live',
    lost: `✕ connection lost at ${utc(new Date(since))} UTC, trying again (${count(tries, 'try', 'tries')})`,
  }[state];
  return html`<p class=${`link ${state}`} role="status" data-state=${state} title=${`Last event ${connection.lastId}`}>${words}</p>`;
}
