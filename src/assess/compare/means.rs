//! Means of scores with their standard errors, over flakes or over groups of them.

use super::{Coverage, Figure, Pit, Scores, Tested};
use crate::assess::score::{LEVELS, Score};
use crate::special::chi_squared_sf;
use std::collections::BTreeMap;

/// The mean of values with its standard error, over flakes or over clusters.
pub(super) fn mean(values: &[f64], clusters: Option<&[usize]>) -> Figure {
    let n = values.len() as f64;
    let value = values.iter().sum::<f64>() / n;
    Figure { value, standard_error: standard_error(values, value, clusters) }
}

/// The standard error of a mean. Values that are all the same have none.
fn standard_error(values: &[f64], mean: f64, clusters: Option<&[usize]>) -> f64 {
    let n = values.len() as f64;
    match clusters {
        None => {
            let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
            (squares / (n * (n - 1.0))).sqrt()
        }
        Some(clusters) => {
            let mut sums: BTreeMap<usize, f64> = BTreeMap::new();
            for (v, g) in values.iter().zip(clusters) {
                *sums.entry(*g).or_default() += v - mean;
            }
            let groups = sums.len() as f64;
            let squares: f64 = sums.values().map(|s| s * s).sum();
            (groups / (groups - 1.0) * squares).sqrt() / n
        }
    }
}

/// The clusters of tested flakes, where they have any.
pub(super) fn clusters<'a>(tested: impl Iterator<Item = &'a Tested>) -> Option<Vec<usize>> {
    tested.map(|t| t.group).collect()
}

impl Scores {
    /// `reference` holds, row by row, the squared distance of ln size from the mean of the other flakes.
    pub(super) fn of(tested: &[&Tested], reference: &[f64]) -> Scores {
        let clusters = clusters(tested.iter().copied());
        let clusters = clusters.as_deref();
        let each = |f: &dyn Fn(&Score) -> f64| -> Vec<f64> { tested.iter().map(|t| t.mean(f)).collect() };
        let average = |f: &dyn Fn(&Score) -> f64| mean(&each(f), clusters);
        let root = |f: &dyn Fn(&Score) -> f64| {
            let m = average(f);
            let value = m.value.sqrt();
            Figure { value, standard_error: m.standard_error / (2.0 * value) }
        };
        let squares = each(&|s| s.ln_error.powi(2));
        let about: Vec<f64> = tested.iter().map(|t| reference[t.row]).collect();
        let total = about.iter().sum::<f64>();
        let ratio = squares.iter().sum::<f64>() / total;
        let per_flake = total / about.len() as f64;
        let linear: Vec<f64> = squares.iter().zip(&about).map(|(e, d)| (e - ratio * d) / per_flake).collect();
        let coverage = (0..LEVELS.len())
            .map(|k| Coverage {
                level: LEVELS[k],
                inside: average(&|s| f64::from(u8::from(s.inside(k)))),
                ln_width: average(&|s| s.ln_width(k)),
            })
            .collect();
        let groups = clusters.map(|c| {
            let mut c = c.to_vec();
            c.sort_unstable();
            c.dedup();
            c.len()
        });
        Scores {
            flakes: tested.len(),
            groups,
            rmse_ln: root(&|s| s.ln_error.powi(2)),
            mae_ln: average(&|s| s.ln_error.abs()),
            bias_ln: average(&|s| s.ln_error),
            rmse: root(&|s| (s.observed - s.expected).powi(2)),
            mae: average(&|s| (s.observed - s.expected).abs()),
            r_squared: Figure { value: 1.0 - ratio, standard_error: standard_error(&linear, 0.0, clusters) },
            log_score: average(&|s| s.log_score),
            crps: average(&|s| s.crps),
            interval_score: average(&|s| s.interval_score),
            coverage,
            atom: average(&|s| s.atom).value,
        }
    }
}

impl Pit {
    pub(super) fn of(tested: &[Tested]) -> Pit {
        let n = tested.len() as f64;
        let clusters = clusters(tested.iter());
        let mut shares = [0.0; 10];
        let mut effect = 0.0;
        for (bin, share) in shares.iter_mut().enumerate() {
            let values: Vec<f64> = tested
                .iter()
                .map(|t| t.mean(|s| f64::from(u8::from(((s.pit * 10.0) as usize).min(9) == bin))))
                .collect();
            let m = mean(&values, clusters.as_deref());
            *share = m.value;
            effect += m.standard_error.powi(2) * n * 10.0 / 9.0;
        }
        let effect = if clusters.is_some() && effect.is_finite() { effect.max(1.0) } else { 1.0 };
        let effective_flakes = n / effect;
        let chi_squared = shares.iter().map(|s| (s - 0.1).powi(2) / 0.1).sum::<f64>() * effective_flakes;
        let p_value = chi_squared_sf(chi_squared, 9.0);
        Pit { shares, effective_flakes, chi_squared, p_value }
    }
}
