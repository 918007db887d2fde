//! An assessment as a page: the forms beside each other in columns, what was left out, the checks of the form to take.

use super::{Assessment, FormAssessment};
use crate::assess::ResidualChecks;
use crate::calibration::Figure;
use crate::error::counted;
use crate::page::{Page, Told, short, unit};
use crate::predict::in_words;
use std::fmt;

/// Reasons told at most.
const TOLD: usize = 6;

/// A figure with its standard error in brackets.
fn bracketed(f: Figure, decimals: usize) -> String {
    match f.standard_error.is_finite() {
        true => format!("{:.decimals$} ({:.decimals$})", f.value, f.standard_error),
        false => format!("{:.decimals$}", f.value),
    }
}

/// A share in percent, with its standard error in brackets.
fn percents(f: Figure) -> String {
    bracketed(Figure { value: 100.0 * f.value, standard_error: 100.0 * f.standard_error }, 1)
}

/// A p-value.
fn probability(p: f64) -> String {
    if p < 0.001 { "<0.001".to_string() } else { format!("{p:.3}") }
}

/// A name that fits a column.
fn cut(name: &str, width: usize) -> String {
    if name.chars().count() <= width {
        return name.to_string();
    }
    name.chars().take(width - 1).chain(['~']).collect()
}

/// A column of a table of forms: its head, its width, and what stands in it.
type Column<'a> = (&'a str, isize, &'a dyn Fn(&FormAssessment) -> String);

impl Assessment {
    /// A page of it all, with the checks of the form to take where there are any (`{:79}` breaks its paragraphs at 79
    /// characters).
    pub fn in_words<'a>(&'a self, checks: Option<&'a ResidualChecks>) -> impl fmt::Display + 'a {
        Told(move |page: &mut Page| self.tell(page, checks))
    }

    /// A line for each form under a line of heads.
    fn table(&self, page: &mut Page, name_width: isize, columns: &[Column]) {
        let widths: Vec<isize> = [-name_width].into_iter().chain(columns.iter().map(|c| c.1)).collect();
        page.columns(&widths, [""].into_iter().chain(columns.iter().map(|c| c.0)));
        for f in &self.forms {
            page.columns(&widths, [cut(&f.name, 21)].into_iter().chain(columns.iter().map(|c| c.2(f))));
        }
    }

    /// Why flakes or whole forms are not used: each reason once, with the forms that give it.
    fn not_used(&self, page: &mut Page) {
        for (name, reason) in &self.left_out {
            page.under("", "  ", format!("{name} is left out: {reason}"));
        }
        let mut told: Vec<(&str, u64, Vec<&str>)> = Vec::new();
        for f in &self.forms {
            for (reason, n) in &f.refused {
                match told.iter_mut().find(|(r, m, _)| r == reason && m == n) {
                    Some((.., forms)) => forms.push(&f.name),
                    None => told.push((reason, *n, vec![&f.name])),
                }
            }
        }
        told.sort_by_key(|(_, n, _)| std::cmp::Reverse(*n));
        for (reason, n, forms) in told.iter().take(TOLD) {
            let all = forms.len() == self.forms.len();
            let by = if all { "all forms".to_string() } else { forms.join(", ") };
            page.under("", "  ", format!("{} not used by {by}: {reason}", counted(*n, "row", "rows")));
        }
        if told.len() > TOLD {
            page.line(format!("and {} further reasons, each in the JSON", told.len() - TOLD));
        }
    }

    fn by_class(&self, page: &mut Page) {
        let mut classes: Vec<&str> = Vec::new();
        for c in self.forms.iter().flat_map(|f| &f.by_class) {
            if !classes.contains(&c.class.as_str()) {
                classes.push(&c.class);
            }
        }
        for class in classes {
            page.line(format!("\nBy {}", in_words(class)));
            let widths = [-11, -22, 6, 13, 11, 5, 5];
            page.columns(&widths, ["", "", "flakes", "CRPS", "95 % holds", "width", "bias"]);
            let levels = self.forms[0].by_class.iter().filter(|c| c.class == class);
            for level in levels.map(|c| c.level.as_str()) {
                for f in &self.forms {
                    let own = f.by_class.iter().find(|c| c.class == class && c.level == level);
                    let Some(s) = own.map(|c| &c.scores) else { continue };
                    let (level, name) = (cut(level, 11), cut(&f.name, 22));
                    let (flakes, holds) = (s.flakes.to_string(), percents(s.coverage[3].inside));
                    let [width, bias] =
                        [&s.coverage[3].ln_width, &s.bias_ln].map(|f| format!("{:.2}", f.value));
                    page.columns(&widths, [level, name, flakes, bracketed(s.crps, 3), holds, width, bias]);
                }
            }
        }
    }

    fn tell(&self, page: &mut Page, checks: Option<&ResidualChecks>) {
        let (what, u) = (in_words(&self.column), unit(&self.column));
        if let Some(verdict) = &self.verdict {
            page.say(verdict);
            page.line("");
        }
        let over = self.over.as_ref().map(|b| format!(", taken over each {b}")).unwrap_or_default();
        page.say(format!(
            "How well the {what} of {} is predicted: {} of {} rows, {}. Standard errors in brackets{over}.",
            if self.as_they_stand { "these flakes" } else { "flakes not yet seen" },
            counted(self.flakes as u64, "flake", "flakes"),
            self.rows,
            self.rule
        ));
        page.line("");
        let mut columns: Vec<Column> = vec![
            ("coef.", 5, &|f| f.coefficients.to_string()),
            ("CRPS", 15, &|f| bracketed(f.overall.crps, 4)),
            ("log score", 15, &|f| bracketed(f.overall.log_score, 4)),
            ("bias", 15, &|f| bracketed(f.overall.bias_ln, 3)),
            ("RMSE", 6, &|f| format!("{:.3}", f.overall.rmse_ln.value)),
            (u, 5, &|f| short(f.overall.rmse.value)),
            ("R2", 5, &|f| format!("{:.2}", f.overall.r_squared.value)),
        ];
        columns
            .retain(|c| if self.as_they_stand { !["coef.", u, "R2"].contains(&c.0) } else { c.0 != "bias" });
        self.table(page, 22, &columns);
        page.line("\nCentral intervals: percent of flakes inside, and how wide they are");
        let inside =
            |f: &FormAssessment, k: usize| format!("{:.1}", 100.0 * f.overall.coverage[k].inside.value);
        let columns: [Column; 7] = [
            ("50 %", 5, &|f| inside(f, 0)),
            ("80 %", 5, &|f| inside(f, 1)),
            ("90 %", 5, &|f| inside(f, 2)),
            ("95 %", 11, &|f| percents(f.overall.coverage[3].inside)),
            ("width", 7, &|f| format!("{:.3}", f.overall.coverage[3].ln_width.value)),
            ("int. score", 12, &|f| bracketed(f.overall.interval_score, 2)),
            ("PIT p", 6, &|f| probability(f.pit.p_value)),
        ];
        self.table(page, 21, &columns);
        self.by_class(page);
        let r = &self.recommendation;
        if self.forms.len() > 1 {
            page.line(format!("\nDifferences from {} on the same flakes (below 0: better)", r.best));
            let widths = [-22, 18, 18, 16];
            page.columns(&widths, ["", "CRPS", "log score", "int. score"]);
            for d in &self.differences {
                let scores =
                    [bracketed(d.crps, 4), bracketed(d.log_score, 4), bracketed(d.interval_score, 3)];
                page.columns(&widths, [cut(&d.first, 21)].into_iter().chain(scores));
            }
        }
        let on_all = self.forms.iter().any(|f| f.own.flakes > self.flakes);
        if on_all {
            page.line(format!("\nEach on all flakes that it can use, of {} with this size", self.with_size));
            let columns: [Column; 6] = [
                ("flakes", 7, &|f| f.own.flakes.to_string()),
                ("CRPS", 15, &|f| bracketed(f.own.crps, 4)),
                ("log score", 15, &|f| bracketed(f.own.log_score, 4)),
                ("RMSE", 6, &|f| format!("{:.3}", f.own.rmse_ln.value)),
                (u, 5, &|f| short(f.own.rmse.value)),
                ("R2", 5, &|f| format!("{:.2}", f.own.r_squared.value)),
            ];
            self.table(page, 22, &columns);
        }
        if !self.as_they_stand {
            page.part(r.sentence());
        }
        self.told_of_repeats().iter().for_each(|told| page.part(told));
        self.not_used(page);
        for form in self.forms.iter().filter(|f| f.overall.atom > 1e-3) {
            let (name, below) = (&form.name, 100.0 * form.overall.atom);
            let text = format!(
                "{name}: {below:.1} % of its predictive lies below zero, where no flake is; the scores are given a size."
            );
            page.under("", "  ", text);
        }
        if let Some(checks) = checks {
            let (take, flakes) = (&r.take, checks.cooks_distances.len());
            page.line(format!("\nChecks of {take}, fitted to all {flakes} flakes by least squares:"));
            for c in &checks.checks {
                let p = c.p_value.map(|p| format!(", p {}", probability(p))).unwrap_or_default();
                let mark = if c.doubtful { " ! " } else { " - " };
                let text = format!("{} ({}: {:.3}{p}). {}", c.name, c.statistic_is, c.statistic, c.advice);
                page.under(mark, "   ", text);
            }
        }
        // of the columns that stand above
        let (column, smaller, r2) = match self.as_they_stand && !on_all {
            true => (String::new(), "", ""),
            false => (format!("; the column {u} is the RMSE in {u}"), ", except R2", " R2,"),
        };
        let (bias, coef) = match self.as_they_stand {
            true => (", bias the mean of ln observed - ln expected (0.69 is twice as much)", ""),
            false => ("", " coef.: coefficients of the form."),
        };
        page.part(format!(
            "CRPS (continuous ranked probability score), log score, RMSE (root mean square error),{r2} width and int. score \
             (interval score) are of ln {what}{bias}{column}. Smaller is better{smaller}.{coef} PIT p: the probability that \
             as uneven a histogram of the probability integral transform comes about by chance if the intervals are right."
        ));
    }
}
