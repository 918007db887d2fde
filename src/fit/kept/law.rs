//! The law of the sizes of one flake that was kept: its log likelihood and slopes at one platform.
//!
//! ```text
//! y = mu + e^s L z,   z ~ N(0, I)                    up to four sizes, L the lower triangle of their covariance
//! ln p(y | kept) = ln p(y) - ln P(kept),   P(kept) = P(y_1 >= c or y_2 >= c)
//! ```
//!
//! Sizes that were not recorded are integrated out. The last size may be rounded: it then lies between two bounds,
//! given the others. P(kept) is one less the probability that two correlated normals are both below, by Gauss-Legendre
//! quadrature over the angle (Drezner & Wesolowsky 1990, J. Stat. Comput. Simul. 35:101, from memory); its error
//! against 30-digit arithmetic is below 1e-13 for correlations up to 0.95 (`tests.rs`).

use crate::special::normal_sf;
use nalgebra::DMatrix;
use std::f64::consts::PI;

/// Most sizes of a flake.
pub(super) const MOST: usize = 4;

/// Which flakes a table holds: those whose greatest of one or two sizes is at least so much.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Threshold {
    /// Places of the sizes that decide, one or two.
    pub(crate) sizes: Vec<usize>,
    /// The least, on the transformed scale.
    pub(crate) least: f64,
}

/// What was recorded of one flake.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen<'a> {
    /// The sizes, transformed; not a number where not recorded.
    pub(super) y: &'a [f64],
    /// Bit k set where size k was recorded.
    pub(super) mask: usize,
    /// Where the last size was rounded, what it lies between.
    pub(super) between: Option<(f64, f64)>,
    /// Whether it is in the table only because it was kept.
    pub(super) held: bool,
}

/// Log likelihood, and its slopes in the sizes' expected values and then in the log spread.
pub(super) type Slopes = (f64, [f64; MOST + 1]);

/// The lower triangle of the covariance of some of the sizes.
#[derive(Debug, Clone, Default)]
struct Factor {
    of: Vec<usize>,
    /// Row by row.
    l: [[f64; MOST]; MOST],
    ln_diagonal: [f64; MOST],
}

/// The law at one covariance of the sizes.
#[derive(Debug, Clone)]
pub(super) struct Law {
    factors: Vec<Option<Factor>>,
    threshold: Option<Threshold>,
    sd: [f64; MOST],
    correlation: f64,
    two: Two,
}

/// Nodes and weights of the 20-point Gauss-Legendre rule on -1 to 1, the positive half (Abramowitz & Stegun 1964,
/// table 25.4).
const LEGENDRE: [(f64, f64); 10] = [
    (0.076_526_521_133_497_33, 0.152_753_387_130_725_85),
    (0.227_785_851_141_645_08, 0.149_172_986_472_603_75),
    (0.373_706_088_715_419_56, 0.142_096_109_318_382_05),
    (0.510_867_001_950_827_1, 0.131_688_638_449_176_63),
    (0.636_053_680_726_515, 0.118_194_531_961_518_42),
    (0.746_331_906_460_150_8, 0.101_930_119_817_240_44),
    (0.839_116_971_822_218_8, 0.083_276_741_576_704_75),
    (0.912_234_428_251_326, 0.062_672_048_334_109_06),
    (0.963_971_927_277_913_8, 0.040_601_429_800_386_94),
    (0.993_128_599_185_094_9, 0.017_614_007_139_152_118),
];

fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// Two standard normals of one correlation.
#[derive(Debug, Clone)]
pub(crate) struct Two {
    half: f64,
    /// Each node's weight, the sine of its angle, and twice the square of its cosine.
    nodes: [[f64; 3]; 20],
}

impl Two {
    pub(crate) fn new(correlation: f64) -> Two {
        let half = 0.5 * correlation.asin();
        let mut nodes = [[0.0; 3]; 20];
        for (i, node) in nodes.iter_mut().enumerate() {
            let (x, weight) = LEGENDRE[i / 2];
            let (sin, cos) = (half * if i % 2 == 0 { 1.0 + x } else { 1.0 - x }).sin_cos();
            *node = [weight, sin, 2.0 * cos * cos];
        }
        Two { half, nodes }
    }

    /// Probability that both are above.
    pub(crate) fn both_above(&self, h: f64, k: f64) -> f64 {
        let (squares, twice) = (h * h + k * k, 2.0 * h * k);
        let at = |[weight, sin, by]: &[f64; 3]| weight * (-(squares - twice * sin) / by).exp();
        normal_sf(h) * normal_sf(k) + self.half * self.nodes.iter().map(at).sum::<f64>() / (2.0 * PI)
    }

    /// Probability that one of them is above.
    pub(super) fn either_above(&self, h: f64, k: f64) -> f64 {
        normal_sf(h) + normal_sf(k) - self.both_above(h, k)
    }
}

/// Probability between two bounds, from the nearer tail.
fn between(a: f64, b: f64) -> f64 {
    if a > 0.0 { normal_sf(a) - normal_sf(b) } else { normal_sf(-b) - normal_sf(-a) }
}

impl Law {
    /// None where the covariance is not positive definite.
    pub(super) fn new(covariance: &DMatrix<f64>, threshold: Option<&Threshold>) -> Option<Law> {
        let k = covariance.nrows();
        let mut factors = vec![None];
        for mask in 1usize..1 << k {
            let of: Vec<usize> = (0..k).filter(|j| mask >> j & 1 == 1).collect();
            let l = DMatrix::from_fn(of.len(), of.len(), |i, j| covariance[(of[i], of[j])]).cholesky()?.l();
            let mut f = Factor { of, ..Factor::default() };
            for i in 0..f.of.len() {
                (0..=i).for_each(|j| f.l[i][j] = l[(i, j)]);
                f.ln_diagonal[i] = l[(i, i)].ln();
            }
            factors.push(Some(f));
        }
        let mut sd = [0.0; MOST];
        (0..k).for_each(|j| sd[j] = covariance[(j, j)].sqrt());
        let correlation = match threshold.map(|t| &t.sizes[..]) {
            Some([a, b]) => covariance[(*a, *b)] / (sd[*a] * sd[*b]),
            _ => 0.0,
        };
        Some(Law { factors, threshold: threshold.cloned(), sd, correlation, two: Two::new(correlation) })
    }

    /// Log likelihood of a flake (less its constant) and slopes.
    pub(super) fn at(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> Slopes {
        self.weigh(seen, mu, ln_spread, true)
    }

    /// The log likelihood alone.
    pub(super) fn value(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> f64 {
        self.weigh(seen, mu, ln_spread, false).0
    }

    fn weigh(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64, with_slopes: bool) -> Slopes {
        let mut slopes = [0.0; MOST + 1];
        let Some(f) = &self.factors[seen.mask] else { return (0.0, slopes) };
        let n = f.of.len();
        let wide = (-ln_spread).exp();
        let mut z = [0.0; MOST];
        // a rounded size comes last
        let exact = if seen.between.is_some() { n - 1 } else { n };
        let mut value = 0.0;
        for i in 0..exact {
            let own = (0..i).map(|j| f.l[i][j] * z[j]).sum::<f64>();
            z[i] = ((seen.y[f.of[i]] - mu[f.of[i]]) * wide - own) / f.l[i][i];
            value -= 0.5 * z[i] * z[i] + f.ln_diagonal[i] + ln_spread;
            slopes[MOST] += z[i] * z[i] - 1.0;
        }
        if let Some((low, high)) = seen.between {
            let i = exact;
            let own = (0..i).map(|j| f.l[i][j] * z[j]).sum::<f64>();
            let at = |v: f64| ((v - mu[f.of[i]]) * wide - own) / f.l[i][i];
            let (a, b) = (at(low), at(high));
            let p = between(a, b);
            if p > 1e-290 {
                value += p.ln();
                z[i] = (density(a) - density(b)) / p;
                slopes[MOST] += (a * density(a) - b * density(b)) / p;
            } else {
                // so far out that the middle tells as much
                let middle = 0.5 * (a + b);
                value += -0.5 * middle * middle + (b - a).ln() - 0.5 * (2.0 * PI).ln();
                z[i] = middle;
                slopes[MOST] += middle * middle - 1.0;
            }
        }
        // L' g = z
        for i in (0..n).rev() {
            let later: f64 = (i + 1..n).map(|j| f.l[j][i] * slopes[f.of[j]] / wide).sum();
            slopes[f.of[i]] = (z[i] - later) / f.l[i][i] * wide;
        }
        if let Some(t) = self.threshold.as_ref().filter(|_| seen.held) {
            let at = |j: usize| (t.least - mu[j]) * wide / self.sd[j];
            match t.sizes[..] {
                [a] => {
                    let h = at(a);
                    let kept = normal_sf(h).max(1e-300);
                    let slope = density(h) / kept;
                    value -= kept.ln();
                    slopes[a] -= slope * wide / self.sd[a];
                    slopes[MOST] -= h * slope;
                }
                [a, b] => {
                    let (h, k, rho) = (at(a), at(b), self.correlation);
                    let kept = self.two.either_above(h, k).max(1e-300);
                    value -= kept.ln();
                    if !with_slopes {
                        return (value, slopes);
                    }
                    let rest = (1.0 - rho * rho).sqrt();
                    // both below: its slope in h is the density at h times the chance that the other is below
                    let in_h = density(h) * normal_sf((rho * h - k) / rest) / kept;
                    let in_k = density(k) * normal_sf((rho * k - h) / rest) / kept;
                    slopes[a] -= in_h * wide / self.sd[a];
                    slopes[b] -= in_k * wide / self.sd[b];
                    slopes[MOST] -= h * in_h + k * in_k;
                }
                _ => {}
            }
        }
        (value, slopes)
    }

    /// The curvature (second slopes) in the expected values and the log spread, by differences of the slopes.
    pub(super) fn curvature(
        &self,
        seen: &Seen<'_>,
        mu: &[f64; MOST],
        ln_spread: f64,
        spread: bool,
    ) -> Curvature {
        const STEP: f64 = 1e-5;
        let mut out = [[0.0; MOST + 1]; MOST + 1];
        let sizes = self.factors.len().trailing_zeros() as usize;
        for j in (0..sizes).chain(spread.then_some(MOST)) {
            let moved = |by: f64| {
                let (mut m, mut s) = (*mu, ln_spread);
                if j == MOST {
                    s += by
                } else {
                    m[j] += by
                }
                self.at(seen, &m, s).1
            };
            let (up, down) = (moved(STEP), moved(-STEP));
            for i in (0..sizes).chain(spread.then_some(MOST)) {
                out[i][j] += 0.25 * (up[i] - down[i]) / STEP;
                out[j][i] += 0.25 * (up[i] - down[i]) / STEP;
            }
        }
        out
    }
}

/// Second slopes.
pub(super) type Curvature = [[f64; MOST + 1]; MOST + 1];
