//! The device gives the same records on the processor as on the host, and stays within its limits there.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::sync::OnceLock;

use airvalve_monitor::{
    Settings, SiteData,
    airflow::Orifice,
    device::{ARCHIVE_BATCH_S, Device, DeviceConfig},
    site::ReleaseStage,
};
use airvalve_sensors::{Channel, Channels, CodeSample, Contact, Contacts, FrontEnd, MISSING_CODE, Span};
use airvalve_telemetry::{Event, Frame, frames, kind};
use airvalve_tests::emulated::{Board, FLASH_LIMIT_BYTES, INSTRUCTIONS_LIMIT, RAM_LIMIT_BYTES, Run};

/// Two hours at 10 Hz.
const SAMPLES: u32 = 72_000;
const PERIOD_US: i64 = 100_000;
const START_US: i64 = 1_790_000_000_000_000;

#[test]
fn the_emulated_board_and_the_host_give_the_same_telemetry() {
    let on_host = on_host(&config(), &two_hours());
    // A signal that leaves the detector idle would prove little.
    let counts = [kind::SAMPLES, kind::ALARM_TRANSITION, kind::RELEASE_CYCLE, kind::SENSOR_HEALTH]
        .map(|kind| count_of(kind, &on_host));
    let [batches, alarms, cycles, health] = counts;
    println!("{} bytes: {batches} batches, {alarms} alarm changes, {cycles} cycles, {health} of health", on_host.len());
    assert!(batches >= 60 && alarms >= 4 && cycles >= 20 && health >= 2, "{counts:?}");

    let on_board = &run().telemetry;
    let same = on_board.iter().zip(&on_host).take_while(|(board, host)| board == host).count();
    assert_eq!(
        (on_board.len(), same),
        (on_host.len(), on_host.len()),
        "length of the board's telemetry and how much of it equals the host's, bytes"
    );
}

#[test]
fn the_device_stays_within_its_flash_ram_and_instructions() {
    // The three channels that every site has; each optional one costs about 250 instructions a sample more.
    let mut config = config();
    config.site.spans.set(Channel::LinePressure, None);
    let mut samples = two_hours();
    samples.iter_mut().for_each(|sample| sample.codes.set(Channel::LinePressure, MISSING_CODE));
    let run = Board::build().and_then(|board| board.run(&config, &samples)).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(run.telemetry, on_host(&config, &samples));
    let figures = run.figures;
    println!("{}", figures.table());
    assert_eq!(figures.samples, SAMPLES - GAP_SAMPLES);
    assert!(figures.flash_bytes <= FLASH_LIMIT_BYTES, "flash: {} bytes", figures.flash_bytes);
    assert!(figures.ram_bytes() <= RAM_LIMIT_BYTES, "RAM: {} bytes", figures.ram_bytes());
    let instructions = figures.instructions_per_sample(figures.driver_ticks + figures.device_ticks);
    assert!(instructions <= INSTRUCTIONS_LIMIT, "{instructions:.0} instructions a sample");
}

#[test]
fn a_board_starts_anew_when_what_was_learned_cannot_be_used() {
    let mut config = config();
    config.learned = heapless::Vec::from_slice(&[1; 1_024]).unwrap();
    let samples: Vec<CodeSample> = two_hours().into_iter().take(2_000).collect();
    let run = Board::build().and_then(|board| board.run(&config, &samples)).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(run.telemetry, on_host(&config, &samples));
}

/// The two hours on the board, run once for all tests.
fn run() -> &'static Run {
    static RUN: OnceLock<Run> = OnceLock::new();
    RUN.get_or_init(|| {
        Board::build().and_then(|board| board.run(&config(), &two_hours())).unwrap_or_else(|error| panic!("{error}"))
    })
}

fn on_host(config: &DeviceConfig, samples: &[CodeSample]) -> Vec<u8> {
    let mut telemetry = Vec::new();
    let mut sink = |bytes: &[u8]| telemetry.extend_from_slice(bytes);
    let mut device = Device::new(config);
    samples.iter().for_each(|sample| device.sample(sample, &mut sink));
    device.flush(samples.last().map_or(0, |sample| sample.time_us), &mut sink);
    telemetry
}

fn count_of(kind: u8, telemetry: &[u8]) -> usize {
    let mut frames = frames(telemetry);
    let mut count = 0;
    while let Some(event) = frames.next() {
        let Event::Frame(Frame { kind: found, .. }) = event else { panic!("{event:?}") };
        count += usize::from(found == kind);
    }
    count
}

/// An invented valve on an invented main.
fn config() -> DeviceConfig {
    let span = |low, high| Some(Span { low, high });
    DeviceConfig {
        device_id: "emulated".try_into().unwrap(),
        site: SiteData {
            p_atm_kpa: 100.3,
            static_kpa: 180.0,
            working_kpa: 320.0,
            flow_l_s: 28.0,
            largest_pocket_m3: 0.5,
            seal_volume_l: 1.2,
            stroke_volume_l: 6.0,
            large_out: Orifice::Area { effective_area_mm2: 1_217.0 },
            large_in: Orifice::Area { effective_area_mm2: 1_217.0 },
            large_opens_below_pct: 20.0,
            large_closes_above_pct: 22.0,
            reopen_kpa: 5.0,
            small: ReleaseStage {
                orifice: Orifice::Conductance { sonic_conductance_dm3_s_bar: 0.64, critical_ratio: 0.3 },
                opens_below_pct: 80.0,
                closes_above_pct: 92.0,
            },
            second: None,
            is_sewage: true,
            air_temperature_k: 285.15,
            sample_period_s: 0.1,
            burst_s: 0.0,
            burst_every_s: 0.0,
            spans: Channels([
                span(0.0, 100.0),
                span(-100.0, 1_600.0),
                span(0.0, 200.0),
                span(-100.0, 1_600.0),
                None,
                None,
                None,
            ]),
            accuracy_pct_span: Channels([1.0, 0.5, 5.0, 0.5, 1.0, 1.0, 1.0]),
            front_end: FrontEnd::default(),
        },
        settings: Settings::default(),
        learned: heapless::Vec::new(),
        batch_s: ARCHIVE_BATCH_S,
        contacts_fitted: 1,
        started_us: START_US,
    }
}

/// Seconds in which each thing happens.
const JAM_S: std::ops::Range<f32> = 3_000.0..4_200.0;
const VACUUM_S: std::ops::Range<f32> = 4_800.0..4_860.0;
const LINE_MISSING_S: std::ops::Range<f32> = 5_100.0..5_220.0;
const ODOUR_MISSING_S: std::ops::Range<f32> = 5_700.0..5_790.0;
const ALL_MISSING_S: std::ops::Range<f32> = 6_000.0..6_000.3;
/// First sample of the gap and its length, samples.
const GAP_FROM: u32 = 64_800;
const GAP_SAMPLES: u32 = 600;

/// A valve in which everything happens that the detector follows; no physics, just a lively signal.
fn two_hours() -> Vec<CodeSample> {
    let mut valve = Valve { float_pct: 95.0, pressure_kpa: 180.0, odour_ppm: 0.5, is_releasing: false, seed: 1 };
    let samples = (0..SAMPLES).map(|number| valve.next(number));
    let gap = GAP_FROM..GAP_FROM + GAP_SAMPLES;
    samples.zip(0..).filter(|(_, number)| !gap.contains(number)).map(|(sample, _)| sample).collect()
}

struct Valve {
    float_pct: f32,
    pressure_kpa: f32,
    odour_ppm: f32,
    is_releasing: bool,
    seed: u32,
}

impl Valve {
    /// A number from -1 to 1, the same in every run.
    fn random(&mut self) -> f32 {
        self.seed = self.seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (self.seed >> 8) as f32 / 8_388_608.0 - 1.0
    }

    fn next(&mut self, number: u32) -> CodeSample {
        let time_s = number as f32 * 0.1;
        let is_pumping = number % 6_000 >= 3_000;
        let is_vacuum = VACUUM_S.contains(&time_s);
        let target_kpa = if is_vacuum {
            -25.0
        } else if is_pumping {
            320.0
        } else {
            180.0
        };
        self.pressure_kpa += (target_kpa - self.pressure_kpa) * 0.03;
        if !JAM_S.contains(&time_s) {
            self.move_float(is_vacuum);
        }
        let smell_ppm = if self.is_releasing { 40.0 } else { 0.5 };
        self.odour_ppm += (smell_ppm - self.odour_ppm) * 0.005;

        let quantities = [
            Some(self.float_pct + 0.1 * self.random()),
            Some(self.pressure_kpa + 1.5 * self.random()),
            (!ODOUR_MISSING_S.contains(&time_s)).then(|| self.odour_ppm + 0.3 * self.random()),
            Some(self.pressure_kpa + 2.0 + 1.5 * self.random()).filter(|_| !LINE_MISSING_S.contains(&time_s)),
        ];
        let mut sample = CodeSample::missing(START_US + i64::from(number) * PERIOD_US);
        sample.contacts = Contacts::default().with(Contact::PumpRunning, Some(is_pumping));
        let spans = config().site.spans;
        for (quantity, channel) in quantities.into_iter().zip(Channel::ALL) {
            let Some(quantity) = quantity.filter(|_| !ALL_MISSING_S.contains(&time_s)) else { continue };
            let scale = FrontEnd::default().scale(spans.get(channel).unwrap());
            sample.codes.set(channel, scale.code(quantity));
        }
        sample
    }

    /// Air gathers and the float sinks; the small orifice lets it out and the float rises.
    fn move_float(&mut self, is_vacuum: bool) {
        self.is_releasing = if self.is_releasing { self.float_pct < 92.0 } else { self.float_pct < 80.0 };
        let speed_pct = if is_vacuum {
            -1.0
        } else if self.is_releasing {
            0.04 + 0.000_3 * self.pressure_kpa.max(0.0)
        } else {
            -0.01
        };
        self.float_pct = (self.float_pct + speed_pct).clamp(0.0, 100.0);
    }
}
