//! Promise: every threshold says where its default comes from.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_monitor::settings::{DecisionSettings, EvidenceSettings};

/// What the meaning of a row must have one of: a rule of the trade, a document, a law of nature, or what the product is
/// to reach.
const ORIGINS: [&str; 4] = ["common practice", "source:", "physics:", "goal:"];

#[test]
fn every_default_says_its_origin() {
    let rows = EvidenceSettings::ROWS.iter().chain(DecisionSettings::ROWS);
    let has_origin = |meaning: &str| ORIGINS.iter().any(|origin| meaning.to_lowercase().contains(origin));
    let without: Vec<_> = rows.filter(|row| !has_origin(row.meaning)).map(|row| row.name).collect();
    assert!(without.is_empty(), "{} rows without one of {ORIGINS:?}: {without:#?}", without.len());
}
