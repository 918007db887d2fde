//! The Hertzian cone: the load that starts it, how far it grows, its angle, and the platform it cuts.
//!
//! Start by Auerbach's law P = A K² r / E*, growth by P / c^(3/2) = K / χ, and the plane geometry of a cone that
//! meets the edge of a platform: percussion point at depth h from the edge, two rays at half the platform surface interior
//! angle (PSIA) to either side. Lengths of the geometry are in millimetres, everything else in SI.
//! Not covered: bending initiations with a lip, which need no cone.

use crate::error::{Bounds, Error, Result};
use crate::material::{TOUGHNESS, YOUNGS_MODULUS};

use super::contact::{FORCE, RADIUS};

/// Auerbach's constant A, from memory of Lawn 1998, J. Am. Ceram. Soc. 81:1977-1994 (abstract seen, not the
/// number).
///
/// An independent evaluation of the crack integral gives A = 1.8·10³ to 10⁴ for Poisson's ratio 0.17 to 0.25,
/// steeply rising with it and with the distance of the flaw from the rim (computed): treat it as uncertain by
/// `AUERBACH_FACTOR`, less rather than more for flint.
pub const AUERBACH: f64 = 8.6e3;
/// The factor by which [`AUERBACH`] may be wrong either way; an assumption from the computation named there.
pub const AUERBACH_FACTOR: f64 = 2.5;
/// The constant D of the load at which a spherical tip leaves a plastic dent, from memory of Lawn 1998, as above.
pub const PLASTIC_DENT: f64 = 0.85;
/// Apex angle of the Hertzian cone in soda-lime glass, degrees: 22 to the surface, 68 to the axis. McPherron
/// et al. 2020, PLOS ONE 15(11): e0241714, citing Kocer & Collins 1998, Lawn, Wilshaw & Hartley 1974 and
/// Roesler 1956. (One web page calls the 22 degrees semi-vertical; it is the angle to the surface.)
pub const GLASS_CONE_ANGLE_DEG: f64 = 136.0;

const AUERBACH_BOUNDS: Bounds = Bounds::above("auerbach_constant", 0.0, 1e7, "");
const HARDNESS: Bounds = Bounds::above("hardness_pa", 0.0, 1e12, "Pa");
const DENT: Bounds = Bounds::above("plastic_constant", 0.0, 100.0, "");
const CHI: Bounds = Bounds::above("chi", 0.0, 10.0, "");
const CONE_RADIUS: Bounds = Bounds::above("cone_radius_m", 0.0, 10.0, "m");

/// The load at which a ring becomes a cone, N.
///
/// # Formula
/// P = A K² r / E: A dimensionless ([`AUERBACH`]), K the stone's toughness (Pa m^(1/2)), E a modulus (Pa), r the
/// effective radius of the *touching bump*, not of the cobble (m). Proportional to radius: Laugier 1984, J.
/// Mater. Sci. 19:254, abstract. Energetic origin: Frank & Lawn 1967, Proc. R. Soc. A 299:291.
///
/// Papers differ on whether E is the stone's or the contact modulus; theory says the contact modulus E*
/// (computed), and for antler the choice changes the load five to six times. Holds for flaws of about 0.01 to
/// 0.1 of the contact radius (from memory); polished surfaces need more, abraded ones less.
///
/// ```
/// use conchoid::mechanics::{AUERBACH, cone_load_n};
/// let load = cone_load_n(AUERBACH, 0.75e6, 5.718370264475e10, 0.0111)?;
/// assert!((load - 939.0).abs() < 1.0);
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`] for `auerbach_constant` (above 0, at most 10⁷), `toughness_pa_sqrt_m`,
/// `youngs_modulus_pa` or `radius_m`.
pub fn cone_load_n(
    auerbach_constant: f64,
    toughness_pa_sqrt_m: f64,
    modulus_pa: f64,
    radius_m: f64,
) -> Result<f64> {
    AUERBACH_BOUNDS.check(auerbach_constant)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    YOUNGS_MODULUS.check(modulus_pa)?;
    RADIUS.check(radius_m)?;
    Ok(cone_load(auerbach_constant, toughness_pa_sqrt_m, modulus_pa, radius_m))
}

pub(crate) fn cone_load(a: f64, toughness: f64, modulus: f64, radius: f64) -> f64 {
    a * toughness * (toughness / modulus) * radius
}

/// The load at which the stone dents plastically under a spherical tip, N.
///
/// # Formula
/// P = D H (H/E)² r²: D dimensionless ([`PLASTIC_DENT`]), H hardness (Pa), E a modulus (Pa), r the effective radius
/// (m). From memory of Lawn 1998, J. Am. Ceram. Soc. 81:1977.
///
/// # Errors
/// [`Error::OutOfRange`] for `plastic_constant` (above 0, at most 100), `hardness_pa` (above 0, at most 10¹²),
/// `youngs_modulus_pa` or `radius_m`.
pub fn plastic_load_n(
    plastic_constant: f64,
    hardness_pa: f64,
    modulus_pa: f64,
    radius_m: f64,
) -> Result<f64> {
    DENT.check(plastic_constant)?;
    HARDNESS.check(hardness_pa)?;
    YOUNGS_MODULUS.check(modulus_pa)?;
    RADIUS.check(radius_m)?;
    let ratio = hardness_pa / modulus_pa;
    Ok(plastic_constant * hardness_pa * ratio * ratio * radius_m * radius_m)
}

/// The tip radius at which dent and cone need the same load, m: smaller tips dent, larger ones crack.
///
/// # Formula
/// r = (A/D)(E/H)(K/H)², where [`cone_load_n`] meets [`plastic_load_n`]; computed. Uncertain as A is.
///
/// # Errors
/// As those two.
pub fn crossover_radius_m(
    auerbach_constant: f64,
    plastic_constant: f64,
    modulus_pa: f64,
    hardness_pa: f64,
    toughness_pa_sqrt_m: f64,
) -> Result<f64> {
    AUERBACH_BOUNDS.check(auerbach_constant)?;
    DENT.check(plastic_constant)?;
    YOUNGS_MODULUS.check(modulus_pa)?;
    HARDNESS.check(hardness_pa)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    // K/H is a root of a length: its square is one.
    let root_length = toughness_pa_sqrt_m / hardness_pa;
    Ok(auerbach_constant / plastic_constant * (modulus_pa / hardness_pa) * root_length * root_length)
}

/// The base radius of a full-grown cone under a load, m.
///
/// # Formula
/// c = (χ P / K)^(2/3), from P / c^(3/2) = K / χ: χ dimensionless. Form from memory of Roesler 1956, Proc. Phys.
/// Soc. B 69:981. No value of χ was seen, it depends on Poisson's ratio, friction and kinking (J. Eur. Ceram.
/// Soc. 2016, doi 10.1016/j.jeurceramsoc.2016.08.014, abstract), so it is the caller's to calibrate; take only the
/// exponent from here. For cones much wider than the contact.
///
/// # Errors
/// [`Error::OutOfRange`] for `chi` (above 0, at most 10), `force_n` or `toughness_pa_sqrt_m`.
pub fn full_cone_radius_m(chi: f64, force_n: f64, toughness_pa_sqrt_m: f64) -> Result<f64> {
    CHI.check(chi)?;
    FORCE.check(force_n)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    let root = (chi * force_n / toughness_pa_sqrt_m).cbrt();
    Ok(root * root)
}

/// The load that holds a full-grown cone of base radius c, N: the inverse of [`full_cone_radius_m`],
/// P = K c^(3/2) / χ.
///
/// # Errors
/// [`Error::OutOfRange`] for `chi`, `cone_radius_m` (above 0, at most 10 m) or `toughness_pa_sqrt_m`.
pub fn full_cone_load_n(chi: f64, cone_radius_m: f64, toughness_pa_sqrt_m: f64) -> Result<f64> {
    CHI.check(chi)?;
    CONE_RADIUS.check(cone_radius_m)?;
    TOUGHNESS.check(toughness_pa_sqrt_m)?;
    Ok(toughness_pa_sqrt_m * cone_radius_m * cone_radius_m.sqrt() / chi)
}

/// The edge of the platform, seen from above.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Edge {
    /// A straight edge.
    #[default]
    Straight,
    /// An edge that bulges away from the percussion point, a circle of this radius.
    Convex {
        /// Radius of the edge, mm.
        radius_mm: f64,
    },
    /// An edge that curves in toward the percussion point.
    Concave {
        /// Radius of the edge, mm.
        radius_mm: f64,
    },
}

const DEPTH_MM: Bounds = Bounds::above("platform_depth_mm", 0.0, 1000.0, "mm");
const ANGLE: Bounds = Bounds::open("interior_angle_deg", 0.0, 180.0, "degrees");
const EDGE_RADIUS: Bounds = Bounds::above("edge_radius_mm", 0.0, 100_000.0, "mm");

/// The platform width that a cone of a given angle cuts at a given platform depth, mm.
///
/// # Formula
/// θ half the angle at the percussion point, h the depth, ρ the radius of the edge, t the length of a ray:
/// - straight: W = 2 h tan θ, 4.95 h at 136 degrees;
/// - convex: t = −(ρ−h) cos θ + √(ρ² − (ρ−h)² sin²θ), W = 2 t sin θ;
/// - concave: t = (ρ+h) cos θ − √(ρ² − (ρ+h)² sin²θ), W = 2 t sin θ, if the rays meet the edge at all.
///
/// Plane geometry, computed. It assumes a flat platform, a cone that runs to the edge at a constant angle, and a
/// blow along the normal: an oblique one widens the section. On the glass table a straight edge overpredicts by
/// about a third, a convex edge of 43 mm (fitted) hardly.
///
/// ```
/// use conchoid::mechanics::{Edge, platform_width_mm};
/// assert!((platform_width_mm(10.0, 136.0, Edge::Straight)? - 49.5017370683).abs() < 1e-9);
/// assert!((platform_width_mm(5.0, 136.0, Edge::Convex { radius_mm: 50.0 })? - 19.8337884619).abs() < 1e-9);
/// assert!(platform_width_mm(10.0, 136.0, Edge::Concave { radius_mm: 100.0 }).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`] for `platform_depth_mm` (above 0, at most 1000), `interior_angle_deg` (between 0 and
/// 180), `edge_radius_mm` (above 0, at most 100 000); [`Error::Invalid`] where the depth exceeds the radius of a
/// convex edge, or the rays miss a concave one.
pub fn platform_width_mm(depth_mm: f64, interior_angle_deg: f64, edge: Edge) -> Result<f64> {
    DEPTH_MM.check(depth_mm)?;
    ANGLE.check(interior_angle_deg)?;
    let (sin, cos) = (0.5 * interior_angle_deg).to_radians().sin_cos();
    let h = depth_mm;
    // Both rays are written as a quotient, which keeps its digits however flat the edge is.
    let ray = match edge {
        Edge::Straight => h / cos,
        Edge::Convex { radius_mm } => {
            EDGE_RADIUS.check(radius_mm)?;
            if h > radius_mm {
                return Err(Error::invalid(
                    DEPTH_MM.name(),
                    format!(
                        "{h} mm lies beyond the centre of a convex edge of radius {radius_mm} mm \
                         (accepted: at most that radius)"
                    ),
                ));
            }
            let q = radius_mm - h;
            let root = ((radius_mm - q * sin) * (radius_mm + q * sin)).sqrt();
            h * (2.0 * radius_mm - h) / (q * cos + root)
        }
        Edge::Concave { radius_mm } => {
            EDGE_RADIUS.check(radius_mm)?;
            let q = radius_mm + h;
            if q * sin > radius_mm {
                return Err(Error::invalid(
                    "edge_radius_mm",
                    format!(
                        "rays at {interior_angle_deg} degrees from a depth of {h} mm miss a concave edge of radius \
                         {radius_mm} mm (accepted: a larger radius, a smaller depth or a smaller angle)"
                    ),
                ));
            }
            let root = ((radius_mm - q * sin) * (radius_mm + q * sin)).sqrt();
            h * (2.0 * radius_mm + h) / (q * cos + root)
        }
    };
    Ok(2.0 * ray * sin)
}

/// The angle at the percussion point between the two ends of the platform width, degrees, from three
/// landmarks in space (any one unit).
///
/// # Formula
/// The angle between u = left − point and v = right − point: atan2(|u × v|, u · v).
///
/// ```
/// use conchoid::mechanics::angle_from_landmarks_deg;
/// let angle = angle_from_landmarks_deg([0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 2.0, 0.0])?;
/// assert!((angle - 90.0).abs() < 1e-12);
/// assert!(angle_from_landmarks_deg([0.0; 3], [0.0; 3], [0.0, 2.0, 0.0]).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`] for a coordinate beyond 10⁶ or not finite; [`Error::Invalid`] where an end coincides with
/// the percussion point.
pub fn angle_from_landmarks_deg(point: [f64; 3], left: [f64; 3], right: [f64; 3]) -> Result<f64> {
    for (name, landmark) in [("percussion_point", point), ("platform_left", left), ("platform_right", right)]
    {
        let bounds = Bounds::closed(name, -1e6, 1e6, "");
        for coordinate in landmark {
            bounds.check(coordinate)?;
        }
    }
    let arm = |end: [f64; 3], name: &str| {
        let arm = [end[0] - point[0], end[1] - point[1], end[2] - point[2]];
        let length = arm[0].hypot(arm[1]).hypot(arm[2]);
        if length > 0.0 {
            Ok(arm.map(|x| x / length))
        } else {
            Err(Error::invalid(name, "coincides with the percussion point (accepted: three distinct points)"))
        }
    };
    let (u, v) = (arm(left, "platform_left")?, arm(right, "platform_right")?);
    let cross = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    let dot = u[0] * v[0] + u[1] * v[1] + u[2] * v[2];
    Ok(cross[0].hypot(cross[1]).hypot(cross[2]).atan2(dot).to_degrees())
}

/// The angle at the percussion point from three caliper lengths: the platform width and the distances from the
/// percussion point to its left and right end, degrees.
///
/// # Formula
/// With w the width, l and r the sides: tan²(θ/2) = ((w − (l − r)) (w + (l − r))) / (((l + r) − w) ((l + r) + w)), the half-angle
/// form of the law of cosines, which keeps its digits for flat triangles.
///
/// ```
/// use conchoid::mechanics::angle_from_lengths_deg;
/// assert!((angle_from_lengths_deg(5.0, 3.0, 4.0)? - 90.0).abs() < 1e-12);
/// let e = angle_from_lengths_deg(30.0, 10.0, 12.0).unwrap_err();
/// assert!(e.to_string().contains("make no triangle"));
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`] for `platform_width_mm`, `left_side_mm` or `right_side_mm` not above 0 and at most 10 000;
/// [`Error::Invalid`] where the longest is not shorter than the two others together: such lengths make no
/// triangle.
pub fn angle_from_lengths_deg(width_mm: f64, left_mm: f64, right_mm: f64) -> Result<f64> {
    const WIDTH: Bounds = Bounds::above("platform_width_mm", 0.0, 10_000.0, "mm");
    const LEFT: Bounds = Bounds::above("left_side_mm", 0.0, 10_000.0, "mm");
    const RIGHT: Bounds = Bounds::above("right_side_mm", 0.0, 10_000.0, "mm");
    WIDTH.check(width_mm)?;
    LEFT.check(left_mm)?;
    RIGHT.check(right_mm)?;
    let (a, b, c) = (left_mm.max(right_mm), left_mm.min(right_mm), width_mm);
    // Kahan's grouping: differences are taken between neighbours in size, where they are exact.
    let b_plus_c_minus_a = if b >= c { c - (a - b) } else { b - (a - c) };
    let a_plus_b_minus_c = (a - c) + b;
    if b_plus_c_minus_a <= 0.0 || a_plus_b_minus_c <= 0.0 {
        return Err(Error::invalid(
            "platform_width_mm",
            format!(
                "width {width_mm}, left side {left_mm} and right side {right_mm} mm make no triangle \
                 (accepted: each shorter than the two others together)"
            ),
        ));
    }
    let half = (((a - b) + c) * b_plus_c_minus_a).sqrt().atan2(((a + (b + c)) * a_plus_b_minus_c).sqrt());
    Ok((2.0 * half).to_degrees())
}
