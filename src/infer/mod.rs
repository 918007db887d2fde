//! Backwards: from what is left of a flake to what came off, and from many flakes to what they were.
//!
//! | file | what |
//! |---|---|
//! | [`original`] | the original size of a retouched or broken piece |
//! | [`assemblage`] | totals and means of many flakes, with the uncertainty they share |
//! | [`comparison`] | whether two sets of flakes look alike |
//! | [`recovery`] | sieves: what a mesh holds, and what it lost |

pub mod assemblage;
pub mod comparison;
pub mod original;
pub mod recovery;
