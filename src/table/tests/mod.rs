//! Tables in and out, fitted in columns and in pieces.

mod estimates;
mod fit;
mod intake;
mod originals;
mod read;
