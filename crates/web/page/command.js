// Asks the station to do something.

/** @import { Command, Reply } from './types' */

/** How long to wait for an answer, ms. The station answers or refuses within 5 s. */
const PATIENCE_MS = 8000;

/** @typedef {{ refused: string, status: number }} Refused status 0 = the station cannot be reached */

/**
 * @template T
 * @param {string} path @param {unknown} [body] without one it is a question that changes nothing
 * @param {number} [patience] how long to wait, ms
 * @returns {Promise<{ answer: T, refused?: undefined } | Refused>}
 */
export async function send(path, body, patience = PATIENCE_MS) {
  try {
    const post = { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body) };
    const response = await fetch(path, {
      ...(body === undefined ? {} : post),
      signal: AbortSignal.timeout(patience),
    });
    const answer = await response.json();
    if (response.ok) return { answer };
    if (response.status === 401) void toLogIn();
    return { refused: String(answer.refused), status: response.status };
  } catch {
    return { refused: 'the station cannot be reached; nothing was lost here, try again', status: 0 };
  }
}

/**
 * The answer, or a sentence that says why not; `silent` if the station may not even have heard it.
 * @param {Command} command @param {number} [patience] how long to wait, ms
 * @returns {Promise<{ reply: Reply, refused?: undefined } | { refused: string, silent: boolean }>}
 */
export async function ask(command, patience = PATIENCE_MS) {
  /** @type {{ answer: Reply, refused?: undefined } | Refused} */
  const sent = await send('/api/command', command, patience);
  if (sent.refused === undefined) return { reply: sent.answer };
  return { refused: sent.refused, silent: sent.status === 0 || sent.status === 503 };
}

/** Goes to the log-in page if this page may no longer see the station. Text typed is kept. */
export async function toLogIn() {
  try {
    const response = await fetch('/api/visitor', { signal: AbortSignal.timeout(PATIENCE_MS) });
    if ((await response.json()).role === 'nobody') location.assign('/log-in');
  } catch {
    // The station is away, which the page says by itself.
  }
}

/** Ends the log-in of this browser. */
export async function logOut() {
  await fetch('/api/log-out', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{}' });
  location.assign('/');
}
