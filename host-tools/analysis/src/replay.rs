//! One replay: the files of a valve, in order, through the detector.

use std::path::{Path, PathBuf};

use airvalve_monitor::{Service, Settings, SiteData, device::digest};
use airvalve_recording::{
    FileKind, InputError, Item, Losses, Recording, RecordingError, Widened,
    csv::{CsvError, CsvOptions, CsvReader},
};
use airvalve_sensors::{Channel, Channels, Span};
use airvalve_site::{FindingLimits, Site};
use airvalve_telemetry::{Header, Record};

use crate::{
    begin, doubts,
    quality::Notes,
    result::Replay,
    run::Run,
    services::ServiceAt,
    source::{self, Empty, Source, without_first},
    time::Time,
};

/// Why a replay was refused.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum ReplayError {
    #[error(transparent)]
    Input(#[from] InputError),
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    Csv(#[from] CsvError),
    #[error(
        "{}: begins at {first}, before {} ends ({last}); name files of one valve that do not overlap",
        .file.display(), .before.display()
    )]
    Overlap { file: PathBuf, first: Time, before: PathBuf, last: Time },
    #[error(
        "{}: the times from {first} on stand in it twice, with the same readings; remove one of the two copies",
        .file.display()
    )]
    Repeated { file: PathBuf, first: Time },
    #[error(
        "{}: made by device `{device}`, but {} by `{first_device}`; replay one valve at a time, or name each with --main",
        .file.display(), .first.display()
    )]
    AnotherDevice { file: PathBuf, device: String, first: PathBuf, first_device: String },
    #[error(
        "{}: made by device `{device}`, but the site file is of valve `{valve}` (site.valve_id); name the site file that belongs to it",
        .file.display()
    )]
    AnotherValve { file: PathBuf, device: String, valve: String },
    #[error("{}: no sample that can be used: {why}", .file.display())]
    NoSamples { file: PathBuf, why: String },
    #[error("work at {at} lies before the data begin ({from}); name a time within them")]
    ServiceBefore { at: Time, from: Time },
    #[error("work at {at} lies behind the end of the data ({to}); name a time within them")]
    ServiceBehind { at: Time, to: Time },
    #[error("no sensor for {} in the data, so none was replaced; name another column", .channel.column())]
    ServiceNotFitted { channel: Channel },
    #[error("no file to replay; name a recording or a CSV file")]
    NoFiles,
}

/// How to replay.
#[derive(Clone, Default)]
pub struct ReplayOptions {
    /// Thresholds of the detector.
    pub settings: Settings,
    /// Begins from the data sheet, whatever a recording carries.
    pub is_cold: bool,
    /// Thresholds of the findings.
    pub limits: FindingLimits,
    /// How to read CSV files.
    pub csv: CsvOptions,
    /// Work on the valve that no recording tells of.
    pub services: Vec<ServiceAt>,
}

/// Replays the files of one valve; `progress` hears the number of samples so far, now and then.
///
/// # Errors
/// [`ReplayError`] when a file cannot be read, has no samples, overlaps another or is another device's or valve's, or when
/// work was named that these data cannot show.
pub fn replay(
    files: &[PathBuf],
    site: &Site,
    options: &ReplayOptions,
    progress: &dyn Fn(u64),
) -> Result<Replay, ReplayError> {
    let (sources, empty) = source::open(files, site, &options.csv)?;
    let Some(first) = sources.first() else {
        return Err(empty
            .into_iter()
            .next()
            .map_or(ReplayError::NoFiles, |Empty { file, why }| ReplayError::NoSamples { file, why }));
    };
    let fitted = |channel: Channel| sources.iter().any(|source| source.channels.contains(&channel));
    check_services(&options.services, Time(first.first_us), fitted)?;
    let mut run = begin_run(site, &sources, first, fitted, options);
    for source in &sources {
        if let Some(header) = &source.header {
            check_header(header, &source.input.file, site, options, &mut run.notes)?;
        }
    }
    for Empty { file, why } in &empty {
        run.notes.no_samples(file, why);
    }
    run.notes.files = files.len();
    let mut left_out = 0;
    let mut before: Option<PathBuf> = None;
    for source in sources {
        if let (Some(before), Some(last_us)) = (before, run.last_device_us())
            && source.first_us <= last_us
        {
            let file = source.input.file.clone();
            return Err(ReplayError::Overlap { file, first: Time(source.first_us), before, last: Time(last_us) });
        }
        before = Some(source.input.file.clone());
        let file = source.input.file.clone();
        if let Some(unset) = &source.unset {
            run.notes.unset_clock(&file, unset);
            left_out += unset.samples as u64;
        }
        play(source, &mut run, options, progress)?;
        if let Some(first_us) = run.repeated_us() {
            return Err(ReplayError::Repeated { file, first: Time(first_us) });
        }
    }
    let mut result = run.finish()?;
    result.samples.read += left_out;
    result.samples.rejected += left_out;
    doubts::mark(&mut result);
    Ok(result)
}

/// Work before the data, or on a sensor that is not there, is a slip.
fn check_services(services: &[ServiceAt], from: Time, fitted: impl Fn(Channel) -> bool) -> Result<(), ReplayError> {
    for ServiceAt { at, service } in services {
        match *service {
            _ if *at < from => return Err(ReplayError::ServiceBefore { at: *at, from }),
            Service::SensorReplaced(channel) if !fitted(channel) => {
                return Err(ReplayError::ServiceNotFitted { channel });
            }
            _ => {}
        }
    }
    Ok(())
}

fn begin_run<'a>(
    site: &'a Site,
    sources: &[Source],
    first: &Source,
    fitted: impl Fn(Channel) -> bool,
    options: &ReplayOptions,
) -> Run<'a> {
    let mut detector = site.detector(fitted);
    detector.sample_period_s = first.period_us as f32 * 1e-6;
    if let Some(header) = &first.header {
        take_over_header(&mut detector, header);
    }
    let widened = widen_spans(&mut detector, sources);
    let learned = first.learned.as_ref().zip(first.header.as_ref()).filter(|_| !options.is_cold);
    let learned = learned.map_or(Ok(None), |(state, header)| {
        begin::learned(state, &site_digests(header, site), digest(&options.settings.evidence), &detector)
    });
    let mut run = Run::new(site, &detector, learned.unwrap_or_default(), options);
    widened.iter().for_each(|widened| run.notes.say(widened.to_string()));
    if let Err(reason) = learned {
        run.notes.say(format!(
            "{}: what the device had learned at its start is not used, {reason}; the replay begins from the data sheet",
            first.input.file.display()
        ));
    }
    run
}

/// Spans and converter of the recording stand over those of the site file: its codes were made with them.
fn take_over_header(detector: &mut SiteData, header: &Header) {
    detector.front_end = airvalve_recording::recording::front_end(header);
    let spans = airvalve_recording::recording::spans(header);
    for channel in Channel::ALL {
        if let Some(span) = spans.get(channel) {
            // An import has widened it where it had to; a device's span is its transmitter's own.
            if header.site_digest == 0 {
                keep_accuracy(detector, channel, span);
            }
            detector.spans.set(channel, Some(span));
        }
    }
    [detector.burst_s, detector.burst_every_s] = burst_s(header);
}

/// Widens the spans that the quantities of CSV files do not fit, as an import does.
fn widen_spans(detector: &mut SiteData, sources: &[Source]) -> Vec<Widened> {
    let mut all = Vec::new();
    for extent in sources.iter().filter_map(|source| source.extent.as_ref()) {
        // A channel that is not fitted is not looked at.
        let spans = Channels(detector.spans.0.map(|span| span.unwrap_or(Span { low: f32::MIN, high: f32::MAX })));
        for widened in extent.widened(&spans) {
            keep_accuracy(detector, widened.channel, widened.to);
            detector.spans.set(widened.channel, Some(widened.to));
            all.push(widened);
        }
    }
    all
}

/// A span is wider in the data than in the site file: the transmitter is no less accurate for that.
fn keep_accuracy(detector: &mut SiteData, channel: Channel, to: Span) {
    if let Some(from) = detector.spans.get(channel) {
        let accuracy_pct = detector.accuracy_pct_span.get(channel) * from.width() / to.width();
        detector.accuracy_pct_span.set(channel, accuracy_pct);
    }
}

/// Length of a burst and time from burst to burst, s.
fn burst_s(header: &Header) -> [f32; 2] {
    header.burst_us().map(|us| (us as f64 / 1e6) as f32)
}

/// Refuses another valve's recording; says where the device had other thresholds or another site file.
fn check_header(
    header: &Header,
    file: &Path,
    site: &Site,
    options: &ReplayOptions,
    notes: &mut Notes,
) -> Result<(), ReplayError> {
    if header.device_id.as_str() != site.valve_id {
        let (file, device, valve) = (file.to_owned(), header.device_id.to_string(), site.valve_id.clone());
        if site.is_id_given() {
            return Err(ReplayError::AnotherValve { file, device, valve });
        }
        notes.say(format!(
            "the recording is of device `{device}`, the site file `{valve}` by its name; check that they belong together"
        ));
    }
    let site_digests = site_digests(header, site);
    if header.site_digest != 0 && !site_digests.contains(&header.site_digest) {
        let [ours, ..] = site_digests;
        notes.say(format!(
            "the device ran on another site file (digest {:08x}) than this replay ({ours:08x}): data sheet, line or sensors differ, and so may their alarms",
            header.site_digest
        ));
    }
    let settings_digest = digest(&options.settings);
    if header.settings_digest != 0 && header.settings_digest != settings_digest {
        notes.say(format!(
            "the device ran on other thresholds (digest {:08x}) than this replay ({settings_digest:08x}); their alarms may differ",
            header.settings_digest
        ));
    }
    Ok(())
}

/// Digests that a device on this site file may have.
///
/// How often it sampled is the header's: a scenario may choose that. A header has its sample period in whole microseconds:
/// the device's own number may be the site's, the header's, or that of a whole rate.
fn site_digests(header: &Header, site: &Site) -> [u32; 3] {
    let mut detector = site.detector(|channel| header.channels.iter().any(|info| info.id == channel as u8));
    [detector.burst_s, detector.burst_every_s] = burst_s(header);
    let period_us = f64::from(header.sample_period_us.max(1));
    let periods_s = [f64::from(detector.sample_period_s), period_us * 1e-6, 1.0 / (1e6 / period_us).round().max(1.0)];
    periods_s.map(|period_s| digest(&SiteData { sample_period_s: period_s as f32, ..detector }))
}

fn play(source: Source, run: &mut Run, options: &ReplayOptions, progress: &dyn Fn(u64)) -> Result<(), ReplayError> {
    run.begin_source(&source);
    let unset = source.unset.map_or(0, |unset| unset.samples);
    match source.input.kind {
        FileKind::Recording => {
            let file = source.input.file.clone();
            let losses = play_recording(Recording::from_input(source.input)?, unset, run, progress)?;
            run.end_recording(&file, &losses);
            Ok(())
        }
        FileKind::Csv => {
            let file = source.input.file.clone();
            let mut left = unset;
            let mut csv = CsvReader::from_input(source.input, options.csv.clone())?.for_site(run.site());
            while let Some(block) = csv.next_block()? {
                run.quantities(without_first(block, &mut left));
                progress(run.samples().used);
            }
            run.end_csv(&file, &csv.report());
            Ok(())
        }
    }
}

fn play_recording(
    mut recording: Recording,
    mut unset: usize,
    run: &mut Run,
    progress: &dyn Fn(u64),
) -> Result<Losses, ReplayError> {
    let mut losses = Losses::default();
    while let Some(item) = recording.next_item()? {
        losses.note(&item);
        match item {
            Item::Header(header) => run.header(header),
            Item::Block(block) => {
                run.codes(without_first(block, &mut unset));
                progress(run.samples().used);
            }
            Item::Record(record) => match *record {
                Record::AlarmTransition(transition) => run.recorded_alarm(&transition),
                Record::ServiceMark(mark) => run.service_mark(&mark),
                _ => {}
            },
            Item::Restarted { .. } => run.notes.restarts += 1,
            Item::Lost { .. } | Item::Damaged(_) | Item::Skipped { .. } => {}
        }
    }
    Ok(losses)
}
