//! What goes with the time of day.

/// Hour of the day in UTC, 0 to below 24, at a Unix time in microseconds.
pub(crate) fn hour_utc(unix_us: i64) -> f64 {
    unix_us.rem_euclid(86_400_000_000) as f64 / 3.6e9
}

/// A swing about 0 with its greatest value, 1, at `peak_hour`; a part of it swings twice a day.
pub(crate) fn swing(hour: f64, peak_hour: f64, twice_a_day: f64) -> f64 {
    let angle = (hour - peak_hour) * (std::f64::consts::PI / 12.0);
    (1.0 - twice_a_day) * libm::cos(angle) + twice_a_day * libm::cos(2.0 * angle)
}
