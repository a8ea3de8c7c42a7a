//! The line bits between two flags, laid out so that many readings of them can be checked
//! quickly.

use crate::Fcs;

/// After this many ones the sender puts in a zero. AX.25 v2.2 section 3.6.
const ONES: u8 = 5;

/// What is known just before a bit, if everything is read as told.
#[derive(Clone, Copy, Debug, Default)]
struct State {
    /// The register over the bits before.
    before: Fcs,
    /// What the register must be here for the bits from here on to end in the right residue.
    wanted: Fcs,
    /// Ones in a row just before.
    ones: u8,
    /// Data bits from here to the end.
    data_left: u32,
    /// From here to the end the stuffing rule is kept.
    kept_after: bool,
    /// Up to here the stuffing rule is kept.
    kept_before: bool,
}

/// What a line bit is, after some ones in a row.
enum Role {
    Data,
    Stuffed,
    Illegal,
}

fn role(bit: bool, ones: u8) -> Role {
    match (bit, ones >= ONES) {
        (_, false) => Role::Data,
        (false, true) => Role::Stuffed,
        (true, true) => Role::Illegal,
    }
}

/// What a reading comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// Six ones in a row, or not whole octets: cannot have been sent.
    Impossible,
    /// Could have been sent, but the FCS is wrong.
    WrongFcs,
    /// The FCS is right.
    Right,
}

/// The bits between two flags, without the flags. Takes all its memory at construction.
#[derive(Clone, Debug)]
pub(crate) struct Stretch {
    line: Vec<bool>,
    /// One more than `line`.
    states: Vec<State>,
    /// Places where the stuffing rule is broken, if everything is read as told.
    broken: usize,
}

impl Stretch {
    /// Room for `bits` line bits.
    pub fn new(bits: usize) -> Self {
        Stretch {
            line: Vec::with_capacity(bits),
            states: Vec::with_capacity(bits + 1),
            broken: 0,
        }
    }

    /// The most line bits there is room for.
    pub fn room(&self) -> usize {
        self.line.capacity()
    }

    /// Takes the bits; more than there is room for are left out.
    pub fn lay(&mut self, bits: impl Iterator<Item = bool>) {
        let room = self.room();
        self.line.clear();
        self.line.extend(bits.take(room));
    }

    /// Reads one bit the other way for good. Before [`Stretch::prepare`].
    pub fn correct(&mut self, i: usize) {
        self.line[i] = !self.line[i];
    }

    /// Works out what every later check needs.
    pub fn prepare(&mut self) {
        self.states.clear();
        self.broken = 0;
        let mut state = State {
            kept_before: true,
            ..State::default()
        };
        for &bit in &self.line {
            self.states.push(state);
            match role(bit, state.ones) {
                Role::Data => state.before.push_bit(bit),
                Role::Stuffed => {}
                Role::Illegal => {
                    state.kept_before = false;
                    // Six or more in a row are one place.
                    self.broken += usize::from(state.ones == ONES);
                }
            }
            state.ones = if bit { state.ones.saturating_add(1) } else { 0 };
        }
        let mut kept = state.ones < ONES;
        self.broken += usize::from(state.ones == ONES);
        state.wanted = Fcs::right();
        state.kept_after = kept;
        self.states.push(state);
        let (mut wanted, mut data) = (Fcs::right(), 0);
        for (state, &bit) in self.states.iter_mut().zip(&self.line).rev() {
            match role(bit, state.ones) {
                Role::Data => {
                    wanted.pull_bit(bit);
                    data += 1;
                }
                Role::Stuffed => {}
                Role::Illegal => kept = false,
            }
            (state.wanted, state.data_left, state.kept_after) = (wanted, data, kept);
        }
    }

    /// Places where the stuffing rule is broken, if everything is read as told.
    pub fn broken(&self) -> usize {
        self.broken
    }

    /// What it comes to if the bits `flips` (ascending, no two the same) are read the other
    /// way.
    pub fn verdict(&self, flips: &[usize]) -> Verdict {
        let Some(&first) = flips.first() else {
            return self.verdict_as_told();
        };
        let start = self.states[first];
        if !start.kept_before {
            return Verdict::Impossible;
        }
        let (mut check, mut ones) = (start.before, start.ones);
        let mut data = self.states[0].data_left as usize - start.data_left as usize;
        let mut flips = flips.iter().copied().peekable();
        for i in first..self.line.len() {
            let state = &self.states[i];
            if flips.peek().is_none() && state.ones == ones {
                let whole = (data + state.data_left as usize).is_multiple_of(8);
                return judge(state.kept_after && whole, check == state.wanted);
            }
            let bit = self.line[i] != flips.next_if_eq(&i).is_some();
            match role(bit, ones) {
                Role::Data => {
                    check.push_bit(bit);
                    data += 1;
                }
                Role::Stuffed => {}
                Role::Illegal => return Verdict::Impossible,
            }
            ones = if bit { ones + 1 } else { 0 };
        }
        let legal = ones < ONES && data.is_multiple_of(8);
        judge(legal, check == Fcs::right())
    }

    fn verdict_as_told(&self) -> Verdict {
        let state = self.states[0];
        let legal = state.kept_after && state.data_left.is_multiple_of(8);
        judge(legal, state.before == state.wanted)
    }

    /// The whole octets that the bits carry if `flips` (ascending) are read the other way, FCS
    /// included, written over `octets`.
    pub fn octets(&self, flips: &[usize], octets: &mut Vec<u8>) {
        octets.clear();
        let (mut ones, mut data) = (0, 0_usize);
        let mut octet = 0;
        let mut flips = flips.iter().copied().peekable();
        for (i, &told) in self.line.iter().enumerate() {
            let bit = told != flips.next_if_eq(&i).is_some();
            if matches!(role(bit, ones), Role::Data) {
                octet |= u8::from(bit) << (data % 8);
                data += 1;
                if data.is_multiple_of(8) {
                    octets.push(std::mem::take(&mut octet));
                }
            }
            ones = if bit { ones + 1 } else { 0 };
        }
    }

    /// Behind which bit each octet ends if `flips` (ascending) are read the other way, written over
    /// `ends`.
    pub fn octet_ends(&self, flips: &[usize], ends: &mut Vec<usize>) {
        ends.clear();
        let (mut ones, mut data) = (0, 0_usize);
        let mut flips = flips.iter().copied().peekable();
        for (i, &told) in self.line.iter().enumerate() {
            let bit = told != flips.next_if_eq(&i).is_some();
            if matches!(role(bit, ones), Role::Data) {
                data += 1;
                if data.is_multiple_of(8) {
                    ends.push(i + 1);
                }
            }
            ones = if bit { ones + 1 } else { 0 };
        }
    }
}

fn judge(legal: bool, right: bool) -> Verdict {
    match (legal, right) {
        (false, _) => Verdict::Impossible,
        (true, false) => Verdict::WrongFcs,
        (true, true) => Verdict::Right,
    }
}
