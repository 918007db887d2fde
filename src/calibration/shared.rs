//! What the flakes of one site, core or knapper have in common beyond their platforms, and what was kept of them:
//! the parts of a size model that speak of groups and of selection, their checks, and how triangles are stored.
//!
//! ```text
//!   g(size) = x'b + w'u(site) + w'v(core) + s(z) e,    w = 1 and the terms whose slope varies,   u ~ N(0, covariance)
//! ```

use super::wrong;
use crate::error::Result;
use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

/// What flakes of one group share: a random intercept, and slopes that vary from group to group.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SharedEffect {
    /// The column of the groups (`site`, `core`, `knapper`).
    pub by: String,
    /// Number of groups fitted, 2 or more.
    pub groups: u64,
    /// Places in [`crate::form::Form::terms`] of the terms whose slope varies; the intercept always does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub terms: Vec<usize>,
    /// Covariance of the effects between groups, the intercept first, transformed scale; it may be zero.
    #[serde(with = "triangle")]
    pub covariance: Vec<Vec<f64>>,
    /// Degrees of freedom of the effects between groups, above 2; none for normal ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Standard deviation between groups of ln spread; 0 where all groups scatter alike.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub ln_spread_sd: f64,
    /// Groups whose effect may be known to those who ask; empty where only new ones are asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub levels: Vec<KnownLevel>,
}

/// A group of which flakes were fitted, and its effect, shrunk towards zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownLevel {
    /// Its name in the column.
    pub name: String,
    /// The group of the effect before this one that it belongs to (the knapper of a core).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// Expected effect: of the intercept, then of each slope that varies; its outer group's apart.
    pub effect: Vec<f64>,
    /// Covariance of the error of the effect.
    #[serde(with = "triangle")]
    pub covariance: Vec<Vec<f64>>,
    /// Covariance of the error of the effect (rows) with that of the coefficients (columns); empty counts as none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub with_coefficients: Vec<Vec<f64>>,
    /// Covariance of the error of the effect (rows) with that of the outer group's (columns); empty counts as none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub with_outer: Vec<Vec<f64>>,
}

/// How the effects of one column hang together from size to size.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SharedCorrelation {
    /// The column of the groups.
    pub by: String,
    /// Correlation of the intercepts' effects, in the order of the variant's sizes.
    #[serde(with = "triangle")]
    pub correlation: Vec<Vec<f64>>,
}

/// What an excavator or a mesh kept: flakes below are not in the table, and the form speaks of what came off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// The sizes of which the greatest decided (`length_mm` and `width_mm`), or the one that did (`mass_g`).
    pub greatest_of: Vec<String>,
    /// Flakes were kept from this size on, in the unit of the sizes.
    pub at_least: f64,
}

impl SharedEffect {
    /// Variance of the effect of a new group where the form's terms (the intercept apart) are these.
    pub(crate) fn variance_at(&self, terms: &[f64]) -> f64 {
        quadratic(&self.covariance, &self.weights(terms)).max(0.0)
    }

    /// What the intercept and each slope that varies count at these terms of the form.
    pub(crate) fn weights(&self, terms: &[f64]) -> Vec<f64> {
        std::iter::once(1.0).chain(self.terms.iter().map(|t| terms[*t])).collect()
    }
}

/// w'M w.
fn quadratic(m: &[Vec<f64>], w: &[f64]) -> f64 {
    bilinear(m, w, w)
}

/// a'M b; 0 where there is no matrix.
fn bilinear(m: &[Vec<f64>], a: &[f64], b: &[f64]) -> f64 {
    m.iter().zip(a).map(|(row, a)| a * row.iter().zip(b).map(|(m, b)| m * b).sum::<f64>()).sum()
}

fn is_zero(v: &f64) -> bool {
    *v == 0.0
}

/// A symmetric matrix stored as its lower triangle, row by row; a square is read as well, as it stands.
pub(super) mod triangle {
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(rows: &[Vec<f64>], s: S) -> Result<S::Ok, S::Error> {
        s.collect_seq(rows.iter().enumerate().map(|(i, row)| &row[..row.len().min(i + 1)]))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<Vec<f64>>, D::Error> {
        let mut rows = Vec::<Vec<f64>>::deserialize(d)?;
        if rows.iter().enumerate().all(|(i, row)| row.len() == i + 1) {
            for i in 0..rows.len() {
                let above: Vec<f64> = rows[i + 1..].iter().map(|row| row[i]).collect();
                rows[i].extend(above);
            }
        }
        Ok(rows)
    }
}

/// Reads shared effects; what schema 1 had a place for as `grouping`, and no program filled, is passed over.
pub(super) fn effects<'de, D: serde::Deserializer<'de>>(
    d: D,
) -> std::result::Result<Vec<SharedEffect>, D::Error> {
    struct Effects;
    impl<'de> serde::de::Visitor<'de> for Effects {
        type Value = Vec<SharedEffect>;
        fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
            f.write_str("a list of shared effects")
        }
        fn visit_seq<A: serde::de::SeqAccess<'de>>(
            self,
            mut seq: A,
        ) -> std::result::Result<Self::Value, A::Error> {
            let mut all = Vec::new();
            while let Some(one) = seq.next_element()? {
                all.push(one);
            }
            Ok(all)
        }
        fn visit_map<A: serde::de::MapAccess<'de>>(
            self,
            mut map: A,
        ) -> std::result::Result<Self::Value, A::Error> {
            while map.next_entry::<String, serde::de::IgnoredAny>()?.is_some() {}
            Ok(Vec::new())
        }
    }
    d.deserialize_any(Effects)
}

/// Refuses what is no covariance of this order; unlike that of coefficients it may be singular, or zero.
fn check_covariance(here: &str, rows: &[Vec<f64>], order: usize) -> Result<()> {
    if rows.len() != order || rows.iter().any(|r| r.len() != order || r.iter().any(|v| !v.is_finite())) {
        return Err(wrong(here, format!("expected {order} rows of {order} finite numbers")));
    }
    let m = DMatrix::from_fn(order, order, |i, j| rows[i][j]);
    let size = m.diagonal().amax();
    if (&m - m.transpose()).amax() > 1e-8 * size {
        return Err(wrong(here, "a covariance must be symmetric"));
    }
    if m.symmetric_eigenvalues().min() < -1e-8 * size || m.diagonal().iter().any(|v| *v < 0.0) {
        return Err(wrong(here, "a covariance must not be negative"));
    }
    Ok(())
}

/// Refuses shared effects that contradict themselves or the form they belong to.
pub(super) fn check_shared(
    here: &str,
    shared: &[SharedEffect],
    variance_covariance: &[Vec<f64>],
    terms: usize,
    coefficients: usize,
) -> Result<()> {
    for (k, e) in shared.iter().enumerate() {
        let here = format!("{here}, shared by {}", e.by);
        if e.by.trim().is_empty() || shared[..k].iter().any(|o| o.by == e.by) {
            return Err(wrong(here, "the column of the groups is empty or stands twice"));
        }
        if e.groups < 2 {
            return Err(wrong(here, "at least two groups are needed"));
        }
        if e.terms.iter().enumerate().any(|(i, t)| *t >= terms || e.terms[..i].contains(t)) {
            return Err(wrong(here, format!("places of terms count from 0, once each, below {terms}")));
        }
        let order = 1 + e.terms.len();
        check_covariance(&here, &e.covariance, order)?;
        if e.degrees_of_freedom.is_some_and(|df| !(df > 2.0 && df.is_finite())) {
            return Err(wrong(here, "degrees of freedom between groups must be above 2"));
        }
        if !(e.ln_spread_sd >= 0.0 && e.ln_spread_sd.is_finite()) {
            return Err(wrong(here, "ln_spread_sd must be 0 or more"));
        }
        for (i, l) in e.levels.iter().enumerate() {
            let here = format!("{here}, {}", l.name);
            if l.name.trim().is_empty() || e.levels[..i].iter().any(|o| o.name == l.name) {
                return Err(wrong(here, "the name of a group is empty or stands twice"));
            }
            let outer = k.checked_sub(1).map(|k| &shared[k]);
            let known = |of: &String| outer.is_some_and(|o| o.levels.iter().any(|l| l.name == *of));
            if l.of.as_ref().is_some_and(|of| !known(of)) {
                return Err(wrong(here, "it belongs to a group that is not listed"));
            }
            let shape = |rows: &[Vec<f64>], columns: usize| {
                rows.is_empty() || (rows.len() == order && rows.iter().all(|r| r.len() == columns))
            };
            let wide = outer.map_or(0, |o| 1 + o.terms.len());
            let numbers = l.with_coefficients.iter().chain(&l.with_outer).flatten().chain(&l.effect);
            if l.effect.len() != order
                || !shape(&l.with_coefficients, coefficients)
                || !shape(&l.with_outer, wide)
                || numbers.into_iter().any(|v| !v.is_finite())
            {
                return Err(wrong(here, "one finite number for the intercept and each slope is needed"));
            }
            check_covariance(&here, &l.covariance, order)?;
        }
    }
    if shared.is_empty() && variance_covariance.is_empty() {
        return Ok(());
    }
    check_covariance(&format!("{here}, variance_covariance"), variance_covariance, 1 + shared.len())
}

/// Refuses a selection that names no size or no bound.
pub(super) fn check_kept(here: &str, kept: &Kept) -> Result<()> {
    let none = kept.greatest_of.is_empty() || kept.greatest_of.iter().any(|s| s.trim().is_empty());
    if none || !(kept.at_least > 0.0 && kept.at_least.is_finite()) {
        return Err(wrong(format!("{here}, kept"), "the sizes that decide and a bound above 0 are needed"));
    }
    Ok(())
}
