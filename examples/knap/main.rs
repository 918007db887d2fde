//! `knap`, the thin command line of conchoid: it parses, calls the library and prints.
//!
//! | file | what |
//! |---|---|
//! | `main.rs` | the verbs, and how a run ends |
//! | `failure.rs` | errors with their exit codes |
//! | `blow.rs` | the options that describe platform, percussor and blow |
//! | `estimate_table.rs` | `estimate` for every row of a table |
//! | `tables.rs` | opening tables and writing results |
//! | `report.rs` | numbers and paragraphs for people, ordered JSON for programs |
//! | `plot.rs` | drawing on an SVG page |
//! | `mechanics.rs` | the verbs `blow` and `contrast`, and whether a blow detaches for `estimate` |
//! | `assess.rs`, `estimate.rs`, `fit.rs`, `percussor.rs`, `original.rs`, `assemblage.rs`, `calibrations.rs`, `plan.rs` | one verb each |
//! | `plan_sheet.rs`, `plan_plot.rs` | the sheet to fill in at the yard, the curves of a plan |

mod assemblage;
mod assess;
mod blow;
mod calibrations;
mod estimate;
mod estimate_table;
mod failure;
mod fit;
mod mechanics;
mod original;
mod percussor;
mod plan;
mod plan_plot;
mod plan_sheet;
mod plot;
mod report;
mod tables;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// The usual cautions, printed under every help.
pub const CARE: &str = "\
Knapping hurts people: wear eye protection at every strike (bystanders too), gloves and a leg pad; work
outdoors or in moving air and keep silica dust down; keep dressings at hand. Local rules and trained
supervision come first. Never strike, retouch or otherwise reduce an archaeological piece.";

/// How large a flake comes off, and how sure that is.
#[derive(Parser)]
#[command(name = "knap", version, after_help = CARE)]
struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Subcommand)]
enum Verb {
    /// Length, width, thickness and mass of a flake from its platform, as intervals
    #[command(after_help = format!("{}\n\n{CARE}", estimate::EXAMPLES))]
    Estimate(estimate::Options),
    /// The mechanics of one blow: force delivered and needed, and whether a flake comes off
    #[command(after_help = format!("{}\n\n{CARE}", mechanics::BLOW_EXAMPLES))]
    Blow(mechanics::BlowVerb),
    /// Two or more percussors on the same platform, and the difference they make
    #[command(after_help = format!("{}\n\n{CARE}", mechanics::CONTRAST_EXAMPLES))]
    Contrast(mechanics::ContrastVerb),
    /// Fit a form to a table of your own and write a calibration
    #[command(after_help = format!("{}\n\n{CARE}", fit::EXAMPLES))]
    Fit(fit::Options),
    /// How well forms foretell flakes they have not seen, and which to take
    #[command(after_help = format!("{}\n\n{CARE}", assess::EXAMPLES))]
    Assess(assess::Options),
    /// What struck the flakes of a table, as far as they tell
    #[command(after_help = format!("{}\n\n{CARE}", percussor::EXAMPLES))]
    Percussor(percussor::Options),
    /// What a retouched or broken piece was: its original mass and the share of it that is lost
    #[command(after_help = format!("{}\n\n{CARE}", original::EXAMPLES))]
    Original(original::Options),
    /// Totals and means of many flakes by group, and whether two groups look alike
    #[command(after_help = format!("{}\n\n{CARE}", assemblage::EXAMPLES))]
    Assemblage(assemblage::Options),
    /// List the calibrations that come with the crate, or show one
    #[command(after_help = CARE)]
    Calibrations(calibrations::Options),
    /// Choose what to strike next: a knapping list, and what it will buy
    #[command(after_help = format!("{}\n\n{CARE}", plan::EXAMPLES))]
    Plan(plan::Options),
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let done = match cli.verb {
        Verb::Estimate(o) => estimate::run(&o),
        Verb::Blow(o) => mechanics::blow(&o),
        Verb::Contrast(o) => mechanics::contrast(&o),
        Verb::Fit(o) => fit::run(&o),
        Verb::Assess(o) => assess::run(&o),
        Verb::Percussor(o) => percussor::run(&o),
        Verb::Original(o) => original::run(&o),
        Verb::Assemblage(o) => assemblage::run(&o),
        Verb::Calibrations(o) => calibrations::run(&o),
        Verb::Plan(o) => plan::run(&o),
    };
    match done {
        Ok(code) => ExitCode::from(code),
        // a reader that has seen enough (`| head`) is no failure
        Err(f) if f.broken_pipe => ExitCode::SUCCESS,
        Err(f) => {
            eprintln!("knap: {}", f.message);
            ExitCode::from(f.code)
        }
    }
}
