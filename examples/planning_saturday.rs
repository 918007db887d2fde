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

use conchoid::form::Form;
use conchoid::plan::Experiment;
use conchoid::strike::Strike;
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
    let by_quartzite = Strike::builder()
        .platform_depth_mm(8.0)
        .exterior_platform_angle_deg(75.0)
        .percussor("quartzite")
        .build()?;
    let (flakes, difference) = (40, 1.5);
    let experiment = Experiment::new(Form::named("log-log")?, "mass_g", flakes)
        .percussors(&["quartzite", "antler"])?
        .reach("platform_depth_mm", 4.0, 12.0)?
        .reach("exterior_platform_angle_deg", 60.0, 85.0)?
        .reach_of("antler", "platform_depth_mm", 6.0, 12.0)
        .at("8 mm, 75 degrees, quartzite", &by_quartzite)?
        .spread(WITHIN, "of last year's flakes")?
        .cores(PER_CORE)
        .between_cores(BETWEEN)
        .difference(difference)?;
    let plan = experiment.plan(6)?;
    let by_core = experiment.one_percussor_a_core().plan(6)?;

    println!(
        "How many flakes? The question is whether quartzite makes flakes {difference} times as heavy.\n"
    );
    println!("  flakes  cores   of a flake   seen, both percussors   seen, one percussor");
    println!("                  (high/low)   on every core           a core");
    for (within, apart) in plan.curve.iter().zip(&by_core.curve) {
        let (Some(new), Some(seen), Some(seen_apart)) = (within.width_new_flake, within.power, apart.power)
        else {
            continue;
        };
        println!(
            "  {:>6}  {:>5}   {:>10.2}   {:>19.0} %   {:>17.0} %",
            within.flakes,
            within.flakes.div_ceil(PER_CORE),
            plan.readable(new),
            100.0 * seen,
            100.0 * seen_apart
        );
    }
    println!("\nA core keeps its mood: striking every core with both percussors is worth many flakes.");
    println!(
        "\nThey settle on {flakes}. What to strike, and how much the plan is worth beside an even grid:\n"
    );
    println!("{plan}");

    let picture = folder.join("planning-saturday.svg");
    let words = plan_plot::Words {
        title: "What Saturday buys: mass at 8 mm and 75 degrees, by quartzite and antler".into(),
        width: "95 % interval, high over low".into(),
        power: format!("chance to see a ratio of {difference}"),
        planned: flakes as f64,
    };
    std::fs::write(&picture, plan_plot::page(&plan, &words).map_err(|e| e.message)?)?;
    println!("\nThe curves are in {}.", picture.display());
    println!(
        "\nEye protection at every strike (bystanders too), gloves and a leg pad; moving air against the dust."
    );
    Ok(())
}
