//! The sheet to fill in at the yard: what to strike, and blanks for what came off, as a fit reads it.

use super::write::TableWriter;
use crate::error::Result;
use crate::plan::{Plan, Target};
use std::io::Write;

/// What is measured on every flake, whatever the plan: of its platform, then of itself.
const MEASURED: ([&str; 3], [&str; 5]) = (
    ["platform_depth_mm", "exterior_platform_angle_deg", "platform_width_mm"],
    ["length_mm", "width_mm", "thickness_mm", "mass_g", "termination"],
);

/// Writes the sheet of a plan: a row for each flake to strike, with its targets, and blanks for what is measured.
///
/// # Errors
/// [`Error::Io`](crate::Error::Io) when the writer fails.
///
/// ```
/// use conchoid::form::Form;
/// use conchoid::plan::Experiment;
/// let experiment = Experiment::new(Form::named("log-log")?, "mass_g", 8).spread(0.45, "given")?;
/// let sheet = conchoid::table::sheet_of(&experiment.plan(1)?, Some("flint"), Vec::new())?;
/// let text = String::from_utf8(sheet).unwrap();
/// assert!(text.starts_with("flake,knapper,core,percussor,stone,target_depth_mm,target_angle_deg,platform_depth_mm,"));
/// assert_eq!(text.lines().count(), 9);
/// # Ok::<(), conchoid::Error>(())
/// ```
pub fn sheet_of<W: Write>(plan: &Plan, stone: Option<&str>, writer: W) -> Result<W> {
    let set: Vec<&str> =
        plan.flakes.first().map_or(Vec::new(), |t| t.settings.iter().map(|s| s.0.as_str()).collect());
    let mut columns: Vec<String> =
        ["flake", "knapper", "core", "percussor", "stone"].map(String::from).to_vec();
    columns.extend(set.iter().map(|name| Target::column(name)));
    let further = set.iter().filter(|n| !MEASURED.0.contains(n));
    columns.extend(MEASURED.0.iter().chain(further).chain(&MEASURED.1).map(|c| c.to_string()));
    columns.push("notes".into());
    let mut sheet = TableWriter::sheet(writer, b',', &columns)?;
    for t in &plan.flakes {
        let (number, core) = (t.number.to_string(), t.core.map(|c| c.to_string()));
        let told = [Some(number.as_str()), None, core.as_deref(), t.percussor.as_deref(), stone];
        told.iter().for_each(|text| sheet.line.text(text.unwrap_or_default()));
        t.settings.iter().for_each(|(_, target, ..)| sheet.line.number(*target));
        sheet.line.blanks(columns.len().saturating_sub(told.len() + t.settings.len()));
        sheet.end_row()?;
    }
    sheet.finish()
}
