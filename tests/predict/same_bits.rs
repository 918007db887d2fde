//! One row has the same numbers whichever way it comes: alone, as a column of many, or by the quick path.

use conchoid::calibration::{Calibration, SharedEffect, bundled};
use conchoid::predict::{Ask, Batch, Caution, Interval, IntervalColumns, Predictor, Quantiles};
use conchoid::strike::Measured;
use proptest::prelude::*;

/// A row of a layout: numbers, then classes as codes.
struct Row<'a> {
    predictor: &'a Predictor,
    x: &'a [f64],
}

impl Measured for Row<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        let layout = self.predictor.calibration().layout();
        layout.numbers.iter().position(|n| n == name).map(|at| self.x[at]).filter(|v| !v.is_nan())
    }
    fn class(&self, name: &str) -> Option<&str> {
        let layout = self.predictor.calibration().layout();
        let class = layout.classes.iter().position(|c| c.name == name)?;
        let code = self.x[layout.numbers.len() + class];
        layout.classes[class]
            .levels
            .get(if code.is_nan() { return None } else { code as usize })
            .map(String::as_str)
    }
}

/// A bundled calibration; with effects of sites where wanted.
fn calibration(name: &str, of_sites: bool) -> Calibration {
    let mut parts = bundled::named(name).unwrap().into_parts();
    for m in parts.variants.iter_mut().flat_map(|v| &mut v.sizes).filter(|_| of_sites) {
        m.shared = vec![SharedEffect {
            by: "site".into(),
            groups: 9,
            terms: vec![0],
            covariance: vec![vec![0.09, 0.01], vec![0.01, 0.04]],
            degrees_of_freedom: None,
            ln_spread_sd: 0.0,
            levels: Vec::new(),
        }];
        m.variance_covariance = vec![vec![1e-4, 0.0], vec![0.0, 1e-3]];
    }
    Calibration::new(parts).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn alone_in_a_column_and_quickly(
        shares in proptest::collection::vec(proptest::collection::vec(0.0..1.0f64, 16), 1..70),
        level in prop_oneof![Just(0.95), Just(0.8), 0.2..0.999],
        of_sites: bool,
    ) {
        let mut compared = 0;
        for name in bundled::NAMES {
            let predictor = Predictor::new(calibration(name, of_sites)).unwrap();
            let layout = predictor.calibration().layout();
            for variant in predictor.calibration().variants() {
                // numbers within what was fitted and somewhat beyond, every class given
                let row = |shares: &Vec<f64>| -> Vec<f64> {
                    let numbers = layout.numbers.iter().zip(shares).map(|(name, share)| {
                        let range = variant.ranges.iter().find(|r| r.name == *name);
                        range.map_or(f64::NAN, |r| r.low + share * (1.1 * r.high - r.low))
                    });
                    let classes = layout.classes.iter().zip(shares.iter().rev()).map(|(class, share)| {
                        let read = variant.sizes.iter().any(|m| m.form.needs().contains(&class.name));
                        if read { (share * class.levels.len() as f64).floor() } else { f64::NAN }
                    });
                    numbers.chain(classes).collect()
                };
                let rows: Vec<Vec<f64>> = shares.iter().map(row).collect();
                let columns: Vec<Vec<f64>> =
                    (0..layout.len()).map(|at| rows.iter().map(|r| r[at]).collect()).collect();
                let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
                let quick = predictor.quick(&variant.name, level).unwrap();
                let mut quantiles = Quantiles::default();
                for (k, model) in variant.sizes.iter().enumerate() {
                    let batch = Batch::new(model, layout, level).unwrap();
                    let n = rows.len();
                    let (mut low, mut median, mut high) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
                    let out = IntervalColumns { low: &mut low, median: &mut median, high: &mut high };
                    batch.fill(&columns, out).unwrap();
                    for (i, x) in rows.iter().enumerate() {
                        let Ok(e) = predictor.estimate(&Row { predictor: &predictor, x }, &Ask::default()) else {
                            continue;
                        };
                        let predictive = &e.sizes[k].predictive;
                        if e.variant != variant.name || predictive.components().len() != 1 {
                            continue;
                        }
                        let bits = |i: &Interval| [i.low, i.median, i.high].map(f64::to_bits);
                        let alone = bits(&predictive.interval_with(level, &mut quantiles).unwrap());
                        // a batch knows no ranges: beyond the flakes it is the narrower one, about the same median
                        let beyond = e.beyond_experiment().is_some()
                            || e.cautions.iter().any(|c| matches!(c, Caution::Leverage { .. }));
                        let column = [low[i], median[i], high[i]].map(f64::to_bits);
                        if beyond {
                            prop_assert_eq!(alone[1], column[1], "{} {}", name, variant.name);
                            let opened = predictive.interval_with(level, &mut quantiles).unwrap();
                            prop_assert!(opened.low <= low[i] && high[i] <= opened.high);
                        } else {
                            prop_assert_eq!(alone, column, "{} {}", name, variant.name);
                        }
                        prop_assert_eq!(alone[1], predictive.median().to_bits());
                        let mut quickly = vec![Interval { low: 0.0, median: 0.0, high: 0.0, level }; variant.sizes.len()];
                        quick.intervals(x, &mut quickly).unwrap();
                        prop_assert_eq!(alone, bits(&quickly[k]), "{} {}", name, variant.name);
                        compared += 1;
                    }
                }
            }
        }
        prop_assert!(compared > 0);
    }
}
