// The one store, clock and connection of this page, and how components follow them.

import { Connection } from './connection.js';
import { EngineClock } from './clock.js';
import { useEffect, useReducer } from './html.js';
import { Store } from './store.js';

/** @import { Slice } from './types' */

export const store = new Store();
export const clock = new EngineClock();
export const connection = new Connection(store, clock);

/** Draws the component again when one of these slices changes. @param {...Slice} slices */
export function useSlices(...slices) {
  const [, again] = useReducer((/** @type {number} */ n) => n + 1, 0);
  useEffect(() => {
    const stops = slices.map((slice) => store.watch(slice, () => again(undefined)));
    // Something may have changed between drawing and watching.
    again(undefined);
    return () => stops.forEach((stop) => stop());
  }, []);
}

/** @type {Set<() => void>} */
const everySecond = new Set();
setInterval(() => {
  for (const again of everySecond) again();
}, 1000);

/** Draws the component again each second. */
export function useSecond() {
  const [, again] = useReducer((/** @type {number} */ n) => n + 1, 0);
  useEffect(() => {
    const tick = () => again(undefined);
    everySecond.add(tick);
    return () => {
      everySecond.delete(tick);
    };
  }, []);
}

/** The name of a port for people. @param {number} port */
export function portName(port) {
  return store.ports.get(port)?.name ?? `port ${port}`;
}
