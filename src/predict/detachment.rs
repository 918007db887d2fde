//! Whether a blow takes a flake off, and how sure that is: the mechanics of one blow with its uncertainty.
//!
//! ```text
//! ln margin = ln F_m - ln P = ln margin₀ + 0.4 ln(E*/E*₀) + N(0, v) + N(0, 0.268²)
//! P(detach) = E Φ( (ln margin₀ + 0.4 ln(E*/E*₀)) / (v + 0.268²)^(1/2) )
//! ```
//!
//! F_m is the force delivered, P the force required ([`crate::mechanics::blow`]), ₀ the typical values. Speed, tip
//! radius, masses, depth, toughness, β and the slopes of the angles enter as powers or exponentials and are taken as lognormal
//! (the slopes as normal), so that they add up to one variance v on the log scale in closed form. Only the contact
//! modulus E*, a sum of two compliances, is not a product of powers: it is integrated over the moduli and
//! Poisson's ratios of both bodies. The last term is the scatter of single blows in the glass fit. Nothing is
//! drawn at random: the same input gives the same bytes.
//!
//! Not covered: tips that yield or crush (the force is then a mild overestimate), bending initiations, the
//! spread of angles and restitution, the uncertainty of the exponent 3/2. No experiment recorded blows that failed, so
//! none of this was checked against failures.

use serde::{Deserialize, Serialize};
use std::fmt;

use super::distribution::LEVEL;
use crate::calibration::caution::{Caution, Doubt};
use crate::error::{Error, Result};
use crate::material::{Figure, PercussorClass, PercussorMaterial, Property, Stone, TipBehaviour};
use crate::mechanics::blow::{
    BlowMechanics, CARRIED_DEPTH_EXPONENTS, CONTACT_TIME_EXPONENTS, Exponents, LEAST_SPEED_EXPONENTS,
    PEAK_FORCE_EXPONENTS, Setup, strike_mechanics,
};
use crate::mechanics::chipping::{BETA, BETA_SD, glass};
use crate::page::{Page, percent, probability, short};
use crate::special::{Series, newton_within, normal_cdf, normal_quantile};
use crate::strike::{
    ANGLE_OF_BLOW_DEG, CORE_MASS_G, EXTERIOR_PLATFORM_ANGLE_DEG, Measured, PERCUSSOR_MASS_G,
    PLATFORM_DEPTH_MM, SPEED_M_S, TIP_RADIUS_MM,
};
use crate::vector;

/// A nominal value with the ends of its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct Ranged {
    /// By the typical values; for a probability, the probability itself.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What is usual of a percussor in a knapper's hand, low and high, where nothing of it is known: common practice, no source.
/// Ends are read as two standard deviations either side of the middle, as every range is.
///
/// ```
/// use conchoid::material::PercussorClass;
/// use conchoid::predict::UsualBlow;
/// assert!(UsualBlow::of(PercussorClass::Stone).tip_radius_mm.1 > UsualBlow::of(PercussorClass::Metal).tip_radius_mm.1);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UsualBlow {
    /// Mass of the percussor, g.
    pub percussor_mass_g: (f64, f64),
    /// Radius of the touching part of the tip, mm.
    pub tip_radius_mm: (f64, f64),
    /// Speed at impact, m/s.
    pub speed_m_s: (f64, f64),
}

impl UsualBlow {
    /// Of a hammerstone; a copper or steel percussor; an antler, bone or wooden one.
    pub fn of(class: PercussorClass) -> UsualBlow {
        let (percussor_mass_g, tip_radius_mm) = match class {
            PercussorClass::Stone => ((200.0, 600.0), (8.0, 25.0)),
            PercussorClass::Metal => ((100.0, 400.0), (3.0, 10.0)),
            PercussorClass::Organic => ((150.0, 450.0), (10.0, 25.0)),
        };
        UsualBlow { percussor_mass_g, tip_radius_mm, speed_m_s: (3.0, 8.0) }
    }
}

/// The numbers of one blow, each exact or with a range, not yet checked.
///
/// A range `(typical, low, high)` is read as about two standard deviations either side on a log scale, as
/// everywhere in [`crate::material`].
///
/// | field | unit | accepted | unless set |
/// |---|---|---|---|
/// | `percussor_mass_g` | g | above 0, to 10⁵ | given |
/// | `tip_radius_mm` | mm | above 0, to 1000 | given |
/// | `speed_m_s` | m/s | above 0, to 100 | given |
/// | `platform_depth_mm` | mm | above 0, to 1000 | given |
/// | `exterior_platform_angle_deg` | degrees | 0 to 180, ends excluded | given |
/// | `angle_of_blow_deg` | degrees | −90 to 90, ends excluded | 0, along the platform's normal |
/// | `core_mass_g` | g | above 0, to 10⁷ | fixed core |
/// | `restitution` | | above 0, to 1 | 1, no losses |
/// | `beta` | | above 0, to 1000 | 9.3 ± 1.3 |
/// | `indirect` | | | no punch |
#[derive(Debug, Clone, PartialEq)]
pub struct BlowFigures {
    /// Mass of the percussor, g.
    pub(crate) percussor_mass_g: Figure,
    /// Radius of the touching part of the tip, mm.
    pub(crate) tip_radius_mm: Figure,
    /// Speed of the percussor along its path, m/s.
    pub(crate) speed_m_s: Figure,
    /// Percussion point to exterior face, mm.
    pub(crate) platform_depth_mm: Figure,
    /// Exterior platform angle, degrees.
    pub(crate) exterior_platform_angle_deg: f64,
    /// Angle of blow, degrees.
    pub angle_of_blow_deg: f64,
    /// Mass of the free core, g; fixed without it.
    pub core_mass_g: Option<Figure>,
    /// Coefficient of restitution.
    pub restitution: f64,
    /// Constant of the edge law.
    pub(crate) beta: Figure,
    /// Whether a punch stands between hammer and platform.
    pub(crate) indirect: bool,
}

impl BlowFigures {
    /// A blow along the platform's normal on a fixed core, without losses.
    pub fn new(
        percussor_mass_g: impl Into<Figure>,
        tip_radius_mm: impl Into<Figure>,
        speed_m_s: impl Into<Figure>,
        platform_depth_mm: impl Into<Figure>,
        exterior_platform_angle_deg: f64,
    ) -> Self {
        let two = (2.0 * BETA_SD / BETA).exp();
        BlowFigures {
            percussor_mass_g: percussor_mass_g.into(),
            tip_radius_mm: tip_radius_mm.into(),
            speed_m_s: speed_m_s.into(),
            platform_depth_mm: platform_depth_mm.into(),
            exterior_platform_angle_deg,
            angle_of_blow_deg: 0.0,
            core_mass_g: None,
            restitution: 1.0,
            beta: (BETA, BETA / two, BETA * two).into(),
            indirect: false,
        }
    }

    /// The numbers of one blow from what was measured, by their column names; nothing where none of percussor
    /// mass, tip radius and speed was recorded.
    fn measured(measured: &impl Measured) -> Result<Option<Self>> {
        let [mass, tip, speed] =
            [PERCUSSOR_MASS_G, TIP_RADIUS_MM, SPEED_M_S].map(|b| (b.name(), measured.figure(b.name())));
        if mass.1.is_none() && tip.1.is_none() && speed.1.is_none() {
            return Ok(None);
        }
        let lacking = |name: &str| Error::missing(name, "the mechanics of the blow needs it");
        let needed = |(name, v): (&str, Option<Figure>)| v.ok_or_else(|| lacking(name));
        let number = |name: &str| measured.number(name).ok_or_else(|| lacking(name));
        let mut figures = BlowFigures::new(
            needed(mass)?,
            needed(tip)?,
            needed(speed)?,
            number(PLATFORM_DEPTH_MM.name())?,
            number(EXTERIOR_PLATFORM_ANGLE_DEG.name())?,
        );
        figures.angle_of_blow_deg = measured.number(ANGLE_OF_BLOW_DEG.name()).unwrap_or(0.0);
        figures.core_mass_g = measured.figure(CORE_MASS_G.name());
        figures.indirect = measured.class("technique") == Some("indirect");
        Ok(Some(figures))
    }
}

/// One blow on one stone, as well as it is known; checked.
///
/// ```
/// use conchoid::material::{PercussorMaterial, Stone};
/// use conchoid::predict::{BlowAsKnown, BlowFigures};
///
/// // a 400 g hammerstone that touches with a bump of 10 mm, swung at 3 to 5 m/s
/// let mut figures = BlowFigures::new(400.0, 10.0, (3.9, 3.0, 5.0), 8.0, 75.0);
/// figures.core_mass_g = Some(800.0.into());
/// let quartzite = PercussorMaterial::named("quartzite")?;
/// let blow = BlowAsKnown::new(Stone::named("flint")?, quartzite.clone(), figures)?;
/// let answer = blow.estimate(0.95)?;
/// let p = answer.detachment_probability;
/// assert!(p.low <= p.value && p.value <= p.high && p.value > 0.9);
/// assert!(answer.margin.low < answer.margin.value && answer.margin.value < answer.margin.high);
///
/// let light = BlowFigures::new(400.0, 10.0, 299_792_458.0, 8.0, 75.0);
/// let e = BlowAsKnown::new(Stone::named("flint")?, quartzite, light).unwrap_err();
/// assert_eq!(e.to_string(), "speed_m_s: 299792458 is out of range (accepted: at least 0.01, at most 100 m/s)");
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct BlowAsKnown {
    stone: Stone,
    percussor: PercussorMaterial,
    mass_g: Property,
    tip_radius_mm: Property,
    speed_m_s: Property,
    depth_mm: Property,
    core_mass_g: Option<Property>,
    beta: Property,
    pub(crate) setup: Setup,
    typical: BlowMechanics,
}

/// What the mechanics of one blow says, each number with its interval.
///
/// Force, pressure, tension, radius and time of contact carry the ranges of the materials and of what was given
/// of the blow. Everything that asks what the platform requires also carries β, the slopes of the angles and the
/// scatter of single blows: with the default level, 95 of 100 such blows have a margin inside its interval. The
/// probability of detachment is over all of these; its interval is what remains for the scatter alone, were
/// the rest known: the probability at the low and high end of the margin without its scatter (widened where
/// needed to hold the probability itself).
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct DetachmentEstimate {
    /// Probability inside the intervals.
    pub(crate) level: f64,
    /// Peak force that the blow can build up, N.
    pub peak_force_n: Ranged,
    /// Contact time, s, were no flake to leave.
    pub(crate) contact_time_s: Ranged,
    /// Contact radius at the peak, mm.
    pub(crate) contact_radius_mm: Ranged,
    /// Pressure at the middle of the contact at the peak, Pa.
    pub(crate) peak_pressure_pa: Ranged,
    /// Radial tension in the stone at the rim of contact at the peak, Pa.
    pub(crate) edge_tensile_stress_pa: Ranged,
    /// Force that the platform requires, N, angles counted.
    pub required_force_n: Ranged,
    /// Force required at 90 degrees, struck square, N.
    pub(crate) square_edge_force_n: Ranged,
    /// Peak force over required force.
    pub margin: Ranged,
    /// Probability that a flake detaches. Model-based: no failed blows were recorded.
    pub detachment_probability: Ranged,
    /// Least speed of the percussor along its path that would do, m/s.
    pub least_speed_m_s: Ranged,
    /// Least kinetic energy of the percussor that would do, J.
    pub(crate) least_energy_j: Ranged,
    /// Deepest platform at these angles that the blow could carry, mm.
    pub(crate) carried_depth_mm: Ranged,
    /// Peak force if the tip flows as soon as it touches, N, at the typical values; where a yield strength is known, the
    /// elastic pressure passes first yield, and this force is the smaller one.
    pub(crate) yielding_tip_force_n: Option<f64>,
    /// Reasons to distrust the above.
    pub cautions: Vec<Caution>,
}

impl Ranged {
    /// Lower end, value, upper end.
    pub(crate) fn ends(self) -> [f64; 3] {
        [self.low, self.value, self.high]
    }
}

/// A probability with its ends, where they read differently.
pub(super) fn chance(p: Ranged) -> String {
    let [low, value, high] = p.ends().map(probability);
    if low == high { value } else { format!("{value} ({low} to {high})") }
}

impl DetachmentEstimate {
    /// Whether it comes off, in a sentence that can be read aloud.
    pub fn sentence(&self) -> String {
        let p = self.detachment_probability;
        let word = match p.value {
            v if v < 0.01 => "This blow would not take a flake off",
            v if v < 0.05 => "This blow would hardly take a flake off",
            v if v < 0.35 => "This blow would probably not take a flake off",
            v if v < 0.65 => "It is about even whether this blow takes a flake off",
            v if v < 0.95 => "This blow would probably take a flake off",
            v if v < 0.99 => "This blow would almost surely take a flake off",
            _ => "This blow would take a flake off",
        };
        let [low, margin, high] = self.margin.ends().map(short);
        let p = chance(p);
        format!("{word}: probability {p}. It can deliver {margin} times the force needed ({low} to {high}).")
    }
}

/// All of it in words but the cautions (`{:79}` breaks its paragraphs at 79 characters).
impl fmt::Display for DetachmentEstimate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        page.say(self.sentence());
        page.line(format!("\nIn brackets: {} % of such blows fall inside.\n", percent(self.level)));
        for (what, figure, unit, scale) in [
            ("peak force of the blow", self.peak_force_n, "N", 1.0),
            ("force the platform needs", self.required_force_n, "N", 1.0),
            ("  square edge, square blow", self.square_edge_force_n, "N", 1.0),
            ("delivered over needed", self.margin, "", 1.0),
            ("least speed that would do", self.least_speed_m_s, "m/s", 1.0),
            ("least energy", self.least_energy_j, "J", 1.0),
            ("deepest platform it carries", self.carried_depth_mm, "mm", 1.0),
            ("contact time", self.contact_time_s, "ms", 1e3),
            ("contact radius", self.contact_radius_mm, "mm", 1.0),
            ("pressure in the middle", self.peak_pressure_pa, "GPa", 1e-9),
            ("tension at the rim", self.edge_tensile_stress_pa, "MPa", 1e-6),
        ] {
            page.figure(what, (26, 8), &format!(" {unit:4} "), figure.ends().map(|v| scale * v));
        }
        page.part(
            "Contact, pressure and tension are those at the peak force, which a flake that leaves before cuts short. The \
             least speed and energy are lower bounds: of an elastic tip on a perfect contact, nothing lost. We saw no \
             published speed of a knapper's hand; several metres a second are common (common practice, no source).",
        );
        if let Some(force) = self.yielding_tip_force_n {
            let force = short(force);
            page.part(format!("Should the tip flow as soon as it touches, the peak force is {force} N."));
        }
        page.show(f)
    }
}

/// How an answer of the mechanics goes with what it depends on.
#[derive(Clone, Copy)]
struct Law {
    powers: Exponents,
    /// Of the percussor's own mass, beside the effective mass.
    own_mass: f64,
    /// Of 1 - 2 nu of the stone.
    rim: f64,
    /// Of beta, and of the scatter of single blows.
    need: f64,
    /// Of the effect of the angles.
    angles: f64,
}

impl Law {
    const NOTHING: Exponents = Exponents {
        speed: 0.0,
        effective_mass: 0.0,
        contact_modulus: 0.0,
        radius: 0.0,
        toughness: 0.0,
        depth: 0.0,
    };
    /// a ~ (m* V² R² / E*)^(1/5).
    const CONTACT_RADIUS: Law = Law::contact(Exponents {
        speed: 0.4,
        effective_mass: 0.2,
        contact_modulus: -0.2,
        radius: 0.4,
        ..Law::NOTHING
    });
    /// p0 ~ (E*⁴ m* V² / R³)^(1/5).
    const PEAK_PRESSURE: Law = Law::contact(Exponents {
        speed: 0.4,
        effective_mass: 0.2,
        contact_modulus: 0.8,
        radius: -0.6,
        ..Law::NOTHING
    });
    const EDGE_TENSION: Law = Law { rim: 1.0, ..Law::PEAK_PRESSURE };
    const PEAK_FORCE: Law = Law::contact(PEAK_FORCE_EXPONENTS);
    const CONTACT_TIME: Law = Law::contact(CONTACT_TIME_EXPONENTS);
    const REQUIRED: Law = Law {
        powers: Exponents { toughness: 1.0, depth: 1.5, ..Law::NOTHING },
        need: 1.0,
        angles: 1.0,
        ..Law::contact(Law::NOTHING)
    };
    const SQUARE_EDGE: Law = Law { angles: 0.0, ..Law::REQUIRED };
    const MARGIN: Law = Law {
        powers: Exponents { toughness: -1.0, depth: -1.5, ..PEAK_FORCE_EXPONENTS },
        need: -1.0,
        angles: -1.0,
        ..Law::PEAK_FORCE
    };
    const LEAST_SPEED: Law =
        Law { need: 5.0 / 6.0, angles: 5.0 / 6.0, ..Law::contact(LEAST_SPEED_EXPONENTS) };
    /// m V²/2 at the least speed.
    const LEAST_ENERGY: Law = Law {
        powers: Exponents {
            speed: 0.0,
            effective_mass: -1.0,
            contact_modulus: -2.0 / 3.0,
            radius: -1.0 / 3.0,
            toughness: 5.0 / 3.0,
            depth: 2.5,
        },
        own_mass: 1.0,
        need: 5.0 / 3.0,
        angles: 5.0 / 3.0,
        ..Law::contact(Law::NOTHING)
    };
    const CARRIED_DEPTH: Law =
        Law { need: -2.0 / 3.0, angles: -2.0 / 3.0, ..Law::contact(CARRIED_DEPTH_EXPONENTS) };

    const fn contact(powers: Exponents) -> Law {
        Law { powers, own_mass: 0.0, rim: 0.0, need: 0.0, angles: 0.0 }
    }
}

/// Terms of the series that stands for the normal distribution function over the moduli, where it is exact enough. This crate's choice, no source.
const SERIES: usize = 24;

/// The most by which that series may be off, between its nodes. This crate's choice, no source.
const SERIES_ERROR: f64 = 1e-13;

/// Residual standard deviation of ln force about the glass fit: the scatter of single blows.
const SCATTER: f64 = glass::RESIDUAL_SD;

impl BlowAsKnown {
    /// The blow of what was measured ([`Measured::figure`] may give ranges), by its own percussor, on its own stone, else
    /// on this one, flint without either; nothing where none of percussor mass, tip radius and speed was recorded.
    ///
    /// # Errors
    /// [`Error::Missing`] where one of the three was recorded but not all, or without percussor, platform depth or
    /// exterior platform angle; [`Error::UnknownName`] of percussor or stone; those of [`BlowAsKnown::new`].
    pub fn measured(measured: &impl Measured, stone: Option<&str>) -> Result<Option<Self>> {
        let Some(figures) = BlowFigures::measured(measured)? else { return Ok(None) };
        let percussor = measured.class("percussor").ok_or_else(|| {
            Error::missing("percussor", "whether the blow detaches a flake depends on what strikes")
        })?;
        let stone = Stone::named(measured.class("stone").or(stone).unwrap_or("flint"))?;
        BlowAsKnown::new(stone, PercussorMaterial::named(percussor)?, figures).map(Some)
    }

    /// Checks everything and works out the mechanics at the typical values.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the first number outside the ranges of the table at [`BlowFigures`];
    /// [`Error::Invalid`] for a range out of order.
    pub fn new(stone: Stone, percussor: PercussorMaterial, figures: BlowFigures) -> Result<Self> {
        const BETA_RANGE: crate::error::Bounds = crate::error::Bounds::above("beta", 0.0, 1000.0, "");
        let mass_g = figures.percussor_mass_g.checked(&PERCUSSOR_MASS_G)?;
        let tip_radius_mm = figures.tip_radius_mm.checked(&TIP_RADIUS_MM)?;
        let speed_m_s = figures.speed_m_s.checked(&SPEED_M_S)?;
        let depth_mm = figures.platform_depth_mm.checked(&PLATFORM_DEPTH_MM)?;
        let core_mass_g = figures.core_mass_g.map(|f| f.checked(&CORE_MASS_G)).transpose()?;
        let beta = figures.beta.checked(&BETA_RANGE)?;
        let setup = Setup {
            stone_youngs_modulus_pa: stone.youngs_modulus_pa().typical(),
            stone_poisson_ratio: stone.poisson_ratio().typical(),
            stone_toughness_pa_sqrt_m: stone.toughness_pa_sqrt_m().typical(),
            percussor_youngs_modulus_pa: percussor.youngs_modulus_pa().typical(),
            percussor_poisson_ratio: percussor.poisson_ratio().typical(),
            percussor_yield_strength_pa: percussor.yield_strength_pa().map(Property::typical),
            percussor_mass_kg: mass_g.typical() / 1000.0,
            tip_radius_m: tip_radius_mm.typical() / 1000.0,
            core_mass_kg: core_mass_g.as_ref().map(|m| m.typical() / 1000.0),
            speed_m_s: speed_m_s.typical(),
            depth_m: depth_mm.typical() / 1000.0,
            exterior_platform_angle_deg: figures.exterior_platform_angle_deg,
            angle_of_blow_deg: figures.angle_of_blow_deg,
            restitution: figures.restitution,
            beta: beta.typical(),
            crushes: percussor.tip_behaviour() == TipBehaviour::Crushes,
            indirect: figures.indirect,
        };
        let typical = strike_mechanics(&setup)?;
        Ok(BlowAsKnown {
            stone,
            percussor,
            mass_g,
            tip_radius_mm,
            speed_m_s,
            depth_mm,
            core_mass_g,
            beta,
            setup,
            typical,
        })
    }

    /// The stone.
    pub fn stone(&self) -> &Stone {
        &self.stone
    }

    /// What the percussor is made of.
    pub fn percussor(&self) -> &PercussorMaterial {
        &self.percussor
    }

    /// The mechanics at the typical values, in SI.
    #[cfg(test)]
    pub(crate) fn typical(&self) -> &BlowMechanics {
        &self.typical
    }

    /// The probability that a flake detaches, over everything that is uncertain; between 0 and 1.
    ///
    /// By Gauss-Hermite quadrature over the four elastic constants (the normal distribution function among them by a
    /// Chebyshev series, within 1e-13), closed form over the rest; cheap enough for every row of a table. Model-based:
    /// no failed blows were recorded.
    pub fn probability(&self) -> f64 {
        let sd = self.sd(Law::MARGIN, true);
        let centre = self.typical.margin.ln();
        let power = Law::MARGIN.powers.contact_modulus;
        let stone = compliances(self.stone.youngs_modulus_pa(), self.stone.poisson_ratio());
        let tip = compliances(self.percussor.youngs_modulus_pa(), self.percussor.poisson_ratio());
        let ln_typical = self.typical.contact_modulus_pa.ln();
        let at = |ln_modulus: f64| normal_cdf((centre + power * ln_modulus) / sd);
        // the logarithms of the modulus, body by body, then the probabilities there
        let sums: Vec<f64> = stone.iter().flat_map(|(_, s)| tip.iter().map(move |(_, t)| s + t)).collect();
        let mut values = vec![0.0; sums.len()];
        vector::ln_into(&sums, &mut values);
        values.iter_mut().for_each(|v| *v = -*v - ln_typical);
        let ends = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |e, v| (e.0.min(*v), e.1.max(*v)));
        let series = (values.len() > 4 * SERIES)
            .then(|| Series::<SERIES>::new(ends.0, ends.1, at, |_| SERIES_ERROR))
            .flatten();
        match series {
            Some(series) => series.replace(&mut values),
            None => values.iter_mut().for_each(|v| *v = at(*v)),
        }
        let mut p = 0.0;
        for ((weight, _), values) in stone.iter().zip(values.chunks_exact(tip.len())) {
            p += weight * tip.iter().zip(values).map(|((w, _), v)| w * v).sum::<f64>();
        }
        p.clamp(0.0, 1.0)
    }

    /// Every number with its interval at this level (0.95 is the custom).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless 0 < `level` < 1.
    pub fn estimate(&self, level: f64) -> Result<DetachmentEstimate> {
        let level = LEVEL.check(level)?;
        let nodes = self.nodes();
        let t = &self.typical;
        let of = |value: f64, law: Law| {
            let (low, high) = self.deviations(&nodes, law, true, level);
            Ranged { value, low: value * low.exp(), high: value * high.exp() }
        };
        let value = self.probability();
        let (low, high) = self.deviations(&nodes, Law::MARGIN, false, level);
        let by_scatter = |deviation: f64| normal_cdf((t.margin.ln() + deviation) / SCATTER);
        let detachment_probability =
            Ranged { value, low: by_scatter(low).min(value), high: by_scatter(high).max(value) };
        let mut cautions = vec![Caution::from(Doubt::NoFailedBlows)];
        cautions.extend(t.doubts.iter().map(|doubt| {
            let (kind, text) = doubt.told();
            Caution::from(Doubt::Mechanics { kind, text })
        }));
        Ok(DetachmentEstimate {
            level,
            peak_force_n: of(t.peak_force_n, Law::PEAK_FORCE),
            contact_time_s: of(t.contact_time_s, Law::CONTACT_TIME),
            contact_radius_mm: of(t.contact_radius_m * 1000.0, Law::CONTACT_RADIUS),
            peak_pressure_pa: of(t.peak_pressure_pa, Law::PEAK_PRESSURE),
            edge_tensile_stress_pa: of(t.edge_tensile_stress_pa, Law::EDGE_TENSION),
            required_force_n: of(t.required_force_n, Law::REQUIRED),
            square_edge_force_n: of(t.square_edge_force_n, Law::SQUARE_EDGE),
            margin: of(t.margin, Law::MARGIN),
            detachment_probability,
            least_speed_m_s: of(t.least_speed_m_s, Law::LEAST_SPEED),
            least_energy_j: of(t.least_energy_j, Law::LEAST_ENERGY),
            carried_depth_mm: of(t.carried_depth_m * 1000.0, Law::CARRIED_DEPTH),
            yielding_tip_force_n: t.yielding_tip_force_n,
            cautions,
        })
    }

    /// The share of the percussor's mass in the relative change of the effective mass: m*/m. The core has the rest.
    fn mass_share(&self) -> f64 {
        self.typical.effective_mass_kg / self.setup.percussor_mass_kg
    }

    /// Standard deviation of the slopes' part of ln required force.
    fn angles_sd(&self) -> f64 {
        let (low, high) = glass::PLATFORM_ANGLES_DEG;
        let a = self.setup.exterior_platform_angle_deg.clamp(low, high) - 90.0;
        let (low, high) = glass::BLOW_ANGLES_DEG;
        let b = self.setup.angle_of_blow_deg.clamp(low, high);
        (glass::PLATFORM_ANGLE_SLOPE_SE * a).hypot(glass::BLOW_ANGLE_SLOPE_SE * b)
    }

    /// Standard deviation of the part of an answer's logarithm that is normal in closed form.
    fn sd(&self, law: Law, scatter: bool) -> f64 {
        let p = &law.powers;
        let share = self.mass_share();
        let core = self.core_mass_g.as_ref().map_or(0.0, Property::log_sd);
        let parts = [
            p.speed * self.speed_m_s.log_sd(),
            p.radius * self.tip_radius_mm.log_sd(),
            (p.effective_mass * share + law.own_mass) * self.mass_g.log_sd(),
            p.effective_mass * (1.0 - share) * core,
            p.toughness * self.stone.toughness_pa_sqrt_m().log_sd(),
            p.depth * self.depth_mm.log_sd(),
            law.need * self.beta.log_sd(),
            law.angles * self.angles_sd(),
            if scatter { law.need * SCATTER } else { 0.0 },
        ];
        parts.iter().map(|v| v * v).sum::<f64>().sqrt()
    }

    /// Logarithms of E* and of 1 - 2 nu over their typical values, over a lattice of the elastic constants.
    fn nodes(&self) -> Vec<(f64, f64)> {
        let (es, ns) = (self.stone.youngs_modulus_pa(), self.stone.poisson_ratio());
        let (ep, np) = (self.percussor.youngs_modulus_pa(), self.percussor.poisson_ratio());
        let ln_typical = self.typical.contact_modulus_pa.ln();
        let rim_typical = 1.0 - 2.0 * ns.typical();
        let one = |z: [f64; 4]| {
            let nu = poisson_at(ns, z[2]);
            let c = compliance(at(es, z[0]), nu) + compliance(at(ep, z[1]), poisson_at(np, z[3]));
            (-c.ln() - ln_typical, ((1.0 - 2.0 * nu) / rim_typical).ln())
        };
        if [es, ns, ep, np].iter().all(|p| p.log_sd() == 0.0) {
            return vec![(0.0, 0.0)];
        }
        lattice().map(one).collect()
    }

    /// Ends of the central interval of ln(answer / typical answer).
    fn deviations(&self, nodes: &[(f64, f64)], law: Law, scatter: bool, level: f64) -> (f64, f64) {
        let power = law.powers.contact_modulus;
        let shifts = if power == 0.0 && law.rim == 0.0 {
            vec![0.0]
        } else {
            nodes.iter().map(|(modulus, rim)| power * modulus + law.rim * rim).collect()
        };
        central(shifts, self.sd(law, scatter), level)
    }
}

/// One percussor against another on the same platform: ratios of the first over the second.
///
/// What both share (stone, toughness, β, the scatter of the platform) cancels where it enters both alike, so these
/// are surer than either number. The two percussors are two pieces: even of one material they may differ within its
/// ranges. An intended comparison of one and the same piece at two speeds needs exact values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct BlowContrast {
    /// Of the peak forces of the two blows as given.
    #[serde(rename = "peak_force_ratio")]
    pub(super) peak_force: Ranged,
    /// Of the least speeds.
    #[serde(rename = "least_speed_ratio")]
    pub(super) least_speed: Ranged,
    /// Of the least energies.
    #[serde(rename = "least_energy_ratio")]
    pub(super) least_energy: Ranged,
}

/// Compares two blows on the same platform; see [`BlowContrast`].
///
/// # Errors
/// [`Error::Incomparable`] where stone, depth, angles, core or β differ; [`Error::OutOfRange`] unless
/// 0 < `level` < 1.
pub(crate) fn compare_blows(first: &BlowAsKnown, second: &BlowAsKnown, level: f64) -> Result<BlowContrast> {
    let level = LEVEL.check(level)?;
    let platform = |b: &BlowAsKnown| {
        (
            b.stone.clone(),
            b.depth_mm.clone(),
            b.core_mass_g.clone(),
            b.beta.clone(),
            (b.setup.exterior_platform_angle_deg, b.setup.angle_of_blow_deg),
        )
    };
    if platform(first) != platform(second) {
        return Err(Error::Incomparable {
            reason: "the two blows meet different stones or platforms".into(),
        });
    }
    let (es, ns) = (first.stone.youngs_modulus_pa(), first.stone.poisson_ratio());
    let tip = |b: &BlowAsKnown, z0: f64, z1: f64| {
        let m = &b.percussor;
        compliance(at(m.youngs_modulus_pa(), z0), poisson_at(m.poisson_ratio(), z1))
    };
    let typical = (first.typical.contact_modulus_pa / second.typical.contact_modulus_pa).ln();
    let moduli: Vec<f64> = lattice()
        .map(|z: [f64; 6]| {
            let stone = compliance(at(es, z[0]), poisson_at(ns, z[3]));
            let one = stone + tip(first, z[1], z[4]);
            // two percussors of one material differ as two pieces of it do
            let other = stone + tip(second, z[2], z[5]);
            other.ln() - one.ln() - typical
        })
        .collect();
    let of = |value: f64, law: Law| {
        let p = &law.powers;
        let own = |b: &BlowAsKnown| {
            let mass = (p.effective_mass * b.mass_share() + law.own_mass) * b.mass_g.log_sd();
            let speed = p.speed * b.speed_m_s.log_sd();
            let tip = p.radius * b.tip_radius_mm.log_sd();
            mass * mass + speed * speed + tip * tip
        };
        let core = first.core_mass_g.as_ref().map_or(0.0, Property::log_sd);
        let shared = p.effective_mass * (second.mass_share() - first.mass_share()) * core;
        let shifts = moduli.iter().map(|m| p.contact_modulus * m).collect();
        let (low, high) = central(shifts, (own(first) + own(second) + shared * shared).sqrt(), level);
        Ranged { value, low: value * low.exp(), high: value * high.exp() }
    };
    let (a, b) = (&first.typical, &second.typical);
    Ok(BlowContrast {
        peak_force: of(a.peak_force_n / b.peak_force_n, Law::PEAK_FORCE),
        least_speed: of(a.least_speed_m_s / b.least_speed_m_s, Law::LEAST_SPEED),
        least_energy: of(a.least_energy_j / b.least_energy_j, Law::LEAST_ENERGY),
    })
}

/// A property z standard deviations from its typical value.
fn at(p: &Property, z: f64) -> f64 {
    p.typical() * (z * p.log_sd()).exp()
}

/// A Poisson's ratio z standard deviations from its typical value, held below 0.499.
fn poisson_at(p: &Property, z: f64) -> f64 {
    at(p, z).min(0.499)
}

fn compliance(modulus: f64, poisson: f64) -> f64 {
    (1.0 - poisson * poisson) / modulus
}

/// Nodes and weights of Gauss-Hermite quadrature for a standard normal, middle first, the others for both signs;
/// computed (numpy 2, `hermegauss`).
const ELEVEN: [(f64, f64); 6] = [
    (0.0, 0.369_408_369_408_369_3),
    (0.928_868_997_381_064, 0.242_240_299_873_969_97),
    (1.876_035_020_154_846, 0.066_138_746_071_057_78),
    (2.865_123_160_643_645, 0.006_720_285_235_537_270_6),
    (3.936_166_607_129_977, 0.000_195_671_930_271_223_6),
    (5.188_001_224_374_870_5, 8.121_849_790_214_909e-7),
];
const THREE: [(f64, f64); 2] = [(0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];
const ONE: [(f64, f64); 1] = [(0.0, 1.0)];

/// Weights and compliances of one body over its modulus and Poisson's ratio.
fn compliances(modulus: &Property, poisson: &Property) -> Vec<(f64, f64)> {
    let half: &[(f64, f64)] = if modulus.log_sd() == 0.0 { &ONE } else { &ELEVEN };
    let moduli = both_signs(half);
    let half: &[(f64, f64)] = if poisson.log_sd() == 0.0 { &ONE } else { &THREE };
    let ratios: Vec<(f64, f64)> = both_signs(half).map(|(z, w)| (poisson_at(poisson, z), w)).collect();
    moduli
        .flat_map(|(z, w)| {
            let e = at(modulus, z);
            ratios.iter().map(move |(nu, v)| (w * v, compliance(e, *nu))).collect::<Vec<_>>()
        })
        .collect()
}

fn both_signs(half: &[(f64, f64)]) -> impl Iterator<Item = (f64, f64)> {
    half.iter().rev().map(|(z, w)| (-z, *w)).chain(half.iter().skip(1).copied())
}

/// Points of the lattice, a prime. This crate's choice, no source.
const POINTS: u64 = 4093;
/// Its generator: of all, the one with the least P₂ in six dimensions, the last three with a weight of a fifth (the
/// moduli come first, Poisson's ratios matter little); computed.
const GENERATOR: u64 = 258;

/// Standard normal scores over D dimensions: a Korobov lattice, shifted by a quarter and folded, so that each
/// dimension alone is the midpoint rule of as many strata as there are points.
fn lattice<const D: usize>() -> impl Iterator<Item = [f64; D]> {
    // each dimension meets the same midpoints in another order
    let scores: Vec<f64> =
        (0..POINTS).map(|i| normal_quantile((2 * i + 1) as f64 / (2 * POINTS) as f64)).collect();
    (0..POINTS).map(move |k| {
        let mut g = 1;
        [(); D].map(|()| {
            let quarters = 4 * (k * g % POINTS) + POINTS;
            let quarters = quarters % (4 * POINTS);
            g = g * GENERATOR % POINTS;
            // 1 - |2u - 1| in units of 1 / (2 POINTS): odd, so it is a midpoint
            let folded = quarters.min(4 * POINTS - quarters);
            scores[((folded - 1) / 2) as usize]
        })
    })
}

/// Ends of the central interval of shift + N(0, sd²), the shifts equally likely.
fn central(mut shifts: Vec<f64>, sd: f64, level: f64) -> (f64, f64) {
    let tail = 0.5 * (1.0 - level);
    let z = -normal_quantile(tail);
    shifts.sort_by(f64::total_cmp);
    let (first, last) = (shifts[0], shifts[shifts.len() - 1]);
    if first == last {
        return (first - z * sd, first + z * sd);
    }
    if sd == 0.0 {
        return (between_midpoints(&shifts, tail), between_midpoints(&shifts, 1.0 - tail));
    }
    let weighed = grouped(&shifts, sd);
    // from its own tail: one less a small tail may be 1
    let mirrored: Vec<(f64, f64)> = weighed.iter().rev().map(|(shift, weight)| (-shift, *weight)).collect();
    (quantile(&weighed, sd, tail), -quantile(&mirrored, sd, tail))
}

/// The p-quantile of equally likely values, in order.
fn between_midpoints(sorted: &[f64], p: f64) -> f64 {
    let n = sorted.len() as f64;
    let rank = (p * n - 0.5).clamp(0.0, n - 1.0);
    let below = rank.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (rank - rank.floor()) * (sorted[above] - sorted[below])
}

/// Shifts with their weights; sixteen neighbours as their mean, where the normal part is wide enough to blur them
/// anyway: the spread within a group is then about a hundredth of the whole and enters by its square.
fn grouped(sorted: &[f64], sd: f64) -> Vec<(f64, f64)> {
    let n = sorted.len();
    // the middle two thirds span about two standard deviations
    let spread = 0.5 * (sorted[n - 1 - n / 6] - sorted[n / 6]);
    let size = if sd < 0.5 * spread { 1 } else { 16 };
    let one = |c: &[f64]| (c.iter().sum::<f64>() / c.len() as f64, c.len() as f64 / n as f64);
    sorted.chunks(size).map(one).collect()
}

/// The p-quantile of shift + N(0, sd²), by Newton's method kept inside a shrinking bracket.
fn quantile(shifts: &[(f64, f64)], sd: f64, p: f64) -> f64 {
    let z = normal_quantile(p);
    let (low, high) = (shifts[0].0 + z * sd, shifts[shifts.len() - 1].0 + z * sd);
    let excess_and_slope = |at: f64| {
        let (mut excess, mut density) = (-p, 0.0);
        for (shift, weight) in shifts {
            let t = (at - shift) / sd;
            excess += weight * normal_cdf(t);
            density += weight * (-0.5 * t * t).exp();
        }
        (excess, density / (sd * (2.0 * std::f64::consts::PI).sqrt()))
    };
    let settled = |before: f64, at: f64, _| (at - before).abs() <= 1e-12 * at.abs().max(1e-3);
    newton_within((low, high), 0.5 * (low + high), excess_and_slope, settled)
}

#[cfg(test)]
#[path = "detachment/tests.rs"]
mod against_references;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_dimension_of_the_lattice_is_the_midpoint_rule() {
        let points: Vec<[f64; 6]> = lattice().collect();
        assert_eq!(points.len(), 4093);
        for d in 0..6 {
            let mut one: Vec<f64> = points.iter().map(|p| p[d]).collect();
            one.sort_by(f64::total_cmp);
            for (i, z) in one.iter().enumerate() {
                assert!((normal_cdf(*z) - (i as f64 + 0.5) / 4093.0).abs() < 1e-12, "{d} {i}");
            }
            for e in 0..d {
                let product: f64 = points.iter().map(|p| p[d] * p[e]).sum::<f64>() / 4093.0;
                assert!(product.abs() < 0.01, "{d} {e} {product}");
            }
        }
    }

    #[test]
    fn gauss_hermite_has_the_moments_of_the_normal() {
        for (half, exact) in [(&ELEVEN[..], 5), (&THREE[..], 2)] {
            let mut wanted = 1.0;
            for k in 0..=exact {
                let moment: f64 = both_signs(half).map(|(z, w)| w * z.powi(2 * k)).sum();
                assert!((moment / wanted - 1.0).abs() < 1e-13, "{k} {moment}");
                wanted *= f64::from(2 * k + 1);
            }
        }
    }

    #[test]
    fn quantiles_of_a_normal_mixture() {
        // two halves at -1 and 1 with sd 0.5: the cdf at the answer must come back
        let q = quantile(&[(-1.0, 0.5), (1.0, 0.5)], 0.5, 0.1);
        let p = 0.5 * (normal_cdf((q + 1.0) / 0.5) + normal_cdf((q - 1.0) / 0.5));
        assert!((p - 0.1).abs() < 1e-10);
        assert_eq!(central(vec![0.25], 0.0, 0.95), (0.25, 0.25));
        // a tail that one less it does not feel
        let (low, high) = central(vec![-1.0, 1.0], 0.3, 1.0 - f64::EPSILON / 2.0);
        let beyond = 0.5 * normal_cdf((1.0 - high) / 0.3);
        assert!(low == -high && (beyond / (f64::EPSILON / 4.0) - 1.0).abs() < 1e-9, "{low} {high} {beyond}");
    }
}
