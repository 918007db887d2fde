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
use crate::calibration::Range;
use crate::form::Transform;

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
#[derive(Debug, Clone)]
pub(crate) struct Opening {
    ranges: Vec<Range>,
    places: Vec<Option<usize>>,
    mass: bool,
    transform: Transform,
    largest_leverage: f64,
}

impl Opening {
    /// The variance that the size has, on the transformed scale, for lying beyond the flakes fitted; nothing inside.
    pub(crate) fn variance(&self, x: &[f64], at: &At) -> f64 {
        opened(distances(&self.ranges, &self.places, x), self.mass, self.transform, self.largest_leverage, at)
    }
}

/// How far a row lies beyond each range that it leaves.
fn distances<'a>(
    ranges: &'a [Range],
    places: &'a [Option<usize>],
    x: &'a [f64],
) -> impl Iterator<Item = Distance> + 'a {
    ranges.iter().zip(places).filter_map(|(r, at)| {
        let v = x[(*at)?];
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
    })
}

/// The variance on the transformed scale of a size at such distances.
fn opened(
    distances: impl Iterator<Item = Distance>,
    mass: bool,
    transform: Transform,
    largest_leverage: f64,
    at: &At,
) -> f64 {
    let (lengths, angles) =
        if mass { (SLOPE_SD.0, SLOPE_SD_TEN_DEG.0) } else { (SLOPE_SD.1, SLOPE_SD_TEN_DEG.1) };
    let ln: f64 = distances.map(|d| (d.lengths * lengths).powi(2) + (d.angles * angles).powi(2)).sum();
    // by how much the transformed size changes where its logarithm changes by one
    let slope = match transform {
        Transform::Ln => 1.0,
        Transform::Log10 => std::f64::consts::LOG10_E,
        Transform::CubeRoot => at.location / 3.0,
        _ => at.location,
    };
    ln * slope * slope + at.own * at.own * (at.leverage() - largest_leverage).max(0.0)
}

impl Resolved {
    fn distances<'a>(&'a self, variant: usize, x: &'a [f64]) -> impl Iterator<Item = Distance> + 'a {
        distances(&self.variant(variant).ranges, &self.ready(variant).ranged, x)
    }

    /// What a size of a variant needs to open beyond the flakes fitted, for those who keep no calibration.
    pub(crate) fn opening(&self, variant: usize, size: usize) -> Opening {
        let v = self.variant(variant);
        let m = &v.sizes[size];
        Opening {
            ranges: v.ranges.clone(),
            places: self.ready(variant).ranged.clone(),
            mass: m.size.ends_with("_g"),
            transform: m.form.transform(),
            largest_leverage: m.largest_leverage,
        }
    }

    /// The variance that a size of a variant has, on the transformed scale, for lying beyond the flakes fitted; nothing
    /// inside.
    pub(crate) fn variance_beyond(&self, variant: usize, size: usize, x: &[f64], at: &At) -> f64 {
        let m = &self.variant(variant).sizes[size];
        opened(self.distances(variant, x), m.size.ends_with("_g"), m.form.transform(), m.largest_leverage, at)
    }

    /// The share of the terminations of the whole experiment in an answer for a row: none inside, all of it far out.
    pub(crate) fn share_of_experiment(&self, variant: usize, x: &[f64]) -> f64 {
        -(-self.distances(variant, x).map(|d| d.lengths + d.angles).sum::<f64>()).exp_m1()
    }
}
