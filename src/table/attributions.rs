//! A table of flakes in, the same table with what struck them out, on all threads with the feature `parallel`; and
//! what is kept of the rows answered, to judge groups of them.

use super::header::ColumnId;
use super::kept::{Keeper, KeptRow};
use super::read::TableReader;
use super::row::Row;
use super::rows::{self, Answers};
use super::summary::Summary;
use super::write::Line;
use crate::error::{Error, Result};
use crate::infer::attribution::{Attribution, Strength, Verdict};
use crate::predict::Caution;
use rand::Rng;
use std::io::{Read, Write};

/// What struck each flake of a table, one by one.
///
/// The columns added are the probability of each class, the Bayes factor of the one favoured, its name, in words how
/// much it says, and the cautions; a row without an answer keeps its place, with the reason under the last.
pub struct TableAttributions<'a, F> {
    attribution: &'a Attribution,
    rng: F,
    group: Option<usize>,
    keeper: Keeper,
}

/// A row that was answered.
#[derive(Debug, Clone)]
pub struct Attributed {
    /// What stands in the column of groups, if there is one and it is recorded.
    pub group: Option<String>,
    /// What the attribution reads of the row, and the percussor recorded.
    pub row: KeptRow,
    /// The class favoured, by its place among those of [`Attribution::prior`], and how much is said for it.
    pub favours: usize,
    /// How much is said for it.
    pub strength: Strength,
}

impl<'a, G: Rng, F: Fn() -> G + Sync> TableAttributions<'a, F> {
    /// By an attribution; `rng` gives the generator for one answer, the same for each row, so that an answer does not
    /// depend on the other rows. `group` is the place of a column in the table ([`Header::position`](super::Header::position)).
    pub fn new(
        attribution: &'a Attribution,
        header: &super::Header,
        group: Option<usize>,
        rng: F,
    ) -> TableAttributions<'a, F> {
        let own = ["percussor", "termination", "lip", "portion", "retouched", "platform_kind"];
        let layouts = || attribution.calibrations().map(|c| c.layout());
        let sizes = attribution.calibrations().flat_map(|c| c.variants()).flat_map(|v| &v.sizes);
        let mut names: Vec<&str> = layouts().flat_map(|l| l.numbers.iter()).map(String::as_str).collect();
        names.extend(layouts().flat_map(|l| &l.classes).map(|c| c.name.as_str()));
        names.extend(sizes.flat_map(|s| [s.size.as_str(), s.column.as_str()]));
        names.extend(own);
        TableAttributions { attribution, rng, group, keeper: Keeper::new(header, &names) }
    }

    /// Reads the table to its end and writes it with its answers; `progress` is told the rows written so far, `take`
    /// each row answered, in the order of the table.
    ///
    /// # Errors
    /// As [`TableEstimates::write`](super::TableEstimates::write), and what `take` returns.
    pub fn write<R: Read, W: Write>(
        &self,
        table: TableReader<R>,
        writer: W,
        progress: impl FnMut(u64),
        take: impl FnMut(Attributed) -> Result<()>,
    ) -> Result<(W, Summary)> {
        rows::write(self, table, writer, progress, take)
    }

    /// The answer for a row, or why there is none.
    fn judge(&self, row: &Row) -> std::result::Result<Verdict, Error> {
        if let Some(e) = row.refused() {
            return Err(e.clone());
        }
        let a = self.attribution;
        a.check(row).and_then(|()| a.attribute(&[row], &mut (self.rng)())).map_err(|e| {
            // a bad cell is the reason, before what is missing because of it
            let column = e.place().and_then(|p| p.column.clone());
            let id: Option<ColumnId> = column.and_then(|c| row.header().column(&c));
            let bad = id.and_then(|id| row.problem(id));
            bad.cloned().unwrap_or_else(|| e.in_row(row.row_number()))
        })
    }
}

impl<G: Rng, F: Fn() -> G + Sync> Answers for TableAttributions<'_, F> {
    type Seen = Attributed;

    fn columns(&self) -> Vec<String> {
        let classes = self.attribution.prior().map(|(c, _)| c.replace('-', "_"));
        let mut names: Vec<String> = classes.map(|c| format!("percussor_probability_{c}")).collect();
        let rest = ["ln_bayes_factor", "favours", "strength", "cautions"];
        names.extend(rest.map(|n| format!("percussor_{n}")));
        names
    }

    fn answer(&self, row: &Row, out: &mut Line, summary: &mut Summary) -> Result<Option<Attributed>> {
        out.row(row);
        match self.judge(row) {
            Ok(v) => {
                let favoured = v.favoured();
                v.classes.iter().for_each(|c| out.rounded(Some(c.probability)));
                out.rounded(Some(favoured.ln_bayes_factor));
                out.text(&favoured.class);
                out.text(v.strength().name());
                let told: Vec<String> = v.cautions.iter().map(Caution::to_string).collect();
                out.text(&told.join("; "));
                out.end();
                summary.told(row, &v.cautions);
                let group = self.group.and_then(|at| row.text(at)).map(String::from);
                let favours = v.classes.iter().position(|c| c.class == favoured.class).unwrap_or(0);
                Ok(Some(Attributed { group, row: self.keeper.keep(row), favours, strength: v.strength() }))
            }
            Err(reason) => {
                out.blanks(self.attribution.prior().count() + 3);
                out.text(&format!("refused: {reason}"));
                out.end();
                summary.refused(row, vec![reason]);
                Ok(None)
            }
        }
    }
}
