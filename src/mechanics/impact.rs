//! Impact of a percussor on a core: how much force the meeting of two masses can build up.
//!
//! Two bodies of effective mass m* (kg) close with speed V (m/s) along the platform's normal on a Hertz
//! contact F = k δ^(3/2): m* V²/2 = (2/5) k δ^(5/2) at the longest approach. No waves, no bending of the
//! percussor, no rotation but what the effective mass carries. The peak force is a *capacity*: once the
//! flake leaves, contact ends, and a gauge would show about the smaller of the capacity and what the
//! platform requires.

use std::f64::consts::{FRAC_PI_2, PI};

use super::contact::{Contact, Press, RADIUS};
use crate::error::{Bounds, Result};

/// Percussor mass or an effective mass, kg.
pub(crate) const MASS: Bounds = Bounds::above("mass_kg", 0.0, 1e5, "kg");
/// Closing speed: the fastest hand is an order of magnitude below the upper end.
pub(crate) const SPEED: Bounds = Bounds::above("speed_m_s", 0.0, 100.0, "m/s");
/// Coefficient of restitution.
pub(crate) const RESTITUTION: Bounds = Bounds::above("restitution", 0.0, 1.0, "");

/// (4/3)(15/16)^(3/5), of the peak force; computed.
pub(crate) const FORCE_CONSTANT: f64 = 1.282_689_390_121_013;
/// (4/5) B(2/5, 1/2), contact time over δ_m/V; the integral seen in Argatov 2024, Lubricants 12:193, the
/// value computed.
pub const TIME_CONSTANT: f64 = 2.943_275_184_324_704_7;

/// The pressure at which a fully yielded tip flows, as a multiple of its yield strength. From memory of
/// Johnson 1985, *Contact Mechanics*, sec. 11.5.
pub const FLOW_PRESSURE: f64 = 2.8;

/// How energy is lost in the impact.
///
/// The coefficient of restitution e fixes what is lost over the whole contact, (1 − e²) of the kinetic energy
/// of closing, and the impulse, (1 + e) m* V. It does not fix the peak force, because part of the loss falls
/// on the way out. What the peak depends on is the share s of the kinetic energy that is stored when the
/// bodies stand still: e² ≤ s ≤ 1. Unless told otherwise s = (1 + e²)/2, half of the loss on the way in; that
/// is what weak damping of any kind that is odd in the speed gives to first order (computed), and it is a working
/// assumption beyond. Force goes as s^(3/5) and contact radius as s^(1/5), so the choice matters little:
/// Gugan 2000, Am. J. Phys. 68:920, abstract, found Hertz's area and time to hold with 40 % of the energy
/// lost, and He & Wettlaufer 2014, Soft Matter 10:2264, abstract, give the weak dependence as the reason.
/// The contact time is left at Hertz's.
///
/// ```
/// use conchoid::mechanics::Restitution;
/// assert_eq!(Restitution::new(1.0).unwrap().stored_share(), 1.0);
/// assert!((Restitution::new(0.8).unwrap().stored_share() - 0.82).abs() < 1e-15);
/// assert!(Restitution::new(0.0).is_err());
/// assert!(Restitution::new(0.8).unwrap().with_stored_share(0.5).is_err());
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Restitution {
    coefficient: f64,
    stored_share: f64,
}

impl Default for Restitution {
    fn default() -> Self {
        Restitution { coefficient: 1.0, stored_share: 1.0 }
    }
}

impl Restitution {
    /// A coefficient of restitution above 0 and at most 1, half of the loss on the way in.
    ///
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) for `restitution`.
    pub fn new(coefficient: f64) -> Result<Self> {
        RESTITUTION.check(coefficient)?;
        Ok(Restitution { coefficient, stored_share: 0.5 * (1.0 + coefficient * coefficient) })
    }

    /// With the share of the kinetic energy stored at the longest approach given, from e² to 1.
    ///
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) for `stored_share`.
    pub fn with_stored_share(mut self, stored_share: f64) -> Result<Self> {
        let least = self.coefficient * self.coefficient;
        self.stored_share = Bounds::closed("stored_share", least, 1.0, "").check(stored_share)?;
        Ok(self)
    }

    /// The coefficient of restitution e.
    pub fn coefficient(&self) -> f64 {
        self.coefficient
    }

    /// The share s of the kinetic energy stored at the longest approach.
    pub fn stored_share(&self) -> f64 {
        self.stored_share
    }
}

/// The effective mass of percussor and core, kg.
///
/// # Formula
/// m* = m M / (m + M); a fixed core (`None`) gives m. m is the percussor's mass, M the core's. Seen: Argatov
/// 2024, Lubricants 12:193.
///
/// A core held in the hand or on the thigh lies between its own mass and that of core and support; a core on
/// an anvil is near `None`, the upper limit. A hand on the percussor adds some mass. Both free bodies are struck
/// through their centres; see [`off_centre_mass_kg`] where they are not.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `percussor_mass_kg` or `core_mass_kg` not above 0 and at
/// most 10⁵ kg.
pub fn effective_mass_kg(percussor_mass_kg: f64, core_mass_kg: Option<f64>) -> Result<f64> {
    const PERCUSSOR: Bounds = Bounds::above("percussor_mass_kg", 0.0, 1e5, "kg");
    const CORE: Bounds = Bounds::above("core_mass_kg", 0.0, 1e5, "kg");
    PERCUSSOR.check(percussor_mass_kg)?;
    if let Some(core) = core_mass_kg {
        CORE.check(core)?;
    }
    Ok(reduced(percussor_mass_kg, core_mass_kg))
}

pub(crate) fn reduced(percussor_mass_kg: f64, core_mass_kg: Option<f64>) -> f64 {
    core_mass_kg.map_or(percussor_mass_kg, |core| percussor_mass_kg / (1.0 + percussor_mass_kg / core))
}

/// The effective mass of a free rigid body struck off its centre, kg.
///
/// # Formula
/// 1/m_eff = 1/m + d²/I: m the mass, d the distance of the line of the blow from the centre of mass (m), I the
/// moment of inertia about the centre, about the axis square to both (kg m²). Rigid-body mechanics, computed.
/// Fails for a body that bends or is held.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `mass_kg`, `offset_m` (0 to 10 m) or `inertia_kg_m2`
/// (above 0, at most 10⁷).
pub fn off_centre_mass_kg(mass_kg: f64, offset_m: f64, inertia_kg_m2: f64) -> Result<f64> {
    MASS.check(mass_kg)?;
    Bounds::closed("offset_m", 0.0, 10.0, "m").check(offset_m)?;
    Bounds::above("inertia_kg_m2", 0.0, 1e7, "kg m2").check(inertia_kg_m2)?;
    Ok(mass_kg / (1.0 + mass_kg * offset_m * offset_m / inertia_kg_m2))
}

/// The effective mass of a uniform slender billet struck at its end and free at the other, kg: m/4.
///
/// From [`off_centre_mass_kg`] with d = L/2 and I = mL²/12. The hand that swings it adds some.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `mass_kg`.
pub fn billet_end_mass_kg(mass_kg: f64) -> Result<f64> {
    Ok(MASS.check(mass_kg)? / 4.0)
}

/// What an impact does at its peak and over its length.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Impact {
    /// The contact at the longest approach.
    pub peak: Press,
    /// Contact time, s.
    pub duration_s: f64,
    /// Kinetic energy of closing, m* V²/2, J.
    pub closing_energy_j: f64,
    /// Energy lost over the whole contact, (1 − e²) m* V²/2, J.
    pub energy_lost_j: f64,
    /// Impulse, (1 + e) m* V, N s.
    pub impulse_n_s: f64,
    /// Speed at which the bodies part, e V, m/s.
    pub parting_speed_m_s: f64,
}

/// The impact of an effective mass closing along the normal.
///
/// # Formula
/// With V' = V √s and s the stored share of [`Restitution`]:
/// F = (4/3)(15/16)^(3/5) (E*² R m*³ V'⁶)^(1/5), the rest of the peak as [`Contact::under_force`] at F, and
/// T = (4/5) B(2/5, 1/2) δ_m/V = 2.8683 (m*² / (R E*² V))^(1/5) with δ_m of the loss-free impact. The constants
/// 2.94 and 2.87 from memory of Johnson 1985, *Contact Mechanics*, sec. 11.4, and computed here.
///
/// Elastic, so an upper bound for a tip that yields ([`plastic_impact`]); quasi-static, so T must be long
/// against the time a wave takes through the percussor and back; fails once a is not small against R and the
/// distance to the edge. Waves into the core take 1 to 2 % at knapping speeds (from memory of Hunter 1957).
///
/// ```
/// use conchoid::mechanics::{Contact, Elastic, Seat};
/// use conchoid::mechanics::{Restitution, effective_mass_kg, impact};
/// let contact =
///     Contact::new(Elastic::new(70e9, 0.15)?, Elastic::new(75e9, 0.17)?, 0.025, Seat::Flat)?;
/// let blow = impact(&contact, effective_mass_kg(0.40, Some(0.80))?, 4.0, Restitution::default())?;
/// assert!((blow.peak.force_n - 24761.81640414).abs() < 1e-7);
/// let e = impact(&contact, 0.4, 299_792_458.0, Restitution::default()).unwrap_err();
/// assert_eq!(e.to_string(), "speed_m_s: 299792458 is out of range (accepted: above 0, at most 100 m/s)");
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `mass_kg` (above 0, at most 10⁵ kg) or `speed_m_s`
/// (above 0, at most 100 m/s).
pub fn impact(
    contact: &Contact,
    effective_mass_kg: f64,
    closing_speed_m_s: f64,
    restitution: Restitution,
) -> Result<Impact> {
    MASS.check(effective_mass_kg)?;
    SPEED.check(closing_speed_m_s)?;
    Ok(struck(contact, effective_mass_kg, closing_speed_m_s, restitution))
}

pub(crate) fn struck(contact: &Contact, mass: f64, speed: f64, restitution: Restitution) -> Impact {
    let Restitution { coefficient: e, stored_share: s } = restitution;
    let loss_free = peak_force(contact, mass, speed);
    let peak = contact.pressed(loss_free * s.powf(0.6));
    let closing_energy_j = 0.5 * mass * speed * speed;
    Impact {
        peak,
        duration_s: TIME_CONSTANT * contact.pressed(loss_free).approach_m / speed,
        closing_energy_j,
        energy_lost_j: (1.0 - e * e) * closing_energy_j,
        impulse_n_s: (1.0 + e) * mass * speed,
        parting_speed_m_s: e * speed,
    }
}

/// The loss-free peak force, N.
fn peak_force(contact: &Contact, mass: f64, speed: f64) -> f64 {
    let momentum_flux = mass * speed * speed;
    let e = contact.modulus_pa();
    FORCE_CONSTANT * (e * e * contact.radius_m() * momentum_flux.powi(3)).powf(0.2)
}

/// The impact of a tip that flattens by flowing at a constant pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct PlasticImpact {
    /// Peak force, N.
    pub peak_force_n: f64,
    /// Longest approach, m.
    pub approach_m: f64,
    /// Radius of the flattened contact at the peak, m.
    pub contact_radius_m: f64,
    /// Time from touch to peak, s.
    pub loading_time_s: f64,
}

/// The impact of a fully yielded tip of effective radius R.
///
/// # Formula
/// Pressure stays at p_d (about 2.8 Y, see `FLOW_PRESSURE`) and a² = 2Rδ, so F = 2π R p_d δ:
/// F_m = V √(2π R p_d m*), δ_m = V √(m* / 2π R p_d), loading time (π/2) √(m* / 2π R p_d). From memory of
/// Johnson 1985, *Contact Mechanics*, sec. 11.5; the algebra computed.
///
/// It assumes full plasticity from the first touch, so it means something only where p_d lies below the
/// elastic pressure; harder tips never get there.
///
/// # Errors
/// [`Error::OutOfRange`](crate::Error::OutOfRange) for `radius_m` (above 0, at most 10), `flow_pressure_pa`
/// (above 0, at most 10¹²), `mass_kg` or `speed_m_s`.
pub fn plastic_impact(
    radius_m: f64,
    flow_pressure_pa: f64,
    effective_mass_kg: f64,
    closing_speed_m_s: f64,
) -> Result<PlasticImpact> {
    RADIUS.check(radius_m)?;
    Bounds::above("flow_pressure_pa", 0.0, 1e12, "Pa").check(flow_pressure_pa)?;
    MASS.check(effective_mass_kg)?;
    SPEED.check(closing_speed_m_s)?;
    Ok(flattened(radius_m, flow_pressure_pa, effective_mass_kg, closing_speed_m_s))
}

pub(crate) fn flattened(radius_m: f64, flow_pressure_pa: f64, mass: f64, speed: f64) -> PlasticImpact {
    let stiffness = 2.0 * PI * radius_m * flow_pressure_pa;
    let period = (mass / stiffness).sqrt();
    let approach_m = speed * period;
    PlasticImpact {
        peak_force_n: speed * (stiffness * mass).sqrt(),
        approach_m,
        contact_radius_m: (2.0 * radius_m * approach_m).sqrt(),
        loading_time_s: FRAC_PI_2 * period,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_restitution_tells_what_it_was_made_of() {
        for e in [0.25, 0.7, 1.0] {
            assert_eq!(Restitution::new(e).unwrap().coefficient(), e);
            let stored = Restitution::new(e).unwrap().with_stored_share(1.0).unwrap();
            assert_eq!((stored.coefficient(), stored.stored_share()), (e, 1.0));
        }
    }
}
