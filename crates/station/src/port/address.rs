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

/// Octets of the head, if octets (without FCS) look like what stations usually send: addresses of the
/// usual characters and a control field of the standard's. For guesses only; a frame with a right FCS is
/// never judged so.
pub(crate) fn plausible_head(octets: &[u8]) -> Option<usize> {
    if !is_structurally_valid(octets) {
        return None;
    }
    let field = octets.iter().position(|o| o & 1 == 1)? + 1;
    let mut addresses = octets[..field].chunks_exact(ADDRESS).enumerate();
    let usual = addresses.all(|(n, address)| is_usual_name(&address[..6], n != 0));
    (usual && is_known_control(octets[field])).then_some(field + 1)
}

/// True for letters and digits, then spaces only (AX.25 v2.2 section 3.12: upper-case letters and digits,
/// filled up with spaces). A station's call sign has a letter and a digit and at least three
/// characters (ITU Radio Regulations, article 19); who is addressed may be any name.
fn is_usual_name(shifted: &[u8], is_station: bool) -> bool {
    let name: Vec<u8> = shifted.iter().map(|o| o >> 1).collect();
    let length = name.iter().position(|&c| c == b' ').unwrap_or(name.len());
    let (call, fill) = name.split_at(length);
    let letters = call.iter().filter(|c| c.is_ascii_uppercase()).count();
    let digits = call.iter().filter(|c| c.is_ascii_digit()).count();
    let usual = letters + digits == length && fill.iter().all(|&c| c == b' ');
    let station = length >= 3 && letters > 0 && digits > 0;
    usual && letters > 0 && (station || !is_station)
}

/// True for the control fields that AX.25 v2.2 knows: I and S frames with any numbers (section 4.2.1),
/// and the U frames of section 4.3.3, whatever their P/F bit.
fn is_known_control(control: u8) -> bool {
    const P_F: u8 = 0x10;
    // SABM, SABME, DISC, DM, UA, FRMR, UI, XID, TEST.
    const UNNUMBERED: [u8; 9] = [0x2F, 0x6F, 0x43, 0x0F, 0x63, 0x87, 0x03, 0xAF, 0xE3];
    control & 3 != 3 || UNNUMBERED.contains(&(control & !P_F))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn addressed(names: [&str; 2], control: u8) -> Vec<u8> {
        let mut octets = Vec::new();
        for (n, name) in names.iter().enumerate() {
            octets.extend(format!("{name:6}").bytes().map(|c| c << 1));
            octets.push(0x60 | u8::from(n == 1));
        }
        octets.push(control);
        octets
    }

    #[test]
    fn a_plausible_head_has_usual_names_and_a_known_control_field() {
        let good = addressed(["BEACON", "QA1SKY"], 0x03);
        assert_eq!(plausible_head(&good), Some(15));
        for control in [
            0x00, 0x51, 0x3F, 0x7F, 0x53, 0x1F, 0x73, 0x97, 0x13, 0xBF, 0xF3,
        ] {
            let head = plausible_head(&addressed(["QB2TOP", "QA1SKY"], control));
            assert_eq!(head, Some(15), "{control:02X}");
        }
        for names in [
            ["QB2TOP", "BEACON"], // a station without a digit
            ["QB2TOP", "12345"],
            ["QB2TOP", "Q1"],
            ["QB2TOP", "QA1sKY"],
            ["QB TOP", "QA1SKY"],
            ["", "QA1SKY"],
        ] {
            assert_eq!(plausible_head(&addressed(names, 0x03)), None, "{names:?}");
        }
        assert_eq!(plausible_head(&addressed(["QB2TOP", "QA1SKY"], 0x07)), None);
        assert_eq!(plausible_head(&good[..14]), None, "no control field");
    }

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
