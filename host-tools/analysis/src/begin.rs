//! Where a replay begins: with what the device had learned, where that still holds.

use airvalve_monitor::{
    Learned, SiteData,
    device::{Kept, KeptError},
};
use airvalve_telemetry::LearnedState;

/// Why what a device had learned is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub(crate) enum NotUsed {
    #[error("since it is of version {version} of the detector's memory and this program has another")]
    Version { version: u8 },
    #[error("since its bytes break their layout")]
    Damaged,
    #[error("since a number in it is none, or none that a valve can teach")]
    Impossible,
    #[error("since it was learned on another site file (digest {was:08x})")]
    Site { was: u32 },
    #[error("since it was learned under other evidence settings (digest {was:08x}, this replay has {now:08x})")]
    Settings { was: u32, now: u32 },
}

/// What the device had learned; `None` where that is nothing. `site_digests` are those of the site file of this replay.
///
/// # Errors
/// [`NotUsed`] where it does not hold for this replay.
pub(crate) fn learned(
    state: &LearnedState,
    site_digests: &[u32],
    evidence_digest: u32,
    detector: &SiteData,
) -> Result<Option<Learned>, NotUsed> {
    let Kept { conditions, learned } = match Kept::from_bytes(&state.bytes) {
        Ok(kept) => kept,
        Err(KeptError::Nothing) => return Ok(None),
        Err(KeptError::AnotherVersion(version)) => return Err(NotUsed::Version { version }),
        Err(KeptError::Damaged) => return Err(NotUsed::Damaged),
        Err(KeptError::Impossible) => return Err(NotUsed::Impossible),
    };
    if is_bare(&learned, detector) {
        return Ok(None);
    }
    if !site_digests.contains(&conditions.site_digest) {
        return Err(NotUsed::Site { was: conditions.site_digest });
    }
    let learned_under = [state.evidence_digest, conditions.evidence_digest];
    match learned_under.into_iter().find(|was| *was != evidence_digest) {
        Some(was) => Err(NotUsed::Settings { was, now: evidence_digest }),
        None => Ok(Some(learned)),
    }
}

/// A device at its very start knows its data sheet and nothing else.
fn is_bare(learned: &Learned, detector: &SiteData) -> bool {
    let sheet = Learned::from_data_sheet(detector);
    Learned { zero_uncertainty_kpa: sheet.zero_uncertainty_kpa, ..*learned } == sheet
}
