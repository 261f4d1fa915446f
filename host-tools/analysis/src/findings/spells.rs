//! Stretches of time in which something holds.

/// What is remembered of a spell.
pub(super) trait Figures: Copy {
    /// Takes over what came later.
    fn join(&mut self, later: &Self);
}

/// One spell, first and last sample inside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spell<F> {
    pub(super) from_us: i64,
    pub(super) to_us: i64,
    pub(super) figures: F,
}

/// Finds spells that last long enough and joins those that lie close together.
#[derive(Clone, Debug)]
pub(super) struct SpellFinder<F> {
    least_us: i64,
    join_us: i64,
    period_us: i64,
    /// A pause in the samples longer than this ends a spell.
    pause_us: i64,
    open: Option<Spell<F>>,
    done: Vec<Spell<F>>,
}

impl<F: Figures> SpellFinder<F> {
    pub(super) fn new(least_s: f64, join_s: f64, period_us: i64) -> SpellFinder<F> {
        SpellFinder {
            least_us: (least_s * 1e6) as i64,
            join_us: (join_s * 1e6) as i64,
            period_us,
            pause_us: period_us.saturating_mul(3).max(1_000_000),
            open: None,
            done: Vec::new(),
        }
    }

    /// Shows one sample; `figures` is asked only inside a spell.
    #[inline(always)]
    pub(super) fn step(&mut self, moment_us: i64, is_inside: bool, figures: impl FnOnce() -> F) {
        if is_inside {
            self.inside(moment_us, figures());
        } else if self.open.is_some() {
            self.close();
        }
    }

    /// A sample that cannot be judged: the spell goes on unless too many of them follow one another.
    #[inline(always)]
    pub(super) fn skip(&mut self, moment_us: i64) {
        if self.open.as_ref().is_some_and(|open| self.is_broken(open, moment_us)) {
            self.close();
        }
    }

    fn is_broken(&self, open: &Spell<F>, moment_us: i64) -> bool {
        moment_us.saturating_sub(open.to_us) > self.pause_us
    }

    #[inline]
    fn inside(&mut self, moment_us: i64, figures: F) {
        if self.open.as_ref().is_some_and(|open| self.is_broken(open, moment_us)) {
            self.close();
        }
        match &mut self.open {
            Some(open) => {
                open.to_us = moment_us;
                open.figures.join(&figures);
            }
            None => self.open = Some(Spell { from_us: moment_us, to_us: moment_us, figures }),
        }
    }

    #[cold]
    fn close(&mut self) {
        let Some(spell) = self.open.take() else { return };
        // Each sample stands for one period.
        if spell.to_us.saturating_sub(spell.from_us).saturating_add(self.period_us) < self.least_us {
            return;
        }
        match self.done.last_mut() {
            Some(last) if spell.from_us.saturating_sub(last.to_us) < self.join_us => {
                last.to_us = spell.to_us;
                last.figures.join(&spell.figures);
            }
            _ => self.done.push(spell),
        }
    }

    /// All spells.
    pub(super) fn finish(mut self) -> Vec<Spell<F>> {
        self.close();
        self.done
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Clone, Copy, Debug, PartialEq)]
    struct Greatest(i64);

    impl Figures for Greatest {
        fn join(&mut self, later: &Greatest) {
            self.0 = self.0.max(later.0);
        }
    }

    /// Spells of at least 2 s, joined below 10 s, of samples a second apart.
    fn spells(inside: impl Fn(i64) -> bool, seconds: impl Iterator<Item = i64>) -> Vec<(i64, i64)> {
        let mut finder = SpellFinder::new(2.0, 10.0, 1_000_000);
        for second in seconds {
            finder.step(second * 1_000_000, inside(second), || Greatest(second));
        }
        finder.finish().iter().map(|spell| (spell.from_us / 1_000_000, spell.to_us / 1_000_000)).collect()
    }

    #[test]
    fn a_short_spell_is_none() {
        assert_eq!(spells(|second| second == 5, 0..20), []);
        assert_eq!(spells(|second| second == 5 || second == 6, 0..20), [(5, 6)]);
    }

    #[test]
    fn spells_close_together_are_one() {
        assert_eq!(spells(|second| second < 3 || (8..12).contains(&second), 0..40), [(0, 11)]);
        assert_eq!(spells(|second| second < 3 || (15..18).contains(&second), 0..40), [(0, 2), (15, 17)]);
    }

    #[test]
    fn a_gap_in_the_samples_ends_a_spell() {
        assert_eq!(spells(|_| true, (0..5).chain(100..104)), [(0, 4), (100, 103)]);
    }
}
