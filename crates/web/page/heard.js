// Stations heard: who, on which port, how well, when.

/** @import { HeardView } from './types' */

import { html, useRef, useState } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { heardKey } from './store.js';
import { callStation } from './open-talk.js';
import { level, offset, snr, span, twist } from './words.js';

/** @typedef {'age' | 'port' | 'call'} Order */

/** @type {Record<Order, (a: HeardView, b: HeardView) => number>} */
const ORDERS = {
  age: (a, b) => b.last_ms - a.last_ms || byCall(a, b),
  port: (a, b) => a.port - b.port || byCall(a, b),
  call: byCall,
};

/** @param {HeardView} a @param {HeardView} b */
function byCall(a, b) {
  return a.call.localeCompare(b.call) || a.port - b.port;
}

export function Heard() {
  useSlices('heard', 'station');
  const [order, setOrder] = useState(/** @type {Order} */ ('age'));
  const body = useRef(/** @type {HTMLTableSectionElement | null} */ (null));
  const held = useRef({ order, keys: /** @type {string[]} */ ([]) });
  const rows = sorted(order, held.current, body.current);
  return html`<section class="heard" id="heard" aria-labelledby="heard-name" tabIndex="-1">
    <h2 id="heard-name">Stations heard</h2>
    ${rows.length === 0 && html`<p class="dim">No station heard yet.</p>`}
    <div class="table-box" role="group" aria-label="Table of stations heard" tabIndex="0" hidden=${rows.length === 0}>
      <table role="table">
        <thead role="rowgroup"><tr role="row">
          <${Sorter} id="call" words="Station" order=${order} setOrder=${setOrder} />
          <th role="columnheader" scope="col"><span class="hidden">Talk</span></th>
          <${Sorter} id="port" words="Port" order=${order} setOrder=${setOrder} />
          <${Sorter} id="age" words="Age" order=${order} setOrder=${setOrder} />
          ${['Heard', 'Frames', 'Level', 'SNR', 'Offset', 'Twist'].map((words) =>
            html`<th key=${words} role="columnheader" scope="col">${words}</th>`)}
          <th role="columnheader" scope="col" class="said"><span class="hidden">Last said to all</span></th>
        </tr></thead>
        <tbody role="rowgroup" ref=${body}>
          ${rows.map((heard) => html`<${Row} key=${heardKey(heard)} heard=${heard} />`)}
        </tbody>
      </table>
    </div>
  </section>`;
}

/**
 * Rows in order. While somebody is in the table with focus or pointer, rows stay where they
 * are, so that nobody presses the button of a station that has just moved there.
 * @param {Order} order @param {{ order: Order, keys: string[] }} held
 * @param {HTMLElement | null} body
 */
function sorted(order, held, body) {
  const rows = [...store.heard.values()].sort(ORDERS[order]);
  const used = body !== null && (body.contains(document.activeElement) || body.matches(':hover'));
  if (used && held.order === order) {
    const place = (/** @type {HeardView} */ heard) => {
      const at = held.keys.indexOf(heardKey(heard));
      return at < 0 ? held.keys.length : at;
    };
    rows.sort((a, b) => place(a) - place(b));
  }
  held.order = order;
  held.keys = rows.map(heardKey);
  return rows;
}

/** @param {{ id: Order, words: string, order: Order, setOrder: (order: Order) => void }} props */
function Sorter({ id, words, order, setOrder }) {
  const on = order === id;
  const direction = id === 'age' ? 'youngest first' : 'from A to Z';
  return html`<th role="columnheader" scope="col" aria-sort=${on ? (id === 'age' ? 'descending' : 'ascending') : 'none'}>
    <button type="button" class="sorter" onClick=${() => setOrder(id)} title=${`Sort by ${words.toLowerCase()}, ${direction}`}>
      ${words}<span aria-hidden="true">${on ? ' ▾' : ''}</span>
    </button>
  </th>`;
}

/** @param {{ heard: HeardView }} props */
function Row({ heard }) {
  const { call, by, port } = heard;
  const cell = (/** @type {string} */ name, /** @type {unknown} */ value, kind = '') =>
    html`<td role="cell" data-name=${name} class=${kind}>${value || html`<span class="none">–</span>`}</td>`;
  return html`<tr role="row">
    <th role="rowheader" scope="row" class="call">${call}</th>
    <td role="cell" class="act"><button type="button" onClick=${() => callStation(port, call, by ? [by] : [])}
      aria-label=${`Talk with ${call} on ${portName(port)}`}>Talk</button></td>
    ${cell('Port', portName(port))}
    ${cell('Age', html`<${Age} at=${heard.last_ms} />`)}
    ${cell('Heard', by ? html`<span>by <span class="call">${by}</span></span>` : 'direct')}
    ${cell('Frames', String(heard.count), 'number')}
    ${cell('Level', level(heard.level_dbfs), 'number')}
    ${cell('SNR', snr(heard.snr_db), 'number')}
    ${cell('Offset', offset(heard.offset_hz))}
    ${cell('Twist', twist(heard.twist_db))}
    <td role="cell" class="said dim">${heard.advice && html`<span class="advice">${heard.advice}. </span>`}${heard.said && html`<span class="hidden">Said: </span>“${heard.said}”`}</td>
  </tr>`;
}

/** @param {{ at: number }} props */
function Age({ at }) {
  useSecond();
  return span(clock.now() - at);
}
