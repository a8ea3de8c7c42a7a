//! Whether a wide-band sound is direct-shift data: the square of its slope has a line at the
//! symbol rate, because levels change only at multiples of a symbol.
//!
//! Literature: W. A. Gardner, "Exploitation of spectral redundancy in cyclostationary signals",
//! IEEE Signal Processing Magazine 8 (1991) 14 (from memory).

use dunlin_clock::SampleRate;
use num_complex::Complex64;

/// The symbol rates that are looked for.
const BAUDS: [u32; 2] = [9600, 4800];
/// White noise gives about 1 on average and more than this hardly ever.
const CLEAR: f64 = 30.0;

/// Watches for lines at the symbol rates.
#[derive(Clone, Debug)]
pub(super) struct BaudLines {
    lines: Vec<BaudLine>,
    before: f32,
    count: f64,
    sum: f64,
    squares: f64,
}

#[derive(Clone, Debug)]
struct BaudLine {
    baud: u32,
    turn: Complex64,
    step: Complex64,
    sum: Complex64,
}

impl BaudLines {
    /// For samples at `rate`.
    pub(super) fn new(rate: SampleRate) -> Self {
        let line = |&baud: &u32| BaudLine {
            baud,
            turn: Complex64::new(1.0, 0.0),
            step: Complex64::cis(-std::f64::consts::TAU * f64::from(baud) / rate.hz_f64()),
            sum: Complex64::default(),
        };
        let fits = |baud: &&u32| rate.hz_f64() >= 2.5 * f64::from(**baud);
        BaudLines {
            lines: BAUDS.iter().filter(fits).map(line).collect(),
            before: 0.0,
            count: 0.0,
            sum: 0.0,
            squares: 0.0,
        }
    }

    /// Takes samples.
    pub(super) fn process(&mut self, samples: &[f32]) {
        for &sample in samples {
            let sample = if sample.is_finite() {
                sample.clamp(-10.0, 10.0)
            } else {
                0.0
            };
            let slope = f64::from(sample - self.before);
            self.before = sample;
            let square = slope * slope;
            self.count += 1.0;
            self.sum += square;
            self.squares += square * square;
            for line in &mut self.lines {
                line.sum += line.turn * square;
                line.turn *= line.step;
            }
        }
    }

    /// The symbol rate whose line stands clear in what was taken since the last call.
    pub(super) fn take(&mut self) -> Option<u32> {
        let scatter = self.squares - self.sum * self.sum / self.count.max(1.0);
        let clear = |line: &&BaudLine| line.sum.norm_sqr() > CLEAR * scatter && scatter > 0.0;
        let found = self.lines.iter().find(clear).map(|line| line.baud);
        (self.count, self.sum, self.squares) = (0.0, 0.0, 0.0);
        for line in &mut self.lines {
            line.sum = Complex64::default();
            line.turn /= line.turn.norm();
        }
        found
    }
}
