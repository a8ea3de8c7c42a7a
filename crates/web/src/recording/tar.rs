//! A tar archive in the ustar form: a header of 512 octets with numbers in octal, then the file
//! filled up to 512 octets; two blocks of zeros end it (POSIX.1, pax, "ustar Interchange Format",
//! from memory).

const BLOCK: usize = 512;
/// Longest name without a part for its folder.
const LONGEST_NAME: usize = 100;

/// An archive that is being made.
pub(super) struct Archive {
    octets: Vec<u8>,
    /// Seconds since 1970, of everything in it.
    time: u64,
}

impl Archive {
    pub(super) fn new(time: u64) -> Self {
        Archive {
            octets: Vec::new(),
            time,
        }
    }

    /// Adds a folder; its name ends with a slash.
    pub(super) fn folder(&mut self, name: &str) {
        self.header(name, b'5', 0o755, 0);
    }

    /// Adds a file.
    pub(super) fn file(&mut self, name: &str, content: &[u8]) {
        self.header(name, b'0', 0o644, content.len() as u64);
        self.octets.extend(content);
        let whole = self.octets.len().next_multiple_of(BLOCK);
        self.octets.resize(whole, 0);
    }

    pub(super) fn end(mut self) -> Vec<u8> {
        self.octets.resize(self.octets.len() + 2 * BLOCK, 0);
        self.octets
    }

    /// Names are ours: ASCII, and shorter than the format allows.
    fn header(&mut self, name: &str, kind: u8, mode: u64, length: u64) {
        debug_assert!(name.len() <= LONGEST_NAME, "{name}");
        let mut block = [0_u8; BLOCK];
        let mut put =
            |at: usize, octets: &[u8]| block[at..at + octets.len()].copy_from_slice(octets);
        put(0, &name.as_bytes()[..name.len().min(LONGEST_NAME)]);
        put(100, format!("{mode:07o}").as_bytes());
        put(108, b"0000000"); // nobody's
        put(116, b"0000000");
        put(124, format!("{length:011o}").as_bytes());
        put(136, format!("{:011o}", self.time).as_bytes());
        put(148, b"        "); // The sum counts its own place as blanks.
        put(156, &[kind]);
        put(257, b"ustar\x0000");
        let sum: u32 = block.iter().map(|octet| u32::from(*octet)).sum();
        block[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
        self.octets.extend(block);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_begin_at_blocks_and_the_sum_is_right() {
        let mut archive = Archive::new(1_800_000_000);
        archive.folder("a/");
        archive.file("a/b", &[7; 513]);
        let octets = archive.end();
        assert_eq!(octets.len(), (1 + 1 + 2 + 2) * BLOCK);
        for (at, name) in [(0, "a/"), (BLOCK, "a/b")] {
            let block = &octets[at..at + BLOCK];
            assert!(block.starts_with(name.as_bytes()));
            let said = std::str::from_utf8(&block[148..154]).expect("octal");
            let said = u32::from_str_radix(said, 8).expect("octal");
            let blank = |(n, octet): (usize, &u8)| match n {
                148..156 => u32::from(b' '),
                _ => u32::from(*octet),
            };
            assert_eq!(block.iter().enumerate().map(blank).sum::<u32>(), said);
        }
        assert_eq!(octets[2 * BLOCK..][..513], [7; 513]);
        assert!(octets[2 * BLOCK + 513..].iter().all(|octet| *octet == 0));
    }
}
