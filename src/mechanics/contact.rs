//! Static contact of a percussor's tip and the platform, by Hertz: two smooth elastic bodies pressed together; and the
//! load that starts a cone under them.
//!
//! With E* the contact modulus (Pa), R the tip's radius on a flat platform (m) and F the force (N): contact radius
//! a = (3FR / 4E*)^(1/3), approach δ = a²/R, peak pressure p₀ = 3F / 2πa², tension at the rim of contact
//! σ = (1 − 2ν) p₀ / 3. Valid for frictionless, smooth, elastic, isotropic bodies with a well below R and
//! well below the distance h to the edge of the platform; near an edge the stone is softer than a half-space
//! and the approach larger. Not covered: friction, layers, grain, a platform that bulges or is hollow, anything that has
//! yielded, bending initiations with a lip, which need no cone.

use std::f64::consts::PI;

use crate::error::{Bounds, Result};

/// Yield begins beneath the surface where the peak pressure reaches this many times the yield strength in
/// simple compression, for Poisson's ratio near 0.3. From memory of Johnson 1985, *Contact Mechanics*,
/// sec. 6.2.
pub const FIRST_YIELD: f64 = 1.60;

/// Auerbach's constant A, from memory of Lawn 1998, J. Am. Ceram. Soc. 81:1977-1994 (abstract seen, not the
/// number).
///
/// An independent evaluation of the crack integral gives A = 1.8·10³ to 10⁴ for Poisson's ratio 0.17 to 0.25,
/// steeply rising with it and with the distance of the flaw from the rim (computed): treat it as uncertain by
/// `AUERBACH_FACTOR`, less rather than more for flint.
pub const AUERBACH: f64 = 8.6e3;
/// The factor by which [`AUERBACH`] may be wrong either way; an assumption from the computation named there.
pub const AUERBACH_FACTOR: f64 = 2.5;

/// An isotropic elastic body as contact sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Elastic {
    compliance_per_pa: f64,
    poisson_ratio: f64,
}

impl Elastic {
    /// A body with Young's modulus in Pa and Poisson's ratio, checked before.
    pub fn new(youngs_modulus_pa: f64, poisson_ratio: f64) -> Self {
        let compliance_per_pa = (1.0 - poisson_ratio * poisson_ratio) / youngs_modulus_pa;
        Elastic { compliance_per_pa, poisson_ratio }
    }
}

/// A tip on a platform: the contact modulus E* (Pa), the radius R (m), and the stone's Poisson's ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contact {
    pub modulus_pa: f64,
    pub radius_m: f64,
    stone_poisson_ratio: f64,
}

impl Contact {
    /// A percussor's tip of the given radius (m, above 0, at most 10) on a flat platform.
    ///
    /// # Formula
    /// 1/E* = (1 − ν₁²)/E₁ + (1 − ν₂²)/E₂. Seen in calculator form as the constant C_E = 1/E* of Roark's
    /// table 14.1.
    pub fn new(percussor: Elastic, stone: Elastic, tip_radius_m: f64) -> Result<Self> {
        const TIP: Bounds = Bounds::above("tip_radius_m", 0.0, 10.0, "m");
        Ok(Contact {
            modulus_pa: 1.0 / (percussor.compliance_per_pa + stone.compliance_per_pa),
            radius_m: TIP.check(tip_radius_m)?,
            stone_poisson_ratio: stone.poisson_ratio,
        })
    }

    /// The contact under a static force in N.
    ///
    /// # Formula
    /// a = (3FR/4E*)^(1/3); δ = a²/R; p₀ = 3F/2πa²; rim tension σ = (1 − 2ν) p₀/3 with ν of the stone. Seen as
    /// Roark's table 14.1 (0.721, 1.040 and 0.918 with D = 2R); the rim tension from memory of Johnson 1985, sec. 3.4.
    ///
    /// Holds while a is small against R and against the distance to the edge. Once the tip has yielded,
    /// pressure and rim tension are upper bounds. The rim tension must not be compared with a bending
    /// strength: it dies out within about a tenth of a.
    pub fn pressed(&self, force_n: f64) -> Press {
        let a = (3.0 * force_n * self.radius_m / (4.0 * self.modulus_pa)).cbrt();
        // a contact that vanishes below the smallest double bears nothing
        let peak_pressure_pa = if a > 0.0 { 3.0 * force_n / (2.0 * PI * a * a) } else { 0.0 };
        Press {
            force_n,
            contact_radius_m: a,
            approach_m: a * a / self.radius_m,
            peak_pressure_pa,
            edge_tensile_stress_pa: (1.0 - 2.0 * self.stone_poisson_ratio) * peak_pressure_pa / 3.0,
        }
    }

    /// The load at which a ring becomes a cone in a stone of toughness K (Pa m^(1/2)), N.
    ///
    /// # Formula
    /// P = A K² R / E*: A dimensionless ([`AUERBACH`]), R the radius of the *touching bump*, not of the cobble.
    /// Proportional to radius: Laugier 1984, J. Mater. Sci. 19:254, abstract. Energetic origin: Frank & Lawn 1967,
    /// Proc. R. Soc. A 299:291.
    ///
    /// Papers differ on whether the modulus is the stone's or the contact modulus; theory says the contact modulus E*
    /// (computed), and for antler the choice changes the load five to six times. Holds for flaws of about 0.01 to
    /// 0.1 of the contact radius (from memory); polished surfaces need more, abraded ones less.
    pub fn cone_load_n(&self, toughness: f64) -> f64 {
        AUERBACH * toughness * (toughness / self.modulus_pa) * self.radius_m
    }
}

/// A contact carrying a force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Press {
    /// The force, N.
    pub force_n: f64,
    /// Radius a of the circle of contact, m.
    pub contact_radius_m: f64,
    /// Approach δ of the two bodies, m.
    pub approach_m: f64,
    /// Pressure p₀ at the middle of the contact, Pa; the mean is two thirds of it.
    pub peak_pressure_pa: f64,
    /// Radial tension in the stone at the rim of the contact, Pa.
    pub edge_tensile_stress_pa: f64,
}
