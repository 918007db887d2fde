//! `knap estimate --table`: every row of a table, in and out in constant memory.

use crate::blow::Given;
use crate::estimate::Options;
use crate::estimate_plot;
use crate::failure::{Failure, Outcome};
use crate::mechanics;
use crate::report::lines;
use crate::tables::{self, Progress, Sink};
use conchoid::Error;
use conchoid::calibration::Calibration;
use conchoid::predict::MeasurementErrors;
use conchoid::predict::{Ask, Quantiles};
use conchoid::table::{
    Cell, Completed, Header, OpenTable, Predictors, RowNumber, Summary, TableEstimates, TableOptions,
    TableWriter, answer, joined,
};

pub fn run(o: &Options, path: &str, calibration: Calibration, ask: Ask, level: f64) -> Outcome<u8> {
    let options = tables::options(&o.columns, Some(&calibration), &[])?;
    let given = o.blow.given()?;
    let errors = o.measured.errors()?;
    let probability = |row: &Completed, calibration: &Calibration| {
        mechanics::probability(row, row.row, &o.blow.delivery, calibration)
    };
    let job = Job { o, path, calibration, ask, level, given: &given, probability: &probability };
    let summary = if o.plot.is_some() || !errors.is_empty() {
        job.row_by_row(&options, &errors)?
    } else {
        job.in_blocks(&options)?
    };
    note!("{}", lines(&summary.to_string()));
    Ok(if summary.tally().refused() > 0 { 3 } else { 0 })
}

/// What is asked of a table.
struct Job<'a> {
    o: &'a Options,
    path: &'a str,
    calibration: Calibration,
    ask: Ask,
    level: f64,
    given: &'a Given,
    probability: &'a RowNumber<'a>,
}

impl<'a> Job<'a> {
    fn of_table(&self, e: Error) -> Failure {
        Failure::other(format!("{}: {e}", self.path))
    }

    fn by_stone(&self) -> bool {
        self.o.calibration.is_none() && self.o.blow.stone.is_none()
    }

    fn estimates(&self, header: &Header) -> Outcome<TableEstimates<'a>> {
        for remark in header.remarks() {
            note!("knap: {remark}");
        }
        let mut estimates = TableEstimates::new(self.calibration.clone(), self.level)?;
        estimates = estimates.given(self.given).ask(self.ask.clone());
        if self.by_stone() {
            estimates = estimates.by_stone();
        }
        if !self.o.sizes.is_empty() {
            estimates = estimates.only(&self.o.sizes)?;
        }
        if mechanics::in_table(header, &self.o.blow.delivery) {
            estimates = estimates.column(mechanics::PROBABILITY, self.probability);
        }
        Ok(estimates)
    }

    fn in_blocks(&self, options: &TableOptions) -> Outcome<Summary> {
        let table = OpenTable::new(tables::bytes(self.path)?, options).map_err(|e| self.of_table(e))?;
        let estimates = self.estimates(table.header())?;
        let progress = Progress::new("estimating");
        let (sink, summary) = estimates
            .write(table, Sink::open(self.o.out.as_deref())?, |rows| progress.at(rows))
            .map_err(|e| match e {
                e @ Error::Table { .. } => self.of_table(e),
                e => e.into(),
            })?;
        progress.finish();
        sink.finish()?;
        Ok(summary)
    }

    /// The same columns where each row is looked at: for a picture, or for errors of measurement.
    fn row_by_row(&self, options: &TableOptions, errors: &MeasurementErrors) -> Outcome<Summary> {
        let mut reader = tables::open(self.path, options)?;
        let estimates = self.estimates(reader.header())?;
        let mut predictors = Predictors::new(self.calibration.clone(), self.by_stone())?;
        if !self.o.sizes.is_empty() {
            predictors = predictors.only(&self.o.sizes)?;
        }
        let detaches = mechanics::in_table(reader.header(), &self.o.blow.delivery);
        let names = estimates.columns();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let mut writer = TableWriter::new(Sink::open(self.o.out.as_deref())?, reader.header(), &names)?;
        let progress = Progress::new("estimating");
        let mut summary = Summary::default();
        let mut quantiles = Quantiles::default();
        let mut drawn = self.o.plot.as_ref().map(|_| estimate_plot::Rows::default());
        let mut row = reader.row();
        while reader.read(&mut row).map_err(|e| self.of_table(e))? {
            progress.at(row.row_number());
            let both = Completed { row: &row, given: self.given };
            let predictor = predictors.of(&both)?;
            match answer(predictor, &row, &both, &self.ask, errors) {
                Ok(estimate) => {
                    if let Some(drawn) = &mut drawn {
                        drawn.take(&row, &both, &estimate, self.level)?;
                    }
                    let text = joined(&estimate.cautions, false);
                    let numbers = estimates.numbers(&estimate, &mut quantiles)?;
                    let probability = detaches.then(|| (self.probability)(&both, predictor.calibration()));
                    let mut cells: Vec<Cell> =
                        probability.into_iter().chain(numbers).map(Cell::from).collect();
                    cells.extend([&estimate.calibration, &text, &estimate.form].map(|t| Cell::Text(t)));
                    writer.write(&row, &cells)?;
                    summary.answered(&row, &estimate);
                }
                Err(reasons) => {
                    let text = reasons.iter().map(Error::to_string).collect::<Vec<_>>().join("; ");
                    let refused = format!("refused: {text}");
                    let mut cells = vec![Cell::Blank; names.len() - 3];
                    let name = predictor.calibration().name();
                    cells.extend([Cell::Text(name), Cell::Text(&refused), Cell::Blank]);
                    writer.write(&row, &cells)?;
                    summary.refused(reasons);
                }
            }
        }
        progress.finish();
        writer.finish()?.finish()?;
        if let (Some(path), Some(drawn)) = (&self.o.plot, &drawn) {
            drawn.draw(path, self.level)?;
        }
        Ok(summary)
    }
}
