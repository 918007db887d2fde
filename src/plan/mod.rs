//! The next experiment: which settings to strike, how many flakes, and what they will buy.
//!
//! An [`Experiment`] says what can be struck and what it is to tell; its [`Plan`] is the knapping list, with the widths of
//! the intervals to come and the chance to see a difference between percussors, before a single flake is struck.
//!
//! ```text
//! y = X b + e,   e ~ N(0, s^2):   cov(b) = s^2 M^-1,   M = X'X (existing flakes included)
//! ```
//!
//! Settings are chosen by exchange so that the coefficients (D-optimal: the largest determinant of M) or the predictions
//! at named platforms (I-optimal: the least mean of x'M^-1 x) become as certain as can be, on top of the flakes one
//! has. A plan is as good as its form: it trusts the terms it was given and puts the flakes where *these* are
//! learnt best, mostly at the ends of the reach. Whether the form bends in between is for other flakes to
//! show. Nobody strikes an exact depth: a plan says what is kept within tolerance.
//!
//! | file | holds |
//! |---|---|
//! | `experiment` | what is asked for, checked and planned: [`Experiment`] |
//! | `answer` | the plan, serialised and in words: [`Plan`], [`Target`], [`Outlook`] |
//! | `candidates` | the settings within reach, as rows of a form; the even grid to compare with |
//! | `information` | what a set of flakes knows of the coefficients |
//! | `exchange` | the choice of n settings |
//! | `continuous` | the bound that no plan can pass |
//! | `outlook` | the width of the intervals to come |
//! | `power` | the chance to see a difference; cores that differ |

mod answer;
mod candidates;
mod continuous;
mod exchange;
mod experiment;
mod information;
mod outlook;
mod power;

pub use answer::{Outlook, Plan, Target};
pub use experiment::Experiment;

#[cfg(test)]
pub(crate) use {
    candidates::{Candidates, Factor, Limit},
    continuous::continuous_optimum,
    exchange::{Exchange, choose},
    information::{Information, undetermined},
    outlook::{Aim, expected_width},
    power::{Allocation, Cores, noncentral_student_sf, power},
};

#[cfg(test)]
mod tests;
