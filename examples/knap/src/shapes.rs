//! The JSON that `knap` prints, as types: `knap schema VERB` prints their JSON Schema, and a test reads what every
//! verb prints back into them, so that neither can drift from the other.
//!
//! Numbers are in the unit that a name ends in; probabilities and shares lie between 0 and 1. An entry that may be
//! absent is optional in the schema.

use schemars::{JsonSchema, Schema, schema_for};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

macro_rules! shape {
    ($(#[$about:meta])* $name:ident { $($(#[$on:meta])* $field:ident: $kind:ty),* $(,)? }) => {
        $(#[$about])*
        #[derive(Debug, Serialize, Deserialize, JsonSchema)]
        #[serde(deny_unknown_fields)]
        pub struct $name { $($(#[$on])* pub $field: $kind),* }
    };
}

shape! {
    /// A central interval of a size.
    Interval {
        low: f64,
        median: f64,
        high: f64,
        /// Probability inside.
        #[serde(skip_serializing_if = "Option::is_none")]
        level: Option<f64>,
    }
}

shape! {
    /// A figure with its interval.
    Figure { value: f64, low: f64, high: f64 }
}

shape! {
    /// A reason to distrust the answer.
    Doubt {
        /// A word for programs, such as `outside-range`.
        kind: String,
        /// A sentence for people.
        text: String,
        /// How many flakes it concerns, in assemblages.
        #[serde(skip_serializing_if = "Option::is_none")]
        flakes: Option<u64>,
    }
}

shape! {
    /// What an answer leans on.
    Behind {
        name: String,
        #[serde(skip_serializing_if = "Option::is_none")]
        form: Option<String>,
        /// Flakes of the experiment.
        #[serde(skip_serializing_if = "Option::is_none")]
        n: Option<u64>,
        /// Measurements used.
        #[serde(skip_serializing_if = "Option::is_none")]
        measured_by: Option<String>,
    }
}

shape! {
    /// A size of one flake.
    Size {
        low: f64,
        median: f64,
        high: f64,
        /// Under normal errors; nothing where the distribution has no mean.
        mean: Option<f64>,
        level: f64,
        /// The column meant, where it says more than the name.
        #[serde(skip_serializing_if = "Option::is_none")]
        measures: Option<String>,
    }
}

shape! {
    /// Whether a blow detaches.
    Detachment {
        stone: String,
        probability: Figure,
        /// Delivered force over required force.
        margin: Figure,
        delivered_force_n: Figure,
        required_force_n: Figure,
        least_speed_m_s: Figure,
    }
}

shape! {
    /// `knap estimate`
    Estimate {
        #[serde(skip_serializing_if = "Option::is_none")]
        detachment: Option<Detachment>,
        #[serde(skip_serializing_if = "Option::is_none")]
        length_mm: Option<Size>,
        #[serde(skip_serializing_if = "Option::is_none")]
        width_mm: Option<Size>,
        #[serde(skip_serializing_if = "Option::is_none")]
        thickness_mm: Option<Size>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mass_g: Option<Size>,
        /// Probability of each termination that the calibration can tell.
        termination: BTreeMap<String, Figure>,
        /// Standard deviations that were given, by measurement.
        #[serde(skip_serializing_if = "Option::is_none")]
        measurement_errors: Option<BTreeMap<String, f64>>,
        calibration: Behind,
        cautions: Vec<Doubt>,
    }
}

shape! {
    /// `knap blow`
    Blow {
        stone: String,
        percussor: String,
        peak_force_n: Figure,
        contact_time_s: Figure,
        contact_radius_mm: Figure,
        peak_pressure_pa: Figure,
        edge_tensile_stress_pa: Figure,
        required_force_n: Figure,
        /// For a right-angled edge struck square.
        square_edge_force_n: Figure,
        margin: Figure,
        detachment_probability: Figure,
        least_speed_m_s: Figure,
        least_energy_j: Figure,
        /// The deepest platform this blow carries.
        carried_depth_mm: Figure,
        level: f64,
        cautions: Vec<Doubt>,
    }
}

shape! {
    /// One percussor of a contrast; the mechanics where mass, tip and speed were given.
    Contrasted {
        percussor: String,
        #[serde(skip_serializing_if = "Option::is_none")]
        peak_force_n: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        contact_time_s: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        contact_radius_mm: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        peak_pressure_pa: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        edge_tensile_stress_pa: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        required_force_n: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        square_edge_force_n: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        margin: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        detachment_probability: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        least_speed_m_s: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        least_energy_j: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        carried_depth_mm: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        length_mm: Option<Interval>,
        #[serde(skip_serializing_if = "Option::is_none")]
        width_mm: Option<Interval>,
        #[serde(skip_serializing_if = "Option::is_none")]
        thickness_mm: Option<Interval>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mass_g: Option<Interval>,
        cautions: Vec<Doubt>,
    }
}

shape! {
    /// The difference of a size between two percussors.
    SizeDifference {
        /// `ratio` or `difference`: what the figures are.
        scale: String,
        /// Of what is expected.
        expected: Figure,
        /// Of one new flake each.
        new_flakes: Figure,
        /// How many standard errors the expected difference lies from none.
        standard_errors: f64,
        /// How far the flakes support its direction: from 0.5 (not at all) to 1.
        supported: f64,
        /// Probability that a new flake of the first is larger.
        first_larger: f64,
    }
}

shape! {
    /// Two percussors against each other.
    Difference {
        first: String,
        second: String,
        #[serde(skip_serializing_if = "Option::is_none")]
        peak_force_ratio: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        least_speed_ratio: Option<Figure>,
        #[serde(skip_serializing_if = "Option::is_none")]
        least_energy_ratio: Option<Figure>,
        told_apart: bool,
        #[serde(skip_serializing_if = "Option::is_none")]
        length_mm: Option<SizeDifference>,
        #[serde(skip_serializing_if = "Option::is_none")]
        width_mm: Option<SizeDifference>,
        #[serde(skip_serializing_if = "Option::is_none")]
        thickness_mm: Option<SizeDifference>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mass_g: Option<SizeDifference>,
    }
}

shape! {
    /// `knap contrast`
    Contrast {
        stone: String,
        platform_depth_mm: f64,
        exterior_platform_angle_deg: f64,
        level: f64,
        calibration: Behind,
        percussors: Vec<Contrasted>,
        differences: Vec<Difference>,
    }
}

shape! {
    /// A coefficient with its standard error.
    Coefficient { value: f64, standard_error: f64 }
}

shape! {
    /// Groups that share an effect: how many, and the spread between them.
    Groups { groups: u64, spread: f64 }
}

shape! {
    /// One size fitted by one set of measurements.
    SizeFitted {
        measured_by: String,
        /// The column fitted.
        response: String,
        form: String,
        flakes: u64,
        /// By term, on the scale of the form.
        coefficients: BTreeMap<String, Coefficient>,
        spread: f64,
        degrees_of_freedom: f64,
        /// What flakes of one group share, by the column of the groups.
        #[serde(skip_serializing_if = "Option::is_none")]
        shared: Option<BTreeMap<String, Groups>>,
        r_squared: f64,
        /// Of least squares only.
        #[serde(skip_serializing_if = "Option::is_none")]
        adjusted_r_squared: Option<f64>,
        left_out_error: f64,
        /// How many flakes were left out in turn: of very many only some, evenly spread.
        left_out_flakes: u64,
        /// Akaike's criterion with the density of the size in its own unit.
        aic_own_unit: f64,
    }
}

shape! {
    /// `knap fit`; with --by-calibration one such object a line
    Fit {
        name: String,
        /// The level that the others of a class are compared with.
        #[serde(skip_serializing_if = "Option::is_none")]
        shifts_from: Option<BTreeMap<String, String>>,
        fits: Vec<SizeFitted>,
        used: u64,
        /// Flakes left out, by reason.
        left_out: BTreeMap<String, u64>,
    }
}

shape! {
    /// A score with its standard error over flakes or groups.
    Scored { value: f64, standard_error: f64 }
}

shape! {
    /// Intervals of one level.
    Coverage { level: f64, inside: Scored, ln_width: Scored }
}

shape! {
    /// How flakes not seen were foretold.
    Scores {
        flakes: u64,
        groups: Option<u64>,
        crps: Scored,
        log_score: Scored,
        rmse_ln: Scored,
        mae_ln: Scored,
        r_squared: Scored,
        rmse: Scored,
        mae: Scored,
        interval_score: Scored,
        coverage: Vec<Coverage>,
        /// Probability of no size at all, averaged.
        atom: f64,
    }
}

shape! {
    /// Scores within one level of a class.
    ClassScores { class: String, level: String, scores: Scores }
}

shape! {
    /// One form of an assessment.
    FormAssessment {
        coefficients: u64,
        /// On the flakes that all forms answer for.
        overall: Scores,
        /// On all flakes that this form answers for.
        own: Scores,
        by_class: Vec<ClassScores>,
        /// The probability integral transform: how even its histogram is.
        pit: Value,
        refused: BTreeMap<String, u64>,
    }
}

shape! {
    /// `knap assess`
    Assess {
        size: String,
        column: String,
        rule: String,
        rows: u64,
        /// Flakes that all forms answer for.
        flakes: u64,
        /// Flakes that record the size.
        with_size: u64,
        forms: BTreeMap<String, FormAssessment>,
        /// Forms that cannot be used, each with the reason.
        left_out: BTreeMap<String, String>,
        /// Each form against the best, on the same flakes.
        differences: Vec<Value>,
        recommendation: Value,
        sentence: String,
        #[serde(skip_serializing_if = "Option::is_none")]
        checks: Option<Vec<Value>>,
        #[serde(skip_serializing_if = "Option::is_none")]
        condition_number: Option<f64>,
        #[serde(skip_serializing_if = "Option::is_none")]
        variance_inflation: Option<BTreeMap<String, f64>>,
    }
}

shape! {
    /// A class of percussors in a verdict.
    ClassVerdict {
        prior: f64,
        probability: f64,
        ln_bayes_factor: f64,
        bayes_factor: f64,
        /// The flake without which the verdict would be another.
        #[serde(skip_serializing_if = "Option::is_none")]
        leans_on: Option<Value>,
    }
}

shape! {
    /// What flakes struck by one percussor say of it.
    Verdict {
        flakes: u64,
        with_termination: u64,
        with_lip: u64,
        classes: BTreeMap<String, ClassVerdict>,
        favours: String,
        strength: String,
        sentence: String,
        integration_error: f64,
        measured_by: String,
        cautions: Vec<Doubt>,
        recorded_percussors: BTreeMap<String, u64>,
    }
}

shape! {
    /// `knap percussor`
    Percussor {
        rows: u64,
        refused: u64,
        calibrations: Vec<String>,
        /// How blows were set where rows do not tell.
        settings: Vec<Value>,
        site_shift: Value,
        terminations_modelled: bool,
        lips_modelled: bool,
        #[serde(skip_serializing_if = "Option::is_none")]
        together: Option<Verdict>,
        groups: BTreeMap<String, Verdict>,
        /// How often such verdicts were right on flakes whose percussor is known.
        #[serde(skip_serializing_if = "Option::is_none")]
        track_record: Option<Value>,
    }
}

shape! {
    /// A size with the certainty that it was at least something.
    AtLeast { low: f64, median: f64, high: f64, level: f64, at_least: Option<f64> }
}

shape! {
    /// The probability that more than a share is lost.
    MoreThan { share: f64, probability: f64 }
}

shape! {
    /// `knap original`
    Original {
        original_mass_g: AtLeast,
        share_lost: Interval,
        lost_more_than: MoreThan,
        #[serde(skip_serializing_if = "Option::is_none")]
        original_length_mm: Option<AtLeast>,
        /// What the answer rests on: the retouch, the platform, or that there is no retouch.
        leans_on: Value,
        /// The platform's answer beside that of the retouch.
        #[serde(skip_serializing_if = "Option::is_none")]
        original_mass_g_by_platform: Option<Interval>,
        /// How many such flakes weighed as much as remains.
        probability_of_as_much: Option<f64>,
        model_of_loss: Option<Value>,
        calibration: Behind,
        cautions: Vec<Doubt>,
    }
}

shape! {
    /// Errors of the three figures, from the finite number of draws.
    DrawnErrors { low: f64, median: f64, high: f64 }
}

shape! {
    /// A figure of an assemblage, drawn.
    Drawn { low: f64, median: f64, high: f64, level: f64, monte_carlo_error: DrawnErrors }
}

shape! {
    /// Pieces without an estimate.
    NotEstimated { reason: String, pieces: u64 }
}

shape! {
    /// What a mesh holds.
    Grade {
        /// Nothing for what passes the finest mesh.
        mesh_mm: Option<f64>,
        share: f64,
    }
}

shape! {
    /// One group of an assemblage.
    Group {
        n: u64,
        pieces: u64,
        platforms: u64,
        weighed: u64,
        /// Flakes weighed as they were struck, taken as they are, and their mass, g.
        weighed_whole: u64,
        weighed_whole_g: f64,
        #[serde(skip_serializing_if = "Option::is_none")]
        total_mass_g: Option<Drawn>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mean_mass_g: Option<Drawn>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mass_lost_g: Option<Drawn>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mean_length_mm: Option<Drawn>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mass_now_g: Option<f64>,
        #[serde(skip_serializing_if = "Option::is_none")]
        mesh_mm: Option<Value>,
        #[serde(skip_serializing_if = "Option::is_none")]
        share_held: Option<f64>,
        #[serde(skip_serializing_if = "Option::is_none")]
        struck: Option<Value>,
        #[serde(skip_serializing_if = "Option::is_none")]
        size_grades: Option<Vec<Grade>>,
        not_estimated: Vec<NotEstimated>,
        cautions: Vec<Doubt>,
        remarks: Vec<Value>,
    }
}

shape! {
    /// `knap assemblage`
    Assemblage { groups: BTreeMap<String, Group>, seed: u64, draws: u64, calibration: Behind }
}

shape! {
    /// A test statistic with its permutation p-value.
    Tested { value: f64, p_value: f64 }
}

shape! {
    /// `knap assemblage` with `--compare` or `--against`
    Comparison {
        size: String,
        groups: Vec<String>,
        n: Vec<u64>,
        level: f64,
        ratio: Figure,
        quantile_ratios: BTreeMap<String, Figure>,
        overlap: Figure,
        kolmogorov_smirnov: Tested,
        energy: Tested,
        differ: bool,
        without_size: u64,
        seed: u64,
    }
}

shape! {
    /// A calibration, in short.
    Listed {
        summary: String,
        citation: String,
        licence: String,
        stone: Option<String>,
        measured_by: Vec<String>,
    }
}

/// `knap calibrations`
pub type Calibrations = BTreeMap<String, Listed>;

shape! {
    /// `knap plan`
    Plan {
        form: String,
        response: String,
        terms: Vec<String>,
        criterion: String,
        seed: u64,
        /// What to strike, one entry a flake: targets and what is accepted of each.
        flakes: Vec<BTreeMap<String, Value>>,
        criterion_value: f64,
        starts_agreeing: u64,
        starts: u64,
        share_of_bound: Option<f64>,
        against_even_grid: BTreeMap<String, Value>,
        kept_within_tolerance: BTreeMap<String, f64>,
        spread: BTreeMap<String, Value>,
        #[serde(skip_serializing_if = "Option::is_none")]
        existing: Option<BTreeMap<String, Value>>,
        level: f64,
        difference: Option<f64>,
        curve: Vec<BTreeMap<String, Value>>,
        at: Vec<Value>,
        cautions: Vec<String>,
    }
}

/// What prints JSON, and its schema.
pub const VERBS: [&str; 11] = [
    "estimate",
    "blow",
    "contrast",
    "fit",
    "assess",
    "percussor",
    "original",
    "assemblage",
    "comparison",
    "calibrations",
    "plan",
];

/// The JSON Schema of what a verb prints.
pub fn schema(verb: &str) -> Option<Schema> {
    Some(match verb {
        "estimate" => schema_for!(Estimate),
        "blow" => schema_for!(Blow),
        "contrast" => schema_for!(Contrast),
        "fit" => schema_for!(Fit),
        "assess" => schema_for!(Assess),
        "percussor" => schema_for!(Percussor),
        "original" => schema_for!(Original),
        "assemblage" => schema_for!(Assemblage),
        "comparison" => schema_for!(Comparison),
        "calibrations" => schema_for!(Calibrations),
        "plan" => schema_for!(Plan),
        _ => return None,
    })
}
