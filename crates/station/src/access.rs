//! Channel access: p-persistence with data carrier detect.
//!
//! When the channel is clear and something waits, a number is drawn once in each slot; at or
//! below the persistence the port transmits, else it waits for the next slot. Source of the
//! rule: the KISS paper (Chepponis and Karn, 1987), section on CSMA parameters, and AX.25
//! 2.2 §C2a (T102, p). Unlike Fig C2a.1 the number is drawn also on a channel that has long
//! been clear, so that two stations woken by one cause do not key together.

use dunlin_clock::{Chance, Duration, Instant};

/// Slots of one port. Knows nothing of frames.
#[derive(Debug)]
pub struct Access {
    persistence: f64,
    slot_time: Duration,
    chance: Chance,
    /// When the next number is drawn; `None` while the channel is occupied or nothing waits.
    next_slot: Option<Instant>,
    /// What waits is an answer to what was just heard: nobody else has one.
    answers: bool,
    /// Since when the channel has been clear.
    clear_since: Option<Instant>,
    /// So long after the channel has cleared the receiver may still be at the last frame of what was heard.
    reads_for: Duration,
    /// Slots drawn and lost since the channel became clear.
    lost_draws: u32,
    /// T108: the receiver comes back after the port's own transmission, and is given a slot to
    /// notice another sender. Together with the slot that is left to others' urgent frames.
    listens_until: Instant,
}

impl Access {
    /// Transmits in a free slot of this length with this chance, above 0, at most 1.
    pub fn new(persistence: f64, slot_time: Duration, chance: Chance) -> Self {
        Access {
            persistence,
            slot_time,
            chance,
            next_slot: None,
            answers: false,
            clear_since: None,
            reads_for: Duration::ZERO,
            lost_draws: 0,
            listens_until: Instant::ZERO,
        }
    }

    /// The receiver may take so long, after the channel has cleared, to tell the last frame of what was heard.
    pub(crate) fn reading_for(mut self, time: Duration) -> Self {
        self.reads_for = time;
        self
    }

    /// The port has released its key.
    pub(crate) fn released(&mut self, now: Instant) {
        self.listens_until = now + self.slot_time;
    }

    /// Tells whether something waits and whether the channel is clear. With `urgent` (a
    /// repeated frame, AX.25 2.2 §C2a.3 "Priority Queue") the first draw comes at once;
    /// otherwise one slot is left to such frames.
    pub fn update(&mut self, now: Instant, waiting: bool, clear: bool, urgent: bool) {
        match clear {
            true => drop(self.clear_since.get_or_insert(now)),
            false => self.clear_since = None,
        }
        if !waiting || !clear {
            self.next_slot = None;
            self.lost_draws = 0;
        } else if self.next_slot.is_none() {
            let head_start = if urgent {
                Duration::ZERO
            } else {
                self.slot_time
            };
            self.next_slot = Some((now + head_start).max(self.listens_until));
        }
    }

    /// When [`Access::draw`] wants to be called.
    pub fn next_wakeup(&self) -> Option<Instant> {
        self.next_slot
    }

    /// Besides [`Access::update`]: what waits is nothing but the answer of one link to what was just
    /// heard. It goes in the slot that is kept for such (T101, priority acknowledge), and is not
    /// drawn for: only the station that was spoken to has one. But not before all that was heard has been read:
    /// an answer that leaves out the last frame has to be followed by another.
    pub(crate) fn answer(&mut self, now: Instant, answers: bool) {
        self.answers = answers;
        if answers && self.next_slot.is_some() {
            let read = self.clear_since.map_or(now, |since| since + self.reads_for);
            self.next_slot = Some(now.max(self.listens_until).max(read));
        }
    }

    /// Draws if a slot begins now. True = transmit.
    pub fn draw(&mut self, now: Instant) -> bool {
        match self.next_slot {
            Some(at) if at <= now => {
                if self.answers || self.chance.unit() < self.persistence {
                    self.next_slot = None;
                    self.lost_draws = 0;
                    return true;
                }
                self.lost_draws += 1;
                self.next_slot = Some(now + self.slot_time);
                false
            }
            _ => false,
        }
    }

    /// Slots drawn and lost in this wait.
    pub fn lost_draws(&self) -> u32 {
        self.lost_draws
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn access(persistence: f64) -> Access {
        let slot = Duration::from_millis(100);
        Access::new(persistence, slot, Chance::stream(7, "slots"))
    }

    #[test]
    fn nothing_is_drawn_while_the_channel_is_occupied() {
        let mut a = access(1.0);
        a.update(Instant::ZERO, true, false, false);
        assert_eq!(a.next_wakeup(), None);
        assert!(!a.draw(Instant::from_secs(1)));
        a.update(Instant::from_secs(1), true, true, false);
        assert_eq!(a.next_wakeup(), Some(Instant::from_millis(1100)));
        assert!(a.draw(Instant::from_millis(1100)));
    }

    #[test]
    fn repeated_frames_go_before_others() {
        let mut a = access(1.0);
        a.update(Instant::from_secs(1), true, true, true);
        assert_eq!(a.next_wakeup(), Some(Instant::from_secs(1)));
    }

    #[test]
    fn behind_the_own_transmission_there_is_a_slot_to_hear_others_even_for_repeated_frames() {
        let mut a = access(1.0);
        a.released(Instant::from_secs(1));
        a.update(Instant::from_secs(1), true, true, true);
        assert_eq!(a.next_wakeup(), Some(Instant::from_millis(1100)));
        // It runs together with the slot that is left to others.
        let mut a = access(1.0);
        a.released(Instant::from_secs(1));
        a.update(Instant::from_secs(1), true, true, false);
        assert_eq!(a.next_wakeup(), Some(Instant::from_millis(1100)));
    }

    #[test]
    fn an_answer_is_not_drawn_for() {
        let mut a = access(0.01);
        for n in 1..50 {
            a.update(Instant::from_secs(n), true, true, false);
            a.answer(Instant::from_secs(n), true);
            assert_eq!(a.next_wakeup(), Some(Instant::from_secs(n)));
            assert!(a.draw(Instant::from_secs(n)));
        }
        // But never on a channel that is occupied.
        a.update(Instant::from_secs(60), true, false, false);
        a.answer(Instant::from_secs(60), true);
        assert_eq!(
            (a.next_wakeup(), a.draw(Instant::from_secs(60))),
            (None, false)
        );
    }

    #[test]
    fn an_answer_waits_until_the_last_frame_is_read() {
        let mut a = access(0.01).reading_for(Duration::from_millis(20));
        a.update(Instant::from_millis(900), true, false, false);
        for at in [1000, 1005] {
            a.update(Instant::from_millis(at), true, true, false);
            a.answer(Instant::from_millis(at), true);
            assert_eq!(a.next_wakeup(), Some(Instant::from_millis(1020)));
        }
        // What is told later goes at once.
        a.update(Instant::from_millis(1030), true, true, false);
        a.answer(Instant::from_millis(1030), true);
        assert_eq!(a.next_wakeup(), Some(Instant::from_millis(1030)));
        // The next time it counts from the next end.
        a.update(Instant::from_millis(2000), true, false, false);
        a.update(Instant::from_millis(3000), true, true, false);
        a.answer(Instant::from_millis(3000), true);
        assert_eq!(a.next_wakeup(), Some(Instant::from_millis(3020)));
    }

    #[test]
    fn the_share_of_won_slots_is_the_persistence() {
        let mut a = access(0.25);
        let (mut won, mut drawn) = (0, 0);
        let mut now = Instant::ZERO;
        while drawn < 20_000 {
            a.update(now, true, true, false);
            now = a.next_wakeup().expect("waits");
            drawn += 1;
            won += u32::from(a.draw(now));
        }
        let share = f64::from(won) / f64::from(drawn);
        // Five standard errors of a proportion of 0.25 over 20 000 draws.
        assert!((share - 0.25).abs() < 0.0153, "{share}");
    }
}
