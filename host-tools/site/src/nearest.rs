//! The name that a wrong one was meant to be.

/// The known name with the fewest edits, if it is near enough to be meant.
pub(crate) fn nearest(wrong: &str, known: impl Iterator<Item = String>) -> Option<String> {
    let last = |path: &str| path.rsplit('.').next().unwrap_or(path).to_owned();
    let distance = |path: &str| {
        // The right name in the wrong table is one mistake too.
        edits(wrong, path).min(edits(&last(wrong), &last(path)) + 1)
    };
    let best = known.map(|path| (distance(&path), path)).min()?;
    (best.0 <= 1 + last(wrong).len() / 3).then_some(best.1)
}

/// Least number of inserted, removed or changed characters between two words (Levenshtein).
fn edits(a: &str, b: &str) -> usize {
    let mut row: Vec<usize> = (0..=b.chars().count()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (to, cell) in b.chars().zip(row.iter_mut().skip(1)) {
            let above = *cell;
            let changed = diagonal + usize::from(from != to);
            left = changed.min(above + 1).min(left + 1);
            diagonal = above;
            *cell = left;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edits_counts_single_changes() {
        // Source: the textbook pair of the Levenshtein distance, from memory.
        assert_eq!(edits("kitten", "sitting"), 3);
        assert_eq!(edits("", "abc"), 3);
        assert_eq!(edits("same", "same"), 0);
    }

    #[test]
    fn a_name_too_far_off_is_not_guessed() {
        let known = || ["site.name".to_owned()].into_iter();
        assert_eq!(nearest("site.nme", known()).as_deref(), Some("site.name"));
        assert_eq!(nearest("pump.curve", known()), None);
    }
}
