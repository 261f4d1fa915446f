//! What the detector has learned of the valve, and which faults it can judge by that.

use airvalve_analysis::{DataSheet, FaultJudged, LearnedQuantity, LearnedResult, Replay};

use super::{data::line, paper::Paper};

/// A quantity of the text: its name, what its value is multiplied by, and what stands behind it.
type Part = (&'static str, f64, &'static str);

/// Normal litres an hour: a second brings too little for the eye.
const HOUR_S: f64 = 3600.0;

/// The lines: a label, and what stands there.
const LINES: [(&str, &[Part]); 10] = [
    ("pressure zero", &[("zero_kpa", 1.0, " kPa")]),
    ("opens below", &[("opens_pct", 1.0, " %")]),
    ("closes above", &[("closes_pct", 1.0, " %")]),
    ("orifice area", &[("area_ratio", 1.0, "")]),
    ("release time", &[("open_time", 1.0, " of a clean one's")]),
    ("step answer", &[("answer", 1.0, "")]),
    ("stands off", &[("stick_pct", 1.0, " %")]),
    ("air gathers", &[("arrival_running_nl_s", HOUR_S, " NL/h running"), ("arrival_stopped_nl_s", HOUR_S, " stopped")]),
    ("pressure", &[("running_kpa", 1.0, " kPa running"), ("stopped_kpa", 1.0, " kPa stopped")]),
    ("odour", &[("odour_base_ppm", 1.0, " ppm before releases"), ("odour_pulse_ppm", 1.0, " ppm more after")]),
];

/// The section: a line a quantity, what is not learned in one, and what cannot be judged yet with what is missing.
pub(crate) fn learned(replay: &Replay, paper: &Paper) -> String {
    let LearnedResult { quantities, faults } = &replay.learned;
    let known = |part: &Part| quantities.iter().find(|known| known.name == part.0 && known.value.is_some());
    let mut text = String::new();
    let mut unknown = Vec::new();
    for (label, parts) in LINES {
        let told: Vec<_> = parts.iter().filter_map(|part| Some((value(known(part)?, part), known(part)?))).collect();
        text += &match told.as_slice() {
            [] => {
                unknown.push(label);
                continue;
            }
            [(value, quantity)] => line(paper, label, &format!("{value}{}", particulars(quantity))),
            all => line(paper, label, &all.iter().map(|(value, _)| value.as_str()).collect::<Vec<_>>().join(", ")),
        };
    }
    if !unknown.is_empty() {
        text += &line(paper, "not learned", &unknown.join(", "));
    }
    text + &can_judge(faults, paper)
}

/// A quantity with its uncertainty.
fn value(quantity: &LearnedQuantity, (name, factor, behind): &Part) -> String {
    // A cell that reads a little below its zero has found none.
    if name.starts_with("odour") && quantity.value.is_some_and(|value| value <= 0.0) {
        return format!("0{behind}");
    }
    let value = quantity.value.unwrap_or_default() * factor;
    let half = quantity.uncertainty.map(|half| half * factor);
    let decimals = decimals(value, half);
    let uncertainty = half.map_or(String::new(), |half| format!(" +-{half:.decimals$}"));
    // No sign before a nought.
    let value = format!("{value:.decimals$}");
    let is_nought = value.chars().all(|digit| "-0.".contains(digit));
    format!("{}{uncertainty}{behind}", if is_nought { value.trim_start_matches('-') } else { &value })
}

/// From how much it was learned, its recent value, and the data sheet's.
fn particulars(quantity: &LearnedQuantity) -> String {
    let LearnedQuantity { value, now, from, counted_in, data_sheet, is_outside, .. } = quantity;
    let mut text = String::new();
    if let Some(from) = from {
        text += &format!(", {from:.0} {counted_in}");
    }
    let [value, now] = [value, now].map(|number| number.unwrap_or_default());
    if number(now, quantity) != number(value, quantity) {
        text += &format!(", now {}", number(now, quantity));
    }
    if let Some(DataSheet { low, high, .. }) = data_sheet {
        let verdict = match is_outside {
            Some(true) => ": OUTSIDE",
            None => ": too early to tell",
            Some(false) if (low..=high).contains(&&value) => "",
            Some(false) => ": not surely outside",
        };
        text += &format!("; data sheet {} to {}{verdict}", short(*low), short(*high));
    }
    text
}

/// A number in the unit of a quantity, with as many decimals as its uncertainty leaves.
fn number(number: f64, quantity: &LearnedQuantity) -> String {
    let value = quantity.value.unwrap_or_default().abs();
    let decimals = decimals(value, quantity.uncertainty);
    format!("{number:.decimals$}")
}

fn decimals(value: f64, uncertainty: Option<f64>) -> usize {
    // A scatter of nearly none comes from readings that repeat themselves.
    let uncertainty = uncertainty.unwrap_or(0.1 * value.abs()).max(1e-3 * value.abs());
    let magnitude = (uncertainty / 2.0).log10().floor();
    if magnitude.is_finite() { (-magnitude).clamp(0.0, 4.0) as usize } else { 1 }
}

fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The faults that cannot be told yet, and those that are told by the data sheet only, with what is missing.
fn can_judge(faults: &[FaultJudged], paper: &Paper) -> String {
    let told = |is_judged: bool| {
        let faults = faults.iter().filter(|fault| fault.is_judged == is_judged);
        let all = faults.filter_map(|fault| Some(format!("{} ({})", name(fault), fault.missing.as_ref()?)));
        all.collect::<Vec<_>>().join(", ")
    };
    let lines = [("cannot judge", told(false)), ("not fully", told(true))];
    let text: String =
        lines.iter().filter(|(_, told)| !told.is_empty()).map(|(label, told)| line(paper, label, told)).collect();
    if text.is_empty() { line(paper, "can judge", "every fault") } else { text }
}

fn name(fault: &FaultJudged) -> String {
    fault.channel.map_or(fault.fault.to_owned(), |channel| format!("{} of {channel}", fault.fault))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_has_as_many_digits_as_its_uncertainty_leaves() {
        let quantity = LearnedQuantity {
            value: Some(0.5512),
            uncertainty: Some(0.0234),
            now: Some(0.5312),
            from: Some(12.0),
            counted_in: "cycles",
            data_sheet: Some(DataSheet { value: 1.0, low: 0.8, high: 1.25 }),
            is_outside: Some(true),
            ..LearnedQuantity::default()
        };
        assert_eq!(value(&quantity, &("area_ratio", 1.0, " of it")), "0.55 +-0.02 of it");
        assert_eq!(particulars(&quantity), ", 12 cycles, now 0.53; data sheet 0.8 to 1.25: OUTSIDE");
        let unsure = LearnedQuantity { is_outside: Some(false), from: None, ..quantity.clone() };
        assert!(particulars(&unsure).ends_with("; data sheet 0.8 to 1.25: not surely outside"));
        let early = LearnedQuantity { uncertainty: None, is_outside: None, ..quantity };
        assert!(particulars(&early).ends_with(": too early to tell"));
    }
}
