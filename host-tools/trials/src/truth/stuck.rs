//! Stuck valves: when it could be known.

use super::{Claims, MINUTE_S, Moment, Rule, Sheet};
use crate::model::TrueState;

/// Time allowed for a stuck valve, s. Source: the project's goals.
const ALLOWED_S: f64 = 15.0 * MINUTE_S;
/// Where only missing cycles show it: so many of the valve's mean cycle intervals. Source: the same.
const MISSING_INTERVALS: f64 = 12.0;
/// At the very bottom, % of stroke: there a big pocket looks the same until it must have vented.
const BOTTOM_PCT: f64 = 4.0;
/// Clearly below the opening position, % of stroke: further than data sheet, transmitter and its zero can be off together
/// (3 + 1.5 + 1).
const CLEARLY_PCT: f64 = 6.0;
/// So many pressure steps without an answer tell a float or a cushion that does not move: one alone may fall together with
/// a release, or on a float that stands at its upper stop.
const STEPS: u32 = 3;
/// Free share of an orifice through which as good as nothing goes.
const NOTHING_SHARE: f64 = 0.03;
/// Odour that stays: at this share of the highest before the fault, and at this least, ppm, for so long, s.
const STAYING_SHARE: f64 = 0.5;
const STAYING_PPM: f64 = 5.0;
const STAYING_S: f64 = 10.0 * MINUTE_S;

/// That a float or cushion does not move where it should: over three pressure steps of 8 %, or over twelve mean cycle
/// intervals without a release.
#[derive(Default)]
struct Unmoved {
    /// Steps when it began.
    steps: Option<u32>,
    /// How long it has not moved under pressure, s: a drained main asks for no release.
    unmoved_s: f64,
}

impl Unmoved {
    /// Takes a moment under pressure in which it should have moved.
    fn is_told(&mut self, moment: &Moment<'_>) -> bool {
        let steps = *self.steps.get_or_insert(moment.steps);
        self.unmoved_s += moment.dt;
        moment.steps - steps >= STEPS || self.unmoved_s >= missing_s(moment)
    }

    fn moves(&mut self) {
        *self = Unmoved::default();
    }
}

/// Time under pressure after which missing releases tell something, s.
fn missing_s(moment: &Moment<'_>) -> f64 {
    MISSING_INTERVALS * moment.before.mean_interval_s().unwrap_or(f64::INFINITY)
}

/// The float is held with the small orifice open and the line under pressure, and the liquid has risen past where a free
/// float shuts. Clearly below the opening position: that for a minute. At the opening position: until the float has left
/// three pressure steps unanswered, or twelve mean cycle intervals have gone by, or the odour of a release has stayed for
/// ten minutes. At the very bottom the largest pocket must have had the time to vent as well.
#[derive(Default)]
pub(super) struct JammedLow {
    risen_s: f64,
    bottom_s: f64,
    smells_s: f64,
    unmoved: Unmoved,
}

impl Rule for JammedLow {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let now = moment.now;
        if !now.is_float_held || !now.is_releasing || !sheet.is_pressurised(now) {
            return;
        }
        let is_bottom = now.float_pct < BOTTOM_PCT;
        self.bottom_s += if is_bottom { moment.dt } else { 0.0 };
        if now.level_pct < sheet.truth.small_closes_above_pct {
            return;
        }
        self.risen_s += moment.dt;
        let staying_ppm = (STAYING_SHARE * moment.before.highest_odour_ppm).max(STAYING_PPM);
        self.smells_s += if now.odour_ppm >= staying_ppm { moment.dt } else { 0.0 };
        let is_clear = now.float_pct < sheet.truth.small_opens_below_pct - CLEARLY_PCT;
        let is_told = self.unmoved.is_told(moment) || self.smells_s >= STAYING_S || is_clear;
        let is_vented = !is_bottom || self.bottom_s >= sheet.valve.pocket_vent_s();
        if self.risen_s >= MINUTE_S && is_told && is_vented {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The float stands clearly below the opening position, under pressure, and nothing goes out: off the bottom for five
/// minutes and three times the vent time of the body, at the very bottom for the vent time of the largest pocket.
#[derive(Default)]
pub(super) struct SmallBlocked {
    low_s: f64,
    bottom_s: f64,
}

impl Rule for SmallBlocked {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let now = moment.now;
        let is_blocked = now.free_share < NOTHING_SHARE;
        let is_low = now.float_pct < sheet.truth.small_opens_below_pct - CLEARLY_PCT;
        if !is_blocked || !is_low || !sheet.is_pressurised(now) {
            return;
        }
        if now.float_pct < BOTTOM_PCT {
            self.bottom_s += moment.dt;
        } else {
            self.low_s += moment.dt;
        }
        let off_bottom_s = 5.0 * MINUTE_S + 3.0 * sheet.valve.body_vent_s();
        if self.low_s >= off_bottom_s || self.bottom_s >= sheet.valve.pocket_vent_s() {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// From the jam on, twelve mean cycle intervals under pressure; or a vacuum (5 kPa, and twice what the zero may be off) for 10 s with the
/// float held up, and then a quarter of an hour.
#[derive(Default)]
pub(super) struct JammedUp {
    held_since_s: Option<f64>,
    silent_s: f64,
    is_missing_told: bool,
    vacuum_s: f64,
}

impl Rule for JammedUp {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let now = moment.now;
        if !now.is_float_held {
            return;
        }
        let held_since_s = *self.held_since_s.get_or_insert(now.now_s);
        self.silent_s += if sheet.is_pressurised(now) { moment.dt } else { 0.0 };
        if self.silent_s >= missing_s(moment) && !self.is_missing_told {
            self.is_missing_told = true;
            claims.another(held_since_s, moment, 0.0);
        }
        let was_told = is_vacuum_told(self.vacuum_s);
        if now.chamber_kpa < -5.0_f64.max(2.0 * sheet.zero_tolerance_kpa()) {
            self.vacuum_s += moment.dt;
        }
        if is_vacuum_told(self.vacuum_s) && !was_told {
            claims.another(now.now_s, moment, ALLOWED_S);
        }
    }
}

fn is_vacuum_told(vacuum_s: f64) -> bool {
    vacuum_s >= 10.0
}

/// The cushion is lost under pressure and stays lost: over three pressure steps that it would have answered, or over
/// twelve mean cycle intervals.
#[derive(Default)]
pub(super) struct SmallSeatOpen {
    unmoved: Unmoved,
}

impl Rule for SmallSeatOpen {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        if !moment.now.is_cushion_lost {
            self.unmoved.moves();
        } else if sheet.is_pressurised(moment.now) && self.unmoved.is_told(moment) {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The cushion is lost, and the spill takes so much that the chamber stands 4 % (absolute) below what the main has without
/// it, for five minutes in all. A smaller spill cannot be told from that of a small seat.
#[derive(Default)]
pub(super) struct LargeSeatOpen {
    sags_s: f64,
}

impl LargeSeatOpen {
    fn sags(now: &TrueState, sheet: &Sheet<'_>) -> bool {
        let is_line_up = now.main_kpa > 0.3 * sheet.valve.static_kpa;
        is_line_up && now.main_kpa - now.chamber_kpa > 0.04 * (now.main_kpa + sheet.truth.p_atm_kpa)
    }
}

impl Rule for LargeSeatOpen {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        if moment.now.is_cushion_lost && LargeSeatOpen::sags(moment.now, sheet) {
            self.sags_s += moment.dt;
        }
        if self.sags_s >= 5.0 * MINUTE_S {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The float is down where the large orifice should be open, and the chamber is in a vacuum of 10 kPa (and of twice what
/// the zero may be off) for 20 s.
#[derive(Default)]
pub(super) struct LargeShut {
    vacuum_s: f64,
}

impl Rule for LargeShut {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let is_down = moment.now.float_pct < sheet.truth.large_opens_below_pct;
        if is_down && moment.now.chamber_kpa < -10.0_f64.max(2.0 * sheet.zero_tolerance_kpa()) {
            self.vacuum_s += moment.dt;
        }
        if self.vacuum_s >= 20.0 {
            claims.once(moment, ALLOWED_S);
        }
    }
}
