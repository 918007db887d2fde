//! `knap fit`: a calibration from a table of one's own, alone or starting from a published one
//! (`fit/local.rs`), or one of loss from pieces weighed before and after retouch (`fit/loss.rs`).

pub mod local;
pub mod loss;

use crate::failure::{Failure, Outcome, Whose};
use crate::files;
use crate::measured::KeptAbove;
use crate::report::{Format, Page, count, print};
use crate::tables::{self, Table, Twice, save, tell};
use crate::taken::TakenIn;
use clap::Args;
use conchoid::calibration::{
    Calibration, Collector, Inventory, Provenance, Recipe, RecoveryThreshold, Report,
};
use conchoid::flake::ORIGINAL_OVER_NOW;
use conchoid::form::{Form, Term, indicator, value};
use conchoid::material::PercussorMaterial;
use conchoid::strike::Measured;
use conchoid::table::{Header, Offer, QUANTITIES, Row, levels_of};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

#[derive(Args, Clone)]
pub struct Options {
    /// The table; - reads standard input
    table: String,
    /// The sizes to fit, with commas: length_mm, width_mm, thickness_mm, mass_g, by default all that the table has; or
    /// original_over_now, what retouch has taken
    #[arg(value_name = "COLUMNS", value_delimiter = ',')]
    pub response: Vec<String>,
    /// The form: log-log, tangent-power, cube-root, area, area-angle; without it log-log, with a variant for each
    /// set of measurements that the table records
    #[arg(conflicts_with = "starting_from")]
    form: Option<String>,
    /// Update this calibration (a bundled name, or a file) with the flakes of the table; the form is that of
    /// its first variant whose measurements the table has
    starting_from: Option<String>,
    /// A further column of the form: a shift for each level of a class (percussor), a slope for a number
    /// (angle_of_blow_deg); may be repeated
    #[arg(conflicts_with = "starting_from")]
    pub by: Vec<String>,
    /// A column of groups whose flakes share an effect of their own (core, knapper, site): estimates then allow for a
    /// new group, and know the groups of the table; may be repeated, the outer first (knapper, then core)
    #[arg(conflicts_with = "starting_from")]
    pub group: Vec<String>,
    /// A calibration of its own for each value of this column (stone): its name, and the file of --out, end in the
    /// value; with --format json an object a line for each
    by_calibration: Option<String>,
    /// Whether the table was spoken of before.
    #[arg(skip)]
    one_of_several: bool,
    /// Name of the calibration
    name: String,
    /// Where the calibration goes
    out: Option<String>,
    /// The stone that was flaked
    stone: Option<String>,
    /// Fit incomplete and retouched pieces too
    keep_incomplete: bool,
    #[command(flatten)]
    kept: KeptAbove,
    #[command(flatten)]
    pub taken: TakenIn,
    /// How to print the fit
    format: Format,
}

pub fn run(o: &Options) -> Outcome<u8> {
    match (&o.by_calibration, &o.starting_from) {
        (Some(column), _) => by_calibration(o, column),
        (None, Some(from)) => local::run(o, from),
        (None, None) => fresh(o),
    }
}

/// A calibration for each value of a column. One that cannot be fitted does not hold up the others.
fn by_calibration(o: &Options, column: &str) -> Outcome<u8> {
    if o.table == "-" {
        return Err(Failure::usage("--by-calibration reads the table once for each value: name a file"));
    }
    let table = tables::open(&o.table, &o.taken.options(&[], &[])?)?;
    let unknown = || tables::unknown(table.header(), "--by-calibration", column);
    let place = table.header().position(column).ok_or_else(unknown)?;
    let value =
        |row: &Row, _: &str| row.text(place).map(|t| t.trim().to_lowercase()).filter(|t| !t.is_empty());
    let values = tables::entries(table, &o.table, column, value)?;
    if values.is_empty() {
        return Err(Failure::other(format!("{}: nothing is recorded in {column}", o.table)));
    }
    let mut worst = 0;
    for (at, (value, rows)) in values.iter().enumerate() {
        let plain: String = value.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
        let mut one = o.clone();
        (one.by_calibration, one.one_of_several, one.name) = (None, true, format!("{}-{plain}", o.name));
        one.taken.only.push(format!("{column}={value}"));
        if column == "stone" {
            one.stone = Some(value.clone());
        }
        let beside = |out: &String| {
            let kind =
                Path::new(out).extension().map_or(String::new(), |e| format!(".{}", e.to_string_lossy()));
            files::named_after(out, &format!("-{plain}{kind}"), &[&o.table])
        };
        one.out = o.out.as_ref().map(beside).transpose()?;
        if o.format == Format::Text {
            let gap = if at > 0 { "\n" } else { "" };
            writeln!(crate::say::screen(), "{gap}{column} {value}, {}:\n", count(*rows, "row", "rows"))?;
        }
        match run(&one) {
            Ok(code) => worst = worst.max(code),
            Err(f) if f.code == 2 => return Err(f),
            Err(f) => {
                crate::say::aside(&format!("knap: {column} {value} is not fitted: {}", f.message));
                worst = 3;
            }
        }
    }
    Ok(worst)
}

fn fresh(o: &Options) -> Outcome<u8> {
    if let [one] = &o.response[..]
        && one == ORIGINAL_OVER_NOW
    {
        return match &o.form {
            Some(form) => loss::run(o, form),
            None => Err(Failure::usage(format!("--response {one} goes with --form {}", loss::FORM))),
        };
    }
    let (numbers, classes): (Vec<&String>, Vec<&String>) =
        o.by.iter().partition(|c| QUANTITIES.iter().any(|q| q.name() == *c));
    let form = o.form.as_deref().map(Form::named).transpose().asked()?;
    let named = classes.iter().copied().chain(&o.group).map(String::as_str);
    let options = tables::with_classes(o.taken.options(&[], &[])?, named);
    let sizes = o.response.iter().map(|r| tables::size_of(r)).collect::<Outcome<Vec<_>>>()?;
    // a table is read for what it records, for the levels of --by, and for the fit; no row is kept
    let source = Twice::of(&o.table)?;
    let table = source.open(&options)?;
    if !o.one_of_several {
        tables::told(table.header());
    }
    let mut needs: Vec<String> =
        classes.iter().copied().chain(&o.group).chain(&o.response).cloned().collect();
    let form_needs = form.as_ref().map_or(Vec::new(), Form::needs);
    needed_columns(o, table.header(), &[&form_needs[..], &needs].concat())?;
    let mut recipe = match (form, &sizes[..]) {
        (Some(form), [size]) => {
            let mut recipe = Recipe::single(&o.name, size, form, provenance(o)).asked()?;
            recipe.variants[0].sizes[0].column = o.response.concat();
            recipe
        }
        (form, _) => recorded(o, form, table)?,
    };
    recipe.stone = o.stone.as_deref().map(str::to_lowercase);
    recipe.keep_incomplete = o.keep_incomplete;
    recipe = o.group.iter().fold(recipe, |r, group| r.sharing(group));
    needs.extend(recipe.variants.iter().flat_map(|v| &v.sizes).flat_map(|s| s.form.needs()));
    needs.extend(recipe.variants.iter().flat_map(|v| &v.sizes).map(|s| s.column.clone()));
    needs.sort_unstable();
    needs.dedup();
    recipe = recipe.with_terms(numbers.into_iter().map(|n| value(n))).asked()?;
    let mut against = Vec::new();
    if !classes.is_empty() {
        let (shifts, from) = shifts(o, &recipe, &classes, source.open(&options)?, &needs)?;
        recipe = recipe.with_terms(shifts).asked()?;
        against = from;
    }
    needs.extend(tables::state(o.keep_incomplete));
    let kept = o.kept.threshold()?;
    if let Some(kept) = &kept {
        recipe = recipe.given_kept(kept);
        needs.extend(kept.sizes().iter().cloned());
    }
    let mut collector = Collector::new(recipe).asked()?;
    // groups, and what was kept, are looked at row by row
    let in_columns = o.group.is_empty() && kept.is_none();
    collected(o, source.open(&options)?, &needs, in_columns, &mut collector)?;
    let (calibration, report) = collector.finish().of_file(&o.table)?;
    let from = against.iter().map(|(class, level)| (class.as_str(), level.as_str()));
    let printed = Printed {
        name: &o.name,
        shifts_from: (!against.is_empty()).then(|| from.collect()),
        report: &report,
    };
    written(o, &calibration, &printed, |page| {
        page.told(report.in_words(&calibration, &against));
        written_to(page, if report.fits.len() == 1 { "\n" } else { "" }, o);
    })
}

/// The recipe that a table allows by what it records.
fn recorded(o: &Options, form: Option<Form>, table: Table) -> Outcome<Recipe> {
    let mut inventory = Inventory::new(form)?.keep_incomplete(o.keep_incomplete);
    tables::offer(table, (&o.table, "looking at what is recorded"), (&[], &[]), false, |offer| {
        if let Offer::Flake(row) = offer {
            inventory.see(row);
        }
        Ok(())
    })?;
    let columns: Vec<&str> = o.response.iter().map(String::as_str).collect();
    inventory.recipe(&o.name, &columns, provenance(o)).of_file(&o.table)
}

/// Where the flakes come from, with the command that makes the calibration again.
fn provenance(o: &Options) -> Provenance {
    let own = "the user's own";
    Provenance::new("fitted to a table of the user's own", "the user's own records", own, &command(o))
}

fn command(o: &Options) -> String {
    let mut command = "knap fit".to_string();
    let mut add = |option: &str, value: &str| command.push_str(&format!(" --{option} {value}"));
    o.starting_from.iter().for_each(|from| add("starting-from", from));
    if !o.response.is_empty() {
        add("response", &o.response.join(","));
    }
    o.form.iter().for_each(|form| add("form", form));
    add("name", &o.name);
    o.by.iter().for_each(|column| add("by", column));
    o.group.iter().for_each(|column| add("group", column));
    command + &o.kept.command() + &o.taken.command()
}

/// Offers the rows of a table to a fit, and tells of cells that cannot be used.
fn collected(
    o: &Options,
    table: Table,
    needs: &[String],
    numbers: bool,
    collector: &mut Collector,
) -> Outcome<()> {
    let kept = o.kept.threshold()?;
    let made = tables::offer(table, (&o.table, "reading"), (needs, &[]), numbers, |offer| {
        match offer {
            Offer::Numbers(names, columns) => collector.offer_numbers(names, columns)?,
            Offer::Flake(row) => held(kept.as_ref(), row, collector.offer(row))?,
            Offer::LeftOut(reason) => collector.leave_out(reason),
            _ => {}
        }
        Ok(())
    })?;
    tell(&made);
    Ok(())
}

/// Refuses a flake that was used although it is below the recovery threshold.
fn held(kept: Option<&RecoveryThreshold>, row: &Row, left_out: Option<String>) -> conchoid::Result<()> {
    match (kept, left_out) {
        (Some(kept), None) => kept.check(row).map_err(|e| e.in_row(row.row_number())),
        _ => Ok(()),
    }
}

/// The terms of `--by`, and for each class the level that the others are compared with.
type Shifts = (Vec<Term>, Vec<(String, String)>);

/// One shift a level, against the level of most flakes, counting the flakes that the form can use.
fn shifts(
    o: &Options,
    plain: &Recipe,
    classes: &[&String],
    table: Table,
    needs: &[String],
) -> Outcome<Shifts> {
    let mut probe = Collector::new(plain.clone())?;
    let names: Vec<String> = classes.iter().map(|c| c.to_string()).collect();
    let usable = |row: &Row| probe.offer(row).is_none();
    let levels = levels_of(table, needs, &names, tables::progress("looking for levels"), usable, level_of);
    let levels = levels.of_file(&o.table)?;
    let (mut terms, mut against) = (Vec::new(), Vec::new());
    for (class, levels) in classes.iter().zip(levels) {
        let Some(((first, _), others)) = levels.split_first().filter(|(_, others)| !others.is_empty()) else {
            let found = levels.first().map_or("none".to_string(), |l| format!("only {}", l.0));
            return Err(Failure::other(format!(
                "{}: --by {class} needs flakes of at least two levels (found: {found})",
                o.table
            )));
        };
        terms.extend(others.iter().map(|(level, _)| indicator(class, level)));
        against.push((class.to_string(), first.clone()));
    }
    Ok((terms, against))
}

/// The level of a class in a row; the class of a percussor may have to be looked up.
fn level_of(row: &Row, class: &str) -> Option<String> {
    let own = Measured::class(row, class).map(str::to_string);
    own.or_else(|| {
        let named = Measured::class(row, "percussor").filter(|_| class == "percussor_class")?;
        Some(PercussorMaterial::named(named).ok()?.class().to_string())
    })
}

/// Writes the calibration where that was asked for, and prints what was fitted.
fn written(
    o: &Options,
    calibration: &Calibration,
    printed: &impl Serialize,
    tell: impl FnOnce(&mut Page),
) -> Outcome<u8> {
    if let Some(out) = &o.out {
        save(out, &calibration.to_json())?;
    }
    print(o.format == Format::Json, printed, tell)
}

/// Refuses a table that lacks a column.
fn needed_columns(o: &Options, header: &Header, needs: &[String]) -> Outcome<()> {
    let needs: Vec<&String> = needs.iter().filter(|c| *c != "percussor_class").collect();
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

/// Where the calibration went, and what to do with it.
pub fn written_to(page: &mut Page, gap: &str, o: &Options) {
    if let Some(path) = &o.out {
        page.line(format!("{gap}Written to {path}; use it with: knap estimate --calibration {path}"));
    }
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    name: &'a str,
    /// The level that the others of a class are compared with.
    #[serde(skip_serializing_if = "Option::is_none")]
    shifts_from: Option<BTreeMap<&'a str, &'a str>>,
    #[serde(flatten)]
    report: &'a Report,
}
