//! Checks on the published tables, which are not part of the project: they run where CONCHOID_DATA names the
//! folder that holds them (see data-sources.md), and report themselves ignored elsewhere.

mod assess;
mod attribution;
mod coverage;
mod original;
mod recorded;
mod retouch;
mod shared;
mod sites;
mod table;

/// A table of the folder.
fn open(name: &str) -> std::fs::File {
    let folder = std::env::var("CONCHOID_DATA").expect("CONCHOID_DATA names the folder of the tables");
    let path = std::path::Path::new(&folder).join(name);
    std::fs::File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
