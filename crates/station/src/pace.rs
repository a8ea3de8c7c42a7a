//! How long the frames with text to one station are, and how many go out before its answer: by
//! what was lost of late, and by what a frame and an exchange cost on this port. Down at once, up
//! slowly. The sums are derived in `docs/goodput.md`.

use serde::Serialize;

/// Shortest text that is chosen, octets.
const SHORTEST: usize = 16;
/// Longest text of a frame: the standard's default N1 (AX.25 2.2 §6.3.2), which every station
/// takes.
pub(crate) const LONGEST: usize = 256;
/// Lengths are multiples of this.
const STEP: usize = 8;
/// After so many frames what was seen before counts half.
const HALF_LIFE: f64 = 120.0;
/// What is believed before anything was seen: so many frames, of which one in twenty was lost.
const BELIEVED: f64 = 5.0;
const BELIEVED_LOST: f64 = 0.25;
/// Frames that have to arrive before the next step up.
const STEP_AFTER: u32 = 8;
/// A step up is at most this part of the length.
const STEP_UP: usize = 8;
/// So many of the last eight frames lost, where far fewer were expected: what was seen before
/// counts little.
const SURPRISE: u32 = 6;
const EXPECTED: f64 = 0.3;
/// What then, and from an earlier talk, is left of it, frames.
const AFTER_SURPRISE: f64 = 4.0;
const FROM_EARLIER: f64 = 24.0;

/// How what is missing is sent again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Repeat {
    /// Everything from the missing frame on (REJ).
    FromThere,
    /// The missing frame alone (SREJ).
    Alone,
}

/// What sending costs on a port and a path. Times in seconds, lengths in bits on the air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Costs {
    /// Bits a second.
    pub(crate) baud: f64,
    /// An exchange besides its frames: waits for a slot, key-up delays and tails of both.
    pub(crate) exchange: f64,
    /// A frame besides its text, and each octet of text.
    pub(crate) frame: f64,
    pub(crate) octet: f64,
    /// A frame that acknowledges, or asks for a missing one.
    pub(crate) answer: f64,
    /// Room for frames in the longest transmission.
    pub(crate) room: f64,
    /// What it takes until an answer that never came is replaced by another.
    pub(crate) silence: f64,
    /// How often each transmission is sent on the way: 1 without digipeaters.
    pub(crate) hops: f64,
}

impl Costs {
    /// Bits of a frame with so much text.
    pub(crate) fn bits(&self, length: usize) -> f64 {
        self.frame + self.octet * length as f64
    }

    /// Frames of this length that go into one transmission, at least one.
    pub(crate) fn fit(&self, length: usize) -> u8 {
        let fit = self.room * self.baud / self.bits(length);
        fit.clamp(1.0, 127.0) as u8
    }

    /// Octets of text a second, with `window` frames at most unanswered and `errors` wrong bits
    /// in a bit.
    pub(crate) fn goodput(&self, repeat: Repeat, length: usize, window: u8, errors: f64) -> f64 {
        let bits = self.bits(length);
        let burst = f64::from(window.min(self.fit(length)));
        let good = (-errors * bits).exp();
        let answer_good = (-errors * self.answer).exp();
        let none_heard = (1.0 - good).powf(burst);
        let (arrived, answers) = match repeat {
            Repeat::Alone => (burst * good, 1.0 + burst * (1.0 - good)),
            Repeat::FromThere if good >= 1.0 => (burst, 1.0),
            Repeat::FromThere => (good * (1.0 - good.powf(burst)) / (1.0 - good), 1.0),
        };
        let unanswered = none_heard + (1.0 - none_heard) * (1.0 - answer_good).powf(answers);
        let air = (burst * bits + answers * self.answer) / self.baud;
        let time = (self.exchange + air) * self.hops + unanswered * self.silence;
        arrived * length as f64 / time
    }

    /// The best length up to `length` and window up to `window`.
    fn best(&self, repeat: Repeat, length: usize, window: u8, errors: f64) -> (usize, u8) {
        let lengths = (SHORTEST..=length).step_by(STEP).chain([length]);
        let windows = |n| match repeat {
            // Sending more never hurts there: what is missing comes alone.
            Repeat::Alone => window..=window,
            Repeat::FromThere => 1..=window.min(self.fit(n)),
        };
        let choices = lengths.flat_map(|n| windows(n).map(move |k| (n, k)));
        let fits = |&(n, _): &(usize, u8)| n <= SHORTEST || self.bits(n) <= self.room * self.baud;
        let rated = choices
            .filter(fits)
            .map(|(n, k)| (self.goodput(repeat, n, k, errors), (n, k)));
        let best = rated.max_by(|a, b| a.0.total_cmp(&b.0));
        best.map_or((length, window), |(_, choice)| choice)
    }
}

/// What was seen of the frames to one station.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Seen {
    /// Frames of which it is known whether they arrived, and those of them that were lost; each
    /// weighted by its age.
    frames: f64,
    lost: f64,
    /// Bits of all of them.
    bits: f64,
    /// The last eight: 1 = lost.
    last: u8,
}

impl Seen {
    fn take(&mut self, lost: bool, bits: f64) {
        let fade = 0.5_f64.powf(1.0 / HALF_LIFE);
        self.frames = self.frames * fade + 1.0;
        self.lost = self.lost * fade + f64::from(u8::from(lost));
        self.bits = self.bits * fade + bits;
        let expected = self.share();
        self.last = self.last << 1 | u8::from(lost);
        if self.last.count_ones() >= SURPRISE && expected < EXPECTED {
            self.weaken(AFTER_SURPRISE);
            self.last = 0;
        }
    }

    /// Lets it count for at most so many frames.
    fn weaken(&mut self, most: f64) {
        if self.frames > most {
            let part = most / self.frames;
            self.frames *= part;
            self.lost *= part;
            self.bits *= part;
        }
    }

    /// Share of frames lost, with what was believed before.
    fn share(&self) -> f64 {
        (self.lost + BELIEVED_LOST) / (self.frames + BELIEVED)
    }

    /// Wrong bits in a bit, if they are independent; `usual` = bits of a frame as long as none
    /// was seen.
    fn errors(&self, usual: f64) -> f64 {
        let bits = (self.bits + BELIEVED * usual) / (self.frames + BELIEVED);
        -(1.0 - self.share().min(0.99)).ln() / bits
    }
}

/// How text goes to one station, for people.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PaceView {
    /// Longest text in one frame now, octets.
    pub length_octets: usize,
    /// Frames sent at most before an answer is awaited.
    pub window_frames: u8,
    /// Share of frames lost of late, 0 to 1 in hundredths; `None` = too few were sent to say.
    pub lost: Option<f32>,
    /// The plan says both; else they follow what is lost.
    pub pinned: bool,
    /// The same in a sentence, with the reason.
    pub words: String,
}

/// What is kept of a station for the next talk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Kept {
    seen: Seen,
    length: usize,
    window: u8,
}

/// The pace to one station.
#[derive(Clone, Debug)]
pub(crate) struct Pace {
    costs: Costs,
    repeat: Repeat,
    pinned: bool,
    /// Longest text and widest window that the link allows.
    most: (usize, u8),
    seen: Seen,
    length: usize,
    window: u8,
    /// Frames that have arrived since the last step up.
    arrived: u32,
}

impl Pace {
    /// `plan` holds length and window of the plan: where it begins, and stays if `pinned`.
    pub(crate) fn new(costs: Costs, plan: (usize, u8), pinned: bool) -> Self {
        Pace {
            costs,
            repeat: Repeat::FromThere,
            pinned,
            most: plan,
            seen: Seen::default(),
            length: plan.0,
            window: plan.1,
            arrived: 0,
        }
    }

    /// Begins where an earlier talk with the station ended.
    pub(crate) fn resume(&mut self, kept: Kept) {
        self.seen = kept.seen;
        self.seen.weaken(FROM_EARLIER);
        self.seen.last = 0;
        if !self.pinned {
            (self.length, self.window) = (kept.length, kept.window);
        }
    }

    pub(crate) fn kept(&self) -> Kept {
        Kept {
            seen: self.seen,
            length: self.length,
            window: self.window,
        }
    }

    /// What the link has agreed on: how it repeats, the longest text, the widest window.
    pub(crate) fn agreed(&mut self, repeat: Repeat, length: usize, window: u8) {
        let most = (length.min(LONGEST), window.max(1));
        if (self.repeat, self.most) == (repeat, most) {
            return;
        }
        let other = self.repeat != repeat;
        (self.repeat, self.most) = (repeat, most);
        if !self.pinned && (other || self.window > most.1 || self.length > most.0) {
            self.choose(true);
        }
    }

    /// Of frames with `bits` bits each so many have arrived, and so many were lost.
    pub(crate) fn take(&mut self, arrived: u64, lost: u64, bits: f64) {
        // No more at once than can be outstanding.
        for _ in 0..lost.min(128) {
            self.seen.take(true, bits);
        }
        for _ in 0..arrived.min(128) {
            self.seen.take(false, bits);
        }
        self.arrived += arrived.min(128) as u32;
        if !self.pinned && arrived + lost > 0 {
            self.choose(false);
        }
    }

    /// Goes to the best choice: down at once, up by a step after so many frames.
    fn choose(&mut self, at_once: bool) {
        let errors = self.seen.errors(self.costs.bits(self.length));
        let (length, window) = self
            .costs
            .best(self.repeat, self.most.0, self.most.1, errors);
        let up = at_once || self.arrived >= STEP_AFTER;
        if up {
            self.arrived = 0;
        }
        let step = (self.length / STEP_UP).max(STEP);
        self.length = match up {
            true => length.min(self.length + step),
            false => length.min(self.length),
        };
        self.window = match (self.repeat, up) {
            (Repeat::Alone, _) => window,
            (_, true) => window.min(self.window + 1),
            (_, false) => window.min(self.window),
        };
    }

    /// Longest text of a frame now, octets.
    pub(crate) fn length(&self) -> usize {
        self.length.min(self.most.0)
    }

    /// Frames that may be unanswered now.
    pub(crate) fn window(&self) -> u8 {
        self.window.min(self.most.1)
    }

    /// Octets a second that go as it is now, if nothing else does.
    pub(crate) fn goodput(&self) -> f64 {
        let errors = self.seen.errors(self.costs.bits(self.length));
        let rate = self
            .costs
            .goodput(self.repeat, self.length(), self.window(), errors);
        rate.max(0.1)
    }

    pub(crate) fn costs(&self) -> &Costs {
        &self.costs
    }

    pub(crate) fn view(&self) -> PaceView {
        let counted = self.seen.frames >= 4.0;
        let lost = counted.then(|| (self.seen.lost / self.seen.frames * 100.0).round() / 100.0);
        let said = match lost {
            None => "too few frames so far to say how many are lost".to_owned(),
            Some(share) => format!("{:.0} % of the frames were lost of late", share * 100.0),
        };
        let (length, window) = (self.length(), self.window());
        let words = match self.pinned {
            true => format!("up to {length} octets, {window} before an answer, pinned; {said}"),
            false => format!("up to {length} octets, {window} before an answer; {said}"),
        };
        PaceView {
            length_octets: length,
            window_frames: window,
            lost: lost.map(|share| share as f32),
            pinned: self.pinned,
            words,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stop and wait of frames with `overhead` bits at 1 bit a second, where an answer takes no
    /// time and is never lost.
    fn stop_and_wait(overhead: f64) -> Costs {
        Costs {
            baud: 1.0,
            exchange: 0.0,
            frame: overhead,
            octet: 8.0,
            answer: 0.0,
            room: 1e9,
            silence: 0.0,
            hops: 1.0,
        }
    }

    /// Best information length, by the closed form L* = (sqrt(h^2 + 4h/lambda) - h) / 2 with
    /// lambda = -ln(1 - p) for the efficiency L/(L+h) (1-p)^(L+h): the derivative set to zero.
    fn closed_form(overhead: f64, p: f64) -> f64 {
        let lambda = -(1.0 - p).ln();
        ((overhead * overhead + 4.0 * overhead / lambda).sqrt() - overhead) / 2.0
    }

    #[test]
    fn the_best_length_is_that_of_the_closed_form() {
        // Lengths in octets, worked out beforehand with other means for these h and p.
        let table = [
            (1e-3, 160.0, 41.0),
            (1e-4, 160.0, 148.4),
            (1e-4, 520.0, 254.4),
            (1e-3, 520.0, 63.3),
        ];
        for (p, overhead, octets) in table {
            assert!((closed_form(overhead, p) / 8.0 - octets).abs() < 0.06);
            let costs = stop_and_wait(overhead);
            let errors = -(1.0_f64 - p).ln();
            let rate = |n: &usize| costs.goodput(Repeat::Alone, *n, 1, errors);
            let best = (1..=256)
                .max_by(|a, b| rate(a).total_cmp(&rate(b)))
                .expect("some");
            assert!((best as f64 - octets).abs() <= 1.0, "{best} for {octets}");
            // What is chosen is a multiple of eight beside it.
            let (chosen, _) = costs.best(Repeat::Alone, 256, 1, errors);
            assert!(
                (chosen as f64 - octets).abs() <= 8.0,
                "{chosen} for {octets}"
            );
        }
    }

    #[test]
    fn frames_of_one_burst_share_its_cost() {
        // Go-back-N, f = 0.1, k = 7: 4.695 frames of a burst arrive in order; SREJ: 6.3
        // (1-f)(1-(1-f)^k)/f and k(1-f), both by hand.
        let mut costs = stop_and_wait(0.0);
        let errors = -(0.9_f64).ln() / costs.bits(100);
        let burst = 7.0 * costs.bits(100);
        let frames = |costs: &Costs, repeat| costs.goodput(repeat, 100, 7, errors) * burst / 100.0;
        assert!((frames(&costs, Repeat::FromThere) - 4.695).abs() < 0.001);
        assert!((frames(&costs, Repeat::Alone) - 6.3).abs() < 0.001);
        costs.exchange = burst;
        assert!(
            (frames(&costs, Repeat::Alone) - 3.15).abs() < 0.001,
            "half of the time"
        );
    }

    /// A VHF port as a plan without figures has it.
    fn vhf() -> Costs {
        Costs {
            baud: 1200.0,
            exchange: 1.46,
            frame: 160.0,
            octet: 8.0,
            answer: 152.0,
            room: 9.6,
            silence: 5.0,
            hops: 1.0,
        }
    }

    #[test]
    fn it_goes_down_at_once_and_up_slowly() {
        let mut pace = Pace::new(vhf(), (128, 4), false);
        pace.agreed(Repeat::FromThere, 256, 7);
        for _ in 0..200 {
            pace.take(1, 0, pace.costs().bits(pace.length()));
        }
        assert_eq!(
            (pace.length(), pace.window()),
            (256, 5),
            "all that fits into ten seconds"
        );
        // One bit in a thousand is wrong from now on.
        let mut owed = 0.0;
        let mut frame = |pace: &mut Pace, errors: f64| {
            let bits = pace.costs().bits(pace.length());
            owed += 1.0 - (-errors * bits).exp();
            let lost = owed >= 1.0;
            owed -= f64::from(u8::from(lost));
            pace.take(u64::from(!lost), u64::from(lost), bits);
        };
        let mut frames = 0;
        while pace.length() > 64 {
            frame(&mut pace, 1e-3);
            frames += 1;
        }
        assert!(frames <= 30, "{frames} frames");
        (0..100).for_each(|_| frame(&mut pace, 1e-3));
        let low = pace.length();
        let mut frames = 0;
        while pace.length() < 200 {
            frame(&mut pace, 0.0);
            frames += 1;
        }
        assert!(
            (24..=64).contains(&low) && frames > 80,
            "from {low} within {frames} frames"
        );
    }

    #[test]
    fn the_next_talk_begins_where_the_last_one_ended() {
        let mut pace = Pace::new(vhf(), (128, 4), false);
        pace.agreed(Repeat::FromThere, 256, 7);
        for _ in 0..60 {
            pace.take(2, 1, pace.costs().bits(pace.length()));
        }
        let mut next = Pace::new(vhf(), (128, 4), false);
        next.resume(pace.kept());
        assert_eq!(
            (next.length(), next.window()),
            (pace.length(), pace.window())
        );
        assert_eq!(next.view().lost, pace.view().lost);
        // But what has changed since is soon believed.
        assert!(next.seen.frames <= FROM_EARLIER);
    }

    #[test]
    fn pinned_it_stays_and_still_counts() {
        let mut pace = Pace::new(vhf(), (128, 4), true);
        pace.agreed(Repeat::FromThere, 256, 7);
        for _ in 0..60 {
            pace.take(1, 1, pace.costs().bits(pace.length()));
        }
        assert_eq!((pace.length(), pace.window()), (128, 4));
        assert_eq!(pace.view().lost, Some(0.5));
        // Only what the link allows.
        pace.agreed(Repeat::Alone, 64, 2);
        assert_eq!((pace.length(), pace.window()), (64, 2));
    }
}
