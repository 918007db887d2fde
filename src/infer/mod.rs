//! Backwards: from a flake to what made it.
//!
//! | file | what |
//! |---|---|
//! | [`attribution`] | which percussor, or which of two experiments, struck a flake or a group of flakes |
//! | [`lip`] | how often a flake has a lip under its platform |
//! | [`track_record`] | how often attribution was right on flakes it had not seen |
//! | `forward` | a calibration's forward model of one flake, given percussor and blow |
//! | `evidence` | the probability of a group of flakes, integrated over what they share |

pub mod attribution;
mod evidence;
mod forward;
pub mod lip;
pub mod track_record;
