//! What was learned, as bytes: kept over a restart, carried in recordings, checked before it is used again.

use airvalve_telemetry::LearnedState;
use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::learned::{Baseline, Learned};

/// Version of the layout of [`Kept`]; a test holds it against the names of all fields.
const VERSION: u8 = 3;
/// Longest form of [`Kept`], bytes.
pub const KEPT_BYTES: usize = 1_024;
// Numbers that no healthy or faulty valve reaches: what lies beyond is damage, not experience.
const MOST_PCT: f32 = 200.0;
const MOST_KPA: f32 = 1e5;
const MOST_PPM: f32 = 1e5;
const MOST_NL_S: f32 = 1e5;
const MOST_RATIO: f32 = 1e4;
/// A transmitter whose zero is off by an atmosphere is broken.
const MOST_ZERO_KPA: f32 = 100.0;

/// Under what something was learned: it holds for nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Conditions {
    /// CRC-32 of the site data.
    pub site_digest: u32,
    /// CRC-32 of the evidence settings: when evidence becomes an alarm changes nothing of what is learned.
    pub evidence_digest: u32,
}

/// What was learned, and under what.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Kept {
    /// Under what.
    pub conditions: Conditions,
    /// What.
    pub learned: Learned,
}

/// Why kept bytes cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeptError {
    /// There are none: nothing was learned yet.
    Nothing,
    /// Their layout is of this other version.
    AnotherVersion(u8),
    /// They break the layout of their version.
    Damaged,
    /// A number is none, or none that can be learned.
    Impossible,
}

impl Kept {
    /// A byte for the version of the layout, then postcard; empty when it does not fit.
    pub fn to_bytes(&self) -> Vec<u8, KEPT_BYTES> {
        let mut buffer = [0; KEPT_BYTES];
        let bytes = postcard::to_slice(&(VERSION, self), &mut buffer).unwrap_or_default();
        Vec::from_slice(bytes).unwrap_or_default()
    }

    /// Reads the form of [`Kept::to_bytes`].
    ///
    /// # Errors
    /// [`KeptError`] when nothing in it can be used.
    pub fn from_bytes(bytes: &[u8]) -> Result<Kept, KeptError> {
        let (version, rest) = bytes.split_first().ok_or(KeptError::Nothing)?;
        if *version != VERSION {
            return Err(KeptError::AnotherVersion(*version));
        }
        let (kept, rest) = postcard::take_from_bytes::<Kept>(rest).map_err(|_| KeptError::Damaged)?;
        // Bytes that are left over: the layout was changed and the version was not.
        if !rest.is_empty() {
            return Err(KeptError::Damaged);
        }
        if is_possible(&kept.learned) { Ok(kept) } else { Err(KeptError::Impossible) }
    }

    /// The record that carries it.
    pub fn record(&self, time_us: i64) -> LearnedState {
        LearnedState { time_us, evidence_digest: self.conditions.evidence_digest, bytes: self.to_bytes() }
    }
}

/// Whether a valve can have taught all of it.
fn is_possible(learned: &Learned) -> bool {
    // Every field by its name: one that is added does not compile before it stands here.
    let Learned {
        zero_kpa,
        zero_uncertainty_kpa,
        opens_pct,
        closes_pct,
        closes_after_step_pct,
        area_ratio,
        slowness,
        slowness_after_step,
        arrival_running_nl_s,
        arrival_stopped_nl_s,
        answer,
        tested_space,
        late_answer,
        stick_pct,
        odour_base_ppm,
        odour_pulse_seen,
        odour_pulse_ppm,
        running_kpa,
        stopped_kpa,
        shifted_kpa,
        below_line_kpa,
    } = learned;
    let within =
        |most: f32, baselines: &[&Baseline]| baselines.iter().all(|baseline| baseline_is_within(baseline, most));
    libm::fabsf(*zero_kpa) <= MOST_ZERO_KPA
        && (0.0..=MOST_ZERO_KPA).contains(zero_uncertainty_kpa)
        && libm::fabsf(*shifted_kpa) <= MOST_KPA
        && within(MOST_PCT, &[opens_pct, closes_pct, closes_after_step_pct, stick_pct])
        && within(MOST_RATIO, &[area_ratio, slowness, slowness_after_step, answer, tested_space])
        && within(MOST_RATIO, &[late_answer, odour_pulse_seen])
        && within(MOST_NL_S, &[arrival_running_nl_s, arrival_stopped_nl_s])
        && within(MOST_PPM, &[odour_base_ppm, odour_pulse_ppm])
        && within(MOST_KPA, &[running_kpa, stopped_kpa, below_line_kpa])
}

// Not inlined: twenty times the same.
#[inline(never)]
fn baseline_is_within(baseline: &Baseline, most: f32) -> bool {
    let Baseline { mean, deviation, weight, recent } = baseline;
    // NaN lies within nothing.
    libm::fabsf(*mean) <= most
        && libm::fabsf(*recent) <= most
        && (0.0..=most).contains(deviation)
        && (0.0..=f32::MAX).contains(weight)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::indexing_slicing)]
    extern crate std;

    use std::{format, string::String, vec::Vec};

    use super::*;

    /// Layouts by their versions: checksum of the names of all fields in their order, and size in memory, bytes.
    const LAYOUTS: [(u8, u32, usize); 2] = [(2, 0xe945_2768, 320), (3, 0x41c0_899b, 308)];

    fn kept() -> Kept {
        // All zeros, whatever the fields are.
        postcard::from_bytes(&[0; KEPT_BYTES]).unwrap()
    }

    #[test]
    fn a_changed_layout_has_another_version() {
        let names: String = format!("{:?}", kept()).chars().filter(|letter| !letter.is_ascii_digit()).collect();
        let layout = (VERSION, airvalve_telemetry::checksum(names.as_bytes()), size_of::<Kept>());
        assert_eq!(
            LAYOUTS.last(),
            Some(&layout),
            "the layout of what is learned has changed: raise VERSION in kept.rs and append the new row here; \
             no device may read bytes of the old layout"
        );
        let mut versions: Vec<u8> = LAYOUTS.iter().map(|(version, ..)| *version).collect();
        versions.dedup();
        assert_eq!(versions.len(), LAYOUTS.len(), "a version is never used for two layouts");
    }

    #[test]
    fn bytes_of_another_version_or_length_are_refused() {
        let bytes = kept().to_bytes();
        assert_eq!(Kept::from_bytes(&bytes), Ok(kept()));
        assert_eq!(Kept::from_bytes(&[]), Err(KeptError::Nothing));
        let mut older = bytes.clone();
        older[0] = VERSION - 1;
        assert_eq!(Kept::from_bytes(&older), Err(KeptError::AnotherVersion(VERSION - 1)));
        assert_eq!(Kept::from_bytes(&bytes[..bytes.len() - 1]), Err(KeptError::Damaged));
        let mut longer = bytes;
        longer.push(0).unwrap();
        assert_eq!(Kept::from_bytes(&longer), Err(KeptError::Damaged));
    }

    #[test]
    fn any_number_that_is_none_is_refused() {
        // After the version and two digests of one byte each, all are f32.
        let bytes = kept().to_bytes();
        let places: Vec<usize> = (3..bytes.len()).step_by(4).collect();
        assert_eq!(places.len(), 3 + 18 * 4);
        for place in places {
            for number in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
                let mut wrong = bytes.clone();
                wrong[place..place + 4].copy_from_slice(&number.to_le_bytes());
                assert_eq!(Kept::from_bytes(&wrong), Err(KeptError::Impossible), "{number} at byte {place}");
            }
        }
    }

    #[test]
    fn numbers_that_no_valve_teaches_are_refused() {
        let refused = |wrong: &dyn Fn(&mut Learned)| {
            let mut kept = kept();
            wrong(&mut kept.learned);
            Kept::from_bytes(&kept.to_bytes()) == Err(KeptError::Impossible)
        };
        assert!(!refused(&|learned| learned.opens_pct.mean = 80.0));
        assert!(refused(&|learned| learned.opens_pct.mean = 300.0));
        assert!(refused(&|learned| learned.opens_pct.weight = -1.0));
        assert!(refused(&|learned| learned.area_ratio.deviation = -0.1));
        assert!(refused(&|learned| learned.zero_kpa = -150.0));
        assert!(refused(&|learned| learned.zero_uncertainty_kpa = -1.0));
    }
}
