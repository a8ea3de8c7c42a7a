//! Reed–Solomon code over octets: systematic encoder; decoder for errors and erasures.
//!
//! Field: GF(256) by x^8+x^4+x^3+x^2+1 (0x11D), primitive element 2. The generator's roots are
//! alpha^1 to alpha^c for c check octets. These are the parameters of FX.25 ("FX.25, Forward
//! Error Correction Extension to AX.25 Link Protocol for Amateur Packet Radio", Stensat Group,
//! draft of 1 September 2006; title and date from memory, field and first root as publicly
//! described). Decoder: Berlekamp and Massey started with the erasures, Chien search, Forney's
//! values (R. E. Blahut, "Theory and Practice of Error Control Codes", 1983, chapter 7; from
//! memory). A codeword has 255 octets; a shorter one has octets left out that are all zero.
//!
//! Nothing here takes memory after construction, and no input makes it panic.

use thiserror::Error;

/// Octets of a codeword that is not shortened.
pub const LONGEST: usize = 255;

/// Most check octets.
pub const MOST_CHECK: usize = 64;

/// The field's polynomial.
const FIELD: u16 = 0x11D;

/// A polynomial of the decoder, lowest power first: one coefficient more than syndromes.
type Poly = [u8; MOST_CHECK + 1];

const TABLES: ([u8; 512], [u8; 256]) = tables();
/// Powers of alpha, twice over, so that a sum of two logarithms needs no remainder.
static EXP: [u8; 512] = TABLES.0;
/// Logarithms to alpha; that of 0 is never asked for.
static LOG: [u8; 256] = TABLES.1;

const fn tables() -> ([u8; 512], [u8; 256]) {
    let (mut exp, mut log) = ([0; 512], [0; 256]);
    let (mut i, mut value) = (0, 1_u16);
    while i < LONGEST {
        exp[i] = value as u8;
        exp[i + LONGEST] = value as u8;
        log[value as usize] = i as u8;
        value <<= 1;
        if value & 0x100 != 0 {
            value ^= FIELD;
        }
        i += 1;
    }
    (exp, log)
}

fn log(a: u8) -> usize {
    usize::from(LOG[usize::from(a)])
}

fn multiply(a: u8, b: u8) -> u8 {
    match (a, b) {
        (0, _) | (_, 0) => 0,
        (a, b) => EXP[log(a) + log(b)],
    }
}

/// `a / b`; `b` must not be 0.
fn divide(a: u8, b: u8) -> u8 {
    match a {
        0 => 0,
        a => EXP[log(a) + LONGEST - log(b)],
    }
}

/// The value of a polynomial, lowest power first, at alpha^`power`.
fn value_at(poly: &[u8], power: usize) -> u8 {
    let x = EXP[power % LONGEST];
    poly.iter().rev().fold(0, |sum, &c| multiply(sum, x) ^ c)
}

/// The highest power with a coefficient other than 0; 0 for the zero polynomial.
fn degree(poly: &Poly) -> usize {
    poly.iter().rposition(|&c| c != 0).unwrap_or(0)
}

/// Where a shortened codeword has the zeros that are not sent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Zeros {
    /// Between the data and the check octets.
    #[default]
    Last,
    /// Before the data.
    First,
}

/// There is no codeword near enough.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("more octets are wrong than the code can correct")]
pub struct Uncorrectable;

/// What the decoder changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Corrections {
    /// Which octets of the block, and what was added (exclusive or) to each.
    list: [(u8, u8); MOST_CHECK],
    count: usize,
}

impl Corrections {
    /// How many octets were wrong.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Corrects a block, or undoes that.
    pub fn apply(&self, block: &mut [u8]) {
        for &(index, change) in &self.list[..self.count] {
            if let Some(octet) = block.get_mut(usize::from(index)) {
                *octet ^= change;
            }
        }
    }
}

/// The syndromes of a block: all zero if it is a codeword.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Syndromes {
    values: [u8; MOST_CHECK],
    /// Octets of the block.
    octets: usize,
}

/// A code with a certain number of check octets.
#[derive(Clone, Debug)]
pub struct ReedSolomon {
    check: usize,
    zeros: Zeros,
    /// The generator's coefficients below the highest (which is 1), highest power first.
    generator: [u8; MOST_CHECK],
}

impl ReedSolomon {
    /// A code with `check` check octets; `None` unless 1 to 64 are asked for.
    pub fn new(check: usize, zeros: Zeros) -> Option<Self> {
        if !(1..=MOST_CHECK).contains(&check) {
            return None;
        }
        // Lowest power first: multiplied by (x + root) once for each root.
        let mut product: Poly = [0; MOST_CHECK + 1];
        product[0] = 1;
        for root in &EXP[1..=check] {
            for i in (0..=check).rev() {
                let below = if i == 0 { 0 } else { product[i - 1] };
                product[i] = below ^ multiply(product[i], *root);
            }
        }
        let mut generator = [0; MOST_CHECK];
        for (to, from) in generator.iter_mut().zip(product[..check].iter().rev()) {
            *to = *from;
        }
        Some(ReedSolomon {
            check,
            zeros,
            generator,
        })
    }

    /// How many check octets there are.
    pub fn check(&self) -> usize {
        self.check
    }

    /// Writes the check octets of `data` to `check`. Data beyond what a codeword holds is
    /// left out of account, and so is room in `check` beyond the check octets.
    pub fn encode(&self, data: &[u8], check: &mut [u8]) {
        let data = &data[..data.len().min(LONGEST - self.check)];
        let zeros = match self.zeros {
            // Zeros before the data leave the register as it is.
            Zeros::First => 0,
            Zeros::Last => LONGEST - self.check - data.len(),
        };
        let mut register = [0; MOST_CHECK];
        let register = &mut register[..self.check];
        for &octet in data.iter().chain(std::iter::repeat_n(&0, zeros)) {
            let factor = octet ^ register[0];
            register.rotate_left(1);
            register[self.check - 1] = 0;
            for (r, &g) in register.iter_mut().zip(&self.generator) {
                *r ^= multiply(factor, g);
            }
        }
        for (to, from) in check.iter_mut().zip(register.iter()) {
            *to = *from;
        }
    }

    /// The power of x that an octet of a block of `octets` belongs to.
    fn power(&self, index: usize, octets: usize) -> usize {
        match self.zeros {
            Zeros::Last if index < octets - self.check => LONGEST - 1 - index,
            _ => octets - 1 - index,
        }
    }

    /// The octet of a block that belongs to a power of x; `None` for a zero that is not sent.
    fn index(&self, power: usize, octets: usize) -> Option<usize> {
        let from_end = |power: usize| (octets - 1).checked_sub(power);
        match self.zeros {
            Zeros::Last if power >= self.check => {
                Some(LONGEST - 1 - power).filter(|&i| i < octets - self.check)
            }
            _ => from_end(power),
        }
    }

    /// The syndromes of a block: data and check octets. `None` if it is longer than a codeword
    /// or has no data.
    pub fn syndromes(&self, block: &[u8]) -> Option<Syndromes> {
        let octets = block.len();
        if octets <= self.check || octets > LONGEST {
            return None;
        }
        let zeros = match self.zeros {
            Zeros::First => 0,
            Zeros::Last => LONGEST - octets,
        };
        let (data, check) = block.split_at(octets - self.check);
        let mut values = [0; MOST_CHECK];
        for (root, value) in (1..).zip(&mut values[..self.check]) {
            let horner = |sum, &octet: &u8| multiply(sum, EXP[root]) ^ octet;
            let sum = data.iter().fold(0, horner);
            // The zeros at once: they only multiply.
            let sum = multiply(sum, EXP[root * zeros % LONGEST]);
            *value = check.iter().fold(sum, horner);
        }
        Some(Syndromes { values, octets })
    }

    /// Corrects a block of data and check octets in place. `erased` names octets (places in
    /// the block) that are worth nothing. With e of them, (check - e) / 2 wrong octets besides
    /// are found. Returns what was changed; after an error the block is as it was.
    ///
    /// # Errors
    /// [`Uncorrectable`] if no codeword is so near, or the block has a wrong length.
    pub fn decode(&self, block: &mut [u8], erased: &[u8]) -> Result<Corrections, Uncorrectable> {
        let syndromes = self.syndromes(block).ok_or(Uncorrectable)?;
        let corrections = self.solve(&syndromes, erased)?;
        corrections.apply(block);
        Ok(corrections)
    }

    /// What must be changed in a block with these syndromes; see [`decode`](Self::decode).
    ///
    /// # Errors
    /// [`Uncorrectable`] as for `decode`.
    pub fn solve(
        &self,
        syndromes: &Syndromes,
        erased: &[u8],
    ) -> Result<Corrections, Uncorrectable> {
        let Syndromes { values, octets } = syndromes;
        let mut found = Corrections {
            list: [(0, 0); MOST_CHECK],
            count: 0,
        };
        if values[..self.check].iter().all(|&s| s == 0) {
            return Ok(found);
        }
        let mut locator: Poly = [0; MOST_CHECK + 1];
        let erasures = self.erase(&mut locator, erased, *octets)?;
        self.search(&mut locator, values, erasures);
        let errors = degree(&locator);
        if errors < erasures || 2 * errors > self.check + erasures {
            return Err(Uncorrectable);
        }
        let evaluator = self.evaluator(&locator, values);
        let mut roots = 0;
        for power in 0..LONGEST {
            // A root is the inverse of its octet's power of alpha.
            if value_at(&locator[..=errors], LONGEST - power) != 0 {
                continue;
            }
            let index = self.index(power, *octets).ok_or(Uncorrectable)?;
            let change = forney(&locator, &evaluator, power).ok_or(Uncorrectable)?;
            roots += 1;
            // An erased octet may have been right.
            if change != 0 {
                let place = found.list.get_mut(found.count).ok_or(Uncorrectable)?;
                *place = (index as u8, change);
                found.count += 1;
            }
        }
        (roots == errors && self.explains(&found, syndromes))
            .then_some(found)
            .ok_or(Uncorrectable)
    }

    /// The locator polynomial of the erased octets, and how many there are.
    fn erase(
        &self,
        locator: &mut Poly,
        erased: &[u8],
        octets: usize,
    ) -> Result<usize, Uncorrectable> {
        let mut seen = [false; LONGEST + 1];
        let mut count = 0;
        locator[0] = 1;
        for &index in erased {
            let index = usize::from(index);
            if index >= octets || std::mem::replace(&mut seen[index], true) {
                continue;
            }
            if count == self.check {
                return Err(Uncorrectable);
            }
            count += 1;
            let x = EXP[self.power(index, octets)];
            for i in (1..=count).rev() {
                locator[i] ^= multiply(locator[i - 1], x);
            }
        }
        Ok(count)
    }

    /// Berlekamp and Massey: lengthens the locator of the erasures until it explains all
    /// syndromes.
    fn search(&self, locator: &mut Poly, syndromes: &[u8; MOST_CHECK], erasures: usize) {
        let mut other = *locator;
        let mut length = erasures;
        for round in erasures + 1..=self.check {
            let discrepancy = (0..round).fold(0, |sum, i| {
                sum ^ multiply(locator[i], syndromes[round - 1 - i])
            });
            other.rotate_right(1);
            other[0] = 0;
            if discrepancy == 0 {
                continue;
            }
            let before = *locator;
            for (l, &o) in locator.iter_mut().zip(&other) {
                *l ^= multiply(discrepancy, o);
            }
            if 2 * length < round + erasures {
                length = round + erasures - length;
                other = before.map(|c| divide(c, discrepancy));
            }
        }
    }

    /// Syndromes times locator, as far as the syndromes go.
    fn evaluator(&self, locator: &Poly, syndromes: &[u8; MOST_CHECK]) -> Poly {
        let mut product: Poly = [0; MOST_CHECK + 1];
        for (i, to) in product[..self.check].iter_mut().enumerate() {
            *to = (0..=i).fold(0, |sum, j| sum ^ multiply(locator[j], syndromes[i - j]));
        }
        product
    }

    /// Whether the corrections lead to a codeword.
    fn explains(&self, found: &Corrections, syndromes: &Syndromes) -> bool {
        (1..=self.check).zip(&syndromes.values).all(|(root, &s)| {
            let changes = found.list[..found.count].iter();
            s == changes.fold(0, |sum, &(index, change)| {
                let power = self.power(usize::from(index), syndromes.octets);
                sum ^ multiply(change, EXP[root * power % LONGEST])
            })
        })
    }
}

/// Forney's value of the error at a power of x, for a first root of alpha^1.
fn forney(locator: &Poly, evaluator: &Poly, power: usize) -> Option<u8> {
    let inverse = LONGEST - power;
    // The derivative keeps the odd powers, each lowered by one: a polynomial of x squared.
    let mut derivative = [0; MOST_CHECK / 2];
    for (to, from) in derivative.iter_mut().zip(locator[1..].iter().step_by(2)) {
        *to = *from;
    }
    let slope = value_at(&derivative, 2 * inverse);
    (slope != 0).then(|| divide(value_at(evaluator, inverse), slope))
}

#[cfg(test)]
mod tests;
