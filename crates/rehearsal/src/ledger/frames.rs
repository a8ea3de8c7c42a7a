//! The fate of every frame at every station within reach.
//!
//! A frame counts as read if the receiving station shows it with the same octets at about the
//! same time. If not, the air is asked: did the receiver transmit itself, was another
//! transmission to be heard there, or was there nothing but noise?

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use dunlin_air::{Cause, Reception};
use dunlin_clock::Instant;
use dunlin_station::{Block, BlockKind};

use crate::scenario::Loss;

/// After its end a frame has this long to come out of the receivers, ms. Their filters and the
/// driver's steps take well under a tenth of it.
const GRACE_MS: u64 = 2500;
/// A frame read this long ago that nobody sent is taken for invented, ms.
const ORPHAN_MS: u64 = 30_000;
/// Numbers of blocks remembered for each station, so that none is counted twice.
const MOST_DONE: usize = 512;
/// Different senders counted at most; more can only come from invented frames.
const MOST_SENDERS: usize = 4096;

/// What was a receiver up against in a certain time?
#[derive(Clone, Copy, Debug)]
pub struct Question {
    /// Band.
    pub band: usize,
    /// The station that sent.
    pub from: usize,
    /// The station that should have heard it.
    pub to: usize,
    /// Begin of the time, ms.
    pub start_ms: u64,
    /// End of the time, ms.
    pub end_ms: u64,
}

/// How many frames, and what became of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// Frames sent.
    pub sent: u64,
    /// Frames times stations within reach.
    pub in_reach: u64,
    /// Of these: read without error.
    pub read: u64,
    /// Of those read: with another transmission at the same time.
    pub read_in_spite: u64,
    /// Lost with nothing else on the air.
    pub noise: u64,
    /// Lost to another transmission.
    pub collision: u64,
    /// Lost because the receiver transmitted itself.
    pub own_transmission: u64,
}

impl Tally {
    fn add(&mut self, fate: &Fate) {
        self.in_reach += 1;
        match fate.lost {
            None => self.read += 1,
            Some(Loss::Noise) => self.noise += 1,
            Some(Loss::Collision) => self.collision += 1,
            Some(Loss::OwnTransmission) => self.own_transmission += 1,
        }
        self.read_in_spite += u64::from(fate.lost.is_none() && fate.overlapped);
    }

    /// Losses for one reason.
    pub fn lost(&self, why: Loss) -> u64 {
        match why {
            Loss::Noise => self.noise,
            Loss::Collision => self.collision,
            Loss::OwnTransmission => self.own_transmission,
        }
    }
}

/// What a station read of another, by the sender in the address field.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Between {
    /// Frames heard from the sender itself.
    pub direct: u64,
    /// Frames heard from a digipeater.
    pub relayed: u64,
}

/// What became of a frame at one station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fate {
    /// The receiving station.
    pub station: usize,
    /// Why it was lost; `None` = it was read.
    pub lost: Option<Loss>,
    /// Another transmission was to be heard there meanwhile.
    pub overlapped: bool,
}

/// A judgement of the ledger.
#[derive(Clone, Debug)]
pub enum Ledgered {
    /// A frame that was sent, and its fate at every station within reach.
    Sent {
        /// Band.
        band: usize,
        /// The station that sent it.
        station: usize,
        /// The frame as its sender shows it.
        block: Block,
        /// Its fate, by the number of the receiving station.
        fates: Vec<Fate>,
    },
    /// A frame that a station read and that nobody sent.
    NobodySent {
        /// Band.
        band: usize,
        /// The station that read it.
        station: usize,
        /// The frame as the station shows it.
        block: Block,
    },
}

/// One band's part of the ledger.
#[derive(Debug)]
struct BandPage {
    /// By sender: the stations within reach.
    reach: BTreeMap<usize, Vec<usize>>,
    sent: BTreeMap<(u64, usize, u64), Block>,
    heard: BTreeMap<(usize, u64), Block>,
    tally: Tally,
    pairs: BTreeMap<(usize, usize), Tally>,
}

/// The ledger of frames.
#[derive(Debug)]
pub struct FrameLedger {
    bands: Vec<BandPage>,
    /// By station: blocks that are settled.
    done: BTreeMap<usize, BTreeSet<u64>>,
    heard: BTreeMap<(usize, String), Between>,
    nobody_sent: u64,
    judged: VecDeque<Ledgered>,
}

impl FrameLedger {
    /// An empty ledger. `reach` holds for each band, by sender, the stations that its signal
    /// reaches at all.
    pub fn new(reach: Vec<BTreeMap<usize, Vec<usize>>>) -> FrameLedger {
        let page = |reach| BandPage {
            reach,
            sent: BTreeMap::new(),
            heard: BTreeMap::new(),
            tally: Tally::default(),
            pairs: BTreeMap::new(),
        };
        FrameLedger {
            bands: reach.into_iter().map(page).collect(),
            done: BTreeMap::new(),
            heard: BTreeMap::new(),
            nobody_sent: 0,
            judged: VecDeque::new(),
        }
    }

    /// Notes what a station shows on its strip.
    pub fn block(&mut self, band: usize, station: usize, block: &Block) {
        let Some(end) = block.end_ms else { return };
        if block.octets.is_empty() || self.done.entry(station).or_default().contains(&block.id) {
            return;
        }
        match block.kind {
            BlockKind::Sent => {
                let page = &mut self.bands[band];
                page.sent.insert((end, station, block.id), block.clone());
            }
            BlockKind::Heard => {
                let page = &mut self.bands[band];
                let again = page
                    .heard
                    .insert((station, block.id), block.clone())
                    .is_some();
                if !again {
                    self.count_sender(station, block);
                }
                return;
            }
            BlockKind::Unreadable | BlockKind::Busy => return,
        }
        self.settle(station, block.id);
    }

    /// Judges all frames whose time is over at `now`. `air` tells what a receiver was up against.
    pub fn advance(&mut self, now: Instant, air: &impl Fn(Question) -> Reception) {
        let now = now.as_millis();
        for band in 0..self.bands.len() {
            while let Some((&key, _)) = self.bands[band].sent.first_key_value() {
                if key.0 + GRACE_MS > now {
                    break;
                }
                if let Some(block) = self.bands[band].sent.remove(&key) {
                    self.judge(band, key.1, block, air);
                }
            }
            self.orphans(band, now);
        }
    }

    /// The next judgement.
    pub fn poll(&mut self) -> Option<Ledgered> {
        self.judged.pop_front()
    }

    /// What became of the frames on `band`.
    pub fn tally(&self, band: usize) -> Tally {
        self.bands[band].tally
    }

    /// What became on `band` of the frames that `from` transmitted at `to`.
    pub fn pair(&self, band: usize, from: usize, to: usize) -> Tally {
        self.bands[band]
            .pairs
            .get(&(from, to))
            .copied()
            .unwrap_or_default()
    }

    /// What `by` read of frames whose address field names `sender`.
    pub fn heard(&self, by: usize, sender: &str) -> Between {
        self.heard
            .get(&(by, sender.to_owned()))
            .copied()
            .unwrap_or_default()
    }

    /// Frames sent on `band` that are too young to be judged.
    pub fn open(&self, band: usize) -> u64 {
        self.bands[band].sent.len() as u64
    }

    /// Frames read that nobody sent.
    pub fn nobody_sent(&self) -> u64 {
        self.nobody_sent
    }

    fn count_sender(&mut self, station: usize, block: &Block) {
        let key = (station, block.from.clone());
        if self.heard.len() >= MOST_SENDERS && !self.heard.contains_key(&key) {
            return;
        }
        let between = self.heard.entry(key).or_default();
        match block.via.iter().any(|v| v.ends_with('*')) {
            true => between.relayed += 1,
            false => between.direct += 1,
        }
    }

    fn settle(&mut self, station: usize, id: u64) {
        let done = self.done.entry(station).or_default();
        done.insert(id);
        if done.len() > MOST_DONE {
            done.pop_first();
        }
    }

    fn judge(
        &mut self,
        band: usize,
        station: usize,
        block: Block,
        air: &impl Fn(Question) -> Reception,
    ) {
        let (start_ms, end_ms) = (block.start_ms, block.end_ms.unwrap_or(block.start_ms));
        let page = &mut self.bands[band];
        page.tally.sent += 1;
        let receivers = page.reach.get(&station).cloned().unwrap_or_default();
        let mut fates = Vec::with_capacity(receivers.len());
        for receiver in receivers {
            let page = &mut self.bands[band];
            let claimed = page.claim(receiver, &block);
            let question = Question {
                band,
                from: station,
                to: receiver,
                start_ms,
                end_ms,
            };
            let Some(fate) = fate(receiver, claimed.is_some(), air(question)) else {
                continue;
            };
            page.tally.add(&fate);
            let pair = page.pairs.entry((station, receiver)).or_default();
            pair.sent += 1;
            pair.add(&fate);
            fates.push(fate);
            if let Some(id) = claimed {
                self.settle(receiver, id);
            }
        }
        self.judged.push_back(Ledgered::Sent {
            band,
            station,
            block,
            fates,
        });
    }

    fn orphans(&mut self, band: usize, now: u64) {
        let page = &mut self.bands[band];
        let old = |block: &Block| block.end_ms.unwrap_or(block.start_ms) + ORPHAN_MS < now;
        let keys: Vec<_> = page
            .heard
            .iter()
            .filter(|(_, b)| old(b))
            .map(|(&k, _)| k)
            .collect();
        for key in keys {
            let Some(block) = self.bands[band].heard.remove(&key) else {
                continue;
            };
            self.settle(key.0, key.1);
            self.nobody_sent += 1;
            self.judged.push_back(Ledgered::NobodySent {
                band,
                station: key.0,
                block,
            });
        }
    }
}

impl BandPage {
    /// Takes away the reading of `sent` at `receiver` and returns its number.
    fn claim(&mut self, receiver: usize, sent: &Block) -> Option<u64> {
        let window = sent.start_ms..=sent.end_ms.unwrap_or(sent.start_ms) + GRACE_MS;
        let of_receiver = self.heard.range((receiver, 0)..=(receiver, u64::MAX));
        let fits = |block: &Block| {
            block.octets == sent.octets && window.contains(&block.end_ms.unwrap_or(block.start_ms))
        };
        let (&key, _) = of_receiver.into_iter().find(|(_, block)| fits(block))?;
        self.heard.remove(&key);
        Some(key.1)
    }
}

/// What became of a frame at `station`, which was up against `reception`; `None` if the path was not
/// open at the time.
fn fate(station: usize, read: bool, reception: Reception) -> Option<Fate> {
    let lost = match reception.likeliest_cause() {
        _ if read => None,
        Cause::OwnTransmission => Some(Loss::OwnTransmission),
        Cause::Collision => Some(Loss::Collision),
        Cause::Noise => Some(Loss::Noise),
        Cause::NoPath => return None,
    };
    Some(Fate {
        station,
        lost,
        overlapped: reception.rival.is_some(),
    })
}

#[cfg(test)]
mod tests {
    use dunlin_air::Rival;
    use dunlin_station::PortId;

    use super::*;

    /// Station 0 reaches 1 and 2.
    fn ledger() -> FrameLedger {
        FrameLedger::new(vec![BTreeMap::from([(0, vec![1, 2])])])
    }

    fn block(id: u64, kind: BlockKind, end_ms: u64, octets: &[u8]) -> Block {
        Block {
            id,
            port: PortId(0),
            kind,
            start_ms: end_ms - 500,
            end_ms: Some(end_ms),
            from: "QA1SKY".into(),
            to: "CQ".into(),
            via: Vec::new(),
            what: String::new(),
            text: String::new(),
            octets: octets.to_vec(),
            level_dbfs: None,
            offset_hz: None,
            twist_db: None,
            snr_db: None,
            why: None,
            line: None,
            heard_on: None,
            guess: None,
        }
    }

    fn quiet(_: Question) -> Reception {
        Reception {
            level_db: Some(20.0),
            deaf: 0,
            rival: None,
        }
    }

    fn fates(ledger: &mut FrameLedger) -> Vec<Fate> {
        match ledger.poll() {
            Some(Ledgered::Sent { fates, .. }) => fates,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_frame_is_judged_once_at_each_station_in_reach() {
        let mut ledger = ledger();
        for _ in 0..2 {
            ledger.block(0, 0, &block(7, BlockKind::Sent, 1000, b"abc"));
            ledger.block(0, 1, &block(3, BlockKind::Heard, 1020, b"abc"));
        }
        ledger.block(0, 2, &block(4, BlockKind::Heard, 1020, b"abd"));
        ledger.advance(Instant::from_millis(2000), &quiet);
        assert!(ledger.poll().is_none(), "its time is not over");
        ledger.advance(Instant::from_millis(4000), &quiet);
        let read = Fate {
            station: 1,
            lost: None,
            overlapped: false,
        };
        let lost = Fate {
            station: 2,
            lost: Some(Loss::Noise),
            overlapped: false,
        };
        assert_eq!(fates(&mut ledger), [read, lost]);
        ledger.block(0, 0, &block(7, BlockKind::Sent, 1000, b"abc"));
        ledger.advance(Instant::from_millis(40_000), &quiet);
        let tally = ledger.tally(0);
        assert_eq!(
            (tally.sent, tally.in_reach, tally.read, tally.noise),
            (1, 2, 1, 1)
        );
        assert!(matches!(
            ledger.poll(),
            Some(Ledgered::NobodySent { station: 2, .. })
        ));
        assert_eq!(ledger.nobody_sent(), 1);
    }

    #[test]
    fn losses_have_the_reason_that_the_air_tells() {
        let mut ledger = ledger();
        let rival = Some(Rival {
            station: 2,
            level_db: 10.0,
            overlap: 50,
        });
        let air = |q: Question| {
            assert_eq!((q.from, q.start_ms, q.end_ms), (0, 500, 1000));
            Reception {
                deaf: u64::from(q.to == 2),
                rival,
                ..quiet(q)
            }
        };
        ledger.block(0, 0, &block(1, BlockKind::Sent, 1000, b"abc"));
        ledger.advance(Instant::from_millis(4000), &air);
        let lost: Vec<_> = fates(&mut ledger).iter().map(|f| f.lost).collect();
        assert_eq!(lost, [Some(Loss::Collision), Some(Loss::OwnTransmission)]);
    }

    #[test]
    fn the_same_octets_sent_twice_need_two_readings() {
        let mut ledger = ledger();
        ledger.block(0, 0, &block(1, BlockKind::Sent, 1000, b"abc"));
        ledger.block(0, 0, &block(2, BlockKind::Sent, 1600, b"abc"));
        ledger.block(0, 1, &block(1, BlockKind::Heard, 1610, b"abc"));
        ledger.advance(Instant::from_millis(9000), &quiet);
        assert_eq!(ledger.pair(0, 0, 1).read, 1);
        assert_eq!(ledger.pair(0, 0, 1).noise, 1);
    }
}
