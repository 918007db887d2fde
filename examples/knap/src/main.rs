//! `knap`, the thin command line of conchoid: it parses, calls the library and prints.
//!
//! | file | what |
//! |---|---|
//! | `main.rs` | the verbs, and how a run ends |
//! | `failure.rs` | errors with their exit codes |
//! | `number.rs` | what is taken for a number |
//! | `options.rs` | the one table of options: what an option of a name takes, in whichever verb |
//! | `help.txt` | what stands under each help |
//! | `blow.rs` | the options that describe platform, percussor and blow |
//! | `files.rs` | files: which are read and which written, and that none is both |
//! | `tables.rs` | opening tables, and the one loop over what they hold |
//! | `table_report.rs` | the verb `report` |
//! | `say.rs` | the one way to print |
//! | `report.rs` | numbers, paragraphs and columns on a page for people |
//! | `plot.rs` | drawing on an SVG page |
//! | `paper.rs` | the verbs `completions`, `manual` and `schema`, made from the options and types themselves |
//! | `mechanics.rs` | the verbs `blow` and `contrast`, and whether a blow detaches for `estimate` |
//! | `assess.rs`, `estimate.rs`, `fit.rs`, `percussor.rs`, `original.rs`, `assemblage.rs`, `calibrations.rs`, `plan.rs` | one verb each |
//! | `taken.rs` | the options that say how a table is taken in |
//! | `measured.rs` | the options that say how exactly a platform was measured, and which flakes were kept |
//! | `estimate_plot.rs`, `contrast_plot.rs`, `original_plot.rs`, `assemblage_plot.rs`, `plan_plot.rs` | the pictures of a verb |

/// Tells something beside the answer on standard error, unless quiet was asked for.
macro_rules! note {
    ($($text:tt)*) => {
        if !$crate::quiet() {
            $crate::say::aside(&format!($($text)*));
        }
    };
}

mod assemblage;
mod assemblage_plot;
mod assess;
mod blow;
mod calibrations;
mod contrast_plot;
mod estimate;
mod estimate_plot;
mod failure;
mod files;
mod fit;
mod measured;
mod mechanics;
mod number;
mod options;
mod original;
mod original_plot;
mod paper;
mod percussor;
mod plan;
mod plan_plot;
mod plot;
mod report;
mod say;
mod table_report;
mod tables;
mod taken;

use clap::{ArgMatches, Command, CommandFactory, FromArgMatches, Parser, Subcommand};
use failure::Outcome;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};

/// What stands under each help, by verb, and the usual cautions, printed under all of them; broken into lines as shown.
const HELP: &str = include_str!("help.txt");

/// How large a flake comes off, and how sure that is.
#[derive(Parser)]
#[command(name = "knap", version, term_width = 80)]
struct Cli {
    /// Print the answer and errors only: no summary (what it says of every row stands in each then), no remarks, no progress
    #[arg(long, short, global = true, display_order = 900)]
    quiet: bool,
    #[command(subcommand)]
    verb: Verb,
}

static QUIET: AtomicBool = AtomicBool::new(false);

/// Whether only the answer and errors are wanted.
fn quiet() -> bool {
    QUIET.load(Ordering::Relaxed)
}

#[derive(Subcommand)]
enum Verb {
    /// Length, width, thickness and mass of a flake from its platform
    Estimate(estimate::Options),
    /// The mechanics of one blow: force, and whether a flake comes off
    #[command(override_usage = BLOW_USAGE)]
    Blow(mechanics::BlowVerb),
    /// Two or more percussors on the same platform
    #[command(override_usage = CONTRAST_USAGE)]
    Contrast(mechanics::ContrastVerb),
    /// Fit a form to a table of your own and write a calibration
    Fit(fit::Options),
    /// How well forms predict flakes they have not seen
    Assess(assess::Options),
    /// What struck the flakes of a table, as far as they tell
    Percussor(percussor::Options),
    /// What a retouched or broken piece weighed, and how much of it is lost
    Original(original::Options),
    /// Totals and means by group, and whether two groups look alike
    Assemblage(assemblage::Options),
    /// One page about a table: what was read, how a calibration fits it, a paragraph for a paper
    Report(table_report::Options),
    /// List the calibrations that come with the crate, or show one
    Calibrations(calibrations::Options),
    /// Choose what to strike next: a knapping list, and what it will buy
    Plan(plan::Options),
    /// Print completions of verbs and options for a shell
    Completions(paper::Completions),
    /// Print the manual page, of all or of one verb
    Manual(paper::Manual),
    /// Print the JSON Schema of what a verb prints with --format json
    Schema(paper::Schema),
}

const BLOW_USAGE: &str = "\
knap blow [OPTIONS] --stone <STONE> --percussor <MATERIAL>
       --depth-mm <MM> --angle-deg <DEG>";

const CONTRAST_USAGE: &str = "\
knap contrast [OPTIONS] --percussor <MATERIAL>
       --depth-mm <MM> --angle-deg <DEG>";

/// A part of `help.txt`.
fn told_of(name: &str) -> &'static str {
    let part = HELP.split_once(&format!("[{name}]\n")).map_or("", |(_, rest)| rest);
    part.split("\n[").next().unwrap_or_default().trim_end()
}

fn main() -> ExitCode {
    let (words, cli) = match asked() {
        Ok(asked) => asked,
        Err(code) => return code,
    };
    QUIET.store(cli.quiet, Ordering::Relaxed);
    let options = words.subcommand().map(|(_, options)| options);
    match options.map_or(Ok(()), files::check).and_then(|()| answered(cli.verb)) {
        Ok(code) => ExitCode::from(code),
        // a reader that has seen enough (`| head`) is no failure
        Err(_) if say::reader_gone() => ExitCode::SUCCESS,
        Err(f) => {
            say::aside(&format!("knap: {}", f.message));
            ExitCode::from(f.code)
        }
    }
}

/// The words of the command line as options; what is printed instead (help, or what is wrong with them) has a code.
fn asked() -> Result<(ArgMatches, Cli), ExitCode> {
    let words = command().try_get_matches();
    let both = words.and_then(|words| Cli::from_arg_matches(&words).map(|cli| (words, cli)));
    both.map_err(|e| {
        if e.use_stderr() {
            say::aside(e.render().to_string().trim_end());
        } else if let Err(e) = e.print().map_err(|e| say::named("standard output", e))
            && !say::reader_gone()
        {
            say::aside(&format!("knap: {e}"));
            return ExitCode::FAILURE;
        }
        ExitCode::from(e.exit_code() as u8)
    })
}

/// The command line with its options.
fn command() -> Command {
    options::of_the_table(Cli::command())
}

fn answered(verb: Verb) -> Outcome<u8> {
    match verb {
        Verb::Estimate(o) => estimate::run(&o),
        Verb::Blow(o) => mechanics::blow(&o),
        Verb::Contrast(o) => mechanics::contrast(&o),
        Verb::Fit(mut o) => {
            o.taken.in_our_names(o.by.iter_mut().chain(&mut o.group).chain(&mut o.response));
            fit::run(&o)
        }
        Verb::Assess(mut o) => {
            let names = o.classes.iter_mut().chain(&mut o.by).chain([&mut o.response]);
            o.taken.in_our_names(names);
            assess::run(&o)
        }
        Verb::Percussor(o) => percussor::run(&o),
        Verb::Original(o) => original::run(&o),
        Verb::Assemblage(mut o) => {
            o.taken.in_our_names(o.group.iter_mut().chain([&mut o.size]));
            assemblage::run(&o)
        }
        Verb::Report(o) => table_report::run(&o),
        Verb::Calibrations(o) => calibrations::run(&o),
        Verb::Plan(o) => plan::run(&o),
        Verb::Completions(o) => paper::completions(&o, &mut command()),
        Verb::Manual(o) => paper::manual(&o, command()),
        Verb::Schema(o) => paper::schema(&o),
    }
}
