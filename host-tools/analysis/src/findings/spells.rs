//! Stretches of time in which something holds.
//!
//! Duty: tell from how far samples lie within a limit when something began, when it ended, and whether it was long enough.
//!
//! Neither the sample rate nor a noisy sample may change that. So it is judged on means: over a second, and over ten
//! seconds for what must last a minute or more. When it began and ended is then told by the samples themselves. A spell
//! ends when the mean is beyond the limit by a deadband: what stands at its limit is one spell and not many. Within the
//! deadband it goes on for no longer than a spell must last, nor than the time below which spells are joined.

use std::collections::VecDeque;

use airvalve_telemetry::Cadence;

use super::{FRAME_US, View};

/// What is remembered of a spell.
pub(super) trait Figures: Copy {
    /// Takes over what came later.
    fn join(&mut self, later: &Self);
}

/// Samples of about a second, in order and at least one, and their mean.
pub(super) struct Frame<'a> {
    pub(super) samples: &'a [View],
    pub(super) mean: View,
}

impl Frame<'_> {
    fn first_us(&self) -> i64 {
        self.samples.first().unwrap_or(&self.mean).moment_us
    }

    fn last_us(&self) -> i64 {
        self.samples.last().unwrap_or(&self.mean).moment_us
    }
}

/// One spell, first and last sample inside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spell<F> {
    pub(super) from_us: i64,
    pub(super) to_us: i64,
    pub(super) figures: F,
    /// Goes on over a pause between bursts, in which nothing was seen.
    pub(super) is_in_bursts: bool,
}

/// How long a spell must be, and how far apart two may lie to be one.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lengths {
    pub(super) least_s: f32,
    pub(super) join_s: f32,
    pub(super) period_us: i64,
}

/// A mean is over so many frames at most, and over no more than this part of a spell's least length.
const MOST_FRAMES: f32 = 10.0;
const MEAN_PART: f32 = 6.0;
/// No frame counts for more than so many deadbands in a mean: one wild reading must not decide.
const MOST_DEADBANDS: f32 = 2.0;

/// One of the last frames.
#[derive(Clone, Copy, Debug)]
struct Recent {
    margin: f32,
    /// First sample inside, where the frame lies inside.
    inside_from_us: Option<i64>,
}

/// Finds spells that last long enough and joins those that lie close together.
#[derive(Clone, Debug)]
pub(super) struct SpellFinder<F> {
    least_us: i64,
    join_us: i64,
    /// Longest time within the deadband.
    near_us: i64,
    /// Time without a frame that can be judged that ends a spell.
    missing_us: i64,
    period_us: i64,
    most_frames: usize,
    recent: VecDeque<Recent>,
    /// End of the last frame that could be judged, and whether it lay inside.
    last_us: i64,
    was_inside: bool,
    /// Whether the mean lay inside then.
    held: bool,
    /// Since when the samples at its end lie inside, where as a whole it does not.
    tail_us: Option<i64>,
    is_after_pause: bool,
    has_judged: bool,
    open: Option<Spell<F>>,
    done: Vec<Spell<F>>,
}

impl<F: Figures> SpellFinder<F> {
    pub(super) fn new(lengths: Lengths) -> SpellFinder<F> {
        let us = |seconds: f32| (f64::from(seconds) * 1e6).round() as i64;
        let (least_us, join_us) = (us(lengths.least_s), us(lengths.join_s));
        SpellFinder {
            least_us,
            join_us,
            near_us: join_us.min(least_us),
            missing_us: Cadence::all_the_time(lengths.period_us).longest_step_us(),
            period_us: lengths.period_us,
            most_frames: (lengths.least_s / MEAN_PART).clamp(1.0, MOST_FRAMES) as usize,
            recent: VecDeque::new(),
            last_us: i64::MIN,
            was_inside: false,
            held: false,
            tail_us: None,
            is_after_pause: false,
            has_judged: false,
            open: None,
            done: Vec::new(),
        }
    }

    /// Shows one frame; `margin` says how far a sample lies inside, in deadbands (NaN: it cannot be judged), and `figures`
    /// is asked only inside a spell.
    pub(super) fn frame(&mut self, frame: &Frame, margin: impl Fn(&View) -> f32, figures: impl FnOnce() -> F) {
        let margin_of_mean = margin(&frame.mean);
        if margin_of_mean.is_nan() {
            return;
        }
        self.has_judged = true;
        if !self.is_after_pause && frame.first_us().saturating_sub(self.last_us) > self.missing_us {
            self.gap();
        }
        let is_inside = |view: &&View| margin(view) > 0.0;
        let inside_to_us = self.take_edges(frame, is_inside, margin_of_mean);
        self.decide(frame.last_us(), inside_to_us, figures);
        self.last_us = frame.last_us();
        self.is_after_pause = false;
    }

    /// Takes the frame among the recent ones; returns its last sample inside.
    fn take_edges(&mut self, frame: &Frame, is_inside: impl Fn(&&View) -> bool, margin: f32) -> Option<i64> {
        let samples = frame.samples;
        let frame_is_inside = margin > 0.0;
        let inside_from_us = frame_is_inside.then(|| {
            let tail_us = self.tail_us.filter(|_| samples.first().is_some_and(|first| is_inside(&first)));
            let first_us = samples.iter().find(&is_inside).map(|first| first.moment_us);
            tail_us.or(first_us).unwrap_or(frame.first_us())
        });
        let inside_to_us = if frame_is_inside {
            samples.iter().rev().find(&is_inside).map(|last| last.moment_us).or(Some(frame.last_us()))
        } else if self.was_inside {
            samples.iter().take_while(&is_inside).last().map(|last| last.moment_us)
        } else {
            None
        };
        let tail = samples.iter().rev().take_while(&is_inside).last().map(|first| first.moment_us);
        self.tail_us = if frame_is_inside { None } else { tail };
        self.was_inside = frame_is_inside;
        if self.recent.len() >= self.most_frames {
            self.recent.pop_front();
        }
        let margin = margin.clamp(-MOST_DEADBANDS, MOST_DEADBANDS);
        self.recent.push_back(Recent { margin, inside_from_us });
        inside_to_us
    }

    fn decide(&mut self, end_us: i64, inside_to_us: Option<i64>, figures: impl FnOnce() -> F) {
        let mean = self.recent.iter().map(|recent| recent.margin).sum::<f32>() / self.recent.len() as f32;
        match &mut self.open {
            Some(open) => {
                // Where the mean has left, a noisy sample that is inside is no part of the spell.
                if let Some(to_us) = inside_to_us.filter(|_| mean > 0.0 || self.held) {
                    open.to_us = to_us;
                    open.figures.join(&figures());
                }
                let is_over = mean <= -1.0 || end_us.saturating_sub(open.to_us) >= self.near_us;
                // After a pause both sides must hold.
                if mean <= 0.0 && (is_over || self.is_after_pause) {
                    self.close();
                } else {
                    open.is_in_bursts |= self.is_after_pause;
                }
            }
            None if mean > 0.0 => {
                let from_us = self.recent.iter().find_map(|recent| recent.inside_from_us).unwrap_or(end_us);
                let to_us = inside_to_us.unwrap_or(end_us);
                self.open = Some(Spell { from_us, to_us, figures: figures(), is_in_bursts: false });
            }
            None => {}
        }
        self.held = mean > 0.0;
    }

    /// A pause between bursts: a spell that held up to it goes on if it holds after it.
    pub(super) fn pause(&mut self) {
        if !self.was_inside {
            self.close();
        }
        self.forget();
        self.is_after_pause = true;
    }

    /// A gap in the samples ends every spell.
    pub(super) fn gap(&mut self) {
        self.close();
        self.forget();
    }

    fn forget(&mut self) {
        self.recent.clear();
        (self.was_inside, self.held) = (false, false);
        self.tail_us = None;
    }

    fn close(&mut self) {
        let Some(spell) = self.open.take() else { return };
        self.recent.iter_mut().for_each(|recent| recent.inside_from_us = None);
        // Each sample stands for one period, but for no more than a second: one row of ten minutes shows no minute.
        let stands_for_us = self.period_us.min(FRAME_US);
        if spell.to_us.saturating_sub(spell.from_us).saturating_add(stands_for_us) < self.least_us {
            return;
        }
        match self.done.last_mut() {
            Some(last) if spell.from_us.saturating_sub(last.to_us) < self.join_us => {
                last.to_us = spell.to_us;
                last.figures.join(&spell.figures);
                last.is_in_bursts |= spell.is_in_bursts;
            }
            _ => self.done.push(spell),
        }
    }

    /// Whether anything could be judged at all.
    pub(super) fn has_judged(&self) -> bool {
        self.has_judged
    }

    /// All spells.
    pub(super) fn finish(mut self) -> Vec<Spell<F>> {
        self.close();
        self.done
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::panic)]
    use super::*;

    #[derive(Clone, Copy, Debug, PartialEq)]
    struct Greatest(f32);

    impl Figures for Greatest {
        fn join(&mut self, later: &Greatest) {
            self.0 = self.0.max(later.0);
        }
    }

    const SECOND_US: i64 = 1_000_000;

    fn finder(least_s: f32, join_s: f32) -> SpellFinder<Greatest> {
        SpellFinder::new(Lengths { least_s, join_s, period_us: SECOND_US / 10 })
    }

    /// Shows ten samples a second, from one second up to another; odour serves as the margin.
    fn show(finder: &mut SpellFinder<Greatest>, from_s: i64, to_s: i64, margin: impl Fn(f32) -> f32) {
        for second in from_s..to_s {
            let samples: Vec<View> = (0..10)
                .map(|tenth| {
                    let moment_us = second * SECOND_US + tenth * SECOND_US / 10;
                    View { moment_us, odour_ppm: margin(moment_us as f32 * 1e-6), ..View::NOTHING }
                })
                .collect();
            let frame = Frame { mean: View::mean(&samples), samples: &samples };
            finder.frame(&frame, |view| view.odour_ppm, || Greatest(frame.mean.odour_ppm));
        }
    }

    fn found(finder: SpellFinder<Greatest>) -> Vec<(f64, f64)> {
        let seconds = |us: i64| us as f64 / 1e6;
        finder.finish().iter().map(|spell| (seconds(spell.from_us), seconds(spell.to_us))).collect()
    }

    /// Spells of at least 2 s, joined below 10 s.
    fn spells(margin: impl Fn(f32) -> f32) -> Vec<(f64, f64)> {
        let mut finder = finder(2.0, 10.0);
        show(&mut finder, 0, 60, margin);
        found(finder)
    }

    /// 1 between these seconds, else -5.
    fn between(from_s: f32, to_s: f32) -> impl Fn(f32) -> f32 {
        move |at_s| if (from_s - 0.01..to_s - 0.01).contains(&at_s) { 1.0 } else { -5.0 }
    }

    #[test]
    fn a_spell_is_as_long_as_its_samples_wherever_the_seconds_begin() {
        for tenth in 0..10 {
            let from_s = 20.0 + 0.1 * tenth as f32;
            assert_eq!(spells(between(from_s, from_s + 1.9)), []);
            let [(from, to)] = spells(between(from_s, from_s + 2.0))[..] else { panic!("{from_s}") };
            assert!((from - f64::from(from_s)).abs() < 0.01 && (to - from - 1.9).abs() < 0.01, "{from} {to}");
        }
    }

    #[test]
    fn samples_that_come_seldom_make_a_spell_only_where_they_span_its_least_time() {
        let high = |rows: std::ops::RangeInclusive<i64>| {
            let lengths = Lengths { least_s: 60.0, join_s: 600.0, period_us: 60 * SECOND_US };
            let mut finder: SpellFinder<Greatest> = SpellFinder::new(lengths);
            for row in 0..10 {
                let odour_ppm = if rows.contains(&row) { 1.0 } else { -0.1 };
                let view = View { moment_us: row * 60 * SECOND_US, odour_ppm, ..View::NOTHING };
                let frame = Frame { mean: view, samples: &[view] };
                finder.frame(&frame, |view| view.odour_ppm, || Greatest(1.0));
            }
            found(finder)
        };
        assert_eq!(high(4..=4), []);
        assert_eq!(high(4..=5), [(240.0, 300.0)]);
    }

    #[test]
    fn spells_close_together_are_one() {
        let two = |first: (f32, f32), second: (f32, f32)| {
            move |at_s| between(first.0, first.1)(at_s).max(between(second.0, second.1)(at_s))
        };
        assert_eq!(spells(two((0.0, 3.0), (8.0, 12.0))), [(0.0, 11.9)]);
        assert_eq!(spells(two((0.0, 3.0), (15.0, 18.0))), [(0.0, 2.9), (15.0, 17.9)]);
        // Two that are too short stay none.
        assert_eq!(spells(two((0.0, 1.5), (5.0, 6.5))), []);
    }

    #[test]
    fn noise_at_the_limit_makes_one_spell() {
        let mut finder = finder(20.0, 10.0);
        show(&mut finder, 0, 60, |at_s| if (at_s * 10.0).round() % 7.0 < 4.0 { 0.4 } else { -0.5 });
        let [(from, to)] = found(finder)[..] else { panic!() };
        assert!(from < 2.0 && to > 57.0, "{from} {to}");
    }

    #[test]
    fn a_few_seconds_beyond_the_limit_end_no_spell_of_a_minute() {
        let hole = |length_s: f32| move |at_s| if between(40.0, 40.0 + length_s)(at_s) > 0.0 { -50.0 } else { 1.0 };
        for (length_s, spells) in [(0.1, 1), (3.0, 1), (10.0, 0)] {
            let mut finder = finder(60.0, 10.0);
            show(&mut finder, 0, 80, hole(length_s));
            assert_eq!(found(finder).len(), spells, "{length_s}");
        }
    }

    #[test]
    fn within_the_deadband_a_spell_goes_on_no_longer_than_it_must_last_nor_than_spells_are_joined() {
        let dip = |length_s: f32| move |at_s| if between(20.0, 20.0 + length_s)(at_s) > 0.0 { -0.9 } else { 1.0 };
        for (least_s, join_s, length_s, count) in [
            (20.0, 10.0, 8.0, 1),
            (20.0, 10.0, 15.0, 2),
            (5.0, 0.0, 2.0, 2),
            (5.0, 20.0, 4.0, 1),
            (15.0, 60.0, 20.0, 1),
        ] {
            let mut finder = finder(least_s, join_s);
            show(&mut finder, 0, 60, dip(length_s));
            assert_eq!(found(finder).len(), count, "{least_s} {join_s} {length_s}");
        }
    }

    #[test]
    fn a_gap_in_the_samples_ends_a_spell_and_a_pause_does_not() {
        let mut over_gap = finder(2.0, 10.0);
        show(&mut over_gap, 0, 5, |_| 1.0);
        over_gap.gap();
        show(&mut over_gap, 100, 104, |_| 1.0);
        assert_eq!(found(over_gap), [(0.0, 4.9), (100.0, 103.9)]);
        for (after, expected) in [(1.0, (0.0, 103.9)), (-0.5, (0.0, 4.9)), (f32::NAN, (0.0, 4.9))] {
            let mut over_pause = finder(2.0, 10.0);
            show(&mut over_pause, 0, 5, |_| 1.0);
            over_pause.pause();
            show(&mut over_pause, 100, 104, |_| after);
            let spells = over_pause.finish();
            assert_eq!(spells.iter().map(|spell| spell.is_in_bursts).collect::<Vec<_>>(), [after > 0.0]);
            assert_eq!((spells[0].from_us as f64 / 1e6, spells[0].to_us as f64 / 1e6), expected);
        }
    }

    #[test]
    fn what_cannot_be_judged_is_no_spell_and_ends_one() {
        let mut blind = finder(2.0, 10.0);
        show(&mut blind, 0, 10, |_| f32::NAN);
        assert!(!blind.has_judged());
        show(&mut blind, 10, 15, |_| 1.0);
        show(&mut blind, 15, 30, |_| f32::NAN);
        assert!(blind.has_judged());
        assert_eq!(found(blind), [(10.0, 14.9)]);
    }
}
