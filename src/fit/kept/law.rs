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

/// Second slopes.
type Curvature = [[f64; MOST + 1]; MOST + 1];

/// The lower triangle of the covariance of some of the sizes.
#[derive(Debug, Clone, Default)]
struct Factor {
    of: Vec<usize>,
    /// Row by row, and its inverse.
    l: [[f64; MOST]; MOST],
    inverse: [[f64; MOST]; MOST],
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
#[derive(Debug, Clone, PartialEq)]
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

impl Law {
    /// None where the covariance is not positive definite.
    pub(super) fn new(covariance: &DMatrix<f64>, threshold: Option<&Threshold>) -> Option<Law> {
        let k = covariance.nrows();
        let mut factors = vec![None];
        for mask in 1usize..1 << k {
            let of: Vec<usize> = (0..k).filter(|j| mask >> j & 1 == 1).collect();
            let l = DMatrix::from_fn(of.len(), of.len(), |i, j| covariance[(of[i], of[j])]).cholesky()?.l();
            let inverse = l.solve_lower_triangular(&DMatrix::identity(of.len(), of.len()))?;
            let mut f = Factor { of, ..Factor::default() };
            for i in 0..f.of.len() {
                (0..=i).for_each(|j| (f.l[i][j], f.inverse[i][j]) = (l[(i, j)], inverse[(i, j)]));
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

    /// Log likelihood of a flake, less its constant.
    pub(super) fn value(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> f64 {
        self.value_seen(seen, mu, ln_spread) - self.ln_kept(seen, mu, ln_spread)
    }

    /// The same with the chance of having been kept taken over values about what is expected.
    pub(super) fn value_about(&self, seen: &Seen<'_>, mu: &[f64; MOST], about: &[[f64; MOST]]) -> f64 {
        let kept = about.iter().map(|at| self.ln_kept(seen, at, 0.0)).sum::<f64>();
        self.value_seen(seen, mu, 0.0) - kept / about.len() as f64
    }

    fn value_seen(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> f64 {
        let Some(f) = &self.factors[seen.mask] else { return 0.0 };
        let Standardised { exact, z, rounded } = f.standardised(seen, mu, ln_spread);
        let own: f64 = (0..exact).map(|i| 0.5 * z[i].powi(2) + f.ln_diagonal[i] + ln_spread).sum();
        let within = rounded.map_or(0.0, |(a, b)| Between::new(a, b).value);
        within - own
    }

    fn ln_kept(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> f64 {
        self.chance(seen, mu, ln_spread).map_or(0.0, |(kept, ..)| kept.ln())
    }

    /// Log likelihood, its slopes and its curvature.
    pub(super) fn at(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> Part {
        let (mut all, kept) = (self.seen_part(seen, mu, ln_spread), self.kept_part(seen, mu, ln_spread));
        all.value -= kept.value;
        for i in 0..=MOST {
            all.slopes[i] -= kept.slopes[i];
            (0..=MOST).for_each(|j| all.curvature[i][j] -= kept.curvature[i][j]);
        }
        all
    }

    /// Slopes of the log likelihood in the covariance of the sizes: half the curvature of a probability in the expected
    /// values is its slope in the covariance (the heat equation of the normal law), so ln p has (H + s s') / 2.
    pub(super) fn slopes_in_covariance(
        &self,
        seen: &Seen<'_>,
        mu: &[f64; MOST],
        about: &[[f64; MOST]],
    ) -> [[f64; MOST]; MOST] {
        let mut out = [[0.0; MOST]; MOST];
        let mut add = |p: &Part, by: f64| {
            for i in 0..MOST {
                (0..MOST).for_each(|j| out[i][j] += by * (p.curvature[i][j] + p.slopes[i] * p.slopes[j]));
            }
        };
        add(&self.seen_part(seen, mu, 0.0), 0.5);
        about.iter().for_each(|at| add(&self.kept_part(seen, at, 0.0), -0.5 / about.len() as f64));
        out
    }

    /// The log probability of what was seen.
    fn seen_part(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> Part {
        let mut all = Part::default();
        let Some(f) = &self.factors[seen.mask] else { return all };
        let wide = (-ln_spread).exp();
        let Standardised { exact, z, rounded } = f.standardised(seen, mu, ln_spread);
        for i in 0..exact {
            // z has the slopes -wide x (row i of the inverse) in the expected values and -z in the log spread
            all.value -= 0.5 * z[i] * z[i] + f.ln_diagonal[i] + ln_spread;
            all.slopes[MOST] -= 1.0;
            all.add(&f.load(i, wide, -z[i]), -z[i], -1.0);
            all.bend(&f.load(i, wide, -z[i]), z[i], -z[i]);
        }
        if let Some((a, b)) = rounded {
            let (p, at) = (Between::new(a, b), [f.load(exact, wide, -a), f.load(exact, wide, -b)]);
            all.value += p.value;
            all.add(&at[0], p.slopes[0], p.curvature[0]);
            all.add(&at[1], p.slopes[1], p.curvature[1]);
            all.cross(&at, p.curvature[2]);
            all.bend(&at[0], a, p.slopes[0]);
            all.bend(&at[1], b, p.slopes[1]);
        }
        all
    }

    /// The log probability of having been kept.
    fn kept_part(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> Part {
        let (mut kept, wide) = (Part::default(), (-ln_spread).exp());
        let Some((chance, h, k)) = self.chance(seen, mu, ln_spread) else { return kept };
        kept.value = chance.ln();
        let Some(t) = &self.threshold else { return kept };
        let load = |j: usize, at: f64| {
            let mut load = [0.0; MOST + 1];
            (load[j], load[MOST]) = (-wide / self.sd[j], -at);
            load
        };
        // the chance falls with h by its density there times the chance that the other is below
        match t.sizes[..] {
            [a] => {
                let slope = -density(h) / chance;
                kept.add(&load(a, h), slope, -h * slope - slope * slope);
                kept.bend(&load(a, h), h, slope);
            }
            [a, b] => {
                let rho = self.correlation;
                let rest = (1.0 - rho * rho).sqrt();
                let slope = |h: f64, k: f64| -density(h) * normal_sf((rho * h - k) / rest) / chance;
                let both = density(h) * density((k - rho * h) / rest) / rest / chance;
                let (in_h, in_k) = (slope(h, k), slope(k, h));
                let at = [load(a, h), load(b, k)];
                kept.add(&at[0], in_h, -h * in_h + rho * both - in_h * in_h);
                kept.add(&at[1], in_k, -k * in_k + rho * both - in_k * in_k);
                kept.cross(&at, -both - in_h * in_k);
                kept.bend(&at[0], h, in_h);
                kept.bend(&at[1], k, in_k);
            }
            _ => {}
        }
        kept
    }

    /// The chance that a flake was kept, and how far the thresholds of the sizes that decide lie from what is expected.
    fn chance(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> Option<(f64, f64, f64)> {
        const LEAST: f64 = 1e-300;
        let t = self.threshold.as_ref().filter(|_| seen.held)?;
        let at = |j: usize| (t.least - mu[j]) * (-ln_spread).exp() / self.sd[j];
        match t.sizes[..] {
            [a] => Some((normal_sf(at(a)).max(LEAST), at(a), 0.0)),
            [a, b] => Some((self.two.either_above(at(a), at(b)).max(LEAST), at(a), at(b))),
            _ => None,
        }
    }
}

/// The sizes seen exactly, as independent standard normals, and between which a rounded one (the last) lies given them.
struct Standardised {
    exact: usize,
    z: [f64; MOST],
    rounded: Option<(f64, f64)>,
}

impl Factor {
    /// What was seen of a flake, at what is expected of it.
    fn standardised(&self, seen: &Seen<'_>, mu: &[f64; MOST], ln_spread: f64) -> Standardised {
        let (n, wide) = (self.of.len(), (-ln_spread).exp());
        let mut z = [0.0; MOST];
        let exact = if seen.between.is_some() { n - 1 } else { n };
        let at = |i: usize, v: f64, z: &[f64; MOST]| {
            let own = (0..i).map(|j| self.l[i][j] * z[j]).sum::<f64>();
            ((v - mu[self.of[i]]) * wide - own) / self.l[i][i]
        };
        (0..exact).for_each(|i| z[i] = at(i, seen.y[self.of[i]], &z));
        let rounded = seen.between.map(|(low, high)| (at(exact, low, &z), at(exact, high, &z)));
        Standardised { exact, z, rounded }
    }

    /// Slopes of a standardised size in the expected values, and then in the log spread.
    fn load(&self, i: usize, wide: f64, in_spread: f64) -> [f64; MOST + 1] {
        let mut load = [0.0; MOST + 1];
        (0..=i).for_each(|j| load[self.of[j]] = -wide * self.inverse[i][j]);
        load[MOST] = in_spread;
        load
    }
}

/// A log probability with its slopes and curvature in the expected values and then in the log spread.
#[derive(Default)]
pub(super) struct Part {
    pub(super) value: f64,
    pub(super) slopes: [f64; MOST + 1],
    pub(super) curvature: Curvature,
}

impl Part {
    /// Adds a function of one standardised size, of which these are the slopes.
    fn add(&mut self, load: &[f64; MOST + 1], slope: f64, curvature: f64) {
        for i in 0..=MOST {
            self.slopes[i] += slope * load[i];
            (0..=MOST).for_each(|j| self.curvature[i][j] += curvature * load[i] * load[j]);
        }
    }

    /// Adds the mixed curvature of a function of two.
    fn cross(&mut self, load: &[[f64; MOST + 1]; 2], curvature: f64) {
        for i in 0..=MOST {
            for j in 0..=MOST {
                self.curvature[i][j] += curvature * (load[0][i] * load[1][j] + load[1][i] * load[0][j]);
            }
        }
    }

    /// Adds what comes of a standardised size `z` being no straight function of the log spread.
    fn bend(&mut self, load: &[f64; MOST + 1], z: f64, slope: f64) {
        for i in 0..MOST {
            self.curvature[i][MOST] -= slope * load[i];
            self.curvature[MOST][i] -= slope * load[i];
        }
        self.curvature[MOST][MOST] += slope * z;
    }
}

/// The log probability that a standard normal lies between two bounds, with its slopes in them and its curvature (in the
/// first, in the second, mixed).
struct Between {
    value: f64,
    slopes: [f64; 2],
    curvature: [f64; 3],
}

impl Between {
    fn new(a: f64, b: f64) -> Between {
        // from the nearer tail
        let p = if a > 0.0 { normal_sf(a) - normal_sf(b) } else { normal_sf(-b) - normal_sf(-a) };
        if p > 1e-290 {
            let (at_a, at_b) = (density(a) / p, density(b) / p);
            let curvature = [a * at_a - at_a * at_a, -b * at_b - at_b * at_b, at_a * at_b];
            return Between { value: p.ln(), slopes: [-at_a, at_b], curvature };
        }
        // so far out that the middle tells as much
        let (middle, width) = (0.5 * (a + b), b - a);
        let (slope, curvature) = (-0.5 * middle, 1.0 / (width * width));
        Between {
            value: -0.5 * middle * middle + width.ln() - 0.5 * (2.0 * PI).ln(),
            slopes: [slope - 1.0 / width, slope + 1.0 / width],
            curvature: [-0.25 - curvature, -0.25 - curvature, -0.25 + curvature],
        }
    }
}
