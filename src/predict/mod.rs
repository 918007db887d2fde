//! Prediction: what size the next flake will have, as a distribution, with the reasons to distrust it.
//!
//! | file | what |
//! |---|---|
//! | `answer` | an estimate at one level, as it is stored and sent |
//! | `batch` | intervals for whole columns, and for one row without asking for memory |
//! | `distribution` | [`Predictive`]: the distribution of one size of one future flake |
//! | `measurement` | estimates from measurements that err |
//! | `detachment` | whether a blow takes a flake off: force, margin and probability with their intervals |
//! | `contrast` | two percussors on one platform: the difference of the sizes, and how sure it is |
//! | `percussors` | [`Contrast`]: percussors side by side, as one answer |
//! | `estimate` | [`Predictor`]: from measurements to an [`Estimate`] under a calibration |
//! | `row_kind` | what rows of one kind share, and their numbers a block at a time |
//! | `updated` | [`Updated`]: what local flakes moved in a calibration |
//! | `joint` | [`Joint`]: the sizes of one flake together, and what a known size says of the rest |

mod answer;
pub(crate) mod batch;
pub(crate) mod contrast;
pub(crate) mod detachment;
pub(crate) mod distribution;
pub(crate) mod estimate;
pub(crate) mod joint;
mod kept;
pub(crate) mod measurement;
mod mixture;
mod percussors;
// only tables use the most of it
#[cfg_attr(not(feature = "table"), allow(dead_code))]
pub(crate) mod row_kind;
mod selected;
mod updated;

pub use crate::calibration::caution::{Caution, in_few_of, in_words};
pub use crate::page::{percent, short, unit};
pub(crate) use answer::Behind;
pub(crate) use answer::CautionText;
pub use answer::EstimateAt;
pub use batch::{Batch, Quick};

pub use detachment::{BlowAsKnown, BlowFigures, DetachmentEstimate, Ranged, UsualBlow};
pub(crate) use distribution::Part;
#[cfg(any(test, feature = "table"))]
pub(crate) use distribution::Quantiles;
pub(crate) use distribution::USUAL_LEVEL;
pub use distribution::{Component, Interval, LEVEL, Predictive};
pub use estimate::{Ask, Estimate, Predictor, SizeEstimate};
pub use joint::{DrawnFlake, Given, Joint};
pub use measurement::MeasurementErrors;
pub use percussors::Contrast;
pub use updated::Updated;

#[cfg(test)]
pub(crate) use {
    contrast::{DifferenceScale, SizeDifference, side_by_side},
    detachment::compare_blows,
};

#[cfg(test)]
mod tests;
