// One strip: the picture of one port over time, newest at the right edge.

/** @import { Block } from './types' */
/** @import { Placed } from './strip-layout.js' */

import { BlockDetails } from './block-details.js';
import { Gate } from './gate.js';
import { html, useEffect, useLayoutEffect, useRef, useState } from './html.js';
import { PortHeader } from './port-header.js';
import { LatestFrames } from './latest-frames.js';
import { clock, store, useSlices } from './station.js';
import { isCovered, loudness, place, ticks } from './strip-layout.js';
import { edge, follow, pan, pause, release, reveal, view } from './view.js';
import { KINDS, sentence, utc, utcMinutes } from './words.js';

/** How far beyond both edges blocks are drawn, in widths of the view. */
const BEYOND = 0.5;
/** Anchors are renewed beyond this distance: far pixels lose precision. */
const FAR_PX = 100_000;
/** For those who asked for less motion, strips move in steps of this, ms. */
const STILL = matchMedia('(prefers-reduced-motion: reduce)');
const STILL_STEP_MS = 1000;
/** Wider views leave out what a frame is, for more names to fit. */
const BRIEF_ABOVE_MS = 60_000;
/** Remembered rows of flags after which all are forgotten. */
const MOST_ROWS = 5000;

/** @param {{ port: number }} props */
export function Strip({ port }) {
  useSlices('ports', 'view');
  const [chosen, setChosen] = useState(/** @type {number | null} */ (null));
  const state = store.ports.get(port);
  if (!state) return null;
  const choose = (/** @type {number | null} */ id) => {
    setChosen(id);
    if (id === null) focusOn(`#strip-${port} .block[tabindex="0"]`);
  };
  return html`<article class="strip" id=${`strip-${port}`} aria-labelledby=${`strip-name-${port}`}>
    <${PortHeader} view=${state} />
    <${Gate} port=${port} />
    <${Picture} port=${port} name=${state.name} chosen=${chosen} choose=${choose} />
    ${chosen !== null && html`<${BlockDetails} port=${port} id=${chosen} close=${() => choose(null)} />`}
    <${LatestFrames} port=${port} chosen=${chosen} choose=${setChosen} />
  </article>`;
}

/** @param {string} selector */
function focusOn(selector) {
  /** @type {HTMLElement | null} */ (document.querySelector(selector))?.focus();
}

/** Moves the layer of time and gives the drawn range when it must be drawn anew. */
class Motion {
  constructor() {
    this.anchor = Math.floor(edge());
    this.width = 0;
    this.shift = NaN;
    /** Edge for which blocks were last drawn. */
    this.drawnAt = -Infinity;
  }

  get scale() {
    return this.width / view.span;
  }

  /** True if the drawn range no longer covers the view well. */
  isStale() {
    const moved = Math.abs(edge() - this.drawnAt);
    return moved > (view.span * BEYOND) / 2 || moved * this.scale > 400;
  }

  /** @param {HTMLElement} layer */
  move(layer) {
    const step = STILL.matches ? STILL_STEP_MS : 1;
    const end = Math.floor(edge() / step) * step;
    const shift = this.width - (end - this.anchor) * this.scale;
    // Whole pixels: text stays sharp, and slow strips cost nothing between steps.
    const whole = Math.round(shift);
    if (whole !== this.shift) {
      this.shift = whole;
      layer.style.transform = `translateX(${whole}px)`;
    }
    const now = clock.now();
    for (const growing of layer.querySelectorAll('[data-since]')) {
      const since = Number(/** @type {HTMLElement} */ (growing).dataset.since);
      /** @type {HTMLElement} */ (growing).style.width = `${Math.max(5, (now - since) * this.scale)}px`;
    }
  }
}

/** Which block of a strip has the focus, and which is to get it once it is drawn. */
class Focus {
  constructor() {
    /** @type {number | null} */
    this.current = null;
    /** @type {number | null} */
    this.wanted = null;
  }

  /** Both must be drawn, or the focus would fall out of the strip on its way. @param {number} id */
  needs(id) {
    return id === this.current || id === this.wanted;
  }

  move() {
    const block = this.wanted === null ? null : document.getElementById(`block-${this.wanted}`);
    if (!block) return;
    this.wanted = null;
    block.focus({ preventScroll: true });
  }
}

/** @param {{ port: number, name: string, chosen: number | null, choose: (id: number | null) => void }} props */
function Picture({ port, name, chosen, choose }) {
  useSlices('blocks', 'view', 'station');
  const [, again] = useState(0);
  const box = useRef(/** @type {HTMLDivElement | null} */ (null));
  const layer = useRef(/** @type {HTMLDivElement | null} */ (null));
  const motion = useRef(/** @type {Motion | null} */ (null));
  const rows = useRef(new Map());
  const focus = useRef(new Focus()).current;
  motion.current ??= new Motion();
  const draw = () => again((n) => n + 1);
  useMotion(box, layer, motion.current, draw);
  useLayoutEffect(() => focus.move());
  const spanned = useRef(view.span);
  if (spanned.current !== view.span || rows.current.size > MOST_ROWS) {
    spanned.current = view.span;
    rows.current.clear();
  }
  const all = store.blocks.get(port) ?? [];
  const steps = () => all.filter((block) => !isCovered(block, all));
  const { shown, scale, from, to } = visible(all, motion.current, rows.current, focus);
  const keys = (/** @type {KeyboardEvent} */ event) => onKey(event, steps(), focus, draw);
  const tabStop = shown.some(({ block }) => block.id === focus.current)
    ? focus.current
    : shown.findLast(({ block }) => block.end_ms !== null && !isCovered(block, all))?.block.id;
  return html`<div class="strip-picture" ref=${box} role="group" onKeyDown=${keys}
      aria-label=${`${name} over time. Arrow keys go from block to block, Enter shows one.`}
      onFocusOut=${(/** @type {FocusEvent} */ event) => onFocusOut(event, box.current)}>
    <div class="strip-layer" ref=${layer}>
      <${Scale} from=${from} to=${to} scale=${scale} anchor=${motion.current.anchor} />
      ${shown.map((placed) => html`<${Flag} key=${`f${placed.block.id}`} placed=${placed} />`)}
      ${shown.map((placed) => html`<${Bar} key=${placed.block.id} placed=${placed} choose=${choose}
        chosen=${placed.block.id === chosen} stop=${placed.block.id === tabStop} focus=${focus} />`)}
    </div>
    <div class="strip-base" aria-hidden="true"></div>
    ${shown.length === 0 && html`<p class="strip-empty">Nothing in this stretch of time.</p>`}
  </div>`;
}

/**
 * @param {{ current: HTMLDivElement | null }} box
 * @param {{ current: HTMLDivElement | null }} layer
 * @param {Motion} motion
 * @param {() => void} draw
 */
function useMotion(box, layer, motion, draw) {
  useLayoutEffect(() => {
    if (layer.current) motion.move(layer.current);
  });
  useEffect(() => {
    const measure = () => {
      motion.width = box.current?.clientWidth ?? 0;
      draw();
    };
    const observer = new ResizeObserver(measure);
    if (box.current) observer.observe(box.current);
    let frame = 0;
    const step = () => {
      frame = requestAnimationFrame(step);
      if (layer.current) motion.move(layer.current);
      if (motion.isStale()) draw();
    };
    frame = requestAnimationFrame(step);
    return () => {
      cancelAnimationFrame(frame);
      observer.disconnect();
    };
  }, []);
}

/**
 * What is drawn: blocks within and near the view, and always the one with the focus.
 * @param {Block[]} all @param {Motion} motion @param {Map<number, number>} rows
 * @param {Focus} focus
 */
function visible(all, motion, rows, focus) {
  const end = edge();
  motion.drawnAt = end;
  if (Math.abs((end - motion.anchor) * motion.scale) > FAR_PX) motion.anchor = Math.floor(end);
  const [from, to] = [end - view.span * (1 + BEYOND), end + view.span * BEYOND];
  const near = all.filter((block) =>
    (block.start_ms < to && (block.end_ms ?? to) >= from) || focus.needs(block.id));
  const { scale, anchor } = motion;
  const brief = view.span > BRIEF_ABOVE_MS;
  const shown = scale > 0 ? place(near, { anchor, scale, now: clock.now(), rows, brief }) : [];
  return { shown, scale, from, to };
}

/** @param {FocusEvent} event @param {HTMLElement | null} box */
function onFocusOut(event, box) {
  const to = event.relatedTarget;
  if (!(to instanceof Node) || !box?.closest('.strip')?.contains(to)) release();
}

/**
 * @param {KeyboardEvent} event @param {Block[]} all @param {Focus} focus
 * @param {() => void} draw
 */
function onKey(event, all, focus, draw) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const here = focus.wanted ?? focus.current ?? -1;
  const at = all.findLastIndex((block) => block.id <= here);
  /** @type {Record<string, number>} */
  const steps = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: all.length - 1 };
  if (event.key in steps && at >= 0) {
    event.preventDefault();
    const next = all[Math.min(all.length - 1, Math.max(0, steps[event.key]))];
    focus.wanted = next.id;
    reveal(next.start_ms, next.end_ms ?? clock.now());
    draw();
  } else if (event.key === 'PageUp' || event.key === 'PageDown') {
    event.preventDefault();
    pan(event.key === 'PageUp' ? -0.5 : 0.5);
  } else if (event.key === 'Escape') {
    follow();
  }
}

/**
 * @param {{ placed: Placed, choose: (id: number) => void, chosen: boolean, stop: boolean,
 *   focus: Focus }} props
 */
function Bar({ placed, choose, chosen, stop, focus }) {
  const { block, x, width } = placed;
  const text = sentence(block, clock.wall(block.start_ms), clock.now());
  const style = { left: `${x}px`, width: `${width}px`, '--loud': String(loudness(block)) };
  const onFocus = (/** @type {FocusEvent} */ event) => {
    focus.current = block.id;
    // A block that moves cannot be read; by the pointer it may go on.
    if (/** @type {HTMLElement} */ (event.target).matches(':focus-visible')) pause(true);
  };
  return html`<button type="button" id=${`block-${block.id}`} class=${`block ${block.kind}`} style=${style}
    tabIndex=${stop ? 0 : -1} aria-label=${text} title=${text} aria-pressed=${chosen}
    data-since=${block.end_ms === null ? block.start_ms : undefined}
    onFocus=${onFocus} onClick=${() => choose(block.id)}>
    ${width > 14 && html`<span aria-hidden="true">${KINDS[block.kind].glyph}</span>`}
  </button>`;
}

/** @param {{ placed: Placed }} props */
function Flag({ placed }) {
  const { block, x, row, flag, more } = placed;
  if (row < 0) return null;
  return html`<span class=${`flag row${row} ${block.kind}`} style=${{ left: `${x}px` }} aria-hidden="true">
    <b>${flag}</b>${more && html`<i> ${more}</i>`}
  </span>`;
}

/** @param {{ from: number, to: number, scale: number, anchor: number }} props */
function Scale({ from, to, scale, anchor }) {
  if (scale <= 0) return null;
  const { step, moments } = ticks(Math.max(from, 0), to, scale, clock.wallAtZero);
  const text = step < 60_000 ? utc : utcMinutes;
  return moments.map((ms) => html`<span key=${`t${ms}`} class="tick" aria-hidden="true"
    style=${{ left: `${(ms - anchor) * scale}px` }}>${text(clock.wall(ms))}</span>`);
}
