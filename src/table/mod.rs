//! Tables of flakes: reading them row by row in constant memory, and writing them back with columns added.
//!
//! | file | holds |
//! |---|---|
//! | `quantity` | the known columns, their units and bounds: [`QUANTITIES`], [`CLASSES`] |
//! | `header` | [`TableOptions`], and what each column of a header line means: [`Header`] |
//! | `cell` | one cell: a number, not recorded, or neither and why |
//! | `guard` | the byte reader under the parser, which bounds the memory of one record |
//! | `read` | [`TableReader`], [`Row`], [`RowOutcome`], [`Tally`] |
//! | `write` | [`TableWriter`] |
//! | `blocks` | a table in blocks of whole records |
//! | `digits` | numbers from and to text, for columns of many |
//! | `estimates` | a table in, its estimates out: [`TableEstimates`], [`OpenTable`] |
//! | `flow` | the blocks of such a table: plain rows a chunk at a time |
//! | `stretches` | a table as columns of numbers and single rows: [`OpenTable::each`], [`Stretch`] |
//! | `summary` | what became of its rows: [`Summary`] |
//!
//! ```
//! use conchoid::strike::Measured;
//! use conchoid::table::{RowOutcome, TableOptions, TableReader, Tally};
//! let text = "flake,Platform depth (cm),thickness_mm\nA1,0.8,3.1\nA2,0.9,0\nA3,wide,2.2\n";
//! let mut table = TableReader::new(text.as_bytes(), &TableOptions::new())?;
//! let mut row = table.row();
//! let mut tally = Tally::default();
//! while table.read(&mut row)? {
//!     let outcome = row.outcome(&["platform_depth_mm"]);
//!     match &outcome {
//!         RowOutcome::Read => assert_eq!(row.number("platform_depth_mm"), Some(8.0)),
//!         RowOutcome::ReadWithRemark(remarks) => assert_eq!(
//!             remarks[0].to_string(),
//!             "row 2, column thickness_mm: 0 is out of range (accepted: at least 0.05, at most 10000 mm)"
//!         ),
//!         RowOutcome::Refused(reasons) => assert_eq!(
//!             reasons[0].to_string(),
//!             "row 3, column Platform depth (cm): \"wide\" is not a number \
//!              (write a number such as 7.3, or leave the cell blank)"
//!         ),
//!     }
//!     tally.count(&outcome);
//! }
//! assert_eq!((tally.read(), tally.remarked(), tally.refused(), tally.rows()), (1, 1, 1, 3));
//! # Ok::<(), conchoid::Error>(())
//! ```

mod blocks;
mod cell;
mod digits;
mod estimates;
mod flow;
mod guard;
mod header;
mod quantity;
mod read;
mod stretches;
mod summary;
mod write;

pub use estimates::{
    Completed, OpenTable, Predictors, RowNumber, TERMINATIONS, TableEstimates, answer, joined,
};
pub use header::{ColumnId, Header, MOST_COLUMNS, Separator, TableOptions};
pub use quantity::{CLASSES, Dimension, QUANTITIES, Quantity};
pub use read::{Row, RowOutcome, TableReader, Tally};
pub use stretches::Stretch;
pub use summary::Summary;
pub use write::{Cell, TableWriter};
