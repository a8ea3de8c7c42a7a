//! What a message would cost on the air, told before it is sent.

use dunlin_ax25::CallSign;
use dunlin_clock::Instant;
use dunlin_mail::exchange::Offerable;
use dunlin_mail::post::{Leg, LegState, Letter, Proof};
use serde::Serialize;

use super::exchange::TURN_S as TURN_LASTS_S;
use super::letter::{Draft, DraftError};
use crate::config::Partner;
use crate::engine::Station;
use crate::event::PortId;

/// What greetings, the offer, its answer and the receipt take besides a packed item, octets of both sides together:
/// 82 and 85 for the English texts of 100 and 1000 octets in docs/mail-exchange.md, "What it costs", which pack to 76
/// and 507.
const BESIDE: f64 = 84.0;
/// Transmissions of an exchange of one message that fits into one turn (docs/mail-exchange.md, "What it costs"); each
/// further turn takes two more.
const TRANSMISSIONS: f64 = 4.0;
/// As there: octets in a frame, octets beside them, the share of bit stuffing, and the seconds of a turn.
const IN_FRAME: f64 = 64.0;
const BESIDE_FRAME: f64 = 20.0;
const STUFFED: f64 = 1.03;
const TURN_S: f64 = 0.6;

/// What a draft would be if it were sent now.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reckoning {
    /// Octets of the text.
    pub octets: usize,
    /// Octets of the whole message as it goes on the air.
    pub packed: usize,
    /// Where it would stand, in words.
    pub words: String,
    /// With whom it would go, in the order of preference; empty = it stays here, or goes nowhere.
    pub routes: Vec<RouteCost>,
}

/// What one way of a message costs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RouteCost {
    /// The partner that would take it.
    pub partner: CallSign,
    /// On which port.
    pub port: PortId,
    /// Bits a second there.
    pub baud: u32,
    /// Seconds on the air of both sides and of all digipeaters, without repetitions.
    pub seconds: f64,
    /// It may take it only if another has not taken it in time.
    pub later: bool,
    /// The digipeaters on the way.
    pub digipeaters: usize,
}

impl Station {
    /// What a draft would cost if it were sent now. Nothing is changed, and no number is drawn.
    ///
    /// # Errors
    /// [`DraftError`] says what is wrong with the draft.
    pub fn reckon(&self, now: Instant, draft: Draft) -> Result<Reckoning, DraftError> {
        let mail = self.config.mail.as_ref().ok_or(DraftError::NoMail)?;
        let own = mail.routes.own;
        let draft = Draft {
            keep_back: false,
            ..draft
        };
        let number = 0; // Any number packs as well as any other.
        let letter =
            self.numbered_letter(now, draft, number, Station::operator(own), Proof::Own)?;
        let packed = Offerable::new(&letter.message)
            .map_or(letter.message.body.len(), |item| item.offer().packed);
        Ok(Reckoning {
            octets: letter.message.body.len(),
            packed,
            words: letter.words(),
            routes: self.costs(&letter, packed),
        })
    }

    fn costs(&self, letter: &Letter, packed: usize) -> Vec<RouteCost> {
        let partners = self.config.mail.as_ref().map_or(&[][..], |m| &m.partners);
        let cost = |leg: &Leg| {
            let is_it = |p: &&Partner| p.call.characters() == leg.partner.characters();
            let partner = partners.iter().find(is_it)?;
            let baud = self.port_config(partner.port).line.baud();
            let later = match leg.state {
                LegState::Waiting { not_before, .. } => not_before > letter.arrived,
                _ => false,
            };
            Some(RouteCost {
                partner: partner.call,
                port: partner.port,
                baud,
                seconds: on_the_air(packed, baud, partner.via.len()),
                later,
                digipeaters: partner.via.len(),
            })
        };
        letter.legs.iter().filter_map(cost).collect()
    }
}

/// Seconds on the air of an exchange of one packed item; each digipeater sends everything once more.
fn on_the_air(packed: usize, baud: u32, digipeaters: usize) -> f64 {
    let octets = packed as f64 + BESIDE;
    let baud = f64::from(baud.max(1));
    let turns = (octets / (baud * f64::from(TURN_LASTS_S) / 8.0)).ceil();
    let transmissions = TRANSMISSIONS + 2.0 * (turns - 1.0);
    // The last frame of a transmission is half full on average.
    let frames = (octets / IN_FRAME).ceil() + transmissions / 2.0;
    let bits = (octets + BESIDE_FRAME * frames) * 8.0 * STUFFED;
    bits / baud * (1 + digipeaters) as f64 + TURN_S * transmissions
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_estimate_is_near_what_was_measured() {
        // Of docs/mail-exchange.md, "What it costs": seconds at 300 baud of the exchanges with so many octets in all.
        for (octets, seconds) in [(158, 9.5), (592, 25.3), (3320, 125.0), (4443, 167.5)] {
            let estimate = on_the_air(octets - BESIDE as usize, 300, 0);
            let off = (estimate - seconds).abs() / seconds;
            assert!(off < 0.02, "{octets} octets: {estimate} s, not {seconds} s");
        }
    }

    #[test]
    fn a_digipeater_doubles_what_is_sent_but_not_the_turns() {
        let turns = TURN_S * TRANSMISSIONS;
        let (direct, one) = (on_the_air(500, 1200, 0), on_the_air(500, 1200, 1));
        assert!((one - turns - 2.0 * (direct - turns)).abs() < 1e-9);
    }
}
