//! The option `--model` of `simulate` and `evaluate`.

use airvalve_trials::Model;
use clap::ValueEnum;

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ModelArgument {
    /// The simulator on which the detector was made
    First,
    /// The same scenarios on other assumptions
    Second,
}

impl From<ModelArgument> for Model {
    fn from(model: ModelArgument) -> Model {
        match model {
            ModelArgument::First => Model::First,
            ModelArgument::Second => Model::Second,
        }
    }
}

/// One model, or both.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ModelsArgument {
    /// The simulator on which the detector was made
    First,
    /// The same scenarios on other assumptions
    Second,
    /// One after the other, each with figures of its own
    Both,
}

impl ModelsArgument {
    pub(crate) fn models(self) -> Vec<Model> {
        match self {
            ModelsArgument::First => vec![Model::First],
            ModelsArgument::Second => vec![Model::Second],
            ModelsArgument::Both => Model::ALL.to_vec(),
        }
    }
}
