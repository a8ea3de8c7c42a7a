// Which talk should get the focus once its box is there, and which lines were not yet seen.

import { store } from './station.js';

let wanted = -1;

/** Puts the focus into the text field of a talk, now or when its box appears. @param {number} talk */
export function focusTalk(talk) {
  wanted = talk;
  takeFocus(talk);
}

/** To be called when the box of a talk is drawn. @param {number} talk */
export function takeFocus(talk) {
  const field = document.getElementById(`write-${talk}`);
  if (wanted !== talk || !field) return;
  wanted = -1;
  field.focus();
  field.closest('.talk')?.scrollIntoView({ block: 'nearest' });
}

/** Lines received and not seen, by talk. @type {Map<number, number>} */
const unread = new Map();

/** @param {number} talk */
export function unreadIn(talk) {
  return unread.get(talk) ?? 0;
}

/** @param {number} talk */
export function seen(talk) {
  if (unread.delete(talk)) {
    showInTitle();
    store.touch('talks');
  }
}

/** A talk counts as seen while the focus is in its box and the page is in front. @param {number} talk */
function isWatched(talk) {
  const box = document.getElementById(`talk-${talk}`);
  return document.hasFocus() && box !== null && box.contains(document.activeElement);
}

/** Counts a line; `known` tells that an earlier part of it was counted. @param {number} talk */
function arrived(talk) {
  if (isWatched(talk)) return;
  unread.set(talk, unreadIn(talk) + 1);
  showInTitle();
  store.touch('talks');
}

export function showInTitle() {
  const lines = [...unread.values()].reduce((sum, n) => sum + n, 0);
  document.title = `${lines > 0 ? `(${lines}) ` : ''}${store.call || 'Station'} · Dunlin`;
}

/** Counts received lines from now on. @param {(words: string) => void} say tells it aloud */
export function watchLines(say) {
  store.listeners.add((event) => {
    if (event.talk_gone !== undefined) {
      unread.delete(event.talk_gone);
      showInTitle();
    }
    const line = event.talk_line;
    // A line grows while it arrives; it counts when its end has come.
    if (!line || line.direction !== 'received' || !line.complete) return;
    arrived(line.talk);
    say(`${store.talks.get(line.talk)?.remote ?? 'Somebody'}: ${line.text}`);
  });
}
