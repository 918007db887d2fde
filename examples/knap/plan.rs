//! `knap plan`: what to strike next, and what it will buy.

use crate::blow::calibration;
use crate::failure::{Failure, Outcome};
use crate::number::{self, number};
use crate::plan_plot;
use crate::plan_sheet::{self, Target, target_name};
use crate::report::{Format, Ordered, count, percent, short, wrapped};
use crate::tables;
use clap::{Args, ValueEnum};
use conchoid::calibration::{SizeModel, Spread};
use conchoid::fit::Design;
use conchoid::form::{self, Form, Transform, indicator, value};
use conchoid::material::PercussorMaterial;
use conchoid::plan::{
    Aim, Allocation, Candidates, Chosen, Cores, Criterion, Exchange, Factor, Information, SettingValue,
    WithinTolerance, choose, continuous_optimum, expected_width, power, undetermined,
};
use conchoid::predict::LEVEL;
use conchoid::predict::caution::in_words;
use conchoid::strike::{Blow, Measured, Platform};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use std::fmt::Write as _;
use std::io::Write;

pub const EXAMPLES: &str = "\
Examples:
  knap plan --flakes 24 --percussor quartzite,antler --difference 1.5 --sheet saturday.csv
  knap plan --flakes 12 --depth-mm 4..10 --angle-deg 65..85 --existing mine.csv --criterion i
The sheet has a line for each flake, with blanks for what is measured; filled in, knap fit reads it as it is.";

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Aimed {
    /// The coefficients of the form
    D,
    /// The predictions, at --at or over the whole reach
    I,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Allotted {
    /// Every percussor on every core
    Within,
    /// Each core by one percussor
    ByCore,
}

#[derive(Args)]
pub struct Options {
    /// Flakes to be struck
    #[arg(long, value_name = "N")]
    flakes: usize,
    /// The form: log-log, tangent-power, cube-root, area, area-angle
    #[arg(long, value_name = "FORM", default_value = "log-log")]
    form: String,
    /// Reach of the platform depth, mm
    #[arg(long, value_name = "LOW..HIGH")]
    depth_mm: Option<String>,
    /// Reach of the exterior platform angle, degrees
    #[arg(long, value_name = "LOW..HIGH")]
    angle_deg: Option<String>,
    /// Reach of the platform area, mm2
    #[arg(long, value_name = "LOW..HIGH")]
    area_mm2: Option<String>,
    /// Reach of the angle of blow, degrees; adds a term for it
    #[arg(long, value_name = "LOW..HIGH")]
    angle_of_blow_deg: Option<String>,
    /// Percussors, with commas between; each after the first adds a term to the form
    #[arg(long, value_name = "A,B", value_delimiter = ',')]
    percussor: Vec<String>,
    /// What is made certain
    #[arg(long, value_enum, default_value = "d")]
    criterion: Aimed,
    /// A platform to predict at: depth_mm=8,angle_deg=75[,percussor=antler]; may be repeated
    #[arg(long, value_name = "SETTINGS")]
    at: Vec<String>,
    /// The size to be fitted: length_mm, width_mm, thickness_mm, mass_g
    #[arg(long, value_name = "COLUMN", default_value = "mass_g")]
    response: String,
    /// Calibration from which the spread is taken, by name or file
    #[arg(long, value_name = "NAME|FILE")]
    calibration: Option<String>,
    /// The spread itself, on the scale of the form (ln for log-log), instead of a calibration's
    #[arg(long, value_name = "SD", allow_negative_numbers = true)]
    spread: Option<f64>,
    /// Spread between cores, on the same scale (ln for log-log)
    #[arg(long, value_name = "SD", allow_negative_numbers = true)]
    between_cores: Option<f64>,
    /// Flakes from each core
    #[arg(long, value_name = "M")]
    flakes_per_core: Option<usize>,
    /// Which flakes of a core are struck by which percussor
    #[arg(long, value_enum, default_value = "within")]
    cores: Allotted,
    /// A table of the flakes you have already
    #[arg(long, value_name = "FILE")]
    existing: Option<String>,
    /// A column of that table with another name: theirs=ours
    #[arg(long = "column", value_name = "THEIRS=OURS", requires = "existing")]
    columns: Vec<String>,
    /// The stone to be flaked
    #[arg(long, value_name = "STONE")]
    stone: Option<String>,
    /// The ratio of sizes between two percussors that the plan should be able to show, such as 1.5
    #[arg(long, value_name = "RATIO", allow_negative_numbers = true)]
    difference: Option<f64>,
    /// Probability inside the intervals, between 0 and 1
    #[arg(long, default_value_t = 0.95, value_name = "P", allow_negative_numbers = true)]
    level: f64,
    /// Seed of the random starts and of the order of striking; the same seed gives the same plan
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Where the sheet to fill in goes
    #[arg(long, value_name = "FILE")]
    sheet: Option<String>,
    /// A picture (SVG) of what more or fewer flakes would buy
    #[arg(long, value_name = "FILE")]
    plot: Option<String>,
    /// How to print the plan
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

/// A measurement that can be set: its step and how near a practised knapper strikes (common practice, no
/// source), and the reach taken where none is given.
struct Settable {
    name: &'static str,
    flag: &'static str,
    step: f64,
    tolerance: f64,
    reach: (f64, f64),
}

const SETTABLE: [Settable; 4] = [
    Settable { name: form::DEPTH, flag: "depth-mm", step: 1.0, tolerance: 1.0, reach: (4.0, 12.0) },
    Settable { name: form::ANGLE, flag: "angle-deg", step: 5.0, tolerance: 5.0, reach: (60.0, 85.0) },
    Settable { name: form::AREA, flag: "area-mm2", step: 20.0, tolerance: 20.0, reach: (20.0, 300.0) },
    Settable {
        name: form::ANGLE_OF_BLOW,
        flag: "angle-of-blow-deg",
        step: 5.0,
        tolerance: 5.0,
        reach: (0.0, 30.0),
    },
];

/// Random starts for the plan itself, and for each point of the curves.
const STARTS: (usize, usize) = (20, 4);

/// Numbers of flakes of the curves.
const CURVE: [usize; 8] = [6, 8, 12, 16, 24, 36, 48, 72];

/// A platform of `--at`, or a flake of the existing table with its percussor by its plain name.
struct Named {
    numbers: Vec<(String, f64)>,
    percussor: Option<String>,
}

impl Measured for Named {
    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.iter().find(|(n, _)| n == name).map(|(_, v)| *v)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.percussor.as_deref().filter(|_| name == "percussor")
    }
}

/// `4..12`, or one number.
fn reach(flag: &str, text: &str) -> Outcome<(f64, f64)> {
    let wrong = |e: String| Failure::usage(format!("--{flag}: {e}"));
    match number::ends(text).map_err(wrong)? {
        Some((low, high)) if low <= high => Ok((low, high)),
        Some(_) => Err(wrong(format!("\"{text}\" falls; write LOW..HIGH, such as 4..12"))),
        None => number(text).map(|v| (v, v)).map_err(wrong),
    }
}

/// Refuses what no platform or blow can be.
fn check(name: &str, v: f64) -> Result<(), conchoid::Error> {
    match name {
        form::DEPTH => Platform::builder().depth_mm(v).build().map(|_| ()),
        form::ANGLE => Platform::builder().exterior_platform_angle_deg(v).build().map(|_| ()),
        form::AREA => Platform::builder().area_mm2(v).build().map(|_| ()),
        _ => Blow::builder().angle_of_blow_deg(v).build().map(|_| ()),
    }
}

/// The word among those given for the percussor that this word means; itself where it is none of them.
fn percussor(text: &str, given: &[String]) -> Outcome<String> {
    let known = PercussorMaterial::named(text.trim()).map_err(usage)?;
    let same = |g: &&String| PercussorMaterial::named(g).is_ok_and(|m| m.name() == known.name());
    Ok(given.iter().find(same).cloned().unwrap_or_else(|| text.trim().to_lowercase()))
}

/// The percussors of the command line, in the user's own words, each once.
fn percussors(texts: &[String]) -> Outcome<Vec<String>> {
    let mut out: Vec<String> = Vec::new();
    for text in texts {
        let word = percussor(text, &out)?;
        if out.contains(&word) {
            return Err(Failure::usage(format!("--percussor: {text} stands twice")));
        }
        out.push(word);
    }
    Ok(out)
}

/// An error about what stood on the command line.
fn usage(e: conchoid::Error) -> Failure {
    Failure::usage(e.to_string())
}

/// The experiment as asked for.
struct Wanted {
    form: Form,
    reach: Candidates,
    percussors: Vec<String>,
    /// Platforms named by `--at`, by their words, or the whole reach.
    at: Vec<(String, Vec<f64>)>,
    everywhere: Vec<Vec<f64>>,
    existing: Option<Existing>,
    spread: SpreadUsed,
    cores: Option<Cores>,
    level: f64,
    /// On the scale of the form.
    difference: Option<(f64, f64)>,
}

struct Existing {
    design: Option<Design>,
    used: usize,
    left_out: u64,
}

struct SpreadUsed {
    value: f64,
    between: Option<f64>,
    from: String,
}

impl Wanted {
    fn of(o: &Options) -> Outcome<Wanted> {
        let level = LEVEL.check(o.level).map_err(usage)?;
        let percussors = percussors(&o.percussor)?;
        let mut form = Form::named(&o.form).map_err(usage)?;
        if o.angle_of_blow_deg.is_some() {
            form = form.with_terms([value(form::ANGLE_OF_BLOW)]).map_err(usage)?;
        }
        let several = percussors.len() > 1;
        if several {
            let terms = percussors[1..].iter().map(|p| indicator("percussor", p));
            form = form.with_terms(terms.collect::<Vec<_>>()).map_err(usage)?;
        }
        let given = [&o.depth_mm, &o.angle_deg, &o.area_mm2, &o.angle_of_blow_deg];
        let needs = form.needs();
        let mut factors = Vec::new();
        for (s, text) in SETTABLE.iter().zip(given) {
            let needed = needs.iter().any(|n| n == s.name);
            let (low, high) = match text {
                Some(_) if !needed => {
                    let m = format!("--{}: the form {} does not read it", s.flag, form.name());
                    return Err(Failure::usage(m));
                }
                Some(text) => reach(s.flag, text)?,
                None if needed => s.reach,
                None => continue,
            };
            [low, high].iter().try_for_each(|v| check(s.name, *v)).map_err(usage)?;
            // at least four steps, however narrow the reach
            let step = if low < high { s.step.min((high - low) / 4.0) } else { s.step };
            let factor = Factor::steps(s.name, low, high, step).and_then(|f| f.with_tolerance(s.tolerance));
            factors.push(factor.map_err(usage)?);
        }
        if several {
            let levels: Vec<&str> = percussors.iter().map(String::as_str).collect();
            factors.push(Factor::class("percussor", &levels).map_err(usage)?);
        }
        let reach = Candidates::grid(&form, factors).map_err(usage)?;
        let everywhere = rows(reach.design());
        let mut at = Vec::new();
        for text in &o.at {
            at.extend(platform(text, &percussors, &reach)?);
        }
        let existing =
            o.existing.as_deref().map(|path| existing(o, path, &reach, &percussors)).transpose()?;
        let spread = spread(o, form.transform())?;
        let cores = match o.flakes_per_core {
            None if o.between_cores.is_some() => {
                return Err(Failure::usage("--between-cores: say --flakes-per-core too"));
            }
            None => None,
            Some(m) => {
                let between = spread.between.ok_or_else(|| {
                    Failure::usage("--flakes-per-core: this calibration does not know how cores differ; say --between-cores")
                })?;
                Some(Cores::new(spread.value, between, m).map_err(usage)?)
            }
        };
        let difference = o.difference.map(|ratio| difference(ratio, &form, several)).transpose()?;
        Ok(Wanted { form, reach, percussors, at, everywhere, existing, spread, cores, level, difference })
    }

    fn old(&self) -> Option<&Design> {
        self.existing.as_ref().and_then(|e| e.design.as_ref())
    }

    fn exchange(&self, o: &Options, flakes: usize, starts: usize) -> Exchange {
        let mut exchange = Exchange::new(flakes).starts(starts);
        if o.criterion == Aimed::I {
            exchange = exchange.criterion(Criterion::Predictions { at: self.platforms() });
        }
        match self.old() {
            Some(old) => exchange.existing(old.clone()),
            None => exchange,
        }
    }

    /// Where intervals are judged: the platforms named, or the whole reach.
    fn platforms(&self) -> Vec<Vec<f64>> {
        if self.at.is_empty() {
            self.everywhere.clone()
        } else {
            self.at.iter().map(|a| a.1.clone()).collect()
        }
    }

    fn width(&self, i: &Information, row: &[f64], aim: Aim) -> Option<f64> {
        match &self.cores {
            Some(c) => c.expected_width(i, row, self.level, aim).ok(),
            None => expected_width(i, row, self.spread.value, self.level, aim).ok(),
        }
    }

    /// The mean width over the platforms, on the scale of the form.
    fn mean_width(&self, i: &Information, aim: Aim) -> Option<f64> {
        let at = self.platforms();
        let widths = at.iter().map(|x| self.width(i, x, aim)).collect::<Option<Vec<f64>>>()?;
        Some(widths.iter().sum::<f64>() / at.len() as f64)
    }

    /// The chance to see the least visible of the differences from the first percussor.
    fn power(&self, o: &Options, i: &Information) -> Option<f64> {
        let (_, difference) = self.difference?;
        let chances = self.percussors[1..].iter().map(|p| {
            let variance = i.variance_of(&indicator("percussor", p).to_string()).ok()?;
            match &self.cores {
                None => power(difference, self.spread.value, variance, i.degrees_of_freedom(), 0.05).ok(),
                Some(c) => {
                    let allocation = match o.cores {
                        Allotted::Within => Allocation::WithinCores,
                        Allotted::ByCore => Allocation::ByCore,
                    };
                    c.power(difference, variance, i.flakes(), i.terms().len(), allocation, 0.05).ok()
                }
            }
        });
        chances.collect::<Option<Vec<f64>>>()?.into_iter().reduce(f64::min)
    }

    /// A width as a person reads it: high over low where the scale is logarithmic.
    fn readable(&self, width: f64) -> f64 {
        match self.form.transform() {
            Transform::Ln => width.exp(),
            Transform::Log10 => 10f64.powf(width),
            _ => width,
        }
    }

    fn logarithmic(&self) -> bool {
        matches!(self.form.transform(), Transform::Ln | Transform::Log10)
    }
}

fn rows(design: &Design) -> Vec<Vec<f64>> {
    (0..design.rows()).map(|i| design.matrix().row(i).iter().copied().collect()).collect()
}

/// The rows of one `--at`: for each percussor where none is named.
fn platform(text: &str, percussors: &[String], reach: &Candidates) -> Outcome<Vec<(String, Vec<f64>)>> {
    let mut named = Named { numbers: Vec::new(), percussor: None };
    let wrong = || Failure::usage(format!("--at {text}: write depth_mm=8,angle_deg=75"));
    for pair in text.split(',') {
        let (key, v) = pair.split_once('=').ok_or_else(wrong)?;
        if key.trim() == "percussor" {
            named.percussor = Some(percussor(v, percussors)?);
            continue;
        }
        let flag = key.trim().replace('_', "-");
        let settable = SETTABLE.iter().find(|s| s.flag == flag || s.name == key.trim()).ok_or_else(|| {
            let names = SETTABLE.iter().map(|s| s.flag.replace('-', "_")).chain(["percussor".to_string()]);
            usage(conchoid::Error::unknown_name("--at", key.trim(), names))
        })?;
        let v = number(v).map_err(|e| Failure::usage(format!("--at {text}: {e}")))?;
        check(settable.name, v).map_err(usage)?;
        named.numbers.push((settable.name.to_string(), v));
    }
    let each: Vec<Option<String>> = match &named.percussor {
        None if percussors.len() > 1 => percussors.iter().cloned().map(Some).collect(),
        own => vec![own.clone()],
    };
    let spoken = named.percussor.is_some();
    each.into_iter()
        .map(|p| {
            let words = match &p {
                Some(p) if !spoken => format!("{text},percussor={p}"),
                _ => text.to_string(),
            };
            named.percussor = p;
            Ok((words, reach.row_of(&named).map_err(usage)?))
        })
        .collect()
}

/// The flakes one has already, as rows of the form.
fn existing(o: &Options, path: &str, reach: &Candidates, percussors: &[String]) -> Outcome<Existing> {
    let options = tables::options(&o.columns, None, &[])?;
    let mut table = tables::open(path, &options)?;
    let mut row = table.row();
    let mut taken: Vec<Vec<f64>> = Vec::new();
    let mut left_out = 0;
    while table.read(&mut row).map_err(|e| Failure::other(format!("{path}: {e}")))? {
        let plain = row.class("percussor").and_then(|p| percussor(p, percussors).ok());
        // of one percussor only: the others are another experiment
        let foreign = percussors.len() == 1 && plain.as_ref().is_some_and(|p| *p != percussors[0]);
        let numbers = SETTABLE.iter().filter_map(|s| Some((s.name.to_string(), row.number(s.name)?)));
        let named = Named { numbers: numbers.collect(), percussor: plain };
        match reach.row_of(&named) {
            Ok(terms) if row.refused().is_none() && !foreign => taken.push(terms),
            _ => left_out += 1,
        }
    }
    let used = taken.len();
    let design =
        if used == 0 { None } else { Some(Design::from_rows(reach.design().names().to_vec(), &taken)?) };
    Ok(Existing { design, used, left_out })
}

/// The spread asked for, or that of a calibration on the same scale.
fn spread(o: &Options, transform: Transform) -> Outcome<SpreadUsed> {
    if let Some(value) = o.spread {
        if !(value > 0.0 && value.is_finite()) {
            return Err(Failure::usage(format!("--spread: {value} is out of range (accepted: above 0)")));
        }
        return Ok(SpreadUsed { value, between: o.between_cores, from: "given by --spread".into() });
    }
    let c = calibration(o.calibration.as_deref(), o.stone.as_deref())?;
    let models: Vec<&SizeModel> =
        c.variants().iter().flat_map(|v| &v.sizes).filter(|m| m.size == o.response).collect();
    let Some(first) = models.first() else {
        let mut sizes: Vec<&str> =
            c.variants().iter().flat_map(|v| &v.sizes).map(|m| m.size.as_str()).collect();
        sizes.sort_unstable();
        sizes.dedup();
        let e = conchoid::Error::unknown_name("--response", &o.response, sizes);
        return Err(Failure::usage(format!("{e} in the calibration {}", c.name())));
    };
    let same = models
        .iter()
        .find(|m| m.form.name() == o.form && m.form.transform() == transform)
        .or_else(|| models.iter().find(|m| m.form.transform() == transform))
        .ok_or_else(|| {
            Failure::usage(format!(
                "the calibration {} has {}, the form {} needs the spread of {} (say --spread)",
                c.name(),
                first.form.transform().describe(&o.response),
                o.form,
                transform.describe(&o.response)
            ))
        })?;
    let (value, how) = match (&same.grouping, &same.spread) {
        (Some(g), _) if o.flakes_per_core.is_some() => (g.within, "within a core"),
        (_, Spread::Constant { value, .. }) => (*value, "about the form"),
        _ => (same.left_out_error, "of predicting each flake from the others"),
    };
    let between = o.between_cores.or(same.grouping.as_ref().map(|g| g.between));
    Ok(SpreadUsed { value, between, from: format!("{how}, from the calibration {}", c.name()) })
}

/// A ratio on the scale of the form.
fn difference(ratio: f64, form: &Form, several: bool) -> Outcome<(f64, f64)> {
    if !(ratio > 0.0 && ratio.is_finite() && ratio != 1.0) {
        let m = format!("--difference: {ratio} is out of range (accepted: a ratio above 0, not 1)");
        return Err(Failure::usage(m));
    }
    if !several {
        return Err(Failure::usage("--difference: name two percussors or more"));
    }
    match form.transform() {
        Transform::Ln => Ok((ratio, ratio.ln())),
        Transform::Log10 => Ok((ratio, ratio.log10())),
        _ => Err(Failure::usage("--difference: a ratio needs a form on a logarithmic scale")),
    }
}

/// One number of flakes of the curves, widths on the scale of the form.
struct OnCurve {
    flakes: usize,
    new_flake: Option<f64>,
    mean: Option<f64>,
    at: Vec<Option<f64>>,
    power: Option<f64>,
}

struct Plan {
    chosen: Chosen,
    targets: Vec<Target>,
    /// D-efficiency ratio, and mean widths of plan and grid; or the term the grid cannot tell.
    even: Result<(f64, Option<f64>, Option<f64>), String>,
    /// Share of the continuous bound, where nothing exists yet.
    bound: Option<f64>,
    tolerance: WithinTolerance,
    curve: Vec<OnCurve>,
    worth: Option<f64>,
    undetermined: Vec<String>,
}

pub fn run(o: &Options) -> Outcome<u8> {
    let wanted = Wanted::of(o)?;
    let plan = plan(o, &wanted)?;
    if let Some(path) = &o.sheet {
        plan_sheet::write(path, &plan.targets, o.stone.as_deref())?;
    }
    if let Some(path) = &o.plot {
        plot(path, &wanted, &plan, o)?;
    }
    match o.format {
        Format::Text => print_text(o, &wanted, &plan)?,
        Format::Json => json(o, &wanted, &plan).print()?,
    }
    Ok(0)
}

fn plan(o: &Options, w: &Wanted) -> Outcome<Plan> {
    let mut rng = ChaCha8Rng::seed_from_u64(o.seed);
    let chosen = choose(w.reach.design(), &w.exchange(o, o.flakes, STARTS.0), &mut rng).map_err(usage)?;
    let targets = targets(o, w, &chosen, &mut rng);
    let even = match Information::with_existing(&w.reach.even_grid(o.flakes).map_err(usage)?, w.old()) {
        Err(conchoid::Error::RankDeficient { term }) => Err(term),
        Err(e) => return Err(e.into()),
        Ok(grid) => Ok((
            chosen.information().efficiency_against(&grid)?,
            w.mean_width(chosen.information(), Aim::NewFlake),
            w.mean_width(&grid, Aim::NewFlake),
        )),
    };
    let best = continuous_optimum(w.reach.design())?;
    let bound = match w.old() {
        None => Some(best.efficiency_of(chosen.information())?),
        Some(_) => None,
    };
    let tolerance = w.reach.efficiency_within_tolerance(chosen.points(), w.old(), 200, &mut rng)?;
    let undetermined = w.old().map(undetermined).unwrap_or_default();
    let worth = match w.old() {
        Some(old) if undetermined.is_empty() => {
            let information = Information::of(old)?;
            Some(best.efficiency_of(&information)? * information.flakes() as f64)
        }
        _ => None,
    };
    let mut sizes = CURVE.to_vec();
    sizes.push(o.flakes);
    sizes.sort_unstable();
    sizes.dedup();
    let mut curve = Vec::new();
    for n in sizes {
        let other = if n == o.flakes {
            chosen.clone()
        } else {
            match choose(w.reach.design(), &w.exchange(o, n, STARTS.1), &mut rng) {
                Ok(c) => c,
                Err(_) => continue,
            }
        };
        let i = other.information();
        curve.push(OnCurve {
            flakes: n,
            new_flake: w.mean_width(i, Aim::NewFlake),
            mean: w.mean_width(i, Aim::Mean),
            at: w.at.iter().map(|(_, x)| w.width(i, x, Aim::NewFlake)).collect(),
            power: w.power(o, i),
        });
    }
    Ok(Plan { chosen, targets, even, bound, tolerance, curve, worth, undetermined })
}

/// The knapping list: by percussor, in random order within it, cores dealt round.
fn targets(o: &Options, w: &Wanted, chosen: &Chosen, rng: &mut ChaCha8Rng) -> Vec<Target> {
    let several = w.percussors.len() > 1;
    let mut by: Vec<Vec<Vec<SettingValue>>> = vec![Vec::new(); w.percussors.len().max(1)];
    for i in chosen.points() {
        let setting = w.reach.setting(*i);
        let level = match setting.last() {
            Some(SettingValue::Level(p)) if several => w.percussors.iter().position(|q| q == p).unwrap_or(0),
            _ => 0,
        };
        by[level].push(setting);
    }
    let cores = w.cores.as_ref().map(|c| c.number_for(o.flakes).max(1));
    let groups = by.len();
    let mut out = Vec::new();
    for (k, mut settings) in by.into_iter().enumerate() {
        settings.shuffle(rng);
        for (i, setting) in settings.into_iter().enumerate() {
            let core = cores.map(|c| match o.cores {
                Allotted::ByCore => {
                    // the cores of this percussor
                    let mine: Vec<usize> = (0..c).filter(|j| j % groups == k).collect();
                    mine.get(i % mine.len().max(1)).map_or(k + 1, |j| j + 1)
                }
                Allotted::Within => i % c + 1,
            });
            let settings = w.reach.factors().iter().zip(&setting).filter_map(|(f, v)| {
                let (SettingValue::Number(v), Some((low, high))) = (v, f.range()) else { return None };
                let t = f.tolerance();
                let fixed = low == high;
                let accept = if fixed { (v - t, v + t) } else { ((v - t).max(low), (v + t).min(high)) };
                Some((f.name().to_string(), tidy(*v), tidy(accept.0), tidy(accept.1)))
            });
            out.push(Target {
                number: out.len() + 1,
                percussor: w.percussors.get(k).cloned(),
                core,
                settings: settings.collect(),
            });
        }
    }
    out
}

/// Nobody strikes to more than a tenth.
fn tidy(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

fn plot(path: &str, w: &Wanted, plan: &Plan, o: &Options) -> Outcome<()> {
    let points: Vec<plan_plot::Point> = plan
        .curve
        .iter()
        .filter_map(|c| {
            Some(plan_plot::Point {
                flakes: c.flakes as f64,
                new_flake: w.readable(c.new_flake?),
                mean: w.readable(c.mean?),
                power: c.power,
            })
        })
        .collect();
    let scale = if w.logarithmic() { "high over low" } else { "high less low" };
    let words = plan_plot::Words {
        title: format!("What a plan buys: {} by {}", in_words(&o.response), w.form.name()),
        width: format!("{} % interval, {scale}", percent(w.level)),
        power: match w.difference {
            Some((ratio, _)) => format!("chance to see a ratio of {ratio}"),
            None => String::new(),
        },
        planned: o.flakes as f64,
    };
    plan_plot::draw(std::path::Path::new(path), &points, &words)
        .map_err(|e| Failure::other(format!("{path}: {e}")))
}

fn print_text(o: &Options, w: &Wanted, plan: &Plan) -> Outcome<()> {
    let mut out = String::new();
    let aim = match (o.criterion, w.at.is_empty()) {
        (Aimed::D, _) => "the coefficients",
        (Aimed::I, true) => "the predictions over the whole reach",
        (Aimed::I, false) => "the predictions at the platforms named",
    };
    let head = format!(
        "{} for {} (form {}), chosen so that {aim} become as certain as can be; seed {}.",
        count(o.flakes as u64, "flake", "flakes"),
        w.form.transform().describe(&o.response),
        w.form.name(),
        o.seed
    );
    let _ = writeln!(out, "{}", wrapped(&head, "", "", 79));
    list(&mut out, plan);
    if let Some(e) = &w.existing {
        let mut text = format!("The {} you have", count(e.used as u64, "flake", "flakes"));
        match (plan.worth, e.used) {
            (_, 0) => text = "None of the flakes of the table can be used".into(),
            (Some(worth), _) => {
                let _ = write!(text, " know as much as {worth:.1} well placed ones would");
            }
            (None, _) => {
                let _ = write!(text, " cannot tell by themselves: {}", plan.undetermined.join(", "));
            }
        }
        if e.left_out > 0 {
            let _ = write!(text, " ({} left out: incomplete, or of another experiment)", e.left_out);
        }
        let _ = writeln!(out, "\n{}", wrapped(&format!("{text}."), "", "", 79));
    }
    even_grid(&mut out, o, plan);
    curves(&mut out, w, plan);
    let _ = write!(out, "\nMind:\n");
    for note in notes(w, plan) {
        let _ = writeln!(out, "{}", wrapped(&note, " - ", "   ", 79));
    }
    if let Some(path) = &o.sheet {
        let text = format!("The sheet to fill in is {path}; once filled in, it is fitted as planned by:");
        let _ = writeln!(out, "\n{}", wrapped(&text, "", "", 79));
        let _ = write!(out, "{}", crate::over_lines(&fit_command(o, w, path)));
    }
    let care = crate::CARE.split_whitespace().collect::<Vec<_>>().join(" ");
    let _ = writeln!(out, "\n{}", wrapped(&care, "", "", 79));
    let mut stdout = std::io::stdout().lock();
    stdout.write_all(out.as_bytes())?;
    Ok(stdout.flush()?)
}

/// What fits the filled sheet under the form of the plan.
fn fit_command(o: &Options, w: &Wanted, sheet: &str) -> String {
    let mut command = format!("knap fit --table {sheet} --response {} --form {}", o.response, o.form);
    if o.angle_of_blow_deg.is_some() {
        command.push_str(&format!(" --by {}", form::ANGLE_OF_BLOW));
    }
    if w.percussors.len() > 1 {
        command.push_str(" --by percussor");
    }
    let path = std::path::Path::new(sheet);
    let name = path.file_stem().map_or("mine".into(), |s| s.to_string_lossy().replace(' ', "-"));
    let out = path.with_extension("json");
    command.push_str(&format!(" --name {name} --out {}", out.display()));
    command
}

fn list(out: &mut String, plan: &Plan) {
    let mut last: Option<&Option<String>> = None;
    for t in &plan.targets {
        if last != Some(&t.percussor) {
            let by = t.percussor.as_deref().map_or("Strike:".to_string(), |p| format!("By {p}:"));
            let _ = write!(out, "\n{by}\n   no.");
            if t.core.is_some() {
                let _ = write!(out, "  core");
            }
            for (name, ..) in &t.settings {
                let _ = write!(out, "  {:>20}", heading(name));
            }
            let _ = writeln!(out);
            last = Some(&t.percussor);
        }
        let _ = write!(out, "  {:>4}", t.number);
        if let Some(core) = t.core {
            let _ = write!(out, "  {core:>4}");
        }
        for (_, target, low, high) in &t.settings {
            let _ = write!(out, "  {:>20}", format!("{target} ({low} to {high})"));
        }
        let _ = writeln!(out);
    }
}

/// `platform depth, mm`.
fn heading(name: &str) -> String {
    let unit = name.rsplit('_').next().unwrap_or("");
    let words = in_words(name);
    format!("{}, {unit}", words.strip_prefix("exterior ").unwrap_or(&words))
}

fn even_grid(out: &mut String, o: &Options, plan: &Plan) {
    let text = match &plan.even {
        Err(term) => format!("An even grid of {} could not tell {term} from the other terms.", o.flakes),
        Ok((ratio, mine, theirs)) => {
            let mut text = format!(
                "Against an even grid of {}: D-efficiency {ratio:.3} times the grid's (the grid would need {:.0} \
                 flakes to know the coefficients as well)",
                o.flakes,
                (ratio * o.flakes as f64).ceil()
            );
            if let (Some(mine), Some(theirs)) = (mine, theirs) {
                let _ = write!(
                    text,
                    "; mean width of the interval of a flake, on the scale of the form, {mine:.4} against {theirs:.4} ({:+.2} %)",
                    100.0 * (mine / theirs - 1.0)
                );
            }
            text.push('.');
            text
        }
    };
    let _ = writeln!(out, "\n{}", wrapped(&text, "", "", 79));
    if let Some(bound) = plan.bound {
        let _ = writeln!(out, "It knows {:.1} % of what any plan of this size could know.", 100.0 * bound);
    }
}

fn curves(out: &mut String, w: &Wanted, plan: &Plan) {
    let scale = if w.logarithmic() { "high over low" } else { "high less low, on the scale of the form" };
    let place = if w.at.is_empty() { "mean over the reach" } else { "mean over the platforms" };
    let text = format!("Expected {} % intervals ({scale}; {place}):", percent(w.level));
    let _ = writeln!(out, "\n{}\n", wrapped(&text, "", "", 79));
    let _ = write!(out, "  {:>6}  {:>12}  {:>12}", "flakes", "of a flake", "of the mean");
    if let Some((ratio, _)) = w.difference {
        let _ = write!(out, "  {:>24}", format!("chance to see {ratio} times"));
    }
    let _ = writeln!(out);
    let cell = |v: Option<f64>| v.map_or("-".into(), |v| format!("{:.2}", w.readable(v)));
    for c in &plan.curve {
        let _ = write!(out, "  {:>6}  {:>12}  {:>12}", c.flakes, cell(c.new_flake), cell(c.mean));
        if w.difference.is_some() {
            let chance = c.power.map_or("-".into(), |p| format!("{:.1} %", 100.0 * p));
            let _ = write!(out, "  {chance:>24}");
        }
        let _ = writeln!(out);
    }
    if w.at.is_empty() {
        return;
    }
    let _ = write!(out, "\nOf a flake at the platforms named:\n\n  flakes");
    for c in &plan.curve {
        let _ = write!(out, " {:>6}", c.flakes);
    }
    let _ = writeln!(out);
    for (k, (words, _)) in w.at.iter().enumerate() {
        let _ = write!(out, "{}\n        ", wrapped(words, "  ", "  ", 79));
        for c in &plan.curve {
            let width = c.at[k].map_or("-".into(), |v| short(w.readable(v)));
            let _ = write!(out, " {width:>6}");
        }
        let _ = writeln!(out);
    }
}

fn notes(w: &Wanted, plan: &Plan) -> Vec<String> {
    let mut notes = vec![
        format!("the spread is taken as {:.4} ({}); your own may differ", w.spread.value, w.spread.from),
        "the plan trusts its form and strikes mostly at the ends of the reach; a few flakes in the middle \
         show whether the form bends there"
            .to_string(),
        format!(
            "nobody strikes an exact target: within the bands (1 mm, 5 degrees; common practice) {} % of what \
             the plan would know is kept on average, at least {} % in nineteen of twenty runs. Measure every platform \
             and record what it was, not what it should have been",
            percent((plan.tolerance.mean * 1000.0).round() / 1000.0),
            percent((plan.tolerance.low * 1000.0).round() / 1000.0)
        ),
        "targets are rounded to tenths; strike in the order of the list, which is random within a percussor"
            .to_string(),
    ];
    if let Some(c) = &w.cores {
        notes.push(format!(
            "cores differ by {:.4} and flakes of one core by {:.4}: design effect {:.2} for what differs only \
             between cores",
            c.between(),
            c.within(),
            c.design_effect()
        ));
    }
    if w.percussors.len() > 1 {
        notes.push(format!(
            "all percussors are to be fitted together (knap fit --by percussor): the same slopes, and a shift of \
             each from {}",
            w.percussors[0]
        ));
    }
    if w.difference.is_some() {
        notes.push(
            "chances are for a two-sided test at 5 %, of the percussor hardest to tell from the first".into(),
        );
    }
    notes
}

fn json(o: &Options, w: &Wanted, plan: &Plan) -> Ordered {
    let mut out = Ordered::default();
    let criterion = if o.criterion == Aimed::D { "d" } else { "i" };
    out.put("form", w.form.name()).put("response", &o.response).put("terms", w.form.term_names());
    out.put("criterion", criterion).put("seed", o.seed);
    let list: Vec<serde_json::Map<String, serde_json::Value>> = plan
        .targets
        .iter()
        .map(|t| {
            let mut m = serde_json::Map::new();
            m.insert("flake".into(), t.number.into());
            m.insert("percussor".into(), t.percussor.clone().into());
            m.insert("core".into(), t.core.into());
            for (name, target, low, high) in &t.settings {
                m.insert(target_name(name), (*target).into());
                m.insert(format!("{}_accept", target_name(name)), vec![*low, *high].into());
            }
            m
        })
        .collect();
    out.put("flakes", list);
    out.put("criterion_value", plan.chosen.value()).put("starts_agreeing", plan.chosen.starts_agreeing());
    out.put("starts", STARTS.0).put("share_of_bound", plan.bound);
    let mut even = Ordered::default();
    match &plan.even {
        Ok((ratio, mine, theirs)) => {
            even.put("d_efficiency_ratio", ratio).put("mean_width", mine).put("mean_width_even_grid", theirs);
        }
        Err(term) => {
            even.put("undetermined", term);
        }
    }
    out.nest("against_even_grid", even);
    let mut tolerance = Ordered::default();
    tolerance.put("mean", plan.tolerance.mean).put("low", plan.tolerance.low);
    out.nest("kept_within_tolerance", tolerance);
    let mut spread = Ordered::default();
    spread.put("value", w.spread.value).put("between_cores", w.cores.map(|c| c.between()));
    spread.put("from", &w.spread.from);
    out.nest("spread", spread);
    if let Some(e) = &w.existing {
        let mut existing = Ordered::default();
        existing.put("used", e.used).put("left_out", e.left_out).put("worth_well_placed", plan.worth);
        existing.put("undetermined", &plan.undetermined);
        out.nest("existing", existing);
    }
    out.put("level", w.level).put("difference", w.difference.map(|d| d.0));
    let curve: Vec<serde_json::Value> = plan
        .curve
        .iter()
        .map(|c| {
            serde_json::json!({
                "flakes": c.flakes, "width_new_flake": c.new_flake, "width_mean": c.mean,
                "width_new_flake_at": c.at, "power": c.power,
            })
        })
        .collect();
    out.put("curve", curve);
    out.put("at", w.at.iter().map(|a| &a.0).collect::<Vec<_>>());
    out.put("cautions", notes(w, plan));
    out
}
