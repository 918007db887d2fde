//! `knap original`: what a retouched or broken piece was, one piece or every row of a table.

use crate::blow::{BlowOptions, parsed};
use crate::failure::{Failure, Outcome, Whose};
use crate::measured::{By, model_of_loss};
use crate::original_plot;
use crate::report::{RowFormat, print, table_as_table};
use crate::tables::{self, Sink};
use crate::taken::{TakenIn, read};
use clap::Args;
use conchoid::Error;
use conchoid::calibration::Calibration;
use conchoid::flake::{Flake, ORIGINAL_OVER_NOW, RetouchKind, RetouchedEdges, Termination};
use conchoid::infer::{BetaLoss, LookBack, Loss, Remains, SHARE};
use conchoid::predict::{Ask, LEVEL, Predictor};
use conchoid::strike::Measured;
use conchoid::table::TableOriginals;
use std::sync::Arc;

#[derive(Args)]
pub struct Options {
    /// Mass of what remains, g
    #[arg(conflicts_with = "table")]
    pub mass_now_g: Option<f64>,
    /// Mass of a missing part that is known, such as a distal end that refits, g
    #[arg(conflicts_with = "table")]
    pub mass_missing_g: Option<f64>,
    /// Length of what remains, mm
    #[arg(conflicts_with = "table")]
    pub length_now_mm: Option<f64>,
    /// Width of what remains, mm
    #[arg(conflicts_with = "table")]
    pub width_now_mm: Option<f64>,
    /// Greatest thickness of what remains, mm
    #[arg(conflicts_with = "table")]
    pub max_thickness_now_mm: Option<f64>,
    /// Heights of retouch at 1 to 10 points of the retouched edge, mm, with commas between
    #[arg(value_name = "T,T,...", allow_hyphen_values = true, conflicts_with = "table")]
    pub retouch_height_mm: Option<String>,
    /// Thickness of the piece at the same points, mm
    #[arg(value_name = "T,T,...", allow_hyphen_values = true, requires = "retouch_height_mm")]
    pub thickness_at_mm: Option<String>,
    /// Mean of height of retouch over thickness there, where only that was recorded: 0 to 1
    #[arg(conflicts_with_all = ["table", "retouch_height_mm"])]
    pub retouch_index: Option<f64>,
    /// Kind of retouch: direct, inverse, alternate, bifacial
    #[arg(conflicts_with = "table")]
    pub retouch_kind: Option<String>,
    /// Retouched edges: left, right, distal, proximal, double, convergent, around
    #[arg(conflicts_with = "table")]
    pub retouched_edges: Option<String>,
    #[command(flatten)]
    pub blow: BlowOptions,
    /// Model of loss where only the platform tells: a beta distribution of the share lost, by its two parameters
    /// (2,5: 29 % on average; 0.5,2 where nothing is given), or none
    pub loss: Option<String>,
    /// A size that neither retouch nor a break has changed, which the platform's answer is given: thickness_mm, width_mm;
    /// may be repeated, the first that was recorded counts
    #[arg(requires = "table")]
    pub unbroken: Vec<String>,
    /// Also give the probability that more than this share (0 to 1) is lost
    pub more_than: f64,
    /// A termination that is known: feather, hinge, step, overshot
    pub termination: Option<String>,
    /// Calibration by name, or a file made by `knap fit`
    pub calibration: Option<String>,
    /// Probability inside the intervals, between 0 and 1
    pub level: f64,
    /// How to print a single answer; a table is answered as a table
    pub format: RowFormat,
    /// A table of pieces; - reads standard input
    pub table: Option<String>,
    /// Where the table with its answers goes; standard output without it
    #[arg(requires = "table")]
    pub out: Option<String>,
    #[command(flatten)]
    pub taken: TakenIn,
    /// A picture (SVG) of what the piece weighed and lost, or of all pieces of the table
    pub plot: Option<String>,
}

pub fn run(o: &Options) -> Outcome<u8> {
    if o.table.is_some() {
        table_as_table(o.format)?;
    }
    let level = LEVEL.check(o.level).asked()?;
    SHARE.check(o.more_than).asked()?;
    let mut ask = Ask::default();
    ask.termination = parsed::<Termination>(&o.termination).asked()?;
    let loss = model_of_loss(o.loss.as_deref())?;
    let unbroken: Vec<&str> = o.unbroken.iter().map(String::as_str).collect();
    let model = loss.map(|l| Arc::new(l) as Arc<dyn Loss>);
    let mut look = LookBack::new()?.loss(model).unbroken(&unbroken).asked()?;
    let given = o.blow.given()?;
    let mut calibration = o.blow.calibration(o.calibration.as_deref(), &given)?;
    let of_loss = calibration.tells(ORIGINAL_OVER_NOW);
    if of_loss {
        look = look.retouch(Arc::new(Predictor::new(calibration)?))?;
        calibration = o.blow.calibration(None, &given)?;
    }
    let by_row = o.table.is_some() && (o.calibration.is_none() || of_loss);
    o.blow.check_also(&calibration, by_row)?;
    match &o.table {
        Some(path) => table(o, path, calibration, by_row, &ask, look, level),
        None => single(o, calibration, &ask, (look, loss), level),
    }
}

/// Numbers with commas between.
fn list(option: &str, text: &str) -> Outcome<Vec<f64>> {
    text.split(',').map(|t| read(option, text, t.trim())).collect()
}

/// The piece as it is now.
fn now(o: &Options) -> Outcome<Flake> {
    let mut piece = Flake::builder()
        .mass_now_g(o.mass_now_g)
        .length_now_mm(o.length_now_mm)
        .width_now_mm(o.width_now_mm)
        .max_thickness_now_mm(o.max_thickness_now_mm)
        .retouch_kind(parsed::<RetouchKind>(&o.retouch_kind).asked()?)
        .retouched_edges(parsed::<RetouchedEdges>(&o.retouched_edges).asked()?)
        .retouch_index(o.retouch_index);
    if let Some(text) = &o.retouch_height_mm {
        let heights = list("retouch-height-mm", text)?;
        let thick = o.thickness_at_mm.as_deref().map(|t| list("thickness-at-mm", t)).transpose()?;
        let thick = thick.unwrap_or_default();
        if thick.len() > heights.len() {
            return Err(Failure::usage(format!(
                "--thickness-at-mm: {} thicknesses for {} heights (accepted: one at each point)",
                thick.len(),
                heights.len()
            )));
        }
        for (k, height) in heights.into_iter().enumerate() {
            piece = piece.retouch_point(height, thick.get(k).copied());
        }
    }
    piece.build().asked()
}

fn single(
    o: &Options,
    calibration: Calibration,
    ask: &Ask,
    (look, loss): (LookBack<'_>, Option<BetaLoss>),
    level: f64,
) -> Outcome<u8> {
    let given = o.blow.given()?;
    if o.mass_now_g.is_none() {
        return Err(Failure::usage(
            "--mass-now-g is needed: the mass that remains bounds the original from below",
        ));
    }
    let predictor = Predictor::new(calibration)?;
    let now = now(o)?;
    let piece = By {
        number: &|name| match name {
            "mass_missing_g" => o.mass_missing_g,
            _ => now.number(name).or_else(|| given.number(name)),
        },
        class: &|name| now.class(name).or_else(|| given.class(name)),
    };
    let remains = Remains::of(&piece).asked()?;
    let found = look.sizes(&predictor).original(&piece, ask).asked()?;
    if let Some(path) = &o.plot {
        original_plot::single(path, &found, &remains, level)?;
    }
    if o.format == RowFormat::Csv {
        return TableOriginals::write_one(Sink::open(None)?, &found, level)?.finish().map(|()| 0);
    }
    let at = found.at(&remains, loss, o.more_than, level)?;
    print(o.format == RowFormat::Json, &at, |page| {
        page.told(at.in_words(&remains));
        page.picture(o.plot.as_ref());
        page.cautions(&[("", &found.cautions)]);
    })
}

fn table(
    o: &Options,
    path: &str,
    calibration: Calibration,
    by_row: bool,
    ask: &Ask,
    look: LookBack<'_>,
    level: f64,
) -> Outcome<u8> {
    let more = ["mass_missing_g".to_string(), "retouch_index".to_string()];
    let options = o.taken.options(&[&calibration], &more)?;
    let given = o.blow.given()?;
    let table = tables::open(path, &options)?;
    let how = tables::estimates(&o.blow, &given, calibration, by_row, level)?.ask(ask.clone());
    let mut originals = TableOriginals::of(how)?.looking(look);
    let mut drawn = original_plot::Pieces::default();
    if o.plot.is_some() {
        originals = originals.seen();
    }
    let sink = Sink::open(o.out.as_deref())?;
    let done = originals
        .write(table, sink, tables::progress("looking back"), |found, now| drawn.take(found, now, level));
    if let Err(e @ Error::Missing { .. }) = &done {
        return Err(Failure::usage(format!("{path}: {e}; map yours with --column THEIRS=mass_now_g")));
    }
    let (sink, summary) = done.of_table(path)?;
    sink.finish()?;
    if let Some(path) = &o.plot {
        drawn.draw(path, level)?;
    }
    Ok(crate::report::summary(&summary))
}
