//! What comes off: estimates, their cautions and their bits.

mod caution;
mod measurement;
mod same_bits;
mod vocabulary;
