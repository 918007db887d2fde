//! How a calibration as it stands fits flakes that it was not made from: what was found against what was expected, size
//! by size, in sums that do not grow with the flakes.

use crate::by_name::place_of;
use crate::calibration::fitting::as_struck;
use crate::error::Result;
use crate::predict::{Estimate, Interval, LEVEL, SizeEstimate};
use crate::special::normal_quantile;
use crate::strike::Measured;
use serde::Serialize;

/// What was found of one size, against what was expected.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct SizeAsItStands {
    /// The size.
    pub size: String,
    /// What the calibration means by it (`mean_thickness_mm`).
    pub column: String,
    /// Complete flakes of which it was recorded.
    pub flakes: u64,
    /// Of these, flakes inside their intervals.
    pub inside: u64,
    /// Level of the intervals.
    pub level: f64,
    /// Geometric mean of observed over expected (the median).
    pub factor: f64,
    /// Lower end of its 95 % interval, flakes taken as independent; none for a single flake.
    pub factor_low: Option<f64>,
    /// The upper end.
    pub factor_high: Option<f64>,
    /// Root mean square of ln observed - ln expected.
    pub rmse_ln: f64,
    /// Root mean square of observed - expected, in the unit of the size.
    pub rmse: f64,
}

/// One size of a flake that was recorded, beside what was expected.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FoundSize {
    size: String,
    column: String,
    observed: f64,
    expected: Interval,
}

/// How the sizes recorded of complete flakes lie beside what was expected of them, over the flakes of a table
/// ([`TableEstimates::write_beside`](crate::table::TableEstimates::write_beside)); a
/// [`TableReport`](crate::table::TableReport) tells it.
#[derive(Debug, Clone, PartialEq)]
pub struct AsItStands {
    level: f64,
    sums: Vec<Sums>,
}

#[derive(Debug, Clone, PartialEq, Default)]
struct Sums {
    size: String,
    column: String,
    flakes: u64,
    inside: u64,
    ln: f64,
    ln_squares: f64,
    squares: f64,
}

impl AsItStands {
    /// The columns of sizes that were recorded of so many flakes at least.
    pub fn columns(&self, flakes: u64) -> Vec<String> {
        self.sizes().into_iter().filter(|s| s.flakes >= flakes).map(|s| s.column).collect()
    }

    /// Nothing yet, for intervals of this level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) unless 0 < level < 1.
    pub(crate) fn new(level: f64) -> Result<AsItStands> {
        Ok(AsItStands { level: LEVEL.check(level)?, sums: Vec::new() })
    }

    /// What a flake shows beside its estimate; nothing of one that is not as it was struck.
    ///
    /// # Errors
    /// None for an estimate of this crate.
    pub(crate) fn found(&self, flake: &impl Measured, e: &Estimate) -> Result<Vec<FoundSize>> {
        if as_struck(flake, false).is_err() {
            return Ok(Vec::new());
        }
        let beside = |s: &SizeEstimate| {
            let observed = flake.number(&s.column).filter(|v| *v > 0.0 && v.is_finite())?;
            let (size, column) = (s.size.clone(), s.column.clone());
            let expected = s.predictive.interval(self.level);
            Some(expected.map(|expected| FoundSize { size, column, observed, expected }))
        };
        e.sizes.iter().filter_map(beside).collect()
    }

    /// Adds a flake.
    pub(crate) fn take(&mut self, flake: Vec<FoundSize>) {
        for FoundSize { size, column, observed, expected } in flake {
            let same = |s: &Sums| s.column == column;
            let new = || Sums { size, column: column.clone(), ..Sums::default() };
            let at = place_of(&mut self.sums, same, new);
            let s = &mut self.sums[at];
            s.flakes += 1;
            s.inside += u64::from((expected.low..=expected.high).contains(&observed));
            let ln_error = (observed / expected.median.max(f64::MIN_POSITIVE)).ln();
            s.ln += ln_error;
            s.ln_squares += ln_error * ln_error;
            s.squares += (observed - expected.median).powi(2);
        }
    }

    /// Every size found, in the order of the calibrations' sizes.
    pub(crate) fn sizes(&self) -> Vec<SizeAsItStands> {
        let z = normal_quantile(0.975);
        let of = |s: &Sums| {
            let n = s.flakes as f64;
            let mean = s.ln / n;
            let error = ((s.ln_squares - n * mean * mean).max(0.0) / (n * (n - 1.0))).sqrt();
            SizeAsItStands {
                size: s.size.clone(),
                column: s.column.clone(),
                flakes: s.flakes,
                inside: s.inside,
                level: self.level,
                factor: mean.exp(),
                factor_low: Some((mean - z * error).exp()).filter(|v| v.is_finite()),
                factor_high: Some((mean + z * error).exp()).filter(|v| v.is_finite()),
                rmse_ln: (s.ln_squares / n).sqrt(),
                rmse: (s.squares / n).sqrt(),
            }
        };
        let order = |column: &str| crate::calibration::SIZE_COLUMNS.iter().position(|(c, _)| *c == column);
        let mut sizes: Vec<SizeAsItStands> = self.sums.iter().map(of).collect();
        sizes.sort_by_key(|s| order(&s.column));
        sizes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::bundled;
    use crate::flake::Flake;
    use crate::predict::{Ask, Predictor};
    use crate::strike::Strike;

    #[test]
    fn flakes_are_found_beside_what_was_expected_of_them() {
        let predictor = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
        let mut fit = AsItStands::new(0.95).unwrap();
        for mass in [10.0, 14.0, 30.0] {
            let strike =
                Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build().unwrap();
            let flake = Flake::builder().strike(strike).mass_g(mass).build().unwrap();
            let estimate = predictor.estimate(&flake, &Ask::default()).unwrap();
            fit.take(fit.found(&flake, &estimate).unwrap());
        }
        let mass = &fit.sizes()[0];
        assert_eq!((mass.size.as_str(), mass.flakes, mass.inside), ("mass_g", 3, 3));
        assert_eq!((fit.columns(3), fit.columns(4)), (vec!["mass_g".to_string()], Vec::new()));
        assert!(AsItStands::new(1.0).is_err());
    }
}
