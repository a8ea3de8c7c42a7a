//! Pre-emphasis of two tones: how much lower the lower one is sent.
//!
//! A voice transmitter raises high tones by 6 dB per octave, which is to say that its deviation
//! follows the derivative of the sound. The derivative of a sine whose phase never jumps is a
//! sine again, a quarter turn ahead, whose peak is in proportion to the frequency at that moment.
//! So the peak that follows the frequency *is* the pre-emphasis of such a signal, with no filter
//! that would overshoot: the highest peak is that of the higher tone, exactly, whatever the bits
//! are. Fewer decibels per octave are the same law, less steep.

/// Most that is taken, dB per octave: the law of a voice transmitter.
pub(crate) const MOST_DB_PER_OCTAVE: f32 = 6.0;

/// The peaks of two tones above 0 Hz, of which the higher one has `peak`.
pub(crate) fn peaks(peak: f64, tones_hz: [f64; 2], db_per_octave: f64) -> [f64; 2] {
    if db_per_octave == 0.0 {
        return [peak; 2];
    }
    let highest = tones_hz[0].max(tones_hz[1]);
    tones_hz.map(|hz| {
        let octaves = (highest / hz).log2();
        peak * 10_f64.powf(-db_per_octave * octaves / 20.0)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_octave_makes_as_many_decibels_as_are_asked_for() {
        for db in [0.0, 3.0, 6.0] {
            let [low, high] = peaks(0.5, [1000.0, 2000.0], db);
            assert!((high - 0.5).abs() < 1e-12);
            assert!((20.0 * (high / low).log10() - db).abs() < 1e-9);
            assert_eq!(peaks(0.5, [2000.0, 1000.0], db), [high, low]);
        }
        // Without steepness the frequencies do not matter, not even where the law has none.
        assert_eq!(peaks(0.5, [0.0, 200.0], 0.0), [0.5; 2]);
        // 1200 to 2200 Hz is log2(2200/1200) = 0.8745 octaves.
        let [low, high] = peaks(1.0, [1200.0, 2200.0], 6.0);
        assert!((20.0 * (high / low).log10() - 5.247).abs() < 1e-3);
    }
}
