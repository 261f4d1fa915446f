//! Fouling: when it has gone so far that it must be told.

use super::{Claims, HOUR_S, Moment, Rule, Sheet};

/// Time allowed, s. Source: the project's goals; so are the limits below.
const ALLOWED_S: f64 = 24.0 * HOUR_S;
/// Area ratios: from the first on the time runs, and the second must be reached.
const FIRST_RATIO: f64 = 0.7;
const SECOND_RATIO: f64 = 0.5;
/// Friction and depth of the float, % of stroke; leak, of the mean arrival.
const FRICTION_PCT: f64 = 4.0;
const SUNK_PCT: f64 = 10.0;
const LEAK_SHARE: f64 = 0.6;
/// Time constant over which the leak is averaged, s: pumping and rest in their usual shares.
const LEAK_S: f64 = 6.0 * HOUR_S;

/// So many samples of an open orifice before the fault and as many after the first limit was passed: a release may be over
/// between two samples, and how long releases take is known as well as the root of their count.
const OPEN_SAMPLES: u32 = 30;

/// The later of: half of the clean area is gone; 24 h after three tenths were. And enough of both has been seen.
#[derive(Default)]
pub(super) struct Clogging {
    open_before: u32,
    open_after: u32,
    /// When the first ratio was passed, on the clock and in time with samples, s.
    passed: Option<(f64, f64)>,
    is_told: bool,
}

impl Rule for Clogging {
    fn see_before(&mut self, moment: &Moment<'_>, _: &Sheet<'_>) {
        self.open_before += u32::from(moment.now.is_releasing);
    }

    fn see(&mut self, moment: &Moment<'_>, _: &Sheet<'_>, claims: &mut Claims) {
        // A little play: a share that ends at the limit has reached it.
        let has_reached = |ratio: f64| moment.now.free_share <= ratio + 1e-6;
        if has_reached(FIRST_RATIO) {
            self.passed.get_or_insert((moment.now.now_s, moment.seen_s));
        }
        self.open_after += u32::from(self.passed.is_some() && moment.now.is_releasing);
        let has_been_seen = self.open_before.min(self.open_after) >= OPEN_SAMPLES;
        if let Some((passed_s, passed_seen_s)) = self.passed
            && has_reached(SECOND_RATIO)
            && has_been_seen
            && !self.is_told
        {
            self.is_told = true;
            claims.another(passed_s, moment, (ALLOWED_S - (moment.seen_s - passed_seen_s)).max(0.0));
        }
    }
}

/// The float sticks until the liquid has gone 4 % of the stroke.
pub(super) struct Sluggish;

impl Rule for Sluggish {
    fn see(&mut self, moment: &Moment<'_>, _: &Sheet<'_>, claims: &mut Claims) {
        if moment.now.friction_pct >= FRICTION_PCT {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The liquid stands 10 % of the stroke higher.
pub(super) struct Heavy;

impl Rule for Heavy {
    fn see(&mut self, moment: &Moment<'_>, _: &Sheet<'_>, claims: &mut Claims) {
        if moment.now.sunk_pct >= SUNK_PCT {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The leak, over six hours, is 60 % of the mean arrival; a pocket that an event brings is no part of that mean: one alone
/// may hold the air of days.
#[derive(Default)]
pub(super) struct Weeping {
    leak_nl_s: f64,
}

impl Rule for Weeping {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        self.leak_nl_s += (moment.now.leak_nl_s - self.leak_nl_s) * (moment.dt / LEAK_S);
        if self.leak_nl_s >= LEAK_SHARE * sheet.arrival_nl_s {
            claims.once(moment, ALLOWED_S);
        }
    }
}
