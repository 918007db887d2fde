//! Closed-form fracture mechanics of a percussion blow, in SI, without statistics.
//!
//! - [`contact`]: a tip pressed on a platform (Hertz): radius, approach, pressure, rim tension, first yield.
//! - [`impact`]: the meeting of two masses on that contact: peak force, time, losses, yielding tips.
//! - [`cone`]: the Hertzian cone: load, growth, angle, and the platform width it cuts.
//! - [`chipping`]: the force that an edge requires, its dependence on angles, the length of a spall.
//! - [`blow`]: delivered against required: margin, least speed and energy, the depth a blow can carry.
//!
//! Each function says what it assumes and where it fails. Constants that were not read in their source say
//! "from memory". Spread, ranges and probabilities are the caller's: everything here is cheap and allocates
//! nothing on success, so that it can be run over the nodes of a quadrature.

pub mod blow;
pub mod chipping;
pub mod cone;
pub mod contact;
pub mod impact;
