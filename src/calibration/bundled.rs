//! The three calibrations that come with the crate.

use super::Calibration;
use crate::error::{Error, Result};

/// Names of the bundled calibrations.
pub const NAMES: [&str; 3] = ["controlled-glass", "hard-hammer-flint", "hard-hammer-quartzite"];

/// A bundled calibration by its name.
///
/// # Errors
/// [`Error::UnknownName`] with the list of names.
pub fn named(name: &str) -> Result<Calibration> {
    let text = match name {
        "controlled-glass" => include_str!("controlled-glass.json"),
        "hard-hammer-flint" => include_str!("hard-hammer-flint.json"),
        "hard-hammer-quartzite" => include_str!("hard-hammer-quartzite.json"),
        other => return Err(Error::unknown_name("calibration", other, NAMES)),
    };
    Calibration::from_json(text)
}
