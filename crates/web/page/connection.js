// The live stream: opened, watched, opened again where it broke, without gap or double.

import { toLogIn } from './command.js';

/** @import { Store } from './store.js' */
/** @import { EngineClock } from './clock.js' */

/** The station sends something each second; after this long without, the line is dead, ms. */
const SILENCE_MS = 4000;
/** Waits before the next try, ms; the last one repeats. */
const PAUSES_MS = [300, 1000, 2000, 3000];

export class Connection {
  /** @param {Store} store @param {EngineClock} clock */
  constructor(store, clock) {
    this.store = store;
    this.clock = clock;
    /** Id of the last event that was applied; empty = begin with a snapshot. */
    this.lastId = '';
    this.heardFrom = 0;
    /** @type {EventSource | null} */
    this.source = null;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.retry = undefined;
  }

  /** Begins, and never gives up. */
  start() {
    this.open();
    setInterval(() => {
      const silent = performance.now() - this.heardFrom > SILENCE_MS;
      if (this.source && silent) this.lose();
    }, 1000);
    window.addEventListener('online', () => this.source ?? this.open());
  }

  open() {
    clearTimeout(this.retry);
    const query = this.lastId ? `?after=${encodeURIComponent(this.lastId)}` : '';
    const source = new EventSource(`/api/events${query}`);
    this.source = source;
    this.heardFrom = performance.now();
    source.addEventListener('snapshot', (event) => this.onSnapshot(event));
    source.addEventListener('now', (event) => {
      this.live();
      this.clock.report(JSON.parse(event.data).now_ms);
    });
    source.onmessage = (event) => this.onEvent(event);
    // The browser would try again by itself, but not after every error, and silently.
    source.onerror = () => this.lose();
  }

  /** @param {MessageEvent<string>} message */
  onSnapshot(message) {
    /** @type {import('./types').Greeting} */
    const greeting = JSON.parse(message.data);
    this.clock.start(greeting.wall_ms_at_zero, greeting.speed, greeting.snapshot.now_ms);
    this.store.load(greeting);
    document.body.classList.toggle('guest', greeting.role === 'guest');
    this.lastId = message.lastEventId;
    this.live();
  }

  /** @param {MessageEvent<string>} message */
  onEvent(message) {
    const step = number(message.lastEventId) - number(this.lastId);
    if (step <= 0) return;
    if (step > 1) {
      // Cannot happen with a sound server; better a fresh start than a hole.
      this.lastId = '';
      this.lose();
      return;
    }
    this.lastId = message.lastEventId;
    this.live();
    const event = JSON.parse(message.data);
    this.clock.atLeast(event.block?.start_ms ?? event.note?.at_ms ?? 0);
    this.store.apply(event);
  }

  live() {
    this.heardFrom = performance.now();
    if (this.store.link.state !== 'live') {
      this.store.setLink({ state: 'live', since: Date.now(), tries: 0 });
    }
  }

  lose() {
    this.source?.close();
    this.source = null;
    const { state, since, tries } = this.store.link;
    const first = state === 'live';
    this.store.setLink({
      state: 'lost',
      since: first ? Date.now() : since,
      tries: first ? 1 : tries + 1,
    });
    // A log-in that has ended looks like a lost line.
    void toLogIn();
    const pause = PAUSES_MS[Math.min(this.store.link.tries, PAUSES_MS.length) - 1];
    clearTimeout(this.retry);
    this.retry = setTimeout(() => this.open(), pause);
  }
}

/** The number in an event's id. @param {string} id */
function number(id) {
  return Number(id.slice(id.lastIndexOf('-') + 1));
}
