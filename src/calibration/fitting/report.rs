//! What became of the flakes offered, and the fits that came of them.

use super::inventory::FLAKES_A_COEFFICIENT;
use super::sizes::FittedSize;
use crate::by_name::each_once;
use crate::calibration::caution::in_words;
use crate::calibration::resolved::FEW_GROUPS;
use crate::calibration::{Calibration, SharedEffect, SizeModel, Spread};
use crate::error::{Error, counted};
use crate::page::{Page, Told, short};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap};
use std::fmt;
use std::hash::{DefaultHasher, Hasher};

/// What became of the flakes, and the fits behind the calibration.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Report {
    /// Flakes offered.
    pub offered: u64,
    /// Flakes used by at least one fit.
    pub used: u64,
    /// Reasons for leaving flakes out, with their counts. `offered` is `used` plus these.
    #[serde(serialize_with = "crate::by_name::serialize")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, u64>"))]
    pub left_out: Vec<(String, u64)>,
    /// Measurements that are not read, because too few flakes record them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<Vec<String>>"))]
    pub(crate) of_too_few: Vec<String>,
    /// Sizes that fall as the platform grows, which those of flakes do not (`mass with platform depth`).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<Vec<String>>"))]
    pub(crate) falls: Vec<String>,
    /// Flakes that equal an earlier one in every number used, where they are more than one in ten (of two numbers alone, one
    /// in two) and half of them as many rows behind it as each other; of very many flakes every second, fourth, eighth is looked at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) repeated: Option<u64>,
    /// One entry for each variant and size, in order.
    pub fits: Vec<FitReport>,
}

/// A number with its standard error: a coefficient, a mean of scores.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Figure {
    /// The number.
    pub value: f64,
    /// Its standard error; not a number (none in JSON) where one flake or one group is all there is.
    #[serde(deserialize_with = "none_is_not_a_number")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<f64>"))]
    pub standard_error: f64,
}

fn none_is_not_a_number<'de, D: serde::Deserializer<'de>>(d: D) -> std::result::Result<f64, D::Error> {
    Ok(Option::deserialize(d)?.unwrap_or(f64::NAN))
}

/// What groups that share an effect differ by.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct GroupSpread {
    /// Groups.
    pub groups: u64,
    /// The spread between them, on the scale of the form.
    pub spread: f64,
}

/// One fit of a report: what the size model of the calibration ([`SizeModel`](crate::calibration::SizeModel)) does not hold itself. All of
/// it is serialised, with what the model holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct FitReport {
    /// Name of the variant.
    #[serde(rename = "measured_by")]
    pub variant: String,
    /// The size.
    pub(crate) size: String,
    /// The column fitted.
    #[serde(rename = "response")]
    pub(crate) column: String,
    /// Name of the form.
    pub(crate) form: String,
    /// The coefficients by term on the scale of the form, in its order.
    #[serde(serialize_with = "crate::by_name::serialize")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, Figure>"))]
    pub(crate) coefficients: Vec<(String, Figure)>,
    /// The spread on the scale of the form, of flakes of one group where groups share effects; none where it has terms
    /// of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) spread: Option<f64>,
    /// Its degrees of freedom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) degrees_of_freedom: Option<f64>,
    /// What flakes of one group share, by the column of the groups.
    #[serde(serialize_with = "crate::by_name::serialize", skip_serializing_if = "Vec::is_empty")]
    #[cfg_attr(
        feature = "schema",
        schemars(with = "Option<std::collections::BTreeMap<String, GroupSpread>>")
    )]
    pub(crate) shared: Vec<(String, GroupSpread)>,
    /// Flakes fitted; where each piece counts once, pieces.
    pub flakes: u64,
    /// Rows fitted: more than `flakes` where several states of a piece were measured.
    pub states: u64,
    /// R2, without what groups share.
    pub r_squared: f64,
    /// Adjusted R2, of least squares.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) adjusted_r_squared: Option<f64>,
    /// The strength of the penalty, where there is one that is finite.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) penalty: Option<f64>,
    /// Parameters of the location that the fit uses: under a penalty fewer than there are coefficients.
    pub(crate) effective_parameters: f64,
    /// Root mean square error of predicting each flake from others, transformed scale: leave-one-out for
    /// least squares; for a shrunken fit ten folds (the flakes counted off by tens), refitted each time with the
    /// degrees of freedom held. Where no group could be left out (`left_out_flakes` is 0), that of the form as fitted,
    /// groups not known.
    pub left_out_error: f64,
    /// How many flakes were left out in turn: all that were fitted, or of very many every second, fourth, eighth in
    /// the order in which they came (about a hundred thousand for a form of two measurements). Then the error is that
    /// of all residuals times the ratio of the two on those.
    pub(crate) left_out_flakes: u64,
    /// Akaike's criterion for the size in its own unit, comparable across transforms. A shrunken fit counts
    /// its effective parameters (the conditional criterion of Vaida & Blanchard 2005, Biometrika 92:351; from
    /// memory).
    pub(crate) aic_own_unit: f64,
}

impl FitReport {
    pub(super) fn of(variant: &str, fitted: &FittedSize) -> FitReport {
        let m = &fitted.model;
        let each = m.coefficients.iter().zip(&m.covariance).enumerate();
        let coefficients = each.map(|(i, (b, v))| Figure { value: *b, standard_error: v[i].sqrt() });
        let (spread, degrees_of_freedom) = match m.spread {
            Spread::Constant { value, degrees_of_freedom } => (Some(value), Some(degrees_of_freedom)),
            Spread::Modelled { .. } => (None, None),
        };
        let between = |e: &SharedEffect| GroupSpread { groups: e.groups, spread: e.covariance[0][0].sqrt() };
        FitReport {
            variant: variant.to_string(),
            size: m.size.clone(),
            column: m.column.clone(),
            form: m.form.name().to_string(),
            coefficients: m.form.term_names().into_iter().zip(coefficients).collect(),
            spread,
            degrees_of_freedom,
            shared: m.shared.iter().map(|e| (e.by.clone(), between(e))).collect(),
            flakes: m.flakes,
            states: fitted.states,
            r_squared: m.r_squared,
            adjusted_r_squared: fitted.adjusted_r_squared,
            penalty: fitted.penalty,
            effective_parameters: fitted.effective_parameters,
            left_out_error: m.left_out_error,
            left_out_flakes: fitted.left_out_flakes,
            aic_own_unit: fitted.aic_own_unit,
        }
    }
}

/// An exponent of a measurement of the platform below which a size falls for all to see. This crate's choice, no source.
pub(in crate::calibration) const FALLS: f64 = -0.05;

/// Measurements of how large a platform is.
pub(in crate::calibration) const OF_PLATFORM: [&str; 3] =
    ["platform_depth_mm", "platform_width_mm", "platform_area_mm2"];

/// Sizes that fall as a measurement of the platform grows (`mass with platform depth`), where its logarithm is all that
/// the form reads of it.
pub(in crate::calibration) fn falling<'a>(models: impl IntoIterator<Item = &'a SizeModel>) -> Vec<String> {
    let mut found = Vec::new();
    for m in models {
        let names = m.form.term_names();
        let with = OF_PLATFORM.into_iter().filter(|of| {
            let mut reads = (0..names.len()).filter(|j| names[*j].contains(of));
            let falls = |j: usize| names[j] == format!("ln {of}") && m.coefficients[j] < FALLS;
            matches!((reads.next(), reads.next()), (Some(j), None) if falls(j))
        });
        found.extend(with.map(|of| format!("{} with {}", in_words(&m.column), in_words(of))));
    }
    each_once(found)
}

/// How many flakes equal an earlier one in all of some numbers, where that is not by chance: five, and one in ten, or of two
/// numbers alone one in two, and half of them as many rows behind the one before as each other (rows pasted once more, or
/// each twice). (This crate's choice, no source: of thousands measured to a millimetre and a gram many are alike, anywhere.)
pub(crate) fn repeated<T: IntoIterator<Item = f64>>(
    flakes: impl ExactSizeIterator<Item = T> + Clone,
) -> Option<u64> {
    if !may_repeat(flakes.clone()) {
        return None;
    }
    let (mut seen, mut behind) = (HashMap::new(), HashMap::<u64, u64>::new());
    let (mut all, mut again, mut most) = (0, 0, 0);
    for flake in flakes {
        let (mut hasher, mut recorded) = (DefaultHasher::new(), 0);
        for v in flake {
            hasher.write_u64(bits_of(v));
            recorded += usize::from(!v.is_nan());
        }
        (all, most) = (all + 1, most.max(recorded));
        if let Some(before) = seen.insert(hasher.finish(), all) {
            again += 1;
            *behind.entry(all - before).or_default() += 1;
        }
    }
    let too_many = if most > 2 { all / 10 } else { all / 2 };
    let alike = behind.into_values().max().unwrap_or(0);
    (again >= 5 && again > too_many && 2 * alike >= again).then_some(again)
}

/// The bits of a number, the same for all that are none.
fn bits_of(v: f64) -> u64 {
    if v.is_nan() { u64::MAX } else { v.to_bits() }
}

/// Whether more than one in ten may equal an earlier one, at a glance: each lights one of sixteen bits a flake or more, and
/// those that are alike the same.
fn may_repeat(flakes: impl ExactSizeIterator<Item = impl IntoIterator<Item = f64>>) -> bool {
    let all = flakes.len();
    let (mut bits, mut lit) = (vec![0u64; (all / 4).next_power_of_two()], 0);
    for flake in flakes {
        let mixed = flake.into_iter().fold(0, |h: u64, v| {
            let h = (h ^ bits_of(v)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            h ^ (h >> 32)
        });
        let (at, bit) = ((mixed >> 6) as usize & (bits.len() - 1), 1 << (mixed & 63));
        lit += usize::from(bits[at] & bit == 0);
        bits[at] |= bit;
    }
    all - lit > all / 10
}

/// That flakes equal earlier ones.
pub(crate) fn told_of_repeats(again: u64, of: u64) -> String {
    format!(
        "{again} of {of} flakes equal an earlier one in every number used: if rows were pasted more than once, intervals are too narrow"
    )
}

/// Reasons of flakes left out that are told at most.
const REASONS: usize = 3;

impl Report {
    /// A page about the calibration that came of it: the coefficients of one size, of several a line of errors for each
    /// variant; and what became of the flakes. `shifts_from` are classes with the level that the others shift from
    /// (`{:79}` breaks its paragraphs at 79 characters).
    ///
    /// ```
    /// use conchoid::calibration::{Collector, Provenance, Recipe};
    /// use conchoid::flake::Flake;
    /// use conchoid::form::Form;
    /// use conchoid::strike::Strike;
    /// let own = Provenance::new("nine flakes", "my notes", "my own", "none");
    /// let mut collector = Collector::new(Recipe::single("mine", "mass_g", Form::named("log-log")?, own)?)?;
    /// for k in 0..9 {
    ///     let (depth, angle) = (4.0 + f64::from(k), 65.0 + f64::from(k * 5 % 7));
    ///     let strike = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
    ///     collector.offer(&Flake::builder().strike(strike).mass_g(0.4 * depth * depth + f64::from(k % 2)).build()?);
    /// }
    /// let (mine, report) = collector.finish()?;
    /// assert!(report.in_words(&mine, &[]).to_string().contains("9 flakes used, 0 left out"));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn in_words<'a>(
        &'a self,
        of: &'a Calibration,
        shifts_from: &'a [(String, String)],
    ) -> impl fmt::Display + 'a {
        Told(move |page: &mut Page| self.tell(page, of, shifts_from))
    }

    fn tell(&self, page: &mut Page, of: &Calibration, shifts_from: &[(String, String)]) {
        let models: Vec<&SizeModel> = of.variants().iter().flat_map(|v| &v.sizes).collect();
        match (&models[..], &self.fits[..]) {
            ([model], [fit]) => {
                fit.tell(page, model, shifts_from);
                page.line("");
            }
            _ => self.tell_errors(page, of),
        }
        let used = counted(self.used, "flake", "flakes");
        page.line(format!("{used} used, {} left out", self.offered - self.used));
        let told = if self.left_out.len() > REASONS { REASONS - 1 } else { REASONS };
        page.reasons(self.left_out.iter().take(told));
        let rest: u64 = self.left_out.iter().skip(told).map(|(_, n)| n).sum();
        if rest > 0 {
            let more = self.left_out.len() - told;
            page.line(format!("  {rest}: {more} other reasons, each in the JSON"));
        }
        if !self.falls.is_empty() {
            page.say(format!("Falls as the platform grows (flakes do not): {}", self.falls.join(", ")));
        }
        if let Some(again) = self.repeated {
            page.say(format!("{}.", told_of_repeats(again, self.used)));
        }
        if !self.of_too_few.is_empty() {
            let what: Vec<String> = self.of_too_few.iter().map(|n| in_words(n)).collect();
            let few = format!("fewer than {FLAKES_A_COEFFICIENT} flakes for each coefficient record it");
            page.say(format!("Not read: {}; {few}.", what.join(", ")));
        }
    }

    /// Several sizes or variants: a line of numbers for each variant, a column for each size.
    fn tell_errors(&self, page: &mut Page, of: &Calibration) {
        let columns = each_once(self.fits.iter().map(|f| f.column.as_str()));
        page.say(format!(
            "Calibration {} of {}: root mean square error of ln size of flakes left out (R2), by what is measured. \
             More: knap calibrations FILE.",
            of.name(),
            counted(self.used, "flake", "flakes")
        ));
        let line = |cells: Vec<String>| cells.iter().map(|c| format!("{c:>18}")).collect::<String>();
        page.line(format!("  {}", line(columns.iter().map(|c| c.to_string()).collect())));
        for v in of.variants() {
            let flakes = v.sizes.iter().map(|m| m.flakes);
            let (fewest, most) = (flakes.clone().min().unwrap_or(0), flakes.max().unwrap_or(0));
            let flakes = if fewest < most { format!("{fewest} to {most}") } else { most.to_string() };
            let by: Vec<String> = v.name.split(", ").map(in_words).collect();
            let ends = match v.terminations() {
                Some((form, _)) if form.terms().is_empty() => ", terminations as shares",
                Some(_) => ", terminations",
                None => "",
            };
            page.under("", "  ", format!("{}, {flakes} flakes{ends}", by.join(", ")));
            let cell = |column: &&str| {
                let of = |m: &&SizeModel| m.column == *column;
                let model = v.sizes.iter().find(of);
                let fit = self.fits.iter().find(|f| f.variant == v.name && f.column == *column);
                let none_out = if fit.is_some_and(|f| f.left_out_flakes == 0) { "*" } else { "" };
                model.map_or(String::new(), |m| {
                    format!("{}{none_out} ({:.2})", short(m.left_out_error), m.r_squared)
                })
            };
            page.line(format!("  {}", line(columns.iter().map(cell).collect())));
        }
        if self.fits.iter().any(|f| f.left_out_flakes == 0) {
            page.line("  * of the form alone: too few to leave any out");
        }
    }
}

impl FitReport {
    /// One size, with its coefficients.
    fn tell(&self, page: &mut Page, model: &SizeModel, shifts_from: &[(String, String)]) {
        let size = model.form.transform().describe(&self.column);
        page.under("", "  ", format!("{size} by {} (form {})", self.variant, self.form));
        let width = self.coefficients.iter().map(|(t, _)| t.chars().count()).max().unwrap_or(0);
        page.line(format!("\n  {:width$}  {:>12}  {:>12}", "", "coefficient", "std. error"));
        for (t, c) in &self.coefficients {
            page.line(format!("  {t:width$}  {:>12.6}  {:>12.6}", c.value, c.standard_error));
        }
        for (class, level) in shifts_from {
            page.line("");
            let class = in_words(class);
            page.under("  ", "  ", format!("A coefficient of {class} is a shift from {level}."));
        }
        page.line("");
        if let (Some(spread), Some(df)) = (self.spread, self.degrees_of_freedom) {
            let of =
                self.shared.last().map_or(String::new(), |(by, _)| format!(" between flakes of one {by}"));
            let df = if self.adjusted_r_squared.is_some() { format!("{df}") } else { format!("{df:.1}") };
            page.line(format!("  spread {}{of}, on {df} degrees of freedom", short(spread)));
        }
        for (k, (by, between)) in self.shared.iter().enumerate() {
            let (sd, groups) = (short(between.spread), between.groups);
            let outer = k.checked_sub(1).map(|k| format!(", each within one {}", self.shared[k].0));
            page.line(format!(
                "  spread {sd} between the {groups} groups of {by}{}",
                outer.unwrap_or_default()
            ));
            if groups <= FEW_GROUPS {
                page.line(format!(
                    "  ({groups} groups hardly tell how much they differ: a new {by} may lie further out)"
                ));
            }
        }
        let error = short(self.left_out_error);
        let told = match (self.adjusted_r_squared, self.shared.first()) {
            (_, shared) if self.left_out_flakes == 0 => {
                let (of, what) = shared.map_or(("", "part"), |(by, _)| ("without the groups; ", by));
                format!("{of}error of the form alone {error} (no {what} left out)")
            }
            (Some(adjusted), _) => format!("(adjusted {adjusted:.4}); leave-one-out error {error}"),
            (None, Some((by, _))) => {
                format!("without the groups; error with whole groups of {by} left out {error}")
            }
            (None, None) => format!("without the groups; error with whole parts left out {error}"),
        };
        page.line(format!("  R2 {:.4} {told}", self.r_squared));
    }
}

/// How many flakes were offered, and why some were left out.
#[derive(Debug, Clone, Default)]
pub(crate) struct Offered {
    pub(crate) flakes: u64,
    pub(crate) left_out: BTreeMap<String, u64>,
}

impl Offered {
    /// Counts a flake that was taken, or why it was not, which is given back.
    pub(crate) fn count(&mut self, taken: std::result::Result<(), String>) -> Option<String> {
        self.flakes += 1;
        let reason = taken.err()?;
        *self.left_out.entry(reason.clone()).or_default() += 1;
        Some(reason)
    }

    /// That none was used, with the commonest reason.
    pub(crate) fn none_used(&self, what: &str, needed: usize) -> Error {
        let most = self.left_out.iter().max_by_key(|(_, n)| **n);
        let why = most.map_or(String::new(), |(reason, _)| format!(" (most often: {reason})"));
        Error::TooFew { what: format!("{what}{why}"), found: 0, needed }
    }
}

/// Reasons with their counts, the commonest first.
pub(crate) fn commonest_first(counts: BTreeMap<String, u64>) -> Vec<(String, u64)> {
    let mut all: Vec<(String, u64)> = counts.into_iter().collect();
    all.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    all
}
