//! Numbers on the command line: what is taken for one, and what to do about what is not. The verbs only declare `f64`,
//! [`Amount`] or a whole number; `main.rs` sets these readers for every option by its type.

use conchoid::material::Figure;
use std::str::FromStr;

/// A finite number.
pub fn number(text: &str) -> Result<f64, String> {
    let trimmed = text.trim();
    match trimmed.parse::<f64>() {
        Ok(v) if v.is_finite() => Ok(v),
        Ok(_) => Err(format!("\"{text}\" is not a finite number")),
        Err(_) if is_range(trimmed) => Err(format!("\"{text}\" is a range; write one number")),
        Err(_) => Err(not_a_number(text)),
    }
}

/// A number without a fraction, 0 or above.
pub fn whole<T: FromStr>(text: &str) -> Result<T, String> {
    let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    text.trim().parse().map_err(|_| match number(text) {
        Ok(_) if digits => format!("\"{text}\" is too large a number here"),
        Ok(_) => format!("\"{text}\" is not a whole number; write digits alone, such as 12"),
        Err(e) => e,
    })
}

/// A number, or a range low..high around its geometric middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    pub typical: f64,
    pub low: f64,
    pub high: f64,
}

impl FromStr for Amount {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let Some((low, high)) = ends(text)? else {
            let v = number(text)?;
            return Ok(Amount { typical: v, low: v, high: v });
        };
        if !(low > 0.0 && low <= high) {
            return Err(format!("\"{text}\": a range runs from a number above 0 to one not below it"));
        }
        Ok(Amount { typical: low.sqrt() * high.sqrt(), low, high })
    }
}

impl Amount {
    /// In another unit, for the library.
    pub fn times(self, factor: f64) -> (f64, f64, f64) {
        (self.typical * factor, self.low * factor, self.high * factor)
    }
}

impl From<Amount> for Figure {
    fn from(amount: Amount) -> Figure {
        amount.times(1.0).into()
    }
}

impl std::fmt::Display for Amount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.low == self.high {
            write!(f, "{}", self.low)
        } else {
            write!(f, "{} to {}", self.low, self.high)
        }
    }
}

/// The ends of a range `low..high`; nothing where the text is no range.
pub fn ends(text: &str) -> Result<Option<(f64, f64)>, String> {
    match text.split_once("..") {
        Some((low, high)) => Ok(Some((number(low)?, number(high)?))),
        None if is_range(text.trim()) => Err(format!("\"{text}\": write a range as low..high, such as 3..5")),
        None => Ok(None),
    }
}

/// Whether two numbers stand there, with a sign or word between them that people write for a range.
fn is_range(text: &str) -> bool {
    let numeric = |t: &str| t.trim().parse::<f64>().is_ok();
    ["..", "\u{2013}", "\u{2026}", " to ", "-"].iter().any(|between| {
        // a range may begin with a negative number
        let from = text.char_indices().nth(1).map_or(text.len(), |(i, _)| i);
        text[from..]
            .find(between)
            .is_some_and(|i| numeric(&text[..from + i]) && numeric(&text[from + i + between.len()..]))
    })
}

/// Whether the text is a number but for its decimal comma.
pub fn with_comma(text: &str) -> bool {
    text.contains(',') && text.replacen(',', ".", 1).parse::<f64>().is_ok()
}

/// What is wrong with a text that is not a number, and what to write instead where that can be told.
fn not_a_number(text: &str) -> String {
    let plain = text.trim().replace('\u{2212}', "-");
    let begins = |c: char| c.is_alphabetic() || matches!(c, '°' | '%' | '"');
    let (mut readings, mut unit) = (readings_of(&plain), "");
    if readings.is_empty() {
        let (figures, rest) = plain.split_at(plain.find(begins).unwrap_or(plain.len()));
        (readings, unit) = (readings_of(figures.trim_end()), rest.trim());
    }
    if readings.is_empty() || !is_unit(unit) {
        return format!("\"{text}\" is not a number; write one such as 7.3");
    }
    let mut slips: Vec<String> = Vec::new();
    if text.contains('\u{2212}') {
        slips.push("write the minus as a hyphen".to_string());
    }
    match &readings[..] {
        [(_, "")] => {}
        [(_, slip)] => slips.push(slip.to_string()),
        _ => slips.push("write the one that is meant".to_string()),
    }
    if unit == "%" {
        slips.push("write the share itself".to_string());
    } else if !unit.is_empty() {
        slips.push(format!("leave out {unit}, since the option's name tells the unit"));
    }
    let hundredth = |t: &str| format!("{t}e-2").parse::<f64>().map_or(t.to_string(), |v| v.to_string());
    let meant = readings.iter().map(|(t, _)| if unit == "%" { hundredth(t) } else { t.clone() });
    let meant: Vec<String> = meant.collect();
    format!("\"{text}\" is not a number; {}: {}", slips.join(" and "), meant.join(" or "))
}

/// Whether the text may be a unit, such as `mm`, `m/s` or `mm2`, or none.
fn is_unit(text: &str) -> bool {
    let letters = text.strip_suffix(['2', '3']).filter(|t| t.ends_with(char::is_alphabetic)).unwrap_or(text);
    letters.chars().all(|c| c.is_alphabetic() || matches!(c, '°' | '%' | '"' | '/' | '²' | '³'))
}

/// What the figures may mean, each with the slip that was made: a decimal comma, or marks between thousands.
fn readings_of(figures: &str) -> Vec<(String, &'static str)> {
    let finite = |t: &str| t.parse::<f64>().is_ok_and(f64::is_finite);
    if finite(figures) {
        return vec![(figures.to_string(), "")];
    }
    let mut found = Vec::new();
    let point = figures.replacen(',', ".", 1);
    if finite(&point) {
        found.push((point, "write a point"));
    }
    for mark in [',', ' ', '\'', '\u{2019}', '_', '.', '\u{a0}', '\u{202f}'] {
        let joined = figures.replace(mark, "").replace(',', ".");
        if in_threes(figures, mark) && finite(&joined) {
            found.push((joined, "leave nothing between the thousands"));
        }
    }
    found
}

/// Whether a mark parts the whole number into thousands.
fn in_threes(figures: &str, mark: char) -> bool {
    let body = figures.trim_start_matches(['+', '-']);
    let whole = body.split(|c| c != mark && matches!(c, '.' | ',')).next().unwrap_or(body);
    let groups: Vec<&str> = whole.split(mark).collect();
    let digits = |g: &&str| g.bytes().all(|b| b.is_ascii_digit());
    groups.len() > 1
        && groups.iter().all(digits)
        && (1..=3).contains(&groups[0].len())
        && !whole.starts_with('0')
        && groups[1..].iter().all(|g| g.len() == 3)
}
