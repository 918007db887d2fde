//! False alarms of the doubt about sizes beyond any recorded: on flakes that the calibration has not seen, and
//! that are like those it has, it should hardly ever be raised. Out of sample: 10-fold by row number.

use crate::open;
use conchoid::calibration::Collector;
use conchoid::calibration::bundled::recipe;
use conchoid::predict::{Ask, Predictor};
use conchoid::table::{TableOptions, TableReader};

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn real_platforms_are_hardly_ever_doubted() {
    for name in ["controlled-glass", "hard-hammer-flint", "hard-hammer-quartzite"] {
        let options = match name {
            "controlled-glass" => TableOptions::new().class("core_shape"),
            "hard-hammer-flint" => TableOptions::new().number("dorsal_cortex_1_to_5").number("dorsal_scars"),
            _ => TableOptions::new(),
        };
        let (asked, file) = recipe(name).unwrap();
        let mut table = TableReader::new(open(file), &options).unwrap();
        let mut rows = Vec::new();
        let mut row = table.row();
        while table.read(&mut row).unwrap() {
            if row.refused().is_none() {
                rows.push(row.clone());
            }
        }
        let (mut doubted, mut n) = (0u64, 0u64);
        for fold in 0..10 {
            let mut collector = Collector::new(asked.clone()).unwrap();
            rows.iter().filter(|r| r.row_number() % 10 != fold).for_each(|r| {
                collector.offer(r);
            });
            let predictor = Predictor::new(collector.finish().unwrap().0).unwrap();
            for r in rows.iter().filter(|r| r.row_number() % 10 == fold) {
                let Ok(e) = predictor.estimate(r, &Ask::default()) else { continue };
                n += 1;
                doubted += u64::from(e.cautions.iter().any(|c| c.kind() == "beyond-recorded"));
            }
        }
        let share = doubted as f64 / n as f64;
        assert!(n > 200 && share < 0.02, "{name}: {doubted} of {n}");
    }
}
