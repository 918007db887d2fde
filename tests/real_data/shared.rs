//! The quartzite table and its 20 cores, from the table to the calibration, against lme4 (`reference/shared.R`).

use conchoid::calibration::{Collector, Recipe};
use conchoid::calibration::{Provenance, Spread};
use conchoid::form::Form;
use conchoid::predict::Predictor;
use conchoid::strike::Measured;
use conchoid::table::{TableOptions, TableReader};

struct Row(f64, f64, Option<String>);

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            "platform_depth_mm" => Some(self.0),
            "exterior_platform_angle_deg" => Some(self.1),
            _ => None,
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.2.as_deref().filter(|_| name == "core")
    }
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn quartzite_by_core_agrees_with_lme4() {
    let provenance = Provenance::new("quartzite", "Marwick 2008", "MIT", "test");
    let recipe = Recipe::single("quartzite", "mass_g", Form::named("log-log").unwrap(), provenance).unwrap();
    let mut collector = Collector::new(recipe.sharing("core")).unwrap();
    let mut table = TableReader::new(super::open("quartzite-by-core.csv"), &TableOptions::new()).unwrap();
    let mut row = table.row();
    while table.read(&mut row).unwrap() {
        collector.offer(&row);
    }
    let (calibration, report) = collector.finish().unwrap();
    assert_eq!(report.used, 361);
    let m = calibration.variants()[0].sizes[0].clone();
    let Spread::Constant { value: sigma, .. } = m.spread else { panic!("one spread") };
    let predictor = Predictor::new(calibration).unwrap();
    let mut checked = 0;
    for line in include_str!("../reference/shared.csv").lines().filter(|l| l.starts_with("quartzite,")) {
        let cells: Vec<&str> = line.split(',').collect();
        let value: f64 = cells[3].parse().unwrap();
        let place = ["(Intercept)", "log(depth_mm)", "angle_deg"].iter().position(|t| *t == cells[2]);
        let at = || {
            let parts: Vec<&str> = cells[2].split('|').collect();
            let core = Some(parts[2].to_string()).filter(|c| !c.is_empty());
            let row = Row(parts[0].parse().unwrap(), parts[1].parse().unwrap(), core);
            predictor.estimate(&row, &Default::default()).unwrap().sizes[0].predictive.components()[0]
        };
        let found = match (cells[1], place) {
            ("coefficient", Some(j)) => m.coefficients[j],
            ("standard error", Some(j)) => m.covariance[j][j].sqrt(),
            ("sd", _) => sigma,
            ("covariance core", _) => m.shared[0].covariance[0][0],
            ("location", _) => at().location,
            ("scale", _) => at().scale,
            _ => panic!("{line}"),
        };
        assert!((found / value - 1.0).abs() < 1e-6, "{line}: {found}");
        checked += 1;
    }
    assert_eq!(checked, 32);
}
