//! What people read: numbers, and the page that paragraphs, figures with their ends and columns are laid out on.

use crate::failure::{Failure, Outcome};
use conchoid::predict::{Caution, in_few_of, in_words};
pub use conchoid::predict::{percent, short, unit};
use serde::Serialize;
use std::fmt::Display;
use std::io::Write;

/// How results are printed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// A short answer in words
    #[default]
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
    if format == RowFormat::Json {
        return Err(Failure::usage(
            "--format json goes with a single piece: a table is answered as a table, on standard output or in the \
             file that --out names",
        ));
    }
    Ok(())
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

/// Tells what became of the rows of a table, and what to change where nothing did; the exit code says whether rows were
/// refused.
pub fn summary(summary: &conchoid::table::Summary) -> u8 {
    note!("{}", lines(&summary.to_string()));
    if let Some(what) = summary.nothing_answered() {
        note!("knap: {what}");
    }
    exit_code(summary)
}

/// 3 where rows were refused.
pub fn exit_code(summary: &conchoid::table::Summary) -> u8 {
    if summary.refused_rows() > 0 { 3 } else { 0 }
}

/// What a column is called in a sentence, and its unit: `platform depth, mm`.
pub fn with_unit(name: &str) -> String {
    match unit(name) {
        "" => in_words(name),
        unit => format!("{}, {unit}", in_words(name)),
    }
}

/// Characters that a line of text may fill.
const WIDTH: usize = 79;
/// Cautions that text tells at most.
const TOLD: usize = 6;

/// A text for people as it grows.
#[derive(Default)]
pub struct Page(pub String);

impl Page {
    /// A line as it is.
    pub fn line(&mut self, text: impl Display) {
        self.0.push_str(&format!("{text}\n"));
    }
    /// A paragraph.
    pub fn say(&mut self, text: impl AsRef<str>) {
        self.under("", "", text);
    }
    /// A text of the library.
    pub fn told(&mut self, text: impl Display) {
        self.0.push_str(&format!("{text:WIDTH$}"));
    }
    /// A paragraph after a blank line.
    pub fn part(&mut self, text: impl AsRef<str>) {
        self.line("");
        self.say(text);
    }
    /// A paragraph behind a mark, continued under an indent.
    pub fn under(&mut self, mark: &str, indent: &str, text: impl AsRef<str>) {
        self.line(wrapped(text.as_ref(), mark, indent, WIDTH));
    }
    /// Cautions of several answers side by side with their names.
    pub fn cautions(&mut self, of_each: &[(&str, &[Caution])]) {
        let mut told = in_few_of(of_each);
        if told.len() > TOLD {
            let more = told.len() - (TOLD - 1);
            told.truncate(TOLD - 1);
            told.push(format!("{more} further cautions, each in --format json"));
        }
        if !told.is_empty() {
            self.line("\nMind:");
        }
        told.iter().for_each(|s| self.under(" - ", "   ", s));
    }
    /// Where a picture went.
    pub fn picture(&mut self, path: Option<&String>) {
        path.into_iter().for_each(|path| self.line(format!("Picture written to {path}")));
    }
}

/// Prints an answer: in JSON as it is, otherwise the page that tells it.
pub fn print(in_json: bool, answer: &impl Serialize, tell: impl FnOnce(&mut Page)) -> Outcome<u8> {
    if in_json {
        crate::say::json(answer)?;
    } else {
        let mut page = Page::default();
        tell(&mut page);
        let mut out = crate::say::screen();
        out.write_all(page.0.as_bytes())?;
        out.flush()?;
    }
    Ok(0)
}

/// A count with its noun.
pub fn count(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
