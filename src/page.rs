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
    /// A name with a figure and its ends; widths of both, and what stands between, such as the unit.
    pub(crate) fn figure(&mut self, name: &str, (width, room): (usize, usize), unit: &str, ends: [f64; 3]) {
        let [low, middle, high] = ends.map(short);
        self.line(format!("  {name:width$} {middle:>room$}{unit}({low} to {high})"));
    }
    /// Cells under each other: their widths, below zero where they begin at the left.
    pub(crate) fn columns<C: Display>(&mut self, widths: &[isize], cells: impl IntoIterator<Item = C>) {
        let cell = |(width, c): (&isize, C)| match (width.unsigned_abs(), *width < 0) {
            (width, true) => format!("{c:width$}"),
            (width, false) => format!("{c:>width$}"),
        };
        let cells: Vec<String> = widths.iter().zip(cells).map(cell).collect();
        self.line(cells.join(" "));
    }
    /// An entry of a list within a block.
    pub(crate) fn entry(&mut self, text: impl AsRef<str>) {
        self.under("  - ", "    ", text);
    }
    /// Why flakes were left out.
    pub(crate) fn reasons<'a>(&mut self, counts: impl IntoIterator<Item = &'a (String, u64)>) {
        counts.into_iter().for_each(|(reason, n)| self.under("  ", "     ", format!("{n}: {reason}")));
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

/// A text that is laid out where it is written.
pub(crate) struct Told<F>(pub(crate) F);

impl<F: Fn(&mut Page)> Display for Told<F> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        self.0(&mut page);
        page.show(f)
    }
}

/// A figure for people: three significant digits, without idle zeros after a point; with an exponent only where nobody would
/// count the zeros.
///
/// ```
/// use conchoid::predict::short;
/// assert_eq!([0.0, 8.0, 12.345, 12345.0, 1e-9].map(short), ["0", "8.00", "12.3", "12300", "1.00e-9"]);
/// ```
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

/// A probability as a percentage without idle zeros (0.95 is `95`).
pub fn percent(p: f64) -> String {
    let text = format!("{:.2}", p * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// A probability in two decimals, and no false certainty (`above 0.99`).
pub(crate) fn probability(p: f64) -> String {
    match p {
        p if p < 0.005 => "below 0.01".to_string(),
        p if p > 0.995 => "above 0.99".to_string(),
        p => format!("{p:.2}"),
    }
}

/// The unit that a column's name ends in, in words (`m/s` for `speed_m_s`); nothing for what has none.
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

/// A sentence that begins with a capital.
pub(crate) fn begun(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |c| c.to_uppercase().chain(letters).collect())
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
