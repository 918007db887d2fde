//! Prediction: what size the next flake will have, as a distribution, with the reasons to distrust it.
//!
//! | file | what |
//! |---|---|
//! | [`batch`] | intervals for whole columns, and for one row without asking for memory |
//! | [`distribution`] | [`Predictive`]: the distribution of one size of one future flake |
//! | [`caution`] | typed doubts that travel with an answer |
//! | [`estimate`] | [`Predictor`]: from measurements to an [`Estimate`] under a calibration |

pub mod batch;
pub mod caution;
pub mod distribution;
pub mod estimate;

pub use caution::Caution;
pub use distribution::{Component, Interval, LEVEL, Predictive};
pub use estimate::{Ask, Estimate, Predictor, SizeEstimate};
