//! The sheet to fill in at the yard: what to strike, and blanks for what came off, as `knap fit` reads it.

use crate::failure::{Failure, Outcome};
use crate::tables::Sink;
use conchoid::table::{Cell, Separator, TableWriter};

/// One line of the knapping list.
pub struct Target {
    /// Number on the list.
    pub number: usize,
    pub percussor: Option<String>,
    /// Number of the core, where cores are planned.
    pub core: Option<usize>,
    /// Name of the measurement, target, and what to accept from and to.
    pub settings: Vec<(String, f64, f64, f64)>,
}

/// What is measured on every flake, whatever the plan.
const MEASURED: [&str; 8] = [
    "platform_depth_mm",
    "exterior_platform_angle_deg",
    "platform_width_mm",
    "length_mm",
    "width_mm",
    "thickness_mm",
    "mass_g",
    "termination",
];

/// A target's column: `platform_depth_mm` is `target_depth_mm`, which no reader takes for a measurement.
pub fn target_name(measurement: &str) -> String {
    let short = match measurement {
        "exterior_platform_angle_deg" => "angle_deg",
        other => other.strip_prefix("platform_").unwrap_or(other),
    };
    format!("target_{short}")
}

pub fn write(path: &str, targets: &[Target], stone: Option<&str>) -> Outcome<()> {
    if path == "-" {
        return Err(Failure::usage("--sheet -: the sheet needs a file of its own"));
    }
    let Some(first) = targets.first() else { return Ok(()) };
    let mut columns: Vec<String> =
        ["flake", "knapper", "core", "percussor", "stone"].map(String::from).to_vec();
    columns.extend(first.settings.iter().map(|(name, ..)| target_name(name)));
    let further: Vec<&str> =
        first.settings.iter().map(|s| s.0.as_str()).filter(|n| !MEASURED.contains(n)).collect();
    let (platform, flake) = MEASURED.split_at(3);
    columns.extend(platform.iter().chain(&further).chain(flake).map(|c| c.to_string()));
    columns.push("notes".into());
    let names: Vec<&str> = columns.iter().map(String::as_str).collect();
    let mut sheet = TableWriter::sheet(Sink::open(Some(path))?, Separator::Comma, &names)?;
    for t in targets {
        let number = t.number.to_string();
        let core = t.core.map(|c| c.to_string());
        let text = |t: Option<&'static str>| t.map_or(Cell::Blank, Cell::Text);
        let mut cells = vec![Cell::Text(&number), text(None)];
        cells.push(core.as_deref().map_or(Cell::Blank, Cell::Text));
        cells.push(t.percussor.as_deref().map_or(Cell::Blank, Cell::Text));
        cells.push(stone.map_or(Cell::Blank, Cell::Text));
        cells.extend(t.settings.iter().map(|(_, target, ..)| Cell::Number(*target)));
        cells.resize(columns.len(), Cell::Blank);
        sheet.write_cells(&cells)?;
    }
    sheet.finish()?.finish()
}
