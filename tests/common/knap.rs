//! Running the example command line as a user would.

use assert_cmd::Command;
use std::path::PathBuf;

/// The command line.
#[allow(dead_code)]
pub fn knap() -> Command {
    example("knap")
}

/// The binary of an example, which cargo builds along with the tests.
pub fn example(name: &str) -> Command {
    let here = std::env::current_exe().expect("a test has a path");
    let folder: PathBuf = here.ancestors().nth(2).expect("tests lie two folders below").into();
    let mut path = folder.join("examples").join(name);
    path.set_extension(std::env::consts::EXE_EXTENSION);
    assert!(path.exists(), "{} is missing: cargo builds it with `cargo test`", path.display());
    Command::new(path)
}
