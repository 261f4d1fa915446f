//! The course of the air content around the beginning of a release, in bounded memory.

use heapless::Vec;

/// Points that are kept; when full, every other one is dropped.
const POINTS: usize = 48;
/// Points of the time before the fall that are kept.
const PLATEAU_POINTS: usize = 6;

#[derive(Clone, Copy, Debug)]
struct Point {
    at_s: f32,
    content_nl: f32,
}

/// A value that may rise steadily, smoothed without lagging behind: twice the mean less the mean of the mean.
#[derive(Clone, Copy, Debug)]
pub(super) struct Level {
    mean: f32,
    mean_of_mean: f32,
}

impl Level {
    pub(super) fn at(value: f32) -> Level {
        Level { mean: value, mean_of_mean: value }
    }

    pub(super) fn follow(&mut self, value: f32, share: f32) {
        self.mean += (value - self.mean) * share;
        self.mean_of_mean += (self.mean - self.mean_of_mean) * share;
    }

    pub(super) fn now(self) -> f32 {
        2.0 * self.mean - self.mean_of_mean
    }
}

/// The kept points: fine while nothing falls, ever sparser as a fall grows long.
#[derive(Clone, Debug, Default)]
pub(super) struct Trace {
    points: Vec<Point, POINTS>,
    stride: u16,
    skipped: u16,
}

impl Trace {
    /// Begins anew with one point.
    pub(super) fn restart(&mut self, content_nl: f32) {
        self.points.clear();
        self.stride = 1;
        self.skipped = 0;
        self.keep(0.0, content_nl);
    }

    /// Takes the next point.
    pub(super) fn keep(&mut self, at_s: f32, content_nl: f32) {
        self.skipped += 1;
        if self.skipped < self.stride {
            return;
        }
        self.skipped = 0;
        let point = Point { at_s, content_nl };
        if self.points.push(point).is_err() {
            let mut position = 0_usize;
            self.points.retain(|_| {
                position = position.wrapping_add(1);
                position % 2 == 1
            });
            self.stride = self.stride.saturating_mul(2);
            let _ = self.points.push(point);
        }
    }

    /// While nothing falls only the last few points matter: the trace must be fine when the fall begins.
    pub(super) fn forget_plateau(&mut self) {
        self.stride = 1;
        // Only now and then: a few points too many cost less than moving them with every sample.
        if self.points.len() < 3 * PLATEAU_POINTS {
            return;
        }
        let mut surplus = self.points.len().saturating_sub(PLATEAU_POINTS);
        self.points.retain(|_| {
            let is_kept = surplus == 0;
            surplus = surplus.saturating_sub(1);
            is_kept
        });
    }

    /// Begin and end of a fall from a level: a choked orifice lets out at a steady rate, so the straight line through
    /// the quarter and three-quarter points gives both, finer than the sampling and free of the ends' noise.
    pub(super) fn fall_times(&self, from_nl: f32, fall_nl: f32) -> Option<(f32, f32)> {
        let quarter_s = self.crossing(from_nl - 0.25 * fall_nl)?;
        let three_quarters_s = self.crossing(from_nl - 0.75 * fall_nl)?;
        let half_s = three_quarters_s - quarter_s;
        (half_s > 0.0).then_some((quarter_s - 0.5 * half_s, three_quarters_s + 0.5 * half_s))
    }

    /// Time for which the content lay inside a fall, from a share `edge` of it to `1 - edge`, as a time for all of it, s.
    ///
    /// Each point stands for the time half-way to its neighbours: over many falls of any phase the mean is right, also
    /// where a fall is shorter than the sampling and most of them are not seen at all. Only the last run of such points
    /// counts: before it the content may wander, and after it the gas warms up.
    pub(super) fn time_inside(&self, from_nl: f32, fall_nl: f32, edge: f32) -> f32 {
        let (high_nl, low_nl) = (from_nl - edge * fall_nl, from_nl - (1.0 - edge) * fall_nl);
        let mut sum_s = 0.0;
        let mut found_s = 0.0;
        let mut before: Option<Point> = None;
        for &point in &self.points {
            if let Some(before) = before {
                let half_s = 0.5 * (point.at_s - before.at_s);
                let is_inside = |content_nl: f32| content_nl < high_nl && content_nl > low_nl;
                sum_s += if is_inside(before.content_nl) { half_s } else { 0.0 };
                sum_s += if is_inside(point.content_nl) { half_s } else { 0.0 };
            }
            if point.content_nl >= high_nl {
                sum_s = 0.0;
            } else if point.content_nl <= low_nl && before.is_some_and(|before| before.content_nl > low_nl) {
                // Half the step from the last point above is already in.
                found_s = sum_s;
                sum_s = 0.0;
            }
            before = Some(point);
        }
        found_s / (1.0 - 2.0 * edge)
    }

    /// When the content last fell through a level.
    fn crossing(&self, level_nl: f32) -> Option<f32> {
        let mut found = None;
        let mut before: Option<Point> = None;
        for &point in &self.points {
            if let Some(before) = before
                && before.content_nl >= level_nl
                && point.content_nl < level_nl
            {
                let share = (before.content_nl - level_nl) / (before.content_nl - point.content_nl);
                found = Some(before.at_s + share * (point.at_s - before.at_s));
            }
            before = Some(point);
        }
        found
    }
}
