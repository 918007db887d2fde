//! What holds across the rooms.

mod abuse;

/// A table of the folder that CONCHOID_DATA names.
pub(crate) fn open(name: &str) -> std::fs::File {
    let folder = std::env::var("CONCHOID_DATA").expect("CONCHOID_DATA names the folder of the tables");
    let path = std::path::Path::new(&folder).join(name);
    std::fs::File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
