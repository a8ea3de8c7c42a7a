//! The hiss of a receiver is not data: carrier detect stays off in noise of any colour that a
//! radio's loudspeaker gives.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::{Demodulator, Mode, ReceiveSettings};

/// Share of the second half of `seconds` of noise in which `mode` hears a carrier. `falling`:
/// behind a first-order low-pass at 212 Hz, the de-emphasis of 750 us of FM receivers.
fn carrier_share(mode: Mode, falling: bool, seconds: usize) -> f64 {
    let rate = SampleRate::new(24_000).expect("not zero");
    let mut demodulator =
        Demodulator::new(mode, rate, ReceiveSettings::default()).expect("the rate suits");
    let mut chance = Chance::stream(1, "hiss");
    let keep = (-1.0 / (750e-6 * rate.hz_f64())).exp() as f32;
    let (mut low, mut on, mut blocks) = (0.0, 0, 0);
    let mut events = Vec::new();
    for block in 0..seconds * 100 {
        let mut noise = [0.0_f32; 240];
        for sample in &mut noise {
            let white = 0.3 * chance.normal();
            low = keep * low + (1.0 - keep) * white;
            *sample = if falling { low } else { white };
        }
        demodulator.process(&noise, &mut events);
        events.clear();
        if block >= seconds * 50 {
            blocks += 1;
            on += usize::from(demodulator.carrier());
        }
    }
    on as f64 / blocks as f64
}

#[test]
fn hiss_is_not_data_whatever_its_colour() {
    for falling in [false, true] {
        for mode in [Mode::Afsk1200, Mode::Afsk300] {
            let share = carrier_share(mode, falling, 120);
            assert!(share < 0.02, "{mode}, falling: {falling}: {share}");
        }
    }
}
