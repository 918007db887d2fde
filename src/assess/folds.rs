//! Which flakes are tested together, and on which the forms are fitted meanwhile.
//!
//! A [`Folds`] is a list of test sets over the rows 0 .. n. For each, the forms are fitted to every admitted
//! row outside it. A repeat is a run of test sets that together hold no row twice; repeated k-fold has
//! several.

use crate::by_name::Groups;
use crate::error::{Error, Result, at_least};
use crate::special::shuffle;
use rand::Rng;

/// A rule of folds, worked out for a number of rows.
///
/// ```
/// use conchoid::assess::Folds;
/// use rand_chacha::{ChaCha8Rng, rand_core::SeedableRng};
/// let folds = Folds::k_fold(20, 5, 3, &mut ChaCha8Rng::seed_from_u64(1)).unwrap();
/// assert_eq!(folds, Folds::k_fold(20, 5, 3, &mut ChaCha8Rng::seed_from_u64(1)).unwrap());
/// assert!(Folds::k_fold(20, 1, 1, &mut ChaCha8Rng::seed_from_u64(1)).is_err());
///
/// let cores = [Some("K1"), Some("K2"), Some("K1"), None];
/// // the flake of no known core could belong to the one that is left out: it is in no fold
/// assert!(Folds::leave_one_group_out("core", &cores).is_ok());
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folds {
    /// Number of rows the folds are made for.
    pub(super) rows: usize,
    /// The rows that are tested together, rising, repeat by repeat.
    pub(super) sets: Vec<Vec<usize>>,
    /// For each row its group, where rows hang together; none for rows that are kept out of everything.
    groups: Option<Vec<Option<usize>>>,
    /// The rule in words (`10 times 10-fold`).
    pub(super) rule: String,
}

impl Folds {
    /// k folds of rows in random order, as equal in number as can be, `repeats` times over.
    ///
    /// `rng` is any generator of the crate `rand`, version 0.10 (`rand_chacha::ChaCha8Rng::seed_from_u64(7)`).
    ///
    /// # Errors
    /// [`Error::Invalid`] unless 2 <= k <= rows and 1 <= repeats <= 1000.
    pub fn k_fold<R: Rng + ?Sized>(rows: usize, k: usize, repeats: usize, rng: &mut R) -> Result<Folds> {
        if k < 2 || k > rows {
            return Err(Error::invalid(
                "folds",
                format!("{k} folds of {rows} rows (accepted: at least 2, at most one for each row)"),
            ));
        }
        if !(1..=1000).contains(&repeats) {
            return Err(Error::invalid("repeats", format!("{repeats} repeats (accepted: 1 to 1000)")));
        }
        let mut sets = Vec::with_capacity(k * repeats);
        let mut order: Vec<usize> = (0..rows).collect();
        for _ in 0..repeats {
            shuffle(&mut order, rng);
            for f in 0..k {
                let mut rows: Vec<usize> = order.iter().copied().skip(f).step_by(k).collect();
                rows.sort_unstable();
                sets.push(rows);
            }
        }
        let rule = if repeats == 1 { format!("{k}-fold") } else { format!("{repeats} times {k}-fold") };
        Ok(Folds { rows, sets, groups: None, rule })
    }

    /// Each row on its own.
    ///
    /// # Errors
    /// [`Error::TooFew`] below 2 rows.
    pub fn leave_one_out(rows: usize) -> Result<Folds> {
        at_least("rows to leave one out of", rows, 2)?;
        let sets = (0..rows).map(|i| vec![i]).collect();
        let rule = "leave-one-out".to_string();
        Ok(Folds { rows, sets, groups: None, rule })
    }

    /// All rows of one group (core, knapper) together, in order of first appearance. Rows whose group is
    /// not recorded are neither tested nor fitted: they could belong to the group that is left out.
    /// Standard errors are then taken over groups.
    ///
    /// # Errors
    /// [`Error::TooFew`] below 2 groups.
    pub fn leave_one_group_out<S: AsRef<str>>(name: &str, labels: &[Option<S>]) -> Result<Folds> {
        let mut sets = Groups::<Vec<usize>>::default();
        let mut groups = Vec::with_capacity(labels.len());
        for (i, label) in labels.iter().enumerate() {
            let Some(label) = label.as_ref().map(|l| l.as_ref().trim()).filter(|l| !l.is_empty()) else {
                groups.push(None);
                continue;
            };
            let at = sets.place(label);
            sets.of[at].push(i);
            groups.push(Some(at));
        }
        at_least(format!("values of {name}"), sets.of.len(), 2)?;
        let sets = sets.of;
        Ok(Folds { rows: labels.len(), sets, groups: Some(groups), rule: format!("leave-one-{name}-out") })
    }

    /// Test sets of one's own: one list of sets for each repeat. Rows in no set are only fitted.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a row that does not exist, or stands twice in a repeat; [`Error::TooFew`]
    /// without any row to test.
    #[cfg(test)]
    pub(crate) fn listed(rule: &str, rows: usize, repeats: &[Vec<Vec<usize>>]) -> Result<Folds> {
        let mut sets = Vec::new();
        for list in repeats {
            let mut seen = vec![false; rows];
            for set in list {
                for i in set {
                    match seen.get_mut(*i) {
                        None => {
                            return Err(Error::invalid("folds", format!("row {i} of {rows} does not exist")));
                        }
                        Some(s) if *s => {
                            return Err(Error::invalid(
                                "folds",
                                format!("row {i} is tested twice in a repeat"),
                            ));
                        }
                        Some(s) => *s = true,
                    }
                }
                let mut rows = set.clone();
                rows.sort_unstable();
                if !rows.is_empty() {
                    sets.push(rows);
                }
            }
        }
        at_least("rows to test", sets.len(), 1)?;
        Ok(Folds { rows, sets, groups: None, rule: rule.to_string() })
    }

    /// What the groups left out are (`core`), where rows hang together.
    pub(crate) fn by(&self) -> Option<&str> {
        self.groups.as_ref()?;
        self.rule.strip_prefix("leave-one-")?.strip_suffix("-out")
    }

    /// Whether a row takes part at all.
    pub(crate) fn admits(&self, row: usize) -> bool {
        row < self.rows && self.groups.as_ref().is_none_or(|g| g[row].is_some())
    }

    /// The group of a row, where rows hang together.
    pub(crate) fn group(&self, row: usize) -> Option<usize> {
        self.groups.as_ref()?.get(row).copied().flatten()
    }
}
