//! Any text as a calibration: refused, or it reads back to the same bytes and every answer is ordered.
#![no_main]

use conchoid::calibration::Calibration;
use conchoid::flake::Termination;
use conchoid::predict::{Ask, Joint, Predictor};
use conchoid::strike::{LandsOn, Strike};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let Ok(calibration) = Calibration::from_json(text) else { return };
    let written = calibration.to_json();
    let again = Calibration::from_json(&written).expect("what was written can be read");
    assert_eq!(again.to_json(), written, "and gives the same bytes");
    let Ok(predictor) = Predictor::new(calibration) else { return };
    let mut ask = Ask::default();
    for (depth, angle, blow, percussor) in [
        (8.0, Some(75.0), None, None),
        (0.001, Some(179.0), Some(0.0), Some("antler")),
        (1000.0, None, Some(-90.0), Some("steel")),
    ] {
        let strike = Strike::builder()
            .platform_depth_mm(depth)
            .platform_width_mm(depth)
            .platform_area_mm2(depth)
            .exterior_platform_angle_deg(angle)
            .angle_of_blow_deg(blow)
            .blow_lands_on(LandsOn::Edge)
            .percussor(percussor)
            .build()
            .expect("within bounds");
        if let Ok(estimate) = predictor.estimate(&strike, &ask) {
            for s in &estimate.sizes {
                let Ok(i) = s.predictive.interval(0.95) else { continue };
                assert!(i.low <= i.median && i.median <= i.high, "{} {i:?} {:?}", s.size, s.predictive);
                let p = s.predictive.cdf(i.median);
                assert!((0.0..=1.0).contains(&p), "{p}");
            }
            for (_, t) in &estimate.terminations {
                assert!(t.low <= t.value && t.value <= t.high, "{t:?}");
            }
            for c in &estimate.cautions {
                assert!(!c.to_string().is_empty());
            }
            if let Ok(joint) = Joint::new(&estimate)
                && let Some(first) = estimate.sizes.first()
                && let Ok(given) = joint.given(&first.size, 10.0)
            {
                for s in &estimate.sizes {
                    let Ok(i) = given.interval(&s.size, 0.9) else { continue };
                    assert!(i.low <= i.median && i.median <= i.high, "{} {i:?}", s.size);
                }
            }
        }
        ask.termination = Some(Termination::Hinge);
    }
    for v in predictor.calibration().variants() {
        if let Ok(quick) = predictor.quick(&v.name, 0.9) {
            let x = vec![1.0; predictor.calibration().layout().len()];
            let nothing = conchoid::predict::Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.9 };
            let mut out = vec![nothing; v.sizes.len()];
            let _ = quick.intervals(&x, &mut out);
        }
    }
});
