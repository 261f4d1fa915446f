//! Why a command failed, and which exit status that means.

use std::io;

use airvalve_analysis::ReplayError;
use airvalve_columnar::ParquetWriteError;
use airvalve_recording::{
    InputError, RecordingError, RecordingWriteError, WriteFileError, csv::CsvError, export::ExportError,
    import::ImportError, inspect::InspectError,
};
use airvalve_simulator::ScenarioError;
use airvalve_site::FileError;
use airvalve_trials::{EvaluateError, JournalError, LabelsError};

/// Why a command failed.
#[derive(Debug)]
pub(crate) enum Failure {
    /// The arguments or an input are wrong: exit status 2.
    Input(anyhow::Error),
    /// Anything else: exit status 1.
    Other(anyhow::Error),
    /// Whoever reads our output has enough: no failure.
    BrokenPipe,
}

impl Failure {
    /// The arguments do not fit.
    pub(crate) fn arguments(message: String) -> Failure {
        Failure::Input(anyhow::Error::msg(message))
    }

    /// The same failure, with what was being done.
    pub(crate) fn context(self, what: impl std::fmt::Display + Send + Sync + 'static) -> Failure {
        match self {
            Failure::Input(error) => Failure::Input(error.context(what)),
            Failure::Other(error) => Failure::Other(error.context(what)),
            Failure::BrokenPipe => Failure::BrokenPipe,
        }
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Failure {
        if error.kind() == io::ErrorKind::BrokenPipe {
            return Failure::BrokenPipe;
        }
        Failure::Other(error.into())
    }
}

impl From<serde_json::Error> for Failure {
    fn from(error: serde_json::Error) -> Failure {
        io::Error::from(error).into()
    }
}

impl From<WriteFileError> for Failure {
    fn from(error: WriteFileError) -> Failure {
        if error.source.kind() == io::ErrorKind::BrokenPipe {
            return Failure::BrokenPipe;
        }
        // The message names the system's reason already.
        Failure::Other(anyhow::Error::msg(error.to_string()))
    }
}

/// Errors that always mean a wrong input. Their messages hold their cause: it is not said twice.
macro_rules! wrong_inputs {
    ($($error:ty),*) => {
        $(impl From<$error> for Failure {
            fn from(error: $error) -> Failure {
                Failure::Input(anyhow::Error::msg(error.to_string()))
            }
        })*
    };
}

wrong_inputs!(FileError, ScenarioError, InputError);

impl From<RecordingError> for Failure {
    fn from(error: RecordingError) -> Failure {
        let message = anyhow::Error::msg(error.to_string());
        if matches!(error, RecordingError::Reading { .. }) { Failure::Other(message) } else { Failure::Input(message) }
    }
}

impl From<CsvError> for Failure {
    fn from(error: CsvError) -> Failure {
        let message = anyhow::Error::msg(error.to_string());
        if matches!(error, CsvError::Reading { .. }) { Failure::Other(message) } else { Failure::Input(message) }
    }
}

impl From<RecordingWriteError> for Failure {
    fn from(error: RecordingWriteError) -> Failure {
        match error {
            RecordingWriteError::File(error) => error.into(),
            other => Failure::Other(anyhow::Error::msg(other.to_string())),
        }
    }
}

impl From<ReplayError> for Failure {
    fn from(error: ReplayError) -> Failure {
        match error {
            ReplayError::Input(error) => error.into(),
            ReplayError::Recording(error) => error.into(),
            ReplayError::Csv(error) => error.into(),
            other => Failure::Input(anyhow::Error::msg(other.to_string())),
        }
    }
}

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Failure {
        match error {
            ExportError::Recording(error) => error.into(),
            ExportError::File(error) => error.into(),
        }
    }
}

impl From<ParquetWriteError> for Failure {
    fn from(error: ParquetWriteError) -> Failure {
        match error {
            ParquetWriteError::Recording(error) => error.into(),
            ParquetWriteError::File(error) => error.into(),
            other => Failure::Other(anyhow::Error::msg(other.to_string())),
        }
    }
}

impl From<ImportError> for Failure {
    fn from(error: ImportError) -> Failure {
        match error {
            ImportError::Csv(error) => error.into(),
            ImportError::Write(error) => error.into(),
            other => Failure::Input(anyhow::Error::msg(other.to_string())),
        }
    }
}

impl From<JournalError> for Failure {
    fn from(error: JournalError) -> Failure {
        let message = anyhow::Error::msg(error.to_string());
        if matches!(error, JournalError::Io { .. }) { Failure::Other(message) } else { Failure::Input(message) }
    }
}

impl From<EvaluateError> for Failure {
    fn from(error: EvaluateError) -> Failure {
        match error {
            EvaluateError::Journal(error) => error.into(),
            other => Failure::Other(anyhow::Error::msg(other.to_string())),
        }
    }
}

impl From<LabelsError> for Failure {
    fn from(error: LabelsError) -> Failure {
        match error {
            LabelsError::File(error) => error.into(),
            LabelsError::Replay(error) => error.into(),
            LabelsError::Inspect(error) => error.into(),
            other => Failure::Input(anyhow::Error::msg(other.to_string())),
        }
    }
}

impl From<InspectError> for Failure {
    fn from(error: InspectError) -> Failure {
        match error {
            InspectError::Recording(error) => error.into(),
            InspectError::Csv(error) => error.into(),
        }
    }
}
