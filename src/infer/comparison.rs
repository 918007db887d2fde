//! Whether two sets of flakes look alike in one measured size: an excavated group and an experimental one,
//! two layers, two percussors.
//!
//! Everything is on the scale of ln size, on which flake sizes are near symmetric and a difference is a ratio:
//!
//! ```text
//! ratio           exp(mean ln a - mean ln b), and the same of quantiles            bootstrap intervals
//! overlap         integral of min(f_a, f_b), Gaussian kernels of Silverman's width  bootstrap interval
//! D               max |F_a - F_b|                       Kolmogorov-Smirnov           permutation p-value
//! E               sqrt(2 integral (F_a - F_b)^2)        energy distance              permutation p-value
//! ```
//!
//! Bootstrap: both sets drawn again with replacement, percentile intervals. Permutation: labels shuffled,
//! p = (1 + number at least as far apart) / (1 + shuffles), so never 0. Seeded; the k-th resample takes the
//! k-th stream of a ChaCha8 generator. Flakes are taken as independent: flakes of one core are not, and then
//! the p-values are too small.

use crate::error::{Bounds, Error, Result};
use crate::page::{Page, Told, percent, short};
use crate::predict::{LEVEL, Ranged};
use crate::special::{shuffle, sorted_quantile};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The accepted numbers of resamples.
const RESAMPLES: Bounds = Bounds::closed("resamples", 99.0, 1_000_000.0, "");

/// Fewest flakes of a set that can be compared. Common practice, no source.
const FEWEST: usize = 5;

/// The quantiles compared. Common practice, no source.
const QUANTILES: [f64; 5] = [0.1, 0.25, 0.5, 0.75, 0.9];

/// The accepted ratios of sizes from which on a difference matters.
const MATTERS: Bounds = Bounds::closed("ratio that matters", 1.0, 100.0, "");

/// The ratio from which on a difference of typical sizes matters unless told otherwise. (This crate's choice, no source:
/// a tenth in a length is a third in a mass.)
const USUAL_MATTERS: f64 = 1.1;

/// What a difference of two sets comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Alikeness {
    /// They differ, and some ratio of theirs is surely beyond what matters.
    Different,
    /// They differ, but whether by as much as matters is open.
    DifferenceOpen,
    /// They differ, but surely by less than matters.
    DifferenceTooSmall,
    /// Nothing tells them apart, and their typical sizes are surely closer than what matters.
    Alike,
    /// Nothing tells them apart, but they may differ by as much as matters.
    NotTold,
}

/// How to compare: seed, 1999 resamples, level 0.95, and a ratio of 1.1 from which on a difference of typical sizes matters,
/// unless changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resampling {
    seed: u64,
    resamples: u32,
    level: f64,
    matters: f64,
}

impl Resampling {
    /// The usual resamples from this seed.
    pub fn seeded(seed: u64) -> Resampling {
        Resampling { seed, resamples: 1999, level: 0.95, matters: USUAL_MATTERS }
    }
    /// So many resamples.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 99 to a million.
    pub fn resamples(mut self, resamples: u32) -> Result<Resampling> {
        RESAMPLES.check(f64::from(resamples))?;
        self.resamples = resamples;
        Ok(self)
    }
    /// Intervals of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < level < 1.
    pub fn level(mut self, level: f64) -> Result<Resampling> {
        self.level = LEVEL.check(level)?;
        Ok(self)
    }
    /// The ratio of sizes from which on a difference matters.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside 1 to 100.
    pub fn matters(mut self, ratio: f64) -> Result<Resampling> {
        self.matters = MATTERS.check(ratio)?;
        Ok(self)
    }
    fn rng(&self, resample: u32, kind: u64) -> ChaCha8Rng {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        rng.set_stream(2 * u64::from(resample) + kind);
        rng
    }
}

/// A distance of two distributions with its permutation p-value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Distance {
    /// The distance.
    pub value: f64,
    /// Share of shuffled labels that are at least as far apart.
    pub p_value: f64,
}

/// What two sets of sizes say of each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Comparison {
    /// Flakes of the first and the second set.
    n: [u64; 2],
    /// Probability inside the intervals.
    level: f64,
    /// Ratio of the geometric means, first over second.
    pub ratio: Ranged,
    /// The same of quantiles, by their probability: 0.1, 0.25, 0.5, 0.75, 0.9.
    #[serde(with = "crate::by_name")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, Ranged>"))]
    pub quantile_ratios: Vec<(f64, Ranged)>,
    /// Overlap of the distributions, 0 to 1. The bootstrap makes both sets lumpier than they are, so the
    /// interval lies a little low.
    pub overlap: Ranged,
    /// Kolmogorov-Smirnov.
    pub kolmogorov_smirnov: Distance,
    /// Energy distance of ln size.
    pub energy: Distance,
    /// Whether they differ.
    differ: bool,
    /// What the difference comes to.
    pub(super) verdict: Alikeness,
    /// The ratio of sizes from which on a difference matters.
    matters_from: f64,
}

impl Comparison {
    /// Compares two sets of sizes, in the same unit.
    ///
    /// ```
    /// use conchoid::infer::{Comparison, Resampling};
    /// let antler = [4.1, 5.0, 6.3, 7.7, 8.2, 9.9, 12.4];
    /// let twice: Vec<f64> = antler.iter().map(|m| 2.0 * m).collect();
    /// let c = Comparison::new(&twice, &antler, &Resampling::seeded(1))?;
    /// assert!((c.ratio.value - 2.0).abs() < 1e-12);
    /// assert!(Comparison::new(&twice, &antler[..2], &Resampling::seeded(1)).is_err());
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`Error::TooFew`] with fewer than 5 flakes in a set; [`Error::Invalid`] for a size that is not
    /// positive and finite, or a set whose sizes are all the same.
    pub fn new(a: &[f64], b: &[f64], how: &Resampling) -> Result<Comparison> {
        let (a, b) = (logs(a, "first set")?, logs(b, "second set")?);
        let pooled = pooled(&a, &b);
        let [kolmogorov_smirnov, energy] = apart(pooled.clone(), a.len(), how);

        let grid = Grid::over(&pooled);
        let summary = |a: &[f64], b: &[f64]| -> Vec<f64> {
            let mut s = vec![(mean(a) - mean(b)).exp()];
            s.extend(QUANTILES.iter().map(|q| (sorted_quantile(a, *q) - sorted_quantile(b, *q)).exp()));
            s.push(grid.overlap(a, b));
            s
        };
        let own = summary(&a, &b);
        let mut again: Vec<Vec<f64>> = vec![Vec::with_capacity(how.resamples as usize); own.len()];
        for k in 0..how.resamples {
            let mut rng = how.rng(k, 1);
            let mut draw = |from: &[f64]| {
                let mut d: Vec<f64> =
                    (0..from.len()).map(|_| from[rng.random_range(0..from.len())]).collect();
                d.sort_unstable_by(f64::total_cmp);
                d
            };
            let (a, b) = (draw(&a), draw(&b));
            summary(&a, &b).into_iter().zip(&mut again).for_each(|(v, all)| all.push(v));
        }
        let tail = 0.5 * (1.0 - how.level);
        let bracketed: Vec<Ranged> = own
            .iter()
            .zip(&mut again)
            .map(|(value, all)| {
                all.sort_unstable_by(f64::total_cmp);
                Ranged {
                    value: *value,
                    low: sorted_quantile(all, tail),
                    high: sorted_quantile(all, 1.0 - tail),
                }
            })
            .collect();
        let mut found = Comparison {
            n: [a.len() as u64, b.len() as u64],
            level: how.level,
            ratio: bracketed[0],
            quantile_ratios: QUANTILES.iter().copied().zip(bracketed[1..].iter().copied()).collect(),
            overlap: bracketed[QUANTILES.len() + 1],
            kolmogorov_smirnov,
            energy,
            differ: false,
            verdict: Alikeness::NotTold,
            matters_from: how.matters,
        };
        found.differ = found.differ();
        found.verdict = found.alikeness();
        Ok(found)
    }

    /// What the difference comes to: whether it is told at all, and whether it matters, by the interval of the ratio of the
    /// typical sizes, and by those of the quantiles.
    fn alikeness(&self) -> Alikeness {
        let most = self.matters_from.ln();
        let ratios = || std::iter::once(&self.ratio).chain(self.quantile_ratios.iter().map(|(_, b)| b));
        let beyond = |b: &Ranged| b.low.ln() > most || b.high.ln() < -most;
        let within = |b: &Ranged| b.low.ln() > -most && b.high.ln() < most;
        match self.differ() {
            false if within(&self.ratio) => Alikeness::Alike,
            false => Alikeness::NotTold,
            true if ratios().any(beyond) => Alikeness::Different,
            true if ratios().all(within) => Alikeness::DifferenceTooSmall,
            true => Alikeness::DifferenceOpen,
        }
    }

    /// The comparison of a size (`mass_g`) of two sets, by their names, as a page: ratios, distances, and what they come to
    /// (`{:79}` breaks its paragraphs at 79 characters).
    pub fn in_words<'a>(&'a self, size: &str, names: [&'a str; 2]) -> impl fmt::Display + 'a {
        let size = crate::predict::in_words(size);
        Told(move |page: &mut Page| self.tell(page, &size, names))
    }

    fn tell(&self, page: &mut Page, size: &str, [a, b]: [&str; 2]) {
        let ([first, second], level) = (self.n, percent(self.level));
        page.say(format!(
            "{size}: {first} of {a} against {second} of {b}. Ratios are {a} over {b}; in brackets {level} % intervals."
        ));
        page.line("");
        let mut figure = |name: &str, r: &Ranged| page.figure(name, (22, 6), "   ", r.ends());
        figure("ratio of typical sizes", &self.ratio);
        for (p, r) in &self.quantile_ratios {
            figure(&format!("ratio at {} %", percent(*p)), r);
        }
        figure("overlap", &self.overlap);
        for (what, d) in [("Kolmogorov-Smirnov", &self.kolmogorov_smirnov), ("energy distance", &self.energy)]
        {
            page.line(format!("  {what:22} {:>6}   (p {})", short(d.value), short(d.p_value)));
        }
        let [low, ratio, high] = self.ratio.ends().map(short);
        let matters = short(self.matters_from);
        let by = format!("Typically {a} has {ratio} times the {size} of {b} ({low} to {high})");
        page.part(match self.verdict {
            Alikeness::Different => {
                let overlap = percent(self.overlap.value);
                format!("{by}, and {overlap} % of the two overlap: they do not look alike.")
            }
            Alikeness::DifferenceTooSmall => format!(
                "{by}: a difference that is no chance, but smaller than a factor of {matters} everywhere, so for most \
                 questions they look alike."
            ),
            Alikeness::DifferenceOpen => format!(
                "{by}: a difference that is no chance, but whether it reaches a factor of {matters} is open."
            ),
            Alikeness::Alike => format!(
                "Nothing tells them apart in {size}, and their typical sizes are closer than a factor of {matters}: the \
                 ratio lies between {low} and {high}."
            ),
            Alikeness::NotTold => format!(
                "Nothing tells them apart in {size}: with their labels shuffled they are often as far apart. That is \
                 no proof that they are alike; the ratio may be anything from {low} to {high}."
            ),
        });
    }

    /// Whether either distance is rarer under shuffled labels than one minus the level allows; each is asked
    /// at half of that (Bonferroni), for there are two.
    pub fn differ(&self) -> bool {
        let allowed = 0.5 * (1.0 - self.level);
        self.kolmogorov_smirnov.p_value <= allowed || self.energy.p_value <= allowed
    }
}

fn logs(sizes: &[f64], which: &str) -> Result<Vec<f64>> {
    if sizes.len() < FEWEST {
        return Err(Error::TooFew {
            what: format!("flakes in the {which}"),
            found: sizes.len(),
            needed: FEWEST,
        });
    }
    if let Some(bad) = sizes.iter().find(|s| !(**s > 0.0 && s.is_finite())) {
        return Err(Error::invalid(which, format!("{bad} is no size (accepted: above 0)")));
    }
    let mut logs: Vec<f64> = sizes.iter().map(|s| s.ln()).collect();
    logs.sort_unstable_by(f64::total_cmp);
    if logs[0] == logs[logs.len() - 1] {
        return Err(Error::invalid(which, "all sizes are the same"));
    }
    Ok(logs)
}

/// Both sets sorted together, and whether each value is of the first.
pub(super) fn pooled(a: &[f64], b: &[f64]) -> Vec<(f64, bool)> {
    let mut pooled: Vec<(f64, bool)> =
        a.iter().map(|x| (*x, true)).chain(b.iter().map(|x| (*x, false))).collect();
    pooled.sort_by(|x, y| x.0.total_cmp(&y.0));
    pooled
}

/// Both distances of labelled, sorted values, of which the first set has `n`, against shuffled labels.
pub(super) fn apart(mut pooled: Vec<(f64, bool)>, n: usize, how: &Resampling) -> [Distance; 2] {
    let (ks, energy) = distances(&pooled, n);
    let mut labels: Vec<bool> = pooled.iter().map(|p| p.1).collect();
    let (mut as_far_ks, mut as_far_energy) = (1u32, 1u32);
    let slack = 1.0 - 1e-12;
    for k in 0..how.resamples {
        let mut rng = how.rng(k, 0);
        shuffle(&mut labels, &mut rng);
        pooled.iter_mut().zip(&labels).for_each(|(p, l)| p.1 = *l);
        let (d, e) = distances(&pooled, n);
        as_far_ks += u32::from(d >= ks * slack);
        as_far_energy += u32::from(e >= energy * slack);
    }
    let p = |count: u32| f64::from(count) / (f64::from(how.resamples) + 1.0);
    [(ks, as_far_ks), (energy, as_far_energy)].map(|(value, far)| Distance { value, p_value: p(far) })
}

/// Kolmogorov-Smirnov and energy distance of labelled, sorted values.
fn distances(pooled: &[(f64, bool)], n: usize) -> (f64, f64) {
    let m = pooled.len() - n;
    let (mut i, mut j) = (0usize, 0usize);
    let (mut ks, mut area) = (0.0f64, 0.0f64);
    for (k, (x, first)) in pooled.iter().enumerate() {
        if *first {
            i += 1;
        } else {
            j += 1;
        }
        let Some((next, _)) = pooled.get(k + 1) else { break };
        if next > x {
            let gap = i as f64 / n as f64 - j as f64 / m as f64;
            ks = ks.max(gap.abs());
            area += gap * gap * (next - x);
        }
    }
    (ks, (2.0 * area).sqrt())
}

fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len() as f64
}

/// Silverman's width of a Gaussian kernel, 0.9 min(sd, IQR / 1.34) n^(-1/5): Silverman 1986, "Density
/// estimation for statistics and data analysis", p. 48, eq. 3.31 (page from memory).
fn kernel_width(sorted: &[f64]) -> f64 {
    let m = mean(sorted);
    let n = sorted.len() as f64;
    let sd = (sorted.iter().map(|x| (x - m) * (x - m)).sum::<f64>() / (n - 1.0)).sqrt();
    let iqr = (sorted_quantile(sorted, 0.75) - sorted_quantile(sorted, 0.25)) / 1.34;
    let s = if iqr > 0.0 { sd.min(iqr) } else { sd };
    0.9 * s * n.powf(-0.2)
}

/// Equally spaced points of ln size on which densities are compared.
struct Grid {
    from: f64,
    step: f64,
}

/// Points of the grid. This crate's choice, no source.
const POINTS: usize = 1024;

impl Grid {
    /// Over all sizes and a margin on either side that holds the kernels.
    fn over(pooled: &[(f64, bool)]) -> Grid {
        let (first, last) = (pooled[0].0, pooled[pooled.len() - 1].0);
        let margin = 0.75 * (last - first);
        Grid { from: first - margin, step: (last - first + 2.0 * margin) / (POINTS - 1) as f64 }
    }

    /// The density on the grid: sizes shared linearly between the two nearest points, then smoothed.
    fn density(&self, sorted: &[f64]) -> Vec<f64> {
        let n = sorted.len() as f64;
        let mut counts = vec![0.0; POINTS];
        for x in sorted {
            let at = (x - self.from) / self.step;
            let i = (at.floor().max(0.0) as usize).min(POINTS - 2);
            let share = (at - i as f64).clamp(0.0, 1.0);
            counts[i] += (1.0 - share) / n;
            counts[i + 1] += share / n;
        }
        let width = kernel_width(sorted);
        // a resample may consist of one value only
        let width = if width > 0.0 { width.max(self.step) } else { self.step };
        let reach = ((6.0 * width / self.step).ceil() as usize).min(POINTS - 1);
        let kernel: Vec<f64> = (0..=reach)
            .map(|k| {
                let z = k as f64 * self.step / width;
                (-0.5 * z * z).exp() / (width * std::f64::consts::TAU.sqrt())
            })
            .collect();
        let mut density = vec![0.0; POINTS];
        for (i, c) in counts.iter().enumerate().filter(|(_, c)| **c > 0.0) {
            let (from, to) = (i.saturating_sub(reach), (i + reach).min(POINTS - 1));
            density[i..=to].iter_mut().zip(&kernel).for_each(|(d, k)| *d += c * k);
            density[from..i].iter_mut().rev().zip(&kernel[1..]).for_each(|(d, k)| *d += c * k);
        }
        density
    }

    fn overlap(&self, a: &[f64], b: &[f64]) -> f64 {
        let (f, g) = (self.density(a), self.density(b));
        (f.iter().zip(&g).map(|(f, g)| f.min(*g)).sum::<f64>() * self.step).clamp(0.0, 1.0)
    }
}
