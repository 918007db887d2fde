//! Flake size and termination from platform, exterior platform angle and percussor, as distributions, and back.
//!
//! *Given the platform and the percussor, what flake comes off? Given what is left of a flake, what came off, and
//! what struck it?* The answer is always a distribution with the reasons to distrust it, never a bare number.
//!
//! ```
//! use conchoid::calibration::bundled;
//! use conchoid::predict::{Ask, Predictor};
//! use conchoid::strike::Strike;
//!
//! let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
//! let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
//! let estimate = predictor.estimate(&strike, &Ask::default())?;
//! let length = estimate.size("length_mm").unwrap().interval(0.95)?;
//! assert!(length.low < length.median && length.median < length.high);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! New to flake measurements, to intervals, or to both: the [`guide`].
//!
//! # The types that matter
//!
//! | type | what | made by | gives |
//! |---|---|---|---|
//! | [`Strike`](strike::Strike) | platform, percussor and blow: what is fixed before the flake exists | a builder | a row for a predictor |
//! | [`Flake`](flake::Flake) | what came off, as an analyst records it | a builder | a row for a fit |
//! | [`Measured`](strike::Measured) | anything measurements can be asked of by name: both of the above, rows of tables, your own types | | |
//! | [`Calibration`](calibration::Calibration) | forms fitted to an experiment, with uncertainty, range and provenance | [`bundled`](calibration::bundled), a fit, JSON | |
//! | [`Recipe`](calibration::Recipe), [`Collector`](calibration::Collector) | what to fit; the flakes it is fitted to | | a calibration and a report |
//! | [`Local`](calibration::Local) | a calibration to be updated with few flakes of your own | | a calibration |
//! | [`Predictor`](predict::Predictor) | a calibration made ready | a calibration | estimates |
//! | [`Estimate`](predict::Estimate) | every size of one flake, its termination, the cautions | a predictor | distributions; [`at`](predict::Estimate::at) a level: numbers to store and send |
//! | [`Predictive`](predict::Predictive) | the distribution of one size | an estimate | intervals, quantiles, draws |
//! | [`Joint`](predict::Joint) | the sizes of one flake together | an estimate | draws of whole flakes, sizes given another |
//! | [`original`](infer::original()), [`Assemblage`](infer::Assemblage) | what a piece was; what many were together | a predictor | |
//! | [`Attribution`](infer::Attribution) | which percussor | calibrations | a verdict |
//!
//! ```text
//! Flakes -> Collector -> Calibration -> Predictor -> Estimate -> Predictive -> Interval
//!              (Recipe)    (JSON)           \-> original, Assemblage, Attribution, plan
//! ```
//!
//! # Cookbook
//!
//! **A table in, its estimates out**, in constant memory and on all threads (feature `parallel`); rows that cannot be
//! answered say why:
//!
//! ```
//! # #[cfg(feature = "table")] {
//! use conchoid::calibration::bundled;
//! use conchoid::table::{TableOptions, TableReader};
//! use conchoid::predict::Predictor;
//!
//! let csv = "flake,platform_depth_mm,exterior_platform_angle_deg\nA1,8.0,75\nA2,,80\n";
//! let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
//! let mut table = TableReader::new(csv.as_bytes(), &TableOptions::new())?;
//! let (mut row, mut answered, mut refused) = (table.row(), 0, 0);
//! while table.read(&mut row)? {
//!     match predictor.estimate(&row, &Default::default()) {
//!         Ok(_) => answered += 1,
//!         Err(why) => { refused += 1; assert!(why.to_string().contains("platform")) }
//!     }
//! }
//! assert_eq!((answered, refused), (1, 1));
//! # }
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! **A calibration of your own from values in memory**, and its JSON:
//!
//! ```
//! use conchoid::calibration::{Calibration, Collector, Provenance, Recipe};
//! use conchoid::form::Form;
//! use conchoid::predict::Predictor;
//!
//! let provenance = Provenance::new("field school", "own records", "own", "made in memory");
//! let mut collector = Collector::new(Recipe::single("school", "mass_g", Form::named("log-log")?, provenance)?)?;
//! let depth = [3.0, 4.5, 5.0, 6.5, 8.0, 9.5, 11.0, 12.5];
//! let angle = [70.0, 78.0, 65.0, 82.0, 74.0, 68.0, 80.0, 72.0];
//! let mass = [2.0, 7.5, 5.0, 22.0, 24.0, 27.0, 71.0, 66.0];
//! collector.offer_numbers(
//!     &["platform_depth_mm", "exterior_platform_angle_deg", "mass_g"], &[&depth, &angle, &mass])?;
//! let (calibration, report) = collector.finish()?;
//! assert_eq!((report.offered, report.used), (8, 8));
//! let stored = calibration.to_json();
//! let again = Predictor::new(Calibration::from_json(&stored)?)?;
//! assert_eq!(again.calibration(), &calibration);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! **A published calibration updated with a handful of your flakes**: [`calibration::Local`].
//!
//! **What a retouched piece weighed before**:
//!
//! ```
//! use conchoid::calibration::bundled;
//! use conchoid::infer::{Remains, original};
//! use conchoid::predict::{Ask, Predictor};
//! use conchoid::strike::Strike;
//!
//! let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
//! let piece = Strike::builder().platform_depth_mm(9.0).exterior_platform_angle_deg(72.0).build()?;
//! let found = original(&predictor, &piece, &Remains::new(14.2)?, &Ask::default(), None)?;
//! assert!(found.mass.interval(0.95)?.low > 14.2);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! **A bag of flakes together**: [`infer::Assemblage`]. **Which percussor**: [`infer::Attribution`].
//!
//! **Draws for a simulation**, each a whole flake whose sizes agree with each other. Functions that draw take any
//! generator of the crate `rand`, version 0.10:
//!
//! ```
//! use conchoid::calibration::bundled;
//! use conchoid::predict::{Ask, Joint, Predictor};
//! use conchoid::strike::Strike;
//! use rand::SeedableRng;
//!
//! let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
//! let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
//! let estimate = predictor.estimate(&strike, &Ask::default())?;
//! let joint = Joint::new(&estimate)?;
//! let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
//! let flake = joint.draw(&mut rng);
//! assert!(flake.size("mass_g").unwrap() > 0.0);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! **An answer as JSON, and back**; an original size by [`infer::OriginalEstimate::at`] and a comparison likewise. Assessments, reports of
//! fits, and totals and losses of groups are written as they are, but not read back into these types:
//!
//! ```
//! # use conchoid::calibration::bundled;
//! # use conchoid::predict::{Ask, EstimateAt, Predictor};
//! # use conchoid::strike::Strike;
//! # let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
//! # let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
//! # let estimate = predictor.estimate(&strike, &Ask::default())?;
//! let json = serde_json::to_string(&estimate.at(0.95)?).unwrap();
//! let back: EstimateAt = serde_json::from_str(&json).unwrap();
//! assert!(back.size("mass_g").unwrap().low > 0.0);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! # The rooms, in the order in which data flows
//!
//! | room | what lives there |
//! |---|---|
//! | [`material`] | stones and percussors, with ranges and sources |
//! | [`strike`] | platform, blow, strike: everything fixed before the flake exists |
//! | [`flake`] | what came off, as an analyst records it |
//! | [`form`] | the shapes of regressions: transforms and terms; the published forms by name |
//! | [`calibration`] | fitted forms with provenance; fitting; the bundled ones |
//! | [`predict`] | predictive distributions, intervals, cautions |
//! | [`assess`] | cross-validation, coverage, scores, residual checks |
//! | [`infer`] | backwards: original size, percussor, assemblages |
//! | [`plan`] | the next experiment |
//! | `table` | reading and writing tables of flakes (feature `table`) |
//! | [`guide`] | how to measure, choose, read, fit, look back and plan; the published forms; a page for each calibration |
//!
//! One error type for all of them: [`Error`], whose messages say what was found, where, and what would be accepted.
//!
//! # Features
//!
//! | feature | default | what |
//! |---|---|---|
//! | `table` | yes | reading and writing CSV |
//! | `parallel` | no | several threads; the answers are the same bytes |
//! | `simd` | no | loops for wider registers, chosen while the program runs; the same bytes |
//! | `schema` | no | JSON Schema of every answer, by `schemars` 1 |
//!
//! # What is promised, and what is not done
//!
//! No panic on data, no output, no clock, no files, no global state; the same input gives the same bytes. What
//! cannot be answered is an [`Error`], what can be answered with doubt carries [`predict::Caution`]s.
//!
//! It does not say who made a piece, when, or for what; it knows no core but through its flakes; it models one blow, not
//! a sequence; and it does not replace refitting, use-wear or judgement ([`guide::limits`]). It needs `std` (so no
//! `no_std`); where else it runs is told in [`guide::elsewhere`].
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod assess;
mod by_name;
pub mod calibration;
mod error;
mod fit;
pub mod flake;
pub mod form;
pub mod guide;
pub mod infer;
pub mod material;
pub(crate) mod mechanics;
mod page;
pub mod plan;
pub mod predict;
mod special;
pub mod strike;
#[cfg(feature = "table")]
pub mod table;
#[cfg(all(test, feature = "table"))]
mod tests;
mod threads;
mod vector;
mod vocabulary;

pub use error::{Bounds, Error, Place, Result};

/// The README's code, compiled and run with the other examples.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;
