//! How long a simulated valve-year at 2 Hz takes, simulation and detection, on each model: fault-free weeks of the
//! development set, on as many threads as there are cores.
//!
//! `cargo run --release -p airvalve-trials --example evaluation_speed -- [WEEKS]`

use std::{error::Error, time::Instant};

use airvalve_monitor::Settings;
use airvalve_trials::{Case, CaseError, CaseId, Model, Set, Subject, play, watch};
use rayon::prelude::*;

const YEAR_H: f64 = 365.25 * 24.0;

fn main() -> Result<(), Box<dyn Error>> {
    let weeks: usize = std::env::args().nth(1).map_or(Ok(12), |text| text.parse())?;
    let settings = Settings::default();
    let threads = rayon::current_num_threads();
    for model in Model::ALL {
        let draw = |number| Case::draw(CaseId::new(Set::Development, model, Subject::FaultFree, number));
        // Without bursts: a pause is no sample.
        let is_usual =
            |case: &Case| case.scenario_toml.contains("sample_hz = 2.0\n") && !case.site_toml.contains("[sampling]");
        let cases: Vec<Case> = (0..).map(draw).filter(is_usual).take(weeks).collect();
        let a_year_s = |seconds: f64| seconds * YEAR_H / cases.iter().map(|case| case.hours).sum::<f64>();
        let begin = Instant::now();
        cases.par_iter().map(|case| watch(case, |_| ()).map(|_| ())).collect::<Result<(), CaseError>>()?;
        let alone_s = a_year_s(begin.elapsed().as_secs_f64());
        let begin = Instant::now();
        cases.par_iter().map(|case| play(case, &settings).map(|_| ())).collect::<Result<(), CaseError>>()?;
        let both_s = a_year_s(begin.elapsed().as_secs_f64());
        println!(
            "{} model: a valve-year at 2 Hz in {both_s:.0} s on {threads} threads, simulation alone {alone_s:.0} s",
            model.name()
        );
    }
    Ok(())
}
