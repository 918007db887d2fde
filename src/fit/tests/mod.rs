//! Fits held against R, statsmodels, NIST and independent computations.

mod compare;
mod each_once;
mod held_out;
mod linear;
mod multinomial;
mod nist_linear;
mod r_lm;
mod real_data;
mod shrunken;

pub(crate) use held_out::held_out_probabilities;
