//! Texts: types that go through serde as the text that they are written and read as, and what must not be shown raw.

/// Lets a type go through serde as its text.
macro_rules! as_text {
    ($($name:ident),+) => {$(
        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = String::deserialize(deserializer)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }
    )+};
}
pub(crate) use as_text;

/// Marks that break a line or change the direction of writing (Unicode, UAX #9 and #14): shown raw, they make a text look like
/// another.
pub fn turns_text(c: char) -> bool {
    matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}
