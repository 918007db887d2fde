//! Opening tables, with the columns that a verb reads, and progress while they are read.

use crate::failure::{Failure, Outcome};
use conchoid::calibration::Calibration;
use conchoid::table::{CLASSES, QUANTITIES, TableOptions, TableReader};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::{IsTerminal, Read};

pub use crate::files::{Sink, bytes, save};

/// A table to read.
pub type Table = TableReader<Box<dyn Read>>;

/// Opens a table; `-` is standard input.
pub fn open(path: &str, options: &TableOptions) -> Outcome<Table> {
    TableReader::new(bytes(path)?, options).map_err(|e| Failure::other(format!("{path}: {e}")))
}

/// Reader options: the user's column map, and the columns that a calibration reads beyond the known ones.
pub fn options(map: &[String], calibration: Option<&Calibration>, more: &[String]) -> Outcome<TableOptions> {
    let mut options = TableOptions::new();
    for pair in map {
        let Some((theirs, ours)) = pair.split_once('=') else {
            return Err(Failure::usage(format!("--column {pair}: write THEIRS=OURS")));
        };
        options = options.column(theirs.trim(), ours.trim());
    }
    let known = |n: &str| QUANTITIES.iter().any(|q| q.name() == n) || CLASSES.contains(&n);
    let derived = |n: &str| n == "percussor_class";
    let mut numbers: Vec<&str> = more.iter().map(String::as_str).collect();
    if let Some(c) = calibration {
        numbers.extend(c.layout().numbers.iter().map(String::as_str));
        for class in &c.layout().classes {
            if !known(&class.name) && !derived(&class.name) {
                options = options.class(&class.name);
            }
        }
    }
    numbers.retain(|n| !known(n));
    numbers.sort_unstable();
    numbers.dedup();
    for n in numbers {
        options = options.number(n);
    }
    Ok(options)
}

/// Progress on a terminal; nothing in a pipe.
pub struct Progress(Option<ProgressBar>);

impl Progress {
    pub fn new(what: &'static str) -> Progress {
        if crate::quiet() || !std::io::stderr().is_terminal() {
            return Progress(None);
        }
        let bar = ProgressBar::new_spinner().with_message(what);
        if let Ok(style) = ProgressStyle::with_template("{msg}: {human_pos} rows, {elapsed}") {
            bar.set_style(style);
        }
        Progress(Some(bar))
    }

    pub fn tick(&self, rows: u64) {
        if let Some(bar) = &self.0
            && rows.is_multiple_of(1024)
        {
            bar.set_position(rows);
        }
    }

    /// So many rows are done.
    pub fn at(&self, rows: u64) {
        if let Some(bar) = &self.0 {
            bar.set_position(rows);
        }
    }

    pub fn finish(self) {
        if let Some(bar) = self.0 {
            bar.finish_and_clear();
        }
    }
}
