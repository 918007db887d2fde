//! A table in, the same table with its estimates out: any length in the same memory, on all threads with the
//! feature `parallel`, the same bytes for any number of threads.
//!
//! ```text
//! blocks of whole records  ->  records  ->  plain rows:  kind of row settled once, numbers a block at a time
//!                                           all others:  understood, estimated and written one by one
//! ```
//!
//! A row is plain where its numbers can be read and are in their bounds, its text needs no quotes, and every size
//! is a single Student t. Rows of the same classes and the same measurements are of one kind: choosing the
//! variant, filling in settings and the doubts that go with them are done once for each kind, and only the numbers
//! are worked out for each row. The intervals of plain rows agree with those of [`Predictor::estimate`] to 1e-12,
//! and all are written to six significant digits.

use super::blocks::{self, Blocks, Records};
use super::cell::{self, NumberCell};
use super::digits::{millionths, plain_decimal, put_rounded};
use super::guard;
use super::header::{self, Header, Kind, TableOptions};
use super::quantity::ClassKind;
use super::read::Row;
use super::summary::Summary;
use super::write::TableWriter;
use crate::calibration::{Calibration, SIZES, bundled};
use crate::error::{Bounds, Error, Place, Result};
use crate::form::BLOCK;
use crate::predict::settled::{Settled, Settling, Sheet};
use crate::predict::{Ask, Caution, Estimate, LEVEL, Predictor, Quantiles};
use crate::strike::Measured;
use crate::threads;
use csv::StringRecord;
use std::collections::{BTreeMap, HashMap};
use std::io::{Read, Write};
use std::ops::Range;
use std::sync::{Arc, Mutex, OnceLock};

/// Terminations with a column of their own.
pub const TERMINATIONS: [&str; 4] = ["feather", "hinge", "step", "overshot"];

/// Bytes of a block.
const BLOCK_BYTES: usize = 64 * 1024;

/// Blocks in memory at once, however many threads there are.
const MOST_BLOCKS: usize = 16;

/// Kinds of rows remembered at once.
const MOST_KINDS: usize = 512;

/// A table whose header line is read, to be estimated in blocks.
///
/// Reads what [`TableReader`](super::TableReader) reads, by the same rules.
#[derive(Debug)]
pub struct OpenTable<R> {
    blocks: Blocks<R>,
    header: Arc<Header>,
    longest: u64,
}

impl<R: Read> OpenTable<R> {
    /// Reads the header line and makes sure that there is a first row.
    ///
    /// # Errors
    /// As [`TableReader::new`](super::TableReader::new).
    pub fn new(mut reader: R, options: &TableOptions) -> Result<Self> {
        let table = |reason: String| Error::Table { at: Place::default(), reason };
        let longest = options.longest();
        let opening = guard::open(&mut reader, longest)?;
        if opening.header.is_empty() {
            return Err(table("empty: neither a header line nor rows".into()));
        }
        let separator = header::separator(options, &opening)?;
        let mut blocks = Blocks::new(opening.bytes, reader, separator, longest);
        let mut block = Vec::new();
        let mut cells = StringRecord::new();
        blocks.next(&mut block, 1)?;
        let mut records = Records::new(&block, separator);
        let line = records.next().unwrap_or(0..0);
        if line.len() as u64 > longest {
            return Err(table(guard::too_long("the header line", longest)));
        }
        if blocks::take_apart(&block[line], separator, &mut cells).is_none() {
            return Err(table("the header line is not UTF-8 (save the table as CSV in UTF-8)".into()));
        }
        let header = Header::understand(cells.iter().map(String::from).collect(), separator, options)?;
        let after = records.at;
        blocks.put_back(&block[after..]);
        let columns = header.names.len();
        loop {
            if !blocks.next(&mut block, BLOCK_BYTES)? {
                return Err(table("no rows of data under the header line".into()));
            }
            if count(&block, separator, columns) > 0 {
                blocks.put_back(&block);
                return Ok(OpenTable { blocks, header: Arc::new(header), longest });
            }
        }
    }

    /// The header line.
    pub fn header(&self) -> &Header {
        &self.header
    }
}

/// Rows in a block.
fn count(block: &[u8], separator: u8, columns: usize) -> u64 {
    let rows = Records::new(block, separator).filter(|r| is_row(&block[r.clone()], separator, columns));
    rows.count() as u64
}

#[inline]
fn is_row(record: &[u8], separator: u8, columns: usize) -> bool {
    record.first().is_some_and(|b| b.is_ascii_digit())
        || columns < 2
        || !blocks::is_blank_line(record, separator)
}

/// A row of a table, completed by what is given for all rows.
#[derive(Clone, Copy)]
pub struct Completed<'a> {
    /// The row.
    pub row: &'a Row,
    /// What is given where the row says nothing.
    pub given: &'a (dyn Measured + Sync),
}

impl Measured for Completed<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        Measured::number(self.row, name).or_else(|| self.given.number(name))
    }
    fn class(&self, name: &str) -> Option<&str> {
        Measured::class(self.row, name).or_else(|| self.given.class(name))
    }
}

/// The calibration asked for, or the default one for the stone of each row.
#[derive(Debug)]
pub struct Predictors {
    first: Predictor,
    by_stone: bool,
    sizes: Vec<String>,
    others: BTreeMap<&'static str, OnceLock<Result<Predictor>>>,
}

impl Predictors {
    /// Resolves the first calibration; with `by_stone` the bundled ones stand in for it where a row's stone is
    /// theirs.
    ///
    /// # Errors
    /// As [`Predictor::new`].
    pub fn new(calibration: Calibration, by_stone: bool) -> Result<Predictors> {
        let others = bundled::NAMES.iter().map(|n| (*n, OnceLock::new())).collect();
        Ok(Predictors { first: Predictor::new(calibration)?, by_stone, sizes: Vec::new(), others })
    }

    /// Narrows all of them to these sizes.
    ///
    /// # Errors
    /// As [`Calibration::only`].
    pub fn only(mut self, sizes: &[String]) -> Result<Predictors> {
        let first = self.first.calibration().clone().only(sizes)?;
        self.first = Predictor::new(first)?;
        self.sizes = sizes.to_vec();
        Ok(self)
    }

    /// The one for a row.
    ///
    /// # Errors
    /// Those of a bundled calibration; none in fact.
    pub fn of(&self, row: &impl Measured) -> Result<&Predictor> {
        let name = bundled::default_for(row.class("stone"));
        if !self.by_stone || name == self.first.calibration().name() {
            return Ok(&self.first);
        }
        let Some(other) = self.others.get(name) else { return Ok(&self.first) };
        let made = other.get_or_init(|| {
            let calibration = bundled::named(name)?;
            Predictor::new(if self.sizes.is_empty() { calibration } else { calibration.only(&self.sizes)? })
        });
        made.as_ref().map_err(Error::clone)
    }
}

/// The estimate of one row, or why there is none.
///
/// # Errors
/// Every reason: what [`Row::refused`] says; otherwise the bad cells that the answer could have used, after what
/// [`Predictor::estimate`] says unless a bad cell explains it.
pub fn answer(
    predictor: &Predictor,
    row: &Row,
    both: &Completed<'_>,
    ask: &Ask,
) -> std::result::Result<Estimate, Vec<Error>> {
    if let Some(e) = row.refused() {
        return Err(vec![e.clone()]);
    }
    predictor.estimate(both, ask).map_err(|e| {
        // a bad cell in a column that the answer could have used is the reason, before what is missing
        let bad = |name: &str| row.header().column(name).and_then(|id| row.problem(id));
        let mut reasons: Vec<Error> =
            predictor.reads().iter().filter_map(|name| bad(name)).cloned().collect();
        let told = matches!(&e, Error::Missing { at, .. } if at.column.as_deref().is_some_and(|c| bad(c).is_some()));
        if !told {
            reasons.insert(0, e.in_row(row.row_number()));
        }
        reasons
    })
}

/// Cautions as one cell; without `all`, what holds for every row of a calibration is left to the summary.
pub fn joined(cautions: &[Caution], all: bool) -> String {
    let own = cautions.iter().filter(|c| {
        all || !matches!(c, Caution::NotInExperiment { .. } | Caution::TerminationsNotTold { .. })
    });
    own.map(Caution::to_string).collect::<Vec<_>>().join("; ")
}

/// A column worked out for each row by the caller.
pub type RowNumber<'a> = dyn Fn(&Completed<'_>, &Calibration) -> Option<f64> + Sync + 'a;

/// Estimates of every row of a table.
///
/// The columns added are those of [`TableEstimates::columns`]; a row without an answer keeps its place, with the
/// reason under `cautions`.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::table::{OpenTable, TableEstimates, TableOptions};
/// let text = "flake,platform_depth_mm,exterior_platform_angle_deg\nA1,8,75\nA2,wide,75\n";
/// let table = OpenTable::new(text.as_bytes(), &TableOptions::new())?;
/// let estimates = TableEstimates::new(bundled::named("hard-hammer-flint")?, 0.95)?.only(&["mass_g"])?;
/// let (out, summary) = estimates.write(table, Vec::new(), |_| {})?;
/// let text = String::from_utf8(out).unwrap();
/// let lines: Vec<&str> = text.lines().collect();
/// assert!(lines[0].ends_with("expected_mass_g_high,p_feather,p_hinge,p_step,p_overshot,calibration,cautions,form"));
/// assert!(lines[1].starts_with("A1,8,75,") && lines[2].contains("refused: row 2, column platform_depth_mm"));
/// assert_eq!((summary.tally().read(), summary.tally().refused()), (1, 1));
/// # Ok::<(), conchoid::Error>(())
/// ```
pub struct TableEstimates<'a> {
    predictors: Predictors,
    level: f64,
    ask: Ask,
    given: &'a (dyn Measured + Sync),
    sizes: Vec<&'static str>,
    extra: Option<(&'a str, &'a RowNumber<'a>)>,
    block_bytes: usize,
}

/// Nothing given.
struct Nothing;

impl Measured for Nothing {
    fn number(&self, _: &str) -> Option<f64> {
        None
    }
    fn class(&self, _: &str) -> Option<&str> {
        None
    }
}

impl<'a> TableEstimates<'a> {
    /// Every size of a calibration, as intervals of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1, and those of [`Predictor::new`].
    pub fn new(calibration: Calibration, level: f64) -> Result<Self> {
        Ok(TableEstimates {
            predictors: Predictors::new(calibration, false)?,
            level: LEVEL.check(level)?,
            ask: Ask::default(),
            given: &Nothing,
            sizes: SIZES.to_vec(),
            extra: None,
            block_bytes: BLOCK_BYTES,
        })
    }

    /// The calibration asked for stands for its stone; rows of another stone are estimated by the bundled one.
    pub fn by_stone(mut self) -> Self {
        self.predictors.by_stone = true;
        self
    }

    /// What is given for all rows that say nothing themselves.
    pub fn given(mut self, given: &'a (dyn Measured + Sync)) -> Self {
        self.given = given;
        self
    }

    /// What is asked for beyond the measurements.
    pub fn ask(mut self, ask: Ask) -> Self {
        self.ask = ask;
        self
    }

    /// Only these sizes.
    ///
    /// # Errors
    /// As [`Calibration::only`].
    pub fn only(mut self, sizes: &[impl AsRef<str>]) -> Result<Self> {
        let names: Vec<String> = sizes.iter().map(|s| s.as_ref().to_string()).collect();
        self.predictors = self.predictors.only(&names)?;
        self.sizes = SIZES.into_iter().filter(|s| names.iter().any(|n| n == s)).collect();
        Ok(self)
    }

    /// A column of the caller's own, before the sizes.
    pub fn column(mut self, name: &'a str, number: &'a RowNumber<'a>) -> Self {
        self.extra = Some((name, number));
        self
    }

    /// Bytes of a block; the answers do not depend on it.
    pub fn block_bytes(mut self, bytes: usize) -> Self {
        self.block_bytes = bytes.max(1);
        self
    }

    /// The names of the columns added.
    pub fn columns(&self) -> Vec<String> {
        let ends = |size: &&str| ["low", "median", "high"].map(|end| format!("expected_{size}_{end}"));
        let mut names: Vec<String> = self.extra.iter().map(|(name, _)| name.to_string()).collect();
        names.extend(self.sizes.iter().flat_map(ends));
        names.extend(TERMINATIONS.map(|t| format!("p_{t}")));
        names.extend(["calibration", "cautions", "form"].map(String::from));
        names
    }

    /// The cells added to a row by its estimate, in the order of the columns, less a column of the caller's own
    /// and the three of text.
    ///
    /// # Errors
    /// None for an estimate of this crate.
    pub fn numbers(&self, e: &Estimate, quantiles: &mut Quantiles) -> Result<Vec<Option<f64>>> {
        let mut numbers = Vec::with_capacity(3 * self.sizes.len() + TERMINATIONS.len());
        for size in &self.sizes {
            match e.size(size) {
                Some(p) => {
                    let i = p.interval_with(self.level, quantiles)?;
                    numbers.extend([Some(i.low), Some(i.median), Some(i.high)]);
                }
                None => numbers.extend([None; 3]),
            }
        }
        for name in TERMINATIONS {
            let known = e.terminations.iter().find(|t| t.termination == name);
            numbers.push(known.map(|t| millionths(t.value)));
        }
        Ok(numbers)
    }

    /// Reads the table to its end and writes it with its estimates; `progress` is told the rows written so far.
    ///
    /// # Errors
    /// [`Error::Table`] where the table has one of the added columns already, or with the row where it cannot be
    /// read on (not UTF-8, a row too long); [`Error::Io`] when the reader or the writer fails. Rows before that
    /// may have been written.
    pub fn write<R: Read, W: Write>(
        &self,
        table: OpenTable<R>,
        mut writer: W,
        mut progress: impl FnMut(u64),
    ) -> Result<(W, Summary)> {
        let OpenTable { mut blocks, header, longest } = table;
        let names = self.columns();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        writer.write_all(&TableWriter::new(Vec::new(), &header, &names)?.finish()?)?;
        let flow = Flow::new(self, header, longest);
        let together = threads::at_once().saturating_mul(2).clamp(1, MOST_BLOCKS);
        let (mut rows, mut written, mut summary) = (0, 0, Summary::default());
        let mut failed = None;
        let mut read = |mut spare: Vec<Work>, failed: &mut Option<Error>| {
            let mut batch = Vec::with_capacity(together);
            while failed.is_none() && batch.len() < together {
                let mut work = spare.pop().unwrap_or_else(|| Work::new(&flow));
                match blocks.next(&mut work.input, self.block_bytes) {
                    Ok(true) => {}
                    Ok(false) => break,
                    Err(e) => {
                        *failed = Some(e);
                        break;
                    }
                }
                work.begin(rows + 1, blocks.ended_in_quotes());
                work.rows = flow.count(&work.input);
                rows += work.rows;
                batch.push(work);
            }
            batch
        };
        let mut working = read(Vec::new(), &mut failed);
        let mut done: Vec<Work> = Vec::new();
        while !(working.is_empty() && done.is_empty()) {
            // while one batch is worked on, the one before is written and the next is read
            let next = threads::beside(
                &mut working,
                |work| flow.work(work),
                || -> Result<Vec<Work>> {
                    for work in &mut done {
                        writer.write_all(&work.output)?;
                        if let Some(e) = work.failed.take() {
                            return Err(e);
                        }
                        written += work.rows;
                        summary.append(std::mem::take(&mut work.summary));
                        progress(written);
                    }
                    Ok(read(std::mem::take(&mut done), &mut failed))
                },
            )?;
            done = std::mem::replace(&mut working, next);
        }
        match failed {
            Some(e) => Err(e),
            None => Ok((writer, summary)),
        }
    }
}

/// What is read of a cell.
#[derive(Debug, Clone, Copy)]
enum Use {
    /// Carried through.
    Nothing,
    /// A number, which of the understood columns, and how it becomes one in our unit.
    Number { column: usize, factor: f64, bounds: Option<Bounds> },
    /// Text that an answer may depend on.
    Class,
    /// Text that no answer depends on, but that must be a name.
    Label,
}

/// Everything that the blocks of one table share.
struct Flow<'t> {
    how: &'t TableEstimates<'t>,
    header: Arc<Header>,
    longest: u64,
    uses: Vec<Use>,
    sheets: Mutex<Vec<(&'t Predictor, usize, Arc<Sheet>)>>,
}

/// Rows of one kind.
struct Alike<'t> {
    predictor: &'t Predictor,
    sheet: Arc<Sheet>,
    settled: Settled,
    /// Numbers of a row: place in the input row, which of the understood columns.
    numbers: Vec<(usize, usize)>,
    /// Places that a row of this kind leaves open and that were filled in.
    filled: Vec<bool>,
    /// The cells of text of a row without doubts of its own, and the line end.
    tail: Vec<u8>,
    /// Rows answered without doubts of their own, beyond the first of the block.
    rows: u64,
    /// Whether one of the block was.
    seen: bool,
}

/// What is known of a kind of row.
enum KindOfRow<'t> {
    Plain(Box<Alike<'t>>),
    OneByOne,
}

/// A record waiting to be written.
struct Entry {
    text: Range<usize>,
    number: u64,
    /// Kind and place among the numbers of the chunk; none for a row that is done by itself.
    plain: Option<(usize, usize)>,
    closed: bool,
}

/// One block, and the memory it is worked on in.
struct Work {
    input: Vec<u8>,
    output: Vec<u8>,
    rows: u64,
    first: u64,
    ended_in_quotes: bool,
    summary: Summary,
    failed: Option<Error>,
    row: Row,
}

impl Work {
    fn new(flow: &Flow<'_>) -> Work {
        Work {
            input: Vec::new(),
            output: Vec::new(),
            rows: 0,
            first: 1,
            ended_in_quotes: false,
            summary: Summary::default(),
            failed: None,
            row: Row::of(&flow.header),
        }
    }

    fn begin(&mut self, first: u64, ended_in_quotes: bool) {
        self.output.clear();
        (self.first, self.ended_in_quotes) = (first, ended_in_quotes);
    }
}

/// Where the rows of a block are gathered before they are written.
struct Chunk<'t> {
    kinds: Vec<KindOfRow<'t>>,
    by_key: HashMap<Vec<u8>, usize>,
    last: Option<usize>,
    last_key: Vec<u8>,
    key: Vec<u8>,
    /// Numbers of the row being read, by understood column.
    values: Vec<f64>,
    /// Input rows of the plain rows, by place.
    columns: Vec<Vec<f64>>,
    slots: usize,
    /// A kind of theirs.
    of: Option<usize>,
    entries: Vec<Entry>,
    intervals: Vec<[Vec<f64>; 3]>,
    spare: [Vec<f64>; 3],
    doubtful: Vec<bool>,
    quantiles: Quantiles,
    /// A row's input, terms, and the last terms with what was written for them.
    x: Vec<f64>,
    terms: Vec<f64>,
    last_terms: Vec<f64>,
    last_ends: Vec<u8>,
    ends: Vec<Option<f64>>,
}

impl<'t> Flow<'t> {
    fn new(how: &'t TableEstimates<'t>, header: Arc<Header>, longest: u64) -> Self {
        let mut uses = vec![Use::Nothing; header.names.len()];
        let layout = how.predictors.first.calibration().layout();
        for (column, c) in header.columns.iter().enumerate() {
            uses[c.field] = match c.kind {
                Kind::Number { factor, bounds } => Use::Number { column, factor, bounds },
                Kind::Class(ClassKind::Label)
                    if ["flake", "core", "knapper"].contains(&c.name.as_str())
                        && layout.position(&c.name).is_none() =>
                {
                    Use::Label
                }
                Kind::Class(_) => Use::Class,
            };
        }
        Flow { how, header, longest, uses, sheets: Mutex::new(Vec::new()) }
    }

    /// Rows in a block.
    fn count(&self, block: &[u8]) -> u64 {
        count(block, self.header.separator, self.header.names.len())
    }

    /// Works a block through: its rows with their estimates, in their order.
    fn work(&self, work: &mut Work) {
        let input = std::mem::take(&mut work.input);
        let mut chunk = Chunk::new(self.how.sizes.len(), self.header.columns.len());
        if let Err(e) = self.rows(&input, work, &mut chunk) {
            work.failed = Some(e);
        }
        self.settle_counts(work, &mut chunk);
        work.input = input;
    }

    fn rows(&self, input: &[u8], work: &mut Work, chunk: &mut Chunk<'t>) -> Result<()> {
        let (separator, columns) = (self.header.separator, self.header.names.len());
        let text = std::str::from_utf8(input).is_ok();
        let mut number = work.first;
        let mut records = Records::new(input, separator);
        while let Some(range) = records.next() {
            let record = &input[range.clone()];
            if !is_row(record, separator, columns) {
                continue;
            }
            if record.len() as u64 > self.longest {
                self.flush(input, work, chunk)?;
                return Err(blocks::too_long(number, self.longest));
            }
            let simple = !records.quoted && (text || std::str::from_utf8(record).is_ok());
            let plain = if simple { self.plain(record, number, work, chunk, input)? } else { None };
            chunk.entries.push(Entry { text: range, number, plain, closed: records.closed });
            if chunk.slots == BLOCK || chunk.entries.len() >= 4 * BLOCK {
                self.flush(input, work, chunk)?;
            }
            number += 1;
        }
        self.flush(input, work, chunk)
    }

    /// Reads a record as a plain row into the chunk: its kind and its place there. None where it is not plain.
    fn plain(
        &self,
        record: &[u8],
        number: u64,
        work: &mut Work,
        chunk: &mut Chunk<'t>,
        input: &[u8],
    ) -> Result<Option<(usize, usize)>> {
        if self.how.extra.is_some() || !self.cells(record, chunk) {
            return Ok(None);
        }
        let kind = match chunk.last.filter(|_| chunk.key == chunk.last_key) {
            Some(kind) => kind,
            None => {
                let Some(kind) = self.kind(record, number, work, chunk, input)? else { return Ok(None) };
                kind
            }
        };
        let KindOfRow::Plain(alike) = &chunk.kinds[kind] else { return Ok(None) };
        // a chunk holds rows of one variant
        let others = |k: &KindOfRow<'t>| match k {
            KindOfRow::Plain(b) => !Arc::ptr_eq(&alike.sheet, &b.sheet),
            KindOfRow::OneByOne => true,
        };
        if chunk.of.is_some_and(|k| k != kind && others(&chunk.kinds[k])) {
            self.flush(input, work, chunk)?;
        }
        chunk.of = Some(kind);
        let KindOfRow::Plain(alike) = &chunk.kinds[kind] else { return Ok(None) };
        let slot = chunk.slots;
        let width = alike.settled.complete.len();
        if chunk.columns.len() < width {
            chunk.columns.resize(width, vec![0.0; BLOCK]);
        }
        for (column, v) in chunk.columns.iter_mut().zip(&alike.settled.complete) {
            column[slot] = *v;
        }
        for (place, column) in &alike.numbers {
            chunk.columns[*place][slot] = chunk.values[*column];
        }
        chunk.slots += 1;
        Ok(Some((kind, slot)))
    }

    /// Reads the cells of a record: numbers and the key of its kind; false where the row must be understood in full.
    #[inline]
    fn cells(&self, record: &[u8], chunk: &mut Chunk<'t>) -> bool {
        let separator = self.header.separator;
        chunk.key.clear();
        let mut rest = record;
        let fields = self.uses.len();
        for (field, what) in self.uses.iter().enumerate() {
            let end = rest.iter().position(|b| *b == separator);
            let cell = match end {
                Some(end) if field + 1 < fields => &rest[..end],
                None if field + 1 == fields => rest,
                _ => return false,
            };
            rest = &rest[end.map_or(rest.len(), |e| e + 1)..];
            match *what {
                Use::Nothing => {}
                Use::Number { column, factor, bounds } => {
                    let Some(written) = number(cell, self.header.decimal_comma()) else { return false };
                    chunk.key.push(u8::from(written.is_nan()));
                    let value = if factor == 1.0 { written } else { written * factor };
                    let fine = match bounds {
                        Some(bounds) => bounds.contains(value),
                        None => value.is_finite(),
                    };
                    if !(fine || written.is_nan()) {
                        return false;
                    }
                    chunk.values[column] = value;
                }
                Use::Class => {
                    chunk.key.extend_from_slice(cell);
                    chunk.key.push(0x1f);
                }
                Use::Label => {
                    let fine = cell.len() <= 64 && cell.iter().all(|b| matches!(b, b' '..=b'~'));
                    if !fine {
                        return false;
                    }
                }
            }
        }
        true
    }

    /// The kind of the row whose key was just read.
    fn kind(
        &self,
        record: &[u8],
        number: u64,
        work: &mut Work,
        chunk: &mut Chunk<'t>,
        input: &[u8],
    ) -> Result<Option<usize>> {
        let found = match chunk.by_key.get(&chunk.key) {
            Some(kind) => *kind,
            None => {
                if chunk.kinds.len() >= MOST_KINDS {
                    let values = std::mem::take(&mut chunk.values);
                    self.flush(input, work, chunk)?;
                    self.settle_counts(work, chunk);
                    chunk.by_key.clear();
                    chunk.kinds.clear();
                    chunk.values = values;
                }
                if work.row.take(number, record, self.header.separator, false).is_none() {
                    return Ok(None);
                }
                let Some(kind) = self.settle(&work.row)? else { return Ok(None) };
                chunk.kinds.push(kind);
                chunk.by_key.insert(chunk.key.clone(), chunk.kinds.len() - 1);
                chunk.kinds.len() - 1
            }
        };
        chunk.last = Some(found);
        chunk.last_key.clone_from(&chunk.key);
        Ok(Some(found))
    }

    /// What rows of the kind of this one have in common; none where this row cannot tell.
    fn settle(&self, row: &Row) -> Result<Option<KindOfRow<'t>>> {
        if row.refused().is_some() || row.problems().len() > 0 {
            return Ok(None);
        }
        let both = Completed { row, given: self.how.given };
        let predictor = self.how.predictors.of(&both)?;
        let settled = match predictor.settle(&both, &self.how.ask) {
            Settling::Settled(settled) => *settled,
            Settling::Never => return Ok(Some(KindOfRow::OneByOne)),
            Settling::NotHere => return Ok(None),
        };
        let sheet = self.sheet(predictor, settled.variant)?;
        let layout = predictor.calibration().layout();
        let mut numbers = Vec::new();
        for (place, name) in layout.numbers.iter().enumerate() {
            if let Some(id) = self.header.column(name)
                && row.value(id).is_some()
            {
                numbers.push((place, id.0));
            }
        }
        let mut tail = Vec::new();
        self.tail(predictor, &settled, &settled.cautions, &mut tail);
        let filled = settled.measured.iter().map(|v| v.is_nan()).collect();
        let alike = Alike { predictor, sheet, settled, numbers, filled, tail, rows: 0, seen: false };
        Ok(Some(KindOfRow::Plain(Box::new(alike))))
    }

    /// A variant ready for blocks of rows, made once for the table.
    fn sheet(&self, predictor: &'t Predictor, variant: usize) -> Result<Arc<Sheet>> {
        let mut sheets = self.sheets.lock().unwrap_or_else(|e| e.into_inner());
        let known = sheets.iter().find(|(p, v, _)| std::ptr::eq(*p, predictor) && *v == variant);
        if let Some((.., sheet)) = known {
            return Ok(sheet.clone());
        }
        let sheet = Arc::new(predictor.sheet(variant, &self.how.sizes, &TERMINATIONS, self.how.level)?);
        sheets.push((predictor, variant, sheet.clone()));
        Ok(sheet)
    }

    /// The three cells of text and the line end.
    fn tail(&self, predictor: &Predictor, settled: &Settled, cautions: &[Caution], out: &mut Vec<u8>) {
        let text = joined(cautions, false);
        for cell in [predictor.calibration().name(), text.as_str(), settled.form.as_str()] {
            out.push(self.header.separator);
            put_text(cell, self.header.separator, out);
        }
        out.push(b'\n');
    }

    /// Writes the rows gathered.
    fn flush(&self, input: &[u8], work: &mut Work, chunk: &mut Chunk<'t>) -> Result<()> {
        let n = std::mem::take(&mut chunk.slots);
        chunk.doubtful.clear();
        chunk.doubtful.resize(n, false);
        if let Some(KindOfRow::Plain(alike)) = chunk.of.take().map(|k| &chunk.kinds[k]) {
            let columns: Vec<&[f64]> = chunk.columns.iter().map(|c| &c[..n]).collect();
            alike.sheet.fill(&columns, &mut chunk.intervals, &mut chunk.spare, &mut chunk.doubtful)?;
        }
        let entries = std::mem::take(&mut chunk.entries);
        for entry in &entries {
            let done = match entry.plain {
                Some((kind, slot)) if !chunk.doubtful[slot] => {
                    self.write_plain(&input[entry.text.clone()], kind, slot, work, chunk)?
                }
                _ => false,
            };
            if !done {
                self.write_other(input, entry, work, &mut chunk.quantiles)?;
            }
        }
        chunk.entries = entries;
        chunk.entries.clear();
        Ok(())
    }

    /// Writes a plain row; false where it turns out to need the slow path.
    fn write_plain(
        &self,
        record: &[u8],
        kind: usize,
        slot: usize,
        work: &mut Work,
        chunk: &mut Chunk<'t>,
    ) -> Result<bool> {
        let separator = self.header.separator;
        let KindOfRow::Plain(alike) = &mut chunk.kinds[kind] else { return Ok(false) };
        let columns = &chunk.columns;
        let width = alike.settled.complete.len();
        let tells = alike.sheet.tells_ends() && alike.settled.tells_ends;
        if tells {
            chunk.x.clear();
            chunk.x.extend(columns[..width].iter().map(|c| c[slot]));
            if !alike.sheet.terms_of_ends(&chunk.x, &mut chunk.terms) {
                return Ok(false);
            }
            if chunk.terms != chunk.last_terms || chunk.last_ends.is_empty() {
                alike.sheet.ends(&chunk.terms, &mut chunk.ends)?;
                chunk.last_ends.clear();
                for p in &chunk.ends {
                    chunk.last_ends.push(separator);
                    if let Some(p) = p {
                        put_rounded(millionths(*p), &mut chunk.last_ends);
                    }
                }
                chunk.last_terms.clone_from(&chunk.terms);
            }
        }
        let out = &mut work.output;
        out.extend_from_slice(record);
        for (size, intervals) in chunk.intervals.iter().enumerate() {
            if alike.sheet.has(size) {
                for end in intervals {
                    out.push(separator);
                    put_rounded(end[slot], out);
                }
            } else {
                out.extend([separator; 3]);
            }
        }
        if tells {
            out.extend_from_slice(&chunk.last_ends);
        } else {
            out.extend([separator; TERMINATIONS.len()]);
        }
        let measured = |at: usize| if alike.filled[at] { f64::NAN } else { columns[at][slot] };
        if alike.sheet.outside(measured) {
            let measured: Vec<f64> = (0..width).map(measured).collect();
            let mut cautions = Vec::new();
            alike.predictor.doubts_of_numbers(alike.settled.variant, &measured, &mut cautions);
            cautions.extend(alike.settled.cautions.iter().cloned());
            self.tail(alike.predictor, &alike.settled, &cautions, out);
            let variant = &alike.predictor.calibration().variants()[alike.settled.variant].name;
            work.summary.plain(alike.predictor.calibration().name(), variant, 1);
            work.summary.doubted(&cautions);
        } else {
            out.extend_from_slice(&alike.tail);
            if alike.seen {
                alike.rows += 1;
            } else {
                // the first of a block, so that the summary gives the first of its kind as its example
                let variant = &alike.predictor.calibration().variants()[alike.settled.variant].name;
                work.summary.plain(alike.predictor.calibration().name(), variant, 1);
                work.summary.doubted(&alike.settled.cautions);
                alike.seen = true;
            }
        }
        Ok(true)
    }

    /// Understands, estimates and writes one row.
    fn write_other(
        &self,
        input: &[u8],
        entry: &Entry,
        work: &mut Work,
        quantiles: &mut Quantiles,
    ) -> Result<()> {
        let separator = self.header.separator;
        let record = &input[entry.text.clone()];
        let open = work.ended_in_quotes && !entry.closed;
        work.row.take(entry.number, record, separator, open).ok_or_else(|| blocks::not_text(entry.number))?;
        let row = &work.row;
        let both = Completed { row, given: self.how.given };
        let predictor = self.how.predictors.of(&both)?;
        let out = &mut work.output;
        let carried = self.header.names.len();
        let blanks = std::iter::repeat("");
        for (i, cell) in row.cells().chain(blanks).take(carried).enumerate() {
            if i > 0 {
                out.push(separator);
            }
            put_text(cell, separator, out);
        }
        let calibration = predictor.calibration();
        let last = |out: &mut Vec<u8>, texts: [&str; 3]| {
            for text in texts {
                out.push(separator);
                put_text(text, separator, out);
            }
            for surplus in row.cells().skip(carried) {
                out.push(separator);
                put_text(surplus, separator, out);
            }
            out.push(b'\n');
        };
        match answer(predictor, row, &both, &self.how.ask) {
            Ok(estimate) => {
                if let Some((_, extra)) = self.how.extra {
                    put_number(extra(&both, calibration), separator, out);
                }
                for number in self.how.numbers(&estimate, quantiles)? {
                    put_number(number, separator, out);
                }
                last(out, [&estimate.calibration, &joined(&estimate.cautions, false), &estimate.form]);
                work.summary.answered(row, &estimate);
            }
            Err(reasons) => {
                let numbers = 3 * self.how.sizes.len() + TERMINATIONS.len();
                for _ in 0..numbers + usize::from(self.how.extra.is_some()) {
                    put_number(None, separator, out);
                }
                let text = reasons.iter().map(Error::to_string).collect::<Vec<_>>().join("; ");
                last(out, [calibration.name(), &format!("refused: {text}"), ""]);
                work.summary.refused(reasons);
            }
        }
        Ok(())
    }

    /// Brings the counts of the kinds into the summary.
    fn settle_counts(&self, work: &mut Work, chunk: &mut Chunk<'t>) {
        for kind in &mut chunk.kinds {
            if let KindOfRow::Plain(alike) = kind {
                let rows = std::mem::take(&mut alike.rows);
                if rows > 0 {
                    let calibration = alike.predictor.calibration();
                    let variant = &calibration.variants()[alike.settled.variant].name;
                    work.summary.plain(calibration.name(), variant, rows);
                    work.summary.doubted_again(&alike.settled.cautions, rows);
                }
            }
        }
    }
}

impl Chunk<'_> {
    fn new(sizes: usize, understood: usize) -> Self {
        let block = || [vec![0.0; BLOCK], vec![0.0; BLOCK], vec![0.0; BLOCK]];
        Chunk {
            kinds: Vec::new(),
            by_key: HashMap::new(),
            last: None,
            last_key: Vec::new(),
            key: Vec::new(),
            values: vec![f64::NAN; understood],
            columns: Vec::new(),
            slots: 0,
            of: None,
            entries: Vec::new(),
            intervals: (0..sizes).map(|_| block()).collect(),
            spare: block(),
            doubtful: Vec::new(),
            quantiles: Quantiles::default(),
            x: Vec::new(),
            terms: Vec::new(),
            last_terms: Vec::new(),
            last_ends: Vec::new(),
            ends: Vec::new(),
        }
    }
}

/// A cell of a number column: the number, not a number where nothing was recorded, none where it is bad.
#[inline]
fn number(cell: &[u8], decimal_comma: bool) -> Option<f64> {
    if let Some(v) = plain_decimal(cell) {
        return Some(v);
    }
    match cell::number(std::str::from_utf8(cell).ok()?, decimal_comma) {
        NumberCell::Missing => Some(f64::NAN),
        NumberCell::Number(v) => Some(v),
        NumberCell::Bad(_) => None,
    }
}

/// A cell of text, in quotes where it needs them.
fn put_text(text: &str, separator: u8, out: &mut Vec<u8>) {
    let needs = |b: u8| b == separator || matches!(b, b'"' | b'\n' | b'\r');
    if !text.bytes().any(needs) {
        out.extend_from_slice(text.as_bytes());
        return;
    }
    out.push(b'"');
    for (i, piece) in text.split('"').enumerate() {
        if i > 0 {
            out.extend_from_slice(b"\"\"");
        }
        out.extend_from_slice(piece.as_bytes());
    }
    out.push(b'"');
}

fn put_number(number: Option<f64>, separator: u8, out: &mut Vec<u8>) {
    out.push(separator);
    if let Some(v) = number.filter(|v| v.is_finite()) {
        put_rounded(v, out);
    }
}
