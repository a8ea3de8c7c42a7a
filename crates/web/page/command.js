// Asks the station to do something.

/** @import { Command, Reply } from './types' */

/** How long to wait for an answer, ms. The station answers or refuses within 5 s. */
const PATIENCE_MS = 8000;

/**
 * The answer, or a sentence that says why not.
 * @param {Command} command
 * @returns {Promise<{ reply: Reply, refused?: undefined } | { refused: string }>}
 */
export async function ask(command) {
  try {
    const response = await fetch('/api/command', {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify(command),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    const answer = await response.json();
    return response.ok ? { reply: answer } : { refused: String(answer.refused) };
  } catch {
    return { refused: 'the station cannot be reached; nothing was lost here, try again' };
  }
}
