//! Flake size and termination from platform, exterior platform angle and percussor, with honest intervals.
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod assess;
pub mod calibration;
pub mod error;
pub mod fit;
pub mod flake;
pub mod form;
pub mod infer;
pub mod material;
pub mod mechanics;
pub mod plan;
pub mod predict;
pub mod special;
pub mod strike;
#[cfg(feature = "table")]
pub mod table;

pub use error::{Error, Result};
