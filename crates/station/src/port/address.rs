//! Whether octets can be an AX.25 frame at all.

/// Octets in one address.
const ADDRESS: usize = 7;
/// Two addresses at least: destination and source.
const SHORTEST: usize = 2 * ADDRESS;
/// And eight digipeaters at most. AX.25 v2.2 section 3.12.5 speaks of two and allows eight
/// for older stations.
const LONGEST: usize = 10 * ADDRESS;

/// True if the address field ends where one can end and a control octet follows. AX.25 v2.2
/// section 3.12: the lowest bit of every address octet is 0 but for the last. What the call
/// signs consist of is not judged here: a station that sends odd ones should be seen.
pub(crate) fn is_structurally_valid(octets: &[u8]) -> bool {
    let Some(end) = octets.iter().position(|o| o & 1 == 1) else {
        return false;
    };
    let field = end + 1;
    field.is_multiple_of(ADDRESS) && (SHORTEST..=LONGEST).contains(&field) && octets.len() > field
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_address_field_must_end_in_its_right_place() {
        // AX.25 v2.2 Figure 3.4, then the same with its parts missing.
        let frame = [
            0x9C, 0x94, 0x6E, 0xA0, 0x40, 0x40, 0xE0, 0x9C, 0x6E, 0x98, 0x8A, 0x9A, 0x40, 0x61,
            0x3E, 0xF0,
        ];
        assert!(is_structurally_valid(&frame));
        assert!(!is_structurally_valid(&frame[..14]));
        assert!(!is_structurally_valid(&frame[1..]));
        assert!(!is_structurally_valid(&frame[7..]));
        assert!(!is_structurally_valid(&[]));
        let with_addresses = |n: usize| {
            let mut octets = [0x40; 120];
            octets[n * 7 - 1] = 0x61;
            is_structurally_valid(&octets)
        };
        assert!(with_addresses(2) && with_addresses(10));
        assert!(!with_addresses(1) && !with_addresses(11));
    }
}
