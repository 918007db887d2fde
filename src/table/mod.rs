//! Tables of flakes: reading them row by row in constant memory, and writing them back with columns added.
//!
//! | file | holds |
//! |---|---|
//! | `quantity` | the units that the known columns ([`QUANTITIES`], [`CLASSES`]) may be written in |
//! | `column` | an understood column: its name, and how its cells are read |
//! | `condition` | which rows are asked about: [`Condition`] |
//! | `intake` | what is noticed on the way in that is no fault of a row: [`Intake`] |
//! | `suggest` | columns by the names that people give them: [`Header::suggestions`] |
//! | `header` | [`TableOptions`], and what each column of a header line means: [`Header`] |
//! | `cell` | one cell: a number, not recorded, or neither and why |
//! | `text` | the text of cells: their encoding, taken from a record and put into a line |
//! | `guard` | the beginning of a table: its marks and its header line |
//! | `blocks` | a table in blocks of whole records |
//! | `read` | [`TableReader`]: the one way in, row by row or in blocks |
//! | `row` | [`Row`] |
//! | `stretches` | a table as columns of numbers and single rows |
//! | `write` | the writer of tables |
//! | `digits` | numbers from and to text, for columns of many |
//! | `estimates` | a table in, its estimates out: [`TableEstimates`] |
//! | `flow` | the blocks of such a table: plain rows of one group together |
//! | `rows` | rows answered one by one on all threads, and refused in one way |
//! | `originals` | a table of tools in, what they were out: [`TableOriginals`] |
//! | `attributions` | a table of flakes in, what struck them out: [`TableAttributions`] |
//! | `offers` | rows as they are offered to a fit: [`offer_each`], [`levels_of`] |
//! | `planned` | the sheet of a plan, to fill in at the yard: [`sheet_of`] |
//! | `kept` | what is kept of rows that are needed together: [`Keeper`] |
//! | `summary` | what became of its rows, by reason: [`Summary`], [`Reasons`] |
//! | `report` | one page about a table, with a paragraph for a paper: [`TableReport`] |
//!
//! ```
//! use conchoid::strike::Measured;
//! use conchoid::table::{TableOptions, TableReader};
//! let text = "flake,Platform depth (cm),thickness_mm\nA1,0.8,3.1\nA2,0.9,0\nA3,wide,2.2\n";
//! let mut table = TableReader::new(text.as_bytes(), &TableOptions::new())?;
//! let mut row = table.row();
//! let (mut read, mut remarked, mut refused) = (0, 0, 0);
//! while table.read(&mut row)? {
//!     match row.outcome(&["platform_depth_mm"]) {
//!         Ok(remarks) if remarks.is_empty() => {
//!             read += 1;
//!             assert_eq!(row.number("platform_depth_mm"), Some(8.0));
//!         }
//!         Ok(remarks) => {
//!             remarked += 1;
//!             assert_eq!(
//!                 remarks[0].to_string(),
//!                 "row 2, column thickness_mm: 0 is out of range (accepted: at least 0.05, at most 10000 mm)"
//!             );
//!         }
//!         Err(reasons) => {
//!             refused += 1;
//!             assert_eq!(
//!                 reasons[0].to_string(),
//!                 "row 3, column Platform depth (cm): \"wide\" is not a number \
//!                  (write a number such as 7.3, or leave the cell blank)"
//!             );
//!         }
//!     }
//! }
//! assert_eq!((read, remarked, refused), (1, 1, 1));
//! # Ok::<(), conchoid::Error>(())
//! ```

mod attributions;
mod blocks;
mod cell;
mod column;
mod condition;
mod digits;
mod estimates;
mod flow;
mod guard;
mod header;
mod intake;
mod kept;
mod offers;
mod originals;
mod planned;
mod quantity;
mod read;
mod report;
mod row;
mod rows;
mod stretches;
mod suggest;
mod summary;
mod text;
mod write;

pub use crate::flake::columns::{CLASSES, QUANTITIES};
pub use attributions::{Attributions, TableAttributions};
pub use condition::Condition;
pub use estimates::{Completed, TableEstimates};
pub use header::{Header, TableOptions};
pub use intake::Intake;
pub use kept::{Keeper, KeptRow};
pub use offers::{Offer, OffersMade, levels_of, offer_each};
pub use originals::TableOriginals;
pub use planned::sheet_of;
pub use read::TableReader;
pub use report::TableReport;
pub use row::Row;
pub use summary::{Reasons, Summary};
#[cfg(test)]
pub(crate) use write::TableWriter;

#[cfg(all(test, feature = "table"))]
mod tests;
