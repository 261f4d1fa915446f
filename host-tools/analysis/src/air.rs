//! Air let out and in, in all and by the hour, with intervals.

use std::collections::BTreeMap;

use airvalve_monitor::{Cycle, Monitor, SiteData, Totals};

use crate::{
    bounds::{Hidden, hidden, stage_capacities_nl_s},
    estimate::{Estimate, Inputs},
    findings::View,
    result::Air,
    sight::Unseen,
    sums::{self, Parts},
};

const HOUR_US: i64 = 3_600_000_000;
/// Most hours without any sample that are kept: a clock that is set by years, again and again, must not make a result
/// grow without bound.
const MOST_EMPTY_HOURS: i64 = 24 * 366;
/// Most hours that stand by themselves: samples that lie hours apart, a few bytes each, must not either. What comes after
/// five years of them is counted in the last one.
const MOST_HOURS: usize = 5 * 24 * 366;
/// The usual arrival is known once the valve was seen for so long, s. The detector itself asks for an hour of sealed time.
const LEAST_SEEN_S: f64 = 3600.0;

/// Air of one stretch of time, as it was measured and bounded, and what may have passed unseen.
#[derive(Clone, Copy, Debug, Default)]
struct Hour {
    parts: Parts,
    hidden: Hidden,
}

/// Collects the air of a replay.
pub(crate) struct AirAccount {
    site: SiteData,
    inputs: Inputs,
    hours: BTreeMap<i64, Hour>,
    /// Hours without any sample that may still be kept.
    spare_hours: i64,
    /// There were more hours than are kept.
    is_cut: bool,
    /// Totals when they were last taken over.
    before: Totals,
    next_hour_us: i64,
    hour_us: i64,
    /// Rows come too seldom for the detector: what it measures is nothing to go by.
    is_slow: bool,
    /// Time-weighted mean temperature of the vault's air, degC.
    air_c_sum: f64,
    air_c_count: f64,
}

impl AirAccount {
    pub(crate) fn new(inputs: Inputs, site: &SiteData) -> AirAccount {
        AirAccount {
            site: *site,
            inputs,
            hours: BTreeMap::new(),
            spare_hours: MOST_EMPTY_HOURS,
            is_cut: false,
            before: Totals::default(),
            next_hour_us: i64::MIN,
            hour_us: 0,
            is_slow: false,
            air_c_sum: 0.0,
            air_c_count: 0.0,
        }
    }

    /// Shows one sample.
    #[inline(always)]
    pub(crate) fn step(&mut self, view: &View, monitor: &Monitor) {
        if view.moment_us >= self.next_hour_us {
            self.change_hour(view.moment_us, monitor);
        }
    }

    /// Rows come at another rate from here on.
    pub(crate) fn set_slow(&mut self, is_slow: bool, monitor: &Monitor) {
        self.take_over(monitor);
        self.is_slow = is_slow;
    }

    /// The valve can no longer be seen: what the detector goes on to count is no measurement.
    pub(crate) fn lost(&mut self, monitor: &Monitor) {
        self.take_over(monitor);
    }

    /// The valve is seen again; what was counted meanwhile gives way to the bounds.
    pub(crate) fn found(&mut self, unseen: &Unseen, was_lost: bool, monitor: &Monitor) {
        if was_lost {
            self.before = *monitor.totals();
        }
        self.hide(unseen);
    }

    fn hide(&mut self, unseen: &Unseen) {
        let hidden = hidden(unseen, &self.site);
        for (hour_us, share) in self.hours_of(unseen.from_us, unseen.to_us) {
            self.hour(hour_us).hidden.add(&hidden, share);
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
    fn change_hour(&mut self, moment_us: i64, monitor: &Monitor) {
        self.take_over(monitor);
        self.hour_us = moment_us.div_euclid(HOUR_US).saturating_mul(HOUR_US);
        self.next_hour_us = self.hour_us.saturating_add(HOUR_US);
        self.hour(self.hour_us);
    }

    /// The account of an hour; that of the last hour once there are too many.
    fn hour(&mut self, hour_us: i64) -> &mut Hour {
        let is_kept = self.hours.len() < MOST_HOURS || self.hours.contains_key(&hour_us);
        self.is_cut |= !is_kept;
        let last_us = self.last_hour_us().filter(|_| !is_kept);
        self.hours.entry(last_us.unwrap_or(hour_us)).or_default()
    }

    fn last_hour_us(&self) -> Option<i64> {
        self.hours.last_key_value().map(|(hour_us, _)| *hour_us)
    }

    /// Adds what the large orifice did since the last time, and what no cycle has confirmed.
    fn take_over(&mut self, monitor: &Monitor) {
        let (before, now) = (self.before, *monitor.totals());
        self.before = now;
        if self.next_hour_us == i64::MIN || self.is_slow {
            return;
        }
        let zero_kpa = f64::from(monitor.learned().zero_uncertainty_kpa);
        let since = |volume: fn(&Totals) -> f64| (volume(&now) - volume(&before)).max(0.0);
        let out = self.inputs.through_large_orifice(
            since(|totals| totals.large_out.as_nl()),
            since(|totals| totals.large_out_per_kpa.as_nl()),
            since(|totals| totals.large_out_unresolved.as_nl()),
            zero_kpa,
        );
        let inward = self.inputs.through_large_orifice(
            since(|totals| totals.large_in.as_nl()),
            since(|totals| totals.large_in_per_kpa.as_nl()),
            since(|totals| totals.large_in_unresolved.as_nl()),
            zero_kpa,
        );
        let parts = &mut self.hour(self.hour_us).parts;
        parts.large.add(&out);
        parts.admitted.add(&inward);
        parts.small.bound_nl += since(|totals| totals.release_unconfirmed.as_nl());
    }

    /// Takes a finished cycle; returns its best estimate, NL.
    ///
    /// Where the float has not confirmed it, while the valve is said to be stuck open, and while it cannot be seen, it may
    /// be air, liquid or nothing.
    pub(crate) fn cycle(&mut self, cycle: &Cycle, is_doubtful: bool, monitor: &Monitor) -> f64 {
        let zero_kpa = f64::from(monitor.learned().zero_uncertainty_kpa);
        let is_bound = !cycle.is_confirmed || is_doubtful;
        let stages = if is_bound {
            cycle.best_nl.map(|nl| Estimate::unconfirmed(f64::from(nl).max(0.0)))
        } else {
            self.inputs.cycle(cycle, zero_kpa)
        };
        // What was not confirmed the detector's totals hold as a bound; between rows that come too seldom all is bounded.
        if cycle.is_confirmed && !self.is_slow {
            self.spread(cycle.from_us, cycle.to_us, &stages);
        }
        stages.iter().map(Estimate::value_nl).sum()
    }

    /// Takes a cycle that still runs at the end; returns its estimate, NL.
    pub(crate) fn running_cycle(&mut self, from_us: i64, to_us: i64, monitor: &Monitor) -> f64 {
        // The float has not risen yet: until it does, what passes may be air, liquid or nothing.
        let estimate = Estimate::unconfirmed(f64::from(monitor.open_release_nl()));
        if !self.is_slow {
            self.spread(from_us, to_us, &[estimate, Estimate::default()]);
        }
        estimate.value_nl()
    }

    /// Spreads a cycle over the hours that it touches.
    fn spread(&mut self, from_us: i64, to_us: i64, [small, second]: &[Estimate; 2]) {
        for (hour_us, share) in self.hours_of(from_us, to_us) {
            let parts = &mut self.hour(hour_us).parts;
            parts.small.add(&small.scaled(share));
            parts.second.add(&second.scaled(share));
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

    /// Air that usually arrives, NL/s, the greater of what the detector has learned and of what was let out; `None`
    /// where neither is known.
    fn usual_arrival_nl_s(&self, monitor: &Monitor, seen_s: f64) -> Option<f64> {
        let is_in_bursts = self.site.burst_every_s > 0.0;
        if is_in_bursts || seen_s < LEAST_SEEN_S {
            // From bursts alone it is not known how often an orifice opens between them.
            return None;
        }
        let hours = self.hours.values();
        let released_nl: f64 = hours.map(|Hour { parts, .. }| parts.small.nl + parts.second.nl).sum();
        let learned_nl_s = monitor.learned().usual_arrival_nl_s().map_or(0.0, f64::from);
        Some(learned_nl_s.max(released_nl / seen_s))
    }

    /// Adds what may have passed unseen. The second stage opens only for what the small orifice cannot keep up with.
    fn add_hidden(&mut self, arrival_nl_s: Option<f64>) {
        let [small_nl_s, second_nl_s] = stage_capacities_nl_s(&self.site, self.site.working_kpa);
        let of_small = small_nl_s / (small_nl_s + second_nl_s).max(f64::MIN_POSITIVE);
        for Hour { parts, hidden } in self.hours.values_mut() {
            let (all_nl, may_pass_nl) = (hidden.released_nl(arrival_nl_s), hidden.released_nl(None));
            let small_nl = all_nl.min(of_small * may_pass_nl);
            parts.small.bound_nl += small_nl;
            parts.second.bound_nl += all_nl - small_nl;
            parts.large.bound_nl += hidden.large_out_nl;
            parts.admitted.bound_nl += hidden.large_in_nl;
        }
    }

    /// The account, after `seen_s` seconds in which the valve was seen, and what was not seen at the end; with it, where
    /// there were too many hours, the one in which all later ones are counted.
    pub(crate) fn finish(mut self, unseen: Option<&Unseen>, monitor: &Monitor, seen_s: f64) -> (Air, Option<i64>) {
        match unseen {
            Some(unseen) => self.hide(unseen),
            None => self.take_over(monitor),
        }
        if !self.is_slow {
            let [out_nl, in_nl] = monitor.open_large_nl().map(f64::from);
            let parts = &mut self.hour(self.hour_us).parts;
            parts.large.bound_nl += out_nl;
            parts.admitted.bound_nl += in_nl;
        }
        let arrival_nl_s = self.usual_arrival_nl_s(monitor, seen_s);
        self.add_hidden(arrival_nl_s);
        let cut_us = self.last_hour_us().filter(|_| self.is_cut);
        let hours: Vec<(i64, Parts)> = self.hours.into_iter().map(|(hour_us, hour)| (hour_us, hour.parts)).collect();
        let air_k = if self.air_c_count > 0.0 {
            273.15 + self.air_c_sum / self.air_c_count
        } else {
            self.inputs.temperature_k()
        };
        let air = sums::air(&hours, self.site.second.is_some(), air_k, f64::from(self.site.p_atm_kpa));
        (air, cut_us)
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
}
