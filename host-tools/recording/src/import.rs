//! From a CSV file to a recording.

use std::path::{Path, PathBuf};

use airvalve_sensors::{CHANNELS, Channel, Channels, CodeSample, Contacts, FrontEnd, LoopCurrent, MISSING_CODE, Span};
use airvalve_site::Site;
use airvalve_telemetry::{ChannelInfo, FORMAT_VERSION, Header};

use crate::{
    block::QuantityBlock,
    csv::{CONTACTS, CsvError, CsvOptions, CsvReader, CsvReport},
    input::Input,
    period::usual_step_us,
    writer::{RecordingWriteError, RecordingWriter},
};

/// Loop currents that a loop can have, whole or broken, mA; what lies outside needs a wider span.
///
/// Source: 22 mA, the most that shunt and converter must hold (common practice); a little below 0 for noise.
const LOOP_MA: std::ops::RangeInclusive<f32> = -0.1..=22.0;

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

/// A span that had to be widened to hold the data.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Widened {
    /// Channel.
    pub channel: Channel,
    /// Span of the site, in the channel's unit.
    pub from: Span,
    /// Span of the recording.
    pub to: Span,
}

impl std::fmt::Display for Widened {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{}: span {} .. {} widened to {} .. {} {} to hold the data; correct the site file if the transmitter has it",
            self.channel.name(),
            self.from.low,
            self.from.high,
            self.to.low,
            self.to.high,
            self.channel.unit()
        )
    }
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
    let input = Input::open(csv).map_err(CsvError::from)?;
    let again = input.another_pass().map_err(CsvError::from)?;
    let file = input.file.clone();
    let mut csv = CsvReader::from_input(input, options.clone())?.for_site(site);
    let mut extent = Extent::default();
    while let Some(block) = csv.next_block()? {
        extent.add(block);
    }
    let report = csv.report();
    let Some(first_us) = extent.first_us else {
        return Err(ImportError::NoRows { file, report: Box::new(report) });
    };
    let (spans, widened) = spans(site, &extent);
    let header = header(site, &extent, first_us, &spans);
    let mut writer = RecordingWriter::create(recording, header.clone())?;
    let mut csv = CsvReader::from_input(again, options.clone())?.for_site(site);
    let scales = spans.0.map(|span| FrontEnd::default().scale(span));
    while let Some(block) = csv.next_block()? {
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

/// How far the data of a file reach.
struct Extent {
    first_us: Option<i64>,
    /// Least and greatest quantity of each channel; turned round where it has none.
    ranges: Channels<(f32, f32)>,
    contacts: u8,
    /// Usual time between the first rows, microseconds.
    step_us: Option<u32>,
}

impl Default for Extent {
    fn default() -> Self {
        let none = (f32::INFINITY, f32::NEG_INFINITY);
        Extent { first_us: None, ranges: Channels([none; CHANNELS]), contacts: 0, step_us: None }
    }
}

impl Extent {
    fn add(&mut self, block: QuantityBlock<'_>) {
        if self.first_us.is_none() {
            self.first_us = block.times_us.first().copied();
            self.step_us = usual_step_us(block.times_us);
        }
        for channel in Channel::ALL {
            let range = self.ranges.slot(channel);
            for quantity in block.columns.get(channel) {
                // NaN is neither.
                *range = (range.0.min(*quantity), range.1.max(*quantity));
            }
        }
        self.contacts |= block.contacts.iter().fold(0, |all, contacts| all | contacts);
    }

    fn is_fitted(&self, channel: Channel) -> bool {
        let (least, greatest) = self.ranges.get(channel);
        least <= greatest
    }

    /// The site's sample period where the rows keep to it, else the usual step between them, microseconds.
    fn period_us(&self, site_us: u32) -> u32 {
        // A clock that wanders by a few per cent still means the site's rate.
        self.step_us.filter(|step_us| step_us.abs_diff(site_us) > site_us / 20).unwrap_or(site_us)
    }
}

fn spans(site: &Site, extent: &Extent) -> (Channels<Span>, Vec<Widened>) {
    let mut spans = Channels(site.sensors.channels.0.map(|sensor| sensor.span));
    let mut widened = Vec::new();
    for channel in Channel::ALL.into_iter().filter(|channel| extent.is_fitted(*channel)) {
        let from = spans.get(channel);
        let (least, greatest) = extent.ranges.get(channel);
        let to = widened_span(from, least, greatest);
        if to != from {
            spans.set(channel, to);
            widened.push(Widened { channel, from, to });
        }
    }
    (spans, widened)
}

/// The span, wide enough for these quantities; readings of a broken or shorted loop fit it as they are.
fn widened_span(span: Span, least: f32, greatest: f32) -> Span {
    let fits = |quantity| LOOP_MA.contains(&LoopCurrent::from_quantity(quantity, span).as_milliamperes());
    Span {
        low: if fits(least) { span.low } else { span.low.min(least) },
        high: if fits(greatest) { span.high } else { span.high.max(greatest) },
    }
}

fn header(site: &Site, extent: &Extent, first_us: i64, spans: &Channels<Span>) -> Header {
    let front_end = FrontEnd::default();
    let fitted = Channel::ALL.into_iter().filter(|channel| extent.is_fitted(*channel));
    let channels = fitted.map(|channel| {
        let Span { low, high } = spans.get(channel);
        ChannelInfo { id: channel as u8, low, high }
    });
    let known = CONTACTS.iter().filter(|contact| Contacts(extent.contacts).get(**contact).is_some());
    let site_period_us = (1e6 / site.sensors.sample_hz) as u32;
    let burst = site.sampling.burst;
    Header {
        // A valve's id is at most as long as a device's.
        device_id: site.valve_id.as_str().try_into().unwrap_or_default(),
        format_version: FORMAT_VERSION,
        site_digest: 0,
        settings_digest: 0,
        channels: channels.collect(),
        contacts_fitted: known.fold(0, |bits, contact| bits | (1 << (*contact as u8))),
        sample_period_us: extent.period_us(site_period_us),
        anchor_us: first_us,
        shunt_milliohm: (front_end.shunt_ohm * 1000.0) as u32,
        full_scale_mv: (front_end.full_scale_v * 1000.0).round() as u32,
        burst_s: burst.map_or(0, |burst| burst.burst_s as u32),
        burst_every_s: burst.map_or(0, |burst| burst.every_s as u32),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broken_or_shorted_loop_widens_no_span() {
        let span = Span { low: 0.0, high: 200.0 };
        // 0 mA and 21.6 mA: Source: NAMUR NE 43, failure information.
        assert_eq!(widened_span(span, -50.0, 220.0), span);
        assert_eq!(widened_span(span, 0.0, 350.0), Span { low: 0.0, high: 350.0 });
        assert_eq!(widened_span(span, -80.0, 200.0), Span { low: -80.0, high: 200.0 });
    }
}
