//! Where a transmission stands on a device that asks for sound without end: it gets silence
//! when there is nothing to send.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;

/// What the port asks of the player, which runs on the device's own thread.
pub(crate) enum Turn {
    /// Play this.
    Play(Vec<f32>),
    /// Drop what is left.
    Hush,
}

/// Gives a device its samples and notices when the last of a transmission is out.
pub(crate) struct Player {
    turns: Receiver<Turn>,
    samples: Vec<f32>,
    at: usize,
    /// Frames given to the device so far.
    given: u64,
    /// Value of `given` after the last frame of the transmission.
    ends: Option<u64>,
    ended: Arc<AtomicBool>,
}

impl Player {
    /// A player that takes its transmissions from `turns` and sets `ended` after each.
    pub(crate) fn new(turns: Receiver<Turn>, ended: Arc<AtomicBool>) -> Self {
        Player {
            turns,
            samples: Vec::new(),
            at: 0,
            given: 0,
            ends: None,
            ended,
        }
    }

    /// Begins a buffer of the device whose first frame will be out `delay` frames from now.
    pub(crate) fn begin(&mut self, delay: u64) {
        while let Ok(turn) = self.turns.try_recv() {
            self.at = 0;
            self.ends = None;
            match turn {
                Turn::Play(samples) => self.samples = samples,
                Turn::Hush => self.samples = Vec::new(),
            }
        }
        if self
            .ends
            .is_some_and(|ends| self.given.saturating_sub(delay) >= ends)
        {
            self.ends = None;
            self.ended.store(true, Ordering::Release);
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

    fn fill(player: &mut Player, frames: usize, delay: u64) -> Vec<f32> {
        player.begin(delay);
        (0..frames).map(|_| player.sample()).collect()
    }

    #[test]
    fn the_end_is_told_only_when_the_device_has_played_it() {
        let (send, turns) = mpsc::channel();
        let ended = Arc::new(AtomicBool::new(false));
        let mut player = Player::new(turns, ended.clone());
        assert_eq!(fill(&mut player, 4, 0), [0.0; 4]);
        send.send(Turn::Play(vec![0.5; 6]))
            .expect("a player listens");
        assert_eq!(fill(&mut player, 4, 4), [0.5; 4]);
        assert_eq!(fill(&mut player, 4, 4), [0.5, 0.5, 0.0, 0.0]);
        // Twelve frames given, the transmission ended with the tenth, three are still inside.
        fill(&mut player, 4, 3);
        assert!(!ended.load(Ordering::Acquire));
        // Sixteen given, six inside: the tenth is out.
        fill(&mut player, 4, 6);
        assert!(ended.load(Ordering::Acquire));
    }

    #[test]
    fn a_hush_leaves_silence_and_tells_no_end() {
        let (send, turns) = mpsc::channel();
        let ended = Arc::new(AtomicBool::new(false));
        let mut player = Player::new(turns, ended.clone());
        send.send(Turn::Play(vec![0.5; 8]))
            .expect("a player listens");
        fill(&mut player, 4, 0);
        send.send(Turn::Hush).expect("a player listens");
        assert_eq!(fill(&mut player, 8, 0), [0.0; 8]);
        fill(&mut player, 8, 0);
        assert!(!ended.load(Ordering::Acquire));
    }
}
