//! The width of the intervals to come.
//!
//! Under normal errors of spread s, an interval from n flakes under p terms has the half width
//! t S sqrt(own + x'M^-1 x), with t the quantile of Student's t at n - p degrees of freedom, own 1 for a new
//! flake and 0 for the mean, and S the spread that these flakes will show. Its expectation is exact:
//!
//! ```text
//! E S = c s,   c = sqrt(2/v) G((v + 1)/2) / G(v/2) = sqrt(2 pi) f_v(0),   v = n - p,  f_v the density of t
//! ```

use super::information::Information;
use crate::error::{Result, at_least, positive};
use crate::predict::LEVEL;
use crate::special::Student;

/// What an interval is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Aim {
    /// One new flake.
    NewFlake,
    /// The expected size of such flakes.
    Mean,
}

impl Aim {
    /// Variance of the flake itself, in units of the squared spread.
    pub(super) fn own(self) -> f64 {
        match self {
            Aim::NewFlake => 1.0,
            Aim::Mean => 0.0,
        }
    }
}

/// Expected width of an interval, high less low on the transformed scale, at a variance in units of s^2.
pub(super) fn width(variance: f64, spread: f64, level: f64, freedom: f64) -> f64 {
    let t = Student::new(freedom);
    let shown = (2.0 * std::f64::consts::PI).sqrt() * t.pdf(0.0);
    2.0 * t.quantile_upper(0.5 * (1.0 - level)) * shown * spread * variance.sqrt()
}

/// Expected width (high less low, on the transformed scale) of the interval at a row of terms, from flakes
/// with this information. On a scale of natural logarithms, its exponential is high over low.
///
/// # Errors
/// [`TooFew`](crate::Error::TooFew) unless there are more flakes than terms; [`Shape`](crate::Error::Shape) for a row of another length;
/// [`OutOfRange`](crate::Error::OutOfRange) for a spread that is not positive or a level not strictly between 0 and 1.
pub fn expected_width(
    information: &Information,
    row: &[f64],
    spread: f64,
    level: f64,
    aim: Aim,
) -> Result<f64> {
    let level = LEVEL.check(level)?;
    let spread = positive("spread", spread)?;
    let freedom = information.degrees_of_freedom();
    at_least("flakes", information.flakes, information.names.len() + 1)?;
    Ok(width(aim.own() + information.variance_at(row)?, spread, level, freedom))
}
