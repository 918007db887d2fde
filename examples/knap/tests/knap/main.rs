//! The command line, run as its users run it: one process each time, from the folder of the repository. One binary of
//! tests with a module for each verb or contract, so that it is linked once.

#[cfg(unix)]
mod abuse;
mod assess;
mod bad_inputs;
mod estimate_and_fit;
#[cfg(unix)]
mod files;
mod fit_by;
mod fit_several;
#[cfg(unix)]
mod fuzz;
mod groups;
mod mechanics;
mod numbers;
mod original;
mod percussor;
mod pictures;
mod plan;
mod readme;
mod schema;
mod table;
mod table_report;
mod updating;

use assert_cmd::Command;

/// The table of the field school.
const SCHOOL: &str = "examples/data/field-school.csv";

/// The command line, started where the repository lies.
fn knap() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_knap"));
    command.current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."));
    command
}
