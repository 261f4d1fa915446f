//! What the transmitters make of it, and how they fail.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;

use airvalve_second_model::Simulation;
use airvalve_sensors::{Channel, FrontEnd, LoopBand, LoopCurrent};
use common::{Spread, currents, scenario, simulation, site};

/// Currents of a channel while a failure is on, from `from_h`.
fn failing(kind: &str, channel: Channel, more: &str, seed: u32) -> Vec<(f64, f64)> {
    let body = format!(
        "sample_hz = 5\nduration_h = 6\nseed = {seed}\nchannels = [\"air_temp_c\"]\n\
         [[sensor_fault]]\nkind = \"{kind}\"\nchannel = \"{}\"\nonset = 1\n{more}",
        channel.column()
    );
    currents(&body, channel)
}

fn band(ma: f64) -> LoopBand {
    LoopCurrent::from_milliamperes(ma as f32).band()
}

fn spread(values: &[(f64, f64)], from_h: f64, to_h: f64) -> Spread {
    let mut spread = Spread::default();
    values.iter().filter(|(h, _)| (from_h..to_h).contains(h)).for_each(|(_, ma)| spread.add(*ma));
    spread
}

#[test]
fn failures_with_a_band_of_their_own_stand_in_it() {
    // Source: NAMUR NE 43, 3.6, 3.8, 20.5 and 21 mA.
    for (kind, more, expected) in [
        ("wire-break", "", LoopBand::FailedLow),
        ("short", "", LoopBand::FailedHigh),
        ("saturated", "", LoopBand::SaturatedHigh),
        ("saturated", "is_downward = true", LoopBand::SaturatedLow),
    ] {
        for (h, ma) in failing(kind, Channel::ChamberPressure, more, 1) {
            let wanted = if h < 1.0 { LoopBand::Measuring } else { expected };
            assert_eq!(band(ma), wanted, "{kind}: {ma} mA at {h} h");
        }
    }
    let missing = failing("missing", Channel::Odour, "", 1);
    assert!(missing.iter().all(|(h, ma)| ma.is_nan() == (*h >= 1.0)));
}

#[test]
fn a_flat_line_stands_still_or_flickers_by_its_last_bit() {
    let mut kinds = [false; 2];
    for seed in 1..12 {
        let after: Vec<f64> = failing("flat-line", Channel::FloatPosition, "", seed)
            .iter()
            .filter(|(h, _)| *h > 1.01)
            .map(|v| v.1)
            .collect();
        let bit_ma = 1.0 / f64::from(FrontEnd::default().codes_per_milliampere());
        let range = after.iter().copied().fold(0.0, f64::max) - after.iter().copied().fold(99.0, f64::min);
        assert!(range < 1.5 * bit_ma, "{range}");
        kinds[usize::from(range > 0.0)] = true;
    }
    assert_eq!(kinds, [true; 2], "both ways are found among the seeds");
}

#[test]
fn a_drift_goes_as_far_as_its_rate_says_in_the_mean() {
    let mut gone = Spread::default();
    for seed in 1..25 {
        let all = failing("drift", Channel::AirTemperature, "severity = 4", seed);
        gone.add((spread(&all, 5.9, 6.0).mean() - spread(&all, 0.9, 1.0).mean()) / 0.16);
    }
    // 4 % of span an hour over 4.95 h.
    assert!((gone.mean() / 19.8 - 1.0).abs() < 0.2, "{} % of span", gone.mean());
}

#[test]
fn noise_is_as_strong_as_its_severity_in_the_mean() {
    for seed in 1..6 {
        let all = failing("noise", Channel::AirTemperature, "severity = 3", seed);
        let (before, after) = (spread(&all, 0.0, 1.0).deviation() / 0.16, spread(&all, 1.0, 6.0).deviation() / 0.16);
        assert!(before < 0.5, "{before} % of span before");
        assert!((after / 3.0 - 1.0).abs() < 0.25, "{after} % of span after");
    }
}

#[test]
fn a_dying_odour_cell_fades() {
    let body = |fault: &str| {
        format!("sample_hz = 2\nduration_h = 30\nseed = 2\n[[fault]]\nkind = \"small-seat-open\"\n{fault}")
    };
    let fault = "[[sensor_fault]]\nkind = \"dead-cell\"\nchannel = \"odour_ppm\"\nonset = 5\n";
    let (healthy, dying) = (currents(&body(""), Channel::Odour), currents(&body(fault), Channel::Odour));
    let above = |all: &[(f64, f64)], from_h, to_h| spread(all, from_h, to_h).mean() - 4.0;
    assert!((above(&dying, 3.0, 5.0) - above(&healthy, 3.0, 5.0)).abs() < 1e-9, "the same before");
    let share = |from_h: f64| above(&dying, from_h, from_h + 0.5) / above(&healthy, from_h, from_h + 0.5);
    assert!(share(5.0) > 0.7 && share(29.0) < 0.2, "{} then {}", share(5.0), share(29.0));
}

#[test]
fn the_channels_carry_what_the_plant_does_within_their_errors() {
    let body = "sample_hz = 10\nduration_h = 2\n\
        channels = [\"line_pressure_kpa\", \"air_temp_c\", \"pressure_min_kpa\", \"pressure_max_kpa\"]\n";
    let mut simulation = simulation(body);
    let spans = site().sensors.channels;
    let front_end = FrontEnd::default();
    let mut errors = [Spread::default(); 7];
    while simulation.next().is_some() {
        let now = simulation.glimpse();
        let least = [now.float_pct, now.chamber_kpa, now.odour_ppm, now.line_kpa, now.air_c];
        for (channel, truth) in Channel::ALL.into_iter().zip(least) {
            let span = spans.get(channel).span;
            let current = front_end.current_from_code(simulation.codes().get(channel)).unwrap();
            let error = f64::from(current.as_quantity(span)) - truth;
            errors[channel.index()].add(100.0 * error / f64::from(span.width()));
        }
        let at = |channel| simulation.codes().get(channel);
        // Least and greatest lie around the value, but for their own noise of 0.1 % of span (19 codes), five-fold.
        assert!(at(Channel::PressureMin) <= at(Channel::PressureMax) + 140);
    }
    for (channel, error) in Channel::ALL.into_iter().zip(errors).take(5) {
        assert!(error.mean().abs() < 0.15, "{}: {:?}", channel.column(), error);
        assert!(error.deviation() < 0.9, "{}: {:?} sd {}", channel.column(), error, error.deviation());
    }
}

#[test]
fn zero_errors_are_those_of_the_truth() {
    let body =
        "sample_hz = 10\nduration_h = 1\n[true_valve]\npressure_zero_pct_span = 1.0\nfloat_zero_pct_span = -0.5\n";
    let mut simulation = simulation(body);
    let span = site().sensors.channels.get(Channel::ChamberPressure).span;
    let front_end = FrontEnd::default();
    let mut error = Spread::default();
    while simulation.next().is_some() {
        let current = front_end.current_from_code(simulation.codes().get(Channel::ChamberPressure)).unwrap();
        error.add(f64::from(current.as_quantity(span)) - simulation.glimpse().chamber_kpa);
    }
    let truth = simulation.finish().true_valve;
    assert!((truth.pressure_zero_kpa - 0.01 * f64::from(span.width())).abs() < 1e-6);
    assert!((error.mean() - truth.pressure_zero_kpa).abs() < 0.5, "{} for {}", error.mean(), truth.pressure_zero_kpa);
    assert!((truth.float_zero_pct + 0.5).abs() < 1e-6);
}

#[test]
fn noise_has_a_colour_and_the_strength_asked_for() {
    // The temperature hardly moves: what is left is noise.
    let body = "sample_hz = 10\nduration_h = 2\nchannels = [\"air_temp_c\"]\n[vault]\ntemperature_swing_c = 0\n\
        [sensors]\nnoise_pct_span = 0.5\n";
    let values: Vec<f64> = currents(body, Channel::AirTemperature).iter().map(|(_, ma)| ma / 0.16).collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let product = |lag: usize| {
        let pairs = values.iter().zip(&values[lag..]);
        pairs.map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / (values.len() - lag) as f64
    };
    assert!((product(0).sqrt() / 0.5 - 1.0).abs() < 0.05, "{}", product(0).sqrt());
    let after_a_second = product(10) / product(0);
    assert!((0.15..0.4).contains(&after_a_second), "{after_a_second}");
}

#[test]
fn losses_gaps_bursts_bus_faults_and_clock_steps_reach_the_samples() {
    let body = "sample_hz = 1\nduration_h = 4\nchannels = [\"air_temp_c\"]\n[sampling]\nloss_pct = 5\n\
        [[gap]]\nfrom = 1\nto = 1.5\n[[clock_step]]\nat = 2\nby_s = 30\n\
        [[bus_fault]]\nkind = \"nack\"\nonset = 3\nconverter = \"second\"\n";
    let mut simulation = Simulation::new(&scenario(body), &site(), None).unwrap();
    let (mut lost, mut in_gap, mut missing) = (0, 0, 0);
    let mut times = Vec::new();
    while let Some(tick) = simulation.next() {
        let h = times.len() as f64 / 3600.0;
        let is_in_gap = (1.0..1.5).contains(&h);
        in_gap += i32::from(tick.lost && is_in_gap);
        lost += i32::from(tick.lost && !is_in_gap);
        missing += i32::from(simulation.codes().get(Channel::AirTemperature) == airvalve_sensors::MISSING_CODE);
        assert_ne!(simulation.codes().get(Channel::FloatPosition), airvalve_sensors::MISSING_CODE);
        times.push(tick.time_us);
    }
    assert_eq!((in_gap, missing), (1800, 3600));
    assert!((500..760).contains(&lost), "{lost} of 12,600");
    assert_eq!(times[7200] - times[7199], 31_000_000);
    let pause = "sample_hz = 1\nduration_h = 1\n[sampling]\nburst_s = 20\nevery_s = 60\n";
    let mut simulation = Simulation::new(&scenario(pause), &site(), None).unwrap();
    let mut heard = 0;
    while let Some(tick) = simulation.next() {
        heard += i32::from(!tick.lost);
    }
    assert_eq!(heard, 1200);
}
