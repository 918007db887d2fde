//! What the header line of a table means: which column is which quantity in which unit, which are classes,
//! and which are unknown and only carried through. Decided once, before the first row.

use super::guard::Opening;
use super::quantity::*;
use crate::error::{Bounds, Error, Place, Result, edit_distance};
use std::collections::HashMap;

/// The most columns a table may have. Own choice.
pub const MOST_COLUMNS: usize = 4096;

/// Unknown columns beyond these are carried through without looking for a likely slip. Own choice.
const MOST_SUGGESTIONS: usize = 256;

/// What stands between two cells.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub enum Separator {
    /// Of comma, semicolon and tab in the header line (outside quotes), the one under which most names are
    /// understood, and among equals the most frequent; a comma where there is none.
    #[default]
    Auto,
    /// A comma: numbers have a decimal point.
    Comma,
    /// A semicolon: numbers have a decimal point or a decimal comma.
    Semicolon,
    /// A tab: numbers have a decimal point.
    Tab,
}

/// How a table is to be read.
///
/// | option | default | purpose |
/// |---|---|---|
/// | [`column`](TableOptions::column) | none | a column of another name holds one of ours |
/// | [`separator`](TableOptions::separator) | [`Separator::Auto`] | what stands between two cells |
/// | [`number`](TableOptions::number) | none | a further column of numbers, such as `dorsal_scars` |
/// | [`class`](TableOptions::class) | none | a further column of classes, such as `core_shape` |
/// | [`longest_record`](TableOptions::longest_record) | 1 MiB | the most bytes of one row |
#[derive(Debug, Clone, PartialEq)]
pub struct TableOptions {
    map: Vec<(String, String)>,
    separator: Separator,
    numbers: Vec<String>,
    classes: Vec<String>,
    longest: u64,
}

impl Default for TableOptions {
    fn default() -> Self {
        TableOptions {
            map: Vec::new(),
            separator: Separator::Auto,
            numbers: Vec::new(),
            classes: Vec::new(),
            longest: 1 << 20,
        }
    }
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
    /// What stands between two cells.
    pub fn separator(mut self, separator: Separator) -> Self {
        self.separator = separator;
        self
    }
    /// A further column of numbers. If its name ends in a known unit, other units of it are converted.
    pub fn number(mut self, name: impl Into<String>) -> Self {
        self.numbers.push(name.into());
        self
    }
    /// A further column of classes.
    pub fn class(mut self, name: impl Into<String>) -> Self {
        self.classes.push(name.into());
        self
    }
    /// The most bytes that one row (or the header line) may have.
    pub fn longest_record(mut self, bytes: u64) -> Self {
        self.longest = bytes;
        self
    }
    pub(super) fn longest(&self) -> u64 {
        self.longest
    }
}

/// Which of the understood columns of one [`Header`]: find it once by name, then use it for every row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ColumnId(pub(super) usize);

/// How the cells of an understood column are read.
#[derive(Debug, Clone, Copy)]
pub(super) enum Kind {
    Number { factor: f64, bounds: Option<Bounds> },
    Class(ClassKind),
}

/// An understood column.
#[derive(Debug, Clone)]
pub(super) struct Column {
    /// Our name.
    pub name: String,
    /// Where it stands in the table.
    pub field: usize,
    pub kind: Kind,
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
    remarks: Vec<Error>,
}

impl Header {
    /// The header of a table whose header line is not read yet.
    pub(super) fn nothing(separator: u8) -> Header {
        Header { names: Vec::new(), separator, columns: Vec::new(), remarks: Vec::new() }
    }

    /// The names as written, in the order of the table.
    pub fn names(&self) -> impl ExactSizeIterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    /// What stands between two cells; never [`Separator::Auto`].
    pub fn separator(&self) -> Separator {
        match self.separator {
            b';' => Separator::Semicolon,
            b'\t' => Separator::Tab,
            _ => Separator::Comma,
        }
    }

    /// Whether numbers may have a decimal comma: only where a semicolon stands between cells.
    pub fn decimal_comma(&self) -> bool {
        self.separator == b';'
    }

    /// The column understood as `name` (one of [`QUANTITIES`] or [`CLASSES`], or one that was asked for).
    pub fn column(&self, name: &str) -> Option<ColumnId> {
        self.columns.iter().position(|c| c.name == name).map(ColumnId)
    }

    /// The columns understood, by our names, in the order of the table.
    pub fn understood(&self) -> impl Iterator<Item = &str> {
        self.columns.iter().map(|c| c.name.as_str())
    }

    /// Where a column stands in the table, by its name as written or in snake case; for columns that are
    /// only carried through too.
    pub fn position(&self, name: &str) -> Option<usize> {
        let plain = snake_case(name);
        self.names
            .iter()
            .position(|n| n.trim() == name.trim())
            .or_else(|| self.names.iter().position(|n| !plain.is_empty() && snake_case(n) == plain))
    }

    /// What a reader should know about the headers: likely slips, quantities without a unit.
    pub fn remarks(&self) -> &[Error] {
        &self.remarks
    }

    /// The name of an understood column as the table writes it.
    pub(super) fn written(&self, column: &Column) -> &str {
        self.names[column.field].trim()
    }

    pub(super) fn understand(names: Vec<String>, separator: u8, options: &TableOptions) -> Result<Header> {
        if names.len() > MOST_COLUMNS {
            return Err(table(format!(
                "{} columns in the header line (accepted: at most {MOST_COLUMNS})",
                names.len()
            )));
        }
        if names.iter().all(|n| n.trim().is_empty()) {
            return Err(table("the header line has no names".into()));
        }
        let wanted = Wanted::new(options)?;
        let mapped = mapped_fields(&names, options)?;
        let mut header = Header { names, separator, columns: Vec::new(), remarks: Vec::new() };
        let mut seen: HashMap<String, usize> = HashMap::new();
        let mut doubtful: Vec<(usize, String)> = Vec::new();
        for field in 0..header.names.len() {
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
                    header.columns.push(Column { name: name.clone(), field, kind });
                    name
                }
                Meaning::WrongUnit { quantity, unit } => {
                    return Err(Error::Table {
                        at: Place::column(shorten(written)),
                        reason: format!(
                            "{} is {}, so it cannot be in {unit} (accepted: {})",
                            quantity.stem(),
                            quantity.dimension().name(),
                            spellings(quantity)
                        ),
                    });
                }
                Meaning::NoUnit(quantity) => {
                    header.remarks.push(Error::Invalid {
                        at: Place::column(shorten(written)),
                        reason: format!(
                            "a name without a unit is not used, only carried through (accepted: {})",
                            spellings(quantity)
                        ),
                    });
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
                header.remarks.push(Error::Invalid {
                    at: Place::column(shorten(header.names[field].trim())),
                    reason: format!("not a known column, so only carried through (did you mean {near}?)"),
                });
            }
        }
        header.remark_width();
        Ok(header)
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
            self.remarks.push(Error::Invalid {
                at: Place::column(shorten(self.written(&self.columns[width]))),
                reason: "read as the width of the flake (the width of the platform is platform_width_mm)"
                    .into(),
            });
        }
    }
}

fn table(reason: String) -> Error {
    Error::Table { at: Place::default(), reason }
}

fn duplicate(names: &[String], first: usize, second: usize, meaning: &str) -> Error {
    let (a, b) = (names[first].trim(), names[second].trim());
    let (a, b, meaning) = (shorten(a), shorten(b), shorten(meaning));
    table(if a == b {
        format!("columns {} and {} are both called \"{a}\" (rename or remove one)", first + 1, second + 1)
    } else {
        format!(
            "\"{a}\" (column {}) and \"{b}\" (column {}) are both {meaning} (rename or remove one)",
            first + 1,
            second + 1
        )
    })
}

/// Text for a message: on one line, and cut where it would not be read.
pub(super) fn shorten(text: &str) -> String {
    const MOST: usize = 60;
    let mut out: String = text.chars().take(MOST).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().nth(MOST).is_some() {
        out.push('…');
    }
    out
}

/// How a quantity may be written, for a message.
fn spellings(quantity: &Quantity) -> String {
    let others: Vec<String> =
        quantity.dimension().units()[1..].iter().map(|(unit, _)| format!("_{unit}")).collect();
    format!("{}, or with {}", quantity.name(), others.join(" "))
}

/// Lower case, with one underscore between words, brackets dropped, and typographic units spelt out.
pub(super) fn snake_case(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.trim().chars() {
        match c {
            '²' => out.push('2'),
            '°' => out.push_str("_deg"),
            'µ' | 'μ' => out.push('u'),
            '^' => {}
            '(' | ')' | '[' | ']' | '{' | '}' | '/' | ',' | ';' | ':' | '.' | '-' | '_' => out.push('_'),
            c if c.is_whitespace() => out.push('_'),
            c => out.extend(c.to_lowercase()),
        }
    }
    let words: Vec<&str> = out.split('_').filter(|w| !w.is_empty()).collect();
    words.join("_")
}

/// Which field each entry of the column map speaks of.
fn mapped_fields<'a>(names: &[String], options: &'a TableOptions) -> Result<HashMap<usize, &'a str>> {
    let mut fields = HashMap::new();
    for (theirs, ours) in &options.map {
        let plain = snake_case(theirs);
        let field = names
            .iter()
            .position(|n| n.trim() == theirs.trim())
            .or_else(|| names.iter().position(|n| !plain.is_empty() && snake_case(n) == plain))
            .ok_or_else(|| {
                let present: Vec<String> = names.iter().take(50).map(|n| shorten(n.trim())).collect();
                Error::unknown_name("column map", theirs.as_str(), present)
            })?;
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
        let plain = |names: &[String]| -> Vec<(String, String)> {
            names.iter().map(|n| (snake_case(n), n.clone())).collect()
        };
        let mut wanted = Wanted { numbers: plain(&options.numbers), classes: plain(&options.classes) };
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
            if QUANTITIES.iter().any(|q| q.name() == plain) {
                return Err(Error::invalid(name.as_str(), "a column of numbers, not of classes"));
            }
        }
        // What is known already needs no second entry.
        wanted.numbers.retain(|(plain, _)| !QUANTITIES.iter().any(|q| q.name() == plain));
        wanted.classes.retain(|(plain, _)| !CLASSES.contains(&plain.as_str()));
        Ok(wanted)
    }

    /// All accepted names, for a message.
    fn names(&self) -> Vec<String> {
        let known = QUANTITIES.iter().map(|q| q.name().to_string());
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
        if CLASSES.contains(&plain) {
            return Meaning::Known { name: plain.to_string(), kind: Kind::Class(class_kind(plain)) };
        }
        let of_stem = |stem: &str| QUANTITIES.iter().find(|q| q.stem() == stem || q.short() == Some(stem));
        if let Some(quantity) = of_stem(plain) {
            return Meaning::NoUnit(quantity);
        }
        let Some((stem, dimension, unit, factor)) = split_unit(plain) else { return Meaning::Unknown };
        match of_stem(stem) {
            Some(q) if q.dimension() == dimension => return number(q.name(), factor, Some(q.bounds())),
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
        let stem = split_unit(plain).map_or(plain, |(stem, ..)| stem);
        if let Some((_, ours)) = ELSEWHERE.iter().find(|(theirs, _)| *theirs == stem || *theirs == plain) {
            return Some(ours.to_string());
        }
        let most = if plain.chars().count() < 7 { 1 } else { 2 };
        let mut sorted: Vec<&str> = plain.split('_').collect();
        sorted.sort_unstable();
        let short =
            QUANTITIES.iter().filter_map(|q| Some((format!("{}_{}", q.short()?, q.unit()), q.name())));
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
        Separator::Comma => Ok(b','),
        Separator::Semicolon => Ok(b';'),
        Separator::Tab => Ok(b'\t'),
        Separator::Auto => {
            let line = &opening.bytes[opening.header.clone()];
            let wanted = Wanted::new(options)?;
            let (mut best, mut best_score) = (b',', (0, 0));
            for candidate in *b",;\t" {
                let mut in_quotes = false;
                let count = line
                    .iter()
                    .filter(|b| {
                        in_quotes ^= **b == b'"';
                        !in_quotes && **b == candidate
                    })
                    .count();
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
    }
}

/// How many names of a header line are understood if this separator stands between them.
fn understood(line: &[u8], separator: u8, wanted: &Wanted, options: &TableOptions) -> usize {
    let mut csv = csv::ReaderBuilder::new().delimiter(separator).has_headers(false).from_reader(line);
    let mut record = csv::StringRecord::new();
    if !csv.read_record(&mut record).unwrap_or(false) {
        return 0;
    }
    let known = |name: &str| {
        let plain = snake_case(name);
        !plain.is_empty()
            && (matches!(wanted.meaning(&plain), Meaning::Known { .. })
                || options.map.iter().any(|(theirs, _)| snake_case(theirs) == plain))
    };
    record.iter().filter(|name| known(name)).count()
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
            ("platform_thickness_mm", Some("platform_depth_mm")),
            ("epa", Some("exterior_platform_angle_deg")),
            ("weight_g", Some("mass_g")),
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
