//! What a person looks at before it goes on.

use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::proof::Proof;
use crate::message::{Kind, Message, Precedence};

/// Milliseconds of a day.
const A_DAY: i64 = 86_400_000;

/// What is held until a person has looked. The default holds nothing but bulletins of unknown senders.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct HoldRules {
    /// Octets of a text, at most. `None` = any.
    pub most_octets: Option<usize>,
    /// Areas whose bulletins are held.
    pub areas: Vec<String>,
    /// Words in title or text, whole and whatever the case.
    pub words: Vec<String>,
    /// Days; what was written longer ago is held, so that old bulletins do not go round again. `None` = any
    /// age.
    pub oldest_days: Option<u32>,
    /// Whether bulletins of senders who were not identified are held.
    pub unknown_bulletins: bool,
    /// Whether all bulletins are held.
    pub all_bulletins: bool,
}

impl Default for HoldRules {
    fn default() -> Self {
        HoldRules {
            most_octets: None,
            areas: Vec::new(),
            words: Vec::new(),
            oldest_days: None,
            unknown_bulletins: true,
            all_bulletins: false,
        }
    }
}

/// What the rules say of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It may go on.
    Pass,
    /// A person looks first.
    Hold(String),
    /// A rule would hold it, but it is an emergency: it goes on, and the operator is told.
    Noted(String),
}

impl HoldRules {
    /// Judges a message. What the operator wrote is never held, and an emergency is let through with a note.
    pub fn judge(&self, message: &Message, proof: Proof, now: WallTime) -> Verdict {
        if proof == Proof::Own {
            return Verdict::Pass;
        }
        match self.reason(message, proof, now) {
            None => Verdict::Pass,
            Some(why) if message.precedence == Precedence::Emergency => Verdict::Noted(format!(
                "let through as an emergency, although a rule would hold it: {why}"
            )),
            Some(why) => Verdict::Hold(why),
        }
    }

    fn reason(&self, message: &Message, proof: Proof, now: WallTime) -> Option<String> {
        if let Kind::Bulletin { area, .. } = &message.kind {
            if self.all_bulletins {
                return Some("all bulletins wait until a person has read them".to_owned());
            }
            if self.unknown_bulletins && proof == Proof::Unknown {
                return Some("a bulletin whose sender was not identified".to_owned());
            }
            if self.areas.contains(area) {
                return Some(format!("a bulletin for the area {area}"));
            }
        }
        let octets = message.body.len();
        if let Some(most) = self.most_octets.filter(|most| octets > *most) {
            return Some(format!("its text has {octets} octets, more than {most}"));
        }
        let days = now.0.saturating_sub(message.written.0) / A_DAY;
        if self.oldest_days.is_some_and(|most| days > most.into()) {
            return Some(format!("it was written {days} days ago"));
        }
        let word = self.words.iter().find(|word| has_word(message, word))?;
        Some(format!("it has the word {word}"))
    }
}

fn has_word(message: &Message, word: &str) -> bool {
    let wanted = word.to_lowercase();
    let is_it = |found: &str| found.to_lowercase() == wanted;
    let words = |text: &str| text.split(|c: char| !c.is_alphanumeric()).any(is_it);
    words(&message.title) || words(&message.body)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bulletin(body: &str) -> Message {
        Message {
            id: "QM3BAR:0000000000001".parse().expect("an identifier"),
            kind: Kind::Bulletin {
                topic: "FERRY".into(),
                area: "ISLES".into(),
            },
            precedence: Precedence::Routine,
            from: "QM3BAR".parse().expect("an address"),
            written: WallTime(0),
            title: "Ferry".into(),
            body: body.into(),
            chain: Vec::new(),
        }
    }

    fn personal(body: &str) -> Message {
        let to = "QX0RLF".parse().expect("an address");
        Message {
            kind: Kind::Personal { to },
            ..bulletin(body)
        }
    }

    const NOW: WallTime = WallTime(10 * 86_400_000);

    fn why(rules: &HoldRules, message: &Message, proof: Proof) -> String {
        match rules.judge(message, proof, NOW) {
            Verdict::Hold(why) => why,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn bulletins_of_unknown_senders_are_held_and_personal_mail_is_not() {
        let rules = HoldRules::default();
        let held = why(&rules, &bulletin("x"), Proof::Unknown);
        assert_eq!(held, "a bulletin whose sender was not identified");
        for proof in [Proof::KnownPath, Proof::VouchedFor, Proof::HeardAsClaimed] {
            assert_eq!(rules.judge(&bulletin("x"), proof, NOW), Verdict::Pass);
        }
        let verdict = rules.judge(&personal("x"), Proof::Unknown, NOW);
        assert_eq!(verdict, Verdict::Pass);
    }

    #[test]
    fn each_rule_holds_and_says_why() {
        let none = HoldRules::default();
        let proof = Proof::KnownPath;
        let size = HoldRules {
            most_octets: Some(3),
            ..none.clone()
        };
        assert_eq!(
            why(&size, &personal("four"), proof),
            "its text has 4 octets, more than 3"
        );
        assert_eq!(size.judge(&personal("3.."), proof, NOW), Verdict::Pass);
        let area = HoldRules {
            areas: vec!["ISLES".into()],
            ..none.clone()
        };
        assert_eq!(
            why(&area, &bulletin("x"), proof),
            "a bulletin for the area ISLES"
        );
        let words = HoldRules {
            words: vec!["lottery".into()],
            ..none.clone()
        };
        assert_eq!(
            why(&words, &personal("The Lottery, now"), proof),
            "it has the word lottery"
        );
        let verdict = words.judge(&personal("lotteries"), proof, NOW);
        assert_eq!(verdict, Verdict::Pass, "whole words");
        let old = HoldRules {
            oldest_days: Some(7),
            ..none.clone()
        };
        assert_eq!(
            why(&old, &personal("x"), proof),
            "it was written 10 days ago"
        );
        let every = HoldRules {
            all_bulletins: true,
            ..none
        };
        assert!(why(&every, &bulletin("x"), Proof::VouchedFor).contains("all bulletins"));
        assert_eq!(
            every.judge(&bulletin("x"), Proof::Own, NOW),
            Verdict::Pass,
            "the operator has seen it"
        );
    }

    #[test]
    fn an_emergency_goes_on_with_a_note() {
        let rules = HoldRules {
            most_octets: Some(1),
            ..HoldRules::default()
        };
        let message = Message {
            precedence: Precedence::Emergency,
            ..personal("boat adrift")
        };
        match rules.judge(&message, Proof::Unknown, NOW) {
            Verdict::Noted(note) => assert!(note.contains("emergency"), "{note}"),
            other => panic!("{other:?}"),
        }
    }
}
