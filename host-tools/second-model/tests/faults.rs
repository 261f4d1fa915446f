//! Each fault shows the signature that the domain describes, and a healthy valve none of them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_second_model::{Glimpse, Truth};
use common::{Spread, median, play};

const HOUR_US: i64 = 3_600_000_000;

/// What one part of a run looked like.
#[derive(Default)]
struct Seen {
    float: Spread,
    chamber: Spread,
    /// Line over chamber, kPa.
    over: Spread,
    odour: Spread,
    offset: Spread,
    odours: Vec<f64>,
    /// Float at rest: the upper tenth of its positions.
    rests: Vec<f64>,
    leaks: Vec<f64>,
}

impl Seen {
    fn add(&mut self, now: &Glimpse) {
        self.float.add(now.float_pct);
        self.chamber.add(now.chamber_kpa);
        self.over.add(now.line_kpa - now.chamber_kpa);
        self.odour.add(now.odour_ppm);
        self.offset.add(now.liquid_offset_pct);
        self.odours.push(now.odour_ppm);
        if !now.is_releasing {
            self.rests.push(now.float_pct);
        }
        self.leaks.push(now.small_leak_share);
    }
}

struct Run {
    before: Seen,
    after: Seen,
    truth: Truth,
    /// From when on the second part counts, h.
    from_h: f64,
}

impl Run {
    fn durations_s(&self, from_h: f64, to_h: f64) -> Vec<f64> {
        let at = |h: f64| self.truth.from.0 + (h * HOUR_US as f64) as i64;
        let cycles = self.truth.cycles.iter().filter(|c| c.from.0 >= at(from_h) && c.from.0 < at(to_h));
        cycles.filter_map(|c| c.to.map(|to| (to.0 - c.from.0) as f64 * 1e-6)).collect()
    }

    /// Cycles an hour before the onset and after.
    fn rates(&self) -> (f64, f64) {
        let before = self.durations_s(0.0, ONSET_H).len() as f64 / ONSET_H;
        (before, self.durations_s(self.from_h, END_H).len() as f64 / (END_H - self.from_h))
    }

    fn takes_hold(&self, fault: &str) {
        assert!(self.truth.faults.iter().any(|truth| truth.fault == fault), "{fault}: {:?}", self.truth.faults);
    }
}

const ONSET_H: f64 = 10.0;
const END_H: f64 = 34.0;

/// A day and ten hours with a fault from the tenth hour; the second part counts from two hours after it.
fn run(kind: &str, more: &str) -> Run {
    let body = format!(
        "sample_hz = 2\nduration_h = {END_H}\nseed = 11\nchannels = [\"line_pressure_kpa\"]\n\
         [[fault]]\nkind = \"{kind}\"\nonset = {ONSET_H}\n{more}\n"
    );
    let from_h = ONSET_H + 2.0;
    let (mut before, mut after) = (Seen::default(), Seen::default());
    let truth = play(&body, |h, now| {
        if (0.5..ONSET_H).contains(&h) {
            before.add(now);
        } else if h >= from_h {
            after.add(now);
        }
    });
    Run { before, after, truth, from_h }
}

/// Vacuum of a drain, while the fault is there: deepest in kPa, longest in s, air admitted in NL.
fn drained(kind: &str) -> (f64, f64, f64) {
    let fault = if kind.is_empty() { String::new() } else { format!("[[fault]]\nkind = \"{kind}\"\nonset = 0\n") };
    let body =
        format!("sample_hz = 2\nduration_h = 4\n[[event]]\nkind = \"drain-down\"\nat = 2\nrefill_after_h = 1\n{fault}");
    let truth = play(&body, |_, _| ());
    let vacuums = &truth.events.vacuums;
    let deepest = vacuums.iter().map(|vacuum| vacuum.least_kpa).fold(0.0, f64::min);
    let length = |to: i64, from: i64| (to - from) as f64 * 1e-6;
    let longest = vacuums.iter().map(|v| length(v.to.unwrap_or(truth.to).0, v.from.0)).fold(0.0, f64::max);
    (deepest, longest, truth.air.admitted_nl)
}

#[test]
fn a_healthy_valve_releases_rests_and_stays_dry() {
    let run = run("heavy", "severity = 0");
    assert!(run.truth.faults.is_empty() && run.truth.spilled_m3 == 0.0);
    assert!(run.truth.cycles.len() > 150, "{}", run.truth.cycles.len());
    // Opening and closing positions of the site file.
    assert!(run.truth.cycles.iter().all(|c| (c.start_pct - 80.0).abs() < 0.5), "{:?}", run.truth.cycles.first());
    assert!(run.truth.cycles.iter().all(|c| (91.9..94.0).contains(&c.end_pct)));
    // Static 180 kPa and working 320 kPa of the site file; the line carries the liquid in the riser besides.
    assert!((150.0..240.0).contains(&run.after.chamber.mean()), "{:?}", run.after.chamber);
    assert!((run.after.over.mean() - 7.7).abs() < 0.3, "{}", run.after.over.mean());
    let release_nl = median(run.truth.cycles.iter().map(|c| c.released_nl).collect());
    // 12 % of a stroke of 6 L between the two positions, at 280 to 420 kPa absolute: 2.0 to 3.0 NL.
    assert!((1.7..3.3).contains(&release_nl), "{release_nl}");
}

#[test]
fn a_float_jammed_low_stands_while_the_valve_spills_and_smells() {
    let run = run("jammed-low", "");
    run.takes_hold("jammed-low");
    assert!(run.after.float.greatest - run.after.float.least < 1e-9, "{:?}", run.after.float);
    assert!(run.after.float.mean() < 84.0, "{}", run.after.float.mean());
    assert_eq!(run.rates().1, 0.0);
    assert!(run.after.odour.least > 2.0 * run.before.odour.mean(), "{:?} {:?}", run.after.odour, run.before.odour);
    assert!(run.truth.spilled_m3 > 1.0, "{}", run.truth.spilled_m3);
}

#[test]
fn a_float_jammed_up_stands_even_in_vacuum_and_nothing_comes_in() {
    let run = run("jammed-up", "");
    run.takes_hold("jammed-up");
    assert!(run.after.float.greatest - run.after.float.least < 1e-9);
    assert!(run.after.float.mean() > 92.0);
    assert_eq!(run.rates().1, 0.0);
    assert!(run.after.odour.mean() < 0.1, "{:?}", run.after.odour);
    let ((deep_kpa, long_s, admitted_nl), healthy) = (drained("jammed-up"), drained(""));
    assert!(deep_kpa < -40.0 && long_s > 1800.0 && admitted_nl < 1.0, "{deep_kpa} kPa {long_s} s {admitted_nl} NL");
    assert!(healthy.0 > -30.0 && healthy.1 < 30.0 && healthy.2 > 1000.0, "{healthy:?}");
}

#[test]
fn a_large_seat_held_open_takes_the_cushion_and_the_pressure() {
    let run = run("large-seat-open", "");
    assert!(run.after.float.least > 99.0, "{:?}", run.after.float);
    // Losses in the riser at litres a second, over the head of the liquid.
    assert!(run.after.over.mean() > run.before.over.mean() + 3.0, "{:?}", run.after.over);
    let spilled_l_s = 1e3 * run.truth.spilled_m3 / ((END_H - ONSET_H) * 3600.0);
    assert!((1.0..6.0).contains(&spilled_l_s), "{spilled_l_s}");
    assert_eq!(run.rates().1, 0.0);
    assert!(run.after.odour.least > 20.0, "{:?}", run.after.odour);
}

#[test]
fn a_small_seat_held_open_loses_the_cushion_and_spills_cubic_metres_a_day() {
    let run = run("small-seat-open", "");
    run.takes_hold("small-seat-open");
    assert!(run.after.float.least > 99.0, "{:?}", run.after.float);
    assert!((run.after.over.mean() - run.before.over.mean()).abs() < 1.0, "at line pressure");
    let spilled_m3_d = run.truth.spilled_m3 / (END_H - ONSET_H) * 24.0;
    assert!((2.0..12.0).contains(&spilled_m3_d), "{spilled_m3_d}");
    assert_eq!(run.rates().1, 0.0);
    // Steady, not pulsed.
    let ratio = |seen: &Seen| seen.odour.deviation() / seen.odour.mean();
    assert!(ratio(&run.after) < 0.4 * ratio(&run.before), "{} {}", ratio(&run.after), ratio(&run.before));
}

#[test]
fn a_blocked_small_orifice_lets_the_float_fall_under_pressure() {
    let run = run("small-blocked", "");
    let at_end = play("sample_hz = 2\nduration_h = 8\n[[fault]]\nkind = \"small-blocked\"\n", |h, now| {
        if h > 7.0 {
            assert!(now.float_pct < 1.0 && now.chamber_kpa > 100.0, "{now:?}");
        }
    });
    assert_eq!(at_end.cycles.iter().map(|c| c.released_nl).sum::<f64>(), 0.0);
    assert!(run.after.odour.mean() < 0.1 * run.before.odour.mean());
}

#[test]
fn a_large_orifice_that_does_not_open_leaves_a_deep_long_vacuum() {
    let ((deep_kpa, long_s, admitted_nl), healthy) = (drained("large-shut"), drained(""));
    assert!(deep_kpa < healthy.0 - 15.0 && long_s > 20.0 * healthy.1, "{deep_kpa} {long_s} {healthy:?}");
    // The small orifice lets some in.
    assert!(admitted_nl > 10.0);
}

#[test]
fn a_clogging_orifice_lengthens_the_releases() {
    let run = run("clogging", "growth_h = 16");
    let (before, after) = (median(run.durations_s(0.0, ONSET_H)), median(run.durations_s(28.0, END_H)));
    assert!(after > 1.3 * before, "{before} s, then {after} s");
    let fault = run.truth.faults.first().unwrap();
    let worst = fault.severity.iter().map(|point| point.severity).fold(0.0, f64::max);
    assert!((0.35..=0.5).contains(&worst), "{worst}");
    // Pieces break off now and then.
    assert!(fault.severity.windows(2).any(|pair| pair[1].severity < pair[0].severity - 0.03), "{:?}", fault.severity);
}

#[test]
fn a_sluggish_float_lags_the_liquid_both_ways_and_moves_in_steps() {
    let run = run("sluggish", "");
    assert!(run.after.offset.deviation() > 5.0 * run.before.offset.deviation(), "{:?}", run.after.offset);
    assert!(run.after.offset.least < -4.0 && run.after.offset.greatest > 4.0, "{:?}", run.after.offset);
    let (before, after) = run.rates();
    assert!(after > 0.0 && after < before, "{before} and {after} cycles an hour");
}

#[test]
fn a_weeping_seat_loses_the_cushion_slowly_and_never_the_same() {
    let run = run("weeping", "");
    let (before, after) = run.rates();
    assert!(after < 0.9 * before, "{before} and {after} cycles an hour");
    let (rests, rested) = (median(run.after.rests.clone()), median(run.before.rests.clone()));
    assert!(rests > rested, "it rests at {rests} %, before at {rested} %");
    // The base level of the odour, between the pulses.
    assert!(median(run.after.odours.clone()) > median(run.before.odours.clone()));
    let mut leaks = run.after.leaks.clone();
    leaks.dedup();
    assert!(leaks.len() > 20, "{} ways to lie", leaks.len());
}

#[test]
fn a_heavy_float_lies_deeper_tops_out_lower_and_opens_where_it_did() {
    let run = run("heavy", "severity = 0.1");
    let offset = run.after.offset.mean() - run.before.offset.mean();
    assert!((offset - 10.0).abs() < 0.5, "{offset}");
    let late = run.truth.cycles.iter().filter(|c| c.from.0 > run.truth.from.0 + 12 * HOUR_US);
    assert!(late.clone().count() > 50 && late.clone().all(|c| (c.start_pct - 80.0).abs() < 0.5));
    // A pressure step moves it less: the cushion is smaller.
    assert!(run.after.float.deviation() < run.before.float.deviation());
}

#[test]
fn a_valve_cut_off_ignores_the_pump_while_the_line_moves() {
    let run = run("cut-off", "");
    assert!(run.after.float.deviation() < 0.2, "{:?}", run.after.float);
    assert!(run.after.chamber.greatest - run.after.chamber.least < 20.0, "{:?}", run.after.chamber);
    assert!(run.after.over.greatest - run.after.over.least > 100.0, "{:?}", run.after.over);
    assert_eq!(run.rates().1, 0.0);
    assert!(run.after.odour.mean() < 0.1 * run.before.odour.mean());
}

#[test]
fn a_fault_that_ends_is_mended() {
    let body = "sample_hz = 2\nduration_h = 20\n[[fault]]\nkind = \"jammed-up\"\nonset = 2\nuntil = 4\n";
    let truth = play(body, |_, _| ());
    let late = truth.cycles.iter().filter(|c| c.from.0 > truth.from.0 + 5 * HOUR_US).count();
    assert!(late > 50, "{late}");
    assert!(truth.faults.first().unwrap().until.is_some());
}

#[test]
fn a_jam_that_never_finds_the_float_in_its_window_is_no_fault() {
    let body = "sample_hz = 2\nduration_h = 1\n[air]\nbase_nl_h = 0\npumping_nl_h = 0\nstart_nl = 0\nslugs_per_day = 0\n\
        [[fault]]\nkind = \"jammed-low\"\n";
    assert!(play(body, |_, _| ()).faults.is_empty());
}
