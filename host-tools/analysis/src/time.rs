//! Times in results.

use jiff::Timestamp;
use serde::{Serialize, Serializer};

/// Unix time in microseconds; written as RFC 3339 in UTC with milliseconds.
///
/// # Example
/// ```
/// assert_eq!(airvalve_analysis::Time(1_930_153_440_500_000).to_string(), "2031-03-01T17:44:00.500Z");
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Time(pub i64);

impl std::fmt::Display for Time {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // What no calendar holds is only met in damaged data; it is shown as the last moment that one holds.
        let time = Timestamp::from_microsecond(self.0).unwrap_or(Timestamp::MAX);
        write!(f, "{}", time.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"))
    }
}

impl Serialize for Time {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
