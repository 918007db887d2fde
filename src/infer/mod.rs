//! Backwards: from what is left of a flake to what came off and what made it, and from many flakes to what
//! they were together.
//!
//! | file | what |
//! |---|---|
//! | [`attribution`] | which percussor, or which of two experiments, struck a flake or a group of flakes |
//! | [`lip`] | how often a flake has a lip under its platform |
//! | [`track_record`] | how often attribution was right on flakes it had not seen |
//! | `forward` | a calibration's forward model of one flake, given percussor and blow |
//! | `evidence` | the probability of a group of flakes, integrated over what they share |
//! | [`original`] | the original size of a retouched or broken piece |
//! | [`assemblage`] | totals and means of many flakes, with the uncertainty they share |
//! | [`comparison`] | whether two sets of flakes look alike |
//! | [`recovery`] | sieves: what a mesh holds, and what it lost |

pub mod assemblage;
pub mod attribution;
pub mod comparison;
mod evidence;
mod forward;
pub mod lip;
pub mod original;
pub mod recovery;
pub mod track_record;
