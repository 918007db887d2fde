//! The probability of a group of flakes under one hypothesis, integrated over what the flakes share.
//!
//! ```text
//! p(group) = integral N(v; 0, C) prod_i p_i(v) dv
//! p_i(v)   = sum_s w_is t(y_i; m_is + u, S_is, d_is) softmax(a_is + t)[end_i] logistic(+-(b_is + l))
//! ```
//!
//! with v = (u, t, l): a shift of every size (transformed scale), of the log odds of every termination, and of
//! the log odds of a lip; C holds what is uncertain about the coefficients at the middle of the group and how
//! far the site may be from the experiment; s runs over the settings of the blow that are not known; S has the
//! residual correlation R of the sizes, S_jk = s_j s_k R_jk, and one number of degrees of freedom for all sizes
//! of a piece, the harmonic mean of theirs (a multivariate t: a flake that is odd in one size is odd in all).
//!
//! The integral is by importance sampling about its mode: v = L x with C = L L', damped Newton in x with exact
//! first and second derivatives, then draws x = mode + A^(-T) z with A A' the curvature there and z standard
//! normal in pairs of opposite sign. Where the integrand is exactly normal all weights are equal and the
//! answer is exact.

use crate::special::{chi_squared_sf, ln_sum, normal_quantile_upper, student_sf};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use statrs::function::gamma::ln_gamma;

/// One way in which a flake may have come about.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    /// ln of its weight.
    pub ln_weight: f64,
    /// Expected transformed sizes, for the sizes observed.
    pub location: Vec<f64>,
    /// Their scales.
    pub scale: Vec<f64>,
    /// Degrees of freedom of all of them.
    pub degrees_of_freedom: f64,
    /// Log odds of the terminations against the first; empty where terminations are left out.
    pub ends: Vec<f64>,
    /// Which termination this piece has: none stands for the first.
    pub ended: Option<usize>,
    /// Log odds of a lip.
    pub lip: f64,
}

/// One flake.
#[derive(Debug, Clone)]
pub(super) struct Seen {
    /// Observed sizes, as places among the sizes of the group.
    pub sizes: Vec<usize>,
    /// Their transformed values.
    pub values: Vec<f64>,
    /// What turns a density on the transformed scale into one of the sizes themselves.
    pub ln_jacobian: f64,
    /// Whether it has a lip; none where that is not used.
    pub lip: Option<bool>,
    pub pieces: Vec<Piece>,
}

/// A group of flakes under one hypothesis.
#[derive(Debug)]
pub(super) struct Group {
    sizes: usize,
    /// Lower factor of the covariance of what is shared.
    shared: DMatrix<f64>,
    flakes: Vec<Ready>,
}

/// A flake with its correlations factored and its constants summed.
#[derive(Debug)]
struct Ready {
    seen: Seen,
    /// Lower factor of the correlation of the observed sizes.
    factor: DMatrix<f64>,
    /// For each piece the terms that do not depend on what is shared.
    constant: Vec<f64>,
    /// Sizes, and log odds of terminations, of the group: what is shared begins with these.
    sizes: usize,
    ends: usize,
}

/// The answer: ln p(group), and the ln weights of the draws behind it (their mean weight is p).
#[derive(Debug, Clone)]
pub(super) struct Evidence {
    pub ln: f64,
    pub ln_weights: Vec<f64>,
}

/// How a group agrees with a hypothesis: its flakes with each other, and together with what is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Agreement {
    /// How many times as widely spread as expected they are about their own middle.
    pub times: f64,
    /// Probability of being spread so widely or more.
    pub among: f64,
    /// Probability of a middle so far or farther from what is expected, shifts of the site included.
    pub with: f64,
}

/// Degrees of freedom beyond which a t is a normal to the last digit that matters here. This crate's choice, no source.
const AS_GOOD_AS_NORMAL: f64 = 1e9;
/// Newton steps allowed; the integral is right wherever they stop, only less sharp. This crate's choice, no source.
const STEPS: usize = 60;

/// ln of the logistic function.
fn ln_logistic(x: f64) -> f64 {
    if x >= 0.0 { -(-x).exp().ln_1p() } else { x - x.exp().ln_1p() }
}

/// ln mean exp of ln weights.
pub(super) fn ln_mean(ln_weights: &[f64]) -> f64 {
    ln_sum(ln_weights.iter().copied()) - (ln_weights.len() as f64).ln()
}

/// Room for one evaluation of a flake, so that draws do not allocate.
struct Scratch {
    /// What is shared, as shifts.
    shift: DVector<f64>,
    residual: Vec<f64>,
    terms: Vec<f64>,
}

impl Group {
    /// `correlation` is of all sizes of the group; `shared` the covariance of sizes, log odds of terminations
    /// (`ends` of them) and of the lip, in this order. None where either is not positive definite.
    pub fn new(
        correlation: &DMatrix<f64>,
        ends: usize,
        shared: DMatrix<f64>,
        flakes: Vec<Seen>,
    ) -> Option<Group> {
        let shared = Cholesky::new(shared)?.unpack();
        let sizes = correlation.nrows();
        let mut ready = Vec::with_capacity(flakes.len());
        for seen in flakes {
            let k = seen.sizes.len();
            let own = DMatrix::from_fn(k, k, |a, b| correlation[(seen.sizes[a], seen.sizes[b])]);
            let factor = Cholesky::new(own)?.unpack();
            let ln_det: f64 = (0..k).map(|a| factor[(a, a)].ln()).sum();
            let constant = seen.pieces.iter().map(|p| seen.ln_jacobian - ln_det + constant(p)).collect();
            ready.push(Ready { seen, factor, constant, sizes, ends });
        }
        Some(Group { sizes, shared, flakes: ready })
    }

    /// Entries of what is shared.
    pub fn dimension(&self) -> usize {
        self.shared.nrows()
    }

    /// How the group agrees with the hypothesis in the sizes that all its flakes have. Each size becomes a normal score under
    /// the mixture of the ways in which the flake may have come about, taken as one t of their mean and variance; then
    ///
    /// ```text
    ///   among   sum_i (z_i - z)' R^-1 (z_i - z)  ~  chi squared, (n - 1) k     with   z' (R / n + D C D)^-1 z  ~  chi squared, k
    /// ```
    ///
    /// with k sizes, z their mean over n flakes, D one over the middling scales and C what the flakes share.
    pub fn agreement(&self) -> Agreement {
        let open = Agreement { times: 1.0, among: 1.0, with: 1.0 };
        let all = |j: &usize| self.flakes.iter().all(|f| f.seen.sizes.contains(j));
        let sizes: Vec<usize> = (0..self.sizes).filter(all).collect();
        let (n, k) = (self.flakes.len(), sizes.len());
        if n == 0 || k == 0 {
            return open;
        }
        let mut scores = DMatrix::zeros(n, k);
        let mut scale = vec![0.0; k];
        for (i, f) in self.flakes.iter().enumerate() {
            for (c, j) in sizes.iter().enumerate() {
                let at = f.seen.sizes.iter().position(|s| s == j).unwrap_or(0);
                let total: f64 = f.seen.pieces.iter().map(|p| p.ln_weight.exp()).sum();
                let mean = |of: &dyn Fn(&Piece) -> f64| -> f64 {
                    f.seen.pieces.iter().map(|p| p.ln_weight.exp() / total * of(p)).sum()
                };
                let middle = mean(&|p| p.location[at]);
                let square = mean(&|p| p.scale[at].powi(2) + (p.location[at] - middle).powi(2));
                let df = 1.0 / mean(&|p| 1.0 / p.degrees_of_freedom);
                let t = (f.seen.values[at] - middle) / square.sqrt();
                let tail = student_sf(t.abs(), df).max(f64::MIN_POSITIVE);
                scores[(i, c)] = normal_quantile_upper(tail).max(0.0).copysign(t);
                scale[c] += square.sqrt() / n as f64;
            }
        }
        // the correlation of the first flake's sizes, of which these are some
        let first = &self.flakes[0];
        let own = &first.factor * first.factor.transpose();
        let places: Vec<usize> =
            sizes.iter().filter_map(|j| first.seen.sizes.iter().position(|s| s == j)).collect();
        let r = DMatrix::from_fn(k, k, |a, b| own[(places[a], places[b])]);
        let c = &self.shared * self.shared.transpose();
        let together = DMatrix::from_fn(k, k, |a, b| {
            r[(a, b)] / n as f64 + c[(sizes[a], sizes[b])] / (scale[a] * scale[b])
        });
        let (Some(r), Some(together)) = (Cholesky::new(r), Cholesky::new(together)) else { return open };
        let mean = DVector::from_fn(k, |c, _| scores.column(c).mean());
        let length = |by: &Cholesky<f64, Dyn>, z: &DVector<f64>| {
            by.l().solve_lower_triangular(z).map_or(f64::NAN, |w| w.norm_squared())
        };
        let among: f64 = (0..n).map(|i| length(&r, &(scores.row(i).transpose() - &mean))).sum();
        let freedom = ((n - 1) * k) as f64;
        if !among.is_finite() {
            return open;
        }
        Agreement {
            times: if n > 1 { (among / freedom).sqrt() } else { 1.0 },
            among: if n > 1 { chi_squared_sf(among, freedom) } else { 1.0 },
            with: chi_squared_sf(length(&together, &mean), k as f64),
        }
    }

    /// The same flakes as if nobody had looked for lips.
    pub fn without_lips(mut self) -> Group {
        self.flakes.iter_mut().for_each(|f| f.seen.lip = None);
        self
    }

    /// ln p(group), from standard normal draws of at least [`Group::dimension`] entries each.
    pub fn evidence(&self, normals: &[Vec<f64>]) -> Evidence {
        let d = self.dimension();
        let (mode, curvature) = self.mode();
        let ln_det: f64 = (0..d).map(|i| curvature[(i, i)].ln()).sum();
        let mut scratch = self.scratch();
        let mut ln_weights = Vec::with_capacity(2 * normals.len());
        let (mut step, mut x) = (DVector::zeros(d), DVector::zeros(d));
        for z in normals {
            step.iter_mut().enumerate().for_each(|(i, s)| *s = z.get(i).copied().unwrap_or(0.0));
            let half = 0.5 * step.norm_squared() - ln_det;
            curvature.tr_solve_lower_triangular_mut(&mut step);
            for sign in [1.0, -1.0] {
                x.zip_zip_apply(&mode, &step, |x, m, s| *x = m + sign * s);
                ln_weights.push(self.ln_likelihood(&x, &mut scratch) - 0.5 * x.norm_squared() + half);
            }
        }
        Evidence { ln: ln_mean(&ln_weights), ln_weights }
    }

    fn scratch(&self) -> Scratch {
        let shift = DVector::zeros(self.dimension());
        Scratch { shift, residual: vec![0.0; self.sizes], terms: Vec::new() }
    }

    /// sum_i ln p_i at v = L x.
    fn ln_likelihood(&self, x: &DVector<f64>, scratch: &mut Scratch) -> f64 {
        let Scratch { shift, residual, terms } = scratch;
        self.shared.mul_to(x, shift);
        self.flakes.iter().map(|f| f.ln_density(shift.as_slice(), residual, terms)).sum()
    }

    /// Where the integrand is highest, and the lower factor of minus its second derivatives there.
    fn mode(&self) -> (DVector<f64>, DMatrix<f64>) {
        let d = self.dimension();
        let mut scratch = self.scratch();
        let mut x = DVector::zeros(d);
        let mut value = self.ln_likelihood(&x, &mut scratch);
        for _ in 0..STEPS {
            let (gradient, factor) = self.curved(&x);
            let step = factor.solve(&gradient);
            let gain = gradient.dot(&step);
            if !(gain > 1e-14) {
                break;
            }
            let mut length = 1.0;
            let moved = loop {
                let trial = &x + length * &step;
                let there = self.ln_likelihood(&trial, &mut scratch) - 0.5 * trial.norm_squared();
                if there >= value + 1e-4 * length * gain {
                    break Some((trial, there));
                }
                length *= 0.5;
                if length < 1e-6 {
                    break None;
                }
            };
            match moved {
                Some((trial, there)) => (x, value) = (trial, there),
                None => break,
            }
        }
        let (_, factor) = self.curved(&x);
        (x, factor.unpack())
    }

    /// Gradient of the log integrand at x and the factor of its curvature, ridged where it is not positive.
    fn curved(&self, x: &DVector<f64>) -> (DVector<f64>, Cholesky<f64, Dyn>) {
        let d = self.dimension();
        let v = &self.shared * x;
        let mut gradient = DVector::zeros(d);
        let mut hessian = DMatrix::zeros(d, d);
        for f in &self.flakes {
            f.add_derivatives(v.as_slice(), &mut gradient, &mut hessian);
        }
        let gradient = self.shared.tr_mul(&gradient) - x;
        let curvature = DMatrix::identity(d, d) - self.shared.tr_mul(&hessian) * &self.shared;
        let curvature = 0.5 * (&curvature + curvature.transpose());
        let mut ridge = 0.0;
        for _ in 0..60 {
            if let Some(factor) = Cholesky::new(&curvature + DMatrix::identity(d, d) * ridge) {
                return (gradient, factor);
            }
            ridge = if ridge == 0.0 { 0.1 } else { 2.0 * ridge };
        }
        // only numbers that are not finite get here: the draws then come from the prior
        let plain = Cholesky::new_unchecked(DMatrix::identity(d, d));
        (DVector::zeros(d), plain)
    }
}

/// The terms of a piece that do not depend on what is shared.
fn constant(p: &Piece) -> f64 {
    let k = p.location.len() as f64;
    let nu = p.degrees_of_freedom;
    let norm = if nu < AS_GOOD_AS_NORMAL {
        ln_gamma(0.5 * (nu + k)) - ln_gamma(0.5 * nu) - 0.5 * k * (nu * std::f64::consts::PI).ln()
    } else {
        -0.5 * k * (2.0 * std::f64::consts::PI).ln()
    };
    p.ln_weight + norm - p.scale.iter().map(|s| s.ln()).sum::<f64>()
}

impl Ready {
    /// Squared distance of a piece from what was seen; the residual, divided by scale and decorrelated, is left
    /// in `out`.
    fn distance(&self, p: &Piece, v: &[f64], out: &mut [f64]) -> f64 {
        let mut sum = 0.0;
        for a in 0..p.location.len() {
            let mut r = (self.seen.values[a] - p.location[a] - v[self.seen.sizes[a]]) / p.scale[a];
            for (b, o) in out[..a].iter().enumerate() {
                r -= self.factor[(a, b)] * o;
            }
            out[a] = r / self.factor[(a, a)];
            sum += out[a] * out[a];
        }
        sum
    }

    fn ln_piece(&self, i: usize, v: &[f64], out: &mut [f64]) -> f64 {
        let (p, sizes, ends) = (&self.seen.pieces[i], self.sizes, self.ends);
        let q = self.distance(p, v, out);
        let nu = p.degrees_of_freedom;
        let mut ln = self.constant[i];
        ln -= if nu < AS_GOOD_AS_NORMAL {
            0.5 * (nu + p.location.len() as f64) * (q / nu).ln_1p()
        } else {
            0.5 * q
        };
        if !p.ends.is_empty() {
            let shifted = p.ends.iter().zip(&v[sizes..sizes + ends]).map(|(a, t)| a + t);
            let own = p.ended.map_or(0.0, |k| p.ends[k] + v[sizes + k]);
            ln += own - ln_sum(std::iter::once(0.0).chain(shifted));
        }
        if let Some(lip) = self.seen.lip {
            let b = p.lip + v[sizes + ends];
            ln += ln_logistic(if lip { b } else { -b });
        }
        ln
    }

    fn ln_density(&self, v: &[f64], residual: &mut [f64], terms: &mut Vec<f64>) -> f64 {
        if self.seen.pieces.len() == 1 {
            return self.ln_piece(0, v, residual);
        }
        terms.clear();
        terms.extend((0..self.seen.pieces.len()).map(|i| self.ln_piece(i, v, residual)));
        ln_sum(terms.iter().copied())
    }

    /// Adds first and second derivatives of ln p_i with respect to v.
    fn add_derivatives(&self, v: &[f64], gradient: &mut DVector<f64>, hessian: &mut DMatrix<f64>) {
        let n = self.seen.pieces.len();
        let mut out = vec![0.0; self.sizes];
        let terms: Vec<f64> = (0..n).map(|i| self.ln_piece(i, v, &mut out)).collect();
        let total = ln_sum(terms.iter().copied());
        if !total.is_finite() {
            return;
        }
        let d = gradient.len();
        let mut mean = DVector::zeros(d);
        for (i, t) in terms.iter().enumerate() {
            let share = (t - total).exp();
            if share < 1e-14 {
                continue;
            }
            let (g, h) = self.piece_derivatives(&self.seen.pieces[i], v);
            *hessian += share * (h + &g * g.transpose());
            mean += share * g;
        }
        *hessian -= &mean * mean.transpose();
        *gradient += mean;
    }

    /// Gradient and second derivatives of one piece.
    fn piece_derivatives(&self, p: &Piece, v: &[f64]) -> (DVector<f64>, DMatrix<f64>) {
        let (mut g, mut h) = (DVector::zeros(v.len()), DMatrix::zeros(v.len(), v.len()));
        let (k, sizes, ends) = (p.location.len(), self.sizes, self.ends);
        let mut r = vec![0.0; k];
        let q = self.distance(p, v, &mut r);
        let nu = p.degrees_of_freedom;
        let (w, bend) = if nu < AS_GOOD_AS_NORMAL {
            let w = (nu + k as f64) / (nu + q);
            (w, 2.0 * w * w / (nu + k as f64))
        } else {
            (1.0, 0.0)
        };
        // inverse of (diag(scale) factor): its transpose takes the decorrelated residual back
        let whole = DMatrix::from_fn(k, k, |a, b| p.scale[a] * self.factor[(a, b)]);
        let inverse =
            whole.solve_lower_triangular(&DMatrix::identity(k, k)).unwrap_or_else(|| DMatrix::zeros(k, k));
        let b = inverse.tr_mul(&DVector::from_vec(r));
        let precision = inverse.tr_mul(&inverse);
        for (i, si) in self.seen.sizes.iter().enumerate() {
            g[*si] += w * b[i];
            for (j, sj) in self.seen.sizes.iter().enumerate() {
                h[(*si, *sj)] += bend * b[i] * b[j] - w * precision[(i, j)];
            }
        }
        if !p.ends.is_empty() {
            let a: Vec<f64> = p.ends.iter().zip(&v[sizes..]).map(|(a, t)| a + t).collect();
            let total = ln_sum(std::iter::once(0.0).chain(a.iter().copied()));
            let chance: Vec<f64> = a.iter().map(|a| (a - total).exp()).collect();
            for i in 0..ends {
                g[sizes + i] += f64::from(u8::from(p.ended == Some(i))) - chance[i];
                for j in 0..ends {
                    let own = if i == j { chance[i] } else { 0.0 };
                    h[(sizes + i, sizes + j)] -= own - chance[i] * chance[j];
                }
            }
        }
        if let Some(lip) = self.seen.lip {
            let at = sizes + ends;
            let chance = ln_logistic(p.lip + v[at]).exp();
            g[at] += if lip { 1.0 - chance } else { -chance };
            h[(at, at)] -= chance * (1.0 - chance);
        }
        (g, h)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn piece(
        ln_weight: f64,
        location: &[f64],
        df: f64,
        ends: &[f64],
        ended: Option<usize>,
        lip: f64,
    ) -> Piece {
        Piece {
            ln_weight,
            location: location.to_vec(),
            scale: vec![0.4, 0.7][..location.len()].to_vec(),
            degrees_of_freedom: df,
            ends: ends.to_vec(),
            ended,
            lip,
        }
    }

    fn mixed() -> Group {
        let correlation = DMatrix::from_row_slice(2, 2, &[1.0, 0.6, 0.6, 1.0]);
        let shared = DMatrix::from_fn(5, 5, |i, j| if i == j { 0.3 + 0.1 * i as f64 } else { 0.05 });
        let flakes = (0..4)
            .map(|i| Seen {
                sizes: if i == 2 { vec![1] } else { vec![0, 1] },
                values: if i == 2 { vec![0.9] } else { vec![0.3 * i as f64, 1.0 - 0.5 * i as f64] },
                ln_jacobian: 0.2,
                lip: [Some(true), None, Some(false), Some(true)][i],
                pieces: (0..2)
                    .map(|s| {
                        let at = [0.1 + s as f64, 0.5 - s as f64];
                        let at = if i == 2 { &at[1..] } else { &at[..] };
                        let df = if s == 0 { 5.0 } else { f64::INFINITY };
                        let ended = [None, Some(0), Some(1), None][i];
                        piece([0.7f64, 0.3][s].ln(), at, df, &[-0.3, 0.2], ended, 0.4 - s as f64)
                    })
                    .collect(),
            })
            .collect();
        Group::new(&correlation, 2, shared, flakes).unwrap()
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let group = mixed();
        let mut scratch = group.scratch();
        let x = DVector::from_vec(vec![0.2, -0.4, 0.3, 0.1, -0.6]);
        let value = |x: &DVector<f64>, s: &mut Scratch| group.ln_likelihood(x, s);
        let v = &group.shared * &x;
        let (mut g, mut h) = (DVector::zeros(5), DMatrix::zeros(5, 5));
        for f in &group.flakes {
            f.add_derivatives(v.as_slice(), &mut g, &mut h);
        }
        let (g, h) = (group.shared.tr_mul(&g), group.shared.tr_mul(&h) * &group.shared);
        let e = 1e-4;
        let unit = |i: usize| DVector::from_fn(5, |k, _| if k == i { e } else { 0.0 });
        for i in 0..5 {
            let slope =
                (value(&(&x + unit(i)), &mut scratch) - value(&(&x - unit(i)), &mut scratch)) / (2.0 * e);
            assert!((slope - g[i]).abs() < 1e-7, "{i}: {slope} {}", g[i]);
            for j in 0..5 {
                let mut at = |a: f64, b: f64| value(&(&x + a * unit(i) + b * unit(j)), &mut scratch);
                let bend = (at(1.0, 1.0) - at(1.0, -1.0) - at(-1.0, 1.0) + at(-1.0, -1.0)) / (4.0 * e * e);
                assert!((bend - h[(i, j)]).abs() < 1e-5, "{i} {j}: {bend} {}", h[(i, j)]);
            }
        }
    }

    #[test]
    fn importance_sampling_agrees_with_plain_averaging_over_the_prior() {
        let group = mixed();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let normals: Vec<Vec<f64>> =
            (0..2000).map(|_| (0..5).map(|_| StandardNormal.sample(&mut rng)).collect()).collect();
        let found = group.evidence(&normals).ln;
        let mut scratch = group.scratch();
        let plain: Vec<f64> = (0..200_000)
            .map(|_| {
                let x = DVector::from_fn(5, |_, _| StandardNormal.sample(&mut rng));
                group.ln_likelihood(&x, &mut scratch)
            })
            .collect();
        assert!((found - ln_mean(&plain)).abs() < 0.02, "{found} {}", ln_mean(&plain));
    }

    #[test]
    fn a_normal_integrand_is_integrated_exactly() {
        // y_i ~ N(m + u, R), u ~ N(0, C): jointly normal over both flakes
        let correlation = DMatrix::from_row_slice(2, 2, &[1.0, 0.6, 0.6, 1.0]);
        let shared = DMatrix::from_row_slice(2, 2, &[0.2, 0.05, 0.05, 0.3]);
        let values = [[0.3, -0.2], [1.1, 0.4]];
        let flakes = values
            .iter()
            .map(|v| Seen {
                sizes: vec![0, 1],
                values: v.to_vec(),
                ln_jacobian: 0.0,
                lip: None,
                pieces: vec![piece(0.0, &[0.1, 0.2], f64::INFINITY, &[], None, 0.0)],
            })
            .collect();
        let group = Group::new(&correlation, 0, shared.clone(), flakes).unwrap();
        let normals = vec![vec![0.3, -1.2], vec![2.0, 0.7]];
        let found = group.evidence(&normals);
        let scale = [0.4, 0.7];
        let whole = DMatrix::from_fn(4, 4, |i, j| {
            let own =
                if i / 2 == j / 2 { scale[i % 2] * scale[j % 2] * correlation[(i % 2, j % 2)] } else { 0.0 };
            own + shared[(i % 2, j % 2)]
        });
        let r = DVector::from_fn(4, |i, _| values[i / 2][i % 2] - [0.1, 0.2][i % 2]);
        let factor = Cholesky::new(whole).unwrap();
        let expected = -0.5 * (r.dot(&factor.solve(&r)) + factor.ln_determinant())
            - 2.0 * (2.0 * std::f64::consts::PI).ln();
        assert!((found.ln - expected).abs() < 1e-12, "{} {expected}", found.ln);
        for w in &found.ln_weights {
            assert!((w - expected).abs() < 1e-12);
        }
    }
}
