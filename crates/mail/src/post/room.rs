//! How much may be kept, and for how long.

use dunlin_clock::Duration;
use serde::{Deserialize, Serialize};

use crate::message::Precedence;

/// A number of messages and of octets of their texts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Much {
    /// Messages.
    pub messages: u64,
    /// Octets of their texts.
    pub octets: u64,
}

/// How much of everything is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Room {
    /// What one visitor may leave within a day.
    pub visitor_day: Much,
    /// What of one visitor may be here at a time.
    pub visitor: Much,
    /// All mail together.
    pub all: Much,
}

/// How long what is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Keeping {
    /// A message waits for partners for so long; then it cannot be delivered.
    pub queued: Duration,
    /// A bulletin is kept for so long after it came.
    pub bulletins: Duration,
    /// What was read, passed on or could not be delivered is kept for so long after that.
    pub done: Duration,
    /// Whatever is held for longer is told. It is never deleted by itself.
    pub held: Duration,
}

/// So many times more than else one visitor may leave of emergencies.
const OF_EMERGENCIES: u64 = 10;
/// The share of all room that is left for emergencies.
const FOR_EMERGENCIES: u64 = 10;

impl Much {
    /// Whether so much more has room within this, if that much is there already.
    pub fn holds(&self, there: Much, more: Much) -> bool {
        let sum = there.and(more);
        sum.messages <= self.messages && sum.octets <= self.octets
    }

    /// One message with a text of so many octets.
    pub fn one(octets: u64) -> Much {
        Much {
            messages: 1,
            octets,
        }
    }

    /// The sum of both.
    #[must_use]
    pub fn and(self, more: Much) -> Much {
        Much {
            messages: self.messages.saturating_add(more.messages),
            octets: self.octets.saturating_add(more.octets),
        }
    }

    /// What is left of this.
    #[must_use]
    pub fn without(self, there: Much) -> Much {
        Much {
            messages: self.messages.saturating_sub(there.messages),
            octets: self.octets.saturating_sub(there.octets),
        }
    }

    /// The limit of one visitor: ten times as much for an emergency, so that nobody can fill everything by this word.
    #[must_use]
    pub fn of_visitor(self, precedence: Precedence) -> Much {
        if precedence != Precedence::Emergency {
            return self;
        }
        Much {
            messages: self.messages.saturating_mul(OF_EMERGENCIES),
            octets: self.octets.saturating_mul(OF_EMERGENCIES),
        }
    }

    /// All of it for an emergency, and a tenth less for everything else.
    #[must_use]
    pub fn open_to(self, precedence: Precedence) -> Much {
        if precedence == Precedence::Emergency {
            return self;
        }
        let less = |n: u64| n - n.div_ceil(FOR_EMERGENCIES);
        Much {
            messages: less(self.messages),
            octets: less(self.octets),
        }
    }
}

impl Default for Room {
    fn default() -> Self {
        let much = |messages, octets| Much { messages, octets };
        Room {
            visitor_day: much(20, 40_000),
            visitor: much(100, 200_000),
            all: much(50_000, 200_000_000),
        }
    }
}

impl Default for Keeping {
    fn default() -> Self {
        let days = |days: u64| Duration::from_secs(days * 86_400);
        Keeping {
            queued: days(14),
            bulletins: days(30),
            done: days(365),
            held: days(7),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn room_is_left_for_emergencies() {
        let all = Much {
            messages: 11,
            octets: 1000,
        };
        let routine = all.open_to(Precedence::Priority);
        assert_eq!((routine.messages, routine.octets), (9, 900));
        let one = Much {
            messages: 1,
            octets: 100,
        };
        let there = Much {
            messages: 9,
            octets: 300,
        };
        assert!(!routine.holds(there, one), "one too many");
        assert!(all.open_to(Precedence::Emergency).holds(there, one));
        let there = Much {
            messages: 1,
            octets: 801,
        };
        assert!(!routine.holds(there, one), "an octet too many");
    }
}
