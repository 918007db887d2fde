//! Any strike under the bundled calibrations: an error, or ordered intervals and probabilities that are ones.
#![no_main]

use arbitrary::Arbitrary;
use conchoid::calibration::bundled;
use conchoid::flake::{Flake, Portion, Technique, Termination};
use conchoid::predict::MeasurementErrors;
use conchoid::predict::{Ask, Estimate, Joint, Predictor};
use conchoid::strike::{LandsOn, PlatformKind, Strike};
use libfuzzer_sys::fuzz_target;
use std::sync::OnceLock;

#[derive(Debug, Arbitrary)]
struct Asked {
    calibration: u8,
    depth_mm: Option<f64>,
    width_mm: Option<f64>,
    area_mm2: Option<f64>,
    angle_deg: Option<f64>,
    /// Whether to fold the numbers into their usual ranges, so that most runs get past the door.
    fold: bool,
    kind: Option<u8>,
    bevelled: Option<bool>,
    angle_of_blow_deg: Option<f64>,
    speed_m_s: Option<f64>,
    lands_on: Option<bool>,
    percussor: Option<u8>,
    percussor_text: Option<String>,
    stone: Option<u8>,
    portion: Option<u8>,
    technique: Option<u8>,
    termination: Option<u8>,
    recorded: Option<u8>,
    level: f64,
    known: Option<(u8, f64)>,
    errors: [Option<f64>; 3],
}

const PERCUSSORS: [&str; 8] = ["antler", "bone", "steel", "quartzite", "copper", "boxwood", "stone", "organic"];
const STONES: [&str; 5] = ["flint", "glass", "quartzite", "obsidian", "chalk"];
const TERMINATIONS: [Termination; 4] =
    [Termination::Feather, Termination::Hinge, Termination::Step, Termination::Overshot];

fn predictors() -> &'static [Predictor] {
    static ALL: OnceLock<Vec<Predictor>> = OnceLock::new();
    ALL.get_or_init(|| {
        bundled::NAMES.iter().map(|n| Predictor::new(bundled::named(n).unwrap()).unwrap()).collect()
    })
}

/// A number folded into a range, where that is wanted.
fn folded(fold: bool, v: Option<f64>, low: f64, high: f64) -> Option<f64> {
    v.map(|v| if fold && v.is_finite() { low + v.abs() % (high - low) } else { v })
}

const KINDS: [PlatformKind; 7] = [
    PlatformKind::Plain,
    PlatformKind::Cortical,
    PlatformKind::Dihedral,
    PlatformKind::Faceted,
    PlatformKind::Linear,
    PlatformKind::Punctiform,
    PlatformKind::Crushed,
];
const PORTIONS: [Portion; 7] = [
    Portion::Complete,
    Portion::Proximal,
    Portion::Medial,
    Portion::Distal,
    Portion::Split,
    Portion::Shatter,
    Portion::Core,
];
const TECHNIQUES: [Technique; 3] = [Technique::Direct, Technique::Indirect, Technique::Pressure];

fn pick<T: Copy>(from: &[T], at: Option<u8>) -> Option<T> {
    at.map(|a| from[a as usize % from.len()])
}

fn judge(e: &Estimate, level: f64, known: Option<(u8, f64)>) {
    for s in &e.sizes {
        if let Ok(i) = s.predictive.interval(level) {
            assert!(i.low <= i.median && i.median <= i.high, "{} {i:?} {:?}", s.size, s.predictive);
            assert!(i.low >= 0.0, "{} {i:?}", s.size);
            let (below, above) = (s.predictive.cdf(i.median), s.predictive.sf(i.median));
            assert!((0.0..=1.0).contains(&below) && (below + above - 1.0).abs() < 1e-9, "{below} {above}");
        }
    }
    let sum: f64 = e.terminations.iter().map(|t| t.1.value).sum();
    assert!(e.terminations.is_empty() || (sum - 1.0).abs() < 1e-9, "{:?}", e.terminations);
    for (_, t) in &e.terminations {
        assert!(t.low <= t.value + 1e-12 && t.value <= t.high + 1e-12, "{t:?}");
    }
    for c in &e.cautions {
        assert!(!c.to_string().contains("NaN"), "{c}");
    }
    let Ok(joint) = Joint::new(e) else { return };
    let Some((which, value)) = known else { return };
    let name = &e.sizes[which as usize % e.sizes.len()].size;
    let Ok(given) = joint.given(name, value) else { return };
    for other in e.sizes.iter().map(|s| &s.size) {
        if let Ok(i) = given.interval(other, level) {
            assert!(i.low <= i.median && i.median <= i.high, "{other} given {name} = {value}: {i:?}");
        }
    }
}

fuzz_target!(|a: Asked| {
    let predictor = &predictors()[a.calibration as usize % predictors().len()];
    
    let strike = Strike::builder()
        .platform_depth_mm(folded(a.fold, a.depth_mm, 1e-6, 1000.0))
        .platform_width_mm(folded(a.fold, a.width_mm, 1e-6, 1000.0))
        .platform_area_mm2(folded(a.fold, a.area_mm2, 1e-6, 1e5))
        .exterior_platform_angle_deg(folded(a.fold, a.angle_deg, 1e-6, 180.0))
        .platform_kind(pick(&KINDS, a.kind))
        .platform_bevelled(a.bevelled)
        .angle_of_blow_deg(folded(a.fold, a.angle_of_blow_deg, -90.0, 90.0))
        .speed_m_s(folded(a.fold, a.speed_m_s, 1e-6, 100.0))
        .blow_lands_on(a.lands_on.map(|edge| if edge { LandsOn::Edge } else { LandsOn::Platform }));
    let percussor = a.percussor_text.as_deref().or(pick(&PERCUSSORS, a.percussor));
    let strike = strike.percussor(percussor).stone(pick(&STONES, a.stone));
    let Ok(strike) = strike.build() else { return };
    let mut flake = Flake::builder()
        .strike(strike)
        .portion(pick(&PORTIONS, a.portion))
        .technique(pick(&TECHNIQUES, a.technique));
    if let Some(recorded) = pick(&TERMINATIONS, a.recorded) {
        flake = flake.termination(recorded);
    }
    let Ok(flake) = flake.build() else { return };
    let mut ask = Ask::default();
    ask.termination = pick(&TERMINATIONS, a.termination);
    let Ok(exact) = predictor.estimate(&flake, &ask) else { return };
    judge(&exact, a.level, a.known);
    let names = ["platform_depth_mm", "exterior_platform_angle_deg", "angle_of_blow_deg"];
    let mut errors = MeasurementErrors::new();
    for (name, size) in names.iter().zip(a.errors) {
        let Some(size) = folded(a.fold, size, 0.0, 10.0) else { continue };
        let Ok(more) = errors.clone().absolute(name, size) else { return };
        errors = more;
    }
    if let Ok(wide) = predictor.estimate_with_error(&flake, &ask, &errors) {
        judge(&wide, a.level, None);
    }
});
