//! `knap estimate --table`: every row of a table, in and out in constant memory.

use crate::estimate::Options;
use crate::estimate_plot::{Rows, Seen};
use crate::failure::{Outcome, Whose};
use crate::mechanics;
use crate::tables::{self, Progress, Sink};
use conchoid::calibration::Calibration;
use conchoid::predict::Ask;
use conchoid::table::Completed;

pub fn run(o: &Options, path: &str, calibration: Calibration, ask: Ask, level: f64) -> Outcome<u8> {
    let options = o.taken.options(Some(&calibration), &[])?;
    let given = o.blow.given()?;
    let probability = |row: &Completed, calibration: &Calibration| {
        mechanics::row_probability(row, row.row, &o.blow.delivery, calibration)
    };
    let table = tables::open(path, &options)?;
    let by_row = o.calibration.is_none();
    let mut estimates = tables::estimates(&o.blow, &given, calibration, by_row, level)?;
    estimates = estimates.ask(ask).measured_with(o.measured.errors()?);
    if !o.sizes.is_empty() {
        estimates = estimates.only(&o.sizes)?;
    }
    if mechanics::in_table(table.header(), &o.blow.delivery) {
        estimates = estimates.column(mechanics::PROBABILITY, &probability);
    }
    let progress = Progress::new("estimating");
    let sink = Sink::open(o.out.as_deref())?;
    let (sink, summary) = match &o.plot {
        None => estimates.write(table, sink, |rows| progress.at(rows)).of_table(path)?,
        Some(plot) => {
            let mut drawn = Rows::default();
            let done = estimates.write_seen(
                table,
                sink,
                |rows| progress.at(rows),
                |row, e| Seen::of(row.row, row, &e, level),
                |seen| {
                    drawn.take(seen);
                    Ok(())
                },
            );
            let done = done.of_table(path)?;
            drawn.draw(plot, level)?;
            done
        }
    };
    progress.finish();
    sink.finish()?;
    crate::report::summary(&summary);
    o.taken.remind(&summary);
    Ok(if summary.tally().refused() > 0 { 3 } else { 0 })
}
