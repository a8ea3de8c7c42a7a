//! What a port repeats for others, and what it does not: once only, within limits, not for whom is
//! muted.

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};
use serde::Serialize;

use crate::config::DigipeatLimits;
use crate::rejects::{Allowance, RejectKind};

/// An unnumbered frame to all that was repeated is not repeated again for so long. A frame of a link is
/// only left out while its copy still waits: later it is sent again because it was missed. Common
/// practice, no source.
const REMEMBERED: Duration = Duration::from_secs(30);
/// Frames that are remembered, at most.
const MOST_REMEMBERED: usize = 256;
/// Senders whose frames are counted, at most.
const MOST_SENDERS: usize = 512;
/// Of the frames of links so many times as many are repeated: text and answers come and go many times a minute.
const OF_LINKS: u32 = 10;
/// Whoever goes so often beyond the limits within ten minutes is muted.
const MOST_BEYOND: u32 = 40;
const COUNTED_FOR: Duration = Duration::from_secs(600);
/// For how long.
pub(crate) const MUTED_FOR: Duration = Duration::from_secs(15 * 60);

/// A frame that somebody wants to have repeated.
pub(crate) struct Wanted<'a> {
    /// Its octets, without the marks of who has repeated it: copies of other digipeaters are the same
    /// frame.
    pub octets: &'a [u8],
    /// Its sender, without SSID.
    pub sender: CallSign,
    /// Digipeaters in its path.
    pub hops: usize,
    /// It is of no link (UI).
    pub to_all: bool,
    /// The copy that would be sent waits already.
    pub waits: bool,
}

/// Why something is not repeated.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Refused {
    /// For this reason, in words.
    For(RejectKind, String),
    /// The sender went beyond the limits for too long and is to be muted.
    Mute(String),
}

#[derive(Debug)]
struct Sender {
    to_all: Allowance,
    of_links: Allowance,
    beyond: u32,
    counting: Instant,
}

/// What one port has repeated lately.
#[derive(Debug)]
pub(crate) struct Digipeater {
    limits: DigipeatLimits,
    to_all: Allowance,
    of_links: Allowance,
    senders: BTreeMap<CallSign, Sender>,
    repeated: VecDeque<(Instant, Vec<u8>)>,
}

impl Digipeater {
    pub fn new(limits: DigipeatLimits) -> Self {
        Digipeater {
            limits,
            to_all: a_minute(limits.port_a_minute.into()),
            of_links: a_minute(OF_LINKS * u32::from(limits.port_a_minute)),
            senders: BTreeMap::new(),
            repeated: VecDeque::new(),
        }
    }

    /// Whether a frame may be repeated now; then it counts as repeated.
    pub fn take(&mut self, now: Instant, wanted: &Wanted<'_>) -> Result<(), Refused> {
        let most = usize::from(self.limits.most_hops);
        if wanted.hops > most {
            let words = format!(
                "a frame of {} asks for {} digipeaters; this port repeats for at most {most}",
                wanted.sender, wanted.hops
            );
            return Err(Refused::For(RejectKind::TooManyHops, words));
        }
        while self
            .repeated
            .front()
            .is_some_and(|(at, _)| now.since(*at) >= REMEMBERED)
        {
            self.repeated.pop_front();
        }
        let known = wanted.to_all && self.repeated.iter().any(|(_, o)| o == wanted.octets);
        if wanted.waits || known {
            let words = format!(
                "a frame of {} was heard twice and is repeated once",
                wanted.sender
            );
            return Err(Refused::For(RejectKind::RepeatedAlready, words));
        }
        self.within_limits(now, wanted)?;
        if wanted.to_all {
            if self.repeated.len() == MOST_REMEMBERED {
                self.repeated.pop_front();
            }
            self.repeated.push_back((now, wanted.octets.to_vec()));
        }
        Ok(())
    }

    fn within_limits(&mut self, now: Instant, wanted: &Wanted<'_>) -> Result<(), Refused> {
        if self.senders.len() >= MOST_SENDERS && !self.senders.contains_key(&wanted.sender) {
            self.senders
                .retain(|_, s| now.since(s.counting) < COUNTED_FOR);
            if self.senders.len() >= MOST_SENDERS {
                self.senders.clear(); // So many at once are no persons.
            }
        }
        let user = u32::from(self.limits.user_a_minute);
        let sender = self.senders.entry(wanted.sender).or_insert_with(|| Sender {
            to_all: a_minute(user),
            of_links: a_minute(OF_LINKS * user),
            beyond: 0,
            counting: now,
        });
        if now.since(sender.counting) >= COUNTED_FOR {
            (sender.beyond, sender.counting) = (0, now);
        }
        let (allowance, port, most) = match wanted.to_all {
            true => (&mut sender.to_all, &mut self.to_all, user),
            false => (&mut sender.of_links, &mut self.of_links, OF_LINKS * user),
        };
        if !allowance.take(now) {
            // A link sends again what was not repeated; only what is for all counts as a flood.
            sender.beyond += u32::from(wanted.to_all);
            let words = format!(
                "{} asks for more than {most} repeats in a minute",
                wanted.sender
            );
            return Err(match sender.beyond {
                MOST_BEYOND if wanted.to_all => {
                    sender.beyond = 0;
                    Refused::Mute(words)
                }
                _ => Refused::For(RejectKind::TooManyRepeats, words),
            });
        }
        if !port.take(now) {
            let most = u32::from(self.limits.port_a_minute);
            let most = if wanted.to_all { most } else { OF_LINKS * most };
            let words = format!(
                "a frame of {} was not repeated: this port repeats at most {most} in a minute",
                wanted.sender
            );
            return Err(Refused::For(RejectKind::TooManyRepeats, words));
        }
        Ok(())
    }
}

/// So many in a minute on average, a quarter of them at once.
fn a_minute(most: u32) -> Allowance {
    let most = most.max(1);
    Allowance::new(most.div_ceil(4), Duration::from_secs(60) / most)
}

/// Somebody for whom nothing is repeated or carried for a while, whatever the SSID.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct MuteView {
    /// Who; the SSID is 0.
    pub call: CallSign,
    /// Until when, ms.
    pub until_ms: u64,
    /// Who muted it.
    pub by: String,
    /// Why; may be empty.
    pub why: String,
    /// The station did it: only digipeating is off.
    pub by_itself: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: DigipeatLimits = DigipeatLimits {
        most_hops: 2,
        user_a_minute: 24,
        port_a_minute: 80,
    };

    fn call(text: &str) -> CallSign {
        text.parse().expect("a call sign")
    }

    fn frame(octets: &[u8], to_all: bool) -> Wanted<'_> {
        Wanted {
            octets,
            sender: call("QM3BAR"),
            hops: 1,
            to_all,
            waits: false,
        }
    }

    fn kind(result: Result<(), Refused>) -> Option<RejectKind> {
        match result {
            Ok(()) => None,
            Err(Refused::For(kind, _)) => Some(kind),
            Err(Refused::Mute(_)) => panic!("muted"),
        }
    }

    #[test]
    fn a_frame_to_all_goes_once_in_half_a_minute_and_one_of_a_link_as_often_as_it_is_sent() {
        let mut digipeater = Digipeater::new(LIMITS);
        let mut take = |s: u64, wanted| kind(digipeater.take(Instant::from_secs(s), &wanted));
        assert_eq!(take(0, frame(b"news", true)), None);
        let again = Some(RejectKind::RepeatedAlready);
        assert_eq!(take(29, frame(b"news", true)), again);
        assert_eq!(take(30, frame(b"news", true)), None);
        assert_eq!(take(31, frame(b"link", false)), None);
        assert_eq!(take(35, frame(b"link", false)), None);
        let waits = Wanted {
            waits: true,
            ..frame(b"link", false)
        };
        assert_eq!(take(36, waits), again);
    }

    #[test]
    fn a_long_path_is_not_repeated() {
        let mut digipeater = Digipeater::new(LIMITS);
        let far = Wanted {
            hops: 3,
            ..frame(b"far", true)
        };
        let told = digipeater.take(Instant::ZERO, &far);
        assert_eq!(kind(told), Some(RejectKind::TooManyHops));
    }

    #[test]
    fn each_user_and_the_port_have_their_limits_and_who_does_not_stop_is_muted() {
        let mut digipeater = Digipeater::new(LIMITS);
        let mut number = 0_u32;
        let mut take = |s: u64, sender: &str| {
            number += 1;
            let octets = number.to_be_bytes();
            let wanted = Wanted {
                sender: call(sender),
                ..frame(&octets, true)
            };
            digipeater.take(Instant::from_secs(s), &wanted)
        };
        let ok = (0..10).filter(|_| take(0, "QM3BAR").is_ok()).count();
        assert_eq!(ok, 6);
        let ok = (0..6).filter(|_| take(0, "QF1BOT").is_ok()).count();
        assert_eq!(ok, 6);
        let others = ["QC5LEE", "QB4COV", "QE7SKE"];
        let ok = others
            .iter()
            .flat_map(|c| [c; 4])
            .filter(|c| take(0, c).is_ok());
        assert_eq!(ok.count(), 8, "the port repeats twenty");
        let muted = (0..60).filter(|_| matches!(take(1, "QM3BAR"), Err(Refused::Mute(_))));
        assert_eq!(muted.count(), 1);
    }

    #[test]
    fn a_busy_link_is_no_flood() {
        let mut digipeater = Digipeater::new(LIMITS);
        let mut refused = 0;
        // Three frames a second for ten minutes, of which the limit lets four through.
        for n in 0..1800_u32 {
            let octets = n.to_be_bytes();
            let at = Instant::from_millis(u64::from(n) * 333);
            match digipeater.take(at, &frame(&octets, false)) {
                Err(Refused::Mute(words)) => panic!("{words}"),
                other => refused += u32::from(other.is_err()),
            }
        }
        assert_eq!(refused, 0);
    }

    #[test]
    fn any_number_of_senders_takes_bounded_memory() {
        let mut digipeater = Digipeater::new(LIMITS);
        for n in 0..5000_u32 {
            let octets = n.to_be_bytes();
            let wanted = Wanted {
                sender: call(&format!("QA{n}")),
                ..frame(&octets, true)
            };
            let _ = digipeater.take(Instant::from_millis(u64::from(n)), &wanted);
            assert!(digipeater.senders.len() <= MOST_SENDERS);
            assert!(digipeater.repeated.len() <= MOST_REMEMBERED);
        }
    }
}
