//! Two or more percussors on the same platform: sizes side by side, and the difference with its interval.
//!
//! ```text
//! expected:   d = mean over settings and terminations of x(first) - x(second),   d'b ± t (d'Vd)^(1/2)
//! new flakes: d_k'b + N(0, d_k'V d_k) + s(first) e₁ - s(second) e₂,   a mixture over settings k
//! ```
//!
//! b are the coefficients of the size under its transform and V their covariance. Both design rows lean on the same coefficients, so
//! that their difference is surer than either: it is taken from d itself, not from two separate intervals. Settings that
//! were not given are averaged over those of the whole experiment, with the same weights for every percussor: the percussors
//! of an experiment were not all used with the same blows, and that must not pass for an effect of the percussor. The errors e of
//! two new flakes are independent; where they have the heavy tails of a Student t, one of them is integrated over 32
//! equal shares.

use serde::Serialize;

use super::detachment::Ranged;
use super::distribution::{Component, LEVEL, Predictive};
use super::estimate::{Ask, Estimate, Predictor};
use crate::calibration::SizeModel;
use crate::calibration::resolved::{At, DesignRows, ResolvedSize, ResolvedSpread};
use crate::error::{Error, Result};
use crate::form::{PERCUSSOR_CLASS, Transform};
use crate::special::{normal_quantile, student_cdf, student_quantile, student_quantile_upper};
use crate::strike::Measured;

/// How a difference of sizes is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub(crate) enum DifferenceScale {
    /// As the ratio of the first over the second: the size is modelled on a log scale.
    Ratio,
    /// As the first less the second, in the unit of the size.
    Difference,
    /// As the first less the second of the cube roots of the size.
    CubeRoots,
    /// As the ratio of what the two sizes are above 1: for original over remaining mass, of the odds of what is lost.
    OddsRatio,
}

/// The difference of one size between two percussors.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct SizeDifference {
    /// Which size (`mass_g`).
    pub size: String,
    /// How the two intervals below are to be read.
    pub scale: DifferenceScale,
    /// Between what is expected of the two (under a log transform the ratio of the geometric means), with its interval.
    pub expected: Ranged,
    /// How many standard errors the expected difference lies from none; its sign is that of first less second.
    pub standard_errors: f64,
    /// The share of the expected difference that the data support: the probability that it has this sign
    /// (0.5: nothing either way).
    pub supported: f64,
    /// Between two new flakes, one of each, with its interval (median as the value).
    pub new_flakes: Ranged,
    /// Probability that a new flake of the first is the larger.
    pub first_larger: f64,
}

/// Percussors side by side on one platform.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SideBySide {
    /// The estimate of each, in the order asked.
    pub estimates: Vec<Estimate>,
    /// The first against each of the others, every size.
    pub differences: Vec<Vec<SizeDifference>>,
    /// Whether the calibration tells the first from each of the others; where not, their differences are none by
    /// construction and no finding.
    pub told_apart: Vec<bool>,
}

/// Lays percussors side by side: measurements that are the same but for the percussor.
///
/// # Errors
/// [`Error::TooFew`] for fewer than two; [`Error::Missing`] where a percussor was not given;
/// [`Error::Incomparable`] where anything but the percussor differs; everything that
/// [`Predictor::estimate`] refuses; [`Error::OutOfRange`] unless 0 < `level` < 1.
pub(crate) fn side_by_side(
    predictor: &Predictor,
    flakes: &[impl Measured],
    level: f64,
) -> Result<SideBySide> {
    let level = LEVEL.check(level)?;
    if flakes.len() < 2 {
        return Err(Error::TooFew { what: "percussors to compare".into(), found: flakes.len(), needed: 2 });
    }
    let resolved = predictor.resolved();
    let (mut estimates, mut rows, mut measured) = (Vec::new(), Vec::new(), Vec::new());
    for flake in flakes {
        if let Some(e) = crate::flake::refusal(flake) {
            return Err(e);
        }
        if flake.class("percussor").or(flake.class(PERCUSSOR_CLASS)).is_none() {
            return Err(Error::missing("percussor", "a comparison of percussors needs it"));
        }
        let mut asked = predictor.asked(flake, &Ask::default())?;
        let own = asked.rows.clone().into_iter();
        let split = |(w, row)| Ok((w, resolved.split(asked.variant, vec![(1.0, row)], asked.ended)?));
        rows.push(own.map(split).collect::<Result<Vec<_>>>()?);
        measured.push((asked.variant, asked.x.clone()));
        let estimate = predictor.evaluate(&mut asked)?;
        estimates.push(predictor.doubt(estimate, &asked, flake));
    }
    let (chosen, first) = &measured[0];
    let same = |(variant, x): &(usize, Vec<f64>)| {
        let alike =
            |at: usize| x[at].to_bits() == first[at].to_bits() || x[at].is_nan() && first[at].is_nan();
        variant == chosen && (0..x.len()).all(|at| resolved.is_percussor(at) || alike(at))
    };
    if !measured.iter().all(same) {
        return Err(Error::Incomparable { reason: "more than the percussor differs".into() });
    }

    let mut differences = Vec::with_capacity(rows.len() - 1);
    let mut told_apart = Vec::with_capacity(rows.len() - 1);
    for other in &rows[1..] {
        let models = &resolved.variant(*chosen).sizes;
        let sizes = models
            .iter()
            .zip(&resolved.ready(*chosen).sizes)
            .map(|(model, ready)| Pair { model, ready, first: &rows[0], second: other }.difference(level))
            .collect::<Result<Vec<_>>>()?;
        told_apart.push(sizes.iter().any(|(_, told)| *told));
        differences.push(sizes.into_iter().map(|(d, _)| d).collect());
    }
    Ok(SideBySide { estimates, differences, told_apart })
}

/// Setting by setting, its weight and the input rows of it with theirs: one for each termination where that counts.
type Rows = [(f64, Vec<(f64, Vec<f64>)>)];

/// Equal shares into which the error of one flake is cut where it is not normal. This crate's choice, no source.
const SHARES: usize = 64;
/// Equal shares into which the uncertainty of the coefficients is cut beside it. This crate's choice, no source.
const SHARED_SHARES: usize = 16;
/// Degrees of freedom from which on errors are treated as normal in a difference of two. This crate's choice, no source.
const NEARLY_NORMAL: f64 = 30.0;

/// One size under two percussors.
struct Pair<'a> {
    model: &'a SizeModel,
    ready: &'a ResolvedSize,
    first: &'a Rows,
    second: &'a Rows,
}

impl Pair<'_> {
    /// The difference, and whether there can be one at all.
    fn difference(&self, level: f64) -> Result<(SizeDifference, bool)> {
        let tail = 0.5 * (1.0 - level);
        let d = self.mean_difference();
        let new = self.new_flakes()?;
        let (centre, carried) = self.expected();
        let error = (self.ready.variance(&d) + carried).sqrt();
        let told = error > 0.0 || centre != 0.0;
        let freedom = match &self.ready.spread {
            ResolvedSpread::Constant(_, degrees_of_freedom) => *degrees_of_freedom,
            ResolvedSpread::Modelled(..) => f64::INFINITY,
        };
        let standard_errors = if error > 0.0 { centre / error } else { 0.0 };
        let half = error * student_quantile_upper(tail, freedom);
        let (scale, told_as) = scale(self.model.form.transform());
        let interval = new.interval(level)?;
        let ranged = |ends: [f64; 3]| {
            let [low, value, high] = ends.map(told_as);
            Ranged { value, low, high }
        };
        let difference = SizeDifference {
            size: self.model.size.clone(),
            scale,
            expected: ranged([centre - half, centre, centre + half]),
            standard_errors,
            supported: student_cdf(standard_errors.abs(), freedom),
            new_flakes: ranged([interval.low, interval.median, interval.high]),
            first_larger: new.sf(0.0),
        };
        Ok((difference, told))
    }

    /// Every pair of rows that differ in the percussor only, with its weight; the weights sum to 1.
    fn pairs(&self) -> impl Iterator<Item = (f64, &[f64], &[f64])> {
        let total: f64 = self.first.iter().map(|(w, _)| w).sum();
        let of_ends = |ends: &[(f64, Vec<f64>)]| ends.iter().map(|(w, _)| w).sum::<f64>();
        self.first.iter().zip(self.second).flat_map(move |((weight, first), (_, second))| {
            let share = weight / total / of_ends(first) / of_ends(second);
            first
                .iter()
                .flat_map(move |(w, x)| second.iter().map(move |(v, y)| (share * w * v, &x[..], &y[..])))
        })
    }

    /// What is expected of the first less of the second, and the variance that the ratio of percussors gives it.
    fn expected(&self) -> (f64, f64) {
        let mut scratch = DesignRows::default();
        let (mut centre, mut carried) = (0.0, 0.0);
        for (share, x, y) in self.pairs() {
            let (a, b) = (self.ready.at(x, &mut scratch), self.ready.at(y, &mut scratch));
            centre += share * (a.location - b.location);
            carried += share * self.ready.carried_apart(x, y, &a, &b);
        }
        // what cancels but for rounding is no difference
        (if centre.abs() < 1e-12 { 0.0 } else { centre }, carried)
    }

    /// The difference of the design rows of two flakes.
    fn rows_apart(&self, x: &[f64], y: &[f64]) -> Vec<f64> {
        let mut row = vec![0.0; self.ready.compiled.terms()];
        let mut other = row.clone();
        self.ready.compiled.fill(x, &mut row);
        self.ready.compiled.fill(y, &mut other);
        row.iter_mut().zip(&other).for_each(|(a, b)| *a -= b);
        row
    }

    /// The same, averaged over settings and terminations.
    fn mean_difference(&self) -> Vec<f64> {
        let mut d = vec![0.0; self.ready.compiled.terms()];
        for (share, x, y) in self.pairs() {
            d.iter_mut().zip(self.rows_apart(x, y)).for_each(|(d, v)| *d += share * v);
        }
        // what cancels but for rounding is no difference
        d.iter_mut().filter(|v| v.abs() < 1e-12).for_each(|v| *v = 0.0);
        d
    }

    /// The difference of two new flakes struck alike, transformed scale.
    fn new_flakes(&self) -> Result<Predictive> {
        let mut components = Vec::new();
        let mut scratch = DesignRows::default();
        for (weight, x, y) in self.pairs() {
            let (a, b) = (self.ready.at(x, &mut scratch), self.ready.at(y, &mut scratch));
            // what lies beyond the flakes fitted does so for both
            let shared = self.ready.variance(&self.rows_apart(x, y)) + self.ready.carried_apart(x, y, &a, &b);
            let own = |at: &At| (at.own * at.own, at.degrees_of_freedom);
            error_of_two((weight, a.location - b.location), shared, own(&a), own(&b), &mut components);
        }
        Predictive::new(Transform::Identity, components)
    }
}

/// The difference of two errors about one location of this weight, by their variances and degrees of freedom and the
/// variance that they share.
fn error_of_two(
    (weight, location): (f64, f64),
    shared: f64,
    (a, da): (f64, f64),
    (b, db): (f64, f64),
    out: &mut Vec<Component>,
) {
    if da >= NEARLY_NORMAL && db >= NEARLY_NORMAL {
        // Welch and Satterthwaite
        let behind = a * a / da + b * b / db;
        let degrees_of_freedom = if behind > 0.0 { (a + b) * (a + b) / behind } else { f64::INFINITY };
        out.push(Component { weight, location, scale: (a + b + shared).sqrt(), degrees_of_freedom });
        return;
    }
    let middle = |i: usize, of: usize| (i as f64 + 0.5) / of as f64;
    let (weight, scale) = (weight / (SHARES * SHARED_SHARES) as f64, a.sqrt());
    for i in 0..SHARES {
        let location = location - b.sqrt() * student_quantile(middle(i, SHARES), db);
        for j in 0..SHARED_SHARES {
            let location = location + shared.sqrt() * normal_quantile(middle(j, SHARED_SHARES));
            out.push(Component { weight, location, scale, degrees_of_freedom: da });
        }
    }
}

/// How a difference under a transform is told.
fn scale(transform: Transform) -> (DifferenceScale, fn(f64) -> f64) {
    match transform {
        Transform::Ln => (DifferenceScale::Ratio, f64::exp),
        Transform::Log10 => (DifferenceScale::Ratio, |v| 10f64.powf(v)),
        Transform::Identity => (DifferenceScale::Difference, |v| v),
        Transform::CubeRoot => (DifferenceScale::CubeRoots, |v| v),
        Transform::LnExcess => (DifferenceScale::OddsRatio, f64::exp),
    }
}
