//! One page about a table of flakes, in Markdown: what was read and refused, which calibration answered and why, how it
//! fits what was found, how forms fitted to the flakes themselves do, what to doubt, and a paragraph for a paper.

use super::intake::rows_counted;
use super::summary::Summary;
use super::text::rows_told;
use crate::assess::measured::verdict;
use crate::assess::{AsItStands, Assessment, SizeAsItStands};
use crate::calibration::{Calibration, SizeModel, Spread, bundled};
use crate::error::counted;
use crate::page::{begun, percent, short, unit};
use crate::predict::in_words;
use std::fmt::{self, Write};

/// Reasons of refusals told at most.
const TOLD: usize = 20;

/// What is put together for the page; its text is the page.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::table::{TableEstimates, TableOptions, TableReader, TableReport};
/// let text = "flake,platform_depth_mm,exterior_platform_angle_deg\nA1,8,75\nA2,,75\n";
/// let table = TableReader::new(text.as_bytes(), &TableOptions::new())?;
/// let flint = bundled::named("hard-hammer-flint")?;
/// let (_, summary) = TableEstimates::new(flint.clone(), 0.95)?.write(table, std::io::sink(), |_| {})?;
/// let page = TableReport::new("pit.csv", &summary, 0.95).calibration(&flint, "as asked for").to_string();
/// assert!(page.starts_with("# Flakes of pit.csv\n"));
/// assert!(page.contains("- 1 row: no platform depth (row 2)"));
/// assert!(page.contains("## For a methods section") && page.contains(&flint.provenance().citation));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct TableReport<'a> {
    table: String,
    level: f64,
    summary: &'a Summary,
    taken: Option<String>,
    conditions: Vec<String>,
    calibrations: Vec<(&'a Calibration, String)>,
    fit: Vec<SizeAsItStands>,
    compared: Vec<&'a Assessment>,
    pictures: Vec<(String, String)>,
}

impl<'a> TableReport<'a> {
    /// The page of a table of this name, whose estimates have intervals of this level.
    pub fn new(table: &str, summary: &'a Summary, level: f64) -> TableReport<'a> {
        TableReport {
            table: one_line(table),
            level,
            summary,
            taken: None,
            conditions: Vec::new(),
            calibrations: Vec::new(),
            fit: Vec::new(),
            compared: Vec::new(),
            pictures: Vec::new(),
        }
    }

    /// How the table was taken in, as it was asked for (options of a command), and the conditions among it.
    pub fn taken(mut self, how: &str, conditions: &[String]) -> Self {
        self.taken = Some(one_line(how)).filter(|t| !t.is_empty());
        self.conditions = conditions.iter().map(|c| one_line(c)).collect();
        self
    }

    /// A calibration that answered, and why it was taken. May be repeated.
    pub fn calibration(mut self, calibration: &'a Calibration, why: &str) -> Self {
        self.calibrations.push((calibration, why.to_string()));
        self
    }

    /// How it fits what was found.
    pub fn fit(mut self, fit: &AsItStands) -> Self {
        self.fit = fit.sizes();
        self
    }

    /// Forms fitted to these flakes, for one size. May be repeated.
    pub fn compared(mut self, assessment: &'a Assessment) -> Self {
        self.compared.push(assessment);
        self
    }

    /// A picture beside the page: what it shows, and its file. May be repeated.
    pub fn picture(mut self, shows: &str, file: &str) -> Self {
        self.pictures.push((one_line(shows), one_line(file)));
        self
    }

    fn read(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let t = self.summary;
        writeln!(f, "# Flakes of {}\n", self.table)?;
        verdict(&t.measured()).iter().try_for_each(|verdict| writeln!(f, "**{verdict}.**\n"))?;
        writeln!(f, "## What was read\n")?;
        writeln!(
            f,
            "{}: {} answered, {} of them with a remark, {} refused.",
            rows_counted(t.rows()),
            rows_told(t.answered_rows()),
            rows_told(t.remarked),
            rows_told(t.refused_rows())
        )?;
        if let Some(taken) = &self.taken {
            writeln!(f, "Taken in with `{}`.", taken.replace('`', "'"))?;
        }
        let noticed = self.summary.intake().to_string();
        list(f, "Noticed", noticed.lines())?;
        list(f, "Refused", self.summary.refusals().lines(TOLD).iter().map(String::as_str))?;
        list(f, "Remarked", self.summary.remarks().lines(TOLD).iter().map(String::as_str))?;
        for (shows, file) in &self.pictures {
            writeln!(f, "\n![{shows}](<{file}>)")?;
        }
        Ok(())
    }

    fn which(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "\n## The calibration")?;
        for (c, why) in &self.calibrations {
            let p = c.provenance();
            writeln!(f, "\n**{}**, {why}: {}.\n", c.name(), p.summary)?;
            writeln!(f, "- Source: {}\n- Licence: {}", p.citation, p.licence)?;
            let struck: Vec<String> =
                c.percussors().iter().map(|p| format!("{} ({})", p.name, rows_told(p.flakes))).collect();
            if !struck.is_empty() {
                writeln!(f, "- Struck with: {}", struck.join(", "))?;
            }
            if !c.not_recorded().is_empty() {
                writeln!(f, "- Not known of its flakes: {}", c.not_recorded().join(", "))?;
            }
            for (_, variant, n) in self.summary.used().filter(|(name, ..)| *name == c.name()) {
                writeln!(f, "\n### {}, {}", rows_counted(n), variant)?;
                for m in c.variants().iter().filter(|v| v.name == variant).flat_map(|v| &v.sizes) {
                    coefficients(f, m)?;
                }
            }
        }
        Ok(())
    }

    fn fits(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "\n## How it fits these flakes\n")?;
        if self.fit.is_empty() {
            return writeln!(f, "The table holds no sizes of complete flakes to compare with.");
        }
        writeln!(
            f,
            "| size | flakes | inside {} % | observed over expected (95 % interval) | root mean square error | of ln |\n\
             |---|---:|---:|---:|---:|---:|",
            percent(self.level)
        )?;
        for s in &self.fit {
            let share = 100.0 * s.inside as f64 / s.flakes as f64;
            writeln!(
                f,
                "| {} | {} | {} ({share:.1} %) | {}{} | {} {} | {:.3} |",
                in_words(&s.column),
                rows_told(s.flakes),
                rows_told(s.inside),
                short(s.factor),
                between(s, " ("),
                short(s.rmse),
                unit(&s.column),
                s.rmse_ln
            )?;
        }
        writeln!(
            f,
            "\nObserved over expected is the geometric mean over the flakes, the expected size being the median; errors \
             are about that median."
        )
    }

    fn scores(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.compared.is_empty() {
            return Ok(());
        }
        writeln!(f, "\n## Forms fitted to these flakes")?;
        for a in &self.compared {
            let unit = unit(&a.column);
            writeln!(
                f,
                "\n{}, {}: each flake foretold by a fit without it. {} record it. Standard errors in brackets; CRPS is \
                 the continuous ranked probability score, smaller is better.\n\n\
                 | form | flakes | root mean square error, {unit} | of ln | R2 of ln | inside 95 % | CRPS of ln, same {} |\n\
                 |---|---:|---:|---:|---:|---:|---:|",
                begun(&in_words(&a.column)),
                a.rule,
                counted(a.with_size as u64, "flake", "flakes"),
                rows_told(a.flakes as u64)
            )?;
            for form in &a.forms {
                let s = &form.own;
                writeln!(
                    f,
                    "| {} | {} | {} ({}) | {:.3} ({:.3}) | {:.2} | {:.1} % | {:.4} ({:.4}) |",
                    form.name,
                    s.flakes,
                    short(s.rmse.value),
                    short(s.rmse.standard_error),
                    s.rmse_ln.value,
                    s.rmse_ln.standard_error,
                    s.r_squared.value,
                    100.0 * s.coverage.last().map_or(f64::NAN, |c| c.inside.value),
                    form.overall.crps.value,
                    form.overall.crps.standard_error
                )?;
            }
            let mut told: Vec<(&str, Vec<&str>)> = Vec::new();
            for (name, why) in &a.left_out {
                match told.iter_mut().find(|(w, _)| w == why) {
                    Some((_, names)) => names.push(name),
                    None => told.push((why, vec![name])),
                }
            }
            for (why, names) in told {
                writeln!(f, "\nLeft out: {} ({}).", names.join(", "), one_line(why))?;
            }
            a.told_of_repeats().iter().try_for_each(|told| writeln!(f, "\n{told}"))?;
            writeln!(f, "\n{}", &a.recommendation.sentence())?;
        }
        Ok(())
    }

    fn doubts(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let all = self.summary.cautions();
        if all.is_empty() {
            return Ok(());
        }
        writeln!(f, "\n## Cautions\n")?;
        let lines = all.iter().flat_map(|(_, told)| told.lines(TOLD));
        lines.into_iter().try_for_each(|line| writeln!(f, "- {}", one_line(&line)))
    }

    fn methods(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (t, version) = (self.summary, env!("CARGO_PKG_VERSION"));
        let mut text = String::new();
        for (c, _) in &self.calibrations {
            let by: Vec<String> = self
                .summary
                .used()
                .filter(|(name, ..)| *name == c.name())
                .map(|(_, variant, n)| format!("{variant} ({} flakes)", rows_told(n)))
                .collect();
            let by = if by.is_empty() { String::new() } else { format!(" by {}", by.join("; ")) };
            let from = &c.provenance().citation;
            write!(
                text,
                "Expected flake sizes were estimated with conchoid {version} from its calibration {} ({from}){by}. ",
                c.name()
            )?;
        }
        write!(
            text,
            "Intervals are predictive: {} % of flakes like those of the calibration lie inside. Of {}, {} were \
             estimated and {} could not be.",
            percent(self.level),
            rows_counted(t.rows()),
            rows_told(t.answered_rows()),
            rows_told(t.refused_rows())
        )?;
        let moved = self.calibrations.iter().filter_map(|(c, _)| c.distance()).filter(|(_, d)| d.applied);
        let measured_by = match moved.map(|(_, d)| d.sites).max() {
            Some(sites) => {
                let c = bundled::named("excavated-flakes").map_err(|_| fmt::Error)?;
                let (name, from) = (c.name(), &c.provenance().citation);
                write!(
                    text,
                    " Sizes of experiments were moved by their distance from the flakes of {sites} excavated sites, as measured \
                     by {name} ({from}), and intervals hold what sites differ by."
                )?;
                Some(c)
            }
            None => None,
        };
        if !self.conditions.is_empty() {
            write!(text, " These are the rows with {}.", self.conditions.join(" and "))?;
        }
        let found: Vec<String> = self
            .fit
            .iter()
            .map(|s| {
                let (of, n) = (rows_told(s.inside), rows_told(s.flakes));
                let between = between(s, ", 95 % interval (");
                format!(
                    "{} {of} of {n} (observed over expected {}{between})",
                    in_words(&s.column),
                    short(s.factor)
                )
            })
            .collect();
        if !found.is_empty() {
            write!(text, " Of complete flakes, inside their intervals: {}.", found.join("; "))?;
        }
        for a in self.compared.iter().filter(|a| a.recommendation.better_than_mean) {
            let r = &a.recommendation;
            let Some(form) = a.form(&r.take) else { continue };
            write!(
                text,
                " Fitted to these flakes, the form {} foretold {} with a root mean square error of {} {} ({}, {} flakes).",
                r.take,
                in_words(&a.column),
                short(form.own.rmse.value),
                unit(&a.column),
                a.rule,
                form.own.flakes
            )?;
        }
        // numbers that are not to be read are not to be quoted
        if verdict(&t.measured()).is_none() {
            writeln!(f, "\n## For a methods section\n\n{text}")?;
        }
        writeln!(
            f,
            "\n## How to cite\n\n- conchoid, version {version}. Library for the Rust language: flake size and termination \
             from platform, exterior platform angle and percussor."
        )?;
        let used = self.calibrations.iter().map(|(c, _)| *c);
        let beside = measured_by.iter().filter(|m| used.clone().all(|c| c.name() != m.name()));
        let mut all = used.clone().chain(beside);
        all.try_for_each(|c| writeln!(f, "- {}: {}", c.name(), c.provenance().citation))
    }
}

impl fmt::Display for TableReport<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.read(f)?;
        self.which(f)?;
        self.fits(f)?;
        self.scores(f)?;
        self.doubts(f)?;
        self.methods(f)
    }
}

fn list<'l>(f: &mut fmt::Formatter<'_>, what: &str, lines: impl Iterator<Item = &'l str>) -> fmt::Result {
    let mut lines = lines.peekable();
    if lines.peek().is_none() {
        return Ok(());
    }
    writeln!(f, "\n{what}:\n")?;
    lines.try_for_each(|line| writeln!(f, "- {}", one_line(line)))
}

fn coefficients(f: &mut fmt::Formatter<'_>, m: &SizeModel) -> fmt::Result {
    let spread = match &m.spread {
        Spread::Constant { value, .. } => format!("spread {}", short(*value)),
        Spread::Modelled { .. } => "a spread with terms of its own".to_string(),
    };
    let shared: String = m.shared.iter().map(|e| format!(", {}", e.in_words())).collect();
    // of what came off, most of which was not kept, none can be said
    let explained = if m.kept.is_some() { String::new() } else { format!(", R2 {:.3}", m.r_squared) };
    writeln!(
        f,
        "\n{} (form {}): {}{explained}, {spread}{shared}; root mean square error of {} {}.\n\n\
         | term | coefficient | standard error |\n|---|---:|---:|",
        begun(&m.form.transform().describe(&m.column)),
        m.form.name(),
        counted(m.flakes, "flake", "flakes"),
        if m.shared.first().is_some_and(|e| e.groups == 2) { "the form alone" } else { "flakes left out" },
        short(m.left_out_error)
    )?;
    let mut line = |term: &str, b: f64, variance: f64| {
        let b = if b.abs() < 5e-6 { 0.0 } else { b };
        writeln!(f, "| {} | {b:.5} | {:.5} |", term.replace('|', "\\|"), variance.sqrt())
    };
    for (i, (term, b)) in m.form.term_names().iter().zip(&m.coefficients).enumerate() {
        line(term, *b, m.covariance[i][i])?;
    }
    if let Spread::Modelled { coefficients, covariance } = &m.spread {
        let terms = [String::from("intercept")].into_iter().chain(m.form.spread_term_names());
        for (i, (term, c)) in terms.zip(coefficients).enumerate() {
            line(&format!("ln spread: {term}"), *c, covariance[i][i])?;
        }
    }
    Ok(())
}

/// The interval of a factor, where there is one.
fn between(s: &SizeAsItStands, before: &str) -> String {
    match (s.factor_low, s.factor_high) {
        (Some(low), Some(high)) => format!("{before}{} to {})", short(low), short(high)),
        _ => String::new(),
    }
}

/// A text that cannot break out of its line.
fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
