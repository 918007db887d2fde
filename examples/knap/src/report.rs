//! Numbers and paragraphs for people, ordered JSON for programs.

use crate::failure::{Failure, Outcome};
use conchoid::predict::{Caution, in_few};

/// How results are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// A short answer in words
    Text,
    /// One JSON object
    Json,
}

/// How results are printed that are a row of a table too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum RowFormat {
    /// A short answer in words
    Text,
    /// One JSON object
    Json,
    /// A header line, and rows under it
    Csv,
}

/// Refuses JSON of a table, which is answered row by row.
pub fn table_as_table(format: RowFormat) -> Outcome<()> {
    match format {
        RowFormat::Json => Err(Failure::usage(
            "--format json goes with a single piece: a table is answered as a table, on standard output or in the \
             file that --out names",
        )),
        RowFormat::Text | RowFormat::Csv => Ok(()),
    }
}

/// Three significant digits, without idle zeros after a point; with an exponent only where nobody would count the zeros.
pub fn short(v: f64) -> String {
    if v == 0.0 || !v.is_finite() {
        return format!("{v}");
    }
    let magnitude = v.abs().log10().floor() as i32;
    if !(-6..12).contains(&magnitude) {
        return format!("{v:.2e}");
    }
    if magnitude >= 3 {
        let step = 10f64.powi(magnitude - 2);
        return format!("{:.0}", (v / step).round() * step);
    }
    let decimals = (2 - magnitude).clamp(0, 8) as usize;
    format!("{v:.decimals$}")
}

/// A probability as a percentage without idle zeros.
pub fn percent(p: f64) -> String {
    let text = format!("{:.2}", p * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// Two decimals, and no false certainty.
pub fn probability(p: f64) -> String {
    match p {
        p if p < 0.005 => "below 0.01".to_string(),
        p if p > 0.995 => "above 0.99".to_string(),
        p => format!("{p:.2}"),
    }
}

/// Breaks a text into lines of at most `width` characters, continued under `indent`.
pub fn wrapped(text: &str, first: &str, indent: &str, width: usize) -> String {
    let mut out = String::from(first);
    let mut column = first.chars().count();
    let mut fresh = true;
    for word in text.split_whitespace() {
        let len = word.chars().count();
        if !fresh && column + 1 + len > width {
            out.push('\n');
            out.push_str(indent);
            column = indent.chars().count();
            fresh = true;
        }
        if !fresh {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += len;
        fresh = false;
    }
    out
}

/// Breaks every line of a text, continued under its own indent and a little more.
pub fn lines(text: &str) -> String {
    let broken = text.trim_end().lines().map(|line| {
        let indent = line.len() - line.trim_start().len();
        wrapped(line, &" ".repeat(indent), &" ".repeat(indent + 4), 79)
    });
    broken.collect::<Vec<_>>().join("\n")
}

/// Tells what became of the rows of a table, and what to change where nothing did.
pub fn summary(summary: &conchoid::table::Summary) {
    note!("{}", lines(&summary.to_string()));
    if let Some(what) = summary.nothing_answered() {
        note!("knap: {what}");
    }
}

/// The unit that a name ends in, in words; nothing for what has none.
pub fn unit(name: &str) -> &'static str {
    match name.rsplit_once('_') {
        _ if name.ends_with("_m_s") => "m/s",
        Some((_, "mm")) => "mm",
        Some((_, "mm2")) => "mm2",
        Some((_, "g")) => "g",
        Some((_, "deg")) => "degrees",
        _ => "",
    }
}

/// The cautions as a paragraph, empty without any.
pub fn cautions(list: &[Caution]) -> String {
    let mut told = in_few(list);
    if told.len() > TOLD {
        let more = told.len() - (TOLD - 1);
        told.truncate(TOLD - 1);
        told.push(format!("{more} further cautions, each in --format json"));
    }
    remarks(&told)
}

/// Cautions that text tells at most.
const TOLD: usize = 6;

/// The same from sentences.
pub fn remarks(list: &[String]) -> String {
    if list.is_empty() {
        return String::new();
    }
    let mut out = String::from("\nMind:\n");
    for sentence in list {
        out.push_str(&wrapped(sentence, " - ", "   ", 79));
        out.push('\n');
    }
    out
}

/// A count with its noun.
pub fn count(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
