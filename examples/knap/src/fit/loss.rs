//! `knap fit --response original_over_now`: a calibration of loss from a table of pieces that were weighed when they
//! were struck and again after being retouched.

use super::{Options, collected, needed_columns};
use crate::failure::{Failure, Outcome, Whose};
use crate::report::{Format, Page, count, short};
use crate::tables::{self, save};
use conchoid::calibration::{Collector, FitReport, Provenance, Report, loss_recipe};
use conchoid::flake::{ORIGINAL_OVER_NOW, RETOUCH_HEIGHT, RETOUCH_HEIGHT_MM, THICKNESS_AT_MM};
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
    let mut command = format!("knap fit --response {ORIGINAL_OVER_NOW} --form {form} --name {}", o.name);
    command.push_str(&o.taken.command());
    let own = "the user's own";
    let provenance =
        Provenance::new("fitted to a table of the user's own", "the user's own records", own, &command);
    let mut recipe = loss_recipe(&o.name, provenance)?;
    recipe.stone = o.stone.as_deref().map(str::to_lowercase);
    let options = o.taken.options(None, &["retouch_index".to_string()])?;
    let table = tables::open(&o.table, &options)?;
    let needs = ["original_mass_g".to_string(), "mass_now_g".to_string()];
    needed_columns(o, table.header(), &needs)?;
    let has = |name: &str| table.header().column(name).is_some();
    let heights = RETOUCH_HEIGHT_MM.iter().any(|b| has(b.name()));
    let index = has("retouch_index") || (heights && THICKNESS_AT_MM.iter().any(|b| has(b.name())));
    recipe.variants.retain(|v| {
        v.sizes[0].form.needs().iter().all(|name| match name.as_str() {
            RETOUCH_HEIGHT => heights,
            "retouch_index" => index,
            other => has(other),
        })
    });
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
    if let Some(out) = &o.out {
        save(out, &calibration.to_json())?;
    }
    match o.format {
        Format::Json => print_json(o, &report)?,
        Format::Text => text(o, &report).show()?,
    }
    Ok(0)
}

fn text(o: &Options, report: &Report) -> Page {
    let mut page = Page::default();
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
    page
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

fn print_json(o: &Options, report: &Report) -> Outcome<()> {
    let one = |f: &FitReport| ByRecorded {
        pieces: f.flakes,
        states: f.states,
        r_squared: f.r_squared,
        left_out_error: f.left_out_error,
    };
    crate::say::json(&Printed {
        name: &o.name,
        offered: report.offered,
        used: report.used,
        fits: report.fits.iter().map(|f| (f.variant.as_str(), one(f))).collect(),
        left_out: super::by_reason(&report.left_out),
    })
}
