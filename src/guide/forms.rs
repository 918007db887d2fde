//! The published forms: what each is, where it holds, who proposed it, and how it does.
//!
//! Scores are those of `knap assess` on the mass of three published tables, on flakes that were not fitted: 10 times
//! 10-fold, seed 1, and for quartzite leaving out one core at a time. CRPS is on ln mass, in the unit of the logarithm: it is the mean
//! absolute error of a forecast that gives its uncertainty, smaller is better. "Inside" is how many of 100 new flakes lie
//! inside the 95 % interval. The tables do not come with the crate (`data-sources.md` says where they are); tests that
//! need them check these numbers.
//!
//! Coefficients of these forms are never assumed. Published ones belong to their experiments and to their ways of
//! measuring: fit the form to flakes like yours.
//!
//! | form | glass: CRPS | inside | flint: CRPS | inside | quartzite: CRPS | inside |
//! |---|---|---|---|---|---|---|
//! | [`log-log`](#log-log) | 0.480 | 93.8 of 344 | 0.464 | 95.9 of 375 | 0.484 | 94.2 of 361 |
//! | [`tangent-power`](#tangent-power) | 0.490 | 94.2 of 337 | 0.465 | 95.9 of 365 | 0.463 | 96.7 of 150 |
//! | [`cube-root`](#cube-root) | 0.483 | 94.3 of 344 | 0.463 | 94.8 of 375 | 0.478 | 91.4 of 361 |
//! | [`area`](#area) | | | 0.457 | 96.2 of 375 | | |
//! | [`area-angle`](#area-angle) | | | 0.456 | 95.6 of 375 | | |
//!
//! Each form is scored on every flake that it can use ("inside ... of ..."): `tangent-power` knows no angle of 90 degrees
//! or more, and only flint has its platform areas measured. The calibrations' own forms do better
//! ([`calibrations`](super::calibrations)): 0.301, 0.405 and 0.407.
//!
//! # log-log
//!
//! A power of depth, an exponential of the angle.
//!
//! ```text
//! ln size = a + b ln(platform depth) + c (exterior platform angle)
//! ```
//!
//! | symbol | meaning | unit |
//! |---|---|---|
//! | b | percent of size for a percent of depth; 3 for mass, if flakes kept their shape | - |
//! | c | logarithm of size for a degree | 1/degree |
//!
//! - **Where it holds**: any depth above zero, any angle, obtuse ones included.
//! - **Source**: log of size on log of platform size as in Shott, Bradbury, Carr & Odell 2000, *J. Archaeol. Sci.* 27:877; the
//!   angle enters linearly, common practice.
//! - **For**: hand-struck flakes, few flakes, first tries. It never predicts a size below zero, and its residuals have much the
//!   same spread at all sizes.
//! - **Against**: the effect of the angle is the same at any depth; on glass and quartzite flakes bend away from it.
//!
//! ```
//! use conchoid::form::Form;
//! assert_eq!(Form::named("log-log")?.term_names(), ["intercept", "ln platform_depth_mm", "exterior_platform_angle_deg"]);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! # tangent-power
//!
//! Powers of depth and of the tangent of the angle.
//!
//! ```text
//! ln size = a + b ln(platform depth) + c ln tan(exterior platform angle)
//! ```
//!
//! - **Where it holds**: angles above 0 and below 90 degrees. The tangent has no end at 90 and turns negative beyond, so a
//!   platform at 90 degrees or more is refused by name, and close below 90 the answer carries a caution: at 89 degrees the
//!   tangent is 57.
//! - **Source**: depth and tangent of the angle as in Dibble & Pelcin 1995, *J. Archaeol. Sci.* 22:429 (the algebra from
//!   memory).
//! - **For**: the geometry of a plate: a triangle of stone behind an edge of this angle has a length of depth times the
//!   tangent.
//! - **Against**: of 361 quartzite flakes it can use 150.
//!
//! ```
//! use conchoid::form::Form;
//! assert_eq!(Form::named("tangent-power")?.needs(), ["platform_depth_mm", "exterior_platform_angle_deg"]);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! # cube-root
//!
//! The cube root of size on depth, angle and their product.
//!
//! ```text
//! size^(1/3) = a + b (exterior platform angle) + c (platform depth) + d (angle x depth)
//! ```
//!
//! - **Where it holds**: where the right side is above zero. For small platforms at flat angles it is not, and the
//!   distribution then has a lump at zero that the answer reports.
//! - **Source**: McPherron et al. 2020, *PLOS ONE* 15:e0241714 (fitted there to 142 glass flakes; coefficients not printed).
//! - **For**: a depth that matters more at a steep angle, which glass shows.
//! - **Against**: spread that is even on this scale is not what flakes have; its intervals are the widest of the five.
//!
//! ```
//! use conchoid::form::{Form, Transform};
//! assert_eq!(Form::named("cube-root")?.transform(), Transform::CubeRoot);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! # area
//!
//! A power of platform area.
//!
//! ```text
//! log10 size = a + b log10(platform area)
//! ```
//!
//! - **Where it holds**: any area above zero. The area is that of the figure the platform resembles, or of a scan.
//! - **Source**: Shott, Bradbury, Carr & Odell 2000, *J. Archaeol. Sci.* 27:877; Clarkson & Hiscock 2011, *J. Archaeol. Sci.*
//!   38:1062.
//! - **For**: collections where no angle can be taken.
//! - **Against**: area holds width, which follows the flake's own width rather than what the knapper set.
//!
//! ```
//! use conchoid::form::Form;
//! assert_eq!(Form::named("area")?.needs(), ["platform_area_mm2"]);
//! # Ok::<(), conchoid::Error>(())
//! ```
//!
//! # area-angle
//!
//! A power of platform area, an exponential of the angle.
//!
//! ```text
//! log10 size = a + b log10(platform area) + c (exterior platform angle)
//! ```
//!
//! - **Where it holds**: any area above zero, any angle.
//! - **Source**: as [`area`](#area), with the angle as in Muller & Clarkson 2014, *J. Archaeol. Sci.* 52:31 (124 blades; they
//!   add platform type, termination and percussor too).
//! - **For**: the best of the five on hand-struck flint, by a little.
//! - **Against**: as [`area`](#area).
//!
//! ```
//! use conchoid::form::Form;
//! assert_eq!(Form::named("area-angle")?.needs(), ["platform_area_mm2", "exterior_platform_angle_deg"]);
//! # Ok::<(), conchoid::Error>(())
//! ```
