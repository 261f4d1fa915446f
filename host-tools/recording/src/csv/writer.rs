//! Writing CSV files: quantities with as many decimals as their codes need, times in RFC 3339.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

use airvalve_sensors::{Channel, Contact, Contacts, FrontEnd, front_end::Scale};
use airvalve_telemetry::Header;
use jiff::{Timestamp, tz::TimeZone};

use super::{CONTACTS, REQUIRED, TIME_COLUMN, contact_column};
use crate::{
    block::CodeBlock,
    recording::{front_end, spans},
    whole_file::{WholeFile, WriteFileError},
};

/// Writes the samples of one recording as a CSV file that imports to the same codes.
pub struct CsvWriter {
    name: PathBuf,
    out: WholeFile,
    columns: Vec<Column>,
    contacts: Vec<Contact>,
    line: Vec<u8>,
    clock: MinuteText,
}

struct Column {
    channel: Channel,
    scale: Scale,
    decimals: usize,
}

impl CsvWriter {
    /// Begins a file with its header line, for samples of this recording; `-` is standard output.
    ///
    /// # Errors
    /// [`WriteFileError`] when the file cannot be made.
    pub fn create(file: impl AsRef<Path>, header: &Header) -> Result<CsvWriter, WriteFileError> {
        let contacts = CONTACTS.into_iter();
        let is_fitted = |contact: &Contact| header.contacts_fitted & (1 << (*contact as u8)) != 0;
        let mut writer = CsvWriter {
            name: file.as_ref().to_owned(),
            out: WholeFile::create(file)?,
            columns: columns(header),
            contacts: contacts.filter(is_fitted).collect(),
            line: Vec::new(),
            clock: MinuteText::default(),
        };
        writer.write_header()?;
        Ok(writer)
    }

    /// Adds samples; `header` is the one that holds for them.
    ///
    /// # Errors
    /// [`WriteFileError`] when the disk does not take them.
    pub fn write_block(&mut self, block: CodeBlock<'_>) -> Result<(), WriteFileError> {
        self.line.clear();
        for sample in block.samples() {
            self.clock.write(sample.time_us, &mut self.line);
            for column in &self.columns {
                self.line.push(b',');
                let quantity = column.scale.quantity(sample.codes.get(column.channel));
                write_decimal(quantity, column.decimals, &mut self.line);
            }
            write_contacts(sample.contacts, &self.contacts, &mut self.line);
            self.line.push(b'\n');
        }
        self.put()
    }

    /// Takes over the spans of a new header; the columns stay.
    pub fn set_header(&mut self, header: &Header) {
        let (spans, front_end) = (spans(header), front_end(header));
        for column in &mut self.columns {
            if let Some(span) = spans.get(column.channel) {
                column.scale = front_end.scale(span);
                column.decimals = decimals_for(column.scale);
            }
        }
    }

    /// Makes the file whole, under its name.
    ///
    /// # Errors
    /// [`WriteFileError`]; nothing new stands under the name then.
    pub fn finish(self) -> Result<(), WriteFileError> {
        self.out.finish()
    }

    fn write_header(&mut self) -> Result<(), WriteFileError> {
        let channels = self.columns.iter().map(|column| column.channel.column());
        let contacts = self.contacts.iter().map(|contact| contact_column(*contact));
        let names: Vec<&str> = [TIME_COLUMN].into_iter().chain(channels).chain(contacts).collect();
        self.line = names.join(",").into_bytes();
        self.line.push(b'\n');
        self.put()
    }

    fn put(&mut self) -> Result<(), WriteFileError> {
        self.out.write_all(&self.line).map_err(|source| WriteFileError {
            file: self.name.clone(),
            what: "written",
            source,
        })
    }
}

/// The columns that a file must have, and those that are fitted.
fn columns(header: &Header) -> Vec<Column> {
    let (spans, front_end) = (spans(header), front_end(header));
    let columns = Channel::ALL.into_iter().filter_map(|channel| {
        let scale = match spans.get(channel) {
            Some(span) => front_end.scale(span),
            None if REQUIRED.contains(&channel) => {
                FrontEnd::default().scale(airvalve_sensors::Span { low: 0.0, high: 1.0 })
            }
            None => return None,
        };
        Some(Column { channel, scale, decimals: decimals_for(scale) })
    });
    columns.collect()
}

/// So many decimals that rounding moves a quantity by less than a tenth of a code.
fn decimals_for(scale: Scale) -> usize {
    let tenth = f64::from(scale.quantity_per_code.abs()) / 5.0;
    (-tenth.log10()).ceil().clamp(0.0, 9.0) as usize
}

fn write_contacts(contacts: Contacts, fitted: &[Contact], line: &mut Vec<u8>) {
    for contact in fitted {
        line.push(b',');
        if let Some(state) = contacts.get(*contact) {
            line.push(b'0' + u8::from(state));
        }
    }
}

/// Writes a number with a fixed number of decimals; nothing for NaN.
fn write_decimal(number: f32, decimals: usize, line: &mut Vec<u8>) {
    if number.is_nan() {
        return;
    }
    let unit = 10_i64.pow(decimals as u32);
    let scaled = (f64::from(number) * unit as f64).round() as i64;
    if scaled < 0 {
        line.push(b'-');
    }
    let scaled = scaled.unsigned_abs();
    write_padded(scaled / unit as u64, 1, line);
    if decimals > 0 {
        line.push(b'.');
        write_padded(scaled % unit as u64, decimals, line);
    }
}

fn write_padded(mut number: u64, width: usize, line: &mut Vec<u8>) {
    let start = line.len();
    while number > 0 || line.len() < start + width {
        line.push(b'0' + (number % 10) as u8);
        number /= 10;
    }
    if let Some(digits) = line.get_mut(start..) {
        digits.reverse();
    }
}

/// The text of a minute, kept from row to row.
#[derive(Default)]
struct MinuteText {
    minute: Option<i64>,
    text: Vec<u8>,
}

impl MinuteText {
    fn write(&mut self, time_us: i64, line: &mut Vec<u8>) {
        const MINUTE_US: i64 = 60_000_000;
        let (minute, within_us) = (time_us.div_euclid(MINUTE_US), time_us.rem_euclid(MINUTE_US));
        if self.minute != Some(minute) {
            self.minute = Some(minute);
            self.text.clear();
            // A time out of the calendar leaves its cell empty: the row is then rejected as what it is.
            if let Ok(time) = Timestamp::from_second(minute.saturating_mul(60)) {
                let civil = TimeZone::UTC.to_datetime(time);
                self.text = format!("{}", civil.strftime("%Y-%m-%dT%H:%M:")).into_bytes();
            }
        }
        if self.text.is_empty() {
            return;
        }
        line.extend_from_slice(&self.text);
        let within_us = within_us as u64;
        write_padded(within_us / 1_000_000, 2, line);
        line.push(b'.');
        match within_us % 1_000_000 {
            whole_ms if whole_ms.is_multiple_of(1000) => write_padded(whole_ms / 1000, 3, line),
            fraction_us => write_padded(fraction_us, 6, line),
        }
        line.push(b'Z');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimal(number: f32, decimals: usize) -> String {
        let mut line = Vec::new();
        write_decimal(number, decimals, &mut line);
        String::from_utf8_lossy(&line).into_owned()
    }

    #[test]
    fn decimals_are_rounded_and_padded() {
        assert_eq!(decimal(-0.04, 1), "0.0");
        assert_eq!(decimal(-12.3456, 2), "-12.35");
        assert_eq!(decimal(7.0, 0), "7");
        assert_eq!(decimal(0.05, 3), "0.050");
        assert_eq!(decimal(f32::NAN, 3), "");
    }

    #[test]
    fn times_are_rfc_3339() {
        let mut clock = MinuteText::default();
        let mut line = Vec::new();
        clock.write(482_196_050_520_000, &mut line);
        line.push(b' ');
        clock.write(-1, &mut line);
        // Source: RFC 3339, section 5.8 (first example).
        assert_eq!(line, b"1985-04-12T23:20:50.520Z 1969-12-31T23:59:59.999999Z");
    }
}
