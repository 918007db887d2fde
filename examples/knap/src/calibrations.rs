//! `knap calibrations`: what there is to estimate from.

use crate::blow::calibration;
use crate::failure::Outcome;
use crate::report::{Format, count, print};
use clap::Args;
use conchoid::calibration::bundled::{LOSS, NAMES, RULE};
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
    let in_json = o.format == Format::Json;
    if let Some(name) = &o.name {
        let one = calibration(Some(name), None)?;
        return match in_json {
            true => crate::say::print_json(one.to_json()).map(|()| 0),
            false => print(false, &(), |page| page.told(&one)),
        };
    }
    let one = |name| Ok((name, calibration(Some(name), None)?));
    let all = NAMES.into_iter().chain([LOSS]).map(one).collect::<Outcome<Vec<_>>>()?;
    let listed = |c: &Calibration| Listed {
        provenance: c.provenance().clone(),
        stone: c.stone().map(str::to_string),
        measured_by: c.variants().iter().map(|v| v.name.clone()).collect(),
    };
    let listed: Printed = all.iter().map(|(name, c)| (*name, listed(c))).collect();
    print(in_json, &listed, |page| {
        for (name, c) in &all {
            page.line(name);
            page.under("  ", "  ", &c.provenance().summary);
            for v in c.variants() {
                let n = v.sizes.iter().map(|m| m.flakes).max().unwrap_or(0);
                page.line(format!("  - by {} ({})", v.name, count(n, "flake", "flakes")));
            }
        }
        page.part(RULE);
    })
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
