//! A talk: what was written and what arrived, line by line, and how it stands.

use std::collections::VecDeque;

use dunlin_clock::Instant;

use crate::event::{Direction, LineId, TalkId, TalkLine, TalkState, TalkView, ms};
use crate::files::{Portion, TalkFiles};
use crate::links::LinkKey;
use crate::pace::PaceView;
use crate::words;

/// Octets that may wait in one talk.
pub(crate) const MOST_WAITING: usize = 64 * 1024;
/// Lines that may wait in one talk; below what is kept, so that none is forgotten before it
/// has arrived.
pub(crate) const MOST_WAITING_LINES: usize = 500;
/// From so many octets on that wait in one talk it is no longer somebody at the keyboard.
pub(crate) const MUCH: usize = 512;
/// What an open talk says of itself,
pub(crate) const CONNECTED: &str = "connected";
/// and what while much text in it waits for key-down time.
const SPARES_KEY: &str = "connected; much text waits, as the rest of the port's key-down time is kept for answers and short lines";
/// Lines kept for a snapshot; the journal keeps them all.
const MOST_LINES: usize = 1000;
/// A received line is broken here if its end does not come.
const LONGEST_LINE: usize = 1024;
/// What is no longer than this is an answer about a file rather than a part of one, octets.
const SHORT_PORTION: usize = 64;
/// The line end on the air. Common practice, no source.
pub(crate) const LINE_END: u8 = b'\r';

/// A line, or what is left of it, that has not been handed to the link.
#[derive(Clone, Debug)]
struct Unsent {
    line: LineId,
    octets: Vec<u8>,
    /// How many of them have been handed over.
    given: usize,
}

/// What went to the link as the text of one frame.
#[derive(Clone, Debug, Default)]
struct Given {
    /// The lines that are in it, whole or in part.
    lines: Vec<LineId>,
    /// How many of them end in it: all, or all but the last.
    ended: usize,
    octets: usize,
    /// It is no text, but a portion of files.
    portion: Option<Portion>,
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
    /// How its text goes, once it is connected.
    pub(crate) pace: Option<PaceView>,
    /// Files that go beside the text.
    pub(crate) files: TalkFiles,
    lines: VecDeque<TalkLine>,
    next_line: LineId,
    /// Written, not yet handed to the link.
    unsent: VecDeque<Unsent>,
    /// Handed to the link, not yet acknowledged.
    given: VecDeque<Given>,
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
            pace: None,
            files: TalkFiles::default(),
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

    /// Octets of text written and not yet acknowledged.
    pub(crate) fn waiting_octets(&self) -> usize {
        let unsent = self.unsent.iter().map(|u| u.octets.len() - u.given);
        let text = self.given.iter().filter(|g| g.portion.is_none());
        unsent.chain(text.map(|g| g.octets)).sum()
    }

    /// Writes text: one line for each line in it. Returns the new lines.
    pub(crate) fn say(&mut self, now: Instant, text: &str) -> Vec<TalkLine> {
        let mut new = Vec::new();
        for line in text_lines(text) {
            let mut octets = line.as_bytes().to_vec();
            octets.push(LINE_END);
            self.unsent.push_back(Unsent {
                line: self.next_line,
                // All text goes before the next portion of a file, as this asks for.
                octets: self.files.typed(octets.clone()),
                given: 0,
            });
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

    /// Whether anything, be it text or of a file, has not been handed to the link.
    pub(crate) fn has_more(&self) -> bool {
        !self.unsent.is_empty() || self.files.has_more()
    }

    /// What goes next is more than somebody types, or than an answer about a file.
    pub(crate) fn has_much_next(&self) -> bool {
        match self.unsent.is_empty() {
            false => self.waiting_octets() > MUCH,
            true => self.files.has_only_pieces(),
        }
    }

    /// It says that much text waits for key-down time.
    pub(crate) fn says_it_spares_key(&self) -> bool {
        self.words == SPARES_KEY
    }

    /// Says that much text waits for key-down time, or goes on. True if the words are new.
    pub(crate) fn spares_key(&mut self, now: Instant, waits: bool) -> bool {
        if waits == self.says_it_spares_key() || self.state != TalkState::Open {
            return false;
        }
        let words = if waits { SPARES_KEY } else { CONNECTED };
        self.set_state(now, TalkState::Open, words.to_owned());
        true
    }

    /// No text waits or is under way, and much of a file is or does.
    pub(crate) fn only_files_wait(&self) -> bool {
        let portions = self.given.iter().filter(|g| g.portion.is_some());
        let octets: usize = portions.map(|g| g.octets).sum();
        self.waiting_octets() == 0 && octets > SHORT_PORTION
    }

    /// The next frame: text, or a portion of files if no text waits. While key-down time is spared, nothing of what is much.
    pub(crate) fn give_next(&mut self, length: usize, sparing: bool) -> Option<Vec<u8>> {
        if sparing && self.has_much_next() {
            return None;
        }
        if let Some(text) = self.give(length) {
            return Some(text);
        }
        let (portion, octets) = self.files.give(length, sparing)?;
        self.given.push_back(Given {
            octets: octets.len(),
            portion: Some(portion),
            ..Given::default()
        });
        Some(octets)
    }

    /// Lines written and not yet acknowledged.
    pub(crate) fn waiting_lines(&self) -> usize {
        let open = |l: &&TalkLine| l.direction == Direction::Sent && !l.complete && !l.lost;
        self.lines.iter().filter(open).count()
    }

    /// The text of the next frame: as much as is written and goes into `length` octets, be it
    /// several lines or a part of one. A line that fits into a frame is not torn.
    pub(crate) fn give(&mut self, length: usize) -> Option<Vec<u8>> {
        let mut text = Vec::new();
        let mut given = Given::default();
        while let Some(first) = self.unsent.front_mut() {
            let room = length.max(1) - text.len();
            if room == 0 {
                break;
            }
            let rest = &first.octets[first.given..];
            let fits_whole = first.octets.len() <= length;
            if fits_whole && rest.len() > room && !text.is_empty() {
                break;
            }
            let part = &rest[..rest.len().min(room)];
            text.extend_from_slice(part);
            first.given += part.len();
            given.lines.push(first.line);
            if first.given == first.octets.len() {
                given.ended += 1;
                self.unsent.pop_front();
            }
        }
        given.octets = text.len();
        (!text.is_empty()).then(|| {
            self.given.push_back(given);
            text
        })
    }

    /// Takes note that `left` pieces of those given are not acknowledged yet. Returns the
    /// lines that thereby have arrived whole.
    pub(crate) fn acknowledged(&mut self, left: usize) -> Vec<TalkLine> {
        let mut arrived = Vec::new();
        while self.given.len() > left {
            let Some(given) = self.given.pop_front() else {
                break;
            };
            for &line in &given.lines[..given.ended] {
                arrived.extend(self.change(line, |line| line.complete = true));
            }
            if let Some(portion) = given.portion {
                self.files.has_arrived(portion);
            }
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
        self.growing = None;
        let unsent = self.unsent.drain(..).map(|u| Given {
            lines: vec![u.line],
            ..Given::default()
        });
        self.given.extend(unsent);
        self.drop_given()
    }

    /// Gives up what was handed to the link and never acknowledged. Returns its lines, marked
    /// as lost; what is left of them unsent goes with them.
    pub(crate) fn drop_given(&mut self) -> Vec<TalkLine> {
        let mut lost: Vec<LineId> = self.given.drain(..).flat_map(|g| g.lines).collect();
        lost.dedup();
        self.unsent.retain(|u| !lost.contains(&u.line));
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
            pace: self.pace.clone(),
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
        let lines = t.say(Instant::ZERO, "abcdefgh\nxy");
        assert_eq!(lines.len(), 2);
        assert_eq!(t.give(4).as_deref(), Some(&b"abcd"[..]));
        assert_eq!(t.give(6).as_deref(), Some(&b"efgh\r"[..]));
        assert_eq!(t.give(4).as_deref(), Some(&b"xy\r"[..]));
        assert_eq!((t.give(4), t.has_more()), (None, false));
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
    fn lines_are_gathered_into_one_frame_and_arrive_with_it() {
        let mut t = talk();
        t.say(Instant::ZERO, "one\ntwo\nthree");
        assert_eq!(t.give(256).as_deref(), Some(&b"one\rtwo\rthree\r"[..]));
        let arrived = t.acknowledged(0);
        assert_eq!(
            arrived.iter().map(|l| l.line).collect::<Vec<_>>(),
            [0, 1, 2]
        );
        assert!(arrived.iter().all(|l| l.complete));
    }

    #[test]
    fn a_line_of_which_a_part_is_given_up_is_lost_as_a_whole() {
        let mut t = talk();
        t.say(Instant::ZERO, "one\ntwo and more\nthree");
        assert_eq!(t.give(6).as_deref(), Some(&b"one\rtw"[..]));
        let lost = t.drop_given();
        assert_eq!(lost.iter().map(|l| l.line).collect::<Vec<_>>(), [0, 1]);
        assert_eq!(t.give(256).as_deref(), Some(&b"three\r"[..]));
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
