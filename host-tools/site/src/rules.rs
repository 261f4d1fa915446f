//! What must hold between the keys of a site file.

use airvalve_sensors::Channel;

use crate::{
    checked::Checked,
    keys::sensor_table,
    model::{LargeOrifice, OrificeFlow, Site},
    problem::Fault,
};

/// Standard atmosphere, kPa: ISO 2533.
const STANDARD_KPA: f64 = 101.325;
/// A release orifice that is larger than this part of the large one is improbable: common ones are a tenth of it.
const MOST_OF_LARGE: f64 = 0.5;

/// Reports every contradiction of a site; a value that is missing (NaN) contradicts nothing.
pub(crate) fn check(site: &Site, checked: &mut Checked) {
    let line = &site.line;
    let mut above = |key: &str, value: f64, rule, limit: f64| {
        // Not `value <= limit` negated: NaN must pass.
        if value <= limit {
            contradict(checked, key, value.to_string(), rule, format!("above {limit}"));
        }
    };
    above("line.working_kpa", line.working_kpa, "working pressure stands above static_kpa", line.static_kpa);
    above("line.allowable_kpa", line.allowable_kpa, "allowable pressure stands above working_kpa", line.working_kpa);
    let closes_above_opens = "an orifice closes above opens_below_pct";
    let large = &site.valve.large_orifice;
    above("valve.large_orifice.closes_above_pct", large.closes_above_pct, closes_above_opens, large.opens_below_pct);
    for (place, orifice) in site.valve.release_orifices.iter().enumerate() {
        let key = format!("valve.release_orifice[{place}].closes_above_pct");
        above(&key, orifice.closes_above_pct, closes_above_opens, orifice.opens_below_pct);
    }
    for channel in Channel::ALL {
        let span = site.sensors.channels.get(channel).span;
        let key = format!("sensors.{}.high", sensor_table(channel));
        above(&key, f64::from(span.high), "a span ends above its low", f64::from(span.low));
    }
    if let Some(burst) = site.sampling.burst {
        above("sampling.every_s", burst.every_s, "bursts are further apart than burst_s", burst.burst_s);
    }
    check_release_orifices(site, checked);
    check_orifice_sizes(site, checked);
    check_gauges(site, checked);
    doubt_body(site, checked);
    check_large_below_small(site, checked);
    check_bursts_are_meant(site, checked);
    for (place, work) in site.planned_work.iter().enumerate() {
        if work.to_us <= work.from_us {
            let key = format!("planned_work[{place}].to");
            let value = checked.given_time(&key).map_or(String::new(), |time| time.to_string());
            contradict(checked, &key, value, "work ends after it begins", "after `from`".to_owned());
        }
    }
}

/// A float that sinks opens the small orifice first: a valve whose large one opens above it never holds a cushion.
fn check_large_below_small(site: &Site, checked: &mut Checked) {
    let Some(small) = site.valve.release_orifices.first() else { return };
    let large_pct = site.valve.large_orifice.opens_below_pct;
    if large_pct >= small.opens_below_pct {
        let rule = "the large orifice opens below the small one";
        let limit = format!("below {}", small.opens_below_pct);
        contradict(checked, "valve.large_orifice.opens_below_pct", large_pct.to_string(), rule, limit);
    }
}

/// Keys of bursts beside samples all the time: one of them is not what was meant.
fn check_bursts_are_meant(site: &Site, checked: &mut Checked) {
    if site.sampling.burst.is_some() {
        return;
    }
    for key in ["sampling.burst_s", "sampling.every_s"] {
        if let Some(value) = checked.given_number(key) {
            let rule = "it belongs to sampling.mode = \"burst\", and the mode is continuous";
            contradict(checked, key, value.to_string(), rule, "set the mode, or remove the key".to_owned());
        }
    }
}

fn check_release_orifices(site: &Site, checked: &mut Checked) {
    let key = "valve.release_orifice";
    let found = site.valve.release_orifices.len();
    if !(1..=2).contains(&found) && !checked.has_syntax_error() {
        let how = "the small orifice first, as [[valve.release_orifice]]";
        let line = checked.line_of(key);
        let fault = Fault::Count { key: key.to_owned(), found, allowed: "1 or 2", how };
        checked.report(line, fault);
    }
    if let [first, second, ..] = site.valve.release_orifices.as_slice()
        && second.opens_below_pct >= first.opens_below_pct
    {
        let rule = "the second orifice opens below the first";
        let limit = format!("below {}", first.opens_below_pct);
        let value = second.opens_below_pct.to_string();
        contradict(checked, "valve.release_orifice[1].opens_below_pct", value, rule, limit);
    }
    for (place, orifice) in site.valve.release_orifices.iter().enumerate() {
        let OrificeFlow::Conductance { .. } = orifice.flow else {
            continue;
        };
        for name in ["diameter_mm", "discharge_coefficient", "reference_ratio"] {
            let key = format!("valve.release_orifice[{place}].{name}");
            if let Some(value) = checked.given_number(&key) {
                let rule = "a sonic conductance stands instead of it";
                contradict(checked, &key, value.to_string(), rule, "one or the other".to_owned());
            }
        }
    }
}

/// A float's weight opens a release orifice against the full pressure, and the large one near atmosphere only: the one is
/// far smaller.
fn check_orifice_sizes(site: &Site, checked: &mut Checked) {
    let LargeOrifice { diameter_mm: large_mm, .. } = site.valve.large_orifice;
    for (place, orifice) in site.valve.release_orifices.iter().enumerate() {
        let OrificeFlow::Coefficient { diameter_mm, .. } = orifice.flow else { continue };
        let key = format!("valve.release_orifice[{place}].diameter_mm");
        let (value, limit) = (diameter_mm.to_string(), |most: f64| format!("below {most} mm"));
        if diameter_mm >= large_mm {
            contradict(checked, &key, value, "a release orifice is smaller than the large one", limit(large_mm));
        } else if diameter_mm > MOST_OF_LARGE * large_mm {
            let rule = "a release orifice is much smaller than the large one";
            doubt(checked, &key, value, rule, limit(MOST_OF_LARGE * large_mm));
        }
    }
}

/// What a pressure transmitter can show at all, and what it has to.
fn check_gauges(site: &Site, checked: &mut Checked) {
    let gauges = [Channel::ChamberPressure, Channel::LinePressure, Channel::PressureMin, Channel::PressureMax];
    for channel in gauges {
        let [low, high] = ["low", "high"].map(|end| format!("sensors.{}.{end}", sensor_table(channel)));
        // The site's own air pressure may be higher than the standard one.
        let vacuum_kpa = -site.p_atm_kpa.max(STANDARD_KPA);
        if let Some(low_kpa) = checked.given_number(&low).filter(|low_kpa| *low_kpa < vacuum_kpa) {
            let limit = format!("{vacuum_kpa:.1} kPa gauge or above");
            let rule = "no pressure is below that of a perfect vacuum";
            contradict(checked, &low, low_kpa.to_string(), rule, limit);
        }
        let working_kpa = site.line.working_kpa;
        if let Some(high_kpa) = checked.given_number(&high).filter(|high_kpa| *high_kpa < working_kpa) {
            let limit = format!("{working_kpa} kPa or above");
            doubt(checked, &high, high_kpa.to_string(), "a gauge reaches line.working_kpa", limit);
        }
    }
}

/// A float that moves through its stroke leaves less air above it than it has moved through.
fn doubt_body(site: &Site, checked: &mut Checked) {
    let valve = &site.valve;
    if valve.seal_volume_l > valve.stroke_volume_l {
        let rule = "the float fully up leaves less air than its stroke gains";
        let limit = format!("at most stroke_volume_l, {} L", valve.stroke_volume_l);
        doubt(checked, "valve.seal_volume_l", valve.seal_volume_l.to_string(), rule, limit);
    }
}

fn doubt(checked: &mut Checked, key: &str, value: String, rule: &'static str, limit: String) {
    let line = checked.line_of(key);
    checked.doubt(line, Fault::Improbable { key: key.to_owned(), value, rule, limit });
}

fn contradict(checked: &mut Checked, key: &str, value: String, rule: &'static str, limit: String) {
    let line = checked.line_of(key);
    checked.report(line, Fault::Contradiction { key: key.to_owned(), value, rule, limit });
}
