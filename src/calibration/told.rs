//! A calibration as a page for people: where it is from, what its flakes were, and its coefficients.

use super::caution::in_words;
use super::{Calibration, SizeModel, Spread};
use crate::error::counted;
use crate::page::{Page, short, unit};
use std::fmt;

/// The page (`{:79}` breaks its paragraphs at 79 characters).
impl fmt::Display for Calibration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (mut page, p) = (Page::new(f), self.provenance());
        page.line(format!("{}\n", self.name()));
        for (what, text) in
            [("What", &p.summary), ("Source", &p.citation), ("Licence", &p.licence), ("Made by", &p.command)]
        {
            page.under(&format!("  {what:10}"), "            ", text);
        }
        if let Some(stone) = self.stone() {
            page.line(format!("  Stone     {stone}"));
        }
        let seen: Vec<String> =
            self.percussors().iter().map(|p| format!("{} ({})", p.name, p.flakes)).collect();
        if !seen.is_empty() {
            page.under("  Struck by ", "            ", seen.join(", "));
        }
        if !self.not_recorded().is_empty() {
            page.line(format!("  Not known {}", self.not_recorded().join(", ")));
        }
        page.part(
            "For every set of measurements: their ranges, then the coefficients of each size +/- their standard errors.",
        );
        for v in self.variants() {
            page.line(format!("\nBy {}", v.name));
            for r in &v.ranges {
                let (name, low, high) = (in_words(&r.name), short(r.low), short(r.high));
                page.line(format!("  {name} from {low} to {high} {}", unit(&r.name)).trim_end());
            }
            v.sizes.iter().for_each(|m| m.tell(&mut page));
        }
        page.show(f)
    }
}

impl SizeModel {
    fn tell(&self, page: &mut Page) {
        let (size, flakes) =
            (self.form.transform().describe(&self.column), counted(self.flakes, "flake", "flakes"));
        let spread = match &self.spread {
            Spread::Constant { value, degrees_of_freedom } => {
                format!("spread {} (df {degrees_of_freedom:.0})", short(*value))
            }
            Spread::Modelled { .. } => "spread with terms of its own".to_string(),
        };
        // given what was kept there is no share of the variance to tell
        let r2 = if self.r_squared > 0.0 { format!(", R2 {:.3}", self.r_squared) } else { String::new() };
        page.line(format!("\n  {size}: {flakes}{r2}, {spread}"));
        for e in &self.shared {
            page.line(format!("  spread {}", e.in_words()));
        }
        for (i, (name, b)) in self.form.term_names().iter().zip(&self.coefficients).enumerate() {
            let figures = format!("    {b:>11.5}  +/- {:<9.5} ", self.covariance[i][i].sqrt());
            page.under(&figures, &" ".repeat(33), name);
        }
    }
}
