//! One row has the same numbers whichever way it comes: alone, as a column of many, or by the quick path.

use crate::calibration::{Calibration, bundled};
use crate::predict::{Ask, Interval, Predictor, Quantiles};
use crate::strike::Measured;
use proptest::prelude::*;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// A row of a layout: numbers, then classes as codes.
struct Row<'a> {
    predictor: &'a Predictor,
    x: &'a [f64],
}

impl Measured for Row<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        let layout = self.predictor.calibration().layout();
        let own = layout.numbers.iter().position(|n| n == name);
        let at = own.or((name == "angle_of_blow_deg").then_some(layout.len() + 1))?;
        Some(self.x[at]).filter(|v| !v.is_nan())
    }
    fn class(&self, name: &str) -> Option<&str> {
        let layout = self.predictor.calibration().layout();
        let Some(class) = layout.classes.iter().position(|c| c.name == name) else {
            let behind = |at: usize, of: &[&'static str]| of.get(self.x[layout.len() + at] as usize).copied();
            return match name {
                "percussor" if !self.x[layout.len()].is_nan() => behind(0, &["steel", "copper", "antler"]),
                "blow_lands_on" => behind(2, &["platform", "edge"]),
                _ => None,
            };
        };
        let code = self.x[layout.numbers.len() + class];
        layout.classes[class]
            .levels
            .get(if code.is_nan() { return None } else { code as usize })
            .map(String::as_str)
    }
}

/// A bundled calibration; with effects of sites where wanted.
fn calibration(name: &str, of_sites: bool) -> Calibration {
    let mut file: Value = serde_json::from_str(&bundled::named(name).unwrap().to_json()).unwrap();
    for v in file["variants"].as_array_mut().unwrap().iter_mut().filter(|_| of_sites) {
        for m in v["sizes"].as_array_mut().unwrap() {
            m["shared"] = json!([{
                "by": "site",
                "groups": 9,
                "terms": [0],
                "covariance": [[0.09], [0.01, 0.04]],
                "ln_spread_sd": 0.0,
                "levels": [],
            }]);
            m["variance_covariance"] = json!([[1e-4], [0.0, 1e-3]]);
        }
    }
    Calibration::from_json(&file.to_string()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn alone_in_a_column_and_quickly(
        shares in proptest::collection::vec(proptest::collection::vec(0.0..1.0f64, 16), 1..70),
        level in prop_oneof![Just(0.95), Just(0.8), 0.2..0.999],
        of_sites: bool,
    ) {
        static PREDICTORS: LazyLock<BTreeMap<(&str, bool), Predictor>> = LazyLock::new(|| {
            let of = |name| [false, true].map(|s| ((name, s), Predictor::new(calibration(name, s)).unwrap()));
            bundled::NAMES.into_iter().flat_map(of).collect()
        });
        let (mut compared, predictors) = (0, &*PREDICTORS);
        for name in bundled::NAMES {
            let predictor = &predictors[&(name, of_sites)];
            let layout = predictor.calibration().layout();
            let takes_percussors = layout.position("percussor").is_none() && name != "excavated-flakes";
            for variant in predictor.calibration().variants() {
                // numbers within what was fitted and somewhat beyond, every class given
                let row = |shares: &Vec<f64>| -> Vec<f64> {
                    let numbers = layout.numbers.iter().zip(shares).map(|(name, share)| {
                        let range = variant.ranges.iter().find(|r| r.name == *name);
                        range.map_or(f64::NAN, |r| r.low + share * (1.1 * r.high - r.low))
                    });
                    // behind the layout: another percussor in two of three rows where the calibration has one, its blow
                    let percussor = (shares[0] * 4.0).floor();
                    let kind = if takes_percussors && percussor < 3.0 { percussor } else { f64::NAN };
                    let behind = [kind, 60.0 * shares[1] - 20.0, (2.0 * shares[2]).floor(), 0.0];
                    let classes = layout.classes.iter().zip(shares.iter().rev()).map(|(class, share)| {
                        let read = variant.sizes.iter().any(|m| m.form.needs().contains(&class.name));
                        if read { (share * class.levels.len() as f64).floor() } else { f64::NAN }
                    });
                    numbers.chain(classes).chain(behind).collect()
                };
                let rows: Vec<Vec<f64>> = shares.iter().map(row).collect();
                let columns: Vec<Vec<f64>> =
                    (0..layout.len() + 4).map(|at| rows.iter().map(|r| r[at]).collect()).collect();
                let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
                let quick = predictor.quick(&variant.name, level).unwrap();
                let mut quantiles = Quantiles::default();
                // once a row, each size's below
                let estimates: Vec<_> = rows
                    .iter()
                    .map(|x| {
                        let e = predictor.estimate(&Row { predictor, x }, &Ask::default()).ok()?;
                        let mut quickly = vec![Interval { low: 0.0, median: 0.0, high: 0.0, level }; variant.sizes.len()];
                        let told = (e.variant == variant.name).then(|| quick.intervals(x, &mut quickly).unwrap());
                        told.map(|()| (e, quickly))
                    })
                    .collect();
                for (k, model) in variant.sizes.iter().enumerate() {
                    let batch = predictor.batch(&variant.name, &model.size, level).unwrap();
                    let n = rows.len();
                    let (mut low, mut median, mut high) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
                    let out = [&mut low[..], &mut median, &mut high];
                    batch.fill(&columns, out).unwrap();
                    for (i, estimate) in estimates.iter().enumerate() {
                        let Some((e, quickly)) = estimate else { continue };
                        let predictive = &e.sizes[k].predictive;
                        if predictive.components().len() != 1 {
                            continue;
                        }
                        let bits = |i: &Interval| [i.low, i.median, i.high].map(f64::to_bits);
                        let alone = bits(&predictive.interval_with(level, &mut quantiles).unwrap());
                        let column = [low[i], median[i], high[i]].map(f64::to_bits);
                        prop_assert_eq!(alone, column, "{} {}", name, variant.name);
                        prop_assert_eq!(alone[1], predictive.median().to_bits());
                        prop_assert_eq!(alone, bits(&quickly[k]), "{} {}", name, variant.name);
                        compared += 1;
                    }
                }
            }
        }
        prop_assert!(compared > 0);
    }
}
