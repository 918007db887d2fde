//! The law of flakes that were kept: a size given that the flake was not below the recovery threshold.
//!
//! With z the normal score of a size within its component, R the correlation of the scores of one flake's sizes and a the
//! scores of the threshold,
//!
//! ```text
//! P(size <= v | kept) = (Phi(z) - P(score <= z, lost)) / (1 - P(lost)),     lost: all sizes that decide below their a
//! ```
//!
//! P(score <= z, lost) is a probability of two normals, or for a size beside two that decide an integral of one over z, by
//! Simpson's rule. What flakes of one site share is the same for those lost and those kept: each component is taken apart
//! into levels of the shared effect, and each level is conditioned by itself, as a fit given what was kept does.

use super::distribution::Predictive;
use super::mixture::Component;
use super::selected::{Lost, Pair, Selected};
use crate::calibration::{RecoveryThreshold, SizeModel};
use crate::error::{Error, Place, Result};
use crate::special::{halved, normal_cdf, student_ln_pdf, student_quantile_upper, student_sf};

/// Levels of the effect that flakes of one site share: at sinh(i / 4) of its scale for i from -12 to 12, so up to ten times.
/// This crate's choice, no source.
const LEVELS: i32 = 12;

/// Flakes of which fewer are kept cannot be told of. This crate's choice, no source.
const FEWEST_KEPT: f64 = 1e-6;

/// The sizes of a flake given that it was kept, and the probability of that. `sizes` are the variant's models with
/// their predictives, `shared` for each the standard deviation of what is shared in each component.
pub(super) fn condition(
    threshold: &RecoveryThreshold,
    models: &[SizeModel],
    sizes: Vec<Predictive>,
    shared: &[Vec<f64>],
    correlation: &[Vec<f64>],
) -> Result<(Vec<Predictive>, f64)> {
    let place = |name: &String| {
        let at = models.iter().position(|m| m.size == *name);
        at.ok_or_else(|| Error::missing(name, "it decides which flakes were kept"))
    };
    let deciding = threshold.greatest_of.iter().map(place).collect::<Result<Vec<usize>>>()?;
    let count = sizes[0].components().len();
    let mut components: Vec<Vec<Component>> = vec![Vec::new(); sizes.len()];
    let mut selected: Vec<Vec<Selected>> = vec![Vec::new(); sizes.len()];
    let mut all_kept = 0.0;
    let tails = models.iter().flat_map(|m| &m.shared).filter_map(|e| e.degrees_of_freedom);
    let tails = tails.fold(f64::INFINITY, f64::min);
    for k in 0..count {
        let levels = levels(shared.iter().any(|s| s[k] > 0.0), tails);
        let apart: Vec<Apart> = (0..sizes.len())
            .map(|j| Apart::of(&sizes[j].components()[k], shared[j][k], tails, &levels))
            .collect();
        let (first, before) = (components[0].len(), all_kept);
        for (level, weight) in &levels {
            let at = |j: usize| {
                let (c, a) = (sizes[j].components()[k], &apart[j]);
                Component {
                    weight: c.weight * weight,
                    location: c.location + a.shared * level,
                    scale: a.own,
                    degrees_of_freedom: a.degrees_of_freedom,
                }
            };
            let here: Vec<Component> = (0..sizes.len()).map(at).collect();
            let least = |j: &usize| (*j, here[*j].normal_score(sizes[*j].forward(threshold.at_least)));
            let least: Vec<(usize, f64)> = deciding.iter().map(least).collect();
            let lost = match least[..] {
                [(_, a)] => normal_cdf(a),
                [(i, a), (j, b), ..] => Pair::new(correlation[i][j]).both_below(a, b),
                [] => 0.0,
            };
            let kept = 1.0 - lost;
            all_kept += here[0].weight * kept;
            if kept < FEWEST_KEPT {
                continue;
            }
            for j in 0..sizes.len() {
                components[j].push(here[j]);
                selected[j].push(Selected { kept, lost: Lost::of(j, &least, correlation) });
            }
        }
        // of the flakes that are kept, those of this component are as many as were kept of it
        for (all, size) in components.iter_mut().zip(&sizes) {
            let share = (all_kept - before) / size.components()[k].weight.max(f64::MIN_POSITIVE);
            all[first..].iter_mut().for_each(|c| c.weight *= share);
        }
    }
    if all_kept < FEWEST_KEPT || components[0].is_empty() {
        let reason = format!("a flake of such a platform is hardly ever {} or more", threshold.at_least);
        return Err(Error::Refused { at: Place::column(&threshold.greatest_of[0]), reason });
    }
    let each = sizes.iter().zip(components).zip(selected);
    let kept = each.map(|((p, c), s)| Ok(Predictive::new(p.transform(), c)?.selected(s)));
    Ok((kept.collect::<Result<Vec<_>>>()?, all_kept))
}

/// A size at one platform taken apart again into what a site shares and what a flake has of its own.
struct Apart {
    shared: f64,
    own: f64,
    degrees_of_freedom: f64,
}

impl Apart {
    /// A heavy effect leaves normal errors, else the one t goes with what is a flake's own; what is shared is stretched so
    /// that the two together have the ends of the 95 % interval of the one t that stands for them.
    fn of(c: &Component, shared: f64, tails: f64, levels: &[(f64, f64)]) -> Apart {
        let shared = shared.min(0.999 * c.scale);
        let own = (c.scale * c.scale - shared * shared).sqrt();
        let degrees_of_freedom = if tails.is_finite() { f64::INFINITY } else { c.degrees_of_freedom };
        let end = c.scale * student_quantile_upper(0.025, c.degrees_of_freedom);
        let beyond = |stretch: f64| -> f64 {
            let at = |(level, weight): &(f64, f64)| {
                weight * student_sf((end - stretch * shared * level) / own, degrees_of_freedom)
            };
            levels.iter().map(at).sum()
        };
        // one t and two laws that make it up are never further apart than by half and twice
        let stretch = if shared > 0.0 { halved((0.5, 2.0), |s| beyond(s) < 0.025) } else { 1.0 };
        Apart { shared: stretch * shared, own, degrees_of_freedom }
    }
}

/// Levels of the shared effect on its scale, with their weights.
fn levels(shared: bool, degrees_of_freedom: f64) -> Vec<(f64, f64)> {
    if !shared {
        return vec![(0.0, 1.0)];
    }
    let at = |i: i32| {
        let y = 0.25 * f64::from(i);
        (y.sinh(), student_ln_pdf(y.sinh(), degrees_of_freedom).exp() * y.cosh())
    };
    let total: f64 = (-LEVELS..=LEVELS).map(|i| at(i).1).sum();
    (-LEVELS..=LEVELS).map(at).map(|(x, w)| (x, w / total)).filter(|(_, w)| *w > 1e-9).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::bundled;
    use crate::predict::{Ask, Joint, MeasurementErrors, Predictor};
    use crate::strike::Strike;
    use rand::SeedableRng;

    /// Against flakes drawn with all their sizes, of which those above the threshold are kept.
    #[test]
    fn what_is_kept_of_flakes_drawn_has_this_law() {
        let predictor = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
        let strike =
            Strike::builder().platform_depth_mm(4.0).exterior_platform_angle_deg(70.0).build().unwrap();
        let joint = Joint::new(&predictor.estimate(&strike, &Ask::default()).unwrap()).unwrap();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let flakes: Vec<_> = (0..12_000).map(|_| joint.draw(&mut rng)).collect();
        for (threshold, sizes, least) in [
            (RecoveryThreshold::above_mm(30.0).unwrap(), &["length_mm", "width_mm"][..], 30.0),
            (RecoveryThreshold::above_g(5.0).unwrap(), &["mass_g"][..], 5.0),
        ] {
            let held = |f: &&crate::predict::DrawnFlake| sizes.iter().any(|s| f.size(s).unwrap() >= least);
            let kept: Vec<_> = flakes.iter().filter(held).collect();
            let ask = Ask { kept: Some(threshold), ..Ask::default() };
            let e = predictor.estimate(&strike, &ask).unwrap();
            let near = |found: f64, p: f64, n: usize| {
                let four = 4.0 * (p * (1.0 - p) / n as f64).sqrt();
                assert!((found - p).abs() < four, "{found} against {p}");
            };
            near(kept.len() as f64 / flakes.len() as f64, e.kept.unwrap(), flakes.len());
            for s in &e.sizes {
                for p in [0.025, 0.25, 0.5, 0.9] {
                    let q = s.predictive.quantile(p).unwrap();
                    let below = kept.iter().filter(|f| f.size(&s.size).unwrap() <= q).count();
                    near(below as f64 / kept.len() as f64, p, kept.len());
                    assert!(
                        (s.predictive.cdf(q) - p).abs() < 1e-8 && (s.predictive.sf(q) + p - 1.0).abs() < 1e-6
                    );
                    let h = 1e-4 * q;
                    let slope = (s.predictive.cdf(q + h) - s.predictive.cdf(q - h)) / (2.0 * h);
                    let density = s.predictive.ln_pdf(q).exp();
                    assert!((density / slope - 1.0).abs() < 1e-3, "{} {density} against {slope}", s.size);
                }
            }
        }
    }

    /// Where mass itself decides, the law of what is kept is the plain one beyond the threshold: of several terminations, and
    /// of a platform that is not known exactly, each counts as many flakes as are kept of it.
    #[test]
    fn beyond_a_threshold_on_mass_a_mixture_is_the_plain_law() {
        let predictor = Predictor::new(bundled::named("controlled-glass").unwrap()).unwrap();
        let strike = Strike::builder()
            .platform_depth_mm(3.0)
            .exterior_platform_angle_deg(65.0)
            .percussor("steel")
            .build()
            .unwrap();
        let errors = MeasurementErrors::new().absolute("platform_depth_mm", 1.0).unwrap();
        let ask = |kept| Ask { kept, ..Ask::default() };
        let least = 8.0;
        let kept = ask(Some(RecoveryThreshold::above_g(least).unwrap()));
        for wide in [false, true] {
            let of = |ask: &Ask| match wide {
                true => predictor.estimate_with_error(&strike, ask, &errors).unwrap(),
                false => predictor.estimate(&strike, ask).unwrap(),
            };
            let (plain, kept) = (of(&ask(None)), of(&kept));
            let (all, mass) = (plain.size("mass_g").unwrap(), kept.size("mass_g").unwrap());
            assert!(all.components().len() > 1);
            assert!((kept.kept.unwrap() / all.sf(least) - 1.0).abs() < 1e-9, "{wide}");
            for v in [9.0, 12.0, 20.0, 40.0] {
                let (a, b) = (mass.sf(v), all.sf(v) / all.sf(least));
                assert!((a - b).abs() < 1e-9, "{wide} {v}: {a} for {b}");
            }
        }
    }

    /// A threshold that loses nothing leaves the law of a new site as it is, with what flakes of a site share.
    #[test]
    fn where_everything_is_kept_the_law_is_the_plain_one() {
        let predictor = Predictor::new(bundled::named("excavated-flakes").unwrap()).unwrap();
        let strike =
            Strike::builder().platform_depth_mm(6.0).exterior_platform_angle_deg(75.0).build().unwrap();
        let plain = predictor.estimate(&strike, &Ask::default()).unwrap();
        let ask = Ask { kept: Some(RecoveryThreshold::above_mm(1e-3).unwrap()), ..Ask::default() };
        let all = predictor.estimate(&strike, &ask).unwrap();
        assert!(all.kept.unwrap() > 1.0 - 1e-9);
        for (a, b) in plain.sizes.iter().zip(&all.sizes) {
            let [a, b] = [a, b].map(|s| s.predictive.interval(0.9).unwrap());
            // where nothing is conditioned one t stands for what a site shares and what a flake has: to two percent
            for (x, y) in [(a.low, b.low), (a.median, b.median), (a.high, b.high)] {
                assert!((x / y).ln().abs() < 0.02, "{a:?} against {b:?}");
            }
        }
    }
}
