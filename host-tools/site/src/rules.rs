//! What must hold between the keys of a site file.

use airvalve_sensors::Channel;

use crate::{
    checked::Checked,
    keys::sensor_table,
    model::{OrificeFlow, Site},
    problem::Fault,
};

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

fn contradict(checked: &mut Checked, key: &str, value: String, rule: &'static str, limit: String) {
    let line = checked.line_of(key);
    checked.report(line, Fault::Contradiction { key: key.to_owned(), value, rule, limit });
}
