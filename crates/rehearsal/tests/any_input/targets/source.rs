//! Octets as a supply of decisions.

/// Decisions, one after the other; zeros once all octets are used.
#[derive(Clone, Debug)]
pub struct Source<'a>(&'a [u8]);

impl<'a> Source<'a> {
    pub fn new(octets: &'a [u8]) -> Self {
        Source(octets)
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub fn octet(&mut self) -> u8 {
        let (first, rest) = self.0.split_first().map_or((0, self.0), |(f, r)| (*f, r));
        self.0 = rest;
        first
    }

    pub fn word(&mut self) -> u16 {
        u16::from_le_bytes([self.octet(), self.octet()])
    }

    /// 0 to `n - 1`.
    pub fn below(&mut self, n: usize) -> usize {
        usize::from(self.octet()) % n
    }

    pub fn chance(&mut self) -> bool {
        self.octet() & 1 == 1
    }

    /// So many octets, or what is left.
    pub fn take(&mut self, n: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(n.min(self.0.len()));
        self.0 = rest;
        taken
    }

    pub fn rest(self) -> &'a [u8] {
        self.0
    }
}
