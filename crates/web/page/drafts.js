// Text that was typed and not sent. It stays until it is sent or thrown away: across reloads,
// after the talk has ended, and when the station was started anew.

/** @import { TalkView } from './types' */

import { store } from './station.js';

const PREFIX = 'dunlin.draft ';
/** Drafts kept; the oldest go first. */
const MOST = 60;

/**
 * @typedef {{ run: string, talk: number, remote: string, text: string, at: number }} Draft
 */

/** @param {TalkView} talk */
function keyOf(talk) {
  return `${PREFIX}${store.run} ${talk.id}`;
}

/** The unsent text of a talk. @param {TalkView} talk */
export function draftOf(talk) {
  return read(keyOf(talk))?.text ?? '';
}

/** @param {TalkView} talk @param {string} text */
export function keepDraft(talk, text) {
  if (text === '') {
    localStorage.removeItem(keyOf(talk));
    return;
  }
  /** @type {Draft} */
  const draft = { run: store.run, talk: talk.id, remote: talk.remote, text, at: Date.now() };
  try {
    localStorage.setItem(keyOf(talk), JSON.stringify(draft));
    for (const { key } of allDrafts().slice(MOST)) localStorage.removeItem(key);
  } catch {
    // No room in the browser's storage: the text still stands in its field.
  }
}

/** @param {string} key @returns {Draft | null} */
function read(key) {
  try {
    return JSON.parse(localStorage.getItem(key) ?? 'null');
  } catch {
    return null;
  }
}

/** All drafts, youngest first. */
function allDrafts() {
  const keys = Object.keys(localStorage).filter((key) => key.startsWith(PREFIX));
  const drafts = keys.flatMap((key) => {
    const draft = read(key);
    return draft ? [{ key, ...draft }] : [];
  });
  return drafts.sort((a, b) => b.at - a.at);
}

/** Drafts whose talk is shown no longer. */
export function strayDrafts() {
  if (!store.run) return [];
  return allDrafts().filter((draft) => draft.run !== store.run || !store.talks.has(draft.talk));
}

/** @param {string} key */
export function discardDraft(key) {
  localStorage.removeItem(key);
  store.touch('talks');
}
