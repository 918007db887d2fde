//! The blocks of a table of estimates: plain rows of one group together, the others one by one.
//!
//! A row is plain where its numbers can be read and are in their bounds, its text needs no quotes, and its sizes are not
//! averaged over terminations. Whether it is depends on the row alone, never on the block it stands in. Rows are gathered
//! by what is worked out together, and written in their order.

use super::column::Kind;
use super::digits::{millionths, put_rounded};
use super::estimates::{Completed, TERMINATIONS, TableEstimates, joined};
use super::header::Header;
use super::intake::Noticed;
use super::originals::{NOW, STATE, TableOriginals};
use super::read::{BLOCK_BYTES, Block, Record, TableReader};
use super::row::Row;
use super::rows::{self, Answers, Made};
use super::summary::Summary;
use super::text::like_formula;
use super::write::Line;
use crate::assess::measured::{MeasuredSize, Tally};
use crate::calibration::fitting::as_struck;
use crate::error::{Error, Place, Result};
use crate::flake::{Retouch, nothing_lost};
use crate::form::BLOCK;
use crate::infer::OriginalEstimate;
use crate::predict::batch::RowStanding;
use crate::predict::row_kind::{Answered, BlockMemory, Classified, RowKind, VariantBatch};
use crate::predict::{Caution, Component, Interval, Predictive, Predictor, Quantiles};
use crate::strike::Measured;
use crate::vocabulary::ClassKind;
use std::collections::HashMap;
use std::io::{Read, Write};
use std::sync::{Arc, Mutex};

/// Kinds of rows remembered at once, and rows gathered before they are written. This crate's choices, no source.
const MOST_KINDS: usize = 512;
const MOST_ROWS: usize = 16 * BLOCK;

/// What is read of a cell.
#[derive(Debug, Clone, Copy)]
pub(super) enum Use {
    /// Carried through.
    Nothing,
    /// A number, which of the understood columns.
    Number(usize),
    /// Text that an answer may depend on.
    Class,
    /// Text that no answer depends on, but that must be a name.
    Label,
}

/// What is read of each cell of a row; `read` tells whether an answer depends on a name.
pub(super) fn uses_of(header: &Header, read: impl Fn(&str) -> bool) -> Vec<Use> {
    let mut uses = vec![Use::Nothing; header.names.len()];
    for (column, c) in header.columns.iter().enumerate().filter(|(_, c)| c.field < header.names.len()) {
        uses[c.field] = match c.kind {
            Kind::Number { .. } => Use::Number(column),
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
    Number {
        missing: bool,
    },
    Class(&'a [u8]),
    /// A cell that a spreadsheet would run.
    Formula,
    /// A platform area that was worked out.
    Area,
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
        let sign = matches!(cell.first(), Some(b'=' | b'@' | b'+' | b'-'));
        if sign && like_formula(cell) && (header.formulas_as_text || !seen(Seen::Formula)) {
            return false;
        }
        match *what {
            Use::Nothing => {}
            Use::Number(column) => {
                let Ok(text) = std::str::from_utf8(cell) else { return false };
                let Ok(value) = header.columns[column].number(text, header.decimal_comma()) else {
                    return false;
                };
                if !seen(Seen::Number { missing: value.is_nan() }) {
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
    if let Some(from) = header.area {
        // a shape that each row names is looked up there
        if from.shape.is_some() {
            return false;
        }
        if header.columns[from.area].field >= header.names.len() {
            values[from.area] = f64::NAN;
        }
        return !from.work_out(values, None) || seen(Seen::Area);
    }
    true
}

/// Everything that the blocks of one table share.
pub(super) struct Flow<'t> {
    how: &'t TableEstimates<'t>,
    /// Where what the pieces were is wanted, by their platforms alone, and not what is expected of them.
    originals: Option<&'t TableOriginals<'t>>,
    header: Arc<Header>,
    longest: u64,
    /// Kinds of caution that cells leave out.
    left_out: &'static [&'static str],
    uses: Vec<Use>,
    batches: Mutex<Vec<(&'t Predictor, usize, Arc<VariantBatch>)>>,
}

/// Rows of one kind.
struct PlainKind<'t> {
    predictor: &'t Predictor,
    kind: RowKind,
    /// Which group its rows are worked out in.
    group: usize,
    /// Numbers of a row: place in the input row, which of the understood columns.
    numbers: Vec<(usize, usize)>,
    held: Vec<Held>,
    site: String,
    /// The cells of text of a row without doubts of its own.
    tail: Vec<u8>,
    /// Rows answered without doubts of their own that are not counted yet.
    rows: Noticed,
}

/// A size that rows of a kind may hold.
struct Held {
    /// Which of those asked, and which of the understood columns.
    size: usize,
    column: usize,
    /// Its column.
    name: String,
    /// The share of the variance that a site's flakes have in common.
    common: f64,
    /// Flakes that are not counted yet.
    flakes: Tally,
}

/// What is known of a kind of row.
enum KindOfRow<'t> {
    Plain(Box<PlainKind<'t>>),
    OneByOne,
}

/// Plain rows that are worked out together: of one variant, and where they are mixtures of one kind.
struct Group {
    batch: Arc<VariantBatch>,
    /// A kind of theirs.
    of: usize,
    rows: usize,
    /// Input rows, a column for each entry.
    columns: Vec<Vec<f64>>,
    /// Measured sizes, in the order of the sizes asked, or the [`STATE`] of pieces; not a number where none.
    held: Vec<[f64; STATE.len()]>,
    answered: Answered,
    /// The numbers of pieces that were looked back at; none where the row must be looked at by itself.
    originals: Vec<Option<[f64; 6]>>,
}

impl Group {
    fn new(batch: Arc<VariantBatch>, of: usize, width: usize, sizes: usize) -> Group {
        let (columns, answered) = (vec![Vec::new(); width], Answered::new(sizes, TERMINATIONS.len()));
        Group { batch, of, rows: 0, columns, held: Vec::new(), answered, originals: Vec::new() }
    }

    /// Takes a row: its numbers by understood column.
    fn push(&mut self, kind: &PlainKind<'_>, values: &[f64]) {
        self.columns.iter_mut().zip(kind.kind.complete()).for_each(|(column, v)| column.push(*v));
        for (place, column) in &kind.numbers {
            self.columns[*place][self.rows] = values[*column];
        }
        let mut held = [f64::NAN; STATE.len()];
        kind.held.iter().for_each(|h| held[h.size] = values[h.column]);
        self.held.push(held);
        self.rows += 1;
    }

    /// Works the rows out.
    fn fill(&mut self, plain: &PlainKind<'_>, memory: &mut BlockMemory) -> Result<()> {
        let columns: Vec<&[f64]> = self.columns.iter().map(|c| &c[..]).collect();
        self.batch.fill(plain.predictor, &plain.kind, &columns, &mut self.answered, memory)
    }

    /// Looks back at the pieces, once the rows are worked out.
    fn look_back(
        &mut self,
        how: &TableOriginals<'_>,
        sizes: [Option<usize>; 2],
        memory: &mut BlockMemory,
    ) -> Result<()> {
        let columns: Vec<&[f64]> = self.columns.iter().map(|c| &c[..]).collect();
        let mut doubts = self.answered.doubts.clone();
        let mut laws = [const { Vec::new() }; 2];
        for (size, laws) in sizes.into_iter().zip(&mut laws) {
            let Some(size) = size else { continue };
            if let Some((transform, at)) = self.batch.law(size, &columns, &mut doubts, memory)? {
                let component = |i: usize| Component {
                    weight: 1.0,
                    location: at.location[i],
                    scale: at.scale[i],
                    degrees_of_freedom: at.degrees_of_freedom[i],
                };
                laws.extend((0..self.rows).map(|i| (transform, component(i))));
            }
        }
        let law = |k: usize, i: usize| {
            let (transform, component) = *laws[k].get(i)?;
            Predictive::new(transform, vec![component]).ok()
        };
        let found = |(i, now)| how.by_laws(now, [law(0, i), law(1, i)]);
        self.originals = self.held.iter().enumerate().map(found).collect();
        Ok(())
    }

    fn clear(&mut self) {
        self.rows = 0;
        self.columns.iter_mut().for_each(Vec::clear);
        self.held.clear();
        self.originals.clear();
    }
}

/// A record waiting to be written.
struct Entry {
    record: Record,
    /// Kind and place among the rows of its group; none for a row that is done by itself.
    plain: Option<(usize, usize)>,
    /// Cells like formulas, and whether the platform area was worked out, where it is plain.
    formulas: u32,
    area: bool,
}

impl TableEstimates<'_> {
    /// Reads the table to its end and writes it with its estimates; `progress` is told the rows written so far.
    ///
    /// # Errors
    /// [`Error::Table`] where the table has one of the added columns already, or with the row where it cannot be
    /// read on (a row too long); [`Error::Io`] when the reader or the writer fails. Rows before that may have been
    /// written.
    pub fn write<R: Read, W: Write>(
        &self,
        table: TableReader<R>,
        writer: W,
        progress: impl FnMut(u64),
    ) -> Result<(W, Summary)> {
        let flow = Flow::new(self, None, table.header.clone(), table.longest);
        let work = |block: &mut Block<Work>| flow.work(block);
        rows::write_blocks((table, self.block_bytes), writer, &self.columns(), work, progress, |()| Ok(()))
    }
}

impl TableOriginals<'_> {
    /// Reads the table to its end and writes it with its answers; `progress` is told the rows written so far, `take`
    /// each answer in the order of the table, if [`TableOriginals::seen`] asked for them.
    ///
    /// # Errors
    /// As [`TableEstimates::write`](super::TableEstimates::write); [`Error::Missing`] where the table has no mass
    /// that remains.
    pub fn write<R: Read, W: Write>(
        &self,
        table: TableReader<R>,
        writer: W,
        progress: impl FnMut(u64),
        mut take: impl FnMut(&OriginalEstimate, f64) -> Result<()>,
    ) -> Result<(W, Summary)> {
        if table.header().column(NOW).is_none() && self.how.given.number(NOW).is_none() {
            return Err(Error::Missing {
                at: Place::column(NOW),
                needed:
                    "the mass that remains bounds the original from below, and the table has no such column"
                        .into(),
            });
        }
        if self.keep_seen || !self.look.is_by_platform_alone() {
            return rows::write(self, table, writer, progress, |(found, now)| take(&found, now));
        }
        let flow = Flow::new(&self.how, Some(self), table.header.clone(), table.longest);
        let columns = Answers::columns(self);
        let work = |block: &mut Block<Work>| flow.work(block);
        rows::write_blocks((table, BLOCK_BYTES), writer, &columns, work, progress, |()| Ok(()))
    }
}

/// What is made of one block.
type Work = Made<()>;

/// Where the rows of a block are gathered before they are written.
#[derive(Default)]
struct Chunk<'t> {
    kinds: Vec<KindOfRow<'t>>,
    by_key: HashMap<Vec<u8>, usize>,
    last: Option<usize>,
    last_key: Vec<u8>,
    key: Vec<u8>,
    formulas: u32,
    area: bool,
    /// Numbers of the row being read, by understood column.
    values: Vec<f64>,
    groups: Vec<Group>,
    entries: Vec<Entry>,
    quantiles: Quantiles,
    /// The last probabilities of terminations, and what was written for them.
    last_told: [f64; TERMINATIONS.len()],
    told: Vec<u8>,
    memory: BlockMemory,
}

impl<'t> Flow<'t> {
    pub fn new(
        how: &'t TableEstimates<'t>,
        originals: Option<&'t TableOriginals<'t>>,
        header: Arc<Header>,
        longest: u64,
    ) -> Self {
        let layout = how.predictors.first.calibration().layout();
        let uses = uses_of(&header, |name| layout.position(name).is_some());
        let left_out = if originals.is_some() { &[][..] } else { how.left_out(&header) };
        Flow { how, originals, header, longest, left_out, uses, batches: Mutex::new(Vec::new()) }
    }

    /// Works a block through: its rows with their estimates, in their order.
    pub fn work(&self, block: &mut Block<Work>) {
        let mut chunk = Chunk::new(self.header.columns.len());
        block.each(&self.header, self.longest, |input, record, work| {
            let bytes = &input[record.text.clone()];
            let simple = !record.quoted && std::str::from_utf8(bytes).is_ok();
            let plain =
                if simple { self.plain(bytes, record.number, work, &mut chunk, input)? } else { None };
            let (formulas, area) = (chunk.formulas, chunk.area);
            chunk.entries.push(Entry { record, plain, formulas, area });
            let full = |(kind, _): (usize, usize)| chunk.group_of(kind).is_some_and(|g| g.rows == BLOCK);
            if plain.is_some_and(full) || chunk.entries.len() >= MOST_ROWS {
                self.flush(input, work, &mut chunk)?;
            }
            Ok(())
        });
        let input = std::mem::take(&mut block.input);
        if let Err(e) = self.flush(&input, &mut block.made, &mut chunk) {
            block.failed.get_or_insert(e);
        }
        block.input = input;
        self.count_kinds(&mut block.made, &mut chunk);
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
        if self.how.one_by_one() || !self.cells(record, chunk) {
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
        let group = &mut chunk.groups[plain.group];
        group.push(plain, &chunk.values);
        Ok(Some((kind, group.rows - 1)))
    }

    /// Reads the cells of a record: numbers and the key of its kind; false where the row must be understood in full.
    #[inline]
    fn cells(&self, record: &[u8], chunk: &mut Chunk<'t>) -> bool {
        let Chunk { key, values, formulas, area, .. } = chunk;
        key.clear();
        (*formulas, *area) = (0, false);
        read_cells(record, &self.uses, &self.header, values, |seen| {
            match seen {
                Seen::Number { missing } => key.push(u8::from(missing)),
                Seen::Class(cell) => {
                    key.extend_from_slice(cell);
                    key.push(0x1f);
                }
                Seen::Formula => *formulas += 1,
                Seen::Area => *area = true,
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
                    chunk.groups.clear();
                    chunk.last = None;
                    chunk.values = values;
                }
                work.row.take(number, record, false);
                let Some(kind) = self.classify(&work.row, chunk)? else { return Ok(None) };
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
    fn classify(&self, row: &Row, chunk: &mut Chunk<'t>) -> Result<Option<KindOfRow<'t>>> {
        if row.refused().is_some() || row.problems().len() > 0 {
            return Ok(None);
        }
        let both = Completed { row, given: self.how.given };
        let predictor = self.how.predictors.of(&both)?;
        let mut kind = match predictor.classify(&both, &self.how.ask) {
            Classified::Kind(kind) => *kind,
            Classified::Never => return Ok(Some(KindOfRow::OneByOne)),
            Classified::NotHere => return Ok(None),
        };
        if self.originals.is_some() {
            let elsewhere = |name: &&str| self.how.given.number(name).is_some();
            let told = nothing_lost(&both, None) || !matches!(Retouch::of(&both), Ok(None));
            if told || kind.completions.len() > 1 || STATE.iter().any(elsewhere) {
                return Ok(Some(KindOfRow::OneByOne));
            }
            kind.cautions.retain(Caution::is_of_sizes);
        }
        let batch = self.batch(predictor, kind.variant)?;
        let mut numbers = Vec::new();
        for (place, name) in predictor.number_places() {
            if let Some(id) = self.header.column(name)
                && row.value(id).is_some()
            {
                numbers.push((place, id.0));
            }
        }
        // as it follows other cells
        let mut tail = Line::new(self.header.separator);
        tail.made(b"");
        self.tail(predictor, &kind, &kind.cautions, &mut tail);
        let tail = tail.bytes;
        let mut held = Vec::new();
        let mut holds = |size: usize, column: usize, name: &str, common: f64| {
            held.push(Held { size, column, name: name.to_string(), common, flakes: Tally::default() });
        };
        let variant = predictor.resolved().variant(kind.variant);
        if self.originals.is_some() {
            let state = STATE.iter().enumerate();
            let recorded = state.filter_map(|(at, name)| Some((at, self.header.column(name)?.0)));
            recorded.for_each(|(at, id)| holds(at, id, "", 0.0));
        } else if as_struck(row, false).is_ok() {
            for m in &variant.sizes {
                let at = self.how.sizes.iter().position(|size| *size == m.size);
                if let (Some(at), Some(id)) = (at, self.header.column(&m.column)) {
                    holds(at, id.0, &m.column, m.common());
                }
            }
        }
        let site = row.class("site").unwrap_or_default().to_string();
        let group = chunk.group(batch, &kind, self.how.sizes.len());
        let plain = PlainKind { predictor, kind, group, numbers, held, site, tail, rows: Noticed::default() };
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

    /// The cells of text.
    fn tail(&self, predictor: &Predictor, kind: &RowKind, cautions: &[Caution], out: &mut Line) {
        out.text(predictor.calibration().name());
        out.text(&joined(cautions, self.left_out));
        if self.originals.is_none() {
            out.text(&kind.form);
        }
    }

    /// Writes the rows gathered.
    fn flush(&self, input: &[u8], work: &mut Work, chunk: &mut Chunk<'t>) -> Result<()> {
        let Chunk { kinds, groups, memory, .. } = &mut *chunk;
        for group in groups.iter_mut().filter(|g| g.rows > 0) {
            if let KindOfRow::Plain(plain) = &kinds[group.of] {
                group.fill(plain, memory)?;
                if let Some(how) = self.originals {
                    let sizes = ["mass_g", "length_mm"].map(|s| self.how.sizes.iter().position(|n| *n == s));
                    group.look_back(how, sizes, memory)?;
                }
            }
        }
        let entries = std::mem::take(&mut chunk.entries);
        for entry in &entries {
            let done = match entry.plain {
                Some((kind, slot)) => {
                    let record = (&input[entry.record.text.clone()], entry.record.number);
                    self.write_plain(record, (kind, slot), work, chunk)?
                }
                None => false,
            };
            if done {
                work.summary.noticed(entry.record.number, entry.formulas, entry.area);
            } else {
                let Record { text, number, open, .. } = &entry.record;
                work.row.take(*number, &input[text.clone()], *open);
                let (row, lines, summary) = (&work.row, &mut work.lines, &mut work.summary);
                match self.originals {
                    Some(how) => how.answer(row, lines, summary).map(|_| ())?,
                    None => self.how.one(row, lines, summary, &mut chunk.quantiles).map(|_| ())?,
                }
            }
        }
        chunk.entries = entries;
        chunk.entries.clear();
        chunk.groups.iter_mut().for_each(Group::clear);
        Ok(())
    }

    /// Writes a plain row; false where it turns out to need the slow path.
    fn write_plain(
        &self,
        (record, number): (&[u8], u64),
        (kind, slot): (usize, usize),
        work: &mut Work,
        chunk: &mut Chunk<'t>,
    ) -> Result<bool> {
        let KindOfRow::Plain(plain) = &mut chunk.kinds[kind] else { return Ok(false) };
        let plain = &mut **plain;
        let group = &chunk.groups[plain.group];
        let Answered { intervals, doubts, .. } = &group.answered;
        let (predictor, doubts) = (plain.predictor, &doubts[slot]);
        if doubts.standing == RowStanding::Alone {
            return Ok(false);
        }
        let measured = |held: &Held| {
            let observed = group.held[slot][held.size];
            let [low, median, high] = [0, 1, 2].map(|end| intervals[held.size][end][slot]);
            (observed > 0.0).then_some(MeasuredSize { observed, low, median, high })
        };
        let original = group.originals.get(slot);
        if self.originals.is_some() && original.is_none_or(Option::is_none) {
            return Ok(false);
        }
        let mut cautions: Vec<Caution> = Vec::new();
        if doubts.standing == RowStanding::Own {
            let of = |name: &str| self.how.sizes.iter().position(|s| *s == name);
            let interval = |name: &str| {
                let [low, median, high] = intervals[of(name)?].each_ref().map(|end| end[slot]);
                Some(Interval { low, median, high, level: self.how.level })
            };
            let x: Vec<f64> = group.columns.iter().map(|c| c[slot]).collect();
            let own = predictor.own_cautions(&plain.kind, &x, doubts, interval);
            let Some([before, behind]) = own else { return Ok(false) };
            if !(before.is_empty() && behind.is_empty()) {
                cautions = [before, plain.kind.cautions.clone(), behind].concat();
            }
        }
        for held in plain.held.iter_mut().filter(|_| self.originals.is_none()) {
            let Some(size) = measured(held) else { continue };
            held.flakes.count(&size);
            if let Some(caution) = Caution::outside(&held.name, size.observed, (size.low, size.high)) {
                if cautions.is_empty() {
                    cautions.clone_from(&plain.kind.cautions);
                }
                cautions.push(caution);
            }
        }
        let out = &mut work.lines;
        out.made(record);
        match original {
            Some(numbers) => numbers.iter().flatten().for_each(|v| out.rounded(Some(*v))),
            None => self.expected(
                group,
                plain.kind.tells_terminations,
                slot,
                (&mut chunk.last_told, &mut chunk.told),
                out,
            ),
        }
        let own = !cautions.is_empty();
        if own {
            self.tail(predictor, &plain.kind, &cautions, out);
        } else {
            out.made(&plain.tail);
        }
        out.end();
        if own {
            plain.count(&mut work.summary, &cautions, Noticed::of(number));
        } else {
            plain.rows.notice(number, 1);
        }
        Ok(true)
    }

    /// Writes what is expected of a plain row: its sizes and terminations; `told` remembers the last terminations and what
    /// was written for them.
    fn expected(
        &self,
        group: &Group,
        tells_terminations: bool,
        slot: usize,
        (last_told, told): (&mut [f64; TERMINATIONS.len()], &mut Vec<u8>),
        out: &mut Line,
    ) {
        let Answered { intervals, terminations, .. } = &group.answered;
        for (size, intervals) in intervals.iter().enumerate() {
            if group.batch.has(size) {
                intervals.iter().for_each(|end| out.rounded(Some(end[slot])));
            } else {
                out.blanks(3);
            }
        }
        if !(group.batch.tells_terminations() && tells_terminations) {
            out.blanks(TERMINATIONS.len());
            return;
        }
        let now: [f64; TERMINATIONS.len()] = std::array::from_fn(|k| terminations[k][slot]);
        if now.map(f64::to_bits) != last_told.map(f64::to_bits) {
            told.clear();
            for p in now {
                told.push(self.header.separator);
                if !p.is_nan() {
                    put_rounded(millionths(p), told);
                }
            }
            *last_told = now;
        }
        out.made(told);
    }

    /// Brings the counts of the kinds into the summary.
    fn count_kinds(&self, work: &mut Work, chunk: &mut Chunk<'t>) {
        for kind in &mut chunk.kinds {
            if let KindOfRow::Plain(plain) = kind {
                plain.count_rows(&mut work.summary, self.how.level);
            }
        }
    }
}

impl PlainKind<'_> {
    /// Brings rows that have these cautions into a summary.
    fn count(&self, summary: &mut Summary, cautions: &[Caution], rows: Noticed) {
        let calibration = self.predictor.calibration();
        let variant = &calibration.variants()[self.kind.variant].name;
        summary.plain((calibration.name(), variant), cautions, rows);
    }

    /// Brings the rows that are not counted yet into a summary.
    fn count_rows(&mut self, summary: &mut Summary, level: f64) {
        for held in &mut self.held {
            let of = (self.predictor.calibration().name(), held.name.as_str());
            summary.measured_sizes(of, &self.site, std::mem::take(&mut held.flakes), (level, held.common));
        }
        let rows = std::mem::take(&mut self.rows);
        if rows.count > 0 {
            self.count(summary, &self.kind.cautions, rows);
        }
    }
}

impl<'t> Chunk<'t> {
    fn new(understood: usize) -> Self {
        let (values, last_told) = (vec![f64::NAN; understood], [f64::INFINITY; TERMINATIONS.len()]);
        Chunk { values, last_told, ..Chunk::default() }
    }

    /// The group that rows of a kind belong to, where they are plain.
    fn group_of(&self, kind: usize) -> Option<&Group> {
        match &self.kinds[kind] {
            KindOfRow::Plain(plain) => Some(&self.groups[plain.group]),
            KindOfRow::OneByOne => None,
        }
    }

    /// The group that rows of the next kind are worked out in.
    fn group(&mut self, batch: Arc<VariantBatch>, kind: &RowKind, sizes: usize) -> usize {
        let goes_with = |g: &Group| match &self.kinds[g.of] {
            KindOfRow::Plain(plain) => Arc::ptr_eq(&g.batch, &batch) && plain.kind.goes_with(kind),
            KindOfRow::OneByOne => false,
        };
        if let Some(known) = self.groups.iter().position(goes_with) {
            return known;
        }
        self.groups.push(Group::new(batch, self.kinds.len(), kind.complete().len(), sizes));
        self.groups.len() - 1
    }
}
