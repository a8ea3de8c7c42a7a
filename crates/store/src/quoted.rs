//! What people type, as a search by whole words.

/// Words of one search, and characters of a word, at most: more than anybody types.
const MOST_WORDS: usize = 100;
const MOST_LETTERS: usize = 100;

/// Each word in quotes, so that none of it is taken for an operator (SQLite, "FTS5 Extension", 3.1); all must be there. `None` without
/// any. Beginnings of words are not searched: two common ones took too long among 100 000 letters.
pub(crate) fn all_words(words: &str) -> Option<String> {
    let plain = words.split(|c: char| !c.is_alphanumeric());
    let plain = plain.filter(|word| !word.is_empty()).take(MOST_WORDS);
    let quoted = plain.map(|word| {
        let word: String = word.chars().take(MOST_LETTERS).collect();
        format!("\"{word}\"")
    });
    let all: Vec<String> = quoted.collect();
    (!all.is_empty()).then(|| all.join(" "))
}
