//! The fits on the published tables, which are not part of the project.

mod linear;
mod multinomial;
mod shrunken;
