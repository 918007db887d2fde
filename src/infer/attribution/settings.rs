//! How blows are set where a flake does not tell: settings with weights, the same for every percussor.

use crate::calibration::Calibration;
use crate::error::{Error, Result};
use crate::form::{ANGLE_OF_BLOW, LANDS_ON};
use crate::strike::LandsOn;
use serde::{Deserialize, Serialize};

/// One setting of the blow and its weight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlowSetting {
    /// Angle of blow in degrees; 0 is perpendicular to the platform.
    pub angle_of_blow_deg: Option<f64>,
    /// Where the blow lands.
    pub lands_on: Option<LandsOn>,
    /// Weight, above 0; only ratios count.
    pub weight: f64,
}

/// Settings whose weights are scaled to sum to 1.
///
/// # Errors
/// [`Error::Invalid`] without settings or with a weight not above 0; [`Error::OutOfRange`] for an angle of
/// blow outside what a [`Strike`](crate::strike::Strike) accepts.
pub(super) fn scaled(mut settings: Vec<BlowSetting>) -> Result<Vec<BlowSetting>> {
    for s in &settings {
        s.angle_of_blow_deg.map(|angle| crate::strike::ANGLE_OF_BLOW_DEG.check(angle)).transpose()?;
        if !(s.weight > 0.0 && s.weight <= 1e12) {
            return Err(Error::invalid("settings", format!("{} is no weight (accepted: above 0)", s.weight)));
        }
    }
    if settings.is_empty() {
        return Err(Error::invalid("settings", "at least one setting of the blow is needed"));
    }
    let total: f64 = settings.iter().map(|s| s.weight).sum();
    settings.iter_mut().for_each(|s| s.weight /= total);
    Ok(settings)
}

/// Those of an experiment: how its flakes were struck, whatever the percussor.
pub(super) fn of_experiment(calibration: &Calibration) -> Vec<BlowSetting> {
    let names = calibration.setting_names();
    let (angle, lands) =
        (names.iter().position(|n| n == ANGLE_OF_BLOW), names.iter().position(|n| n == LANDS_ON));
    let layout = calibration.layout();
    let levels = layout.position(LANDS_ON).and_then(|at| layout.class_at(at)).map(|c| &c.levels);
    let mut found: Vec<BlowSetting> = Vec::new();
    for s in calibration.settings() {
        let angle_of_blow_deg = angle.map(|i| s.values[i]);
        let name = lands.and_then(|i| levels.and_then(|l| l.get(s.values[i] as usize)));
        let lands_on = name.and_then(|n| n.parse().ok());
        let same = |f: &&mut BlowSetting| f.angle_of_blow_deg == angle_of_blow_deg && f.lands_on == lands_on;
        match found.iter_mut().find(same) {
            Some(f) => f.weight += s.flakes as f64,
            None => found.push(BlowSetting { angle_of_blow_deg, lands_on, weight: s.flakes as f64 }),
        }
    }
    let open = BlowSetting { angle_of_blow_deg: None, lands_on: None, weight: 1.0 };
    scaled(found).unwrap_or(vec![open])
}
