//! Files that a person writes: they are accepted and usable, or refused with lines that they have.

use std::{borrow::Cow, path::Path};

use airvalve_monitor::{Monitor, Settings};
use airvalve_sensors::{Channels, CodeSample};
use airvalve_simulator::{Scenario, Simulation};
use airvalve_site::{FileError, Main, Site, explain, parse_settings};

/// So many samples are tried with what a file says.
const SAMPLES: u16 = 30;

/// A site that is known to be good.
pub(super) fn known_site() -> Site {
    let text = include_str!("../../../recordings-demo/quarry-top.site.toml");
    let site = Site::parse(text, "quarry-top.toml");
    assert!(site.is_ok(), "{site:?}");
    site.unwrap_or_else(|_| unreachable!())
}

/// Readers of texts refuse what is not UTF-8 before anything else: here it is made so.
fn text(bytes: &[u8]) -> Cow<'_, str> {
    String::from_utf8_lossy(bytes)
}

fn check_refusal(error: &FileError, text: &str) {
    let FileError::Refused { problems, .. } = error else { unreachable!("{error}") };
    assert!(!problems.is_empty());
    let lines = 1 + text.matches('\n').count();
    assert!(problems.iter().all(|problem| (1..=lines).contains(&problem.line)), "{error}");
    assert!(!error.to_string().is_empty());
}

pub(super) fn check_site_file(bytes: &[u8]) {
    let text = text(bytes);
    match Site::parse(&text, "a.toml") {
        Ok(site) => {
            assert!(!explain(&site, 80).is_empty());
            try_detector(&site, &Settings::default());
        }
        Err(error) => check_refusal(&error, &text),
    }
}

pub(super) fn check_settings_file(bytes: &[u8]) {
    let text = text(bytes);
    match parse_settings(&text, Path::new("s.toml")) {
        Ok(settings) => try_detector(&known_site(), &settings.detector),
        Err(error) => check_refusal(&error, &text),
    }
}

pub(super) fn check_main_file(bytes: &[u8]) {
    let text = text(bytes);
    match Main::parse(&text, "m.toml") {
        Ok(main) => assert!(main.valves.iter().all(|valve| !valve.files.is_empty()) && !main.valves.is_empty()),
        Err(error) => check_refusal(&error, &text),
    }
}

pub(super) fn check_scenario_file(bytes: &[u8]) {
    let text = text(bytes);
    let scenario = match Scenario::parse(&text, Path::new("s.toml")) {
        Ok(scenario) => scenario,
        Err(error) => return assert!(!error.to_string().is_empty()),
    };
    let mut simulation = match Simulation::new(&scenario, &known_site(), None) {
        Ok(simulation) => simulation,
        Err(error) => return assert!(!error.to_string().is_empty()),
    };
    for _ in 0..SAMPLES {
        if simulation.next().is_none() {
            break;
        }
        let now = simulation.glimpse();
        let all = [now.float_pct, now.chamber_kpa, now.line_kpa, now.odour_ppm, now.air_c, now.air_l];
        assert!(all.iter().all(|value| value.is_finite()), "{now:?}");
    }
    simulation.finish();
}

/// The detector takes what the readers accept.
fn try_detector(site: &Site, settings: &Settings) {
    let mut monitor = Box::new(Monitor::new(&site.detector(|_| true), settings));
    for n in 0..SAMPLES {
        let codes = Channels([7_000 + 100 * (n % 7) as i16; 7]);
        monitor.step_codes(&CodeSample { codes, ..CodeSample::missing(i64::from(n) * 100_000) });
    }
    assert!(monitor.totals().small_out.as_nl().is_finite());
}
