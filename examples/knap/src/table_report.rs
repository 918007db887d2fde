//! `knap report`: one page about a table with pictures beside it, and a paragraph for a paper.

use crate::assess;
use crate::blow::BlowOptions;
use crate::estimate_plot::{Rows, Seen};
use crate::failure::{Failure, Outcome, Whose};
use crate::files::named_after;
use crate::tables::{self, Twice, save};
use crate::taken::TakenIn;
use clap::Args;
use conchoid::assess::Assessment;
use conchoid::calibration::bundled;
use conchoid::predict::LEVEL;
use conchoid::table::{Completed, TableReport};
use std::path::Path;

/// Flakes of which forms are fitted anew and compared, at least. This crate's choice, no source.
const FEWEST: u64 = 30;

#[derive(Args)]
pub struct Options {
    /// The table; - reads standard input
    table: String,
    /// Where the page goes (Markdown)
    out: String,
    #[command(flatten)]
    blow: BlowOptions,
    /// Calibration by name, or a file made by `knap fit`
    calibration: Option<String>,
    /// Probability inside the intervals, between 0 and 1
    level: f64,
    #[command(flatten)]
    taken: TakenIn,
}

pub fn run(o: &Options) -> Outcome<u8> {
    let level = LEVEL.check(o.level).asked()?;
    let given = o.blow.given()?;
    let first = o.blow.calibration(o.calibration.as_deref(), &given)?;
    let by_row = o.calibration.is_none();
    o.blow.check_also(&first, by_row)?;
    let read = [o.table.as_str(), o.calibration.as_deref().unwrap_or("")];
    let sizes_picture = named_after(&o.out, "-sizes.svg", &read)?;
    let options = o.taken.options(&[&first], &[])?;
    let source = Twice::of(&o.table)?;
    let table = source.open(&options)?;
    tables::told(table.header());
    let estimates = tables::estimates(&o.blow, &given, first.clone(), by_row, level)?;
    let mut drawn = Rows::default();
    let see = |row: &Completed<'_>, e| Seen::of(row, &e, level);
    let (progress, none) = (tables::progress("estimating"), std::io::sink());
    let done = estimates.write_beside(table, none, progress, see, |seen| drawn.take(seen));
    let (_, summary, fit) = done.of_file(&o.table)?;
    if let Some(what) = summary.nothing_answered() {
        return Err(Failure::other(format!("{}: {what}", o.table)));
    }
    drawn.draw(&sizes_picture, level)?;

    let mut names: Vec<&str> = summary.used().map(|(name, ..)| name).collect();
    names.dedup();
    names.sort_by_key(|name| *name != first.name());
    let named = |name: &str| if name == first.name() { Ok(first.clone()) } else { bundled::named(name) };
    let answered = names.into_iter().map(named).collect::<Result<Vec<_>, _>>()?;
    let mut compared: Vec<(Assessment, String)> = Vec::new();
    for column in fit.columns(FEWEST) {
        let picture = named_after(&o.out, &format!("-forms-{column}.svg"), &read)?;
        match assess::of_table(&source, &o.taken, &column, &picture) {
            Ok(a) => compared.push((a, picture)),
            Err(f) => note!("knap: forms are not compared for {column}: {}", f.message),
        }
    }
    let beside = |path: &str| {
        Path::new(path).file_name().map_or(path.to_string(), |n| n.to_string_lossy().into_owned())
    };
    let mut page = TableReport::new(&beside(&o.table), &summary, level)
        .taken(&o.taken.command(), &o.taken.only)
        .fit(&fit)
        .picture("What was expected of the flakes, and what they are", &beside(&sizes_picture));
    let why = if by_row { "by what its rows hold" } else { "as asked for" };
    page = answered.iter().fold(page, |page, calibration| page.calibration(calibration, why));
    for (a, picture) in &compared {
        page = page.compared(a).picture(&format!("Forms compared by {}", a.column), &beside(picture));
    }
    save(&o.out, &page.to_string())?;
    let code = crate::report::summary(&summary);
    let pictures = crate::report::count(1 + compared.len() as u64, "picture", "pictures");
    note!("Written to {}, with {pictures} beside it", o.out);
    Ok(code)
}
