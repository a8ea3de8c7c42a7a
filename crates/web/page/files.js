// The files of one talk: what is offered, how far it is, and what the operator decides.

/** @import { FileView, TalkView } from './types' */

import { ask } from './command.js';
import { html, useState } from './html.js';
import { isOpen } from './send-file.js';
import { store, useSlices } from './station.js';
import { count, span } from './words.js';

/** @param {{ talk: TalkView }} props */
export function Files({ talk }) {
  useSlices('files');
  const files = [...store.files.values()].filter((file) => file.talk === talk.id);
  if (files.length === 0) return null;
  return html`<ul class="files" aria-label=${`Files with ${talk.remote}`}>
    ${files.map((file) => html`<${File} key=${file.id} file=${file} ended=${talk.state === 'ended'} />`)}
  </ul>`;
}

/** @param {{ file: FileView, ended: boolean }} props */
function File({ file, ended }) {
  const [refused, setRefused] = useState('');
  const { talk, id } = file;
  const decide = async (/** @type {'accept' | 'not_wanted' | 'later'} */ decision) => {
    const answer = await ask({ do: 'answer_file', talk, file: id, decision, words: '' });
    setRefused(answer.refused ?? '');
  };
  const stop = async () => {
    const answer = await ask({ do: 'stop_file', talk, file: id, words: '' });
    setRefused(answer.refused ?? '');
  };
  const asked = file.state === 'offered' && file.direction === 'received' && !ended;
  const goes = file.state === 'going' && !ended;
  const mine = file.direction === 'sent';
  const stops = !ended && (goes || (mine && file.state === 'offered'));
  const came = !mine && file.state === 'done';
  const name = html`<span class="hidden"> ${file.name}</span>`;
  return html`<li class=${isOpen(file.state) && !ended ? 'open' : ''}>
    <span class="name"><span aria-hidden="true">${mine ? '›' : '‹'} </span><span class="hidden">${mine ? 'You send: ' : 'You get: '}</span>${file.name}</span>
    <span class="dim">${count(file.size, 'octet')}${file.airtime_ms > 0 ? `, about ${span(file.airtime_ms)} on the air` : ''}</span>
    ${goes && html`<progress max=${file.size} value=${file.done} aria-label=${`How much of ${file.name}`}></progress>`}
    <span class="state">${file.words}</span>
    ${asked && html`<button type="button" onClick=${() => decide('accept')}>Take${name}</button>
      <button type="button" onClick=${() => decide('not_wanted')}>Refuse${name}</button>
      <button type="button" onClick=${() => decide('later')}>Later${name}</button>`}
    ${stops && html`<button type="button" onClick=${stop}>Stop${name}</button>`}
    ${came && store.role === 'operator' && html`<a class="save" href=${`/api/files/${file.hash}`} download=${file.name}>Save${name}</a>`}
    ${refused && html`<p class="wrong" role="alert">${refused}.</p>`}
  </li>`;
}
