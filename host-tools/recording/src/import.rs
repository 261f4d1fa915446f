//! From a CSV file to a recording.

use std::path::{Path, PathBuf};

use airvalve_sensors::{CHANNELS, Channel, Channels, CodeSample, FrontEnd, MISSING_CODE, Span};
use airvalve_site::Site;
use airvalve_telemetry::{ChannelInfo, FORMAT_VERSION, Header};

use crate::{
    csv::{CONTACTS, CsvError, CsvOptions, CsvReader, CsvReport},
    extent::{Extent, Widened},
    input::Input,
    writer::{RecordingWriteError, RecordingWriter},
};

/// Why a CSV file could not be imported.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum ImportError {
    #[error(transparent)]
    Csv(#[from] CsvError),
    #[error(transparent)]
    Write(#[from] RecordingWriteError),
    #[error(
        "{}: no row can be used ({} read): {}", .file.display(), .report.rows.read, .report.why_rejected()
    )]
    NoRows { file: PathBuf, report: Box<CsvReport> },
}

/// What an import did.
#[derive(Clone, Debug, PartialEq)]
pub struct Imported {
    /// The recording's header.
    pub header: Header,
    /// What was met in the CSV file.
    pub report: CsvReport,
    /// Spans that had to be widened.
    pub widened: Vec<Widened>,
}

/// Makes a recording of a CSV file, on the spans of a site; reads it twice.
///
/// # Errors
/// [`ImportError`] when the file cannot be read or has no row that can be used, or the recording not be written.
pub fn import(
    csv: impl AsRef<Path>,
    site: &Site,
    options: &CsvOptions,
    recording: impl AsRef<Path>,
) -> Result<Imported, ImportError> {
    import_with(csv, site, options, recording, &|_| {})
}

/// The same as [`import`]; `progress` hears now and then how many rows are done: each counts half in either pass.
///
/// # Errors
/// As [`import`].
pub fn import_with(
    csv: impl AsRef<Path>,
    site: &Site,
    options: &CsvOptions,
    recording: impl AsRef<Path>,
    progress: &dyn Fn(u64),
) -> Result<Imported, ImportError> {
    let input = Input::open(csv).map_err(CsvError::from)?;
    let again = input.another_pass().map_err(CsvError::from)?;
    let file = input.file.clone();
    let mut csv = CsvReader::from_input(input, options.clone())?.for_site(site);
    let mut extent = Extent::default();
    let mut passed = 0;
    while let Some(block) = csv.next_block()? {
        extent.add(block);
        passed += block.len() as u64;
        progress(passed / 2);
    }
    let report = csv.report();
    let Some(first_us) = extent.first_us() else {
        return Err(ImportError::NoRows { file, report: Box::new(report) });
    };
    let mut spans = Channels(site.sensors.channels.0.map(|sensor| sensor.span));
    let widened = extent.widened(&spans);
    widened.iter().for_each(|widened| spans.set(widened.channel, widened.to));
    let header = header(site, &extent, first_us, &spans);
    let mut writer = RecordingWriter::create(recording, header.clone())?;
    let mut csv = CsvReader::from_input(again, options.clone())?.for_site(site);
    let scales = spans.0.map(|span| FrontEnd::default().scale(span));
    while let Some(block) = csv.next_block()? {
        passed += block.len() as u64;
        progress(passed / 2);
        for (time_us, quantities, contacts) in block.rows() {
            let mut codes = Channels([MISSING_CODE; CHANNELS]);
            for ((code, scale), quantity) in codes.0.iter_mut().zip(&scales).zip(quantities.0) {
                *code = scale.code(quantity);
            }
            writer.write_sample(&CodeSample { time_us, codes, contacts })?;
        }
    }
    writer.finish()?;
    Ok(Imported { header, report, widened })
}

/// The site's sample period where the rows keep to it, else the usual step between them, microseconds.
fn period_us(extent: &Extent, site_us: u32) -> u32 {
    // A clock that wanders by a few per cent still means the site's rate.
    extent.step_us().filter(|step_us| step_us.abs_diff(site_us) > site_us / 20).unwrap_or(site_us)
}

fn header(site: &Site, extent: &Extent, first_us: i64, spans: &Channels<Span>) -> Header {
    let front_end = FrontEnd::default();
    let fitted = Channel::ALL.into_iter().filter(|channel| extent.is_fitted(*channel));
    let channels = fitted.map(|channel| {
        let Span { low, high } = spans.get(channel);
        ChannelInfo { id: channel as u8, low, high }
    });
    let known = CONTACTS.iter().filter(|contact| extent.contacts().get(**contact).is_some());
    let site_period_us = (1e6 / site.sensors.sample_hz).round() as u32;
    let burst_ms = site.sampling.burst.map_or([0.0; 2], |burst| [burst.burst_s, burst.every_s].map(|s| s * 1e3));
    let [burst_ms, every_ms] = burst_ms.map(|ms| ms.round() as u32);
    Header {
        // A valve's id is at most as long as a device's.
        device_id: site.valve_id.as_str().try_into().unwrap_or_default(),
        format_version: FORMAT_VERSION,
        site_digest: 0,
        settings_digest: 0,
        channels: channels.collect(),
        contacts_fitted: known.fold(0, |bits, contact| bits | (1 << (*contact as u8))),
        sample_period_us: period_us(extent, site_period_us),
        anchor_us: first_us,
        shunt_milliohm: (front_end.shunt_ohm * 1000.0).round() as u32,
        full_scale_mv: (front_end.full_scale_v * 1000.0).round() as u32,
        burst_s: burst_ms / 1000,
        burst_every_s: every_ms / 1000,
        burst_rest_ms: (burst_ms % 1000) as u16,
        burst_every_rest_ms: (every_ms % 1000) as u16,
    }
}
