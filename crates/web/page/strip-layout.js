// Where blocks and their flags stand in a strip, in pixels from the strip's anchor.

/** @import { Block } from './types' */

import { KINDS } from './words.js';

/** Rows for flags above the blocks. */
export const ROWS = 3;
/** Narrowest block, pixels. */
const NARROWEST = 5;
/** Width of one letter of a flag, pixels, and room around the text. */
const LETTER = 6.7;
const ROOM = 12;

/**
 * @typedef {{ block: Block, x: number, width: number, flag: string, more: string, row: number }} Placed
 */

/**
 * Places the blocks of one strip, oldest first. `row` is -1 where there is no room for a flag.
 * @param {Block[]} blocks
 * @param {{ anchor: number, scale: number, now: number, rows: Map<number, number>, brief: boolean }} at
 *   `scale` is pixels per ms; `brief` leaves out what the frame is; `rows` remembers rows, so that flags do not jump when others go.
 * @returns {Placed[]}
 */
export function place(blocks, { anchor, scale, now, rows, brief }) {
  const placed = blocks.map((block) => {
    const x = (block.start_ms - anchor) * scale;
    const width = Math.max(NARROWEST, ((block.end_ms ?? now) - block.start_ms) * scale);
    return { block, x, width, ...flagOf(block, brief), row: -1 };
  });
  /** @type {[number, number][][]} */
  const taken = Array.from({ length: ROWS }, () => []);
  // Names first: a hatched block says by itself that nothing was read.
  for (const named of [true, false]) {
    for (const one of placed) {
      if (!one.flag || (one.block.from !== '') !== named) continue;
      const end = one.x + (one.flag.length + (one.more ? one.more.length + 1 : 0)) * LETTER + ROOM;
      one.row = chooseRow(rows.get(one.block.id), taken, one.x, end);
      if (one.row < 0) continue;
      taken[one.row].push([one.x, end]);
      rows.set(one.block.id, one.row);
    }
  }
  return placed;
}

/**
 * The row that a flag had before, or the lowest with room.
 * @param {number | undefined} known @param {[number, number][][]} taken
 * @param {number} from @param {number} to
 */
function chooseRow(known, taken, from, to) {
  const fits = (/** @type {[number, number][]} */ row) =>
    row.every(([start, end]) => end <= from || to <= start);
  if (known !== undefined && fits(taken[known])) return known;
  return taken.findIndex(fits);
}

/**
 * True for tones whose frames, or what was left of them, are blocks of their own.
 * @param {Block} block @param {Block[]} all
 */
export function isCovered(block, all) {
  if (block.kind !== 'busy' || block.end_ms === null) return false;
  const end = block.end_ms;
  return all.some((other) => other.kind !== 'busy'
    && other.start_ms < end && (other.end_ms ?? Infinity) > block.start_ms);
}

/**
 * The text of a block's flag; a busy channel without a frame has none.
 * @param {Block} block @param {boolean} brief
 */
function flagOf(block, brief) {
  if (block.kind === 'busy') return { flag: '', more: '' };
  if (block.guess && !block.from) {
    return { flag: KINDS[block.kind].words, more: brief ? '' : `guess: ${block.guess.from}?` };
  }
  if (!block.from) return { flag: block.kind === 'sent' ? 'sending' : KINDS[block.kind].words, more: '' };
  return { flag: block.to ? `${block.from}→${block.to}` : block.from, more: brief ? '' : block.what };
}

/**
 * Height of a heard block by its level: -60 dBFS or less is the lowest, 0 dBFS the highest.
 * @param {Block} block
 */
export function loudness(block) {
  const dbfs = block.level_dbfs ?? -30;
  return Math.min(1, Math.max(0, (dbfs + 60) / 60));
}

const STEPS_MS = [5_000, 10_000, 15_000, 30_000, 60_000, 120_000, 300_000];
/** Least room between the lines of the time scale, pixels. */
const TICK_ROOM = 72;

/**
 * Engine moments at which the time scale has a line, on round civil times.
 * @param {number} from @param {number} to @param {number} scale pixels per ms
 * @param {number} wallAtZero
 */
export function ticks(from, to, scale, wallAtZero) {
  const step = STEPS_MS.find((ms) => ms * scale >= TICK_ROOM) ?? 600_000;
  const moments = [];
  for (let wall = Math.ceil((from + wallAtZero) / step) * step; wall <= to + wallAtZero; wall += step) {
    moments.push(wall - wallAtZero);
  }
  return { step, moments };
}
