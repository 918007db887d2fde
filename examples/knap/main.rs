//! `knap`, the thin command line of conchoid: it parses, calls the library and prints.
//!
//! | file | what |
//! |---|---|
//! | `main.rs` | the verbs, and how a run ends |
//! | `failure.rs` | errors with their exit codes |
//! | `blow.rs` | the options that describe platform, percussor and blow |
//! | `tables.rs` | opening tables and writing results |
//! | `report.rs` | numbers and paragraphs for people, ordered JSON for programs |
//! | `mechanics.rs` | the verbs `blow` and `contrast`, and whether a blow detaches for `estimate` |
//! | `estimate.rs`, `fit.rs`, `calibrations.rs` | one verb each |

mod blow;
mod calibrations;
mod estimate;
mod failure;
mod fit;
mod mechanics;
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
    /// List the calibrations that come with the crate, or show one
    #[command(after_help = CARE)]
    Calibrations(calibrations::Options),
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let done = match cli.verb {
        Verb::Estimate(o) => estimate::run(&o),
        Verb::Blow(o) => mechanics::blow(&o),
        Verb::Contrast(o) => mechanics::contrast(&o),
        Verb::Fit(o) => fit::run(&o),
        Verb::Calibrations(o) => calibrations::run(&o),
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
