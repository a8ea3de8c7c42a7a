//! A talk: what was written and what arrived, line by line, and how it stands.

use std::collections::VecDeque;

use dunlin_clock::Instant;

use crate::event::{Direction, LineId, TalkId, TalkLine, TalkState, TalkView, ms};
use crate::links::LinkKey;
use crate::words;

/// Octets that may wait in one talk.
pub(crate) const MOST_WAITING: usize = 64 * 1024;
/// Lines that may wait in one talk; below what is kept, so that none is forgotten before it
/// has arrived.
pub(crate) const MOST_WAITING_LINES: usize = 500;
/// Lines kept for a snapshot; the journal keeps them all.
const MOST_LINES: usize = 1000;
/// A received line is broken here if its end does not come.
const LONGEST_LINE: usize = 1024;
/// Pieces handed to the link and not acknowledged: twice the largest window of modulo 8.
const MOST_GIVEN: usize = 14;
/// The line end on the air. Common practice, no source.
pub(crate) const LINE_END: u8 = b'\r';

/// A piece of a line, as large as fits into one frame.
#[derive(Clone, Debug)]
struct Piece {
    line: LineId,
    octets: Vec<u8>,
}

/// One talk.
#[derive(Debug)]
pub(crate) struct Talk {
    pub(crate) id: TalkId,
    pub(crate) key: LinkKey,
    pub(crate) via: Vec<dunlin_ax25::CallSign>,
    pub(crate) incoming: bool,
    pub(crate) state: TalkState,
    pub(crate) words: String,
    pub(crate) since: Instant,
    pub(crate) opened: Instant,
    pub(crate) last_heard: Option<Instant>,
    pub(crate) retries: u32,
    lines: VecDeque<TalkLine>,
    next_line: LineId,
    /// Written, not yet handed to the link.
    unsent: VecDeque<Piece>,
    /// Handed to the link, not yet acknowledged.
    given: VecDeque<Piece>,
    /// The received line whose end has not come.
    growing: Option<LineId>,
    /// The received line that just ended with a carriage return: a line feed that follows
    /// at once belongs to it.
    just_ended: Option<LineId>,
}

impl Talk {
    pub(crate) fn new(id: TalkId, key: LinkKey, incoming: bool, now: Instant) -> Self {
        Talk {
            id,
            key,
            via: Vec::new(),
            incoming,
            state: TalkState::Calling,
            words: String::new(),
            since: now,
            opened: now,
            last_heard: None,
            retries: 0,
            lines: VecDeque::new(),
            next_line: 0,
            unsent: VecDeque::new(),
            given: VecDeque::new(),
            growing: None,
            just_ended: None,
        }
    }

    /// Changes how the talk stands; the only place that does.
    pub(crate) fn set_state(&mut self, now: Instant, state: TalkState, words: String) {
        if self.state != state {
            self.since = now;
        }
        self.state = state;
        self.words = words;
    }

    /// Octets written and not yet acknowledged.
    pub(crate) fn waiting_octets(&self) -> usize {
        let pieces = self.unsent.iter().chain(&self.given);
        pieces.map(|p| p.octets.len()).sum()
    }

    /// Writes text: one line for each line in it. Returns the new lines.
    pub(crate) fn say(&mut self, now: Instant, text: &str, info_length: usize) -> Vec<TalkLine> {
        let mut new = Vec::new();
        for line in text_lines(text) {
            let mut octets = line.as_bytes().to_vec();
            octets.push(LINE_END);
            let id = self.next_line;
            for piece in octets.chunks(info_length.max(1)) {
                let octets = piece.to_vec();
                self.unsent.push_back(Piece { line: id, octets });
            }
            let line = self.add(
                now,
                Direction::Sent,
                words::escaped(line.as_bytes()),
                octets,
            );
            new.push(line);
        }
        new
    }

    /// Whether anything that was written has not been handed to the link.
    pub(crate) fn has_more(&self) -> bool {
        !self.unsent.is_empty()
    }

    /// Lines written and not yet acknowledged.
    pub(crate) fn waiting_lines(&self) -> usize {
        let open = |l: &&TalkLine| l.direction == Direction::Sent && !l.complete && !l.lost;
        self.lines.iter().filter(open).count()
    }

    /// The pieces that now go to the link: few at a time, the rest waits here.
    pub(crate) fn give(&mut self) -> Vec<Vec<u8>> {
        let room = MOST_GIVEN.saturating_sub(self.given.len());
        let pieces: Vec<Piece> = self.unsent.drain(..room.min(self.unsent.len())).collect();
        self.given.extend(pieces.iter().cloned());
        pieces.into_iter().map(|p| p.octets).collect()
    }

    /// Takes note that `left` pieces of those given are not acknowledged yet. Returns the
    /// lines that thereby have arrived whole.
    pub(crate) fn acknowledged(&mut self, left: usize) -> Vec<TalkLine> {
        let mut arrived = Vec::new();
        while self.given.len() > left {
            let Some(piece) = self.given.pop_front() else {
                break;
            };
            let rest = self.given.front().or(self.unsent.front());
            if rest.is_some_and(|next| next.line == piece.line) {
                continue;
            }
            arrived.extend(self.change(piece.line, |line| line.complete = true));
        }
        arrived
    }

    /// Takes in what arrived. Returns the lines that are new or have grown.
    pub(crate) fn receive(&mut self, now: Instant, octets: &[u8]) -> Vec<TalkLine> {
        self.last_heard = Some(now);
        let mut touched: Vec<LineId> = Vec::new();
        for &octet in octets {
            let line = match (self.just_ended.take(), self.growing, octet) {
                (Some(ended), _, b'\n') => ended,
                (_, Some(line), _) => line,
                (_, None, _) => {
                    self.add(now, Direction::Received, String::new(), Vec::new())
                        .line
                }
            };
            let ends = octet == LINE_END || octet == b'\n';
            let mut length = 0;
            self.change(line, |l| {
                l.octets.push(octet);
                length = l.octets.len();
                l.complete |= ends || length >= LONGEST_LINE;
            });
            self.growing = (!ends && length < LONGEST_LINE).then_some(line);
            self.just_ended = (octet == LINE_END).then_some(line);
            if touched.last() != Some(&line) {
                touched.push(line);
            }
        }
        touched
            .into_iter()
            .filter_map(|id| {
                self.change(id, |l| {
                    let ends: &[u8] = b"\r\n";
                    let text = l.octets.iter().rposition(|o| !ends.contains(o));
                    l.text = words::escaped(&l.octets[..text.map_or(0, |last| last + 1)]);
                })
            })
            .collect()
    }

    /// Ends the talk. Returns the lines that never were acknowledged, marked as lost.
    pub(crate) fn end(&mut self, now: Instant, words: String) -> Vec<TalkLine> {
        self.set_state(now, TalkState::Ended, words);
        self.given.append(&mut self.unsent);
        self.growing = None;
        self.drop_given()
    }

    /// Gives up what was handed to the link and never acknowledged. Returns its lines, marked
    /// as lost; what is left of them unsent goes with them.
    pub(crate) fn drop_given(&mut self) -> Vec<TalkLine> {
        let mut lost: Vec<LineId> = self.given.drain(..).map(|p| p.line).collect();
        lost.dedup();
        self.unsent.retain(|p| !lost.contains(&p.line));
        lost.into_iter()
            .filter_map(|id| self.change(id, |line| line.lost = true))
            .collect()
    }

    /// The lines kept.
    pub(crate) fn lines(&self) -> impl Iterator<Item = &TalkLine> {
        self.lines.iter()
    }

    /// The view now.
    pub(crate) fn view(&self) -> TalkView {
        TalkView {
            id: self.id,
            port: self.key.port,
            local: self.key.local,
            remote: self.key.remote,
            via: self.via.clone(),
            incoming: self.incoming,
            state: self.state,
            words: self.words.clone(),
            since_ms: ms(self.since),
            opened_ms: ms(self.opened),
            waiting_octets: self.waiting_octets(),
            retries: self.retries,
            last_heard_ms: self.last_heard.map(ms),
        }
    }

    fn add(
        &mut self,
        now: Instant,
        direction: Direction,
        text: String,
        octets: Vec<u8>,
    ) -> TalkLine {
        let line = TalkLine {
            talk: self.id,
            line: self.next_line,
            at_ms: ms(now),
            direction,
            text,
            complete: false,
            lost: false,
            octets,
        };
        self.next_line += 1;
        if self.lines.len() >= MOST_LINES {
            self.lines.pop_front();
        }
        self.lines.push_back(line.clone());
        line
    }

    fn change(&mut self, id: LineId, change: impl FnOnce(&mut TalkLine)) -> Option<TalkLine> {
        let line = self.lines.iter_mut().rev().find(|l| l.line == id)?;
        change(line);
        Some(line.clone())
    }
}

/// The lines of a text, whichever way their ends are written.
pub(crate) fn text_lines(text: &str) -> impl Iterator<Item = &str> {
    let text = text.strip_suffix('\n').unwrap_or(text);
    let text = text.strip_suffix('\r').unwrap_or(text);
    text.split('\n')
        .map(|l| l.strip_suffix('\r').unwrap_or(l))
        .flat_map(|l| l.split('\r'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::PortId;

    fn talk() -> Talk {
        let key = LinkKey {
            port: PortId(0),
            local: "QA1SKY".parse().expect("call sign"),
            remote: "QM3BAR".parse().expect("call sign"),
        };
        Talk::new(TalkId(1), key, false, Instant::ZERO)
    }

    #[test]
    fn a_long_line_arrives_when_its_last_piece_is_acknowledged() {
        let mut t = talk();
        let lines = t.say(Instant::ZERO, "abcdefgh\nxy", 4);
        assert_eq!(lines.len(), 2);
        assert_eq!(t.give(), [&b"abcd"[..], b"efgh", b"\r", b"xy\r"]);
        assert_eq!(t.waiting_octets(), 12);
        assert!(t.acknowledged(2).is_empty());
        let arrived = t.acknowledged(1);
        assert_eq!(
            (arrived.len(), arrived[0].line, arrived[0].complete),
            (1, 0, true)
        );
        let lost = t.end(Instant::ZERO, "gone".into());
        assert_eq!((lost.len(), lost[0].line, lost[0].lost), (1, 1, true));
    }

    #[test]
    fn received_octets_are_kept_exactly_whatever_the_line_ends() {
        let mut t = talk();
        let sent: &[u8] = b"one\rtwo\r\nthree\n\rfo\xffur";
        for piece in sent.chunks(3) {
            t.receive(Instant::ZERO, piece);
        }
        let kept: Vec<u8> = t.lines().flat_map(|l| l.octets.clone()).collect();
        assert_eq!(kept, sent);
        let texts: Vec<&str> = t.lines().map(|l| l.text.as_str()).collect();
        assert_eq!(texts, ["one", "two", "three", "", "fo\\xffur"]);
        let complete: Vec<bool> = t.lines().map(|l| l.complete).collect();
        assert_eq!(complete, [true, true, true, true, false]);
    }

    #[test]
    fn a_line_without_end_is_broken() {
        let mut t = talk();
        t.receive(Instant::ZERO, &vec![b'a'; 3 * LONGEST_LINE]);
        assert_eq!(t.lines().count(), 3);
    }
}
