//! How to read a CSV file that is not in our own form.

use airvalve_recording::csv::{ColumnMap, CsvOptions, time_zone};
use clap::Args;
use jiff::tz::{Offset, TimeZone};

use crate::failure::Failure;

#[derive(Args)]
pub(crate) struct CsvArguments {
    /// Names that a CSV file has for our columns, as time=Zeit,float_pct=Lage
    #[arg(long, value_name = "OURS=THEIRS,…")]
    columns: Option<String>,
    /// Zone of local times without offset in a CSV file, as CET or +05:30
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    time_zone: Option<String>,
    /// The CSV file separates columns by semicolons and writes decimals with a comma
    #[arg(long)]
    decimal_comma: bool,
}

impl CsvArguments {
    pub(crate) fn options(&self) -> Result<CsvOptions, Failure> {
        Ok(CsvOptions {
            columns: self.columns.as_deref().map(ColumnMap::parse).transpose()?.unwrap_or_default(),
            time_zone: self.time_zone.as_deref().map(zone).transpose()?,
            decimal_comma: self.decimal_comma,
        })
    }
}

/// A zone by its name in the tz database, or an offset from UTC that always holds.
fn zone(name: &str) -> Result<TimeZone, Failure> {
    match fixed_offset(name) {
        Some(offset) => Ok(TimeZone::fixed(offset)),
        None => Ok(time_zone(name)?),
    }
}

/// `+05:30`, `-0300` or `+2`; `None` where that is not its shape.
fn fixed_offset(text: &str) -> Option<Offset> {
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = match rest.split_once(':') {
        Some(parts) => parts,
        None => rest.split_at_checked(2).unwrap_or((rest, "")),
    };
    let number = |digits: &str| digits.bytes().all(|byte| byte.is_ascii_digit()).then(|| digits.parse::<i32>().ok())?;
    let hours = number(hours).filter(|hours| *hours <= 14)?;
    let minutes =
        if minutes.is_empty() { 0 } else { number(minutes).filter(|number| minutes.len() == 2 && *number < 60)? };
    Offset::from_seconds(sign * (60 * hours + minutes) * 60).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_is_read_in_the_usual_spellings() {
        let seconds = |text| fixed_offset(text).map(Offset::seconds);
        assert_eq!(seconds("+05:30"), Some(19_800));
        assert_eq!(seconds("-0330"), Some(-12_600));
        assert_eq!((seconds("+2"), seconds("+02"), seconds("-00:00")), (Some(7200), Some(7200), Some(0)));
        for wrong in
            ["", "CET", "05:30", "+", "+:30", "+15", "+05:60", "+05:5", "+05:3x", "+1234567", "+é", "Etc/GMT+5"]
        {
            assert_eq!(seconds(wrong), None, "{wrong}");
        }
    }
}
