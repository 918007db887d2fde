//! What few local flakes moved in a calibration: its coefficients, and what is expected of platforms such as theirs,
//! as published and as updated.

use super::distribution::{Interval, USUAL_LEVEL};
use super::estimate::{Ask, Predictor};
use crate::calibration::caution::in_words;
use crate::calibration::{LocalReport, SizeModel, Spread};
use crate::error::{Result, counted};
use crate::page::{Page, percent, short};
use serde::Serialize;
use std::fmt;

/// A number before and after, and by the local flakes alone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct Moved {
    published: f64,
    updated: f64,
    own: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    standard_error: Option<f64>,
}

/// A platform such as the local flakes have, and what is expected of it before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct Answered {
    #[serde(flatten, serialize_with = "crate::by_name::sorted")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, f64>"))]
    numbers: Vec<(String, f64)>,
    #[serde(flatten, serialize_with = "crate::by_name::sorted")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, String>"))]
    classes: Vec<(String, String)>,
    published: Interval,
    updated: Interval,
}

/// A calibration beside what it was updated from: serialised, and told in words by `to_string` (`{:79}` breaks its
/// paragraphs at 79 characters).
///
/// ```
/// use conchoid::calibration::{Local, bundled};
/// use conchoid::flake::Flake;
/// use conchoid::predict::Updated;
/// use conchoid::strike::Strike;
///
/// let flint = bundled::named("hard-hammer-flint")?;
/// let mut local = Local::new(&flint, "mass_g", |column| ["platform_depth_mm", "exterior_platform_angle_deg", "mass_g"].contains(&column))?;
/// for (depth, angle, mass) in [(4.0, 70.0, 9.1), (6.0, 80.0, 31.0), (9.0, 65.0, 45.0)] {
///     let strike = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
///     local.offer(&Flake::builder().strike(strike).mass_g(mass).build()?);
/// }
/// let (mine, report) = local.finish("field school", "example")?;
/// assert_eq!((mine.name(), mine.variants()[0].name.as_str()), ("field school", "depth, angle"));
/// let moved = Updated::of(&report)?;
/// assert!(moved.to_string().contains("3 local flakes used, 0 left out"));
/// // these flakes are heavier than the published ones, and so is what is now expected
/// let told = serde_json::to_value(&moved).unwrap();
/// let median = |which: &str| told["platforms"]["middling"][which]["median"].as_f64().unwrap();
/// assert!(median("updated") > 1.5 * median("published"));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(feature = "schema", schemars(title = "Printed", description = "What is printed as JSON."))]
pub struct Updated {
    name: String,
    response: String,
    form: String,
    started_from: String,
    measured_by: String,
    #[serde(serialize_with = "crate::by_name::sorted")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, Moved>"))]
    coefficients: Vec<(String, Moved)>,
    spread: Moved,
    #[serde(serialize_with = "crate::by_name::sorted")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, Answered>"))]
    platforms: Vec<(String, Answered)>,
    used: u64,
    #[serde(serialize_with = "crate::by_name::sorted")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, u64>"))]
    left_out: Vec<(String, u64)>,
    /// What limits the update.
    cautions: Vec<String>,
    /// What is fitted: the size under its transform.
    #[serde(skip)]
    fitted: String,
    /// Whether the local flakes were taken as one more of the groups of the calibration.
    #[serde(skip)]
    of_a_group: bool,
}

/// The spread of a model; where it has terms of its own, its constant.
fn spread(m: &SizeModel) -> f64 {
    match &m.spread {
        Spread::Constant { value, .. } => *value,
        Spread::Modelled { coefficients, .. } => coefficients.first().map_or(f64::NAN, |c| c.exp()),
    }
}

impl Updated {
    /// What [`Local::finish`](crate::calibration::Local::finish) gave back, with intervals of 95 %.
    ///
    /// # Errors
    /// None for a report of this crate.
    pub fn of(report: &LocalReport) -> Result<Updated> {
        let (started, updated, size) = (&report.before, &report.after, report.size);
        let [before, after] = [started, updated].map(|c| &c.variants()[0].sizes[size]);
        let predictors = [Predictor::new(started.clone())?, Predictor::new(updated.clone())?];
        let mut platforms = Vec::new();
        for platform in &report.platforms {
            let interval = |p: &Predictor| {
                p.estimate(platform, &Ask::default())?.sizes[size].predictive.interval(USUAL_LEVEL)
            };
            let answered = Answered {
                numbers: platform.numbers.clone(),
                classes: platform.classes.clone(),
                published: interval(&predictors[0])?,
                updated: interval(&predictors[1])?,
            };
            platforms.push((platform.name.to_string(), answered));
        }
        let coefficient = |(j, term): (usize, String)| {
            let moved = Moved {
                published: before.coefficients[j],
                updated: after.coefficients[j],
                own: report.own_coefficients.as_ref().map(|own| own[j]),
                standard_error: Some(after.covariance[j][j].sqrt()),
            };
            (term, moved)
        };
        let constant = matches!(before.spread, Spread::Constant { .. });
        Ok(Updated {
            name: updated.name().to_string(),
            response: after.column.clone(),
            form: before.form.name().to_string(),
            started_from: started.name().to_string(),
            measured_by: started.variants()[0].name.clone(),
            coefficients: before.form.term_names().into_iter().enumerate().map(coefficient).collect(),
            spread: Moved {
                published: spread(before),
                updated: spread(after),
                // of one with terms of its own the constant, times what weighted flakes scatter more
                own: report.own_spread.map(|own| if constant { own } else { own * spread(before) }),
                standard_error: None,
            },
            platforms,
            used: report.used,
            left_out: report.left_out.clone(),
            cautions: report.cautions.clone(),
            fitted: before.form.transform().describe(&after.column),
            of_a_group: !before.shared.is_empty(),
        })
    }
}

impl fmt::Display for Updated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        let used = counted(self.used, "local flake", "local flakes");
        page.say(format!(
            "{} by {} (form {}): {}, updated with {used}",
            self.fitted, self.measured_by, self.form, self.started_from
        ));
        // three columns of figures stand right of the terms; a longer term has a line of its own
        let longest = self.coefficients.iter().map(|(term, _)| term.chars().count()).max().unwrap_or(0);
        let width = longest.clamp(6, 36);
        let line = |term: &str, [before, after, own]: [String; 3]| {
            format!("  {term:width$}  {before:>12}  {after:>12}  {own:>12}")
        };
        let figures = |m: &Moved, digits: fn(f64) -> String| {
            [digits(m.published), digits(m.updated), m.own.map_or("-".to_string(), digits)]
        };
        page.line("");
        page.line(line("", ["published", "updated", "own only"].map(String::from)));
        for (term, moved) in &self.coefficients {
            let long = term.chars().count() > width;
            if long {
                page.under("  ", "    ", term);
            }
            page.line(line(if long { "" } else { term }, figures(moved, |v| format!("{v:.6}"))));
        }
        page.line(line("spread", figures(&self.spread, short)));
        let tell = match self.of_a_group {
            true => "the effect of their own group",
            false => "how far their own place lies from the experiment",
        };
        page.part(format!(
            "The local flakes tell {tell}. \"Own only\" is the fit to the local flakes alone."
        ));
        page.line(format!("\n{} % of such flakes fall inside, {}:\n", percent(USUAL_LEVEL), self.response));
        let of = |platform: &Answered| platform.numbers.first().cloned().unwrap_or_default();
        let by = self.platforms.first().map_or(String::new(), |(_, p)| in_words(&of(p).0));
        page.line(format!("  {:8}  {by:>14}  {:>24}  {:>24}", "", "published", "updated"));
        for (name, platform) in &self.platforms {
            let [before, after] = [platform.published, platform.updated].map(|i| {
                let [low, median, high] = [i.low, i.median, i.high].map(short);
                format!("{median} ({low} to {high})")
            });
            page.line(format!("  {name:8}  {:>14}  {before:>24}  {after:>24}", short(of(platform).1)));
        }
        if let Some((_, p)) = self.platforms.first() {
            let rest = p.numbers.iter().skip(1).map(|(n, v)| format!(", {} {}", in_words(n), short(*v)));
            let classes = p.classes.iter().map(|(n, l)| format!(", {} {l}", in_words(n)));
            let rest: String = rest.chain(classes).collect();
            let at = if self.platforms.len() == 1 { "median" } else { "10, 50 and 90 % quantile" };
            page.part(format!("With {by} at the {at} of the local flakes{rest}."));
        }
        let left_out: u64 = self.left_out.iter().map(|(_, n)| n).sum();
        page.line(format!("\n{used} used, {left_out} left out"));
        page.reasons(&self.left_out);
        page.mind(&self.cautions);
        page.show(f)
    }
}
