//! Makes the seeds of the fuzz corpus again: output of the real encoders, and odd files made by hand.
//!
//! `cargo run -p airvalve-tests --example hostile_corpus`
//!
//! What a fuzzer found stands beside them as `found-…` and is left alone.

use std::{error::Error, fs, path::PathBuf};

use airvalve_monitor::settings::{DecisionSettings, EvidenceSettings};
use airvalve_recording::export_csv;
use airvalve_telemetry::{
    ArchiveEncoder, ChannelInfo, Event, FORMAT_VERSION, FrameWriter, Header, MAX_FRAME_LEN, MISSING_CODE, Record,
    frames, kind, max_frame_len,
};
use airvalve_tests::{hostile::CORPUS, night::Night};

type Outcome<T = ()> = Result<T, Box<dyn Error>>;

const SITE: &str = include_str!("../../recordings-demo/quarry-top.site.toml");
const SCENARIO: &str = r#"
site = "quarry-top.site.toml"
seed = 105
sample_hz = 2
duration_h = 0.3
channels = ["line_pressure_kpa", "air_temp_c", "pressure_max_kpa"]
contacts = ["pump_on", "cover_open"]
[air]
base_nl_h = 300
[inflow]
mean_l_s = 20
[[sensor_fault]]
kind = "wire-break"
channel = "odour_ppm"
onset = 0.1
until = 0.2
[[bus_fault]]
kind = "nack"
share = 0.05
[sampling]
loss_pct = 1
[[clock_step]]
at = 0.25
by_s = -120
"#;

fn main() -> Outcome {
    let night = Night::play(SCENARIO, SITE)?.recording;
    frames_and_records(&night)?;
    batches()?;
    recordings(&night)?;
    csv_files(&night)?;
    texts()
}

fn seed(target: &str, name: &str, bytes: impl AsRef<[u8]>) -> Outcome {
    let folder = PathBuf::from(CORPUS).join(target);
    fs::create_dir_all(&folder)?;
    Ok(fs::write(folder.join(format!("seed-{name}")), bytes)?)
}

/// A frame of any kind and number.
fn frame(seq: u32, kind: u8, payload: &[u8], tag: Option<[u8; 8]>) -> Outcome<Vec<u8>> {
    let mut out = vec![0; max_frame_len(payload.len())];
    let used = FrameWriter::starting_at(seq).write_payload(kind, payload, tag, &mut out)?;
    out.truncate(used);
    Ok(out)
}

fn record(record: &Record<'_>) -> Outcome<Vec<u8>> {
    numbered(0, record)
}

fn numbered(seq: u32, record: &Record<'_>) -> Outcome<Vec<u8>> {
    let mut out = vec![0; max_frame_len(MAX_FRAME_LEN)];
    let used = FrameWriter::starting_at(seq).write(record, &mut out)?;
    out.truncate(used);
    Ok(out)
}

fn frames_and_records(night: &[u8]) -> Outcome {
    let start = night.get(..4000).unwrap_or(night);
    seed("frames", "device", start)?;
    seed("frames", "nothing", [])?;
    seed("frames", "idle-line", [0; 40])?;
    seed("frames", "cut-short", start.get(..start.len() / 3).unwrap_or_default())?;
    seed("frames", "end-inside-a-group", [9, 1, 2, 0, 1, 0, 0xff, 0])?;
    let numbers = [u32::MAX - 1, u32::MAX, 0, 5, 6, 4_000_000_000, 2];
    let jumps = numbers.iter().map(|seq| frame(*seq, kind::SENSOR_HEALTH, &[], None)).collect::<Outcome<Vec<_>>>()?;
    seed("frames", "jumping-numbers", jumps.concat())?;
    let tagged = [frame(3, 200, b"later", Some([7; 8]))?, frame(4, 0, &[0; 300], None)?].concat();
    seed("frames", "tags-and-later-kinds", tagged)?;
    seed("frames", "too-long", frame(1, 200, &[0; MAX_FRAME_LEN], None)?)?;
    let mut known = Vec::new();
    let mut events = frames(night);
    while let Some(event) = events.next() {
        let Event::Frame(frame) = event else { continue };
        if !known.contains(&frame.kind) {
            known.push(frame.kind);
            let payload = [&[frame.kind], frame.payload].concat();
            seed("record", &format!("kind-{}", frame.kind), &payload)?;
            seed("record", &format!("kind-{}-of-an-older-writer", frame.kind), &payload[..payload.len() / 2])?;
        }
    }
    Ok(())
}

/// Batches of calm, jumping, missing and random codes, as the batch target takes them.
fn batches() -> Outcome {
    let mut state = 1_u32;
    let mut random = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 16) as i16
    };
    for (name, wildness) in [("calm", 0_i64), ("jumping", 1), ("random", 2)] {
        let mut encoder = ArchiveEncoder::new(3, 100_000, 200);
        for n in 0..100_i64 {
            let noise = random() % if wildness == 0 { 4 } else { 30_000 };
            let odour = if n % 40 > 30 { MISSING_CODE } else { 5000 };
            let codes = [20_000 + (n % 3) as i16, 9_000_i16.wrapping_add(noise), odour];
            let late_us = wildness * i64::from(noise);
            encoder.push(n * 100_000 + late_us, &codes, (n / 30 * wildness) as u8)?;
        }
        let Some(batch) = encoder.take() else { continue };
        let [low, high] = batch.samples.to_le_bytes();
        seed("batch", name, [&[low, high, batch.block, batch.channels, 100], batch.bits].concat())?;
    }
    Ok(())
}

fn header(change: impl FnOnce(&mut Header)) -> Outcome<Vec<u8>> {
    let info = |id, low, high| ChannelInfo { id, low, high };
    let channels = [info(0, 0.0, 100.0), info(1, -100.0, 1600.0), info(2, 0.0, 200.0)];
    let mut header = Header {
        // That of the site under which the targets replay: another valve's recording is refused at once.
        device_id: "quarry-top".try_into().unwrap_or_default(),
        format_version: FORMAT_VERSION,
        channels: channels.into_iter().collect(),
        sample_period_us: 100_000,
        shunt_milliohm: 150_000,
        full_scale_mv: 4096,
        ..Header::default()
    };
    change(&mut header);
    record(&Record::Header(header))
}

/// Three channels at rest, from `first_us` on, as the frame of this number.
fn samples(seq: u32, first_us: i64, period_us: i64) -> Outcome<Vec<u8>> {
    let mut encoder = ArchiveEncoder::new(3, 100_000, 4096);
    for n in 0..300 {
        encoder.push(first_us.wrapping_add(n * period_us), &[18_000, 9_000, 5_000], 0x11)?;
    }
    let batch = encoder.take().ok_or("no batch")?;
    numbered(seq, &Record::Samples(batch))
}

/// Ten years and more of samples without a channel, an hour apart: fifty bytes for half a year.
fn hours() -> Outcome<Vec<u8>> {
    const HOUR_US: u32 = 3_600_000_000;
    let mut out = Vec::new();
    let mut encoder = ArchiveEncoder::new(0, HOUR_US, 4096);
    for batch in 1..=24 {
        for n in 0..4096 {
            encoder.push((i64::from(batch) * 4096 + n) * i64::from(HOUR_US), &[], 0)?;
        }
        out.extend(numbered(batch, &Record::Samples(encoder.take().ok_or("no batch")?))?);
    }
    Ok(out)
}

fn recordings(night: &[u8]) -> Outcome {
    let good = header(|_| {})?;
    let calm = samples(1, 1_930_089_600_000_000, 100_000)?;
    let not_numbers = header(|header| {
        for info in &mut header.channels {
            (info.low, info.high) = (f32::NAN, f32::INFINITY);
        }
    })?;
    let nothing = header(|header| {
        header.sample_period_us = 0;
        header.shunt_milliohm = 0;
        header.full_scale_mv = 0;
        header.burst_every_s = u32::MAX;
    })?;
    let twice = header(|header| header.channels.iter_mut().for_each(|info| info.id = 1))?;
    let odd = [
        ("night", night.to_vec()),
        ("cut", night.get(..night.len() - 7).unwrap_or_default().to_vec()),
        ("no-header", calm.clone()),
        ("later-version", header(|header| header.format_version = 200)?),
        ("two-devices", [good.clone(), calm.clone(), header(|header| header.device_id.clear())?].concat()),
        ("spans-that-are-no-numbers", [not_numbers, calm.clone()].concat()),
        ("zeros-in-the-header", [nothing, calm.clone()].concat()),
        ("one-channel-thrice", [twice, calm].concat()),
        (
            "times-at-the-ends",
            [&good, &samples(1, i64::MAX - 9_000_000, 1 << 40)?[..], &samples(2, i64::MIN, 1)?].concat(),
        ),
        ("an-hour-a-sample", [&header(|header| header.channels.clear())?[..], &hours()?].concat()),
        ("times-that-fall", [good, samples(1, 0, -3_600_000_000)?].concat()),
    ];
    for (name, bytes) in odd {
        seed("recording", name, &bytes)?;
        seed("replay", name, &bytes)?;
    }
    Ok(())
}

fn csv_files(night: &[u8]) -> Outcome {
    let folder = tempfile::tempdir()?;
    let (recording, csv) = (folder.path().join("night.airvalve"), folder.path().join("night.csv"));
    fs::write(&recording, night)?;
    export_csv(&recording, &csv)?;
    let exported = fs::read(&csv)?;
    seed("csv", "exported", exported.get(..12_000).unwrap_or(&exported))?;
    seed("replay", "exported", exported.get(..20_000).unwrap_or(&exported))?;
    for (name, text) in ODD_CSV {
        seed("csv", name, text)?;
    }
    let endless = ["time,float_pct,pressure_kpa,odour_ppm\n", &"9".repeat(5000), ",1\n0,1,2,3\n"].concat();
    seed("csv", "a-long-cell", endless)
}

const ODD_CSV: &[(&str, &[u8])] = &[
    ("header-alone", b"time,float_pct,pressure_kpa,odour_ppm"),
    ("mark-and-line-ends", b"\xef\xbb\xbftime,float_pct,pressure_kpa,odour_ppm\r\n\r\n1772400000,90,180,1\r\n1772400001,,,\r\n"),
    ("semicolons", b"time;float_pct;pressure_kpa;odour_ppm\n2025-10-26T02:30:00;90,5;180,25;1\n2025-10-26T02:10:00;90;180;1\n"),
    ("other-names", b"Zeit,Lage,pressure_kpa,odour_ppm,x\n\"2031-03-01T18:00:00Z\",\"9\"\"0\",1e3,inf,\"a,b\"\n"),
    ("the-same-time-again", b"time,float_pct,pressure_kpa,odour_ppm,pump_on\n5,1,2,3,1\n5,1,2,3,0\n4,1,2,3,x\n6,1,2,3,\n"),
    ("a-clock-set-back", b"time,float_pct,pressure_kpa,odour_ppm\n100,1,2,3\n50,1,2,3\n51,1,2,3\n52,1,2,3\n53,1,2,3\n54,1,2,3\n55,1,2,3\n56,1,2,3\n57,1,2,3\n58,1,2,3\n59,1,2,3\n"),
    ("great-and-small-numbers", b"time,float_pct,pressure_kpa,odour_ppm\n-377705116800,1e39,-1e39,1e-50\n253402300799.999999,3.4e38,-3.4e38,9007199254740993\n9999-12-31T23:59:59Z,nan,-0,0x1\n0000-01-01T00:00:00+23:59,,,\n"),
    ("many-cells", b"time,float_pct,pressure_kpa,odour_ppm\n0,1,2,3\n1,1,2,3,4,5,6\n\"2,1,2,3\n3,1,2,3\n"),
    ("odd-bytes", b"time,float_pct,pressure_kpa,odour_ppm,\xff\xfe\n0,\xc3\x28,2,3,4\n1,1\t,2 ,3,\n"),
];

fn texts() -> Outcome {
    seed("site_file", "template", airvalve_site::template())?;
    seed("site_file", "two-orifices", SITE)?;
    seed("site_file", "all-keys", [SITE, MORE_SITE_KEYS].concat())?;
    seed(
        "site_file",
        "in-one-line",
        "line = {static_kpa = 1, static_kpa = 2}\nvalve.release_orifice = [{}, {}, {}]\n",
    )?;
    let rows = |rows: &[airvalve_monitor::settings::SettingRow]| -> String {
        rows.iter().map(|row| format!("{} = {:?}\n", row.name, row.default)).collect()
    };
    let settings = format!("[evidence]\n{}[decision]\n{}", rows(EvidenceSettings::ROWS), rows(DecisionSettings::ROWS));
    seed("settings_file", "all-rows", settings)?;
    seed("settings_file", "dotted", "evidence.frame_s = 2\ndecision = {stuck_on_delay_s = 90, stick = 1}\nodd = []\n")?;
    seed("scenario_file", "short", "site = \"a.toml\"\n")?;
    seed("scenario_file", "night", SCENARIO)?;
    seed("scenario_file", "many-events", MANY_EVENTS)?;
    seed("main_file", "two-valves", TWO_VALVES)?;
    seed("main_file", "none", "[main]\nname = \"x\"\nvalve = []\n")?;
    // Whatever reads TOML meets these.
    for target in ["site_file", "settings_file", "scenario_file", "main_file"] {
        for (name, text) in ODD_TOML {
            seed(target, name, text)?;
        }
        seed(target, "deep-brackets", "[".repeat(2000))?;
        seed(target, "deep-names", ["a.".repeat(2000), "a = 1".into()].concat())?;
        seed(target, "deep-lists", ["site = ".into(), "[".repeat(2000), "]".repeat(2000)].concat())?;
    }
    Ok(())
}

const ODD_TOML: &[(&str, &[u8])] = &[
    ("empty", b""),
    ("no-text", b"\xff\x00\x7f = \xc3"),
    ("mark", b"\xef\xbb\xbf[site]\r\nname = \"\\u0000\\U0010ffff\"\r\n"),
    (
        "numbers",
        b"[line]\nstatic_kpa = nan\nworking_kpa = -inf\nflow_l_s = 9223372036854775808\nallowable_kpa = 1e400\n",
    ),
    ("times", b"start = 9999-12-31T23:59:60Z\n[[planned_work]]\nfrom = 0000-01-01T00:00:00-23:59\nto = 2026-02-30\n"),
    ("open-text", b"[site]\nname = \"\"\"\nwithout an end"),
];

const MORE_SITE_KEYS: &str = r#"
[sensors.pressure]
low = -100
high = 900.5
accuracy_pct_span = 0.5
lag_s = 0.2
[sampling]
mode = "burst"
burst_s = 20
every_s = 300
[uncertainty]
coefficient_pct = 3
[water]
kind = "clean"
temperature_c = 40.0
[[planned_work]]
from = 2026-03-01T08:00:00+01:00
to = "2026-03-01T16:00:00Z"
note = "x"
"#;

const MANY_EVENTS: &str = r#"
site = "a.toml"
start = 2031-03-01T18:00:00Z
duration_h = 100000
steps = "fixed"
[plant]
initial = "empty"
[true_valve]
random_share = 1
[[event]]
kind = "refill"
at = 0
[[event]]
kind = "burst"
at = 2031-03-01T18:00:02Z
refill_after_h = 0.001
[[event]]
kind = "pocket"
volume_m3 = 5
[[fault]]
kind = "clogging"
orifice = "second"
growth_h = 1000
[[fault]]
kind = "heavy"
until = 3
[[sensor_fault]]
kind = "drift"
channel = "odour_ppm"
severity = 100
is_downward = true
[[gap]]
from = 0.001
to = 0.002
"#;

const TWO_VALVES: &str = r#"
[main]
name = "North"
[[valve]]
site = "a.toml"
files = ["night-1.airvalve", "../night-2.csv"]
chainage_m = 0.0
[[valve]]
site = "/b.toml"
files = ["c"]
elevation_m = -3
"#;
