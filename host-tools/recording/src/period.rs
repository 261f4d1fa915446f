//! The usual time between samples of a file that does not say it.

/// Longest usual time between samples that is believed, microseconds: what comes more seldom are gaps.
const LONGEST_STEP_US: i64 = 60_000_000;

/// The usual time between samples, microseconds: the median of the steps forward, at most a minute; `None` without one.
///
/// # Example
/// ```
/// // A row is missing, and one came late.
/// let times_us = [0, 1_000_000, 3_000_000, 4_000_000, 5_010_000, 6_000_000];
/// assert_eq!(airvalve_recording::usual_step_us(&times_us), Some(1_000_000));
/// ```
pub fn usual_step_us(times_us: &[i64]) -> Option<u32> {
    let steps = times_us.iter().zip(times_us.iter().skip(1)).map(|(before, after)| after.saturating_sub(*before));
    let mut steps: Vec<i64> = steps.filter(|step| *step > 0).collect();
    if steps.is_empty() {
        return None;
    }
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable(middle);
    u32::try_from((*median).min(LONGEST_STEP_US)).ok()
}
