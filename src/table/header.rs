//! What the header line of a table means: which column is which quantity in which unit, which are classes,
//! and which are unknown and only carried through. Decided once, before the first row.

use super::cell::{self, NumberCell};
use super::column::{Column, Kind, field_named, shorten, snake_case};
use super::condition::{Condition, Placed};
use super::guard::Opening;
use super::quantity::{KNOWN, Quantity, quantity, split_unit};
use super::text::Cells;
use crate::calibration::{Calibration, bundled};
use crate::error::{Error, Place, Result, edit_distance};
use crate::flake::columns::{CLASSES, class_kind};
use crate::form::PERCUSSOR_CLASS;
use crate::strike::{PLATFORM_AREA_MM2, PlatformShape};
use crate::vocabulary::{ClassKind, same_name};
use std::collections::HashMap;

/// The most columns a table may have. This crate's choice, no source.
pub(crate) const MOST_COLUMNS: usize = 4096;

/// Unknown columns beyond these are carried through without looking for a likely slip. This crate's choice, no source.
const MOST_SUGGESTIONS: usize = 256;

/// How a table is to be read.
///
/// | option | default | purpose |
/// |---|---|---|
/// | [`column`](TableOptions::column) | none | a column of another name holds one of ours |
/// | [`columns_may_lack`](TableOptions::columns_may_lack) | no | whether the table may lack such a column |
/// | [`separator`](TableOptions::separator) | as found | what stands between two cells |
/// | [`number`](TableOptions::number) | none | a further column of numbers, such as `bulb_thickness_mm` |
/// | [`class`](TableOptions::class) | none | a further column of classes, such as `raw_material_source` |
/// | [`read_by`](TableOptions::read_by) | none | all further columns that a calibration reads |
/// | [`only`](TableOptions::only) | all rows | rows for which a condition holds |
/// | [`missing`](TableOptions::missing) | none | a further text that says "not recorded" |
/// | [`word`](TableOptions::word) | none | a word of the table's own for a class |
/// | [`ignore`](TableOptions::ignore) | none | a column to leave alone |
/// | [`platform_shape`](TableOptions::platform_shape) | as recorded | platform area from its width and depth |
/// | [`formulas_as_text`](TableOptions::formulas_as_text) | no | cells like formulas made harmless in what is written |
/// | [`longest_record`](TableOptions::longest_record) | 1 MiB | the most bytes of one row |
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TableOptions {
    map: Vec<(String, String)>,
    columns_may_lack: bool,
    separator: Option<char>,
    numbers: Vec<String>,
    classes: Vec<String>,
    conditions: Vec<Condition>,
    /// Our column, none for all; the text.
    missing: Vec<(Option<String>, String)>,
    /// Our column, none for all; our word; theirs.
    words: Vec<(Option<String>, String, String)>,
    ignored: Vec<String>,
    shape: Option<PlatformShape>,
    formulas_as_text: bool,
    longest: Option<u64>,
}

impl TableOptions {
    /// The defaults.
    pub fn new() -> Self {
        TableOptions::default()
    }
    /// The column called `theirs` holds what we call `ours`, in the unit that `ours` ends in
    /// (`platform_depth_cm` is converted to `platform_depth_mm`).
    pub fn column(mut self, theirs: impl Into<String>, ours: impl Into<String>) -> Self {
        self.map.push((theirs.into(), ours.into()));
        self
    }
    /// Columns given by [`TableOptions::column`] may be lacking, where otherwise reading the table is an error: of two tables
    /// read with the same options, one may have them.
    pub fn columns_may_lack(mut self) -> Self {
        self.columns_may_lack = true;
        self
    }
    /// What stands between two cells: a comma, a semicolon (numbers then have a decimal point or a decimal comma) or a tab.
    /// Where it is not said, that under which most names of the header line are understood, and among equals the most
    /// frequent; a comma where there is none.
    pub fn separator(mut self, separator: char) -> Self {
        self.separator = Some(separator);
        self
    }
    /// A further column of numbers. If its name ends in a known unit, other units of it are converted.
    pub fn number(mut self, name: impl Into<String>) -> Self {
        let name = name.into();
        if !self.numbers.contains(&name) {
            self.numbers.push(name);
        }
        self
    }
    /// A further column of classes.
    pub fn class(mut self, name: impl Into<String>) -> Self {
        let name = name.into();
        if !self.classes.contains(&name) {
            self.classes.push(name);
        }
        self
    }
    /// The further columns, of numbers and of classes, that a calibration of one's own reads: without it those whose names
    /// only the calibration knows are carried through, and its answers take them as not given. May be called for several;
    /// those of the bundled calibrations are always read.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::table::{TableOptions, TableReader};
    /// let calibration = bundled::named("retouched-flint")?; // or one of your own, by Calibration::from_json
    /// let text = "mass_now_g,retouch_index\n12,0.4\n";
    /// let table = TableReader::new(text.as_bytes(), &TableOptions::new().read_by(&calibration))?;
    /// assert!(table.header().has("retouch_index"));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn read_by(self, calibration: &Calibration) -> Self {
        let layout = calibration.layout();
        let classes = layout.classes.iter().map(|c| &c.name).filter(|name| *name != PERCUSSOR_CLASS);
        let options = layout.numbers.iter().fold(self, |options, name| options.number(name));
        classes.fold(options, |options, name| options.class(name))
    }
    /// Only rows for which this holds; several must hold together. The others are counted ([`Intake`](super::Intake))
    /// and otherwise passed over.
    pub fn only(mut self, condition: Condition) -> Self {
        self.conditions.push(condition);
        self
    }
    /// A further text that says "not recorded", such as a zero or 999, in one column (by our name) or in all. In all
    /// columns a number counts as "not recorded" only where the measurement cannot have it: a zero in a platform depth,
    /// but not in an angle of blow.
    ///
    /// ```
    /// use conchoid::strike::Measured;
    /// use conchoid::table::{TableOptions, TableReader};
    /// let text = "depth_mm,angle_of_blow_deg,mass_g\n8,0,0.0\n";
    /// let mut table = TableReader::new(text.as_bytes(), &TableOptions::new().missing(None, "0"))?;
    /// let mut row = table.row();
    /// table.read(&mut row)?;
    /// assert_eq!((row.number("mass_g"), row.number("angle_of_blow_deg")), (None, Some(0.0)));
    /// assert!(row.refused().is_none());
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn missing(mut self, column: Option<&str>, text: impl Into<String>) -> Self {
        self.missing.push((column.map(String::from), text.into()));
        self
    }
    /// A word of the table's own, `theirs`, for our word of a class, such as `Blank` for the portion `complete`; in one
    /// column (by our name), or in all whose classes have our word.
    pub fn word(mut self, column: Option<&str>, ours: impl Into<String>, theirs: impl Into<String>) -> Self {
        self.words.push((column.map(String::from), ours.into(), theirs.into()));
        self
    }
    /// A column (as the table writes it) that is only carried through, whatever its name says.
    pub fn ignore(mut self, column: impl Into<String>) -> Self {
        self.ignored.push(column.into());
        self
    }
    /// Works out the platform area where width and depth are recorded and it is not, as the area of a figure: that of
    /// the row's `platform_shape`, or this one.
    pub fn platform_shape(mut self, shape: PlatformShape) -> Self {
        self.shape = Some(shape);
        self
    }
    /// Puts an apostrophe before cells that a spreadsheet would run as formulas, in what is written. Without it cells
    /// come back as they are.
    pub fn formulas_as_text(mut self) -> Self {
        self.formulas_as_text = true;
        self
    }
    /// The most bytes that one row (or the header line) may have.
    pub fn longest_record(mut self, bytes: u64) -> Self {
        self.longest = Some(bytes);
        self
    }
    pub(super) fn longest(&self) -> u64 {
        self.longest.unwrap_or(1 << 20)
    }
}

/// Which of the understood columns of one [`Header`]: find it once by name, then use it for every row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct ColumnId(pub(super) usize);

impl AreaFrom {
    /// Works out the area of a row where it was not recorded; whether it did.
    #[inline]
    pub fn work_out(&self, numbers: &mut [f64], shape: Option<PlatformShape>) -> bool {
        let Some(shape) = shape.or(self.usual) else { return false };
        let area = shape.area_mm2(numbers[self.width], numbers[self.depth]);
        let worked_out = numbers[self.area].is_nan() && PLATFORM_AREA_MM2.contains(area);
        if worked_out {
            numbers[self.area] = area;
        }
        worked_out
    }
}

/// The header line of a table, understood.
///
/// Headers are compared in snake case: `Platform depth (mm)` is `platform_depth_mm`. A known quantity may be
/// in any unit of its dimension.
#[derive(Debug, Clone)]
pub struct Header {
    pub(super) names: Vec<String>,
    pub(super) separator: u8,
    pub(super) columns: Vec<Column>,
    pub(super) conditions: Vec<Placed>,
    pub(super) area: Option<AreaFrom>,
    pub(super) formulas_as_text: bool,
    pub(super) ignored: Vec<usize>,
    pub(super) remarks: Vec<Error>,
    pub(super) suggestions: Vec<(String, String)>,
}

/// Which of the understood columns a platform area is worked out from, and into.
#[derive(Debug, Clone, Copy)]
pub(super) struct AreaFrom {
    pub width: usize,
    pub depth: usize,
    pub area: usize,
    /// The column that names the shape, and the shape without it.
    pub shape: Option<usize>,
    pub usual: Option<PlatformShape>,
}

impl Header {
    /// The names as written, in the order of the table.
    pub fn names(&self) -> impl ExactSizeIterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    /// What stands between two cells: a comma, a semicolon or a tab.
    pub fn separator(&self) -> char {
        self.separator.into()
    }

    /// Whether numbers may have a decimal comma: only where a semicolon stands between cells.
    pub(crate) fn decimal_comma(&self) -> bool {
        self.separator == b';'
    }

    /// Whether a column is understood as `name` (one of [`QUANTITIES`](super::QUANTITIES) or [`CLASSES`](super::CLASSES), or
    /// one that was asked for).
    pub fn has(&self, name: &str) -> bool {
        self.column(name).is_some()
    }

    /// The column understood as `name` (one of [`QUANTITIES`](super::QUANTITIES) or [`CLASSES`](super::CLASSES), or one that was asked for).
    pub(crate) fn column(&self, name: &str) -> Option<ColumnId> {
        self.columns.iter().position(|c| c.name == name).map(ColumnId)
    }

    /// The columns understood, by our names, in the order of the table.
    pub(crate) fn understood(&self) -> impl Iterator<Item = &str> {
        self.columns.iter().map(|c| c.name.as_str())
    }

    /// Where a column stands in the table, by its name as written or in snake case; for columns that are
    /// only carried through too.
    pub fn position(&self, name: &str) -> Option<usize> {
        field_named(&self.names, "column", name).ok()
    }

    /// What a reader should know about the headers: likely slips, quantities without a unit.
    pub fn remarks(&self) -> &[Error] {
        &self.remarks
    }

    /// What columns that are not understood may be: the name as the table writes it, and ours with the unit that the
    /// values betray (`platform_depth_cm`); ready to be given to [`TableOptions::column`].
    pub fn suggestions(&self) -> &[(String, String)] {
        &self.suggestions
    }

    /// Makes sure that the columns that an answer needs are there.
    ///
    /// # Errors
    /// [`Error::Missing`] naming the first that is not, and whether it was ignored.
    pub fn need<S: AsRef<str>>(&self, names: &[S]) -> Result<()> {
        for name in names.iter().map(AsRef::as_ref) {
            if self.column(name).is_some() {
                continue;
            }
            let of = |field: &usize| snake_case(&self.names[*field]);
            let stem = split_unit(name).map_or(name, |(stem, ..)| stem);
            let ignored = self.ignored.iter().find(|field| {
                let plain = of(field);
                plain == name || split_unit(&plain).is_some_and(|(its, ..)| its == stem)
            });
            if let Some(field) = ignored {
                return Err(Error::invalid(
                    shorten(self.names[*field].trim()),
                    "the answer needs this column, and it is ignored (do not ignore it)",
                ));
            }
            return Err(Error::missing(name, "the answer needs it, and the table has no such column"));
        }
        Ok(())
    }

    /// The name of an understood column as the table writes it.
    pub(super) fn written<'a>(&'a self, column: &'a Column) -> &'a str {
        self.names.get(column.field).map_or(column.name.as_str(), |n| n.trim())
    }

    pub(super) fn understand(names: Vec<String>, separator: u8, options: &TableOptions) -> Result<Header> {
        if names.len() > MOST_COLUMNS {
            return Err(Error::table(format!(
                "{} columns in the header line (accepted: at most {MOST_COLUMNS})",
                names.len()
            )));
        }
        if names.iter().all(|n| n.trim().is_empty()) {
            return Err(Error::table("the header line has no names"));
        }
        let wanted = Wanted::new(options)?;
        let mapped = mapped_fields(&names, options)?;
        let place = |name: &String| field_named(&names, "column to ignore", name);
        let ignored = options.ignored.iter().map(place).collect::<Result<Vec<usize>>>()?;
        if let Some((field, ours)) = mapped.iter().find(|(field, _)| ignored.contains(field)) {
            let reason = format!("taken as {ours} and ignored (choose one)");
            return Err(Error::invalid(shorten(names[*field].trim()), reason));
        }
        let mut header = Header {
            names,
            separator,
            columns: Vec::new(),
            conditions: Vec::new(),
            area: None,
            formulas_as_text: options.formulas_as_text,
            ignored,
            remarks: Vec::new(),
            suggestions: Vec::new(),
        };
        let mut seen: HashMap<String, usize> = HashMap::new();
        let mut doubtful: Vec<(usize, String)> = Vec::new();
        for field in 0..header.names.len() {
            if header.ignored.contains(&field) {
                continue;
            }
            let written = header.names[field].trim();
            let plain = snake_case(written);
            let meaning = match mapped.get(&field) {
                Some(ours) => match wanted.meaning(&snake_case(ours)) {
                    Meaning::Unknown | Meaning::NoUnit(_) => {
                        return Err(Error::unknown_name("column map", *ours, wanted.names()));
                    }
                    known => known,
                },
                None => wanted.meaning(&plain),
            };
            let name = match meaning {
                Meaning::Known { name, kind } => {
                    header.columns.push(Column::new(name.clone(), field, kind));
                    name
                }
                Meaning::WrongUnit { quantity, unit } => {
                    return Err(Error::Table {
                        at: Place::column(shorten(written)),
                        reason: format!(
                            "{} is {}, so it cannot be in {unit} (accepted: {})",
                            quantity.stem,
                            quantity.dimension.name(),
                            spellings(quantity)
                        ),
                    });
                }
                Meaning::NoUnit(quantity) => {
                    let accepted = spellings(quantity);
                    let reason = format!(
                        "a name without a unit is not used, only carried through (accepted: {accepted})"
                    );
                    header.remarks.push(Error::invalid(shorten(written), reason));
                    written.to_string()
                }
                Meaning::Unknown => {
                    doubtful.push((field, plain));
                    written.to_string()
                }
            };
            if written.is_empty() {
                continue;
            }
            if let Some(first) = seen.insert(name.clone(), field) {
                return Err(duplicate(&header.names, first, field, &name));
            }
        }
        for (field, plain) in doubtful.into_iter().take(MOST_SUGGESTIONS) {
            if let Some(near) = wanted.near(&plain).filter(|near| header.column(near).is_none()) {
                let reason = format!("not a known column, so only carried through (did you mean {near}?)");
                header.remarks.push(Error::invalid(shorten(header.names[field].trim()), reason));
            }
        }
        header.remark_width();
        header.take_missing(options)?;
        header.take_words(options)?;
        header.take_area(options);
        let comma = header.decimal_comma();
        let placed = options.conditions.iter().map(|c| Placed::new(c, &header.names, &header.columns, comma));
        header.conditions = placed.collect::<Result<_>>()?;
        Ok(header)
    }

    /// Gives each column the texts that say "not recorded" in it.
    fn take_missing(&mut self, options: &TableOptions) -> Result<()> {
        for (column, text) in &options.missing {
            let number = match cell::number(text, true) {
                NumberCell::Number(v) => Some(v),
                _ => None,
            };
            let entry = (text.trim().to_string(), number);
            if let Some(name) = column {
                let plain = snake_case(name);
                let Some(at) = self.columns.iter().position(|c| c.name == *name || c.name == plain) else {
                    let known: Vec<&str> = self.understood().collect();
                    return Err(Error::unknown_name("column of what is missing", name.as_str(), known));
                };
                self.columns[at].missing.push(entry);
                continue;
            }
            for c in &mut self.columns {
                // a number that the measurement may have is no sign of anything
                let possible = match (c.kind, number) {
                    (Kind::Number { bounds: Some(bounds), factor }, Some(v)) => {
                        bounds.contains(v * factor) && v == 0.0
                    }
                    (Kind::Number { bounds: None, .. }, Some(v)) => v == 0.0,
                    // a zero may stand for no
                    (Kind::Class(ClassKind::YesNo), Some(v)) => v == 0.0,
                    _ => false,
                };
                if !possible {
                    c.missing.push(entry.clone());
                }
            }
        }
        Ok(())
    }

    /// Gives each column of classes the table's own words.
    fn take_words(&mut self, options: &TableOptions) -> Result<()> {
        for (column, ours, theirs) in &options.words {
            let has = |c: &Column| match c.kind {
                Kind::Class(ClassKind::Vocabulary(find, _) | ClassKind::OpenVocabulary(find)) => {
                    find(ours).is_some()
                }
                Kind::Class(ClassKind::YesNo) => column.is_some() && ["yes", "no"].contains(&ours.as_str()),
                Kind::Class(ClassKind::Name | ClassKind::Label) => column.is_some(),
                Kind::Number { .. } => false,
            };
            let fits = |c: &Column| column.as_deref().is_none_or(|n| c.name == n) && has(c);
            let mut found = false;
            for c in self.columns.iter_mut().filter(|c| fits(c)) {
                found = true;
                match c.words.iter().find(|(t, _)| same_name(t, theirs)) {
                    Some((_, before)) if before != ours => {
                        let reason = format!("given twice, as {before} and as {ours} (give it once)");
                        return Err(Error::invalid(format!("word {}", shorten(theirs)), reason));
                    }
                    Some(_) => {}
                    None => c.words.push((theirs.trim().to_string(), ours.clone())),
                }
            }
            if !found {
                let asked = column.as_deref().map_or(String::new(), |c| format!(" {c}"));
                let classes: Vec<&str> = self
                    .columns
                    .iter()
                    .filter(|c| matches!(c.kind, Kind::Class(_)))
                    .map(|c| c.name.as_str())
                    .collect();
                let reason = format!(
                    "no column{asked} of the table has classes with this word (its columns of classes: {})",
                    if classes.is_empty() { "none".into() } else { classes.join(", ") }
                );
                return Err(Error::invalid(format!("word {}", shorten(ours)), reason));
            }
        }
        Ok(())
    }

    /// Where a platform area can be worked out, has a place for it.
    fn take_area(&mut self, options: &TableOptions) {
        let at = |header: &Header, name: &str| header.column(name).map(|id| id.0);
        let shape = at(self, PlatformShape::COLUMN);
        if shape.is_none() && options.shape.is_none() {
            return;
        }
        let (Some(width), Some(depth)) = (at(self, "platform_width_mm"), at(self, "platform_depth_mm"))
        else {
            return;
        };
        let area = at(self, "platform_area_mm2").unwrap_or_else(|| {
            let kind = Kind::Number { factor: 1.0, bounds: Some(PLATFORM_AREA_MM2) };
            self.columns.push(Column::new("platform_area_mm2".to_string(), self.names.len(), kind));
            self.columns.len() - 1
        });
        self.area = Some(AreaFrom { width, depth, area, shape, usual: options.shape });
    }

    /// Tells that the header line has a name less than the rows have cells.
    pub(super) fn remark_nameless(&mut self) {
        let reason =
            "the rows have one cell more than the header line has names: the first column is taken as one \
                      without a name"
                .into();
        self.remarks.push(Error::Invalid { at: Place::default(), reason });
    }

    /// A table that calls the platform's depth `depth_mm` for short may mean the platform's width by
    /// `width_mm`; where nothing else speaks of the flake's size, it is said how it was read.
    fn remark_width(&mut self) {
        let Some(ColumnId(width)) = self.column("width_mm") else { return };
        let short = self.column("platform_depth_mm").is_some_and(|ColumnId(depth)| {
            snake_case(self.written(&self.columns[depth])).starts_with("depth")
        });
        let others = ["platform_width_mm", "length_mm", "thickness_mm"];
        if short && others.iter().all(|name| self.column(name).is_none()) {
            let reason = "read as the width of the flake (the width of the platform is platform_width_mm)";
            self.remarks.push(Error::invalid(shorten(self.written(&self.columns[width])), reason));
        }
    }
}

fn duplicate(names: &[String], first: usize, second: usize, meaning: &str) -> Error {
    let (a, b) = (names[first].trim(), names[second].trim());
    let (a, b, meaning) = (shorten(a), shorten(b), shorten(meaning));
    Error::table(if a == b {
        format!("columns {} and {} are both called \"{a}\" (rename or remove one)", first + 1, second + 1)
    } else {
        format!(
            "\"{a}\" (column {}) and \"{b}\" (column {}) are both {meaning} (rename or remove one)",
            first + 1,
            second + 1
        )
    })
}

/// How a quantity may be written, for a message.
fn spellings(quantity: &Quantity) -> String {
    let others: Vec<String> =
        quantity.dimension.units()[1..].iter().map(|(unit, _)| format!("_{unit}")).collect();
    format!("{}, or with {}", quantity.name(), others.join(" "))
}

/// Which field each entry of the column map speaks of.
fn mapped_fields<'a>(names: &[String], options: &'a TableOptions) -> Result<HashMap<usize, &'a str>> {
    let mut fields = HashMap::new();
    for (theirs, ours) in &options.map {
        let field = match field_named(names, "column map", theirs) {
            Err(_) if options.columns_may_lack => continue,
            found => found?,
        };
        if let Some(before) = fields.insert(field, ours.as_str()) {
            return Err(Error::invalid(
                "column map",
                format!("\"{theirs}\" is given twice, as {before} and as {ours} (give it once)"),
            ));
        }
    }
    Ok(fields)
}

/// What a header says.
enum Meaning {
    Known { name: String, kind: Kind },
    WrongUnit { quantity: &'static Quantity, unit: &'static str },
    NoUnit(&'static Quantity),
    Unknown,
}

/// The columns that can be understood: the known ones and those asked for, in snake case and as asked.
struct Wanted {
    numbers: Vec<(String, String)>,
    classes: Vec<(String, String)>,
}

impl Wanted {
    fn new(options: &TableOptions) -> Result<Wanted> {
        // of what bundled calibrations read, only what nobody asks for
        let plain = |of_bundled: &[&str], asked: &[String]| -> Vec<(String, String)> {
            let asked_for = |n: &&&str| options.numbers.iter().chain(&options.classes).any(|a| a == **n);
            let further = of_bundled.iter().filter(|n| !asked_for(n)).copied();
            further.chain(asked.iter().map(String::as_str)).map(|n| (snake_case(n), n.to_string())).collect()
        };
        let (numbers, classes) = bundled::FURTHER;
        let mut wanted =
            Wanted { numbers: plain(numbers, &options.numbers), classes: plain(classes, &options.classes) };
        for (plain, name) in wanted.numbers.iter().chain(&wanted.classes) {
            if plain.is_empty() {
                return Err(Error::invalid(name.as_str(), "a column that is asked for needs a name"));
            }
        }
        for (plain, name) in &wanted.numbers {
            if CLASSES.contains(&plain.as_str()) || wanted.classes.iter().any(|(c, _)| c == plain) {
                return Err(Error::invalid(name.as_str(), "a column of classes, not of numbers"));
            }
        }
        for (plain, name) in &wanted.classes {
            if quantity(plain).is_some() {
                return Err(Error::invalid(name.as_str(), "a column of numbers, not of classes"));
            }
        }
        // What is known already needs no second entry.
        wanted.numbers.retain(|(plain, _)| quantity(plain).is_none());
        wanted.classes.retain(|(plain, _)| !CLASSES.contains(&plain.as_str()));
        Ok(wanted)
    }

    /// All accepted names, for a message.
    fn names(&self) -> Vec<String> {
        let known = KNOWN.iter().map(|q| q.name().to_string());
        let asked = self.numbers.iter().chain(&self.classes).map(|(_, name)| name.clone());
        known.chain(CLASSES.iter().map(|c| c.to_string())).chain(asked).collect()
    }

    /// What a header in snake case says.
    fn meaning(&self, plain: &str) -> Meaning {
        let number = |name: &str, factor, bounds| Meaning::Known {
            name: name.to_string(),
            kind: Kind::Number { factor, bounds },
        };
        if let Some((_, name)) = self.numbers.iter().find(|(n, _)| n == plain) {
            return number(name, 1.0, None);
        }
        if let Some((_, name)) = self.classes.iter().find(|(n, _)| n == plain) {
            return Meaning::Known { name: name.clone(), kind: Kind::Class(ClassKind::Label) };
        }
        if let Some((_, kind)) = class_kind(plain) {
            return Meaning::Known { name: plain.to_string(), kind: Kind::Class(kind) };
        }
        let of_stem = |stem: &str| KNOWN.iter().find(|q| q.stem == stem || q.short == Some(stem));
        if let Some(quantity) = of_stem(plain) {
            return Meaning::NoUnit(quantity);
        }
        let Some((stem, dimension, unit, factor)) = split_unit(plain) else { return Meaning::Unknown };
        match of_stem(stem) {
            Some(q) if q.dimension == dimension => return number(q.name(), factor, Some(q.bounds)),
            Some(quantity) => return Meaning::WrongUnit { quantity, unit },
            None => {}
        }
        for (asked, name) in &self.numbers {
            if let Some((its_stem, its_dimension, _, its_factor)) = split_unit(asked)
                && its_stem == stem
                && its_dimension == dimension
            {
                return number(name, factor / its_factor, None);
            }
        }
        Meaning::Unknown
    }

    /// The known name that an unknown one is likely a slip of.
    fn near(&self, plain: &str) -> Option<String> {
        if plain.is_empty() || plain.len() > 64 {
            return None;
        }
        let most = if plain.chars().count() < 7 { 1 } else { 2 };
        let mut sorted: Vec<&str> = plain.split('_').collect();
        sorted.sort_unstable();
        let short = KNOWN.iter().filter_map(|q| Some((format!("{}_{}", q.short?, q.unit()), q.name())));
        self.names()
            .into_iter()
            .map(|name| (name.clone(), name))
            .chain(short.map(|(short, name)| (short, name.to_string())))
            .map(|(spelling, name)| {
                let spelling = snake_case(&spelling);
                let mut words: Vec<&str> = spelling.split('_').collect();
                words.sort_unstable();
                (if words == sorted { 1 } else { edit_distance(plain, &spelling) }, name)
            })
            .filter(|(distance, _)| *distance <= most)
            .min_by_key(|(distance, _)| *distance)
            .map(|(_, name)| name)
    }
}

/// The separator asked for; else, of those in the header line outside quotes, the one under which most
/// names are understood, and among equals the most frequent.
pub(super) fn separator(options: &TableOptions, opening: &Opening) -> Result<u8> {
    match options.separator {
        Some(named @ (',' | ';' | '\t')) => return Ok(named as u8),
        Some(other) => {
            let reason = format!("{other:?} cannot stand between cells (accepted: comma, semicolon, tab)");
            return Err(Error::invalid("separator", reason));
        }
        None => {}
    }
    if let Some(named) = opening.separator {
        return Ok(named);
    }
    let line = &opening.bytes[opening.header.clone()];
    let wanted = Wanted::new(options)?;
    let (mut best, mut best_score) = (b',', (0, 0));
    for candidate in *b",;\t" {
        let mut in_quotes = false;
        let stands = |b: &&u8| {
            in_quotes ^= **b == b'"';
            !in_quotes && **b == candidate
        };
        let count = line.iter().filter(stands).count();
        if count == 0 || count > MOST_COLUMNS {
            continue;
        }
        let score = (understood(line, candidate, &wanted, options), count);
        if score > best_score {
            (best, best_score) = (candidate, score);
        }
    }
    Ok(best)
}

/// How many names of a header line are understood if this separator stands between them.
fn understood(line: &[u8], separator: u8, wanted: &Wanted, options: &TableOptions) -> usize {
    let mut names = Cells::default();
    names.take_apart(line, separator);
    let known = |name: &str| {
        let plain = snake_case(name);
        !plain.is_empty()
            && (matches!(wanted.meaning(&plain), Meaning::Known { .. })
                || options.map.iter().any(|(theirs, _)| snake_case(theirs) == plain))
    };
    names.iter().filter(|name| known(name)).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_in_snake_case() {
        for (written, plain) in [
            ("platform_depth_mm", "platform_depth_mm"),
            (" Platform Depth (mm) ", "platform_depth_mm"),
            ("Platform-area [mm²]", "platform_area_mm2"),
            ("platform area mm^2", "platform_area_mm2"),
            ("Exterior platform angle (°)", "exterior_platform_angle_deg"),
            ("Speed [m/s]", "speed_m_s"),
            ("tip radius, µm", "tip_radius_um"),
            ("--", ""),
        ] {
            assert_eq!(snake_case(written), plain, "{written:?}");
        }
    }

    #[test]
    fn slips_are_suggested_and_others_are_not() {
        let wanted = Wanted::new(&TableOptions::new().number("dorsal_scars")).unwrap();
        for (written, near) in [
            ("platfrom_depth_mm", Some("platform_depth_mm")),
            ("depth_platform_mm", Some("platform_depth_mm")),
            ("dept_mm", Some("platform_depth_mm")),
            ("dorsal_scar", Some("dorsal_scars")),
            ("terminaton", Some("termination")),
            ("platform_left_x_mm", None),
            ("left_side_mm", None),
            ("force_reading", None),
            ("notes", None),
            ("stones", Some("stone")),
        ] {
            assert_eq!(wanted.near(written).as_deref(), near, "{written}");
        }
    }
}
