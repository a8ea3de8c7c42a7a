//! Whether text arrived as it was written: the octets written at one end of a talk against those
//! that came out at the other, also across bands.

use dunlin_ax25::CallSign;
use dunlin_station::Direction;
use serde::Serialize;

use super::talks::{TalkLedger, TalkRecord};
use crate::scenario::Scenario;

/// End of a line on the air.
const LINE_END: u8 = b'\r';

/// The text of one talk, both ways.
#[derive(Clone, Debug, Serialize)]
pub struct Delivery {
    /// When it was opened, ms.
    pub opened_ms: u64,
    /// Number of the station that called.
    #[serde(skip)]
    pub from_station: usize,
    /// Number of the station reached in the end.
    #[serde(skip)]
    pub to_station: usize,
    /// Number of the station that carried it across bands.
    #[serde(skip)]
    pub through_station: Option<usize>,
    /// Call sign of the station that called.
    pub from: CallSign,
    /// Call sign of the station reached.
    pub to: CallSign,
    /// Call sign of the crossing, if there was one.
    pub through: Option<CallSign>,
    /// From the caller.
    pub there: Way,
    /// To the caller.
    pub back: Way,
}

/// One way of a talk.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Way {
    /// Octets written at one end, acknowledged to it, and meant for the other end.
    pub written: usize,
    /// How they came out at the other end.
    pub arrival: Arrival,
    /// So many octets came out as they were written before anything else came.
    pub as_written: usize,
}

/// How octets came out at the other end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Arrival {
    /// All, in one piece: none missing, changed, added or moved.
    Whole,
    /// The first of them as written, then the talk ended or the rehearsal was over.
    CutShort,
    /// Something else than what was written.
    Unlike,
}

impl Way {
    /// Compares what was written with what came out. A crossing speaks to its visitor in lines
    /// of its own that begin with `own`; before the first line and after the last of the far
    /// end's they are not part of the text.
    fn compare(written: &[u8], received: &[u8], own: Option<&str>) -> Way {
        let mut text = received;
        if let Some(own) = own {
            let start = written
                .split_inclusive(|&o| o == LINE_END)
                .next()
                .unwrap_or(written);
            text = find(text, start).map_or(&[], |at| &text[at..]);
            if !text.starts_with(written) {
                text = find(text, own.as_bytes()).map_or(text, |at| &text[..at]);
            }
        }
        let same = written.iter().zip(text).take_while(|(a, b)| a == b).count();
        let arrival = match (same == written.len(), same == text.len()) {
            (true, true) => Arrival::Whole,
            // A crossing's last words, or text that arrived though its acknowledgement did not.
            (true, false) => Arrival::Whole,
            (false, true) => Arrival::CutShort,
            (false, false) => Arrival::Unlike,
        };
        Way {
            written: written.len(),
            arrival,
            as_written: same,
        }
    }
}

impl TalkLedger {
    /// The text of all talks whose both ends are in the scenario, in the order of the callers.
    /// What runs through a crossing is told once, from the visitor to the station reached.
    pub fn deliveries(&self, scenario: &Scenario) -> Vec<Delivery> {
        let outgoing = self.talks().filter(|(_, talk)| !talk.view.incoming);
        let told = outgoing.filter_map(|(station, talk)| {
            let owner = scenario.owner(talk.view.remote)?;
            let config = &scenario.stations[owner].config;
            match config.crossings.iter().find(|c| c.call == talk.view.remote) {
                Some(_) => self.across(scenario, station, talk, owner),
                None => self.direct(station, talk, owner),
            }
        });
        told.collect()
    }

    fn direct(&self, station: usize, near: &TalkRecord, owner: usize) -> Option<Delivery> {
        near.open_ms?;
        let far: Vec<&TalkRecord> = self.far_ends(near, owner).collect();
        let written = near.octets(Direction::Sent);
        let received = all_octets(&far, Direction::Received);
        let there = Way::compare(&written, &received, None);
        let written = all_octets(&far, Direction::Sent);
        let received = near.octets(Direction::Received);
        Some(Delivery {
            opened_ms: near.view.opened_ms,
            from_station: station,
            to_station: owner,
            through_station: None,
            from: near.view.local,
            to: near.view.remote,
            through: None,
            there,
            back: Way::compare(&written, &received, None),
        })
    }

    /// `None` if the crossing never reached a far station.
    fn across(
        &self,
        scenario: &Scenario,
        station: usize,
        near: &TalkRecord,
        by: usize,
    ) -> Option<Delivery> {
        let crossing = self.crossing_of(near, by)?;
        let to = crossing.view.far.remote?;
        let reached = scenario.owner(to)?;
        let far = self.beyond(crossing, reached, to)?;
        let rules = &scenario.stations[by].config.crossings;
        let asked = rules
            .iter()
            .any(|r| r.call == near.view.remote && r.reach.len() != 1);
        let written = near.octets(Direction::Sent);
        let written = if asked {
            after_naming(written, to)
        } else {
            written
        };
        // The first line is the crossing's own: who is here, and by way of whom.
        let received = after_first_line(&far.octets(Direction::Received));
        let there = Way::compare(&written, &received, None);
        let written = far.octets(Direction::Sent);
        let received = near.octets(Direction::Received);
        let own = format!("{}:", scenario.stations[by].config.call);
        Some(Delivery {
            opened_ms: near.view.opened_ms,
            from_station: station,
            to_station: reached,
            through_station: Some(by),
            from: near.view.local,
            to,
            through: Some(near.view.remote),
            there,
            back: Way::compare(&written, &received, Some(&own)),
        })
    }
}

fn all_octets(talks: &[&TalkRecord], direction: Direction) -> Vec<u8> {
    talks.iter().flat_map(|t| t.octets(direction)).collect()
}

/// What follows the line in which the visitor named the station to reach.
fn after_naming(written: Vec<u8>, to: CallSign) -> Vec<u8> {
    let mut start = 0;
    for line in written.split_inclusive(|&o| o == LINE_END) {
        start += line.len();
        let named = String::from_utf8_lossy(line).trim().parse::<CallSign>();
        if named == Ok(to) {
            return written[start..].to_vec();
        }
    }
    written
}

fn after_first_line(octets: &[u8]) -> Vec<u8> {
    let end = octets.iter().position(|&o| o == LINE_END);
    end.map_or(Vec::new(), |end| octets[end + 1..].to_vec())
}

fn find(octets: &[u8], piece: &[u8]) -> Option<usize> {
    if piece.is_empty() {
        return Some(0);
    }
    octets.windows(piece.len()).position(|w| w == piece)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_naming_line_is_no_text_for_the_far_end() {
        let to = "QX0RLF".parse().expect("call sign");
        let rest = |text: &[u8]| after_naming(text.to_vec(), to);
        assert_eq!(rest(b"hello?\rqx0rlf\rone\rtwo\r"), b"one\rtwo\r");
        assert_eq!(rest(b"QX0RLF\r"), b"");
        assert_eq!(rest(b"never named\r"), b"never named\r");
    }

    #[test]
    fn text_must_come_out_unbroken() {
        let arrival = |w: &[u8], r: &[u8]| Way::compare(w, r, None).arrival;
        assert_eq!(arrival(b"abc\rdef\r", b"abc\rdef\r"), Arrival::Whole);
        assert_eq!(arrival(b"abc\rdef\r", b"abc\rde"), Arrival::CutShort);
        assert_eq!(
            arrival(b"abc\rdef\r", b"abc\rINSERTED\rdef\r"),
            Arrival::Unlike
        );
        assert_eq!(arrival(b"abc\r", b"Abc\r"), Arrival::Unlike);
        assert_eq!(after_first_line(b"QM3BAR is here\rabc\r"), b"abc\r");
        assert_eq!(after_first_line(b"no end"), b"");
    }

    #[test]
    fn the_lines_of_a_crossing_itself_are_told_from_the_text() {
        let arrival = |r: &[u8]| Way::compare(b"abc\rQX\r", r, Some("QA1SKY:")).arrival;
        assert_eq!(arrival(b"QA1SKY: hello\rabc\rQX\r"), Arrival::Whole);
        assert_eq!(
            arrival(b"QA1SKY: hello\rabc\rQX\rQA1SKY: ended\r"),
            Arrival::Whole
        );
        assert_eq!(
            arrival(b"QA1SKY: hello\rabc\rQA1SKY: ended\r"),
            Arrival::CutShort
        );
        assert_eq!(arrival(b"QA1SKY: hello\r"), Arrival::CutShort);
        assert_eq!(arrival(b"QA1SKY: hello\rabc\rQY\r"), Arrival::Unlike);
    }
}
