//! Site and main files: what is read, what is refused and how.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_sensors::Channel;
use airvalve_site::{Fault, FileError, Main, Site, explain, template};
use proptest::prelude::*;

const SITE: &str = r#"[site]
name = "Example hill"
altitude_m = 85.0
[line]
static_kpa = 180.0
working_kpa = 320.0
allowable_kpa = 1000.0
flow_l_s = 28.0
[valve]
seal_volume_l = 1.2
stroke_volume_l = 6.0
[valve.large_orifice]
diameter_mm = 50.0
discharge_coefficient = 0.62
opens_below_pct = 20.0
reopen_kpa = 5.0
[[valve.release_orifice]]
diameter_mm = 2.5
discharge_coefficient = 0.65
opens_below_pct = 80.0
closes_above_pct = 92.0
[vault]
volume_m3 = 5.0
air_changes_per_h = 2.0
[sensors]
sample_hz = 10.0
"#;

fn message(text: &str) -> String {
    Site::parse(text, "here.toml").unwrap_err().to_string()
}

fn changed(from: &str, to: &str) -> String {
    assert!(SITE.contains(from), "{from}");
    SITE.replacen(from, to, 1)
}

#[test]
fn optional_keys_work_on_their_defaults() {
    let site = Site::parse(SITE, "/x/High Point 3.toml").unwrap();
    assert_eq!(site.valve_id, "high-point-3");
    assert!(!site.is_id_given());
    assert!(Site::parse(&changed("[line]", "valve_id = \"x\"\n[line]"), "a.toml").unwrap().is_id_given());
    // Source: ISO 2533:1975, 85 m between the tabled 0 m (101.325) and 100 m (100.1294567).
    assert!((site.p_atm_kpa - 100.307).abs() < 0.002, "{}", site.p_atm_kpa);
    assert_eq!(site.line.largest_pocket_m3, 0.5);
    assert_eq!(site.valve.large_orifice.closes_above_pct, 22.0);
    assert_eq!(site.valve.large_orifice.inflow_coefficient, 0.62);
    assert!(site.water.is_sewage);
    let span = |channel| site.sensors.channels.get(channel).span;
    assert_eq!(span(Channel::ChamberPressure).high, 1600.0);
    assert_eq!(span(Channel::PressureMax).low, -100.0);
    assert_eq!(site.sensors.channels.get(Channel::Odour).lag_s, 20.0);
    assert_eq!(site.uncertainty.position_pct_stroke, 1.5);
    assert!(site.sampling.burst.is_none() && site.planned_work.is_empty());
}

#[test]
fn held_extremes_have_the_span_of_the_chamber_pressure() {
    let text = format!("{SITE}[sensors.pressure]\nhigh = 900\n");
    let site = Site::parse(&text, "a.toml").unwrap();
    assert_eq!(site.sensors.channels.get(Channel::PressureMin).span.high, 900.0);
    assert_eq!(site.sensors.channels.get(Channel::LinePressure).span.high, 1600.0);
}

#[test]
fn planned_work_may_be_written_as_time_or_text() {
    let text = format!(
        "{SITE}[[planned_work]]\nfrom = 2026-03-01T08:00:00+01:00\nto = \"2026-03-01T16:00:00Z\"\nnote = \"x\"\n"
    );
    let site = Site::parse(&text, "a.toml").unwrap();
    assert_eq!(site.planned_work[0].to_us - site.planned_work[0].from_us, 9 * 3_600_000_000);
    let local = text.replace("+01:00", "");
    assert!(message(&local).contains("a time with offset"), "{}", message(&local));
}

#[test]
fn a_typo_is_refused_with_line_and_nearest_key() {
    let text = changed("working_kpa", "workng_kpa");
    let said = message(&text);
    assert!(said.contains("here.toml:6: `line.workng_kpa` is unknown, did you mean `line.working_kpa`?"), "{said}");
    assert!(said.contains("`line.working_kpa` is missing"), "{said}");
    let text = changed("[valve.large_orifice]", "[valve.large_orfice]");
    assert!(message(&text).contains("did you mean `valve.large_orifice`?"), "{}", message(&text));
    let text = format!("{SITE}[sensors.odor]\nlow = 0\n");
    assert!(message(&text).contains("did you mean `sensors.odour`?"), "{}", message(&text));
}

#[test]
fn a_key_in_the_wrong_table_finds_its_table() {
    let text = changed("flow_l_s = 28.0\n", "flow_l_s = 28.0\naltitude_m = 1.0\n");
    assert!(message(&text).contains("did you mean `site.altitude_m`?"), "{}", message(&text));
}

#[test]
fn a_negative_diameter_is_refused_with_its_range() {
    let said = message(&changed("diameter_mm = 2.5", "diameter_mm = -2.5"));
    assert_eq!(
        said,
        "here.toml:18: `valve.release_orifice[0].diameter_mm` = -2.5 is not allowed (allowed: 0.1 .. 100 mm); change it"
    );
}

#[test]
fn all_that_is_wrong_is_said_at_once() {
    let text = changed("flow_l_s = 28.0", "flow_l_s = nan").replace("sample_hz = 10.0", "sample_hz = \"fast\"");
    let text = text.replace("volume_m3 = 5.0\n", "");
    let Err(FileError::Refused { problems, .. }) = Site::parse(&text, "a.toml") else { panic!() };
    assert_eq!(problems.len(), 3, "{problems:?}");
    assert!(problems.is_sorted_by_key(|problem| problem.line));
    assert!(matches!(&problems[1].fault, Fault::Missing { key, .. } if key == "vault.volume_m3"));
    // The line of the table that lacks the key.
    assert_eq!(problems[1].line, 22);
}

#[test]
fn contradictions_are_refused() {
    let cases = [
        ("static_kpa = 180.0", "static_kpa = 400.0", "line.working_kpa"),
        ("allowable_kpa = 1000.0", "allowable_kpa = 200.0", "line.allowable_kpa"),
        ("closes_above_pct = 92.0", "closes_above_pct = 70.0", "valve.release_orifice[0].closes_above_pct"),
        ("sample_hz = 10.0", "sample_hz = 10.0\nfloat.low = 5\nfloat.high = 4", "sensors.float.high"),
        ("[vault]", "[sampling]\nmode = \"burst\"\nburst_s = 60\nevery_s = 30\n[vault]", "sampling.every_s"),
        (
            "diameter_mm = 2.5",
            "diameter_mm = 2.5\nsonic_conductance_dm3_s_bar = 0.6\ncritical_ratio = 0.4",
            "instead of it",
        ),
        (
            "diameter_mm = 2.5\ndischarge_coefficient = 0.65",
            "critical_ratio = 0.4",
            "sonic_conductance_dm3_s_bar` is missing",
        ),
    ];
    for (from, to, named) in cases {
        let said = message(&changed(from, to));
        assert!(said.contains(named), "{to}: {said}");
    }
}

#[test]
fn there_are_one_or_two_release_orifices_and_the_second_opens_below_the_first() {
    let orifice = |opens| {
        format!(
            "[[valve.release_orifice]]\ndiameter_mm = 6\ndischarge_coefficient = 0.6\nopens_below_pct = {opens}\ncloses_above_pct = 95\n"
        )
    };
    let two = |opens| changed("[vault]", &format!("{}[vault]", orifice(opens)));
    assert_eq!(Site::parse(&two(50.0), "a").unwrap().valve.release_orifices.len(), 2);
    assert!(message(&two(85.0)).contains("second orifice opens below the first"));
    let three = changed("[vault]", &format!("{}{}[vault]", orifice(50.0), orifice(40.0)));
    assert!(message(&three).contains("stands 3 times (allowed: 1 or 2)"));
    let single = changed("[[valve.release_orifice]]", "[valve.release_orifice]");
    assert!(message(&single).contains("double brackets"), "{}", message(&single));
}

#[test]
fn an_orifice_may_be_given_by_its_sonic_conductance() {
    let text = changed(
        "diameter_mm = 2.5\ndischarge_coefficient = 0.65",
        "sonic_conductance_dm3_s_bar = 0.64\ncritical_ratio = 0.4",
    );
    assert!(explain(&Site::parse(&text, "a").unwrap(), 160).contains("small orifice at working pressure"));
}

/// Flow of the small orifice as the explanation gives it, NL/min.
fn explained_nl_min(site: &Site) -> f64 {
    let text = explain(site, 160);
    let line = text.lines().find(|line| line.starts_with("- small orifice")).expect("a line");
    let (before, _) = line.split_once(" NL/min").expect("a flow");
    before.rsplit(' ').next().unwrap().parse().unwrap()
}

#[test]
fn the_explanation_carries_a_coefficient_to_working_pressure_as_the_detector_does() {
    let plain = Site::parse(SITE, "a").unwrap();
    let carried = Site::parse(&changed("diameter_mm = 2.5", "diameter_mm = 2.5\nreference_ratio = 0.95"), "a").unwrap();
    // Source: Perry's handbook (from memory): a sharp edge has 0.83 at a ratio of 0.24 (here 0.239) and 0.61 at 0.95.
    let ratio = explained_nl_min(&carried) / explained_nl_min(&plain);
    assert!((ratio - 0.83 / 0.61).abs() < 2e-3, "{ratio}");
    for site in [plain, carried] {
        let detector = site.detector(|_| true);
        let orifice = detector.small.orifice;
        let nl_s = orifice.normal_flow_nl_s(detector.working_kpa, detector.p_atm_kpa, detector.air_temperature_k);
        let explained = explained_nl_min(&site);
        assert!((explained - 60.0 * f64::from(nl_s)).abs() < 0.06, "{explained} {nl_s}");
    }
}

#[test]
fn broken_toml_is_refused_with_its_line() {
    let said = message(&changed("static_kpa = 180.0", "static_kpa = = 180.0"));
    assert!(said.starts_with("here.toml:5: not TOML"), "{said}");
    assert_eq!(said.lines().count(), 1, "{said}");
}

#[test]
fn the_template_parses_and_its_optional_lines_are_keys() {
    let text = template();
    Site::parse(&text, "a.toml").unwrap_or_else(|error| panic!("{error}\n{text}"));
}

#[test]
fn the_explanation_names_every_origin() {
    let text = explain(&Site::parse(SITE, "a.toml").unwrap(), 160);
    for wanted in ["from the file", "default", "computed: from the altitude (ISO 2533)", "choked", "NL/min"] {
        assert!(text.contains(wanted), "{wanted}\n{text}");
    }
}

#[test]
fn a_main_file_names_files_relative_to_itself() {
    let text =
        "[main]\nname = \"m\"\n[[valve]]\nsite = \"a.toml\"\nfiles = [\"n/1.airvalve\", \"2.csv\"]\nchainage_m = 12\n";
    let main = Main::parse(text, "/data/MAIN.toml").unwrap();
    assert_eq!(main.valves[0].site.to_str(), Some("/data/a.toml"));
    assert_eq!(main.valves[0].files[0].to_str(), Some("/data/n/1.airvalve"));
    assert_eq!((main.valves[0].chainage_m, main.valves[0].elevation_m), (Some(12.0), None));
    let said = Main::parse("[main]\nname = \"m\"\n", "m.toml").unwrap_err().to_string();
    assert!(said.contains("at least one [[valve]]"), "{said}");
    let said = Main::parse(&text.replace("files", "flies"), "m.toml").unwrap_err().to_string();
    assert!(said.contains("did you mean `valve.files`?"), "{said}");
}

#[test]
fn a_file_that_is_not_there_is_said_so() {
    let said = Site::read("/nowhere/site.toml").unwrap_err().to_string();
    assert!(said.starts_with("/nowhere/site.toml: cannot be read"), "{said}");
}

proptest! {
    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,200}") {
        let _ = Site::parse(&text, "a");
        let _ = Main::parse(&text, "a");
    }

    #[test]
    fn no_changed_byte_makes_the_reader_panic(at in 0..SITE.len(), byte in 32_u8..127) {
        let mut bytes = SITE.as_bytes().to_vec();
        bytes[at] = byte;
        let _ = Site::parse(&String::from_utf8(bytes).unwrap(), "a");
    }

    #[test]
    fn a_number_is_taken_exactly_when_it_is_in_its_range(diameter_mm in -10.0..200.0_f64) {
        // A large orifice that no release orifice comes near.
        let text = changed("diameter_mm = 50.0", "diameter_mm = 1000.0");
        let text = text.replacen("diameter_mm = 2.5", &format!("diameter_mm = {diameter_mm:?}"), 1);
        prop_assert_eq!(Site::parse(&text, "a").is_ok(), (0.1..=100.0).contains(&diameter_mm));
    }
}

#[test]
fn what_no_valve_and_no_gauge_can_be_is_refused() {
    let large = message(&changed("diameter_mm = 2.5", "diameter_mm = 60.0"));
    assert_eq!(
        large,
        "here.toml:18: `valve.release_orifice[0].diameter_mm` = 60 does not fit: a release orifice is smaller than the \
         large one (below 50 mm); change one of them"
    );
    let same = message(&changed("diameter_mm = 2.5", "diameter_mm = 50.0"));
    assert!(same.contains("does not fit"), "{same}");
    let gauge = message(&format!("{SITE}[sensors.pressure]\nlow = -999.0\n"));
    assert_eq!(gauge.lines().count(), 1, "{gauge}");
    assert!(gauge.contains("`sensors.pressure.low` = -999 does not fit: no pressure is below"), "{gauge}");
    for low in ["-101.3", "-100.0", "0.0"] {
        Site::parse(&format!("{SITE}[sensors.pressure]\nlow = {low}\n"), "a.toml").unwrap();
    }
}

#[test]
fn what_is_improbable_is_said_with_its_line_and_taken() {
    assert_eq!(Site::parse(SITE, "a.toml").unwrap().doubts, []);
    for (from, to, line, said) in [
        ("seal_volume_l = 1.2", "seal_volume_l = 90.0", 10, "`valve.seal_volume_l` = 90 is improbable"),
        ("diameter_mm = 2.5", "diameter_mm = 30.0", 18, "`valve.release_orifice[0].diameter_mm` = 30 is improbable"),
        ("[sensors]", "[sensors.pressure]\nhigh = 250\n[sensors]", 26, "`sensors.pressure.high` = 250 is improbable"),
    ] {
        let site = Site::parse(&changed(from, to), "a.toml").unwrap();
        let [doubt] = &site.doubts[..] else { panic!("{to}: {:?}", site.doubts) };
        assert_eq!(doubt.line, line, "{to}");
        assert!(doubt.fault.to_string().starts_with(said), "{}", doubt.fault);
    }
}
