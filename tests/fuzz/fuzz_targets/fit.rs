//! Small tables of any numbers and classes through the ways of fitting that a recipe offers: an error, or a calibration
//! that can be stored, read again and asked, and whose intervals are in order.
#![no_main]

use arbitrary::Arbitrary;
use conchoid::calibration::{Calibration, Collector, Provenance, Recipe};
use conchoid::form::{Form, PUBLISHED, indicator};
use conchoid::predict::{Ask, Predictor};
use conchoid::strike::Measured;
use libfuzzer_sys::fuzz_target;

#[derive(Debug, Arbitrary)]
struct Asked {
    form: u8,
    by_percussor: bool,
    flakes: Vec<Flake>,
    /// Small numbers instead of any, so that the fits are reached.
    small: bool,
}

#[derive(Debug, Arbitrary)]
struct Flake {
    depth_mm: f64,
    angle_deg: f64,
    area_mm2: f64,
    mass_g: f64,
    antler: bool,
}

/// A flake that may be of any size, as rows of a caller's own may.
struct Row([f64; 4], &'static str);

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        let at = ["platform_depth_mm", "exterior_platform_angle_deg", "platform_area_mm2", "mass_g"];
        at.iter().position(|n| *n == name).map(|i| self.0[i])
    }
    fn class(&self, name: &str) -> Option<&str> {
        (name == "percussor").then_some(self.1)
    }
}

fn number(small: bool, v: f64) -> f64 {
    // keep some structure: few distinct values, ties, zeros
    if small { f64::from((v.to_bits() >> 48) as u16) / 512.0 } else { v }
}

fuzz_target!(|a: Asked| {
    let mut form = Form::named(PUBLISHED[a.form as usize % PUBLISHED.len()]).unwrap();
    if a.by_percussor {
        form = form.with_terms([indicator("percussor", "antler")]).unwrap();
    }
    let own = Provenance::new("invented", "nobody", "none", "fuzz");
    let Ok(mut collector) = Collector::new(Recipe::single("fuzzed", "mass_g", form, own).unwrap()) else { return };
    let rows = a.flakes.iter().take(60).map(|f| {
        let numbers = [f.depth_mm, f.angle_deg, f.area_mm2, f.mass_g].map(|v| number(a.small, v));
        Row(numbers, if f.antler { "antler" } else { "quartzite" })
    });
    let rows: Vec<Row> = rows.collect();
    for row in &rows {
        collector.offer(row);
    }
    let Ok((calibration, _)) = collector.finish() else { return };
    let again = Calibration::from_json(&calibration.to_json()).expect("what was fitted can be stored and read");
    let Ok(predictor) = Predictor::new(again) else { return };
    for row in &rows {
        let Ok(e) = predictor.estimate(row, &Ask::default()) else { continue };
        for s in &e.sizes {
            let Ok(i) = s.predictive.interval(0.95) else { continue };
            assert!(i.low <= i.median && i.median <= i.high, "{i:?}");
        }
    }
});
