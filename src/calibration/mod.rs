//! Calibrations: forms fitted to one experiment, with their uncertainty, range and provenance.
//!
//! A [`Calibration`] holds one or more [`Variant`]s, each for what an analyst may have measured (with
//! platform width, without; with area, with depth only). A variant holds a [`SizeModel`] per size:
//!
//! ```text
//! g(size) = x'b + u(site) + v(core) + s(z) e     b ~ N(coefficients, covariance),  ln s(z) = z'c,
//!                                                u, v shared effects,  e normal or Student t
//! ```
//!
//! Settings of the blow that a row does not give are averaged over those of the experiment, jointly.
//! Calibrations are read and written as JSON with a schema version; reading refuses what contradicts
//! itself, and what was written reads back to the same bytes.
//!
//! | file | what |
//! |---|---|
//! | `mod.rs` | the types, reading, checking, writing |
//! | [`bundled`] | the calibrations that come with the crate |
//! | `fitting` | from rows of observed flakes to a calibration |
//! | `loss` | how much of a retouched piece is gone |
//! | `local` | a calibration updated with few flakes of one's own |
//! | `distance` | how far sites lie from an experiment |
//! | `shared` | effects that flakes of one site or core share, and what was kept |
//! | `resolved` | a calibration made ready for use, once for all uses |
//! | `told` | a calibration as a page for people |
//! | `caution` | the doubts that travel with an answer |

pub mod bundled;
pub(crate) mod caution;
mod distance;
pub(crate) mod fitting;
pub(crate) mod local;
pub(crate) mod loss;
pub(crate) mod resolved;
mod shared;
mod told;

pub(crate) use crate::fit::multinomial::MultinomialFit;
pub(crate) use distance::Distance;
pub(crate) use fitting::known_size;
#[cfg(test)]
pub(crate) use fitting::triangle;
pub use fitting::{
    Collector, Figure, FitReport, Inventory, Method, Part, Recipe, Report, SIZE_COLUMNS, SharedRecipe,
    SizeRecipe, TerminationRecipe, VariantRecipe,
};
#[cfg(feature = "table")]
pub(crate) use local::ROW;
pub use local::{Local, LocalReport};
pub use loss::loss_recipe;
use shared::of_places;
pub(crate) use shared::{KnownLevel, SharedCorrelation};
pub use shared::{RecoveryThreshold, SharedEffect};
pub(crate) use shared::{ResolvedShared, VarianceKnown};

use crate::by_name::each_once;
use crate::error::{Error, Place, Result};
use crate::form::{Form, Layout};
use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

/// The schema version that this crate writes. It reads this one and those before it, from 1 on.
pub(crate) const SCHEMA: u32 = 2;

/// The four sizes, by column name, in the order of every output.
pub const SIZES: [&str; 4] = ["length_mm", "width_mm", "thickness_mm", "mass_g"];

/// Where the flakes of a calibration come from and what may be done with them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Provenance {
    /// What the experiment was, in a sentence.
    pub summary: String,
    /// Who published it: author, year, title or journal.
    pub citation: String,
    /// Licence of the source table.
    pub licence: String,
    /// The command that made this calibration.
    pub command: String,
}

impl Provenance {
    /// All four entries.
    pub fn new(summary: &str, citation: &str, licence: &str, command: &str) -> Provenance {
        Provenance {
            summary: summary.into(),
            citation: citation.into(),
            licence: licence.into(),
            command: command.into(),
        }
    }
}

/// A percussor that was used in the experiment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PercussorSeen {
    /// Its material as recorded (`steel`).
    pub name: String,
    /// Flakes struck with it.
    pub flakes: u64,
}

/// What is to be known of the flakes that a calibration was updated with: its level is theirs.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LocalFlakes {
    /// How many they are.
    pub flakes: u64,
    /// What speaks against the update, each a sentence.
    pub cautions: Vec<String>,
}

/// A class that is taken as given where a row does not record it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Assumption {
    /// The class variable.
    pub class: String,
    /// The level taken.
    pub level: String,
}

/// One combination of settings of the blow in the experiment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Setting {
    /// One entry per name of the settings of a calibration: the number, or the code of the level.
    pub values: Vec<f64>,
    /// Flakes struck with it.
    pub flakes: u64,
}

/// The range of one measurement in the flakes of a variant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Range {
    /// The measurement.
    pub name: String,
    /// Smallest value fitted.
    pub low: f64,
    /// Largest value fitted.
    pub high: f64,
}

/// The smallest and the largest size that an experiment recorded, in the unit of the size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recorded {
    /// The smallest.
    pub low: f64,
    /// The largest.
    pub high: f64,
}

/// The spread of the flakes about what is expected, on the transformed scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
#[non_exhaustive]
pub enum Spread {
    /// The same everywhere: intervals are exact t intervals.
    Constant {
        /// Residual standard deviation.
        value: f64,
        /// Degrees of freedom behind it.
        degrees_of_freedom: f64,
    },
    /// ln spread = z'c with terms of its own.
    Modelled {
        /// Coefficients of the log spread, its constant first.
        coefficients: Vec<f64>,
        /// Their covariance, row by row (stored as its lower triangle).
        #[serde(with = "shared::triangle")]
        covariance: Vec<Vec<f64>>,
    },
}

/// The shape of the errors: normal, or Student t with few degrees of freedom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
#[non_exhaustive]
pub(crate) enum Tails {
    /// Normal errors.
    Normal,
    /// Student t errors with these degrees of freedom.
    Student {
        /// Degrees of freedom, above 2.
        degrees_of_freedom: f64,
    },
    /// Student t for some levels of a class, by level; levels not listed are normal.
    ByClass {
        /// The class variable (`blow_lands_on`).
        class: String,
        /// Level and degrees of freedom.
        degrees_of_freedom: Vec<(String, f64)>,
    },
}

/// One size under one form: everything that a prediction needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SizeModel {
    /// Which size (`mass_g`).
    pub size: String,
    /// What the size means in the source table: its column.
    pub column: String,
    /// The form.
    pub form: Form,
    /// Coefficients, in the order of [`Form::term_names`].
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients, row by row (stored as its lower triangle).
    #[serde(with = "shared::triangle")]
    pub covariance: Vec<Vec<f64>>,
    /// Spread about the expected value.
    pub spread: Spread,
    /// Shape of the errors.
    pub(crate) tails: Tails,
    /// Flakes fitted.
    pub flakes: u64,
    /// Share of the variation of the transformed size that is explained.
    pub r_squared: f64,
    /// Root mean square error of predicting each flake from the others, transformed scale; where none could be left out
    /// (two groups), that of the form as fitted, no group known.
    pub left_out_error: f64,
    /// Largest leverage (x'Vx over squared spread) among the flakes fitted.
    pub(crate) largest_leverage: f64,
    /// Smallest and largest size among the flakes fitted; nothing where that was not kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Recorded>,
    /// Effects that flakes of one site, core or knapper share, the outer first; empty where none was modelled.
    #[serde(
        default,
        alias = "grouping",
        deserialize_with = "shared::effects",
        skip_serializing_if = "Vec::is_empty"
    )]
    pub shared: Vec<SharedEffect>,
    /// Covariance of the estimates of the variances: of the squared spread where it is constant (otherwise zeros),
    /// then of the intercept of each shared effect; empty where nothing is shared.
    #[serde(default, with = "shared::triangle", skip_serializing_if = "Vec::is_empty")]
    pub(crate) variance_covariance: Vec<Vec<f64>>,
    /// The selection that the table was fitted under, where flakes were kept by their size.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) kept: Option<RecoveryThreshold>,
    /// How far the flakes of sites lie from those of the experiment; nothing where that was not measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) distance: Option<Distance>,
}

impl SizeModel {
    /// The share of the variance of a prediction that flakes of one new group have in common, about.
    pub(crate) fn common(&self) -> f64 {
        let shared: f64 = self.shared.iter().map(|e| e.covariance[0][0]).sum();
        let own = match self.spread {
            Spread::Constant { value, .. } => value,
            Spread::Modelled { .. } => self.left_out_error,
        };
        if shared > 0.0 { shared / (shared + own * own) } else { 0.0 }
    }
}

/// How the flakes of a variant end: a multinomial model with its form.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TerminationModel {
    /// Terms of the model.
    pub form: Form,
    /// The fit; its classes are terminations.
    pub fit: MultinomialFit,
}

/// One set of measurements and the models that need just these.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Variant {
    /// A short name (`depth, angle`).
    pub name: String,
    /// Models, in the order of [`SIZES`] as far as they are there.
    pub sizes: Vec<SizeModel>,
    /// Ranges of the measurements fitted.
    pub ranges: Vec<Range>,
    /// Flakes with all sizes recorded, from which the correlation comes.
    pub(crate) joint_flakes: u64,
    /// Correlation of the standardised residuals of the sizes, row by row (stored as its lower triangle).
    #[serde(with = "shared::triangle")]
    pub(crate) residual_correlation: Vec<Vec<f64>>,
    /// Correlation of the shared effects of the sizes, for each column of groups that all of them have.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) shared_correlation: Vec<SharedCorrelation>,
    /// The 1st and 99th percentile of mass over length x width x thickness among the flakes fitted, between which that
    /// of the medians stays; nothing where the sizes were fitted without regard to each other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) box_density_g_cm3: Option<Recorded>,
    /// How the flakes end, where the table supports it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) termination: Option<TerminationModel>,
}

impl Variant {
    /// How the flakes end, where the table supports it: the form (without terms it tells mere shares) and the
    /// terminations told apart.
    pub fn terminations(&self) -> Option<(&Form, &[String])> {
        self.termination.as_ref().map(|t| (&t.form, t.fit.classes()))
    }
}

/// Forms fitted to one experiment, checked on construction and on reading.
///
/// ```
/// use conchoid::calibration::{Calibration, bundled};
/// let flint = bundled::named("hard-hammer-flint").unwrap();
/// assert_eq!(flint.stone(), Some("flint"));
/// let text = flint.to_json();
/// assert_eq!(Calibration::from_json(&text).unwrap().to_json(), text);
/// assert!(Calibration::from_json("{\"schema\": 99}").is_err());
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Calibration {
    parts: Parts,
}

/// What a calibration is made of, before it is checked: the fields of a file, in their order, so that one that stands
/// twice or is unknown is seen at any depth and named with its line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Parts {
    #[serde(deserialize_with = "read_version")]
    pub schema: u32,
    /// Its name.
    pub name: String,
    /// Where it comes from.
    pub provenance: Provenance,
    /// The stone of the experiment, where it was one.
    pub stone: Option<String>,
    /// Percussors used.
    pub percussors: Vec<PercussorSeen>,
    /// What was not recorded in the experiment and so is not in the intervals (`knapper`).
    pub not_recorded: Vec<String>,
    /// Which measurement stands at which place of an input row.
    pub layout: Layout,
    /// Names of the settings of the blow, a subset of the layout.
    pub setting_names: Vec<String>,
    /// Their combinations in the experiment.
    pub settings: Vec<Setting>,
    /// Classes taken as given where not recorded.
    pub assumptions: Vec<Assumption>,
    /// The variants, the one that needs most first.
    pub variants: Vec<Variant>,
    /// The flakes that it was updated with; nothing where it was not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub local: Option<LocalFlakes>,
}

fn wrong(field: impl Into<String>, reason: impl Into<String>) -> Error {
    Error::Calibration { at: Place::column(field), reason: reason.into() }
}

/// The lower Cholesky factor of a covariance, or an error naming the field.
pub(crate) fn cholesky(field: &str, rows: &[Vec<f64>], size: usize) -> Result<DMatrix<f64>> {
    if rows.len() != size || rows.iter().any(|r| r.len() != size) {
        return Err(wrong(field, format!("expected {size} rows of {size} numbers")));
    }
    if rows.iter().flatten().any(|v| !v.is_finite()) {
        return Err(wrong(field, "a number that is not finite"));
    }
    let m = DMatrix::from_fn(size, size, |i, j| rows[i][j]);
    let unequal = (0..size)
        .any(|i| (0..i).any(|j| (m[(i, j)] - m[(j, i)]).abs() > 1e-8 * (m[(i, i)] * m[(j, j)]).abs().sqrt()));
    if unequal {
        return Err(wrong(field, "a covariance must be symmetric"));
    }
    // scaled to a unit diagonal first, so that definiteness is judged apart from the units
    let scale: Vec<f64> = (0..size).map(|i| m[(i, i)].sqrt()).collect();
    if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return Err(wrong(field, "a covariance must be positive definite"));
    }
    let unit = DMatrix::from_fn(size, size, |i, j| m[(i, j)] / (scale[i] * scale[j]));
    let factor = unit.cholesky().ok_or_else(|| wrong(field, "a covariance must be positive definite"))?.l();
    Ok(DMatrix::from_fn(size, size, |i, j| factor[(i, j)] * scale[i]))
}

impl Calibration {
    /// Checks the parts and puts them together.
    ///
    /// # Errors
    /// [`Error::Calibration`] naming the field that is missing, contradicts another, or is not finite.
    pub(crate) fn new(parts: Parts) -> Result<Calibration> {
        check(&parts)?;
        Ok(Calibration { parts: Parts { schema: SCHEMA, ..parts } })
    }

    /// Reads one from its JSON text.
    ///
    /// # Errors
    /// [`Error::Calibration`]: not JSON, an unknown schema version, and parts that are missing, contradict each other, or are not
    /// finite.
    pub fn from_json(text: &str) -> Result<Calibration> {
        #[derive(Deserialize)]
        struct Version {
            schema: Option<u32>,
        }
        let broken = |e: serde_json::Error| wrong("file", format!("not a calibration: {e}"));
        let version: Version = serde_json::from_str(text).map_err(broken)?;
        known_version(version.schema)?;
        Calibration::new(serde_json::from_str(text).map_err(broken)?)
    }

    /// Its JSON text, ending in a line break. Reading and writing again gives the same bytes.
    pub fn to_json(&self) -> String {
        let mut text = Vec::new();
        let mut writer = serde_json::Serializer::with_formatter(&mut text, Outline::default());
        // writing plain data into memory has nothing to fail on
        if Serialize::serialize(self, &mut writer).is_err() {
            text.clear();
        }
        text.push(b'\n');
        String::from_utf8(text).unwrap_or_default()
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.parts.name
    }

    /// Where it comes from.
    pub fn provenance(&self) -> &Provenance {
        &self.parts.provenance
    }

    /// The stone of the experiment.
    pub fn stone(&self) -> Option<&str> {
        self.parts.stone.as_deref()
    }

    /// Percussors used in the experiment.
    pub fn percussors(&self) -> &[PercussorSeen] {
        &self.parts.percussors
    }

    /// What was not recorded in the experiment.
    pub fn not_recorded(&self) -> &[String] {
        &self.parts.not_recorded
    }

    /// Which measurement stands at which place of an input row.
    pub fn layout(&self) -> &Layout {
        &self.parts.layout
    }

    /// Names of the settings of the blow that may be missing.
    pub(crate) fn setting_names(&self) -> &[String] {
        &self.parts.setting_names
    }

    /// The flakes that it was updated with.
    pub(crate) fn local(&self) -> Option<&LocalFlakes> {
        self.parts.local.as_ref()
    }

    /// The combinations of settings in the experiment.
    pub(crate) fn settings(&self) -> &[Setting] {
        &self.parts.settings
    }

    /// Classes taken as given where a row does not record them.
    pub(crate) fn assumptions(&self) -> &[Assumption] {
        &self.parts.assumptions
    }

    /// The variants, the one that needs most first.
    pub fn variants(&self) -> &[Variant] {
        &self.parts.variants
    }

    /// The same calibration with these sizes only; a variant that has none of them goes.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a size that no variant has.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// let mass = bundled::named("hard-hammer-flint")?.only(&["mass_g"])?;
    /// assert!(mass.variants().iter().all(|v| v.sizes.len() == 1 && v.sizes[0].size == "mass_g"));
    /// assert!(mass.only(&["length_mm"]).is_err());
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn only(self, sizes: &[impl AsRef<str>]) -> Result<Calibration> {
        let wanted = |m: &SizeModel| sizes.iter().any(|s| s.as_ref() == m.size);
        for size in sizes.iter().map(AsRef::as_ref) {
            let all = || self.parts.variants.iter().flat_map(|v| v.sizes.iter().map(|m| m.size.clone()));
            if !all().any(|m| m == size) {
                return Err(Error::unknown_name("size", size, each_once(all())));
            }
        }
        let mut parts = self.parts;
        for v in &mut parts.variants {
            let keep: Vec<usize> = (0..v.sizes.len()).filter(|i| wanted(&v.sizes[*i])).collect();
            v.residual_correlation = of_places(&v.residual_correlation, &keep);
            v.shared_correlation.iter_mut().for_each(|s| *s = s.of_places(&keep));
            if keep.len() < v.sizes.len() {
                v.box_density_g_cm3 = None;
            }
            v.sizes = keep.iter().map(|i| v.sizes[*i].clone()).collect();
        }
        parts.variants.retain(|v| !v.sizes.is_empty());
        Calibration::new(parts)
    }

    /// Whether some variant tells this size.
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// assert!(bundled::named("retouched-flint")?.tells("original_over_now"));
    /// assert!(!bundled::named("retouched-flint")?.tells("mass_g"));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn tells(&self, size: &str) -> bool {
        self.parts.variants.iter().any(|v| v.sizes.iter().any(|m| m.size == size))
    }

    /// The same for flakes of this stone, by its name in lower case.
    pub fn of_stone(mut self, stone: &str) -> Calibration {
        self.parts.stone = Some(stone.to_lowercase());
        self
    }

    /// All parts, to make another calibration from.
    pub(crate) fn into_parts(self) -> Parts {
        self.parts
    }

    /// Whether flakes share effects by this column.
    pub(crate) fn shares(&self, column: &str) -> bool {
        let models = self.parts.variants.iter().flat_map(|v| &v.sizes);
        models.flat_map(|m| &m.shared).any(|e| e.by == column)
    }

    /// Whether its forms tell percussors apart.
    pub(crate) fn reads_percussor(&self) -> bool {
        ["percussor", crate::form::PERCUSSOR_CLASS].iter().any(|n| self.layout().position(n).is_some())
    }

    /// The measurements that a variant cannot do without: what its forms read, less the settings and the
    /// assumed classes, and less the termination where the variant can weigh terminations itself.
    pub(crate) fn required(&self, variant: &Variant) -> Vec<String> {
        let optional = |name: &String| {
            self.parts.setting_names.contains(name)
                || self.parts.assumptions.iter().any(|a| a.class == *name)
                || (name == crate::form::TERMINATION && variant.termination.is_some())
        };
        each_once(variant.sizes.iter().flat_map(|m| m.form.needs()).filter(|name| !optional(name)))
    }
}

/// Depth down to which the members of an object stand on lines of their own: those of a size model.
const OUTLINED: usize = 3;

/// Writes each member of an outer object on a line of its own, and what lies deeper on one line.
#[derive(Default)]
struct Outline {
    depth: usize,
    filled: bool,
}

impl Outline {
    fn line<W: ?Sized + std::io::Write>(&self, w: &mut W) -> std::io::Result<()> {
        w.write_all(b"\n")?;
        (0..self.depth).try_for_each(|_| w.write_all(b" "))
    }
}

impl serde_json::ser::Formatter for Outline {
    fn begin_object<W: ?Sized + std::io::Write>(&mut self, w: &mut W) -> std::io::Result<()> {
        self.depth += 1;
        self.filled = false;
        w.write_all(b"{")
    }
    fn begin_object_key<W: ?Sized + std::io::Write>(
        &mut self,
        w: &mut W,
        first: bool,
    ) -> std::io::Result<()> {
        if !first {
            w.write_all(b",")?;
        }
        if self.depth <= OUTLINED { self.line(w) } else { Ok(()) }
    }
    fn begin_object_value<W: ?Sized + std::io::Write>(&mut self, w: &mut W) -> std::io::Result<()> {
        w.write_all(if self.depth <= OUTLINED { b": " } else { b":" })
    }
    fn end_object_value<W: ?Sized + std::io::Write>(&mut self, _: &mut W) -> std::io::Result<()> {
        self.filled = true;
        Ok(())
    }
    fn end_object<W: ?Sized + std::io::Write>(&mut self, w: &mut W) -> std::io::Result<()> {
        let outlined = self.depth <= OUTLINED;
        self.depth -= 1;
        if self.filled && outlined {
            self.line(w)?;
        }
        self.filled = true;
        w.write_all(b"}")
    }
    fn begin_array_value<W: ?Sized + std::io::Write>(
        &mut self,
        w: &mut W,
        first: bool,
    ) -> std::io::Result<()> {
        if first { Ok(()) } else { w.write_all(b",") }
    }
}

impl<'de> Deserialize<'de> for Calibration {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> std::result::Result<Self, D::Error> {
        Calibration::new(Parts::deserialize(d)?).map_err(serde::de::Error::custom)
    }
}

/// Refuses a version of the file that is not known.
fn known_version(schema: Option<u32>) -> Result<u32> {
    let refused = |what: String| Err(wrong("schema", format!("{what} (accepted: 1 to {SCHEMA})")));
    match schema {
        Some(known @ 1..=SCHEMA) => Ok(known),
        Some(newer) if newer > SCHEMA => refused(format!("version {newer} is newer than this program knows")),
        Some(other) => refused(format!("version {other} is not known")),
        None => refused("no schema version".to_string()),
    }
}

fn read_version<'de, D: serde::Deserializer<'de>>(d: D) -> std::result::Result<u32, D::Error> {
    known_version(Some(u32::deserialize(d)?)).map_err(serde::de::Error::custom)
}

/// Refuses parts that contradict each other.
fn check(parts: &Parts) -> Result<()> {
    if parts.name.trim().is_empty() || parts.name.chars().count() > 200 {
        return Err(wrong("name", "a calibration needs a name of 1 to 200 characters"));
    }
    if parts.variants.is_empty() {
        return Err(wrong("variants", "at least one variant is needed"));
    }
    let layout = &parts.layout;
    for (i, name) in (0..layout.len()).map(|i| (i, layout.name(i))) {
        if (0..i).any(|j| layout.name(j) == name) {
            return Err(wrong("layout", format!("{name} stands twice")));
        }
    }
    let places: Vec<usize> = parts
        .setting_names
        .iter()
        .map(|n| {
            layout.position(n).ok_or_else(|| wrong("setting_names", format!("{n} is not in the layout")))
        })
        .collect::<Result<_>>()?;
    if !places.is_empty() && parts.settings.is_empty() {
        return Err(wrong("settings", "settings are named but none is listed"));
    }
    for setting in &parts.settings {
        if setting.values.len() != places.len() || setting.flakes == 0 {
            return Err(wrong("settings", "each needs one value per name and at least one flake"));
        }
        for (v, at) in setting.values.iter().zip(&places) {
            let known = layout
                .class_at(*at)
                .is_none_or(|c| *v >= 0.0 && v.fract() == 0.0 && (*v as usize) < c.levels.len());
            if !v.is_finite() || !known {
                return Err(wrong("settings", format!("{v} is not a value of {}", layout.name(*at))));
            }
        }
    }
    for a in &parts.assumptions {
        let known = layout
            .position(&a.class)
            .and_then(|at| layout.class_at(at))
            .is_some_and(|c| c.levels.contains(&a.level));
        if !known {
            return Err(wrong("assumptions", format!("{} = {} is not in the layout", a.class, a.level)));
        }
    }
    parts.variants.iter().try_for_each(|v| check_variant(v, layout))
}

fn check_variant(variant: &Variant, layout: &Layout) -> Result<()> {
    let here = |field: &str| format!("variant \"{}\", {field}", variant.name);
    if variant.sizes.is_empty() {
        return Err(wrong(here("sizes"), "at least one size is needed"));
    }
    for (i, m) in variant.sizes.iter().enumerate() {
        if m.size.trim().is_empty() || variant.sizes[..i].iter().any(|o| o.size == m.size) {
            return Err(wrong(here("sizes"), format!("\"{}\" is empty or stands twice", m.size)));
        }
        check_size(m, layout, &here(&m.size))?;
    }
    for r in &variant.ranges {
        if !(r.low.is_finite() && r.high.is_finite() && r.low <= r.high) {
            return Err(wrong(here("ranges"), format!("the range of {} is empty or not finite", r.name)));
        }
    }
    let k = variant.sizes.len();
    let shared =
        variant.shared_correlation.iter().map(|s| (format!("correlation by {}", s.by), &s.correlation));
    for (field, rows) in shared.chain([("residual_correlation".to_string(), &variant.residual_correlation)]) {
        cholesky(&here(&field), rows, k)?;
        if (0..k).any(|i| (rows[i][i] - 1.0).abs() > 1e-12) {
            return Err(wrong(here(&field), "the diagonal must be 1"));
        }
    }
    if let Some(t) = &variant.termination {
        let compiled = t.form.compile(layout)?;
        if t.fit.terms().len() != compiled.terms() {
            return Err(wrong(here("termination"), "as many coefficients as terms are needed"));
        }
    }
    Ok(())
}

fn check_size(m: &SizeModel, layout: &Layout, here: &str) -> Result<()> {
    let compiled = m.form.compile(layout).map_err(|e| wrong(here, e.to_string()))?;
    if m.coefficients.len() != compiled.terms() || m.coefficients.iter().any(|b| !b.is_finite()) {
        return Err(wrong(here, "as many finite coefficients as terms are needed"));
    }
    cholesky(&format!("{here}, covariance"), &m.covariance, compiled.terms())?;
    match &m.spread {
        Spread::Constant { value, degrees_of_freedom } => {
            if compiled.spread_terms() != 1 {
                return Err(wrong(here, "a form with spread terms needs their coefficients"));
            }
            if !(*value > 0.0
                && value.is_finite()
                && *degrees_of_freedom > 0.0
                && degrees_of_freedom.is_finite())
            {
                return Err(wrong(here, "spread and degrees of freedom must be positive and finite"));
            }
        }
        Spread::Modelled { coefficients, covariance } => {
            if coefficients.len() != compiled.spread_terms() || coefficients.iter().any(|b| !b.is_finite()) {
                return Err(wrong(
                    here,
                    "as many finite coefficients of the spread as spread terms are needed",
                ));
            }
            cholesky(&format!("{here}, covariance of the spread"), covariance, coefficients.len())?;
        }
    }
    let heavy = |df: f64| df > 2.0 && df.is_finite();
    match &m.tails {
        Tails::Normal => {}
        Tails::Student { degrees_of_freedom } if heavy(*degrees_of_freedom) => {}
        Tails::ByClass { class, degrees_of_freedom }
            if degrees_of_freedom.iter().all(|(_, df)| heavy(*df))
                && layout.position(class).and_then(|at| layout.class_at(at)).is_some_and(|c| {
                    degrees_of_freedom.iter().all(|(level, _)| c.levels.contains(level))
                }) => {}
        _ => return Err(wrong(here, "tails need degrees of freedom above 2, and classes of the layout")),
    }
    let finite_from_zero = |v: f64| v >= 0.0 && v.is_finite();
    let described = m.flakes > 0
        && (0.0..=1.0).contains(&m.r_squared)
        && finite_from_zero(m.left_out_error)
        && finite_from_zero(m.largest_leverage);
    if !described {
        return Err(wrong(here, "flakes, r_squared, left_out_error or largest_leverage out of range"));
    }
    if let Some(r) = &m.recorded
        && !(r.low <= r.high && r.low.is_finite() && r.high.is_finite())
    {
        return Err(wrong(here, "recorded sizes run from the smallest to the largest"));
    }
    let terms = m.form.terms().len();
    shared::check_shared(here, &m.shared, &m.variance_covariance, terms, m.coefficients.len())?;
    m.distance.as_ref().map_or(Ok(()), |d| d.check(here, m.coefficients.len()))?;
    m.kept.as_ref().map_or(Ok(()), |kept| shared::check_kept(here, kept))
}

#[cfg(all(test, feature = "table"))]
mod tests;
