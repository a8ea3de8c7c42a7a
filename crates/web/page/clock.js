// What time it is for the engine, between its own reports, and what civil time that is.

/** The engine reports each second; after this long without, its time stands still here, ms. */
const TRUST_MS = 3000;
/** Part of a small lag that is corrected at each report, so that strips do not jerk. */
const CORRECTION = 0.1;
/** A difference above this is no lag but a jump, ms. */
const JUMP_MS = 2000;

export class EngineClock {
  /** @param {() => number} read milliseconds of a clock that never goes back */
  constructor(read = () => performance.now()) {
    this.read = read;
    this.wallAtZero = 0;
    /** Engine milliseconds per civil one. 0 = it runs as fast as it can. */
    this.speed = 1;
    this.anchor = { read: 0, ms: 0 };
    this.reported = { read: 0, ms: 0 };
  }

  /** @param {number} wallAtZero @param {number | null} speed @param {number} now_ms */
  start(wallAtZero, speed, now_ms) {
    this.wallAtZero = wallAtZero;
    this.speed = speed ?? 0;
    this.anchor = { read: this.read(), ms: now_ms };
    this.reported = this.anchor;
  }

  /** The engine says that it is `ms` now. @param {number} ms */
  report(ms) {
    const read = this.read();
    const lag = ms - this.at(read);
    // A report can only come late, so one that is ahead is the better one.
    const correction = lag > 0 || lag < -JUMP_MS ? lag : lag * CORRECTION;
    this.anchor = { read, ms: this.at(read) + correction };
    this.reported = { read, ms };
  }

  /** Something happened at `ms`, so it cannot be earlier. @param {number} ms */
  atLeast(ms) {
    if (ms > this.now()) this.report(ms);
  }

  /** Engine milliseconds now. */
  now() {
    return this.at(this.read());
  }

  /** @param {number} read */
  at(read) {
    const trusted = Math.min(read, this.reported.read + TRUST_MS);
    return this.anchor.ms + Math.max(0, trusted - this.anchor.read) * this.speed;
  }

  /** Civil time of an engine moment. @param {number} ms */
  wall(ms) {
    return new Date(this.wallAtZero + ms);
  }
}
