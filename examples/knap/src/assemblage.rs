//! `knap assemblage`: totals and means of many flakes by group, and whether two sets of flakes look alike.

use crate::assemblage_plot;
use crate::blow::BlowOptions;
use crate::failure::{Failure, Outcome, Whose};
use crate::measured::{By, KeptAbove, model_of_loss};
use crate::report::{Format, Page, count, print};
use crate::tables::{self, STATE, Table};
use crate::taken::TakenIn;
use clap::{Args, ValueEnum};
use conchoid::flake::{ORIGINAL_OVER_NOW, Portion};
use conchoid::infer::{Assemblage, Comparison, Drawing, GroupLosses, GroupTotals, LookBack, Losses};
use conchoid::infer::{Mesh, Resampling, USUAL_DRAWS};
use conchoid::predict::{Ask, LEVEL, Predictor, in_words};
use conchoid::strike::Measured;
use conchoid::table::{Completed, Header, Offer, Row};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum BoundBy {
    /// A group in all was at least what remains in all
    Whole,
    /// Every flake was at least what remains of it
    Each,
}

#[derive(Args)]
pub struct Options {
    /// A table of pieces; - reads standard input
    pub table: String,
    /// The column that says which group a piece belongs to; without it all are one
    pub group: Option<String>,
    /// Seed of the random draws, any whole number
    pub seed: u64,
    /// Number of draws, or for a comparison of resamples; the more, the steadier the ends of the intervals
    pub draws: Option<u32>,
    /// Model of loss of the flakes told by their platforms: a beta distribution of the share that a group lost in all, by
    /// its two parameters (2,5: 29 % on average; 0.5,2 where nothing is given), or none
    pub loss: Option<String>,
    /// Without a model of loss, how mass_now_g bounds the original masses: whole, where nothing is given
    pub bound: Option<BoundBy>,
    /// Opening of the field mesh, mm: the share of such flakes that it holds, how many were struck for those
    /// found, and their size grades
    pub mesh_mm: Option<f64>,
    /// The same in inches
    #[arg(conflicts_with = "mesh_mm")]
    pub mesh_in: Option<f64>,
    #[command(flatten)]
    pub kept: KeptAbove,
    /// Compare the measured sizes of two groups instead
    #[arg(value_name = "A,B", requires = "group", conflicts_with = "against")]
    pub compare: Option<String>,
    /// Compare the measured sizes with those of this table instead
    pub against: Option<String>,
    /// In a comparison, the ratio of sizes from which on a difference matters
    #[arg(default_value_t = 1.1)]
    pub matters: f64,
    /// The column that is compared: length_mm, width_mm, mass_g, ...
    #[arg(value_name = "COLUMN", default_value = "mass_g")]
    pub size: String,
    #[command(flatten)]
    pub blow: BlowOptions,
    /// Calibration by name, or a file made by `knap fit`
    pub calibration: Option<String>,
    /// Probability inside the intervals, between 0 and 1
    pub level: f64,
    /// How to print
    pub format: Format,
    #[command(flatten)]
    pub taken: TakenIn,
    /// A picture (SVG) of the groups, or of the two sets compared
    pub plot: Option<String>,
}

pub fn run(o: &Options) -> Outcome<u8> {
    let level = LEVEL.check(o.level).asked()?;
    if o.compare.is_some() || o.against.is_some() {
        return compare(o, level);
    }
    // a bound alone asks for no model
    let loss = model_of_loss(o.loss.as_deref().or(o.bound.map(|_| "none")))?;
    if loss.is_some() && o.bound.is_some() {
        return Err(Failure::usage("--bound goes with --loss none, or without --loss"));
    }
    let draws = o.draws.unwrap_or(USUAL_DRAWS);
    let drawing = Drawing::seeded(o.seed).level(level).and_then(|d| d.draws(draws)).asked()?;
    let drawing = if let Some(BoundBy::Each) = o.bound { drawing.each_bound() } else { drawing.loss(loss) };
    let mesh = o.mesh_mm.map(Mesh::mm).or_else(|| o.mesh_in.map(Mesh::inches));
    let mesh = mesh.transpose().asked()?;
    let mut look = LookBack::new()?;
    let mut named = o.calibration.as_deref();
    let asked = o.blow.calibration(named, &o.blow.given()?)?;
    if asked.tells(ORIGINAL_OVER_NOW) {
        look = look.retouch(Arc::new(Predictor::new(asked)?))?;
        named = None;
    }
    totals(o, named, &look, &drawing, mesh)
}

fn group_of(row: &Row, group: Option<&str>) -> String {
    match group {
        None => "all".to_string(),
        Some(g) => row.class(g).unwrap_or("not recorded").to_string(),
    }
}

/// Refuses a table without a column that an option names.
fn need(header: &Header, flag: &str, column: Option<&str>, path: &str) -> Outcome<()> {
    let Some(missing) = column.filter(|c| !header.has(c)) else { return Ok(()) };
    Err(Failure::usage(format!("{path}: {}", tables::unknown(header, flag, missing).message)))
}

fn totals(
    o: &Options,
    named: Option<&str>,
    look: &LookBack<'_>,
    drawing: &Drawing,
    mesh: Option<Mesh>,
) -> Outcome<u8> {
    let given = o.blow.given()?;
    let known = o.blow.calibration(named, &given)?;
    let taken = o.taken.options(&[&known], &["mass_missing_g".into(), "retouch_index".into()])?;
    let options = tables::with_classes(taken, o.group.as_deref());
    let table = tables::open(&o.table, &options)?;
    // one calibration for the whole table: by what its columns can hold
    let has = |name: &str| table.header().has(name);
    let held = By {
        number: &|name| given.number(name).or(has(name).then_some(1.0)),
        class: &|name| given.class(name).or_else(|| (has(name) && name != "stone").then_some("recorded")),
    };
    let calibration = o.blow.calibration(named, &held)?;
    o.blow.check_also(&calibration, false)?;
    let predictor = Predictor::new(calibration)?;
    let mut ask = Ask::default();
    ask.kept = o.kept.threshold()?;
    let mut bag = Assemblage::new(&predictor, ask)?;
    if let Some(mesh) = mesh {
        bag = bag.sieved(mesh);
    }
    let mut losses = Losses::new(look);
    need(table.header(), "--group", o.group.as_deref(), &o.table)?;
    let mut refused = 0u64;
    let layout = predictor.calibration().layout();
    let reads: Vec<&str> =
        layout.numbers.iter().map(String::as_str).chain(STATE).chain(["mass_g", "mass_now_g"]).collect();
    let made = tables::offer(table, (&o.table, "reading"), (&[], &reads), false, |offer| {
        let row = match offer {
            Offer::Flake(row) => row,
            Offer::LeftOut(reason) if reason == NO_ROW => {
                bag.leave_out(if o.group.is_some() { "not recorded" } else { "all" }, reason);
                refused += 1;
                return Ok(());
            }
            _ => return Ok(()),
        };
        let group = group_of(row, o.group.as_deref());
        let both = Completed { row, given: &given };
        if Losses::reads(&both) {
            refused += u64::from(losses.offer(&group, &both).is_some());
            return Ok(());
        }
        if bag.offer(&group, &both).is_some() {
            // a portion without a platform is listed, not refused
            let portion = both.class("portion").and_then(|p| p.parse::<Portion>().ok());
            refused += u64::from(portion.is_none_or(Portion::has_platform));
        }
        Ok(())
    })?;
    tables::tell(&made);
    let totals = bag.totals_with(&losses, drawing).asked()?;
    let lost = losses.totals(drawing).asked()?;
    if totals.is_empty() && lost.is_empty() {
        return Err(Failure::other(format!("{}: no rows", o.table)));
    }
    if let Some(path) = &o.plot {
        assemblage_plot::totals(path, &totals, &lost, o.level)?;
    }
    let of_totals = totals.iter().map(|t| {
        let retouched = lost.iter().find(|l| l.group == t.group);
        (t.group.as_str(), OfGroup { totals: Some(t), retouched })
    });
    let alone = lost.iter().filter(|l| totals.iter().all(|t| t.group != l.group));
    let alone = alone.map(|l| (l.group.as_str(), OfGroup { totals: None, retouched: Some(l) }));
    let groups: Vec<(&str, OfGroup)> = of_totals.chain(alone).collect();
    let draws = o.draws.unwrap_or(USUAL_DRAWS);
    let (sizes, of_loss) = (predictor.calibration().name(), look.retouch_predictor().calibration().name());
    let from = match (totals.is_empty(), lost.is_empty()) {
        (false, false) => format!("calibrations {sizes} (platforms) and {of_loss} (retouch)"),
        (true, _) => format!("calibration {of_loss}"),
        (_, true) => format!("calibration {sizes}"),
    };
    let calibration = Behind { name: sizes, of_loss: (!lost.is_empty()).then_some(of_loss) };
    let all = Printed { groups: groups.iter().copied().collect(), seed: o.seed, draws, calibration };
    print(o.format == Format::Json, &all, |page| {
        for (_, of) in &groups {
            of.totals.iter().for_each(|t| page.told(t));
            of.retouched.iter().for_each(|l| page.told(l));
        }
        let (draws, seed) = (count(u64::from(draws), "draw", "draws"), o.seed);
        page.say(format!(
            "From the {from}; {draws} from seed {seed}. The intervals carry what all flakes share, the uncertainty \
             of the calibration's coefficients; +/- is the chance of the draws."
        ));
        page.picture(o.plot.as_ref());
    })?;
    Ok(if refused > 0 { 3 } else { 0 })
}

/// One group of an assemblage.
#[derive(Clone, Copy, Serialize, JsonSchema)]
struct OfGroup<'a> {
    #[serde(flatten)]
    totals: Option<&'a GroupTotals>,
    #[serde(skip_serializing_if = "Option::is_none")]
    retouched: Option<&'a GroupLosses>,
}

/// The calibrations behind.
#[derive(Serialize, JsonSchema)]
struct Behind<'a> {
    name: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    of_loss: Option<&'a str>,
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    groups: BTreeMap<&'a str, OfGroup<'a>>,
    seed: u64,
    draws: u32,
    calibration: Behind<'a>,
}

/// What is printed as JSON of two sets compared.
#[derive(Serialize, JsonSchema)]
pub struct Compared<'a> {
    size: &'a str,
    groups: &'a [String; 2],
    #[serde(flatten)]
    comparison: &'a Comparison,
    without_size: u64,
    seed: u64,
}

type Sizes = (BTreeMap<String, Vec<f64>>, u64);

/// The sizes of one column of a table, with the group of each, and how many pieces do not have it.
fn sizes(o: &Options, path: &str, reader: Table, group: Option<&str>) -> Outcome<Sizes> {
    need(reader.header(), "--group", group, path)?;
    need(reader.header(), "--size", Some(&o.size), path)?;
    let (mut found, mut without) = (BTreeMap::<String, Vec<f64>>::new(), 0);
    tables::tell(&tables::offer(reader, (path, "reading"), (&[], &[]), false, |offer| {
        match offer {
            Offer::Flake(row) => match row.number(&o.size).filter(|v| *v > 0.0) {
                Some(v) => found.entry(group_of(row, group)).or_default().push(v),
                None => without += 1,
            },
            Offer::LeftOut(reason) if reason.starts_with("not ") && reason != NO_ROW => {}
            _ => without += 1,
        }
        Ok(())
    })?);
    Ok((found, without))
}

/// What is said of a row that is none.
const NO_ROW: &str = "not a row of this table";

fn compare(o: &Options, level: f64) -> Outcome<u8> {
    let mut how = Resampling::seeded(o.seed).level(level).asked()?.matters(o.matters).asked()?;
    if let Some(n) = o.draws {
        how = how.resamples(n).asked()?;
    }
    let group = o.group.as_deref();
    let options = tables::with_classes(o.taken.options(&[], std::slice::from_ref(&o.size))?, group);
    let (names, first, second, without) = match (&o.compare, &o.against) {
        (Some(pair), _) => {
            let Some((a, b)) = pair.split_once(',') else {
                return Err(Failure::usage(format!("--compare {pair}: write A,B")));
            };
            let (all, without) = sizes(o, &o.table, tables::open(&o.table, &options)?, group)?;
            let asked = format!("--compare, groups with {}", o.size);
            let of =
                |name: &str| all.get(name).cloned().ok_or_else(|| Failure::unknown(&asked, name, all.keys()));
            ([a.trim().to_string(), b.trim().to_string()], of(a.trim())?, of(b.trim())?, without)
        }
        (None, Some(path)) if o.table == "-" && path == "-" => {
            return Err(Failure::usage("--against -: standard input is --table already"));
        }
        (None, Some(path)) => {
            let values = |all: BTreeMap<String, Vec<f64>>| all.into_values().flatten().collect();
            let options = options.columns_may_lack();
            let (a, b) = (tables::open(&o.table, &options)?, tables::open(path, &options)?);
            o.taken.mapped_in([a.header(), b.header()])?;
            let ((a, lacking), (b, lacking_too)) = (sizes(o, &o.table, a, None)?, sizes(o, path, b, None)?);
            ([o.table.clone(), path.clone()], values(a), values(b), lacking + lacking_too)
        }
        (None, None) => return Err(Failure::usage("--compare or --against is needed")),
    };
    let c = Comparison::new(&first, &second, &how).map_err(|e| {
        // the library knows the sets by their places only
        let told = |name: &str| crate::say::name(name);
        let text = e.to_string().replace("the first set", &told(&names[0]));
        Failure::other(text.replace("the second set", &told(&names[1])))
    })?;
    if let Some(path) = &o.plot {
        assemblage_plot::comparison(path, o, &names, [&first, &second], &c)?;
    }
    let (size, seed) = (&o.size, o.seed);
    let all = Compared { size, groups: &names, comparison: &c, without_size: without, seed };
    print(o.format == Format::Json, &all, |page| tell(page, o, &names, &c, without))
}

fn tell(page: &mut Page, o: &Options, names: &[String; 2], c: &Comparison, without: u64) {
    let [a, b] = &[crate::say::name(&names[0]), crate::say::name(&names[1])];
    page.told(c.in_words(&o.size, [a, b]));
    if without > 0 {
        page.say(format!("{} without {} left out.", count(without, "piece", "pieces"), in_words(&o.size)));
    }
    page.say("Flakes of one core or knapper are more alike than the p-values allow for.");
    if o.against.is_some() || o.group.as_deref() == Some("site") {
        page.say(
            "Flakes of two sites differ from like platforms too: within a site that cancels, between sites it is part of \
             the ratio, which then tells of the sites and not of percussor or hand alone.",
        );
    }
    page.picture(o.plot.as_ref());
}
