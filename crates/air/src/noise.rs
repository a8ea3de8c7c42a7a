//! White Gaussian noise of a receiver.

use dunlin_clock::Chance;

/// A source of white Gaussian noise with a fixed random stream.
#[derive(Clone, Debug)]
pub(crate) struct Noise {
    chance: Chance,
    sigma: f32,
}

impl Noise {
    /// Noise with standard deviation `sigma` per real component.
    pub fn new(chance: Chance, sigma: f64) -> Self {
        Noise {
            chance,
            sigma: sigma as f32,
        }
    }

    /// Adds noise to a real signal.
    pub fn add(&mut self, x: &mut [f32]) {
        for v in x {
            *v += self.sigma * self.chance.normal();
        }
    }

    /// Adds independent noise to both components of a complex signal.
    pub fn add_complex(&mut self, re: &mut [f32], im: &mut [f32]) {
        for (a, b) in re.iter_mut().zip(im) {
            *a += self.sigma * self.chance.normal();
            *b += self.sigma * self.chance.normal();
        }
    }
}
