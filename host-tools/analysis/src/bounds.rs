//! What may have passed while the valve was not seen: bounds, no estimates.
//!
//! Through the release orifices goes no more than they can pass, and, where the valve's usual arrival is known, no more
//! than was there and has come. Through the large orifice goes no more than a main drains and fills.

use airvalve_monitor::{
    SiteData,
    airflow::normal_litres,
    release::{ARRIVAL_FACTOR, BLIND_BELOW_PCT},
    totals::{CLOSED_S, DRAIN_FACTOR, FILL_FACTOR},
};

use crate::sight::{Seen, Unseen};

/// What may have passed in stretches that were not seen; a sum of some is again one.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Hidden {
    /// Through the release orifices at most, NL, where nothing else is known.
    open_nl: f64,
    /// The same where the content is known on both sides: capacity, fall of the content with what a fill can leave
    /// behind, and time, s.
    capacity_nl: f64,
    fall_nl: f64,
    balanced_s: f64,
    /// Through the large orifice at most, out and in, NL.
    pub(crate) large_out_nl: f64,
    pub(crate) large_in_nl: f64,
}

impl Hidden {
    pub(crate) fn add(&mut self, other: &Hidden, share: f64) {
        self.open_nl += share * other.open_nl;
        self.capacity_nl += share * other.capacity_nl;
        self.fall_nl += share * other.fall_nl;
        self.balanced_s += share * other.balanced_s;
        self.large_out_nl += share * other.large_out_nl;
        self.large_in_nl += share * other.large_in_nl;
    }

    /// Through the release orifices at most, NL; `arrival_nl_s` is the usual arrival where it is known.
    pub(crate) fn released_nl(&self, arrival_nl_s: Option<f64>) -> f64 {
        let may_leave_nl = arrival_nl_s.map_or(f64::INFINITY, |arrival_nl_s| {
            (self.fall_nl + f64::from(ARRIVAL_FACTOR) * arrival_nl_s * self.balanced_s).max(0.0)
        });
        self.open_nl + self.capacity_nl.min(may_leave_nl)
    }
}

/// The bounds of one stretch.
pub(crate) fn hidden(unseen: &Unseen, site: &SiteData) -> Hidden {
    let length_s = unseen.to_us.saturating_sub(unseen.from_us) as f64 * 1e-6;
    let is_under_pressure = |seen: Option<Seen>| seen.is_some_and(|seen| seen.pressure_kpa > site.reopen_kpa);
    let sides = [unseen.before, unseen.after];
    let is_held = sides.into_iter().all(is_under_pressure);
    let [large_out_nl, large_in_nl] = through_large(length_s - unseen.shut_s, sides.map(is_under_pressure), site);
    let mut hidden = Hidden { large_out_nl, large_in_nl, ..Hidden::default() };
    let capacity_nl = release_capacity_nl_s(sides, site) * length_s;
    let contents = sides.map(|side| side.and_then(|seen| content_nl(&seen, site)));
    match contents {
        [Some(before_nl), Some(after_nl)] if is_held => {
            // A fill leaves air behind in the body, and the release orifice lets it out.
            let left_nl = if large_out_nl > 0.0 { body_nl(site) } else { 0.0 };
            hidden.capacity_nl = capacity_nl;
            hidden.fall_nl = before_nl - after_nl + left_nl;
            hidden.balanced_s = length_s;
        }
        _ => hidden.open_nl = capacity_nl,
    }
    hidden
}

/// What the release orifices pass while all of them stand open, NL/s: at working pressure, or at a higher one seen.
fn release_capacity_nl_s(sides: [Option<Seen>; 2], site: &SiteData) -> f64 {
    let seen_kpa = sides.into_iter().flatten().map(|seen| seen.pressure_kpa);
    let most_kpa = seen_kpa.fold(site.working_kpa, f32::max);
    stage_capacities_nl_s(site, most_kpa).into_iter().sum()
}

/// The same by stage.
pub(crate) fn stage_capacities_nl_s(site: &SiteData, kpa: f32) -> [f64; 2] {
    let flow = |stage: airvalve_monitor::site::ReleaseStage| {
        f64::from(stage.orifice.normal_flow_nl_s(kpa, site.p_atm_kpa, site.air_temperature_k))
    };
    [flow(site.small), site.second.map_or(0.0, flow)]
}

/// Out of and into the main through the large orifice at most, NL.
fn through_large(open_s: f64, [before, after]: [bool; 2], site: &SiteData) -> [f64; 2] {
    // A main under pressure on both sides neither empties its valve nor shuts it again in so short a time.
    if before && after && open_s < f64::from(CLOSED_S) {
        return [0.0; 2];
    }
    let pumped_nl_s = f64::from(normal_litres(site.p_atm_kpa, site.flow_l_s, site.air_temperature_k));
    let (fill, drain) = (f64::from(FILL_FACTOR), f64::from(DRAIN_FACTOR));
    // Under pressure on both sides: what came in has gone out again, one after the other.
    let [out, inward] = if before && after { [fill * drain / (fill + drain); 2] } else { [fill, drain] };
    [out, inward].map(|times| times * pumped_nl_s * open_s.max(0.0))
}

/// Air in the body where the float tells it, NL.
fn content_nl(seen: &Seen, site: &SiteData) -> Option<f64> {
    let kpa_abs = seen.pressure_kpa + site.p_atm_kpa;
    let nl = normal_litres(kpa_abs, site.air_space_l(seen.float_pct), site.air_temperature_k);
    (seen.float_pct >= BLIND_BELOW_PCT).then(|| f64::from(nl))
}

/// Air in a body without liquid at working pressure, NL.
fn body_nl(site: &SiteData) -> f64 {
    let kpa_abs = site.working_kpa + site.p_atm_kpa;
    f64::from(normal_litres(kpa_abs, site.air_space_l(0.0), site.air_temperature_k))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn site() -> SiteData {
        airvalve_site::Site::parse(&airvalve_site::template(), "a.toml").unwrap().detector(|_| true)
    }

    fn seen(second: i64, float_pct: f32, pressure_kpa: f32) -> Option<Seen> {
        Some(Seen { moment_us: second * 1_000_000, float_pct, pressure_kpa })
    }

    fn over(seconds: i64, before: Option<Seen>, after: Option<Seen>) -> Hidden {
        hidden(&Unseen { from_us: 0, to_us: seconds * 1_000_000, before, after, shut_s: 0.0 }, &site())
    }

    #[test]
    fn an_hour_unseen_may_hold_a_drain_and_a_fill_and_orifices_that_stand_open() {
        let hour = over(3600, seen(0, 90.0, 180.0), seen(3600, 90.0, 180.0));
        // 28 L/s at 100.3 kPa and 285.15 K are 26.5 NL/s; drained at 3 and filled at 1.5 times that, both within the hour.
        assert!((hour.large_out_nl / (26.55 * 3600.0) - 1.0).abs() < 0.01, "{hour:?}");
        assert_eq!(hour.large_in_nl, hour.large_out_nl);
        // 2.5 mm at 0.65 and 420 kPa absolute, choked: 0.0405 p A / sqrt(T) = 3.2 g/s, 2.5 NL/s.
        assert!((hour.released_nl(None) / 3600.0 - 2.5).abs() < 0.1, "{}", hour.released_nl(None));
        // With 0.001 NL/s usual, three times that and what a fill leaves behind: 7.2 L at 420 kPa absolute.
        let left_nl = 7.2 * 420.3 / 101.325 * 273.15 / 285.15;
        assert!((hour.released_nl(Some(0.001)) - 10.8 - left_nl).abs() < 0.2, "{}", hour.released_nl(Some(0.001)));
    }

    #[test]
    fn a_short_hole_under_pressure_hides_only_what_its_sides_leave_open() {
        let short = over(5, seen(0, 80.0, 180.0), seen(5, 92.0, 180.0));
        assert_eq!((short.large_out_nl, short.large_in_nl), (0.0, 0.0));
        // 12 % of a stroke of 6 L at 280.3 kPa absolute.
        let fallen_nl = 0.72 * 280.3 / 101.325 * 273.15 / 285.15;
        assert!((short.released_nl(Some(0.0)) - fallen_nl).abs() < 0.01, "{}", short.released_nl(Some(0.0)));
        // A sum of stretches of one content that comes and goes counts it once.
        let mut sum = short;
        sum.add(&over(5, seen(5, 92.0, 180.0), seen(10, 80.0, 180.0)), 1.0);
        assert!(sum.released_nl(Some(0.0)) < 1e-6);
    }

    #[test]
    fn an_end_that_was_not_seen_leaves_everything_open() {
        for (before, after) in [(None, seen(5, 90.0, 180.0)), (seen(0, 10.0, 0.0), seen(5, 90.0, 180.0)), (None, None)]
        {
            let open = over(5, before, after);
            assert!(open.large_out_nl > 100.0 && open.large_in_nl > 2.0 * 100.0, "{open:?}");
            assert_eq!(open.released_nl(Some(0.0)), open.released_nl(None));
        }
    }
}
