//! What is remembered of the stations that were talked with, for the next talk.

use std::collections::BTreeMap;

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};

use crate::event::PortId;
use crate::pace::Kept;

/// Stations remembered; the one not talked with for longest is forgotten first.
const MOST: usize = 256;
/// What was lost says nothing of the channel after so long.
const LOSS_LASTS: Duration = Duration::from_secs(12 * 3600);
/// A station that did not know version 2.2 is asked again after so long.
const VERSION_LASTS: Duration = Duration::from_secs(24 * 3600);

#[derive(Clone, Copy, Debug)]
struct Peer {
    pace: Option<(Instant, Kept)>,
    /// When it was called by version 2.2 and answered by 2.0.
    refused: Option<Instant>,
    last: Instant,
}

/// The stations, by port.
#[derive(Debug, Default)]
pub(crate) struct Peers {
    of: BTreeMap<(PortId, CallSign), Peer>,
}

impl Peers {
    fn peer(&mut self, now: Instant, port: PortId, call: CallSign) -> &mut Peer {
        let key = (port, call);
        if self.of.len() >= MOST && !self.of.contains_key(&key) {
            let oldest = self.of.iter().min_by_key(|(_, p)| p.last).map(|(k, _)| *k);
            oldest.and_then(|oldest| self.of.remove(&oldest));
        }
        let peer = self.of.entry(key).or_insert(Peer {
            pace: None,
            refused: None,
            last: now,
        });
        peer.last = now;
        peer
    }

    /// How text went to it, at the end of a talk.
    pub(crate) fn keep_pace(&mut self, now: Instant, port: PortId, call: CallSign, kept: Kept) {
        self.peer(now, port, call).pace = Some((now, kept));
    }

    /// It was called by version 2.2: whether it knew that.
    pub(crate) fn keep_version(&mut self, now: Instant, port: PortId, call: CallSign, knew: bool) {
        self.peer(now, port, call).refused = (!knew).then_some(now);
    }

    /// How text went to it in the last talk.
    pub(crate) fn pace(&self, now: Instant, port: PortId, call: CallSign) -> Option<Kept> {
        let (at, kept) = self.of.get(&(port, call))?.pace?;
        (now.since(at) <= LOSS_LASTS).then_some(kept)
    }

    /// It need not be called by version 2.2: it did not know that of late.
    pub(crate) fn is_old(&self, now: Instant, port: PortId, call: CallSign) -> bool {
        let peer = self.of.get(&(port, call));
        let refused = peer.and_then(|p| p.refused);
        refused.is_some_and(|at| now.since(at) <= VERSION_LASTS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_station_not_talked_with_for_longest_is_forgotten() {
        let mut peers = Peers::default();
        let call = |n: usize| format!("QA{}{}X", n / 26 % 10, char::from(b'A' + (n % 26) as u8));
        let call = |n: usize| -> CallSign {
            format!("{}-{}", call(n), n % 16)
                .parse()
                .expect("call sign")
        };
        let first = "QM3BAR".parse().expect("call sign");
        peers.keep_version(Instant::ZERO, PortId(0), first, false);
        assert!(peers.is_old(Instant::from_secs(60), PortId(0), first));
        assert!(
            !peers.is_old(Instant::from_secs(60), PortId(1), first),
            "another port"
        );
        assert!(
            !peers.is_old(Instant::from_secs(90_000), PortId(0), first),
            "a day later"
        );
        for n in 0..MOST {
            peers.keep_version(Instant::from_secs(1 + n as u64), PortId(0), call(n), true);
        }
        assert!(peers.of.len() <= MOST);
        assert!(!peers.is_old(Instant::from_secs(600), PortId(0), first));
    }
}
