//! `knap calibrations`: what there is to estimate from.

use crate::blow::calibration;
use crate::failure::Outcome;
use crate::report::{Format, Page, count, short, unit};
use clap::Args;
use conchoid::calibration::bundled::{NAMES, RULE};
use conchoid::calibration::{Calibration, Provenance, SizeModel, Spread};
use conchoid::predict::in_words;
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
        (Some(name), Format::Text) => shown(&calibration(Some(name), None)?).show()?,
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

fn spread(m: &SizeModel) -> String {
    match &m.spread {
        Spread::Constant { value, degrees_of_freedom } => {
            format!("spread {} (df {degrees_of_freedom:.0})", short(*value))
        }
        _ => "spread with terms of its own".to_string(),
    }
}

fn shown(c: &Calibration) -> Page {
    let mut page = Page::default();
    let p = c.provenance();
    page.line(format!("{}\n", c.name()));
    for (what, text) in
        [("What", &p.summary), ("Source", &p.citation), ("Licence", &p.licence), ("Made by", &p.command)]
    {
        page.under(&format!("  {what:10}"), "            ", text);
    }
    if let Some(stone) = c.stone() {
        page.line(format!("  Stone     {stone}"));
    }
    let seen: Vec<String> = c.percussors().iter().map(|p| format!("{} ({})", p.name, p.flakes)).collect();
    if !seen.is_empty() {
        page.under("  Struck by ", "            ", seen.join(", "));
    }
    if !c.not_recorded().is_empty() {
        page.line(format!("  Not known {}", c.not_recorded().join(", ")));
    }
    page.part(
        "For every set of measurements: their ranges, then the coefficients of each size +/- their standard errors.",
    );
    for v in c.variants() {
        page.line(format!("\nBy {}", v.name));
        for r in &v.ranges {
            let (name, low, high, unit) = (in_words(&r.name), short(r.low), short(r.high), unit(&r.name));
            page.line(format!("  {name} from {low} to {high} {unit}").trim_end());
        }
        for m in &v.sizes {
            let (size, flakes) = (m.form.transform().describe(&m.column), count(m.flakes, "flake", "flakes"));
            // given what was kept there is no share of the variance to tell
            let r2 = if m.r_squared > 0.0 { format!(", R2 {:.3}", m.r_squared) } else { String::new() };
            page.line(format!("\n  {size}: {flakes}{r2}, {}", spread(m)));
            for (i, (name, b)) in m.form.term_names().iter().zip(&m.coefficients).enumerate() {
                let figures = format!("    {b:>11.5}  +/- {:<9.5} ", m.covariance[i][i].sqrt());
                page.under(&figures, &" ".repeat(33), name);
            }
        }
    }
    page
}
