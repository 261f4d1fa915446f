//! An evaluation: many cases side by side.

use std::{
    collections::{HashMap, HashSet},
    sync::atomic::{AtomicUsize, Ordering},
};

use airvalve_monitor::{Settings, device::digest};
use rayon::prelude::*;

use crate::{
    case::{Case, CaseError, CaseId},
    journal::{Journal, JournalError},
    play::{Outcome, play},
};

/// Why an evaluation stopped.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the variants hold what the message says
pub enum EvaluateError {
    #[error(transparent)]
    Case(#[from] CaseError),
    #[error(transparent)]
    Journal(#[from] JournalError),
}

/// Plays every case that the journal does not have yet; `done` hears how many are done. The outcomes come in the order of
/// `cases`, whatever the number of threads.
///
/// # Errors
/// [`EvaluateError`] when a case is refused or the journal cannot be written.
pub fn evaluate(
    cases: &[CaseId],
    settings: &Settings,
    journal: Option<&Journal>,
    done: &(dyn Fn(usize) + Sync),
) -> Result<Vec<Outcome>, EvaluateError> {
    let places: HashMap<String, usize> = cases.iter().enumerate().map(|(place, id)| (id.to_string(), place)).collect();
    let known = journal.map(Journal::outcomes).unwrap_or_default();
    let mut outcomes: Vec<Outcome> =
        known.iter().filter(|outcome| places.contains_key(&outcome.case)).cloned().collect();
    let known: HashSet<&str> = known.iter().map(|outcome| outcome.case.as_str()).collect();
    let open: Vec<CaseId> = cases.iter().copied().filter(|id| !known.contains(id.to_string().as_str())).collect();
    let count = AtomicUsize::new(outcomes.len());
    let played = open
        .into_par_iter()
        // One case at a time: they differ in length.
        .with_max_len(1)
        .map(|id| {
            let outcome = play(&Case::draw(id), settings)?.outcome;
            if let Some(journal) = journal {
                journal.append(&outcome)?;
            }
            done(1 + count.fetch_add(1, Ordering::Relaxed));
            Ok(outcome)
        })
        .collect::<Result<Vec<Outcome>, EvaluateError>>()?;
    outcomes.extend(played);
    outcomes.sort_by_key(|outcome| places.get(&outcome.case).copied());
    Ok(outcomes)
}

/// CRC-32 of the settings, by which a journal knows what it was made with.
pub fn settings_digest(settings: &Settings) -> u32 {
    digest(settings)
}
