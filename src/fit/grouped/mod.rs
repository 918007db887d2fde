//! Random intercepts: flakes from one core (or knapper, or knapping sequence) are alike, and cores from one
//! knapper may be. The model of flake `i` of group `g` within outer group `k` is
//!
//! y = x'β + v_k + u_g + e,  e ~ N(0, σ²),  u ~ N(0, σ₁²),  v ~ N(0, σ₂²), all independent,
//!
//! with the terms x' a row of the design (it needs a column of ones to have an intercept), and v only where
//! there are two levels. The variances are estimated by restricted maximum likelihood (or full), profiled
//! over the ratios γ₁ = σ₁²/σ² and γ₂ = σ₂²/σ²; β by a QR of the whitened rows. Not covered: random slopes,
//! crossed groups, weights.
//!
//! # How far the intervals can be trusted
//!
//! Degrees of freedom are Satterthwaite's from the expected information, which stays defined when a variance
//! is estimated as zero: the interval then still allows for a variance that the table failed to show.
//! Simulated shares of new flakes inside 95 % intervals, 10,000 tables each (standard error 0.2 points),
//! two terms and an intercept, flakes per core spread from one to twice the mean, σ = 1:
//!
//! | cores | flakes a core | σ₁ | σ₂ | estimated as zero | new core | known core | new core, two flakes known |
//! |---|---|---|---|---|---|---|---|
//! | 20 | 18 | 0.4 | | 0.4 % | 95.2 | 95.3 | 95.0 |
//! | 20 | 6 | 0.5 | | 1.7 % | 95.0 | 95.4 | 95.3 |
//! | 20 | 6 | 0.2 | | 29.6 % | 95.1 | 95.4 | 95.5 |
//! | 20 | 6 | 1.0 | | 0.0 % | 95.0 | 95.2 | 95.3 |
//! | 10 | 6 | 0.5 | | 9.5 % | 95.2 | 95.1 | 95.1 |
//! | 6 | 6 | 0.5 | | 18.0 % | 95.2 | 95.6 | 94.9 |
//! | 21 in 7 | 6 | 0.5 | 0.5 | 16.6 % | 95.4 | 94.9 | 94.8 |
//! | 36 in 12 | 6 | 0.5 | 0.5 | 6.1 % | 94.5 | 95.4 | 94.8 |
//!
//! | file | holds |
//! |---|---|
//! | `rows` | what is kept of the flakes: mergeable, one pass |
//! | `criterion` | the profiled criterion and its derivatives |
//! | `optimum` | the search, and the judgement of what it found |
//! | `prediction` | a flake of a new group, of a known one, of one of which some flakes are known |

mod criterion;
mod optimum;
mod prediction;
mod rows;

pub use prediction::GroupedPrediction;
pub use rows::GroupedRows;

use crate::error::{Error, Place, Result};
use crate::fit::Design;
use criterion::Problem;
use nalgebra::{DMatrix, DVector, Matrix3};
use optimum::{Optimum, minimise};
use rows::{finite, shape, solve_upper};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap};

/// A term counts as determined by the others when its column keeps less than this share of its length once
/// they are taken out. Common practice, no source.
const RANK_TOLERANCE: f64 = 1e-11;

/// Which likelihood the variances maximise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Likelihood {
    /// Restricted (REML): corrects the variances for the terms estimated. The default. Criteria of fits with
    /// different terms cannot be compared.
    #[default]
    Restricted,
    /// Full (ML): for comparing fits with different terms; its variances are too small in small tables.
    Full,
}

/// A level of grouping.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// The groups that flakes belong to, such as cores.
    Group,
    /// The groups that groups belong to, such as knappers.
    Outer,
}

/// The names of the groups, and which outer group each belongs to where there are two levels.
///
/// ```
/// use conchoid::fit::grouped::Groups;
/// let cores = ["C1", "C1", "C2", "C3"];
/// let (groups, of) = Groups::from_labels(&cores).unwrap();
/// assert_eq!((groups.count(), of), (3, vec![0, 0, 1, 2]));
///
/// let (groups, _) = Groups::from_nested_labels(&cores, &["Ann", "Ann", "Ann", "Ben"]).unwrap();
/// assert_eq!(groups.outer_names(), Some(&["Ann".to_string(), "Ben".to_string()][..]));
/// let refused = Groups::from_nested_labels(&cores, &["Ann", "Ben", "Ann", "Ben"]).unwrap_err();
/// assert!(refused.to_string().contains("C1"));
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "StoredGroups")]
pub struct Groups {
    names: Vec<String>,
    outer: Option<Outer>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Outer {
    names: Vec<String>,
    of: Vec<usize>,
}

#[derive(Deserialize)]
struct StoredGroups {
    names: Vec<String>,
    outer: Option<Outer>,
}

impl TryFrom<StoredGroups> for Groups {
    type Error = Error;

    fn try_from(s: StoredGroups) -> Result<Self> {
        match s.outer {
            None => Groups::new(s.names),
            Some(outer) => Groups::nested(s.names, outer.names, outer.of),
        }
    }
}

/// Fails at the first name that comes twice.
fn distinct(field: &str, names: &[String]) -> Result<()> {
    let mut seen = std::collections::HashSet::new();
    match names.iter().find(|n| !seen.insert(n.as_str())) {
        None => Ok(()),
        Some(twice) => Err(Error::invalid(field, format!("the name \"{twice}\" stands for two groups"))),
    }
}

/// Numbers labels in order of first appearance.
fn number<S: AsRef<str>>(labels: &[S]) -> (Vec<String>, Vec<usize>) {
    let mut known: HashMap<&str, usize> = HashMap::new();
    let mut names = Vec::new();
    let of = labels
        .iter()
        .map(|label| {
            *known.entry(label.as_ref()).or_insert_with(|| {
                names.push(label.as_ref().to_string());
                names.len() - 1
            })
        })
        .collect();
    (names, of)
}

impl Groups {
    /// One level of groups, by name.
    ///
    /// # Errors
    /// [`Error::Invalid`] at a name that comes twice.
    pub fn new(names: Vec<String>) -> Result<Self> {
        distinct("group", &names)?;
        Ok(Groups { names, outer: None })
    }

    /// Two levels: group `g` belongs to the outer group `outer_of[g]` (from 0).
    ///
    /// # Errors
    /// [`Error::Invalid`] at a name that comes twice, [`Error::Shape`] when `outer_of` has not one entry per
    /// group, [`Error::OutOfRange`] at an outer group that does not exist (the group named).
    pub fn nested(names: Vec<String>, outer_names: Vec<String>, outer_of: Vec<usize>) -> Result<Self> {
        distinct("group", &names)?;
        distinct("outer group", &outer_names)?;
        shape("outer groups of groups", outer_of.len(), names.len())?;
        if let Some(g) = outer_of.iter().position(|k| *k >= outer_names.len()) {
            return Err(Error::OutOfRange {
                at: Place::column(format!("outer group of {}", names[g])),
                value: outer_of[g] as f64,
                accepted: format!("whole numbers from 0, below {}", outer_names.len()),
            });
        }
        Ok(Groups { names, outer: Some(Outer { names: outer_names, of: outer_of }) })
    }

    /// One level from the label of each row; also the group (from 0) of each row. Groups are numbered in
    /// order of first appearance.
    ///
    /// # Errors
    /// None at present; a result so that labels may be refused later.
    pub fn from_labels<S: AsRef<str>>(labels: &[S]) -> Result<(Self, Vec<usize>)> {
        let (names, of) = number(labels);
        Ok((Groups { names, outer: None }, of))
    }

    /// Two levels from both labels of each row; also the group (from 0) of each row. Where the groups of
    /// different outer groups carry the same labels (every knapper has a core 1), join the labels first.
    ///
    /// # Errors
    /// [`Error::Shape`] when the lengths differ, [`Error::Invalid`] when a group stands under two outer
    /// groups (group and row named).
    pub fn from_nested_labels<S: AsRef<str>, T: AsRef<str>>(
        labels: &[S],
        outer_labels: &[T],
    ) -> Result<(Self, Vec<usize>)> {
        shape("outer labels", outer_labels.len(), labels.len())?;
        let (names, of) = number(labels);
        let (outer_names, outer_of_row) = number(outer_labels);
        let mut outer_of: Vec<Option<usize>> = vec![None; names.len()];
        for (i, (&g, &k)) in of.iter().zip(&outer_of_row).enumerate() {
            match outer_of[g] {
                Some(before) if before != k => {
                    return Err(Error::Invalid {
                        at: Place::cell(i as u64 + 1, "group"),
                        reason: format!(
                            "{} belongs to both {} and {}; a group has one outer group \
                             (give groups of different outer groups different names)",
                            names[g], outer_names[before], outer_names[k]
                        ),
                    });
                }
                _ => outer_of[g] = Some(k),
            }
        }
        let outer_of = outer_of.into_iter().flatten().collect();
        Ok((Groups { names, outer: Some(Outer { names: outer_names, of: outer_of }) }, of))
    }

    /// Number of groups.
    pub fn count(&self) -> usize {
        self.names.len()
    }

    /// The names of the groups.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The number of a group by its name.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// The names of the outer groups, where there are two levels.
    pub fn outer_names(&self) -> Option<&[String]> {
        self.outer.as_ref().map(|o| &o.names[..])
    }

    /// The outer group of a group, where there are two levels and there is such a group.
    pub fn outer_of(&self, group: usize) -> Option<usize> {
        self.outer.as_ref().and_then(|o| o.of.get(group).copied())
    }
}

/// What a fit looks like at the point where the search ended, read without asking the search.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Convergence {
    gradient: f64,
    curvature: f64,
    gain: f64,
    at_zero: Vec<Level>,
}

impl Convergence {
    /// The largest slope of the criterion in the logarithm of a variance ratio that is not zero.
    pub fn gradient(&self) -> f64 {
        self.gradient
    }

    /// The least curvature of the criterion in the logarithms of the variance ratios that are not zero.
    pub fn curvature(&self) -> f64 {
        self.curvature
    }

    /// What one more Newton step would take off the criterion, to second order.
    pub fn gain(&self) -> f64 {
        self.gain
    }

    /// The levels whose variance is estimated as zero: the criterion rises from there.
    pub fn at_zero(&self) -> &[Level] {
        &self.at_zero
    }
}

/// How the variation that the terms leave divides: shares that sum to one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VarianceShares {
    /// Between flakes of one group.
    pub within: f64,
    /// Between groups (of one outer group, where there are two levels).
    pub between: f64,
    /// Between outer groups, where there are two levels.
    pub outer: Option<f64>,
}

impl VarianceShares {
    /// The split in a sentence, with the trade's words for the groups, singular: `("core", None)` or
    /// `("core", Some("knapper"))`.
    ///
    /// ```
    /// use conchoid::fit::grouped::VarianceShares;
    /// let shares = VarianceShares { within: 0.75, between: 0.25, outer: None };
    /// assert_eq!(
    ///     shares.in_words("core", None),
    ///     "Of the variance that the terms leave, 75 % lies between flakes of one core and 25 % between cores."
    /// );
    /// ```
    pub fn in_words(&self, group: &str, outer: Option<&str>) -> String {
        let percent = |share: f64| format!("{:.0} %", 100.0 * share);
        let within = format!("{} lies between flakes of one {group}", percent(self.within));
        let lead = "Of the variance that the terms leave, ";
        match (self.outer, outer) {
            (Some(share), outer) => {
                let outer = outer.unwrap_or("outer group");
                format!(
                    "{lead}{within}, {} between {group}s of one {outer} and {} between {outer}s.",
                    percent(self.between),
                    percent(share)
                )
            }
            (None, _) => format!("{lead}{within} and {} between {group}s.", percent(self.between)),
        }
    }
}

/// The predicted effect of one group, shrunken towards zero (BLUP).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupEffect {
    /// Expected deviation of this group from the terms alone, in the response's unit.
    pub effect: f64,
    /// Standard deviation of the true effect about it, given the coefficients and the variances.
    pub conditional_sd: f64,
}

/// A fitted random-intercept model.
///
/// ```
/// use conchoid::fit::Design;
/// use conchoid::fit::grouped::{GroupedFit, Groups, Likelihood};
/// // A field school: ln mass on ln depth, three flakes from each of four cores.
/// let depth: [f64; 12] = [4.0, 6.0, 9.0, 5.0, 8.0, 11.0, 3.0, 7.0, 10.0, 6.0, 9.0, 12.0];
/// let mass = [3.0, 7.0, 15.0, 6.5, 16.0, 33.0, 1.2, 6.0, 14.0, 9.0, 15.0, 40.0f64];
/// let rows: Vec<[f64; 2]> = depth.iter().map(|d| [1.0, d.ln()]).collect();
/// let design = Design::from_rows(vec!["intercept".into(), "ln depth".into()], &rows).unwrap();
/// let y: Vec<f64> = mass.iter().map(|m| m.ln()).collect();
/// let cores = ["A", "A", "A", "B", "B", "B", "C", "C", "C", "D", "D", "D"];
/// let (groups, of) = Groups::from_labels(&cores).unwrap();
///
/// let fit = GroupedFit::fit(&design, &y, &groups, &of, Likelihood::Restricted).unwrap();
/// assert!(fit.convergence().reached());
/// let anywhere = fit.predict_new_group(&[1.0, 2.0]).unwrap();
/// let core_a = fit.predict_known_group(&[1.0, 2.0], groups.find("A").unwrap()).unwrap();
/// assert!(core_a.scale() < anywhere.scale());
/// assert!(GroupedFit::fit(&design, &y, &groups, &[0; 12], Likelihood::Restricted).is_err());
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StoredFit")]
pub struct GroupedFit {
    terms: Vec<String>,
    likelihood: Likelihood,
    rows: u64,
    groups: Option<KnownGroups>,
    group_count: usize,
    outer_count: Option<usize>,
    coefficients: Vec<f64>,
    /// Upper triangle R, column by column, with R'R = X'(V/σ²)⁻¹X.
    factor: Vec<f64>,
    variance: f64,
    ratios: Vec<f64>,
    /// Covariance of (σ², σ₁²[, σ₂²]), row by row, from the expected information.
    variance_covariance: Vec<f64>,
    /// For each level R⁻ᵀX'V⁻¹ZZ'V⁻¹XR⁻¹ in units of σ = 1: what predictions' degrees of freedom need.
    spread: Vec<Vec<f64>>,
    criterion: f64,
    convergence: Convergence,
}

/// Sizes and mean rows of the groups: needed for flakes of known groups only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct KnownGroups {
    names: Groups,
    sizes: Vec<u64>,
    /// Group by group, terms then response.
    means: Vec<f64>,
}

#[derive(Deserialize)]
struct StoredFit {
    terms: Vec<String>,
    likelihood: Likelihood,
    rows: u64,
    groups: Option<KnownGroups>,
    group_count: usize,
    outer_count: Option<usize>,
    coefficients: Vec<f64>,
    factor: Vec<f64>,
    variance: f64,
    ratios: Vec<f64>,
    variance_covariance: Vec<f64>,
    spread: Vec<Vec<f64>>,
    criterion: f64,
    convergence: Convergence,
}

impl TryFrom<StoredFit> for GroupedFit {
    type Error = Error;

    fn try_from(s: StoredFit) -> Result<Self> {
        let p = s.terms.len();
        let levels = 1 + usize::from(s.outer_count.is_some());
        shape("coefficients", s.coefficients.len(), p)?;
        shape("entries of the factor", s.factor.len(), p * p)?;
        shape("variance ratios", s.ratios.len(), levels)?;
        shape("entries of the variances' covariance", s.variance_covariance.len(), (levels + 1).pow(2))?;
        shape("spread matrices", s.spread.len(), levels)?;
        for matrix in &s.spread {
            shape("entries of a spread matrix", matrix.len(), p * p)?;
            finite("spread", matrix)?;
        }
        for (field, values) in [
            ("coefficients", &s.coefficients[..]),
            ("factor", &s.factor),
            ("ratios", &s.ratios),
            ("variance_covariance", &s.variance_covariance),
            ("criterion", &[s.criterion]),
            ("convergence", &[s.convergence.gradient, s.convergence.curvature, s.convergence.gain]),
        ] {
            finite(field, values)?;
        }
        if (0..p).any(|j| s.factor[j * p + j] == 0.0 || (j + 1..p).any(|i| s.factor[j * p + i] != 0.0)) {
            return Err(Error::invalid("factor", "must be upper triangular, without a zero on its diagonal"));
        }
        if !(s.variance > 0.0 && s.variance.is_finite()) || s.ratios.iter().any(|r| *r < 0.0) {
            return Err(Error::invalid("variance", "the variance must be above 0, its ratios at least 0"));
        }
        let covariance = DMatrix::from_row_slice(levels + 1, levels + 1, &s.variance_covariance);
        let least = covariance.clone().symmetric_eigenvalues().min();
        if (&covariance - covariance.transpose()).amax() > 0.0 || least < -1e-9 * covariance.amax() {
            return Err(Error::invalid(
                "variance_covariance",
                "must be symmetric, without negative directions",
            ));
        }
        if s.rows <= p as u64 {
            return Err(Error::TooFew { what: "rows".into(), found: s.rows as usize, needed: p + 1 });
        }
        if let Some(known) = &s.groups {
            shape("groups", known.names.count(), s.group_count)?;
            shape("group sizes", known.sizes.len(), s.group_count)?;
            shape("entries of the group means", known.means.len(), s.group_count.saturating_mul(p + 1))?;
            finite("means", &known.means)?;
            let sum = known.sizes.iter().try_fold(0u64, |sum, n| sum.checked_add(*n));
            if sum != Some(s.rows) {
                return Err(Error::invalid(
                    "sizes",
                    format!("the group sizes must sum to the {} rows", s.rows),
                ));
            }
            if known.names.outer_names().map(<[String]>::len) != s.outer_count {
                return Err(Error::invalid("groups", "the outer groups differ from their count"));
            }
        }
        Ok(GroupedFit {
            terms: s.terms,
            likelihood: s.likelihood,
            rows: s.rows,
            groups: s.groups,
            group_count: s.group_count,
            outer_count: s.outer_count,
            coefficients: s.coefficients,
            factor: s.factor,
            variance: s.variance,
            ratios: s.ratios,
            variance_covariance: s.variance_covariance,
            spread: s.spread,
            criterion: s.criterion,
            convergence: s.convergence,
        })
    }
}

impl GroupedFit {
    /// Fits the flakes of a design: row `i` has the response `y[i]` and belongs to group `of[i]` (from 0).
    /// Groups without a flake are allowed and keep an effect of zero.
    ///
    /// # Errors
    /// [`Error::Shape`] and [`Error::OutOfRange`] at input that does not fit together or is not finite;
    /// [`Error::TooFew`] when there are too few groups, or no group with two flakes;
    /// [`Error::RankDeficient`] naming a term that the others determine; [`Error::NotConverged`] with the
    /// reason when the variances cannot be found.
    pub fn fit(
        design: &Design,
        y: &[f64],
        groups: &Groups,
        of: &[usize],
        likelihood: Likelihood,
    ) -> Result<Self> {
        let mut rows = GroupedRows::new(design.names().to_vec(), groups.count());
        rows.observe(design, y, of)?;
        GroupedFit::from_rows(&rows, groups, likelihood)
    }

    /// Fits accumulated flakes.
    ///
    /// # Errors
    /// As [`GroupedFit::fit`].
    pub fn from_rows(rows: &GroupedRows, groups: &Groups, likelihood: Likelihood) -> Result<Self> {
        shape("groups", rows.groups(), groups.count())?;
        check_counts(rows, groups)?;
        let outer_of = groups.outer.as_ref().map(|o| &o.of[..]);
        let problem = Problem::new(rows, outer_of, likelihood);
        check_rank(rows, &problem)?;
        let largest = (0..rows.groups()).filter_map(|g| rows.group_size(g)).max().unwrap_or(0) as f64;
        let optimum = minimise(&problem, largest)?;
        package(rows, groups, likelihood, &problem, optimum)
    }

    /// The same fit without its groups: smaller to store, and shows nothing of single cores. It no longer
    /// predicts for known groups.
    pub fn without_groups(mut self) -> Self {
        self.groups = None;
        self
    }

    /// The names of the terms.
    pub fn terms(&self) -> &[String] {
        &self.terms
    }

    /// The coefficients, one per term.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// Covariance of the coefficients (terms × terms) at the estimated variances.
    pub fn covariance(&self) -> DMatrix<f64> {
        let p = self.terms.len();
        let r = DMatrix::from_column_slice(p, p, &self.factor);
        let inverse =
            r.solve_upper_triangular(&DMatrix::identity(p, p)).unwrap_or_else(|| DMatrix::zeros(p, p));
        &inverse * inverse.transpose() * self.variance
    }

    /// Standard deviation between flakes of one group, in the response's unit.
    pub fn sd_within(&self) -> f64 {
        self.variance.sqrt()
    }

    /// Standard deviation between groups (of one outer group, where there are two levels).
    pub fn sd_between(&self) -> f64 {
        (self.variance * self.ratios[0]).sqrt()
    }

    /// Standard deviation between outer groups, where there are two levels.
    pub fn sd_outer(&self) -> Option<f64> {
        self.ratios.get(1).map(|r| (self.variance * r).sqrt())
    }

    /// Covariance of the estimated variances (σ², σ₁²[, σ₂²]) from the expected information. It holds for
    /// many groups; with few it is a guide.
    pub fn variance_covariance(&self) -> DMatrix<f64> {
        let k = self.ratios.len() + 1;
        DMatrix::from_row_slice(k, k, &self.variance_covariance)
    }

    /// How the variance that the terms leave divides between the levels.
    pub fn shares(&self) -> VarianceShares {
        let total = 1.0 + self.ratios.iter().sum::<f64>();
        VarianceShares {
            within: 1.0 / total,
            between: self.ratios[0] / total,
            outer: self.ratios.get(1).map(|r| r / total),
        }
    }

    /// Correlation of two flakes of one group, the terms given: from 0 to 1.
    pub fn intraclass_correlation(&self) -> f64 {
        let between: f64 = self.ratios.iter().sum();
        between / (1.0 + between)
    }

    /// The criterion at the optimum: minus twice the log (restricted) likelihood, with all constants but
    /// one: as is usual in software, the restricted one leaves out ln|X'X|.
    pub fn criterion(&self) -> f64 {
        self.criterion
    }

    /// Which likelihood was maximised.
    pub fn likelihood(&self) -> Likelihood {
        self.likelihood
    }

    /// Gradient, curvature and boundary at the optimum.
    pub fn convergence(&self) -> &Convergence {
        &self.convergence
    }

    /// Levels whose variance is estimated as zero. The flakes then show no likeness within groups beyond
    /// what chance gives; with few groups this is weak evidence that there is none, and the degrees of
    /// freedom of predictions still allow for it.
    pub fn at_zero(&self) -> &[Level] {
        self.convergence.at_zero()
    }

    /// Number of flakes fitted.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Number of groups.
    pub fn group_count(&self) -> usize {
        self.group_count
    }

    /// Number of outer groups, where there are two levels.
    pub fn outer_count(&self) -> Option<usize> {
        self.outer_count
    }

    /// The groups by name, where the fit still has them.
    pub fn groups(&self) -> Option<&Groups> {
        self.groups.as_ref().map(|g| &g.names)
    }
}

/// Enough groups, and enough flakes in them, to tell the variances apart?
fn check_counts(rows: &GroupedRows, groups: &Groups) -> Result<()> {
    let few =
        |what: &str, found: usize, needed: usize| Err(Error::TooFew { what: what.into(), found, needed });
    let p = rows.terms().len();
    let filled: Vec<usize> = (0..rows.groups()).filter(|g| rows.group_size(*g) > Some(0)).collect();
    if rows.rows() <= p as u64 {
        return few("rows", rows.rows() as usize, p + 1);
    }
    if filled.len() < 2 {
        return few("groups with flakes", filled.len(), 2);
    }
    if !filled.iter().any(|g| rows.group_size(*g) > Some(1)) {
        return few("groups with two flakes or more", 0, 1);
    }
    if let Some(outer) = &groups.outer {
        let mut sizes: BTreeMap<usize, usize> = BTreeMap::new();
        for g in filled {
            *sizes.entry(outer.of[g]).or_default() += 1;
        }
        if sizes.len() < 2 {
            return few("outer groups with flakes", sizes.len(), 2);
        }
        if sizes.values().all(|n| *n < 2) {
            return few("outer groups with two groups or more", 0, 1);
        }
    }
    Ok(())
}

/// Are the terms distinct, does the response vary within groups, and between them beyond the terms?
fn check_rank(rows: &GroupedRows, problem: &Problem) -> Result<()> {
    let q = rows.terms().len() + 1;
    let p = q - 1;
    let value = problem.value([0.0; 2]);
    let length = |r: &[f64], j: usize| r[j * q..(j + 1) * q].iter().map(|v| v * v).sum::<f64>().sqrt();
    finite("response or terms (too large to square)", &value.factor)?;
    for (j, term) in rows.terms().iter().enumerate() {
        if value.factor[j * q + j].abs() <= RANK_TOLERANCE * length(&value.factor, j) {
            return Err(Error::RankDeficient { term: term.clone() });
        }
    }
    let flat =
        |reason: &str| Err(Error::NotConverged { what: "the grouped fit".into(), reason: reason.into() });
    let all = length(&value.factor, p);
    if value.factor[p * q + p].abs() <= RANK_TOLERANCE * all
        || rows.within()[p * q + p].abs() <= RANK_TOLERANCE * all
    {
        return flat(
            "the terms and the groups explain every flake exactly; nothing is left to estimate from",
        );
    }
    let slopes = problem.slopes([0.0; 2], &value);
    for level in 0..problem.levels() {
        let scale = slopes.traces[level].abs().powi(2) / problem.divisor();
        if slopes.information[level][level] <= 1e-9 * scale.max(f64::MIN_POSITIVE) {
            return flat(
                "the terms take up all differences between groups, so no variance between groups can be \
                 told; leave out terms that are the same for every flake of a group, or record more groups",
            );
        }
    }
    Ok(())
}

/// From the optimum to the fit that users see.
fn package(
    rows: &GroupedRows,
    groups: &Groups,
    likelihood: Likelihood,
    problem: &Problem,
    optimum: Optimum,
) -> Result<GroupedFit> {
    let q = rows.terms().len() + 1;
    let p = q - 1;
    let r = &optimum.value.factor;
    let mut coefficients = r[p * q..p * q + p].to_vec();
    solve_upper(r, q, &mut coefficients);
    let variance = r[p * q + p].powi(2) / problem.divisor();
    let leading = |m: &[f64]| (0..p).flat_map(|j| m[j * q..j * q + p].to_vec()).collect::<Vec<f64>>();
    let levels = problem.levels();
    let variance_covariance = variance_covariance(&optimum, levels, variance, rows.rows() as f64 - p as f64)?;
    let fit = GroupedFit {
        terms: rows.terms().to_vec(),
        likelihood,
        rows: rows.rows(),
        group_count: groups.count(),
        outer_count: groups.outer_names().map(<[String]>::len),
        coefficients,
        factor: leading(r),
        variance,
        ratios: optimum.ratios[..levels].to_vec(),
        variance_covariance,
        spread: optimum.slopes.spread[..levels].iter().map(|m| leading(m)).collect(),
        criterion: optimum.value.criterion,
        convergence: optimum.convergence,
        groups: Some(KnownGroups {
            names: groups.clone(),
            sizes: (0..rows.groups()).map(|g| rows.group_size(g).unwrap_or(0)).collect(),
            means: (0..rows.groups()).flat_map(|g| rows.mean(g).to_vec()).collect(),
        }),
    };
    finite("coefficients", &fit.coefficients)?;
    finite("variance of the response", &[fit.variance, fit.criterion])?;
    Ok(fit)
}

/// Covariance of (σ², σ₁²[, σ₂²]): twice the inverse of tr(PGᵢPGⱼ). The entries with σ² follow from those
/// without, since P (σ²I + Σσᵢ²Gᵢ) P = P.
fn variance_covariance(optimum: &Optimum, levels: usize, variance: f64, freedom: f64) -> Result<Vec<f64>> {
    let (t, tau, ratio) = (optimum.slopes.information, optimum.slopes.traces, optimum.ratios);
    let mut full = Matrix3::<f64>::identity();
    let mut own = freedom;
    for i in 0..levels {
        own -= ratio[i] * tau[i];
        let mut with = tau[i];
        for j in 0..levels {
            full[(i + 1, j + 1)] = t[i][j];
            with -= ratio[j] * t[i][j];
        }
        full[(0, i + 1)] = with;
        full[(i + 1, 0)] = with;
    }
    full[(0, 0)] = own - (0..levels).map(|i| ratio[i] * full[(0, i + 1)]).sum::<f64>();
    // Scaled to a unit diagonal before the Cholesky factor: the ratios may differ by many powers of ten.
    let scale = full.diagonal().map(|d| d.max(f64::MIN_POSITIVE).sqrt());
    let scaled = Matrix3::from_fn(|i, j| full[(i, j)] / (scale[i] * scale[j]));
    let singular = || Error::NotConverged {
        what: "the grouped fit".into(),
        reason: "the variances of the levels cannot be told apart in these groups".into(),
    };
    let inverse = scaled.cholesky().ok_or_else(singular)?.inverse();
    let k = levels + 1;
    let symmetric = |i: usize, j: usize| 0.5 * (inverse[(i, j)] + inverse[(j, i)]);
    Ok((0..k)
        .flat_map(|i| (0..k).map(move |j| (i, j)))
        .map(|(i, j)| 2.0 * variance * variance * symmetric(i, j) / (scale[i] * scale[j]))
        .collect())
}

/// A slice as nalgebra sees it.
fn vector(values: &[f64]) -> DVector<f64> {
    DVector::from_column_slice(values)
}
