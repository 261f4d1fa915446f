//! Recordings and CSV files: reading, writing, damage counted and located.
//!
//! Duty: get samples in and out of files, all of them, fast and in bounded memory, and say what could not be used and
//! where it stands. It judges no sample.
//!
//! Glossary: *block*, samples in columns; *item*, what stands in a recording; *kind*, what a file is by its content.

mod admission;
mod block;
pub mod csv;
pub mod export;
mod extent;
mod gate;
pub mod import;
pub mod input;
pub mod inspect;
mod inspect_text;
mod losses;
mod period;
pub mod recording;
pub mod whole_file;
pub mod writer;

pub use admission::Admission;
pub use block::{Block, CodeBlock, QuantityBlock};
pub use export::{Exported, export_csv, export_csv_with};
pub use extent::{Extent, Widened};
pub use import::{Imported, import, import_with};
pub use input::{FileKind, Input, InputError};
pub use inspect::{Summary, inspect, inspect_with};
pub use inspect_text::thousands;
pub use losses::{Losses, Lost};
pub use period::usual_step_us;
pub use recording::{Item, Recording, RecordingError};
pub use whole_file::{WholeFile, WriteFileError};
pub use writer::{RecordingWriteError, RecordingWriter};
