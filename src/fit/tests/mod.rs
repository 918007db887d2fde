//! Fits held against R, statsmodels, NIST and independent computations.

mod compare;
mod linear;
mod multinomial;
mod nist_linear;
mod r_lm;
mod real_data;
mod shrunken;
