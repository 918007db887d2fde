//! Closed-form fracture mechanics of a percussion blow, in SI, without statistics.
//!
//! A blow is known by its figures ([`BlowAsKnown`](crate::predict::BlowAsKnown)); its estimate tells what it delivers and
//! what the platform requires, with the doubts that the model has.
//!
//! - `contact`: a tip pressed on a platform (Hertz): radius, approach, pressure, rim tension, the load that starts a cone.
//! - `impact`: the meeting of two masses on that contact: peak force, time, losses, yielding tips.
//! - `chipping`: the force that an edge requires and its dependence on angles.
//! - `blow`: delivered against required: margin, least speed and energy, the depth a blow can carry.
//!
//! Each function says what it assumes and where it fails. Constants that were not read in their source say
//! "from memory". Spread, ranges and probabilities are the caller's: everything here is cheap and allocates
//! nothing on success, so that it can be run over the nodes of a quadrature.

pub(crate) mod blow;
pub(crate) mod chipping;
pub(crate) mod contact;
pub(crate) mod impact;

#[cfg(test)]
pub(crate) mod tests;
