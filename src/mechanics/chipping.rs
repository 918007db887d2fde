//! Chipping at an edge: the force a platform requires, and how long a spall grows.
//!
//! Force P = β K h^(3/2) for a load at distance h (m) from the edge of a stone of toughness K (Pa m^(1/2)); spall
//! length L = C (Ê d^(5/2) / K)^(1/2) with Ê = E/(1 − ν²). The first was found with sharp points, pressed
//! slowly, square to a right-angled edge, with h well above the contact and well below the block; blunt tips,
//! impact and other angles are extrapolation. Percussor mass, speed and stiffness stand in neither: they decide
//! whether a flake comes off, not its size.

use crate::error::{Bounds, Result};
use crate::material::{POISSON_RATIO, TOUGHNESS, YOUNGS_MODULUS};

use super::contact::FORCE;

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
/// ```
/// use conchoid::mechanics::{BETA, edge_depth_m, edge_force_n};
/// let force = edge_force_n(BETA, 1.5e6, 0.008)?;
/// assert!((force - 9981.80745156).abs() < 1e-7);
/// assert!((edge_depth_m(BETA, 1.5e6, force)? - 0.008).abs() < 1e-15);
/// assert!(edge_force_n(BETA, -1.5e6, 0.008).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
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
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `beta`, `toughness_pa_sqrt_m` or `force_n` (above 0, at
/// most 10⁹).
pub fn edge_depth_m(beta: f64, toughness_pa_sqrt_m: f64, force_n: f64) -> Result<f64> {
    BETA_BOUNDS.check(beta)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    FORCE.check(force_n)?;
    Ok(depth_carried(beta, toughness_pa_sqrt_m, force_n))
}

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
#[non_exhaustive]
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
/// ```
/// use conchoid::mechanics::glass_angle_factor;
/// assert_eq!(glass_angle_factor(90.0, 0.0)?.factor, 1.0);
/// let low = glass_angle_factor(40.0, 20.0)?;
/// assert!(low.platform_angle_outside && low.factor == glass_angle_factor(55.0, 20.0)?.factor);
/// # Ok::<(), conchoid::Error>(())
/// ```
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

/// Load per width over K d^(1/2) at which the spall crack runs: √2 cos ω with ω = 52.07 degrees. Computed from the
/// split-layer solution (Suo & Hutchinson 1990; Hutchinson & Suo 1992, ω from memory).
pub const SPALL_LOAD: f64 = 0.869_314_643_404_153_7;
/// Distance of the steady load from the middle of the split layer, over its depth: tan ω/(2√3). Computed.
const ECCENTRICITY: f64 = 0.370_419_247_384_703_3;

/// The load per metre of edge that runs a spall crack at depth d, N/m.
///
/// # Formula
/// P' = √2 cos ω K d^(1/2) = 0.8693 K d^(1/2), where mode II vanishes and the crack runs parallel to the face.
/// Plane strain, steady state. The edge-spalling case is Thouless, Evans, Ashby & Hutchinson 1987, Acta
/// Metall. 35:1333 (from memory). Times the width of the cone (4.95 d) it gives 4.3 K d^(3/2): the exponent of
/// the edge law, its constant within about two.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `toughness_pa_sqrt_m` or `platform_depth_m`.
pub fn spall_load_n_per_m(toughness_pa_sqrt_m: f64, spall_depth_m: f64) -> Result<f64> {
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    DEPTH.check(spall_depth_m)?;
    Ok(SPALL_LOAD * toughness_pa_sqrt_m * spall_depth_m.sqrt())
}

/// The prefactor C of [`spall_length_m`] if the spall turns back once its tip has bent by η times its depth.
///
/// # Formula
/// C = arccos(1/(1 + η/0.3704)) / √(12 · 0.8693): a column of depth d under P' at eccentricity 0.3704 d,
/// bending by η d at length L. Computed; 0.15, 0.27 and 0.40 at η 0.05, 0.2 and 1. Which η a stone has is not
/// known.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `eta` not above 0 and at most 10.
pub fn spall_prefactor(eta: f64) -> Result<f64> {
    Bounds::above("eta", 0.0, 10.0, "").check(eta)?;
    let x = eta / ECCENTRICITY;
    // arccos(1/(1+x)) without the loss of digits at small x.
    let angle = (x * (2.0 + x)).sqrt().atan2(1.0);
    Ok(angle / (12.0 * SPALL_LOAD).sqrt())
}

/// The length of a spall, m.
///
/// # Formula
/// L = C (Ê d^(5/2) / K)^(1/2), Ê = E/(1 − ν²): C a prefactor that theory leaves to the caller (0.15 to 0.4, see
/// [`spall_prefactor`]), E (Pa) and ν of the stone, d the depth over which the edge is loaded (m), K its toughness.
/// The proportionality: Chiu, Thouless & Endres 1998, Int. J. Fract. 90:287-298, abstract (finite elements, plane
/// strain); its prefactor was not seen.
///
/// Right in size at 2 to 5 mm, too long at 10: cores end, and a flake is no plane strip. For the size of
/// flakes use the regressions; this is for the direction in which materials pull.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `prefactor` (above 0, at most 100), `youngs_modulus_pa`,
/// `poisson_ratio`, `toughness_pa_sqrt_m` or `platform_depth_m`.
pub fn spall_length_m(
    prefactor: f64,
    youngs_modulus_pa: f64,
    poisson_ratio: f64,
    toughness_pa_sqrt_m: f64,
    depth_m: f64,
) -> Result<f64> {
    Bounds::above("prefactor", 0.0, 100.0, "").check(prefactor)?;
    YOUNGS_MODULUS.check(youngs_modulus_pa)?;
    POISSON_RATIO.check(poisson_ratio)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    DEPTH.check(depth_m)?;
    let plane_modulus = youngs_modulus_pa / (1.0 - poisson_ratio * poisson_ratio);
    Ok(prefactor * (plane_modulus * depth_m * depth_m * depth_m.sqrt() / toughness_pa_sqrt_m).sqrt())
}
