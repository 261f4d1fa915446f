//! Promise: a valve that stands open is reported as `stuck-open`, with what holds it.
//!
//! Four hours at 2 Hz on four valves; the fault begins after two.

use airvalve_tests::{
    acceptance::{Expectation, SITES, kind_reported, only, reported, wrong_nights},
    night::Night,
};

fn assert_every_night(fault: &str, expect: impl Fn(&Night) -> Expectation) {
    let scenario = format!("duration_h = 4\nsample_hz = 2\n[[fault]]\nonset = 2\n{fault}");
    let wrong = wrong_nights(&SITES, &scenario, 101..=105, expect);
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// The float is dragged far down, so that its opening position leaves no doubt.
const FAR_DOWN: &str = "kind = \"jammed-low\"\nposition_pct = 40";
/// The float is caught where the next release ends: hardly below the position at which the orifice opens.
const CAUGHT: &str = "kind = \"jammed-low\"";

#[test]
fn a_float_jammed_far_down_is_reported_within_twenty_minutes() {
    // Twenty minutes: what the demo recordings promise.
    assert_every_night(FAR_DOWN, |night| reported(night, "stuck-open", 20.0));
}

#[test]
fn a_float_jammed_far_down_is_taken_for_nothing_else() {
    assert_every_night(FAR_DOWN, |night| only(night, "stuck-open"));
}

#[test]
fn a_float_jammed_at_the_bottom_is_reported_once_the_largest_pocket_would_have_been_vented() {
    // 0.5 m3 at line pressure through 2 mm: up to half an hour; half of it again is the detector's margin.
    assert_every_night("kind = \"jammed-low\"\nposition_pct = 0", |night| reported(night, "stuck-open", 60.0));
}

#[test]
fn a_float_caught_at_the_end_of_a_release_is_reported_within_the_hour() {
    assert_every_night(CAUGHT, |night| reported(night, "stuck-open", 60.0));
}

#[test]
fn a_float_caught_at_the_end_of_a_release_is_taken_for_nothing_else() {
    assert_every_night(CAUGHT, |night| only(night, "stuck-open"));
}

#[test]
fn a_small_seat_held_open_is_reported_within_the_hour() {
    assert_every_night("kind = \"small-seat-open\"", |night| reported(night, "stuck-open", 60.0));
}

/// A tenth of the large orifice.
const LARGE_SEAT: &str = "kind = \"large-seat-open\"\nseverity = 0.1";

#[test]
fn a_large_seat_held_open_is_reported_as_stuck_open_within_the_hour() {
    assert_every_night(LARGE_SEAT, |night| kind_reported(night, "stuck-open", 60.0));
    assert_every_night(LARGE_SEAT, |night| only(night, "stuck-open"));
}

#[test]
#[ignore = "without line pressure a tenth of the large orifice is called `small-seat-open` on two valves of four"]
fn a_large_seat_held_open_is_named() {
    assert_every_night(LARGE_SEAT, |night| reported(night, "stuck-open", 60.0));
}

#[test]
fn a_large_seat_held_wide_open_is_named() {
    assert_every_night("kind = \"large-seat-open\"\nseverity = 0.3", |night| reported(night, "stuck-open", 60.0));
}
