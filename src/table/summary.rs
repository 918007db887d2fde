//! What became of the rows of a table, counted: by what they were answered, why they were refused, what is doubtful.
//! A reason is told once, with its count and its first rows; the reason of each row stands beside it in the output.

use super::column::shorten;
use super::estimates::GENERAL;
use super::intake::{Intake, Noticed, rows_counted};
use super::row::Row;
use crate::assess::measured::{MeasuredFit, MeasuredSizes, Tally, verdict};
use crate::error::{Error, counted};
use crate::predict::in_words;
use crate::predict::{Caution, Estimate};
use std::collections::BTreeMap;
use std::fmt;

/// Reasons that are told apart; further ones are counted together. This crate's choice, no source.
const MOST_REASONS: usize = 64;
/// Lines for reasons, for remarks, for doubts and for the texts of each, so that the whole can be read. This crate's
/// choices, no source.
const TOLD_REASONS: usize = 4;
const TOLD_REMARKS: usize = 2;
const TOLD_DOUBTS: usize = 2;
const TOLD_TEXTS: usize = 4;
/// Where the reasons stand that are not told.
const BESIDE: &str = ", each beside its row";
/// What stands for the words of a caution that differ by the numbers of each row; those of the first are the example.
const OF_ITS_NUMBERS: &str = "such as";

/// Why rows were refused or remarked, each reason once.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::table::{TableEstimates, TableOptions, TableReader};
/// let text = "depth_mm,exterior_platform_angle_deg\n8,75\n7,\n9,wide\n6,\n";
/// let table = TableReader::new(text.as_bytes(), &TableOptions::new().column("depth_mm", "platform_depth_mm"))?;
/// let estimates = TableEstimates::new(bundled::named("hard-hammer-flint")?, 0.95)?;
/// let (_, summary) = estimates.write(table, std::io::sink(), |_| {})?;
/// assert_eq!(
///     summary.refusals().lines(5),
///     ["2 rows: no exterior platform angle (rows 2, 4)",
///      "1 row: exterior_platform_angle_deg is not a number, such as \"wide\" (row 3)"]
/// );
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reasons {
    /// By what is wrong, without the row.
    by: BTreeMap<String, (Noticed, String)>,
    others: Noticed,
}

/// What an error says of any row, and an example of what was found.
fn kind_of(e: &Error) -> (String, String) {
    let column = e.place().and_then(|at| at.column.as_deref()).unwrap_or("");
    let found = |text: &str| format!(", such as \"{}\"", shorten(text));
    match e {
        Error::Missing { needed, .. } => {
            let lacks =
                if needed.contains("no such column") { " (the table has no such column)" } else { "" };
            (format!("no {}{lacks}", in_words(column)), String::new())
        }
        Error::NotANumber { text, .. } => (format!("{column} is not a number"), found(text)),
        Error::OutOfRange { value, accepted, .. } => {
            let accepted = accepted.split(';').next().unwrap_or(accepted);
            (format!("{column} is out of range ({accepted})"), found(&value.to_string()))
        }
        Error::UnknownName { text, accepted, .. } => {
            let accepted = accepted.iter().take(8).map(String::as_str).collect::<Vec<_>>().join(", ");
            (format!("{column} is not one of {accepted}"), found(text))
        }
        Error::Refused { reason, .. } => {
            let reason = shorten(reason.split(" (accepted").next().unwrap_or(reason));
            (if column.is_empty() { reason } else { format!("{column}: {reason}") }, String::new())
        }
        Error::Domain { value, .. } => (e.of_its_kind(), found(&value.to_string())),
        other => (shorten(&other.clone().in_row(0).to_string().replace("row 0, ", "")), String::new()),
    }
}

impl Reasons {
    /// Counts one reason of one row.
    pub(crate) fn count(&mut self, row: u64, reason: &Error) {
        let (kind, example) = kind_of(reason);
        self.count_words(Noticed::of(row), kind, || example);
    }

    /// Counts a reason that is in words already, with the example of the first rows. Those told apart are the first by their
    /// words, so that each is counted in full wherever blocks of rows end.
    fn count_words(&mut self, rows: Noticed, reason: String, example: impl FnOnce() -> String) {
        self.by.entry(reason).or_insert_with(|| (Noticed::default(), example())).0.append(rows);
        if self.by.len() > MOST_REASONS
            && let Some((_, (last, _))) = self.by.pop_last()
        {
            self.others.append(last);
        }
    }

    /// Adds the reasons of the rows that follow.
    pub(crate) fn append(&mut self, later: Reasons) {
        for (kind, (noticed, example)) in later.by {
            self.count_words(noticed, kind, || example);
        }
        self.others.append(later.others);
    }

    /// All rows counted.
    fn rows(&self) -> u64 {
        self.others.count + self.by.values().map(|(n, _)| n.count).sum::<u64>()
    }

    /// What is said alike of all rows counted.
    fn of_all(&self) -> Option<&str> {
        let (words, _) = self.by.first_key_value().filter(|_| self.by.len() == 1)?;
        (self.others.count == 0 && words != OF_ITS_NUMBERS).then_some(words)
    }

    /// Each reason with its number of rows, the commonest first.
    pub(crate) fn counts(&self) -> Vec<(&str, u64)> {
        self.sorted().into_iter().map(|(kind, n, _)| (kind, n.count)).collect()
    }

    fn sorted(&self) -> Vec<(&str, &Noticed, &str)> {
        let mut all: Vec<_> =
            self.by.iter().map(|(k, (n, example))| (k.as_str(), n, example.as_str())).collect();
        all.sort_by_key(|(kind, n, _)| (std::cmp::Reverse(n.count), *kind));
        all
    }

    /// One line for each of the commonest reasons, with count and first rows, and one for all others.
    pub fn lines(&self, most: usize) -> Vec<String> {
        self.lines_saying(most, "", |words| words)
    }

    fn lines_saying(
        &self,
        most: usize,
        others_stand: &str,
        mut say: impl FnMut(String) -> String,
    ) -> Vec<String> {
        let all = self.sorted();
        let told = if all.len() > most { most.saturating_sub(1) } else { all.len() };
        let mut lines: Vec<String> = all[..told]
            .iter()
            .map(|(kind, n, example)| {
                format!("{}: {} ({})", rows_counted(n.count), say(format!("{kind}{example}")), n.rows())
            })
            .collect();
        let rest: u64 = all[told..].iter().map(|(_, n, _)| n.count).sum::<u64>() + self.others.count;
        if rest > 0 {
            let reasons = all.len() - told + usize::from(self.others.count > 0);
            lines.push(format!("{}: {reasons} other reasons{others_stand}", rows_counted(rest)));
        }
        lines
    }
}

/// Counts of the rows of a table of answers; its text is one line for each thing to know.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// Rows answered without a remark and with one, and rows refused: together all rows.
    read: u64,
    pub(super) remarked: u64,
    rows_refused: u64,
    remarks: Reasons,
    refused: Reasons,
    used: BTreeMap<(String, String), u64>,
    /// Each kind of caution, by what it says.
    cautions: BTreeMap<&'static str, Reasons>,
    /// Rows answered, by the kinds of caution they have and whether they have a remark.
    alike: BTreeMap<(Vec<&'static str>, bool), u64>,
    measured: MeasuredSizes,
    pub(super) intake: Intake,
}

impl Summary {
    /// All rows counted, answered or refused.
    pub fn rows(&self) -> u64 {
        self.answered_rows() + self.rows_refused
    }

    /// Rows that were refused.
    pub fn refused_rows(&self) -> u64 {
        self.rows_refused
    }

    /// Rows that were answered.
    pub(super) fn answered_rows(&self) -> u64 {
        self.read + self.remarked
    }

    /// Why rows were refused.
    pub fn refusals(&self) -> &Reasons {
        &self.refused
    }

    /// Why rows were remarked upon.
    pub(crate) fn remarks(&self) -> &Reasons {
        &self.remarks
    }

    /// What was noticed while the table was taken in.
    pub fn intake(&self) -> &Intake {
        &self.intake
    }

    /// How many rows each variant of each calibration answered.
    pub fn used(&self) -> impl Iterator<Item = (&str, &str, u64)> {
        self.used.iter().map(|((calibration, variant), n)| (calibration.as_str(), variant.as_str(), *n))
    }

    /// Each kind of caution with what it says of how many rows, that of most rows first; last what blank cells say too.
    pub(crate) fn cautions(&self) -> Vec<(&'static str, &Reasons)> {
        let mut all: Vec<_> = self.cautions.iter().map(|(kind, told)| (*kind, told)).collect();
        all.sort_by_key(|(kind, told)| (*kind == GENERAL[2], std::cmp::Reverse(told.rows()), *kind));
        all
    }

    /// How the sizes that were measured lie in what was expected, by calibration and size.
    pub(crate) fn measured(&self) -> Vec<MeasuredFit> {
        self.measured.fits()
    }

    /// Answered rows that have neither a remark nor a caution, but for those that every answered row has.
    pub(crate) fn without_a_word(&self) -> u64 {
        let everywhere = self.everywhere();
        let plain = |kinds: &[&str]| kinds.iter().all(|k| everywhere.contains(k));
        self.alike.iter().filter(|((kinds, remark), _)| !remark && plain(kinds)).map(|(_, n)| n).sum()
    }

    /// The kinds of caution that say the same of every answered row; of a single row, those of its calibration.
    fn everywhere(&self) -> Vec<&'static str> {
        let answered = self.answered_rows();
        let common = |(kind, told): &(&&'static str, &Reasons)| {
            let (several, of_calibration) = (answered > 1, GENERAL.contains(kind));
            (several || of_calibration) && told.rows() == answered && told.of_all().is_some()
        };
        self.cautions.iter().filter(common).map(|(kind, _)| *kind).collect()
    }

    /// Counts a row that was answered.
    pub(crate) fn answered(&mut self, row: &Row, e: &Estimate) {
        self.by(&e.calibration, &e.variant, 1);
        self.told(row, &e.cautions);
    }

    /// Counts a row that was answered otherwise than by an estimate.
    pub(super) fn told(&mut self, row: &Row, cautions: &[Caution]) {
        self.read(row);
        self.doubted(cautions, row.problems().len() > 0, Noticed::of(row.row_number()));
    }

    /// Counts measured sizes of rows that were answered.
    pub(super) fn measured_sizes(&mut self, of: (&str, &str), site: &str, sizes: Tally, law: (f64, f64)) {
        self.measured.add(of, site, sizes, law);
    }

    fn read(&mut self, row: &Row) {
        self.intake.row(row);
        row.problems().for_each(|r| self.remarks.count(row.row_number(), r));
        match row.problems().len() {
            0 => self.read += 1,
            _ => self.remarked += 1,
        }
    }

    /// Counts a row that was refused.
    pub(crate) fn refused(&mut self, row: &Row, reasons: &[Error]) {
        self.intake.row(row);
        reasons.iter().for_each(|r| self.refused.count(row.row_number(), r));
        self.rows_refused += 1;
    }

    /// Counts rows answered alike and without a remark, by a variant of a calibration.
    pub(super) fn plain(
        &mut self,
        (calibration, variant): (&str, &str),
        cautions: &[Caution],
        rows: Noticed,
    ) {
        self.read += rows.count;
        self.by(calibration, variant, rows.count);
        self.doubted(cautions, false, rows);
    }

    /// Notices what a row has that was not looked at in full.
    #[inline]
    pub(super) fn noticed(&mut self, row: u64, formulas: u32, area: bool) {
        self.intake.plain(row, formulas, area);
    }

    fn by(&mut self, calibration: &str, variant: &str, rows: u64) {
        *self.used.entry((calibration.to_string(), variant.to_string())).or_default() += rows;
    }

    /// Counts the cautions of rows that have the same: each kind once.
    fn doubted(&mut self, cautions: &[Caution], remark: bool, rows: Noticed) {
        let kinds = kinds_of(cautions);
        for kind in &kinds {
            let of_kind = || cautions.iter().filter(|c| c.kind() == *kind);
            let text = || of_kind().map(Caution::to_string).collect::<Vec<_>>().join("; ");
            let told = self.cautions.entry(*kind).or_default();
            if of_kind().any(Caution::is_of_numbers) {
                told.count_words(rows.clone(), OF_ITS_NUMBERS.into(), || format!(" {}", text()));
            } else {
                told.count_words(rows.clone(), text(), String::new);
            }
        }
        *self.alike.entry((kinds, remark)).or_default() += rows.count;
    }

    /// Adds the counts of the rows that follow.
    pub(crate) fn append(&mut self, later: Summary) {
        self.read += later.read;
        self.remarked += later.remarked;
        self.rows_refused += later.rows_refused;
        self.remarks.append(later.remarks);
        self.refused.append(later.refused);
        self.intake.append(later.intake);
        for (by, n) in later.used {
            *self.used.entry(by).or_default() += n;
        }
        for (kind, told) in later.cautions {
            self.cautions.entry(kind).or_default().append(told);
        }
        for (kinds, n) in later.alike {
            *self.alike.entry(kinds).or_default() += n;
        }
        self.measured.append(later.measured);
    }

    /// What to change, where not one row was answered.
    pub fn nothing_answered(&self) -> Option<String> {
        if self.rows() == 0 || self.answered_rows() > 0 {
            return None;
        }
        let (why, _) = self.refused.counts().into_iter().next()?;
        Some(match why.strip_suffix(" (the table has no such column)") {
            Some(lacking) => {
                format!("no row is answered: the table has {lacking} (map the column that holds it)")
            }
            None => format!("no row is answered: {why}"),
        })
    }
}

/// Each kind of caution once, in order.
fn kinds_of(cautions: &[Caution]) -> Vec<&'static str> {
    let mut kinds: Vec<&str> = cautions.iter().map(Caution::kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    kinds
}

/// The beginning of what some rows have: the whole stands beside the rows.
fn beginning(text: &str, characters: usize) -> String {
    let Some((end, _)) = text.char_indices().nth(characters) else { return text.to_string() };
    format!("{} ...", text[..end].rsplit_once(' ').map_or(&text[..end], |(whole, _)| whole))
}

/// A text from the first word on that is not that of the one told before it.
fn apart(before: &str, text: &str) -> String {
    let words = || text.split(' ');
    match words().zip(before.split(' ')).take_while(|(a, b)| a == b).count() {
        0..3 => text.to_string(),
        same => format!("... {}", words().skip(same).collect::<Vec<_>>().join(" ")),
    }
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let fits = self.measured();
        verdict(&fits).iter().try_for_each(|verdict| writeln!(f, "{verdict}"))?;
        if let Some(first) = fits.first() {
            let level = (1e4 * first.level).round() / 1e2;
            writeln!(f, "  measured sizes inside their {level} % intervals, and times what was expected")?;
        }
        fits.iter().try_for_each(|m| writeln!(f, "   {}", m.line()))?;
        let answered = self.answered_rows();
        let everywhere = self.everywhere();
        let (plain, own) = match everywhere.is_empty() {
            true => ("without a remark or a caution", "with one"),
            false => {
                ("without one beyond what holds for every row", "with a remark or a caution of their own")
            }
        };
        let without = self.without_a_word();
        writeln!(
            f,
            "{}: {without} answered {plain}, {} {own}, {} refused",
            counted(self.rows(), "row", "rows"),
            answered - without,
            self.rows_refused
        )?;
        for kind in &everywhere {
            writeln!(f, "  every row, {kind}: {}", self.cautions[kind].of_all().unwrap_or_default())?;
        }
        self.intake.to_string().lines().try_for_each(|line| writeln!(f, "  {line}"))?;
        for ((calibration, variant), n) in &self.used {
            writeln!(f, "  {n} by {calibration}: {variant}")?;
        }
        let beside = |reasons: &Reasons, most| reasons.lines_saying(most, BESIDE, |words| words);
        beside(&self.refused, TOLD_REASONS).iter().try_for_each(|line| writeln!(f, "  refused, {line}"))?;
        beside(&self.remarks, TOLD_REMARKS).iter().try_for_each(|line| writeln!(f, "  remark, {line}"))?;
        let mut doubts = self.cautions();
        doubts.retain(|(kind, _)| !everywhere.contains(kind));
        for (at, (kind, told)) in doubts.iter().take(TOLD_DOUBTS).enumerate() {
            let mut last: Option<String> = None;
            let lines = told.lines_saying(TOLD_TEXTS, BESIDE, |text| match last.replace(text.clone()) {
                None => text,
                Some(before) => beginning(&apart(&before, &text), 40),
            });
            let lines = lines.iter().map(|line| format!("  caution {kind} on {line}"));
            // of any but the first kind one line
            match at {
                0 => lines.into_iter().try_for_each(|line| writeln!(f, "{line}"))?,
                _ => lines.take(1).try_for_each(|line| writeln!(f, "{}", beginning(&line, 76)))?,
            }
        }
        if doubts.len() > TOLD_DOUBTS {
            let kinds: Vec<&str> = doubts[TOLD_DOUBTS..].iter().map(|(kind, _)| *kind).collect();
            writeln!(f, "  fewer rows have the cautions {}", kinds.join(", "))?;
        }
        Ok(())
    }
}
