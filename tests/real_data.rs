//! Checks on the published tables, which are not part of the project: they run where CONCHOID_DATA names the
//! folder that holds them (see data-sources.md), and report themselves ignored elsewhere.

mod common;

#[path = "real_data/assess.rs"]
mod assess;
#[path = "real_data/attribution.rs"]
mod attribution;
#[path = "real_data/coverage.rs"]
mod coverage;
#[path = "real_data/linear.rs"]
mod linear;
#[path = "real_data/multinomial.rs"]
mod multinomial;
#[path = "real_data/original.rs"]
mod original;
#[path = "real_data/recorded.rs"]
mod recorded;
#[path = "real_data/retouch.rs"]
mod retouch;
#[path = "real_data/shared.rs"]
mod shared;
#[path = "real_data/shrunken.rs"]
mod shrunken;
#[path = "real_data/table.rs"]
mod table;
#[path = "real_data/updating.rs"]
mod updating;

/// A table of the folder.
fn open(name: &str) -> std::fs::File {
    let folder = std::env::var("CONCHOID_DATA").expect("CONCHOID_DATA names the folder of the tables");
    let path = std::path::Path::new(&folder).join(name);
    std::fs::File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
