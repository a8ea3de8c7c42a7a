// The gate of one port: first one sentence, then on demand every condition in order, what
// waits, how long the key was down, and the test signals.

/** @import { ConditionView, GateView, WaitingView } from './types' */

import { html, useState } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { stopOf } from './stop.js';
import { TestPanel } from './test-signals.js';
import { CONDITIONS, count, span } from './words.js';

/** @param {{ port: number }} props */
export function Gate({ port }) {
  useSlices('gates', 'ports', 'stops');
  const [open, setOpen] = useState(false);
  const gate = store.gates.get(port);
  if (!gate) return null;
  const onToggle = (/** @type {Event} */ event) => {
    if (event.target === event.currentTarget) setOpen(/** @type {HTMLDetailsElement} */ (event.currentTarget).open);
  };
  const [state, glyph, words] = stateOf(gate);
  return html`<details class=${`gate ${state}`} open=${open} onToggle=${onToggle}>
    <summary><span class="gate-state"><span aria-hidden="true">${glyph}</span> ${words}</span>
      <span class="gate-sentence">${gate.sentence}</span></summary>
    ${open && html`<${Inside} gate=${gate} />`}
  </details>`;
}

/** @param {GateView} gate */
function stateOf(gate) {
  if (gate.key_down.down_since_ms !== null) return ['down', '▼', 'Key down'];
  if (stopOf(gate.port)) return ['stopped', '■', 'Stopped'];
  if (gate.conditions.every((one) => one.open)) return ['open', '✓', 'Gate open'];
  return ['shut', '✕', gate.queued > 0 ? 'Gate shut' : 'Gate shut'];
}

/** @param {{ gate: GateView }} props */
function Inside({ gate }) {
  const name = portName(gate.port);
  const first = gate.conditions.find((one) => !one.open);
  return html`<div class="gate-inside">
    <section class="conditions" aria-label=${`Conditions of ${name}, in the order in which they are looked at`}>
      <h4>Before ${name} keys, all of these must be open</h4>
      <ol>${gate.conditions.map((one) => html`<${Condition} key=${one.condition} view=${one} first=${one === first} />`)}</ol>
    </section>
    <div class="gate-side">
      <${Waiting} gate=${gate} />
      <${KeyDown} gate=${gate} />
      <${TestPanel} gate=${gate} />
    </div>
  </div>`;
}

/** @param {{ view: ConditionView, first: boolean }} props */
function Condition({ view, first }) {
  const { condition, open, since_ms, evidence, remedy } = view;
  return html`<li class=${open ? 'open' : `shut${first ? ' first' : ''}`}>
    <span class="mark"><span aria-hidden="true">${open ? '✓' : '✕'}</span> ${open ? 'open' : 'shut'}</span>
    <b>${CONDITIONS[condition] ?? condition}</b>
    <span class="for dim"><${For} since=${since_ms} /></span>
    <span class="evidence">${evidence}</span>
    ${remedy && html`<span class="remedy"><b>To open it:</b> ${remedy}</span>`}
  </li>`;
}

/** @param {{ since: number }} props */
function For({ since }) {
  useSecond();
  return html`for ${span(clock.now() - since)}`;
}

/** @param {{ gate: GateView }} props */
function Waiting({ gate }) {
  const more = gate.queued - gate.waiting.length;
  return html`<section class="waiting" aria-label="What waits">
    <h4>${gate.queued === 0 ? 'Nothing waits to be sent' : `${count(gate.queued, 'frame waits', 'frames wait')} to be sent`}</h4>
    <ol>${gate.waiting.map((one, n) => html`<${Frame} key=${n} view=${one} />`)}</ol>
    ${more > 0 && html`<p class="dim">and ${more} more behind ${gate.waiting.length === 1 ? 'it' : 'them'}</p>`}
  </section>`;
}

/** @param {{ view: WaitingView }} props */
function Frame({ view }) {
  return html`<li><b>${view.what}</b> to <span class="call">${view.to}</span>
    <span class="dim"> waits <${For} since=${view.since_ms} />: </span>${view.reason}</li>`;
}

/** @param {{ gate: GateView }} props */
function KeyDown({ gate }) {
  useSecond();
  const key = gate.key_down;
  const down = key.down_since_ms === null ? 0 : Math.max(0, clock.now() - key.down_since_ms);
  return html`<section class="key-down" aria-label="Key-down time">
    <h4>Key down</h4>
    <dl>
      <${Share} name="This time" ms=${down} limit=${key.single_limit_ms} idle=${key.down_since_ms === null} />
      <${Share} name="In 10 min" ms=${key.ten_minutes_ms} limit=${key.ten_minutes_limit_ms} />
      <${Share} name="In an hour" ms=${key.hour_ms} limit=${key.hour_limit_ms} />
    </dl>
  </section>`;
}

/** @param {{ name: string, ms: number, limit: number, idle?: boolean }} props */
function Share({ name, ms, limit, idle = false }) {
  const words = idle ? `released; limit ${span(limit)}` : `${span(ms)} of ${span(limit)}`;
  const near = ms > 0.8 * limit;
  return html`<div><dt>${name}</dt><dd>
    <meter min="0" max=${limit} high=${0.8 * limit} value=${Math.min(ms, limit)} aria-label=${`Key down, ${name.toLowerCase()}`}></meter>
    <span>${words}${near && html` <b>▲ near the limit</b>`}</span></dd></div>`;
}
