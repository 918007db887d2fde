//! Calibrations as a caller makes, stores and reads them, and updated with few flakes.

mod growth;
mod inventory;
mod merge;
mod real_data;
mod recorded;
mod schema_1;
mod shared;
mod updating;
