//! How the sender of a message was identified.

use serde::{Deserialize, Serialize};

/// How sure it is that a message comes from whom it says. The station that takes a message first answers
/// for it, so this is kept with each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Proof {
    /// Written at this station by its operator.
    Own,
    /// Came from a visitor who was connected by this call sign directly.
    HeardAsClaimed,
    /// Came by a partner who stands in the plan.
    KnownPath,
    /// Came by a partner whom the operator trusts, or the operator has said so.
    VouchedFor,
    /// Nothing is known.
    #[default]
    Unknown,
}

impl Proof {
    /// The proof in plain words, to follow "the sender".
    pub fn words(self) -> &'static str {
        match self {
            Proof::Own => "is the operator of this station",
            Proof::HeardAsClaimed => "was connected directly by this call sign",
            Proof::KnownPath => "is named by a partner of this station",
            Proof::VouchedFor => "is vouched for by a partner or the operator",
            Proof::Unknown => "was not identified",
        }
    }

    /// The proof of a message that came over a link with this proof. A visitor proves who the visitor
    /// is, and not from whom the messages are that come along.
    #[must_use]
    pub fn of_message(self, partner_wrote_it: bool) -> Proof {
        match self {
            Proof::KnownPath | Proof::VouchedFor => self,
            Proof::HeardAsClaimed if partner_wrote_it => self,
            _ => Proof::Unknown,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_visitor_proves_own_messages_and_a_partner_all() {
        assert_eq!(
            Proof::HeardAsClaimed.of_message(true),
            Proof::HeardAsClaimed
        );
        assert_eq!(Proof::HeardAsClaimed.of_message(false), Proof::Unknown);
        assert_eq!(Proof::KnownPath.of_message(false), Proof::KnownPath);
        assert_eq!(Proof::Own.of_message(true), Proof::Unknown, "not by a link");
        let text = serde_json::to_string(&Proof::HeardAsClaimed).expect("JSON");
        assert_eq!(text, "\"heard_as_claimed\"");
    }
}
