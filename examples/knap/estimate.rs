//! `knap estimate`: the sizes of one flake, or of every row of a table.

use crate::blow::{BlowOptions, calibration};
use crate::estimate_plot;
use crate::failure::{Failure, Outcome};
use crate::measured::MeasuredWith;
use crate::mechanics::{self, Detachment};
use crate::report::{Format, Ordered, cautions, count, percent, short, wrapped};
use crate::tables::{self, Progress, Sink};
use clap::Args;
use conchoid::Error;
use conchoid::calibration::{Calibration, SIZES};
use conchoid::flake::Termination;
use conchoid::predict::caution::in_words;
use conchoid::predict::measurement::MeasurementErrors;
use conchoid::predict::{Ask, Caution, Estimate, Interval, Joint, LEVEL, Predictor, Quantiles, SizeEstimate};
use conchoid::table::{Cell, Row, RowOutcome, TableWriter, Tally};
use std::collections::BTreeMap;

/// Terminations with a column of their own.
const TERMINATIONS: [&str; 4] = ["feather", "hinge", "step", "overshot"];

pub const EXAMPLES: &str = "\
Examples:
  knap estimate --depth-mm 8 --angle-deg 75 --stone flint --percussor quartzite
  knap estimate --depth-mm 8 --angle-deg 75 --percussor antler --percussor-mass-g 300 \
      --tip-radius-mm 15 --speed-m-s 4..7
  knap estimate --depth-mm 8 --angle-deg 75 --depth-error-mm 0.5 --angle-error-deg 4 --plot blow.svg
  knap estimate --table platforms.csv --out expected.csv --plot expected.svg
A table's columns are found by name (platform_depth_mm, exterior_platform_angle_deg, ...); other names are
mapped with --column theirs=ours. Exit code 0: every row answered; 3: some refused (they stay in place,
with the reason).";

#[derive(Args)]
pub struct Options {
    #[command(flatten)]
    pub blow: BlowOptions,
    /// A termination that is known: feather, hinge, step, overshot
    #[arg(long, value_name = "TERMINATION")]
    pub termination: Option<String>,
    /// A size that is known, such as length_mm=45: the others are given it
    #[arg(long, value_name = "SIZE=VALUE", conflicts_with = "table")]
    pub known: Option<String>,
    #[command(flatten)]
    pub measured: MeasuredWith,
    /// Calibration by name, or a file made by `knap fit`
    #[arg(long, value_name = "NAME|FILE")]
    pub calibration: Option<String>,
    /// Probability inside the intervals
    #[arg(long, default_value_t = 0.95, value_name = "P", allow_negative_numbers = true)]
    pub level: f64,
    /// How to print a single estimate
    #[arg(long, value_enum, default_value = "text")]
    pub format: Format,
    /// A table of platforms; - reads standard input
    #[arg(long, value_name = "FILE")]
    pub table: Option<String>,
    /// Where the table with its estimates goes; standard output without it
    #[arg(long, value_name = "FILE", requires = "table")]
    pub out: Option<String>,
    /// A column of the table with another name: theirs=ours
    #[arg(long = "column", value_name = "THEIRS=OURS", requires = "table")]
    pub columns: Vec<String>,
    /// A picture (SVG): the strike among others like it, or the sizes of the table against what was expected
    #[arg(long, value_name = "FILE")]
    pub plot: Option<String>,
}

pub fn run(o: &Options) -> Outcome<u8> {
    let level = LEVEL.check(o.level).map_err(Failure::of_options)?;
    let termination = o.termination.as_deref().map(str::parse::<Termination>).transpose();
    let termination = termination.map_err(Failure::of_options)?;
    let calibration = calibration(o.calibration.as_deref(), o.blow.stone.as_deref())?;
    let mut ask = Ask::default();
    ask.termination = termination;
    match &o.table {
        Some(path) => table(o, path, calibration, &ask, level),
        None => single(o, calibration, &ask, level),
    }
}

fn single(o: &Options, calibration: Calibration, ask: &Ask, level: f64) -> Outcome<u8> {
    let given = o.blow.given()?;
    let predictor = Predictor::new(calibration)?;
    let detachment = Detachment::of_options(&o.blow, &given, predictor.calibration(), level)?;
    let errors = o.measured.errors()?;
    let estimate = predictor.estimate_with_error(&given, ask, &errors);
    let mut estimate = estimate.map_err(Failure::of_options)?;
    if let Some(d) = &detachment {
        estimate.cautions.extend(d.answer.cautions.iter().cloned());
    }
    let known = o.known.as_deref().map(known_size).transpose()?;
    let answers = answers(&estimate, known.as_ref(), level)?;
    if let Some(path) = &o.plot {
        // the curve is of what is expected before any size is known
        let each = estimate.sizes.iter().map(|s| s.predictive.interval(level));
        let each = each.collect::<Result<Vec<_>, _>>()?;
        estimate_plot::single(path, &predictor, &given, ask, &estimate, &each)?;
    }
    match o.format {
        Format::Text => print_text(o, &estimate, &answers, known.as_ref(), detachment.as_ref(), level)?,
        Format::Json => json(o, &estimate, &answers, detachment.as_ref())?.print()?,
        Format::Csv if known.is_some() => {
            return Err(Failure::usage("--known goes with --format text or json"));
        }
        Format::Csv => print_csv(&estimate, detachment.as_ref(), level)?,
    }
    Ok(0)
}

/// A size that is known, from the command line.
fn known_size(text: &str) -> Outcome<(String, f64)> {
    let wrong = || Failure::usage(format!("--known {text}: write SIZE=VALUE, such as length_mm=45"));
    let (name, value) = text.split_once('=').ok_or_else(wrong)?;
    Ok((name.trim().to_string(), value.trim().parse().map_err(|_| wrong())?))
}

/// The interval and the mean of every size, given the one that is known.
fn answers(e: &Estimate, known: Option<&(String, f64)>, level: f64) -> Outcome<Vec<(Interval, Option<f64>)>> {
    let given = match known {
        None => None,
        Some((name, value)) => {
            let joint = Joint::new(e)?;
            Some(joint.given(name, *value).map_err(Failure::of_options)?)
        }
    };
    let one = |s: &SizeEstimate| -> Outcome<(Interval, Option<f64>)> {
        let Some(given) = &given else {
            return Ok((s.predictive.interval(level)?, s.predictive.mean_under_normal_errors()));
        };
        match (given.size(&s.size), known) {
            (Some(other), _) => Ok((other.interval(level)?, None)),
            (None, Some((_, value))) => {
                Ok((Interval { low: *value, median: *value, high: *value, level }, Some(*value)))
            }
            (None, None) => Ok((s.predictive.interval(level)?, None)),
        }
    };
    e.sizes.iter().map(one).collect()
}

/// What a size is called in a sentence; the column it means where that says more.
fn label(s: &SizeEstimate) -> String {
    in_words(if s.column == s.size { &s.size } else { &s.column })
}

fn unit(size: &str) -> &'static str {
    if size.ends_with("_g") { "g" } else { "mm" }
}

fn print_text(
    o: &Options,
    e: &Estimate,
    answers: &[(Interval, Option<f64>)],
    known: Option<&(String, f64)>,
    detachment: Option<&Detachment>,
    level: f64,
) -> Outcome<()> {
    use std::io::Write;
    let mut out = std::io::stdout().lock();
    if let Some(d) = detachment {
        writeln!(out, "{}\n", d.in_words())?;
    }
    let given = known.map_or(String::new(), |(n, v)| format!(" and its {} of {v} {}", in_words(n), unit(n)));
    writeln!(out, "Expected of this blow{given}; {} % of such flakes fall inside:\n", percent(level))?;
    for (s, (i, _)) in e.sizes.iter().zip(answers) {
        writeln!(
            out,
            "  {:15} {:>7} {:2}   ({} to {})",
            label(s),
            short(i.median),
            unit(&s.size),
            short(i.low),
            short(i.high)
        )?;
    }
    if !e.terminations.is_empty() {
        let told: Vec<String> = e
            .terminations
            .iter()
            .map(|t| {
                format!(
                    "{} {} ({} to {})",
                    t.termination,
                    percent2(t.value),
                    percent2(t.low),
                    percent2(t.high)
                )
            })
            .collect();
        writeln!(out, "\n{}", wrapped(&format!("How it ends, in %: {}.", told.join(", ")), "  ", "  ", 79))?;
    }
    let behind = format!(
        "From the calibration {} ({} stand behind it), by {} (form {}).",
        e.calibration,
        count(e.flakes, "flake", "flakes"),
        e.variant,
        e.form
    );
    writeln!(out, "\n{}", wrapped(&behind, "", "", 79))?;
    let errors = o.measured.in_words();
    if !errors.is_empty() {
        writeln!(out, "{}", wrapped(&errors, "", "", 79))?;
    }
    if let Some(path) = &o.plot {
        writeln!(out, "Picture written to {path}")?;
    }
    write!(out, "{}", cautions(&e.cautions))?;
    out.flush()?;
    Ok(())
}

fn json(
    o: &Options,
    e: &Estimate,
    answers: &[(Interval, Option<f64>)],
    detachment: Option<&Detachment>,
) -> Outcome<Ordered> {
    let mut out = Ordered::default();
    if let Some(d) = detachment {
        out.nest("detachment", d.json());
    }
    for (s, (Interval { low, median, high, level }, mean)) in e.sizes.iter().zip(answers) {
        let mut size = Ordered::default();
        size.put("low", low).put("median", median).put("high", high);
        size.put("mean", mean).put("level", level);
        if s.column != s.size {
            size.put("measures", &s.column);
        }
        out.nest(&s.size, size);
    }
    let mut ends = Ordered::default();
    for t in &e.terminations {
        let mut one = Ordered::default();
        one.put("value", t.value).put("low", t.low).put("high", t.high);
        ends.nest(&t.termination, one);
    }
    out.nest("termination", ends);
    let mut behind = Ordered::default();
    behind.put("name", &e.calibration).put("form", &e.form).put("n", e.flakes).put("measured_by", &e.variant);
    out.nest("calibration", behind);
    if !o.measured.in_words().is_empty() {
        out.nest("measurement_errors", o.measured.json());
    }
    out.put("cautions", &e.cautions);
    Ok(out)
}

/// A probability in whole percent, or as far below one as it is.
fn percent2(p: f64) -> String {
    if p > 0.0 && p < 0.01 { format!("{:.1}", p * 100.0) } else { format!("{:.0}", p * 100.0) }
}

/// Names of the result columns of a table.
fn result_columns(detachment: bool) -> Vec<String> {
    let mut names = Vec::new();
    if detachment {
        names.push(mechanics::PROBABILITY.to_string());
    }
    for size in SIZES {
        for end in ["low", "median", "high"] {
            names.push(format!("expected_{size}_{end}"));
        }
    }
    names.extend(TERMINATIONS.map(|t| format!("p_{t}")));
    names.extend(["calibration".to_string(), "cautions".to_string(), "form".to_string()]);
    names
}

fn result_numbers(e: &Estimate, level: f64, quantiles: &mut Quantiles) -> Outcome<Vec<Option<f64>>> {
    let mut numbers = Vec::with_capacity(16);
    for size in SIZES {
        match e.size(size) {
            Some(p) => {
                let i = p.interval_with(level, quantiles)?;
                numbers.extend([Some(i.low), Some(i.median), Some(i.high)]);
            }
            None => numbers.extend([None; 3]),
        }
    }
    for name in TERMINATIONS {
        let known = e.terminations.iter().find(|t| t.termination == name);
        numbers.push(known.map(|t| (t.value * 1e6).round() / 1e6));
    }
    Ok(numbers)
}

fn print_csv(e: &Estimate, detachment: Option<&Detachment>, level: f64) -> Outcome<()> {
    let names = result_columns(detachment.is_some());
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut writer = TableWriter::sheet(Sink::open(None)?, conchoid::table::Separator::Comma, &names)?;
    let text = joined(&e.cautions, true);
    let probability = detachment.map(|d| Some(d.answer.detachment_probability.value));
    let numbers = result_numbers(e, level, &mut Quantiles::default())?;
    let mut cells: Vec<Cell> = probability.into_iter().chain(numbers).map(Cell::from).collect();
    cells.extend([Cell::Text(&e.calibration), Cell::Text(&text), Cell::Text(&e.form)]);
    writer.write_cells(&cells)?;
    writer.finish()?.finish()
}

/// Cautions as one cell; what holds for every row of a calibration is told once, in the summary.
pub fn joined(list: &[Caution], all: bool) -> String {
    let own = list.iter().filter(|c| {
        all || !matches!(c, Caution::NotInExperiment { .. } | Caution::TerminationsNotTold { .. })
    });
    own.map(Caution::to_string).collect::<Vec<_>>().join("; ")
}

fn table(o: &Options, path: &str, calibration: Calibration, ask: &Ask, level: f64) -> Outcome<u8> {
    let options = tables::options(&o.columns, Some(&calibration), &[])?;
    let given = o.blow.given()?;
    let by_stone = o.calibration.is_none() && o.blow.stone.is_none();
    let mut reader = tables::open(path, &options)?;
    for remark in reader.header().remarks() {
        eprintln!("knap: {remark}");
    }
    let mut predictors = Predictors::new(calibration, by_stone)?;
    let detaches = mechanics::in_table(reader.header(), &o.blow.delivery);
    let names = result_columns(detaches);
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut writer = TableWriter::new(Sink::open(o.out.as_deref())?, reader.header(), &names)?;
    let progress = Progress::new("estimating");
    let mut summary = Summary::default();
    let mut quantiles = Quantiles::default();
    let errors = o.measured.errors()?;
    let mut drawn = o.plot.as_ref().map(|_| estimate_plot::Rows::default());
    let mut row = reader.row();
    while reader.read(&mut row).map_err(|e| Failure::other(format!("{path}: {e}")))? {
        progress.tick(row.row_number());
        let both = RowOr { row: &row, given: &given };
        let predictor = predictors.of(&both)?;
        match answer(predictor, &row, &both, ask, &errors) {
            Ok(estimate) => {
                if let Some(drawn) = &mut drawn {
                    drawn.take(&row, &both, &estimate, level)?;
                }
                let text = joined(&estimate.cautions, false);
                let numbers = result_numbers(&estimate, level, &mut quantiles)?;
                let probability = detaches
                    .then(|| mechanics::probability(&both, &row, &o.blow.delivery, predictor.calibration()));
                let mut cells: Vec<Cell> = probability.into_iter().chain(numbers).map(Cell::from).collect();
                cells.extend([
                    Cell::Text(&estimate.calibration),
                    Cell::Text(&text),
                    Cell::Text(&estimate.form),
                ]);
                writer.write(&row, &cells)?;
                summary.answered(&row, &estimate);
            }
            Err(reasons) => {
                let text = reasons.iter().map(Error::to_string).collect::<Vec<_>>().join("; ");
                let mut cells = vec![Cell::Blank; 16 + usize::from(detaches)];
                let refused = format!("refused: {text}");
                cells.extend([Cell::Text(predictor.calibration().name()), Cell::Text(&refused), Cell::Blank]);
                writer.write(&row, &cells)?;
                summary.refused(reasons);
            }
        }
    }
    progress.finish();
    writer.finish()?.finish()?;
    if let (Some(path), Some(drawn)) = (&o.plot, &drawn) {
        drawn.draw(path, level)?;
    }
    summary.print();
    Ok(if summary.tally.refused() > 0 { 3 } else { 0 })
}

/// A row of a table, completed by what was given on the command line for all rows.
pub struct RowOr<'a> {
    pub row: &'a Row,
    pub given: &'a crate::blow::Given,
}

impl conchoid::strike::Measured for RowOr<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        conchoid::strike::Measured::number(self.row, name).or_else(|| self.given.number(name))
    }
    fn class(&self, name: &str) -> Option<&str> {
        conchoid::strike::Measured::class(self.row, name).or_else(|| self.given.class(name))
    }
}

/// The calibration asked for, or the default one for the stone of each row.
pub struct Predictors {
    first: Predictor,
    by_stone: bool,
    others: BTreeMap<&'static str, Predictor>,
}

impl Predictors {
    pub fn new(calibration: Calibration, by_stone: bool) -> Outcome<Predictors> {
        Ok(Predictors { first: Predictor::new(calibration)?, by_stone, others: BTreeMap::new() })
    }

    pub fn of(&mut self, row: &impl conchoid::strike::Measured) -> Outcome<&Predictor> {
        use conchoid::calibration::bundled;
        let name = bundled::default_for(row.class("stone"));
        if !self.by_stone || name == self.first.calibration().name() {
            return Ok(&self.first);
        }
        if !self.others.contains_key(name) {
            self.others.insert(name, Predictor::new(bundled::named(name)?)?);
        }
        Ok(&self.others[name])
    }
}

/// The estimate of one row, or why there is none.
pub fn answer(
    p: &Predictor,
    row: &Row,
    both: &RowOr,
    ask: &Ask,
    errors: &MeasurementErrors,
) -> Result<Estimate, Vec<Error>> {
    if let Some(e) = row.refused() {
        return Err(vec![e.clone()]);
    }
    p.estimate_with_error(both, ask, errors).map_err(|e| {
        // a bad cell in a column that the answer could have used is the reason, before what is missing
        let reads = p.reads();
        let mut reasons: Vec<Error> = reads
            .iter()
            .filter_map(|n| row.header().column(n).and_then(|id| row.problem(id)).cloned())
            .collect();
        let told = |e: &Error| {
            matches!(e, Error::Missing { at, .. } if at.column.as_deref().is_some_and(|c| {
                row.header().column(c).and_then(|id| row.problem(id)).is_some()
            }))
        };
        if !told(&e) {
            reasons.insert(0, e.in_row(row.row_number()));
        }
        reasons
    })
}

/// Counts for the summary on standard error.
#[derive(Default)]
pub struct Summary {
    pub tally: Tally,
    remarks: Vec<String>,
    reasons: Vec<String>,
    used: BTreeMap<(String, String), u64>,
    cautions: BTreeMap<&'static str, (u64, String)>,
}

/// How many remarks and reasons are spelled out.
const SPELLED_OUT: usize = 10;

impl Summary {
    pub fn answered(&mut self, row: &Row, e: &Estimate) {
        let remarks: Vec<Error> = row.problems().cloned().collect();
        let room = SPELLED_OUT.saturating_sub(self.remarks.len());
        self.remarks.extend(remarks.iter().take(room).map(Error::to_string));
        self.tally.count(&if remarks.is_empty() {
            RowOutcome::Read
        } else {
            RowOutcome::ReadWithRemark(remarks)
        });
        match self.used.get_mut(&(e.calibration.clone(), e.variant.clone())) {
            Some(n) => *n += 1,
            None => {
                self.used.insert((e.calibration.clone(), e.variant.clone()), 1);
            }
        }
        for c in &e.cautions {
            self.cautions.entry(c.kind()).or_insert_with(|| (0, c.to_string())).0 += 1;
        }
    }

    pub fn refused(&mut self, reasons: Vec<Error>) {
        let room = SPELLED_OUT.saturating_sub(self.reasons.len());
        self.reasons.extend(reasons.iter().take(room).map(Error::to_string));
        self.tally.count(&RowOutcome::Refused(reasons));
    }

    pub fn print(&self) {
        let t = &self.tally;
        eprintln!(
            "{}: {} answered without a remark, {} with a remark, {} refused",
            count(t.rows(), "row", "rows"),
            t.read(),
            t.remarked(),
            t.refused()
        );
        for ((calibration, variant), n) in &self.used {
            eprintln!("  {n} by {calibration}: {variant}");
        }
        for (what, list, all) in
            [("refused", &self.reasons, t.refused()), ("remark", &self.remarks, t.remarked())]
        {
            for text in list {
                eprintln!("  {what}: {text}");
            }
            if all > SPELLED_OUT as u64 {
                eprintln!("  ({} rows in all; the first {SPELLED_OUT} are told)", all);
            }
        }
        for (kind, (n, example)) in &self.cautions {
            eprintln!("  caution on {}, {kind}: {example}", count(*n, "row", "rows"));
        }
    }
}
