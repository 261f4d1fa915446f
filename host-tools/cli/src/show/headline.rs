//! Times and durations for people.

use airvalve_analysis::Time;
use airvalve_recording::thousands;
use jiff::Timestamp;

/// Day and minute, UTC.
pub(crate) fn minute(time: Time) -> String {
    strftime(time, "%Y-%m-%d %H:%M")
}

/// Time of day, UTC.
pub(crate) fn clock(time: Time) -> String {
    strftime(time, "%H:%M")
}

/// Day and month beside the time of day.
pub(crate) fn day_clock(time: Time) -> String {
    strftime(time, "%m-%d %H:%M")
}

/// To the nearest minute: the last sample of an hour stands just before its end.
fn strftime(time: Time, form: &str) -> String {
    let nearest = Timestamp::from_microsecond(time.0.saturating_add(30_000_000));
    nearest.map_or_else(|_| time.to_string(), |at| at.strftime(form).to_string())
}

/// A duration in the unit that suits it.
pub(crate) fn duration(from: Time, to: Time) -> String {
    let seconds = to.0.saturating_sub(from.0) as f64 * 1e-6;
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} days", s / 86_400.0),
    }
}

/// Hours in the unit that suits them.
pub(crate) fn hours(hours: f64) -> String {
    duration(Time(0), Time((3.6e9 * hours) as i64))
}

/// How often.
pub(crate) fn times(count: u64) -> String {
    if count == 1 { "once".to_owned() } else { format!("{} times", thousands(count)) }
}

/// So many of something.
pub(crate) fn plural(count: u64, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{} {noun}s", thousands(count)) }
}

/// A volume with as many digits as make sense.
pub(crate) fn litres(value: f64) -> String {
    if value < 10.0 {
        format!("{value:.2}")
    } else if value < 100.0 {
        format!("{value:.1}")
    } else {
        thousands(value.round() as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_told_as_people_read_them() {
        assert_eq!(duration(Time(0), Time(90_000_000)), "90 s");
        assert_eq!(duration(Time(0), Time(5_400_000_000)), "90 min");
        assert_eq!(duration(Time(0), Time(43_200_000_000)), "12.0 h");
        assert_eq!(litres(0.1234), "0.12");
    }

    #[test]
    fn a_time_is_told_to_the_nearest_minute() {
        // 2031-03-02T05:59:59.9Z, and half a minute before.
        let end = Time(1_930_197_599_900_000);
        assert_eq!((minute(end).as_str(), clock(end).as_str()), ("2031-03-02 06:00", "06:00"));
        assert_eq!(day_clock(Time(end.0 - 30_000_000)), "03-02 05:59");
        assert_eq!(minute(Time(i64::MAX)), Time(i64::MAX).to_string());
    }
}
