// Stopping: one press, sent at once and again until the station has answered, whether or not
// the live stream stands. What is known of it is said, and what is not known too.

import { ask } from './command.js';
import { portName, store } from './station.js';
import { utc } from './words.js';

/** Longest wait for the answer to one try, ms. */
const TRY_MS = 2500;
const TRIES = 5;
const PAUSE_MS = 400;

/**
 * @typedef {{ port: number | null, state: 'asking' | 'done' | 'failed', words: string }} Attempt
 */

/** The latest stop that was asked for on this page. @type {{ latest: Attempt | null }} */
export const attempts = { latest: null };

/** What is stopped, for people. @param {number | null} port */
export function subject(port) {
  return port === null ? 'The whole station' : portName(port);
}

/** Stops one port, or all (`null`). @param {number | null} port */
export async function stop(port) {
  /** @type {Attempt} */
  const attempt = { port, state: 'asking', words: `Asking the station to stop ${what(port)} …` };
  attempts.latest = attempt;
  store.touch('stops');
  for (let n = 1; n <= TRIES && attempts.latest === attempt; n += 1) {
    const answer = await ask({ do: 'stop', port, by: '', why: '' }, TRY_MS);
    if (answer.refused === undefined) {
      return settle(attempt, 'done', `Stopped: the station confirmed at ${utc(new Date())} UTC.`);
    }
    if (!answer.silent) return settle(attempt, 'failed', `Not stopped: ${answer.refused}.`);
    settle(attempt, 'asking', `No answer yet, asking again to stop ${what(port)} (${n} of ${TRIES}) …`);
    await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
  }
  settle(attempt, 'failed', `The station does not answer, so nobody knows whether ${what(port)} is stopped. `
    + 'Switch the radio off by hand, then press Stop again or run dunlin stop.');
}

/** @param {number | null} port */
function what(port) {
  return port === null ? 'the whole station' : portName(port);
}

/** @param {Attempt} attempt @param {Attempt['state']} state @param {string} words */
function settle(attempt, state, words) {
  Object.assign(attempt, { state, words });
  store.touch('stops');
}

/** Takes the result out of sight. */
export function dismiss() {
  if (attempts.latest?.state !== 'asking') attempts.latest = null;
  store.touch('stops');
}

/** The stop that holds this port, if one does. @param {number} port */
export function stopOf(port) {
  return store.stops.find((stop) => stop.port === null) ?? store.stops.find((stop) => stop.port === port);
}
