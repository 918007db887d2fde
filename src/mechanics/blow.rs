//! One blow: the force it can deliver against the force the platform requires.
//!
//! Delivered F_m = 1.2827 (E*² R m*³ V⁶)^(1/5) by [`impact`]; required P = β K h^(3/2) g by
//! [`chipping`], g the effect of the angles. The margin is F_m/P; a flake is expected where it
//! exceeds one. Turned around: the least speed and energy in the hand that bring F_m up to P, and the deepest
//! platform h that F_m can still carry. V is the part of the speed along the platform's normal.

use super::chipping::{self, BLOW_ANGLE, DEPTH, PLATFORM_ANGLE};
use super::contact::{AUERBACH_FACTOR, Contact, Elastic, FIRST_YIELD};
use super::impact::{self, FLOW_PRESSURE, RESTITUTION, SPEED, stored_share};
use crate::error::{Bounds, Error, Result};

/// (2 · 0.3302)^(1/2), of the least speed; computed.
const LEAST_SPEED_CONSTANT: f64 = 0.812_641_033_777_476_3;

/// Beyond this share of the platform depth or of the tip radius the contact is no longer small; an
/// assumption (0.1 to 0.2 is common practice).
const SMALL_CONTACT: f64 = 0.2;
/// Speed beyond which no hand is expected to strike, m/s; an assumption, no published speeds were seen.
const FAST_HAND: f64 = 12.0;

/// The least closing speed along the normal that builds up a force, m/s.
///
/// # Formula
/// V = (2U / s m*)^(1/2) = 0.8126 F^(5/6) (s m*)^(-1/2) E*^(-1/3) R^(-1/6): U the energy stored in the contact at F, m* the
/// effective mass (kg), s the stored share. Computed. Fails where Hertz fails.
fn least_speed(contact: &Contact, mass: f64, force: f64, share: f64) -> f64 {
    LEAST_SPEED_CONSTANT * force.powf(5.0 / 6.0)
        / (contact.modulus_pa.cbrt() * contact.radius_m.powf(1.0 / 6.0) * (share * mass).sqrt())
}

/// Powers by which an answer goes with what it depends on; zero where it does not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exponents {
    /// Of the closing speed V.
    pub speed: f64,
    /// Of the effective mass m*.
    pub effective_mass: f64,
    /// Of the contact modulus E*.
    pub contact_modulus: f64,
    /// Of the effective tip radius R.
    pub radius: f64,
    /// Of the stone's toughness K.
    pub toughness: f64,
    /// Of the platform depth h.
    pub depth: f64,
}

/// Peak force F_m ~ V^(6/5) m*^(3/5) E*^(2/5) R^(1/5).
pub const PEAK_FORCE_EXPONENTS: Exponents = Exponents {
    speed: 1.2,
    effective_mass: 0.6,
    contact_modulus: 0.4,
    radius: 0.2,
    toughness: 0.0,
    depth: 0.0,
};
/// Contact time T ~ V^(-1/5) m*^(2/5) E*^(-2/5) R^(-1/5).
pub const CONTACT_TIME_EXPONENTS: Exponents = Exponents {
    speed: -0.2,
    effective_mass: 0.4,
    contact_modulus: -0.4,
    radius: -0.2,
    toughness: 0.0,
    depth: 0.0,
};
/// The depth a blow can carry ~ V^(4/5) m*^(2/5) E*^(4/15) R^(2/15) K^(-2/3): strongest in speed, weak in the percussor's
/// stiffness and radius.
pub const CARRIED_DEPTH_EXPONENTS: Exponents = Exponents {
    speed: 0.8,
    effective_mass: 0.4,
    contact_modulus: 4.0 / 15.0,
    radius: 2.0 / 15.0,
    toughness: -2.0 / 3.0,
    depth: 0.0,
};
/// Least speed ~ h^(5/4) K^(5/6) m*^(-1/2) E*^(-1/3) R^(-1/6): twice the depth wants 2.38 times the speed.
pub const LEAST_SPEED_EXPONENTS: Exponents = Exponents {
    speed: 0.0,
    effective_mass: -0.5,
    contact_modulus: -1.0 / 3.0,
    radius: -1.0 / 6.0,
    toughness: 5.0 / 6.0,
    depth: 1.25,
};
/// Everything that the mechanics of one blow needs, in SI. Unchecked: [`strike_mechanics`] checks it.
///
/// The mass is that of a compact percussor struck through its centre. For a long billet that strikes with its end, give
/// the mass that its end feels: a quarter of the billet (rigid-body mechanics, m/4 for a slender rod), and somewhat more
/// with the hand; the least energy is then that of this part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setup {
    /// Young's modulus of the stone, Pa.
    pub stone_youngs_modulus_pa: f64,
    /// Poisson's ratio of the stone.
    pub stone_poisson_ratio: f64,
    /// Fracture toughness of the stone, Pa m^(1/2).
    pub stone_toughness_pa_sqrt_m: f64,
    /// Young's modulus of the percussor, Pa.
    pub percussor_youngs_modulus_pa: f64,
    /// Poisson's ratio of the percussor.
    pub percussor_poisson_ratio: f64,
    /// Yield or crushing strength of the percussor, Pa, where known.
    pub percussor_yield_strength_pa: Option<f64>,
    /// Mass of the percussor, kg.
    pub percussor_mass_kg: f64,
    /// Radius of the touching part of the tip, m.
    pub tip_radius_m: f64,
    /// Mass of the free core, kg; `None` for a fixed one.
    pub core_mass_kg: Option<f64>,
    /// Speed of the percussor along its path, m/s.
    pub speed_m_s: f64,
    /// Platform depth, m.
    pub depth_m: f64,
    /// Exterior platform angle, degrees.
    pub exterior_platform_angle_deg: f64,
    /// Angle of blow, degrees: 0 along the platform's normal, positive toward the flaking face.
    pub angle_of_blow_deg: f64,
    /// Coefficient of restitution.
    pub restitution: f64,
    /// Constant of the edge law.
    pub beta: f64,
    /// Whether the tip crushes rather than stays elastic.
    pub crushes: bool,
    /// Whether a punch stands between hammer and platform.
    pub indirect: bool,
}

/// A reason to distrust the mechanics of a blow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Doubt {
    /// The contact at the peak reaches from the percussion point to the edge: the platform crushes.
    Crushes,
    /// The tip crushes, or yields at the pressure that elastic contact would have when the flake leaves.
    TipYields,
    /// The contact is not small against the platform depth.
    ContactNearEdge,
    /// The contact is not small against the tip radius.
    ContactWide,
    /// The flake may begin in bending at the edge instead of a cone.
    BendingLikely,
    /// The exterior platform angle lies outside the glass slopes.
    PlatformAngleOutside,
    /// The angle of blow lies outside the glass slopes.
    BlowAngleOutside,
    /// A punch stands between hammer and platform.
    Indirect,
    /// How the losses share out between the way in and the way out was assumed.
    LossesShared,
    /// The core was taken as fixed.
    CoreFixed,
    /// Faster than a hand is expected to strike.
    FastBlow,
}

impl Doubt {
    /// A stable name of the kind, for programs, and one plain sentence.
    pub const fn told(self) -> (&'static str, &'static str) {
        match self {
            Doubt::Crushes => (
                "crushes",
                "such a blow presses a spot as wide as the platform is deep: expect the platform to crush rather than a \
                 flake to come off whole; strike slower or lighter, with a smaller tip, or deeper",
            ),
            Doubt::TipYields => (
                "tip-yields",
                "the percussor's tip flattens or crushes under this blow: pressure and tension at the rim are upper \
                 bounds, the force a mild overestimate",
            ),
            Doubt::ContactNearEdge => (
                "contact-near-edge",
                "the contact is more than a fifth of the platform depth: so near the edge the stone gives more \
                 than the model says",
            ),
            Doubt::ContactWide => (
                "contact-wide",
                "the contact is more than a fifth of the tip radius: the contact model is beyond its range",
            ),
            Doubt::BendingLikely => (
                "bending-likely",
                "a tip so blunt or soft is unlikely to start a cone before the edge breaks: the flake may begin in \
                 bending, with a lip, which this model does not describe",
            ),
            Doubt::PlatformAngleOutside => (
                "platform-angle-outside",
                "the exterior platform angle lies outside 55 to 95 degrees, where its effect on force was measured; \
                 the nearest end was used",
            ),
            Doubt::BlowAngleOutside => (
                "blow-angle-outside",
                "the angle of blow lies outside -5 to 50 degrees, where its effect on force was measured; the nearest \
                 end was used",
            ),
            Doubt::Indirect => (
                "indirect",
                "indirect percussion: the model describes a free percussor meeting the platform, not a hammer on a \
                 punch",
            ),
            Doubt::LossesShared => (
                "losses-shared",
                "half of the energy lost was taken to be lost on the way in; restitution alone does not say",
            ),
            Doubt::CoreFixed => (
                "core-fixed",
                "the core was taken as fixed: a core in the hand moves away and takes less force",
            ),
            Doubt::FastBlow => {
                ("fast-blow", "faster than a knapper's hand is expected to strike (above 12 m/s)")
            }
        }
    }
}

/// The mechanics of one blow.
#[derive(Debug, Clone, PartialEq)]
pub struct BlowMechanics {
    /// Contact modulus E*, Pa.
    pub contact_modulus_pa: f64,
    /// Effective radius R, m.
    pub effective_radius_m: f64,
    /// Effective mass m*, kg.
    pub effective_mass_kg: f64,
    /// Speed along the platform's normal, m/s.
    pub normal_speed_m_s: f64,
    /// Peak force that the blow can build up, N: a capacity, see the impact of two masses.
    pub peak_force_n: f64,
    /// Longest approach, m.
    pub approach_m: f64,
    /// Contact time, s, were no flake to leave.
    pub contact_time_s: f64,
    /// Contact radius at the peak, m.
    pub contact_radius_m: f64,
    /// Pressure at the middle of the contact at the peak, Pa.
    pub peak_pressure_pa: f64,
    /// Radial tension in the stone at the rim of contact at the peak, Pa.
    pub edge_tensile_stress_pa: f64,
    /// Impulse, N s.
    pub impulse_n_s: f64,
    /// Energy lost over the whole contact, J.
    pub energy_lost_j: f64,
    /// Peak force if the tip flows as soon as it touches, N; where a yield strength is known, the elastic
    /// pressure passes first yield, and this force is the smaller one.
    pub yielding_tip_force_n: Option<f64>,
    /// Load at which this tip would start a cone by Auerbach's law, N; uncertain by a factor of 2 to 3.
    pub cone_force_n: f64,
    /// Force required at 90 degrees, struck square, N.
    pub square_edge_force_n: f64,
    /// Factor of the angles on the required force.
    pub angle_factor: f64,
    /// Force that the platform requires, N.
    pub required_force_n: f64,
    /// Peak force over required force: above 1 a flake is expected.
    pub margin: f64,
    /// Least speed of the percussor along its path that would do, m/s: a lower bound, of an elastic tip on a perfect contact.
    pub least_speed_m_s: f64,
    /// Least kinetic energy of the percussor that would do, J: a lower bound, as the speed.
    pub least_energy_j: f64,
    /// Deepest platform at these angles that the blow could carry, m.
    pub carried_depth_m: f64,
    /// Reasons to distrust the above.
    pub doubts: Vec<Doubt>,
}

/// The mechanics of one blow from its [`Setup`].
///
/// # Formula
/// With B the angle of blow and s the stored share: V = speed · cos B; F_m by [`impact::struck`]; required
/// P = β K h^(3/2) g, g by [`chipping::glass_angle_factor`]; margin F_m/P; least speed as [`least_speed`] over cos B; least energy
/// M V²/2 of the percussor at that speed; carried depth (F_m / β K g)^(2/3).
///
/// An oblique blow loses by cos B in delivery and gains by g in demand; both are counted. Restitution e
/// enters the peak through s = (1 + e²)/2 (see [`stored_share`]), and the impulse and the
/// energy lost as e itself; the contact time stays Hertz's. Fails, and says so in its doubts, for tips that yield,
/// contacts near the edge, bending initiations, indirect percussion and angles that were never measured.
///
/// # Errors
/// [`Error::OutOfRange`] naming the first field of the setup outside its range; [`Error::Invalid`] where a length, mass
/// or speed is so small that the forces have no value.
pub fn strike_mechanics(setup: &Setup) -> Result<BlowMechanics> {
    let contact = checked_contact(setup)?;
    let restitution = RESTITUTION.check(setup.restitution)?;
    let share = stored_share(restitution);
    let mass = impact::effective_mass_kg(setup.percussor_mass_kg, setup.core_mass_kg)?;
    SPEED.check(setup.speed_m_s)?;
    PLATFORM_ANGLE.check(setup.exterior_platform_angle_deg)?;
    BLOW_ANGLE.check(setup.angle_of_blow_deg)?;
    let cos = setup.angle_of_blow_deg.to_radians().cos();
    let speed = setup.speed_m_s * cos;

    let toughness = setup.stone_toughness_pa_sqrt_m;
    const K: Bounds = Bounds::closed("stone_toughness_pa_sqrt_m", 1e4, 5e8, "Pa m^(1/2)");
    K.check(toughness)?;
    DEPTH.check(setup.depth_m)?;
    let square_edge_force_n = chipping::edge_force_n(setup.beta, toughness, setup.depth_m)?;
    let angles = chipping::glass_angle_factor(setup.exterior_platform_angle_deg, setup.angle_of_blow_deg)?;
    let angle_factor = angles.factor;
    let required_force_n = square_edge_force_n * angle_factor;

    let hit = impact::struck(&contact, mass, speed, restitution);
    let peak = hit.peak;
    let cone_force_n = contact.cone_load_n(toughness);
    // Contact ends when the flake leaves, so the model has to hold up to the smaller of the two forces.
    let reached = contact.pressed(peak.force_n.min(required_force_n));
    // never yields, where no strength is known
    const STRENGTH: Bounds = Bounds::closed("percussor_yield_strength_pa", 1e5, 1e11, "Pa");
    let strength = setup.percussor_yield_strength_pa.map(|s| STRENGTH.check(s)).transpose()?;
    let strength = strength.unwrap_or(f64::INFINITY);
    let (first_yield, flow_pressure) = (FIRST_YIELD * strength, FLOW_PRESSURE * strength);
    let easily_coned = contact.pressed(cone_force_n / AUERBACH_FACTOR);
    let raised = [
        (Doubt::Crushes, peak.contact_radius_m >= setup.depth_m),
        (Doubt::TipYields, reached.peak_pressure_pa > first_yield || setup.crushes),
        (Doubt::ContactNearEdge, reached.contact_radius_m > SMALL_CONTACT * setup.depth_m),
        (Doubt::ContactWide, reached.contact_radius_m > SMALL_CONTACT * contact.radius_m),
        (
            Doubt::BendingLikely,
            easily_coned.force_n > reached.force_n || easily_coned.peak_pressure_pa > flow_pressure,
        ),
        (Doubt::PlatformAngleOutside, angles.platform_angle_outside),
        (Doubt::BlowAngleOutside, angles.blow_angle_outside),
        (Doubt::Indirect, setup.indirect),
        (Doubt::LossesShared, restitution < 1.0),
        (Doubt::CoreFixed, setup.core_mass_kg.is_none()),
        (Doubt::FastBlow, setup.speed_m_s > FAST_HAND),
    ];
    let doubts = raised.into_iter().filter(|(_, when)| *when).map(|(doubt, _)| doubt).collect();

    let least_speed_m_s = least_speed(&contact, mass, required_force_n, share) / cos;
    let found = BlowMechanics {
        contact_modulus_pa: contact.modulus_pa,
        effective_radius_m: contact.radius_m,
        effective_mass_kg: mass,
        normal_speed_m_s: speed,
        peak_force_n: peak.force_n,
        approach_m: peak.approach_m,
        contact_time_s: hit.duration_s,
        contact_radius_m: peak.contact_radius_m,
        peak_pressure_pa: peak.peak_pressure_pa,
        edge_tensile_stress_pa: peak.edge_tensile_stress_pa,
        impulse_n_s: hit.impulse_n_s,
        energy_lost_j: hit.energy_lost_j,
        yielding_tip_force_n: (peak.peak_pressure_pa > first_yield)
            .then(|| impact::flowing_force_n(contact.radius_m, flow_pressure, mass, speed * share.sqrt()))
            .filter(|force| *force < peak.force_n),
        cone_force_n,
        square_edge_force_n,
        angle_factor,
        required_force_n,
        margin: peak.force_n / required_force_n,
        least_speed_m_s,
        least_energy_j: 0.5 * setup.percussor_mass_kg * least_speed_m_s * least_speed_m_s,
        carried_depth_m: chipping::depth_carried(setup.beta * angle_factor, toughness, peak.force_n),
        doubts,
    };
    if found.has_not_a_number() {
        return Err(Error::invalid(
            "blow",
            "its forces are too small for a number (give lengths, masses and speeds that can be measured)",
        ));
    }
    Ok(found)
}

impl BlowMechanics {
    /// Whether forces, times or lengths vanished below the smallest double, so that a ratio of them has no value.
    fn has_not_a_number(&self) -> bool {
        [
            self.approach_m,
            self.contact_time_s,
            self.contact_radius_m,
            self.peak_pressure_pa,
            self.edge_tensile_stress_pa,
            self.impulse_n_s,
            self.energy_lost_j,
            self.cone_force_n,
            self.required_force_n,
            self.margin,
            self.least_speed_m_s,
            self.least_energy_j,
            self.carried_depth_m,
        ]
        .iter()
        .any(|v| v.is_nan())
    }
}

/// The contact of a setup, with its own field names in the messages.
fn checked_contact(setup: &Setup) -> Result<Contact> {
    const STONE_E: Bounds = Bounds::closed("stone_youngs_modulus_pa", 1e7, 1.3e12, "Pa");
    const STONE_NU: Bounds = Bounds::closed("stone_poisson_ratio", 0.0, 0.499, "");
    const TIP_E: Bounds = Bounds::closed("percussor_youngs_modulus_pa", 1e7, 1.3e12, "Pa");
    const TIP_NU: Bounds = Bounds::closed("percussor_poisson_ratio", 0.0, 0.499, "");
    let stone = Elastic::new(
        STONE_E.check(setup.stone_youngs_modulus_pa)?,
        STONE_NU.check(setup.stone_poisson_ratio)?,
    );
    let percussor = Elastic::new(
        TIP_E.check(setup.percussor_youngs_modulus_pa)?,
        TIP_NU.check(setup.percussor_poisson_ratio)?,
    );
    Contact::new(percussor, stone, setup.tip_radius_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mechanics::tests::setup;

    #[test]
    fn a_blow_without_a_value_is_seen_whichever_value_it_lacks() {
        let setup = setup("flint", "quartzite", (400.0, 10.0), 4.0, 8.0, 75.0);
        let fine = strike_mechanics(&setup).unwrap();
        assert!(!fine.has_not_a_number());
        let lacking: [fn(&mut BlowMechanics); 4] = [
            |b| b.approach_m = f64::NAN,
            |b| b.peak_pressure_pa = f64::NAN,
            |b| b.margin = f64::NAN,
            |b| b.carried_depth_m = f64::NAN,
        ];
        for spoil in lacking {
            let mut b = fine.clone();
            spoil(&mut b);
            assert!(b.has_not_a_number());
        }
    }

    #[test]
    fn a_blow_crushes_from_the_speed_at_which_the_contact_reaches_the_edge() {
        for (mass, tip, depth, angle_of_blow, e) in
            [(400.0, 10.0, 2.0, 0.0, 1.0), (300.0, 25.0, 5.0, 20.0, 0.8), (1000.0, 5.0, 1.0, -10.0, 0.9)]
        {
            let mut setup = setup("flint", "quartzite", (mass, tip), 1.0, depth, 75.0);
            (setup.angle_of_blow_deg, setup.restitution) = (angle_of_blow, e);
            let contact = checked_contact(&setup).unwrap();
            // a² = R δ reaches h² where the energy stored, s m* V²/2, is (8/15) E* h⁵ / R²
            let stored = 15.0 * stored_share(e) * setup.percussor_mass_kg * contact.radius_m.powi(2);
            let along_normal = (16.0 * contact.modulus_pa * setup.depth_m.powi(5) / stored).sqrt();
            let speed = along_normal / angle_of_blow.to_radians().cos();
            for (share, crushes) in [(0.999, false), (1.001, true)] {
                setup.speed_m_s = speed * share;
                let blow = strike_mechanics(&setup).unwrap();
                assert_eq!(
                    blow.doubts.contains(&Doubt::Crushes),
                    crushes,
                    "{mass} g on {depth} mm at {share}"
                );
            }
        }
        // a kilogram swung at 12 m/s on a platform 2 mm deep is no way to take a flake off
        let blow = strike_mechanics(&setup("flint", "quartzite", (1000.0, 20.0), 12.0, 2.0, 75.0)).unwrap();
        assert!(blow.doubts.contains(&Doubt::Crushes) && blow.margin > 50.0);
    }
}
