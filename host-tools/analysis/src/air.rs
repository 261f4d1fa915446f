//! Air let out and in, in all and by the hour, with intervals.

use std::collections::BTreeMap;

use airvalve_monitor::release::ARRIVAL_FACTOR;
use airvalve_monitor::{Cycle, Monitor, Totals, ValveState};

use crate::{
    clock::Clock,
    estimate::{Estimate, Inputs},
    findings::View,
    result::{Air, AirHour, Basis, OrificeAir, rounded},
    time::Time,
};

const HOUR_US: i64 = 3_600_000_000;
/// Most hours without any sample that are kept: a clock that is set by years, again and again, must not make a result
/// grow without bound.
const MOST_EMPTY_HOURS: i64 = 24 * 366;

/// Air of one stretch of time.
#[derive(Clone, Copy, Debug, Default)]
struct Parts {
    large: Estimate,
    small: Estimate,
    second: Estimate,
    admitted: Estimate,
}

impl Parts {
    fn released(&self) -> Estimate {
        let mut sum = self.large;
        sum.add(&self.small);
        sum.add(&self.second);
        sum
    }
}

/// Time-weighted mean pressure while air goes through the large orifice.
#[derive(Clone, Copy, Debug, Default)]
struct MeanPressure {
    kpa_samples: f64,
    samples: f64,
}

impl MeanPressure {
    fn add(&mut self, kpa: f32) {
        if kpa > 0.0 {
            self.kpa_samples += f64::from(kpa);
            self.samples += 1.0;
        }
    }

    fn mean_kpa(self) -> f64 {
        if self.samples > 0.0 { self.kpa_samples / self.samples } else { 0.0 }
    }
}

/// Collects the air of a replay.
pub(crate) struct AirAccount {
    inputs: Inputs,
    is_two_stage: bool,
    hours: BTreeMap<i64, Parts>,
    /// Hours without any sample that may still be kept.
    spare_hours: i64,
    /// Totals at the last change of hour.
    before: Totals,
    next_hour_us: i64,
    hour_us: i64,
    out_pressure: MeanPressure,
    in_pressure: MeanPressure,
    /// Gaps, with the air that was gathering when they began, NL/s.
    gaps: Vec<(i64, i64, f64)>,
    /// Time-weighted mean temperature of the vault's air, degC.
    air_c_sum: f64,
    air_c_count: f64,
}

impl AirAccount {
    pub(crate) fn new(inputs: Inputs, is_two_stage: bool) -> AirAccount {
        AirAccount {
            inputs,
            is_two_stage,
            hours: BTreeMap::new(),
            spare_hours: MOST_EMPTY_HOURS,
            before: Totals::default(),
            next_hour_us: i64::MIN,
            hour_us: 0,
            out_pressure: MeanPressure::default(),
            in_pressure: MeanPressure::default(),
            gaps: Vec::new(),
            air_c_sum: 0.0,
            air_c_count: 0.0,
        }
    }

    /// Shows one sample.
    #[inline(always)]
    pub(crate) fn step(&mut self, view: &View, monitor: &Monitor, clock: &Clock) {
        if view.moment_us >= self.next_hour_us {
            self.change_hour(view.moment_us, monitor, clock);
        }
        match monitor.state() {
            ValveState::Filling => self.out_pressure.add(view.pressure_kpa),
            ValveState::Admitting => self.in_pressure.add(-view.pressure_kpa),
            _ => {}
        }
    }

    /// Takes note of the vault's temperature; now and then is enough.
    pub(crate) fn note_air_temperature(&mut self, air_c: f32) {
        if air_c.is_finite() {
            self.air_c_sum += f64::from(air_c);
            self.air_c_count += 1.0;
        }
    }

    #[cold]
    fn change_hour(&mut self, moment_us: i64, monitor: &Monitor, clock: &Clock) {
        if self.next_hour_us != i64::MIN {
            self.close_hour(monitor);
        }
        let offset_us = clock.offset_us();
        self.hour_us = moment_us.saturating_sub(offset_us).div_euclid(HOUR_US).saturating_mul(HOUR_US);
        self.next_hour_us = self.hour_us.saturating_add(HOUR_US).saturating_add(offset_us);
        self.hours.entry(self.hour_us).or_default();
    }

    /// Adds what the large orifice did in the hour, and what no cycle has confirmed.
    fn close_hour(&mut self, monitor: &Monitor) {
        let (before, now) = (self.before, *monitor.totals());
        let zero_kpa = f64::from(monitor.learned().zero_uncertainty_kpa);
        let since = |volume: fn(&Totals) -> f64| (volume(&now) - volume(&before)).max(0.0);
        let out = self.inputs.through_large_orifice(
            since(|totals| totals.large_out.as_nl()),
            self.out_pressure.mean_kpa(),
            since(|totals| totals.large_out_unresolved.as_nl()),
            zero_kpa,
        );
        let inward = self.inputs.through_large_orifice(
            since(|totals| totals.large_in.as_nl()),
            self.in_pressure.mean_kpa(),
            since(|totals| totals.large_in_unresolved.as_nl()),
            zero_kpa,
        );
        let parts = self.hours.entry(self.hour_us).or_default();
        parts.large.add(&out);
        parts.admitted.add(&inward);
        parts.small.unresolved_nl += since(|totals| totals.release_unconfirmed.as_nl());
        self.before = now;
    }

    /// Takes a finished cycle; returns its best estimate, NL.
    ///
    /// Where the float has not confirmed it, and while the valve is said to be stuck open, it may be air, liquid or nothing.
    pub(crate) fn cycle(&mut self, cycle: &Cycle, is_stuck_open: bool, monitor: &Monitor, clock: &Clock) -> f64 {
        let zero_kpa = f64::from(monitor.learned().zero_uncertainty_kpa);
        let is_in_doubt = !cycle.is_confirmed || (is_stuck_open && cycle.displacement_nl.is_nan());
        let estimate = if is_in_doubt {
            Estimate::unconfirmed(f64::from(cycle.released_nl()).max(0.0))
        } else {
            self.inputs.cycle(cycle, zero_kpa)
        };
        if !cycle.is_confirmed {
            // The detector's totals hold it as a bound.
            return estimate.value_nl();
        }
        let [small_nl, second_nl] = cycle.orifice_nl.map(f64::from);
        let second_share = if small_nl + second_nl > 0.0 { second_nl / (small_nl + second_nl) } else { 0.0 };
        self.spread(cycle.from_us, cycle.to_us, clock, &estimate, second_share);
        estimate.value_nl()
    }

    /// Takes a cycle that still runs at the end; returns its estimate, NL.
    pub(crate) fn running_cycle(&mut self, from_us: i64, to_us: i64, monitor: &Monitor, clock: &Clock) -> f64 {
        // The float has not risen yet: until it does, what passes may be air, liquid or nothing.
        let estimate = Estimate::unconfirmed(f64::from(monitor.open_release_nl()));
        self.spread(from_us, to_us, clock, &estimate, 0.0);
        estimate.value_nl()
    }

    /// Spreads a cycle over the hours that it touches.
    fn spread(&mut self, from_us: i64, to_us: i64, clock: &Clock, estimate: &Estimate, second_share: f64) {
        let (from_us, to_us) = (clock.device_us(from_us), clock.device_us(to_us));
        for (hour_us, share) in self.hours_of(from_us, to_us) {
            let parts = self.hours.entry(hour_us).or_default();
            parts.small.add(&estimate.scaled(share * (1.0 - second_share)));
            parts.second.add(&estimate.scaled(share * second_share));
        }
    }

    /// Takes a gap.
    pub(crate) fn gap(&mut self, from_us: i64, to_us: i64, arrival_nl_s: f32) {
        let arrival_nl_s = if arrival_nl_s.is_finite() { f64::from(arrival_nl_s.max(0.0)) } else { 0.0 };
        self.gaps.push((from_us, to_us, arrival_nl_s));
    }

    /// What may have passed in the gaps: air that was gathering, and at the mean rate of the whole time, at up to
    /// [`ARRIVAL_FACTOR`] times that.
    fn add_gaps(&mut self, clock: &Clock, seen_s: f64) {
        let all = self.sum();
        let seen_s = seen_s.max(1.0);
        let (out_nl_s, in_nl_s) = (all.released().value_nl() / seen_s, all.admitted.value_nl() / seen_s);
        for (from_us, to_us, arrival_nl_s) in std::mem::take(&mut self.gaps) {
            let gap_s = to_us.saturating_sub(from_us) as f64 * 1e-6;
            for (hour_us, share) in self.hours_of(clock.device_us(from_us), clock.device_us(to_us)) {
                let parts = self.hours.entry(hour_us).or_default();
                parts.small.beyond_nl += share * gap_s * f64::from(ARRIVAL_FACTOR) * arrival_nl_s.max(out_nl_s);
                parts.admitted.beyond_nl += share * gap_s * in_nl_s;
            }
        }
    }

    /// The hours that a stretch touches, or its first hour alone where the others are too many to keep.
    fn hours_of(&mut self, from_us: i64, to_us: i64) -> impl Iterator<Item = (i64, f64)> + use<> {
        let (first, last) = (from_us.div_euclid(HOUR_US), to_us.div_euclid(HOUR_US));
        let is_short = last.saturating_sub(first) <= MOST_EMPTY_HOURS;
        let hours = (first..=last).filter(|hour| !self.hours.contains_key(&hour.saturating_mul(HOUR_US)));
        let empty = if is_short { hours.count() as i64 } else { i64::MAX };
        let is_kept = empty <= self.spare_hours;
        if is_kept {
            self.spare_hours -= empty;
        }
        hours_between(from_us, to_us, is_kept)
    }

    fn sum(&self) -> Parts {
        let mut all = Parts::default();
        for parts in self.hours.values() {
            all.large.add(&parts.large);
            all.small.add(&parts.small);
            all.second.add(&parts.second);
            all.admitted.add(&parts.admitted);
        }
        all
    }

    /// The account, after `seen_s` seconds with samples.
    pub(crate) fn finish(mut self, monitor: &Monitor, clock: &Clock, seen_s: f64, p_atm_kpa: f64) -> Air {
        self.close_hour(monitor);
        let [out_nl, in_nl] = monitor.open_large_nl().map(f64::from);
        let parts = self.hours.entry(self.hour_us).or_default();
        parts.large.unresolved_nl += out_nl;
        parts.admitted.unresolved_nl += in_nl;
        self.add_gaps(clock, seen_s);
        let all = self.sum();
        let released = all.released();
        let (released_nl_low, released_nl_high) = released.interval_nl();
        let (admitted_nl_low, admitted_nl_high) = all.admitted.interval_nl();
        let mut orifices = vec![orifice("large", &all.large), orifice("small", &all.small)];
        if self.is_two_stage {
            orifices.push(orifice("second", &all.second));
        }
        let air_k = if self.air_c_count > 0.0 {
            273.15 + self.air_c_sum / self.air_c_count
        } else {
            self.inputs.temperature_k()
        };
        Air {
            released_nl: rounded(released.value_nl()),
            released_nl_low: rounded(released_nl_low),
            released_nl_high: rounded(released_nl_high),
            released_by_orifice: orifices,
            admitted_nl: rounded(all.admitted.value_nl()),
            admitted_nl_low: rounded(admitted_nl_low),
            admitted_nl_high: rounded(admitted_nl_high),
            released_resolved: released.is_resolved(),
            admitted_resolved: all.admitted.is_resolved(),
            by_hour: self.hours.iter().map(|(hour_us, parts)| hour(*hour_us, parts)).collect(),
            other_bases: bases(air_k, p_atm_kpa, released.value_nl(), all.admitted.value_nl()),
        }
    }
}

/// The whole hours that a stretch touches, each with its share of the stretch; all of it in the first unless spread.
fn hours_between(from_us: i64, to_us: i64, is_spread: bool) -> impl Iterator<Item = (i64, f64)> {
    let to_us = to_us.max(from_us);
    let length_us = to_us.saturating_sub(from_us);
    let first = from_us.div_euclid(HOUR_US);
    let last = if is_spread { to_us.div_euclid(HOUR_US) } else { first };
    (first..=last).map(move |hour| {
        let hour_us = hour.saturating_mul(HOUR_US);
        let overlap_us = to_us.min(hour_us.saturating_add(HOUR_US)).saturating_sub(from_us.max(hour_us));
        let share = if first == last || length_us == 0 { 1.0 } else { overlap_us as f64 / length_us as f64 };
        (hour_us, share)
    })
}

fn orifice(name: &'static str, estimate: &Estimate) -> OrificeAir {
    let (low, high) = estimate.interval_nl();
    OrificeAir {
        orifice: name,
        released_nl: rounded(estimate.value_nl()),
        released_nl_low: rounded(low),
        released_nl_high: rounded(high),
        resolved: estimate.is_resolved(),
    }
}

fn hour(hour_us: i64, parts: &Parts) -> AirHour {
    let released = parts.released();
    let (released_nl_low, released_nl_high) = released.interval_nl();
    let (admitted_nl_low, admitted_nl_high) = parts.admitted.interval_nl();
    AirHour {
        from: Time(hour_us),
        released_nl: rounded(released.value_nl()),
        released_nl_low: rounded(released_nl_low),
        released_nl_high: rounded(released_nl_high),
        admitted_nl: rounded(parts.admitted.value_nl()),
        admitted_nl_low: rounded(admitted_nl_low),
        admitted_nl_high: rounded(admitted_nl_high),
        resolved: released.is_resolved() && parts.admitted.is_resolved(),
    }
}

/// The same air as standard litres and as free air.
fn bases(air_k: f64, p_atm_kpa: f64, released_nl: f64, admitted_nl: f64) -> Vec<Basis> {
    // Source: ISO 13443:1996 (15 degC, 101.325 kPa).
    let standard = ("standard litres (15 degC, 101.325 kPa)".to_owned(), 288.15 / 273.15);
    let free = (
        format!("litres of free air ({:.1} degC, {p_atm_kpa:.1} kPa)", air_k - 273.15),
        air_k / 273.15 * 101.325 / p_atm_kpa.max(1.0),
    );
    [standard, free]
        .into_iter()
        .map(|(basis, litres_per_nl)| Basis {
            basis,
            litres_per_nl: (litres_per_nl * 1e5).round() / 1e5,
            released_l: rounded(released_nl * litres_per_nl),
            admitted_l: rounded(admitted_nl * litres_per_nl),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_is_spread_over_its_hours_in_whole() {
        let hours: Vec<_> = hours_between(HOUR_US / 2, 2 * HOUR_US + HOUR_US / 2, true).collect();
        assert_eq!(hours, [(0, 0.25), (HOUR_US, 0.5), (2 * HOUR_US, 0.25)]);
        assert_eq!(hours_between(5, 5, true).collect::<Vec<_>>(), [(0, 1.0)]);
        assert_eq!(hours_between(9, 5, true).collect::<Vec<_>>(), [(0, 1.0)]);
        assert_eq!(hours_between(i64::MIN, i64::MAX, false).count(), 1);
    }

    #[test]
    fn a_normal_litre_is_1_055_standard_litres() {
        // Source: ISO 13443:1996, annex B (volume at 15 degC over volume at 0 degC, ideal gas: 288.15 / 273.15 = 1.0549).
        let bases = bases(283.15, 101.325, 1000.0, 0.0);
        assert!((bases[0].litres_per_nl - 1.0549).abs() < 1e-4);
        // Free air at one standard atmosphere and 10 degC: 283.15 / 273.15.
        assert!((bases[1].released_l - 1036.610).abs() < 0.001);
    }
}
