//! Made sounds that are no data of the mode that listens, endless and seeded.

use dunlin_air::sounds::{Hum, Voice, open_squelch};
use dunlin_clock::{Chance, SampleRate};

/// A sound that is no data.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    White,
    OpenSquelch,
    OpenSquelchDeEmphasis,
    Hum50,
    Hum60,
    Man,
    Woman,
    ManInNoise,
}

impl Kind {
    pub const ALL: [Kind; 8] = [
        Kind::White,
        Kind::OpenSquelch,
        Kind::OpenSquelchDeEmphasis,
        Kind::Hum50,
        Kind::Hum60,
        Kind::Man,
        Kind::Woman,
        Kind::ManInNoise,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Kind::White => "white noise",
            Kind::OpenSquelch => "FM open squelch",
            Kind::OpenSquelchDeEmphasis => "FM de-emphasised",
            Kind::Hum50 => "hum 50 Hz",
            Kind::Hum60 => "hum 60 Hz",
            Kind::Man => "voice, 110 Hz",
            Kind::Woman => "voice, 200 Hz",
            Kind::ManInNoise => "voice in noise",
        }
    }

    /// `seconds` of it.
    pub fn sound(self, rate: SampleRate, seconds: usize, seed: u64) -> Vec<f32> {
        let n = seconds * rate.hz() as usize;
        let mut chance = Chance::stream(seed, self.name());
        let mut out = Vec::with_capacity(n);
        let mut voice = |pitch: f64, chance: &Chance| {
            Voice::new(pitch, rate, chance.clone()).process(0.3, n, &mut out);
        };
        match self {
            Kind::White => out.extend((0..n).map(|_| 0.1 * chance.normal())),
            Kind::OpenSquelch => out = open_squelch(rate, false, seed, n).expect("it works"),
            Kind::OpenSquelchDeEmphasis => {
                out = open_squelch(rate, true, seed, n).expect("it works");
            }
            Kind::Hum50 => Hum::new(50.0, 25.0, rate, chance).process(0.1, n, &mut out),
            Kind::Hum60 => Hum::new(60.0, 40.0, rate, chance).process(0.1, n, &mut out),
            Kind::Man => voice(110.0, &chance),
            Kind::Woman => voice(200.0, &chance),
            Kind::ManInNoise => {
                voice(120.0, &chance);
                out.iter_mut().for_each(|s| *s += 0.01 * chance.normal());
            }
        }
        out
    }
}
