//! Tables fitted in columns and in pieces.

mod fit;
