//! How much less is known of a flake that was struck beyond those of the experiment.
//!
//! ```text
//!   variance of the expected ln size  +=  sum over measurements of (slope sd x distance beyond the range)^2
//!                                     +=  own^2 (leverage - largest leverage fitted), where that is above 0
//! ```
//!
//! Inside the flakes a slope is estimated; beyond the last of them it is that of flakes nobody struck, which differs from the
//! one fitted as slopes of one body of flakes differ from those of another. How much they differ was taken from 16 to 19
//! excavated sites (`tests/reference/slopes_between_sites.py`). The distance is in natural logarithms for lengths and
//! areas, in tens of degrees for angles. The same distance says how far the shares of terminations go back to those of
//! the whole experiment.

use super::{At, Resolved};
use crate::calibration::{Range, SizeModel};
use crate::form::{Layout, Transform};

/// Standard deviation between sites of the slope of ln size on ln platform depth, without width: mass 0.38; width 0.21,
/// length and thickness 0.12. Own computation from the tables named in `data-sources.md`.
const SLOPE_SD: (f64, f64) = (0.38, 0.2);
/// The same on the exterior angle, for ten degrees: mass 0.07 to 0.09; other sizes 0.02 to 0.04.
const SLOPE_SD_TEN_DEG: (f64, f64) = (0.08, 0.04);

/// Ten degrees, or one unit of a natural logarithm, beyond the flakes of an experiment.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Distance {
    lengths: f64,
    angles: f64,
}

/// What one size of a variant needs to know of the flakes fitted to tell how far a row lies beyond them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Opening {
    /// Ranges of the measurements, each with its place in an input row.
    ranges: Vec<(usize, Range)>,
    mass: bool,
    transform: Transform,
    largest_leverage: f64,
}

impl Opening {
    /// That of a size model; without ranges only an unlike combination opens it. A loss does not open.
    pub(super) fn new(m: &SizeModel, ranges: &[Range], layout: &Layout) -> Opening {
        // how slopes differ between sites is known of sizes on platforms, not of what retouch took off
        let ranges = if m.form.transform() == Transform::LnExcess { &[] } else { ranges };
        Opening {
            ranges: ranges.iter().filter_map(|r| Some((layout.position(&r.name)?, r.clone()))).collect(),
            mass: m.size.ends_with("_g"),
            transform: m.form.transform(),
            largest_leverage: m.largest_leverage,
        }
    }

    /// Whether a row of this leverage, its entries given by place, lies beyond the flakes at all.
    #[inline]
    pub(crate) fn is_beyond(&self, x: impl Fn(usize) -> f64, leverage: f64) -> bool {
        let outside = |(at, r): &(usize, Range)| {
            let v = x(*at);
            v < r.low || v > r.high
        };
        leverage > self.largest_leverage || self.ranges.iter().any(outside)
    }

    /// Whether some row of a block lies beyond the flakes, or nearly: by its columns, given by place, and the variances that
    /// the coefficients give its rows beside a spread.
    pub(crate) fn may_be_beyond<'a>(
        &self,
        column: impl Fn(usize) -> Option<&'a [f64]>,
        variances: &[f64],
        spread: f64,
    ) -> bool {
        let outside = |column: &[f64], low: f64, high: f64| {
            column.iter().fold(false, |any, v| any | (*v < low) | (*v > high))
        };
        let most = (1.0 - 1e-12) * self.largest_leverage * spread * spread;
        outside(variances, f64::NEG_INFINITY, most)
            || (self.ranges.iter())
                .any(|(at, r)| column(*at).is_some_and(|column| outside(column, r.low, r.high)))
    }

    /// What is less known of a row for lying beyond the flakes fitted, in parts that rows share: the standard deviation
    /// on the transformed scale, and of what it is (a measurement, or the combination of them).
    pub(crate) fn parts(&self, x: impl Fn(usize) -> f64, at: &At) -> Vec<(&str, f64)> {
        let slope = self.transform.per_ln(at.location);
        let of = |(at, r): &'_ (usize, Range)| Some(slope * self.less_known(distance(r, x(*at))?));
        let mut found: Vec<(&str, f64)> =
            self.ranges.iter().filter_map(|range| Some((range.1.name.as_str(), of(range)?))).collect();
        let unlike = self.unlike(at);
        if unlike > 0.0 {
            found.push(("combination", at.own * unlike.sqrt()));
        }
        found
    }

    fn less_known(&self, d: Distance) -> f64 {
        let (lengths, angles) =
            if self.mass { (SLOPE_SD.0, SLOPE_SD_TEN_DEG.0) } else { (SLOPE_SD.1, SLOPE_SD_TEN_DEG.1) };
        d.lengths * lengths + d.angles * angles
    }

    /// The variance that the size has, on the transformed scale, for lying beyond the flakes fitted; nothing inside.
    pub(super) fn variance(&self, x: impl Fn(usize) -> f64, at: &At) -> f64 {
        let distances = self.ranges.iter().filter_map(|(at, r)| distance(r, x(*at)));
        let ln: f64 = distances.map(|d| self.less_known(d).powi(2)).sum();
        let slope = self.transform.per_ln(at.location);
        ln * slope * slope + at.own * at.own * self.unlike(at)
    }

    /// How unlike those fitted a combination is. A loss does not open: what the marks of a piece hold is its own.
    fn unlike(&self, at: &At) -> f64 {
        match self.transform {
            Transform::LnExcess => 0.0,
            _ => (at.leverage() - self.largest_leverage).max(0.0),
        }
    }
}

/// How far a value lies beyond a range, where it does.
fn distance(r: &Range, v: f64) -> Option<Distance> {
    let (inside, outside) = if v < r.low {
        (r.low, v)
    } else if v > r.high {
        (r.high, v)
    } else {
        return None;
    };
    if r.name.ends_with("_deg") {
        Some(Distance { lengths: 0.0, angles: 0.1 * (outside - inside).abs() })
    } else if (r.name.ends_with("_mm") || r.name.ends_with("_mm2")) && inside > 0.0 && outside > 0.0 {
        Some(Distance { lengths: (outside / inside).ln().abs(), angles: 0.0 })
    } else {
        None
    }
}

impl Resolved {
    /// The share of the terminations of the whole experiment in an answer for a row: none inside, all of it far out.
    pub(crate) fn share_of_experiment(&self, variant: usize, x: &[f64]) -> f64 {
        let ranges = self.variant(variant).ranges.iter().zip(&self.ready(variant).ranged);
        let far: f64 =
            ranges.filter_map(|(r, at)| distance(r, x[(*at)?])).map(|d| d.lengths + d.angles).sum();
        -(-far).exp_m1()
    }
}
