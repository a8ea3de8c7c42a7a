// Sending a file in a talk: it is chosen or dropped, size and airtime are shown, and only then it is offered.

/** @import { ShelfFile, TalkView } from './types' */

import { ask } from './command.js';
import { html, useEffect, useRef, useState } from './html.js';
import { deleteFile, putFile } from './shelf.js';
import { store } from './station.js';
import { count, span } from './words.js';

/** What is to be sent in each talk, so that it is there again when the box was put elsewhere. @type {Map<string, ShelfFile>} */
const chosen = new Map();

// A file that misses its talk must not take the place of the whole page.
for (const kind of ['dragover', 'drop']) {
  addEventListener(kind, (event) => {
    if (holdsFiles(/** @type {DragEvent} */ (event))) event.preventDefault();
  });
}

/** @param {DragEvent} event */
function holdsFiles(event) {
  return [...(event.dataTransfer?.types ?? [])].includes('Files');
}

/** Whether files can be offered in it now. @param {TalkView} talk */
function takesFiles(talk) {
  return (talk.state === 'open' || talk.state === 'checking') && store.role === 'operator';
}

/**
 * What the box of a talk needs to take files that are dropped on it.
 * @param {TalkView} talk
 */
export function useDrop(talk) {
  const [over, setOver] = useState(false);
  const [dropped, setDropped] = useState(/** @type {{ files: File[] } | null} */ (null));
  const may = (/** @type {DragEvent} */ event) => takesFiles(talk) && holdsFiles(event);
  const events = {
    onDragOver: (/** @type {DragEvent} */ event) => setOver(may(event)),
    onDragLeave: (/** @type {DragEvent} */ event) => {
      const box = /** @type {HTMLElement} */ (event.currentTarget);
      if (!box.contains(/** @type {Node | null} */ (event.relatedTarget))) setOver(false);
    },
    onDrop: (/** @type {DragEvent} */ event) => {
      setOver(false);
      if (may(event)) setDropped({ files: [...(event.dataTransfer?.files ?? [])] });
    },
  };
  return { over, dropped, events };
}

/**
 * The file that is to be offered in a talk, and what may be done with it.
 * @param {TalkView} talk
 */
function useChosen(talk) {
  const key = `${store.run} ${talk.id}`;
  const [file, setFile] = useState(() => chosen.get(key) ?? null);
  const [busy, setBusy] = useState('');
  const [refused, setRefused] = useState('');
  const latest = useRef(0);

  const keep = (/** @type {ShelfFile | null} */ next) => {
    if (next) chosen.set(key, next);
    else chosen.delete(key);
    setFile(next);
  };
  const drop = (/** @type {ShelfFile | null} */ old) => {
    // The same octets may be under way already: they are read from the shelf.
    const goes = [...store.files.values()].some((f) => f.hash === old?.hash && f.direction === 'sent' && isOpen(f.state));
    if (old && !goes && ![...chosen.values()].includes(old)) void deleteFile(old);
  };
  const choose = async (/** @type {File[]} */ files) => {
    if (files.length === 0) return;
    const mine = (latest.current += 1);
    if (files.length > 1) return setRefused('One file at a time, please');
    setRefused('');
    setBusy(files[0].name);
    const put = await putFile(files[0], talk.id);
    if (mine !== latest.current) return drop(put.file ?? null);
    setBusy('');
    const old = file;
    keep(put.file ?? null);
    if (old?.hash !== put.file?.hash) drop(old);
    if (put.refused !== undefined) setRefused(`${files[0].name} is not offered: ${put.refused}`);
  };
  const leave = () => {
    latest.current += 1;
    setBusy('');
    setRefused('');
    const old = file;
    keep(null);
    drop(old);
  };
  /** Whether it is offered now. */
  const offer = async () => {
    if (!file || busy !== '') return false;
    const { name, media, size, hash } = file;
    setBusy(name);
    const answer = await ask({ do: 'offer_file', talk: talk.id, name, media, size, hash });
    setBusy('');
    setRefused(answer.refused === undefined ? '' : `Not offered: ${answer.refused}`);
    if (answer.refused === undefined) keep(null);
    return answer.refused === undefined;
  };
  return { file, busy, refused, choose, leave, offer };
}

/** @param {{ talk: TalkView, dropped: { files: File[] } | null }} props */
export function SendFile({ talk, dropped }) {
  const { file, busy, refused, choose, leave, offer } = useChosen(talk);
  const field = useRef(/** @type {HTMLInputElement | null} */ (null));
  const button = useRef(/** @type {HTMLButtonElement | null} */ (null));
  useEffect(() => {
    if (dropped) void choose(dropped.files);
  }, [dropped]);

  const over = talk.state === 'ended' || talk.state === 'closing';
  useEffect(() => {
    if (over) leave();
  }, [over]);

  if (over) return null;
  const waits = !takesFiles(talk);
  return html`<div class="send-file">
    <input type="file" hidden ref=${field} aria-label=${`File for ${talk.remote}`} onChange=${() => {
      const files = [...(field.current?.files ?? [])];
      if (field.current) field.current.value = ''; // So that the same one can be chosen again.
      void choose(files);
    }} />
    <button type="button" ref=${button} disabled=${waits} onClick=${() => field.current?.click()}>Send a file<span class="hidden"> to ${talk.remote}</span> …</button>
    <span class="hint dim">${waits ? 'once the talk is open' : 'or drop it here'}</span>
    <div class="chosen" role="status">${file
      ? html`<p><span class="name">${file.name}</span><span class="dim">, ${cost(file)}. Not offered yet.</span></p>`
      : busy && html`<p class="dim">Looking at ${busy} …</p>`}</div>
    ${file && html`<div class="choice">
      <button type="button" class="main-act" disabled=${busy !== ''} onClick=${async () => { if (await offer()) button.current?.focus(); }}>Offer<span class="hidden"> ${file.name} to ${talk.remote}</span></button>
      <button type="button" onClick=${() => { leave(); button.current?.focus(); }}>Do not offer<span class="hidden"> ${file.name}</span></button>
    </div>`}
    <p class="wrong" role="alert">${refused ? `${refused}.` : ''}</p>
  </div>`;
}

/** @param {string} state */
export function isOpen(state) {
  return state === 'offered' || state === 'going' || state === 'storing';
}

/** Size and airtime. @param {ShelfFile} file */
function cost({ size, airtime_ms }) {
  const octets = count(size, 'octet');
  return typeof airtime_ms !== 'number' ? octets : `${octets}, about ${span(airtime_ms)} on the air if nothing else goes`;
}
