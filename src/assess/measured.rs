//! Sizes that a table holds against what was expected of them: how many lie inside their intervals, how many chance
//! allows, and by what factor flakes are larger.
//!
//! Flakes of one site lie to one side together. With r the share of a prediction's variance that a site's flakes have in
//! common, two of them are inside together with probability p^2 + c, so that of the N flakes of sites of n_1, n_2, ...
//!
//! ```text
//!   inside ~ N p,    variance N (p - p^2) + sum_k n_k (n_k - 1) c,    c = integral of (P(inside | u) - p)^2 phi(u) du
//! ```
//!
//! and the band is that of a beta law of this mean and variance; of the binomial where nothing is shared.

use crate::by_name::place_of;
use crate::calibration::caution::unit_taken;
use crate::page::short;
use crate::predict::in_words;
use crate::special::{normal_cdf, normal_quantile_upper};
use statrs::distribution::{Beta, Binomial, ContinuousCDF, DiscreteCDF};
use std::collections::BTreeMap;

/// Sites told apart; the flakes of further ones count as those of one. This crate's choice, no source.
const MOST_SITES: usize = 4096;

/// ln observed - ln expected is summed in parts of this, so that the sum does not depend on the order. This crate's
/// choice, no source.
const PART: f64 = 1e-9;

/// A size that a row holds, and what was expected.
pub(crate) struct MeasuredSize {
    pub(crate) observed: f64,
    pub(crate) low: f64,
    pub(crate) median: f64,
    pub(crate) high: f64,
}

impl MeasuredSize {
    pub(crate) fn inside(&self) -> bool {
        (self.low..=self.high).contains(&self.observed)
    }
}

/// How one measured size lies in what one calibration expected of it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MeasuredFit {
    /// The calibration.
    pub calibration: String,
    /// The size, by its column.
    pub column: String,
    /// Complete flakes without retouch whose size was measured.
    pub flakes: u64,
    /// How many of them lie inside their intervals.
    pub inside: u64,
    /// The level of the intervals.
    pub level: f64,
    /// How many inside chance allows, 95 times in 100, flakes of one site lying to one side together.
    pub chance: (u64, u64),
    /// Geometric mean of measured over expected.
    pub times_expected: f64,
}

impl MeasuredFit {
    /// Whether fewer lie inside than chance allows.
    pub(crate) fn misfit(&self) -> bool {
        self.inside < self.chance.0
    }

    /// On a line, under a heading that says what is counted.
    #[cfg(feature = "table")]
    pub(crate) fn line(&self) -> String {
        format!(
            "{} by {}: {} of {} (chance {} to {}), {} times",
            in_words(&self.column),
            self.calibration,
            self.inside,
            self.flakes,
            self.chance.0,
            self.chance.1,
            short(self.times_expected),
        )
    }
}

/// Flakes with one measured size.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Tally {
    flakes: u64,
    inside: u64,
    /// In [`PART`]s.
    ln_ratio: i128,
}

impl Tally {
    /// That of one flake.
    pub(crate) fn of(size: &MeasuredSize) -> Tally {
        let mut one = Tally::default();
        one.count(size);
        one
    }

    /// Counts one; not where nothing was expected.
    pub(crate) fn count(&mut self, size: &MeasuredSize) {
        let ln = (size.observed.ln() - size.median.ln()) / PART;
        if ln.is_finite() {
            self.append(Tally { flakes: 1, inside: u64::from(size.inside()), ln_ratio: ln.round() as i128 });
        }
    }

    fn append(&mut self, other: Tally) {
        self.flakes += other.flakes;
        self.inside += other.inside;
        self.ln_ratio += other.ln_ratio;
    }
}

/// Local flakes after which little is left to learn of the level: the error of their mean adds one part in forty to the
/// width of an interval. This crate's choice, no source.
const ENOUGH: u64 = 20;

/// What to do where calibrations do not fit; nothing where all do.
pub(crate) fn verdict(fits: &[MeasuredFit]) -> Option<String> {
    let off: Vec<&MeasuredFit> = fits.iter().filter(|m| m.misfit()).collect();
    let flakes = off.iter().map(|m| m.flakes).max()?;
    let unit = off.iter().find_map(|m| Some((m, unit_taken(&m.column, m.times_expected.ln())?)));
    let units = unit.map_or(String::new(), |(m, unit)| {
        let (what, times) = (in_words(&m.column), short(m.times_expected));
        format!("the units are checked ({what} in {unit}? It is {times} times what was expected) and, if they are right, ")
    });
    let enough = match flakes >= ENOUGH {
        true => format!("the {flakes} flakes measured here are enough"),
        false => format!("{ENOUGH} flakes of all depths are enough, as few as five help"),
    };
    let several = fits.iter().any(|m| m.calibration != fits[0].calibration);
    // they stand by calibration
    let mut names: Vec<&str> = off.iter().map(|m| m.calibration.as_str()).collect();
    names.dedup();
    let which = if several { names.join(" and ") } else { "The calibration".to_string() };
    let (fit, it) = if names.len() > 1 { ("do", "one of them") } else { ("does", "it") };
    Some(format!(
        "{which} {fit} not fit these flakes: do not read on before {units}a calibration is started from {it} with flakes \
         of this site (`fit --starting-from`): {enough}"
    ))
}

#[derive(Debug, Clone, Default, PartialEq)]
struct Counts {
    calibration: String,
    /// The size's column.
    column: String,
    sites: BTreeMap<String, u64>,
    all: Tally,
    level: f64,
    /// Share of the variance that a site's flakes have in common.
    common: f64,
}

/// All sizes of a table that were measured.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct MeasuredSizes {
    by: Vec<Counts>,
}

impl MeasuredSizes {
    /// Adds flakes of one site with one size; `common` is the share of the variance that flakes of a site have in common.
    pub(crate) fn add(
        &mut self,
        (calibration, column): (&str, &str),
        site: &str,
        flakes: Tally,
        (level, common): (f64, f64),
    ) {
        if flakes.flakes > 0 {
            let counts = self.counts(calibration, column);
            (counts.level, counts.common) = (level, common);
            counts.all.append(flakes);
            counts.of_site(site, flakes.flakes);
        }
    }

    /// Adds what was counted of the rows that follow.
    #[cfg(feature = "table")]
    pub(crate) fn append(&mut self, later: MeasuredSizes) {
        for theirs in later.by {
            let counts = self.counts(&theirs.calibration, &theirs.column);
            (counts.level, counts.common) = (theirs.level, theirs.common);
            counts.all.append(theirs.all);
            theirs.sites.iter().for_each(|(site, n)| counts.of_site(site, *n));
        }
    }

    fn counts(&mut self, calibration: &str, column: &str) -> &mut Counts {
        let same = |c: &Counts| c.calibration == calibration && c.column == column;
        let new = || Counts {
            calibration: calibration.to_string(),
            column: column.to_string(),
            ..Counts::default()
        };
        let at = place_of(&mut self.by, same, new);
        &mut self.by[at]
    }

    /// What they come to, by calibration and size.
    pub(crate) fn fits(&self) -> Vec<MeasuredFit> {
        let one = |c: &Counts| {
            let Tally { flakes, inside, ln_ratio } = c.all;
            MeasuredFit {
                calibration: c.calibration.clone(),
                column: c.column.clone(),
                flakes,
                inside,
                level: c.level,
                chance: band(c.level, c.common, c.sites.values().copied()),
                times_expected: (ln_ratio as f64 * PART / flakes as f64).exp(),
            }
        };
        let mut fits: Vec<MeasuredFit> = self.by.iter().map(one).collect();
        fits.sort_by(|a, b| a.calibration.cmp(&b.calibration));
        fits
    }
}

impl Counts {
    fn of_site(&mut self, site: &str, flakes: u64) {
        if let Some(n) = self.sites.get_mut(site) {
            *n += flakes;
            return;
        }
        let site = if self.sites.len() < MOST_SITES { site } else { "" };
        *self.sites.entry(site.to_string()).or_default() += flakes;
    }
}

/// How many of the flakes of these sites lie inside, 95 times in 100.
fn band(level: f64, common: f64, sites: impl Iterator<Item = u64> + Clone) -> (u64, u64) {
    let flakes: u64 = sites.clone().sum();
    let n = flakes as f64;
    let pairs: f64 = sites.map(|k| k as f64 * (k as f64 - 1.0)).sum();
    let variance = level * (1.0 - level) / n + inside_together(level, common) * pairs / (n * n);
    let excess = variance * n / (level * (1.0 - level)) - 1.0;
    if excess < 1e-9 {
        let Ok(law) = Binomial::new(level, flakes) else { return (0, flakes) };
        return (law.inverse_cdf(0.025), law.inverse_cdf(0.975));
    }
    let both = level * (1.0 - level) / variance - 1.0;
    match Beta::new(level * both, (1.0 - level) * both) {
        Ok(law) => ((n * law.inverse_cdf(0.025)).floor() as u64, (n * law.inverse_cdf(0.975)).ceil() as u64),
        Err(_) => (0, flakes),
    }
}

/// The covariance of two flakes of one site being inside, where they have this share of the variance in common: by the
/// trapezoidal rule over what they have in common.
fn inside_together(level: f64, common: f64) -> f64 {
    if !(common > 0.0) {
        return 0.0;
    }
    let most = normal_quantile_upper(0.5 * (1.0 - level));
    let (u, own) = (common.sqrt(), (1.0 - common).max(1e-9).sqrt());
    let at = |z: f64| {
        let inside = normal_cdf((most - u * z) / own) - normal_cdf((-most - u * z) / own);
        (inside - level).powi(2) * (-0.5 * z * z).exp()
    };
    let step = 0.05;
    (-160..=160).map(|i| at(step * f64::from(i))).sum::<f64>() * step / (2.0 * std::f64::consts::PI).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R 4.3: qbinom(c(.025, .975), 100, .95) is 90, 99.
    #[test]
    fn flakes_on_their_own_follow_the_binomial() {
        assert_eq!(band(0.95, 0.0, [100].into_iter()), (90, 99));
        assert_eq!(band(0.95, 0.0, [1; 100].into_iter()), (90, 99));
        // sites of one flake each have no pair that lies to one side
        assert_eq!(band(0.95, 0.5, [1; 100].into_iter()), (90, 99));
    }

    /// The share of a site's flakes inside, drawn: half of the variance shared, 200 flakes, 20 000 sites.
    #[test]
    fn flakes_of_one_site_lie_to_one_side() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let mut counts: Vec<u64> = (0..20_000)
            .map(|_| {
                let u = normal() * 0.5f64.sqrt();
                (0..200).filter(|_| (u + normal() * 0.5f64.sqrt()).abs() < 1.959_963_985).count() as u64
            })
            .collect();
        counts.sort_unstable();
        let (low, high) = band(0.95, 0.5, [200].into_iter());
        // the law of the share is not a beta law, but near one
        assert!(
            low.abs_diff(counts[500]) <= 8 && high.abs_diff(counts[19_499]) <= 3,
            "{low} {high} {} {}",
            counts[500],
            counts[19_499]
        );
        let mean = counts.iter().sum::<u64>() as f64 / 20_000.0;
        let variance = counts.iter().map(|c| (*c as f64 - mean).powi(2)).sum::<f64>() / 20_000.0;
        let expected = 200.0 * 0.0475 + 200.0 * 199.0 * inside_together(0.95, 0.5);
        assert!((variance / expected - 1.0).abs() < 0.05, "{variance} {expected}");
    }
}
