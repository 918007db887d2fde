//! Chipping at an edge: the force a platform requires.
//!
//! Force P = β K h^(3/2) for a load at distance h (m) from the edge of a stone of toughness K (Pa m^(1/2)). It was found
//! with sharp points, pressed slowly, square to a right-angled edge, with h well above the contact and well below the
//! block; blunt tips, impact and other angles are extrapolation.

use crate::error::{Bounds, Result};
use crate::material::TOUGHNESS;

/// The constant β of the edge law, from memory of Chai & Lawn 2007, Acta Mater. 55:2555-2561 (the abstract,
/// seen, states the universal relation, not the number).
pub const BETA: f64 = 9.3;
/// The spread of [`BETA`], one standard deviation; from memory, as the constant.
pub const BETA_SD: f64 = 1.3;

/// Distance from the percussion point to the edge, m.
pub(crate) const DEPTH: Bounds = Bounds::above("platform_depth_m", 0.0, 1.0, "m");
/// The constant of the edge law.
pub(crate) const BETA_BOUNDS: Bounds = Bounds::above("beta", 0.0, 1000.0, "");
/// Exterior platform angle.
pub(crate) const PLATFORM_ANGLE: Bounds = Bounds::open("exterior_platform_angle_deg", 0.0, 180.0, "degrees");
/// Angle of blow, 0 along the platform's normal, positive toward the flaking face.
pub(crate) const BLOW_ANGLE: Bounds = Bounds::open("angle_of_blow_deg", -90.0, 90.0, "degrees");

/// The force that takes a flake off an edge of 90 degrees struck along the normal, N.
///
/// # Formula
/// P = β K h^(3/2): β dimensionless ([`BETA`] unless you have better), K the toughness of the stone (Pa m^(1/2)),
/// h the platform depth (m).
///
/// An instrumented hammerstone recorded up to 730 N with flakes off glass (Barroso-Medina, Lin, Tocheri &
/// Sreenivasa, abstract), h about 2 mm by this law. A blunt percussor may show an exponent below 3/2. Other
/// angles: [`glass_angle_factor`].
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `beta` (above 0, at most 1000), `toughness_pa_sqrt_m`
/// (10⁴ to 5·10⁸) or `platform_depth_m` (above 0, at most 1).
pub fn edge_force_n(beta: f64, toughness_pa_sqrt_m: f64, depth_m: f64) -> Result<f64> {
    BETA_BOUNDS.check(beta)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    DEPTH.check(depth_m)?;
    Ok(beta * toughness_pa_sqrt_m * depth_m * depth_m.sqrt())
}

/// The deepest platform that a force can take off, m: the inverse of [`edge_force_n`], h = (P / β K)^(2/3).
pub(crate) fn depth_carried(beta: f64, toughness: f64, force: f64) -> f64 {
    let root = (force / (beta * toughness)).cbrt();
    root * root
}

/// What the force readings of the controlled glass flakes say of depth and angles.
///
/// Recomputed by least squares of ln(force reading) on ln(platform depth), exterior platform angle and angle
/// of blow: soda-lime glass, moulded cores, blows on the platform, feather terminations, platform not
/// bevelled, positive reading, 185 flakes (table of McPherron et al. 2020, PLOS ONE 15(11): e0241714, a
/// three-quarters sample). Each value with its standard error. The readings have no stated unit: take
/// exponents and slopes from them, never newtons. The exponent of force on depth was 1.447, standard error 0.048;
/// theory says 1.5.
pub(crate) mod glass {
    /// Slope of ln force per degree of exterior platform angle.
    pub const PLATFORM_ANGLE_SLOPE: f64 = 0.028_806;
    /// Its standard error.
    pub const PLATFORM_ANGLE_SLOPE_SE: f64 = 0.002_396;
    /// Slope of ln force per degree of angle of blow.
    pub const BLOW_ANGLE_SLOPE: f64 = -0.029_325;
    /// Its standard error.
    pub const BLOW_ANGLE_SLOPE_SE: f64 = 0.002_119;
    /// Residual standard deviation of ln force.
    pub const RESIDUAL_SD: f64 = 0.267_79;
    /// Exterior platform angles of those flakes, degrees.
    pub const PLATFORM_ANGLES_DEG: (f64, f64) = (55.0, 95.0);
    /// Angles of blow of those flakes, degrees.
    pub const BLOW_ANGLES_DEG: (f64, f64) = (-5.0, 50.0);
}

/// How angles change the required force, by the glass slopes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AngleFactor {
    /// Required force over that at 90 degrees and a blow along the normal.
    pub factor: f64,
    /// The exterior platform angle lay outside the slopes' range and was held at its nearest end.
    pub platform_angle_outside: bool,
    /// The angle of blow lay outside the slopes' range and was held at its nearest end.
    pub blow_angle_outside: bool,
}

/// The required force at an exterior platform angle and an angle of blow, over that of a right-angled edge
/// struck along its normal.
///
/// # Formula
/// exp(0.0288 (A − 90) − 0.0293 B): A the exterior platform angle, B the angle of blow (degrees); the slopes of
/// glass. Ten degrees more A need 1.33 times the force, ten more B 0.75 times.
///
/// This is an empirical slope of moulded glass cores, A 55 to 95, B −5 to 50, and no theory: Chai & Lawn 2007,
/// Int. J. Fract. 145:159-165 (abstract) say that angles enter β only, but their function was not seen and is not
/// imitated here. Outside the range the angle is held at the nearest end and the answer says so.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `exterior_platform_angle_deg` not between 0 and 180 or
/// `angle_of_blow_deg` not between −90 and 90.
pub fn glass_angle_factor(exterior_platform_angle_deg: f64, angle_of_blow_deg: f64) -> Result<AngleFactor> {
    PLATFORM_ANGLE.check(exterior_platform_angle_deg)?;
    BLOW_ANGLE.check(angle_of_blow_deg)?;
    let (low, high) = glass::PLATFORM_ANGLES_DEG;
    let a = exterior_platform_angle_deg.clamp(low, high);
    let (low, high) = glass::BLOW_ANGLES_DEG;
    let b = angle_of_blow_deg.clamp(low, high);
    Ok(AngleFactor {
        factor: (glass::PLATFORM_ANGLE_SLOPE * (a - 90.0) + glass::BLOW_ANGLE_SLOPE * b).exp(),
        platform_angle_outside: a != exterior_platform_angle_deg,
        blow_angle_outside: b != angle_of_blow_deg,
    })
}
