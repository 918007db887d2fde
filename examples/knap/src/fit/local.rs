//! `knap fit --starting-from`: a published calibration updated with the flakes of a table.

use super::{Options, by_reason, command, needed_columns, reasons, written, written_to};
use crate::blow::calibration;
use crate::failure::{Failure, Outcome, Whose};
use crate::report::{Ends, Page, count, percent, short};
use crate::tables;
use conchoid::calibration::{Calibration, Local, LocalReport, SizeModel, Spread, TypicalPlatform};
use conchoid::predict::{Ask, Interval, Predictor, in_words};
use conchoid::table::Offer;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// Probability inside the intervals that are compared.
const LEVEL: f64 = 0.95;

/// What the words of the text mean.
const OWN: &str = "\"Own only\" is the fit to the local flakes alone.";

pub fn run(o: &Options, from: &str) -> Outcome<u8> {
    let [response] = &o.response[..] else {
        return Err(Failure::usage("--starting-from updates one size: name it with --response"));
    };
    let start = calibration(Some(from), None)?;
    let sizes: Vec<&SizeModel> = start.variants().iter().flat_map(|v| &v.sizes).collect();
    if !sizes.iter().any(|m| m.size == *response || m.column == *response) {
        let mut names: Vec<&str> = sizes.iter().map(|m| m.size.as_str()).collect();
        names.dedup();
        return Err(Failure::unknown("--response", response, names));
    }
    let options = o.taken.options(Some(&start), &[])?;
    let table = tables::open(&o.table, &options)?;
    let mut local = {
        let header = table.header();
        let has = |column: &str| header.column(column).is_some();
        let local = Local::new(&start, response, has);
        local.map_err(|e| Failure::other(format!("{}: {e}; map another with --column", o.table)))?
    };
    let kept = o.kept.threshold()?;
    if let Some(kept) = &kept {
        local = local.given_kept(kept.clone()).asked()?;
    }
    local = local.keep_incomplete(o.keep_incomplete);
    let needs = local.needs();
    needed_columns(o, table.header(), &needs)?;
    tables::tell(&tables::offer(table, (&o.table, "reading"), &needs, false, |offer| {
        match offer {
            Offer::Flake(row) => super::held(kept.as_ref(), row, local.offer(row))?,
            Offer::LeftOut(reason) => local.leave_out(reason),
            _ => {}
        }
        Ok(())
    })?);
    let (mut mine, report) = local.finish(&o.name, &command(o)).of_file(&o.table)?;
    if let Some(stone) = &o.stone {
        mine = mine.of_stone(stone);
    }
    let compared = compare(&report, &mine)?;
    let page = text(o, response, &report, &mine, &compared);
    written(o, &mine, &printed(o, response, &report, &mine, &compared), page)
}

/// A platform such as the local flakes have, and what is expected of it before and after.
#[derive(Serialize, JsonSchema)]
struct Answered<'a> {
    #[serde(skip)]
    platform: &'a TypicalPlatform,
    #[serde(flatten)]
    numbers: BTreeMap<&'a str, f64>,
    #[serde(flatten)]
    classes: BTreeMap<&'a str, &'a str>,
    published: Interval,
    updated: Interval,
}

fn compare<'a>(report: &'a LocalReport, mine: &Calibration) -> Outcome<Vec<Answered<'a>>> {
    let (before, after) = (Predictor::new(report.before.clone())?, Predictor::new(mine.clone())?);
    let interval = |p: &Predictor, platform: &TypicalPlatform| -> Outcome<Interval> {
        let e = p.estimate(platform, &Ask::default())?;
        let own = e.sizes.iter().find(|s| s.size == report.size).unwrap_or(&e.sizes[0]);
        Ok(own.predictive.interval(LEVEL)?)
    };
    let one = |platform: &'a TypicalPlatform| {
        Ok(Answered {
            platform,
            numbers: platform.numbers.iter().map(|(n, v)| (n.as_str(), *v)).collect(),
            classes: platform.classes.iter().map(|(n, l)| (n.as_str(), l.as_str())).collect(),
            published: interval(&before, platform)?,
            updated: interval(&after, platform)?,
        })
    };
    report.platforms.iter().map(one).collect()
}

/// The model of a size in a calibration that was updated, or in its start, by what is measured.
fn model<'a>(calibration: &'a Calibration, size: &str) -> (&'a str, &'a SizeModel) {
    let variant = &calibration.variants()[0];
    (&variant.name, variant.sizes.iter().find(|m| m.size == size).unwrap_or(&variant.sizes[0]))
}

/// The spread of a model in words; where it has terms of its own, its constant.
fn spread(m: &SizeModel) -> f64 {
    match &m.spread {
        Spread::Constant { value, .. } => *value,
        Spread::Modelled { coefficients, .. } => coefficients.first().map_or(f64::NAN, |c| c.exp()),
        _ => f64::NAN,
    }
}

fn text(o: &Options, response: &str, r: &LocalReport, mine: &Calibration, compared: &[Answered]) -> Page {
    let mut page = Page::default();
    let [(variant, m), (_, updated)] = [&r.before, mine].map(|c| model(c, &r.size));
    let (size, form) = (m.form.transform().describe(response), m.form.name());
    let used = count(r.used, "local flake", "local flakes");
    page.say(format!("{size} by {} (form {form}): {}, updated with {used}", variant, r.before.name()));
    let terms = m.form.term_names();
    // three columns of figures stand right of the terms; a longer term has a line of its own
    let longest = terms.iter().map(|t| t.chars().count()).max().unwrap_or(0);
    let width = longest.clamp(6, 36);
    let line = |term: &str, [before, after, own]: [String; 3]| {
        format!("  {term:width$}  {before:>12}  {after:>12}  {own:>12}")
    };
    page.gap();
    page.line(line("", ["published", "updated", "own only"].map(String::from)));
    for (j, term) in terms.iter().enumerate() {
        let long = term.chars().count() > width;
        if long {
            page.under("  ", "    ", term);
        }
        let own = r.own_coefficients.as_ref().map_or("-".to_string(), |own| format!("{:.6}", own[j]));
        let [before, after] = [m, updated].map(|m| format!("{:.6}", m.coefficients[j]));
        page.line(line(if long { "" } else { term }, [before, after, own]));
    }
    let own = match (r.own_spread, &m.spread) {
        (Some(own), Spread::Constant { .. }) => short(own),
        _ => "-".to_string(),
    };
    page.line(line("spread", [short(spread(m)), short(spread(updated)), own]));
    let tell = match m.shared.is_empty() {
        true => "how far their own place lies from the experiment",
        false => "the effect of their own group",
    };
    page.part(format!("The local flakes tell {tell}. {OWN}"));
    page.line(format!("\n{} % of such flakes fall inside, {response}:\n", percent(LEVEL)));
    let first = |c: &Answered| c.platform.numbers.first().cloned().unwrap_or_default();
    let by = compared.first().map_or(String::new(), |c| in_words(&first(c).0));
    page.line(format!("  {:8}  {by:>14}  {:>24}  {:>24}", "", "published", "updated"));
    for c in compared {
        let (at, before, after) = (short(first(c).1), c.published.told(), c.updated.told());
        page.line(format!("  {:8}  {at:>14}  {before:>24}  {after:>24}", c.platform.name));
    }
    if let Some(c) = compared.first() {
        let rest = c.platform.numbers.iter().skip(1).map(|(n, v)| format!(", {} {}", in_words(n), short(*v)));
        let classes = c.platform.classes.iter().map(|(n, l)| format!(", {} {l}", in_words(n)));
        let rest: String = rest.chain(classes).collect();
        let at = if compared.len() == 1 { "median" } else { "10, 50 and 90 % quantile" };
        page.part(format!("With {by} at the {at} of the local flakes{rest}."));
    }
    page.line(format!("\n{used} used, {} left out", r.offered - r.used));
    reasons(&mut page, &r.left_out);
    page.mind(&r.cautions);
    written_to(&mut page, "\n", o);
    page
}

/// A number before and after, and by the local flakes alone.
#[derive(Serialize, JsonSchema)]
struct Moved {
    published: f64,
    updated: f64,
    own: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    standard_error: Option<f64>,
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    name: &'a str,
    response: &'a str,
    form: &'a str,
    started_from: &'a str,
    measured_by: &'a str,
    coefficients: BTreeMap<String, Moved>,
    spread: Moved,
    platforms: BTreeMap<&'a str, &'a Answered<'a>>,
    used: u64,
    left_out: BTreeMap<&'a str, u64>,
    /// What limits the update.
    cautions: &'a [String],
}

fn printed<'a>(
    o: &'a Options,
    response: &'a str,
    r: &'a LocalReport,
    mine: &'a Calibration,
    compared: &'a [Answered],
) -> Printed<'a> {
    let [(variant, published), (_, updated)] = [model(&r.before, &r.size), model(mine, &r.size)];
    let moved = |j: usize| Moved {
        published: published.coefficients[j],
        updated: updated.coefficients[j],
        own: r.own_coefficients.as_ref().map(|own| own[j]),
        standard_error: Some(updated.covariance[j][j].sqrt()),
    };
    let constant = matches!(published.spread, Spread::Constant { .. });
    Printed {
        name: &o.name,
        response,
        form: published.form.name(),
        started_from: r.before.name(),
        measured_by: variant,
        coefficients: published
            .form
            .term_names()
            .into_iter()
            .enumerate()
            .map(|(j, t)| (t, moved(j)))
            .collect(),
        spread: Moved {
            published: spread(published),
            updated: spread(updated),
            own: r.own_spread.filter(|_| constant),
            standard_error: None,
        },
        platforms: compared.iter().map(|c| (c.platform.name, c)).collect(),
        used: r.used,
        left_out: by_reason(&r.left_out),
        cautions: &r.cautions,
    }
}
