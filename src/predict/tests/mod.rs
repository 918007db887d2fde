//! What comes off: predictive distributions, the fast ways to their intervals, estimates, their cautions and their bits.

mod caution;
mod distribution;
mod fast_paths;
mod measurement;
mod same_bits;
mod vocabulary;
