// Which stretch of time all strips show. They share it, so that what happened on two bands
// at the same moment stands one above the other.

import { clock, store } from './station.js';

/** Widths to choose from. */
export const SPANS = [
  { ms: 60_000, words: '1 min', key: '1' },
  { ms: 300_000, words: '5 min', key: '2' },
  { ms: 900_000, words: '15 min', key: '3' },
];
const REMEMBERED = 'dunlin.span';

export const view = {
  span: rememberedSpan(),
  /** Moment at the right edge while paused, ms; null = the edge follows the present. */
  /** @type {number | null} */
  pausedAt: null,
  /** Paused because a block has the focus, not because somebody asked. */
  held: false,
};

function rememberedSpan() {
  const saved = Number(localStorage.getItem(REMEMBERED));
  return SPANS.find((span) => span.ms === saved)?.ms ?? 60_000;
}

/** The moment at the right edge, ms. */
export function edge() {
  return view.pausedAt ?? clock.now();
}

/** @param {number} ms */
export function setSpan(ms) {
  view.span = ms;
  localStorage.setItem(REMEMBERED, String(ms));
  store.touch('view');
}

/** @param {boolean} held */
export function pause(held) {
  if (view.pausedAt !== null && held) return;
  view.pausedAt ??= clock.now();
  view.held = held;
  store.touch('view');
}

export function follow() {
  view.pausedAt = null;
  view.held = false;
  store.touch('view');
}

/** The focus has left the strips: go on, unless somebody asked to pause. */
export function release() {
  if (view.held) follow();
}

/** Shows another stretch; past the present it follows again. @param {number} widths */
export function pan(widths) {
  const to = edge() + widths * view.span;
  if (to >= clock.now()) {
    follow();
    return;
  }
  view.pausedAt = Math.max(to, view.span / 2);
  view.held = false;
  store.touch('view');
}

/** Moves the view so that this moment is in it, if it is not. @param {number} from @param {number} to */
export function reveal(from, to) {
  const end = edge();
  if (to > end || from < end - view.span) {
    view.pausedAt = Math.min(clock.now(), (from + to) / 2 + view.span / 2);
    store.touch('view');
  }
}
