//! Planning Saturday: a field school on chalk downland has one day, twelve nodules of local flint, a quartzite
//! hammerstone and a billet of red deer antler, and wants to know what to strike.
//!
//! Run: `cargo run --example planning_saturday [FOLDER]`; the picture goes to FOLDER (`target/figures`).

#[allow(dead_code)]
#[path = "knap/src/failure.rs"]
mod failure;
#[path = "knap/src/plan_plot.rs"]
mod plan_plot;
#[allow(dead_code)]
#[path = "knap/src/plot.rs"]
mod plot;
#[allow(dead_code)]
#[path = "knap/src/say.rs"]
mod say;

use conchoid::form::{Form, indicator};
use conchoid::plan::{
    Aim, Allocation, Candidates, Cores, Exchange, Factor, Information, SettingValue, choose, expected_width,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::path::PathBuf;

/// What last year's flakes showed: the spread of ln mass within a core and between cores. Invented.
const WITHIN: f64 = 0.40;
const BETWEEN: f64 = 0.25;

/// Flakes that a student gets off one nodule before it is spoilt.
const PER_CORE: usize = 4;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map_or_else(|| PathBuf::from("target/figures"), PathBuf::from);
    std::fs::create_dir_all(&folder)?;

    println!(
        "Friday evening. What can the students reach? Platforms of 4 to 12 mm, exterior angles of 60 to"
    );
    println!(
        "85 degrees, by quartzite or antler; but nobody gets a platform under 6 mm off with the antler.\n"
    );
    let form = Form::named("log-log")?.with_terms([indicator("percussor", "antler")])?;
    let reach = Candidates::grid(
        &form,
        vec![
            Factor::steps("platform_depth_mm", 4.0, 12.0, 1.0)?.with_tolerance(1.0)?,
            Factor::steps("exterior_platform_angle_deg", 60.0, 85.0, 5.0)?.with_tolerance(5.0)?,
            Factor::class("percussor", &["quartzite", "antler"])?,
        ],
    )?
    .retain(
        |s| !matches!(s, [SettingValue::Number(d), _, SettingValue::Level(p)] if *d < 6.0 && p == "antler"),
    )?;

    let cores = Cores::new(WITHIN, BETWEEN, PER_CORE)?;
    let difference = 1.5f64;
    println!(
        "How many flakes? The question is whether quartzite makes flakes {difference} times as heavy.\n"
    );
    println!("  flakes  cores   of a flake   seen, both percussors   seen, one percussor");
    println!("                  (high/low)   on every core           a core");
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let mut points = Vec::new();
    for flakes in [12usize, 16, 24, 32, 40, 48] {
        let plan = choose(reach.design(), &Exchange::new(flakes), &mut rng)?;
        let known = plan.information();
        let antler = known.variance_of("percussor = antler")?;
        let chance = |how| cores.power(difference.ln(), antler, flakes, known.terms().len(), how, 0.05);
        let row = [1.0, 8f64.ln(), 75.0, 0.0];
        let new = cores.expected_width(known, &row, 0.95, Aim::NewFlake)?;
        let mean = cores.expected_width(known, &row, 0.95, Aim::Mean)?;
        let (within, by_core) = (chance(Allocation::WithinCores)?, chance(Allocation::ByCore)?);
        println!(
            "  {flakes:>6}  {:>5}   {:>10.2}   {:>19.0} %   {:>17.0} %",
            cores.number_for(flakes),
            new.exp(),
            100.0 * within,
            100.0 * by_core
        );
        points.push(plan_plot::Point {
            flakes: flakes as f64,
            new_flake: new.exp(),
            mean: mean.exp(),
            power: Some(within),
        });
    }
    println!("\nA core keeps its mood: striking every core with both percussors is worth many flakes.");

    let flakes = 40;
    let plan = choose(reach.design(), &Exchange::new(flakes).starts(20), &mut ChaCha8Rng::seed_from_u64(6))?;
    let even = Information::of(&reach.even_grid(flakes)?)?;
    println!("\nThey settle on {flakes}. What to strike, and how often:\n");
    let mut at = 0;
    while at < flakes {
        let same = plan.points().iter().filter(|i| **i == plan.points()[at]).count();
        if let [SettingValue::Number(depth), SettingValue::Number(angle), SettingValue::Level(percussor)] =
            reach.setting(plan.points()[at]).as_slice()
        {
            println!("  {same:>2} x {depth:>4} mm  {angle:>3} degrees  by {percussor}");
        }
        at += same;
    }
    let kept = reach.efficiency_within_tolerance(plan.points(), None, 500, &mut rng)?;
    let row = [1.0, 8f64.ln(), 75.0, 0.0];
    println!(
        "\nAn even grid of {flakes} (antler at 4 mm included, which nobody can strike) would know {:.2} times\n\
         as much; struck within 1 mm and 5 degrees, the plan keeps {:.0} % of what it would know. The interval\n\
         of a flake at 8 mm and 75 degrees, cores alike: {:.2} high over low.",
        1.0 / plan.information().efficiency_against(&even)?,
        100.0 * kept.mean,
        expected_width(plan.information(), &row, WITHIN, 0.95, Aim::NewFlake)?.exp(),
    );

    let picture = folder.join("planning-saturday.svg");
    let words = plan_plot::Words {
        title: "What Saturday buys: mass at 8 mm and 75 degrees, by quartzite and antler".into(),
        width: "95 % interval, high over low".into(),
        power: format!("chance to see a ratio of {difference}"),
        planned: flakes as f64,
    };
    std::fs::write(&picture, plan_plot::page(&points, &words).map_err(|e| e.message)?)?;
    println!("\nThe curves are in {}.", picture.display());
    println!(
        "\nEye protection at every strike (bystanders too), gloves and a leg pad; moving air against the dust."
    );
    Ok(())
}
