//! Findings in small files: sample rates, noise, bursts.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fmt::Write as _, fs, path::Path};

use airvalve_analysis::{Finding, ReplayOptions, Time, replay};
use airvalve_recording::import;
use airvalve_sensors::Channel;
use airvalve_site::Site;

/// 2031-03-01T18:00:00Z.
const START_S: i64 = 1_930_154_400;

/// A site that samples for 50 s every five minutes, its odour cell good for 1000 ppm.
fn burst_site() -> Site {
    let text = airvalve_site::template() + "\n[sampling]\nmode = \"burst\"\nburst_s = 50\nevery_s = 300\n";
    let mut site =
        Site::parse(&text.replace("sample_hz = 10.0", "sample_hz = 1.0"), Path::new("valve-a.toml")).unwrap();
    site.sensors.channels.slot(Channel::Odour).span.high = 1000.0;
    site
}

#[test]
fn what_holds_in_every_burst_is_found_and_what_bursts_cannot_tell_is_said() {
    let folder = tempfile::tempdir().unwrap();
    // Two hours with 500 ppm at the vent throughout; ten minutes with the float low; a hole within one burst.
    let is_sampled = |second: &i64| second % 300 < 50 && !(1510..1530).contains(second);
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    for second in (0..7200).filter(is_sampled) {
        let noise = 0.1 * f64::from((second % 7) as i32);
        let float_pct = if (3000..3700).contains(&second) { 40.0 } else { 90.0 };
        writeln!(text, "{},{},{},{}", START_S + second, float_pct + noise, 180.0 + noise, 500.0 + noise).unwrap();
    }
    let csv = folder.path().join("night.csv");
    fs::write(&csv, text).unwrap();
    let made = folder.path().join("night.airvalve");
    import(&csv, &burst_site(), &Default::default(), &made).unwrap();
    for input in [csv, made] {
        let result = replay(&[input], &burst_site(), &ReplayOptions::default(), &|_| {}).unwrap();
        let found: Vec<_> =
            result.findings.iter().map(|finding| (finding.kind.name(), finding.seen_in_bursts)).collect();
        assert_eq!(found, [("high-odour", true), ("trapped-air", true)]);
        let [odour, trapped] = &result.findings[..] else { panic!() };
        let times = |finding: &Finding| (finding.from.to_string(), finding.to.to_string());
        assert_eq!(times(odour), ("2031-03-01T18:00:00.000Z".into(), "2031-03-01T19:55:49.000Z".into()));
        assert_eq!(times(trapped), ("2031-03-01T18:50:00.000Z".into(), "2031-03-01T19:00:49.000Z".into()));
        assert!(odour.severe && odour.detail.ends_with("; seen in bursts, and taken to go on between them"));
        let gaps: Vec<_> = result.recording.gaps.iter().map(|gap| (gap.from.to_string(), gap.to.to_string())).collect();
        assert_eq!(gaps, [("2031-03-01T18:25:09.000Z".into(), "2031-03-01T18:25:30.000Z".into())]);
        // What left between the bursts is not known.
        assert!(!result.air.released_resolved && result.air.released_nl_low == 0.0, "{:?}", result.air);
        let said = |what: &str| result.warnings.iter().any(|warning| warning.contains(what));
        assert!(
            said("bursts of 50 s every 300 s") && said("not judged from bursts are release cycles"),
            "{:?}",
            result.warnings
        );
    }
}

/// Numbers about 0 with unit deviation, the same in every run: the sum of twelve even ones (an LCG).
fn noise(seed: &mut u32) -> f64 {
    let mut even = || {
        *seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(*seed >> 8) / f64::from(1 << 24)
    };
    (0..12).map(|_| even()).sum::<f64>() - 6.0
}

/// What a transmitter of usual noise reads in half an hour, so many samples a second: a float that stands 0.4 % below its
/// opening position from 600 s to 1300 s, a vacuum of 4 s at 1500 s, a high odour from 200 s to 400 s.
fn noisy_half_hour(hz: u32) -> String {
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    let mut seed = hz;
    for sample in 0..1800 * hz {
        let at_s = f64::from(sample) / f64::from(hz);
        let float_pct = if (600.0..1300.0).contains(&at_s) { 79.6 } else { 90.0 };
        let pressure_kpa = if (1500.0..1504.0).contains(&at_s) { -12.5 } else { 180.0 };
        let odour_ppm = if (200.0..400.0).contains(&at_s) { 11.0 } else { 1.0 };
        let [float_pct, pressure_kpa, odour_ppm] = [(float_pct, 0.3), (pressure_kpa, 2.0), (odour_ppm, 0.3)]
            .map(|(value, deviation)| value + deviation * noise(&mut seed));
        let time_s = START_S as f64 + at_s;
        writeln!(text, "{time_s:.3},{float_pct:.3},{pressure_kpa:.3},{odour_ppm:.3}").unwrap();
    }
    text
}

#[test]
fn findings_do_not_depend_on_the_sample_rate_or_on_noise() {
    let folder = tempfile::tempdir().unwrap();
    let site = Site::parse(&airvalve_site::template(), Path::new("valve-a.toml")).unwrap();
    for hz in [1, 2, 5, 10, 25, 50] {
        let csv = folder.path().join("night.csv");
        fs::write(&csv, noisy_half_hour(hz)).unwrap();
        let found = replay(&[csv], &site, &ReplayOptions::default(), &|_| {}).unwrap().findings;
        let seconds = |time: Time| time.0 as f64 * 1e-6 - START_S as f64;
        let found: Vec<_> =
            found.iter().map(|found| (found.kind.name(), seconds(found.from), seconds(found.to))).collect();
        let expected = [("high-odour", 200.0, 400.0), ("trapped-air", 600.0, 1300.0), ("vacuum", 1500.0, 1504.0)];
        assert_eq!(found.len(), expected.len(), "{hz} Hz: {found:?}");
        for ((kind, from_s, to_s), expected) in found.iter().zip(expected) {
            let is_near = (from_s - expected.1).abs() <= 2.0 && (to_s - expected.2).abs() <= 2.0;
            assert!(*kind == expected.0 && is_near, "{hz} Hz: {kind} {from_s} {to_s}");
        }
    }
}

/// One row a second with an odour, an hour long.
fn odour_csv(odour_ppm: impl Fn(i64) -> f64) -> String {
    let mut text = String::from("time,float_pct,pressure_kpa,odour_ppm\n");
    for second in 0..3600 {
        let noise = 0.1 * (second % 7) as f64;
        let row = [90.0 + noise, 180.0 + noise, odour_ppm(second)];
        writeln!(text, "{},{},{},{}", START_S + second, row[0], row[1], row[2]).unwrap();
    }
    text
}

fn continuous_site() -> Site {
    let text = airvalve_site::template().replace("sample_hz = 10.0", "sample_hz = 1.0");
    Site::parse(&text, Path::new("valve-a.toml")).unwrap()
}

#[test]
fn a_reading_at_the_end_of_its_range_is_a_lower_bound() {
    let folder = tempfile::tempdir().unwrap();
    // 20.5 mA of a cell from 0 to 200 ppm is 206.25 ppm. Source: NAMUR NE 43.
    for (top_ppm, detail, at_least) in [
        (206.25, "hydrogen sulphide at least 206 ppm (end of the sensor's range) at the vent", true),
        (190.0, "hydrogen sulphide up to 191 ppm at the vent", false),
    ] {
        let csv = folder.path().join("night.csv");
        let odour = |second: i64| {
            let noise = 0.1 * (second % 7) as f64;
            if (600..1200).contains(&second) { (top_ppm + noise).min(206.25) } else { 1.0 + noise }
        };
        fs::write(&csv, odour_csv(odour)).unwrap();
        let made = folder.path().join("night.airvalve");
        import(&csv, &continuous_site(), &Default::default(), &made).unwrap();
        for input in [csv, made] {
            let result = replay(&[input], &continuous_site(), &ReplayOptions::default(), &|_| {}).unwrap();
            let [finding] = &result.findings[..] else { panic!("{:?}", result.findings) };
            assert_eq!((finding.detail.as_str(), finding.at_least), (detail, at_least));
            let json = serde_json::to_value(finding).unwrap();
            assert_eq!(json.get("at_least").is_some(), at_least, "{json}");
        }
    }
}
