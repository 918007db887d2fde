//! Numbers from and to text, for columns of many: a decimal read exactly where that takes one division, a number
//! written to six significant digits.

/// Powers of ten that are exact as f64.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// Digits whose integer is exact as f64.
const MOST_DIGITS: usize = 15;

/// A number of at most 15 digits, with or without a point and a minus: numerator and power of ten are exact, so
/// their one quotient is the nearest f64 (Clinger 1990, How to read floating point numbers accurately; from
/// memory). None for any other text, which may be a number all the same.
pub(super) fn plain_decimal(text: &[u8]) -> Option<f64> {
    let (minus, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, text),
    };
    if digits.is_empty() || digits.len() > MOST_DIGITS + 1 {
        return None;
    }
    let mut whole = 0u64;
    let mut after = None;
    for (i, b) in digits.iter().enumerate() {
        let digit = b.wrapping_sub(b'0');
        if digit < 10 {
            whole = whole * 10 + u64::from(digit);
        } else if *b == b'.' && after.is_none() {
            after = Some(digits.len() - 1 - i);
        } else {
            return None;
        }
    }
    let count = digits.len() - usize::from(after.is_some());
    if count == 0 || count > MOST_DIGITS {
        return None;
    }
    let value = whole as f64 / TENS[after.unwrap_or(0)];
    Some(if minus { -value } else { value })
}

/// Writes a finite number rounded to six significant digits (half away from zero), without zeros at the end:
/// `39.1481`, `0.0527`, `1234570`, and with an exponent below 1e-5 and from 1e15.
pub(super) fn put_rounded(value: f64, out: &mut Vec<u8>) {
    if value == 0.0 {
        out.push(b'0');
        return;
    }
    if value < 0.0 {
        out.push(b'-');
    }
    let a = value.abs();
    if !(1e-5..1e15).contains(&a) {
        // rare: by way of text
        let rounded = format!("{a:.5e}");
        let (digits, exponent) = rounded.split_once('e').unwrap_or((&rounded, "0"));
        let digits =
            if digits.contains('.') { digits.trim_end_matches('0').trim_end_matches('.') } else { digits };
        out.extend_from_slice(digits.as_bytes());
        out.push(b'e');
        out.extend_from_slice(exponent.as_bytes());
        return;
    }
    // 10^e <= a < 10^(e + 1); the guess from the binary exponent is at most one too small
    let binary = ((a.to_bits() >> 52) as i32) - 1023;
    let mut e = (binary * 1233) >> 12;
    let power = |e: i32| if e >= 0 { TENS[e as usize] } else { 1.0 / TENS[-e as usize] };
    if a >= power(e + 1) {
        e += 1;
    }
    let scaled = if e <= 5 { a * TENS[(5 - e) as usize] } else { a / TENS[(e - 5) as usize] };
    let mut six = (scaled + 0.5) as u32;
    if six >= 1_000_000 {
        six = 100_000;
        e += 1;
    }
    let mut digits = [0u8; 6];
    let (high, low) = (six / 1000, six % 1000);
    for (at, three) in [(0, high), (3, low)] {
        digits[at] = b'0' + (three / 100) as u8;
        digits[at + 1] = b'0' + (three / 10 % 10) as u8;
        digits[at + 2] = b'0' + (three % 10) as u8;
    }
    put_digits(&digits, e, out);
}

/// Six digits with the first at 10^e.
fn put_digits(digits: &[u8; 6], e: i32, out: &mut Vec<u8>) {
    let mut n = 6;
    while n > 1 && digits[n - 1] == b'0' {
        n -= 1;
    }
    if e < 0 {
        out.extend_from_slice(b"0.0000"[..(1 - e) as usize].as_ref());
        out.extend_from_slice(&digits[..n]);
    } else if e >= 5 {
        out.extend_from_slice(digits);
        out.resize(out.len() + (e - 5) as usize, b'0');
    } else {
        let whole = e as usize + 1;
        out.extend_from_slice(&digits[..whole]);
        if n > whole {
            out.push(b'.');
            out.extend_from_slice(&digits[whole..n]);
        }
    }
}

/// A probability rounded to millionths, as terminations are written.
pub(super) fn millionths(p: f64) -> f64 {
    (p * 1e6).round() / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rounded(v: f64) -> String {
        let mut out = Vec::new();
        put_rounded(v, &mut out);
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn six_significant_digits() {
        for (value, text) in [
            (0.0, "0"),
            (-0.0, "0"),
            (1.0, "1"),
            (39.14805500563418, "39.1481"),
            (7.99549, "7.99549"),
            (0.0527, "0.0527"),
            (0.1, "0.1"),
            (100.0, "100"),
            (999_999.5, "1000000"),
            (999_999.4, "999999"),
            (9.999_996, "10"),
            (0.999_999_6, "1"),
            (1_234_567.8, "1234570"),
            (-2.5, "-2.5"),
            (0.000_01, "0.00001"),
            (0.000_012_345_678, "0.0000123457"),
            (0.000_001_5, "1.5e-6"),
            (2e15, "2e15"),
            (1.234_567_8e300, "1.23457e300"),
            (f64::MIN_POSITIVE, "2.22507e-308"),
            (5e-324, "4.94066e-324"),
        ] {
            assert_eq!(rounded(value), text, "{value:e}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn rounding_stays_within_half_a_last_digit(m in 1.0f64..10.0, e in -300i32..300) {
            let v = m * 10f64.powi(e);
            let back: f64 = rounded(v).parse().unwrap();
            prop_assert!((back - v).abs() <= 0.500_001e-5 * 10f64.powi(e), "{v:e} {back:e}");
            prop_assert_eq!(rounded(back), rounded(v), "a rounded number stays as it is");
        }

        #[test]
        fn plain_decimals_are_the_standard_ones(whole in 0u64..1_000_000_000, part in 0u64..1_000_000, width in 0usize..7, minus: bool) {
            let sign = if minus { "-" } else { "" };
            let text = if width == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{:0width$}", part % 10u64.pow(width as u32)) };
            prop_assert_eq!(plain_decimal(text.as_bytes()).map(f64::to_bits), text.parse::<f64>().ok().map(f64::to_bits), "{}", text);
        }
    }

    #[test]
    fn other_texts_are_left_to_the_standard_reader() {
        for text in [
            "",
            "-",
            ".",
            "-.",
            "1e5",
            "+1",
            " 1",
            "1 ",
            "1,5",
            "1..2",
            "nan",
            "1234567890123456",
            "\u{2212}5",
            "--1",
        ] {
            assert_eq!(plain_decimal(text.as_bytes()), None, "{text:?}");
        }
        for (text, value) in [("5.", 5.0), (".5", 0.5), ("-0", -0.0), ("123456789012345", 123456789012345.0)]
        {
            assert_eq!(
                plain_decimal(text.as_bytes()).map(f64::to_bits),
                Some(f64::to_bits(value)),
                "{text:?}"
            );
        }
    }
}
