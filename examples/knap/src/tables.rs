//! Opening tables, with the columns that a verb reads, and progress while they are read.

use crate::blow::{BlowOptions, Given};
use crate::failure::{Failure, Outcome, Whose};
use crate::report::wrapped;
use conchoid::calibration::{Calibration, SIZE_COLUMNS};
use conchoid::table::{CLASSES, Header, Offer, OffersMade, Row, TableEstimates, TableOptions, TableReader};
use conchoid::table::{QUANTITIES, levels_of, offer_each};
use indicatif::{ProgressBar, ProgressFinish, ProgressStyle};
use std::fs::File;
use std::io::{Read, Seek};

pub use crate::files::{Sink, bytes, save};

/// The columns that say in what state a piece is: a flake is as it was struck, or not.
pub const STATE: [&str; 2] = ["portion", "retouched"];

/// Those that a verb cannot do without which leaves broken and retouched pieces out.
pub fn state(keep_incomplete: bool) -> Vec<String> {
    if keep_incomplete { Vec::new() } else { STATE.map(String::from).to_vec() }
}

/// A table to read.
pub type Table = TableReader<Box<dyn Read>>;

/// Opens a table; `-` is standard input.
pub fn open(path: &str, options: &TableOptions) -> Outcome<Table> {
    let table = TableReader::new(bytes(path)?, options).of_file(path)?;
    told(table.header());
    Ok(table)
}

pub use crate::taken::told;

/// An option that names a column which the table does not have.
pub fn unknown(header: &Header, flag: &str, column: &str) -> Failure {
    Failure::unknown(flag, column, header.names())
}

/// The size that a column measures; refuses one that measures none, which `--response` named.
pub fn size_of(column: &str) -> Outcome<&'static str> {
    let found = SIZE_COLUMNS.iter().find(|(known, _)| *known == column);
    let known = || Failure::unknown("--response", column, SIZE_COLUMNS.map(|(column, _)| column));
    found.map(|(_, size)| *size).ok_or_else(known)
}

/// Whether tables know a column of this name.
pub fn known(name: &str) -> bool {
    QUANTITIES.iter().any(|q| q.name() == name) || CLASSES.contains(&name)
}

/// The options with further columns of classes; the kind of percussor is looked up from what struck.
pub fn with_classes<'a>(options: TableOptions, more: impl IntoIterator<Item = &'a str>) -> TableOptions {
    more.into_iter().filter(|c| *c != "percussor_class").fold(options, |options, c| options.class(c))
}

/// Offers what a table holds, one row or columns of numbers at a time, and shows how far it is.
pub fn offer(
    table: Table,
    (path, what): (&str, &'static str),
    (needs, reads): (&[String], &[&str]),
    numbers: bool,
    take: impl FnMut(Offer<'_>) -> conchoid::Result<()>,
) -> Outcome<OffersMade> {
    offer_each(table, needs, reads, numbers, progress(what), take).of_file(path)
}

/// Estimates of the rows of a table, by what was said of all of them on the command line.
pub fn estimates<'a>(
    blow: &BlowOptions,
    given: &'a Given,
    calibration: Calibration,
    by_row: bool,
    level: f64,
) -> Outcome<TableEstimates<'a>> {
    let mut estimates = TableEstimates::new(calibration, level)?.given(given).every_caution(crate::quiet());
    if by_row {
        estimates = estimates.by_row();
    }
    Ok(if blow.of_the_experiment { estimates.of_the_experiment() } else { estimates })
}

/// Tells what was noticed while a table was read, and why cells cannot be used.
pub fn tell(made: &OffersMade) {
    for line in made.intake.to_string().lines() {
        note!("knap: {line}");
    }
    let lines = made.bad.lines(20);
    let (first, others) = lines.split_at(lines.len().min(2));
    let bare = |line: &String| line.rsplit_once(" (row").map_or(line.clone(), |(what, _)| what.to_string());
    let others: Vec<String> = others.iter().map(bare).collect();
    let told = first.iter().cloned().chain((!others.is_empty()).then(|| others.join("; ")));
    unused("knap: not used", &told.collect::<Vec<_>>(), ["", "    "]);
}

/// Tells why rows or cells cannot be used, and how words that are not known are told.
pub fn unused(what: &str, why: &[String], [first, indent]: [&str; 2]) {
    for line in why {
        let word = if line.contains(" is not one of ") { "; tell it with --word OURS=THEIRS" } else { "" };
        note!("{}", wrapped(&format!("{what}, {line}{word}"), first, indent, 108));
    }
}

/// The entries of one column with their rows, the most frequent first.
pub fn entries(
    table: Table,
    path: &str,
    column: &str,
    of: impl Fn(&Row, &str) -> Option<String>,
) -> Outcome<Vec<(String, u64)>> {
    let none: [&str; 0] = [];
    let found = levels_of(table, &none, &[column], |_| {}, |_| true, of).of_file(path)?;
    Ok(found.into_iter().next().unwrap_or_default())
}

/// A table that is read twice: a file, or what came through standard input, put aside.
pub enum Twice {
    File(String),
    Aside(File),
}

impl Twice {
    pub fn of(path: &str) -> Outcome<Twice> {
        if path != "-" {
            return Ok(Twice::File(path.to_string()));
        }
        let mut aside = tempfile::tempfile()?;
        std::io::copy(&mut bytes(path)?, &mut aside)?;
        Ok(Twice::Aside(aside))
    }

    /// Opens it anew, from its beginning. Nothing is told of its header.
    pub fn open(&self, options: &TableOptions) -> Outcome<Table> {
        let (reader, path): (Box<dyn Read>, &str) = match self {
            Twice::File(path) => (bytes(path)?, path),
            Twice::Aside(file) => {
                let mut file = file.try_clone()?;
                file.rewind()?;
                (Box::new(file), "-")
            }
        };
        TableReader::new(reader, options).of_file(path)
    }
}

/// Progress on a terminal, cleared at the end; nothing in a pipe, or where quiet was asked for.
pub fn progress(what: &'static str) -> impl FnMut(u64) {
    let bar = if crate::quiet() { ProgressBar::hidden() } else { ProgressBar::new_spinner() };
    let mut bar = bar.with_message(what).with_finish(ProgressFinish::AndClear);
    if let Ok(style) = ProgressStyle::with_template("{msg}: {human_pos} rows, {elapsed}") {
        bar = bar.with_style(style);
    }
    move |rows| bar.set_position(rows)
}
