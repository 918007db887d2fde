//! What the flakes of one site, core or knapper have in common beyond their platforms, and what was kept of them:
//! the parts of a size model that speak of groups and of selection, their checks, and how triangles are stored.
//!
//! ```text
//!   g(size) = x'b + w'u(site) + w'v(core) + s(z) e,    w = 1 and the terms whose slope varies,   u ~ N(0, covariance)
//! ```

use super::caution::in_words;
use super::resolved::{At, Triangle};
use super::{SizeModel, Spread, wrong};
use crate::error::{Bounds, Error, Place, Result};
use crate::fit::dot;
use crate::form::Layout;
use crate::page::short;
use crate::special::{halved, normal_sf, student_quantile_upper};
use crate::strike::Measured;
use nalgebra::DMatrix;
use serde::de::value::SeqAccessDeserializer;
use serde::de::{IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What flakes of one group share: a random intercept, and slopes that vary from group to group.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SharedEffect {
    /// The column of the groups (`site`, `core`, `knapper`).
    pub(crate) by: String,
    /// Number of groups fitted, 2 or more.
    pub groups: u64,
    /// Places in [`crate::form::Form::terms`] of the terms whose slope varies; the intercept always does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) terms: Vec<usize>,
    /// Covariance of the effects between groups, the intercept first, transformed scale; it may be zero.
    #[serde(with = "triangle")]
    pub covariance: Vec<Vec<f64>>,
    /// Degrees of freedom of the effects between groups, above 2; none for normal ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) degrees_of_freedom: Option<f64>,
    /// Standard deviation between groups of ln spread; 0 where all groups scatter alike.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub(crate) ln_spread_sd: f64,
    /// Groups whose effect may be known to those who ask; empty where only new ones are asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) levels: Vec<KnownLevel>,
}

/// A group of which flakes were fitted, and its effect, shrunk towards zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct KnownLevel {
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
pub(crate) struct SharedCorrelation {
    /// The column of the groups.
    pub by: String,
    /// Correlation of the intercepts' effects, in the order of the variant's sizes.
    #[serde(with = "triangle")]
    pub correlation: Vec<Vec<f64>>,
}

impl SharedCorrelation {
    /// The part that belongs to some of the sizes.
    pub(super) fn of_places(&self, places: &[usize]) -> SharedCorrelation {
        SharedCorrelation { by: self.by.clone(), correlation: of_places(&self.correlation, places) }
    }
}

/// The part of a correlation that belongs to some sizes.
pub(super) fn of_places(all: &[Vec<f64>], places: &[usize]) -> Vec<Vec<f64>> {
    places.iter().map(|i| places.iter().map(|j| all[*i][*j]).collect()).collect()
}

/// The column that says that a row's flakes were all kept.
pub(super) const EVERYTHING_KEPT: &str = "everything_kept";

/// A recovery threshold, which flakes an excavator or a mesh kept: those below are not in the table. A form fitted given it
/// ([`Recipe::given_kept`](super::Recipe::given_kept), [`Local::given_kept`](super::Local::given_kept)) speaks of what came off; an
/// answer asked with it ([`Ask::kept`](crate::predict::Ask::kept)) speaks of what was kept.
///
/// ```
/// use conchoid::calibration::{RecoveryThreshold, bundled};
/// use conchoid::predict::{Ask, Predictor};
/// use conchoid::strike::Strike;
/// let predictor = Predictor::new(bundled::named("excavated-flakes")?)?;
/// let strike = Strike::builder().platform_depth_mm(3.0).exterior_platform_angle_deg(75.0).build()?;
/// let mut ask = Ask::default();
/// let came_off = predictor.estimate(&strike, &ask)?;
/// ask.kept = Some(RecoveryThreshold::above_mm(25.0)?);
/// let kept = predictor.estimate(&strike, &ask)?;
/// // many of the flakes from such a platform are shorter, and were lost
/// assert!(kept.kept.unwrap() < 0.9);
/// assert!(kept.size("mass_g").unwrap().median() > came_off.size("mass_g").unwrap().median());
/// assert!(RecoveryThreshold::above_g(-1.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecoveryThreshold {
    /// The sizes of which the greatest decided (`length_mm` and `width_mm`), or the one that did (`mass_g`).
    pub(crate) greatest_of: Vec<String>,
    /// Flakes were kept from this size on, in the unit of the sizes.
    pub(crate) at_least: f64,
}

impl RecoveryThreshold {
    /// Flakes were kept whose greater of length and width is at least so much, in mm.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless above 0 and at most 1000.
    pub fn above_mm(at_least: f64) -> Result<RecoveryThreshold> {
        const BOUNDS: Bounds = Bounds::above("kept_above_mm", 0.0, 1000.0, "mm");
        let greatest_of = vec!["length_mm".into(), "width_mm".into()];
        Ok(RecoveryThreshold { greatest_of, at_least: BOUNDS.check(at_least)? })
    }

    /// Flakes were kept that weigh at least so much, in grams.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless above 0 and at most 100000.
    pub fn above_g(at_least: f64) -> Result<RecoveryThreshold> {
        const BOUNDS: Bounds = Bounds::above("kept_above_g", 0.0, 1e5, "g");
        Ok(RecoveryThreshold { greatest_of: vec!["mass_g".into()], at_least: BOUNDS.check(at_least)? })
    }

    /// The sizes of which the greatest decides, or the one that does.
    pub fn sizes(&self) -> &[String] {
        &self.greatest_of
    }

    /// Refuses a flake that stands in the table although its sizes say that it was not kept; one that says
    /// `everything_kept` yes, or whose sizes do not tell, is none.
    ///
    /// ```
    /// use conchoid::flake::Flake;
    /// use conchoid::calibration::RecoveryThreshold;
    /// let kept = RecoveryThreshold::above_mm(25.0)?;
    /// let flake = |length, width| Flake::builder().length_mm(length).width_mm(width).build();
    /// assert!(kept.check(&flake(21.0, 30.0)?).is_ok());
    /// let small = kept.check(&flake(21.0, 24.0)?).unwrap_err();
    /// assert!(small.to_string().contains("24 is below 25"));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`Error::Refused`] with the column of the greatest.
    pub fn check(&self, flake: &(impl Measured + ?Sized)) -> Result<()> {
        let held: Option<Vec<f64>> = self.greatest_of.iter().map(|s| flake.number(s)).collect();
        let all = flake.class(EVERYTHING_KEPT) == Some("yes");
        let (Some(held), false) = (held, all) else { return Ok(()) };
        let greatest = (0..held.len()).max_by(|a, b| held[*a].total_cmp(&held[*b]));
        let Some(i) = greatest.filter(|i| held[*i] < self.at_least) else { return Ok(()) };
        let reason = format!("{} is below {}, from which flakes were kept", held[i], self.at_least);
        Err(Error::Refused { at: Place::column(&self.greatest_of[i]), reason })
    }
}

impl SharedEffect {
    /// By how much groups differ, in words.
    pub(crate) fn in_words(&self) -> String {
        let (sd, by) = (short(self.covariance[0][0].sqrt()), in_words(&self.by));
        format!("{sd} between the {} groups of {by}", self.groups)
    }

    /// Variance of the effect of a new group where the form's terms (the intercept apart) are these.
    pub(crate) fn variance_at(&self, terms: &[f64]) -> f64 {
        quadratic(&self.covariance, &self.weights(terms)).max(0.0)
    }

    /// What the intercept and each slope that varies count at these terms of the form.
    pub(crate) fn weights(&self, terms: &[f64]) -> Vec<f64> {
        std::iter::once(1.0).chain(self.terms.iter().map(|t| terms[*t])).collect()
    }
}

/// The code of a group that was told and is none of those fitted.
pub(super) const NEW_GROUP: f64 = -1.0;

/// The shared effects of a size with their names resolved: which are known is told by the codes of an input row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ResolvedShared {
    effects: Vec<SharedEffect>,
    /// Place of each effect's groups in an input row, where groups are known by name, and their names by code.
    places: Vec<Option<(usize, Vec<String>)>>,
    variance_covariance: Vec<Vec<f64>>,
    /// Where the form's terms begin in a design row.
    offset: usize,
    /// What every row gets, where no group is known and no slope varies.
    same: Option<SharedAt>,
}

/// What one shared effect of one row is drawn with.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct SharedDraw {
    /// The group: that of a known one by its outer group and its name; nothing for a new one.
    pub(crate) known: Option<String>,
    /// What is known of it, at the coefficients as they are estimated.
    pub(crate) location: f64,
    /// By how much it goes with the error of each coefficient; empty for a new group.
    pub(crate) along: Vec<f64>,
    /// Standard deviation of the rest.
    pub(crate) sd: f64,
}

/// How well the variance between groups is known: with v its estimate, c the variance of that and d degrees of freedom behind
/// it, that of the groups' means is s = (c d / 2)^½ and holds s - v of the flakes' own, so that
/// v = max(0, s d/χ² - (s - v)). (Own derivation from the mean square between groups, whose law is that of χ² with d degrees of
/// freedom where all groups are as large; d is taken as the groups less one, of inner groups too. Totals of a new group after fits of 4
/// to 20 groups held 94 to 95 of 100: `totals_of_a_core_hold`.)
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct VarianceKnown {
    pub(crate) variance: f64,
    pub(crate) of_means: f64,
    pub(crate) degrees_of_freedom: f64,
}

impl VarianceKnown {
    /// What the standard deviation of [`SharedDraw`] is multiplied by where d/χ² is this.
    pub(crate) fn factor(&self, ratio: f64) -> f64 {
        let within = (self.of_means - self.variance).max(0.0);
        let drawn = (self.of_means.max(self.variance) * ratio - within).max(0.0);
        if self.variance > 0.0 { (drawn / self.variance).sqrt() } else { drawn.sqrt() }
    }
}

/// What the shared effects of one row come to.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct SharedAt {
    /// Sum of the effects that are known.
    pub(crate) location: f64,
    /// Variance that the errors of known effects add, their covariance with the coefficients' included.
    pub(crate) known: f64,
    /// Variance of the effects of new groups.
    pub(crate) new: f64,
    /// Half the squared uncertainty of the flake's variance that comes with new groups: what is added, over the
    /// squared sum of a flake's own variance and `new`, to the inverse of the degrees of freedom.
    pub(crate) doubt: f64,
}

impl SharedAt {
    /// Adds the effects to a size at a row; its degrees of freedom become those of the whole variance (Satterthwaite
    /// 1946, Biometrics Bull. 2:110), from those of a flake's own spread.
    pub(crate) fn add_to(&self, at: &mut At) {
        let own = at.own * at.own;
        let total = own + self.new;
        let inverse = (own / total).powi(2) / at.degrees_of_freedom + self.doubt / (total * total);
        at.location += self.location;
        at.shared = self.known + self.new;
        // fewer than one would make an interval of no use
        at.degrees_of_freedom = (1.0 / inverse).max(1.0);
    }
}

impl ResolvedShared {
    /// None where nothing is shared.
    pub(crate) fn new(m: &SizeModel, layout: &Layout) -> Option<ResolvedShared> {
        let place = |e: &SharedEffect| {
            let at = layout.position(&e.by).filter(|_| !e.levels.is_empty())?;
            Some((at, layout.class_at(at)?.levels.clone()))
        };
        if m.shared.is_empty() {
            return None;
        }
        let mut found = ResolvedShared {
            places: m.shared.iter().map(place).collect(),
            effects: m.shared.clone(),
            variance_covariance: m.variance_covariance.clone(),
            offset: usize::from(m.form.intercept()),
            same: None,
        };
        if found.places.iter().all(Option::is_none) && found.effects.iter().all(|e| e.terms.is_empty()) {
            let mut same = found.at(|_| f64::NAN, &vec![0.0; m.coefficients.len()]);
            if let Spread::Constant { value, degrees_of_freedom } = m.spread {
                found.gather_heavy(&mut same, value * value, degrees_of_freedom);
            }
            found.same = Some(same);
        }
        Some(found)
    }

    /// Where one effect has heavy tails beside a flake's own normal errors: the sum of the two as the one t that has the
    /// quartiles and the ends of the 95 % interval of the sum.
    fn gather_heavy(&self, same: &mut SharedAt, own: f64, behind: f64) {
        let heavy = |e: &&SharedEffect| e.degrees_of_freedom.is_some();
        let [e] = &self.effects.iter().filter(heavy).collect::<Vec<_>>()[..] else { return };
        let (Some(df), variance) = (e.degrees_of_freedom, e.covariance[0][0]) else { return };
        if !(variance > 0.0) {
            return;
        }
        let rest = own + same.new - variance;
        let (squared, one) = normal_and_t(rest, variance * (df - 2.0) / df, df);
        // what is not known of the variances stays as it was
        let doubt = (same.doubt - variance * variance / df).max(0.0);
        same.new = squared - own;
        same.doubt = (squared * squared / one - own * own / behind).max(0.0) + doubt;
    }

    /// The last place of an input row that is read, where one is.
    pub(crate) fn last_place(&self) -> Option<usize> {
        self.places.iter().flatten().map(|p| p.0).max()
    }

    /// The known groups of an input row, one entry an effect. An inner group is known by its name alone, unless its
    /// outer group is named and is another, or groups of several outer ones have its name.
    fn known(&self, code: impl Fn(usize) -> f64) -> Vec<Option<&KnownLevel>> {
        let mut found: Vec<Option<&KnownLevel>> = vec![None; self.effects.len()];
        for k in (0..self.effects.len()).rev() {
            // nothing where none is told, and nothing in it where a new one is
            let name = |k: usize| {
                let (at, names) = self.places[k].as_ref()?;
                let code = code(*at);
                (!code.is_nan()).then(|| if code >= 0.0 { names.get(code as usize) } else { None })
            };
            let levels = &self.effects[k].levels;
            // the outer group of a known one is known
            if let Some(of) = found.get(k + 1).and_then(|inner| (*inner)?.of.as_ref()) {
                found[k] = levels.iter().find(|l| l.name == *of);
                continue;
            }
            let Some(Some(wanted)) = name(k) else { continue };
            let outer = k.checked_sub(1).and_then(name);
            let agrees = |l: &&KnownLevel| {
                l.name == *wanted && (l.of.is_none() || outer.is_none_or(|outer| l.of.as_ref() == outer))
            };
            let mut fit = levels.iter().filter(agrees);
            found[k] = fit.next().filter(|_| fit.next().is_none());
        }
        found
    }

    /// The effects whose group in an input row is none of those fitted, or is not told.
    pub(crate) fn new_groups(&self, code: impl Fn(usize) -> f64) -> impl Iterator<Item = &SharedEffect> {
        self.effects.iter().zip(self.known(code)).filter(|(_, known)| known.is_none()).map(|(e, _)| e)
    }

    /// How well the variance of each effect is known; nothing where the calibration does not tell.
    pub(crate) fn variances_known(&self) -> Vec<Option<VarianceKnown>> {
        let of = |(k, e): (usize, &SharedEffect)| {
            let variance = e.covariance[0][0];
            let of_it = self.variance_covariance.get(k + 1)?.get(k + 1).copied().filter(|c| *c > 0.0)?;
            let degrees_of_freedom = e.groups.saturating_sub(1).max(1) as f64;
            let of_means = (0.5 * of_it * degrees_of_freedom).sqrt();
            Some(VarianceKnown { variance, of_means, degrees_of_freedom })
        };
        self.effects.iter().enumerate().map(of).collect()
    }

    /// The same with what is known of groups given the coefficients, whose covariance has this factor: the errors of effects
    /// as what goes with those of the coefficients (in place of their covariance) and what is left.
    pub(crate) fn given_coefficients(&self, factor: &Triangle) -> ResolvedShared {
        let mut given = self.clone();
        for (k, e) in self.effects.iter().enumerate() {
            for (level, found) in e.levels.iter().zip(&mut given.effects[k].levels) {
                let along: Vec<Vec<f64>> = level.with_coefficients.iter().map(|c| factor.solve(c)).collect();
                let outer = k
                    .checked_sub(1)
                    .and_then(|k| self.effects[k].levels.iter().find(|l| level.of.as_ref() == Some(&l.name)));
                let take = |from: &mut [Vec<f64>], other: &[Vec<f64>]| {
                    for (row, along) in from.iter_mut().zip(&along) {
                        row.iter_mut().zip(other).for_each(|(v, c)| *v -= dot(along, c));
                    }
                };
                take(&mut found.covariance, &level.with_coefficients);
                outer.iter().for_each(|o| take(&mut found.with_outer, &o.with_coefficients));
                found.with_coefficients = along;
            }
        }
        given
    }

    /// What each effect is drawn with at an input row and its design row, of those [given the
    /// coefficients](Self::given_coefficients). An inner group's own is what is left once its outer group is drawn.
    pub(crate) fn draws_at(&self, code: impl Fn(usize) -> f64, design: &[f64]) -> Vec<SharedDraw> {
        let terms = &design[self.offset..];
        let mut found: Vec<SharedDraw> = Vec::new();
        let mut outer: Option<Vec<f64>> = None;
        for (e, level) in self.effects.iter().zip(self.known(code)) {
            let w = e.weights(terms);
            let Some(level) = level else {
                found.push(SharedDraw { sd: e.variance_at(terms).sqrt(), ..SharedDraw::default() });
                outer = None;
                continue;
            };
            let mut variance = quadratic(&level.covariance, &w).max(0.0);
            if let (Some(before), Some(of)) = (found.last_mut(), &outer) {
                let both = bilinear(&level.with_outer, &w, of);
                if before.sd > 0.0 {
                    variance = (variance - (both / before.sd).powi(2)).max(0.0);
                    before.sd += both / before.sd;
                }
            }
            let column = |j: usize| level.with_coefficients.iter().zip(&w).map(|(row, w)| row[j] * w).sum();
            let terms = level.with_coefficients.first().map_or(0, Vec::len);
            found.push(SharedDraw {
                known: Some(format!("{} {}", level.of.as_deref().unwrap_or_default(), level.name)),
                location: w.iter().zip(&level.effect).map(|(w, b)| w * b).sum(),
                along: (0..terms).map(column).collect(),
                sd: variance.sqrt(),
            });
            outer = Some(w);
        }
        found
    }

    /// The shared effects at an input row, whose codes are given by place, and its design row.
    pub(crate) fn at(&self, code: impl Fn(usize) -> f64, design: &[f64]) -> SharedAt {
        if let Some(same) = self.same {
            return same;
        }
        let known = self.known(code);
        let terms = &design[self.offset..];
        let mut at = SharedAt::default();
        let mut new = Vec::new();
        let mut outer: Option<Vec<f64>> = None;
        for (k, (e, level)) in self.effects.iter().zip(&known).enumerate() {
            let w = e.weights(terms);
            let Some(level) = level else {
                let variance = e.variance_at(terms);
                at.new += variance;
                if let Some(df) = e.degrees_of_freedom {
                    at.doubt += variance * variance / df;
                }
                // slopes stretch the effect, and the doubt about it
                let intercept = e.covariance[0][0];
                new.push((k, if intercept > 0.0 { variance / intercept } else { 1.0 }));
                outer = None;
                continue;
            };
            at.location += w.iter().zip(&level.effect).map(|(w, b)| w * b).sum::<f64>();
            at.known +=
                quadratic(&level.covariance, &w) + 2.0 * bilinear(&level.with_coefficients, &w, design);
            if let Some(outer) = &outer {
                at.known += 2.0 * bilinear(&level.with_outer, &w, outer);
            }
            outer = Some(w);
        }
        let c = |i: usize, j: usize| {
            self.variance_covariance.get(i).and_then(|row| row.get(j)).copied().unwrap_or(0.0)
        };
        let mut variance = 0.0;
        for (k, stretch) in &new {
            variance += 2.0 * stretch * c(0, k + 1);
            variance += new.iter().map(|(l, other)| stretch * other * c(k + 1, l + 1)).sum::<f64>();
        }
        at.doubt += 0.5 * variance.max(0.0);
        at
    }
}

/// Squared scale and degrees of freedom of the t that has the quartiles and the 97.5 % point of the sum of a normal of
/// this variance and a t of this squared scale and these degrees of freedom.
fn normal_and_t(variance: f64, squared: f64, df: f64) -> (f64, f64) {
    // the t is a normal whose precision is a gamma: the trapezoidal rule over its logarithm
    let nodes: Vec<(f64, f64)> = (0..=160)
        .map(|i| -12.0 + 0.1 * f64::from(i))
        .map(|ln| ((0.5 * df * (ln - f64::exp(ln))).exp(), (variance + squared * f64::exp(-ln)).sqrt()))
        .collect();
    let total: f64 = nodes.iter().map(|n| n.0).sum();
    let beyond = |q: f64| nodes.iter().map(|(w, sd)| w * normal_sf(q / sd)).sum::<f64>() / total;
    let most = 100.0 * (variance + squared).sqrt();
    let quantile = |p: f64| halved((0.0, most), |q| beyond(q) > p);
    let (quarter, end) = (quantile(0.25), quantile(0.025));
    let ratio = |d: f64| student_quantile_upper(0.025, d) / student_quantile_upper(0.25, d);
    let ln_df = halved((df.ln(), 12.0), |ln| ratio(ln.exp()) > end / quarter);
    let one = ln_df.exp();
    ((end / student_quantile_upper(0.025, one)).powi(2), one)
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
    impl<'de> Visitor<'de> for Effects {
        type Value = Vec<SharedEffect>;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a list of shared effects")
        }
        fn visit_seq<A: SeqAccess<'de>>(self, list: A) -> std::result::Result<Self::Value, A::Error> {
            Deserialize::deserialize(SeqAccessDeserializer::new(list))
        }
        fn visit_map<A: MapAccess<'de>>(self, mut old: A) -> std::result::Result<Self::Value, A::Error> {
            while old.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
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
            if l.name.trim().is_empty() || e.levels[..i].iter().any(|o| (&o.of, &o.name) == (&l.of, &l.name))
            {
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
pub(super) fn check_kept(here: &str, kept: &RecoveryThreshold) -> Result<()> {
    let none = kept.greatest_of.is_empty() || kept.greatest_of.iter().any(|s| s.trim().is_empty());
    if none || !(kept.at_least > 0.0 && kept.at_least.is_finite()) {
        return Err(wrong(format!("{here}, kept"), "the sizes that decide and a bound above 0 are needed"));
    }
    Ok(())
}
