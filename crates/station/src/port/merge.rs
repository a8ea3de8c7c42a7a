//! One answer from branches that hear the same sound: the best copy of every frame, and at
//! most one complaint about what nobody could read.

use std::collections::VecDeque;

use dunlin_clock::SampleCount;

use super::receiver::{ReceiverEvent, ReceptionReport, UnreadableReason};

/// Edges of the carrier and spans of frames that are remembered.
const REMEMBERED: usize = 64;
/// Frames and complaints that may wait at a time; more come out at once.
const MOST_WAITING: usize = 32;

/// Collects what the branches found and gives each thing out once.
#[derive(Clone, Debug)]
pub(super) struct Merger {
    /// How long to wait for another branch's copy, samples.
    patience: u64,
    /// So long after its end a complaint still waits for a late branch to read what it is about,
    /// samples.
    settling: u64,
    frames: VecDeque<(Vec<u8>, ReceptionReport)>,
    complaints: VecDeque<(UnreadableReason, ReceptionReport)>,
    /// Frames that were given out lately.
    given: VecDeque<(Vec<u8>, Span)>,
    carrier: VecDeque<(bool, SampleCount)>,
    /// Where check octets of forward error correction were, which are no frames.
    checks: VecDeque<Span>,
}

type Span = (SampleCount, SampleCount);

fn span(report: &ReceptionReport) -> Span {
    (report.start, report.end)
}

/// Samples that two spans share.
fn shared(a: Span, b: Span) -> u64 {
    a.1.min(b.1).0.saturating_sub(a.0.max(b.0).0)
}

/// True if two spans share at least half of the shorter one.
fn same_place(a: Span, b: Span) -> bool {
    let length = |s: Span| s.1.0.saturating_sub(s.0.0);
    2 * shared(a, b) > length(a).min(length(b))
}

fn remember<T>(list: &mut VecDeque<T>, item: T) {
    if list.len() == REMEMBERED {
        list.pop_front();
    }
    list.push_back(item);
}

impl Merger {
    pub(super) fn new(patience: u64, settling: u64) -> Self {
        Merger {
            patience,
            settling,
            frames: VecDeque::with_capacity(MOST_WAITING),
            complaints: VecDeque::with_capacity(MOST_WAITING),
            given: VecDeque::with_capacity(REMEMBERED),
            carrier: VecDeque::with_capacity(REMEMBERED),
            checks: VecDeque::with_capacity(REMEMBERED),
        }
    }

    /// How long a frame waits for another branch, samples.
    pub(super) fn patience(&self) -> u64 {
        self.patience
    }

    /// Data began or ended to be heard.
    pub(super) fn carrier(&mut self, on: bool, at: SampleCount) {
        remember(&mut self.carrier, (on, at));
    }

    /// Check octets were heard. What begins among them and is no frame is not complained of.
    pub(super) fn check_octets(&mut self, start: SampleCount, end: SampleCount) {
        remember(&mut self.checks, (start, end));
    }

    /// A branch read a frame.
    pub(super) fn frame(&mut self, octets: Vec<u8>, report: ReceptionReport) {
        let twin = |o: &[u8], s: Span| o == octets && same_place(s, span(&report));
        if self.given.iter().any(|(o, s)| twin(o, *s)) {
            return;
        }
        match self.frames.iter_mut().find(|(o, r)| twin(o, span(r))) {
            Some((_, known)) if known.snr_db < report.snr_db => *known = report,
            Some(_) => {}
            None => self.frames.push_back((octets, report)),
        }
    }

    /// A branch found something that was no frame. Only counts where data was heard.
    pub(super) fn complaint(&mut self, reason: UnreadableReason, report: ReceptionReport) {
        let place = span(&report);
        let length = place.1.0.saturating_sub(place.0.0);
        if 2 * self.heard_within(place) < length {
            return;
        }
        match self
            .complaints
            .iter_mut()
            .find(|(_, r)| shared(span(r), place) > 0)
        {
            // The longest span says most.
            Some(known) if length > known.1.end.0 - known.1.start.0 => *known = (reason, report),
            Some(_) => {}
            None => self.complaints.push_back((reason, report)),
        }
    }

    /// How many samples of a span had the carrier on.
    fn heard_within(&self, place: Span) -> u64 {
        let ends = self.carrier.iter().skip(1).map(|(_, at)| *at);
        let spans = self.carrier.iter().zip(ends.chain([SampleCount(u64::MAX)]));
        spans
            .filter(|((on, _), _)| *on)
            .map(|((_, from), to)| shared((*from, to), place))
            .sum()
    }

    /// Gives out what is ripe: `reached` is how far all branches have come, `oldest_open` is
    /// where the oldest frame began that a branch is still receiving.
    pub(super) fn release(
        &mut self,
        reached: SampleCount,
        oldest_open: Option<SampleCount>,
        out: &mut Vec<ReceiverEvent>,
    ) {
        let ripe = |r: &ReceptionReport| r.end + self.patience <= reached;
        while self.frames.front().is_some_and(|(_, r)| ripe(r)) || self.frames.len() > MOST_WAITING
        {
            let Some((octets, report)) = self.frames.pop_front() else {
                break;
            };
            remember(&mut self.given, (octets.clone(), span(&report)));
            out.push(ReceiverEvent::Frame { octets, report });
        }
        // A longer frame may still turn out to cover what one branch could not read.
        let settled = |r: &ReceptionReport| {
            r.end + self.settling <= reached && oldest_open.is_none_or(|o| o > r.end)
        };
        while self.complaints.front().is_some_and(|(_, r)| settled(r))
            || self.complaints.len() > MOST_WAITING
        {
            let Some((reason, report)) = self.complaints.pop_front() else {
                break;
            };
            let place = span(&report);
            let read = |s: Span| shared(s, place) > 0;
            let begins_in = |s: &Span| (s.0..=s.1).contains(&place.0);
            if self.checks.iter().any(begins_in) {
                continue;
            }
            if !self.given.iter().any(|(_, s)| read(*s)) {
                out.push(ReceiverEvent::Unreadable { reason, report });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use dunlin_framing::RejectReason;

    use super::*;

    fn report(start: u64, end: u64, snr_db: f32) -> ReceptionReport {
        ReceptionReport {
            start: SampleCount(start),
            end: SampleCount(end),
            level_dbfs: -10.0,
            offset_hz: None,
            twist_db: None,
            snr_db: Some(snr_db),
            drift_hz_s: None,
            rate_error_ppm: None,
            clipped: None,
            repaired_bits: 0,
            confidence: None,
            how: "",
            fec: None,
        }
    }

    fn bad() -> UnreadableReason {
        UnreadableReason::Rejected(RejectReason::BadFcs)
    }

    fn all(merger: &mut Merger) -> Vec<ReceiverEvent> {
        let mut out = Vec::new();
        merger.release(SampleCount(1_000_000), None, &mut out);
        out
    }

    #[test]
    fn copies_become_the_best_copy_and_repeats_stay() {
        let mut merger = Merger::new(100, 100);
        merger.frame(vec![1], report(1000, 2000, 8.0));
        merger.frame(vec![1], report(1004, 1999, 12.0));
        merger.frame(vec![1], report(2100, 3100, 9.0));
        let frame = |r| ReceiverEvent::Frame {
            octets: vec![1],
            report: r,
        };
        assert_eq!(
            all(&mut merger),
            [
                frame(report(1004, 1999, 12.0)),
                frame(report(2100, 3100, 9.0))
            ]
        );
        merger.frame(vec![1], report(2101, 3101, 20.0));
        assert_eq!(all(&mut merger), []);
    }

    #[test]
    fn nothing_comes_out_before_all_branches_had_their_turn() {
        let mut merger = Merger::new(100, 100);
        merger.frame(vec![1], report(1000, 2000, 8.0));
        let mut out = Vec::new();
        merger.release(SampleCount(2099), None, &mut out);
        assert!(out.is_empty());
        merger.release(SampleCount(2100), None, &mut out);
        assert_eq!(out.len(), 1);
    }

    #[test]
    fn a_complaint_needs_a_carrier_and_yields_to_a_frame() {
        let mut merger = Merger::new(100, 100);
        merger.complaint(bad(), report(1000, 2000, 3.0));
        assert_eq!(all(&mut merger), [], "nothing was heard");
        merger.carrier(true, SampleCount(900));
        merger.carrier(false, SampleCount(5000));
        merger.complaint(bad(), report(1000, 2000, 3.0));
        merger.complaint(bad(), report(1001, 2001, 4.0));
        assert_eq!(
            all(&mut merger),
            [ReceiverEvent::Unreadable {
                reason: bad(),
                report: report(1000, 2000, 3.0)
            }]
        );
        merger.complaint(bad(), report(3000, 3500, 3.0));
        merger.frame(vec![1], report(2900, 4000, 8.0));
        assert_eq!(all(&mut merger).len(), 1, "only the frame");
    }

    #[test]
    fn a_complaint_waits_for_a_frame_that_is_still_being_received() {
        let mut merger = Merger::new(100, 100);
        merger.carrier(true, SampleCount(0));
        merger.complaint(bad(), report(1000, 2000, 3.0));
        let mut out = Vec::new();
        merger.release(SampleCount(9000), Some(SampleCount(999)), &mut out);
        assert!(out.is_empty());
        merger.release(SampleCount(9000), Some(SampleCount(2001)), &mut out);
        assert_eq!(out.len(), 1);
    }
}
