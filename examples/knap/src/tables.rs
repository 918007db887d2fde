//! Opening tables, with the columns that a verb reads, and progress while they are read.

use crate::failure::{Failure, Outcome};
use conchoid::table::{TableOptions, TableReader};
use indicatif::{ProgressBar, ProgressStyle};
use std::fs::File;
use std::io::{IsTerminal, Read, Seek};

pub use crate::files::{Sink, bytes, save};

/// A table to read.
pub type Table = TableReader<Box<dyn Read>>;

/// Opens a table; `-` is standard input.
pub fn open(path: &str, options: &TableOptions) -> Outcome<Table> {
    let table =
        TableReader::new(bytes(path)?, options).map_err(|e| Failure::other(format!("{path}: {e}")))?;
    told(table.header());
    Ok(table)
}

pub use crate::taken::told;

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
        TableReader::new(reader, options).map_err(|e| Failure::other(format!("{path}: {e}")))
    }
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
