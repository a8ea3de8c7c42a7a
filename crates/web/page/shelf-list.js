// The files that the station keeps: what has come, in this run or an earlier one, and what was put there to be offered.

/** @import { ShelfFile } from './types' */

import { html, useEffect, useState } from './html.js';
import { deleteFile, listFiles } from './shelf.js';
import { store, useSlices } from './station.js';
import { count } from './words.js';

export function ShelfList() {
  useSlices('files', 'station');
  const [open, setOpen] = useState(false);
  const [files, setFiles] = useState(/** @type {ShelfFile[] | null} */ (null));
  const [refused, setRefused] = useState('');
  const load = async () => {
    const list = await listFiles();
    setFiles(list.files ?? []);
    setRefused(list.refused ?? '');
  };
  // What has come or gone shows in the states of the files of all talks.
  const states = [...store.files.values()].map(({ id, state }) => `${id} ${state}`).join();
  useEffect(() => {
    if (open) void load();
  }, [open, states, store.run]);
  if (store.role !== 'operator') return null;
  return html`<details class="shelf" onToggle=${(/** @type {Event} */ event) => setOpen(/** @type {HTMLDetailsElement} */ (event.currentTarget).open)}>
    <summary>Files kept here</summary>
    ${files === null ? html`<p class="dim">Looking …</p>` : html`<ul>
      ${files.map((file) => html`<${Kept} key=${`${file.direction} ${file.hash}`} file=${file} gone=${load} />`)}
    </ul>`}
    ${files?.length === 0 && refused === '' && html`<p class="dim">None.</p>`}
    <p class="wrong" role="alert">${refused ? `${refused}.` : ''}</p>
  </details>`;
}

/** @param {{ file: ShelfFile, gone: () => void }} props */
function Kept({ file, gone }) {
  const [sure, setSure] = useState(false);
  const [refused, setRefused] = useState('');
  const came = file.direction === 'received';
  const remove = async () => {
    // What has come is nowhere else here.
    if (came && !sure) return setSure(true);
    const answer = await deleteFile(file);
    setRefused(answer.refused ?? '');
    if (answer.refused === undefined) {
      /** @type {HTMLElement | null} */ (document.querySelector('.shelf > summary'))?.focus();
      gone();
    }
  };
  const name = html`<span class="hidden"> ${file.name}</span>`;
  return html`<li>
    <p><span class="name">${file.name}</span><span class="dim">, ${count(file.size, 'octet')}, ${came ? 'came over a talk' : 'put here to be offered'}</span></p>
    <div class="choice">
      ${came && html`<a class="save" href=${`/api/files/${file.hash}`} download=${file.name}>Save${name}</a>`}
      <button type="button" class=${sure ? 'danger' : ''} onClick=${remove} onBlur=${() => setSure(false)}>${sure ? 'Delete for ever' : 'Delete'}${name}</button>
    </div>
    ${refused && html`<p class="wrong" role="alert">${refused}.</p>`}
  </li>`;
}
