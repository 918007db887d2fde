//! `knap plan`: what to strike next, and what it will buy. This file holds the options and the plan itself;
//! `plan/wanted.rs` reads the experiment off the command line, `plan/told.rs` tells the plan.

mod told;
mod wanted;

use crate::failure::{Failure, Outcome};
use crate::plan_sheet::{self, Target};
use crate::report::Format;
use crate::taken::TakenIn;
use clap::{Args, ValueEnum};
use conchoid::plan::{
    Aim, Chosen, Information, SettingValue, WithinTolerance, choose, continuous_optimum, undetermined,
};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use schemars::JsonSchema;
use serde::Serialize;
pub use told::Printed;
use told::{plot, print_json, text};
use wanted::Wanted;

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
    /// Reach of the platform depth, mm
    #[arg(value_name = "LOW..HIGH")]
    depth_mm: Option<String>,
    /// Reach of the exterior platform angle, degrees
    #[arg(value_name = "LOW..HIGH")]
    angle_deg: Option<String>,
    /// Reach of the platform area, mm2
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
    #[arg(value_name = "SETTINGS")]
    at: Vec<String>,
    /// The size to be fitted: length_mm, width_mm, thickness_mm, mass_g
    #[arg(value_name = "COLUMN", default_value = "mass_g")]
    response: String,
    /// Calibration from which the spread is taken, by name or file
    calibration: Option<String>,
    /// The spread itself, on the scale of the form (ln for log-log), instead of a calibration's
    #[arg(value_name = "SD")]
    spread: Option<f64>,
    /// Spread between cores, on the same scale (ln for log-log)
    #[arg(value_name = "SD")]
    between_cores: Option<f64>,
    /// Flakes from each core
    #[arg(value_name = "M")]
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

/// Random starts for the plan itself, and for each point of the curves.
const STARTS: (usize, usize) = (20, 4);

/// Numbers of flakes of the curves.
const CURVE: [usize; 8] = [6, 8, 12, 16, 24, 36, 48, 72];

/// An error about what stood on the command line.
fn usage(e: conchoid::Error) -> Failure {
    Failure::usage(e.to_string())
}

/// What so many flakes would tell.
#[derive(Serialize, JsonSchema)]
pub struct CurveTold {
    flakes: usize,
    width_new_flake: Option<f64>,
    width_mean: Option<f64>,
    width_new_flake_at: Vec<Option<f64>>,
    power: Option<f64>,
}

/// Against an even grid of as many flakes.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
pub enum AgainstGrid {
    Known { d_efficiency_ratio: f64, mean_width: Option<f64>, mean_width_even_grid: Option<f64> },
    Unknown { undetermined: String },
}

struct Plan {
    chosen: Chosen,
    targets: Vec<Target>,
    even: AgainstGrid,
    /// Share of the continuous bound, where nothing exists yet.
    bound: Option<f64>,
    tolerance: WithinTolerance,
    curve: Vec<CurveTold>,
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
        Format::Text => text(o, &wanted, &plan).show()?,
        Format::Json => print_json(o, &wanted, &plan)?,
    }
    Ok(0)
}

fn plan(o: &Options, w: &Wanted) -> Outcome<Plan> {
    let mut rng = ChaCha8Rng::seed_from_u64(o.seed);
    let chosen = choose(w.reach.design(), &w.exchange(o, o.flakes, STARTS.0), &mut rng).map_err(usage)?;
    let targets = targets(o, w, &chosen, &mut rng);
    let even = match Information::with_existing(&w.reach.even_grid(o.flakes).map_err(usage)?, w.old()) {
        Err(conchoid::Error::RankDeficient { term }) => AgainstGrid::Unknown { undetermined: term },
        Err(e) => return Err(e.into()),
        Ok(grid) => AgainstGrid::Known {
            d_efficiency_ratio: chosen.information().efficiency_against(&grid)?,
            mean_width: w.mean_width(chosen.information(), Aim::NewFlake),
            mean_width_even_grid: w.mean_width(&grid, Aim::NewFlake),
        },
    };
    let best = continuous_optimum(w.reach.design())?;
    let bound = w.old().is_none().then(|| best.efficiency_of(chosen.information())).transpose()?;
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
    for flakes in sizes {
        let other = match flakes == o.flakes {
            true => Ok(chosen.clone()),
            false => choose(w.reach.design(), &w.exchange(o, flakes, STARTS.1), &mut rng),
        };
        let Ok(other) = other else { continue };
        let i = other.information();
        let [width_new_flake, width_mean] = [Aim::NewFlake, Aim::Mean].map(|aim| w.mean_width(i, aim));
        let width_new_flake_at = w.at.iter().map(|(_, x)| w.width(i, x, Aim::NewFlake)).collect();
        curve.push(CurveTold {
            flakes,
            width_new_flake,
            width_mean,
            width_new_flake_at,
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
