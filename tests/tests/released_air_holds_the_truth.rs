//! Promise: release cycles are counted, and the 95 % intervals of released and admitted air hold what really passed.
//!
//! Eight hours at 2 Hz on four valves. The intervals bound 95 %: of twenty nights one may lie outside.

use airvalve_tests::acceptance::{SITES, air_holds_the_truth, cycles_counted, wrong_nights};

fn assert_nineteen_of_twenty(more: &str) {
    let scenario = format!("duration_h = 8\nsample_hz = 2\n{more}");
    let wrong = wrong_nights(&SITES, &scenario, 101..=105, air_holds_the_truth);
    assert!(wrong.len() <= 1, "\n{}", wrong.join("\n"));
}

fn assert_cycles_counted(more: &str) {
    let scenario = format!("duration_h = 8\nsample_hz = 2\n{more}");
    let wrong = wrong_nights(&SITES, &scenario, 101..=105, |night| cycles_counted(night, 5.0));
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

const POCKET: &str = "[[event]]\nkind = \"pocket\"\nat = 3\nvolume_m3 = 0.3";
const DRAIN: &str = "[[event]]\nkind = \"drain-down\"\nat = 3\nrefill_after_h = 1.5";

#[test]
fn cycles_of_an_ordinary_night_are_counted() {
    assert_cycles_counted("");
}

#[test]
fn cycles_before_and_after_a_drain_are_counted() {
    assert_cycles_counted(DRAIN);
}

#[test]
fn cycles_before_and_after_a_pocket_are_counted() {
    assert_cycles_counted(POCKET);
}

#[test]
fn in_an_ordinary_night() {
    assert_nineteen_of_twenty("");
}

#[test]
fn when_samples_are_lost() {
    assert_nineteen_of_twenty("[[gap]]\nfrom = 2\nto = 3.5");
}

#[test]
fn when_a_pocket_passes() {
    assert_nineteen_of_twenty(POCKET);
}

#[test]
fn when_the_main_is_drained_and_filled_again() {
    assert_nineteen_of_twenty(DRAIN);
}

fn assert_with_a_fault(kind: &str) {
    assert_nineteen_of_twenty(&format!("[[fault]]\nkind = \"{kind}\"\nonset = 3"));
}

#[test]
fn while_the_float_is_jammed_up() {
    assert_with_a_fault("jammed-up");
}

#[test]
fn while_the_float_is_jammed_low() {
    assert_with_a_fault("jammed-low");
}

#[test]
fn while_the_small_seat_is_held_open() {
    assert_with_a_fault("small-seat-open");
}

#[test]
fn while_the_small_orifice_is_blocked() {
    assert_with_a_fault("small-blocked");
}
