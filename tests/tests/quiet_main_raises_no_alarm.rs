//! Promise: a valve that works raises no alarm, whatever the main goes through.
//!
//! Eight hours each on four valves whose true dimensions deviate from their site files; everything that is easily taken
//! for a fault: hardly a pump start, pumps on for hours, a main that is drained or bursts, pockets up to the biggest that
//! the site expects.

use airvalve_tests::acceptance::{SITES, no_alarm, wrong_nights};

fn assert_no_alarm(events: &str) {
    let scenario = format!("duration_h = 8\nsample_hz = 2\n{events}");
    let wrong = wrong_nights(&SITES, &scenario, 101..=105, no_alarm);
    assert!(wrong.is_empty(), "{events}\n{}", wrong.join("\n"));
}

#[test]
fn in_an_ordinary_night() {
    assert_no_alarm("");
}

#[test]
fn in_an_ordinary_day_at_ten_samples_a_second() {
    let wrong = wrong_nights(&SITES, "duration_h = 24\nsample_hz = 10", [106], no_alarm);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn in_a_quiet_night() {
    assert_no_alarm("[[event]]\nkind = \"quiet\"\nat = 0.5\nduration_h = 7");
}

#[test]
fn in_a_storm() {
    assert_no_alarm("[[event]]\nkind = \"storm\"\nat = 1\nduration_h = 6");
}

#[test]
fn when_the_main_is_drained_and_filled_again() {
    assert_no_alarm("[[event]]\nkind = \"drain-down\"\nat = 3\nrefill_after_h = 1.5");
}

#[test]
fn when_the_main_bursts() {
    assert_no_alarm("[[event]]\nkind = \"burst\"\nat = 3\nrefill_after_h = 3");
}

#[test]
fn when_a_pump_trips() {
    assert_no_alarm("[[event]]\nkind = \"pump-trip\"\nat = 3");
}

#[test]
fn when_a_pocket_passes_as_big_as_the_site_expects() {
    // 0.5 m3 at line pressure: the default of `line.largest_pocket_m3`.
    assert_no_alarm("[[event]]\nkind = \"pocket\"\nat = 3\nvolume_m3 = 0.5");
}

#[test]
fn when_a_smaller_pocket_passes() {
    for volume_m3 in [0.02, 0.1, 0.3] {
        assert_no_alarm(&format!("[[event]]\nkind = \"pocket\"\nat = 3\nvolume_m3 = {volume_m3}"));
    }
}

#[test]
fn when_samples_are_lost_and_the_clock_is_set() {
    assert_no_alarm("[sampling]\nloss_pct = 5\n[[gap]]\nfrom = 2\nto = 3.5\n[[clock_step]]\nat = 5\nby_s = -900");
}
