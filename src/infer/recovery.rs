//! Sieves: whether a flake is held by a mesh, the size grades of a set of blows, and how many flakes a field
//! mesh lost.
//!
//! A flat flake passes a square opening s if it can be turned to pass, so its *width* governs, against
//! something between the side s and the diagonal s sqrt 2 (geometry); its length does not. Which of the two
//! depends on how long and how the sieve is shaken, so the rule is part of the question ([`Held`]):
//!
//! ```text
//! P(held) = P(W > r s)                          r = 1 (side), sqrt 2 (diagonal), or between
//! P(held) = mean of P(W > r s) over r from 1 to sqrt 2      where every turn is as likely
//! ```
//!
//! With p_i the probability that flake i is held, flakes found in a field sieve stand for
//! N = sum 1 / p_i flakes struck (Horvitz & Thompson 1952, Journal of the American Statistical Association
//! 47:663, from memory), whose variance given those struck is estimated by sum (1 - p_i) / p_i^2.

use crate::error::{Bounds, Error, Result};
use crate::flake::columns::INCH_MM;
use crate::page::{percent, short};
use crate::predict::{LEVEL, Predictive};
use crate::special::kronrod::gauss_kronrod;
use crate::special::normal_quantile_upper;
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;

/// A square mesh by the side of its opening.
///
/// ```
/// use conchoid::infer::Mesh;
/// assert_eq!(Mesh::inches(0.25)?, Mesh::mm(6.35)?);
/// assert!(Mesh::mm(0.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Mesh(f64);

impl Mesh {
    /// By its opening in millimetres, above 0 and at most 1000.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside that.
    pub fn mm(opening: f64) -> Result<Mesh> {
        const OPENING: Bounds = Bounds::above("mesh_mm", 0.0, 1000.0, "mm");
        Ok(Mesh(OPENING.check(opening)?))
    }
    /// By its opening in inches, above 0 and at most 39.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside that.
    pub fn inches(opening: f64) -> Result<Mesh> {
        const OPENING: Bounds = Bounds::above("mesh_in", 0.0, 39.0, "inches");
        Ok(Mesh(OPENING.check(opening)? * INCH_MM))
    }
    /// Opening in millimetres.
    pub fn opening_mm(self) -> f64 {
        self.0
    }
}

/// Size grades G1 to G5 with their openings of 1, 1/2, 1/4, 1/8 and 1/16 inch in millimetres. Common
/// practice, no source; laboratories differ for G3 (5.6 to 6.35 mm) and G4 (2.54 to 3.18 mm), so give your own
/// meshes where you know them.
const COMMON_GRADES_MM: [(&str, f64); 5] =
    [("G1", 25.4), ("G2", 12.7), ("G3", 6.35), ("G4", 3.175), ("G5", 1.5875)];

/// When a mesh holds a flake.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Held {
    /// Its width is more than this many sides of the opening: 1 where it is sieved by hand, flakes lying flat; sqrt 2, the
    /// diagonal, where it is shaken until whatever can turn has turned; or between.
    WiderThanSides(f64),
    /// In between, every turn from side to diagonal as likely.
    AnyTurn,
}

impl Held {
    /// Probability that a flake of this width distribution is held by the mesh.
    ///
    /// ```
    /// use conchoid::form::Transform;
    /// use conchoid::infer::{Held, Mesh};
    /// use conchoid::predict::{Component, Predictive};
    /// let c = Component { weight: 1.0, location: 3.0, scale: 0.4, degrees_of_freedom: 50.0 };
    /// let width = Predictive::new(Transform::Ln, vec![c])?;
    /// let mesh = Mesh::mm(12.7)?;
    /// let side = Held::WiderThanSides(1.0).probability(&width, mesh)?;
    /// let turned = Held::AnyTurn.probability(&width, mesh)?;
    /// assert!(Held::WiderThanSides(2f64.sqrt()).probability(&width, mesh)? < turned && turned < side);
    /// assert!(Held::WiderThanSides(2.0).probability(&width, mesh).is_err());
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a number of sides outside 1 to sqrt 2.
    pub fn probability(self, width: &Predictive, mesh: Mesh) -> Result<f64> {
        const SIDES: Bounds = Bounds::closed("sides", 1.0, SQRT_2, "sides of the opening");
        let s = mesh.opening_mm();
        Ok(match self {
            Held::WiderThanSides(r) => width.sf(SIDES.check(r)? * s),
            Held::AnyTurn => {
                // two panels, so that narrow distributions are followed too (this crate's choice, no source)
                let step = 0.5 * (SQRT_2 - 1.0);
                let panel = |from: f64| gauss_kronrod(from, from + step, |r| width.sf(s * r)).0;
                (0.5 * (panel(1.0) + panel(1.0 + step)) / step).clamp(0.0, 1.0)
            }
        })
    }
}

/// Flakes expected on one mesh of a nest of sieves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grade {
    /// The mesh they lie on; none for what passes all.
    pub mesh: Option<Mesh>,
    /// Expected number.
    pub expected: f64,
    /// Standard deviation of the number, flakes being independent given the calibration.
    pub deviation: f64,
    /// Expected share of all.
    pub(crate) share: f64,
}

/// The size grades of a set of blows, by the widths expected of them: one entry for each mesh, the largest
/// first, and one for what passes all.
///
/// # Errors
/// [`Error::TooFew`] without a width or a mesh; [`Error::Invalid`] where a mesh stands twice;
/// [`Error::OutOfRange`] as [`Held::probability`].
pub fn size_grades(widths: &[Predictive], meshes: &[Mesh], held: Held) -> Result<Vec<Grade>> {
    if widths.is_empty() {
        return Err(Error::TooFew { what: "widths".into(), found: 0, needed: 1 });
    }
    if meshes.is_empty() {
        return Err(Error::TooFew { what: "meshes".into(), found: 0, needed: 1 });
    }
    let mut nest = meshes.to_vec();
    nest.sort_by(|a, b| b.0.total_cmp(&a.0));
    if nest.windows(2).any(|w| w[0] == w[1]) {
        return Err(Error::invalid("meshes", "a mesh stands twice (accepted: each opening once)"));
    }
    let mut expected = vec![0.0; nest.len() + 1];
    let mut variance = vec![0.0; nest.len() + 1];
    for width in widths {
        let mut larger = 0.0;
        for i in 0..=nest.len() {
            let up_to = match nest.get(i) {
                Some(mesh) => held.probability(width, *mesh)?,
                None => 1.0,
            };
            let p = (up_to - larger).max(0.0);
            larger = up_to;
            expected[i] += p;
            variance[i] += p * (1.0 - p);
        }
    }
    let all = widths.len() as f64;
    let grade = |(i, (e, v)): (usize, (f64, f64))| {
        let mesh = nest.get(i).copied();
        Grade { mesh, expected: e, deviation: v.sqrt(), share: e / all }
    };
    Ok(expected.into_iter().zip(variance).enumerate().map(grade).collect())
}

/// How many flakes were struck, from those a mesh held.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Struck {
    /// Flakes found.
    pub found: u64,
    /// Flakes struck, estimated.
    pub estimate: f64,
    /// Lower end of the interval, never below those found.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Probability inside.
    pub(crate) level: f64,
    /// The least probability of being held among those found. A small one means that few flakes speak for
    /// many, and that the interval is not to be trusted.
    pub(crate) least_held: f64,
}

/// The least probability of being held that a flake may have to speak for those that were lost. This crate's choice, no source.
pub const LEAST_HELD: f64 = 0.02;

/// Corrects a count for what the mesh lost: each flake found speaks for 1 / p flakes from such platforms.
///
/// `held` are the probabilities of being held of the flakes found, from their platforms
/// ([`Held::probability`]), not from their measured widths. The interval is for chance alone, log-normal in
/// the number lost; the uncertainty of the calibration comes on top. It corrects numbers, not masses: the
/// flakes lost were the small ones of their platforms.
///
/// ```
/// use conchoid::infer::struck;
/// let n = struck(&[0.5, 0.8, 1.0], 0.95)?;
/// assert!((n.estimate - 4.25).abs() < 1e-12 && n.low >= 3.0 && n.high > 4.25);
/// assert!(struck(&[0.001], 0.95).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`] for a probability below 0.02 or above 1, or a level outside 0 to 1.
pub fn struck(held: &[f64], level: f64) -> Result<Struck> {
    const PROBABILITY: Bounds = Bounds::closed("probability of being held", LEAST_HELD, 1.0, "");
    let level = LEVEL.check(level)?;
    let (mut lost, mut variance, mut least) = (0.0, 0.0, 1.0f64);
    for p in held {
        let p = PROBABILITY.check(*p)?;
        lost += (1.0 - p) / p;
        variance += (1.0 - p) / (p * p);
        least = least.min(p);
    }
    let found = held.len() as f64;
    let z = normal_quantile_upper(0.5 * (1.0 - level));
    let factor = if lost > 0.0 { (z * (variance / (lost * lost)).ln_1p().sqrt()).exp() } else { 1.0 };
    Ok(Struck {
        found: held.len() as u64,
        estimate: found + lost,
        low: found + lost / factor,
        high: found + lost * factor,
        level,
        least_held: least,
    })
}

/// What a mesh holds; nothing for what passes the finest.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct OnMesh {
    mesh_mm: Option<f64>,
    share: f64,
}

/// What a field mesh held of a group.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct Sieved {
    mesh_mm: f64,
    share_held: f64,
    /// Nothing where too few of such flakes are held.
    struck: Option<Struck>,
    size_grades: Vec<OnMesh>,
}

impl Sieved {
    /// What a field mesh holds of flakes of these widths, and the common meshes, with what passes them all.
    pub(super) fn of(widths: &[Predictive], mesh: Mesh, level: f64) -> Result<Sieved> {
        let held = widths.iter().map(|w| Held::AnyTurn.probability(w, mesh)).collect::<Result<Vec<f64>>>()?;
        let meshes = COMMON_GRADES_MM.iter().map(|(_, mm)| Mesh::mm(*mm)).collect::<Result<Vec<Mesh>>>()?;
        let grades = size_grades(widths, &meshes, Held::AnyTurn)?;
        let on = |g: &Grade| OnMesh { mesh_mm: g.mesh.map(Mesh::opening_mm), share: g.share };
        Ok(Sieved {
            mesh_mm: mesh.opening_mm(),
            share_held: held.iter().sum::<f64>() / held.len() as f64,
            struck: struck(&held, level).ok(),
            size_grades: grades.iter().map(on).collect(),
        })
    }

    pub(super) fn in_words(&self) -> [String; 3] {
        let share = match self.share_held {
            p if p > 0.9995 => "more than 99.9".to_string(),
            p => percent(p),
        };
        let struck = match &self.struck {
            Some(s) => format!("If it was the field mesh, {}.", s.in_words()),
            None => {
                "Some of such flakes are hardly ever held: how many were struck cannot be said.".to_string()
            }
        };
        let grades = self.size_grades.iter().filter(|g| g.share > 0.0005).map(|g| match g.mesh_mm {
            Some(mm) => format!("{mm} mm {:.1} %", 100.0 * g.share),
            None => format!("through {:.1} %", 100.0 * g.share),
        });
        let mesh = format!(
            "A mesh of {} mm holds {share} % of such flakes (a flake is held by its width, and the opening counts as \
             anything from its side to its diagonal, as the flake happens to turn).",
            self.mesh_mm
        );
        let grades = grades.collect::<Vec<_>>().join(", ");
        [mesh, struck, format!("Size grades of such flakes, held by: {grades}.")]
    }
}

impl Struck {
    /// How many were struck for those found.
    pub(super) fn in_words(&self) -> String {
        let [low, estimate, high] = [self.low, self.estimate, self.high].map(short);
        format!("the {} found stand for {estimate} struck ({low} to {high}, by chance alone)", self.found)
    }
}
