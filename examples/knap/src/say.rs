//! The one way to print: what goes to a terminal has no control characters, a stream that closes ends nothing but
//! itself, and JSON is the library's types as they are.

use crate::failure::Outcome;
use serde::Serialize;
use std::io::{self, Write};
use std::sync::atomic::{AtomicBool, Ordering};

/// Whether somebody who read what is written has gone (`| head`); that is no failure.
static GONE: AtomicBool = AtomicBool::new(false);

/// Whether a reader has gone.
pub fn reader_gone() -> bool {
    GONE.load(Ordering::Relaxed)
}

/// An error of writing with the name of what was written to; a reader that has gone is noted.
pub fn named(name: &str, e: io::Error) -> io::Error {
    if e.kind() == io::ErrorKind::BrokenPipe {
        GONE.store(true, Ordering::Relaxed);
    }
    io::Error::new(e.kind(), format!("{name}: {e}"))
}

/// Tells something beside the answer on standard error; where nobody hears it, nothing is lost.
pub fn aside(text: &str) {
    let _ = writeln!(io::stderr(), "{}", shown(text));
}

/// Characters that a terminal obeys or that turn the order of what is read: controls but the line break, and the marks
/// of Unicode that direct, part or hide text.
fn obeyed(c: char) -> bool {
    (c.is_control() && c != '\n')
        || matches!(c, '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}'
            | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{fffe}' | '\u{ffff}' | '\u{e0000}'..='\u{e007f}')
}

/// A text that is safe to show: what would be obeyed stands as its escape.
pub fn shown(text: &str) -> String {
    let one = |c: char| if obeyed(c) { c.escape_default().to_string() } else { c.to_string() };
    text.chars().map(one).collect()
}

/// A name in a line of text: shown, on one line, and cut where it is longer than any name.
pub fn name(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut out = shown(text).replace('\n', "\\n");
    if let Some((end, _)) = out.char_indices().nth(LONGEST) {
        out.truncate(end);
        out.push_str("...");
    }
    out
}

/// Shows what is written to it, whole characters at a time.
pub struct Shown<W: Write> {
    to: W,
    /// The beginning of a character that is not yet whole.
    begun: Vec<u8>,
}

/// Standard output for text that people read.
pub fn screen() -> Shown<Named<io::StdoutLock<'static>>> {
    Shown::new(stdout())
}

/// Standard output, whose errors say so.
pub fn stdout() -> Named<io::StdoutLock<'static>> {
    Named { to: io::stdout().lock(), name: "standard output".into() }
}

impl<W: Write> Shown<W> {
    pub fn new(to: W) -> Shown<W> {
        Shown { to, begun: Vec::new() }
    }
}

impl<W: Write> Write for Shown<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.begun.extend_from_slice(bytes);
        let whole = match std::str::from_utf8(&self.begun) {
            Ok(_) => self.begun.len(),
            Err(e) if e.error_len().is_none() => e.valid_up_to(),
            Err(_) => self.begun.len(),
        };
        let rest = self.begun.split_off(whole);
        let text = String::from_utf8_lossy(&self.begun).replace("\r\n", "\n");
        self.to.write_all(shown(&text).as_bytes())?;
        self.begun = rest;
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// A writer whose errors begin with its name.
pub struct Named<T> {
    pub to: T,
    pub name: String,
}

impl<W: Write> Write for Named<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.to.write(bytes).map_err(|e| named(&self.name, e))
    }
    fn flush(&mut self) -> io::Result<()> {
        self.to.flush().map_err(|e| named(&self.name, e))
    }
}

/// Prints a value as one line of JSON.
pub fn json(value: &impl Serialize) -> Outcome<()> {
    print_json(serde_json::to_string(value)?)
}

/// JSON with what a terminal would obey as JSON's own escapes: such characters stand inside its texts only.
pub fn print_json(text: String) -> Outcome<()> {
    let mut out = String::with_capacity(text.len() + 1);
    let mut units = [0; 2];
    for c in text.trim_end().chars() {
        match obeyed(c) {
            true => c.encode_utf16(&mut units).iter().for_each(|u| out.push_str(&format!("\\u{u:04x}"))),
            false => out.push(c),
        }
    }
    out.push('\n');
    let mut to = stdout();
    to.write_all(out.as_bytes())?;
    Ok(to.flush()?)
}
