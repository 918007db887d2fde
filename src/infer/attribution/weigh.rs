//! Weighing: the probability of the flakes under each class, integrated over what they share, and the answer made
//! of it.

use super::Attribution;
use super::candidates::Candidate;
use super::lips::Lips;
use super::settings::BlowSetting;
use super::verdict::{ClassVerdict, Strength, Verdict};
use crate::calibration::caution::Doubt;
use crate::calibration::{Calibration, bundled};
use crate::error::{Error, Result};
use crate::form::{ANGLE_OF_BLOW, LANDS_ON};
use crate::infer::evidence::{Agreement, Evidence};
use crate::infer::forward::{Forward, Frame};
use crate::predict::Caution;
use crate::special::ln_sum;
use crate::strike::Measured;
use crate::vector::exp;
use nalgebra::DMatrix;
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use std::collections::BTreeMap;

impl Attribution {
    /// What one flake, or a group struck by one percussor, says of the classes.
    ///
    /// The answer depends on the draws within the `integration_error` of its JSON; the same generator gives the
    /// same bytes, and the number of draws taken from it does not depend on the flakes. The whole group is
    /// judged by the first variant of the calibration that can do with what all its flakes have.
    ///
    /// `rng` is any generator of the crate `rand`, version 0.10 (`rand_chacha::ChaCha8Rng::seed_from_u64(7)`).
    ///
    /// # Errors
    /// Those of [`Attribution::check`] for any of the flakes, placed in its row of the group;
    /// [`Error::TooFew`] without flakes.
    pub fn attribute<M: Measured, R: Rng + ?Sized>(&self, flakes: &[M], rng: &mut R) -> Result<Verdict> {
        self.weigh(flakes, &self.normals(rng))
    }

    /// The same from standard normal numbers that were drawn before.
    pub(crate) fn weigh<M: Measured>(&self, flakes: &[M], normals: &DMatrix<f64>) -> Result<Verdict> {
        if flakes.is_empty() {
            return Err(Error::TooFew { what: "flakes".into(), found: 0, needed: 1 });
        }
        let flakes: Vec<&dyn Measured> = flakes.iter().map(|f| f as &dyn Measured).collect();
        for (i, f) in flakes.iter().enumerate() {
            self.check(*f).map_err(|e| if flakes.len() > 1 { e.in_row(i as u64 + 1) } else { e })?;
        }
        let variants = self.forwards.iter().map(|f| f.variant_for(&flakes, self.hide_blow));
        let variants = variants.collect::<Result<Vec<usize>>>()?;
        let habits = self.habits(&flakes);
        let mut agreements = Vec::new();
        let mut weighed: Vec<Vec<(f64, Evidence)>> = Vec::with_capacity(self.candidates.len());
        let mut terminations = 0;
        for c in &self.candidates {
            let mut mine = Vec::with_capacity(c.members.len());
            for m in &c.members {
                for (share, settings) in &habits {
                    let frame = Frame {
                        settings,
                        site: self.site,
                        terminations: self.terminations,
                        hide_blow: self.hide_blow,
                        columns: &self.columns,
                        ratios: &self.ratios[m.forward],
                    };
                    let (group, told) =
                        self.forwards[m.forward].group(variants[m.forward], &flakes, &m.struck, &frame)?;
                    terminations = told;
                    agreements.push(group.agreement());
                    mine.push((m.weight * share, group.evidence(normals)));
                }
            }
            weighed.push(mine);
        }
        // ln p(flakes | class) but for the lips
        let sizes: Vec<f64> = weighed.iter().map(|c| ln_mixture(c.iter().map(|(w, e)| (*w, e.ln)))).collect();
        let lips = self.lips(&flakes)?;
        let mut first = disagreements(&agreements);
        first.extend(self.lips_against_sizes(&lips.ln, &sizes));
        let mut verdict = self.verdict(&flakes, &weighed, terminations, (&sizes, &lips), &variants);
        verdict.cautions.splice(0..0, first);
        Ok(verdict.told())
    }

    /// Whether lips and sizes speak for different classes, each to the degree that "leans" stands for.
    fn lips_against_sizes(&self, lips: &[f64], sizes: &[f64]) -> Option<Caution> {
        let factor = |of: &[f64], at: usize| apart(of[at], self.others(at, of));
        let best = |of: &[f64]| (0..of.len()).max_by(|a, b| factor(of, *a).total_cmp(&factor(of, *b)));
        let (s, l) = (best(sizes)?, best(lips)?);
        let says = |ln: f64| ln > 0.0 && Strength::of(ln) >= Strength::Leans;
        let name = |at: usize| self.candidates[at].class.clone();
        (says(factor(sizes, s)) && says(factor(lips, l)) && says(-factor(lips, s))).then(|| {
            Doubt::LipsAgainstSizes {
                lips_for: name(l),
                lips_times: factor(lips, l).exp(),
                sizes_for: name(s),
                sizes_times: factor(sizes, s).exp(),
            }
            .into()
        })
    }

    /// ln p(flakes | any class but one), by the prior odds of the others.
    fn others(&self, i: usize, ln: &[f64]) -> f64 {
        let rest = || self.candidates.iter().enumerate().filter(move |(j, _)| *j != i);
        let total: f64 = rest().map(|(_, c)| c.prior).sum();
        ln_mixture(rest().map(|(j, c)| (c.prior / total, ln[j])))
    }

    /// How the blows of the group may have been set, with shares: each anew, or all by one of the settings.
    fn habits(&self, flakes: &[&dyn Measured]) -> Vec<(f64, Vec<BlowSetting>)> {
        let open = |f: &&dyn Measured| {
            self.hide_blow || f.number(ANGLE_OF_BLOW).is_none() || f.class(LANDS_ON).is_none()
        };
        let settings = &self.settings;
        let reads = |f: &Forward| {
            [ANGLE_OF_BLOW, LANDS_ON].iter().any(|n| f.calibration().layout().position(n).is_some())
        };
        if !self.forwards.iter().any(reads)
            || flakes.len() < 2
            || settings.len() < 2
            || self.habit == 0.0
            || !flakes.iter().any(open)
        {
            return vec![(1.0, self.settings.clone())];
        }
        let one = |s: &BlowSetting| (self.habit * s.weight, vec![BlowSetting { weight: 1.0, ..*s }]);
        let mut habits: Vec<(f64, Vec<BlowSetting>)> = settings.iter().map(one).collect();
        if self.habit < 1.0 {
            habits.push((1.0 - self.habit, self.settings.clone()));
        }
        habits
    }

    /// Standard normal numbers enough for every hypothesis, drawn in a block whatever the flakes: a row a pair of draws.
    pub(crate) fn normals<R: Rng + ?Sized>(&self, rng: &mut R) -> DMatrix<f64> {
        let ends = self
            .forwards
            .iter()
            .flat_map(|f| f.calibration().variants())
            .filter_map(|v| v.termination.as_ref())
            .map(|t| t.fit.coefficients().nrows())
            .max()
            .unwrap_or(0);
        let width = self.columns.len() + ends;
        let pairs = self.draws.div_ceil(2);
        DMatrix::from_row_iterator(pairs, width, (0..pairs * width).map(|_| StandardNormal.sample(rng)))
    }

    /// The strongest words that are earned, and whether groups left out of their fits have: of those that were decided, a
    /// share wrong that goes with the word. Where a class leans on another, or nobody tried, no more than that the flakes lean.
    fn earned(&self, lips: bool) -> (Strength, bool) {
        let own = self.candidates.iter().all(|c| c.leans_on.is_none());
        let Some(record) = self.record.as_ref().filter(|_| own && self.forwards.len() == 1) else {
            return (Strength::Leans, false);
        };
        let tried = record.groups.iter().filter(|g| g.judged.lips == lips).flat_map(|g| &g.outcomes);
        let (right, wrong) = tried.fold((0, 0), |(r, w), o| (r + o.decided_right, w + o.decided_wrong));
        let earned = match (right + wrong, wrong) {
            (n, w) if n > 0 && w * 150 <= n => Strength::SpeaksStrongly,
            (n, w) if n > 0 && w * 20 <= n => Strength::Speaks,
            _ => Strength::Leans,
        };
        (earned, true)
    }

    /// Standard error of ln p(first) - ln p(others), from pairs of draws of opposite sign.
    fn integration_error(&self, weighed: &[Vec<(f64, Evidence)>], lips: &[f64], ln: &[f64]) -> f64 {
        let rest: f64 = self.candidates[1..].iter().map(|c| c.prior).sum();
        let others = self.others(0, ln);
        // how many times the mean of all draws each is, of the first less of the others
        let mut apart = vec![0.0; weighed[0][0].1.ln_weights.len()];
        for (i, (c, members)) in self.candidates.iter().zip(weighed).enumerate() {
            let (by, ln) = if i == 0 { (1.0, ln[0]) } else { (-c.prior / rest, others) };
            for (w, e) in members.iter().filter(|(_, e)| e.ln > f64::NEG_INFINITY) {
                let share = by * w * (e.ln + lips[i] - ln).exp();
                apart.iter_mut().zip(&e.ln_weights).for_each(|(a, l)| *a += share * exp(l - e.ln));
            }
        }
        let (plus, minus) = apart.split_at(apart.len() / 2);
        let squares = plus.iter().zip(minus).map(|(a, b)| (0.5 * (a + b)).powi(2));
        let n = squares.len() as f64;
        let error = (squares.sum::<f64>() / (n * (n - 1.0).max(1.0))).sqrt();
        if error.is_finite() { error } else { MOST }
    }

    fn verdict(
        &self,
        flakes: &[&dyn Measured],
        weighed: &[Vec<(f64, Evidence)>],
        terminations: usize,
        (sizes, lips): (&[f64], &Lips),
        variants: &[usize],
    ) -> Verdict {
        // ln p(flakes | class)
        let ln: Vec<f64> = sizes.iter().zip(&lips.ln).map(|(s, l)| s + l).collect();
        let class = |(i, c): (usize, &Candidate)| {
            ClassVerdict::of_model(&c.class, c.prior, apart(ln[i], self.others(i, &ln)), c.leans_on.clone())
        };
        let classes = self.candidates.iter().enumerate().map(class).collect();
        let mut cautions = self.cautions.clone();
        let own = self.calibrations().map(Calibration::name).filter(|n| !bundled::NAMES.contains(n));
        cautions.extend(own.map(|n| Doubt::MayBeFittedToThese { calibration: n.to_string() }.into()));
        let forward = &self.forwards[0];
        for f in flakes {
            for c in forward.cautions(variants[0], *f) {
                if !cautions.iter().any(|o| alike(o, &c)) {
                    cautions.push(c);
                }
            }
        }
        let (earned, tried) = self.earned(lips.flakes > 0);
        let mut recorded_percussors = BTreeMap::new();
        for p in flakes.iter().filter_map(|f| f.class("percussor")) {
            *recorded_percussors.entry(p.to_string()).or_insert(0) += 1;
        }
        Verdict {
            flakes: flakes.len(),
            with_termination: terminations,
            with_lip: lips.flakes,
            classes,
            favours: String::new(),
            strength: Strength::SaysLittle,
            earned,
            tried,
            sentence: String::new(),
            integration_error: self.integration_error(weighed, &lips.ln, &ln),
            measured_by: forward.variant_name(variants[0]).to_string(),
            cautions,
            recorded_percussors,
        }
    }
}

/// The most that a log Bayes factor is told to be: beyond it the number is out of range.
const MOST: f64 = 700.0;

/// ln of what one density is of another. Where neither class can have made the flakes they say nothing of which did.
fn apart(ln: f64, other: f64) -> f64 {
    let found = ln - other;
    if found.is_nan() { 0.0 } else { found.clamp(-MOST, MOST) }
}

/// How unlikely a group must be under every class to be called like none, or its flakes at odds with each other. This
/// crate's choice, no source.
const UNLIKELY: f64 = 0.001;
/// How many times as widely spread flakes must be beside that. This crate's choice, no source.
const WIDELY: f64 = 1.5;

/// What must be said before any odds: that the flakes disagree under every hypothesis, or agree with none.
fn disagreements(all: &[Agreement]) -> Vec<Caution> {
    let mut found = Vec::new();
    let times = all.iter().map(|a| a.times).fold(f64::INFINITY, f64::min);
    let among = all.iter().map(|a| a.among).fold(0.0, f64::max);
    if among < UNLIKELY && times > WIDELY {
        found.push(Doubt::FlakesDisagree { times }.into());
    }
    let probability = all.iter().map(|a| a.with).fold(0.0, f64::max);
    if probability < UNLIKELY {
        found.push(Doubt::LikeNone { probability }.into());
    }
    found
}

/// ln sum w exp l.
fn ln_mixture(terms: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    ln_sum(terms.map(|(w, l)| w.ln() + l))
}

/// Whether two cautions say the same of different flakes.
fn alike(a: &Caution, b: &Caution) -> bool {
    match (&*a.0, &*b.0) {
        (Doubt::OutsideRange { measurement: x, .. }, Doubt::OutsideRange { measurement: y, .. }) => x == y,
        _ => a == b,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_no_class_can_have_made_says_nothing_and_no_number_runs_out() {
        let never = f64::NEG_INFINITY;
        assert_eq!(apart(never, never), 0.0);
        assert_eq!((apart(-3.0, never), apart(never, -3.0)), (MOST, -MOST));
        assert_eq!(apart(-3.0, -5.0), 2.0);
    }
}
