//! The rows of a table as they are offered to a fit: what is a flake, what is left out and why, decided once for every
//! way of fitting and for an assessment. Nothing is kept.

use super::header::Header;
use super::intake::Intake;
use super::read::TableReader;
use super::row::Row;
use super::stretches::Stretch;
use super::summary::Reasons;
use crate::calibration::fitting::commonest_first;
use crate::error::{Error, Place, Result};
use crate::strike::Measured;
use std::io::Read;

/// What is offered.
#[derive(Debug)]
#[non_exhaustive]
pub enum Offer<'a> {
    /// Flakes that record nothing but numbers: names and columns.
    Numbers(&'a [&'a str], &'a [&'a [f64]]),
    /// A flake.
    Flake(&'a Row),
    /// A row that is not offered, with the reason.
    LeftOut(String),
}

/// What became of the rows of a table that were offered.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OffersMade {
    /// Cells that cannot be used, and rows that are none.
    pub bad: Reasons,
    /// What was noticed on the way in.
    pub intake: Intake,
}

/// Offers every row of a table, in its order. A row that is none, that a condition turns away or that has a bad cell
/// in one of the columns needed is left out with the reason; a bad cell in one of those that are merely read is counted.
/// `numbers` asks for columns of numbers where rows have nothing else; `progress` is told the rows done.
///
/// # Errors
/// As [`TableReader::read`], and those of `take`.
///
/// ```
/// use conchoid::table::{Offer, TableOptions, TableReader, offer_each};
/// let text = "depth_mm,mass_g,percussor\nthin,21,antler\n7,wide,antler\n6,9,quartzite\n";
/// let options = TableOptions::new().only("percussor=antler".parse()?);
/// let table = TableReader::new(text.as_bytes(), &options)?;
/// let (mut flakes, mut left_out) = (0, Vec::new());
/// let made = offer_each(table, &["mass_g"], &["platform_depth_mm"], false, |_| {}, |offer| {
///     match offer {
///         Offer::Flake(_) => flakes += 1,
///         Offer::LeftOut(reason) => left_out.push(reason),
///         _ => {}
///     }
///     Ok(())
/// })?;
/// assert_eq!(flakes, 1);
/// assert_eq!(left_out, ["mass_g: a cell that cannot be used", "not percussor=antler"]);
/// assert_eq!(
///     made.bad.lines(5),
///     ["1 row: depth_mm is not a number, such as \"thin\" (row 1)",
///      "1 row: mass_g is not a number, such as \"wide\" (row 2)"]
/// );
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn offer_each<R: Read, S: AsRef<str>>(
    table: TableReader<R>,
    needs: &[S],
    reads: &[&str],
    numbers: bool,
    progress: impl FnMut(u64),
    mut take: impl FnMut(Offer<'_>) -> Result<()>,
) -> Result<OffersMade> {
    let header = table.header().clone();
    let names: Vec<&str> = header.understood().collect();
    let needed: Vec<_> =
        needs.iter().filter_map(|n| Some((n.as_ref(), header.column(n.as_ref())?))).collect();
    let read: Vec<_> = reads.iter().filter_map(|name| header.column(name)).collect();
    let mut bad = Reasons::default();
    let intake = table.each(numbers, progress, |stretch| match stretch {
        Stretch::Numbers(columns) => {
            let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            take(Offer::Numbers(&names, &columns))
        }
        Stretch::Row(row) => {
            if let Some(e) = row.refused() {
                bad.count(row.row_number(), e);
                return take(Offer::LeftOut("not a row of this table".to_string()));
            }
            match needed.iter().find_map(|(name, id)| Some((name, row.problem_at(*id)?))) {
                Some((name, e)) => {
                    bad.count(row.row_number(), e);
                    take(Offer::LeftOut(format!("{name}: a cell that cannot be used")))
                }
                None => {
                    let cells = read.iter().filter_map(|id| row.problem_at(*id));
                    cells.for_each(|e| bad.count(row.row_number(), e));
                    take(Offer::Flake(row))
                }
            }
        }
    })?;
    turned_away(&intake, &header, &mut take)?;
    Ok(OffersMade { bad, intake })
}

/// The rows that conditions turned away, as left out.
fn turned_away(
    intake: &Intake,
    header: &Header,
    take: &mut impl FnMut(Offer<'_>) -> Result<()>,
) -> Result<()> {
    for (reason, rows) in intake.chosen.turned_away(&header.conditions) {
        for _ in 0..rows {
            take(Offer::LeftOut(reason.clone()))?;
        }
    }
    Ok(())
}

/// Levels of a class that a fit has a shift for, at most. (This crate's choice, no source: beyond it the levels are
/// rather groups of which some are known, with a shared effect.)
pub(crate) const MOST_LEVELS: usize = 200;

/// Counts the levels of some classes among the flakes that `usable` says can be used; the commonest first, and among
/// equals by name. Ends early where a class has more than 200 levels.
///
/// # Errors
/// [`Error::Invalid`](crate::Error::Invalid) naming the class with too many levels; [`Error::Refused`] where no flake has
/// what it needs, as on a sheet that is not filled in; as [`offer_each`].
pub fn levels_of<R: Read, S: AsRef<str>>(
    table: TableReader<R>,
    needs: &[S],
    classes: &[S],
    progress: impl FnMut(u64),
    mut usable: impl FnMut(&Row) -> bool,
    level: impl Fn(&Row, &str) -> Option<String>,
) -> Result<Vec<Vec<(String, u64)>>> {
    let mut counts = vec![std::collections::BTreeMap::<String, u64>::new(); classes.len()];
    let mut measured: Vec<&str> = needs.iter().map(AsRef::as_ref).collect();
    measured.retain(|name| classes.iter().all(|class| class.as_ref() != *name));
    offer_each(table, needs, &[], false, progress, |offer| {
        let Offer::Flake(row) = offer else { return Ok(()) };
        let has = |n: &&str| Measured::number(row, n).is_some() || Measured::class(row, n).is_some();
        measured.retain(|n| !has(n));
        if !usable(row) {
            return Ok(());
        }
        for (class, counts) in classes.iter().zip(&mut counts) {
            let class = class.as_ref();
            let Some(level) = level(row, class) else { continue };
            *counts.entry(level).or_default() += 1;
            if counts.len() > MOST_LEVELS {
                let reason = format!(
                    "more than {MOST_LEVELS} levels by row {}: a shift for each is too many (choose a class with \
                     few levels, or let the flakes of one level share an effect)",
                    row.row_number()
                );
                return Err(Error::invalid(class, reason));
            }
        }
        Ok(())
    })?;
    if !measured.is_empty() {
        let reason = format!("no flake has its measurements yet ({})", measured.join(", "));
        return Err(Error::Refused { at: Place::default(), reason });
    }
    Ok(counts.into_iter().map(commonest_first).collect())
}
