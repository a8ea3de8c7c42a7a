// The page of the station: puts its parts together and starts the live stream.

import { Alarms } from './alarms.js';
import { Banner } from './banner.js';
import { Crossings } from './crossings.js';
import { Heard } from './heard.js';
import { html, render, useEffect, useRef } from './html.js';
import { KeysDialog, startKeys } from './keys.js';
import { LookBack } from './look-back.js';
import { Mail } from './mail.js';
import { Mutes } from './mutes.js';
import { Notes } from './notes.js';
import { Rejects } from './rejects.js';
import { connection, store, useSlices } from './station.js';
import { StopBar, Stops } from './stop-bar.js';
import { Strips } from './strips.js';
import { showInTitle, watchLines } from './talk-focus.js';
import { Talks } from './talks.js';

function Page() {
  useSlices('station', 'link');
  useEffect(showInTitle);
  if (store.run === '') {
    const lost = store.link.state === 'lost';
    return html`<p class="starting" role="status">${lost ? 'The station cannot be reached; trying again …' : 'Connecting to the station …'}</p>`;
  }
  return html`<${StopBar} />
    <${Banner} />
    <main id="main" tabIndex="-1">
      <${Stops} />
      <${Alarms} />
      <${Strips} />
      <div class="columns">
        <div class="column"><${Talks} /><${Mail} /></div>
        <div class="column"><${Crossings} /><${Mutes} /><${Heard} /><${Notes} /><${Rejects} /><${LookBack} /></div>
      </div>
    </main>
    <${Aloud} />
    <${KeysDialog} />`;
}

/** Tells new lines and urgent notes to those who listen to the page. */
function Aloud() {
  const place = useRef(/** @type {HTMLDivElement | null} */ (null));
  useEffect(() => {
    const say = (/** @type {string} */ words) => {
      const line = document.createElement('p');
      line.textContent = words;
      place.current?.append(line);
      while ((place.current?.childElementCount ?? 0) > 5) place.current?.firstChild?.remove();
    };
    watchLines(say);
    store.listeners.add(({ note, alarm }) => {
      if (note?.urgency === 'attention') say(`Attention: ${note.text}`);
      if (alarm?.active) say(`Alarm: ${alarm.text}`);
    });
  }, []);
  return html`<div class="hidden" ref=${place} role="log" aria-live="polite" aria-label="New lines and urgent notes"></div>`;
}

const root = document.getElementById('page');
if (root) {
  root.replaceChildren();
  render(html`<${Page} />`, root);
  startKeys();
  connection.start();
}
