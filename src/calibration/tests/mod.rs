//! Calibrations updated with few flakes.

mod real_data;
mod updating;
