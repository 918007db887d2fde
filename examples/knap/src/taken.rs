//! The options that say how a table is taken in; the same for every verb that reads one.

use crate::failure::{Failure, Outcome};
use crate::number::number;
use crate::tables::known;
use clap::Args;
use conchoid::calibration::Calibration;
use conchoid::strike::PlatformShape;
use conchoid::table::{Condition, Header, TableOptions};

/// How a table is taken in.
#[derive(Args, Debug, Default, Clone)]
pub struct TakenIn {
    /// A column of the table with another name: theirs=ours; may be repeated
    #[arg(long = "column", value_name = "THEIRS=OURS")]
    pub columns: Vec<String>,
    /// Only rows where this holds: COLUMN=VALUE, or with != < <= > >= between them; may be repeated, and all must hold
    #[arg(long = "where", value_name = "CONDITION")]
    pub only: Vec<String>,
    /// A value that means "not recorded", such as 0, in all columns where it cannot be a measurement, or in one; may be
    /// repeated
    #[arg(value_name = "[COLUMN=]VALUE", allow_hyphen_values = true)]
    pub missing: Vec<String>,
    /// A word of the table for one of ours, such as complete=Blank or percussor:antler=Geweih; may be repeated
    #[arg(long = "word", value_name = "[COLUMN:]OURS=THEIRS")]
    pub words: Vec<String>,
    /// A column to leave alone, whatever its name says; may be repeated
    pub ignore: Vec<String>,
    /// Platform area from width and depth where it is not recorded: ellipse, rectangle, triangle (a column
    /// platform_shape goes before)
    pub platform_shape: Option<String>,
    /// Put an apostrophe before cells that a spreadsheet would run as formulas
    pub formulas_as_text: bool,
}

/// What stands on both sides of an equals sign.
pub fn pair(option: &str, text: &str, how: &str) -> Outcome<(String, String)> {
    let wrong = || Failure::usage(format!("--{option} {text}: write {how}"));
    let (a, b) = text.split_once('=').ok_or_else(wrong)?;
    Ok((a.trim().to_string(), b.trim().to_string()))
}

/// A number that is a part of the text of an option.
pub fn read(option: &str, text: &str, part: &str) -> Outcome<f64> {
    number(part).map_err(|e| Failure::usage(format!("--{option} {text}: {e}")))
}

/// A name with a number.
pub fn named_number(option: &str, text: &str, how: &str) -> Outcome<(String, f64)> {
    let (name, value) = pair(option, text, how)?;
    Ok((name, read(option, text, &value)?))
}

impl TakenIn {
    /// Reader options: what was said here, and the columns that calibrations or a verb read beyond the known ones.
    pub fn options(&self, calibrations: &[&Calibration], more: &[String]) -> Outcome<TableOptions> {
        let mut options = TableOptions::new();
        for text in &self.columns {
            let (theirs, ours) = pair("column", text, "THEIRS=OURS")?;
            options = options.column(theirs, ours);
        }
        for text in &self.only {
            let condition = text.parse::<Condition>().map_err(|e| Failure::usage(format!("--where {e}")))?;
            options = options.only(condition);
        }
        for text in &self.missing {
            options = match text.split_once('=') {
                Some((column, value)) => options.missing(Some(column.trim()), value.trim()),
                None => options.missing(None, text.trim()),
            };
        }
        for text in &self.words {
            let (ours, theirs) = pair("word", text, "OURS=THEIRS, such as complete=Blank")?;
            options = match ours.split_once(':') {
                Some((column, ours)) => options.word(Some(column.trim()), ours.trim(), theirs),
                None => options.word(None, ours, theirs),
            };
        }
        options = self.ignore.iter().fold(options, |options, column| options.ignore(column));
        if let Some(shape) = &self.platform_shape {
            let named = |e: conchoid::Error| e.to_string().replacen("platform_shape", "--platform-shape", 1);
            let shape = shape.parse::<PlatformShape>().map_err(|e| Failure::usage(named(e)))?;
            options = options.platform_shape(shape);
        }
        if self.formulas_as_text {
            options = options.formulas_as_text();
        }
        options = calibrations.iter().fold(options, |options, c| options.read_by(c));
        Ok(more.iter().fold(options, |options, name| options.number(name)))
    }

    /// Refuses a column mapped with --column that none of the tables has.
    pub fn mapped_in(&self, headers: [&Header; 2]) -> Outcome<()> {
        let mut theirs = self.columns.iter().filter_map(|c| c.split_once('=')).map(|c| c.0);
        let lacking = theirs.find(|t| headers.iter().all(|h| h.position(t).is_none()));
        let unknown = |t| Failure::unknown("--column", t, headers.iter().flat_map(|h| h.names()));
        lacking.map_or(Ok(()), |t| Err(unknown(t)))
    }

    /// Columns that an option calls as the table does, by our names: those mapped with --column, and ours in another
    /// spelling.
    pub fn in_our_names<'n>(&self, names: impl IntoIterator<Item = &'n mut String>) {
        for name in names {
            let mapped = self.columns.iter().filter_map(|c| c.split_once('='));
            let mapped = mapped.map(|(theirs, ours)| (theirs.trim(), ours.trim()));
            let ours =
                mapped.clone().find(|(theirs, _)| *theirs == name.trim()).map(|(_, ours)| ours.to_string());
            let plain = name.trim().to_lowercase().replace([' ', '-'], "_");
            *name =
                ours.or_else(|| known(&plain).then_some(plain)).unwrap_or_else(|| name.trim().to_string());
        }
    }

    /// Where nothing was answered and columns were left alone, says so.
    pub fn remind(&self, summary: &conchoid::table::Summary) {
        if summary.nothing_answered().is_some() && !self.ignore.is_empty() {
            note!(
                "knap: --ignore leaves alone: {}; take back the one that is needed",
                self.ignore.join(", ")
            );
        }
    }

    /// What was said, for a command that is written into a calibration.
    pub fn command(&self) -> String {
        let mut said = String::new();
        for (option, all) in [
            ("column", &self.columns),
            ("where", &self.only),
            ("missing", &self.missing),
            ("word", &self.words),
            ("ignore", &self.ignore),
        ] {
            all.iter().for_each(|text| said.push_str(&format!(" --{option} {text}")));
        }
        if let Some(shape) = &self.platform_shape {
            said.push_str(&format!(" --platform-shape {shape}"));
        }
        said
    }
}

/// Tells what a header line leaves in doubt, and columns that may be known ones as options ready to be given.
pub fn told(header: &Header) {
    for remark in header.remarks() {
        note!("knap: {remark}");
    }
    if header.suggestions().is_empty() {
        return;
    }
    let options: Vec<String> = header
        .suggestions()
        .iter()
        .map(|(theirs, ours)| {
            let text = format!("{theirs}={ours}");
            let plain = |c: char| c.is_ascii_alphanumeric() || "_=.-".contains(c);
            if text.chars().all(plain) { text } else { format!("'{}'", text.replace('\'', "'\\''")) }
        })
        .map(|text| format!("--column {text}"))
        .collect();
    note!(
        "knap: names that may mean known columns, with the unit that their values betray; to take them so, add:"
    );
    note!("  {}", options.join(" "));
}
