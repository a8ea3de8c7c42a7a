// Alarms: what a person should look after, with an optional sound.

/** @import { AlarmView } from './types' */

import { html, useEffect, useState } from './html.js';
import { clock, portName, store, useSecond, useSlices } from './station.js';
import { alarmKey } from './store.js';
import { ALARMS, span, utc } from './words.js';

const REMEMBERED = 'dunlin.alarm-sound';
/** Two short tones, Hz, and how long each is, s. */
const TONES = [660, 880];
const TONE_S = 0.18;

/** @type {AudioContext | null} */
let audio = null;

export function Alarms() {
  useSlices('alarms', 'station');
  useEffect(startSound, []);
  const all = [...store.alarms.values()].sort((a, b) => b.since_ms - a.since_ms);
  return html`<section class="alarms" id="alarms" aria-labelledby="alarms-name" tabIndex="-1" hidden=${all.length === 0}>
    <div class="alarms-head"><h2 id="alarms-name">${all.length === 1 ? '1 alarm' : `${all.length} alarms`}</h2><${SoundSwitch} /></div>
    <ul>${all.map((alarm) => html`<${Alarm} key=${alarmKey(alarm)} alarm=${alarm} />`)}</ul>
  </section>`;
}

/** @param {{ alarm: AlarmView }} props */
function Alarm({ alarm }) {
  useSecond();
  const { kind, port, since_ms, text } = alarm;
  return html`<li><p><b><span aria-hidden="true">▲</span> ${port === null ? 'Station' : portName(port)}, ${ALARMS[kind] ?? kind}:</b> ${text}</p>${' '}
    <p class="dim">since ${utc(clock.wall(since_ms))} UTC, ${span(clock.now() - since_ms)}</p></li>`;
}

function SoundSwitch() {
  const [on, setOn] = useState(isOn);
  const toggle = () => {
    localStorage.setItem(REMEMBERED, on ? 'off' : 'on');
    setOn(!on);
    if (!on) sound(); // So that people know what they chose; the browser wants a press for it too.
  };
  return html`<label class="switch"><input type="checkbox" checked=${on} onChange=${toggle} /> Sound at a new alarm</label>`;
}

function isOn() {
  return localStorage.getItem(REMEMBERED) === 'on';
}

/** Sounds at each alarm that begins. */
function startSound() {
  const known = new Set(store.alarms.keys());
  const listen = (/** @type {import('./types').StationEvent} */ { alarm }) => {
    if (!alarm) return;
    const key = alarmKey(alarm);
    if (alarm.active && !known.has(key) && isOn()) sound();
    if (alarm.active) known.add(key);
    else known.delete(key);
  };
  store.listeners.add(listen);
  return () => {
    store.listeners.delete(listen);
  };
}

function sound() {
  audio ??= new AudioContext();
  const context = audio;
  TONES.forEach((hertz, n) => {
    const tone = new OscillatorNode(context, { frequency: hertz });
    const gain = new GainNode(context, { gain: 0.15 });
    tone.connect(gain).connect(context.destination);
    tone.start(context.currentTime + n * TONE_S);
    tone.stop(context.currentTime + (n + 1) * TONE_S);
  });
}
