//! What comes in goes out or stays; steps do not matter; the same seed gives the same codes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_second_model::{Simulation, Truth};
use common::{median, play, scenario, site};

fn assert_balanced(name: &str, truth: &Truth) {
    let air = &truth.air;
    let came = air.arrived_nl + air.admitted_nl;
    let went = air.released_nl + air.held_at_end_nl - air.held_at_start_nl;
    assert!(came > 10.0, "{name}: hardly any air came, {came} NL");
    assert!((came - went).abs() < 1e-3 * came, "{name}: {came} NL came, {went} NL went or stayed");
    let by = &air.released_by_orifice;
    let parts = by.large_nl + by.small_nl + by.second_nl;
    assert!((parts - air.released_nl).abs() < 1e-6 * parts, "{name}: {parts} of {}", air.released_nl);
    let hours: f64 = air.by_hour.iter().map(|hour| hour.released_nl).sum();
    assert!((hours - air.released_nl).abs() < 1e-6 * hours, "{name}: {hours} of {}", air.released_nl);
}

/// Source: conservation of mass.
#[test]
fn air_that_came_went_or_stayed() {
    let faulty = |kind: &str| format!("duration_h = 8\nsample_hz = 2\n[[fault]]\nkind = \"{kind}\"\nonset = 1\n");
    let main = "duration_h = 8\nsample_hz = 2\n[[event]]\nkind = \"drain-down\"\nat = 1\nrefill_after_h = 0.5\n\
        [[event]]\nkind = \"pump-trip\"\nat = 3\n[[event]]\nkind = \"pocket\"\nat = 4\nvolume_m3 = 0.5\n\
        [[event]]\nkind = \"isolation\"\nat = 6\nduration_h = 0.5\n";
    let mut cases = vec![("a day".to_owned(), "duration_h = 24\n".to_owned()), ("main".to_owned(), main.to_owned())];
    for kind in ["jammed-low", "small-seat-open", "large-seat-open", "small-blocked", "weeping", "sluggish", "cut-off"]
    {
        cases.push((kind.to_owned(), faulty(kind)));
    }
    for (name, body) in &cases {
        let truth = play(body, |_, _| ());
        assert_balanced(name, &truth);
    }
}

/// A night with everything, its steps scaled.
fn stepped(share: f64) -> Truth {
    let body = "sample_hz = 2\nduration_h = 48\n[[event]]\nkind = \"drain-down\"\nat = 20\nrefill_after_h = 0.5\n\
        [[event]]\nkind = \"pocket\"\nat = 30\n[[event]]\nkind = \"pump-trip\"\nat = 40\n";
    let mut simulation = Simulation::new(&scenario(body), &site(), None).unwrap();
    simulation.set_step_share(share);
    while simulation.next().is_some() {}
    simulation.finish()
}

#[test]
fn half_the_step_changes_air_and_cycles_by_less_than_half_a_percent() {
    let (usual, half) = (stepped(1.0), stepped(0.5));
    let near = |what: &str, a: f64, b: f64| {
        println!("{what}: {a:.4} and {b:.4}, {:+.3} %", 100.0 * (b / a - 1.0));
        assert!((b / a - 1.0).abs() < 0.005, "{what}: {a} and {b}");
    };
    let duration = |truth: &Truth| {
        median(truth.cycles.iter().filter_map(|c| c.to.map(|to| (to.0 - c.from.0) as f64 * 1e-6)).collect())
    };
    let released = |truth: &Truth| median(truth.cycles.iter().map(|cycle| cycle.released_nl).collect());
    near("released", usual.air.released_nl, half.air.released_nl);
    near("admitted", usual.air.admitted_nl, half.air.admitted_nl);
    near("small orifice", usual.air.released_by_orifice.small_nl, half.air.released_by_orifice.small_nl);
    near("cycles", usual.cycles.len() as f64, half.cycles.len() as f64);
    near("median duration", duration(&usual), duration(&half));
    near("median released", released(&usual), released(&half));
    near("time releasing", usual.states.releasing_s, half.states.releasing_s);
    let slam = |truth: &Truth| truth.events.slams.first().map_or(0.0, |slam| slam.peak_kpa);
    println!("slam {:.1} and {:.1} kPa", slam(&usual), slam(&half));
    assert!((slam(&half) / slam(&usual) - 1.0).abs() < 0.02);
}

fn checksum(body: &str, seed: Option<u64>) -> u64 {
    let mut simulation = Simulation::new(&scenario(body), &site(), seed).unwrap();
    let mut sum = 0_u64;
    while simulation.next().is_some() {
        for code in simulation.codes().0 {
            sum = sum.wrapping_mul(0x0000_0100_0000_01B3) ^ u64::from(code as u16);
        }
    }
    sum
}

#[test]
fn the_same_seed_gives_the_same_codes_and_another_one_others() {
    let body = "sample_hz = 5\nduration_h = 3\nseed = 4\nchannels = [\"line_pressure_kpa\", \"air_temp_c\"]\n\
        [[event]]\nkind = \"burst\"\nat = 1\nrefill_after_h = 0.3\n[[fault]]\nkind = \"weeping\"\n";
    assert_eq!(checksum(body, None), checksum(body, Some(4)));
    assert_ne!(checksum(body, None), checksum(body, Some(5)));
}

#[test]
fn every_rate_gives_the_same_air() {
    let play_at = |hz: u32| play(&format!("sample_hz = {hz}\nduration_h = 24\n"), |_, _| ()).air;
    let (slow, fast) = (play_at(1), play_at(20));
    // The random streams go with the samples: the same in the mean, not number by number.
    assert!((slow.arrived_nl / fast.arrived_nl - 1.0).abs() < 0.08, "{} {}", slow.arrived_nl, fast.arrived_nl);
    assert!((slow.released_nl / fast.released_nl - 1.0).abs() < 0.08, "{} {}", slow.released_nl, fast.released_nl);
}

#[test]
fn fixed_steps_agree_with_those_that_adapt() {
    let body = |steps: &str| format!("steps = \"{steps}\"\nsample_hz = 5\nduration_h = 2\n");
    let (adaptive, fixed) = (play(&body("adaptive"), |_, _| ()), play(&body("fixed"), |_, _| ()));
    assert_eq!(adaptive.cycles.len(), fixed.cycles.len());
    let (a, b) = (adaptive.air.released_nl, fixed.air.released_nl);
    assert!((a / b - 1.0).abs() < 0.005, "{a} NL adaptive, {b} NL fixed");
}
