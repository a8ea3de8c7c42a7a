//! Nothing allocates once a demodulator has been made.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::{Demodulator, Mode, Modulator, ReceiveSettings, TransmitSettings};

/// A few seconds of data in noise, with gaps.
fn sound(mode: Mode, rate: SampleRate) -> Vec<f32> {
    let mut chance = Chance::stream(1, mode.name());
    let modulator = Modulator::new(mode, rate, TransmitSettings::default()).expect("fits");
    let flags = [false, true, true, true, true, true, true, false].repeat(20);
    let mut out = vec![0.0; rate.hz() as usize / 4];
    for _ in 0..3 {
        let bits: Vec<bool> = flags
            .iter()
            .copied()
            .chain((0..400).map(|_| chance.bits() & 1 == 1))
            .collect();
        modulator.modulate(&bits, &mut out);
        out.resize(out.len() + rate.hz() as usize / 4, 0.0);
    }
    out.iter_mut().for_each(|s| *s += 0.05 * chance.normal());
    out
}

#[test]
fn listening_allocates_nothing() {
    let rate = SampleRate::new(48_000).expect("not zero");
    for mode in Mode::ALL {
        let sound = sound(mode, rate);
        let mut demodulator =
            Demodulator::new(mode, rate, ReceiveSettings::default()).expect("fits");
        // The list of events is the caller's; here it has room for all of them.
        let mut events = Vec::with_capacity(4_000_000);
        let counted = allocation_counter::measure(|| {
            sound
                .chunks(480)
                .for_each(|chunk| demodulator.process(chunk, &mut events));
        });
        assert!(events.len() > 1000, "{mode} heard nothing");
        assert_eq!(counted.count_total, 0, "{mode}");
    }
}
