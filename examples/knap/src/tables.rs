//! Opening tables and writing results: a file or standard input, a finished file or standard output.

use crate::failure::{Failure, Outcome};
use conchoid::calibration::Calibration;
use conchoid::table::{CLASSES, QUANTITIES, TableOptions, TableReader};
use indicatif::{ProgressBar, ProgressStyle};
use std::fs::File;
use std::io::{BufWriter, IsTerminal, Read, Seek, Write};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// A table to read.
pub type Table = TableReader<Box<dyn Read>>;

/// Opens a table; `-` is standard input.
pub fn open(path: &str, options: &TableOptions) -> Outcome<Table> {
    TableReader::new(bytes(path)?, options).map_err(|e| Failure::other(format!("{path}: {e}")))
}

/// The bytes of a file, or of standard input for `-`.
pub fn bytes(path: &str) -> Outcome<Box<dyn Read>> {
    if path == "-" {
        return Ok(Box::new(std::io::stdin().lock()));
    }
    Ok(Box::new(File::open(path).map_err(|e| Failure::other(format!("{path}: {e}")))?))
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

/// Where results go: standard output, or a file that appears under its name only when it is complete.
///
/// Until then the rows lie in a file without a name, which the system forgets when the run is interrupted. What is not
/// an ordinary file (a terminal, a named pipe) is written to directly and never replaced.
pub enum Sink {
    Stdout(BufWriter<std::io::Stdout>),
    Direct(BufWriter<File>),
    File(BufWriter<File>, PathBuf),
}

/// The folder of a path; the one we are in, where it names none.
fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    }
}

impl Sink {
    pub fn open(out: Option<&str>) -> Outcome<Sink> {
        const BUFFER: usize = 1 << 16;
        let Some(path) = out.filter(|p| *p != "-") else {
            return Ok(Sink::Stdout(BufWriter::with_capacity(BUFFER, std::io::stdout())));
        };
        // by its kind alone: the error itself may speak of a temporary file
        let wrong = |e: std::io::Error| Failure::other(format!("{path}: {}", e.kind()));
        let target = Path::new(path);
        if target.is_dir() {
            return Err(Failure::other(format!("{path}: is a folder")));
        }
        if std::fs::metadata(target).is_ok_and(|m| !m.is_file()) {
            let file = File::options().write(true).open(target).map_err(wrong)?;
            return Ok(Sink::Direct(BufWriter::with_capacity(BUFFER, file)));
        }
        let folder = folder(target);
        if !folder.is_dir() {
            return Err(Failure::other(format!("{path}: there is no folder {}", folder.display())));
        }
        let file = tempfile::tempfile_in(folder).map_err(wrong)?;
        Ok(Sink::File(BufWriter::with_capacity(BUFFER, file), target.into()))
    }

    /// Writes what is left and puts the file under its name.
    pub fn finish(self) -> Outcome<()> {
        match self {
            Sink::Stdout(mut w) => Ok(w.flush()?),
            Sink::Direct(mut w) => Ok(w.flush()?),
            Sink::File(w, path) => {
                let mut rows = w.into_inner().map_err(|e| Failure::from(e.into_error()))?;
                rows.rewind()?;
                let mut named = NamedTempFile::new_in(folder(&path))?;
                std::io::copy(&mut rows, named.as_file_mut())?;
                readable(named.path())?;
                named
                    .persist(&path)
                    .map_err(|e| Failure::other(format!("{}: {}", path.display(), e.error.kind())))?;
                Ok(())
            }
        }
    }
}

/// Writes a whole text, such as a picture, under its name.
pub fn save(path: &str, text: &str) -> Outcome<()> {
    let mut sink = Sink::open(Some(path))?;
    sink.write_all(text.as_bytes())?;
    sink.finish()
}

/// Gives a temporary file the permissions that a file made in the ordinary way would have.
#[cfg(unix)]
fn readable(path: &Path) -> Outcome<()> {
    use std::os::unix::fs::PermissionsExt;
    Ok(std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o644))?)
}

#[cfg(not(unix))]
fn readable(_: &Path) -> Outcome<()> {
    Ok(())
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        match self {
            Sink::Stdout(w) => w.write(bytes),
            Sink::Direct(w) | Sink::File(w, _) => w.write(bytes),
        }
    }
    fn flush(&mut self) -> std::io::Result<()> {
        match self {
            Sink::Stdout(w) => w.flush(),
            Sink::Direct(w) | Sink::File(w, _) => w.flush(),
        }
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
