//! Makes the bundled calibrations again from the published tables.
//!
//! `cargo run --release --example bundle -- FOLDER [OUT [NAME]]` reads the tables in FOLDER (see data-sources.md for
//! where they come from) and writes one JSON file each into OUT, by default `src/calibration`;
//! with a NAME that one alone. The distance of an experiment from sites is measured by `excavated-flakes` as it is bundled.

use conchoid::calibration::bundled::{self, LOSS, NAMES, recipe};
use conchoid::calibration::{Calibration, Collector, SharedRecipe, SizeModel, Spread};
use conchoid::predict::Predictor;
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use serde_json::{Value, json};
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
        let mut table = TableReader::new(File::open(Path::new(&folder).join(file))?, &TableOptions::new())?;
        let mut collector = Collector::new(recipe)?;
        let (mut row, mut rows) = (table.row(), Vec::new());
        while table.read(&mut row)? {
            match row.refused() {
                Some(e) => collector.leave_out(e.to_string()),
                None => {
                    collector.offer(&row);
                    rows.push(row.clone());
                }
            }
        }
        let (mut calibration, report) = collector.finish()?;
        if name != LOSS && name != "excavated-flakes" {
            calibration = with_distance(calibration, &rows)?;
        }
        println!("{:100}", report.in_words(&calibration, &[]));
        std::fs::write(Path::new(&out).join(format!("{name}.json")), calibration.to_json())?;
    }
    Ok(())
}

/// A flake of which only what a variant needs is known.
struct Only<'a> {
    row: &'a Row,
    needs: &'a [String],
}

impl Measured for Only<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        self.row.number(name).filter(|_| self.needs.iter().any(|n| n == name))
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.row.class(name).filter(|_| name != "termination" || self.needs.iter().any(|n| n == name))
    }
}

/// An experiment with its distance from sites: for every size, over the experiment's own complete flakes,
///
/// ```text
/// shift       mean of (what sites are expected to have - ln size)
/// sd^2        variance between sites, as it was found, and assemblages + squared error of the shift
/// ln_spread   ln of (spread within a site, and how far the two forms differ from platform to platform) over the error
///             with which the experiment predicts its own flakes, where it is above 0
/// ```
///
/// The quartzite experiment has few large platforms, beyond which its sizes grow much faster with the depth than those of
/// sites do (mass as depth to the 2.8, theirs to the 1.3; flint 1.5): there the coefficients become those of sites.
///
/// A size that the experiment means otherwise than sites do (mean thickness) has no shift that could be told: the spread
/// of its sites stands with a shift of 0.
fn with_distance(calibration: Calibration, rows: &[Row]) -> Result<Calibration, Box<dyn std::error::Error>> {
    let sites = Predictor::new(bundled::named("excavated-flakes")?)?;
    let own = Predictor::new(calibration.clone())?;
    let shared = recipe("excavated-flakes")?.0.variants.swap_remove(0).sizes.swap_remove(0).method.shared;
    let complete = |r: &&Row| r.class("portion").is_none_or(|p| p == "complete");
    // by size and place of the variant
    let mut found: Vec<(usize, String, Value)> = Vec::new();
    for (i, v) in calibration.variants().iter().enumerate() {
        let needs: Vec<String> = v.sizes.iter().flat_map(|m| m.form.needs()).collect();
        for m in &v.sizes {
            let (mut errors, mut apart, mut model) = (Vec::new(), Vec::new(), None);
            for row in rows.iter().filter(complete) {
                let Some(size) = row.number(&m.column).filter(|v| *v > 0.0) else { continue };
                let known = Only { row, needs: &needs };
                let answers = [&sites, &own].map(|p| p.estimate(&known, &Default::default()));
                let [Ok(there), Ok(here)] = answers else { continue };
                if here.variant != v.name {
                    continue;
                }
                let (Some(a), Some(b)) = (there.size(&m.size), here.size(&m.size)) else { continue };
                errors.push(a.median().ln() - size.ln());
                apart.push(a.median().ln() - b.median().ln());
                let used = sites.calibration().variants().iter().find(|o| o.name == there.variant);
                model = used.and_then(|o| o.sizes.iter().find(|o| o.size == m.size));
            }
            if let Some(model) = model.filter(|_| errors.len() > 30) {
                let along = calibration.name() == "hard-hammer-quartzite";
                if along {
                    apart.fill(0.0);
                }
                let mut distance = distance(m, model, &shared, &errors, &apart);
                if along {
                    distance["coefficients"] = json!(towards(m, model)?);
                }
                println!("  {:34} {:13} {distance}", v.name, m.size);
                found.push((i, m.size.clone(), distance));
            }
        }
    }
    let mut file: Value = serde_json::from_str(&calibration.to_json())?;
    for (i, v) in calibration.variants().iter().enumerate() {
        for (j, m) in v.sizes.iter().enumerate() {
            // a variant without the measurements that sites need has the distance of another
            let of = |own: bool| found.iter().find(|(at, size, _)| *size == m.size && (*at == i || !own));
            if let Some((_, _, distance)) = of(true).or_else(|| of(false)) {
                file["variants"][i]["sizes"][j]["distance"] = distance.clone();
            }
        }
    }
    Ok(Calibration::from_json(&file.to_string())?)
}

/// What makes the coefficients those of sites, whose terms are those of the experiment less a number, or none.
fn towards(m: &SizeModel, sites: &SizeModel) -> Result<Vec<f64>, serde_json::Error> {
    let terms =
        |m: &SizeModel| m.form.terms().iter().map(serde_json::to_value).collect::<Result<Vec<_>, _>>();
    let mut wanted = vec![0.0; m.coefficients.len()];
    wanted[0] = sites.coefficients[0];
    for (theirs, b) in terms(sites)?.iter().zip(&sites.coefficients[1..]) {
        let (of, by) = (&theirs["shifted"]["of"], theirs["shifted"]["by"].as_f64());
        let at = terms(m)?.iter().position(|own| own == of).expect("a straight term of each measurement");
        wanted[at + 1] = *b;
        wanted[0] -= b * by.expect("terms of sites are shifted");
    }
    Ok(wanted.iter().zip(&m.coefficients).map(|(w, b)| w - b).collect())
}

fn distance(
    m: &SizeModel,
    sites: &SizeModel,
    shared: &[SharedRecipe],
    errors: &[f64],
    apart: &[f64],
) -> Value {
    let n = errors.len() as f64;
    let mean = |of: &[f64]| of.iter().sum::<f64>() / n;
    let variance = |of: &[f64]| of.iter().map(|v| (v - mean(of)).powi(2)).sum::<f64>() / (n - 1.0);
    let within = match sites.spread {
        Spread::Constant { value, .. } => value * value + variance(apart),
        _ => f64::NAN,
    };
    // moved by a normal distance, so without what stands for the far tails of sites
    let between: f64 = sites.shared.iter().zip(shared).map(|(e, r)| e.covariance[0][0] / r.times).sum();
    let groups = sites.shared[0].groups;
    let told = |v: f64| (v * 1e4).round() / 1e4;
    json!({
        "shift": if m.column == sites.column { told(mean(errors)) } else { 0.0 },
        // the level of the sites is known to the sd between them over the root of their number
        "sd": told((between * (1.0 + 1.0 / groups as f64) + variance(errors) / n).sqrt()),
        "ln_spread": told((0.5 * (within / (m.left_out_error * m.left_out_error)).ln()).max(0.0)),
        "sites": groups,
    })
}
