// Figures as words: what a number means, beside the number.

/** @import { AlarmKind, Block, BlockKind, Condition, Precedence, TalkState } from './types' */

const MINUS = '\u2212';

/** @param {number} value @param {number} [digits] */
export function figure(value, digits = 0) {
  return value.toFixed(digits).replace('-', MINUS);
}

/** A level in words. The limits are common practice, no source. @param {number} dbfs */
export function levelWords(dbfs) {
  if (dbfs < -60) return 'no sound';
  if (dbfs < -40) return 'very quiet';
  if (dbfs < -30) return 'quiet';
  if (dbfs < -9) return 'good';
  if (dbfs < -3) return 'loud, turn down';
  return 'too loud, turn down';
}

/** @param {number | null} dbfs */
export function level(dbfs) {
  return dbfs === null ? '' : `${figure(dbfs)} dBFS`;
}

/** @param {number | null} hz */
export function offset(hz) {
  if (hz === null) return '';
  const whole = Math.round(Math.abs(hz));
  if (whole === 0) return '0 Hz';
  return `${whole} Hz ${hz > 0 ? 'high' : 'low'}`;
}

/** Which tone is the stronger. @param {number | null} db */
export function twist(db) {
  if (db === null) return '';
  const size = Math.abs(db);
  if (size < 0.5) return 'equal';
  return `${db > 0 ? 'low' : 'high'} +${figure(size, 1)} dB`;
}

/** @param {number | null} db */
export function snr(db) {
  return db === null ? '' : `${figure(db)} dB`;
}

/** A share from 0 to 1. @param {number} share */
export function percent(share) {
  return `${Math.round(share * 100)} %`;
}

/** A length of time in the largest units that tell. @param {number} ms */
export function span(ms) {
  const s = Math.max(0, Math.floor(ms / 1000));
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${s % 60} s`;
  return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
}

/** How long a block was, with tenths. @param {number} ms */
export function length(ms) {
  return ms < 60000 ? `${(ms / 1000).toFixed(1)} s` : span(ms);
}

/** `hh:mm:ss` in UTC. @param {Date} date */
export function utc(date) {
  return date.toISOString().slice(11, 19);
}

/** `hh:mm` in UTC. @param {Date} date */
export function utcMinutes(date) {
  return date.toISOString().slice(11, 16);
}

/** A moment of civil time, which may come from a clock that is wrong. @param {number} ms since 1970 */
export function moment(ms) {
  const date = new Date(ms);
  if (Number.isNaN(date.getTime())) return { iso: '', words: 'at a time that cannot be right' };
  const iso = date.toISOString();
  return { iso, words: `${iso.slice(0, -14)} ${utcMinutes(date)} UTC` };
}

/** @param {number} n @param {string} one @param {string} [many] */
export function count(n, one, many = `${one}s`) {
  return `${n} ${n === 1 ? one : many}`;
}

/** @type {Record<BlockKind, { glyph: string, words: string }>} */
export const KINDS = {
  heard: { glyph: '▲', words: 'heard' },
  sent: { glyph: '▼', words: 'sent by us' },
  unreadable: { glyph: '✕', words: 'unreadable' },
  busy: { glyph: '≈', words: 'data tones' },
};

/** @type {Record<TalkState, string>} */
export const TALK_GLYPHS = { calling: '◌', open: '●', checking: '◐', closing: '◓', ended: '○' };

/** @type {Record<Condition, string>} */
export const CONDITIONS = {
  plan: 'Station plan',
  call_sign: 'Call sign',
  stop: 'Stop by a person',
  listened: 'Listening first',
  device: 'Sound device or controller',
  key_line: 'Key line',
  identification: 'Identification',
  key_down: 'Key-down limits',
  interlock: 'Other ports',
  channel: 'Channel',
  slot: 'Slot',
};

/** @type {Record<AlarmKind, string>} */
export const ALARMS = {
  waiting: 'a frame waits too long',
  deaf: 'hears nothing',
  sound: 'the sound is unfit',
  unheard: 'nobody hears it',
  stuck: 'a transmission did not end',
  device: 'device gone or wrong',
  second_input: 'second input gone',
  key_line: 'key line or keyer fails',
  disk: 'disk',
  clock: 'clock',
  restarts: 'started too often',
  partner: 'a partner of the mail is not reached',
  held: 'mail is held for long',
  emergency: 'emergency',
};

/** How soon a message is wanted. @type {Record<Precedence, string>} */
export const PRECEDENCES = { routine: 'Routine', welfare: 'Welfare', priority: 'Priority', emergency: 'EMERGENCY' };

/** Who to whom, as far as known. @param {Block} block */
export function who(block) {
  if (!block.from) return KINDS[block.kind].words;
  return block.to ? `${block.from} → ${block.to}` : block.from;
}

/** One sentence for a block. @param {Block} block @param {Date} began @param {number} now */
export function sentence(block, began, now) {
  const long = block.end_ms === null
    ? `for ${length(now - block.start_ms)} so far`
    : length(block.end_ms - block.start_ms);
  const people = block.from ? `${block.from} to ${block.to || 'nobody named'}, ` : '';
  const what = block.what ? `${block.what}, ` : '';
  const why = block.why ? `, ${block.why}` : '';
  return `${utc(began)} UTC, ${people}${what}${KINDS[block.kind].words}, ${long}${why}`;
}

/** Lower-case hex in pairs. @param {string} hex */
export function pairs(hex) {
  return hex.replace(/..(?=.)/g, '$& ');
}
