//! What came off, from what is left of it.

mod assemblage;
mod original;
mod retouched;
