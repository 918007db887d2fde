//! `knap fit --response original_over_now`: a calibration of loss from a table of pieces that were weighed when they
//! were struck and again after being retouched.

use super::{Options, collected, needed_columns, provenance, written};
use crate::failure::{Failure, Outcome, Whose};
use crate::report::{Page, count, short};
use crate::tables;
use conchoid::calibration::{Collector, FitReport, Report, loss_recipe};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// The form that a calibration of loss is fitted with.
pub const FORM: &str = "retouch";

pub fn run(o: &Options, form: &str) -> Outcome<u8> {
    if form != FORM {
        return Err(Failure::unknown("--form for original_over_now", form, [FORM]));
    }
    if !o.by.is_empty() {
        return Err(Failure::usage("--by does not go with --response original_over_now"));
    }
    let options = o.taken.options(&[], &["retouch_index".to_string()])?;
    let table = tables::open(&o.table, &options)?;
    let needs = ["original_mass_g".to_string(), "mass_now_g".to_string()];
    needed_columns(o, table.header(), &needs)?;
    let has = |name: &str| table.header().has(name);
    let mut recipe = loss_recipe(&o.name, provenance(o), has)?;
    recipe.stone = o.stone.as_deref().map(str::to_lowercase);
    if recipe.variants.is_empty() {
        return Err(Failure::other(format!(
            "{}: neither a height of retouch nor a retouch_index is in the table (columns retouch_height_1_mm, \
             thickness_at_1_mm and so on to 10)",
            o.table
        )));
    }
    let mut collector = Collector::new(recipe)?;
    collected(o, table, &needs, false, &mut collector)?;
    let (calibration, report) = collector.finish().of_file(&o.table)?;
    let one = |f: &FitReport| ByRecorded {
        pieces: f.flakes,
        states: f.states,
        r_squared: f.r_squared,
        left_out_error: f.left_out_error,
    };
    let printed = Printed {
        name: &o.name,
        offered: report.offered,
        used: report.used,
        fits: report.fits.iter().map(|f| (f.variant.as_str(), one(f))).collect(),
        left_out: report.left_out.iter().map(|(reason, n)| (reason.as_str(), *n)).collect(),
    };
    written(o, &calibration, &printed, |page| tell(page, o, &report))
}

fn tell(page: &mut Page, o: &Options, report: &Report) {
    let (pieces, states) = report.fits.iter().map(|f| (f.flakes, f.states)).max().unwrap_or_default();
    let (states, pieces) = (count(states, "state", "states"), count(pieces, "piece", "pieces"));
    page.line(format!("Calibration of loss {}, from {states} in {}", o.name, o.table));
    page.line(format!("of {pieces}, each piece counting once.\n"));
    page.line("  by what was recorded                               R2   error left out");
    for fit in &report.fits {
        let (r_squared, error) = (short(fit.r_squared), short(fit.left_out_error));
        page.line(format!("  {:48} {r_squared:>5}   {error:>14}", fit.variant));
    }
    page.line("\nBoth of ln(original over now - 1), the log odds of the share lost; the error with");
    page.line("whole pieces left out by tens.");
    report.left_out.iter().for_each(|(reason, n)| page.line(format!("Left out: {n} ({reason})")));
    if let Some(path) = &o.out {
        page.line(format!("Written to {path}; use it with knap original --calibration {path}"));
    }
}

/// One fit: by what was recorded.
#[derive(Serialize, JsonSchema)]
struct ByRecorded {
    pieces: u64,
    states: u64,
    r_squared: f64,
    left_out_error: f64,
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    name: &'a str,
    offered: u64,
    used: u64,
    #[serde(flatten)]
    fits: BTreeMap<&'a str, ByRecorded>,
    left_out: BTreeMap<&'a str, u64>,
}
