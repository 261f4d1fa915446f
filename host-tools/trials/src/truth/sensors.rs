//! Sensors: when their failure could be known.

use airvalve_monitor::Fault;
use airvalve_sensors::Channel;

use super::{Claims, MINUTE_S, Moment, Rule, Sheet};

/// Time allowed, s. Source: the project's goals.
const ALLOWED_S: f64 = 10.0 * MINUTE_S;
/// A dead cell is asked for after so many releases without a pulse. Source: the same.
const SILENT_RELEASES: u32 = 8;
/// … and not before as many with one were there to learn from as make a baseline.
const LEARNED_PULSES: u32 = 10;
/// Least pulse at the vent that counts, ppm and % of span; a release has so long to raise it, s.
const PULSE_PPM: f64 = 3.0;
const PULSE_PCT_SPAN: f64 = 1.5;
const PULSE_S: f64 = 90.0;
/// Lowest reading that a loop carries, % of span (3.8 mA). Source: NAMUR NE 43.
const LOWEST_PCT_SPAN: f64 = -1.25;
/// What lies above it by this much shows its noise, % of span.
const CLEAR_PCT_SPAN: f64 = 0.5;
/// Drift beyond tolerance, % of span: eight times the accuracy of a float's transmitter, five times that of a pressure's,
/// and that of an odour cell.
const FLOAT_DRIFT_PCT: f64 = 8.0;
const PRESSURE_DRIFT_PCT: f64 = 5.0;
const ODOUR_DRIFT_PCT: f64 = 5.0;

pub(super) fn rule_of(fault: Fault, channel: Option<Channel>) -> Box<dyn Rule> {
    match (fault, channel) {
        (Fault::DeadCell, _) => Box::new(DeadCell::default()),
        (Fault::FlatLine, Some(Channel::Odour)) => Box::new(FlatCell::default()),
        (Fault::Drift, Some(Channel::FloatPosition)) => Box::new(FloatDrift::default()),
        (Fault::Drift, Some(Channel::Odour)) => Box::new(CellDrift::default()),
        (Fault::Drift, _) => Box::new(PressureDrift::default()),
        _ => Box::new(AtOnce),
    }
}

/// The loop itself says it, or its noise, or that nothing comes.
struct AtOnce;

impl Rule for AtOnce {
    fn see(&mut self, moment: &Moment<'_>, _: &Sheet<'_>, claims: &mut Claims) {
        claims.once(moment, ALLOWED_S);
    }
}

/// At once; but a cell that stood at the lowest that its loop carries when it became flat repeats that anyway.
#[derive(Default)]
struct FlatCell {
    was_clear: Option<bool>,
}

impl Rule for FlatCell {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let reading_ppm = moment.now.odour_ppm + sheet.truth.odour_zero_ppm;
        let is_clear = reading_ppm > 0.01 * (LOWEST_PCT_SPAN + CLEAR_PCT_SPAN) * sheet.valve.odour_high_ppm;
        if *self.was_clear.get_or_insert(is_clear) {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The float's reading is off by 8 % of the stroke, and three releases have begun and ended there.
#[derive(Default)]
struct FloatDrift {
    releases: u32,
}

impl Rule for FloatDrift {
    fn see(&mut self, moment: &Moment<'_>, _: &Sheet<'_>, claims: &mut Claims) {
        if moment.now.drifted_pct < FLOAT_DRIFT_PCT {
            return;
        }
        self.releases += u32::from(moment.begins_release);
        if self.releases >= 3 {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The pressure's reading is off by 5 % of span, for three minutes of pumping and three of rest.
#[derive(Default)]
struct PressureDrift {
    pumping_s: f64,
    resting_s: f64,
}

impl Rule for PressureDrift {
    fn see(&mut self, moment: &Moment<'_>, _: &Sheet<'_>, claims: &mut Claims) {
        if moment.now.drifted_pct < PRESSURE_DRIFT_PCT {
            return;
        }
        let time_s = if moment.now.is_pumping { &mut self.pumping_s } else { &mut self.resting_s };
        *time_s += moment.dt;
        if self.pumping_s.min(self.resting_s) >= 3.0 * MINUTE_S {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// The cell's reading is off by 5 % of span, and three releases have found it below what the loop carries. One that has stood
/// there before, with its zero within the tolerance, shows nothing of it.
#[derive(Default)]
struct CellDrift {
    was_low: bool,
    releases: u32,
}

impl CellDrift {
    fn reading_pct(moment: &Moment<'_>, sheet: &Sheet<'_>) -> f64 {
        let reading_ppm = moment.now.odour_ppm + sheet.truth.odour_zero_ppm;
        100.0 * reading_ppm / sheet.valve.odour_high_ppm
    }
}

impl Rule for CellDrift {
    fn see_before(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>) {
        self.was_low |= Self::reading_pct(moment, sheet) < LOWEST_PCT_SPAN + 2.0 * CLEAR_PCT_SPAN;
    }

    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let off_pct = moment.now.drifted_pct;
        let is_below = Self::reading_pct(moment, sheet) - off_pct < LOWEST_PCT_SPAN;
        if off_pct >= ODOUR_DRIFT_PCT && is_below {
            self.releases += u32::from(moment.begins_release);
        }
        if !self.was_low && self.releases >= 3 {
            claims.once(moment, ALLOWED_S);
        }
    }
}

/// What a cell answers at most that counts as dead: of a pulse that was three times its noise nothing is left to see.
const DEAD_GAIN: f64 = 0.2;

/// Ten releases that were smelt at the vent before the fault, and eight after the cell has died down.
#[derive(Default)]
struct DeadCell {
    /// Until when a release may raise the odour, s, and what it was before, ppm.
    pending: Option<(f64, f64)>,
    learned: u32,
    silent: u32,
}

impl DeadCell {
    /// Whether a release has just been smelt at the vent.
    fn is_smelt(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>) -> bool {
        let now = moment.now;
        if moment.begins_release && self.pending.is_none() {
            self.pending = Some((now.now_s + PULSE_S, now.odour_ppm));
        }
        let Some((until_s, before_ppm)) = self.pending else { return false };
        let least_ppm = PULSE_PPM.max(0.01 * PULSE_PCT_SPAN * sheet.valve.odour_high_ppm);
        // What lies below the lowest that the loop carries is not seen.
        let lowest_ppm = 0.01 * LOWEST_PCT_SPAN * sheet.valve.odour_high_ppm - sheet.truth.odour_zero_ppm;
        let is_smelt = now.odour_ppm.max(lowest_ppm) - before_ppm.max(lowest_ppm) >= least_ppm;
        if is_smelt || now.now_s > until_s {
            self.pending = None;
        }
        is_smelt
    }
}

impl Rule for DeadCell {
    fn see_before(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>) {
        self.learned += u32::from(self.is_smelt(moment, sheet));
    }

    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims) {
        let is_smelt = self.is_smelt(moment, sheet);
        self.silent += u32::from(is_smelt && moment.now.cell_gain <= DEAD_GAIN);
        if self.learned >= LEARNED_PULSES && self.silent >= SILENT_RELEASES {
            claims.once(moment, ALLOWED_S);
        }
    }
}
