//! Guesses at what could not be read: for eyes only.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::AddressField;
use dunlin_framing::DOUBTFUL;

use super::receiver::ReceptionReport;

/// Doubtful octets that are named one by one; more are only counted.
const MOST_NAMED: usize = 8;

/// What somebody may have sent, although its frame check is wrong.
///
/// It is no frame: nothing in the station takes one, and no frame is made from it. It is told
/// only as a part of [`Unreadable`](super::ReceiverEvent::Unreadable), for people to see.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    octets: Vec<u8>,
    certainty: Vec<f32>,
    address: f32,
    whole: f32,
    report: ReceptionReport,
}

impl Guess {
    pub(super) fn new(guess: dunlin_framing::Guess, report: ReceptionReport) -> Self {
        Guess {
            octets: guess.octets,
            certainty: guess.certainty,
            address: guess.head,
            whole: guess.whole,
            report,
        }
    }

    /// The octets without the FCS, in the likeliest reading that could have been sent.
    pub fn octets(&self) -> &[u8] {
        &self.octets
    }

    /// How likely it is that each octet is right, 0 to 1.
    pub fn certainty(&self) -> &[f32] {
        &self.certainty
    }

    /// The places of the octets, counted from 0, that are right with less than 90 %.
    pub fn doubtful(&self) -> Vec<usize> {
        let all = self.certainty.iter().enumerate();
        all.filter(|(_, c)| **c < DOUBTFUL)
            .map(|(n, _)| n)
            .collect()
    }

    /// How likely it is that all addresses and the control field are right, 0.5 to 1.
    pub fn address(&self) -> f32 {
        self.address
    }

    /// How likely it is that every octet is right and only the frame check was hit, 0 to 1.
    pub fn whole(&self) -> f32 {
        self.whole
    }

    /// What was measured while it was heard.
    pub fn report(&self) -> &ReceptionReport {
        &self.report
    }

    /// The sender, as far as it can be told; empty if not.
    pub fn from(&self) -> String {
        AddressField::decode(&self.octets)
            .map_or(String::new(), |(field, _)| field.source.to_string())
    }

    /// One line that renders it, without a word that it is a guess.
    pub fn text(&self) -> String {
        match Frame::decode_overheard(&self.octets) {
            Ok(frame) => frame.to_string(),
            Err(error) => format!("not decodable as AX.25: {error}"),
        }
    }

    /// How sure it is, for people.
    pub fn how_sure(&self) -> String {
        let percent = |x: f32| (100.0 * x).min(99.0).floor();
        let doubtful = self.doubtful();
        let places: Vec<String> = doubtful.iter().map(|n| (n + 1).to_string()).collect();
        let which = match places.len() {
            0 => "no single octet is doubtful, but at least one bit is wrong".to_owned(),
            1 => format!("octet {} is doubtful", places[0]),
            n if n <= MOST_NAMED => format!("octets {} are doubtful", places.join(", ")),
            n => format!("{n} of {} octets are doubtful", self.octets.len()),
        };
        format!(
            "the frame check is wrong; addresses right with {} %, everything with {} %; {which}",
            percent(self.address),
            percent(self.whole)
        )
    }
}
