//! The readers of sequences against theory: how often they err in white noise, whether the costs
//! of their rivals are honest, what they make of mistuning, echoes and bad sound.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::{
    DemodEvent, Demodulator, Mode, Modulator, ReceiveSettings, Rival, TransmitSettings,
};

const FLAG: [bool; 8] = [false, true, true, true, true, true, true, false];
const FLAGS: usize = 24;

fn rate() -> SampleRate {
    SampleRate::new(24_000).expect("not zero")
}

/// Flags and then random bits, without stuffing: the modem knows nothing of frames.
fn random_bits(chance: &mut Chance, count: usize) -> Vec<bool> {
    let data = (0..count).map(|_| chance.bits() & 1 == 1);
    FLAG.repeat(FLAGS).into_iter().chain(data).collect()
}

/// The sound of the bits, `offset_hz` high, with silence around it.
fn sound(mode: Mode, bits: &[bool], offset_hz: f32) -> Vec<f32> {
    let settings = TransmitSettings {
        level_dbfs: -12.0,
        offset_hz,
        ..TransmitSettings::default()
    };
    let modulator = Modulator::new(mode, rate(), settings).expect("fits");
    let quiet = vec![0.0; 60 * rate().hz() as usize / mode.baud() as usize];
    let mut out = quiet.clone();
    modulator.modulate(bits, &mut out);
    out.extend([quiet.clone(), quiet].concat());
    out
}

/// Adds white noise at an Eb/N0 in dB; the level of a sine of -12 dB has the power 10^-1.2 / 2.
fn add_noise(sound: &mut [f32], mode: Mode, eb_n0_db: f64, chance: &mut Chance) {
    let power = 10_f64.powf(-1.2) / 2.0;
    let n0 = power / f64::from(mode.baud()) / 10_f64.powf(eb_n0_db / 10.0);
    let deviation = (n0 * rate().hz_f64() / 2.0).sqrt() as f32;
    sound
        .iter_mut()
        .for_each(|s| *s += deviation * chance.normal());
}

/// What a branch told: bits and rivals, the longest stretch without a break.
type Told = Vec<(bool, Option<Rival>)>;

/// What every branch of that name told.
fn listen(mode: Mode, sound: &[f32], name: &str) -> Vec<Told> {
    let mut demodulator = Demodulator::new(mode, rate(), ReceiveSettings::default()).expect("fits");
    let mut events = Vec::new();
    sound
        .chunks(1000)
        .for_each(|chunk| demodulator.process(chunk, &mut events));
    let mut told: Vec<Vec<Told>> = vec![vec![Vec::new()]; demodulator.branches()];
    for event in events {
        match event {
            DemodEvent::Bit {
                branch,
                soft,
                rival,
                ..
            } => {
                let stretches = &mut told[usize::from(branch)];
                stretches
                    .last_mut()
                    .expect("has one")
                    .push((soft > 0.0, rival));
            }
            DemodEvent::Break { branch } => told[usize::from(branch)].push(Vec::new()),
            DemodEvent::Carrier { .. } => {}
        }
    }
    (0_u8..)
        .zip(told)
        .filter(|(branch, _)| demodulator.branch_name(*branch) == name)
        .filter_map(|(_, stretches)| stretches.into_iter().max_by_key(Vec::len))
        .collect()
}

/// Where the sent bits lie in what was told, and in how many of them it is wrong.
fn errors(sent: &[bool], told: &Told) -> (usize, usize) {
    let data = &sent[FLAGS * 8..];
    let wrong = |from: usize| {
        data.iter()
            .zip(&told[from..])
            .filter(|(a, (b, _))| *a != b)
            .count()
    };
    (0..told.len().saturating_sub(data.len()))
        .map(|from| (from, wrong(from)))
        .min_by_key(|(_, wrong)| *wrong)
        .unwrap_or((0, data.len()))
}

/// The upper tail of the normal distribution, by the series of its continued fraction
/// (Abramowitz and Stegun 26.2.14, from memory); for x > 1.
fn upper_tail(x: f64) -> f64 {
    let fraction = (1..60).rev().fold(x, |inner, k| x + f64::from(k) / inner);
    (-x * x / 2.0).exp() / (std::f64::consts::TAU.sqrt() * fraction)
}

/// Wrong runs of levels: every error event begins with one wrong level after a right one.
fn error_events(sent: &[bool], told: &Told) -> usize {
    let (from, _) = errors(sent, told);
    let levels = |bits: &mut dyn Iterator<Item = bool>| -> Vec<bool> {
        let mut level = false;
        bits.map(|bit| {
            level ^= !bit;
            level
        })
        .collect()
    };
    let data = &sent[FLAGS * 8..];
    let a = levels(&mut data.iter().copied());
    let b = levels(&mut told[from..from + data.len()].iter().map(|(bit, _)| *bit));
    // A lone wrong bit turns all levels after it over; the turn-over, too, counts as one event.
    let wrong: Vec<bool> = a.iter().zip(&b).map(|(a, b)| a != b).collect();
    wrong
        .windows(2)
        .filter(|w| w[0] != w[1])
        .count()
        .div_ceil(2)
}

#[test]
fn errors_in_white_noise_are_close_to_what_ideal_sequence_detection_makes() {
    // Anderson, Aulin, Sundberg, Digital Phase Modulation (1986): the commonest error event of
    // CPFSK has the probability Q(sqrt(d2 Eb/N0)), d2 = 2 (1 - sin(2 pi h) / (2 pi h)); at each
    // symbol there is one such event for half of the data. Values of d2 computed.
    for (mode, d2, db) in [(Mode::Afsk300, 2.4135, 5.5), (Mode::Afsk1200, 2.3308, 6.0)] {
        let mut chance = Chance::stream(3, mode.name());
        let bits = random_bits(&mut chance, 60_000);
        let mut heard = sound(mode, &bits, 0.0);
        add_noise(&mut heard, mode, db, &mut chance);
        let told = listen(mode, &heard, "sequence");
        let longest = told.iter().max_by_key(|t| t.len()).expect("has branches");
        let best = error_events(&bits, longest);
        let ideal = 0.5 * upper_tail((d2 * 10_f64.powf(db / 10.0)).sqrt()) * 60_000.0;
        let ratio = best as f64 / ideal;
        assert!(
            (0.7..3.5).contains(&ratio),
            "{mode}: {best} events, ideal {ideal:.0}"
        );
    }
}

#[test]
fn the_cost_of_a_rival_is_an_honest_likelihood_ratio() {
    // A rival of cost c is right in a share 1 / (1 + exp(c)) of all cases.
    for mode in [Mode::Afsk300, Mode::Afsk1200] {
        let mut chance = Chance::stream(4, mode.name());
        let bits = random_bits(&mut chance, 60_000);
        let mut heard = sound(mode, &bits, 0.0);
        add_noise(&mut heard, mode, 5.0, &mut chance);
        let told = listen(mode, &heard, "sequence");
        let told = told.iter().max_by_key(|t| t.len()).expect("has branches");
        let (from, _) = errors(&bits, told);
        let data = &bits[FLAGS * 8..];
        let (mut expected, mut right, mut seen) = (0.0, 0, 0);
        for n in 64..data.len() {
            let Some(rival) = told[from + n].1 else {
                continue;
            };
            if !(0.5..3.0).contains(&rival.cost) {
                continue;
            }
            seen += 1;
            expected += 1.0 / (1.0 + f64::from(rival.cost).exp());
            let rival_right = (0..64)
                .filter(|k| rival.flips >> k & 1 == 1)
                .all(|k| told[from + n - k].0 != data[n - k]);
            right += usize::from(rival_right);
        }
        let ratio = right as f64 / expected;
        assert!(seen > 300, "{mode}: only {seen}");
        assert!(
            (0.6..1.6).contains(&ratio),
            "{mode}: {right} of {seen}, {expected:.0} expected"
        );
    }
}

#[test]
fn a_signal_off_tune_is_read_as_well_as_one_on_tune() {
    for offset in [-190.0, -77.0, 3.0, 121.0, 190.0] {
        let mut chance = Chance::stream(5, "off tune");
        let bits = random_bits(&mut chance, 3000);
        let mut heard = sound(Mode::Afsk300, &bits, offset);
        add_noise(&mut heard, Mode::Afsk300, 9.0, &mut chance);
        let told = listen(Mode::Afsk300, &heard, "sequence");
        let fewest = told.iter().map(|t| errors(&bits, t).1).min();
        assert!(
            fewest.expect("has branches") <= 2,
            "{offset} Hz: {fewest:?}"
        );
    }
}

#[test]
fn an_echo_of_two_milliseconds_is_learned() {
    // Two equal paths 2 ms apart are what Rec. ITU-R F.1487 calls disturbed, standing still.
    let mode = Mode::Afsk300;
    let mut chance = Chance::stream(6, "echo");
    let bits = random_bits(&mut chance, 3000);
    let direct = sound(mode, &bits, 0.0);
    let late = rate().hz() as usize / 500;
    let mut heard: Vec<f32> = (0..direct.len())
        .map(|n| direct[n] + n.checked_sub(late).map_or(0.0, |m| 0.8 * direct[m]))
        .collect();
    add_noise(&mut heard, mode, 16.0, &mut chance);
    let fewest = |name| {
        let told = listen(mode, &heard, name);
        let errors = told.iter().map(|t| errors(&bits, t).1).min();
        errors.expect("has branches")
    };
    assert!(fewest("sequence with echoes") <= 2);
    // Otherwise this test would show nothing.
    assert!(fewest("symbol by symbol") > 60);
}

#[test]
fn whatever_comes_in_nothing_breaks() {
    let mode = Mode::Afsk1200;
    let bits = random_bits(&mut Chance::stream(7, "odd"), 1000);
    let good = sound(mode, &bits, 0.0);
    type Sample = fn(usize) -> f32;
    let odd: [(&str, Sample); 5] = [
        ("not a number", |_| f32::NAN),
        ("infinite", |n| [f32::INFINITY, f32::NEG_INFINITY][n % 2]),
        ("huge", |n| if n % 7 < 3 { 1e30 } else { -1e30 }),
        ("silence", |_| 0.0),
        ("full-scale square", |n| if n % 16 < 8 { 1.0 } else { -1.0 }),
    ];
    for (what, sample) in odd {
        let bad: Vec<f32> = (0..48_000).map(sample).collect();
        let heard = [bad, vec![0.0; 4800], good.clone()].concat();
        let told = listen(mode, &heard, "sequence");
        let fewest = told.iter().map(|t| errors(&bits, t).1).min();
        assert_eq!(fewest, Some(0), "after {what}");
    }
}

#[test]
fn digital_silence_ends_a_signal() {
    // A closed squelch and gaps of recordings are exact zeros, with no noise to judge by.
    let mode = Mode::Afsk1200;
    let bits = random_bits(&mut Chance::stream(8, "silence"), 1000);
    let heard = [sound(mode, &bits, 0.0), vec![0.0; 48_000]].concat();
    let mut demodulator = Demodulator::new(mode, rate(), ReceiveSettings::default()).expect("fits");
    let mut events = Vec::new();
    demodulator.process(&heard, &mut events);
    let mut told = 0;
    for branch in (0_u8..).take(demodulator.branches()) {
        let own = |event: &&DemodEvent| {
            matches!(event, DemodEvent::Bit { branch: b, .. } | DemodEvent::Break { branch: b }
                if *b == branch)
        };
        let last = events.iter().rfind(own);
        if demodulator.is_late(branch) && last.is_some() {
            told += 1;
            assert_eq!(last, Some(&DemodEvent::Break { branch }));
        }
    }
    assert!(told > 0);
}
