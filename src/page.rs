//! Texts for people: paragraphs broken at the width that a format string asks for (`{:79}`), otherwise one line each.

use std::fmt::{self, Display};

/// A text as it grows.
pub(crate) struct Page {
    text: String,
    width: usize,
}

impl Page {
    pub(crate) fn new(f: &fmt::Formatter<'_>) -> Page {
        Page { text: String::new(), width: f.width().unwrap_or(usize::MAX) }
    }
    /// A line as it is.
    pub(crate) fn line(&mut self, text: impl Display) {
        self.text.push_str(&format!("{text}\n"));
    }
    /// A paragraph.
    pub(crate) fn say(&mut self, text: impl AsRef<str>) {
        self.under("", "", text);
    }
    /// A paragraph after a blank line.
    pub(crate) fn part(&mut self, text: impl AsRef<str>) {
        self.line("");
        self.say(text);
    }
    /// A paragraph behind a mark, continued under an indent.
    pub(crate) fn under(&mut self, mark: &str, indent: &str, text: impl AsRef<str>) {
        self.text.push_str(mark);
        let (mut column, mut fresh) = (mark.chars().count(), true);
        for word in text.as_ref().split_whitespace() {
            let len = word.chars().count();
            if !fresh && column + 1 + len > self.width {
                self.text.push('\n');
                self.text.push_str(indent);
                (column, fresh) = (indent.chars().count(), true);
            }
            if !fresh {
                self.text.push(' ');
                column += 1;
            }
            self.text.push_str(word);
            (column, fresh) = (column + len, false);
        }
        self.text.push('\n');
    }
    /// An entry of a list within a block.
    pub(crate) fn entry(&mut self, text: impl AsRef<str>) {
        self.under("  - ", "    ", text);
    }
    /// What to mind.
    pub(crate) fn mind(&mut self, sentences: &[String]) {
        if !sentences.is_empty() {
            self.line("\nMind:");
        }
        sentences.iter().for_each(|s| self.under(" - ", "   ", s));
    }
    /// Writes it.
    pub(crate) fn show(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// Three significant digits, without idle zeros after a point; with an exponent only where nobody would count the zeros.
pub(crate) fn short(v: f64) -> String {
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
pub(crate) fn percent(p: f64) -> String {
    let text = format!("{:.2}", p * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// A name in a line of text: on one line, and cut where it is longer than any name.
pub(crate) fn name(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut out = text.replace('\n', "\\n");
    if let Some((end, _)) = out.char_indices().nth(LONGEST) {
        out.truncate(end);
        out.push_str("...");
    }
    out
}
