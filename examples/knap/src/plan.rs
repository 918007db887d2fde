//! `knap plan`: what to strike next, and what it will buy.

use crate::blow::calibration;
use crate::failure::{Failure, Outcome, Whose};
use crate::measured::By;
use crate::number::{self, number};
use crate::plan_plot;
use crate::report::{Format, percent, print};
use crate::tables::{self, Sink, save};
use crate::taken::{TakenIn, read};
use clap::{Args, ValueEnum};
use conchoid::form::Form;
use conchoid::plan::Experiment;
use conchoid::predict::in_words;
use conchoid::table::sheet_of;

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
    flakes: usize,
    /// The form: log-log, tangent-power, cube-root, area, area-angle
    #[arg(default_value = "log-log")]
    form: String,
    /// Reach of the platform depth, mm (4..12 where none is told)
    #[arg(value_name = "LOW..HIGH")]
    depth_mm: Option<String>,
    /// Reach of the exterior platform angle, degrees (60..85 where none is told)
    #[arg(value_name = "LOW..HIGH")]
    angle_deg: Option<String>,
    /// Reach of the platform area, mm2 (20..300 where none is told)
    #[arg(value_name = "LOW..HIGH")]
    area_mm2: Option<String>,
    /// Reach of the angle of blow, degrees; adds a term for it
    #[arg(value_name = "LOW..HIGH")]
    angle_of_blow_deg: Option<String>,
    /// Percussors, with commas between; each after the first adds a term to the form
    #[arg(value_name = "A,B", value_delimiter = ',')]
    percussor: Vec<String>,
    /// What is made certain
    #[arg(default_value = "d")]
    criterion: Aimed,
    /// A platform to predict at: depth_mm=8,angle_deg=75[,percussor=antler]; may be repeated
    at: Vec<String>,
    /// The size to be fitted: length_mm, width_mm, thickness_mm, mass_g
    #[arg(value_name = "COLUMN", default_value = "mass_g")]
    response: String,
    /// Calibration from which the spread is taken, by name or file
    calibration: Option<String>,
    /// The spread itself, on the scale of the form (ln for log-log), instead of a calibration's
    spread: Option<f64>,
    /// Spread between cores, on the same scale (ln for log-log)
    between_cores: Option<f64>,
    /// Flakes from each core
    flakes_per_core: Option<usize>,
    /// Which flakes of a core are struck by which percussor
    #[arg(default_value = "within")]
    cores: Allotted,
    /// A table of the flakes you have already
    existing: Option<String>,
    #[command(flatten)]
    taken: TakenIn,
    /// The stone to be flaked
    stone: Option<String>,
    /// The ratio of sizes between two percussors that the plan should be able to show, such as 1.5
    difference: Option<f64>,
    /// Probability inside the intervals, between 0 and 1
    level: f64,
    /// Seed of the random starts and of the order of striking; the same seed gives the same plan
    #[arg(default_value_t = 1)]
    seed: u64,
    /// Where the sheet to fill in goes
    sheet: Option<String>,
    /// A picture (SVG) of what more or fewer flakes would buy
    plot: Option<String>,
    /// How to print the plan
    format: Format,
}

/// The measurements that can be set, by the option of their reach.
const SETTABLE: [(&str, &str); 4] = [
    ("platform_depth_mm", "depth-mm"),
    ("exterior_platform_angle_deg", "angle-deg"),
    ("platform_area_mm2", "area-mm2"),
    ("angle_of_blow_deg", "angle-of-blow-deg"),
];

/// What the experiment calls by the name of an option.
const ASKED: [&str; 5] = ["percussor", "response", "spread", "between_cores", "difference"];

/// Columns that a command may fill.
const COMMAND_WIDTH: usize = 72;

/// An error about what stood on the command line.
fn usage(e: conchoid::Error) -> Failure {
    let column = e.place().and_then(|at| at.column.as_deref());
    // what no platform can be is told of the platform, what the form does not read of the option
    let measured = if matches!(e, conchoid::Error::Invalid { .. }) { &SETTABLE[..] } else { &[] };
    let asked = ASKED.iter().map(|name| (*name, name.replace('_', "-")));
    let mut options = asked.chain(measured.iter().map(|(name, option)| (*name, option.to_string())));
    let option = options.find(|(name, _)| Some(*name) == column);
    Failure::usage(match (&e, option) {
        (conchoid::Error::Incomparable { reason }, _) => format!("{reason} (say --spread)"),
        (e, Some((name, option))) => e.to_string().replacen(name, &format!("--{option}"), 1),
        (e, None) => e.to_string(),
    })
}

pub fn run(o: &Options) -> Outcome<u8> {
    let plan = experiment(o)?.plan(o.seed).map_err(usage)?;
    if let Some(path) = &o.sheet {
        if path == "-" {
            return Err(Failure::usage("--sheet -: the sheet needs a file of its own"));
        }
        sheet_of(&plan, o.stone.as_deref(), Sink::open(Some(path))?)?.finish()?;
    }
    if let Some(path) = &o.plot {
        let words = plan_plot::Words {
            title: format!("What a plan buys: {} by {}", in_words(&o.response), o.form),
            width: format!("{} % interval, {}", percent(o.level), plan.width_is()),
            power: o.difference.map_or(String::new(), |ratio| format!("chance to see a ratio of {ratio}")),
            planned: o.flakes as f64,
        };
        save(path, &plan_plot::page(&plan, &words)?)?;
    }
    print(o.format == Format::Json, &plan, |page| {
        page.told(&plan);
        if let Some(path) = &o.sheet {
            page.part(format!("The sheet to fill in is {path}; once filled in, it is fitted as planned by:"));
            page.line(over_lines(&fit_command(o, path)));
        }
        page.part(crate::told_of("care"));
    })
}

/// The experiment as asked for.
fn experiment(o: &Options) -> Outcome<Experiment> {
    let form = Form::named(&o.form).map_err(usage)?;
    let mut e = Experiment::new(form, &o.response, o.flakes).level(o.level).map_err(usage)?;
    e = e.percussors(&o.percussor).map_err(usage)?;
    let given = [&o.depth_mm, &o.angle_deg, &o.area_mm2, &o.angle_of_blow_deg];
    for ((column, option), text) in SETTABLE.iter().zip(given) {
        if let Some(text) = text {
            let (low, high) = reach(option, text)?;
            e = e.reach(column, low, high).map_err(usage)?;
        }
    }
    for text in &o.at {
        e = at(e, text)?;
    }
    if let Some(path) = &o.existing {
        let mut table = tables::open(path, &o.taken.options(&[], &[])?)?;
        let mut row = table.row();
        while table.read(&mut row).of_file(path)? {
            match row.refused() {
                None => e.offer(&row),
                Some(_) => e.leave_out(),
            }
        }
    }
    e = match o.spread {
        Some(spread) => e.spread(spread, "given by --spread"),
        None => e.spread_of(&calibration(o.calibration.as_deref(), o.stone.as_deref())?),
    }
    .map_err(usage)?;
    match (o.between_cores, o.flakes_per_core) {
        (Some(_), None) => return Err(Failure::usage("--between-cores: say --flakes-per-core too")),
        (Some(spread), _) => e = e.between_cores(spread),
        _ => {}
    }
    if let Some(each) = o.flakes_per_core {
        e = e.cores(each);
    }
    e = e.stone(o.stone.as_deref());
    if o.cores == Allotted::ByCore {
        e = e.one_percussor_a_core();
    }
    if o.criterion == Aimed::I {
        e = e.predictions();
    }
    match o.difference {
        Some(ratio) => e.difference(ratio).map_err(usage),
        None => Ok(e),
    }
}

/// `4..12`, or one number.
fn reach(option: &str, text: &str) -> Outcome<(f64, f64)> {
    let wrong = |e: String| Failure::usage(format!("--{option}: {e}"));
    match number::ends(text).map_err(wrong)? {
        Some((low, high)) if low <= high => Ok((low, high)),
        Some(_) => Err(wrong(format!("\"{text}\" falls; write LOW..HIGH, such as 4..12"))),
        None => number(text).map(|v| (v, v)).map_err(wrong),
    }
}

/// The experiment with a platform to predict at.
fn at(experiment: Experiment, text: &str) -> Outcome<Experiment> {
    let (mut numbers, mut percussor) = (Vec::new(), None);
    for pair in text.split(',') {
        let (key, v) = pair
            .split_once('=')
            .ok_or_else(|| Failure::usage(format!("--at {text}: write depth_mm=8,angle_deg=75")))?;
        let key = key.trim();
        if key == "percussor" {
            percussor = Some(v);
            continue;
        }
        let option = key.replace('_', "-");
        let Some((column, _)) = SETTABLE.iter().find(|(name, o)| *o == option || *name == key) else {
            let names = SETTABLE.iter().map(|s| s.1.replace('-', "_")).chain(["percussor".to_string()]);
            return Err(Failure::unknown("--at", key, names));
        };
        numbers.push((*column, read("at", text, v)?));
    }
    let number = |name: &str| numbers.iter().find(|(n, _)| *n == name).map(|(_, v)| *v);
    let class = |name: &str| percussor.filter(|_| name == "percussor");
    experiment.at(text, &By { number: &number, class: &class }).map_err(usage)
}

/// A command that may be pasted into a shell, broken before options.
fn over_lines(command: &str) -> String {
    let mut pieces = command.split(" --");
    let mut lines = vec![format!("  {}", pieces.next().unwrap_or_default())];
    for piece in pieces {
        match lines.last_mut().filter(|l| l.len() + " --".len() + piece.len() + " \\".len() <= COMMAND_WIDTH)
        {
            Some(line) => *line += &format!(" --{piece}"),
            None => lines.push(format!("      --{piece}")),
        }
    }
    lines.join(" \\\n")
}

/// What fits the filled sheet under the form of the plan.
fn fit_command(o: &Options, sheet: &str) -> String {
    let mut command = format!("knap fit --table {sheet} --response {} --form {}", o.response, o.form);
    if o.angle_of_blow_deg.is_some() {
        command.push_str(" --by angle_of_blow_deg");
    }
    if o.percussor.len() > 1 {
        command.push_str(" --by percussor");
    }
    let path = std::path::Path::new(sheet);
    let name = path.file_stem().map_or("mine".into(), |s| s.to_string_lossy().replace(' ', "-"));
    let out = path.with_extension("json");
    command.push_str(&format!(" --name {name} --out {}", out.display()));
    command
}
