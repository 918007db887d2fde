//! `knap assess`: how well forms predict flakes that they have not seen.

use crate::failure::{Failure, Outcome, Whose};
use crate::measured::KeptAbove;
use crate::plot::{Axis, Layer, Panel, Row, cut, diagonal, named_rows, page, pale, points};
use crate::report::{Format, count, unit, wrapped};
use crate::tables::{self, Twice, save, size_of};
use crate::taken::TakenIn;
use clap::Args;
use conchoid::assess::{
    Assessment, Folds, FormAssessment, LEVELS, Question, ResidualChecks, Tested, as_they_stand,
    cross_validate, residual_checks,
};
use conchoid::calibration::{Calibration, Provenance, Recipe, bundled};
use conchoid::form::{Form, Layout, PUBLISHED};
use conchoid::predict::in_words;
use conchoid::strike::Measured;
use conchoid::table::{Keeper, KeptRow, Offer};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeSet;

#[derive(Args, Default)]
pub struct Options {
    /// The table; - reads standard input
    table: String,
    /// Forms to compare, with commas: published forms, or calibrations whose forms are fitted anew; all published forms
    /// without it
    #[arg(value_delimiter = ',')]
    forms: Vec<String>,
    /// Calibrations to score as they stand, with commas: names, or files made by `knap fit`
    #[arg(long = "calibration", value_name = "NAME|FILE", value_delimiter = ',',
          conflicts_with_all = ["forms", "by", "folds", "repeats", "seed", "keep_incomplete"])]
    calibrations: Vec<String>,
    /// With --calibration: the flakes were struck as in its experiment, which is not moved to excavated sites
    #[arg(requires = "calibrations")]
    of_the_experiment: bool,
    #[command(flatten)]
    kept: KeptAbove,
    /// The size: length_mm, width_mm, thickness_mm, mass_g
    #[arg(value_name = "COLUMN", default_value = "mass_g")]
    pub response: String,
    /// Leave out all flakes of one core, knapper, ... at a time
    #[arg(conflicts_with_all = ["folds", "repeats"])]
    pub by: Option<String>,
    /// Also report within each level of this column; may be repeated
    #[arg(long = "class", value_name = "COLUMN")]
    pub classes: Vec<String>,
    /// Parts that the flakes are dealt into, each left out in turn (folds); as many as there are flakes leaves
    /// out one at a time
    folds: usize,
    /// How often the flakes are dealt anew
    repeats: usize,
    /// Seed of the dealing; the same seed gives the same folds
    #[arg(default_value_t = 1)]
    seed: u64,
    /// Use incomplete and retouched pieces too
    keep_incomplete: bool,
    #[command(flatten)]
    pub taken: TakenIn,
    /// A page of plots (SVG)
    plot: Option<String>,
    /// How to print the comparison
    format: Format,
}

/// A form's recipe by the name of a published form or of a calibration.
fn recipe(name: &str, o: &Options) -> Outcome<Recipe> {
    let size = size_of(&o.response)?;
    let mut recipe = if let Ok((recipe, _)) = bundled::recipe(name) {
        recipe
    } else {
        let form = Form::named(name).map_err(|_| {
            let accepted = PUBLISHED.iter().chain(&bundled::NAMES).copied();
            Failure::unknown("--forms", name, accepted)
        })?;
        let own =
            Provenance::new("a table of the user's own", "the user's own", "the user's own", "knap assess");
        Recipe::single(name, size, form, own).asked()?
    };
    for s in recipe.variants.iter_mut().flat_map(|v| &mut v.sizes).filter(|s| s.size == size) {
        s.column = o.response.clone();
    }
    recipe.keep_incomplete = o.keep_incomplete;
    Ok(recipe)
}

/// The recipes of the forms asked for, or of all published ones.
fn recipes(o: &Options) -> Outcome<Vec<Recipe>> {
    let asked: Vec<&str> = o.forms.iter().map(|f| f.trim()).collect();
    let names = if asked.is_empty() { &PUBLISHED[..] } else { &asked };
    names.iter().map(|f| recipe(f, o)).collect()
}

/// The forms of the size asked for.
fn forms<'a>(o: &Options, recipes: &'a [Recipe]) -> Outcome<impl Iterator<Item = &'a Form> + use<'a>> {
    let (sizes, asked) =
        (recipes.iter().flat_map(|r| &r.variants).flat_map(|v| &v.sizes), size_of(&o.response)?);
    Ok(sizes.filter(move |s| s.size == asked).map(|s| &s.form))
}

/// The rows that `--where` admits, with what these forms read.
fn rows<'a>(
    o: &Options,
    forms: impl Iterator<Item = &'a Form>,
    source: &Twice,
    aloud: bool,
) -> Outcome<Vec<KeptRow>> {
    let layout = Layout::of(forms);
    let named = layout.classes.iter().map(|c| c.name.as_str());
    let named = named.chain(o.classes.iter().chain(&o.by).map(|c| c.trim()));
    let options = tables::with_classes(o.taken.options(&[], &layout.numbers)?, named);
    let table = source.open(&options)?;
    if aloud {
        tables::told(table.header());
    }
    for (flag, column) in o.classes.iter().map(|c| ("--class", c)).chain(o.by.iter().map(|c| ("--by", c))) {
        let looked_up = column == "percussor_class" && table.header().has("percussor");
        if !table.header().has(column.trim()) && !looked_up {
            return Err(tables::unknown(table.header(), flag, column));
        }
    }
    let asked = o.classes.iter().chain(&o.by).chain([&o.response]).map(|c| c.trim());
    let mut reads: Vec<&str> = (0..layout.len()).map(|i| layout.name(i)).chain(asked).collect();
    // what tells a flake that is as it was struck, and what a drawing names it by
    let own = ["portion", "retouched", "platform_kind", "percussor", "termination", "flake"];
    reads.extend(own.into_iter().chain(GROUPS));
    let keeper = Keeper::new(table.header(), &reads);
    let columns = &reads[..reads.len() - own.len() - GROUPS.len()];
    let mut found = Vec::new();
    let needs = tables::state(o.keep_incomplete);
    let made = tables::offer(table, (&o.table, "reading"), (&needs, columns), false, |offer| {
        if let Offer::Flake(row) = offer {
            found.push(keeper.keep(row));
        }
        Ok(())
    })?;
    if aloud {
        tables::tell(&made);
    }
    Ok(found)
}

/// Forms fitted anew to a size of a table and compared, with the picture: sites, cores or knappers left out where the table
/// tells of enough of them, or ten parts, dealt the more often the fewer flakes there are.
pub fn of_table(source: &Twice, taken: &TakenIn, response: &str, plot: &str) -> Outcome<Assessment> {
    let mut o = Options {
        table: "table".to_string(),
        response: response.to_string(),
        folds: 10,
        seed: 1,
        taken: taken.clone(),
        plot: Some(plot.to_string()),
        ..Options::default()
    };
    let recipes = recipes(&o)?;
    let rows = rows(&o, forms(&o, &recipes)?, source, false)?;
    o.repeats = (2000 / rows.len().max(1)).clamp(1, 10);
    o.by = GROUPS.into_iter().find(|by| groups(&rows, by) >= FEWEST_GROUPS).map(str::to_string);
    Ok(compare(&o, &recipes, &rows)?.0)
}

/// Columns whose groups hang together, the widest first.
const GROUPS: [&str; 3] = ["site", "core", "knapper"];

/// Groups that a report leaves out one at a time, at least. This crate's choice, no source.
const FEWEST_GROUPS: usize = 5;

/// Of how many groups the flakes of a table are; none where each is of its own.
fn groups(rows: &[KeptRow], by: &str) -> usize {
    let names: BTreeSet<&str> = rows.iter().filter_map(|r| r.class(by)).collect();
    if names.len() > 1 && names.len() < rows.len() { names.len() } else { 0 }
}

/// Says so where flakes of one site, core or knapper stand on both sides of the folds.
fn propose_groups(rows: &[KeptRow]) {
    let mut counted = GROUPS.into_iter().map(|by| (by, groups(rows, by)));
    if let Some((by, n)) = counted.find(|(_, n)| *n > 0) {
        let told = format!(
            "knap: the table has {n} groups of {by}, whose flakes are alike; --by {by} leaves out whole groups and \
             tells how a new one would be predicted"
        );
        note!("{}", wrapped(&told, "", "  ", 79));
    }
}

/// Deals the flakes, compares the forms, checks the one to take, and draws.
fn compare(
    o: &Options,
    recipes: &[Recipe],
    rows: &[KeptRow],
) -> Outcome<(Assessment, Option<ResidualChecks>)> {
    let folds = match &o.by {
        Some(by) => {
            let labels: Vec<Option<&str>> = rows.iter().map(|r| r.class(by.trim())).collect();
            Folds::leave_one_group_out(by.trim(), &labels)
        }
        None if o.folds == rows.len() => Folds::leave_one_out(rows.len()),
        None => Folds::k_fold(rows.len(), o.folds, o.repeats, &mut ChaCha8Rng::seed_from_u64(o.seed)),
    };
    let folds = folds.of_file(&o.table)?;
    let a = cross_validate(recipes, rows, &folds, &question(o)?).of_file(&o.table)?;
    let take = a.take().to_string();
    let taken = recipes.iter().find(|r| r.name == take);
    // a penalised form may have more terms than least squares can tell apart: then there is nothing to check
    let checks = taken.map(|r| residual_checks(r, rows, &a.size, &o.classes)).transpose();
    let checks = checks.unwrap_or_else(|e| {
        note!("knap: {take} has no least squares fit to check: {e}");
        None
    });
    if let Some(path) = &o.plot {
        save(path, &report(&a, &take, checks.as_ref(), o, rows)?)?;
    }
    Ok((a, checks))
}

fn question(o: &Options) -> Outcome<Question> {
    let question = o.classes.iter().fold(Question::new(size_of(&o.response)?), |q, c| q.by_class(c.trim()));
    Ok(o.kept.threshold()?.into_iter().fold(question, Question::of_kept))
}

/// Scores calibrations that are not fitted anew.
fn as_it_stands(o: &Options, source: &Twice) -> Outcome<u8> {
    let named = |c: &String| -> Outcome<Calibration> {
        let found = crate::blow::calibration(Some(c.trim()), None)?;
        Ok(if o.of_the_experiment { found } else { found.at_sites()? })
    };
    let found = o.calibrations.iter().map(named).collect::<Outcome<Vec<Calibration>>>()?;
    let sizes = found.iter().flat_map(|c| c.variants()).flat_map(|v| &v.sizes);
    let asked = size_of(&o.response)?;
    let forms = sizes.filter(|m| m.size == asked).map(|m| &m.form);
    let rows = rows(o, forms, source, true)?;
    let a = as_they_stand(&found, &rows, &question(o)?).of_file(&o.table)?;
    if let Some(path) = &o.plot {
        save(path, &report(&a, a.best(), None, o, &rows)?)?;
    }
    printed(o, &a, None)
}

pub fn run(o: &Options) -> Outcome<u8> {
    size_of(&o.response)?;
    let source = Twice::of(&o.table)?;
    if !o.calibrations.is_empty() {
        return as_it_stands(o, &source);
    }
    let recipes = recipes(o)?;
    let rows = rows(o, forms(o, &recipes)?, &source, true)?;
    if o.by.is_none() {
        propose_groups(&rows);
    }
    let (a, checks) = compare(o, &recipes, &rows)?;
    printed(o, &a, checks.as_ref())
}

fn printed(o: &Options, a: &Assessment, checks: Option<&ResidualChecks>) -> Outcome<u8> {
    crate::report::print(o.format == Format::Json, &Printed { assessment: a, checks }, |page| {
        page.told(a.in_words(checks));
        o.plot.iter().for_each(|path| page.line(format!("Plots written to {path}")));
    })
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    #[serde(flatten)]
    assessment: &'a Assessment,
    #[serde(flatten)]
    checks: Option<&'a ResidualChecks>,
}

/// The share of flakes inside the central interval of a level, by their PIT.
fn held(f: &FormAssessment, level: f64) -> f64 {
    f.tested.iter().map(|t| t.inside(level)).sum::<f64>() / f.tested.len() as f64
}

/// The page of plots for one form, with all forms where they can be compared.
fn report(
    a: &Assessment,
    take: &str,
    checks: Option<&ResidualChecks>,
    o: &Options,
    rows: &[KeptRow],
) -> Outcome<String> {
    let Some(form) = a.form(take) else { return Err(Failure::other(format!("{take} was not assessed"))) };
    let (what, u) = (in_words(&a.column), unit(&a.column));
    // the first class asked for tells the points apart
    let class = o.classes.first().map(|c| c.trim());
    let levels: Vec<&str> = class
        .map(|c| form.by_class.iter().filter(|b| b.class == c).map(|b| b.level.as_str()).collect())
        .unwrap_or_default();
    let series = |row: usize| {
        class.and_then(|c| a.label(c, row)).and_then(|l| levels.iter().position(|k| *k == l)).unwrap_or(0)
    };
    let named = |(i, l): (usize, &&str)| (format!("{} {l}", class.map(in_words).unwrap_or_default()), i);
    let legend: Vec<(String, usize)> = levels.iter().enumerate().map(named).collect();
    let x = Axis::over(&format!("expected {what} ({u})"), form.tested.iter().map(Tested::expected), true);
    let ends = form.tested.iter().flat_map(|t| [t.observed(), t.interval().0, t.interval().1]);
    let y = Axis::over(&format!("observed {what} ({u})"), ends, true);
    let intervals = form.tested.iter().map(|t| (t.expected(), t.interval().0, t.interval().1));
    let mut layers = vec![pale(intervals), diagonal(&x, &y)];
    layers.extend(points(form.tested.iter().map(|t| (t.expected(), t.observed(), series(t.row)))));
    let title = format!("Observed against expected, 95 % ({take})");
    let first = Panel { title, x: x.clone(), y, layers, legend: legend.clone() };

    let largest = form.tested.iter().map(|t| t.ln_error().abs()).fold(0.1, f64::max) * 1.15;
    let mut layers = vec![Layer::Guide(vec![(x.low, 0.0), (x.high, 0.0)])];
    layers.extend(points(form.tested.iter().map(|t| (t.expected(), t.ln_error(), series(t.row)))));
    let y = Axis::fixed("ln observed - ln expected", -largest, largest);
    let second = Panel { title: format!("Observed less expected ({take})"), x, y, layers, legend };

    let mut panels = vec![first, second, reliability(a, form), pit(form)];
    if let Some(c) = checks {
        panels.push(influence(c, take, rows));
    }
    let what = if o.calibrations.is_empty() { "Forms" } else { "Calibrations" };
    panels.push(compared(a, what));
    let flakes = count(a.flakes as u64, "flake", "flakes");
    page(&format!("{what}: {}, {flakes} of {} rows", a.rule, a.rows), &panels, 3)
}

/// How often intervals of each claimed probability hold a flake.
fn reliability(a: &Assessment, form: &FormAssessment) -> Panel {
    let grid: Vec<f64> = (0..=20).map(|i| f64::from(i) * 0.05).collect();
    let band = grid.iter().map(|l| {
        let e = 1.96 * (l * (1.0 - l) / form.pit.effective_flakes).sqrt();
        (*l, l - e, l + e)
    });
    let mut layers = vec![Layer::Band(band.collect()), Layer::Guide(vec![(0.0, 0.0), (1.0, 1.0)])];
    for (k, f) in a.forms.iter().enumerate() {
        let curve: Vec<(f64, f64)> = grid.iter().map(|l| (*l, held(f, *l))).collect();
        layers.push(Layer::Line(curve.clone(), k));
        layers.push(Layer::Points(curve[1..20].to_vec(), k));
    }
    Panel {
        title: "Reliability (grey: 95 % of honest tables)".into(),
        x: Axis::fixed("claimed probability of the interval", 0.0, 1.0),
        y: Axis::fixed("share of flakes inside", 0.0, 1.0),
        layers,
        legend: a.forms.iter().enumerate().map(|(k, f)| (f.name.clone(), k)).collect(),
    }
}

/// The probability integral transform of one form.
fn pit(form: &FormAssessment) -> Panel {
    let e = 1.96 * (0.09 / form.pit.effective_flakes).sqrt();
    let bars = form.pit.shares.iter().enumerate().map(|(i, s)| ((i as f64 + 0.5) / 10.0, *s)).collect();
    let highest = form.pit.shares.iter().fold(0.1 + e, |a, b| a.max(*b)) * 1.1;
    Panel {
        title: format!("Probability integral transform ({})", form.name),
        x: Axis::fixed("probability given to a smaller flake", 0.0, 1.0),
        y: Axis::fixed("share of flakes", 0.0, highest),
        layers: vec![
            Layer::Band(vec![(0.0, 0.1 - e, 0.1 + e), (1.0, 0.1 - e, 0.1 + e)]),
            Layer::Bars(bars, 0.1),
            Layer::Guide(vec![(0.0, 0.1), (1.0, 0.1)]),
        ],
        legend: Vec::new(),
    }
}

fn influence(c: &ResidualChecks, take: &str, rows: &[KeptRow]) -> Panel {
    let all: Vec<(f64, f64)> =
        c.cooks_distances.iter().map(|(i, d)| (rows[*i].row_number() as f64, *d)).collect();
    let threshold = 4.0 / all.len() as f64;
    let highest = all.iter().map(|p| p.1).fold(threshold, f64::max) * 1.15;
    let x = Axis::over("row of the table", all.iter().map(|p| p.0), false);
    let mut layers = vec![Layer::Guide(vec![(x.low, threshold), (x.high, threshold)])];
    layers.push(Layer::Whiskers(all.iter().map(|p| (p.0, 0.0, p.1)).collect(), 0));
    layers.push(Layer::Points(all, 0));
    let mut named: Vec<(f64, f64)> = Vec::new();
    for (i, d) in c.influential.iter().take(5) {
        let row = &rows[*i];
        let (at, name) = (row.row_number() as f64, row.class("flake"));
        // a name that would stand on another is left out: the table of flakes to look at has it
        let (near, line) = (0.3 * (x.high - x.low), 0.055 * highest);
        if named.iter().any(|(x, y)| (x - at).abs() < near && (y - d).abs() < line) {
            continue;
        }
        named.push((at, *d));
        layers.push(Layer::Label(at, *d, name.map_or_else(|| format!("row {at}"), str::to_string)));
    }
    Panel {
        title: format!("Influence on the fit (dashed: 4/n; {take})"),
        x,
        y: Axis::fixed("Cook's distance", 0.0, highest),
        layers,
        legend: Vec::new(),
    }
}

/// CRPS of every form less that of the best, with one standard error; a form a row, named there.
fn compared(a: &Assessment, what: &str) -> Panel {
    let best = a.best();
    let mut list = Vec::new();
    for (series, (name, d)) in a.behind_best().into_iter().enumerate() {
        let e = if d.standard_error.is_finite() { d.standard_error } else { 0.0 };
        let ends = Some([d.value - e, d.value, d.value + e]);
        list.push(Row { words: name.to_string(), ends, series, also: None });
    }
    let title = format!("{what} compared (best: {})", cut(best, 30, "~"));
    named_rows(title, "CRPS less that of the best, +/- one s.e.", Some(false), &list, Some(0.0), "")
}

// the levels of the report are those of the library
const _: () = assert!(LEVELS.len() == 4);
