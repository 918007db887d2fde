//! Tables in and out.

mod estimates;
mod intake;
mod read;
