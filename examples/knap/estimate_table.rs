//! `knap estimate --table`: every row of a table, in and out in constant memory.

use crate::estimate::Options;
use crate::failure::{Failure, Outcome};
use crate::mechanics;
use crate::tables::{self, Progress, Sink};
use conchoid::Error;
use conchoid::calibration::Calibration;
use conchoid::predict::Ask;
use conchoid::table::{Completed, OpenTable, TableEstimates};

pub fn run(o: &Options, path: &str, calibration: Calibration, ask: Ask, level: f64) -> Outcome<u8> {
    let options = tables::options(&o.columns, Some(&calibration), &[])?;
    let given = o.blow.given()?;
    let of_table = |e: Error| Failure::other(format!("{path}: {e}"));
    let table = OpenTable::new(tables::bytes(path)?, &options).map_err(of_table)?;
    for remark in table.header().remarks() {
        eprintln!("knap: {remark}");
    }
    let probability = |row: &Completed, calibration: &Calibration| {
        mechanics::probability(row, row.row, &o.blow.delivery, calibration)
    };
    let mut estimates = TableEstimates::new(calibration, level)?.given(&given).ask(ask);
    if o.calibration.is_none() && o.blow.stone.is_none() {
        estimates = estimates.by_stone();
    }
    if !o.sizes.is_empty() {
        estimates = estimates.only(&o.sizes)?;
    }
    if mechanics::in_table(table.header(), &o.blow.delivery) {
        estimates = estimates.column(mechanics::PROBABILITY, &probability);
    }
    let progress = Progress::new("estimating");
    let (sink, summary) = estimates
        .write(table, Sink::open(o.out.as_deref())?, |rows| progress.at(rows))
        .map_err(|e| match e {
            e @ Error::Table { .. } => of_table(e),
            e => e.into(),
        })?;
    progress.finish();
    sink.finish()?;
    eprint!("{summary}");
    Ok(if summary.tally().refused() > 0 { 3 } else { 0 })
}
