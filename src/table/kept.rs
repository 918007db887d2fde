//! What is kept of a row where an answer needs many of them at once: the columns it reads and no others.

use super::column::Kind;
use super::header::{ColumnId, Header};
use super::row::Row;
use crate::strike::Measured;
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};

/// Keeps of each row what some columns hold.
///
/// ```
/// use conchoid::strike::Measured;
/// use conchoid::table::{Keeper, TableOptions, TableReader};
/// let text = "flake,depth_mm,notes,percussor\nA1,8,long and winding,antler\n";
/// let mut table = TableReader::new(text.as_bytes(), &TableOptions::new())?;
/// let keeper = Keeper::new(table.header(), &["platform_depth_mm", "percussor", "mass_g"]);
/// let mut row = table.row();
/// table.read(&mut row)?;
/// let kept = keeper.keep(&row);
/// assert_eq!((kept.number("platform_depth_mm"), kept.class("percussor")), (Some(8.0), Some("antler")));
/// assert_eq!((kept.row_number(), kept.class("flake"), kept.number("mass_g")), (1, None, None));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug)]
pub struct Keeper {
    names: Arc<Names>,
    numbers: Vec<ColumnId>,
    classes: Vec<ColumnId>,
    /// Each text once, however many rows have it.
    texts: Mutex<BTreeSet<Arc<str>>>,
}

#[derive(Debug)]
struct Names {
    numbers: Vec<String>,
    classes: Vec<String>,
}

/// What was kept of a row.
#[derive(Debug, Clone)]
pub struct KeptRow {
    number: u64,
    names: Arc<Names>,
    numbers: Box<[f64]>,
    classes: Box<[Option<Arc<str>>]>,
}

impl Keeper {
    /// Keeps these columns, by our names; those that the table lacks are not recorded.
    pub fn new<S: AsRef<str>>(header: &Header, names: &[S]) -> Keeper {
        let (mut numbers, mut classes) = ((Vec::new(), Vec::new()), (Vec::new(), Vec::new()));
        for name in names.iter().map(AsRef::as_ref) {
            let Some(id) = header.column(name) else { continue };
            let list = match header.columns[id.0].kind {
                Kind::Number { .. } => &mut numbers,
                Kind::Class(_) => &mut classes,
            };
            if !list.1.contains(&id) {
                list.0.push(name.to_string());
                list.1.push(id);
            }
        }
        Keeper {
            names: Arc::new(Names { numbers: numbers.0, classes: classes.0 }),
            numbers: numbers.1,
            classes: classes.1,
            texts: Mutex::new(BTreeSet::new()),
        }
    }

    fn text(&self, text: &str) -> Arc<str> {
        let mut texts = self.texts.lock().unwrap_or_else(|e| e.into_inner());
        if let Some(known) = texts.get(text) {
            return known.clone();
        }
        let new: Arc<str> = text.into();
        texts.insert(new.clone());
        new
    }

    /// What the columns hold in a row.
    pub fn keep(&self, row: &Row) -> KeptRow {
        KeptRow {
            number: row.row_number(),
            names: self.names.clone(),
            numbers: self.numbers.iter().map(|id| row.value(*id).unwrap_or(f64::NAN)).collect(),
            classes: self.classes.iter().map(|id| row.class_of(*id).map(|t| self.text(t))).collect(),
        }
    }
}

impl KeptRow {
    /// The row's number among the rows of data, from 1.
    pub fn row_number(&self) -> u64 {
        self.number
    }
}

impl Measured for KeptRow {
    fn number(&self, name: &str) -> Option<f64> {
        let at = self.names.numbers.iter().position(|n| n == name)?;
        self.numbers.get(at).copied().filter(|v| !v.is_nan())
    }
    fn class(&self, name: &str) -> Option<&str> {
        let at = self.names.classes.iter().position(|n| n == name)?;
        self.classes.get(at)?.as_deref()
    }
}
