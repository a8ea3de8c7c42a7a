// Writing a message: to whom, how soon, and what it costs on the air before it is sent. What is typed stays in the
// browser until it is sent or thrown away.

/** @import { MailDraft, Precedence, Radiogram, Reckoning } from './types' */

import { readCall } from './call-sign.js';
import { html, useEffect, useLayoutEffect, useState } from './html.js';
import { act, load, openLetter, originate, reckon, write } from './mail-ask.js';
import { Ways } from './mail-cost.js';
import { BLANK, FormalFields, formalOf } from './mail-formal.js';
import { store, useSlices } from './station.js';
import { PRECEDENCES, count } from './words.js';

const REMEMBERED = 'dunlin.mail-draft';
/** After so long without a further letter it is reckoned what the message costs, ms. */
const TYPED_MS = 500;
/** A title holds so many octets. */
const MOST_TITLE = 80;

/**
 * @typedef {{ kind: 'personal' | 'bulletin' | 'formal', call: string, home: string, topic: string, area: string,
 *   precedence: Precedence, title: string, body: string, replaces: string,
 *   radiogram: Omit<Radiogram, 'precedence'> }} Form
 */

/** @type {Form} */
const EMPTY = {
  kind: 'personal', call: '', home: '', topic: '', area: '', precedence: 'routine', title: '', body: '', replaces: '',
  radiogram: BLANK,
};

/**
 * The form while it is open; null = it is closed. And how often it was opened, and the field that is to be typed in first.
 * @type {{ form: Form | null, opened: number, first: string }}
 */
const writing = { form: null, opened: 0, first: '' };

/** @returns {Form | null} */
function remembered() {
  try {
    const saved = JSON.parse(localStorage.getItem(REMEMBERED) ?? 'null');
    return saved === null ? null : { ...EMPTY, ...saved, radiogram: { ...BLANK, ...saved.radiogram } };
  } catch {
    return null;
  }
}

/** @param {Form | null} form */
function keep(form) {
  writing.form = form;
  try {
    const empty = form === null || form.title + form.body + Object.values(form.radiogram).join('') === '';
    if (empty) localStorage.removeItem(REMEMBERED);
    else localStorage.setItem(REMEMBERED, JSON.stringify(form));
  } catch {
    // No room in the browser's storage: the text still stands in its field.
  }
  store.touch('mail');
}

/** Opens the form, with these fields filled. What was typed before and not sent comes back. @param {Partial<Form>} filled */
export function startWriting(filled) {
  const before = writing.form ?? remembered();
  const blank = Object.keys(filled).length === 0;
  writing.opened += 1;
  const body = filled.kind === 'formal' ? 'mail-formal-text' : 'mail-body';
  writing.first = filled.call ? body : 'mail-to';
  keep(blank ? before ?? EMPTY : { ...EMPTY, ...filled });
}

/** The form as the station wants it, or what is wrong in which field. @param {Form} form @param {boolean} keepBack */
function draftOf(form, keepBack) {
  const rest = { precedence: form.precedence, title: form.title.trim(), body: ended(form.body), keep_back: keepBack };
  if (form.kind === 'bulletin') {
    if (form.topic.trim() === '') return { field: 'topic', wrong: 'Say what it is about in one word, such as WEATHER.' };
    if (form.area.trim() === '') return { field: 'area', wrong: 'Say how far it is to spread in one word, such as ISLES.' };
    const word = (/** @type {string} */ text) => text.trim().toUpperCase();
    return titled({ kind: 'bulletin', topic: word(form.topic), area: word(form.area), ...rest });
  }
  const to = readCall(form.call);
  if (to.wrong !== undefined) return { field: 'to', wrong: to.wrong };
  if (form.home.trim() === '') return titled({ kind: 'personal', to: to.call, ...rest });
  const home = readCall(form.home);
  if (home.wrong !== undefined) return { field: 'home', wrong: home.wrong };
  return titled({ kind: 'personal', to: `${to.call} at ${home.call}`, ...rest });
}

/** @param {MailDraft} draft @returns {{ draft: MailDraft, wrong?: undefined } | { field: string, wrong: string }} */
function titled(draft) {
  const octets = new TextEncoder().encode(draft.title).length;
  if (octets === 0) return { field: 'title', wrong: 'Give it a title: it is all that many will see.' };
  if (octets > MOST_TITLE) return { field: 'title', wrong: `The title is ${octets - MOST_TITLE} octets too long.` };
  return { draft };
}

/** A text ends with the end of a line. @param {string} body */
function ended(body) {
  const text = body.replace(/\r\n?/g, '\n').trimEnd();
  return text === '' ? '' : `${text}\n`;
}

export function WriteMail() {
  useSlices('mail');
  const [wrong, setWrong] = useState({ field: '', words: '' });
  const [told, setTold] = useState('');
  const [tried, setTried] = useState(false);
  const [asking, setAsking] = useState(false);
  // As soon as the form is drawn, and not later: somebody may be typing in another field by then.
  useLayoutEffect(() => {
    const field = document.getElementById(writing.first) ?? document.getElementById('mail-topic');
    field?.focus();
    document.getElementById('mail-form')?.scrollIntoView({ block: 'nearest' });
  }, [writing.opened]);
  const { form } = writing;
  const unsent = form === null && remembered() !== null;
  if (form === null) {
    return html`<p role="status">${told}</p>${unsent && html`<p class="dim">A message is not sent yet.
      <button type="button" class="quiet" onClick=${() => startWriting({})}>Go on writing it</button></p>`}`;
  }
  const submit = async (/** @type {boolean} */ keepBack) => {
    if (asking) return;
    const typed = writing.form ?? form;
    const formal = typed.kind === 'formal' ? formalOf(typed, keepBack) : null;
    const read = formal ?? draftOf(typed, keepBack);
    setTried(true);
    if (read.wrong !== undefined) {
      setWrong({ field: read.field, words: read.wrong });
      document.getElementById(`mail-${read.field}`)?.focus();
      return;
    }
    setAsking(true);
    const answer = await ('radiogram' in read.draft ? originate(read.draft) : write(read.draft));
    setAsking(false);
    if (answer.refused !== undefined) {
      setWrong({ field: '', words: `${keepBack ? 'Not kept' : 'Not sent'}: ${answer.refused}.` });
      return;
    }
    setWrong({ field: '', words: '' });
    setTried(false);
    setTold(`${keepBack ? 'Kept as a draft' : 'Kept, and it goes'}: ${answer.answer.words}.`);
    keep(null);
    await openLetter(answer.answer.id);
    // Only now, when it stands open no more and nobody asks for it again.
    if (typed.replaces) await act('delete', typed.replaces);
    void load();
  };
  // The newest form, not the one drawn: fast fingers type several letters between two drawings.
  const set = (/** @type {Partial<Form>} */ change) => keep({ ...(writing.form ?? form), ...change });
  const fill = (/** @type {keyof typeof BLANK} */ name, /** @type {string} */ value) =>
    set({ radiogram: { ...(writing.form ?? form).radiogram, [name]: value } });
  const on = (/** @type {keyof Form} */ name) => (/** @type {Event} */ event) =>
    set({ [name]: /** @type {HTMLInputElement} */ (event.currentTarget).value });
  const onKey = (/** @type {KeyboardEvent} */ event) => {
    if (event.key === 'Enter' && (event.ctrlKey || event.metaKey)) void submit(false);
  };
  const close = (/** @type {boolean} */ forget) => {
    if (forget) keep(null);
    else writing.form = null;
    store.touch('mail');
    document.getElementById('mail')?.focus();
  };
  return html`<form class="mail-form" id="mail-form" aria-label="Write a message" noValidate onKeyDown=${onKey}
      onSubmit=${(/** @type {Event} */ event) => { event.preventDefault(); void submit(false); }}>
    <${Whom} form=${form} on=${on} set=${set} wrong=${wrong.field} />
    ${form.kind === 'formal'
      ? html`<${FormalFields} form=${form} fill=${fill} tried=${tried} />`
      : html`<${Text} form=${form} on=${on} wrong=${wrong.field} />`}
    <p class="wrong" id="mail-wrong" role="alert">${wrong.words}</p>
    <${Acts} asking=${asking} keepBack=${() => submit(true)} close=${close} />
  </form>`;
}

/** @param {{ asking: boolean, keepBack: () => void, close: (forget: boolean) => void }} props */
function Acts({ asking, keepBack, close }) {
  return html`<div class="letter-acts">
    <button class="main-act" aria-disabled=${asking}>Send <kbd>Ctrl+Enter</kbd></button>
    <button type="button" onClick=${keepBack}>Keep as a draft</button>
    <button type="button" class="quiet" onClick=${() => close(false)}>Later</button>
    <button type="button" class="quiet" onClick=${() => close(true)}>Throw away</button>
  </div>`;
}

/** @param {{ form: Form, on: (name: keyof Form) => (event: Event) => void, wrong: string }} props */
function Text({ form, on, wrong }) {
  return html`<${Field} id="title" label="Title" value=${form.title} onInput=${on('title')} wrong=${wrong} wide=${true} />
    <label class="field wide"><span>Text</span><textarea id="mail-body" rows="7" value=${form.body} onInput=${on('body')}></textarea></label>
    <${Cost} form=${form} />`;
}

/**
 * @param {{ form: Form, on: (name: keyof Form) => (event: Event) => void, set: (change: Partial<Form>) => void,
 *   wrong: string }} props
 */
function Whom({ form, on, set, wrong }) {
  const kinds = /** @type {const} */ ([['personal', 'To one person'], ['bulletin', 'Bulletin, to all'], ['formal', 'Formal (radiogram)']]);
  const soon = /** @type {Precedence[]} */ (Object.keys(PRECEDENCES));
  return html`<fieldset class="zoom"><legend class="hidden">What sort</legend>
      ${kinds.map(([kind, words]) => html`<label key=${kind}><input type="radio" name="mail-kind" value=${kind}
        checked=${form.kind === kind} onChange=${() => set({ kind })} /><span>${words}</span></label>`)}
    </fieldset>
    ${form.kind !== 'bulletin'
      ? html`<${Field} id="to" label=${form.kind === 'formal' ? 'Delivered by (call sign)' : 'To (call sign)'} value=${form.call} onInput=${on('call')} wrong=${wrong} call=${true} />
        <${Field} id="home" label="Kept at, if known" value=${form.home} onInput=${on('home')} wrong=${wrong} call=${true} />`
      : html`<${Field} id="topic" label="Topic (one word)" value=${form.topic} onInput=${on('topic')} wrong=${wrong} call=${true} />
        <${Field} id="area" label="Area (one word)" value=${form.area} onInput=${on('area')} wrong=${wrong} call=${true} />`}
    <label class="field"><span>How soon</span><select id="mail-precedence" value=${form.precedence} onChange=${on('precedence')}>
      ${soon.map((name) => html`<option key=${name} value=${name}>${PRECEDENCES[name]}</option>`)}</select></label>`;
}

/**
 * @param {{ id: string, label: string, value: string, wrong: string, call?: boolean, wide?: boolean,
 *   onInput: (event: Event) => void }} props
 */
function Field({ id, label, value, wrong, onInput, call = false, wide = false }) {
  return html`<label class=${wide ? 'field wide' : 'field'}><span>${label}</span>
    <input id=${`mail-${id}`} class=${call ? 'call' : ''} type="text" value=${value} size=${call ? 12 : 40} autocomplete="off"
      autocapitalize=${call ? 'characters' : 'sentences'} spellcheck=${!call} onInput=${onInput}
      aria-invalid=${wrong === id} aria-describedby=${wrong === id ? 'mail-wrong' : undefined} /></label>`;
}

/** What the message costs on the air, by each way. @param {{ form: Form }} props */
function Cost({ form }) {
  const [cost, setCost] = useState(/** @type {Reckoning | null} */ (null));
  const [why, setWhy] = useState('');
  useEffect(() => {
    const read = draftOf(form, false);
    let wanted = true;
    const timer = setTimeout(async () => {
      const answer = read.wrong === undefined ? await reckon(read.draft) : null;
      if (!wanted) return;
      setCost(answer !== null && answer.refused === undefined ? answer.answer : null);
      setWhy(answer?.refused ?? '');
    }, TYPED_MS);
    return () => {
      wanted = false;
      clearTimeout(timer);
    };
  }, [JSON.stringify(form)]);
  if (cost === null) {
    const octets = new TextEncoder().encode(ended(form.body)).length;
    return html`<div class="cost" role="status"><p class="dim">${count(octets, 'octet')} of text. ${why
      ? `It cannot be sent: ${why}.` : 'What it costs on the air is told once it has a title and an address.'}</p></div>`;
  }
  return html`<div class="cost" role="status"><${Ways} cost=${cost} /></div>`;
}
