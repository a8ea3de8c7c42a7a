// The log-in page: one password, and a sentence if it was not right.

const PATIENCE_MS = 20_000;

/** @param {string} id */
const input = (id) => /** @type {HTMLInputElement} */ (document.getElementById(id));
const wrong = /** @type {HTMLElement} */ (document.getElementById('wrong'));

/** What is wrong, or an empty string once one is in. @param {string} password */
async function logIn(password) {
  try {
    const response = await fetch('/api/log-in', {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify({ password }),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    return response.ok ? '' : `Not logged in: ${(await response.json()).refused}.`;
  } catch {
    return 'Not logged in: the station cannot be reached; try again.';
  }
}

let asking = false;
document.getElementById('log-in')?.addEventListener('submit', async (event) => {
  event.preventDefault();
  if (asking) return;
  asking = true;
  wrong.textContent = '';
  wrong.textContent = await logIn(input('password').value);
  asking = false;
  if (wrong.textContent === '') location.replace('/');
  else input('password').select();
});
input('show').addEventListener('change', () => {
  input('password').type = input('show').checked ? 'text' : 'password';
});

/** Says what is true of this connection and of guests. */
async function explain() {
  const local = ['127.0.0.1', 'localhost', '[::1]'].includes(location.hostname);
  /** @type {HTMLElement} */ (document.getElementById('plain')).hidden = location.protocol === 'https:' || local;
  const who = await (await fetch('/api/visitor')).json();
  /** @type {HTMLElement} */ (document.getElementById('guest')).hidden = who.role !== 'guest';
  if (who.role === 'operator') location.replace('/');
}
void explain();
