//! Closed-form fracture mechanics of a percussion blow, in SI, without statistics.
//!
//! - `contact`: a tip pressed on a platform (Hertz): radius, approach, pressure, rim tension, first yield.
//! - `impact`: the meeting of two masses on that contact: peak force, time, losses, yielding tips.
//! - `cone`: the Hertzian cone: load, growth, angle, and the platform width it cuts.
//! - `chipping`: the force that an edge requires, its dependence on angles, the length of a spall.
//! - `blow`: delivered against required: margin, least speed and energy, the depth a blow can carry.
//!
//! Each function says what it assumes and where it fails. Constants that were not read in their source say
//! "from memory". Spread, ranges and probabilities are the caller's: everything here is cheap and allocates
//! nothing on success, so that it can be run over the nodes of a quadrature.

pub(crate) mod blow;
pub(crate) mod chipping;
pub(crate) mod cone;
pub(crate) mod contact;
pub(crate) mod impact;

pub use blow::{
    AngleRule, BlowMechanics, Doubt, Doubts, Setup, crushing_speed_m_s, least_energy_j, least_speed_m_s,
    strike_mechanics,
};
pub use chipping::{
    AngleFactor, BETA, edge_depth_m, edge_force_n, glass_angle_factor, spall_length_m, spall_load_n_per_m,
    spall_prefactor,
};
pub use cone::{
    AUERBACH, Edge, GLASS_CONE_ANGLE_DEG, PLASTIC_DENT, angle_from_landmarks_deg, angle_from_lengths_deg,
    cone_load_n, crossover_radius_m, full_cone_load_n, full_cone_radius_m, plastic_load_n, platform_width_mm,
};
pub use contact::{Contact, Elastic, Press, Seat, effective_radius_m};
pub use impact::{
    Impact, PlasticImpact, Restitution, billet_end_mass_kg, effective_mass_kg, impact, off_centre_mass_kg,
    plastic_impact,
};

#[cfg(test)]
mod tests;
