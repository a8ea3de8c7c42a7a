//! How a talk ended, in words: what happened, on what evidence, and what to try.

use dunlin_ax25::CallSign;
use dunlin_ax25::data_link::DisconnectReason;
use dunlin_clock::Duration;

use crate::occupancy;
use crate::paths::names;
use crate::words::{span, times};

/// A channel that is occupied more than this makes a call hard to hear. (Own choice.)
const CROWDED: f32 = 0.5;
/// A station heard within this long is likely still there. (Own choice.)
const LATELY: Duration = Duration::from_secs(1800);

/// What ended it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Cause {
    /// The link says so.
    Link(DisconnectReason),
    /// Released from here, and the other end has agreed.
    Released,
    /// Given up from here before there was an answer.
    GivenUp,
    /// Cut from here.
    Cut,
    /// The port could send nothing for so long; why.
    OutOfService(Duration, String),
}

/// What is known when it ends.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Facts {
    /// The link had been up.
    pub(crate) was_up: bool,
    /// How often it was called.
    pub(crate) calls: u32,
    /// For how long the call, or since the other end was last heard in the talk, the silence
    /// has lasted.
    pub(crate) took: Duration,
    /// Share of that time, of its last ten minutes at most, in which the channel was occupied.
    pub(crate) busy: f32,
    /// How long in it, in its last ten minutes at most, the port was kept from sending.
    pub(crate) held: Duration,
    /// How long ago the other end was last heard on this port, and by which digipeater.
    pub(crate) heard: Option<(Duration, Option<String>)>,
    /// The digipeaters it was called by.
    pub(crate) via: Vec<CallSign>,
    /// The best other way, with its evidence.
    pub(crate) other_way: Option<String>,
}

impl Cause {
    /// Nothing went wrong.
    pub(crate) fn is_plain(&self) -> bool {
        matches!(
            self,
            Cause::Link(DisconnectReason::ReleasedByPeer | DisconnectReason::ReleaseUnanswered)
                | Cause::Released
                | Cause::GivenUp
                | Cause::Cut
        )
    }

    fn reason(&self) -> String {
        match self {
            Cause::Link(reason) => reason.to_string(),
            Cause::Released => "ended by this station".into(),
            Cause::GivenUp => "given up before an answer".into(),
            Cause::Cut => "cut by the operator".into(),
            Cause::OutOfService(held, why) => {
                format!("the port could send nothing for {}: {why}", span(*held))
            }
        }
    }

    /// In few words: for the other half of a crossing, where they go on the air.
    pub(crate) fn short(&self, facts: &Facts) -> String {
        let reason = self.reason();
        match self {
            Cause::Link(DisconnectReason::NoAnswer) if !facts.was_up => {
                format!("{reason}: {}", facts.called())
            }
            _ => reason,
        }
    }

    /// In full: the likely cause with its evidence, then what to try.
    pub(crate) fn words(&self, facts: &Facts) -> String {
        use DisconnectReason as R;
        let reason = self.reason();
        let evidence = match self {
            Cause::Link(R::NoAnswer) if !facts.was_up => {
                format!(
                    ": {}; {}; {}",
                    facts.called(),
                    facts.channel(),
                    facts.heard()
                )
            }
            Cause::Link(R::NoAnswer) => format!(
                ": the two ends disagreed, and it was called anew {} in {}; {}",
                times(facts.calls),
                span(facts.took),
                facts.channel()
            ),
            Cause::Link(R::Refused) => format!(
                ": it heard the call and said that it takes none; called {}",
                times(facts.calls)
            ),
            Cause::Link(R::LostContact | R::LostContactWhileBusy | R::DataNotThrough) => {
                format!(": {}; {}", facts.silent(), facts.channel())
            }
            Cause::Link(R::UnknownToPeer) => {
                ": it was started anew, or has given this talk up after a long silence".into()
            }
            Cause::GivenUp if facts.calls > 0 => format!(": {}", facts.called()),
            _ => String::new(),
        };
        let next = self.next(facts);
        let next = next.map_or(String::new(), |next| format!(". What to try: {next}"));
        format!("{reason}{evidence}{next}")
    }

    /// What to try.
    fn next(&self, facts: &Facts) -> Option<String> {
        use DisconnectReason as R;
        Some(match self {
            Cause::Link(R::NoAnswer) if facts.was_up => facts.again("open a new talk"),
            Cause::Link(R::NoAnswer) => facts.next_after_silence(),
            Cause::Link(R::Refused) => {
                "later, or another SSID of it: it may be busy with others, or not open".into()
            }
            Cause::Link(R::LostContact) => facts.again("open a new talk"),
            Cause::Link(R::DataNotThrough) => {
                let shorter = "a shorter information length in the station plan, since short \
                               frames get through and these did not";
                match &facts.other_way {
                    Some(way) => format!("{way}; or {shorter}"),
                    None => shorter.into(),
                }
            }
            Cause::Link(R::LostContactWhileBusy) => {
                "later: it could take no more text, so somebody or something there has to make \
                 room first"
                    .into()
            }
            Cause::Link(R::UnknownToPeer) => "open a new talk".into(),
            Cause::Link(R::ReleaseUnanswered) => {
                "nothing, if all lines have arrived; the other side may believe for a while that \
                 the talk goes on"
                    .into()
            }
            Cause::OutOfService(..) => {
                "look at the gate of this port, then open a new talk; by now the other side has \
                 given this one up"
                    .into()
            }
            Cause::Link(R::ReleasedByPeer) | Cause::Released | Cause::GivenUp | Cause::Cut => {
                return None;
            }
        })
    }
}

impl Facts {
    fn called(&self) -> String {
        let by = match &self.via[..] {
            [] => String::new(),
            via => format!(" by {}", names(via)),
        };
        format!("called {}{by} in {}", times(self.calls), span(self.took))
    }

    fn channel(&self) -> String {
        let busy = (self.busy * 100.0).round();
        let held = match self.held.as_secs() {
            0 => String::new(),
            _ => format!(
                ", and this port was kept from sending for {}",
                span(self.held)
            ),
        };
        format!("meanwhile the channel was occupied {busy} % of the time{held}")
    }

    fn heard(&self) -> String {
        match &self.heard {
            None => "it was never heard on this port".into(),
            Some((ago, None)) => format!("it was last heard here {} ago, direct", span(*ago)),
            Some((ago, Some(by))) => {
                format!("it was last heard here {} ago, by {by}", span(*ago))
            }
        }
    }

    fn silent(&self) -> String {
        format!("it was last heard in this talk {} ago", span(self.took))
    }

    /// A way that is better than the one taken, or once more the same.
    fn again(&self, what: &str) -> String {
        match &self.other_way {
            Some(way) => format!("{what}, {way}"),
            None => what.into(),
        }
    }

    fn next_after_silence(&self) -> String {
        let looked_at = self.took.min(occupancy::SPAN);
        if self.held * 2 > looked_at && self.held > Duration::ZERO {
            return "look at the gate of this port, which kept the calls back, then call again"
                .into();
        }
        if let Some(way) = &self.other_way {
            return way.clone();
        }
        if self.busy > CROWDED {
            return "call again when the channel is quieter".into();
        }
        match (&self.heard, self.via.is_empty()) {
            (None, _) => "look whether the call sign and the port are right; then a digipeater \
                          that may hear it, or another time"
                .into(),
            (Some((ago, _)), _) if *ago > LATELY => {
                "another time: it may be switched off, or out of reach".into()
            }
            (Some((_, Some(by))), true) => format!("by {by}, which hears it"),
            _ => "a digipeater that it hears, or more power: it is heard here, and does not seem \
                  to hear this station"
                .into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts() -> Facts {
        Facts {
            was_up: false,
            calls: 6,
            took: Duration::from_secs(130),
            busy: 0.123,
            held: Duration::ZERO,
            heard: None,
            via: Vec::new(),
            other_way: None,
        }
    }

    fn no_answer(facts: &Facts) -> String {
        Cause::Link(DisconnectReason::NoAnswer).words(facts)
    }

    #[test]
    fn no_answer_names_calls_channel_and_when_it_was_heard() {
        assert_eq!(
            no_answer(&facts()),
            "there was no answer: called 6 times in 2 min 10 s; meanwhile the channel was occupied \
             12 % of the time; it was never heard on this port. What to try: look whether the call \
             sign and the port are right; then a digipeater that may hear it, or another time"
        );
        let heard = Some((Duration::from_secs(720), Some("QD2HIL-1".into())));
        let words = no_answer(&Facts { heard, ..facts() });
        assert!(
            words.contains("12 min ago, by QD2HIL-1. What to try: by QD2HIL-1"),
            "{words}"
        );
    }

    #[test]
    fn the_next_step_follows_the_likeliest_cause() {
        let held = Duration::from_secs(70);
        let words = no_answer(&Facts { held, ..facts() });
        assert!(
            words.contains("kept from sending for 1 min 10 s"),
            "{words}"
        );
        assert!(words.contains("to try: look at the gate"), "{words}");
        let words = no_answer(&Facts {
            busy: 0.8,
            ..facts()
        });
        assert!(words.ends_with("when the channel is quieter"), "{words}");
        let other_way = Some("by QM3BAR: it was heard".to_owned());
        let words = no_answer(&Facts {
            other_way,
            ..facts()
        });
        assert!(
            words.ends_with("What to try: by QM3BAR: it was heard"),
            "{words}"
        );
        let heard = Some((Duration::from_secs(7200), None));
        let words = no_answer(&Facts { heard, ..facts() });
        assert!(words.ends_with("out of reach"), "{words}");
        let heard = Some((Duration::from_secs(60), None));
        let words = no_answer(&Facts { heard, ..facts() });
        assert!(words.ends_with("to hear this station"), "{words}");
    }

    #[test]
    fn what_goes_on_the_air_stays_short() {
        let cause = Cause::Link(DisconnectReason::NoAnswer);
        let short = cause.short(&facts());
        assert_eq!(short, "there was no answer: called 6 times in 2 min 10 s");
        let up = Facts {
            was_up: true,
            ..facts()
        };
        assert_eq!(cause.short(&up), "there was no answer");
        assert!(no_answer(&up).contains("the two ends disagreed"));
    }
}
