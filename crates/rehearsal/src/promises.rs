//! Whether a rehearsal kept what its scenario promised, judged from outside and with evidence.

use dunlin_ax25::CallSign;
use dunlin_station::TalkState;
use serde::Serialize;

use crate::driver::Rehearsal;
use crate::ledger::{Arrival, Delivery, Way};
use crate::scenario::{Loss, Promise};
use crate::timeline::clock;

/// Pieces of evidence for one promise, at most.
const MOST_EVIDENCE: usize = 8;

/// What became of one promise.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Verdict {
    /// The promise in words.
    pub promise: String,
    /// Whether it was kept.
    pub kept: bool,
    /// What was seen, one sentence each.
    pub evidence: Vec<String>,
}

/// Judges all promises, in the order of the scenario.
pub fn judge(rehearsal: &Rehearsal) -> Vec<Verdict> {
    let court = Court {
        rehearsal,
        deliveries: rehearsal.talks().deliveries(rehearsal.scenario()),
    };
    rehearsal
        .scenario()
        .promises
        .iter()
        .map(|p| court.judge(p))
        .collect()
}

struct Court<'a> {
    rehearsal: &'a Rehearsal,
    deliveries: Vec<Delivery>,
}

impl Court<'_> {
    fn judge(&self, promise: &Promise) -> Verdict {
        match promise {
            Promise::Delivered {
                from,
                to,
                through,
                both_ways,
                at_least,
            } => self.delivered((*from, *to, *through), *both_ways, *at_least),
            Promise::Heard {
                station,
                by,
                at_least,
            } => self.heard(*station, *by, *at_least),
            Promise::NeverHeard { station, by } => self.never_heard(*station, *by),
            Promise::Talked { from, to, at_least } => self.talked(*from, *to, *at_least),
            Promise::Decoded { band, at_least } => {
                let read = self.rehearsal.frames().tally(*band).read;
                let what = format!(
                    "frames are read at least {at_least} times on {}",
                    self.band(*band)
                );
                count(what, read, *at_least, "readings")
            }
            Promise::ReadShare { band, at_least } => self.read_share(*band, *at_least),
            Promise::Lost {
                band,
                why,
                at_least,
            } => self.lost(*band, *why, *at_least),
            Promise::Crossed { by, at_least } => self.crossed(*by, *at_least),
            Promise::Finished { person, at_least } => self.finished(person, *at_least),
            Promise::WordsAtEveryEnd => self.words_at_every_end(),
        }
    }

    fn delivered(
        &self,
        (from, to, through): (CallSign, CallSign, Option<CallSign>),
        both_ways: bool,
        at_least: u64,
    ) -> Verdict {
        let scenario = self.rehearsal.scenario();
        let ways = if both_ways { " and back" } else { "" };
        let by = through.map_or(String::new(), |t| format!(" through {t}"));
        let promise = format!(
            "text goes from {from} to {to}{ways}{by}, every octet as written, in at least {}",
            counted(at_least, "talk")
        );
        let (from, to) = (scenario.station(from), scenario.station(to));
        let through = through.map(|t| scenario.station(t));
        let meant = self.deliveries.iter().filter(|d| {
            Some(d.from_station) == from
                && Some(d.to_station) == to
                && through.is_none_or(|t| d.through_station == t)
                && through.is_some() == d.through_station.is_some()
        });
        let (mut good, mut evidence, mut seen, mut broken) = (0, Vec::new(), 0, false);
        for delivery in meant {
            seen += 1;
            let (there, back) = (&delivery.there, &delivery.back);
            let said = there.written > 0 && (!both_ways || back.written > 0);
            let arrivals = [there.arrival, back.arrival];
            good += u64::from(said && arrivals == [Arrival::Whole; 2]);
            broken |= arrivals.contains(&Arrival::Unlike);
            let opened = clock(delivery.opened_ms);
            let ways = [("there", there), ("back", back)];
            let words = ways.map(|(name, way)| way_words(name, way)).join(", ");
            evidence.push(format!("talk opened at {opened}: {words}"));
        }
        if seen == 0 {
            evidence.push("no such talk was ever open from end to end".into());
        }
        verdict(promise, good >= at_least && !broken, evidence)
    }

    fn heard(&self, station: CallSign, by: CallSign, at_least: u64) -> Verdict {
        let promise = format!(
            "{by} reads at least {} of {station}",
            counted(at_least, "frame")
        );
        let scenario = self.rehearsal.scenario();
        let Some(reader) = scenario.station(by) else {
            return unknown(promise, by);
        };
        let between = self.rehearsal.frames().heard(reader, &station.to_string());
        let mut evidence = vec![format!(
            "{} read directly, {} from a digipeater",
            between.direct, between.relayed
        )];
        if let Some(sender) = scenario.owner(station) {
            for (number, band) in scenario.bands.iter().enumerate() {
                let tally = self.rehearsal.frames().pair(number, sender, reader);
                if tally.sent > 0 {
                    evidence.push(format!(
                        "{}: of {} sent within reach {} read, lost: {} noise, {} collision, {} own transmission",
                        band.name, tally.sent, tally.read, tally.noise, tally.collision,
                        tally.own_transmission
                    ));
                }
            }
        }
        verdict(
            promise,
            between.direct + between.relayed >= at_least,
            evidence,
        )
    }

    fn never_heard(&self, station: CallSign, by: CallSign) -> Verdict {
        let promise = format!("{by} never reads a frame of {station} directly");
        let Some(reader) = self.rehearsal.scenario().station(by) else {
            return unknown(promise, by);
        };
        let between = self.rehearsal.frames().heard(reader, &station.to_string());
        let evidence = vec![format!(
            "{} read directly, {} from a digipeater",
            between.direct, between.relayed
        )];
        verdict(promise, between.direct == 0, evidence)
    }

    fn talked(&self, from: CallSign, to: CallSign, at_least: u64) -> Verdict {
        let promise = format!(
            "{from} calls {to} and is answered at least {}",
            times(at_least)
        );
        let Some(caller) = self.rehearsal.scenario().station(from) else {
            return unknown(promise, from);
        };
        let (mut answered, mut evidence) = (0, Vec::new());
        let talks = self.rehearsal.talks();
        for talk in talks
            .of(caller)
            .filter(|t| !t.view.incoming && t.view.remote == to)
        {
            answered += u64::from(talk.open_ms.is_some());
            let opened = clock(talk.view.opened_ms);
            evidence.push(format!("called at {opened}: {}", talk.view.words));
        }
        if evidence.is_empty() {
            evidence.push("it was never called".into());
        }
        verdict(promise, answered >= at_least, evidence)
    }

    fn read_share(&self, band: usize, at_least: u64) -> Verdict {
        let name = self.band(band);
        let promise = format!(
            "at least {at_least} % of the frames that only noise could spoil are read on {name}"
        );
        let tally = self.rehearsal.frames().tally(band);
        let clear = tally.read + tally.noise;
        let evidence = vec![format!("{} of {clear} read", tally.read)];
        verdict(
            promise,
            clear > 0 && tally.read * 100 >= clear * at_least,
            evidence,
        )
    }

    fn lost(&self, band: usize, why: Loss, at_least: u64) -> Verdict {
        let lost = self.rehearsal.frames().tally(band).lost(why);
        let promise = format!(
            "on {} at least {} lost to {}",
            self.band(band),
            counted(at_least, "frame"),
            why.words()
        );
        count(
            promise,
            lost,
            at_least,
            "lost, counted at each station that could have read them",
        )
    }

    fn crossed(&self, by: CallSign, at_least: u64) -> Verdict {
        let promise = format!("{by} carries visitors across at least {}", times(at_least));
        let Some(station) = self.rehearsal.scenario().station(by) else {
            return unknown(promise, by);
        };
        let (mut used, mut evidence) = (0, Vec::new());
        for crossing in self
            .rehearsal
            .talks()
            .crossings()
            .filter(|c| c.station == station)
        {
            used += u64::from(crossing.used);
            let visitor = crossing
                .view
                .near
                .remote
                .map_or("nobody".into(), |c| c.to_string());
            let opened = clock(crossing.view.opened_ms);
            evidence.push(format!("{visitor} at {opened}: {}", crossing.view.words));
        }
        if evidence.is_empty() {
            evidence.push("nobody called the crossing".into());
        }
        verdict(promise, used >= at_least, evidence)
    }

    fn finished(&self, person: &str, at_least: u64) -> Verdict {
        let promise = format!("{person} comes to the end at least {}", times(at_least));
        let mut people = self.rehearsal.people().iter();
        match people.find(|p| p.plan().name == person) {
            Some(p) => {
                let evidence = format!("{} finished, {} given up", p.finished(), p.gave_up());
                verdict(promise, p.finished() >= at_least, vec![evidence])
            }
            None => verdict(
                promise,
                false,
                vec!["this seat was left to a living operator".into()],
            ),
        }
    }

    fn words_at_every_end(&self) -> Verdict {
        let promise = "every talk that ended says in words how".to_owned();
        let (mut ended, mut evidence) = (0, Vec::new());
        for (station, talk) in self.rehearsal.talks().talks() {
            if talk.view.state != TalkState::Ended {
                continue;
            }
            ended += 1;
            if talk.view.words.trim().is_empty() {
                let call = self.rehearsal.scenario().stations[station].config.call;
                let at = clock(talk.view.since_ms);
                evidence.push(format!(
                    "{call}: the talk with {} at {at} says nothing",
                    talk.view.remote
                ));
            }
        }
        let kept = evidence.is_empty();
        if kept {
            evidence.push(format!("{ended} ends, each with words"));
        }
        verdict(promise, kept, evidence)
    }

    fn band(&self, band: usize) -> &str {
        &self.rehearsal.scenario().bands[band].name
    }
}

fn verdict(promise: String, kept: bool, mut evidence: Vec<String>) -> Verdict {
    if evidence.len() > MOST_EVIDENCE {
        let more = evidence.len() - MOST_EVIDENCE + 1;
        evidence.truncate(MOST_EVIDENCE - 1);
        evidence.push(format!("and {more} more"));
    }
    Verdict {
        promise,
        kept,
        evidence,
    }
}

fn unknown(promise: String, call: CallSign) -> Verdict {
    verdict(
        promise,
        false,
        vec![format!("{call} is not in the scenario")],
    )
}

fn count(promise: String, found: u64, at_least: u64, of_what: &str) -> Verdict {
    verdict(
        promise,
        found >= at_least,
        vec![format!("{found} {of_what}")],
    )
}

/// "1 talk", "2 talks".
pub(crate) fn counted(n: u64, what: &str) -> String {
    if n == 1 {
        format!("1 {what}")
    } else {
        format!("{n} {what}s")
    }
}

/// "once", "twice", "5 times".
pub(crate) fn times(n: u64) -> String {
    match n {
        0 => "never".into(),
        1 => "once".into(),
        2 => "twice".into(),
        n => format!("{n} times"),
    }
}

/// One way of a delivery in words.
pub(crate) fn way_words(name: &str, way: &Way) -> String {
    let Way {
        written,
        as_written,
        ..
    } = way;
    match way.arrival {
        Arrival::Whole => format!("{written} octets {name} as written"),
        Arrival::CutShort => format!("only {as_written} of {written} octets {name}"),
        Arrival::Unlike => {
            format!("of {written} octets {name} only the first {as_written} came out as written")
        }
    }
}
