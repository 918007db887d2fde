//! Calibrations as a caller makes, stores and reads them.

mod growth;
mod merge;
mod recorded;
mod schema_1;
mod shared;
