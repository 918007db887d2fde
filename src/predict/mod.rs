//! Prediction: what size the next flake will have, as a distribution, with the reasons to distrust it.
//!
//! | file | what |
//! |---|---|
//! | [`batch`] | intervals for whole columns, and for one row without asking for memory |
//! | [`distribution`] | [`Predictive`]: the distribution of one size of one future flake |
//! | [`caution`] | typed doubts that travel with an answer |
//! | [`measurement`] | estimates from measurements that err |
//! | [`detachment`] | whether a blow takes a flake off: force, margin and probability with their intervals |
//! | [`contrast`] | two percussors on one platform: the difference of the sizes, and how sure it is |
//! | [`estimate`] | [`Predictor`]: from measurements to an [`Estimate`] under a calibration |
//! | `settled` | what rows of one kind share, and their numbers a block at a time |
//! | [`joint`] | [`Joint`]: the sizes of one flake together, and what a known size says of the rest |

pub mod batch;
/// Typed doubts that travel with an answer.
pub mod caution {
    pub use crate::calibration::caution::{Caution, in_words};
}
pub mod contrast;
pub mod detachment;
pub mod distribution;
pub mod estimate;
pub mod joint;
pub mod measurement;
mod mixture;
// only tables use the most of it
#[cfg_attr(not(feature = "table"), allow(dead_code))]
pub(crate) mod settled;

pub use caution::Caution;
pub use distribution::{Component, Interval, LEVEL, Predictive, Quantiles};
pub use estimate::{Ask, Estimate, Predictor, SizeEstimate};
pub use joint::{Conditional, Given, Joint};
