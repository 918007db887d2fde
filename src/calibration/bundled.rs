//! The calibrations that come with the crate, and the recipes they were made by.
//!
//! | name | stone | percussors | variants |
//! |---|---|---|---|
//! | `controlled-glass` | soda-lime glass | steel, copper, bone, by machine | depth, angle, settings of the blow; with and without width |
//! | `hard-hammer-flint` | flint | hammerstones | area, depth, angle, cortex, scars; down to depth and angle |
//! | `hard-hammer-quartzite` | quartzite | hammerstones | depth, angle; with and without width |
//! | `retouched-flint` | flint | (of loss) | mass, thickness and size now, heights and index of retouch; down to mass and index |
//! | `excavated-flakes` | what excavations found | not known | depth, angle; with and without width; site and assemblage shared |
//!
//! The coefficients are fitted to published tables, which are not part of the crate; `data-sources.md` says
//! where to get them. Given the tables, [`recipe`] and a [`Collector`](super::fitting::Collector) make the
//! same calibrations again. What is fitted (forms, sizes, their columns, provenance) stands in the JSON files alone,
//! beside the coefficients; how, which a file does not tell, stands here:
//!
//! | calibrations | terms | penalty, tails | sizes grow with the platform |
//! |---|---|---|---|
//! | glass | straight ones; squares and products but of depth and width (a size is a power law in these, whose exponent differs by angle, blow and percussor); shapes of the core where they improve the intervals (all sizes but thickness); terminations, where known, under the penalty too, so that a dozen steps cannot run away | one ridge from the first square on; heavy tails of blows on the platform | yes |
//! | flint, quartzite | straight ones; natural cubic ones with knots near the 5th, 50th and 95th percentile of the flakes, beyond which a form runs on as a power law; for mean thickness products of all pairs, for mass that of area and scars (scars tell more of a large platform than of a small one) | one ridge on all but the straight ones | yes |
//! | loss | logarithms of marks, index and its cube | each piece counts once | no |
//! | sites | logarithms, angle | what was kept, site and assemblage shared | no |
//!
//! Which sizes have what was decided by cross-validation (`data-sources.md`, "What won"); terminations of glass are told
//! by the terms and the penalty that won in it, and of flint, where nothing measured improved the forecast of the 36
//! flakes that do not feather out, by their share.

use super::fitting::{Method, Recipe, SharedRecipe, TailsToTry};
use super::{Calibration, RecoveryThreshold};
use crate::error::{Error, Result};
use crate::fit::shrunken::USUAL_GRID;
use crate::form::{ANGLE, ANGLE_OF_BLOW, DEPTH, Form, Kind, LANDS_ON, PERCUSSOR_CLASS, Term};
use crate::strike::Measured;

/// Names of the bundled calibrations.
pub const NAMES: [&str; 4] =
    ["controlled-glass", "hard-hammer-flint", "hard-hammer-quartzite", "excavated-flakes"];

/// The bundled calibration of loss: how much of a retouched piece is gone, by its retouch ([`super::loss_recipe`]).
pub const LOSS: &str = "retouched-flint";

/// Which calibration answers where none is named, in words.
pub const RULE: &str = "Where no calibration is named, each row is answered by what it holds. Glass and porcelain: \
    controlled-glass. Platform depth and exterior platform angle (and width) with nothing of the blow: excavated-flakes. \
    Anything of the blow (percussor, technique, speed, angle of blow), or a platform area alone: an experiment, \
    hard-hammer-quartzite for quartzite and quartz, hard-hammer-flint for any other stone. A stone alone is no blow, an \
    empty percussor cell is none.";

/// The experiment for a stone.
///
/// | stone | calibration |
/// |---|---|
/// | soda-lime glass, porcelain | `controlled-glass` |
/// | quartzite, vein quartz, crystal quartz | `hard-hammer-quartzite` |
/// | any other, or none given | `hard-hammer-flint` |
pub fn experiment_for(stone: Option<&str>) -> &'static str {
    match stone {
        Some("soda-lime-glass" | "glass" | "porcelain") => NAMES[0],
        Some("quartzite" | "vein-quartz" | "crystal-quartz" | "quartz") => NAMES[2],
        _ => NAMES[1],
    }
}

/// What tells of a blow.
const BLOW_NUMBERS: [&str; 4] = [ANGLE_OF_BLOW, "speed_m_s", "percussor_mass_g", "tip_radius_mm"];
const BLOW_CLASSES: [&str; 4] = ["percussor", PERCUSSOR_CLASS, "technique", LANDS_ON];

/// The calibration that answers for a flake where none is named, by [`RULE`].
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::strike::Strike;
/// let platform = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0);
/// let artefact = platform.clone().stone("flint").build()?;
/// let struck = platform.percussor("antler").build()?;
/// assert_eq!(bundled::answering(&artefact), "excavated-flakes");
/// assert_eq!(bundled::answering(&struck), "hard-hammer-flint");
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn answering(flake: &(impl Measured + ?Sized)) -> &'static str {
    let experiment = experiment_for(flake.class("stone"));
    let blow = BLOW_NUMBERS.iter().any(|n| flake.number(n).is_some())
        || BLOW_CLASSES.iter().any(|c| flake.class(c).is_some());
    let platform = flake.number(DEPTH).is_some() && flake.number(ANGLE).is_some();
    if experiment == NAMES[0] || blow || !platform { experiment } else { NAMES[3] }
}

/// Whether one and the same answers for all flakes that record no more than this.
#[cfg(feature = "table")]
pub(crate) fn answers_alike(has: impl Fn(&str) -> bool) -> bool {
    !["stone", "platform_area_mm2"].iter().chain(&BLOW_NUMBERS).chain(&BLOW_CLASSES).any(|name| has(name))
}

/// A bundled calibration by its name.
///
/// # Errors
/// [`Error::UnknownName`] with the list of names.
///
/// ```
/// use conchoid::calibration::bundled;
/// assert_eq!(bundled::named("controlled-glass").unwrap().stone(), Some("soda-lime-glass"));
/// assert!(bundled::named("obsidian").is_err());
/// ```
pub fn named(name: &str) -> Result<Calibration> {
    Calibration::from_json(bundled(name)?.1)
}

/// The columns of numbers and of classes that bundled calibrations read beyond those that every table knows.
#[cfg(feature = "table")]
pub(crate) const FURTHER: (&[&str], &[&str]) = (&["dorsal_cortex_1_to_5", "dorsal_scars"], &["core_shape"]);

/// What is bundled: the name, the JSON text, and the file name of the table that it was made from.
static BUNDLED: [(&str, &str, &str); 5] = [
    (NAMES[0], include_str!("controlled-glass.json"), "glass-controlled.csv"),
    (NAMES[1], include_str!("hard-hammer-flint.json"), "flint-replication.csv"),
    (NAMES[2], include_str!("hard-hammer-quartzite.json"), "quartzite-by-core.csv"),
    (NAMES[3], include_str!("excavated-flakes.json"), "flakes-of-sites.csv"),
    (LOSS, include_str!("retouched-flint.json"), "retouch-sequences.csv"),
];

fn bundled(name: &str) -> Result<&'static (&'static str, &'static str, &'static str)> {
    let unknown = || Error::unknown_name("calibration", name, BUNDLED.iter().map(|b| b.0));
    BUNDLED.iter().find(|b| b.0 == name).ok_or_else(unknown)
}

/// How a bundled calibration is made, and the file name of the table it is made from.
///
/// # Errors
/// [`Error::UnknownName`] with the list of names.
pub fn recipe(name: &str) -> Result<(Recipe, &'static str)> {
    let (_, text, file) = bundled(name)?;
    let mut recipe = Recipe::of(&Calibration::from_json(text)?);
    recipe.struck_with = (name == NAMES[1]).then(|| "hammerstone".to_string());
    recipe.keep_incomplete = name == LOSS;
    recipe.grows = !matches!(name, "excavated-flakes" | LOSS);
    for s in recipe.variants.iter_mut().flat_map(|v| &mut v.sizes) {
        s.method = match name {
            "excavated-flakes" => of_sites()?,
            LOSS => Method { by_piece: Some("flake".to_string()), ..Method::default() },
            _ => of_an_experiment(&s.form),
        };
    }
    Ok((recipe, file))
}

/// How a size of an experiment is fitted. Straight terms are not penalised; from the first curved term, square or product
/// on all are under one penalty, each about a round value near the middle of the flakes, so that it is judged there.
///
/// A form whose spread has terms (the glass, but for thickness) has heavy tails as well: blows on the edge scatter widely
/// but without outliers; blows on the platform seldom, then far.
fn of_an_experiment(form: &Form) -> Method {
    let curved = |t: &Term| matches!(t.0, Kind::Spline { .. } | Kind::Power { .. } | Kind::Product(_));
    let free = form.terms().iter().position(curved).unwrap_or(form.terms().len());
    let mut method = Method { penalised: (free..form.terms().len()).collect(), ..Method::default() };
    if !form.spread_terms().is_empty() {
        let levels = vec![("platform".to_string(), USUAL_GRID.to_vec())];
        method.tails = TailsToTry::ByClass { class: LANDS_ON.to_string(), levels };
    }
    method
}

/// How the flakes of sites are fitted.
fn of_sites() -> Result<Method> {
    let mut site = SharedRecipe::new("site");
    (site.levels, site.at_most) = (false, Some(OF_ONE_SITE));
    (site.degrees_of_freedom, site.times) = (Some(BETWEEN_SITES), TIMES);
    let mut assemblage = SharedRecipe::new("assemblage");
    assemblage.levels = false;
    let kept = Some(RecoveryThreshold::above_mm(KEPT_FROM_MM)?);
    let mut method = Method { kept, ..Method::default() };
    method.shared = vec![site, assemblage];
    Ok(method)
}

/// Degrees of freedom of the effects between sites. This crate's choice: 25 sites cannot tell them. Sites left out one at a
/// time were predicted better with few local flakes than under normal effects, the worst most of all
/// (`data-sources.md`, "What won").
const BETWEEN_SITES: f64 = 4.0;

/// How many times the variance between sites that the fit finds is taken. This crate's choice: one precision for all four
/// sizes of a site lets the one site that is far off in every size narrow the law of all others. Sites left out one at a time
/// were foretold as well as with twice that variance, and 95 % of their flakes and 94 % of their totals fell inside
/// (`data-sources.md`, "What won").
const TIMES: f64 = 3.0;

/// How many flakes a site counts for at most. This crate's choice: two of the 25 sites hold 46 % of the flakes, and
/// beyond some hundreds a site tells of itself, not of sites.
const OF_ONE_SITE: f64 = 300.0;

/// Shortest and widest flakes that were not kept, at 23 of the 25 sites.
const KEPT_FROM_MM: f64 = 25.0;
