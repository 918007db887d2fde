//! To be written.

use crate::error::Bounds;

/// The accepted levels of an interval.
pub const LEVEL: Bounds = Bounds::open("level", 0.0, 1.0, "");
