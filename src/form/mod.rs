//! Forms: the shape of a regression, from measurements to a transformed size.
//!
//! A [`Form`] is a response [`Transform`] and a list of [`Term`]s, built with functions and lists:
//!
//! ```text
//! g(size) = b0 + b1 term_1 + ... + bk term_k,      optionally   ln spread = c0 + c1 term_1' + ...
//! ```
//!
//! where g is the identity, ln, log10 or the cube root and each term is a function of named
//! measurements (`platform_depth_mm`) or an indicator of a class (`blow_lands_on` = `edge`). The
//! published forms are available by name from [`Form::named`]. A form knows nothing of data: it is
//! compiled against a [`Layout`] (which measurement stands where) and then fills design rows.
//!
//! | file | what |
//! |---|---|
//! | `transform` | how the size is transformed |
//! | `term` | terms, and the functions that build them |
//! | `layout` | which measurement stands where in an input row |
//! | `shape` | a form: transform, terms, and the published ones by name |
//! | `elementary` | the functions that terms are made of |
//! | `op` | one term with its names resolved |
//! | `compiled` | a form with its names resolved: design rows |
//! | `columns` | the same for blocks of rows, a column at a time |

mod columns;
mod compiled;
pub(crate) mod elementary;
mod layout;
mod op;
mod shape;
mod term;
mod transform;

pub(crate) use columns::{BLOCK, Plan, check_columns};
pub(crate) use compiled::Compiled;
pub use layout::{ClassInput, Layout};
pub use shape::{Form, PUBLISHED};
pub(crate) use term::Kind;
pub use term::{Term, above, indicator, ln, log10, power, product, shifted, spline, square, tangent, value};
pub use transform::Transform;

/// Platform depth: percussion point to the exterior face.
pub(crate) const DEPTH: &str = "platform_depth_mm";
/// Platform width.
pub(crate) const WIDTH: &str = "platform_width_mm";
/// Platform area.
pub(crate) const AREA: &str = "platform_area_mm2";
/// Exterior platform angle.
pub(crate) const ANGLE: &str = "exterior_platform_angle_deg";
/// Angle of blow, 0 perpendicular to the platform.
pub(crate) const ANGLE_OF_BLOW: &str = "angle_of_blow_deg";
/// Class of the percussor: stone, metal, organic.
pub(crate) const PERCUSSOR_CLASS: &str = "percussor_class";
/// Where the blow lands: platform, edge.
pub(crate) const LANDS_ON: &str = "blow_lands_on";
/// How the flake ends: feather, hinge, step, overshot.
pub(crate) const TERMINATION: &str = "termination";
