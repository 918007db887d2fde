//! `knap estimate`: the sizes of one flake, or of every row of a table.

use crate::blow::{BlowOptions, Given, parsed};
use crate::estimate_plot::{self, Rows, Seen};
use crate::failure::{Failure, Outcome, Whose};
use crate::measured::{KeptAbove, MeasuredWith};
use crate::mechanics::Detachment;
use crate::report::{RowFormat, print, table_as_table};
use crate::tables::{self, Sink};
use crate::taken::{TakenIn, named_number};
use clap::Args;
use conchoid::calibration::Calibration;
use conchoid::flake::Termination;
use conchoid::predict::{Ask, EstimateAt, LEVEL, Predictor};
use conchoid::table::{Completed, TableEstimates};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Args)]
pub struct Options {
    #[command(flatten)]
    pub blow: BlowOptions,
    /// A termination that is known: feather, hinge, step, overshot
    pub termination: Option<String>,
    /// A size that is known, such as length_mm=45; the other sizes are estimated in its light
    #[arg(conflicts_with = "table")]
    pub known: Option<String>,
    #[command(flatten)]
    pub measured: MeasuredWith,
    #[command(flatten)]
    pub kept: KeptAbove,
    /// Calibration by name, or a file made by `knap fit`
    pub calibration: Option<String>,
    /// Probability inside the intervals, between 0 and 1
    pub level: f64,
    /// Only this size (length_mm, width_mm, thickness_mm, mass_g); may be repeated
    #[arg(long = "size", value_name = "SIZE")]
    pub sizes: Vec<String>,
    /// How to print a single estimate; a table is answered as a table
    pub format: RowFormat,
    /// A table of platforms; - reads standard input
    pub table: Option<String>,
    /// Where the table with its estimates goes; standard output without it
    #[arg(requires = "table")]
    pub out: Option<String>,
    #[command(flatten)]
    pub taken: TakenIn,
    /// A picture (SVG): the strike among others like it, or the sizes of the table against what was expected
    pub plot: Option<String>,
}

pub fn run(o: &Options) -> Outcome<u8> {
    if o.table.is_some() {
        table_as_table(o.format)?;
    }
    let level = LEVEL.check(o.level).asked()?;
    let mut ask = Ask::default();
    ask.termination = parsed::<Termination>(&o.termination).asked()?;
    let calibration = o.blow.calibration(o.calibration.as_deref(), &o.blow.given()?)?;
    o.blow.check_also(&calibration, o.table.is_some() && o.calibration.is_none())?;
    ask.kept = o.kept.threshold()?;
    // what decided which flakes were kept is needed, though not told
    let needed = ask.kept.iter().flat_map(|k| k.sizes()).chain(&o.sizes).collect::<Vec<_>>();
    let calibration = if o.sizes.is_empty() { calibration } else { calibration.only(&needed).asked()? };
    match &o.table {
        Some(path) => table(o, path, calibration, &ask, level),
        None => single(o, calibration, &ask, level),
    }
}

fn single(o: &Options, calibration: Calibration, ask: &Ask, level: f64) -> Outcome<u8> {
    let given = o.blow.given()?;
    let predictor = Predictor::new(calibration)?;
    let detachment = Detachment::of(&given, predictor.calibration(), level)?;
    let errors = o.measured.errors()?;
    let estimate = predictor.estimate_with_error(&given, ask, &errors);
    let mut estimate = estimate.asked()?;
    estimate.sizes.retain(|s| o.sizes.is_empty() || o.sizes.contains(&s.size));
    if let Some(d) = &detachment {
        estimate.cautions.extend(d.answer.cautions.iter().cloned());
    }
    let known = |text| named_number("known", text, "SIZE=VALUE, such as length_mm=45");
    let known = o.known.as_deref().map(known).transpose()?;
    if let Some((name, _)) = &known
        && !o.sizes.is_empty()
        && !o.sizes.contains(name)
    {
        return Err(Failure::usage(format!("--known {name}: add --size {name}, or leave out --size")));
    }
    let at = match &known {
        None => estimate.at(level)?,
        Some((name, value)) => estimate.at_knowing(name, *value, level).asked()?,
    };
    if let Some(path) = &o.plot {
        // the curve is of what is expected before any size is known
        estimate_plot::single(path, &predictor, &given, ask, &estimate, level)?;
    }
    if o.format == RowFormat::Csv {
        if known.is_some() {
            return Err(Failure::usage("--known goes with --format text or json"));
        }
        let sheet = sheet(o, &given, predictor.calibration().clone(), ask, level)?;
        let probability = detachment.map(|d| d.probability.value);
        return sheet.write_one(Sink::open(None)?, &estimate, probability)?.finish().map(|()| 0);
    }
    let (detachment, measurement_errors) = (detachment.as_ref(), o.measured.given());
    let all = Printed { detachment, estimate: &at, measurement_errors };
    print(o.format == RowFormat::Json, &all, |page| {
        if let Some(d) = detachment {
            page.say(d.in_words());
            page.line("");
        }
        page.told(estimate.in_words(&at));
        let errors = o.measured.in_words();
        if !errors.is_empty() {
            page.say(errors);
        }
        page.picture(o.plot.as_ref());
        page.cautions(&[("", &estimate.cautions)]);
    })
}

/// The columns that estimates add.
fn sheet<'a>(
    o: &Options,
    given: &'a Given,
    calibration: Calibration,
    ask: &Ask,
    level: f64,
) -> Outcome<TableEstimates<'a>> {
    let by_row = o.calibration.is_none();
    let estimates = tables::estimates(&o.blow, given, calibration, by_row, level)?;
    let estimates = estimates.ask(ask.clone()).measured_with(o.measured.errors()?);
    Ok(if o.sizes.is_empty() { estimates } else { estimates.only(&o.sizes)? })
}

/// Every row of a table, in and out in constant memory.
fn table(o: &Options, path: &str, calibration: Calibration, ask: &Ask, level: f64) -> Outcome<u8> {
    let options = o.taken.options(&[&calibration], &[])?;
    let given = o.blow.given()?;
    let table = tables::open(path, &options)?;
    let estimates = sheet(o, &given, calibration, ask, level)?.detachment(table.header());
    let sink = Sink::open(o.out.as_deref())?;
    let progress = tables::progress("estimating");
    let (sink, summary) = match &o.plot {
        None => estimates.write(table, sink, progress).of_table(path)?,
        Some(plot) => {
            let mut drawn = Rows::default();
            let see = |row: &Completed<'_>, e| Seen::of(row, &e, level);
            let done = estimates.write_seen(table, sink, progress, see, |seen| drawn.take(seen));
            let done = done.of_table(path)?;
            drawn.draw(plot, level)?;
            done
        }
    };
    sink.finish()?;
    let code = crate::report::summary(&summary);
    o.taken.remind(&summary);
    Ok(code)
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    detachment: Option<&'a Detachment>,
    #[serde(flatten)]
    estimate: &'a EstimateAt,
    /// Standard deviations that were given, by measurement.
    #[serde(skip_serializing_if = "Option::is_none")]
    measurement_errors: Option<BTreeMap<&'static str, f64>>,
}
