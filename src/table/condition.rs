//! Which rows of a table are asked about: conditions on its columns, all of which must hold, and what the table
//! holds instead where they leave nothing.

use super::cell;
use super::column::{Column, Kind, field_named, shorten, snake_case};
use super::text::{Cells, rows_told};
use crate::error::{Error, Result, counted};
use crate::vocabulary::same_name;
use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::fmt;

/// How a cell and a value are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Comparison {
    Is,
    IsNot,
    Below,
    AtMost,
    Above,
    AtLeast,
}

/// In the order in which they are looked for: the longer signs first.
const SIGNS: [(&str, Comparison); 6] = [
    ("!=", Comparison::IsNot),
    ("<=", Comparison::AtMost),
    (">=", Comparison::AtLeast),
    ("=", Comparison::Is),
    ("<", Comparison::Below),
    (">", Comparison::Above),
];

/// A condition on one column of a table, such as `portion=complete`, `percussor!=antler` or `length_mm>=25`.
///
/// A column may be named as the table writes it, or by our name; by ours, numbers are compared in our unit and
/// classes by our words. Text is compared without regard to case, numbers as numbers. Nothing after `=` asks for
/// cells where nothing was recorded. Where nothing was recorded, `!=` holds and an order (`<`, `<=`, `>`, `>=`)
/// does not.
///
/// ```
/// use conchoid::strike::Measured;
/// use conchoid::table::{Condition, TableOptions, TableReader};
/// let text = "platform_depth_cm,layer\n0.8,III\n0.3,III\n0.9,IV\n";
/// let options = TableOptions::new()
///     .only("layer=iii".parse::<Condition>()?)
///     .only("platform_depth_mm>=5".parse()?);
/// let mut table = TableReader::new(text.as_bytes(), &options)?;
/// let mut row = table.row();
/// assert!(table.read(&mut row)?);
/// assert_eq!((row.row_number(), row.number("platform_depth_mm")), (1, Some(8.0)));
/// assert!(!table.read(&mut row)?);
/// assert!("layer".parse::<Condition>().is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    column: String,
    how: Comparison,
    value: String,
}

impl std::str::FromStr for Condition {
    type Err = Error;

    /// # Errors
    /// [`Error::Invalid`] without a column or a sign.
    fn from_str(text: &str) -> Result<Condition> {
        let found = SIGNS
            .iter()
            .filter_map(|(sign, how)| Some((text.find(sign)?, *sign, *how)))
            .min_by_key(|(at, sign, _)| (*at, std::cmp::Reverse(sign.len())));
        match found {
            Some((at, sign, how)) if !text[..at].trim().is_empty() => {
                let value = text[at + sign.len()..].trim().to_string();
                Ok(Condition { column: text[..at].trim().to_string(), how, value })
            }
            _ => Err(Error::invalid(
                shorten(text),
                "not a condition (write COLUMN=VALUE, or with != < <= > >= between them)",
            )),
        }
    }
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = SIGNS.iter().find(|(_, how)| *how == self.how).map_or("", |(sign, _)| *sign);
        write!(f, "{}{sign}{}", self.column, self.value)
    }
}

/// What a condition looks at.
#[derive(Debug, Clone)]
enum Target {
    /// A cell as written.
    Field(usize),
    /// One of the understood columns, in our unit or our words.
    Column(Box<Column>),
}

/// A condition with its column found.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    condition: Condition,
    target: Target,
    /// Whether numbers of the table may have a decimal comma.
    comma: bool,
    number: Option<f64>,
    /// The value, in our word where it is compared with ours.
    word: String,
}

impl Placed {
    /// Finds the column of a condition, by the names of a table and those of its columns that are understood.
    pub(super) fn new(
        condition: &Condition,
        names: &[String],
        columns: &[Column],
        comma: bool,
    ) -> Result<Placed> {
        let name = condition.column.as_str();
        let ours = || columns.iter().find(|c| c.name == snake_case(name));
        let target = match names.iter().position(|n| n.trim() == name) {
            Some(field) => Target::Field(field),
            None => match ours() {
                Some(column) => Target::Column(Box::new(column.clone())),
                None => Target::Field(field_named(names, "column of a condition", name)?),
            },
        };
        let number = match cell::number(&condition.value, comma || matches!(target, Target::Column(_))) {
            cell::NumberCell::Number(v) => Some(v),
            _ => None,
        };
        let ordered = !matches!(condition.how, Comparison::Is | Comparison::IsNot);
        if ordered && number.is_none() {
            return Err(Error::invalid(
                condition.to_string(),
                format!(
                    "\"{}\" is not a number, so nothing is more or less than it",
                    shorten(&condition.value)
                ),
            ));
        }
        let mut lower = String::new();
        let word = match &target {
            Target::Column(column) => column.class(&condition.value, &mut lower).ok().flatten(),
            Target::Field(_) => None,
        };
        let word = word.unwrap_or(&condition.value).to_string();
        Ok(Placed { condition: condition.clone(), target, comma, number, word })
    }

    fn field(&self) -> usize {
        match &self.target {
            Target::Field(field) => *field,
            Target::Column(column) => column.field,
        }
    }

    /// Whether it holds for the cells of a row.
    fn holds(&self, cells: &Cells) -> bool {
        let text = cells.get(self.field()).unwrap_or("").trim();
        let (mut missing, mut found, mut word) = (cell::is_missing(text), None, text);
        let mut lower = String::new();
        if let Target::Column(column) = &self.target {
            match column.kind {
                Kind::Number { .. } => {
                    found = column.number(text, self.comma).ok().filter(|v| !v.is_nan());
                    missing |= found.is_none();
                }
                Kind::Class(_) => match column.class(text, &mut lower) {
                    Ok(Some(ours)) => word = ours,
                    Ok(None) => missing = true,
                    Err(_) => {}
                },
            }
        } else if let cell::NumberCell::Number(v) = cell::number(text, self.comma) {
            found = Some(v);
        }
        let same = match (found, self.number) {
            _ if missing => self.condition.value.is_empty(),
            (Some(a), Some(b)) if a == b => true,
            _ => same_name(word, &self.word) || word.eq_ignore_ascii_case(&self.word),
        };
        let order = found.zip(self.number).filter(|_| !missing).and_then(|(a, b)| a.partial_cmp(&b));
        match self.condition.how {
            Comparison::Is => same,
            Comparison::IsNot => !same,
            Comparison::Below => order.is_some_and(Ordering::is_lt),
            Comparison::AtMost => order.is_some_and(Ordering::is_le),
            Comparison::Above => order.is_some_and(Ordering::is_gt),
            Comparison::AtLeast => order.is_some_and(Ordering::is_ge),
        }
    }
}

/// Values of a column that are told at most. This crate's choice, no source.
const TOLD: usize = 12;

/// What became of the rows under the conditions.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Chosen {
    /// Rows looked at, and rows where every condition holds.
    pub rows: u64,
    pub kept: u64,
    each: Vec<Tried>,
}

/// What became of one condition.
#[derive(Debug, Clone, Default, PartialEq)]
struct Tried {
    /// Rows where it holds, and rows that it was the first to turn away.
    held: u64,
    turned_away: u64,
    /// What stood in its column where it does not hold, each once.
    instead: BTreeSet<String>,
}

impl Chosen {
    /// Whether a row is asked about; counts it.
    pub(crate) fn choose(&mut self, conditions: &[Placed], cells: &Cells) -> bool {
        self.rows += 1;
        self.each.resize(conditions.len(), Tried::default());
        let mut kept = true;
        for (placed, tried) in conditions.iter().zip(&mut self.each) {
            if placed.holds(cells) {
                tried.held += 1;
                continue;
            }
            tried.turned_away += u64::from(kept);
            kept = false;
            if tried.instead.len() <= TOLD {
                let text = cells.get(placed.field()).unwrap_or("").trim();
                let text = if text.is_empty() { "(blank)".into() } else { shorten(text) };
                tried.instead.insert(text);
            }
        }
        self.kept += u64::from(kept);
        kept
    }

    pub(crate) fn append(&mut self, later: Chosen) {
        self.rows += later.rows;
        self.kept += later.kept;
        if self.each.is_empty() {
            self.each = later.each;
            return;
        }
        for (mine, theirs) in self.each.iter_mut().zip(later.each) {
            mine.held += theirs.held;
            mine.turned_away += theirs.turned_away;
            mine.instead.extend(theirs.instead);
            while mine.instead.len() > TOLD + 1 {
                mine.instead.pop_last();
            }
        }
    }

    /// Refuses where the conditions left none of the rows, and tells which one it was.
    pub(crate) fn check(&self, conditions: &[Placed]) -> Result<()> {
        if self.kept > 0 || self.rows == 0 {
            return Ok(());
        }
        let all: Vec<String> = conditions.iter().map(|c| c.condition.to_string()).collect();
        let mut tried = conditions.iter().zip(&self.each);
        let reason = match tried.find(|(_, t)| t.held == 0) {
            Some((placed, t)) => {
                let mut told: Vec<&str> = t.instead.iter().take(TOLD).map(String::as_str).collect();
                if t.instead.len() > TOLD {
                    told.push("and others");
                }
                let (c, column) = (&placed.condition, shorten(&placed.condition.column));
                format!("{c} leaves no row; in the table {column} is: {}", told.join(", "))
            }
            None => format!("{} leave no row together, though each leaves some", all.join(" and ")),
        };
        Err(Error::table(reason))
    }

    /// How many rows each condition turned away, as a reason.
    pub fn turned_away<'a>(&'a self, conditions: &'a [Placed]) -> impl Iterator<Item = (String, u64)> + 'a {
        let each = conditions.iter().zip(&self.each);
        each.filter(|(_, t)| t.turned_away > 0).map(|(c, t)| (format!("not {}", c.condition), t.turned_away))
    }

    /// A sentence, where there are conditions.
    pub(crate) fn in_words(&self) -> Option<String> {
        (self.rows > 0)
            .then(|| format!("{} of {} chosen", rows_told(self.kept), counted(self.rows, "row", "rows")))
    }
}
