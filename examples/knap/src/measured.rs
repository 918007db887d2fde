//! The options that say how exactly a platform was measured, and which flakes were kept.

use crate::failure::{Failure, Outcome, Whose};
use crate::report::{short, unit};
use crate::taken::read;
use clap::Args;
use conchoid::calibration::RecoveryThreshold;
use conchoid::infer::BetaLoss;
use conchoid::predict::{MeasurementErrors, in_words};
use conchoid::strike::Measured;
use std::collections::BTreeMap;

/// Measurements by what gives a number, and what gives a class, by its name.
pub struct By<'a> {
    pub number: &'a dyn Fn(&str) -> Option<f64>,
    pub class: &'a dyn Fn(&str) -> Option<&'a str>,
}

impl Measured for By<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        (self.number)(name)
    }
    fn class(&self, name: &str) -> Option<&str> {
        (self.class)(name)
    }
}

/// Standard deviations of the measurements.
#[derive(Args, Debug, Default)]
pub struct MeasuredWith {
    /// Error of the platform depth, mm, as a standard deviation; the intervals widen by it (a caliper: about 0.4)
    pub depth_error_mm: Option<f64>,
    /// Error of the exterior platform angle, degrees, likewise (a goniometer in one hand: about 4)
    pub angle_error_deg: Option<f64>,
    /// Error of the platform width, mm, likewise
    pub width_error_mm: Option<f64>,
    /// Error of the platform area, mm2, likewise
    pub area_error_mm2: Option<f64>,
}

/// The recovery threshold.
#[derive(Args, Debug, Default, Clone)]
pub struct KeptAbove {
    /// Flakes were kept whose greater of length and width is at least so much, mm
    #[arg(conflicts_with = "kept_above_g")]
    pub kept_above_mm: Option<f64>,
    /// Flakes were kept that weigh at least so much, g
    pub kept_above_g: Option<f64>,
}

impl KeptAbove {
    /// Checks what was given.
    pub fn threshold(&self) -> Outcome<Option<RecoveryThreshold>> {
        let mm = self.kept_above_mm.map(RecoveryThreshold::above_mm);
        let found = mm.or_else(|| self.kept_above_g.map(RecoveryThreshold::above_g));
        found.transpose().asked()
    }

    /// As written on the command line.
    pub fn command(&self) -> String {
        let option = |name: &str, v: Option<f64>| v.map_or(String::new(), |v| format!(" --{name} {v}"));
        option("kept-above-mm", self.kept_above_mm) + &option("kept-above-g", self.kept_above_g)
    }
}

/// The model of loss that `--loss` asks for.
pub fn model_of_loss(asked: Option<&str>) -> Outcome<Option<BetaLoss>> {
    let text = match asked {
        None => return Ok(Some(BetaLoss::usual())),
        Some("none") => return Ok(None),
        Some(text) => text,
    };
    let Some((a, b)) = text.split_once(',').filter(|(_, b)| !b.contains(',')) else {
        return Err(Failure::usage(format!("--loss {text}: write two numbers, A,B, such as 2,5")));
    };
    BetaLoss::new(read("loss", text, a)?, read("loss", text, b)?).asked().map(Some)
}

impl MeasuredWith {
    fn each(&self) -> Vec<(&'static str, f64)> {
        [
            ("platform_depth_mm", self.depth_error_mm),
            ("exterior_platform_angle_deg", self.angle_error_deg),
            ("platform_width_mm", self.width_error_mm),
            ("platform_area_mm2", self.area_error_mm2),
        ]
        .into_iter()
        .filter_map(|(name, sd)| Some((name, sd?)))
        .collect()
    }

    /// Checks what was given.
    pub fn errors(&self) -> Outcome<MeasurementErrors> {
        self.each()
            .into_iter()
            .try_fold(MeasurementErrors::new(), |all, (name, sd)| all.absolute(name, sd))
            .asked()
    }

    /// A sentence, empty where every measurement is taken as exact.
    pub fn in_words(&self) -> String {
        let told: Vec<String> = self
            .each()
            .iter()
            .filter(|(_, sd)| *sd > 0.0)
            .map(|(name, sd)| format!("{} {} {}", in_words(name), short(*sd), unit(name)))
            .collect();
        if told.is_empty() {
            return String::new();
        }
        format!(
            "The intervals allow for errors of measurement (one standard deviation): {}.",
            told.join(", ")
        )
    }

    /// What was given, by measurement; nothing where every measurement is taken as exact.
    pub fn given(&self) -> Option<BTreeMap<&'static str, f64>> {
        (!self.in_words().is_empty()).then(|| self.each().into_iter().collect())
    }
}
