//! Decimal numbers as files of measurements have them.

/// Powers of ten that are exact.
const TENS: [f64; 16] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// Reads a plain decimal (`-12.5`) at the start of `bytes`; returns it and its length in bytes.
///
/// `None` for anything else, or more digits than are exact; what ends the number is the caller's business.
#[inline]
pub(super) fn plain_decimal(bytes: &[u8]) -> Option<(f32, usize)> {
    let is_negative = bytes.first() == Some(&b'-');
    let sign = usize::from(is_negative);
    let mut mantissa = 0_u64;
    let whole = digits(bytes.get(sign..)?, &mut mantissa);
    let mut len = sign + whole;
    let mut decimals = 0;
    if bytes.get(len) == Some(&b'.') {
        decimals = digits(bytes.get(len + 1..)?, &mut mantissa);
        len += 1 + decimals;
    }
    if whole + decimals > 15 {
        return None;
    }
    let value = mantissa as f64 / TENS.get(decimals).filter(|_| whole + decimals > 0)?;
    Some((if is_negative { -value } else { value } as f32, len))
}

#[inline(always)]
fn digits(bytes: &[u8], mantissa: &mut u64) -> usize {
    let mut count = 0;
    for byte in bytes {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        // Wraps only beyond 15 digits, where the caller gives up.
        *mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        count += 1;
    }
    count
}

/// Reads a cell of any spelling of a finite number; `comma` says whether the decimal mark may be a comma.
pub(super) fn any_number(cell: &str, comma: bool) -> Option<f32> {
    let cell = cell.trim();
    let number =
        if comma && cell.contains(',') && !cell.contains('.') { cell.replace(',', ".").parse() } else { cell.parse() };
    number.ok().filter(|number: &f32| number.is_finite())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn plain_decimals_end_where_they_end() {
        assert_eq!(plain_decimal(b"-12.5,3"), Some((-12.5, 5)));
        assert_eq!(plain_decimal(b"7\n"), Some((7.0, 1)));
        assert_eq!(plain_decimal(b".5"), Some((0.5, 2)));
        assert_eq!(plain_decimal(b"5."), Some((5.0, 2)));
        for odd in [&b""[..], b"-", b".", b"-.", b"abc", b"+1", b"1234567890123456"] {
            assert_eq!(plain_decimal(odd), None, "{}", odd.escape_ascii());
        }
    }

    #[test]
    fn a_decimal_comma_is_read_only_where_it_is_allowed() {
        assert_eq!(any_number(" 12,5 ", true), Some(12.5));
        assert_eq!(any_number("12,5", false), None);
        assert_eq!(any_number("1e3", false), Some(1000.0));
        assert_eq!(any_number("NaN", false), None);
        assert_eq!(any_number("inf", false), None);
    }

    proptest! {
        #[test]
        fn plain_decimals_agree_with_the_standard_library(value in -1e6_f32..1e6) {
            // Source: the standard library's correctly rounded parser.
            let text = format!("{value}");
            let (ours, len) = plain_decimal(text.as_bytes()).unwrap();
            prop_assert_eq!(len, text.len());
            prop_assert_eq!(ours, value);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
            let _ = plain_decimal(&bytes);
        }
    }
}
