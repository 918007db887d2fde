//! `knap fit`: a calibration from a table of one's own, alone or starting from a published one
//! (`fit/local.rs`), or one of loss from pieces weighed before and after retouch (`fit/loss.rs`).

mod local;
mod loss;

use crate::failure::{Failure, Outcome};
use crate::report::{Format, Ordered, count, short, wrapped};
use crate::tables::{self, Progress, Sink, Table};
use crate::taken::TakenIn;
use clap::Args;
use conchoid::calibration::{Calibration, Collector, Provenance, Recipe, Report, Spread, Taken};
use conchoid::flake::ORIGINAL_OVER_NOW;
use conchoid::form::{Form, PERCUSSOR_CLASS, Term, indicator, value};
use conchoid::material::PercussorMaterial;
use conchoid::predict::in_words;
use conchoid::strike::Measured;
use conchoid::table::{
    CLASSES, Header, Offer, OffersMade, QUANTITIES, Row, TableOptions, levels_of, offer_each,
};
use std::io::Write;

pub const EXAMPLES: &str = "\
Examples:
  knap fit --table mine.csv --response mass_g --form log-log --name mine --out mine.json
  knap fit --table mine.csv --response length_mm --form log-log --where percussor=antler \\
       --name mine-antler --out antler.json
  knap fit --table saturday.csv --response mass_g --form log-log --by percussor --name saturday \
       --out saturday.json
  knap fit --table saturday.csv --response mass_g --form log-log --group knapper --name saturday \
       --out saturday.json
  knap fit --starting-from hard-hammer-flint --table mine.csv --response mass_g --name mine \\
       --out mine.json
  knap fit --table scrapers.csv --response original_over_now --form retouch --name scrapers --out scrapers.json
Forms: log-log (depth, angle), tangent-power (depth, tangent of the angle, below 90 degrees), cube-root
(depth, angle and their product), area, area-angle. Incomplete and retouched pieces are left out.
--by fits the flakes of all percussors together with a shift for each (what knap plan plans for); estimates
then take --percussor, and are averaged over the percussors of the table without it.
--group lets the flakes of one core, knapper or site share what they have in common beyond their platforms. The
interval of a flake from a new group is wider for it; a row that names a group of the table is shifted and narrowed.
original_over_now with the form retouch makes a calibration of loss, for knap original, from the columns
original_mass_g, mass_now_g, retouch_height_1_mm, thickness_at_1_mm ... (or retouch_index), and flake, the name of
a piece that stands in several rows, after each resharpening.";

#[derive(Args)]
pub struct Options {
    /// The table; - reads standard input
    #[arg(long, value_name = "FILE")]
    table: String,
    /// The size to fit: length_mm, width_mm, thickness_mm, mass_g; or original_over_now, what retouch has taken
    #[arg(long, value_name = "COLUMN")]
    response: String,
    /// The form: log-log, tangent-power, cube-root, area, area-angle
    #[arg(
        long,
        value_name = "FORM",
        required_unless_present = "starting_from",
        conflicts_with = "starting_from"
    )]
    form: Option<String>,
    /// Update this calibration (a bundled name, or a file) with the flakes of the table; the form is that of
    /// its first variant whose measurements the table has
    #[arg(long, value_name = "NAME|FILE")]
    starting_from: Option<String>,
    /// How much a flake of that calibration counts beside one of the table, 0 to 1; without it what predicts
    /// the table best, or 0.2 for few flakes
    #[arg(long, value_name = "A", allow_negative_numbers = true)]
    discount: Option<f64>,
    /// A further column of the form: a shift for each level of a class (percussor), a slope for a number
    /// (angle_of_blow_deg); may be repeated
    #[arg(long, value_name = "COLUMN", conflicts_with = "starting_from")]
    by: Vec<String>,
    /// A column of groups whose flakes share an effect of their own (core, knapper, site): estimates then allow for a
    /// new group, and know the groups of the table; may be repeated, the outer first (knapper, then core)
    #[arg(long, value_name = "COLUMN", conflicts_with = "starting_from")]
    group: Vec<String>,
    /// Name of the calibration
    #[arg(long)]
    name: String,
    /// Where the calibration goes
    #[arg(long, value_name = "FILE")]
    out: Option<String>,
    /// The stone that was flaked
    #[arg(long, value_name = "STONE")]
    stone: Option<String>,
    /// Fit incomplete and retouched pieces too
    #[arg(long)]
    keep_incomplete: bool,
    #[command(flatten)]
    taken: TakenIn,
    /// How to print the fit
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

pub fn run(o: &Options) -> Outcome<u8> {
    if o.discount.is_some() && o.starting_from.is_none() {
        return Err(Failure::usage("--discount goes with --starting-from"));
    }
    match (&o.starting_from, &o.form) {
        (Some(from), _) => local::run(o, from),
        (None, Some(form)) if o.response == ORIGINAL_OVER_NOW => loss::run(o, form),
        (None, Some(form)) => fresh(o, form),
        (None, None) => Err(Failure::usage("--form or --starting-from is needed")),
    }
}

fn fresh(o: &Options, name: &str) -> Outcome<u8> {
    let mut form = Form::named(name).map_err(Failure::of_options)?;
    let (numbers, classes): (Vec<&String>, Vec<&String>) =
        o.by.iter().partition(|c| QUANTITIES.iter().any(|q| q.name() == *c));
    form = form.with_terms(numbers.into_iter().map(|n| value(n))).map_err(Failure::of_options)?;
    let known = ["length_mm", "width_mm", "thickness_mm", "mean_thickness_mm", "max_thickness_mm", "mass_g"];
    if !known.contains(&o.response.as_str()) {
        let e = conchoid::Error::unknown_name("--response", &o.response, known);
        return Err(Failure::usage(e.to_string()));
    }
    let mut command = format!("knap fit --response {} --form {name} --name {}", o.response, o.name);
    for by in &o.by {
        command.push_str(&format!(" --by {by}"));
    }
    for group in &o.group {
        command.push_str(&format!(" --group {group}"));
    }
    command.push_str(&o.taken.command());
    let provenance = Provenance::new(
        "fitted to a table of the user's own",
        "the user's own records",
        "the user's own",
        &command,
    );
    let size = if o.response.ends_with("thickness_mm") { "thickness_mm" } else { &o.response };
    let mut recipe = Recipe::single(&o.name, size, form, provenance);
    recipe.variants[0].sizes[0].column = o.response.clone();
    recipe.stone = o.stone.as_deref().map(str::to_lowercase);
    recipe.keep_incomplete = o.keep_incomplete;
    let recipe = o.group.iter().fold(recipe, |r, group| r.sharing(group));
    let needs = recipe.variants[0].sizes[0].form.needs();
    let mut options = o.taken.options(None, &[])?;
    for c in classes.iter().copied().chain(&o.group) {
        if !CLASSES.contains(&c.as_str()) && *c != PERCUSSOR_CLASS {
            options = options.class(c.as_str());
        }
    }
    let needs: Vec<String> = needs
        .into_iter()
        .chain(classes.iter().map(|c| c.to_string()))
        .chain(o.group.clone())
        .chain([o.response.clone()])
        .collect();
    if !classes.is_empty() {
        return by_class(o, name, recipe, &classes, &options, &needs);
    }
    let table = tables::open(&o.table, &options)?;
    needed_columns(o, table.header(), &needs)?;
    let mut collector = Collector::new(recipe)?;
    collected(o, table, &needs, &mut collector)?;
    written(o, name, collector, &[])
}

/// Offers the rows of a table to a fit, and tells of cells that cannot be used.
fn collected(o: &Options, table: Table, needs: &[String], collector: &mut Collector) -> Outcome<()> {
    offered(o, table, needs, |offer| {
        match offer {
            Offer::Numbers(names, columns) => collector.offer_numbers(names, columns)?,
            Offer::Flake(row) => drop(collector.offer(row)),
            Offer::LeftOut(reason) => collector.leave_out(reason),
            _ => {}
        }
        Ok(())
    })
}

/// The same for whatever takes the rows.
fn offered(
    o: &Options,
    table: Table,
    needs: &[String],
    take: impl FnMut(Offer<'_>) -> conchoid::Result<()>,
) -> Outcome<()> {
    let progress = Progress::new("reading");
    // groups are looked at row by row
    let numbers = o.group.is_empty();
    let made = offer_each(table, needs, numbers, |rows| progress.at(rows), take);
    let made = made.map_err(|e| Failure::other(format!("{}: {e}", o.table)))?;
    progress.finish();
    tell(&made);
    Ok(())
}

/// Tells what was noticed while a table was read, and why cells cannot be used.
pub fn tell(made: &OffersMade) {
    for line in made.intake.to_string().lines() {
        note!("knap: {line}");
    }
    for line in made.bad.lines(8) {
        note!("knap: not used, {line}");
    }
}

/// A fit with shifts by class. The table is read twice: for the levels, then for the fit; no row is kept.
fn by_class(
    o: &Options,
    name: &str,
    mut recipe: Recipe,
    classes: &[&String],
    options: &TableOptions,
    needs: &[String],
) -> Outcome<u8> {
    let source = tables::Twice::of(&o.table)?;
    let table = source.open(options)?;
    tables::told(table.header());
    needed_columns(o, table.header(), needs)?;
    let shifts = shifts(o, &recipe, classes, table, needs)?;
    let form = &mut recipe.variants[0].sizes[0].form;
    *form = form.clone().with_terms(shifts.terms).map_err(Failure::of_options)?;
    recipe.variants[0].name = form.needs().join(", ");
    recipe.settings.extend(classes.iter().map(|c| c.to_string()));
    let mut collector = Collector::new(recipe)?;
    collected(o, source.open(options)?, needs, &mut collector)?;
    written(o, name, collector, &shifts.against)
}

/// The terms of `--by`, and for each class the level that the others are compared with.
struct Shifts {
    terms: Vec<Term>,
    against: Vec<(String, String)>,
}

/// One shift a level, against the level of most flakes, counting the flakes that the form can use.
fn shifts(
    o: &Options,
    plain: &Recipe,
    classes: &[&String],
    table: Table,
    needs: &[String],
) -> Outcome<Shifts> {
    let mut probe = Collector::new(plain.clone())?;
    let progress = Progress::new("looking for levels");
    let names: Vec<String> = classes.iter().map(|c| c.to_string()).collect();
    let usable = |row: &Row| probe.offer(row) == Taken::Used;
    let levels = levels_of(table, needs, &names, |rows| progress.at(rows), usable, level_of);
    let levels = levels.map_err(|e| Failure::other(format!("{}: {e}", o.table)))?;
    progress.finish();
    let mut out = Shifts { terms: Vec::new(), against: Vec::new() };
    for (class, levels) in classes.iter().zip(levels) {
        let Some(((first, _), others)) = levels.split_first().filter(|(_, others)| !others.is_empty()) else {
            let found = levels.first().map_or("none".to_string(), |l| format!("only {}", l.0));
            return Err(Failure::other(format!(
                "{}: --by {class} needs flakes of at least two levels (found: {found})",
                o.table
            )));
        };
        out.terms.extend(others.iter().map(|(level, _)| indicator(class, level)));
        out.against.push((class.to_string(), first.clone()));
    }
    Ok(out)
}

/// The level of a class in a row; the class of a percussor may have to be looked up.
fn level_of(row: &Row, class: &str) -> Option<String> {
    let own = Measured::class(row, class).map(str::to_string);
    own.or_else(|| {
        let named = Measured::class(row, "percussor").filter(|_| class == PERCUSSOR_CLASS)?;
        Some(PercussorMaterial::named(named).ok()?.class().to_string())
    })
}

/// Fits what was collected, writes the calibration and prints.
fn written(o: &Options, name: &str, collector: Collector, against: &[(String, String)]) -> Outcome<u8> {
    let (calibration, report) =
        collector.finish().map_err(|e| Failure::other(format!("{}: {e}", o.table)))?;
    if let Some(out) = &o.out {
        let mut sink = Sink::open(Some(out))?;
        sink.write_all(calibration.to_json().as_bytes())?;
        sink.finish()?;
    }
    match o.format {
        Format::Json => json(o, name, (&calibration, &report), against).print()?,
        Format::Text => print_text(o, name, (&calibration, &report), against)?,
    }
    Ok(0)
}

/// Refuses a table that lacks a column.
fn needed_columns(o: &Options, header: &Header, needs: &[String]) -> Outcome<()> {
    let needs: Vec<&String> = needs.iter().filter(|c| *c != PERCUSSOR_CLASS).collect();
    header.need(&needs).map_err(|e| match e {
        conchoid::Error::Missing { at, .. } => {
            let names: Vec<String> = header.names().map(str::to_string).collect();
            let column = at.column.unwrap_or_default();
            let e = conchoid::Error::unknown_name("column needed by the fit", column, names);
            Failure::other(format!("{}: {e}; map another with --column", o.table))
        }
        e => Failure::other(format!("{}: {e}", o.table)),
    })
}

fn print_text(
    o: &Options,
    form_name: &str,
    (calibration, report): (&Calibration, &Report),
    against: &[(String, String)],
) -> Outcome<()> {
    let mut out = crate::say::screen();
    for (f, m) in report.fits.iter().zip(calibration.variants().iter().flat_map(|v| &v.sizes)) {
        let form = Form::named(form_name)?;
        let head =
            format!("{} by {} (form {})", form.transform().describe(&o.response), f.variant, form_name);
        writeln!(out, "{}\n", wrapped(&head, "", "  ", 79))?;
        let width = f.terms.iter().map(|t| t.chars().count()).max().unwrap_or(0);
        writeln!(out, "  {:width$}  {:>12}  {:>12}", "", "coefficient", "std. error")?;
        for (i, (t, b)) in f.terms.iter().zip(&m.coefficients).enumerate() {
            let se = m.covariance[i][i].sqrt();
            writeln!(out, "  {t:width$}  {b:>12.6}  {se:>12.6}")?;
        }
        for (class, level) in against {
            let text = format!("A coefficient of {} is a shift from {level}.", in_words(class));
            writeln!(out, "\n{}", wrapped(&text, "  ", "  ", 79))?;
        }
        writeln!(out)?;
        if let Spread::Constant { value, degrees_of_freedom } = m.spread {
            let of = m.shared.last().map_or(String::new(), |e| format!(" between flakes of one {}", e.by));
            let df = match f.adjusted_r_squared {
                Some(_) => format!("{degrees_of_freedom}"),
                None => format!("{degrees_of_freedom:.1}"),
            };
            writeln!(out, "  spread {}{of}, on {df} degrees of freedom", short(value))?;
        }
        for e in &m.shared {
            let sd = short(e.covariance[0][0].sqrt());
            writeln!(out, "  spread {sd} between the {} groups of {}", e.groups, e.by)?;
        }
        match f.adjusted_r_squared {
            Some(adjusted) => writeln!(
                out,
                "  R2 {:.4} (adjusted {adjusted:.4}); leave-one-out error {}",
                m.r_squared,
                short(f.left_out_error)
            )?,
            None => {
                let groups = m.shared.first().map_or("parts".to_string(), |e| format!("groups of {}", e.by));
                let error = short(f.left_out_error);
                writeln!(
                    out,
                    "  R2 {:.4} without the groups; error with whole {groups} left out {error}",
                    m.r_squared
                )?;
            }
        }
    }
    writeln!(
        out,
        "\n{} used, {} left out",
        count(report.used, "flake", "flakes"),
        report.offered - report.used
    )?;
    for (reason, n) in &report.left_out {
        writeln!(out, "{}", wrapped(&format!("{n}: {reason}"), "  ", "     ", 79))?;
    }
    if let Some(path) = &o.out {
        writeln!(out, "\nWritten to {path}; use it with: knap estimate --calibration {path}")?;
    }
    Ok(())
}

fn json(
    o: &Options,
    form: &str,
    (calibration, report): (&Calibration, &Report),
    against: &[(String, String)],
) -> Ordered {
    let mut out = Ordered::default();
    out.put("name", &o.name).put("response", &o.response).put("form", form);
    if let (Some(f), m) = (report.fits.first(), &calibration.variants()[0].sizes[0]) {
        let mut coefficients = Ordered::default();
        for (i, (t, b)) in f.terms.iter().zip(&m.coefficients).enumerate() {
            let se = m.covariance[i][i].sqrt();
            let mut one = Ordered::default();
            one.put("value", b).put("standard_error", se);
            coefficients.nest(t, one);
        }
        out.nest("coefficients", coefficients);
        if !against.is_empty() {
            let mut from = Ordered::default();
            for (class, level) in against {
                from.put(class, level);
            }
            out.nest("shifts_from", from);
        }
        if let Spread::Constant { value, degrees_of_freedom } = m.spread {
            out.put("spread", value).put("degrees_of_freedom", degrees_of_freedom);
        }
        if !m.shared.is_empty() {
            let mut groups = Ordered::default();
            for e in &m.shared {
                let mut one = Ordered::default();
                one.put("groups", e.groups).put("spread", e.covariance[0][0].sqrt());
                groups.nest(&e.by, one);
            }
            out.nest("shared", groups);
        }
        out.put("r_squared", m.r_squared);
        if let Some(adjusted) = f.adjusted_r_squared {
            out.put("adjusted_r_squared", adjusted);
        }
        out.put("left_out_error", f.left_out_error).put("left_out_flakes", f.left_out_flakes);
        out.put("aic_own_unit", f.aic_own_unit);
    }
    out.put("used", report.used);
    let mut left_out = Ordered::default();
    for (reason, n) in &report.left_out {
        left_out.put(reason, n);
    }
    out.nest("left_out", left_out);
    out
}
