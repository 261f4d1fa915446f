//! What the device gets: codes, bus, losses; and that all of it repeats.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod common;
use airvalve_sensors::{
    CHANNELS, Channel, Channels, Contact, FrontEnd, LoopBand, LoopCurrent, MISSING_CODE, bus::Converter,
};
use airvalve_simulator::{Simulation, Truth};
use common::{scenario, simulation, site};

const ALL_CHANNELS: &str =
    "channels = [\"line_pressure_kpa\", \"air_temp_c\", \"pressure_min_kpa\", \"pressure_max_kpa\"]";

/// FNV-1a over codes and times.
fn fingerprint(mut simulation: Simulation) -> (u64, Truth) {
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    let mut add = |bytes: &[u8]| {
        for byte in bytes {
            hash = (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    };
    while let Some(tick) = simulation.next() {
        add(&tick.time_us.to_le_bytes());
        add(&[tick.contacts.0, u8::from(tick.lost)]);
        for code in simulation.codes().0 {
            add(&code.to_le_bytes());
        }
    }
    (hash, simulation.finish())
}

const MIXED: &str = "duration_h = 2\n[true_valve]\nrandom_share = 1\n[sampling]\nloss_pct = 1
    [[event]]\nkind = \"drain-down\"\nat = 0.5\nrefill_after_h = 0.3\n[[fault]]\nkind = \"sluggish\"\nonset = 1";

#[test]
fn the_same_seed_gives_the_same_codes_and_the_same_truth() {
    let (first, second) = (fingerprint(simulation(MIXED)), fingerprint(simulation(MIXED)));
    assert_eq!(first.0, second.0);
    assert_eq!(first.1, second.1);
    let other = Simulation::new(&scenario(MIXED), &site(), Some(2)).unwrap();
    assert_ne!(fingerprint(other).0, first.0);
}

#[test]
fn codes_are_the_same_bytes_on_every_machine() {
    // Changes with every change of the physics, and with nothing else: put the new number here when you mean it.
    assert_eq!(fingerprint(simulation(MIXED)).0, 8_150_992_702_396_104_819);
}

#[test]
fn the_bus_and_its_driver_give_the_codes_of_the_plant() {
    // One channel that does not answer, with others before and after it on its converter.
    let mut simulation = simulation(&format!(
        "{ALL_CHANNELS}\nduration_h = 1\n{}\n[[sensor_fault]]\nkind = \"missing\"\nchannel = \"odour_ppm\"\nonset = 0.8",
        MIXED["duration_h = 2".len()..].replace("onset = 1", "onset = 0.9")
    ));
    let fitted = simulation.fitted();
    let mut first = Converter::first(simulation.bus(), |channel| fitted[channel.index()]);
    let mut second = Converter::second(simulation.bus(), |channel| fitted[channel.index()]);
    let mut delay = simulation.delay();
    let mut codes = Channels([MISSING_CODE; 7]);
    let mut samples = 0;
    while simulation.next().is_some() {
        first.read(&mut codes, &mut delay);
        second.read(&mut codes, &mut delay);
        assert_eq!(codes, simulation.codes(), "sample {samples}");
        samples += 1;
    }
    assert_eq!(samples, 36_000);
    assert_eq!(codes.get(Channel::Odour), MISSING_CODE);
}

#[test]
fn adaptive_steps_agree_with_steps_of_a_millisecond() {
    let run = |steps: &str| {
        common::play(
            &format!(
                "duration_h = 6\nsample_hz = 2\nsteps = \"{steps}\"
                [[event]]\nkind = \"pocket\"\nat = 1\nvolume_m3 = 0.1
                [[event]]\nkind = \"drain-down\"\nat = 2.5\nrefill_after_h = 0.4
                [[event]]\nkind = \"pump-trip\"\nat = 4
                [[fault]]\nkind = \"clogging\"\nonset = 0\ngrowth_h = 6"
            ),
            |_, _| {},
        )
    };
    let (adaptive, fixed) = (run("adaptive"), run("fixed"));
    let within = |what: &str, adaptive: f64, fixed: f64, share: f64| {
        assert!((adaptive - fixed).abs() <= share * fixed.abs(), "{what}: {adaptive} {fixed}");
    };
    within("released", adaptive.air.released_nl, fixed.air.released_nl, 0.005);
    within("admitted", adaptive.air.admitted_nl, fixed.air.admitted_nl, 0.005);
    let small = |truth: &Truth| truth.air.released_by_orifice.small_nl;
    within("released by the small orifice", small(&adaptive), small(&fixed), 0.005);
    assert_eq!(adaptive.cycles.len(), fixed.cycles.len());
    let open_s = |truth: &Truth| -> f64 {
        truth.cycles.iter().filter_map(|cycle| Some(1e-6 * (cycle.to?.0 - cycle.from.0) as f64)).sum()
    };
    within("open time", open_s(&adaptive), open_s(&fixed), 0.005);
    let mean_gap = |truth: &Truth| {
        let times: Vec<f64> = truth.cycles.iter().map(|cycle| 1e-6 * cycle.from.0 as f64).collect();
        (times[times.len() - 1] - times[0]) / (times.len() - 1) as f64
    };
    within("time between cycles", mean_gap(&adaptive), mean_gap(&fixed), 0.005);
    within("slam", adaptive.events.slams[0].peak_kpa, fixed.events.slams[0].peak_kpa, 0.005);
}

/// Codes of one channel from 0.5 h on, with a fault there from then on.
fn faulty(kind: &str, channel: &str, more: &str) -> Vec<i16> {
    let text = format!(
        "{ALL_CHANNELS}\nduration_h = 1\nsample_hz = 1\n[[sensor_fault]]\nonset = 0.5\nkind = \"{kind}\"\nchannel = \"{channel}\"\n{more}"
    );
    let mut simulation = simulation(&text);
    let mut codes = Vec::new();
    while simulation.next().is_some() {
        let position = Channel::ALL.iter().position(|known| known.column() == channel).unwrap();
        codes.push(simulation.codes().0[position]);
    }
    codes.split_off(1_800)
}

fn bands(codes: &[i16]) -> Vec<LoopBand> {
    let mut bands: Vec<LoopBand> =
        codes.iter().filter_map(|code| FrontEnd::default().current_from_code(*code).map(LoopCurrent::band)).collect();
    bands.dedup();
    bands
}

#[test]
fn sensor_faults_look_as_ne_43_and_their_names_say() {
    // Source: NAMUR NE 43.
    assert_eq!(bands(&faulty("wire-break", "float_pct", "")), [LoopBand::FailedLow]);
    assert_eq!(bands(&faulty("short", "pressure_kpa", "")), [LoopBand::FailedHigh]);
    assert_eq!(bands(&faulty("saturated", "pressure_kpa", "")), [LoopBand::SaturatedHigh]);
    assert_eq!(bands(&faulty("saturated", "odour_ppm", "is_downward = true")), [LoopBand::SaturatedLow]);
    assert!(faulty("missing", "line_pressure_kpa", "").iter().all(|code| *code == MISSING_CODE));
    let flat = faulty("flat-line", "float_pct", "");
    assert!(flat.iter().all(|code| *code == flat[0]));
    let dead = faulty("dead-cell", "odour_ppm", "");
    assert!(dead.iter().all(|code| (code - 4_800).abs() < 120), "at its zero, 4 mA, with its noise");
    let spread = |codes: &[i16]| codes.iter().max().unwrap() - codes.iter().min().unwrap();
    let noise = faulty("noise", "air_temp_c", "severity = 3");
    assert!(spread(&noise) > 2_000, "3 % of 19,200 codes, six deviations: {}", spread(&noise));
    let drift = faulty("drift", "air_temp_c", "severity = 10");
    let moved = f64::from(drift[drift.len() - 1] - drift[0]) / 192.0;
    assert!((4.0..6.0).contains(&moved), "half an hour of 10 % an hour: {moved}");
}

#[test]
fn a_failed_chamber_transmitter_takes_its_held_extremes_with_it() {
    let text = format!(
        "{ALL_CHANNELS}\nduration_h = 0.1\n[[sensor_fault]]\nkind = \"wire-break\"\nchannel = \"pressure_kpa\""
    );
    let mut simulation = simulation(&text);
    simulation.next();
    let codes = simulation.codes();
    assert!(codes.get(Channel::PressureMax) < 100 && codes.get(Channel::PressureMin) < 100);
    assert!(codes.get(Channel::LinePressure) > 5_000);
}

#[test]
fn a_converter_with_a_single_loop_reads_it() {
    let mut simulation = simulation("channels = [\"air_temp_c\"]\nduration_h = 0.01");
    let fitted = simulation.fitted();
    let mut converter = Converter::second(simulation.bus(), |channel| fitted[channel.index()]);
    let mut delay = simulation.delay();
    simulation.next();
    let mut codes = Channels([MISSING_CODE; CHANNELS]);
    converter.read(&mut codes, &mut delay);
    assert_eq!(codes.get(Channel::AirTemperature), simulation.codes().get(Channel::AirTemperature));
    assert_eq!(converter.failed_reads, 0);
}

#[test]
fn held_extremes_catch_what_falls_between_two_samples() {
    let text = format!(
        "{ALL_CHANNELS}\nsample_hz = 1\nduration_h = 0.6\n[plant]\ninitial = \"empty\"\n[sensors]\nnoise_pct_span = 0
        [[event]]\nkind = \"refill\"\nat = 0.1\nflow_l_s = 20"
    );
    let mut simulation = simulation(&text);
    let (mut sampled, mut held) = (0, 0);
    while simulation.next().is_some() {
        sampled = sampled.max(simulation.codes().get(Channel::ChamberPressure));
        held = held.max(simulation.codes().get(Channel::PressureMax));
        assert!(simulation.codes().get(Channel::PressureMin) <= simulation.codes().get(Channel::ChamberPressure));
    }
    assert!(held > sampled, "{held} {sampled}");
}

#[test]
fn gaps_losses_bursts_and_clock_steps_are_as_the_scenario_says() {
    let mut simulation = simulation(
        "sample_hz = 1\nduration_h = 1\n[sampling]\nloss_pct = 10
        [[gap]]\nfrom = 0.1\nto = 0.2\n[[clock_step]]\nat = 0.5\nby_s = -30",
    );
    let mut ticks = Vec::new();
    while let Some(tick) = simulation.next() {
        ticks.push(tick);
    }
    assert_eq!(ticks.len(), 3_600);
    assert!(ticks[360..720].iter().all(|tick| tick.lost));
    let lost = ticks[720..].iter().filter(|tick| tick.lost).count();
    assert!((220..360).contains(&lost), "{lost}");
    assert_eq!(ticks[1_800].time_us - ticks[1_799].time_us, -29_000_000);
    let mut bursts = common::simulation("sample_hz = 1\nduration_h = 1\n[sampling]\nburst_s = 20\nevery_s = 300");
    let mut n = 0;
    while bursts.next().is_some() {
        n += 1;
    }
    assert_eq!(n, 12 * 20);
}

#[test]
fn contacts_say_what_is_wired() {
    let mut simulation = simulation(
        "contacts = [\"pump_on\", \"vault_water\"]\nduration_h = 1\n[[fault]]\nkind = \"large-seat-open\"\nonset = 0.1",
    );
    let mut ticks = Vec::new();
    while let Some(tick) = simulation.next() {
        ticks.push(tick.contacts);
    }
    assert!(ticks.iter().any(|contacts| contacts.get(Contact::PumpRunning) == Some(true)));
    assert_eq!(ticks[0].get(Contact::CoverOpen), None);
    assert_eq!(ticks[0].get(Contact::VaultWater), Some(false));
    assert_eq!(ticks[ticks.len() - 1].get(Contact::VaultWater), Some(true));
}

#[test]
fn a_bus_that_fails_costs_samples_and_comes_back() {
    for kind in ["nack", "stuck", "late"] {
        let mut simulation = simulation(&format!(
            "sample_hz = 1\nduration_h = 0.1\n[[bus_fault]]\nkind = \"{kind}\"\nonset = 0.03\nuntil = 0.05"
        ));
        let mut converter = Converter::first(simulation.bus(), |channel| channel.index() < 3);
        let mut delay = simulation.delay();
        let mut codes = Channels([0; 7]);
        let mut missing = Vec::new();
        while simulation.next().is_some() {
            converter.read(&mut codes, &mut delay);
            missing.push(codes.get(Channel::ChamberPressure) == MISSING_CODE);
        }
        assert!(missing[110..178].iter().all(|missing| *missing), "{kind}");
        assert!(missing[182..].iter().all(|missing| !missing), "{kind}");
        assert!(missing[2..107].iter().all(|missing| !missing), "{kind}");
    }
}
