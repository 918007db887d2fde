//! What one future flake will be, as a Student-t: of a new group, of a known one, or of a new one of which
//! some flakes are already known.
//!
//! Location: x'β̂ + l'(ȳ − X̄β̂), with l = S⁻¹c the shrinkage weights of the known means (S their variance
//! without β, c their covariance with the effects of the flake's own groups, in units of σ²); empty for a
//! new group. Scale², with q = x − X̄'l and R'R = X'V⁻¹X:
//!
//! σ² [1 + (γ₁ + γ₂ − l'c) + |R⁻ᵀq|²] + 2 Σᵢⱼ Cov(σᵢ², σⱼ²) rᵢ'S⁻¹rⱼ/σ²,  rᵢ = ∂c/∂σᵢ² − (∂S/∂σᵢ²) l.
//!
//! The last part is what estimating the weights adds, doubled because the first part is then too small by
//! as much (Kackar & Harville 1984, J. Am. Stat. Assoc. 79:853; Prasad & Rao 1990, J. Am. Stat. Assoc.
//! 85:163; both from memory). Degrees of freedom are Satterthwaite's, 2f²/(f'' Cov f'), f the first part
//! and f' its derivative in (σ², σ₁², σ₂²): exact by the envelope of the best linear predictor, λ'Gᵢλ −
//! 2λ'cᵢ + 1, since λ minimises it. Cov is the inverse expected information, which stays defined where a
//! variance is estimated as zero and then still says how uncertain that zero is.

use super::rows::{fold, shape, solve_transposed, solve_upper};
use super::{GroupEffect, GroupedFit, GroupedRows, KnownGroups, vector};
use crate::error::{Bounds, Error, LEVEL, Place, Result};
use crate::fit::Design;
use crate::special::student_quantile;
use serde::{Deserialize, Serialize};

/// The distribution of one future flake's response: location + scale × Student-t.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "StoredPrediction")]
pub struct GroupedPrediction {
    location: f64,
    scale: f64,
    df: f64,
}

#[derive(Deserialize)]
struct StoredPrediction {
    location: f64,
    scale: f64,
    df: f64,
}

impl TryFrom<StoredPrediction> for GroupedPrediction {
    type Error = Error;

    fn try_from(s: StoredPrediction) -> Result<Self> {
        super::rows::finite("location", &[s.location])?;
        Bounds::above("scale", 0.0, f64::MAX, "").check(s.scale)?;
        Bounds::above("df", 0.0, f64::MAX, "").check(s.df)?;
        Ok(GroupedPrediction { location: s.location, scale: s.scale, df: s.df })
    }
}

impl GroupedPrediction {
    /// Centre, in the response's unit.
    pub fn location(&self) -> f64 {
        self.location
    }

    /// Scale of the t distribution, in the response's unit, above 0 (not its standard deviation).
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// Degrees of freedom of the t distribution, above 0.
    pub fn df(&self) -> f64 {
        self.df
    }

    /// The central interval that holds the flake with probability `level`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] when the level is not strictly between 0 and 1.
    pub fn interval(&self, level: f64) -> Result<(f64, f64)> {
        LEVEL.check(level)?;
        let half = self.scale * student_quantile(0.5 + 0.5 * level, self.df);
        Ok((self.location - half, self.location + half))
    }
}

/// The known means that bear on a flake, and how.
struct Bearing<'a> {
    /// Size and mean row (terms, then response) of each group.
    means: Vec<(f64, &'a [f64])>,
    /// Which of them is the flake's own group.
    own: Option<usize>,
    /// Whether they share the flake's outer group.
    outer: bool,
}

/// Weights, and what follows from them without the coefficients.
struct Weights {
    /// l.
    l: Vec<f64>,
    /// S⁻¹ as (d, a): diag(d) − a dd'.
    d: Vec<f64>,
    a: f64,
    /// γ₁ + γ₂ − l'c.
    left: f64,
}

impl Bearing<'_> {
    /// S⁻¹v.
    fn solve(d: &[f64], a: f64, v: &[f64]) -> Vec<f64> {
        let along: f64 = d.iter().zip(v).map(|(d, v)| d * v).sum();
        d.iter().zip(v).map(|(d, v)| d * (v - a * along)).collect()
    }

    fn weights(&self, ratios: [f64; 2]) -> Weights {
        let shared = if self.outer { ratios[1] } else { 0.0 };
        let d: Vec<f64> = self.means.iter().map(|(n, _)| n / (1.0 + n * ratios[0])).collect();
        let a = shared / (1.0 + shared * d.iter().sum::<f64>());
        let c: Vec<f64> =
            (0..d.len()).map(|i| shared + if self.own == Some(i) { ratios[0] } else { 0.0 }).collect();
        let l = Self::solve(&d, a, &c);
        let explained: f64 = l.iter().zip(&c).map(|(l, c)| l * c).sum();
        let left = match (self.own, self.outer) {
            (Some(i), false) => ratios[1] + ratios[0] / (1.0 + self.means[i].0 * ratios[0]),
            _ => (ratios[0] + ratios[1] - explained).max(0.0),
        };
        Weights { l, d, a, left }
    }

    /// Σ Cov(σᵢ², σⱼ²) rᵢ'S⁻¹rⱼ in units of σ⁴ in, σ² out; `covariance` is in units of σ⁴.
    fn estimated_weights(&self, w: &Weights, covariance: &[f64]) -> f64 {
        let k = (covariance.len() as f64).sqrt().round() as usize;
        let total: f64 = w.l.iter().sum();
        let r: Vec<Vec<f64>> = (0..k)
            .map(|level| {
                (0..w.l.len())
                    .map(|i| match level {
                        0 => -w.l[i] / self.means[i].0,
                        1 => f64::from(u8::from(self.own == Some(i))) - w.l[i],
                        _ if self.outer => 1.0 - total,
                        _ => 0.0,
                    })
                    .collect()
            })
            .collect();
        let mut sum = 0.0;
        for i in 0..k {
            let solved = Self::solve(&w.d, w.a, &r[i]);
            for j in 0..k {
                let product: f64 = solved.iter().zip(&r[j]).map(|(a, b)| a * b).sum();
                sum += covariance[i * k + j] * product;
            }
        }
        sum.max(0.0)
    }
}

impl GroupedFit {
    fn ratio_pair(&self) -> [f64; 2] {
        [self.ratios[0], self.ratios.get(1).copied().unwrap_or(0.0)]
    }

    fn check_row(&self, row: &[f64]) -> Result<()> {
        shape("entries of a row", row.len(), self.terms.len())?;
        match row.iter().position(|v| !v.is_finite()) {
            None => Ok(()),
            Some(j) => Err(Error::OutOfRange {
                at: Place::column(&self.terms[j]),
                value: row[j],
                accepted: "finite numbers".into(),
            }),
        }
    }

    fn known(&self) -> Result<&KnownGroups> {
        self.groups.as_ref().ok_or_else(|| {
            Error::missing(
                "groups",
                "this fit was stored without its groups; it predicts for new groups only",
            )
        })
    }

    /// x'β̂ and the fit's triangle applied: R⁻ᵀq.
    fn whiten(&self, q: &[f64]) -> Vec<f64> {
        let mut z = q.to_vec();
        solve_transposed(&self.factor, self.terms.len(), &mut z);
        z
    }

    fn fixed(&self, row: &[f64]) -> f64 {
        row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum()
    }

    fn quadratic(&self, level: usize, z: &[f64]) -> f64 {
        let p = z.len();
        (0..p).map(|j| z[j] * (0..p).map(|i| self.spread[level][j * p + i] * z[i]).sum::<f64>()).sum()
    }

    /// Satterthwaite's degrees of freedom of `f` (units of σ²) with slopes (σ², σ₁², σ₂²).
    fn freedom(&self, f: f64, slopes: &[f64]) -> f64 {
        let k = self.ratios.len() + 1;
        let slopes = vector(&slopes[..k]);
        let variance = slopes.dot(&(self.variance_covariance() * &slopes));
        let f = f * self.variance;
        // Fewer than one degree would make an interval of no use; more than the rows cannot be.
        let most = (self.rows as f64 - self.terms.len() as f64).max(1.0);
        if variance > 0.0 { (2.0 * f * f / variance).clamp(1.0, most) } else { most }
    }

    /// In units of σ = 1.
    fn relative_covariance(&self) -> Vec<f64> {
        self.variance_covariance.iter().map(|v| v / (self.variance * self.variance)).collect()
    }

    fn finish(&self, location: f64, f: f64, slopes: [f64; 3], weights: f64) -> Result<GroupedPrediction> {
        let scale = (self.variance * (f + 2.0 * weights)).sqrt();
        let df = self.freedom(f, &slopes);
        if !(location.is_finite() && scale.is_finite() && scale > 0.0 && df > 0.0) {
            return Err(Error::Invalid {
                at: Place::column("row"),
                reason: "the prediction is too large for a number (check the units of the row)".into(),
            });
        }
        Ok(GroupedPrediction { location, scale, df })
    }

    fn predict_with(&self, row: &[f64], bearing: &Bearing) -> Result<GroupedPrediction> {
        self.check_row(row)?;
        let (p, ratios) = (self.terms.len(), self.ratio_pair());
        let w = bearing.weights(ratios);
        let mut location = self.fixed(row);
        let mut q = row.to_vec();
        for (l, (_, mean)) in w.l.iter().zip(&bearing.means) {
            location += l * (mean[p] - self.fixed(&mean[..p]));
            for (q, x) in q.iter_mut().zip(*mean) {
                *q -= l * x;
            }
        }
        let z = self.whiten(&q);
        let f = 1.0 + w.left + z.iter().map(|z| z * z).sum::<f64>();
        // Rows of V⁻¹X̄R⁻¹ of the bearing groups, times z, and l: the weights λ summed by group.
        let mut sums = vec![0.0; p];
        for (d, (_, mean)) in w.d.iter().zip(&bearing.means) {
            for (s, x) in sums.iter_mut().zip(*mean) {
                *s += d * x;
            }
        }
        let (mut cross, mut squares, mut total, mut total_e, mut own) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (i, (_, mean)) in bearing.means.iter().enumerate() {
            let e: Vec<f64> = (0..p).map(|j| w.d[i] * (mean[j] - w.a * sums[j])).collect();
            let e: f64 = self.whiten(&e).iter().zip(&z).map(|(a, b)| a * b).sum();
            cross += w.l[i] * e;
            squares += w.l[i] * w.l[i];
            total += w.l[i];
            total_e += e;
            if bearing.own == Some(i) {
                own = e + w.l[i];
            }
        }
        let group = self.quadratic(0, &z) + 2.0 * cross + squares - 2.0 * own + 1.0;
        let outer = if self.ratios.len() < 2 {
            0.0
        } else {
            let shared = if bearing.outer {
                2.0 * total * total_e + total * total - 2.0 * (total_e + total)
            } else {
                0.0
            };
            self.quadratic(1, &z) + shared + 1.0
        };
        let slopes = [f - ratios[0] * group - ratios[1] * outer, group, outer];
        let weights = bearing.estimated_weights(&w, &self.relative_covariance());
        self.finish(location, f, slopes, weights)
    }

    /// A flake of a group that the fit has not seen (of an outer group it has not seen, where there are two
    /// levels). `row` holds the terms, in the order of [`terms`](GroupedFit::terms).
    ///
    /// # Errors
    /// [`Error::Shape`] or [`Error::OutOfRange`] when the row does not fit the terms.
    pub fn predict_new_group(&self, row: &[f64]) -> Result<GroupedPrediction> {
        self.predict_with(row, &Bearing { means: Vec::new(), own: None, outer: false })
    }

    /// The known groups of one outer group, or one group alone, that have flakes.
    fn bearing(&self, own: Option<usize>, outer: Option<usize>) -> Result<Bearing<'_>> {
        let known = self.known()?;
        let q = self.terms.len() + 1;
        let mut bearing = Bearing { means: Vec::new(), own: None, outer: outer.is_some() };
        for (g, &n) in known.sizes.iter().enumerate() {
            let bears = if outer.is_some() { known.names.outer_of(g) == outer } else { own == Some(g) };
            if bears && n > 0 {
                if own == Some(g) {
                    bearing.own = Some(bearing.means.len());
                }
                bearing.means.push((n as f64, &known.means[g * q..(g + 1) * q]));
            }
        }
        Ok(bearing)
    }

    fn bearing_of_group(&self, group: usize) -> Result<Bearing<'_>> {
        let known = self.known()?;
        if group >= self.group_count {
            return Err(Error::OutOfRange {
                at: Place::column("group"),
                value: group as f64,
                accepted: format!("whole numbers from 0, below {}", self.group_count),
            });
        }
        self.bearing(Some(group), known.names.outer_of(group))
    }

    fn bearing_of_outer(&self, outer: usize) -> Result<Bearing<'_>> {
        let count = self
            .outer_count
            .ok_or_else(|| Error::missing("outer group", "the fit has one level of groups only"))?;
        if outer >= count {
            return Err(Error::OutOfRange {
                at: Place::column("outer group"),
                value: outer as f64,
                accepted: format!("whole numbers from 0, below {count}"),
            });
        }
        self.bearing(None, Some(outer))
    }

    /// Another flake of a group of the fit (numbered as in its [`Groups`](super::Groups)).
    ///
    /// # Errors
    /// As [`predict_new_group`](GroupedFit::predict_new_group); also [`Error::OutOfRange`] at a group that
    /// does not exist, [`Error::Missing`] when the fit was stored without its groups.
    pub fn predict_known_group(&self, row: &[f64], group: usize) -> Result<GroupedPrediction> {
        self.predict_with(row, &self.bearing_of_group(group)?)
    }

    /// A flake of a new group of a known outer group: a new core of a known knapper.
    ///
    /// # Errors
    /// As [`predict_known_group`](GroupedFit::predict_known_group); also [`Error::Missing`] when there is
    /// one level only.
    pub fn predict_new_group_of(&self, row: &[f64], outer: usize) -> Result<GroupedPrediction> {
        self.predict_with(row, &self.bearing_of_outer(outer)?)
    }

    /// Another flake of a new group (of a new outer group) of which the flakes `known`, with the responses
    /// `known_y`, have been measured. Their deviation counts in so far as groups differ; they also count
    /// towards the coefficients, as they would if the table were fitted again with them at the same
    /// variances. With no known flake this is [`predict_new_group`](GroupedFit::predict_new_group).
    ///
    /// # Errors
    /// As [`predict_new_group`](GroupedFit::predict_new_group); also [`Error::Incomparable`],
    /// [`Error::Shape`] and [`Error::OutOfRange`] when the known flakes do not fit the terms.
    pub fn predict_with_some_known(
        &self,
        row: &[f64],
        known: &Design,
        known_y: &[f64],
    ) -> Result<GroupedPrediction> {
        self.check_row(row)?;
        let mut rows = GroupedRows::new(self.terms.clone(), 1);
        rows.observe(known, known_y, &vec![0; known_y.len()])?;
        let n = rows.rows() as f64;
        if n == 0.0 {
            return self.predict_new_group(row);
        }
        let p = self.terms.len();
        let q = p + 1;
        let ratio: f64 = self.ratios.iter().sum();
        let d = n / (1.0 + n * ratio);
        let mean = rows.mean(0);
        // The fit's triangle with R β beside it, and the whitened rows of the new group below.
        let mut r = vec![0.0; q * q];
        for j in 0..p {
            r[j * q..j * q + p].copy_from_slice(&self.factor[j * p..(j + 1) * p]);
            for i in 0..=j {
                r[p * q + i] += self.factor[j * p + i] * self.coefficients[j];
            }
        }
        let mut below = rows.within().to_vec();
        fold(&mut r, q, &mut below, q);
        let mut between: Vec<f64> = mean.iter().map(|v| d.sqrt() * v).collect();
        fold(&mut r, q, &mut between, 1);
        let mut coefficients = r[p * q..p * q + p].to_vec();
        solve_upper(&r, q, &mut coefficients);

        let fixed = |x: &[f64]| -> f64 { x.iter().zip(&coefficients).map(|(x, b)| x * b).sum() };
        let l = ratio * d;
        let location = fixed(row) + l * (mean[p] - fixed(&mean[..p]));
        let mut z: Vec<f64> = row.iter().zip(mean).map(|(x, m)| x - l * m).collect();
        solve_transposed(&r, q, &mut z);
        let f = 1.0 + ratio / (1.0 + n * ratio) + z.iter().map(|z| z * z).sum::<f64>();
        // λ on the fit's own rows is V⁻¹X h, on the new group's mean d x̄'h + l.
        let mut h = z;
        solve_upper(&r, q, &mut h);
        let on_mean = d * mean.iter().zip(&h).map(|(x, h)| x * h).sum::<f64>() + l;
        let in_old: Vec<f64> = (0..p).map(|i| (i..p).map(|j| self.factor[j * p + i] * h[j]).sum()).collect();
        let slope = |level: usize| self.quadratic(level, &in_old) + (on_mean - 1.0).powi(2);
        let ratios = self.ratio_pair();
        let group = slope(0);
        let outer = if self.ratios.len() == 2 { slope(1) } else { 0.0 };
        let slopes = [f - ratios[0] * group - ratios[1] * outer, group, outer];
        let r_parts = [-l / n, 1.0 - l, 1.0 - l];
        let k = self.ratios.len() + 1;
        let covariance = self.relative_covariance();
        let weights: f64 = (0..k)
            .flat_map(|i| (0..k).map(move |j| (i, j)))
            .map(|(i, j)| covariance[i * k + j] * r_parts[i] * r_parts[j] * d)
            .sum();
        self.finish(location, f, slopes, weights.max(0.0))
    }

    /// The effect of a group (numbered as in its [`Groups`](super::Groups)), its outer group's apart.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] at a group that does not exist, [`Error::Missing`] when the fit was stored
    /// without its groups.
    pub fn group_effect(&self, group: usize) -> Result<GroupEffect> {
        let bearing = self.bearing_of_group(group)?;
        let ratios = self.ratio_pair();
        let w = bearing.weights(ratios);
        let Some(own) = bearing.own else {
            return Ok(GroupEffect { effect: 0.0, conditional_sd: self.sd_between() });
        };
        let solved = Bearing::solve(&w.d, w.a, &self.departures(&bearing));
        let shrunken = ratios[0] / (1.0 + bearing.means[own].0 * ratios[0]);
        let left = shrunken + w.a * (ratios[0] * w.d[own]).powi(2);
        Ok(GroupEffect { effect: ratios[0] * solved[own], conditional_sd: (self.variance * left).sqrt() })
    }

    /// The effect of an outer group.
    ///
    /// # Errors
    /// As [`group_effect`](GroupedFit::group_effect); also [`Error::Missing`] when there is one level only.
    pub fn outer_effect(&self, outer: usize) -> Result<GroupEffect> {
        let bearing = self.bearing_of_outer(outer)?;
        let ratios = self.ratio_pair();
        let w = bearing.weights(ratios);
        let solved = Bearing::solve(&w.d, w.a, &self.departures(&bearing));
        let left = ratios[1] / (1.0 + ratios[1] * w.d.iter().sum::<f64>());
        Ok(GroupEffect {
            effect: ratios[1] * solved.iter().sum::<f64>(),
            conditional_sd: (self.variance * left).sqrt(),
        })
    }

    /// ȳ − X̄β̂ of the bearing groups.
    fn departures(&self, bearing: &Bearing) -> Vec<f64> {
        let p = self.terms.len();
        bearing.means.iter().map(|(_, mean)| mean[p] - self.fixed(&mean[..p])).collect()
    }

    /// Satterthwaite degrees of freedom for the t statistic of one coefficient, where there is such a term.
    pub fn coefficient_df(&self, term: usize) -> Option<f64> {
        let p = self.terms.len();
        if term >= p {
            return None;
        }
        let mut q = vec![0.0; p];
        q[term] = 1.0;
        let z = self.whiten(&q);
        let f: f64 = z.iter().map(|z| z * z).sum();
        let ratios = self.ratio_pair();
        let group = self.quadratic(0, &z);
        let outer = if self.ratios.len() == 2 { self.quadratic(1, &z) } else { 0.0 };
        Some(self.freedom(f, &[f - ratios[0] * group - ratios[1] * outer, group, outer]))
    }
}
