// Asks the station about its mail, and holds what the page shows of it.

/** @import { FormalDraft, FormalTally, Letter, MailCounts, MailDraft, MailHead, MailWhich, Reckoning } from './types' */
/** @import { Refused } from './command.js' */

import { send } from './command.js';
import { store } from './station.js';

/** Changes within this time are looked up together, ms. */
const TOGETHER_MS = 300;
const HEADS = 30;

/** What is shown of the mail. */
export const mail = {
  /** @type {MailWhich} */
  which: 'all',
  /** Words that are searched for; empty = a list is shown. */
  words: '',
  /** null = not known yet. @type {MailHead[] | null} */
  heads: null,
  more: false,
  /** Why there is no list. */
  refused: '',
  /** The station keeps no mail, which is no fault. */
  without: false,
  /** @type {MailCounts | null} */
  counts: null,
  /** The letter that is open. @type {Letter | null} */
  letter: null,
  /** Its identifier, from the moment it is asked for. */
  open: '',
};

/** Grows with each list that is asked for, so that an answer to an older question is dropped. */
let asked = 0;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let soon;

/** Asks for the list again, and for all that stands beside it. */
export async function load() {
  const mine = (asked += 1);
  const list = await page(null);
  const known = list.refused === undefined && store.role === 'operator';
  /** @type {{ answer: MailCounts, refused?: undefined } | Refused | null} */
  const counts = known ? await send('/api/mail/counts') : null;
  if (mine !== asked) return;
  if (list.refused === undefined) {
    mail.heads = list.answer.heads;
    mail.more = list.answer.more;
    mail.refused = '';
  } else {
    mail.heads = [];
    mail.more = false;
    mail.refused = list.refused;
  }
  mail.without = list.refused !== undefined && list.status === 409;
  mail.counts = counts && counts.refused === undefined ? counts.answer : null;
  store.touch('mail');
  if (mail.open !== '') await openLetter(mail.open);
}

/** The same, once for many changes. */
export function loadSoon() {
  clearTimeout(soon);
  soon = setTimeout(load, TOGETHER_MS);
}

/** @param {number | null} after @returns {Promise<{ answer: { heads: MailHead[], more: boolean }, refused?: undefined } | Refused>} */
function page(after) {
  if (mail.words !== '') return send(`/api/mail/search?most=${HEADS}&words=${encodeURIComponent(mail.words)}`);
  const which = store.role === 'operator' ? mail.which : 'bulletins';
  return send(`/api/mail?which=${which}&most=${HEADS}${after === null ? '' : `&after=${after}`}`);
}

/** Puts older heads below those that are shown. */
export async function loadMore() {
  const last = mail.heads?.at(-1);
  if (!last) return;
  const mine = asked;
  const list = await page(last.place);
  if (mine !== asked || list.refused !== undefined) return;
  mail.heads = [...(mail.heads ?? []), ...list.answer.heads];
  mail.more = list.answer.more;
  store.touch('mail');
}

/** @param {MailWhich} which */
export function choose(which) {
  mail.which = which;
  mail.words = '';
  void load();
}

/** @param {string} words */
export function search(words) {
  mail.words = words;
  void load();
}

/** Opens a letter; the station notes that it was read. @param {string} id */
export async function openLetter(id) {
  const fresh = mail.open !== id;
  mail.open = id;
  /** @type {{ answer: Letter, refused?: undefined } | Refused} */
  const opened = await send('/api/mail/open', { id });
  if (mail.open !== id) return;
  if (opened.refused === undefined) mail.letter = opened.answer;
  // What was deleted meanwhile closes; while the station is away the letter stays in sight.
  else if (opened.status !== 0) closeLetter();
  if (fresh) {
    if (opened.refused !== undefined) mail.refused = opened.refused;
    const head = mail.heads?.find((head) => head.id === id);
    if (head?.unread && isRead(head)) {
      head.unread = false;
      if (mail.counts && head.kind !== 'bulletin') mail.counts.unread -= 1;
    }
  }
  store.touch('mail');
}

/** Whether opening this makes it read: what is meant for the operator, or for all. @param {MailHead} head */
function isRead(head) {
  return head.kind === 'bulletin' || head.to.split(' ')[0] === store.call.split('-')[0];
}

export function closeLetter() {
  mail.open = '';
  mail.letter = null;
  store.touch('mail');
}

/** @param {MailDraft} draft @returns {Promise<{ answer: { id: string, words: string }, refused?: undefined } | Refused>} */
export function write(draft) {
  return send('/api/mail/write', draft);
}

/** @param {MailDraft} draft @returns {Promise<{ answer: Reckoning, refused?: undefined } | Refused>} */
export function reckon(draft) {
  return send('/api/mail/reckon', draft);
}

/** Keeps and sends a radiogram, which gets its number. @param {FormalDraft} draft @returns {ReturnType<typeof write>} */
export function originate(draft) {
  return send('/api/mail/originate', draft);
}

/** @param {FormalDraft} draft @returns {Promise<{ answer: FormalTally, refused?: undefined } | Refused>} */
export function countFormal(draft) {
  return send('/api/mail/radiogram', draft);
}

/**
 * Says what became of a radiogram.
 * @param {{ id: string, outcome: 'delivered' | 'not_delivered' | 'passed', why?: string | { other: string }, to?: string }} what
 * @returns {Promise<{ answer: { reported_to: string | null }, refused?: undefined } | Refused>}
 */
export function concludeFormal(what) {
  return send('/api/mail/conclude', what);
}

/**
 * @param {'release' | 'hold' | 'delete' | 'recall'} what @param {string} id @param {string} [why]
 * @returns {Promise<{ answer: 'done' | { stopped: string[], have_it: string[] }, refused?: undefined } | Refused>}
 */
export function act(what, id, why) {
  return send(`/api/mail/${what}`, why === undefined ? { id } : { id, why });
}
