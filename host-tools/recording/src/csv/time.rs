//! Times of rows: RFC 3339 with offset, Unix seconds, or local times of a given zone.

use jiff::{
    Timestamp,
    civil::DateTime,
    tz::{AmbiguousOffset, TimeZone},
};

const SECOND_US: i64 = 1_000_000;
const HOUR_US: i64 = 3_600 * SECOND_US;
/// Latest time that is believed: a greater number of Unix seconds is milliseconds. (2200-01-01)
const LATEST_US: i64 = 7_258_118_400 * SECOND_US;
/// A fall of the local clock by less than this is rows out of order, not the hour that comes again.
const LEAST_FALL_US: i64 = 60 * SECOND_US;

/// What a time cell says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Moment {
    /// Unix time, microseconds.
    At(i64),
    /// A local time, microseconds as if it were UTC.
    Local(i64),
    /// Nothing that can be read.
    Unreadable,
}

/// Reads time cells; remembers the last day, so that most rows cost little.
#[derive(Clone, Debug, Default)]
pub(super) struct TimeParser {
    /// `2026-03-01T21:14:` of the row before, and its microseconds.
    minute: [u8; 17],
    minute_us: i64,
}

impl TimeParser {
    /// Reads an RFC 3339 time at the start of `bytes`; returns it and its length; `None` where that is not its shape.
    #[inline]
    pub(super) fn rfc3339(&mut self, bytes: &[u8]) -> Option<(Moment, usize)> {
        let (minute, rest) = bytes.split_first_chunk::<17>()?;
        if *minute != self.minute {
            self.minute_us = minute_us(minute)?;
            self.minute = *minute;
        }
        let second = two_digits(*rest.first_chunk()?).filter(|second| *second < 60)?;
        let (fraction_us, len) = fraction_us(rest.get(2..)?)?;
        let local_us = self.minute_us + i64::from(second) * SECOND_US + fraction_us;
        let at = 19 + len;
        let (offset_us, offset_len) = match bytes.get(at..).and_then(offset_us) {
            Some(offset) => offset,
            None => return Some((Moment::Local(local_us), at)),
        };
        Some((Moment::At(local_us - offset_us), at + offset_len))
    }
}

/// Reads any other spelling.
pub(super) fn any_time(cell: &str) -> Moment {
    let cell = cell.trim();
    if let Some(us) = unix_seconds_us(cell) {
        return Moment::At(us);
    }
    if let Ok(time) = cell.parse::<Timestamp>() {
        return Moment::At(time.as_microsecond());
    }
    match cell.parse::<DateTime>() {
        // `2026-03-01` alone is a day, no time.
        Ok(time) if cell.contains(':') => civil_us(time).map_or(Moment::Unreadable, Moment::Local),
        _ => Moment::Unreadable,
    }
}

fn civil_us(time: DateTime) -> Option<i64> {
    let utc = TimeZone::UTC.to_timestamp(time).ok()?;
    Some(utc.as_microsecond())
}

/// Unix seconds with decimals, rounded down to microseconds.
pub(super) fn unix_seconds_us(cell: &str) -> Option<i64> {
    let (whole, decimals) = cell.split_once('.').unwrap_or((cell, ""));
    let is_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() || whole.len() > 12 || !is_digits(whole) || !is_digits(decimals) {
        return None;
    }
    let mut us = whole.parse::<i64>().ok()?.checked_mul(SECOND_US)?;
    let mut unit_us = SECOND_US / 10;
    for digit in decimals.bytes().take(6) {
        us += i64::from(digit - b'0') * unit_us;
        unit_us /= 10;
    }
    (us < LATEST_US).then_some(us)
}

#[inline(always)]
fn two_digits([tens, ones]: [u8; 2]) -> Option<u32> {
    let (tens, ones) = (tens.wrapping_sub(b'0'), ones.wrapping_sub(b'0'));
    (tens <= 9 && ones <= 9).then_some(u32::from(tens) * 10 + u32::from(ones))
}

fn minute_us(minute: &[u8; 17]) -> Option<i64> {
    let &[y1, y2, y3, y4, b'-', mo1, mo2, b'-', d1, d2, b'T' | b't' | b' ', h1, h2, b':', m1, m2, b':'] = minute else {
        return None;
    };
    let year = two_digits([y1, y2])? * 100 + two_digits([y3, y4])?;
    let (month, day) = (two_digits([mo1, mo2])?, two_digits([d1, d2])?);
    let (hour, minute) = (two_digits([h1, h2])?, two_digits([m1, m2])?);
    let time = DateTime::new(year as i16, month as i8, day as i8, hour as i8, minute as i8, 0, 0).ok()?;
    civil_us(time)
}

/// The decimals of a second with their point, rounded down to microseconds; a length of 0 without them.
#[inline]
fn fraction_us(bytes: &[u8]) -> Option<(i64, usize)> {
    if bytes.first() != Some(&b'.') {
        return Some((0, 0));
    }
    let (mut us, mut unit_us, mut len) = (0, SECOND_US / 10, 1);
    for byte in bytes.get(1..)? {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        us += i64::from(digit) * unit_us;
        unit_us /= 10;
        len += 1;
    }
    (len > 1).then_some((us, len))
}

/// `Z` or `+01:00` and its length.
#[inline]
fn offset_us(bytes: &[u8]) -> Option<(i64, usize)> {
    match *bytes {
        [b'Z' | b'z', ..] => Some((0, 1)),
        [sign @ (b'+' | b'-'), h1, h2, b':', m1, m2, ..] => {
            let (hours, minutes) = (two_digits([h1, h2])?, two_digits([m1, m2])?);
            if hours > 23 || minutes > 59 {
                return None;
            }
            let us = (i64::from(hours) * 60 + i64::from(minutes)) * 60 * SECOND_US;
            Some((if sign == b'-' { -us } else { us }, 6))
        }
        _ => None,
    }
}

/// Turns local times of one zone into Unix times; the hour that comes twice in autumn is told apart by order.
#[derive(Clone, Debug)]
pub(super) struct LocalClock {
    zone: TimeZone,
    /// The local quarter hour that was looked up last, and its offset: no zone changes within one.
    quarter: Option<(i64, AmbiguousOffset)>,
    last_local_us: i64,
    is_second_pass: bool,
}

impl LocalClock {
    pub(super) fn new(zone: TimeZone) -> LocalClock {
        LocalClock { zone, quarter: None, last_local_us: i64::MIN, is_second_pass: false }
    }

    /// The Unix time of a local time, microseconds; `None` in the hour that spring leaves out.
    pub(super) fn at_us(&mut self, local_us: i64) -> Option<i64> {
        let offset = match self.offset_at(local_us)? {
            AmbiguousOffset::Unambiguous { offset } => {
                self.is_second_pass = false;
                offset
            }
            AmbiguousOffset::Gap { .. } => return None,
            AmbiguousOffset::Fold { before, after } => {
                let has_fallen = local_us.saturating_add(LEAST_FALL_US) < self.last_local_us;
                // A fall from a later, unambiguous hour is a clock step, not the change of season.
                let was_within = self.last_local_us.saturating_sub(local_us) <= HOUR_US;
                self.is_second_pass |= has_fallen && was_within;
                if self.is_second_pass { after } else { before }
            }
        };
        self.last_local_us = local_us;
        Some(local_us - i64::from(offset.seconds()) * SECOND_US)
    }

    fn offset_at(&mut self, local_us: i64) -> Option<AmbiguousOffset> {
        // Some zones change on a half or quarter hour.
        let quarter = local_us.div_euclid(HOUR_US / 4);
        if let Some((known, offset)) = self.quarter
            && known == quarter
        {
            return Some(offset);
        }
        let civil = TimeZone::UTC.to_datetime(Timestamp::from_microsecond(local_us).ok()?);
        let offset = self.zone.to_ambiguous_timestamp(civil).offset();
        self.quarter = Some((quarter, offset));
        Some(offset)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> Moment {
        let mut parser = TimeParser::default();
        match parser.rfc3339(text.as_bytes()) {
            Some((moment, len)) if len == text.len() => moment,
            _ => any_time(text),
        }
    }

    #[test]
    fn examples_of_rfc_3339_are_read() {
        // Source: RFC 3339, section 5.8; the Unix times from the `date` command.
        assert_eq!(at("1985-04-12T23:20:50.52Z"), Moment::At(482_196_050_520_000));
        assert_eq!(at("1996-12-19T16:39:57-08:00"), Moment::At(851_042_397_000_000));
        assert_eq!(at("1937-01-01T12:00:27.87+00:20"), Moment::At(-1_041_337_172_130_000));
    }

    #[test]
    fn unix_seconds_keep_their_decimals() {
        assert_eq!(at("1772400000.1234567"), Moment::At(1_772_400_000_123_456));
        assert_eq!(at("1772400000"), Moment::At(1_772_400_000_000_000));
        // Milliseconds, taken as seconds, would lie in the year 58,000.
        assert_eq!(at("1772400000000"), Moment::Unreadable);
    }

    #[test]
    fn times_without_offset_are_local() {
        assert_eq!(at("1970-01-01 00:00:01"), Moment::Local(1_000_000));
        assert_eq!(at("1970-01-01T00:01"), Moment::Local(60_000_000));
        for odd in ["", "noon", "2026-02-30T00:00:00Z", "2026-01-01", "2026-01-01T25:00:00Z", "-5"] {
            assert_eq!(at(odd), Moment::Unreadable, "{odd}");
        }
    }

    #[test]
    fn the_hour_that_comes_twice_is_told_apart_by_order() {
        // Source: EU summer time ended on 2025-10-26 at 01:00 UTC (Directive 2000/84/EC: last Sunday of October).
        let mut clock = LocalClock::new(TimeZone::get("CET").unwrap());
        let mut utc = |text: &str| match at(text) {
            Moment::Local(local_us) => clock.at_us(local_us).unwrap(),
            other => unreachable!("{other:?}"),
        };
        let Moment::At(half_past_midnight_us) = at("2025-10-26T00:30:00Z") else { unreachable!() };
        assert_eq!(utc("2025-10-26T02:30:00"), half_past_midnight_us);
        assert_eq!(utc("2025-10-26T02:59:00"), half_past_midnight_us + 29 * 60 * SECOND_US);
        // Out of order by seconds is no second pass.
        assert_eq!(utc("2025-10-26T02:58:59"), half_past_midnight_us + (29 * 60 - 1) * SECOND_US);
        assert_eq!(utc("2025-10-26T02:00:00"), half_past_midnight_us + 30 * 60 * SECOND_US);
        assert_eq!(utc("2025-10-26T02:30:00"), half_past_midnight_us + HOUR_US);
        assert_eq!(utc("2025-10-26T03:00:00"), half_past_midnight_us + HOUR_US + HOUR_US / 2);
    }

    #[test]
    fn the_hour_that_spring_leaves_out_has_no_time() {
        // Source: EU summer time began on 2025-03-30 at 01:00 UTC (Directive 2000/84/EC).
        let mut clock = LocalClock::new(TimeZone::get("CET").unwrap());
        let Moment::Local(local_us) = at("2025-03-30T02:30:00") else { unreachable!() };
        assert_eq!(clock.at_us(local_us), None);
    }

    proptest! {
        #[test]
        fn the_fast_path_agrees_with_jiff(us in 0..4_102_444_800_000_000_i64) {
            // Source: the library jiff, which writes and reads RFC 3339.
            let text = Timestamp::from_microsecond(us).unwrap().to_string();
            prop_assert_eq!(at(&text), Moment::At(us));
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,30}") {
            at(&text);
        }
    }
}
