//! Sums of air over orifices and hours that never contradict their parts.
//!
//! Values and bounds add up. Intervals do not: errors that have nothing to do with each other add up as squares, so a sum
//! is known better than its parts, and its interval lies within theirs added up.

use crate::{
    estimate::Estimate,
    result::{Air, AirHour, Basis, OrificeAir, rounded},
    time::Time,
};

/// Air of one stretch of time.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Parts {
    pub(crate) large: Estimate,
    pub(crate) small: Estimate,
    pub(crate) second: Estimate,
    pub(crate) admitted: Estimate,
}

/// A sum, and what its parts have let through for sure, NL: no less than the sum's own low end where air cannot be less
/// than nothing in any of them.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    all: Estimate,
    parts_low_nl: f64,
}

impl Sum {
    fn of(parts: impl IntoIterator<Item = Sum>) -> Sum {
        let mut sum = Sum::default();
        for part in parts {
            let (low_nl, _) = part.interval_nl();
            sum.all.add(&part.all);
            sum.parts_low_nl += low_nl;
        }
        sum
    }

    fn interval_nl(&self) -> (f64, f64) {
        let (low_nl, high_nl) = self.all.interval_nl();
        (low_nl.max(self.parts_low_nl), high_nl)
    }
}

impl From<Estimate> for Sum {
    fn from(all: Estimate) -> Sum {
        Sum { all, parts_low_nl: 0.0 }
    }
}

/// A sum as results have it: value, interval, whether it is resolved.
struct Told {
    nl: f64,
    low_nl: f64,
    high_nl: f64,
    is_resolved: bool,
}

impl From<Sum> for Told {
    fn from(sum: Sum) -> Told {
        let (low_nl, high_nl) = sum.interval_nl();
        let nl = rounded(sum.all.value_nl());
        Told { nl, low_nl: rounded(low_nl), high_nl: rounded(high_nl), is_resolved: sum.all.is_resolved() }
    }
}

/// The whole result from the parts of every hour.
pub(crate) fn air(hours: &[(i64, Parts)], is_two_stage: bool, air_k: f64, p_atm_kpa: f64) -> Air {
    let over_hours = |part: fn(&Parts) -> Estimate| Sum::of(hours.iter().map(|(_, parts)| Sum::from(part(parts))));
    let large = over_hours(|parts| parts.large);
    let small = over_hours(|parts| parts.small);
    let second = over_hours(|parts| parts.second);
    // Cut by orifice or by hour, it is the same air: the better of the two low ends holds.
    let by_hour = Sum::of(hours.iter().map(|(_, parts)| released(parts)));
    let mut all = Sum::of([large, small, second]);
    all.parts_low_nl = all.parts_low_nl.max(by_hour.parts_low_nl);
    let (out, inward) = (Told::from(all), Told::from(over_hours(|parts| parts.admitted)));
    let mut orifices = vec![orifice("large", large), orifice("small", small)];
    if is_two_stage {
        orifices.push(orifice("second", second));
    }
    Air {
        released_nl: out.nl,
        released_nl_low: out.low_nl,
        released_nl_high: out.high_nl,
        released_by_orifice: orifices,
        admitted_nl: inward.nl,
        admitted_nl_low: inward.low_nl,
        admitted_nl_high: inward.high_nl,
        released_resolved: out.is_resolved,
        admitted_resolved: inward.is_resolved,
        by_hour: hours.iter().map(|(hour_us, parts)| hour(*hour_us, parts)).collect(),
        other_bases: bases(air_k, p_atm_kpa, &out, &inward),
    }
}

fn released(parts: &Parts) -> Sum {
    Sum::of([parts.large, parts.small, parts.second].map(Sum::from))
}

fn orifice(name: &'static str, sum: Sum) -> OrificeAir {
    let told = Told::from(sum);
    OrificeAir {
        orifice: name,
        released_nl: told.nl,
        released_nl_low: told.low_nl,
        released_nl_high: told.high_nl,
        resolved: told.is_resolved,
    }
}

fn hour(hour_us: i64, parts: &Parts) -> AirHour {
    let (out, inward) = (Told::from(released(parts)), Told::from(Sum::from(parts.admitted)));
    AirHour {
        from: Time(hour_us),
        released_nl: out.nl,
        released_nl_low: out.low_nl,
        released_nl_high: out.high_nl,
        admitted_nl: inward.nl,
        admitted_nl_low: inward.low_nl,
        admitted_nl_high: inward.high_nl,
        resolved: out.is_resolved && inward.is_resolved,
    }
}

/// The same air as standard litres and as free air.
fn bases(air_k: f64, p_atm_kpa: f64, out: &Told, inward: &Told) -> Vec<Basis> {
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
            released_l: rounded(out.nl * litres_per_nl),
            released_l_low: rounded(out.low_nl * litres_per_nl),
            released_l_high: rounded(out.high_nl * litres_per_nl),
            admitted_l: rounded(inward.nl * litres_per_nl),
            admitted_l_low: rounded(inward.low_nl * litres_per_nl),
            admitted_l_high: rounded(inward.high_nl * litres_per_nl),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_normal_litre_is_1_055_standard_litres() {
        // Source: ISO 13443:1996, annex B (volume at 15 degC over volume at 0 degC, ideal gas: 288.15 / 273.15 = 1.0549).
        let out = Told { nl: 1000.0, low_nl: 900.0, high_nl: 1200.0, is_resolved: true };
        let bases = bases(283.15, 101.325, &out, &Told::from(Sum::default()));
        assert!((bases[0].litres_per_nl - 1.0549).abs() < 1e-4);
        // Free air at one standard atmosphere and 10 degC: 283.15 / 273.15.
        assert!((bases[1].released_l - 1036.610).abs() < 0.001);
        assert!((bases[1].released_l_low - 932.949).abs() < 0.001);
        assert!((bases[1].released_l_high - 1243.932).abs() < 0.001);
    }

    #[test]
    fn a_part_that_is_resolved_shows_in_the_low_end_of_a_sum_that_is_not() {
        let large = Estimate::for_test(800.0, 0.0, 0.0);
        let parts = Parts { large, small: Estimate::unconfirmed(30_000.0), ..Parts::default() };
        let air = air(&[(0, parts)], false, 285.15, 100.0);
        assert_eq!((air.released_nl_low, air.released_nl_high), (800.0, 30_800.0));
        assert!(!air.released_resolved && air.released_by_orifice[0].resolved && !air.by_hour[0].resolved);
    }

    fn estimates() -> impl Strategy<Value = Estimate> {
        (0.0..1000.0, 0.0..2.0, prop_oneof![Just(0.0), 0.0..5000.0], prop_oneof![Just(1.0), Just(0.0)])
            .prop_map(|(nl, error, bound_nl, there)| Estimate::for_test(there * nl, there * error * nl, bound_nl))
    }

    fn parts() -> impl Strategy<Value = Parts> {
        [estimates(), estimates(), estimates(), estimates()].prop_map(|[large, small, second, admitted]| Parts {
            large,
            small,
            second,
            admitted,
        })
    }

    /// Value, low, high of parts held against those of their whole.
    fn hold(whole: [f64; 3], parts: &[[f64; 3]]) -> Result<(), TestCaseError> {
        let sum = |place: usize| parts.iter().map(|part| part[place]).sum::<f64>();
        // Every number is rounded to thousandths.
        let rounding = 0.001 * (parts.len() + 1) as f64;
        prop_assert!((sum(0) - whole[0]).abs() <= rounding, "{whole:?} {parts:?}");
        prop_assert!(sum(1) <= whole[1] + rounding && whole[2] <= sum(2) + rounding, "{whole:?} {parts:?}");
        prop_assert!(whole[1] <= whole[0] && whole[0] <= whole[2], "{whole:?}");
        Ok(())
    }

    proptest! {
        #[test]
        fn parts_and_hours_add_up_to_the_whole_and_their_intervals_agree(parts in prop::collection::vec(parts(), 1..12)) {
            let hours: Vec<_> = parts.iter().enumerate().map(|(hour, parts)| (hour as i64, *parts)).collect();
            let air = air(&hours, true, 285.15, 100.0);
            let released = [air.released_nl, air.released_nl_low, air.released_nl_high];
            let by_orifice: Vec<_> =
                air.released_by_orifice.iter().map(|part| [part.released_nl, part.released_nl_low, part.released_nl_high]).collect();
            let by_hour: Vec<_> =
                air.by_hour.iter().map(|hour| [hour.released_nl, hour.released_nl_low, hour.released_nl_high]).collect();
            let admitted_by_hour: Vec<_> =
                air.by_hour.iter().map(|hour| [hour.admitted_nl, hour.admitted_nl_low, hour.admitted_nl_high]).collect();
            hold(released, &by_orifice)?;
            hold(released, &by_hour)?;
            hold([air.admitted_nl, air.admitted_nl_low, air.admitted_nl_high], &admitted_by_hour)?;
            // Where every part is resolved the whole is, and where none is it is not.
            let resolved: Vec<_> = air.released_by_orifice.iter().map(|part| part.resolved && part.released_nl > 0.0).collect();
            prop_assert!(!resolved.iter().all(|resolved| *resolved) || air.released_resolved);
            prop_assert!(air.released_by_orifice.iter().any(|part| part.resolved) || !air.released_resolved);
        }
    }
}
