// Asks the station's shelf: a file is put there before it is offered, and taken away if it is not.

/** @import { ShelfFile } from './types' */

import { toLogIn } from './command.js';

/** How long a file may take to the station, ms: it is near, and takes up to 10 MB. */
const PATIENCE_MS = 70_000;
/** Octets that no station takes from a page. */
const MOST_OCTETS = 10_000_000;

/** @typedef {{ file: ShelfFile, refused?: undefined } | { refused: string, file?: undefined }} Put */

/**
 * Puts a file onto the shelf, to be offered in a talk; nothing goes on the air by that.
 * @param {File} file @param {number} talk @returns {Promise<Put>}
 */
export async function putFile(file, talk) {
  // The station would close the connection on these before it has read them.
  if (file.size > MOST_OCTETS) return { refused: `it has more than ${MOST_OCTETS} octets` };
  const query = new URLSearchParams({ name: file.name, talk: String(talk) });
  /** @type {Record<string, string>} */
  const headers = file.type === '' ? {} : { 'Content-Type': file.type };
  try {
    // Read first: a folder, or a file that is gone, is told apart from a station that is away.
    const body = await file.arrayBuffer().catch(() => null);
    if (body === null) return { refused: 'this browser cannot read it; a folder cannot be sent' };
    const signal = AbortSignal.timeout(PATIENCE_MS);
    const response = await fetch(`/api/files?${query}`, { method: 'POST', headers, body, signal });
    const answer = await response.json();
    if (response.ok) return { file: answer };
    if (response.status === 401) void toLogIn();
    return { refused: String(answer.refused) };
  } catch {
    return { refused: 'the station cannot be reached; try again' };
  }
}

/**
 * What is on the shelf.
 * @returns {Promise<{ files: ShelfFile[], refused?: undefined } | { refused: string, files?: undefined }>}
 */
export async function listFiles() {
  try {
    const response = await fetch('/api/files', { signal: AbortSignal.timeout(PATIENCE_MS) });
    const answer = await response.json();
    return response.ok ? { files: answer.files } : { refused: String(answer.refused) };
  } catch {
    return { refused: 'the station cannot be reached; try again' };
  }
}

/**
 * Takes a file off the shelf. What was put there to be offered is gone at the next start in any case.
 * @param {ShelfFile} file @returns {Promise<{ refused?: string }>}
 */
export async function deleteFile({ hash, direction }) {
  try {
    const response = await fetch('/api/files/delete', {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify({ hash, direction }),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    // What is gone already is gone.
    if (response.ok || response.status === 404) return {};
    return { refused: String((await response.json()).refused) };
  } catch {
    return { refused: 'the station cannot be reached; try again' };
  }
}
