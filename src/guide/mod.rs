//! The guide: how to measure, choose, read, fit, look back and plan, and what not to believe.
//!
//! | page | answers |
//! |---|---|
//! | [`measuring`] | what platform depth, width and exterior angle are, with drawings; units; how sure a reading is |
//! | [`choosing`] | which calibration to lean on |
//! | [`reading`] | what an interval says, and what the cautions mean |
//! | [`fitting`] | a calibration from your own flakes, twenty or two thousand |
//! | [`sites`] | when a published calibration may speak for your site, and what a few flakes of it teach |
//! | [`retouched`] | what a retouched or broken piece was, and whole bags of them |
//! | [`how_it_ends`] | what makes a hinge, a step, an overshot flake |
//! | [`hammerstone_or_antler`] | what a soft percussor does, and what of it is known |
//! | [`planning`] | what to strike next |
//! | [`limits`] | what the model cannot tell |
//! | [`elsewhere`] | what runs in a browser, and what not without `std` |
//! | [`forms`] | the published forms, side by side |
//! | [`calibrations`] | a page for each bundled calibration |
//!
//! There is no code in this module. Its examples run with the other tests.

pub mod calibrations;
pub mod forms;

#[doc = include_str!("measuring.md")]
#[doc = ""]
#[doc = include_str!("platform.svg")]
#[doc = ""]
#[doc = include_str!("measuring-platform.md")]
#[doc = ""]
#[doc = include_str!("flake.svg")]
#[doc = ""]
#[doc = include_str!("measuring-flake.md")]
#[doc = ""]
#[doc = include_str!("terminations.svg")]
#[doc = ""]
#[doc = include_str!("measuring-sure.md")]
pub mod measuring {}

#[doc = include_str!("choosing.md")]
pub mod choosing {}

#[doc = include_str!("reading.md")]
#[doc = ""]
#[doc = include_str!("interval.svg")]
#[doc = ""]
#[doc = include_str!("reading-cautions.md")]
pub mod reading {}

#[doc = include_str!("fitting.md")]
pub mod fitting {}

#[doc = include_str!("sites.md")]
pub mod sites {}

#[doc = include_str!("retouched.md")]
#[doc = ""]
#[doc = include_str!("retouch.svg")]
#[doc = ""]
#[doc = include_str!("retouched-answers.md")]
pub mod retouched {}

#[doc = include_str!("planning.md")]
pub mod planning {}

#[doc = include_str!("how-it-ends.md")]
pub mod how_it_ends {}

#[doc = include_str!("hammerstone-or-antler.md")]
pub mod hammerstone_or_antler {}

#[doc = include_str!("limits.md")]
pub mod limits {}

#[doc = include_str!("elsewhere.md")]
pub mod elsewhere {}
