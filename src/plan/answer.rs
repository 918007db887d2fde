//! The plan as an answer: the knapping list, what it is worth against an even grid, the curve, and what to mind.

use super::candidates::WithinTolerance;
use crate::error::counted;
use crate::form::Transform;
use crate::page::{Page, percent};
use crate::predict::in_words;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// One flake to strike.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Target {
    /// Number on the list.
    pub number: usize,
    /// What strikes it, where percussors were named.
    pub percussor: Option<String>,
    /// Number of the core, where cores are planned.
    pub core: Option<usize>,
    /// Of each measurement its name, the target, and what to accept, from and to.
    pub settings: Vec<(String, f64, f64, f64)>,
}

impl Target {
    /// A target's column: `platform_depth_mm` is `target_depth_mm`, which no reader takes for a measurement.
    pub(crate) fn column(measurement: &str) -> String {
        let short = match measurement {
            crate::form::ANGLE => "angle_deg",
            other => other.strip_prefix("platform_").unwrap_or(other),
        };
        format!("target_{short}")
    }
}

impl Serialize for Target {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut entry = BTreeMap::<String, serde_json::Value>::new();
        entry.insert("flake".into(), self.number.into());
        entry.insert("percussor".into(), self.percussor.clone().into());
        entry.insert("core".into(), self.core.into());
        for (name, target, low, high) in &self.settings {
            entry.insert(Target::column(name), (*target).into());
            entry.insert(format!("{}_accept", Target::column(name)), vec![*low, *high].into());
        }
        entry.serialize(serializer)
    }
}

/// What so many flakes would tell. Widths are high less low on the scale of the form ([`Plan::readable`]); what cannot be
/// told from so few is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct Outlook {
    /// Flakes struck.
    pub flakes: usize,
    /// Expected width of the interval of a new flake, the mean over where it is judged.
    pub width_new_flake: Option<f64>,
    /// The same of the interval for the expected size of such flakes.
    pub width_mean: Option<f64>,
    /// That of a new flake at each platform named.
    pub(crate) width_new_flake_at: Vec<Option<f64>>,
    /// The chance to see the difference asked about by a two-sided test at 5 %, of the percussor hardest to tell.
    pub power: Option<f64>,
}

/// Against an even grid of as many flakes.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(untagged)]
pub(crate) enum AgainstGrid {
    Known { d_efficiency_ratio: f64, mean_width: Option<f64>, mean_width_even_grid: Option<f64> },
    Unknown { undetermined: String },
}

/// The spread reckoned with.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(feature = "schema", schemars(rename = "SpreadTold"))]
pub(crate) struct SpreadTaken {
    pub value: f64,
    #[serde(rename = "between_cores")]
    pub between: Option<f64>,
    pub from: String,
}

/// The flakes one has.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(feature = "schema", schemars(rename = "ExistingTold"))]
pub(crate) struct Existing {
    pub used: usize,
    pub left_out: u64,
    pub worth_well_placed: Option<f64>,
    pub undetermined: Vec<String>,
}

/// A plan: what to strike, and what it will tell. It is serialised whole, and told in words by `to_string`
/// (`{:79}` breaks its paragraphs at 79 characters).
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct Plan {
    pub(super) form: String,
    pub(super) response: String,
    pub(super) terms: Vec<String>,
    pub(super) criterion: &'static str,
    pub(super) seed: u64,
    /// What to strike, one entry a flake: targets and what is accepted of each.
    #[cfg_attr(feature = "schema", schemars(with = "Vec<BTreeMap<String, serde_json::Value>>"))]
    pub flakes: Vec<Target>,
    pub(super) criterion_value: f64,
    pub(super) starts_agreeing: usize,
    pub(super) starts: usize,
    pub(super) share_of_bound: Option<f64>,
    pub(super) against_even_grid: AgainstGrid,
    pub(super) kept_within_tolerance: WithinTolerance,
    pub(super) spread: SpreadTaken,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) existing: Option<Existing>,
    pub(super) level: f64,
    pub(super) difference: Option<f64>,
    /// What more or fewer flakes would tell, by number.
    pub curve: Vec<Outlook>,
    pub(super) at: Vec<String>,
    /// What to mind.
    pub cautions: Vec<String>,
    #[serde(skip)]
    pub(super) transform: Transform,
}

impl Plan {
    /// A width as a person reads it: high over low where the scale of the form is logarithmic, otherwise as it is.
    pub fn readable(&self, width: f64) -> f64 {
        match self.transform {
            Transform::Ln => width.exp(),
            Transform::Log10 => 10f64.powf(width),
            _ => width,
        }
    }

    /// What such a width is: `high over low`, or `high less low`.
    pub fn width_is(&self) -> &'static str {
        match self.transform {
            Transform::Ln | Transform::Log10 => "high over low",
            _ => "high less low",
        }
    }

    fn list(&self, page: &mut Page) {
        let Some(first) = self.flakes.first() else { return };
        let core = first.core.map(|_| "core".to_string());
        let by = first.percussor.as_ref().map(|_| "percussor".to_string());
        let names = first.settings.iter().map(|s| heading(&s.0));
        let mut rows: Vec<Vec<String>> =
            vec![[Some("no.".to_string()), core, by].into_iter().flatten().chain(names).collect()];
        rows.extend(self.flakes.iter().map(|t| {
            let before = [Some(t.number.to_string()), t.core.map(|c| c.to_string()), t.percussor.clone()];
            let settings = t.settings.iter().map(|(_, v, low, high)| format!("{v} ({low} to {high})"));
            before.into_iter().flatten().chain(settings).collect()
        }));
        let width = |at: usize| rows.iter().map(|row| row[at].chars().count()).max().unwrap_or(0);
        let widths: Vec<usize> = (0..rows[0].len()).map(width).collect();
        page.line("\nStrike, in this order:\n");
        for row in &rows {
            let cells = row.iter().zip(&widths).map(|(cell, width)| format!("  {cell:>width$}"));
            page.line(cells.collect::<String>());
        }
    }

    fn against_grid(&self) -> String {
        let n = self.flakes.len();
        let (ratio, widths) = match &self.against_even_grid {
            AgainstGrid::Unknown { undetermined } => {
                return format!("An even grid of {n} could not tell {undetermined} from the other terms.");
            }
            AgainstGrid::Known { d_efficiency_ratio, mean_width, mean_width_even_grid } => {
                (d_efficiency_ratio, mean_width.zip(*mean_width_even_grid))
            }
        };
        let widths = widths.map_or(String::new(), |(mine, theirs)| {
            let more = 100.0 * (mine / theirs - 1.0);
            format!(
                "; mean width of the interval of a flake, on the scale of the form, {mine:.4} against {theirs:.4} \
                 ({more:+.2} %)"
            )
        });
        format!(
            "Against an even grid of {n}: D-efficiency {ratio:.3} times the grid's (the grid would need {:.0} flakes \
             to know the coefficients as well){widths}.",
            (ratio * n as f64).ceil()
        )
    }

    fn outlook(&self, page: &mut Page) {
        let scale = match self.width_is() {
            "high less low" => "high less low, on the scale of the form",
            over => over,
        };
        let place = if self.at.is_empty() { "mean over the reach" } else { "mean over the platforms" };
        page.part(format!("Expected {} % intervals ({scale}; {place}):", percent(self.level)));
        let line = |flakes: &str, new: &str, mean: &str, chance: String| {
            let chance = if self.difference.is_some() { format!("  {chance:>24}") } else { String::new() };
            format!("  {flakes:>6}  {new:>12}  {mean:>12}{chance}")
        };
        let chance = self.difference.map_or(String::new(), |ratio| format!("chance to see {ratio} times"));
        page.line(format!("\n{}", line("flakes", "of a flake", "of the mean", chance)));
        let cell = |v: Option<f64>| v.map_or("-".into(), |v| width_in_words(self.readable(v)));
        for c in &self.curve {
            let chance = c.power.map_or("-".into(), |p| format!("{:.1} %", 100.0 * p));
            page.line(line(&c.flakes.to_string(), &cell(c.width_new_flake), &cell(c.width_mean), chance));
        }
        if self.at.is_empty() {
            return;
        }
        let across = |of: &dyn Fn(&Outlook) -> String| -> String {
            self.curve.iter().map(|c| format!(" {:>6}", of(c))).collect()
        };
        page.line("\nOf a flake at the platforms named:\n");
        page.line(format!("  flakes{}", across(&|c| c.flakes.to_string())));
        for (k, words) in self.at.iter().enumerate() {
            page.under("  ", "  ", words);
            page.line(format!("        {}", across(&|c| cell(c.width_new_flake_at[k]))));
        }
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        let aim = match (self.criterion, self.at.is_empty()) {
            ("d", _) => "the coefficients",
            (_, true) => "the predictions over the whole reach",
            (_, false) => "the predictions at the platforms named",
        };
        page.say(format!(
            "{} for {} (form {}), chosen so that {aim} become as certain as can be; seed {}.",
            counted(self.flakes.len() as u64, "flake", "flakes"),
            self.transform.describe(&self.response),
            self.form,
            self.seed
        ));
        self.list(&mut page);
        if let Some(e) = &self.existing {
            let have = format!("The {} you have", counted(e.used as u64, "flake", "flakes"));
            let told = match (e.worth_well_placed, e.used) {
                (_, 0) => "None of the flakes of the table can be used".into(),
                (Some(worth), _) => format!("{have} know as much as {worth:.1} well placed ones would"),
                (None, _) => format!("{have} cannot tell by themselves: {}", e.undetermined.join(", ")),
            };
            page.part(match e.left_out {
                0 => format!("{told}."),
                n => format!("{told} ({n} left out: incomplete, or of another experiment)."),
            });
        }
        page.part(self.against_grid());
        if let Some(bound) = self.share_of_bound {
            page.line(format!("It knows {:.1} % of what any plan of this size could know.", 100.0 * bound));
        }
        self.outlook(&mut page);
        page.mind(&self.cautions);
        page.show(f)
    }
}

/// High over low, in as many digits as anybody would read.
fn width_in_words(v: f64) -> String {
    match v {
        v if v < 1e4 => format!("{v:.2}"),
        v if v.is_finite() => format!("{v:.1e}"),
        _ => "over 1e308".to_string(),
    }
}

/// `depth, mm`.
fn heading(name: &str) -> String {
    let unit = name.rsplit('_').next().unwrap_or("");
    let words = in_words(name);
    format!("{}, {unit}", words.trim_start_matches("exterior ").trim_start_matches("platform "))
}
