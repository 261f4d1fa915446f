//! How many of the drawn cases of each fault show themselves, and whether the plant stays within what is possible; no
//! detector is asked.
//!
//! `cargo run --release -p airvalve-trials --example what_shows -- [CASES] [MODEL] [FAULT]`

use std::error::Error;

use airvalve_trials::{Case, CaseError, CaseId, Model, Set, Subject, TrueState, watch};
use rayon::prelude::*;

/// What one case came to.
struct Told {
    name: String,
    is_shown: bool,
    impossible: Option<String>,
}

/// Whether the plant is within what physics allows.
fn is_possible(now: &TrueState) -> bool {
    let all =
        [now.float_pct, now.level_pct, now.chamber_kpa, now.main_kpa, now.odour_ppm, now.arrived_nl, now.leak_nl_s];
    (0.0..=100.0).contains(&now.float_pct)
        && now.chamber_kpa > -101.0
        && now.odour_ppm >= 0.0
        && now.leak_nl_s >= 0.0
        && (0.0..=1.0).contains(&now.free_share)
        && all.iter().all(|x| x.is_finite())
}

fn told(id: CaseId) -> Result<Told, CaseError> {
    let mut impossible = None;
    let (shown, truth) = watch(&Case::draw(id), |now| {
        if !is_possible(now) && impossible.is_none() {
            impossible = Some(format!("{now:?}"));
        }
    })?;
    let air = &truth.air;
    let come_nl = air.held_at_start_nl + air.arrived_nl + air.admitted_nl;
    let lost_nl = come_nl - air.released_nl - air.held_at_end_nl;
    if lost_nl.abs() > 1e-6 * come_nl + 0.01 {
        impossible.get_or_insert(format!("{lost_nl} NL of {come_nl} NL are lost"));
    }
    Ok(Told { name: id.to_string(), is_shown: shown.is_some(), impossible })
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let cases: u32 = arguments.first().map_or(Ok(30), |text| text.parse())?;
    let model = arguments.get(1).and_then(|name| Model::from_name(name));
    let only = arguments.get(2).and_then(|name| Subject::from_name(name));
    for subject in Subject::all().filter(|subject| *subject != Subject::FaultFree) {
        if only.is_some_and(|only| only != subject) {
            continue;
        }
        let mut line = format!("{:<16}", subject.name());
        let mut notes = String::new();
        for model in Model::ALL.into_iter().filter(|known| model.is_none_or(|model| model == *known)) {
            let ids: Vec<CaseId> =
                (0..cases).map(|number| CaseId::new(Set::Development, model, subject, number)).collect();
            let told = ids.into_par_iter().map(told).collect::<Result<Vec<Told>, CaseError>>()?;
            let shown = told.iter().filter(|told| told.is_shown).count();
            line += &format!("  {} {shown} of {cases}", model.name());
            for it in &told {
                if !it.is_shown && cases <= 40 {
                    notes += &format!("    not shown: {}\n", it.name);
                }
                if let Some(what) = &it.impossible {
                    notes += &format!("    IMPOSSIBLE: {}: {what}\n", it.name);
                }
            }
        }
        print!("{line}\n{notes}");
    }
    Ok(())
}
