//! One answer from branches that hear the same sound: the best copy of every frame, and at
//! most one complaint about what nobody could read.

use std::collections::VecDeque;

use dunlin_clock::SampleCount;
use dunlin_framing::RejectReason;

use super::guess::Guess;
use super::receiver::{ReceiverEvent, ReceptionReport, UnreadableReason};

/// Edges of the carrier and spans of frames that are remembered.
const REMEMBERED: usize = 64;
/// Frames and complaints that may wait at a time; more come out at once.
const MOST_WAITING: usize = 32;

/// A repaired frame waits this many times longer than another for a branch that may read it
/// without repair.
const PATIENCE_FOR_REPAIRED: u64 = 16;

/// Collects what the branches found and gives each thing out once.
#[derive(Clone, Debug)]
pub(super) struct Merger {
    /// How long to wait for another branch's copy, samples.
    patience: u64,
    /// So long after its end a complaint still waits for a late branch to read what it is about,
    /// samples.
    settling: u64,
    frames: VecDeque<(Vec<u8>, ReceptionReport)>,
    complaints: VecDeque<(Complaint, ReceptionReport)>,
    /// Frames that were given out lately.
    given: VecDeque<Given>,
    carrier: VecDeque<(bool, SampleCount)>,
    /// Where check octets of forward error correction were, which are no frames.
    checks: VecDeque<Span>,
}

/// A frame that was given out.
#[derive(Clone, Debug)]
struct Given {
    octets: Vec<u8>,
    place: Span,
}

/// What nobody could read.
#[derive(Clone, Debug)]
struct Complaint {
    reason: UnreadableReason,
    guess: Option<Box<Guess>>,
}

pub(super) type Span = (SampleCount, SampleCount);

pub(super) fn span(report: &ReceptionReport) -> Span {
    (report.start, report.end)
}

/// How many samples long a span is.
pub(super) fn length(place: Span) -> u64 {
    place.1.0.saturating_sub(place.0.0)
}

/// Samples that two spans share.
pub(super) fn shared(a: Span, b: Span) -> u64 {
    a.1.min(b.1).0.saturating_sub(a.0.max(b.0).0)
}

/// True if two spans share at least half of the shorter one.
pub(super) fn same_place(a: Span, b: Span) -> bool {
    2 * shared(a, b) > length(a).min(length(b))
}

fn remember<T>(list: &mut VecDeque<T>, item: T) {
    remember_most(list, item, REMEMBERED);
}

/// Puts an item behind the others, of which at most `most` stay.
pub(super) fn remember_most<T>(list: &mut VecDeque<T>, item: T, most: usize) {
    while list.len() >= most {
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

    /// How long a frame waits for another branch at the longest, samples.
    pub(super) fn longest_wait(&self) -> u64 {
        self.settling + self.patience * PATIENCE_FOR_REPAIRED
    }

    /// Data began or ended to be heard.
    pub(super) fn carrier(&mut self, on: bool, at: SampleCount) {
        remember(&mut self.carrier, (on, at));
    }

    /// Check octets were heard. What begins among them and is no frame is not complained of.
    pub(super) fn check_octets(&mut self, start: SampleCount, end: SampleCount) {
        remember(&mut self.checks, (start, end));
    }

    /// A branch read a frame, at any time: also long after the others.
    pub(super) fn frame(&mut self, octets: Vec<u8>, report: ReceptionReport) {
        let place = span(&report);
        let twin = |o: &[u8], s: Span| o == octets && same_place(s, place);
        if self.given.iter().any(|g| twin(&g.octets, g.place)) {
            return;
        }
        let repaired = report.repaired_bits > 0;
        if repaired && self.is_contradicted(&octets, &report) {
            return;
        }
        self.frames.retain(|(o, r)| {
            let rival = *o != octets && same_place(span(r), place);
            !(rival && r.repaired_bits > 0)
        });
        match self.frames.iter_mut().find(|(o, r)| twin(o, span(r))) {
            Some((_, known)) if is_better(&report, known) => *known = report,
            Some(_) => {}
            None => self.frames.push_back((octets, report)),
        }
    }

    /// True if something surer than a repaired frame was read in the same place.
    fn is_contradicted(&self, octets: &[u8], report: &ReceptionReport) -> bool {
        let place = span(report);
        let other = |o: &[u8], s: Span| o != octets && same_place(s, place);
        self.given.iter().any(|g| other(&g.octets, g.place))
            || self
                .frames
                .iter()
                .any(|(o, r)| other(o, span(r)) && is_better(r, report))
    }

    /// A branch found something that was no frame. Only counts where data was heard.
    pub(super) fn complaint(&mut self, reason: UnreadableReason, report: ReceptionReport) {
        let place = span(&report);
        if 2 * self.heard_within(place) >= length(place) {
            self.about(reason, report);
        }
    }

    /// A branch guesses what it could not read. Of one transmission the surest guess stays. A head as
    /// frames have it tells of data better than the carrier, which weak signals do not raise.
    pub(super) fn guess(&mut self, guess: Guess) {
        let bad = UnreadableReason::Rejected(RejectReason::BadFcs);
        let complaint = self.about(bad, guess.report().clone());
        let known = complaint.guess.as_ref().map_or(0.0, |g| g.address());
        if guess.address() > known {
            complaint.guess = Some(Box::new(guess));
        }
    }

    /// The complaint about a place, which there may be already.
    fn about(&mut self, reason: UnreadableReason, report: ReceptionReport) -> &mut Complaint {
        let place = span(&report);
        let known = |(_, r): &(Complaint, ReceptionReport)| shared(span(r), place) > 0;
        let at = self.complaints.iter().position(known).unwrap_or_else(|| {
            let guess = None;
            let new = Complaint { reason, guess };
            self.complaints.push_back((new, report.clone()));
            self.complaints.len() - 1
        });
        let (complaint, told) = &mut self.complaints[at];
        // The longest span says most.
        if length(place) > length(span(told)) {
            complaint.reason = reason;
            *told = report;
        }
        complaint
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

    /// Gives out what is ripe: `reached` is how far all branches have come that others wait
    /// for, `oldest_open` is where the oldest frame began that one of them is still receiving.
    pub(super) fn release(
        &mut self,
        reached: SampleCount,
        oldest_open: Option<SampleCount>,
        out: &mut Vec<ReceiverEvent>,
    ) {
        let patience = self.patience;
        let ripe = |r: &ReceptionReport| r.end + patience <= reached;
        // A longer frame may still turn out to cover what one branch could not read, or what
        // it read by repair.
        let settled = |r: &ReceptionReport| {
            r.end + self.settling <= reached && oldest_open.is_none_or(|o| o > r.end)
        };
        let longest = self.longest_wait();
        let may_go = |r: &ReceptionReport| match r.repaired_bits {
            0 => ripe(r),
            _ => settled(r) || r.end + longest <= reached,
        };
        while let Some((octets, report)) = take_ripe(&mut self.frames, may_go) {
            let given = Given {
                octets: octets.clone(),
                place: span(&report),
            };
            remember(&mut self.given, given);
            out.push(ReceiverEvent::Frame { octets, report });
        }
        while let Some((complaint, report)) = take_ripe(&mut self.complaints, settled) {
            let place = span(&report);
            let read = |s: Span| shared(s, place) > 0;
            let begins_in = |s: &Span| (s.0..=s.1).contains(&place.0);
            let is_check = self.checks.iter().any(begins_in);
            let is_read = self.given.iter().any(|g| read(g.place))
                || self.frames.iter().any(|(_, r)| read(span(r)));
            if !is_check && !is_read {
                let Complaint { reason, guess } = complaint;
                out.push(ReceiverEvent::Unreadable {
                    reason,
                    report,
                    guess,
                });
            }
        }
    }
}

/// Takes out the first that is ripe, or the very first if too many wait.
fn take_ripe<T>(
    waiting: &mut VecDeque<(T, ReceptionReport)>,
    ripe: impl Fn(&ReceptionReport) -> bool,
) -> Option<(T, ReceptionReport)> {
    let first = waiting.iter().position(|(_, report)| ripe(report));
    let place = first.or((waiting.len() > MOST_WAITING).then_some(0))?;
    waiting.remove(place)
}

/// True if the first of two readings of one place is to be preferred: as it was told before
/// repaired, then the surer one, then the one less noisy.
fn is_better(a: &ReceptionReport, b: &ReceptionReport) -> bool {
    let sure = |r: &ReceptionReport| (r.repaired_bits > 0).then(|| r.confidence.unwrap_or(0.0));
    match (sure(a), sure(b)) {
        (None, Some(_)) => true,
        (Some(_), None) => false,
        (Some(a), Some(b)) if a != b => a > b,
        _ => a.snr_db > b.snr_db,
    }
}

#[cfg(test)]
mod tests {
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
                report: report(1000, 2000, 3.0),
                guess: None
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

    fn repaired(start: u64, end: u64, confidence: f32) -> ReceptionReport {
        ReceptionReport {
            repaired_bits: 2,
            confidence: Some(confidence),
            ..report(start, end, 20.0)
        }
    }

    fn frame(octets: &[u8], report: ReceptionReport) -> ReceiverEvent {
        ReceiverEvent::Frame {
            octets: octets.to_vec(),
            report,
        }
    }

    #[test]
    fn a_copy_as_it_is_told_beats_a_repaired_one_in_either_order() {
        let exact = report(1002, 1999, 3.0);
        for exact_first in [true, false] {
            let mut merger = Merger::new(100, 100);
            let both = [exact.clone(), repaired(1000, 2000, 0.999)];
            let order = if exact_first { [0, 1] } else { [1, 0] };
            for i in order {
                merger.frame(vec![1], both[i].clone());
            }
            assert_eq!(all(&mut merger), [frame(&[1], exact.clone())]);
        }
    }

    #[test]
    fn a_repaired_frame_yields_to_another_in_its_place_and_the_surer_one_stays() {
        for exact_first in [true, false] {
            let mut merger = Merger::new(100, 100);
            let exact = (vec![1], report(1002, 1999, 3.0));
            let wrong = (vec![2], repaired(1000, 2000, 0.999));
            let mut both = [exact.clone(), wrong];
            if !exact_first {
                both.reverse();
            }
            both.into_iter().for_each(|(o, r)| merger.frame(o, r));
            assert_eq!(all(&mut merger), [frame(&[1], exact.1)]);
            // One that comes late comes in vain.
            merger.frame(vec![2], repaired(1000, 2000, 0.999));
            assert_eq!(all(&mut merger), []);
        }
        for sure in [0.9, 0.7] {
            let mut merger = Merger::new(100, 100);
            merger.frame(vec![1], repaired(1000, 2000, 0.8));
            merger.frame(vec![2], repaired(1000, 2000, sure));
            let expected = if sure > 0.8 { 2 } else { 1 };
            let found = all(&mut merger);
            assert!(
                matches!(&found[..], [ReceiverEvent::Frame { octets, .. }] if octets[0] == expected)
            );
        }
    }

    #[test]
    fn a_repaired_frame_waits_for_a_frame_that_is_still_being_received_but_not_for_ever() {
        let mut merger = Merger::new(100, 100);
        merger.frame(vec![1], repaired(1000, 2000, 0.99));
        let mut out = Vec::new();
        merger.release(SampleCount(2500), Some(SampleCount(999)), &mut out);
        assert_eq!(out, []);
        merger.frame(vec![2], report(2100, 2300, 9.0));
        merger.release(SampleCount(2500), Some(SampleCount(999)), &mut out);
        assert_eq!(out, [frame(&[2], report(2100, 2300, 9.0))]);
        out.clear();
        merger.release(SampleCount(3700), Some(SampleCount(999)), &mut out);
        assert_eq!(out, [frame(&[1], repaired(1000, 2000, 0.99))]);
    }

    #[test]
    fn a_copy_that_comes_late_is_dropped_and_a_new_frame_that_comes_late_is_not() {
        let mut merger = Merger::new(100, 100);
        merger.frame(vec![1], report(1000, 2000, 8.0));
        merger.frame(vec![1], report(2100, 3100, 8.0));
        assert_eq!(all(&mut merger).len(), 2, "two true repeats");
        merger.frame(vec![1], report(1003, 2003, 12.0));
        merger.frame(vec![1], report(2103, 3103, 12.0));
        merger.frame(vec![1], report(4103, 5103, 12.0));
        assert_eq!(all(&mut merger), [frame(&[1], report(4103, 5103, 12.0))]);
    }

    fn guess(start: u64, end: u64, octet: u8, head: f32) -> Guess {
        let guess = dunlin_framing::Guess {
            octets: vec![octet; 15],
            certainty: vec![1.0; 15],
            head,
            whole: 0.1,
            start: SampleCount(start),
            end: SampleCount(end),
        };
        Guess::new(guess, report(start, end, 3.0))
    }

    #[test]
    fn of_one_transmission_the_surest_guess_is_told_and_none_beside_a_frame() {
        let mut merger = Merger::new(100, 100);
        merger.guess(guess(100, 900, 9, 0.99));
        assert_eq!(all(&mut merger).len(), 1, "without a carrier too");
        merger.carrier(true, SampleCount(0));
        merger.guess(guess(1000, 2000, 1, 0.6));
        merger.guess(guess(1002, 2001, 2, 0.9));
        merger.guess(guess(1001, 2000, 3, 0.7));
        merger.complaint(bad(), report(900, 2100, 3.0));
        let told = all(&mut merger);
        let [
            ReceiverEvent::Unreadable {
                report,
                guess: Some(told),
                ..
            },
        ] = &told[..]
        else {
            panic!("one complaint with a guess: {told:?}");
        };
        assert_eq!((report.start, told.octets()[0]), (SampleCount(900), 2));
        merger.guess(guess(3000, 4000, 1, 0.9));
        merger.frame(vec![1], self::report(2990, 3990, 8.0));
        assert!(matches!(
            &all(&mut merger)[..],
            [ReceiverEvent::Frame { .. }]
        ));
    }

    #[test]
    fn no_complaint_about_a_frame_that_still_waits() {
        let mut merger = Merger::new(100, 100);
        merger.carrier(true, SampleCount(0));
        merger.complaint(bad(), report(1000, 1500, 3.0));
        merger.frame(vec![1], repaired(1000, 2000, 0.99));
        let mut out = Vec::new();
        merger.release(SampleCount(2050), Some(SampleCount(1900)), &mut out);
        assert_eq!(out, []);
        assert_eq!(all(&mut merger), [frame(&[1], repaired(1000, 2000, 0.99))]);
    }
}
