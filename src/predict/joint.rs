//! The four sizes of one flake together: draws, joint densities, and what a known size says of the rest.
//!
//! Each size keeps its own predictive; they are tied by a Gaussian copula with the correlation R of the
//! standardised residuals of the experiment. Within each component k of the mixture (the same settings or
//! termination for every size),
//!
//! ```text
//! z_j = N^-1( T( (g_j(size_j) - m_jk) / s_jk ; d_jk ) ),      z ~ N(0, R)
//! ```
//!
//! so every margin is exactly the predictive of that size. A known size a gives weight to the components
//! by its density there, and the others follow N(r z_a, 1 - r^2) in z within each.

use super::distribution::{Component, Interval, LEVEL, Predictive};
use super::estimate::Estimate;
use crate::error::{Error, Result};
use crate::form::Transform;
#[cfg(test)]
use crate::special::normal_ln_pdf;
use crate::special::{
    halved, normal_cdf, normal_quantile, normal_sf, student_ln_pdf, student_quantile, student_quantile_upper,
};
use nalgebra::{DMatrix, DVector};
use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal};

/// The sizes of one flake together.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::{Ask, Joint, Predictor};
/// use conchoid::strike::Strike;
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
/// let estimate = predictor.estimate(&strike, &Ask::default())?;
/// let joint = Joint::new(&estimate)?;
/// // a flake that turned out long is heavier than its platform alone would say
/// let plain = estimate.size("mass_g").unwrap().median();
/// let long = joint.given("length_mm", 80.0)?.interval("mass_g", 0.95)?;
/// assert!(long.median > plain);
/// assert!(joint.given("length_mm", -1.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Joint {
    names: Vec<String>,
    sizes: Vec<Predictive>,
    correlation: DMatrix<f64>,
    /// Lower Cholesky factor of the correlation.
    factor: DMatrix<f64>,
    /// How flakes of each component end, where sizes depend on it.
    endings: Vec<Option<String>>,
    /// Otherwise the probability of each termination.
    terminations: Vec<(String, f64)>,
}

/// One flake drawn from a [`Joint`]: its sizes by name, and how it ended where the calibration can tell.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct DrawnFlake {
    /// Each size by its column (`mass_g`), in the unit that the name ends in.
    pub sizes: Vec<(String, f64)>,
    /// `feather`, `hinge`, `step` or `overshot`.
    pub termination: Option<String>,
}

impl DrawnFlake {
    /// A size by its column name.
    pub fn size(&self, name: &str) -> Option<f64> {
        self.sizes.iter().find(|(n, _)| n == name).map(|(_, v)| *v)
    }
}

impl Joint {
    /// Ties the sizes of an estimate together.
    ///
    /// # Errors
    /// [`Error::Invalid`] when the correlation is not one, or the sizes are mixtures of different lengths.
    pub fn new(estimate: &Estimate) -> Result<Joint> {
        let k = estimate.sizes.len();
        let r = &estimate.residual_correlation;
        if estimate.kept.is_some() {
            return Err(Error::invalid("kept", "sizes given that a flake was kept are told one by one"));
        }
        let sizes: Vec<Predictive> = estimate.sizes.iter().map(|s| s.predictive.clone()).collect();
        let aligned = sizes.windows(2).all(|w| w[0].components().len() == w[1].components().len());
        if r.len() != k || r.iter().any(|row| row.len() != k) || !aligned {
            return Err(Error::invalid("correlation", "one row and column per size is needed"));
        }
        let correlation = DMatrix::from_fn(k, k, |i, j| r[i][j]);
        let factor = correlation
            .clone()
            .cholesky()
            .ok_or_else(|| Error::invalid("correlation", "must be positive definite"))?
            .l();
        let names = estimate.sizes.iter().map(|s| s.size.clone()).collect();
        let components = sizes.first().map_or(0, |p| p.components().len());
        let endings = match estimate.endings.len() == components {
            true => estimate.endings.clone(),
            false => vec![None; components],
        };
        let terminations = estimate.terminations.iter().map(|(t, p)| (t.clone(), p.value)).collect();
        Ok(Joint { names, sizes, correlation, factor, endings, terminations })
    }

    /// Draws one flake: sizes that agree with each other and with how it ended. `rng` is any generator of the crate
    /// `rand`, version 0.10, such as `rand_chacha::ChaCha8Rng` seeded with a number of your own.
    ///
    /// ```
    /// # use conchoid::{calibration::bundled, predict::{Ask, Joint, Predictor}, strike::Strike};
    /// use rand::SeedableRng;
    /// # let predictor = Predictor::new(bundled::named("controlled-glass")?)?;
    /// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
    /// let estimate = predictor.estimate(&strike, &Ask::default())?;
    /// let joint = Joint::new(&estimate)?;
    /// let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    /// let flake = joint.draw(&mut rng);
    /// assert!(flake.size("mass_g").unwrap() > 0.0 && flake.size("elevation").is_none());
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn draw<R: Rng + ?Sized>(&self, rng: &mut R) -> DrawnFlake {
        let (component, sizes) = self.sample_component(rng);
        let termination = self.endings[component].clone().or_else(|| {
            let last = self.terminations.last()?;
            let mut left: f64 = rng.random();
            let drawn = self.terminations.iter().find(|(_, p)| {
                left -= p;
                left < 0.0
            });
            Some(drawn.unwrap_or(last).0.clone())
        });
        DrawnFlake { sizes: self.names.iter().cloned().zip(sizes).collect(), termination }
    }

    /// Draws all sizes of one flake, in the order of the estimate; `rng` as in [`Joint::draw`].
    #[cfg(test)]
    pub(crate) fn sample<R: Rng + ?Sized>(&self, rng: &mut R) -> Vec<f64> {
        self.sample_component(rng).1
    }

    fn sample_component<R: Rng + ?Sized>(&self, rng: &mut R) -> (usize, Vec<f64>) {
        let weights = self.sizes[0].components();
        let mut left: f64 = rng.random();
        let component = weights
            .iter()
            .position(|c| {
                left -= c.weight;
                left < 0.0
            })
            .unwrap_or(weights.len() - 1);
        let e = DVector::from_fn(self.names.len(), |_, _| StandardNormal.sample(rng));
        let z: DVector<f64> = &self.factor * e;
        let sizes = self
            .sizes
            .iter()
            .zip(z.iter())
            .map(|(p, z)| p.transform().invert(at_normal(&p.components()[component], *z)))
            .collect();
        (component, sizes)
    }

    /// Log density of some of the sizes together, in one over their units; sizes not named are left open.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a size that is not there, [`Error::Invalid`] for one named twice or none.
    #[cfg(test)]
    pub(crate) fn ln_density(&self, sizes: &[(&str, f64)]) -> Result<f64> {
        let mut places = Vec::with_capacity(sizes.len());
        for (name, value) in sizes {
            let at = self.place(name)?;
            if places.iter().any(|(other, _)| *other == at) {
                return Err(Error::invalid(*name, "stands twice"));
            }
            places.push((at, *value));
        }
        if places.is_empty() {
            return Err(Error::invalid("sizes", "at least one is needed"));
        }
        let m = places.len();
        let block = DMatrix::from_fn(m, m, |i, j| self.correlation[(places[i].0, places[j].0)]);
        let factor =
            block.cholesky().ok_or_else(|| Error::invalid("correlation", "must be positive definite"))?;
        let ln_determinant: f64 = factor.l().diagonal().iter().map(|d| d.ln()).sum();
        let mut terms = Vec::new();
        for (k, first) in self.sizes[0].components().iter().enumerate() {
            let mut z = DVector::zeros(m);
            let mut ln = first.weight.ln() - ln_determinant;
            for (i, (at, value)) in places.iter().enumerate() {
                let p = &self.sizes[*at];
                let c = &p.components()[k];
                let v = p.transform().apply(*value);
                if !v.is_finite() {
                    return Ok(f64::NEG_INFINITY);
                }
                z[i] = c.normal_score(v);
                ln += student_ln_pdf((v - c.location) / c.scale, c.degrees_of_freedom) - c.scale.ln()
                    + p.transform().ln_jacobian(*value)
                    - normal_ln_pdf(z[i]);
            }
            let w = factor.l().solve_lower_triangular(&z).unwrap_or_else(|| z.clone());
            ln += w.iter().map(|x| normal_ln_pdf(*x)).sum::<f64>();
            terms.push(ln);
        }
        let largest = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !largest.is_finite() {
            return Ok(f64::NEG_INFINITY);
        }
        Ok(largest + terms.iter().map(|t| (t - largest).exp()).sum::<f64>().ln())
    }

    /// What the other sizes are, given that one is known.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a size that is not there, [`Error::OutOfRange`] for a value that the size
    /// cannot have.
    pub fn given(&self, name: &str, value: f64) -> Result<Given> {
        let known = self.place(name)?;
        let p = &self.sizes[known];
        let v = p.transform().apply(value);
        if !v.is_finite() {
            return Err(Error::OutOfRange {
                at: crate::error::Place::column(name),
                value,
                accepted: "above 0 and finite".to_string(),
            });
        }
        let mut ln_weights: Vec<f64> = p
            .components()
            .iter()
            .map(|c| {
                c.weight.ln() + student_ln_pdf((v - c.location) / c.scale, c.degrees_of_freedom)
                    - c.scale.ln()
            })
            .collect();
        let largest = ln_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        ln_weights.iter_mut().for_each(|w| *w = (*w - largest).exp());
        let total: f64 = ln_weights.iter().sum();
        let z: Vec<f64> = p.components().iter().map(|c| c.normal_score(v)).collect();
        let mut sizes = Vec::new();
        for (j, other) in self.sizes.iter().enumerate() {
            if j == known {
                continue;
            }
            let r = self.correlation[(known, j)];
            let parts = other
                .components()
                .iter()
                .zip(&ln_weights)
                .zip(&z)
                .filter(|((_, w), _)| **w > 0.0)
                .map(|((c, w), z)| Part {
                    weight: w / total,
                    base: *c,
                    centre: r * z,
                    spread: (1.0 - r * r).sqrt(),
                })
                .collect();
            sizes.push((self.names[j].clone(), Conditional { transform: other.transform(), parts }));
        }
        Ok(Given { sizes })
    }

    fn place(&self, name: &str) -> Result<usize> {
        self.names
            .iter()
            .position(|n| n == name)
            .ok_or_else(|| Error::unknown_name("size", name, self.names.iter().cloned()))
    }
}

/// The value under one component that has this normal score.
fn at_normal(c: &Component, z: f64) -> f64 {
    let t = if z <= 0.0 {
        student_quantile(normal_cdf(z), c.degrees_of_freedom)
    } else {
        student_quantile_upper(normal_sf(z), c.degrees_of_freedom)
    };
    c.location + c.scale * t
}

/// The other sizes of a flake of which one is known.
#[derive(Debug, Clone)]
pub struct Given {
    sizes: Vec<(String, Conditional)>,
}

impl Given {
    /// The distribution of one of the other sizes.
    pub(crate) fn size(&self, name: &str) -> Option<&Conditional> {
        self.sizes.iter().find(|(n, _)| n == name).map(|(_, c)| c)
    }

    /// The central interval of one of the other sizes.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a size that is not among them, [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn interval(&self, size: &str, level: f64) -> Result<Interval> {
        let names = || self.sizes.iter().map(|(n, _)| n.clone());
        self.size(size).ok_or_else(|| Error::unknown_name("size", size, names()))?.interval(level)
    }

    /// The other sizes and their distributions.
    #[cfg(test)]
    pub(crate) fn sizes(&self) -> impl Iterator<Item = (&str, &Conditional)> {
        self.sizes.iter().map(|(n, c)| (n.as_str(), c))
    }
}

#[derive(Debug, Clone, Copy)]
struct Part {
    weight: f64,
    base: Component,
    /// Mean and standard deviation of the normal score, given the known size.
    centre: f64,
    spread: f64,
}

/// The distribution of one size of a flake of which another size is known.
#[derive(Debug, Clone)]
pub(crate) struct Conditional {
    transform: Transform,
    parts: Vec<Part>,
}

impl Conditional {
    /// Probability that the size is at most this.
    #[cfg(test)]
    pub(crate) fn cdf(&self, size: f64) -> f64 {
        let v = self.transform.apply(size);
        if size.is_nan() {
            return f64::NAN;
        }
        if v.is_nan() {
            return 0.0;
        }
        self.cdf_at(v).clamp(0.0, 1.0)
    }

    /// The same as a predictive: each t is moved and narrowed by what the normal score says. Exact for normal errors;
    /// with 100 degrees of freedom and more the quantiles within 0.001 to 0.999 are off by less than a fiftieth of the
    /// scale.
    pub(crate) fn predictive(&self) -> Result<Predictive> {
        let moved = |p: &Part| Component {
            weight: p.weight,
            location: p.base.location + p.base.scale * p.centre,
            scale: p.base.scale * p.spread,
            degrees_of_freedom: p.base.degrees_of_freedom,
        };
        Predictive::new(self.transform, self.parts.iter().map(moved).collect())
    }

    fn cdf_at(&self, v: f64) -> f64 {
        self.parts.iter().map(|p| p.weight * normal_cdf((p.base.normal_score(v) - p.centre) / p.spread)).sum()
    }

    /// The size below which a flake falls with probability p.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < p < 1.
    pub(crate) fn quantile(&self, p: f64) -> Result<f64> {
        let p = LEVEL.check(p)?;
        let score = normal_quantile(p);
        let of = |part: &Part| at_normal(&part.base, part.centre + part.spread * score);
        if let [one] = &self.parts[..] {
            return Ok(self.transform.invert(of(one)));
        }
        // between the components' quantiles
        let low = self.parts.iter().map(of).fold(f64::INFINITY, f64::min);
        let high = self.parts.iter().map(of).fold(f64::NEG_INFINITY, f64::max);
        Ok(self.transform.invert(halved((low, high), |v| self.cdf_at(v) < p)))
    }

    /// The central interval of this level, with the median.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn interval(&self, level: f64) -> Result<Interval> {
        Ok(Interval::central(level, |p| self.quantile(p))?.in_order())
    }
}

#[cfg(test)]
mod tests;
