//! The bundled calibrations, a page each: what was struck, by what it can be asked, how well it does, and what it
//! does not know.
//!
//! | calibration | flakes | 95 % interval of one mass, at a middling platform |
//! |---|---|---|
//! | [`controlled_glass`] | 338 | a factor of about 3 either way |
//! | [`hard_hammer_flint`] | 375 | a factor of about 5 either way, 4 with area, cortex and scars |
//! | [`hard_hammer_quartzite`] | 361 | a factor of about 4.5 either way |
//! | [`excavated_flakes`] | 12,702 | a factor of about 6 either way, at a site of which nothing is known |

#[doc = include_str!("controlled-glass.md")]
#[doc = ""]
#[doc = include_str!("controlled-glass-generated.md")]
pub mod controlled_glass {}

#[doc = include_str!("hard-hammer-flint.md")]
#[doc = ""]
#[doc = include_str!("hard-hammer-flint-generated.md")]
pub mod hard_hammer_flint {}

#[doc = include_str!("hard-hammer-quartzite.md")]
#[doc = ""]
#[doc = include_str!("hard-hammer-quartzite-generated.md")]
pub mod hard_hammer_quartzite {}

#[doc = include_str!("excavated-flakes.md")]
#[doc = ""]
#[doc = include_str!("excavated-flakes-generated.md")]
pub mod excavated_flakes {}
