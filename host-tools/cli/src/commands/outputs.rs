//! What a command writes must not take the place of what it reads.

use std::path::Path;

use airvalve_recording::whole_file::is_same_file;

use crate::failure::Failure;

/// Refuses an output that is one of the inputs or another output, before anything is written.
pub(crate) fn refuse_overwriting(inputs: &[&Path], outputs: &[&Path]) -> Result<(), Failure> {
    for (place, output) in outputs.iter().enumerate() {
        let refuse = |what: &str| {
            let output = output.display();
            Err(Failure::arguments(format!("{output}: would overwrite {what}; write under another name")))
        };
        if let Some(input) = inputs.iter().find(|input| is_same_file(input, output)) {
            return refuse(&format!("its own input {}", input.display()));
        }
        let others = outputs.iter().take(place);
        if others.into_iter().any(|other| output != &Path::new("-") && is_same_file(other, output)) {
            return refuse("the other file that is written");
        }
    }
    Ok(())
}
