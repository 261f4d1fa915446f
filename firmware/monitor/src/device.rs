//! What a device does with every sample: the detector steps, and telemetry tells of it.
//!
//! The board, the simulator's runs and the bench rig all use this one loop; whoever calls it brings the samples and
//! takes the frames.

mod kept;
mod timing;

use airvalve_sensors::{CHANNELS, Channel, CodeSample};
use airvalve_telemetry::{
    AlarmTransition, ArchiveEncoder, ChannelInfo, FORMAT_VERSION, FrameWriter, Header, Pushed, Record, ReleaseCycle,
    SensorHealth, ServiceMark, Totals as TotalsRecord, checksum,
};
use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

use crate::{
    decision::AlarmChange,
    fault::AlarmKind,
    learned::Learned,
    monitor::{Changes, Event, Monitor},
    release::Cycle,
    service::Service,
    settings::Settings,
    site::SiteData,
};

pub use kept::{Conditions, KEPT_BYTES, Kept, KeptError};
use timing::{Due, Losses};

/// Most samples in a batch.
const BATCH_SAMPLES: usize = 1_200;
/// Length of a batch for the archive, s: long, for the sake of few bytes, but no slow device is silent for longer.
pub const ARCHIVE_BATCH_S: f32 = 600.0;
/// Length of a batch for a live link, s: nobody who looks on waits for longer.
pub const LIVE_BATCH_S: f32 = 1.0;
/// Least samples of a batch for the archive: fewer cost more for the frame than for what is in it.
const LEAST_ARCHIVE_SAMPLES: usize = 16;
/// The header is repeated after this time of data at the latest: a capture may begin anywhere.
const HEADER_EVERY_US: i64 = 600_000_000;
/// So often the totals are sent.
const TOTALS_EVERY_US: i64 = 1_800_000_000;
/// So often what was learned is sent.
const LEARNED_EVERY_US: i64 = 5_400_000_000;
/// Longest frame that a device writes, bytes.
pub const FRAME_BYTES: usize = 4_096;
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
    /// What it learned before, in the form of [`Kept::to_bytes`]; empty for nothing. It is left out when its version,
    /// the site data or the thresholds are others now.
    pub learned: Vec<u8, KEPT_BYTES>,
    /// A batch of samples is sent after this time at the latest, s: [`ARCHIVE_BATCH_S`] or [`LIVE_BATCH_S`].
    pub batch_s: f32,
    /// Contacts that are wired, one bit a contact id.
    pub contacts_fitted: u8,
    /// Unix time of its start, microseconds.
    pub started_us: i64,
}

/// CRC-32 of site data or settings in their postcard form: tells whether two devices think alike.
pub fn digest<T: Serialize>(value: &T) -> u32 {
    // Of f32, bool and small enums the postcard form is never longer than the memory they take.
    const { assert!(size_of::<T>() <= CONFIG_BYTES, "raise CONFIG_BYTES: the value does not fit") }
    let mut buffer = [0; CONFIG_BYTES];
    postcard::to_slice(value, &mut buffer).map_or(0, |bytes| checksum(bytes))
}

/// A device: detector, batches and frames.
pub struct Device {
    header: Header,
    /// Under what it learns.
    conditions: Conditions,
    monitor: Monitor,
    batch: ArchiveEncoder,
    frames: FrameWriter,
    out: [u8; FRAME_BYTES],
    /// Indices of the channels that are fitted.
    fitted: Vec<u8, CHANNELS>,
    /// Longest time that a batch takes where no sample is lost.
    batch_us: i64,
    header_due: Due,
    totals_due: Due,
    learned_due: Due,
    losses: Losses,
}

impl Device {
    /// A device at its start.
    // Not inlined, the caller's place becomes the place where it is built: no second device on a small stack.
    #[inline(never)]
    pub fn new(config: &DeviceConfig) -> Device {
        let site = &config.site;
        let header = header(config);
        let conditions = conditions(config);
        let mut fitted = Vec::new();
        for channel in Channel::ALL.into_iter().filter(|channel| site.is_fitted(*channel)) {
            fitted.push(channel as u8).unwrap_or_default();
        }
        let batch_samples = batch_samples(config);
        Device {
            batch: ArchiveEncoder::new(header.channels.len(), header.sample_period_us, batch_samples),
            monitor: Monitor::with_learned(site, &config.settings, &learned(config, &conditions)),
            conditions,
            frames: FrameWriter::new(),
            out: [0; FRAME_BYTES],
            fitted,
            batch_us: i64::from(header.sample_period_us).wrapping_mul(batch_samples as i64),
            header_due: Due::every(HEADER_EVERY_US),
            totals_due: Due::every(TOTALS_EVERY_US),
            learned_due: Due::every(LEARNED_EVERY_US),
            losses: Losses::new(&header),
            header,
        }
    }

    /// The detector.
    pub fn monitor(&self) -> &Monitor {
        &self.monitor
    }

    /// Takes one sample; `sink` gets every frame that is ready.
    pub fn sample(&mut self, sample: &CodeSample, sink: &mut impl FnMut(&[u8])) {
        if self.frames.sequence() == 0 {
            self.begin(sample.time_us, sink);
        }
        self.losses.step(sample.time_us);
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

    #[cold]
    fn begin(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        self.losses.begin(time_us);
        for due in [&mut self.header_due, &mut self.totals_due, &mut self.learned_due] {
            due.sent(time_us);
        }
        self.send(Record::Header(self.header.clone()), sink);
        self.send_learned(time_us, sink);
    }

    /// Sends what is still held back; the device goes on afterwards.
    pub fn flush(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        while !self.batch.is_empty() {
            self.send_batch(time_us, sink);
        }
        self.send_totals(time_us, sink);
        self.send_learned(time_us, sink);
    }

    /// Someone has worked on the valve or a sensor at this time: the detector begins anew what that has changed, and both
    /// are sent, behind the samples before and with what is left of what was learned, so that a restart begins there.
    #[cold]
    pub fn service(&mut self, service: Service, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        if self.frames.sequence() == 0 {
            self.begin(time_us, sink);
        }
        while !self.batch.is_empty() {
            self.send_batch(time_us, sink);
        }
        self.monitor.service(service);
        let mark = ServiceMark { time_us, work: service.id(), channel: service.channel_id() };
        self.send(Record::ServiceMark(mark), sink);
        self.learned_due.sent(time_us);
        self.send_learned(time_us, sink);
    }

    fn send_batch(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        if let Some(batch) = self.batch.take()
            && let Ok(used) = self.frames.write(&Record::Samples(batch), &mut self.out)
        {
            sink(self.out.get(..used).unwrap_or_default());
        }
        // What would be late after the next batch is sent before it.
        let ahead_us = time_us.wrapping_add(self.batch_us);
        if self.header_due.is_late(ahead_us) {
            self.header_due.sent(time_us);
            self.send(Record::Header(self.header.clone()), sink);
        }
        if self.totals_due.is_late(ahead_us) {
            self.totals_due.sent(time_us);
            self.send_totals(time_us, sink);
        }
        if self.learned_due.is_late(ahead_us) {
            self.learned_due.sent(time_us);
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
            lost_samples: self.losses.samples(),
        };
        self.send(Record::Totals(record), sink);
    }

    fn send_learned(&mut self, time_us: i64, sink: &mut impl FnMut(&[u8])) {
        let kept = Kept { conditions: self.conditions, learned: *self.monitor.learned() };
        self.send(Record::LearnedState(kept.record(time_us)), sink);
    }
}

/// What the device begins with: what it learned before where that still holds, else its data sheet.
fn learned(config: &DeviceConfig, conditions: &Conditions) -> Learned {
    match Kept::from_bytes(&config.learned) {
        Ok(kept) if kept.conditions == *conditions => kept.learned,
        _ => Learned::from_data_sheet(&config.site),
    }
}

/// Under what a device with this configuration learns.
fn conditions(config: &DeviceConfig) -> Conditions {
    Conditions { site_digest: digest(&config.site), evidence_digest: digest(&config.settings.evidence) }
}

/// Samples of a batch.
fn batch_samples(config: &DeviceConfig) -> usize {
    let least = if config.batch_s > LIVE_BATCH_S { LEAST_ARCHIVE_SAMPLES } else { 1 };
    let samples = config.batch_s / config.site.sample_period_s.max(0.01);
    (libm::roundf(samples) as usize).clamp(least, BATCH_SAMPLES)
}

/// The header that a device with this configuration sends.
pub fn header(config: &DeviceConfig) -> Header {
    let site = &config.site;
    let channels = Channel::ALL.into_iter().filter_map(|channel| {
        site.spans.get(channel).map(|span| ChannelInfo { id: channel as u8, low: span.low, high: span.high })
    });
    let [burst_ms, every_ms] = [site.burst_s, site.burst_every_s].map(|length_s| rounded(length_s * 1e3));
    Header {
        device_id: config.device_id.clone(),
        format_version: FORMAT_VERSION,
        site_digest: digest(site),
        settings_digest: digest(&config.settings),
        channels: channels.collect(),
        contacts_fitted: config.contacts_fitted,
        sample_period_us: rounded(site.sample_period_s * 1e6),
        anchor_us: config.started_us,
        shunt_milliohm: rounded(site.front_end.shunt_ohm * 1e3),
        full_scale_mv: rounded(site.front_end.full_scale_v * 1e3),
        burst_s: burst_ms / 1_000,
        burst_every_s: every_ms / 1_000,
        burst_rest_ms: (burst_ms % 1_000) as u16,
        burst_every_rest_ms: (every_ms % 1_000) as u16,
    }
}

/// The nearest whole number; a cast alone would cut off what a float lacks to it.
fn rounded(value: f32) -> u32 {
    libm::roundf(value) as u32
}

fn alarm_record(change: &AlarmChange) -> AlarmTransition {
    AlarmTransition {
        time_us: change.time_us,
        fault: change.fault.id(),
        channel: change.channel.map_or(255, |channel| channel as u8),
        state: change.state as u8 | if change.is_active { 0x80 } else { 0 },
        confidence_pct: rounded(100.0 * change.confidence) as u8,
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
