//! What lips say of each class, apart from sizes and terminations.
//!
//! ```text
//! p(lips | class) = integral p(t | class) prod_i p_i(t)^lip_i (1 - p_i(t))^(1 - lip_i) dt
//! p_i(t)          = sum_s w_s logistic(a_is + t)
//! p(t | hard)     = N(0, T),     p(t | soft) = N(B, T) averaged over B ~ N(b, V) above 0
//! ```
//!
//! with a_is the log odds of a lip under a hard hammer for the blow that flake i records, or where it does not tell for
//! each setting s; b what a soft hammer adds to them and V how uncertain that is; T how uncertain the log odds are at
//! the middle of the group, how far a site may lie from the experiment, and how far one hand may swing from the middle
//! of the settings: the habit is the share of their variance that all blows have in common.
//!
//! Lips are weighed by the settings as they are, never by those that the sizes would choose, nor do they choose among
//! them for the sizes: which setting gave which size is known of one machine. What is shared lies higher under a
//! soft hammer by a ratio of densities that only rises with t, and every p_i rises with t; so each lip speaks for a
//! soft hammer and each flake without one against it, in a group of any size, whatever is recorded of the others.

use super::{Attribution, BlowSetting};
use crate::error::Result;
use crate::infer::lip::Blow;
use crate::special::{ln_sum, normal_cdf};
use crate::strike::{LandsOn, Measured};
use std::collections::BTreeMap;

/// Lips of a group: how many flakes were used, and ln p(lips | class) of each candidate.
pub(super) struct Lips {
    pub(super) flakes: usize,
    pub(super) ln: Vec<f64>,
}

/// Flakes alike in their blows.
struct Alike {
    /// Weight and log odds of a lip under a hard hammer, of each setting.
    ways: Vec<(f64, f64)>,
    /// How many have no lip, and how many have one.
    lips: [f64; 2],
}

/// Variance of what is shared that is reckoned with at least. This crate's choice, no source.
const LEAST: f64 = 1e-4;

/// The class from which the others are told: its blows leave lips where those of no hammer leave fewer.
const HARD: &str = "stone";
/// Standard deviations of what is shared that are integrated over to either side. This crate's choice, no source.
const FAR: f64 = 9.0;

impl Attribution {
    /// What the lips of a group say.
    pub(super) fn lips(&self, flakes: &[&dyn Measured]) -> Result<Lips> {
        let nothing = Lips { flakes: 0, ln: vec![0.0; self.candidates.len()] };
        let told = |flake: &&dyn Measured| ["no", "yes"].iter().position(|l| flake.class("lip") == Some(l));
        let Some(model) = self.lip.as_ref().filter(|_| flakes.iter().any(|f| told(f).is_some())) else {
            return Ok(nothing);
        };
        let (mut alike, mut one) = (BTreeMap::<Vec<[u64; 2]>, Alike>::new(), None);
        let (mut used, mut n, mut middle, mut spread) = (0, 0.0, model.zero(), 0.0);
        // what they share is that of all flakes, so that it does not depend on who was looked at
        for flake in flakes {
            let Some(rows) =
                self.blows(*flake).map(|(w, b)| Some((w, model.row(*flake, &b, HARD)?))).collect()
            else {
                continue;
            };
            let rows: Vec<(f64, Vec<f64>)> = rows;
            let ways: Vec<(f64, f64)> = rows.iter().map(|(w, row)| (*w, model.log_odds(row))).collect();
            let mean: f64 = ways.iter().map(|(w, a)| w * a).sum();
            spread += ways.iter().map(|(w, a)| w * (a - mean).powi(2)).sum::<f64>();
            rows.iter().for_each(|(w, row)| middle.iter_mut().zip(row).for_each(|(m, v)| *m += w * v));
            let bits = ways.iter().map(|(w, a)| [w.to_bits(), a.to_bits()]).collect();
            let those = alike.entry(bits).or_insert(Alike { ways, lips: [0.0; 2] });
            if let Some(lip) = told(flake) {
                those.lips[lip] += 1.0;
                used += 1;
            }
            one = one.or(Some(*flake));
            n += 1.0;
        }
        let Some(one) = one else { return Ok(nothing) };
        let mut alike: Vec<Alike> = alike.into_values().collect();
        middle.iter_mut().for_each(|m| *m /= n);
        let habit = if n > 1.0 { self.habit } else { 0.0 };
        let shared = model.variance(&middle)? + self.site.logit_variance() + habit * spread / n;
        alike.iter_mut().for_each(|those| those.keep_apart(habit));
        let adds = |class: Option<&str>| -> Result<[f64; 2]> {
            let row = |class: &str| model.row(one, &self.blows(one).next()?.1, class);
            let (Some(hard), Some(own)) = (row(HARD), class.and_then(row)) else { return Ok([0.0; 2]) };
            let more: Vec<f64> = own.iter().zip(&hard).map(|(o, h)| o - h).collect();
            Ok([model.log_odds(&more), model.variance(&more)?])
        };
        let classes = self.candidates.iter().map(|c| adds(c.members[0].struck.class.as_deref()));
        let laws = Laws { shared: shared.max(LEAST), adds: classes.collect::<Result<_>>()? };
        Ok(Lips { flakes: used, ln: laws.weigh(&alike, n) })
    }

    /// The blows that may have struck a flake, with weights: as it records them, where it does not by the settings.
    fn blows<'a>(&'a self, flake: &'a dyn Measured) -> impl Iterator<Item = (f64, Blow<'a>)> {
        let told = if self.hide_blow { Blow::default() } else { Blow::of(flake) };
        let lands = |s: &BlowSetting| s.lands_on.map(LandsOn::name);
        // a landing place that is known keeps only the settings that agree with it, where there are any
        let agrees = move |s: &&BlowSetting| told.lands_on.is_none() || lands(s) == told.lands_on;
        let any = self.settings.iter().any(|s| agrees(&s));
        let those = move || self.settings.iter().filter(move |s| !any || agrees(s));
        let total: f64 = those().map(|s| s.weight).sum();
        those().map(move |s| {
            let angle_of_blow_deg = told.angle_of_blow_deg.or(s.angle_of_blow_deg);
            (s.weight / total, Blow { angle_of_blow_deg, lands_on: told.lands_on.or(lands(s)) })
        })
    }
}

impl Alike {
    /// Leaves the settings as far apart as the blows of one hand are.
    fn keep_apart(&mut self, habit: f64) {
        let mean: f64 = self.ways.iter().map(|(w, a)| w * a).sum();
        self.ways.iter_mut().for_each(|(_, a)| *a = mean + (1.0 - habit).sqrt() * (*a - mean));
    }
}

/// How what the flakes share is spread under each class: its variance under a hard hammer, and what the class adds with
/// the variance of that.
struct Laws {
    shared: f64,
    adds: Vec<[f64; 2]>,
}

impl Laws {
    /// ln of the density of what is shared at `t`.
    fn ln_density(&self, [b, v]: [f64; 2], t: f64) -> f64 {
        let own = self.shared;
        let normal = |at: f64, v: f64| -0.5 * (at * at / v + (2.0 * std::f64::consts::PI * v).ln());
        if v == 0.0 {
            return normal(t - b.max(0.0), own);
        }
        // B given t is normal too, and so much of it lies above 0
        let above = |z: f64| normal_cdf(z).max(f64::MIN_POSITIVE).ln();
        let given = (b * own + t * v) / ((own + v) * own * v).sqrt();
        normal(t - b, own + v) + above(given) - above(b / v.sqrt())
    }

    /// ln p(lips | class) of each class, by the trapezoid rule on nodes that all classes share.
    fn weigh(&self, alike: &[Alike], flakes: f64) -> Vec<f64> {
        let sd = self.shared.sqrt();
        let far = |[b, v]: &[f64; 2]| b.max(0.0) + FAR * (self.shared + v).sqrt();
        let (low, high) = (-FAR * sd, self.adds.iter().map(far).fold(FAR * sd, f64::max));
        let step = (0.25 * sd).min(0.5).min(flakes.sqrt().recip());
        let mut terms = vec![Vec::new(); self.adds.len()];
        for i in 0..=((high - low) / step) as usize {
            let t = low + i as f64 * step;
            let chance = |ways: &[(f64, f64)], sign: f64| -> f64 {
                ways.iter().map(|(w, a)| w / (1.0 + (-sign * (a + t)).exp())).sum()
            };
            let of_each = |Alike { ways, lips: [no, yes] }: &Alike| {
                let part = |n: f64, sign| if n > 0.0 { n * chance(ways, sign).ln() } else { 0.0 };
                part(*no, -1.0) + part(*yes, 1.0)
            };
            let lips: f64 = alike.iter().map(of_each).sum();
            terms.iter_mut().zip(&self.adds).for_each(|(f, a)| f.push(self.ln_density(*a, t) + lips));
        }
        terms.into_iter().map(|f| ln_sum(f.into_iter()) + step.ln()).collect()
    }
}
