//! Where a transmission stands on a device that asks for sound without end: it gets silence
//! when there is nothing to send.

use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use dunlin_clock::SampleRate;

/// What the port asks of the player, which runs on the device's own thread.
pub(crate) enum Turn {
    /// Play this.
    Play(Vec<f32>),
    /// Drop what is left.
    Hush,
}

/// How far the transmission is, by the device's own word on its delay.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Progress {
    /// When its first sample left the device.
    pub(crate) began: Option<Instant>,
    /// Its last sample has left the device.
    pub(crate) ended: bool,
}

/// A [`Progress`] that the device's thread writes and the port's keeper reads.
#[derive(Clone, Debug, Default)]
pub(crate) struct Mark(Arc<Mutex<Progress>>);

impl Mark {
    /// To read or to write; nobody holds it for longer than that.
    pub(crate) fn lock(&self) -> MutexGuard<'_, Progress> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Gives a device its samples and notices when the first and the last of a transmission are
/// out.
pub(crate) struct Player {
    turns: Receiver<Turn>,
    samples: Vec<f32>,
    at: usize,
    /// Frames given to the device so far.
    given: u64,
    /// Value of `given` before the first frame of the transmission, until that is out.
    begins: Option<u64>,
    /// Value of `given` after the last frame of the transmission.
    ends: Option<u64>,
    mark: Mark,
    rate: SampleRate,
}

impl Player {
    /// A player for a device at `rate` that takes its transmissions from `turns` and notes in
    /// `mark` how far each is.
    pub(crate) fn new(turns: Receiver<Turn>, mark: Mark, rate: SampleRate) -> Self {
        Player {
            turns,
            samples: Vec::new(),
            at: 0,
            given: 0,
            begins: None,
            ends: None,
            mark,
            rate,
        }
    }

    /// Begins a buffer of the device whose first frame will be out `delay` frames from now.
    pub(crate) fn begin(&mut self, delay: u64) {
        while let Ok(turn) = self.turns.try_recv() {
            self.at = 0;
            self.ends = None;
            (self.samples, self.begins) = match turn {
                Turn::Play(samples) => (samples, Some(self.given)),
                Turn::Hush => (Vec::new(), None),
            };
        }
        let out = self.given.saturating_sub(delay);
        if let Some(begins) = self.begins.filter(|begins| out > *begins) {
            self.begins = None;
            let ago = self.rate.duration_of(out - begins);
            self.mark.lock().began = Instant::now().checked_sub(ago);
        }
        if self.ends.is_some_and(|ends| out >= ends) {
            self.ends = None;
            self.mark.lock().ended = true;
        }
    }

    /// The next sample.
    pub(crate) fn sample(&mut self) -> f32 {
        self.given += 1;
        let Some(&sample) = self.samples.get(self.at) else {
            return 0.0;
        };
        self.at += 1;
        if self.at == self.samples.len() {
            self.ends = Some(self.given);
        }
        sample
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    fn player(turns: Receiver<Turn>) -> (Player, Mark) {
        let mark = Mark::default();
        let rate = SampleRate::new(1000).expect("not zero");
        (Player::new(turns, mark.clone(), rate), mark)
    }

    fn fill(player: &mut Player, frames: usize, delay: u64) -> Vec<f32> {
        player.begin(delay);
        (0..frames).map(|_| player.sample()).collect()
    }

    #[test]
    fn the_end_is_told_only_when_the_device_has_played_it() {
        let (send, turns) = mpsc::channel();
        let (mut player, mark) = player(turns);
        assert_eq!(fill(&mut player, 4, 0), [0.0; 4]);
        send.send(Turn::Play(vec![0.5; 6]))
            .expect("a player listens");
        assert_eq!(fill(&mut player, 4, 4), [0.5; 4]);
        assert_eq!(fill(&mut player, 4, 4), [0.5, 0.5, 0.0, 0.0]);
        assert_eq!(
            mark.lock().began,
            None,
            "twelve given, eight out in the next"
        );
        // Twelve frames given, the transmission ended with the tenth, three are still inside.
        fill(&mut player, 4, 3);
        // The first was the fifth: nine are out, so it has been for five frames of a
        // millisecond each.
        let began = mark.lock().began.expect("it has begun").elapsed();
        assert!(began.as_millis() >= 5, "{began:?}");
        assert!(!mark.lock().ended);
        // Sixteen given, six inside: the tenth is out.
        fill(&mut player, 4, 6);
        assert!(mark.lock().ended);
    }

    #[test]
    fn a_hush_leaves_silence_and_tells_no_end() {
        let (send, turns) = mpsc::channel();
        let (mut player, mark) = player(turns);
        send.send(Turn::Play(vec![0.5; 8]))
            .expect("a player listens");
        fill(&mut player, 4, 0);
        send.send(Turn::Hush).expect("a player listens");
        assert_eq!(fill(&mut player, 8, 0), [0.0; 8]);
        fill(&mut player, 8, 0);
        assert!(!mark.lock().ended);
    }
}
