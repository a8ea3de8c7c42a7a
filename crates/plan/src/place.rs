//! Where something stands in a text: line, column, and the line itself to show.

use std::ops::Range;

/// Longest piece of a line that is shown, in characters.
const MOST_SHOWN: usize = 120;

/// A place in a text, ready to be shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Characters from there that belong to it on this line, at least 1.
    pub width: usize,
    /// The line, control characters replaced, long lines cut around the place.
    pub shown: String,
    /// Characters of `shown` in front of the place.
    pub indent: usize,
}

/// A text that knows where its lines begin.
#[derive(Clone, Debug)]
pub struct Source<'i> {
    text: &'i str,
    line_starts: Vec<usize>,
}

impl<'i> Source<'i> {
    /// Finds the lines of `text`.
    pub fn new(text: &'i str) -> Self {
        let after_breaks = text.match_indices('\n').map(|(at, _)| at + 1);
        let line_starts = std::iter::once(0).chain(after_breaks).collect();
        Source { text, line_starts }
    }

    /// The place of an octet range. A range outside the text is moved to its end, one
    /// inside a character to the start of it.
    pub fn place(&self, span: Range<usize>) -> Place {
        let start = self.boundary(span.start);
        let line = self.line_of(start);
        let line_start = self.line_starts[line - 1];
        let rest = &self.text[line_start..];
        let whole = rest.split('\n').next().unwrap_or_default();
        let whole = whole.strip_suffix('\r').unwrap_or(whole);
        // A place on the line break itself is shown just behind the line.
        let start = start.min(line_start + whole.len());
        let end = self
            .boundary(span.end)
            .clamp(start, line_start + whole.len());
        let before = self.text[line_start..start].chars().count();
        let width = self.text[start..end].chars().count().max(1);
        let skip = before.saturating_sub(MOST_SHOWN / 2);
        let shown: String = whole
            .chars()
            .skip(skip)
            .take(MOST_SHOWN)
            .map(tame)
            .collect();
        let indent = before - skip;
        Place {
            line,
            column: before + 1,
            width: width.min(MOST_SHOWN - indent),
            shown,
            indent,
        }
    }

    /// The line, from 1, in which the octet `at` stands.
    pub fn line_of(&self, at: usize) -> usize {
        self.line_starts.partition_point(|&start| start <= at)
    }

    fn boundary(&self, at: usize) -> usize {
        let mut at = at.min(self.text.len());
        while !self.text.is_char_boundary(at) {
            at -= 1; // Zero is a boundary, so this ends.
        }
        at
    }
}

/// What is shown for a character: itself, or a stand-in that cannot steer a terminal.
fn tame(c: char) -> char {
    match c {
        '\t' => ' ',
        c if c.is_control() => '\u{FFFD}',
        // Marks that change the direction of writing would tear the caret from its place.
        '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}' => '\u{FFFD}',
        c => c,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_columns_count_characters_from_one() {
        let source = Source::new("a = 1\r\nöl = 2\n");
        let place = source.place(13..14);
        assert_eq!((place.line, place.column, place.width), (2, 6, 1));
        assert_eq!(place.shown, "öl = 2");
        assert_eq!(source.place(0..5).column, 1);
        assert_eq!(source.place(0..5).width, 5);
    }

    #[test]
    fn places_outside_the_text_or_inside_a_character_do_not_panic() {
        let source = Source::new("ö\n");
        assert_eq!(source.place(1..1).column, 1);
        let end = source.place(99..120);
        assert_eq!((end.line, end.column, end.width), (2, 1, 1));
        assert_eq!(Source::new("").place(0..0).line, 1);
    }

    #[test]
    fn a_range_over_several_lines_is_shown_to_the_end_of_the_first() {
        let place = Source::new("x = [\n1,\n]\n").place(4..10);
        assert_eq!((place.line, place.column, place.width), (1, 5, 1));
    }

    #[test]
    fn long_and_wild_lines_are_cut_and_tamed() {
        let text = format!("{}\u{1b}[2J\tx{}", "é".repeat(500), "y".repeat(500));
        let place = Source::new(&text).place(1000..1001);
        assert_eq!(place.column, 501);
        assert_eq!(place.shown.chars().count(), MOST_SHOWN);
        assert_eq!(place.shown.chars().nth(place.indent), Some('\u{FFFD}'));
        assert!(!place.shown.contains(['\u{1b}', '\t']));
    }
}
