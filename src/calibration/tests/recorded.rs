//! The doubt about sizes beyond any that an experiment recorded: raised where the form is drawn on past its
//! flakes, and only there.

use crate::calibration::Local;
use crate::calibration::caution::Doubt;
use crate::calibration::{Calibration, Provenance, bundled};
use crate::calibration::{Collector, Recipe};
use crate::flake::Flake;
use crate::form::Form;
use crate::predict::{Ask, Predictor};
use crate::strike::{Measured, Strike};

fn strike(depth: f64, angle: f64, percussor: &str) -> Strike {
    Strike::builder()
        .platform_depth_mm(depth)
        .exterior_platform_angle_deg(angle)
        .percussor(percussor)
        .build()
        .unwrap()
}

/// The sizes that are doubted: name, expected, smallest and largest recorded.
fn beyond(predictor: &Predictor, strike: &Strike) -> Vec<(String, f64, f64, f64)> {
    let estimate = predictor.estimate(strike, &Ask::default()).unwrap();
    estimate
        .cautions
        .iter()
        .filter_map(|c| match &*c.0 {
            Doubt::BeyondRecorded { size, expected, low, high } => {
                assert_eq!(c.kind(), "beyond-recorded");
                let median = estimate.size(size).unwrap().median();
                assert_eq!(*expected, median);
                assert!(median < *low / 1.05 || median > *high * 1.05, "{c}");
                Some((size.clone(), *expected, *low, *high))
            }
            _ => None,
        })
        .collect()
}

#[test]
fn lengths_past_the_longest_flake_of_the_glass_are_doubted() {
    let glass = Predictor::new(bundled::named("controlled-glass").unwrap()).unwrap();
    for (depth, angle) in [(8.0, 95.0), (12.0, 85.0)] {
        let found = beyond(&glass, &strike(depth, angle, "steel"));
        let length = found.iter().find(|f| f.0 == "length_mm");
        let (_, expected, low, high) = length.unwrap_or_else(|| panic!("{depth} {angle}: {found:?}"));
        // the published table: lengths from 8.58 to 120.99 mm
        assert_eq!((*low, *high), (8.58, 120.99));
        assert!(*expected > 121.0);
    }
    for (depth, angle) in [(3.0, 60.0), (5.0, 75.0), (8.0, 75.0), (10.0, 65.0)] {
        assert!(beyond(&glass, &strike(depth, angle, "steel")).is_empty(), "{depth} {angle}");
    }
}

#[test]
fn usual_platforms_are_free_of_it() {
    for name in ["hard-hammer-flint", "hard-hammer-quartzite"] {
        let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
        for depth in [2.0, 4.0, 8.0, 12.0, 16.0] {
            for angle in [60.0, 75.0, 85.0] {
                let found = beyond(&predictor, &strike(depth, angle, "quartzite"));
                assert!(found.is_empty(), "{name} {depth} {angle}: {found:?}");
            }
        }
    }
}

/// ln mass = 2 ln depth about, on small platforms.
fn school(depths: &[f64]) -> Vec<Flake> {
    let flake = |(i, d): (usize, &f64)| {
        let wobble = 1.0 + 0.1 * (i as f64 * 1.7).sin();
        let angle = 65.0 + (i * 7 % 20) as f64;
        Flake::builder().strike(strike(*d, angle, "quartzite")).mass_g(0.3 * d * d * wobble).build().unwrap()
    };
    depths.iter().enumerate().map(flake).collect()
}

fn fitted() -> Calibration {
    let recipe = Recipe::single(
        "school",
        "mass_g",
        Form::named("log-log").unwrap(),
        Provenance::new("invented", "own", "own", "test"),
    )
    .unwrap();
    let mut collector = Collector::new(recipe).unwrap();
    school(&[3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 4.5, 5.5]).iter().for_each(|f| {
        collector.offer(f);
    });
    collector.finish().unwrap().0
}

#[test]
fn a_fit_keeps_what_it_saw_and_an_update_widens_it() {
    let calibration = fitted();
    let recorded = calibration.variants()[0].sizes[0].recorded.unwrap();
    let masses: Vec<f64> =
        school(&[3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 4.5, 5.5]).iter().filter_map(|f| f.number("mass_g")).collect();
    assert_eq!(recorded.low, masses.iter().copied().fold(f64::INFINITY, f64::min));
    assert_eq!(recorded.high, masses.iter().copied().fold(0.0, f64::max));
    let predictor = Predictor::new(calibration.clone()).unwrap();
    assert_eq!(beyond(&predictor, &strike(12.0, 70.0, "quartzite")).len(), 1);
    assert_eq!(beyond(&predictor, &strike(1.5, 70.0, "quartzite")).len(), 1);
    assert!(beyond(&predictor, &strike(6.0, 70.0, "quartzite")).is_empty());

    let has = |c: &str| ["platform_depth_mm", "exterior_platform_angle_deg", "mass_g"].contains(&c);
    let mut local = Local::new(&calibration, "mass_g", has).unwrap();
    school(&[11.0, 12.0, 13.0]).iter().for_each(|f| {
        local.offer(f);
    });
    let (updated, _) = local.finish("mine", "test").unwrap();
    let wider = updated.variants()[0].sizes[0].recorded.unwrap();
    assert!(wider.high > 40.0 && (wider.low - recorded.low).abs() < 1e-12);
    assert!(beyond(&Predictor::new(updated).unwrap(), &strike(12.0, 70.0, "quartzite")).is_empty());
}

#[test]
fn a_calibration_without_it_reads_and_one_with_ends_crossed_does_not() {
    let text = fitted().to_json();
    assert_eq!(Calibration::from_json(&text).unwrap().to_json(), text);
    let mut value: serde_json::Value = serde_json::from_str(&text).unwrap();
    let size = &mut value["variants"][0]["sizes"][0];
    size["recorded"]["low"] = 1e6.into();
    let crossed = Calibration::from_json(&value.to_string()).unwrap_err().to_string();
    assert!(crossed.contains("recorded sizes run from the smallest to the largest"), "{crossed}");
    value["variants"][0]["sizes"][0].as_object_mut().unwrap().remove("recorded");
    let older = Calibration::from_json(&value.to_string()).unwrap();
    assert!(beyond(&Predictor::new(older).unwrap(), &strike(40.0, 70.0, "quartzite")).is_empty());
}

#[test]
fn hardly_beyond_is_not_doubted() {
    let mut value: serde_json::Value = serde_json::from_str(&fitted().to_json()).unwrap();
    let here = strike(6.0, 70.0, "quartzite");
    let median = {
        let predictor = Predictor::new(fitted()).unwrap();
        predictor.estimate(&here, &Ask::default()).unwrap().size("mass_g").unwrap().median()
    };
    for (low, high, doubted) in [
        (0.1, median / 1.04, false),
        (0.1, median / 1.06, true),
        (median * 1.04, 1e3, false),
        (median * 1.06, 1e3, true),
    ] {
        value["variants"][0]["sizes"][0]["recorded"] = serde_json::json!({ "low": low, "high": high });
        let predictor = Predictor::new(Calibration::from_json(&value.to_string()).unwrap()).unwrap();
        assert_eq!(!beyond(&predictor, &here).is_empty(), doubted, "{low} {high}");
    }
}
