/** What the API sends, as far as the page reads it. The Rust types are in crates/station/src/event.rs. */

export type BlockKind = 'heard' | 'sent' | 'unreadable' | 'busy';

export interface Block {
  id: number;
  port: number;
  kind: BlockKind;
  start_ms: number;
  end_ms: number | null;
  from: string;
  to: string;
  via: string[];
  what: string;
  text: string;
  octets: string;
  level_dbfs: number | null;
  offset_hz: number | null;
  twist_db: number | null;
  snr_db: number | null;
  why: string | null;
  line: string | null;
  heard_on: HeardOn | null;
  guess: Guess | null;
}

/** On which inputs of a port a frame was read. */
export interface HeardOn {
  first: boolean;
  second: boolean;
  combined: boolean;
}

/** What an unreadable block may have been. Never a frame. */
export interface Guess {
  from: string;
  text: string;
  octets: string;
  doubtful: number[];
  address: number;
}

export interface PortView {
  port: number;
  name: string;
  mode: string;
  call: string;
  busy: boolean;
  transmitting: boolean;
  queued: number;
  waits: [number, string] | null;
  level_dbfs: number | null;
  occupied: number;
  own_share: number;
  may_transmit: boolean;
}

export interface HeardView {
  port: number;
  call: string;
  by: string | null;
  first_ms: number;
  last_ms: number;
  count: number;
  level_dbfs: number | null;
  offset_hz: number | null;
  twist_db: number | null;
  snr_db: number | null;
  said: string;
  line: string | null;
  advice: string | null;
}

export type TalkState = 'calling' | 'open' | 'checking' | 'closing' | 'ended';

export interface TalkView {
  id: number;
  port: number;
  local: string;
  remote: string;
  via: string[];
  incoming: boolean;
  state: TalkState;
  words: string;
  since_ms: number;
  opened_ms: number;
  waiting_octets: number;
  retries: number;
  last_heard_ms: number | null;
  pace: PaceView | null;
}

export interface PaceView {
  length_octets: number;
  window_frames: number;
  lost: number | null;
  pinned: boolean;
  words: string;
}

export interface TalkLine {
  talk: number;
  line: number;
  at_ms: number;
  direction: 'sent' | 'received';
  text: string;
  complete: boolean;
  lost: boolean;
}

export interface CrossingHalf {
  port: number;
  local: string;
  remote: string | null;
  words: string;
  received_octets: number;
  waiting_octets: number;
}

export interface CrossingView {
  id: number;
  rule: string;
  notes: string | null;
  near: CrossingHalf;
  far: CrossingHalf;
  words: string;
  opened_ms: number;
  ended: boolean;
}

export interface Note {
  at_ms: number;
  port: number | null;
  urgency: 'plain' | 'attention';
  text: string;
}

export type Condition =
  | 'plan' | 'call_sign' | 'stop' | 'listened' | 'device' | 'key_line' | 'identification'
  | 'key_down' | 'interlock' | 'channel' | 'slot';

export interface ConditionView {
  condition: Condition;
  open: boolean;
  since_ms: number;
  evidence: string;
  remedy: string;
}

export interface WaitingView {
  what: string;
  to: string;
  since_ms: number;
  reason: string;
}

export interface KeyDownView {
  down_since_ms: number | null;
  ten_minutes_ms: number;
  hour_ms: number;
  single_limit_ms: number;
  ten_minutes_limit_ms: number;
  hour_limit_ms: number;
}

export interface GateView {
  port: number;
  sentence: string;
  conditions: ConditionView[];
  waiting: WaitingView[];
  queued: number;
  key_down: KeyDownView;
  test: string | null;
  identified_ms: number | null;
}

export interface Stop {
  port: number | null;
  by: string;
  why: string;
  at: number;
}

export type AlarmKind =
  | 'waiting' | 'deaf' | 'sound' | 'unheard' | 'stuck' | 'device' | 'second_input' | 'key_line' | 'disk' | 'clock'
  | 'restarts' | 'partner' | 'held' | 'emergency';

export interface AlarmView {
  kind: AlarmKind;
  port: number | null;
  active: boolean;
  since_ms: number;
  text: string;
}

/** Somebody for whom nothing is repeated or carried for a while. */
export interface MuteView {
  call: string;
  until_ms: number;
  by: string;
  why: string;
  by_itself: boolean;
}

/** One file of a talk. */
export interface FileView {
  id: number;
  talk: number;
  name: string;
  media: string | null;
  size: number;
  hash: string;
  direction: 'sent' | 'received';
  state: 'offered' | 'going' | 'storing' | 'done' | 'refused' | 'stopped';
  words: string;
  done: number;
  airtime_ms: number;
  since_ms: number;
}

/** One file on the shelf. The Rust type is in crates/web/src/files.rs. */
export interface ShelfFile {
  hash: string;
  name: string;
  media: string | null;
  size: number;
  direction: 'sent' | 'received';
  /** In the talk for which it was put there; a list has none. */
  airtime_ms?: number | null;
}

/** A station with which mail is exchanged. */
export interface PartnerView {
  call: string;
  port: number;
  words: string;
  exchanging: boolean;
  contact_ms: number | null;
  next_ms: number | null;
  failed: number;
}

export type MailWhich = 'all' | 'unread' | 'bulletins' | 'own' | 'queue' | 'held';
export type Precedence = 'routine' | 'welfare' | 'priority' | 'emergency';
export type Standing = 'written' | 'queued' | 'here' | 'held' | 'passed' | 'delivered' | 'undeliverable' | 'deleted';
export type SenderProof = 'own' | 'heard_as_claimed' | 'known_path' | 'vouched_for' | 'unknown';

/** What sort of message it is. The Rust types of the mail are in crates/mail/src. */
export type MailKind =
  | { kind: 'bulletin'; topic: string; area: string; to?: undefined; about?: undefined }
  | { kind: 'personal' | 'formal'; to: string; topic?: undefined; area?: undefined; about?: undefined }
  | { kind: 'service'; to: string; about: string; topic?: undefined; area?: undefined };

export interface MailStep {
  station: string;
  at: number;
}

export type Message = MailKind & {
  id: string;
  precedence: Precedence;
  from: string;
  written: number;
  title: string;
  body: string;
  chain: MailStep[];
};

/** How far each kind of thing in the journal has been looked through. */
export interface JournalPlace {
  frame: number | null;
  line: number | null;
  note: number | null;
}

/** Something that was found in the journal. */
export interface JournalItem {
  kind: 'frame' | 'line' | 'note';
  wall: number;
  run: number;
  row: number;
  port: string | null;
  mark: string;
  from: string;
  to: string;
  via: string[];
  words: string;
  talk: number | null;
  line: number | null;
}

export interface Found {
  items: JournalItem[];
  more: boolean;
  behind: JournalPlace;
}

/** A talk as the journal keeps it, some of its lines. */
export interface KeptTalk {
  talk: { wall: number, value: { view: TalkView, cut_off: boolean } } | null;
  lines: { row: number, wall: number, value: TalkLine }[];
  more: boolean;
}

export type MailHead = MailKind & {
  place: number;
  id: string;
  precedence: Precedence;
  from: string;
  title: string;
  octets: number;
  written: number;
  arrived: number;
  proof: SenderProof;
  standing: Standing;
  unread: boolean;
  words: string;
};

export interface Letter {
  message: Message;
  proof: SenderProof;
  standing: Standing;
  arrived: number;
  unread: boolean;
  note: string | null;
  words: string;
  proof_words: string;
  reply_to: string;
  reply_title: string;
  radiogram?: RadiogramView | { unreadable: string };
}

/** A radiogram as a person fills it in. */
export interface Radiogram {
  precedence: Precedence;
  handling: string;
  place: string;
  filed: string;
  date: string;
  to: string;
  phone: string;
  text: string;
  signature: string;
}

export type FormalField = Exclude<keyof Radiogram, 'precedence'>;

export interface FormalDraft {
  to?: string;
  radiogram: Radiogram;
  keep_back: boolean;
}

export interface FormalAmiss {
  field: FormalField;
  words: string;
}

export interface FormalTally {
  check: string | null;
  remarks: string[];
  amiss: FormalAmiss[];
  cost: Reckoning | null;
}

export interface RadiogramView {
  printed: string;
  spoken: string[];
  log: string;
  remarks: string[];
  miscounted: boolean;
  onward: string | null;
  reported: boolean;
  blank: Radiogram;
}

export type MailDraft = MailKind & {
  precedence: Precedence;
  title: string;
  body: string;
  keep_back: boolean;
};

export interface RouteCost {
  partner: string;
  port: number;
  baud: number;
  seconds: number;
  later: boolean;
  digipeaters: number;
}

export interface Reckoning {
  octets: number;
  packed: number;
  words: string;
  routes: RouteCost[];
}

export interface MailCounts {
  letters: number;
  unread: number;
  queued: number;
  held: number;
  deleted: number;
  partials: number;
}

export interface RejectView {
  port: number;
  kind: string;
  reason: string;
  count: number;
  first_ms: number;
  last_ms: number;
  example: string;
}

export type Proof = 'hearsay' | 'one_way' | 'two_way';

/** The Rust types of these three are in crates/station/src/paths/mod.rs. */
export interface LegView {
  from: string;
  to: string;
  there: number;
  back: number;
  etx: number;
  proof: Proof;
  age_ms: number;
  words: string;
}

export interface WayView {
  port: number;
  via: string[];
  etx: number | null;
  sendings: number | null;
  proof: Proof | null;
  age_ms: number | null;
  worked_ms_ago: number | null;
  words: string;
  legs: LegView[];
}

export interface WaysView {
  to: string;
  words: string;
  ways: WayView[];
}

export type TestSignal = 'low_tone' | 'high_tone' | 'alternating' | 'repeated_frame' | 'long_preamble';

export interface Snapshot {
  now_ms: number;
  call: string;
  ports: PortView[];
  blocks: Block[];
  heard: HeardView[];
  talks: TalkView[];
  lines: TalkLine[];
  crossings: CrossingView[];
  notes: Note[];
  gates: GateView[];
  stops: Stop[];
  alarms: AlarmView[];
  rejects: RejectView[];
  mutes: MuteView[];
  partners: PartnerView[];
  files: FileView[];
}

export interface Greeting {
  run: string;
  seq: number;
  world: 'rehearsal' | 'on_the_air';
  wall_ms_at_zero: number;
  speed: number | null;
  role: 'operator' | 'guest' | 'nobody';
  locked: boolean;
  snapshot: Snapshot;
}

/** One of these is there, the others are not. */
export interface StationEvent {
  block?: Block;
  port?: PortView;
  heard?: HeardView;
  talk?: TalkView;
  talk_line?: TalkLine;
  talk_gone?: number;
  crossing?: CrossingView;
  note?: Note;
  gate?: GateView;
  stops?: Stop[];
  alarm?: AlarmView;
  reject?: RejectView;
  partner?: PartnerView;
  file?: FileView;
}

export type Command =
  | { do: 'open_talk'; port: number; to: string; via: string[] }
  | { do: 'say'; talk: number; text: string }
  | { do: 'close_talk'; talk: number }
  | { do: 'put_away'; talk: number }
  | { do: 'offer_file'; talk: number; name: string; media: string | null; size: number; hash: string }
  | { do: 'answer_file'; talk: number; file: number; decision: 'accept' | 'not_wanted' | 'too_large' | 'later'; words: string }
  | { do: 'stop_file'; talk: number; file: number; words: string }
  | { do: 'cut_crossing'; crossing: number }
  | { do: 'say_to_visitor'; crossing: number; text: string }
  | { do: 'call_partner'; partner: string }
  | { do: 'end_partner'; partner: string; why: string }
  | { do: 'mute'; call: string; minutes: number; by: string; why: string }
  | { do: 'say_to_all'; port: number; to: string; via: string[]; text: string }
  | { do: 'stop'; port: number | null; by: string; why: string }
  | { do: 'start'; port: number | null; by: string }
  | { do: 'test'; port: number; signal: TestSignal; seconds: number }
  | { do: 'end_test'; port: number }
  | { do: 'identify'; port: number };

export type Reply = 'done' | { talk: number } | { talk?: undefined; file: number };

export type Slice =
  | 'station' | 'ports' | 'blocks' | 'heard' | 'talks' | 'lines' | 'crossings' | 'notes' | 'link' | 'view'
  | 'gates' | 'stops' | 'alarms' | 'rejects' | 'partners' | 'mutes' | 'mail' | 'files';

export interface Link {
  state: 'starting' | 'live' | 'lost';
  since: number;
  tries: number;
}
