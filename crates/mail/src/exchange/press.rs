//! Raw DEFLATE (RFC 1951) with a preset dictionary.

use miniz_oxide::deflate::core::{
    CompressorOxide, TDEFLFlush, TDEFLStatus, compress_to_output, create_comp_flags_from_zip_params,
};
use miniz_oxide::inflate::TINFLStatus;
use miniz_oxide::inflate::core::inflate_flags::TINFL_FLAG_USING_NON_WRAPPING_OUTPUT_BUF;
use miniz_oxide::inflate::core::{DecompressorOxide, decompress};

/// Words that short texts are likely to hold; both sides have it. docs/mail-exchange.md prints the same.
const WORDS: &str = include_str!("dictionary.txt");
/// Octets that a packed item may have beyond its content; what does not get shorter is stored in blocks with
/// five octets before each.
pub(super) const MOST_ADDED: usize = 64;
/// The most effort.
const LEVEL: i32 = 9;
/// A window without a header; negative by the custom of zlib.
const RAW: i32 = -15;
/// Use the fixed codes of RFC 1951, 3.2.6. The crate has it, but does not give it a public name.
const FIXED_CODES: u32 = 0x4_0000;

/// The dictionary: the lines of the list, joined by single spaces.
fn dictionary() -> Vec<u8> {
    WORDS.lines().collect::<Vec<_>>().join(" ").into_bytes()
}

/// Packs octets. Of the fixed codes and those made for the text whatever is shorter is taken: for
/// a short text the table of codes is longer than what they save.
pub(super) fn pack(content: &[u8]) -> Vec<u8> {
    let made = pack_with(content, 0);
    let fixed = pack_with(content, FIXED_CODES);
    if fixed.len() < made.len() {
        fixed
    } else {
        made
    }
}

fn pack_with(content: &[u8], more_flags: u32) -> Vec<u8> {
    // The strategy 0 is the ordinary one.
    let flags = create_comp_flags_from_zip_params(LEVEL, RAW, 0) | more_flags;
    let mut compressor = CompressorOxide::new(flags);
    // What the dictionary itself packs to is thrown away: the flush ends it at a whole octet, and what
    // follows refers back into it.
    compress_to_output(&mut compressor, &dictionary(), TDEFLFlush::Sync, |_| true);
    let mut packed = Vec::new();
    let (status, _) = compress_to_output(&mut compressor, content, TDEFLFlush::Finish, |octets| {
        packed.extend(octets);
        true
    });
    debug_assert_eq!(status, TDEFLStatus::Done);
    packed
}

/// Unpacks to exactly so many octets; `None` if it is something else. Never makes more than that, whatever
/// the packed octets say.
pub(super) fn unpack(packed: &[u8], length: usize) -> Option<Vec<u8>> {
    let mut room = dictionary();
    let start = room.len();
    room.resize(start + length, 0);
    let mut state = DecompressorOxide::new();
    let flags = TINFL_FLAG_USING_NON_WRAPPING_OUTPUT_BUF;
    let (status, read, written) = decompress(&mut state, packed, &mut room, start, flags);
    let whole = status == TINFLStatus::Done && read == packed.len() && written == length;
    whole.then(|| room.split_off(start))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn short_english_gets_shorter() {
        let text = b"The ferry leaves at noon. Please send blankets and drinking water.\n";
        let packed = pack(text);
        assert!(
            packed.len() * 10 < text.len() * 7,
            "{} octets",
            packed.len()
        );
        assert_eq!(unpack(&packed, text.len()).as_deref(), Some(&text[..]));
    }

    #[test]
    fn a_wrong_length_and_what_is_no_deflate_are_refused() {
        let packed = pack(&[b'a'; 100_000]);
        assert!(packed.len() < 200);
        assert!(unpack(&packed, 99_999).is_none());
        assert!(unpack(&packed, 100_001).is_none());
        assert!(unpack(&[0xff; 40], 100).is_none());
        assert!(unpack(&[], 0).is_none());
        let mut longer = packed;
        longer.push(0);
        assert!(unpack(&longer, 100_000).is_none());
    }

    #[test]
    fn what_does_not_pack_hardly_gets_longer() {
        // The worst there may be, as long as the longest content.
        let mut state = 1_u64;
        let drawn = std::iter::repeat_with(|| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 56) as u8
        });
        let content: Vec<u8> = drawn.take(100_090).collect();
        let packed = pack(&content);
        assert!(packed.len() > content.len() && packed.len() <= content.len() + MOST_ADDED);
        assert_eq!(unpack(&packed, content.len()), Some(content));
    }

    proptest! {
        #[test]
        fn any_octets_come_back(content in proptest::collection::vec(any::<u8>(), 0..3000)) {
            let packed = pack(&content);
            prop_assert!(packed.len() <= content.len() + 16);
            prop_assert_eq!(unpack(&packed, content.len()), Some(content));
        }

        #[test]
        fn any_input_is_harmless(packed in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = unpack(&packed, 1000);
        }
    }
}
