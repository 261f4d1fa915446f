//! Odd sites and odd scenarios: everything stays finite, and the air's balance closes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use std::path::Path;

use airvalve_second_model::{Scenario, Simulation};
use airvalve_site::Site;

fn site_text(static_kpa: f64, working_kpa: f64, flow_l_s: f64, seal_l: f64, stroke_l: f64, orifices: &str) -> String {
    format!(
        "[site]\nname = \"x\"\naltitude_m = 1500.0\n[line]\nstatic_kpa = {static_kpa}\nworking_kpa = {working_kpa}\n\
         allowable_kpa = 1600.0\nflow_l_s = {flow_l_s}\n[valve]\nseal_volume_l = {seal_l}\nstroke_volume_l = {stroke_l}\n\
         [valve.large_orifice]\ndiameter_mm = 80.0\ndischarge_coefficient = 0.6\nopens_below_pct = 25.0\nreopen_kpa = 5.0\n\
         {orifices}\n[vault]\nvolume_m3 = 3.0\nair_changes_per_h = 1.0\n[sensors]\nsample_hz = 2.0\n"
    )
}

const ONE: &str = "[[valve.release_orifice]]\ndiameter_mm = 1.6\ndischarge_coefficient = 0.7\nopens_below_pct = 70.0\n\
    closes_above_pct = 85.0\n";
const TWO: &str = "[[valve.release_orifice]]\ndiameter_mm = 2.0\ndischarge_coefficient = 0.7\nopens_below_pct = 80.0\n\
    closes_above_pct = 90.0\n[[valve.release_orifice]]\ndiameter_mm = 8.0\ndischarge_coefficient = 0.7\n\
    opens_below_pct = 50.0\ncloses_above_pct = 65.0\n";
const ISO: &str = "[[valve.release_orifice]]\nsonic_conductance_dm3_s_bar = 0.7\ncritical_ratio = 0.3\n\
    opens_below_pct = 75.0\ncloses_above_pct = 90.0\n";

const EVENTS: &str = "[[event]]\nkind = \"burst\"\nat = 0.5\nrefill_after_h = 0.3\n\
    [[event]]\nkind = \"pump-trip\"\nat = 1.2\n[[event]]\nkind = \"pocket\"\nat = 1.6\nspread_s = 1\n\
    [[event]]\nkind = \"storm\"\nat = 2\nduration_h = 0.5\n";

fn play(site: &str, scenario: &str) {
    let what = format!("{site}\n{scenario}");
    let site = Site::parse(site, Path::new("x.toml")).unwrap_or_else(|error| panic!("{error}\n{what}"));
    let text = format!("site = \"x.toml\"\nduration_h = 3\n{scenario}");
    let scenario = Scenario::parse(&text, Path::new("test.toml")).unwrap_or_else(|error| panic!("{error}\n{what}"));
    let mut simulation = Simulation::new(&scenario, &site, None).unwrap();
    while simulation.next().is_some() {
        let now = simulation.glimpse();
        let all = [now.float_pct, now.level_pct, now.chamber_kpa, now.line_kpa, now.odour_ppm, now.gas_c, now.held_nl];
        assert!(all.iter().all(|x| x.is_finite()), "{now:?}\n{what}");
        assert!((0.0..=100.0).contains(&now.float_pct) && now.odour_ppm >= 0.0 && now.held_nl > 0.0, "{now:?}\n{what}");
        // No vacuum beyond the vapour pressure of the column by more than its surge, no pressure beyond reason.
        assert!((-88.0..6000.0).contains(&now.chamber_kpa), "{now:?}\n{what}");
    }
    let steps = simulation.steps_taken();
    let truth = simulation.finish();
    let air = &truth.air;
    let came = air.arrived_nl + air.admitted_nl + air.held_at_start_nl;
    let went = air.released_nl + air.held_at_end_nl;
    assert!((came - went).abs() < 1e-3 * came, "{came} NL came, {went} NL went or stayed\n{what}");
    assert!(steps < 1_500_000, "{steps} steps in three hours\n{what}");
}

#[test]
fn odd_sites_stay_finite_and_balanced() {
    for orifices in [ONE, TWO, ISO] {
        play(&site_text(30.0, 60.0, 3.0, 0.3, 1.0, orifices), EVENTS);
        play(&site_text(900.0, 1000.0, 200.0, 4.0, 20.0, orifices), EVENTS);
        play(&site_text(150.0, 150.5, 28.0, 1.2, 6.0, orifices), EVENTS);
    }
}

#[test]
fn odd_plants_stay_finite_and_balanced() {
    let site = site_text(180.0, 320.0, 28.0, 1.2, 6.0, TWO);
    for keys in [
        "[plant]\nwall_heat_s = 1\nfloat_play_pct = 0\nripple_pct = 5\n",
        "[plant]\nwall_heat_s = 10000\nfloat_play_pct = 10\nripple_pct = 0\npressure_wander_kpa = 20\n",
        "[plant]\nreflection_s = 0.05\nriser_length_m = 20\nriser_diameter_mm = 20\nriser_loss = 200\n",
        "[plant]\nreflection_s = 60\nriser_length_m = 0.1\nriser_diameter_mm = 500\nriser_loss = 0.1\n",
        "[plant]\nmain_diameter_mm = 60\nwave_speed_m_s = 1500\n",
        "[pump]\nsurge_period_s = 0.2\nsurge_decay_s = 20\nstart_surge_kpa = 200\nstop_surge_kpa = 200\n",
        "[pump]\nstart_s = 0.05\nstop_s = 0.05\nwell_volume_m3 = 0.1\n",
        "[air]\nbase_nl_h = 20000\nslugs_per_day = 5000\nslug_nl = 100\n",
        "[air]\nbase_nl_h = 0\npumping_nl_h = 0\nstart_nl = 0\nslugs_per_day = 0\nis_moist = false\n",
        "[true_valve]\nrandom_share = 2\n",
    ] {
        play(&site, &format!("{keys}{EVENTS}"));
    }
}

#[test]
fn every_fault_at_its_worst_stays_finite_and_balanced() {
    let site = site_text(180.0, 320.0, 28.0, 1.2, 6.0, TWO);
    for kind in [
        "jammed-low",
        "jammed-up",
        "large-seat-open",
        "small-seat-open",
        "small-blocked",
        "large-shut",
        "clogging",
        "sluggish",
        "weeping",
        "heavy",
        "cut-off",
    ] {
        for orifice in ["small", "second"] {
            let fault = format!(
                "[[fault]]\nkind = \"{kind}\"\nseverity = 1\nonset = 0.1\nuntil = 2.5\norifice = \"{orifice}\"\n"
            );
            play(&site, &format!("{EVENTS}{fault}"));
        }
    }
    play(&site, &format!("{EVENTS}[[fault]]\nkind = \"cut-off\"\nseverity = 0.97\n"));
    play(&site, &format!("{EVENTS}[[fault]]\nkind = \"jammed-low\"\nposition_pct = 0\n"));
}
