//! Predictive distributions, and the fast ways to their intervals.

mod distribution;
mod fast_paths;
