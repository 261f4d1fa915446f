//! What a device does with every sample: the detector steps, and telemetry tells of it.
//!
//! The board, the simulator's runs and the bench rig all use this one loop; whoever calls it brings the samples and
//! takes the frames.

use airvalve_sensors::{CHANNELS, Channel, CodeSample};
use airvalve_telemetry::{
    AlarmTransition, ArchiveEncoder, ChannelInfo, FORMAT_VERSION, FrameWriter, Header, LearnedState, Pushed, Record,
    ReleaseCycle, SensorHealth, Totals as TotalsRecord, checksum,
};
use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

use crate::{
    decision::AlarmChange,
    fault::AlarmKind,
    learned::Learned,
    monitor::{Changes, Event, Monitor},
    release::Cycle,
    settings::Settings,
    site::SiteData,
};

/// Most samples in a batch.
const BATCH_SAMPLES: usize = 1_200;
/// A batch is sent after this time at the latest, so that a slow device is not silent for long, s.
const BATCH_S: f32 = 600.0;
/// The header is repeated after this many batches: a capture may begin anywhere.
const HEADER_EVERY: u16 = 16;
/// What was learned is sent after this many batches.
const LEARNED_EVERY: u16 = 48;
/// Longest frame that a device writes, bytes.
pub const FRAME_BYTES: usize = 4_096;
/// Longest postcard form of what was learned, bytes.
const LEARNED_BYTES: usize = 1_024;
/// Version of the layout of what was learned; raised whenever a field of [`Learned`] changes.
const LEARNED_VERSION: u8 = 1;
/// Longest postcard form of site data or settings, bytes.
const CONFIG_BYTES: usize = 512;

/// Flag of a release cycle: the float rose again, air has left for sure.
pub const CYCLE_CONFIRMED: u8 = 1;
/// Flag of a release cycle: a pressure step lay within a minute before it.
pub const CYCLE_NEAR_STEP: u8 = 2;

/// Everything that makes one device different from another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DeviceConfig {
    /// Name of the device, 1 to 32 bytes.
    pub device_id: String<32>,
    /// Data sheet, line and sensors.
    pub site: SiteData,
    /// Thresholds.
    pub settings: Settings,
    /// What it learned before, in the form of [`learned_bytes`]; empty for nothing.
    pub learned: Vec<u8, LEARNED_BYTES>,
    /// Contacts that are wired, one bit a contact id.
    pub contacts_fitted: u8,
    /// Unix time of its start, microseconds.
    pub started_us: i64,
}

/// CRC-32 of site data or settings in their postcard form: tells whether two devices think alike.
pub fn digest(value: &impl Serialize) -> u32 {
    let mut buffer = [0; CONFIG_BYTES];
    postcard::to_slice(value, &mut buffer).map_or(0, |bytes| checksum(bytes))
}

/// What was learned, as recordings carry it: a byte for the version of the layout, then postcard; empty when it does not
/// fit.
pub fn learned_bytes(learned: &Learned) -> Vec<u8, LEARNED_BYTES> {
    let mut buffer = [0; LEARNED_BYTES];
    let bytes = postcard::to_slice(&(LEARNED_VERSION, learned), &mut buffer).unwrap_or_default();
    Vec::from_slice(bytes).unwrap_or_default()
}

/// What was learned, from the form of [`learned_bytes`]; `None` when it is empty or of another version.
pub fn learned_from_bytes(bytes: &[u8]) -> Option<Learned> {
    let (version, rest) = bytes.split_first()?;
    if *version != LEARNED_VERSION {
        return None;
    }
    postcard::from_bytes(rest).ok()
}

/// A device: detector, batches and frames.
pub struct Device {
    header: Header,
    monitor: Monitor,
    batch: ArchiveEncoder,
    frames: FrameWriter,
    out: [u8; FRAME_BYTES],
    /// Indices of the channels that are fitted.
    fitted: Vec<u8, CHANNELS>,
    batches: u16,
}

impl Device {
    /// A device at its start.
    // Not inlined, the caller's place becomes the place where it is built: no second device on a small stack.
    #[inline(never)]
    pub fn new(config: &DeviceConfig) -> Device {
        let site = &config.site;
        let learned = learned_from_bytes(&config.learned).unwrap_or_else(|| Learned::from_data_sheet(site));
        let header = header(config);
        let mut fitted = Vec::new();
        for channel in Channel::ALL.into_iter().filter(|channel| site.is_fitted(*channel)) {
            fitted.push(channel as u8).unwrap_or_default();
        }
        let batch_samples = ((BATCH_S / site.sample_period_s.max(0.01)) as usize).clamp(16, BATCH_SAMPLES);
        Device {
            batch: ArchiveEncoder::new(header.channels.len(), header.sample_period_us, batch_samples),
            header,
            monitor: Monitor::with_learned(site, &config.settings, &learned),
            frames: FrameWriter::new(),
            out: [0; FRAME_BYTES],
            fitted,
            batches: 0,
        }
    }

    /// The detector.
    pub fn monitor(&self) -> &Monitor {
        &self.monitor
    }

    /// Takes one sample; `sink` gets every frame that is ready.
    pub fn sample(&mut self, sample: &CodeSample, sink: &mut impl FnMut(&[u8])) {
        if self.frames.sequence() == 0 {
            self.send(Record::Header(self.header.clone()), sink);
            self.send_learned(sample.time_us, sink);
        }
        let mut changes = Changes::new();
        self.monitor.step_codes_into(sample, &mut changes);
        for change in &changes {
            match change {
                Event::Alarm(change) => self.send_alarm(change, sink),
                Event::Cycle(cycle) => self.send(Record::ReleaseCycle(cycle_record(cycle)), sink),
                Event::State { .. } => {}
            }
        }
        // No `collect`: it panics beyond the capacity.
        let mut codes = Vec::<i16, CHANNELS>::new();
        for channel in &self.fitted {
            if let Some(code) = sample.codes.0.get(usize::from(*channel)) {
                codes.push(*code).unwrap_or_default();
            }
        }
        // The encoder never refuses: it is emptied as soon as it is full, and the channels are the header's.
        if self.batch.push(sample.time_us, &codes, sample.contacts.0) == Ok(Pushed::Complete) {
            self.send_batch(sample.time_us, sink);
        }
    }

    /// Sends what is still held back; the device goes on afterwards.
    pub fn flush(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        while !self.batch.is_empty() {
            self.send_batch(time_us, sink);
        }
        self.send_totals(time_us, sink);
        self.send_learned(time_us, sink);
    }

    fn send_batch(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        if let Some(batch) = self.batch.take()
            && let Ok(used) = self.frames.write(&Record::Samples(batch), &mut self.out)
        {
            sink(self.out.get(..used).unwrap_or_default());
        }
        self.batches = self.batches.wrapping_add(1);
        if self.batches.is_multiple_of(HEADER_EVERY) {
            self.send(Record::Header(self.header.clone()), sink);
            self.send_totals(time_us, sink);
        }
        if self.batches.is_multiple_of(LEARNED_EVERY) {
            self.send_learned(time_us, sink);
        }
    }

    fn send(&mut self, record: Record<'_>, sink: &mut impl FnMut(&[u8])) {
        if let Ok(used) = self.frames.write(&record, &mut self.out) {
            sink(self.out.get(..used).unwrap_or_default());
        }
    }

    fn send_alarm(&mut self, change: &AlarmChange, sink: &mut impl FnMut(&[u8])) {
        self.send(Record::AlarmTransition(alarm_record(change)), sink);
        if let (AlarmKind::SensorFault, Some(channel)) = (change.fault.kind(), change.channel) {
            let health = self.monitor.health(channel);
            let [live_low, live_high] = health.map_or([0.0; 2], |health| health.live_range());
            self.send(
                Record::SensorHealth(SensorHealth {
                    time_us: change.time_us,
                    channel: channel as u8,
                    status: if change.is_active { change.fault.id() } else { 0 },
                    live_low,
                    live_high,
                    noise: health.map_or(0.0, |health| health.noise()),
                }),
                sink,
            );
        }
    }

    fn send_totals(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        let totals = self.monitor.totals();
        let record = TotalsRecord {
            time_us,
            released_nl: [
                totals.large_out.as_nl() as f32,
                totals.small_out.as_nl() as f32,
                totals.second_out.as_nl() as f32,
            ],
            admitted_nl: totals.large_in.as_nl() as f32,
            cycles: totals.cycles,
            state_s: totals.state_us.map(|us| (us / 1_000_000) as u32),
            lost_samples: (totals.gap_us / u64::from(self.header.sample_period_us.max(1))) as u32,
        };
        self.send(Record::Totals(record), sink);
    }

    fn send_learned(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        let record = LearnedState {
            time_us,
            settings_digest: self.header.settings_digest,
            bytes: learned_bytes(self.monitor.learned()),
        };
        self.send(Record::LearnedState(record), sink);
    }
}

/// The header that a device with this configuration sends.
pub fn header(config: &DeviceConfig) -> Header {
    let site = &config.site;
    let channels = Channel::ALL.into_iter().filter_map(|channel| {
        site.spans.get(channel).map(|span| ChannelInfo { id: channel as u8, low: span.low, high: span.high })
    });
    Header {
        device_id: config.device_id.clone(),
        format_version: FORMAT_VERSION,
        site_digest: digest(site),
        settings_digest: digest(&config.settings),
        channels: channels.collect(),
        contacts_fitted: config.contacts_fitted,
        sample_period_us: (site.sample_period_s * 1e6) as u32,
        anchor_us: config.started_us,
        shunt_milliohm: (site.front_end.shunt_ohm * 1e3) as u32,
        full_scale_mv: (site.front_end.full_scale_v * 1e3) as u32,
        burst_s: site.burst_s as u32,
        burst_every_s: site.burst_every_s as u32,
    }
}

fn alarm_record(change: &AlarmChange) -> AlarmTransition {
    AlarmTransition {
        time_us: change.time_us,
        fault: change.fault.id(),
        channel: change.channel.map_or(255, |channel| channel as u8),
        state: change.state as u8 | if change.is_active { 0x80 } else { 0 },
        confidence_pct: (100.0 * change.confidence) as u8,
        also_possible: change.also_possible,
        evidence: change.evidence,
    }
}

fn cycle_record(cycle: &Cycle) -> ReleaseCycle {
    let [small_nl, second_nl] = cycle.orifice_nl;
    ReleaseCycle {
        from_us: cycle.from_us,
        to_us: cycle.to_us,
        orifice_nl: small_nl + second_nl,
        displacement_nl: cycle.displacement_nl,
        area_ratio: cycle.area_ratio,
        start_pct: cycle.start_pct,
        end_pct: cycle.end_pct,
        flags: if cycle.is_confirmed { CYCLE_CONFIRMED } else { 0 }
            | if cycle.is_near_step { CYCLE_NEAR_STEP } else { 0 },
    }
}
