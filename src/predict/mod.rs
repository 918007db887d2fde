//! Prediction: what size the next flake will have, as a distribution, with the reasons to distrust it.
//!
//! | file | what |
//! |---|---|
//! | [`distribution`] | [`Predictive`]: the distribution of one size of one future flake |
//! | [`conformal`] | the conformal correction of any calibration's intervals |
//! | [`caution`] | typed doubts that travel with an answer |
//! | [`estimate`] | [`Predictor`]: from measurements to an [`Estimate`] under a calibration |

pub mod caution;
pub mod conformal;
pub mod distribution;
pub mod estimate;

pub use caution::Caution;
pub use distribution::{Component, Interval, LEVEL, Predictive, Quantiles};
pub use estimate::{Ask, Estimate, Predictor, SizeEstimate};
