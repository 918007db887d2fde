//! Backwards: from what is left of a flake to what came off and what made it, and from many flakes to what
//! they were together.
//!
//! | file | what |
//! |---|---|
//! | `attribution` | which percussor, or which of two experiments, struck a flake or a group of flakes |
//! | `lip` | how often a flake has a lip under its platform |
//! | `track_record` | how often attribution was right on flakes it had not seen |
//! | `forward` | a calibration's forward model of one flake, given percussor and blow |
//! | `evidence` | the probability of a group of flakes, integrated over what they share |
//! | `original` | the original size of a retouched or broken piece |
//! | `groups` | groups of pieces by name, and what is counted beside their numbers |
//! | `losses` | original mass and share lost of many retouched pieces, by group |
//! | `assemblage` | totals and means of many flakes, with the uncertainty they share |
//! | `comparison` | whether two sets of flakes look alike |
//! | `recovery` | sieves: what a mesh holds, and what it lost |

pub(crate) mod assemblage;
pub(crate) mod attribution;
pub(crate) mod comparison;
mod evidence;
mod forward;
mod groups;
pub(crate) mod lip;
pub(crate) mod losses;
pub(crate) mod original;
pub(crate) mod recovery;
pub(crate) mod track_record;

pub use assemblage::{Assemblage, Drawing, Drawn, GroupTotals, USUAL_DRAWS};
pub use attribution::{Attribution, BlowSetting, SiteShift, Strength, Verdict};
pub use comparison::{Comparison, Distance, Resampling};
pub use lip::LipModel;
pub use losses::{GroupLosses, Losses};
pub use original::{
    BetaLoss, LeansOn, LengthThen, LookBack, Loss, Original, OriginalAt, OriginalEstimate, Remains, SHARE,
    original,
};
pub use recovery::{Grade, Held, Mesh, Struck, size_grades, struck};
pub use track_record::TrackRecord;

#[cfg(test)]
mod tests;
