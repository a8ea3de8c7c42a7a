//! Numbers, call signs and texts as octets.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;

use crate::identity::MessageId;

/// What is wrong with octets, in words that complete "the partner sent".
pub(crate) type Read<T> = Result<T, String>;

/// Latest moment that can be written, in seconds since 1970: the year 4147.
const MOST_SECONDS: i64 = 1 << 36;
/// A call sign is a number to the base 37 of six digits: space, 0 to 9, A to Z.
const DIGITS: &[u8; 37] = b" 0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/// Appends a number, seven bits an octet, the lowest first; the highest bit says that more follow.
pub(crate) fn put_number(to: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        to.push(number as u8 | 0x80);
        number >>= 7;
    }
    to.push(number as u8);
}

/// Appends a number that may be below zero: 0, -1, 1, -2, 2 become 0, 1, 2, 3, 4.
pub(crate) fn put_signed(to: &mut Vec<u8>, number: i64) {
    put_number(to, ((number << 1) ^ (number >> 63)) as u64);
}

/// Appends a call sign without SSID in four octets, the highest first.
pub(crate) fn put_call(to: &mut Vec<u8>, call: CallSign) {
    let letters = format!("{:6}", call.characters());
    let digit = |c: u8| DIGITS.iter().position(|&d| d == c).unwrap_or(0) as u32;
    let number = letters.bytes().fold(0_u32, |n, c| n * 37 + digit(c));
    to.extend(number.to_be_bytes());
}

/// Appends an identifier in twelve octets.
pub(crate) fn put_id(to: &mut Vec<u8>, id: MessageId) {
    put_call(to, id.origin);
    to.extend(id.number.to_be_bytes());
}

/// Appends a text after the number of its octets.
pub(crate) fn put_text(to: &mut Vec<u8>, text: &str) {
    put_number(to, text.len() as u64);
    to.extend(text.as_bytes());
}

/// Whole seconds since 1970, brought into the range that can be written.
pub(crate) fn seconds(at: WallTime) -> i64 {
    at.0.div_euclid(1000).clamp(0, MOST_SECONDS)
}

/// The other way; `None` outside the range.
pub(crate) fn wall_time(seconds: i64) -> Option<WallTime> {
    (0..=MOST_SECONDS)
        .contains(&seconds)
        .then(|| WallTime(seconds * 1000))
}

/// Takes octets from the front.
pub(crate) struct Reader<'a> {
    rest: &'a [u8],
}

impl<'a> Reader<'a> {
    pub(crate) fn new(octets: &'a [u8]) -> Self {
        Reader { rest: octets }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.rest.is_empty()
    }

    pub(crate) fn rest(self) -> &'a [u8] {
        self.rest
    }

    pub(crate) fn take(&mut self, length: usize) -> Read<&'a [u8]> {
        let split = self.rest.split_at_checked(length);
        let (taken, rest) =
            split.ok_or_else(|| "a record that ends in the middle of a field".to_owned())?;
        self.rest = rest;
        Ok(taken)
    }

    pub(crate) fn array<const N: usize>(&mut self) -> Read<[u8; N]> {
        let taken = self.take(N)?;
        let mut array = [0; N];
        array.copy_from_slice(taken);
        Ok(array)
    }

    pub(crate) fn octet(&mut self) -> Read<u8> {
        Ok(self.array::<1>()?[0])
    }

    /// A number below 2 to the power of 63.
    pub(crate) fn number(&mut self) -> Read<u64> {
        let mut number = 0;
        for place in 0..9 {
            let octet = self.octet()?;
            number |= u64::from(octet & 0x7f) << (7 * place);
            if octet < 0x80 {
                return Ok(number);
            }
        }
        Err("a number of more than nine octets".to_owned())
    }

    pub(crate) fn signed(&mut self) -> Read<i64> {
        let number = self.number()?;
        Ok((number >> 1) as i64 ^ -((number & 1) as i64))
    }

    /// A moment that is so many seconds after another.
    pub(crate) fn moment_after(&mut self, start: WallTime) -> Read<WallTime> {
        let after = self.signed()?;
        let seconds = seconds(start).checked_add(after);
        seconds
            .and_then(wall_time)
            .ok_or_else(|| "a moment before 1970 or after 4147".to_owned())
    }

    /// A call sign, or `None` where there may be none.
    pub(crate) fn call_or_none(&mut self) -> Read<Option<CallSign>> {
        let number = u32::from_be_bytes(self.array()?);
        if number == 0 {
            return Ok(None);
        }
        let mut left = number;
        let mut letters = [b' '; 6];
        for letter in letters.iter_mut().rev() {
            *letter = DIGITS[left as usize % 37];
            left /= 37;
        }
        let text = std::str::from_utf8(&letters).unwrap_or_default().trim_end();
        let call = CallSign::new(text, 0).ok().filter(|_| left == 0);
        let wrong = || format!("the number {number}, which is no call sign");
        call.map(Some).ok_or_else(wrong)
    }

    pub(crate) fn call(&mut self) -> Read<CallSign> {
        let call = self.call_or_none()?;
        call.ok_or_else(|| "no call sign where there must be one".to_owned())
    }

    pub(crate) fn id(&mut self) -> Read<MessageId> {
        Ok(MessageId {
            origin: self.call()?,
            number: u64::from_be_bytes(self.array()?),
        })
    }

    pub(crate) fn text(&mut self) -> Read<String> {
        let length = self.number()?;
        let length = usize::try_from(length).unwrap_or(usize::MAX);
        as_text(self.take(length)?)
    }
}

/// Octets as text.
pub(crate) fn as_text(octets: &[u8]) -> Read<String> {
    let text = std::str::from_utf8(octets).map_err(|_| "a text that is not UTF-8".to_owned())?;
    Ok(text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_have_the_octets_that_the_page_gives() {
        let of = |n| {
            let mut octets = Vec::new();
            put_number(&mut octets, n);
            octets
        };
        assert_eq!(of(0), [0]);
        assert_eq!(of(127), [0x7f]);
        assert_eq!(of(128), [0x80, 1]);
        assert_eq!(of(300), [0xac, 2]);
        assert!(Reader::new(&[0x80; 12]).number().is_err());
        assert!(Reader::new(&[0x80]).number().is_err());
    }

    #[test]
    fn call_signs_have_the_octets_that_the_page_gives() {
        let mut octets = Vec::new();
        put_call(&mut octets, "QA1SKY".parse().expect("a call sign"));
        assert_eq!(octets, 0x70d5_90cd_u32.to_be_bytes());
        assert_eq!(Reader::new(&[0; 4]).call_or_none(), Ok(None));
        // Letters after a space, and more than six.
        assert!(Reader::new(&[0, 0, 0, 1]).call().is_err());
        assert!(Reader::new(&[0xff; 4]).call().is_err());
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(
            number in 0..u64::MAX / 2,
            signed in -(1_i64 << 60)..1 << 60,
            call in "[A-Z0-9]{1,6}",
            text in ".{0,40}",
        ) {
            let call: CallSign = call.parse().expect("a call sign");
            let mut octets = Vec::new();
            put_number(&mut octets, number);
            put_signed(&mut octets, signed);
            put_call(&mut octets, call);
            put_text(&mut octets, &text);
            let mut reader = Reader::new(&octets);
            prop_assert_eq!(reader.number(), Ok(number));
            prop_assert_eq!(reader.signed(), Ok(signed));
            prop_assert_eq!(reader.call(), Ok(call));
            prop_assert_eq!(reader.text(), Ok(text));
            prop_assert!(reader.is_empty());
        }
    }
}
