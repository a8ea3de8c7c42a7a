//! A message with what this station knows of it.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::proof::Proof;
use super::route::Way;
use super::standing::{Leg, LegState, Standing, words};
use super::when::SECOND_ROUTE_AFTER;
use crate::address::Address;
use crate::identity::MessageId;
use crate::message::{Kind, Message, Precedence};

/// A message at this station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Letter {
    /// The message itself.
    pub message: Message,
    /// How its sender was identified.
    pub proof: Proof,
    /// Where it stands.
    #[serde(flatten)]
    pub standing: Standing,
    /// With whom it is how far.
    pub legs: Vec<Leg>,
    /// When it came here, or was written here.
    pub arrived: WallTime,
    /// Whether the reader has not opened it yet; for the operator, whether the addressee has not.
    pub unread: bool,
    /// What the operator should know of it.
    pub note: Option<String>,
}

/// A letter without its text, for lists.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Its place in the order of arrival here; to go on with a list after it.
    pub place: u64,
    /// Its name.
    pub id: MessageId,
    /// What sort, and to whom.
    #[serde(flatten)]
    pub kind: Kind,
    /// How soon it is wanted.
    pub precedence: Precedence,
    /// Who wrote it.
    pub from: Address,
    /// One line.
    pub title: String,
    /// Octets of its text.
    pub octets: usize,
    /// When it was written.
    pub written: WallTime,
    /// When it came here.
    pub arrived: WallTime,
    /// How its sender was identified.
    pub proof: Proof,
    /// Where it stands.
    #[serde(flatten)]
    pub standing: Standing,
    /// With whom it is how far.
    pub legs: Vec<Leg>,
    /// As in [`Letter::unread`].
    pub unread: bool,
}

impl Head {
    /// Where it stands, in plain words.
    pub fn words(&self) -> String {
        words(&self.standing, &self.legs)
    }
}

impl Letter {
    /// A message that goes the way that [`route`](super::route()) has said, from now on.
    pub fn new(message: Message, proof: Proof, way: &Way, now: WallTime) -> Letter {
        let (standing, legs) = standing_on(way, now);
        Letter {
            message,
            proof,
            standing,
            legs,
            arrived: now,
            unread: true,
            note: None,
        }
    }

    /// The letter without its text. It has no place yet.
    pub fn head(&self) -> Head {
        let message = &self.message;
        Head {
            place: 0,
            id: message.id,
            kind: message.kind.clone(),
            precedence: message.precedence,
            from: message.from,
            title: message.title.clone(),
            octets: message.body.len(),
            written: message.written,
            arrived: self.arrived,
            proof: self.proof,
            standing: self.standing.clone(),
            legs: self.legs.clone(),
            unread: self.unread,
        }
    }

    /// A message that is written and not sent yet.
    pub fn draft(message: Message, now: WallTime) -> Letter {
        Letter {
            message,
            proof: Proof::Own,
            standing: Standing::Written,
            legs: Vec::new(),
            arrived: now,
            unread: false,
            note: None,
        }
    }

    /// Where it stands, in plain words.
    pub fn words(&self) -> String {
        words(&self.standing, &self.legs)
    }
}

/// What a way means from now on. Of a message that goes to one of several, the first may take it at once and
/// the others after [`SECOND_ROUTE_AFTER`].
pub fn standing_on(way: &Way, now: WallTime) -> (Standing, Vec<Leg>) {
    match way {
        Way::Here => (Standing::Here, Vec::new()),
        Way::Undeliverable { why } => (Standing::Undeliverable { why: why.clone() }, Vec::new()),
        Way::All { partners } => {
            let legs = partners.iter().map(|&p| Leg::waiting(p, now));
            (Standing::Queued, legs.collect())
        }
        Way::One { partners } => {
            let later = now.after(SECOND_ROUTE_AFTER);
            let from = |n| if n == 0 { now } else { later };
            let legs = partners.iter().enumerate();
            let legs = legs.map(|(n, &p)| Leg::waiting(p, from(n)));
            (Standing::Queued, legs.collect())
        }
    }
}

/// Whether a reader may see a message that stands like this; `None` is the operator, who sees everything. It is
/// courtesy and not secrecy: text on the air is public.
pub fn may_read(
    reader: Option<CallSign>,
    kind: &Kind,
    from: CallSign,
    standing: &Standing,
) -> bool {
    let Some(reader) = reader else { return true };
    let addressed = match kind {
        Kind::Bulletin { .. } => !matches!(standing, Standing::Held { .. } | Standing::Written),
        Kind::Personal { to } | Kind::Formal { to } | Kind::Service { to, .. } => {
            to.call == reader && !matches!(standing, Standing::Written)
        }
    };
    from == reader || addressed
}

/// What a message stands at once none of its legs waits any more; `None` = one waits.
pub fn settled(kind: &Kind, legs: &[Leg]) -> Option<Standing> {
    if legs.iter().any(Leg::waits) {
        return None;
    }
    let taken = |leg: &&Leg| matches!(leg.state, LegState::Taken { .. });
    let to = match kind {
        Kind::Bulletin { .. } => return Some(Standing::Here),
        Kind::Personal { to } | Kind::Formal { to } | Kind::Service { to, .. } => to,
    };
    let mut takers = legs.iter().filter(taken);
    // A radiogram is for somebody beyond the station that delivers it.
    let formal = matches!(kind, Kind::Formal { .. });
    if !formal && takers.clone().any(|leg| leg.partner == to.call) {
        return Some(Standing::Delivered);
    }
    if takers.next().is_some() {
        return Some(Standing::Passed);
    }
    let said: Vec<String> = legs.iter().map(Leg::words).collect();
    Some(Standing::Undeliverable {
        why: match said.is_empty() {
            true => "no partner carries it".to_owned(),
            false => said.join("; "),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exchange::Why;

    fn call(text: &str) -> CallSign {
        text.parse().expect("a call sign")
    }

    fn personal() -> Kind {
        Kind::Personal {
            to: "QX0RLF at QM2REE".parse().expect("an address"),
        }
    }

    #[test]
    fn personal_mail_is_for_its_two_ends_and_the_operator() {
        let seen =
            |reader, standing: &Standing| may_read(reader, &personal(), call("QM3BAR"), standing);
        assert!(seen(Some(call("QM3BAR")), &Standing::Written));
        assert!(seen(Some(call("QX0RLF")), &Standing::Here));
        assert!(!seen(Some(call("QX0RLF")), &Standing::Written));
        assert!(!seen(Some(call("QA1SKY")), &Standing::Here));
        assert!(seen(None, &Standing::Here));
        let bulletin = Kind::Bulletin {
            topic: "FERRY".into(),
            area: "ISLES".into(),
        };
        let held = Standing::Held { why: "so".into() };
        let reader = Some(call("QA1SKY"));
        assert!(may_read(reader, &bulletin, call("QM3BAR"), &Standing::Here));
        assert!(!may_read(reader, &bulletin, call("QM3BAR"), &held));
    }

    #[test]
    fn what_has_become_of_a_message_follows_from_its_legs() {
        let at = WallTime(0);
        let leg = |partner: &str, state| Leg {
            partner: call(partner),
            state,
        };
        let waiting = Leg::waiting(call("QA1SKY"), at);
        let taken = |partner| leg(partner, LegState::Taken { at });
        let why = Why::NotThisArea;
        let refused = leg("QM2REE", LegState::Refused { why, at });
        assert_eq!(settled(&personal(), &[waiting, taken("QM2REE")]), None);
        assert_eq!(
            settled(&personal(), &[refused, taken("QM2REE")]),
            Some(Standing::Passed)
        );
        assert_eq!(
            settled(&personal(), &[taken("QX0RLF")]),
            Some(Standing::Delivered)
        );
        let to = "QX0RLF".parse().expect("an address");
        assert_eq!(
            settled(&Kind::Formal { to }, &[taken("QX0RLF")]),
            Some(Standing::Passed),
            "the addressee is no station"
        );
        let gone = settled(&personal(), &[refused]).expect("settled");
        assert!(
            gone.words().starts_with("cannot be delivered: refused by"),
            "{gone:?}"
        );
    }

    #[test]
    fn the_second_route_waits_longer_and_all_of_an_area_get_it_at_once() {
        let partners = vec![call("QM2REE"), call("QA1SKY")];
        let now = WallTime(1000);
        let starts = |way: &Way| -> Vec<i64> {
            let (standing, legs) = standing_on(way, now);
            assert_eq!(standing, Standing::Queued);
            let start = |leg: &Leg| match leg.state {
                LegState::Waiting { not_before, .. } => not_before.0,
                _ => -1,
            };
            legs.iter().map(start).collect()
        };
        let later = now.after(SECOND_ROUTE_AFTER).0;
        let one = Way::One {
            partners: partners.clone(),
        };
        assert_eq!(starts(&one), [1000, later]);
        assert_eq!(starts(&Way::All { partners }), [1000, 1000]);
    }
}
