//! What limits an update, what speaks against the local flakes, and what of them the calibration takes over.
//!
//! With o_i = observed - published of flake i on the transformed scale:
//!
//! ```text
//! off as a whole    median o over the spread that the law of a place gives it, beyond a quantile of FAR_OFF
//! one alone         |o_i - median| above ALONE times max(1.4826 median |o - median|, (0.5 + 2.5 / n) spread)
//! other platforms   more than a quarter of them outside a range of the calibration
//! falling           the size expected at a larger platform of theirs is smaller
//! ```

use super::{Local, before_of, shared, spread_of};
use crate::calibration::caution::{in_words, unit_taken, units_taken};
use crate::calibration::fitting::{FALLS, OF_PLATFORM, repeated, told_of_repeats};
use crate::calibration::resolved::{Kind, canonical_stone};
use crate::calibration::{LocalFlakes, Parts, PercussorSeen, SizeModel};
use crate::error::{Result, counted};
use crate::fit::{Design, dot, linear};
use crate::form::{AREA, DEPTH, Layout};
use crate::page::{short, unit};
use crate::special::{sorted_quantile, student_quantile_upper};
use nalgebra::DVector;
use std::collections::BTreeMap;

/// Local flakes lie off as one place in 400 does, on either side (three standard deviations; more where these are of few
/// groups). This crate's choice, no source.
const FAR_OFF: f64 = 0.00125;
/// From how many spreads on a flake lies apart from the others, and flakes that are enough to say so. This crate's
/// choices, no source; of normal tables of 5 to 200 flakes at most 1.2 % have such a flake, 2.7 % where their spread is half as
/// large again as published (own simulation).
const ALONE: f64 = 4.5;
const ENOUGH: usize = 4;
/// Flakes apart that are named.
const NAMED: usize = 3;
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    if values.is_empty() { f64::NAN } else { sorted_quantile(&values, 0.5) }
}

/// Names with their counts.
fn told(counts: &BTreeMap<String, u64>) -> String {
    counts.iter().map(|(name, n)| format!("{name} ({n})")).collect::<Vec<_>>().join(", ")
}

/// Whether more than half of some flakes say it.
fn mostly(counts: &BTreeMap<String, u64>, flakes: usize) -> bool {
    2 * counts.values().sum::<u64>() > flakes as u64
}

impl Local {
    /// What limits the update, apart from what speaks against it.
    pub(super) fn limits(&self) -> Vec<String> {
        let mut out = Vec::new();
        let (start, m) = (self.start.calibration(), self.published());
        let name = start.name();
        if let Some(e) = shared(m).first() {
            let by = &e.by;
            let twice = "its flakes count twice and the interval is too narrow";
            let known = self.groups.iter().find(|g| e.levels.iter().any(|l| l.name == **g));
            if let Some(known) = known {
                out.push(format!(
                    "{by} {known} is among the groups of {name}: {twice}; leave the update out, {name} knows it"
                ));
            } else if e.levels.is_empty() {
                let sources = &start.provenance().citation;
                out.push(format!(
                    "{name} does not name its {} groups of {by}: if yours is among them, {twice} (they are from {sources})",
                    e.groups
                ));
            }
            let n = self.groups.len();
            if n > 1 {
                out.push(format!(
                    "the local flakes name {n} groups under {by} and are taken as of one, so what differs between those goes \
                     into their spread; update with the flakes of one {by} at a time"
                ));
            }
        }
        for name in Layout::of([&m.form]).numbers {
            let Some(at) = start.layout().position(&name) else { continue };
            let same = self.inputs.len() > 1 && self.inputs.iter().all(|x| x[at] == self.inputs[0][at]);
            if same {
                let title = in_words(&name);
                out.push(format!(
                    "all local flakes have the same {title} ({}): they tell the level, and nothing of how sizes change with it",
                    self.inputs[0][at]
                ));
            }
        }
        let seen = || start.percussors().iter().map(|p| &p.name);
        let (struck, by) = (Kind::all(self.percussors.keys()), Kind::all(seen()));
        let alike = !start.reads_percussor();
        let (others, several) = (alike && !by.is_empty() && struck != by, alike && struck.len() > 1);
        let of_another = start.stone().is_some_and(|s| !self.stones.contains_key(&canonical_stone(s)));
        let theirs = seen().map(String::as_str).collect::<Vec<_>>().join(", ");
        for (what, counts, before, other, several) in [
            ("were struck by", &self.percussors, theirs.as_str(), others, several),
            ("are of", &self.stones, start.stone().unwrap_or_default(), of_another, self.stones.len() > 1),
        ] {
            if mostly(counts, self.inputs.len()) && other {
                let (told, also) = (told(counts), what.rsplit(' ').next().unwrap_or_default());
                out.push(format!(
                    "the local flakes {what} {told}, those of {name} {also} {before}: the level is now theirs, how sizes go \
                     with the platform is still much of {name}"
                ));
            } else if several {
                out.push(format!(
                    "the local flakes {what} {}: the level is that of all together",
                    told(counts)
                ));
            }
        }
        out
    }

    /// What the local flakes are of and what struck them, behind their count.
    pub(super) fn of_what(&self) -> String {
        let all = [(" of", &self.stones), (" struck by", &self.percussors)].into_iter();
        all.filter(|(_, c)| !c.is_empty()).map(|(what, c)| format!("{what} {}", told(c))).collect()
    }

    /// What most of the local flakes record takes the place of what the experiment used, as their level does.
    pub(super) fn takes_over(&self, parts: &mut Parts, cautions: Vec<String>) {
        let n = self.inputs.len();
        let theirs = mostly(&self.percussors, n) && !self.start.calibration().reads_percussor();
        // a calibration that lists none did not record them: leave it so
        let listed = theirs || !parts.percussors.is_empty();
        if theirs {
            parts.percussors.clear();
        }
        for (name, n) in &self.percussors {
            match parts.percussors.iter_mut().find(|p| p.name == *name) {
                Some(p) => p.flakes += n,
                None if listed => parts.percussors.push(PercussorSeen { name: name.clone(), flakes: *n }),
                None => {}
            }
        }
        let commonest = self.stones.iter().max_by_key(|(_, n)| **n);
        if let Some((stone, _)) = commonest.filter(|_| mostly(&self.stones, n)) {
            parts.stone = Some(stone.clone());
        }
        parts.local = Some(LocalFlakes { flakes: n as u64, cautions });
    }

    /// What speaks against the local flakes, or what came of them: units, other platforms, flakes apart, sizes that fall.
    pub(super) fn against(&self, updated: &SizeModel) -> Result<Vec<String>> {
        let (m, design) = (self.published(), self.design(self.published())?);
        let weights = self.weights();
        let typical = self.typical_spread(weights.as_deref());
        let off: Vec<f64> = design
            .matrix()
            .row_iter()
            .zip(&self.responses)
            .map(|(x, y)| y - x.transpose().dot(&DVector::from_column_slice(&m.coefficients)))
            .collect();
        let middle = median(off.clone());
        let spread = spread_of(m)?.0 * typical;
        let n = off.len();
        let x = design.matrix().row_mean().transpose();
        let before = before_of(m, typical)?;
        let heavy = before.degrees_of_freedom.map_or(1.0, |d| d / (d - 2.0));
        let place = before.covariance + before.normal + before.heavy * heavy;
        // of the median of so many flakes
        let error = x.dot(&(place * &x)) + 0.5 * std::f64::consts::PI * spread * spread / n as f64;
        let mut out = self.start.calibration().local().map_or(Vec::new(), |l| l.cautions.clone());
        out.extend(self.off_as_a_whole(&off, middle.abs() / error.sqrt()));
        out.extend(self.other_platforms());
        out.extend(self.apart(&off, middle, spread, weights.as_deref().map(|w| (w, typical))));
        out.extend(self.falling(updated));
        let flakes = self.inputs.iter().zip(&self.responses);
        let again = repeated(flakes.map(|(x, y)| x.iter().copied().chain([*y])));
        out.extend(again.map(|again| told_of_repeats(again, n as u64)));
        Ok(out)
    }

    /// How many times what is expected a flake is, logarithm; nothing where that is below zero.
    fn ln_times(&self, i: usize, off: f64) -> Option<f64> {
        let (transform, y) = (self.published().form.transform(), self.responses[i]);
        Some(transform.ln_of(y) - transform.ln_of(y - off)).filter(|v| v.is_finite())
    }

    fn off_as_a_whole(&self, off: &[f64], times_as_far: f64) -> Option<String> {
        let groups = shared(self.published()).iter().map(|e| e.groups as f64 - 1.0).reduce(f64::min);
        if !(times_as_far > student_quantile_upper(FAR_OFF, groups.unwrap_or(f64::INFINITY).max(1.0))) {
            return None;
        }
        let ln = median(off.iter().enumerate().filter_map(|(i, o)| self.ln_times(i, *o)).collect());
        let size = in_words(&self.column);
        let check = match unit_taken(&self.column, ln) {
            Some(name) => format!("check the units ({size} in {name}?)"),
            None if ln.abs() > 5f64.ln() => format!("check the units of {size} and platform"),
            None => "check the measurements, or fit these flakes alone".to_string(),
        };
        let (far, from, times) = (short(times_as_far), self.start.calibration().name(), short(ln.exp()));
        ln.is_finite().then(|| {
            format!(
                "the local flakes lie {far} times as far from {from} as places are taken to differ, with {times} times the \
                 {size} expected of their platforms: {check}"
            )
        })
    }

    fn other_platforms(&self) -> Vec<String> {
        let read = Layout::of([&self.published().form]).numbers;
        let ranges = self.start.variant(self.variant).ranges.iter().filter(|r| read.contains(&r.name));
        let layout = self.start.calibration().layout();
        let told = ranges.filter_map(|r| {
            let at = layout.position(&r.name)?;
            let inside =
                |by: f64| self.inputs.iter().filter(|x| (r.low..=r.high).contains(&(x[at] * by))).count();
            let n = self.inputs.len();
            let outside = n - inside(1.0);
            if 4 * outside <= n {
                return None;
            }
            let other = units_taken(&r.name).find(|(_, ours)| 20 * inside(*ours) >= 19 * n);
            let check = match other {
                Some((name, _)) => format!("; as {name} they would lie inside: check the units"),
                None => ": nothing but they tells how large flakes are there".to_string(),
            };
            Some(format!(
                "{} of {outside} of {} lies outside the range of {} ({} to {} {}){check}",
                in_words(&r.name),
                counted(n as u64, "local flake", "local flakes"),
                self.start.calibration().name(),
                short(r.low),
                short(r.high),
                unit(&r.name)
            ))
        });
        told.collect()
    }

    fn apart(&self, off: &[f64], middle: f64, spread: f64, weights: Option<(&[f64], f64)>) -> Option<String> {
        let n = off.len();
        // all on the scale of a flake of the typical spread
        let own = |i: usize| weights.map_or(1.0, |(w, typical)| w[i].sqrt() * typical);
        let far: Vec<f64> = (0..n).map(|i| (off[i] - middle).abs() * own(i)).collect();
        let usual = (1.4826 * median(far.clone())).max((0.5 + 2.5 / n as f64) * spread);
        let mut alone: Vec<usize> = (0..n).filter(|i| far[*i] > ALONE * usual).collect();
        if n < ENOUGH || alone.is_empty() {
            return None;
        }
        alone.sort_by(|a, b| far[*b].total_cmp(&far[*a]));
        let size = in_words(&self.column);
        let name = |i: &usize| {
            let times = self
                .ln_times(*i, off[*i] - middle)
                .map(|ln| format!(" ({} times the {size})", short(ln.exp())));
            format!("{} {}{}", self.of_rows, self.rows[*i], times.unwrap_or_default())
        };
        let mut named: Vec<String> = alone.iter().take(NAMED).map(name).collect();
        if alone.len() > NAMED {
            named.push(format!("{} more", alone.len() - NAMED));
        }
        Some(format!(
            "among {n} local flakes far from what the others lead to expect: {}; check the measurements, and update once \
             without",
            named.join(", ")
        ))
    }

    fn falling(&self, updated: &SizeModel) -> Vec<String> {
        let layout = self.start.calibration().layout();
        let read = Layout::of([&updated.form]).numbers;
        let has = |name: &str| read.iter().any(|n| n == name);
        if has(DEPTH) && has(AREA) {
            // deeper at the same area is narrower
            return Vec::new();
        }
        let of_class = |at: usize| layout.class_at(at).is_some();
        let middling: Vec<f64> = (0..layout.len()).map(|at| self.typical(at, of_class(at), 0.5)).collect();
        let mut terms = vec![0.0; self.ready().compiled.terms()];
        let mut ln_size = |at: usize, value: f64| {
            let mut x = middling.clone();
            x[at] = value;
            self.ready().compiled.fill(&x, &mut terms);
            updated.form.transform().ln_of(dot(&terms, &updated.coefficients))
        };
        let told = OF_PLATFORM.into_iter().filter(|of| has(of)).filter_map(|of| {
            let at = layout.position(of)?;
            let platforms = [0.1, 0.5, 0.9].map(|p| self.typical(at, false, p));
            let sizes = platforms.map(|v| ln_size(at, v));
            let falls = |(a, b): &(usize, usize)| {
                platforms[*b] > platforms[*a] && sizes[*b] - sizes[*a] < FALLS * (platforms[*b] / platforms[*a]).ln()
            };
            let Some((a, b)) = [(0, 2), (0, 1), (1, 2)].into_iter().find(falls) else {
                let (power, error) = self.power_of(at)?;
                let what = format!("{} with {}", in_words(&self.column), in_words(of));
                return (power < FALLS && power < -2.0 * error).then(|| {
                    format!(
                        "among the local flakes falls as the platform grows (flakes do not): {what}, as its power {power:.2}; \
                         the update does not follow"
                    )
                });
            };
            let [here, there] = [platforms[a], platforms[b]].map(short);
            let [size, less] = [sizes[a], sizes[b]].map(|ln| short(ln.exp()));
            let (what, unit, of_size) = (in_words(&self.column), unit(of), unit(&self.column));
            Some(format!(
                "falls as the platform grows (flakes do not): {what} with {}, {size} {of_size} at {here} {unit} and {less} \
                 {of_size} at {there} {unit}",
                in_words(of)
            ))
        });
        told.collect()
    }

    /// The power of a measurement with which the local sizes go, others left aside, and its standard error.
    fn power_of(&self, at: usize) -> Option<(f64, f64)> {
        let transform = self.published().form.transform();
        let rows: Vec<[f64; 2]> = self.inputs.iter().map(|x| [1.0, x[at].ln()]).collect();
        let sizes: Vec<f64> = self.responses.iter().map(|y| transform.ln_of(*y)).collect();
        let design = Design::from_rows(vec!["intercept".into(), "power".into()], &rows).ok()?;
        let fit = linear::fit(&design, &sizes, None).ok()?;
        Some((fit.coefficients()[1], fit.spread() * (fit.leverage(&[0.0, 1.0]).ok()?).sqrt()))
    }
}
