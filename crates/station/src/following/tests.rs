//! What was measured becomes where to send; and two stations that both follow.

use dunlin_clock::Chance;

use super::*;

fn call(text: &str) -> CallSign {
    text.parse().expect("a call sign")
}

fn at(seconds: u64) -> Instant {
    Instant::from_millis(1000 * seconds)
}

fn following(most_hz: f32) -> Following {
    Following::new(most_hz, 0.0).expect("it follows")
}

/// Hears a station at these offsets, one each second from `from`.
fn hears(f: &mut Following, from: u64, offsets: &[f32]) {
    for (n, hz) in offsets.iter().enumerate() {
        f.heard(at(from + n as u64), call("QX0RLF"), *hz);
    }
}

fn aim(f: &mut Following, seconds: u64) -> Option<f32> {
    f.aim(at(seconds), call("QX0RLF")).map(|a| a.offset_hz)
}

#[test]
fn the_middle_one_of_three_frames_moves_the_tones_and_is_told() {
    let mut f = following(100.0);
    hears(&mut f, 0, &[43.0, 41.0]);
    assert_eq!(aim(&mut f, 2), None, "two frames are too few");
    f.heard(at(120), call("QX0RLF"), 42.0);
    let told = f.aim(at(180), call("QX0RLF")).expect("moved");
    assert_eq!((told.offset_hz, told.is_new), (42.0, true));
    assert_eq!(
        told.words,
        "sent 42 Hz up, for QX0RLF: measured +43, +41, +42 Hz in the last 3 min"
    );
    let again = f.aim(at(181), call("QX0RLF")).expect("still moved");
    assert_eq!((again.offset_hz, again.is_new), (42.0, false));
    assert_eq!(f.aim(at(181), call("QX0RLF-1")), None, "another station");
}

#[test]
fn one_wild_measurement_moves_nothing() {
    let mut f = following(100.0);
    hears(&mut f, 0, &[-31.0, 190.0, -30.0]);
    assert_eq!(aim(&mut f, 3), Some(-30.0));
    hears(&mut f, 4, &[-31.0, 190.0, -29.0]);
    assert_eq!(aim(&mut f, 7), Some(-30.0));
}

#[test]
fn the_bound_holds_and_is_told() {
    let mut f = following(50.0);
    hears(&mut f, 0, &[-180.0, -181.0, -182.0]);
    let told = f.aim(at(3), call("QX0RLF")).expect("moved");
    assert_eq!(told.offset_hz, -50.0);
    assert!(
        told.words.starts_with("sent 50 Hz down, for QX0RLF"),
        "{}",
        told.words
    );
    assert!(
        told.words.ends_with("; the plan allows no more than 50 Hz"),
        "{}",
        told.words
    );
}

#[test]
fn a_bound_that_is_no_whole_number_is_not_passed() {
    let mut f = following(10.6);
    hears(&mut f, 0, &[80.0, 80.0, 80.0]);
    let told = f.aim(at(3), call("QX0RLF")).expect("moved");
    assert_eq!(told.offset_hz, 10.0);
    assert!(
        told.words
            .ends_with("; the plan allows no more than 10.6 Hz"),
        "{}",
        told.words
    );
}

#[test]
fn usual_offset_and_shift_together_stay_within_what_can_be_sent() {
    for sign in [1.0_f32, -1.0] {
        let mut f = Following::new(100.0, sign * 460.0).expect("it follows");
        hears(&mut f, 0, &[sign * 560.0; 3]);
        let told = f.aim(at(3), call("QX0RLF")).expect("moved");
        assert_eq!(told.offset_hz, sign * 500.0);
        assert!(
            told.words
                .ends_with("; nothing is sent farther off than 500 Hz"),
            "{}",
            told.words
        );
    }
}

#[test]
fn little_errors_are_left_alone_and_old_ones_forgotten() {
    let mut f = following(100.0);
    hears(&mut f, 0, &[9.0, 10.0, 9.5, 8.0, 10.0]);
    assert_eq!(aim(&mut f, 5), None);
    let mut f = following(100.0);
    hears(&mut f, 0, &[60.0, 60.0, 60.0]);
    assert_eq!(aim(&mut f, 3), Some(60.0));
    assert_eq!(
        aim(&mut f, 602),
        Some(60.0),
        "the last one is ten minutes old"
    );
    assert_eq!(aim(&mut f, 603), None);
    hears(&mut f, 700, &[20.0, 20.0]);
    assert_eq!(aim(&mut f, 702), None, "it begins anew");
}

#[test]
fn later_steps_are_small_and_wait_for_new_frames() {
    let mut f = following(100.0);
    hears(&mut f, 0, &[60.0, 60.0, 60.0]);
    assert_eq!(aim(&mut f, 3), Some(60.0));
    hears(&mut f, 4, &[0.0, 0.0]);
    assert_eq!(aim(&mut f, 6), Some(60.0), "two new frames are too few");
    f.heard(at(7), call("QX0RLF"), 0.0);
    assert_eq!(aim(&mut f, 7), Some(40.0), "a third of the way");
    assert_eq!(aim(&mut f, 8), Some(40.0));
}

#[test]
fn the_ports_own_offset_is_not_added_to_what_was_measured() {
    let mut f = Following::new(100.0, -20.0).expect("it follows");
    hears(&mut f, 0, &[-21.0, -20.0, -19.0]);
    assert_eq!(aim(&mut f, 3), None, "it is there already");
    let mut f = Following::new(30.0, -20.0).expect("it follows");
    hears(&mut f, 0, &[40.0, 40.0, 40.0]);
    assert_eq!(aim(&mut f, 3), Some(10.0), "30 Hz from its own place");
    assert!(Following::new(0.0, 0.0).is_none());
}

#[test]
fn the_station_unheard_for_longest_makes_room() {
    let mut f = following(100.0);
    hears(&mut f, 0, &[50.0, 50.0, 50.0]);
    for n in 0..MOST_STATIONS as u64 {
        let other = format!("QB{}ABC-{}", n / 16, n % 16);
        f.heard(at(10 + n), call(&other), 0.0);
    }
    assert_eq!(f.stations.len(), MOST_STATIONS);
    assert_eq!(aim(&mut f, 80), None);
}

/// Two stations, the second of which has its dial `apart` hertz above the first's.
struct Both {
    ends: [Option<Following>; 2],
    /// Where each sends now, hertz from its own middle.
    sends: [f32; 2],
    chance: Chance,
    seconds: u64,
    /// Measurements are spread by so much either way, and off by so much, hertz.
    spread_hz: f64,
    off_hz: [f32; 2],
    /// How often an end has moved its tones, and when it last did (in frames).
    moves: usize,
    last_move: usize,
    frames: usize,
    /// The farthest that anybody was heard off, hertz.
    farthest: f32,
}

impl Both {
    fn new(follow: [bool; 2], seed: u64) -> Self {
        Both {
            ends: follow.map(|f| f.then(|| following(100.0))),
            sends: [0.0; 2],
            chance: Chance::stream(seed, "two ends"),
            seconds: 0,
            spread_hz: 2.0,
            off_hz: [0.0; 2],
            moves: 0,
            last_move: 0,
            frames: 0,
            farthest: 0.0,
        }
    }

    fn with_law(mut self, law: Law) -> Self {
        self.ends.iter_mut().flatten().for_each(|f| f.law = law);
        self
    }

    /// How far off each end hears the other.
    fn heard(&self, apart: f32) -> [f32; 2] {
        [apart + self.sends[1], self.sends[0] - apart]
    }

    /// One end sends some frames, and the other hears them.
    fn turn(&mut self, end: usize, apart: f32) {
        let frames = self.chance.between(1.0, 4.99) as usize;
        self.seconds += 10;
        if let Some(f) = &mut self.ends[end]
            && let Some(aim) = f.aim(at(self.seconds), call("QX0RLF"))
        {
            self.moves += usize::from(aim.is_new);
            if aim.is_new {
                self.last_move = self.frames;
            }
            self.sends[end] = aim.offset_hz;
        }
        let other = 1 - end;
        for _ in 0..frames {
            self.frames += 1;
            let noise = self.chance.between(-self.spread_hz, self.spread_hz) as f32;
            let hz = self.heard(apart)[other];
            self.farthest = self.farthest.max(hz.abs());
            if let Some(f) = &mut self.ends[other] {
                f.heard(
                    at(self.seconds),
                    call("QX0RLF"),
                    hz + noise + self.off_hz[other],
                );
            }
        }
    }

    /// Turns in an order of chance, mostly one after the other.
    fn talk(&mut self, turns: usize, apart: impl Fn(usize) -> f32) {
        let mut end = 0;
        for n in 0..turns {
            self.turn(end, apart(n));
            if self.chance.unit() < 0.8 {
                end = 1 - end;
            }
        }
    }
}

#[test]
fn one_end_that_follows_is_heard_in_the_middle() {
    for seed in 0..50 {
        let mut both = Both::new([true, false], seed);
        both.talk(30, |_| 70.0);
        let [us, them] = both.heard(70.0);
        assert!(them.abs() <= 3.0, "seed {seed}: {them}");
        assert_eq!(us, 70.0);
        assert_eq!(both.moves, 1);
    }
}

#[test]
fn two_ends_that_follow_come_to_rest_and_never_run_away() {
    for seed in 0..200 {
        for apart in [-100.0, -60.0, 25.0, 100.0_f32] {
            let mut both = Both::new([true, true], seed);
            both.talk(120, |_| apart);
            let all = format!("seed {seed}, {apart} Hz: {:?}", both.sends);
            // Nobody is ever heard farther off than without following.
            assert!(
                both.farthest <= apart.abs() + 3.0,
                "{all}, {}",
                both.farthest
            );
            // Together they make up for the distance of the dials, once and not twice.
            let made_up = both.sends[0] - both.sends[1];
            assert!((made_up - apart).abs() <= DEAD_BAND_HZ + 3.0, "{all}");
            assert!(
                both.sends.iter().all(|s| s.abs() <= apart.abs() + 3.0),
                "{all}"
            );
            // And then they rest.
            assert!(both.last_move < both.frames * 2 / 3, "{all}");
            assert!(both.moves <= 12, "{all}: {}", both.moves);
        }
    }
}

#[test]
fn an_error_of_both_measurements_below_the_dead_band_moves_nothing() {
    for seed in 0..100 {
        let mut both = Both::new([true, true], seed);
        // Both measure too high, which would carry both upwards without end.
        both.off_hz = [6.0, 6.0];
        both.talk(400, |_| 0.0);
        assert_eq!((both.moves, both.sends), (0, [0.0, 0.0]), "seed {seed}");
    }
}

#[test]
fn whatever_the_errors_the_bound_holds() {
    for seed in 0..100 {
        let mut both = Both::new([true, true], seed);
        both.off_hz = [25.0, 25.0];
        both.talk(400, |_| 10.0);
        assert!(
            both.sends.iter().all(|s| s.abs() <= 100.0),
            "{:?}",
            both.sends
        );
        assert!(both.moves > 2, "the error is one that carries them off");
    }
}

#[test]
fn two_ends_follow_a_dial_that_drifts() {
    for seed in 0..100 {
        let mut both = Both::new([true, true], seed);
        // From 0 to 80 Hz in 200 turns, which is more than half an hour.
        let apart = |n: usize| n as f32 * 0.4;
        both.talk(200, apart);
        let made_up = both.sends[0] - both.sends[1];
        assert!(
            (made_up - 80.0).abs() <= 30.0,
            "seed {seed}: {:?}",
            both.sends
        );
        // Nobody is heard farther off than the dials have come apart.
        assert!(both.farthest <= 83.0, "seed {seed}: {}", both.farthest);
    }
}

#[test]
fn without_slow_steps_and_dead_band_they_would_chase_each_other() {
    let hasty = Law {
        step: 1.0,
        dead_band_hz: 0.0,
    };
    let moves = |law: Option<Law>| -> usize {
        let runs = (0..50).map(|seed| {
            let mut both = Both::new([true, true], seed);
            if let Some(law) = law {
                both = both.with_law(law);
            }
            both.talk(200, |_| 60.0);
            both.moves
        });
        runs.sum()
    };
    let (slow, hasty) = (moves(None), moves(Some(hasty)));
    println!("moves in 50 talks of 200 turns: {slow} as it is, {hasty} in haste");
    assert!(hasty > 10 * slow, "{slow} {hasty}");
}
