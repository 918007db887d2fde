//! Files that a run reads and writes: told apart before any work, so that no input is written over, and written so
//! that under a name there is the old file or the whole new one.

use crate::failure::{Failure, Outcome};
use crate::say::{self, Named, Shown};
use clap::ArgMatches;
use same_file::Handle;
use std::fs::{File, Permissions};
use std::io::{self, BufWriter, IsTerminal, Read, Seek, Write};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Options whose value is a file that is read (where a file of that name exists), and one that is written.
const READ: [&str; 5] = ["table", "existing", "against", "calibration", "starting_from"];
const WRITTEN: [&str; 3] = ["out", "sheet", "plot"];

/// What a path stands for, however it is spelt.
#[derive(PartialEq)]
enum Thing {
    /// A file that is there.
    File(Handle),
    /// One that is not there yet, by its folder and name.
    Path(PathBuf),
}

/// An open stream, where it is an ordinary file.
fn of_stream(stream: io::Result<Handle>) -> Option<Thing> {
    let stream = stream.ok().filter(|h| h.as_file().metadata().is_ok_and(|m| m.is_file()));
    stream.map(Thing::File)
}

/// What a path stands for; nothing for what is no ordinary file (a terminal, a pipe), which nobody writes over.
fn thing(path: &str) -> Option<Thing> {
    let target = behind_links(Path::new(path));
    match std::fs::metadata(&target) {
        Ok(m) if !m.is_file() => None,
        Ok(_) => Some(Handle::from_path(&target).map_or(Thing::Path(target), Thing::File)),
        Err(_) => Some(Thing::Path(std::fs::canonicalize(folder(&target)).ok()?.join(target.file_name()?))),
    }
}

/// Where a path leads, through links that end at a file that is not there yet too.
fn behind_links(path: &Path) -> PathBuf {
    let mut at = path.to_path_buf();
    for _ in 0..40 {
        match std::fs::read_link(&at) {
            Ok(to) => at = folder(&at).join(to),
            Err(_) => break,
        }
    }
    at
}

/// The folder of a path; the one we are in, where it names none.
fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    }
}

/// Refuses, before anything is done, an output that is an input or another output, or that cannot be written.
pub fn check(words: &ArgMatches) -> Outcome<()> {
    let value = |id: &str| words.try_get_one::<String>(id).ok().flatten();
    let option = |id: &str| format!("--{}", id.replace('_', "-"));
    let mut taken: Vec<(String, Thing)> = Vec::new();
    if let Some(id) = READ.into_iter().chain(WRITTEN).find(|id| value(id).is_some_and(|path| path.is_empty()))
    {
        return Err(Failure::usage(format!("{}: no name stands there; name a file", option(id))));
    }
    for id in READ {
        let Some(path) = value(id) else { continue };
        let found = if path == "-" { of_stream(Handle::stdin()) } else { thing(path) };
        taken.extend(found.map(|t| (format!("the file that {} reads", option(id)), t)));
    }
    if let Some(t) = of_stream(Handle::stdout()) {
        if let Some((what, _)) = taken.iter().find(|(_, other)| *other == t) {
            return Err(Failure::usage(format!("standard output: this is {what}; write to another")));
        }
        taken.push(("standard output".to_string(), t));
    }
    for id in WRITTEN {
        let (option, Some(path)) = (option(id), value(id)) else { continue };
        if path == "-" && id == "out" {
            continue;
        }
        let target = target(path)?;
        if let Some(t) = thing(path) {
            if let Some((what, _)) = taken.iter().find(|(_, other)| *other == t) {
                return Err(Failure::usage(format!("{option} {path}: this is {what}; name another file")));
            }
            taken.push((format!("the file that {option} writes"), t));
        }
        if !target.exists() || target.is_file() {
            // a file without a name, gone at once, tells whether the folder can be written to
            tempfile::tempfile_in(folder(&target)).map_err(|e| wrong(path, &e))?;
        }
    }
    Ok(())
}

/// A further output, named after one and put beside it: `mine.json` with the ending `-flint.json` as `mine-flint.json`.
/// Refused where it is one of the files read.
pub fn named_after(out: &str, ending: &str, read: &[&str]) -> Outcome<String> {
    let path = Path::new(out);
    let stem = path.file_stem().map_or(String::new(), |s| s.to_string_lossy().into_owned());
    let further = path.with_file_name(format!("{stem}{ending}")).to_string_lossy().into_owned();
    if let Some(it) = thing(&further)
        && let Some(input) = read.iter().find(|r| thing(r).is_some_and(|t| t == it))
    {
        return Err(Failure::usage(format!(
            "{further}, beside {out}: this is {input}, which is read; rename --out"
        )));
    }
    Ok(further)
}

/// By its kind alone: the error itself may speak of a temporary file.
fn wrong(path: &str, e: &io::Error) -> Failure {
    Failure::other(format!("{path}: {}", e.kind()))
}

/// Where an output goes, where it can.
fn target(path: &str) -> Outcome<PathBuf> {
    let target = behind_links(Path::new(path));
    let within = folder(&target);
    if target.is_dir() {
        return Err(Failure::other(format!("{path}: is a folder")));
    }
    if !within.is_dir() {
        return Err(Failure::other(format!("{path}: there is no folder {}", within.display())));
    }
    if std::fs::metadata(&target).is_ok_and(|m| m.is_file() && m.permissions().readonly()) {
        return Err(Failure::other(format!("{path}: may not be written over (it is read-only)")));
    }
    Ok(target)
}

/// The bytes of a file, or of standard input for `-`.
pub fn bytes(path: &str) -> Outcome<Box<dyn Read>> {
    if path == "-" {
        return Ok(Box::new(io::stdin().lock()));
    }
    Ok(Box::new(File::open(path).map_err(|e| Failure::from(say::named(path, e)))?))
}

/// Where results go: standard output, or a file that appears under its name only when it is complete.
///
/// Until then the rows lie in a file without a name, which the system forgets when the run is interrupted. What is not
/// an ordinary file (a terminal, a named pipe) is written to directly and never replaced.
pub struct Sink {
    to: Named<Box<dyn Write>>,
    /// The rows of a file and where they go.
    rows: Option<(File, PathBuf)>,
}

impl Sink {
    pub fn open(out: Option<&str>) -> Outcome<Sink> {
        const BUFFER: usize = 1 << 16;
        let Some(path) = out.filter(|p| *p != "-") else {
            let to: Box<dyn Write> = match io::stdout().is_terminal() {
                true => Box::new(Shown::new(io::stdout())),
                false => Box::new(BufWriter::with_capacity(BUFFER, io::stdout())),
            };
            return Ok(Sink { to: Named { to, name: "standard output".into() }, rows: None });
        };
        let target = target(path)?;
        let wrong = |e: io::Error| wrong(path, &e);
        let (file, rows) = if std::fs::metadata(&target).is_ok_and(|m| !m.is_file()) {
            (File::options().write(true).open(&target).map_err(wrong)?, None)
        } else {
            let file = tempfile::tempfile_in(folder(&target)).map_err(wrong)?;
            (file.try_clone().map_err(wrong)?, Some((file, target)))
        };
        let to = Box::new(BufWriter::with_capacity(BUFFER, file));
        Ok(Sink { to: Named { to, name: path.to_string() }, rows })
    }

    /// Writes what is left and puts the file under its name.
    pub fn finish(mut self) -> Outcome<()> {
        self.to.flush()?;
        let Some((rows, target)) = self.rows else { return Ok(()) };
        put(rows, &target).map_err(|e| say::named(&self.to.name, e).into())
    }
}

/// Gives what was written the name of its target, with the mode of what it replaces.
fn put(mut rows: File, target: &Path) -> io::Result<()> {
    rows.rewind()?;
    let old = std::fs::metadata(target).ok();
    let mut named = beside(target)?;
    io::copy(&mut rows, named.as_file_mut())?;
    if let Some(old) = old {
        named.as_file().set_permissions(old.permissions())?;
    }
    named.as_file().sync_all()?;
    named.persist(target).map_err(|e| e.error)?;
    Ok(())
}

/// A file of its own beside the target, with the mode of any file that is made there.
fn beside(target: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder(target))
}

/// Writes a whole text, such as a picture, under its name.
pub fn save(path: &str, text: &str) -> Outcome<()> {
    let mut sink = Sink::open(Some(path))?;
    sink.write_all(text.as_bytes())?;
    sink.finish()
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.to.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}
