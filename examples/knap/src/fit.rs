//! `knap fit`: a calibration from a table of one's own, alone or starting from a published one
//! (`fit/local.rs`), or one of loss from pieces weighed before and after retouch (`fit/loss.rs`).

mod local;
mod loss;

use crate::failure::{Failure, Outcome};
use crate::report::{Format, Ordered, count, short, wrapped};
use crate::tables::{self, Progress, Sink, Table};
use clap::Args;
use conchoid::calibration::{Calibration, Collector, Provenance, Recipe, Report, Spread, Taken};
use conchoid::flake::ORIGINAL_OVER_NOW;
use conchoid::form::{Form, PERCUSSOR_CLASS, Term, indicator, value};
use conchoid::material::PercussorMaterial;
use conchoid::predict::in_words;
use conchoid::strike::Measured;
use conchoid::table::{CLASSES, Header, OpenTable, QUANTITIES, Row, Stretch, TableOptions};
use std::collections::BTreeSet;
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
    /// Only rows where a column has this value; may be repeated
    #[arg(long = "where", value_name = "COLUMN=VALUE")]
    only: Vec<String>,
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
    /// A column of the table with another name: theirs=ours
    #[arg(long = "column", value_name = "THEIRS=OURS")]
    columns: Vec<String>,
    /// How to print the fit
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

/// One condition of `--where`, resolved to a place in the table.
pub struct Only {
    place: usize,
    column: String,
    value: String,
}

impl Only {
    pub fn parse(text: &str, header: &Header) -> Outcome<Only> {
        let Some((column, value)) = text.split_once('=') else {
            return Err(Failure::usage(format!("--where {text}: write COLUMN=VALUE")));
        };
        let place = header.position(column.trim()).ok_or_else(|| {
            let names: Vec<String> = header.names().map(str::to_string).collect();
            Failure::usage(conchoid::Error::unknown_name("--where", column.trim(), names).to_string())
        })?;
        Ok(Only { place, column: column.trim().to_string(), value: value.trim().to_string() })
    }

    /// Text is compared without regard to case; numbers as numbers.
    pub fn holds(&self, row: &Row) -> bool {
        let Some(cell) = row.text(self.place) else { return self.value.is_empty() };
        let same_number =
            matches!((cell.parse::<f64>(), self.value.parse::<f64>()), (Ok(a), Ok(b)) if a == b);
        cell.eq_ignore_ascii_case(&self.value) || same_number
    }
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
    for only in &o.only {
        command.push_str(&format!(" --where {only}"));
    }
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
    let mut options = tables::options(&o.columns, None, &[])?;
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
    let of_table = |e: conchoid::Error| Failure::other(format!("{}: {e}", o.table));
    let table = OpenTable::new(tables::bytes(&o.table)?, &options).map_err(of_table)?;
    for remark in table.header().remarks() {
        note!("knap: {remark}");
    }
    needed_columns(o, table.header(), &needs)?;
    let mut conditions = Conditions::parse(o, table.header())?;
    let mut collector = Collector::new(recipe)?;
    let names: Vec<String> = table.header().understood().map(String::from).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let progress = Progress::new("reading");
    let mut bad = Vec::new();
    let read = table.each(
        conditions.all.is_empty() && o.group.is_empty(),
        |rows| progress.at(rows),
        |stretch| {
            match stretch {
                Stretch::Numbers(columns) => {
                    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
                    collector.offer_numbers(&names, &columns)?;
                }
                Stretch::Row(row) => match offered(row, &needs, &mut conditions, &mut bad) {
                    Offered::Flake(row) => {
                        collector.offer(row);
                    }
                    Offered::LeftOut(reason) => collector.leave_out(reason),
                },
                _ => {}
            }
            Ok(())
        },
    );
    read.map_err(of_table)?;
    progress.finish();
    tell_bad(&bad);
    conditions.check(o)?;
    written(o, name, collector, &[])
}

/// A fit with shifts by class. The levels are known only when all rows are: they are read, then offered.
fn by_class(
    o: &Options,
    name: &str,
    mut recipe: Recipe,
    classes: &[&String],
    options: &TableOptions,
    needs: &[String],
) -> Outcome<u8> {
    let mut table = tables::open(&o.table, options)?;
    for remark in table.header().remarks() {
        note!("knap: {remark}");
    }
    needed_columns(o, table.header(), needs)?;
    let mut conditions = Conditions::parse(o, table.header())?;
    let mut rows: Vec<Row> = Vec::new();
    let mut left_out: Vec<String> = Vec::new();
    read_rows(o, &mut table, needs, &mut conditions, |offered| match offered {
        Offered::Flake(row) => rows.push(row.clone()),
        Offered::LeftOut(reason) => left_out.push(reason),
    })?;
    conditions.check(o)?;
    let shifts = shifts(o, &recipe, classes, &rows)?;
    let form = &mut recipe.variants[0].sizes[0].form;
    *form = form.clone().with_terms(shifts.terms).map_err(Failure::of_options)?;
    recipe.variants[0].name = form.needs().join(", ");
    recipe.settings.extend(classes.iter().map(|c| c.to_string()));
    let mut collector = Collector::new(recipe)?;
    rows.iter().for_each(|row| {
        collector.offer(row);
    });
    left_out.into_iter().for_each(|reason| collector.leave_out(reason));
    written(o, name, collector, &shifts.against)
}

/// The terms of `--by`, and for each class the level that the others are compared with.
struct Shifts {
    terms: Vec<Term>,
    against: Vec<(String, String)>,
}

/// One shift a level, against the level of most flakes, counting the flakes that the form can use.
fn shifts(o: &Options, plain: &Recipe, classes: &[&String], rows: &[Row]) -> Outcome<Shifts> {
    let mut probe = Collector::new(plain.clone())?;
    let usable: Vec<&Row> = rows.iter().filter(|row| probe.offer(*row) == Taken::Used).collect();
    let mut out = Shifts { terms: Vec::new(), against: Vec::new() };
    for class in classes {
        let mut levels: Vec<(String, u64)> = Vec::new();
        for level in usable.iter().filter_map(|row| level_of(row, class)) {
            match levels.iter_mut().find(|l| l.0 == level) {
                Some(l) => l.1 += 1,
                None => levels.push((level, 1)),
            }
        }
        levels.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
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
    for column in needs {
        if column != "percussor_class" && header.column(column).is_none() {
            let names: Vec<String> = header.names().map(str::to_string).collect();
            let e = conchoid::Error::unknown_name("column needed by the fit", column, names);
            return Err(Failure::other(format!("{}: {e}; map another with --column", o.table)));
        }
    }
    Ok(())
}

/// The conditions of `--where`, and what the rows read so far had in their columns.
struct Conditions {
    all: Vec<Condition>,
    /// Rows where every condition holds, and all rows.
    kept: u64,
    rows: u64,
}

struct Condition {
    only: Only,
    /// Rows where this one holds.
    held: u64,
    /// What stood in the column where it does not, each once.
    instead: BTreeSet<String>,
}

impl Conditions {
    /// Values of a column that are told at most. Own choice.
    const TOLD: usize = 12;

    fn parse(o: &Options, header: &Header) -> Outcome<Conditions> {
        let condition =
            |t: &String| Ok(Condition { only: Only::parse(t, header)?, held: 0, instead: BTreeSet::new() });
        let all = o.only.iter().map(condition).collect::<Outcome<_>>()?;
        Ok(Conditions { all, kept: 0, rows: 0 })
    }

    /// The first condition that does not hold in a row; counts the row.
    fn broken(&mut self, row: &Row) -> Option<&Only> {
        self.rows += 1;
        let mut first = None;
        for (i, c) in self.all.iter_mut().enumerate() {
            if c.only.holds(row) {
                c.held += 1;
                continue;
            }
            first = first.or(Some(i));
            let cell = row.text(c.only.place).unwrap_or("(blank)");
            if c.instead.len() <= Self::TOLD && !c.instead.contains(cell) {
                c.instead.insert(cell.to_string());
            }
        }
        self.kept += u64::from(first.is_none());
        first.map(|i| &self.all[i].only)
    }

    /// Refuses where the conditions left none of the rows, and tells which one it was.
    fn check(&self, o: &Options) -> Outcome<()> {
        if self.kept > 0 || self.rows == 0 {
            return Ok(());
        }
        let why = match self.all.iter().find(|c| c.held == 0) {
            Some(Condition { only: Only { column, value, .. }, instead, .. }) => {
                let mut told: Vec<&str> = instead.iter().take(Self::TOLD).map(String::as_str).collect();
                if instead.len() > Self::TOLD {
                    told.push("and others");
                }
                let told = told.join(", ");
                format!("--where {column}={value} leaves no row; in the table {column} is: {told}")
            }
            None => {
                format!("--where {} leave no row together, though each leaves some", o.only.join(" --where "))
            }
        };
        Err(Failure::other(format!("{}: {why}", o.table)))
    }
}

/// What becomes of a row of the table.
enum Offered<'a> {
    Flake(&'a Row),
    LeftOut(String),
}

/// Reads every row, hands it over or says why it is left out, and tells of cells that cannot be used.
fn read_rows(
    o: &Options,
    table: &mut Table,
    needs: &[String],
    conditions: &mut Conditions,
    mut take: impl FnMut(Offered),
) -> Outcome<()> {
    let progress = Progress::new("reading");
    let mut row = table.row();
    let mut bad = Vec::new();
    while table.read(&mut row).map_err(|e| Failure::other(format!("{}: {e}", o.table)))? {
        progress.tick(row.row_number());
        take(offered(&row, needs, conditions, &mut bad));
    }
    progress.finish();
    tell_bad(&bad);
    Ok(())
}

/// What becomes of one row; a cell that cannot be used is told in `bad`.
fn offered<'a>(
    row: &'a Row,
    needs: &[String],
    conditions: &mut Conditions,
    bad: &mut Vec<String>,
) -> Offered<'a> {
    if let Some(e) = row.refused() {
        bad.push(e.to_string());
        return Offered::LeftOut("not a row of this table".to_string());
    }
    if let Some(o) = conditions.broken(row) {
        return Offered::LeftOut(format!("not {}={}", o.column, o.value));
    }
    match needs.iter().find_map(|n| table_problem(row, n)) {
        Some((column, text)) => {
            bad.push(text);
            Offered::LeftOut(format!("{column}: a cell that cannot be used"))
        }
        None => Offered::Flake(row),
    }
}

/// Tells of the first cells that cannot be used.
fn tell_bad(bad: &[String]) {
    for text in bad.iter().take(10) {
        note!("knap: {text}");
    }
    if bad.len() > 10 {
        let more = count(bad.len() as u64 - 10, "more cell", "more cells");
        note!("knap: and {more} that cannot be used");
    }
}

fn table_problem(row: &Row, column: &str) -> Option<(String, String)> {
    let id = row.header().column(column)?;
    row.problem(id).map(|e| (column.to_string(), e.to_string()))
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
            let df = match f.fit.linear() {
                Some(_) => format!("{degrees_of_freedom}"),
                None => format!("{degrees_of_freedom:.1}"),
            };
            writeln!(out, "  spread {}{of}, on {df} degrees of freedom", short(value))?;
        }
        for e in &m.shared {
            let sd = short(e.covariance[0][0].sqrt());
            writeln!(out, "  spread {sd} between the {} groups of {}", e.groups, e.by)?;
        }
        match f.fit.linear() {
            Some(fit) => writeln!(
                out,
                "  R2 {:.4} (adjusted {:.4}); leave-one-out error {}",
                fit.r_squared(),
                fit.adjusted_r_squared(),
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
        if let Some(fit) = f.fit.linear() {
            out.put("adjusted_r_squared", fit.adjusted_r_squared());
        }
        out.put("left_out_error", f.left_out_error).put("left_out_flakes", f.left_out_flakes);
        out.put("aic_own_unit", f.own_unit.aic);
    }
    out.put("used", report.used);
    let mut left_out = Ordered::default();
    for (reason, n) in &report.left_out {
        left_out.put(reason, n);
    }
    out.nest("left_out", left_out);
    out
}
