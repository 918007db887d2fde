//! The blocks of a table of estimates: plain rows a chunk at a time, the others one by one.
//!
//! A row is plain where its numbers can be read and are in their bounds, its text needs no quotes, and its sizes are not
//! averaged over terminations. Whether it is depends on the row alone, never on the block it stands in.

use super::blocks::{self, Records};
use super::cell::{self, NumberCell};
use super::digits::{millionths, plain_decimal, put_rounded};
use super::estimates::{Completed, TERMINATIONS, TableEstimates, answer, joined};
use super::header::{Header, Kind};
use super::quantity::ClassKind;
use super::read::Row;
use super::summary::Summary;
use crate::error::{Bounds, Error, Result};
use crate::form::BLOCK;
use crate::predict::measurement::MeasurementErrors;
use crate::predict::row_kind::{Classified, MixtureMemory, RowKind, VariantBatch};
use crate::predict::{Caution, Predictor, Quantiles};
use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Arc, Mutex};

/// Kinds of rows remembered at once. Own choice.
const MOST_KINDS: usize = 512;

/// Rows in a block.
pub(super) fn count(block: &[u8], separator: u8, columns: usize) -> u64 {
    let rows = Records::new(block, separator).filter(|r| is_row(&block[r.clone()], separator, columns));
    rows.count() as u64
}

#[inline]
pub(super) fn is_row(record: &[u8], separator: u8, columns: usize) -> bool {
    record.first().is_some_and(|b| b.is_ascii_digit())
        || columns < 2
        || !blocks::is_blank_line(record, separator)
}

/// What is read of a cell.
#[derive(Debug, Clone, Copy)]
pub(super) enum Use {
    /// Carried through.
    Nothing,
    /// A number, which of the understood columns, and how it becomes one in our unit.
    Number { column: usize, factor: f64, bounds: Option<Bounds> },
    /// Text that an answer may depend on.
    Class,
    /// Text that no answer depends on, but that must be a name.
    Label,
}

/// What is read of each cell of a row; `read` tells whether an answer depends on a name.
pub(super) fn uses_of(header: &Header, read: impl Fn(&str) -> bool) -> Vec<Use> {
    let mut uses = vec![Use::Nothing; header.names.len()];
    for (column, c) in header.columns.iter().enumerate() {
        uses[c.field] = match c.kind {
            Kind::Number { factor, bounds } => Use::Number { column, factor, bounds },
            Kind::Class(ClassKind::Label)
                if ["flake", "core", "knapper"].contains(&c.name.as_str()) && !read(&c.name) =>
            {
                Use::Label
            }
            Kind::Class(_) => Use::Class,
        };
    }
    uses
}

/// What was seen of a cell whose kind matters.
pub(super) enum Seen<'a> {
    Number { missing: bool },
    Class(&'a [u8]),
}

/// Reads the cells of a record without quotes: numbers into `values`, by understood column. False where the row
/// must be understood in full, because a cell is bad, cells are too few or too many, or `seen` says so.
#[inline(always)]
pub(super) fn read_cells(
    record: &[u8],
    uses: &[Use],
    header: &Header,
    values: &mut [f64],
    mut seen: impl FnMut(Seen<'_>) -> bool,
) -> bool {
    let separator = header.separator;
    let mut rest = record;
    for (field, what) in uses.iter().enumerate() {
        let end = rest.iter().position(|b| *b == separator);
        let cell = match end {
            Some(end) if field + 1 < uses.len() => &rest[..end],
            None if field + 1 == uses.len() => rest,
            _ => return false,
        };
        rest = &rest[end.map_or(rest.len(), |e| e + 1)..];
        match *what {
            Use::Nothing => {}
            Use::Number { column, factor, bounds } => {
                let Some(written) = number(cell, header.decimal_comma()) else { return false };
                let value = if factor == 1.0 { written } else { written * factor };
                let fine = match bounds {
                    Some(bounds) => bounds.contains(value),
                    None => value.is_finite(),
                };
                if !(fine || written.is_nan()) || !seen(Seen::Number { missing: written.is_nan() }) {
                    return false;
                }
                values[column] = value;
            }
            Use::Class => {
                if !seen(Seen::Class(cell)) {
                    return false;
                }
            }
            Use::Label => {
                if cell.len() > 64 || !cell.iter().all(|b| matches!(b, b' '..=b'~')) {
                    return false;
                }
            }
        }
    }
    true
}

/// Everything that the blocks of one table share.
pub(super) struct Flow<'t> {
    how: &'t TableEstimates<'t>,
    header: Arc<Header>,
    longest: u64,
    uses: Vec<Use>,
    exact: MeasurementErrors,
    batches: Mutex<Vec<(&'t Predictor, usize, Arc<VariantBatch>)>>,
}

/// Rows of one kind.
struct PlainKind<'t> {
    predictor: &'t Predictor,
    batch: Arc<VariantBatch>,
    kind: RowKind,
    /// Numbers of a row: place in the input row, which of the understood columns.
    numbers: Vec<(usize, usize)>,
    /// The cells of text of a row without doubts of its own, and the line end.
    tail: Vec<u8>,
    /// Rows answered without doubts of their own, beyond the first of the block.
    rows: u64,
    /// Whether one of the block was.
    seen: bool,
}

/// What is known of a kind of row.
enum KindOfRow<'t> {
    Plain(Box<PlainKind<'t>>),
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
pub(super) struct Work {
    pub input: Vec<u8>,
    pub output: Vec<u8>,
    pub rows: u64,
    first: u64,
    ended_in_quotes: bool,
    pub summary: Summary,
    pub failed: Option<Error>,
    row: Row,
}

impl Work {
    pub fn new(flow: &Flow<'_>) -> Work {
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

    pub fn begin(&mut self, first: u64, ended_in_quotes: bool) {
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
    last_terminations: Vec<u8>,
    terminations: Vec<Option<f64>>,
    memory: MixtureMemory,
}

impl<'t> Flow<'t> {
    pub fn new(how: &'t TableEstimates<'t>, header: Arc<Header>, longest: u64) -> Self {
        let layout = how.predictors.first.calibration().layout();
        let uses = uses_of(&header, |name| layout.position(name).is_some());
        Flow { how, header, longest, uses, exact: MeasurementErrors::new(), batches: Mutex::new(Vec::new()) }
    }

    /// Rows in a block.
    pub fn count(&self, block: &[u8]) -> u64 {
        count(block, self.header.separator, self.header.names.len())
    }

    /// Works a block through: its rows with their estimates, in their order.
    pub fn work(&self, work: &mut Work) {
        let input = std::mem::take(&mut work.input);
        let mut chunk = Chunk::new(self.how.sizes.len(), self.header.columns.len());
        if let Err(e) = self.rows(&input, work, &mut chunk) {
            work.failed = Some(e);
        }
        self.count_kinds(work, &mut chunk);
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
        let KindOfRow::Plain(plain) = &chunk.kinds[kind] else { return Ok(None) };
        // a chunk holds rows of one variant, and where they are mixtures of one kind
        let others = |k: &KindOfRow<'t>| match k {
            KindOfRow::Plain(b) => !(Arc::ptr_eq(&plain.batch, &b.batch) && plain.kind.goes_with(&b.kind)),
            KindOfRow::OneByOne => true,
        };
        if chunk.of.is_some_and(|k| k != kind && others(&chunk.kinds[k])) {
            self.flush(input, work, chunk)?;
        }
        chunk.of = Some(kind);
        let KindOfRow::Plain(plain) = &chunk.kinds[kind] else { return Ok(None) };
        let slot = chunk.slots;
        let width = plain.kind.complete().len();
        if chunk.columns.len() < width {
            chunk.columns.resize(width, vec![0.0; BLOCK]);
        }
        for (column, v) in chunk.columns.iter_mut().zip(plain.kind.complete()) {
            column[slot] = *v;
        }
        for (place, column) in &plain.numbers {
            chunk.columns[*place][slot] = chunk.values[*column];
        }
        chunk.slots += 1;
        Ok(Some((kind, slot)))
    }

    /// Reads the cells of a record: numbers and the key of its kind; false where the row must be understood in full.
    #[inline]
    fn cells(&self, record: &[u8], chunk: &mut Chunk<'t>) -> bool {
        let Chunk { key, values, .. } = chunk;
        key.clear();
        read_cells(record, &self.uses, &self.header, values, |seen| {
            match seen {
                Seen::Number { missing } => key.push(u8::from(missing)),
                Seen::Class(cell) => {
                    key.extend_from_slice(cell);
                    key.push(0x1f);
                }
            }
            true
        })
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
                    self.count_kinds(work, chunk);
                    chunk.by_key.clear();
                    chunk.kinds.clear();
                    chunk.values = values;
                }
                if work.row.take(number, record, self.header.separator, false).is_none() {
                    return Ok(None);
                }
                let Some(kind) = self.classify(&work.row)? else { return Ok(None) };
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
    fn classify(&self, row: &Row) -> Result<Option<KindOfRow<'t>>> {
        if row.refused().is_some() || row.problems().len() > 0 {
            return Ok(None);
        }
        let both = Completed { row, given: self.how.given };
        let predictor = self.how.predictors.of(&both)?;
        let kind = match predictor.classify(&both, &self.how.ask) {
            Classified::Kind(kind) => *kind,
            Classified::Never => return Ok(Some(KindOfRow::OneByOne)),
            Classified::NotHere => return Ok(None),
        };
        let batch = self.batch(predictor, kind.variant)?;
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
        self.tail(predictor, &kind, &kind.cautions, &mut tail);
        let plain = PlainKind { predictor, batch, kind, numbers, tail, rows: 0, seen: false };
        Ok(Some(KindOfRow::Plain(Box::new(plain))))
    }

    /// A variant ready for blocks of rows, made once for the table.
    fn batch(&self, predictor: &'t Predictor, variant: usize) -> Result<Arc<VariantBatch>> {
        let mut batches = self.batches.lock().unwrap_or_else(|e| e.into_inner());
        let known = batches.iter().find(|(p, v, _)| std::ptr::eq(*p, predictor) && *v == variant);
        if let Some((.., batch)) = known {
            return Ok(batch.clone());
        }
        let (sizes, level) = (&self.how.sizes, self.how.level);
        let batch = Arc::new(predictor.variant_batch(variant, sizes, &TERMINATIONS, level)?);
        batches.push((predictor, variant, batch.clone()));
        Ok(batch)
    }

    /// The three cells of text and the line end.
    fn tail(&self, predictor: &Predictor, kind: &RowKind, cautions: &[Caution], out: &mut Vec<u8>) {
        let text = joined(cautions, false);
        for cell in [predictor.calibration().name(), text.as_str(), kind.form.as_str()] {
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
        if let Some(KindOfRow::Plain(plain)) = chunk.of.take().map(|k| &chunk.kinds[k]) {
            let columns: Vec<&[f64]> = chunk.columns.iter().map(|c| &c[..n]).collect();
            let Chunk { intervals, spare, doubtful, memory, .. } = chunk;
            plain.batch.fill(&plain.kind, &columns, intervals, spare, doubtful, memory)?;
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
        let KindOfRow::Plain(plain) = &mut chunk.kinds[kind] else { return Ok(false) };
        let columns = &chunk.columns;
        let width = plain.kind.complete().len();
        let tells = plain.batch.tells_terminations() && plain.kind.tells_terminations;
        if tells {
            chunk.x.clear();
            chunk.x.extend(columns[..width].iter().map(|c| c[slot]));
            if !plain.batch.termination_terms(&plain.kind, &mut chunk.x, &mut chunk.terms) {
                return Ok(false);
            }
            if chunk.terms != chunk.last_terms || chunk.last_terminations.is_empty() {
                plain.batch.terminations(&chunk.terms, &mut chunk.terminations)?;
                chunk.last_terminations.clear();
                for p in &chunk.terminations {
                    chunk.last_terminations.push(separator);
                    if let Some(p) = p {
                        put_rounded(millionths(*p), &mut chunk.last_terminations);
                    }
                }
                chunk.last_terms.clone_from(&chunk.terms);
            }
        }
        let out = &mut work.output;
        out.extend_from_slice(record);
        for (size, intervals) in chunk.intervals.iter().enumerate() {
            if plain.batch.has(size) {
                for end in intervals {
                    out.push(separator);
                    put_rounded(end[slot], out);
                }
            } else {
                out.extend([separator; 3]);
            }
        }
        if tells {
            out.extend_from_slice(&chunk.last_terminations);
        } else {
            out.extend([separator; TERMINATIONS.len()]);
        }
        out.extend_from_slice(&plain.tail);
        if plain.seen {
            plain.rows += 1;
        } else {
            // the first of a block, so that the summary gives the first of its kind as its example
            let variant = &plain.predictor.calibration().variants()[plain.kind.variant].name;
            work.summary.plain(plain.predictor.calibration().name(), variant, 1);
            work.summary.doubted(&plain.kind.cautions);
            plain.seen = true;
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
        match answer(predictor, row, &both, &self.how.ask, &self.exact) {
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
    fn count_kinds(&self, work: &mut Work, chunk: &mut Chunk<'t>) {
        for kind in &mut chunk.kinds {
            if let KindOfRow::Plain(plain) = kind {
                let rows = std::mem::take(&mut plain.rows);
                if rows > 0 {
                    let calibration = plain.predictor.calibration();
                    let variant = &calibration.variants()[plain.kind.variant].name;
                    work.summary.plain(calibration.name(), variant, rows);
                    work.summary.doubted_again(&plain.kind.cautions, rows);
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
            last_terminations: Vec::new(),
            terminations: Vec::new(),
            memory: MixtureMemory::default(),
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
