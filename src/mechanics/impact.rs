//! Impact of a percussor on a core: how much force the meeting of two masses can build up.
//!
//! Two bodies of effective mass m* (kg) close with speed V (m/s) along the platform's normal on a Hertz
//! contact F = k δ^(3/2): m* V²/2 = (2/5) k δ^(5/2) at the longest approach. No waves, no bending of the
//! percussor, no rotation: both bodies are struck through their centres. The peak force is a *capacity*: once the
//! flake leaves, contact ends, and a gauge would show about the smaller of the capacity and what the
//! platform requires.

use std::f64::consts::PI;

use super::contact::{Contact, Press};
use crate::error::{Bounds, Result};

/// Closing speed: the fastest hand is an order of magnitude below the upper end.
pub(crate) const SPEED: Bounds = Bounds::above("speed_m_s", 0.0, 100.0, "m/s");
/// Coefficient of restitution.
pub(crate) const RESTITUTION: Bounds = Bounds::above("restitution", 0.0, 1.0, "");

/// (4/3)(15/16)^(3/5), of the peak force; computed.
const FORCE_CONSTANT: f64 = 1.282_689_390_121_013;
/// (4/5) B(2/5, 1/2), contact time over δ_m/V; the integral seen in Argatov 2024, Lubricants 12:193, the
/// value computed.
const TIME_CONSTANT: f64 = 2.943_275_184_324_704_7;

/// The pressure at which a fully yielded tip flows, as a multiple of its yield strength. From memory of
/// Johnson 1985, *Contact Mechanics*, sec. 11.5.
pub const FLOW_PRESSURE: f64 = 2.8;

/// The share s of the kinetic energy that is stored at the longest approach, for a coefficient of restitution e.
///
/// e fixes what is lost over the whole contact, (1 − e²) of the kinetic energy of closing, and the impulse,
/// (1 + e) m* V. It does not fix the peak force, because part of the loss falls on the way out: e² ≤ s ≤ 1. Here
/// s = (1 + e²)/2, half of the loss on the way in; that is what weak damping of any kind that is odd in the speed gives
/// to first order (computed), and it is a working assumption beyond. Force goes as s^(3/5) and contact radius as
/// s^(1/5), so the choice matters little: Gugan 2000, Am. J. Phys. 68:920, abstract, found Hertz's area and time to hold
/// with 40 % of the energy lost, and He & Wettlaufer 2014, Soft Matter 10:2264, abstract, give the weak dependence as
/// the reason. The contact time is left at Hertz's.
pub fn stored_share(restitution: f64) -> f64 {
    0.5 * (1.0 + restitution * restitution)
}

/// The effective mass of percussor and core, kg.
///
/// # Formula
/// m* = m M / (m + M); a fixed core (`None`) gives m. m is the percussor's mass, M the core's. Seen: Argatov
/// 2024, Lubricants 12:193.
///
/// A core held in the hand or on the thigh lies between its own mass and that of core and support; a core on
/// an anvil is near `None`, the upper limit. A hand on the percussor adds some mass.
pub fn effective_mass_kg(percussor_mass_kg: f64, core_mass_kg: Option<f64>) -> Result<f64> {
    const PERCUSSOR: Bounds = Bounds::above("percussor_mass_kg", 0.0, 1e5, "kg");
    const CORE: Bounds = Bounds::above("core_mass_kg", 0.0, 1e5, "kg");
    let percussor = PERCUSSOR.check(percussor_mass_kg)?;
    match core_mass_kg {
        Some(core) => Ok(percussor / (1.0 + percussor / CORE.check(core)?)),
        None => Ok(percussor),
    }
}

/// What an impact does at its peak and over its length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Impact {
    /// The contact at the longest approach.
    pub peak: Press,
    /// Contact time, s.
    pub duration_s: f64,
    /// Energy lost over the whole contact, (1 − e²) m* V²/2, J.
    pub energy_lost_j: f64,
    /// Impulse, (1 + e) m* V, N s.
    pub impulse_n_s: f64,
}

/// The impact of an effective mass (kg) closing along the normal (m/s), with a coefficient of restitution.
///
/// # Formula
/// With V' = V √s and s the stored share:
/// F = (4/3)(15/16)^(3/5) (E*² R m*³ V'⁶)^(1/5), the rest of the peak as [`Contact::pressed`] at F, and
/// T = (4/5) B(2/5, 1/2) δ_m/V = 2.8683 (m*² / (R E*² V))^(1/5) with δ_m of the loss-free impact. The constants
/// 2.94 and 2.87 from memory of Johnson 1985, *Contact Mechanics*, sec. 11.4, and computed here.
///
/// Elastic, so an upper bound for a tip that yields ([`flowing_force_n`]); quasi-static, so T must be long
/// against the time a wave takes through the percussor and back; fails once a is not small against R and the
/// distance to the edge. Waves into the core take 1 to 2 % at knapping speeds (from memory of Hunter 1957).
pub fn struck(contact: &Contact, mass: f64, speed: f64, restitution: f64) -> Impact {
    let e = contact.modulus_pa;
    let momentum_flux = mass * speed * speed;
    let loss_free = FORCE_CONSTANT * (e * e * contact.radius_m * momentum_flux.powi(3)).powf(0.2);
    Impact {
        peak: contact.pressed(loss_free * stored_share(restitution).powf(0.6)),
        duration_s: TIME_CONSTANT * contact.pressed(loss_free).approach_m / speed,
        energy_lost_j: (1.0 - restitution * restitution) * (0.5 * mass * speed * speed),
        impulse_n_s: (1.0 + restitution) * mass * speed,
    }
}

/// The peak force of a fully yielded tip of radius R, N.
///
/// # Formula
/// Pressure stays at p_d (about 2.8 Y, see [`FLOW_PRESSURE`]) and a² = 2Rδ, so F = 2π R p_d δ:
/// F_m = V √(2π R p_d m*). From memory of Johnson 1985, *Contact Mechanics*, sec. 11.5; the algebra computed.
///
/// It assumes full plasticity from the first touch, so it means something only where p_d lies below the
/// elastic pressure; harder tips never get there.
pub fn flowing_force_n(radius_m: f64, flow_pressure_pa: f64, mass: f64, speed: f64) -> f64 {
    speed * (2.0 * PI * radius_m * flow_pressure_pa * mass).sqrt()
}
