//! The allowed word that is nearest to one that was written.

/// The word of `allowed` that was probably meant by `written`; `None` if none is near.
pub(crate) fn nearest<'a>(written: &str, allowed: &[&'a str]) -> Option<&'a str> {
    const LONGEST: usize = 64; // Nothing longer can be near to a key of ours.
    let letters: Vec<char> = written
        .chars()
        .take(LONGEST)
        .flat_map(char::to_lowercase)
        .collect();
    let tidy: Vec<char> = letters
        .iter()
        .map(|c| if *c == '-' || *c == ' ' { '_' } else { *c })
        .collect();
    let scored = allowed.iter().map(|word| (distance(&tidy, word), *word));
    let (distance, word) = scored.min_by_key(|(distance, _)| *distance)?;
    (distance <= word.len().max(tidy.len()) / 3).then_some(word)
}

/// Letters to insert, remove, replace, or swap with a neighbour, to turn `a` into `b`:
/// Damerau's distance in its restricted form (each place changed once). `a` is in lower case
/// already; upper and lower case count as the same.
fn distance(a: &[char], b: &str) -> usize {
    let b: Vec<char> = b.chars().flat_map(char::to_lowercase).collect();
    let mut before_last: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, y) in b.iter().enumerate() {
            let replaced = last[j] + usize::from(x != y);
            let mut best = replaced.min(last[j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *x == b[j - 1] && a[i - 1] == *y {
                best = best.min(before_last[j - 1] + 1);
            }
            row.push(best);
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last.last().copied().unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_hand_find_the_word_meant() {
        let allowed = ["name", "persistence", "slot_time", "key_up_delay", "tail"];
        assert_eq!(nearest("persistance", &allowed), Some("persistence"));
        assert_eq!(nearest("nmae", &allowed), Some("name"));
        assert_eq!(nearest("Slot-Time", &allowed), Some("slot_time"));
        assert_eq!(nearest("keyup_delay", &allowed), Some("key_up_delay"));
    }

    #[test]
    fn what_is_far_from_everything_finds_nothing() {
        assert_eq!(nearest("xyzzy", &["name", "tail"]), None);
        assert_eq!(nearest("", &["name"]), None);
        assert_eq!(nearest("name", &[]), None);
    }

    #[test]
    fn distances_are_those_of_the_definition() {
        let d = |a: &str, b| distance(&a.chars().collect::<Vec<_>>(), b);
        assert_eq!(d("kitten", "sitting"), 3); // the usual worked example
        assert_eq!(d("ab", "ba"), 1);
        assert_eq!(d("", "abc"), 3);
    }
}
