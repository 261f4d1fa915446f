//! From a recording to a CSV file.

use std::path::Path;

use airvalve_sensors::Contacts;
use airvalve_telemetry::Header;

use crate::{
    csv::{CONTACTS, CsvWriter},
    losses::Losses,
    recording::{Item, Recording, RecordingError},
    whole_file::WriteFileError,
};

/// Why a recording could not be exported.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum ExportError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error(transparent)]
    File(#[from] WriteFileError),
}

/// What an export did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Samples written.
    pub samples: u64,
    /// What the recording has lost.
    pub losses: Losses,
}

/// Writes all samples of a recording as a CSV file; `-` is standard output.
///
/// Every channel and contact that any of its headers names has a column.
///
/// # Errors
/// [`ExportError`] when the recording cannot be read or the file not be written.
pub fn export_csv(recording: impl AsRef<Path>, file: impl AsRef<Path>) -> Result<Exported, ExportError> {
    export_csv_with(recording, file, &|_| {})
}

/// The same as [`export_csv`]; `progress` hears now and then how many samples are done: each counts half in either pass.
///
/// # Errors
/// As [`export_csv`].
pub fn export_csv_with(
    recording: impl AsRef<Path>,
    file: impl AsRef<Path>,
    progress: &dyn Fn(u64),
) -> Result<Exported, ExportError> {
    let input = crate::input::Input::open(recording).map_err(RecordingError::from)?;
    let again = input.another_pass().map_err(RecordingError::from)?;
    let (all, samples) = all_columns(Recording::from_input(input)?, progress)?;
    let mut recording = Recording::from_input(again)?;
    let mut csv = CsvWriter::create(file, &all)?;
    let mut exported = Exported::default();
    while let Some(item) = recording.next_item()? {
        exported.losses.note(&item);
        match item {
            Item::Header(header) => csv.set_header(header),
            Item::Block(block) => {
                csv.write_block(block)?;
                exported.samples += block.len() as u64;
                progress((samples + exported.samples) / 2);
            }
            _ => {}
        }
    }
    csv.finish()?;
    Ok(exported)
}

/// The header of a recording, with the channels and contacts of all its headers, and its number of samples; `progress`
/// hears half of that.
///
/// # Errors
/// [`RecordingError`] when it cannot be read.
pub fn all_columns<R: std::io::Read>(
    mut recording: Recording<R>,
    progress: &dyn Fn(u64),
) -> Result<(Header, u64), RecordingError> {
    let mut samples = 0;
    let mut all = recording.header().clone();
    while let Some(item) = recording.next_item()? {
        match item {
            Item::Header(header) => {
                all.contacts_fitted |= header.contacts_fitted;
                for info in &header.channels {
                    if !all.channels.iter().any(|known| known.id == info.id) {
                        // A recording with more channels than a header can name has none to spare here.
                        let _ = all.channels.push(*info);
                    }
                }
            }
            Item::Block(block) => {
                samples += block.len() as u64;
                progress(samples / 2);
                let seen = block.contacts.iter().fold(0, |seen, contacts| seen | contacts);
                let known = CONTACTS.iter().filter(|contact| Contacts(seen).get(**contact).is_some());
                all.contacts_fitted |= known.fold(0, |bits, contact| bits | (1 << (*contact as u8)));
            }
            _ => {}
        }
    }
    Ok((all, samples))
}
