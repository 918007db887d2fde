//! The next experiment: which settings to strike, how many flakes, and what they will buy.
//!
//! The settings one can reach are [`Candidates`] of a form. [`choose`] picks n of them by exchange, so that the
//! coefficients ([`Criterion::Coefficients`], D-optimal) or the predictions at named platforms
//! ([`Criterion::Predictions`], I-optimal) become as certain as can be, on top of the flakes one already has.
//! What a set of flakes knows is its [`Information`]; from it follow the [`expected_width`] of intervals and
//! the [`power`] to see a difference between two percussors, before a single flake is struck.
//!
//! ```text
//! y = X b + e,   e ~ N(0, s^2):   cov(b) = s^2 M^-1,   M = X'X (existing flakes included)
//! ```
//!
//! A plan is as good as its form: it trusts the terms it was given and puts the flakes where *these* are
//! learnt best, mostly at the ends of the reach. Whether the form bends in between is for other flakes to
//! show. Nobody strikes an exact depth: [`Candidates::efficiency_within_tolerance`] says what is lost.
//!
//! | file | holds |
//! |---|---|
//! | `candidates` | the settings within reach: [`Factor`], [`Candidates`]; the even grid to compare with |
//! | `information` | what a set of flakes knows of the coefficients: [`Information`] |
//! | `exchange` | the choice of n settings: [`Exchange`], [`choose`] |
//! | `continuous` | the bound that no plan can pass: [`continuous_optimum`] |
//! | `outlook` | the width of the intervals to come: [`expected_width`] |
//! | `power` | the chance to see a difference: [`power`], [`Cores`] |
//!
//! ```
//! use conchoid::form::{Form, indicator};
//! use conchoid::plan::{Candidates, Exchange, Factor, Information, choose, power};
//! use rand::SeedableRng;
//!
//! // 24 flakes, quartzite against antler
//! let form = Form::named("log-log")?.with_terms([indicator("percussor", "antler")])?;
//! let reach = Candidates::grid(&form, vec![
//!     Factor::steps("platform_depth_mm", 4.0, 12.0, 1.0)?.with_tolerance(1.0)?,
//!     Factor::steps("exterior_platform_angle_deg", 60.0, 90.0, 5.0)?.with_tolerance(5.0)?,
//!     Factor::class("percussor", &["quartzite", "antler"])?,
//! ])?;
//! let plan = choose(reach.design(), &Exchange::new(24), &mut rand_chacha::ChaCha8Rng::seed_from_u64(1))?;
//! let even = Information::of(&reach.even_grid(24)?)?;
//! assert!(plan.information().efficiency_against(&even)? > 1.2);
//!
//! // to see that one percussor makes flakes 1.5 times as heavy, at a spread of 0.45 on the ln scale
//! let antler = plan.information().variance_of("percussor = antler")?;
//! let chance = power(1.5f64.ln(), 0.45, antler, plan.information().degrees_of_freedom(), 0.05)?;
//! assert!(chance > 0.5 && chance < 0.6);
//! # Ok::<(), conchoid::Error>(())
//! ```

mod candidates;
mod continuous;
mod exchange;
mod information;
mod outlook;
mod power;

pub use crate::fit::Design;
pub use candidates::{Candidates, Factor, SettingValue, WithinTolerance};
pub use continuous::{ContinuousOptimum, continuous_optimum};
pub use exchange::{Chosen, Criterion, Exchange, choose};
pub use information::{Information, undetermined};
pub use outlook::{Aim, expected_width};
#[cfg(test)]
pub(crate) use power::noncentral_student_sf;
pub use power::{Allocation, Cores, power};

#[cfg(test)]
mod tests;
