//! All that a port listens with: a receiver for each of its lines, with a second input a pair
//! for each, and one answer from all of them.
//!
//! A frame comes once for each transmission: the same octets at overlapping times are one, two
//! repeats one after the other are two. What one line cannot read is complained of only when no
//! other line has read it.

mod second;

use std::collections::VecDeque;

use dunlin_clock::{SampleCount, SampleRate};
use dunlin_modem::{Line, ModemError};

use self::second::Second;
use super::merge::{Span, length, remember_most, same_place, shared, span};
use super::pair::{HeardOn, Input, PairEvent, PairReceiver};
use super::receiver::{Receiver, ReceiverEvent, ReceptionReport};
use super::sound::ChannelSound;

/// Lines that a port may listen to, the one included with which it sends.
pub const MOST_LINES: usize = 4;
/// All lines are kept in step by pieces of this length, seconds.
const PIECE_S: f64 = 0.01;
/// Frames that are remembered, to know their copies.
const REMEMBERED: usize = 256;
/// Complaints that wait at a time; more are dropped, the oldest first.
const MOST_HELD: usize = 64;
/// A complaint waits for a frame that is still being received for so long at most, seconds; on
/// slow lines for as many symbols. Frames of 331 octets, the longest usual ones, have 3200 with
/// all that is stuffed.
const LONGEST_HOLD_S: f64 = 15.0;
const LONGEST_HOLD_SYMBOLS: f64 = 4500.0;

/// What a [`PortReceiver`] tells.
#[derive(Clone, Debug, PartialEq)]
pub enum PortEvent {
    /// A frame with a right FCS and an address field. It comes once for each transmission.
    Frame {
        /// The octets without the FCS.
        octets: Vec<u8>,
        /// What was measured.
        report: ReceptionReport,
        /// The line by which it was read first.
        line: Line,
        /// On which inputs, where there are two.
        heard_on: Option<HeardOn>,
    },
    /// Another line has read a frame that was told before.
    Copy {
        /// The octets without the FCS.
        octets: Vec<u8>,
        /// That line.
        line: Line,
    },
    /// Anything else of the port as a whole; never a frame.
    Other(ReceiverEvent),
}

/// What listens to one line.
#[derive(Debug)]
enum Ear {
    One(Box<Receiver>),
    Pair(Box<PairReceiver>),
}

/// The next sound of the first input.
#[derive(Clone, Copy)]
enum Piece<'a> {
    Heard(&'a [f32]),
    /// So many samples of the port's own transmission, which are not listened to.
    Own(usize),
}

/// A frame that was told.
#[derive(Debug)]
struct Given {
    octets: Vec<u8>,
    place: Span,
    line: Line,
}

/// Something that nobody may have to hear of.
#[derive(Debug)]
struct Held {
    event: ReceiverEvent,
    place: Span,
    /// Told at the earliest and the latest when so many samples were heard.
    from: u64,
    until: u64,
}

/// The receivers of a port. The first line is the one with which the port sends.
#[derive(Debug)]
pub struct PortReceiver {
    ears: Vec<Ear>,
    second: Option<Second>,
    /// The most samples that are given on at a time.
    piece: usize,
    longest_hold: u64,
    /// Samples of the first input.
    reached: u64,
    carrier: bool,
    given: VecDeque<Given>,
    held: VecDeque<Held>,
    /// Where complaints were made of late.
    complained: VecDeque<Span>,
    /// Kept only for their memory.
    events: Vec<ReceiverEvent>,
    pair_events: Vec<PairEvent>,
    /// A piece of silence.
    zeros: Vec<f32>,
}

impl PortReceiver {
    /// Receivers for these lines, at most [`MOST_LINES`], and samples at `rate`; `second`: there
    /// is a second input that hears the same transmissions.
    ///
    /// # Errors
    /// If a line cannot work at that rate.
    pub fn new(
        lines: impl IntoIterator<Item = Line>,
        rate: SampleRate,
        second: bool,
    ) -> Result<Self, ModemError> {
        let ear = |line| {
            Ok(match second {
                true => {
                    let mut pair = PairReceiver::new(line, rate)?;
                    pair.be_prompt();
                    Ear::Pair(Box::new(pair))
                }
                false => Ear::One(Box::new(Receiver::new(line, rate)?)),
            })
        };
        let ears: Vec<Ear> = lines
            .into_iter()
            .take(MOST_LINES)
            .map(ear)
            .collect::<Result<_, ModemError>>()?;
        let piece = (PIECE_S * rate.hz_f64()).ceil() as usize;
        let slowest = ears.iter().map(|ear| ear.line().baud()).min().unwrap_or(1);
        let symbols_s = LONGEST_HOLD_SYMBOLS / f64::from(slowest.max(1));
        Ok(PortReceiver {
            ears,
            second: second.then(|| Second::new(rate)),
            piece,
            longest_hold: (LONGEST_HOLD_S.max(symbols_s) * rate.hz_f64()) as u64,
            reached: 0,
            carrier: false,
            given: VecDeque::new(),
            held: VecDeque::new(),
            complained: VecDeque::new(),
            events: Vec::new(),
            pair_events: Vec::new(),
            zeros: vec![0.0; if second { piece } else { 0 }],
        })
    }

    /// Takes the next samples of the (first) input, full scale being -1 to 1, and appends what
    /// they told.
    pub fn process(&mut self, samples: &[f32], out: &mut Vec<PortEvent>) {
        for piece in samples.chunks(self.piece) {
            self.hear(Piece::Heard(piece), out);
        }
        self.keep_up(samples.len(), out);
    }

    /// Lets `samples` samples pass in which the port itself transmits.
    pub fn process_own_transmission(&mut self, samples: usize, out: &mut Vec<PortEvent>) {
        let mut left = samples;
        while left > 0 {
            let taken = left.min(self.piece);
            self.hear(Piece::Own(taken), out);
            left -= taken;
        }
        self.keep_up(samples, out);
    }

    /// Takes the next samples of the second input; the last of them was heard together with
    /// sample number `end` of the first input, as far as clocks can tell. While the port
    /// transmits, zeros are to be given. Without a second input nothing happens.
    pub fn process_second(&mut self, samples: &[f32], end: u64, out: &mut Vec<PortEvent>) {
        let Some(second) = &mut self.second else {
            return;
        };
        let place = second.place(samples.len(), end, self.reached, self.carrier);
        for ear in &mut self.ears {
            if let Ear::Pair(pair) = ear {
                pair.second_uncounted(second.off(), place.step);
            }
        }
        self.give_second(place.silence, &samples[place.taken], out);
    }

    /// The first input has given so many samples more: what the second has missed by far is
    /// silence, so that nobody waits for it.
    fn keep_up(&mut self, samples: usize, out: &mut Vec<PortEvent>) {
        let Some(second) = &mut self.second else {
            return;
        };
        second.piece(samples);
        let missing = second.missing(self.reached);
        if missing > 0 {
            self.give_second(missing, &[], out);
        }
    }

    fn give_second(&mut self, silence: usize, samples: &[f32], out: &mut Vec<PortEvent>) {
        let zeros = std::mem::take(&mut self.zeros);
        let mut left = silence;
        while left > 0 && !zeros.is_empty() {
            let some = left.min(zeros.len());
            self.hear_second(&zeros[..some], out);
            left -= some;
        }
        self.zeros = zeros;
        for piece in samples.chunks(self.piece) {
            self.hear_second(piece, out);
        }
    }

    fn hear_second(&mut self, piece: &[f32], out: &mut Vec<PortEvent>) {
        let mut edge = None;
        for index in 0..self.ears.len() {
            if let Ear::Pair(pair) = &mut self.ears[index] {
                pair.process([&[], piece], &mut self.pair_events);
            }
            self.sort_pair(index, &mut edge, out);
        }
        self.settle(edge, out);
    }

    fn hear(&mut self, piece: Piece<'_>, out: &mut Vec<PortEvent>) {
        let mut edge = None;
        for index in 0..self.ears.len() {
            match (&mut self.ears[index], piece) {
                (Ear::One(ear), Piece::Heard(samples)) => ear.process(samples, &mut self.events),
                (Ear::One(ear), Piece::Own(samples)) => {
                    ear.process_own_transmission(samples, &mut self.events);
                }
                (Ear::Pair(ear), Piece::Heard(samples)) => {
                    ear.process([samples, &[]], &mut self.pair_events);
                }
                (Ear::Pair(ear), Piece::Own(samples)) => {
                    ear.process_own_transmission(samples, &mut self.pair_events);
                }
            }
            self.sort_pair(index, &mut edge, out);
            let mut events = std::mem::take(&mut self.events);
            for event in events.drain(..) {
                self.sort(index, event, &mut edge, out);
            }
            self.events = events;
        }
        self.reached += match piece {
            Piece::Heard(samples) => samples.len() as u64,
            Piece::Own(samples) => samples as u64,
        };
        self.settle(edge, out);
    }

    /// Sorts what a pair told.
    fn sort_pair(&mut self, index: usize, edge: &mut Option<Edge>, out: &mut Vec<PortEvent>) {
        let mut events = std::mem::take(&mut self.pair_events);
        for event in events.drain(..) {
            match event {
                PairEvent::Frame {
                    octets,
                    report,
                    heard_on,
                } => self.frame(index, octets, report, Some(heard_on), out),
                PairEvent::Input { input, event } => match (input, &event) {
                    (Input::First, _)
                    | (_, ReceiverEvent::Carrier { .. } | ReceiverEvent::Unreadable { .. }) => {
                        self.sort(index, event, edge, out);
                    }
                    // Levels, kind of sound and advice on tuning are those of the first input.
                    (Input::Second, _) => {}
                },
            }
        }
        self.pair_events = events;
    }

    fn sort(
        &mut self,
        index: usize,
        event: ReceiverEvent,
        edge: &mut Option<Edge>,
        out: &mut Vec<PortEvent>,
    ) {
        match event {
            ReceiverEvent::Frame { octets, report } => {
                self.frame(index, octets, report, None, out);
            }
            ReceiverEvent::Carrier { .. } if self.is_plain() => out.push(PortEvent::Other(event)),
            ReceiverEvent::Carrier { on, at } => *edge = Some(Edge { on, at }),
            ReceiverEvent::Unreadable { ref report, .. } if !self.is_plain() => {
                let place = span(report);
                self.hold(event, place);
            }
            ReceiverEvent::Tones(ref tones) if !self.is_plain() => {
                let place = (tones.start, tones.end);
                self.hold(event, place);
            }
            ReceiverEvent::Energy { .. } if index > 0 => {}
            ReceiverEvent::Sound(_) => {
                let sound = self.sound();
                out.extend(sound.map(|s| PortEvent::Other(ReceiverEvent::Sound(s))));
            }
            event => out.push(PortEvent::Other(event)),
        }
    }

    /// One line, one input: nothing has to be brought together.
    fn is_plain(&self) -> bool {
        self.ears.len() == 1 && self.second.is_none()
    }

    fn frame(
        &mut self,
        index: usize,
        octets: Vec<u8>,
        report: ReceptionReport,
        heard_on: Option<HeardOn>,
        out: &mut Vec<PortEvent>,
    ) {
        let line = self.ears[index].line();
        let place = span(&report);
        let here = |g: &&Given| same_place(g.place, place);
        if let Some(known) = self.given.iter().filter(here).find(|g| g.octets == octets) {
            if known.line != line {
                out.push(PortEvent::Copy { octets, line });
            }
            return;
        }
        // Where another line has read a frame of this length, a mended one is a mistake.
        let as_long = |g: &Given| length(g.place).abs_diff(length(place)) < length(place) / 8;
        let rival = |g: &Given| g.line != line && as_long(g);
        if report.repaired_bits > 0 && self.given.iter().filter(here).any(rival) {
            return;
        }
        let given = Given {
            octets: octets.clone(),
            place,
            line,
        };
        remember_most(&mut self.given, given, REMEMBERED);
        out.push(PortEvent::Frame {
            octets,
            report,
            line,
            heard_on,
        });
    }

    fn hold(&mut self, event: ReceiverEvent, place: Span) {
        let slowest = self.ears.iter().map(Ear::delay).max().unwrap_or(0);
        let held = Held {
            event,
            place,
            from: self.reached + slowest as u64,
            until: self.reached + self.longest_hold,
        };
        remember_most(&mut self.held, held, MOST_HELD);
    }

    /// All lines have heard a piece: tells of the carrier, and of what nobody has read.
    fn settle(&mut self, edge: Option<Edge>, out: &mut Vec<PortEvent>) {
        if self.is_plain() {
            self.carrier = self.ears.iter().any(Ear::carrier);
            return;
        }
        let on = self.ears.iter().any(Ear::carrier);
        if on != self.carrier {
            self.carrier = on;
            let at = edge.filter(|edge| edge.on == on).map(|edge| edge.at);
            let at = at.unwrap_or(SampleCount(self.reached));
            out.push(PortEvent::Other(ReceiverEvent::Carrier { on, at }));
        }
        if self.held.is_empty() {
            return;
        }
        let open = self.ears.iter().filter_map(Ear::open_since).min();
        let (given, reached) = (&self.given, self.reached);
        self.held
            .retain(|held| given.iter().all(|g| shared(g.place, held.place) == 0));
        let ripe = |held: &Held| {
            let waits = open.is_some_and(|open| open <= held.place.1);
            held.until <= reached || (held.from <= reached && !waits)
        };
        while let Some(index) = self.held.iter().position(ripe) {
            let Some(held) = self.held.remove(index) else {
                break;
            };
            let told = self.complained.iter().any(|c| shared(*c, held.place) > 0);
            if !told {
                remember_most(&mut self.complained, held.place, MOST_HELD);
                out.push(PortEvent::Other(held.event));
            }
        }
    }

    /// The lines on which data is heard now, and on which inputs: the first, the second.
    pub fn carriers(&self) -> impl Iterator<Item = (Line, [bool; 2])> + '_ {
        let each = self.ears.iter().map(|ear| (ear.line(), ear.carriers()));
        each.filter(|(_, on)| on.contains(&true))
    }

    /// What is heard on the first input. Data of any line that is listened to is own data.
    fn sound(&self) -> Option<ChannelSound> {
        let mut sounds = self.ears.iter().map(Ear::sound);
        let first = sounds.next()?;
        let own = |s: &ChannelSound| s.kind == super::SoundKind::OwnData;
        if own(&first) {
            return Some(first);
        }
        Some(sounds.find(own).unwrap_or(first))
    }

    /// The level of whatever comes in at the first input, now, dB below a full-scale sine; -120
    /// is silence.
    pub fn level_dbfs(&self) -> f32 {
        self.ears.first().map_or(-120.0, |ear| match ear {
            Ear::One(ear) => ear.level_dbfs(),
            Ear::Pair(ear) => ear.first().level_dbfs(),
        })
    }
}

/// Data begins or ends to be heard on one line.
#[derive(Clone, Copy)]
struct Edge {
    on: bool,
    at: SampleCount,
}

impl Ear {
    fn line(&self) -> Line {
        match self {
            Ear::One(ear) => ear.line(),
            Ear::Pair(ear) => ear.first().line(),
        }
    }

    fn carriers(&self) -> [bool; 2] {
        match self {
            Ear::One(ear) => [ear.carrier(), false],
            Ear::Pair(ear) => ear.carriers(),
        }
    }

    fn carrier(&self) -> bool {
        self.carriers().contains(&true)
    }

    fn delay(&self) -> usize {
        match self {
            Ear::One(ear) => ear.delay(),
            Ear::Pair(ear) => ear.delay(),
        }
    }

    fn open_since(&self) -> Option<SampleCount> {
        match self {
            Ear::One(ear) => ear.open_since(),
            Ear::Pair(ear) => ear.open_since(),
        }
    }

    fn sound(&self) -> ChannelSound {
        match self {
            Ear::One(ear) => ear.sound(),
            Ear::Pair(ear) => ear.first().sound(),
        }
    }
}
