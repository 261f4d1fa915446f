//! When the valve could be seen, and in which state: float and pressure are both needed for that.
//!
//! Time without both for longer than a gap lasts is *unseen*, whether rows are missing, cells are empty, a loop is broken
//! or a sensor stands in alarm. What passed meanwhile is only bounded.

use airvalve_monitor::{SiteData, ValveState};
use airvalve_telemetry::Cadence;

use crate::findings::View;

/// The detector is made for one sample a second and more; a tenth is left to clocks that are not exact.
const SLOWEST_US: i64 = 1_100_000;
/// A float this much above the position at which the large orifice closes says that it is shut, % of stroke.
const SURELY_UP_PCT: f32 = 5.0;

/// Whether rows come too seldom for the detector.
pub(crate) fn is_slow(period_us: i64) -> bool {
    period_us > SLOWEST_US
}

/// One sample that showed float and pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Seen {
    pub(crate) moment_us: i64,
    pub(crate) float_pct: f32,
    pub(crate) pressure_kpa: f32,
}

/// A stretch in which the valve was not seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unseen {
    pub(crate) from_us: i64,
    pub(crate) to_us: i64,
    /// Last sample before and first after; `None` at the ends of the data.
    pub(crate) before: Option<Seen>,
    pub(crate) after: Option<Seen>,
    /// Time of it in which one of the two said that the large orifice was shut, s.
    pub(crate) shut_s: f64,
}

/// What has changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Sighting {
    /// The valve can no longer be seen although samples come.
    Lost,
    /// It is seen again.
    Found(Unseen),
}

/// Keeps account of it.
#[derive(Clone, Debug)]
pub(crate) struct Sight {
    surely_shut_kpa: f32,
    surely_up_pct: f32,
    longest_us: i64,
    /// Moment of the first sample, seen or not.
    began_us: Option<i64>,
    last: Option<Seen>,
    is_lost: bool,
    /// Of the stretch that runs: the sample before, planned pauses, time with the orifice surely shut.
    last_sample_us: i64,
    paused_us: i64,
    shut_us: i64,
    state_us: [i64; 5],
    not_judged_us: i64,
    /// Time without a reading to trust: float, pressure.
    without_us: [i64; 2],
}

impl Sight {
    pub(crate) fn new(site: &SiteData, period_us: i64) -> Sight {
        let mut sight = Sight {
            surely_shut_kpa: 2.0 * site.reopen_kpa,
            surely_up_pct: site.large_closes_above_pct + SURELY_UP_PCT,
            longest_us: 0,
            began_us: None,
            last: None,
            is_lost: false,
            last_sample_us: 0,
            paused_us: 0,
            shut_us: 0,
            state_us: [0; 5],
            not_judged_us: 0,
            without_us: [0; 2],
        };
        sight.set_period(period_us);
        sight
    }

    /// Samples come this far apart from here on.
    pub(crate) fn set_period(&mut self, period_us: i64) {
        // Between rows that come too seldom nothing is seen.
        self.longest_us = if is_slow(period_us) { -1 } else { Cadence::all_the_time(period_us).longest_step_us() };
    }

    /// So much of the stretch that ends with the next sample is a planned pause.
    pub(crate) fn pause(&mut self, length_us: i64) {
        self.paused_us = self.paused_us.saturating_add(length_us);
    }

    /// Takes one sample and the state that was told from it.
    #[inline(always)]
    pub(crate) fn step(&mut self, view: &View, state: ValveState) -> Option<Sighting> {
        let is_seen = !(view.float_pct + view.pressure_kpa).is_nan();
        if let Some(last) = &mut self.last {
            let dt_us = view.moment_us.saturating_sub(last.moment_us);
            if is_seen && dt_us <= self.longest_us {
                *last = seen(view);
                if let Some(time_us) = self.state_us.get_mut(state as usize) {
                    *time_us = time_us.saturating_add(dt_us);
                }
                return None;
            }
        }
        self.step_unseen(view, is_seen)
    }

    #[cold]
    fn step_unseen(&mut self, view: &View, is_seen: bool) -> Option<Sighting> {
        let began_us = *self.began_us.get_or_insert(view.moment_us);
        let from_us = self.last.map_or(began_us, |last| last.moment_us);
        if is_seen {
            let unseen = self.end_stretch(from_us, view.moment_us, Some(seen(view)));
            return unseen.map(Sighting::Found);
        }
        let since_us = view.moment_us.saturating_sub(self.last_sample_us.max(from_us));
        self.last_sample_us = view.moment_us;
        for (time_us, reading) in self.without_us.iter_mut().zip([view.float_pct, view.pressure_kpa]) {
            *time_us = time_us.saturating_add(if reading.is_nan() { since_us } else { 0 });
        }
        let is_shut = view.pressure_kpa > self.surely_shut_kpa || view.float_pct > self.surely_up_pct;
        if is_shut && since_us <= self.longest_us {
            self.shut_us = self.shut_us.saturating_add(since_us);
        }
        let is_lost = view.moment_us.saturating_sub(from_us) > self.longest_us;
        let has_changed = is_lost && !self.is_lost;
        self.is_lost |= is_lost;
        has_changed.then_some(Sighting::Lost)
    }

    fn end_stretch(&mut self, from_us: i64, to_us: i64, after: Option<Seen>) -> Option<Unseen> {
        let length_us = to_us.saturating_sub(from_us);
        let unseen = Unseen { from_us, to_us, before: self.last, after, shut_s: self.shut_us as f64 * 1e-6 };
        let judged_us = length_us.saturating_sub(self.paused_us).max(0);
        self.last = after.or(self.last);
        (self.is_lost, self.paused_us, self.shut_us) = (false, 0, 0);
        if length_us <= 0 {
            return None;
        }
        self.not_judged_us = self.not_judged_us.saturating_add(judged_us);
        Some(unseen)
    }

    /// The data end here.
    pub(crate) fn finish(&mut self, to_us: i64) -> Option<Unseen> {
        let from_us = self.last.map_or(self.began_us?, |last| last.moment_us);
        let is_unseen = to_us.saturating_sub(from_us) > self.longest_us.max(0);
        if is_unseen { self.end_stretch(from_us, to_us, None) } else { None }
    }

    /// Whether samples come, but none that shows the valve.
    pub(crate) fn is_lost(&self) -> bool {
        self.is_lost
    }

    /// Time in a state, s.
    pub(crate) fn state_s(&self, state: ValveState) -> f64 {
        self.state_us.get(state as usize).map_or(0.0, |us| *us as f64 * 1e-6)
    }

    /// Time in which the valve was seen, s.
    pub(crate) fn seen_s(&self) -> f64 {
        ValveState::ALL.into_iter().map(|state| self.state_s(state)).sum()
    }

    /// Time in which it could not be judged, planned pauses left out, s.
    pub(crate) fn not_judged_s(&self) -> f64 {
        self.not_judged_us as f64 * 1e-6
    }

    /// Time without a reading of the float and of the pressure while samples came, s.
    pub(crate) fn without_s(&self) -> [f64; 2] {
        self.without_us.map(|us| us as f64 * 1e-6)
    }
}

fn seen(view: &View) -> Seen {
    Seen { moment_us: view.moment_us, float_pct: view.float_pct, pressure_kpa: view.pressure_kpa }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const SECOND_US: i64 = 1_000_000;

    fn site() -> SiteData {
        airvalve_site::Site::parse(&airvalve_site::template(), "a.toml").unwrap().detector(|_| true)
    }

    fn view(second: i64, float_pct: f32, pressure_kpa: f32) -> View {
        View { moment_us: second * SECOND_US, float_pct, pressure_kpa, ..View::NOTHING }
    }

    /// Shows a sample a second; returns what was unseen, in seconds.
    fn unseen(sight: &mut Sight, views: impl Iterator<Item = View>) -> Vec<(i64, i64, f64)> {
        let mut found = Vec::new();
        let mut last_us = 0;
        for view in views {
            last_us = view.moment_us;
            if let Some(Sighting::Found(unseen)) = sight.step(&view, ValveState::Sealed) {
                found.push(unseen);
            }
        }
        found.extend(sight.finish(last_us));
        found.iter().map(|unseen| (unseen.from_us / SECOND_US, unseen.to_us / SECOND_US, unseen.shut_s)).collect()
    }

    #[test]
    fn time_without_float_or_pressure_is_unseen_like_a_gap() {
        let nan = f32::NAN;
        for (float_pct, pressure_kpa, shut_s) in
            [(nan, nan, 0.0), (nan, 200.0, 99.0), (nan, 0.0, 0.0), (90.0, nan, 99.0)]
        {
            let mut sight = Sight::new(&site(), SECOND_US);
            let lost = |second: &i64| (100..200).contains(second);
            let views =
                (0..300).map(|at| if lost(&at) { view(at, float_pct, pressure_kpa) } else { view(at, 90.0, 200.0) });
            let found = unseen(&mut sight, views);
            assert_eq!(found.iter().map(|(from, to, _)| (*from, *to)).collect::<Vec<_>>(), [(99, 200)]);
            assert!((found[0].2 - shut_s).abs() <= 1.0, "{found:?}");
            assert_eq!((sight.seen_s(), sight.not_judged_s()), (198.0, 101.0));
        }
    }

    #[test]
    fn data_without_a_float_at_their_ends_or_throughout_are_unseen_there() {
        let at = |second: i64, lost: &dyn Fn(i64) -> bool| {
            if lost(second) { view(second, f32::NAN, 200.0) } else { view(second, 90.0, 200.0) }
        };
        for (lost, expected) in [
            (&(|second: i64| second < 50) as &dyn Fn(i64) -> bool, (0, 50)),
            (&|second: i64| second >= 50, (49, 99)),
            (&|_: i64| true, (0, 99)),
        ] {
            let mut sight = Sight::new(&site(), SECOND_US);
            let found = unseen(&mut sight, (0..100).map(|second| at(second, lost)));
            assert_eq!(found.iter().map(|(from, to, _)| (*from, *to)).collect::<Vec<_>>(), [expected]);
        }
    }

    #[test]
    fn a_missing_sample_or_two_are_no_unseen_time_and_a_pause_is_not_counted() {
        let mut sight = Sight::new(&site(), SECOND_US);
        let hole = |second: &i64| (50..52).contains(second);
        assert_eq!(
            unseen(&mut sight, (0..100).filter(|second| !hole(second)).map(|second| view(second, 90.0, 200.0))),
            []
        );
        sight.pause(240 * SECOND_US);
        assert_eq!(unseen(&mut sight, std::iter::once(view(339, 90.0, 200.0))), [(99, 339, 0.0)]);
        assert_eq!(sight.not_judged_s(), 0.0);
    }

    #[test]
    fn between_rows_that_come_too_seldom_nothing_is_seen() {
        let mut sight = Sight::new(&site(), 2 * SECOND_US);
        let found = unseen(&mut sight, (0..10).map(|row| view(2 * row, 90.0, 200.0)));
        assert_eq!((found.len(), sight.seen_s(), sight.not_judged_s()), (9, 0.0, 18.0));
    }
}
