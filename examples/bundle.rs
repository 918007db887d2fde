//! Makes the bundled calibrations again from the published tables.
//!
//! `cargo run --release --example bundle -- FOLDER [OUT [NAME]]` reads the tables in FOLDER (see data-sources.md for
//! where they come from) and writes one JSON file each into OUT, by default `src/calibration`;
//! with a NAME that one alone.

use conchoid::calibration::Collector;
use conchoid::calibration::bundled::{LOSS, NAMES, recipe};
use conchoid::table::{TableOptions, TableReader};
use std::fs::File;
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let Some(folder) = arguments.next() else {
        println!(
            "Makes the bundled calibrations again: bundle FOLDER [OUT [NAME]], FOLDER holding the tables."
        );
        return Ok(());
    };
    let out = arguments.next().unwrap_or_else(|| "src/calibration".to_string());
    let only = arguments.next();
    for name in NAMES.into_iter().chain([LOSS]).filter(|n| only.as_ref().is_none_or(|o| o == n)) {
        let (recipe, file) = recipe(name)?;
        let options = match name {
            "controlled-glass" => TableOptions::new().class("core_shape"),
            "hard-hammer-flint" => TableOptions::new().number("dorsal_cortex_1_to_5").number("dorsal_scars"),
            _ => TableOptions::new(),
        };
        let mut table = TableReader::new(File::open(Path::new(&folder).join(file))?, &options)?;
        let mut collector = Collector::new(recipe)?;
        let mut row = table.row();
        while table.read(&mut row)? {
            match row.refused() {
                Some(e) => collector.leave_out(e.to_string()),
                None => {
                    collector.offer(&row);
                }
            }
        }
        let (calibration, report) = collector.finish()?;
        println!("{name}: {} of {} flakes", report.used, report.offered);
        for (reason, n) in &report.left_out {
            println!("  left out: {n} ({reason})");
        }
        for f in &report.fits {
            let how = match (f.adjusted_r_squared, f.penalty) {
                (Some(adjusted), _) => format!("adjusted R2 {adjusted:.4}"),
                (_, penalty) => format!(
                    "penalty {:.1}  {:.1} of {} parameters",
                    penalty.unwrap_or(0.0),
                    f.effective_parameters,
                    f.coefficients.len()
                ),
            };
            println!(
                "  {:34} {:13} n {:4}  {how}  left out {:.4}",
                f.variant, f.size, f.flakes, f.left_out_error
            );
        }
        std::fs::write(Path::new(&out).join(format!("{name}.json")), calibration.to_json())?;
    }
    Ok(())
}
