//! `knap calibrations`: what there is to estimate from.

use crate::blow::calibration;
use crate::failure::Outcome;
use crate::report::{Format, Page, count};
use clap::Args;
use conchoid::calibration::bundled::{NAMES, RULE};
use conchoid::calibration::{Calibration, Provenance};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Args)]
pub struct Options {
    /// Show this one: a bundled name, or a file
    #[arg(index = 1)]
    name: Option<String>,
    /// How to print
    format: Format,
}

pub fn run(o: &Options) -> Outcome<u8> {
    match (&o.name, o.format) {
        (None, Format::Json) => {
            let one = |name| Ok((name, Listed::of(&calibration(Some(name), None)?)));
            crate::say::json(&NAMES.into_iter().map(one).collect::<Outcome<Printed>>()?)?;
        }
        (None, Format::Text) => {
            let mut page = Page::default();
            for name in NAMES {
                let c = calibration(Some(name), None)?;
                page.line(name);
                page.under("  ", "  ", &c.provenance().summary);
                for v in c.variants() {
                    let n = v.sizes.iter().map(|m| m.flakes).max().unwrap_or(0);
                    page.line(format!("  - by {} ({})", v.name, count(n, "flake", "flakes")));
                }
            }
            page.part(RULE);
            page.show()?;
        }
        (Some(name), Format::Json) => {
            crate::say::print_json(calibration(Some(name), None)?.to_json())?;
        }
        (Some(name), Format::Text) => {
            let mut page = Page::default();
            page.told(calibration(Some(name), None)?);
            page.show()?;
        }
    }
    Ok(0)
}

/// What is printed as JSON: each calibration by its name.
pub type Printed = BTreeMap<&'static str, Listed>;

/// A calibration, in short.
#[derive(Serialize, JsonSchema)]
pub struct Listed {
    #[serde(flatten)]
    provenance: Provenance,
    stone: Option<String>,
    measured_by: Vec<String>,
}

impl Listed {
    fn of(c: &Calibration) -> Listed {
        Listed {
            provenance: c.provenance().clone(),
            stone: c.stone().map(str::to_string),
            measured_by: c.variants().iter().map(|v| v.name.clone()).collect(),
        }
    }
}
