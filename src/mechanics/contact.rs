//! Static contact of a percussor's tip and the platform, by Hertz: two smooth elastic bodies pressed together.
//!
//! With E* the contact modulus (Pa), R the effective radius (m) and F the force (N): contact radius
//! a = (3FR / 4E*)^(1/3), approach δ = a²/R, peak pressure p₀ = 3F / 2πa², tension at the rim of contact
//! σ = (1 − 2ν) p₀ / 3. Valid for frictionless, smooth, elastic, isotropic bodies with a well below R and
//! well below the distance h to the edge of the platform; near an edge the stone is softer than a half-space
//! and the approach larger. Not covered: friction, layers, grain, anything that has yielded.

use std::f64::consts::PI;

use crate::error::{Bounds, Error, Result};
use crate::material::{POISSON_RATIO, YIELD_STRENGTH, YOUNGS_MODULUS};

/// A radius of curvature of a body, m.
pub(crate) const RADIUS: Bounds = Bounds::above("radius_m", 0.0, 10.0, "m");
/// A force, N.
pub(crate) const FORCE: Bounds = Bounds::above("force_n", 0.0, 1e9, "N");

/// Yield begins beneath the surface where the peak pressure reaches this many times the yield strength in
/// simple compression, for Poisson's ratio near 0.3. From memory of Johnson 1985, *Contact Mechanics*,
/// sec. 6.2.
pub const FIRST_YIELD: f64 = 1.60;

/// (2/5)(9/16)^(1/3), the constant of the stored energy; computed.
pub(crate) const ENERGY_CONSTANT: f64 = 0.330_192_724_889_462_67;

/// An isotropic elastic body as contact sees it.
///
/// ```
/// use conchoid::mechanics::Elastic;
/// assert!(Elastic::new(75e9, 0.17).is_ok());
/// let e = Elastic::new(75e9, 0.6).unwrap_err();
/// assert_eq!(e.to_string(), "poisson_ratio: 0.6 is out of range (accepted: at least 0, at most 0.499)");
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Elastic {
    compliance_per_pa: f64,
    poisson_ratio: f64,
}

impl Elastic {
    /// A body with Young's modulus in Pa (10⁷ to 1.3·10¹²) and Poisson's ratio (0 to 0.499).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `youngs_modulus_pa` or `poisson_ratio`.
    pub fn new(youngs_modulus_pa: f64, poisson_ratio: f64) -> Result<Self> {
        YOUNGS_MODULUS.check(youngs_modulus_pa)?;
        POISSON_RATIO.check(poisson_ratio)?;
        Ok(Self::unchecked(youngs_modulus_pa, poisson_ratio))
    }

    /// The same for numbers that were checked under other names.
    pub(crate) fn unchecked(youngs_modulus_pa: f64, poisson_ratio: f64) -> Self {
        let compliance_per_pa = (1.0 - poisson_ratio * poisson_ratio) / youngs_modulus_pa;
        Elastic { compliance_per_pa, poisson_ratio }
    }

    /// A body that does not give at all.
    pub const fn rigid() -> Self {
        Elastic { compliance_per_pa: 0.0, poisson_ratio: 0.0 }
    }
}

/// The surface that the tip meets.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Seat {
    /// A flat platform.
    #[default]
    Flat,
    /// A bulging surface (a cobble's natural platform).
    Convex {
        /// Radius of curvature, m.
        radius_m: f64,
    },
    /// A hollow (the negative of an earlier bulb); its radius must exceed that of the tip.
    Concave {
        /// Radius of curvature, m.
        radius_m: f64,
    },
}

/// The effective radius of a tip on a seat, m.
///
/// # Formula
/// 1/R = 1/R₁ + 1/R₂ for a convex seat, 1/R = 1/R₁ − 1/R₂ for a concave one, R = R₁ on a flat; R₁ the radius of
/// the tip, R₂ that of the seat. From memory of Johnson 1985, *Contact Mechanics*, ch. 4.
///
/// # Errors
/// [`Error::OutOfRange`] for a radius not above 0 and at most 10 m; [`Error::Invalid`] for a concave seat
/// not wider than the tip, which touches along a rim and not at a point.
pub fn effective_radius_m(tip_radius_m: f64, seat: Seat) -> Result<f64> {
    const TIP: Bounds = Bounds::above("tip_radius_m", 0.0, 10.0, "m");
    const SEAT: Bounds = Bounds::above("seat_radius_m", 0.0, 10.0, "m");
    TIP.check(tip_radius_m)?;
    match seat {
        Seat::Flat => Ok(tip_radius_m),
        Seat::Convex { radius_m } => {
            SEAT.check(radius_m)?;
            Ok(1.0 / (1.0 / tip_radius_m + 1.0 / radius_m))
        }
        Seat::Concave { radius_m } => {
            SEAT.check(radius_m)?;
            let radius = 1.0 / (1.0 / tip_radius_m - 1.0 / radius_m);
            if radius_m <= tip_radius_m || !RADIUS.contains(radius) {
                return Err(Error::invalid(
                    SEAT.name(),
                    format!(
                        "a hollow of radius {radius_m} m does not take a tip of radius {tip_radius_m} m \
                         (accepted: a hollow wider than the tip, effective radius {RADIUS})"
                    ),
                ));
            }
            Ok(radius)
        }
    }
}

/// A tip on a platform: the contact modulus, the effective radius, and the stone's Poisson's ratio.
///
/// ```
/// use conchoid::mechanics::{Contact, Elastic, Seat};
/// let quartzite = Elastic::new(70e9, 0.15).unwrap();
/// let flint = Elastic::new(75e9, 0.17).unwrap();
/// let contact = Contact::new(quartzite, flint, 0.025, Seat::Flat).unwrap();
/// let press = contact.under_force(2000.0).unwrap();
/// assert!((press.contact_radius_m - 1.003060859674e-3).abs() < 1e-15);
/// assert!(Contact::new(quartzite, flint, 0.0, Seat::Flat).is_err());
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contact {
    modulus_pa: f64,
    radius_m: f64,
    stone_poisson_ratio: f64,
}

impl Contact {
    /// A percussor's tip of the given radius (m, above 0, at most 10) on a seat in the stone.
    ///
    /// # Formula
    /// 1/E* = (1 − ν₁²)/E₁ + (1 − ν₂²)/E₂. Seen in calculator form as the constant C_E = 1/E* of Roark's
    /// table 14.1.
    ///
    /// # Errors
    /// As [`effective_radius_m`]; [`Error::Invalid`] when both bodies are rigid.
    pub fn new(percussor: Elastic, stone: Elastic, tip_radius_m: f64, seat: Seat) -> Result<Self> {
        let radius_m = effective_radius_m(tip_radius_m, seat)?;
        let compliance = percussor.compliance_per_pa + stone.compliance_per_pa;
        if compliance <= 0.0 {
            return Err(Error::invalid(
                "youngs_modulus_pa",
                "both bodies are rigid (accepted: at least one that gives)",
            ));
        }
        Ok(Contact { modulus_pa: 1.0 / compliance, radius_m, stone_poisson_ratio: stone.poisson_ratio })
    }

    /// The contact modulus E*, Pa.
    pub fn modulus_pa(&self) -> f64 {
        self.modulus_pa
    }

    /// The effective radius R, m.
    pub fn radius_m(&self) -> f64 {
        self.radius_m
    }

    /// The stiffness k of the force law F = k δ^(3/2), N/m^(3/2): k = (4/3) E* R^(1/2).
    pub fn stiffness(&self) -> f64 {
        4.0 / 3.0 * self.modulus_pa * self.radius_m.sqrt()
    }

    /// The contact under a static force in N, above 0 and at most 10⁹.
    ///
    /// # Formula
    /// a = (3FR/4E*)^(1/3); δ = a²/R; p₀ = 3F/2πa²; rim tension σ = (1 − 2ν) p₀/3 with ν of the stone;
    /// stored energy U = (2/5) F δ. Seen as Roark's table 14.1 (0.721, 1.040 and 0.918 with D = 2R); the rim
    /// tension from memory of Johnson 1985, sec. 3.4; U computed.
    ///
    /// Holds while a is small against R and against the distance to the edge. Once the tip has yielded,
    /// pressure and rim tension are upper bounds. The rim tension must not be compared with a bending
    /// strength: it dies out within about a tenth of a.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `force_n`.
    pub fn under_force(&self, force_n: f64) -> Result<Press> {
        FORCE.check(force_n)?;
        Ok(self.pressed(force_n))
    }

    pub(crate) fn pressed(&self, force_n: f64) -> Press {
        let a = (3.0 * force_n * self.radius_m / (4.0 * self.modulus_pa)).cbrt();
        let approach_m = a * a / self.radius_m;
        // a contact that vanishes below the smallest double bears nothing
        let peak_pressure_pa = if a > 0.0 { 3.0 * force_n / (2.0 * PI * a * a) } else { 0.0 };
        Press {
            force_n,
            contact_radius_m: a,
            approach_m,
            peak_pressure_pa,
            edge_tensile_stress_pa: (1.0 - 2.0 * self.stone_poisson_ratio) * peak_pressure_pa / 3.0,
            stored_energy_j: 0.4 * force_n * approach_m,
        }
    }

    /// The force at which the peak pressure reaches `peak_pressure_pa`, N.
    ///
    /// # Formula
    /// F = π³ R² p₀³ / (6 E*²), the inverse of p₀ = (6 F E*² / π³ R²)^(1/3).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a pressure not above 0 and at most 10¹³ Pa.
    pub fn force_at_peak_pressure_n(&self, peak_pressure_pa: f64) -> Result<f64> {
        const PRESSURE: Bounds = Bounds::above("peak_pressure_pa", 0.0, 1e13, "Pa");
        PRESSURE.check(peak_pressure_pa)?;
        let ratio = peak_pressure_pa / self.modulus_pa;
        Ok(PI.powi(3) * self.radius_m * self.radius_m * peak_pressure_pa * ratio * ratio / 6.0)
    }

    /// The force at which the weaker body first yields beneath the surface, N.
    ///
    /// # Formula
    /// F = π³ R² (1.60 Y)³ / (6 E*²), Y the yield strength in simple compression (Pa); see `FIRST_YIELD`.
    /// Computed so, antler, bone, copper and wood yield at some tens of newtons: locally, in every real blow.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `yield_strength_pa` outside 10⁵ to 10¹¹ Pa.
    pub fn first_yield_force_n(&self, yield_strength_pa: f64) -> Result<f64> {
        YIELD_STRENGTH.check(yield_strength_pa)?;
        self.force_at_peak_pressure_n(FIRST_YIELD * yield_strength_pa)
    }

    /// The energy stored when the contact carries a force, J.
    ///
    /// # Formula
    /// U = (2/5)(9/16)^(1/3) F^(5/3) / (E*² R)^(1/3); computed.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `force_n`.
    pub fn stored_energy_j(&self, force_n: f64) -> Result<f64> {
        FORCE.check(force_n)?;
        Ok(self.energy_at(force_n))
    }

    pub(crate) fn energy_at(&self, force_n: f64) -> f64 {
        let cube = force_n / self.modulus_pa;
        ENERGY_CONSTANT * force_n * (cube * cube / self.radius_m).cbrt()
    }
}

/// A contact carrying a force.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
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
    /// Elastic energy stored, J.
    pub stored_energy_j: f64,
}

impl Press {
    /// Mean pressure over the contact, Pa: 2 p₀/3.
    pub fn mean_pressure_pa(&self) -> f64 {
        2.0 / 3.0 * self.peak_pressure_pa
    }
}
