// All that the page knows of the station: a snapshot, kept current by events.

/** @import { AlarmView, Block, CrossingView, FileView, GateView, Greeting, HeardView, Link, MuteView, Note, PartnerView, PortView, RejectView, Slice, StationEvent, Stop, TalkLine, TalkView } from './types' */

/** Blocks of one strip kept, and for how long. The widest view is 15 minutes. */
const MOST_BLOCKS = 4000;
const KEEP_BLOCKS_MS = 40 * 60 * 1000;
const MOST_NOTES = 300;
const MOST_LINES = 1000;
/** Changes within this time are shown together, ms. */
const TOGETHER_MS = 16;

export class Store {
  constructor() {
    /** Names this run of the program. */
    this.run = '';
    this.call = '';
    /** @type {Greeting['world']} */
    this.world = 'rehearsal';
    /** What this page may do. @type {Greeting['role']} */
    this.role = 'operator';
    /** The station has a password, so that one can log in and out. */
    this.locked = false;
    /** @type {Map<number, PortView>} */
    this.ports = new Map();
    /** Oldest first. @type {Map<number, Block[]>} */
    this.blocks = new Map();
    /** @type {Map<string, HeardView>} */
    this.heard = new Map();
    /** @type {Map<number, TalkView>} */
    this.talks = new Map();
    /** @type {Map<number, TalkLine[]>} */
    this.lines = new Map();
    /** @type {Map<number, CrossingView>} */
    this.crossings = new Map();
    /** Oldest first; `key` is unique. @type {(Note & { key: number })[]} */
    this.notes = [];
    /** @type {Map<number, GateView>} */
    this.gates = new Map();
    /** All that is stopped. @type {Stop[]} */
    this.stops = [];
    /** Alarms that hold, by kind and port. @type {Map<string, AlarmView>} */
    this.alarms = new Map();
    /** What was not taken, by port and kind. @type {Map<string, RejectView>} */
    this.rejects = new Map();
    /** Who is muted. @type {MuteView[]} */
    this.mutes = [];
    /** Partners of the mail, by call sign. @type {Map<string, PartnerView>} */
    this.partners = new Map();
    /** Files of talks, by talk and file. @type {Map<string, FileView>} */
    this.files = new Map();
    /** How often the mail has changed. */
    this.mailChanges = 0;
    /** @type {Link} */
    this.link = { state: 'starting', since: Date.now(), tries: 0 };
    /** Told of each event as it is applied. @type {Set<(event: StationEvent) => void>} */
    this.listeners = new Set();
    /** @type {Map<Slice, Set<() => void>>} */
    this.watchers = new Map();
    /** @type {Set<Slice>} */
    this.dirty = new Set();
    this.noteKeys = 0;
    this.flushing = false;
  }

  /** Replaces everything. @param {Greeting} greeting */
  load(greeting) {
    const { snapshot } = greeting;
    this.run = greeting.run;
    this.world = greeting.world;
    this.role = greeting.role;
    this.locked = greeting.locked;
    this.call = snapshot.call;
    this.ports = new Map(snapshot.ports.map((port) => [port.port, port]));
    this.blocks = new Map(snapshot.ports.map((port) => [port.port, []]));
    for (const block of snapshot.blocks) this.putBlock(block);
    this.heard = new Map(snapshot.heard.map((heard) => [heardKey(heard), heard]));
    this.talks = new Map(snapshot.talks.map((talk) => [talk.id, talk]));
    this.lines = new Map();
    for (const line of snapshot.lines) this.putLine(line);
    this.crossings = new Map(snapshot.crossings.map((crossing) => [crossing.id, crossing]));
    this.notes = [];
    for (const note of snapshot.notes) this.putNote(note);
    this.gates = new Map(snapshot.gates.map((gate) => [gate.port, gate]));
    this.stops = snapshot.stops;
    this.alarms = new Map(snapshot.alarms.map((alarm) => [alarmKey(alarm), alarm]));
    this.touch('station', 'ports', 'blocks', 'heard', 'talks', 'lines', 'crossings', 'notes');
    this.rejects = new Map(snapshot.rejects.map((reject) => [`${reject.port} ${reject.kind}`, reject]));
    this.mutes = snapshot.mutes;
    this.partners = new Map(snapshot.partners.map((partner) => [partner.call, partner]));
    this.files = new Map(snapshot.files.map((file) => [`${file.talk} ${file.id}`, file]));
    this.mailChanges += 1;
    this.touch('files', 'gates', 'stops', 'alarms', 'rejects', 'mutes', 'partners', 'mail');
  }

  /** Applies one event. @param {StationEvent | 'mail_changed'} event */
  apply(event) {
    if (event === 'mail_changed') {
      this.mailChanges += 1;
      this.touch('mail');
      return;
    }
    if (event.block) {
      this.putBlock(event.block);
      this.touch('blocks');
    } else if (event.port) {
      this.ports.set(event.port.port, event.port);
      this.touch('ports');
    } else if (event.heard) {
      this.heard.set(heardKey(event.heard), event.heard);
      this.touch('heard');
    } else if (event.talk) {
      this.talks.set(event.talk.id, event.talk);
      this.touch('talks');
    } else if (event.talk_line) {
      this.putLine(event.talk_line);
      this.touch('lines');
    } else if (event.talk_gone !== undefined) {
      this.talks.delete(event.talk_gone);
      this.lines.delete(event.talk_gone);
      this.touch('talks', 'lines');
    } else if (event.crossing) {
      this.crossings.set(event.crossing.id, event.crossing);
      this.touch('crossings');
    } else if (event.note) {
      this.putNote(event.note);
      this.touch('notes');
    }
    this.applyToGates(event);
    for (const listener of this.listeners) listener(event);
  }

  /** @param {StationEvent} event */
  applyToGates(event) {
    if (event.gate) {
      this.gates.set(event.gate.port, event.gate);
      this.touch('gates');
    } else if (event.stops) {
      this.stops = event.stops;
      this.touch('stops');
    } else if (event.alarm) {
      if (event.alarm.active) this.alarms.set(alarmKey(event.alarm), event.alarm);
      else this.alarms.delete(alarmKey(event.alarm));
      this.touch('alarms');
    } else if (event.reject) {
      this.rejects.set(`${event.reject.port} ${event.reject.kind}`, event.reject);
      this.touch('rejects');
    } else if (event.partner) {
      this.partners.set(event.partner.call, event.partner);
      this.touch('partners');
    } else if (event.file) {
      this.files.set(`${event.file.talk} ${event.file.id}`, event.file);
      this.touch('files');
    }
  }

  /** @param {Link} link */
  setLink(link) {
    this.link = link;
    this.touch('link');
  }

  /** @param {Block} block */
  putBlock(block) {
    const strip = this.blocks.get(block.port) ?? [];
    this.blocks.set(block.port, strip);
    // Changes nearly always concern the latest blocks, so look from the end.
    let at = strip.length;
    while (at > 0 && strip[at - 1].id > block.id) at -= 1;
    const known = at > 0 && strip[at - 1].id === block.id;
    strip.splice(known ? at - 1 : at, known ? 1 : 0, block);
    const oldest = block.start_ms - KEEP_BLOCKS_MS;
    while (strip.length > MOST_BLOCKS || (strip[0].end_ms ?? Infinity) < oldest) strip.shift();
  }

  /** @param {TalkLine} line */
  putLine(line) {
    const lines = this.lines.get(line.talk) ?? [];
    this.lines.set(line.talk, lines);
    const at = lines.findLastIndex((other) => other.line <= line.line);
    const known = at >= 0 && lines[at].line === line.line;
    lines.splice(known ? at : at + 1, known ? 1 : 0, line);
    if (lines.length > MOST_LINES) lines.shift();
  }

  /** @param {Note} note */
  putNote(note) {
    this.notes.push({ ...note, key: (this.noteKeys += 1) });
    if (this.notes.length > MOST_NOTES) this.notes.shift();
  }

  /** @param {Slice} slice @param {() => void} watcher */
  watch(slice, watcher) {
    const all = this.watchers.get(slice) ?? new Set();
    this.watchers.set(slice, all);
    all.add(watcher);
    return () => {
      all.delete(watcher);
    };
  }

  /** Lets those who watch these slices know, soon and once. @param {...Slice} slices */
  touch(...slices) {
    for (const slice of slices) this.dirty.add(slice);
    if (this.flushing) return;
    this.flushing = true;
    // Not an animation frame: those stop when the page is in the background.
    setTimeout(() => {
      this.flushing = false;
      const dirty = [...this.dirty];
      this.dirty.clear();
      const told = new Set(dirty.flatMap((slice) => [...(this.watchers.get(slice) ?? [])]));
      for (const watcher of told) watcher();
    }, TOGETHER_MS);
  }
}

/** @param {HeardView} heard */
export function heardKey(heard) {
  return `${heard.port} ${heard.call}`;
}

/** @param {AlarmView} alarm */
export function alarmKey(alarm) {
  return `${alarm.kind} ${alarm.port ?? ''}`;
}
