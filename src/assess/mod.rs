//! Assessment: how well calibrations foretell flakes that they have not seen, and which form to prefer.
//!
//! Every form is fitted again without the flakes it is tested on, through the same stages as any
//! calibration ([`Recipe`](crate::calibration::fitting::Recipe), collector, predictor), and its predictive
//! distributions are scored against what came off. All forms are compared on the same flakes.
//!
//! | file | what |
//! |---|---|
//! | `folds` | which flakes are tested together: repeated k-fold, leave-one-out, leave-one-group-out |
//! | `score` | what one predictive says of one flake: log score, CRPS, coverage, interval score |
//! | `compare` | [`cross_validate`], [`as_they_stand`]: scores with standard errors, by class, differences, a recommendation |
//! | `as_it_stands` | [`AsItStands`]: a calibration as it stands against what was found |
//! | `measured` | how many flakes chance allows outside of their intervals, and what to do where there are more |
//! | `residual` | checks of a least squares fit, each with a sentence about what to do |
//!
//! ```
//! use conchoid::assess::{Folds, Question, cross_validate};
//! use conchoid::calibration::{Provenance, Recipe};
//! use conchoid::flake::Flake;
//! use conchoid::form::Form;
//! use conchoid::strike::Strike;
//!
//! let mut flakes = Vec::new();
//! for (depth, angle, mass) in [
//!     (4.0, 70.0, 6.1), (6.0, 80.0, 19.0), (9.0, 65.0, 25.0), (7.0, 75.0, 17.0), (5.0, 85.0, 15.0),
//!     (3.0, 72.0, 3.9), (8.0, 60.0, 16.0), (5.5, 66.0, 9.5),
//! ] {
//!     flakes.push(Flake::builder().strike(Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?).mass_g(mass).build()?);
//! }
//! let recipe = |form: &str| {
//!     let own = Provenance::new("field school", "own records", "own", "example");
//!     Recipe::single(form, "mass_g", Form::named(form)?, own)
//! };
//! let recipes = [recipe("log-log")?, recipe("tangent-power")?];
//! let folds = Folds::leave_one_out(flakes.len())?;
//! let a = cross_validate(&recipes, &flakes, &folds, &Question::new("mass_g"))?;
//! assert_eq!(a.flakes, 8);
//! println!("{}", a.recommendation());
//! # Ok::<(), conchoid::Error>(())
//! ```

mod as_it_stands;
pub(crate) mod compare;
pub(crate) mod folds;
pub(crate) mod measured;
pub(crate) mod residual;
pub(crate) mod score;

pub use as_it_stands::AsItStands;
pub(crate) use as_it_stands::SizeAsItStands;
pub use compare::{
    Assessment, ClassScores, Coverage, FormAssessment, Pit, Question, Scores, Tested, as_they_stand,
    cross_validate,
};
pub use folds::Folds;
pub use residual::{ResidualChecks, residual_checks};
#[cfg(test)]
pub(crate) use score::Score;
pub use score::{LEVELS, crps_of_ln};

#[cfg(test)]
mod tests;
