// The box of one talk: who, how it stands, what was said, and a field of its own to write in.

/** @import { TalkLine, TalkView } from './types' */

import { ask } from './command.js';
import { draftOf, keepDraft } from './drafts.js';
import { Files } from './files.js';
import { html, useEffect, useLayoutEffect, useRef, useState } from './html.js';
import { mail } from './mail-ask.js';
import { startWriting } from './mail-write.js';
import { callStation } from './open-talk.js';
import { SendFile, useDrop } from './send-file.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { seen, takeFocus, unreadIn } from './talk-focus.js';
import { TALK_GLYPHS, count, span, utcMinutes } from './words.js';

/** @param {{ talk: TalkView }} props */
export function TalkBox({ talk }) {
  const ended = talk.state === 'ended';
  const unread = unreadIn(talk.id);
  const { over, dropped, events } = useDrop(talk);
  useEffect(() => takeFocus(talk.id));
  return html`<article ...${events} class=${`talk ${talk.state}${over ? ' drop' : ''}`} id=${`talk-${talk.id}`} aria-labelledby=${`talk-name-${talk.id}`}
      onFocusIn=${() => seen(talk.id)} onClick=${() => seen(talk.id)}>
    <header>
      <h3 id=${`talk-name-${talk.id}`} tabIndex="-1"><span class="hidden">Talk with </span><span class="call">${talk.remote}</span></h3>
      ${unread > 0 && html`<span class="unread">${count(unread, 'new line')}</span>`}
      <${Acts} talk=${talk} />
      <p class="path dim">${path(talk)}</p>
      <p class="state" data-state=${talk.state}><span aria-hidden="true">${TALK_GLYPHS[talk.state]}</span> ${talk.words}<${Since} talk=${talk} /></p>
      ${talk.pace && !ended && html`<p class="pace dim">Text goes in frames of ${talk.pace.words}</p>`}
    </header>
    <${Lines} talk=${talk} />
    <${Write} talk=${talk} ended=${ended} />
    <${Files} talk=${talk} />
    <${SendFile} talk=${talk} dropped=${dropped} />
  </article>`;
}

/** @param {TalkView} talk */
function path(talk) {
  const way = talk.via.length > 0 ? `by way of ${talk.via.join(', ')}` : 'direct';
  const who = talk.incoming ? `they called ${talk.local}` : `called as ${talk.local}`;
  return `${portName(talk.port)}, ${way}, ${who} at ${utcMinutes(clock.wall(talk.opened_ms))} UTC`;
}

/** @param {{ talk: TalkView }} props */
function Since({ talk }) {
  useSecond();
  const waits = talk.waiting_octets > 0 ? `; ${count(talk.waiting_octets, 'octet')} not yet acknowledged` : '';
  const tries = talk.retries > 1 && talk.state !== 'ended' ? `, try ${talk.retries}` : '';
  return html`<span class="dim"> (since ${span(clock.now() - talk.since_ms)}${waits}${tries})</span>`;
}

/** @param {{ talk: TalkView }} props */
function Acts({ talk }) {
  const [refused, setRefused] = useState('');
  const act = async (/** @type {'close_talk' | 'put_away'} */ what) => {
    const answer = await ask({ do: what, talk: talk.id });
    setRefused(answer.refused ?? '');
    if (what === 'put_away' && answer.refused === undefined) document.getElementById('talks')?.focus();
  };
  const name = html`<span class="hidden"> ${talk.remote}</span>`;
  return html`<div class="acts">
    ${talk.state === 'ended'
      ? html`<button type="button" onClick=${() => callStation(talk.port, talk.remote, talk.via)}>Call again${name}</button>
        <${AsMessage} talk=${talk} />
        <button type="button" onClick=${() => act('put_away')}>Put away${name}</button>`
      : html`<button type="button" onClick=${() => act('close_talk')} disabled=${talk.state === 'closing'}>Close${name}</button>`}
    ${refused && html`<p class="wrong" role="alert">${refused}.</p>`}
  </div>`;
}

/** What did not arrive in a talk may go as a message instead, if mail is kept here. @param {{ talk: TalkView }} props */
function AsMessage({ talk }) {
  useSlices('lines', 'mail');
  if (store.role !== 'operator' || mail.heads === null || mail.refused !== '') return null;
  const lost = (store.lines.get(talk.id) ?? []).filter((line) => line.direction === 'sent' && line.lost);
  const write = () => {
    const text = [...lost.map((line) => line.text), draftOf(talk)].filter((line) => line.trim() !== '');
    startWriting({ call: talk.remote.split('-')[0], body: text.map((line) => `${line.trimEnd()}\n`).join('') });
  };
  return lost.length > 0 && html`<button type="button" onClick=${write}>Write it as a message<span class="hidden"> to ${talk.remote}</span></button>`;
}

/** @param {{ talk: TalkView }} props */
function Lines({ talk }) {
  useSlices('lines');
  const lines = store.lines.get(talk.id) ?? [];
  const box = useRef(/** @type {HTMLDivElement | null} */ (null));
  const atEnd = useRef(true);
  const onScroll = () => {
    const { scrollHeight = 0, scrollTop = 0, clientHeight = 0 } = box.current ?? {};
    atEnd.current = scrollHeight - scrollTop - clientHeight < 24;
  };
  useLayoutEffect(() => {
    if (atEnd.current && box.current) box.current.scrollTop = box.current.scrollHeight;
  });
  return html`<div class="lines" ref=${box} tabIndex="0" role="group" aria-label=${`Lines with ${talk.remote}`} onScroll=${onScroll}>
    ${lines.length === 0 && html`<p class="dim">Nothing said yet.</p>`}
    <ol>${lines.map((line) => html`<${Line} key=${line.line} line=${line} remote=${talk.remote} />`)}</ol>
  </div>`;
}

/** @param {{ line: TalkLine, remote: string }} props */
function Line({ line, remote }) {
  const sent = line.direction === 'sent';
  return html`<li class=${line.direction}>
    <span class="time">${utcMinutes(clock.wall(line.at_ms))}</span>
    <span class="by"><span aria-hidden="true">${sent ? '›' : '‹'}</span><span class="hidden">${sent ? 'You: ' : `${remote}: `}</span></span>
    <span class="said">${line.text}</span>
    <${Fate} line=${line} />
  </li>`;
}

/** What became of a line. @param {{ line: TalkLine }} props */
function Fate({ line }) {
  if (line.direction === 'received') {
    return line.complete ? null : html`<span class="fate dim">still arriving …</span>`;
  }
  if (line.lost) return html`<span class="fate lost">✕ lost, never acknowledged</span>`;
  if (!line.complete) return html`<span class="fate waiting">◌ waiting</span>`;
  return html`<span class="fate acknowledged" title="acknowledged">✓<span class="hidden"> acknowledged</span></span>`;
}

/** @param {{ talk: TalkView, ended: boolean }} props */
function Write({ talk, ended }) {
  const [text, setText] = useState(() => draftOf(talk));
  const [refused, setRefused] = useState('');
  const sending = useRef(false);
  const change = (/** @type {string} */ text) => {
    setText(text);
    keepDraft(talk, text);
  };
  const send = async () => {
    if (sending.current || ended || text.trim() === '') return;
    sending.current = true;
    const answer = await ask({ do: 'say', talk: talk.id, text });
    sending.current = false;
    setRefused(answer.refused ?? '');
    // What was typed while the station answered stays.
    if (answer.refused === undefined) {
      const field = /** @type {HTMLTextAreaElement | null} */ (document.getElementById(`write-${talk.id}`));
      const now = field?.value ?? '';
      change(now.startsWith(text) ? now.slice(text.length) : '');
    }
  };
  const onKey = (/** @type {KeyboardEvent} */ event) => {
    if (event.key === 'Enter' && !event.shiftKey && !event.isComposing) {
      event.preventDefault();
      send();
    } else if (event.key === 'Escape') {
      document.getElementById(`talk-name-${talk.id}`)?.focus();
    }
  };
  return html`<form class="write" onSubmit=${(/** @type {Event} */ event) => { event.preventDefault(); send(); }}>
    <label for=${`write-${talk.id}`}>${ended ? 'Not sent' : `Write to ${talk.remote}`}</label>
    <textarea id=${`write-${talk.id}`} rows="2" value=${text} onKeyDown=${onKey}
      onInput=${(/** @type {Event} */ event) => change(/** @type {HTMLTextAreaElement} */ (event.currentTarget).value)}></textarea>
    <button class="main-act" disabled=${ended}>Send</button>
    <p class="hint dim">${ended ? 'This talk has ended; your text is kept here.' : 'Enter sends, Shift+Enter begins a new line.'}</p>
    <p class="wrong" role="alert">${refused ? `Not sent: ${refused}.` : ''}</p>
  </form>`;
}
