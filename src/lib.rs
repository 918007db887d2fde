//! Flake size and termination from platform, exterior platform angle and percussor, as distributions, and back.
//!
//! Given a platform and a blow, [`predict`] says how long, wide, thick and heavy the flake will be, with an
//! interval and the reasons to distrust it; given what is left of a flake, [`infer`] says what came off. Both
//! rest on a [`calibration`]: regressions fitted to a published experiment, or to your own flakes.
//!
//! ```
//! use conchoid::calibration::bundled;
//! use conchoid::predict::{Ask, Predictor};
//! use conchoid::strike::{Platform, Strike};
//!
//! let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
//! let platform = Platform::builder().depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
//! let estimate = predictor.estimate(&Strike::builder().platform(platform).build()?, &Ask::default())?;
//! let length = estimate.size("length_mm").unwrap().interval(0.95)?;
//! assert!(length.low < length.median && length.median < length.high);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! New to flake measurements, to intervals, or to both: the [`guide`].
//!
//! # The rooms, in the order in which data flows
//!
//! | room | what lives there |
//! |---|---|
//! | [`Error`] | one error type; every message says what was found, where, and what would be accepted |
//! | [`material`] | stones and percussors, with ranges and sources |
//! | [`strike`] | platform, blow, strike: everything fixed before the flake exists |
//! | [`flake`] | what came off, as an analyst records it |
//! | [`mechanics`] | closed-form fracture mechanics of one blow, no statistics |
//! | [`special`] | distribution functions accurate enough for the intervals |
//! | [`form`] | the shapes of regressions: transforms and terms; the published forms by name |
//! | [`fit`] | fitting, without archaeology: matrices and named columns |
//! | [`calibration`] | fitted forms with provenance; the bundled ones |
//! | [`predict`] | predictive distributions, intervals, cautions |
//! | [`assess`] | cross-validation, coverage, scores, residual checks |
//! | [`infer`] | backwards: original size, percussor, assemblages |
//! | [`plan`] | the next experiment |
//! | [`guide`] | how to measure, choose, read, fit, look back and plan; a page for each form and calibration |
//! | [`vector`] | logarithm and exponential of whole columns |
//! | `table` | reading and writing tables of flakes (feature `table`) |
//!
//! # Features
//!
//! | feature | default | what |
//! |---|---|---|
//! | `table` | yes | reading and writing CSV |
//! | `parallel` | no | several threads; the answers are the same bytes |
//! | `simd` | no | loops for wider registers, chosen while the program runs; the same bytes |
//!
//! # What is promised
//!
//! No panic on data, no output, no clock, no files, no global state; the same input gives the same bytes. What
//! cannot be answered is an [`Error`], what can be answered with doubt carries [`predict::Caution`]s.
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod assess;
pub mod calibration;
mod error;
pub mod fit;
pub mod flake;
pub mod form;
pub mod guide;
pub mod infer;
pub mod material;
pub mod mechanics;
pub mod plan;
pub mod predict;
pub mod special;
pub mod strike;
#[cfg(feature = "table")]
pub mod table;
mod threads;
pub mod vector;

pub use error::{Bounds, Error, Place, Result, nearest};

/// The README's code, compiled and run with the other examples.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;
