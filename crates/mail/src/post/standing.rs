//! Where a message stands, in words.

use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::when::{LONGEST_PAUSE, moment};
use crate::exchange::Why;
use crate::message::Station;

/// What has become of a message at this station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "standing", rename_all = "snake_case")]
pub enum Standing {
    /// It was written and is not to be sent yet.
    Written,
    /// It waits for at least one partner.
    Queued,
    /// It is where its reader finds it: personal mail of somebody whose mail is kept here, or a
    /// bulletin that no partner waits for.
    Here,
    /// A person must look at it first.
    Held {
        /// The rule, or what the operator said.
        why: String,
    },
    /// All who were to have it have it. Whether it arrived further on is not known.
    Passed,
    /// The addressee has opened it here, or the addressee's own station has taken it; of a radiogram, a
    /// person here has handed it over.
    Delivered,
    /// Nobody takes it.
    Undeliverable {
        /// Why not.
        why: String,
    },
    /// It was deleted: the text is gone, the identifier stays known for ever.
    Deleted,
}

/// How far a message is with one partner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Leg {
    /// Who is to have it.
    pub partner: Station,
    /// How far it is.
    #[serde(flatten)]
    pub state: LegState,
}

/// See [`Leg`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "leg", rename_all = "snake_case")]
pub enum LegState {
    /// It waits.
    Waiting {
        /// Tries in a row that ended badly while it was under way.
        tries: u32,
        /// It is not offered before.
        not_before: WallTime,
        /// What the partner said at the last try, if it said anything; such a reason passes.
        #[serde(default)]
        why: Option<Why>,
    },
    /// The partner has it.
    Taken {
        /// Since when.
        at: WallTime,
    },
    /// The partner does not take it.
    Refused {
        /// Its reason.
        why: Why,
        /// When it said so.
        at: WallTime,
    },
}

impl Leg {
    /// A leg that waits from this moment on.
    pub fn waiting(partner: Station, not_before: WallTime) -> Leg {
        Leg {
            partner,
            state: LegState::Waiting {
                tries: 0,
                not_before,
                why: None,
            },
        }
    }

    /// Whether it waits, and its pause is over. One that ends later than any that begins now was set by a clock that
    /// was wrong then, or is now, and holds nothing back.
    pub fn is_due(&self, now: WallTime) -> bool {
        match self.state {
            LegState::Waiting { not_before, .. } => {
                not_before <= now || not_before > now.after(LONGEST_PAUSE)
            }
            _ => false,
        }
    }

    /// Whether it waits.
    pub fn waits(&self) -> bool {
        matches!(self.state, LegState::Waiting { .. })
    }

    /// The leg in plain words: `taken by QX0RLF at 2026-11-29 14:02 UTC`.
    pub fn words(&self) -> String {
        let partner = self.partner;
        match self.state {
            LegState::Waiting { tries: 0, .. } => format!("queued for {partner}"),
            LegState::Waiting {
                tries,
                not_before,
                why,
            } => format!(
                "queued for {partner}, tried {} in vain{}, not before {}",
                times(tries),
                why.map_or(String::new(), |why| format!(" because {}", because(why))),
                moment(not_before)
            ),
            LegState::Taken { at } => format!("taken by {partner} at {}", moment(at)),
            LegState::Refused { why, at } => format!(
                "refused by {partner} at {} because {}",
                moment(at),
                because(why)
            ),
        }
    }
}

fn times(tries: u32) -> String {
    match tries {
        1 => "once".to_owned(),
        n => format!("{n} times"),
    }
}

/// A refusal, to follow "because".
fn because(why: Why) -> &'static str {
    match why {
        Why::TooLarge => "it is too large there",
        Why::Unknown(_) => "of a reason that this version does not know",
        other => other.words(),
    }
}

impl Standing {
    /// Whether nobody takes it.
    pub fn is_nowhere(&self) -> bool {
        matches!(self, Standing::Undeliverable { .. })
    }

    /// The standing alone in plain words. [`words`] says it with the partners.
    pub fn words(&self) -> String {
        match self {
            Standing::Written => "written, not sent yet".to_owned(),
            Standing::Queued => "queued".to_owned(),
            Standing::Here => "here".to_owned(),
            Standing::Held { why } => format!("held: {why}"),
            Standing::Passed => "passed on".to_owned(),
            Standing::Delivered => "delivered".to_owned(),
            Standing::Undeliverable { why } => format!("cannot be delivered: {why}"),
            Standing::Deleted => "deleted".to_owned(),
        }
    }
}

/// A standing with its legs as one line: `queued for QX0RLF; taken by QM2REE at 2026-11-29 14:02 UTC`.
pub fn words(standing: &Standing, legs: &[Leg]) -> String {
    let said = match standing {
        // The legs say it better.
        Standing::Queued if legs.iter().any(Leg::waits) => None,
        Standing::Passed if !legs.is_empty() => None,
        other => Some(other.words()),
    };
    // What waits does not move while it is held, and is not told as if it did.
    let quiet = matches!(standing, Standing::Held { .. } | Standing::Deleted);
    let legs = legs.iter().filter(|leg| !(quiet && leg.waits()));
    let all: Vec<String> = said.into_iter().chain(legs.map(Leg::words)).collect();
    all.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leg(state: LegState) -> Leg {
        let partner = "QX0RLF".parse().expect("a call sign");
        Leg { partner, state }
    }

    #[test]
    fn a_standing_is_told_in_words() {
        let at = WallTime(1_795_960_920_000);
        let waiting = Leg::waiting("QM2REE".parse().expect("a call sign"), at);
        let taken = leg(LegState::Taken { at });
        let why = Why::TooLarge;
        let refused = leg(LegState::Refused { why, at });
        assert_eq!(words(&Standing::Queued, &[waiting]), "queued for QM2REE");
        assert_eq!(
            words(&Standing::Queued, &[waiting, taken]),
            "queued for QM2REE; taken by QX0RLF at 2026-11-29 14:02 UTC"
        );
        assert_eq!(
            refused.words(),
            "refused by QX0RLF at 2026-11-29 14:02 UTC because it is too large there"
        );
        let why = "it has the word lottery".to_owned();
        assert_eq!(
            words(&Standing::Held { why }, &[waiting]),
            "held: it has the word lottery"
        );
        assert_eq!(words(&Standing::Here, &[]), "here");
        let put_back = |tries, why| {
            let not_before = at;
            leg(LegState::Waiting {
                tries,
                not_before,
                why,
            })
        };
        assert_eq!(
            put_back(1, Some(Why::NoRoom)).words(),
            "queued for QX0RLF, tried once in vain because the station has no room for it, not before 2026-11-29 \
             14:02 UTC"
        );
        assert_eq!(
            put_back(3, None).words(),
            "queued for QX0RLF, tried 3 times in vain, not before 2026-11-29 14:02 UTC"
        );
    }

    #[test]
    fn a_pause_of_a_clock_that_was_wrong_holds_nothing_back() {
        let now = WallTime(1_795_960_920_000);
        let partner = "QX0RLF".parse().expect("a call sign");
        let due = |ms: i64| Leg::waiting(partner, WallTime(now.0 + ms)).is_due(now);
        const DAY: i64 = 86_400_000;
        assert_eq!([-1, 0, 1].map(due), [true, true, false]);
        assert_eq!([DAY, DAY + 1, 3000 * DAY].map(due), [false, true, true]);
        assert!(!leg(LegState::Taken { at: now }).is_due(now));
    }

    #[test]
    fn what_is_written_is_read_again() {
        let at = WallTime(7);
        let legs = [
            Leg::waiting("QM2REE".parse().expect("a call sign"), at),
            leg(LegState::Taken { at }),
            leg(LegState::Refused { why: Why::Held, at }),
        ];
        let text = serde_json::to_string(&legs).expect("JSON");
        let read: Vec<Leg> = serde_json::from_str(&text).expect("the same");
        assert_eq!(read, legs);
    }
}
