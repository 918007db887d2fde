//! The calibration of excavated flakes on sites that it has not seen: the whole of it fitted again without a quarter of
//! the sites, four times over. Sites count as sites, whatever their number of flakes.

use crate::open;
use conchoid::calibration::Collector;
use conchoid::calibration::Local;
use conchoid::calibration::bundled::recipe;
use conchoid::predict::{Ask, Predictor};
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use std::collections::BTreeMap;

/// Fewest flakes of a site that is scored.
const SCORED: usize = 60;

/// Sites left out together.
const QUARTERS: usize = 4;

/// A platform without what came off it.
struct Platform<'a>(&'a Row);

impl Measured for Platform<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        if name.starts_with("platform") || name.starts_with("exterior") { self.0.number(name) } else { None }
    }
    fn class(&self, _: &str) -> Option<&str> {
        None
    }
}

fn share_inside(predictor: &Predictor, rows: &[&Row]) -> f64 {
    let inside = |r: &&&Row| {
        let e = predictor.estimate(&Platform(r), &Ask::default()).unwrap();
        let i = e.size("mass_g").unwrap().interval(0.95).unwrap();
        (i.low..=i.high).contains(&r.number("mass_g").unwrap())
    };
    rows.iter().filter(inside).count() as f64 / rows.len() as f64
}

/// With no local flake, with 5 and with 20 (every so many of the site's rows): the share of a left-out site's flakes inside
/// 95 % intervals, in the mean over sites and at the worst one. A plain mixed model of the same flakes has 92, 93 and 93 %
/// in the mean and 32, 77 and 82 % at the worst site (`data-sources.md`, "What won").
#[test]
#[ignore = "needs CONCHOID_DATA"]
fn sites_left_out() {
    let (recipe, file) = recipe("excavated-flakes").unwrap();
    let mut table = TableReader::new(open(file), &TableOptions::new()).unwrap();
    let mut row = table.row();
    let mut sites: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    while table.read(&mut row).unwrap() {
        if let Some(site) = row.class("site") {
            sites.entry(site.to_string()).or_default().push(row.clone());
        }
    }
    let mut found: Vec<(String, [f64; 3])> = Vec::new();
    for quarter in 0..QUARTERS {
        let mut recipe = recipe.clone();
        recipe.variants.truncate(1);
        let mut collector = Collector::new(recipe).unwrap();
        let left_out = |k: usize| k % QUARTERS == quarter;
        for (_, (_, rows)) in sites.iter().enumerate().filter(|(k, _)| !left_out(*k)) {
            rows.iter().for_each(|r| drop(collector.offer(r)));
        }
        let calibration = collector.finish().unwrap().0;
        let predictor = Predictor::new(calibration.clone()).unwrap();
        for (_, (site, rows)) in sites.iter().enumerate().filter(|(k, _)| left_out(*k)) {
            let complete = |r: &&Row| {
                let needs =
                    ["platform_depth_mm", "platform_width_mm", "exterior_platform_angle_deg", "mass_g"];
                needs.iter().all(|n| r.number(n).is_some())
            };
            let rows: Vec<&Row> = rows.iter().filter(complete).collect();
            if rows.len() < SCORED {
                continue;
            }
            let mut shares = [share_inside(&predictor, &rows), 0.0, 0.0];
            for (share, few) in shares[1..].iter_mut().zip([5, 20]) {
                let step = rows.len() / few;
                let mut local = Local::new(&calibration, "mass_g", |_| true).unwrap();
                let mut rest = Vec::new();
                for (i, r) in rows.iter().enumerate() {
                    if i % step == 0 && i / step < few { drop(local.offer(r)) } else { rest.push(*r) }
                }
                let mine = Predictor::new(local.finish("site", "test").unwrap().0).unwrap();
                *share = share_inside(&mine, &rest);
            }
            println!("{site}: {:.3} {:.3} {:.3}", shares[0], shares[1], shares[2]);
            found.push((site.clone(), shares));
        }
    }
    assert!(found.len() >= 21, "{} sites", found.len());
    for (k, (least_mean, least)) in [(0.92, 0.32), (0.93, 0.77), (0.93, 0.82)].into_iter().enumerate() {
        let mean = found.iter().map(|f| f.1[k]).sum::<f64>() / found.len() as f64;
        let worst = found.iter().map(|f| f.1[k]).fold(1.0, f64::min);
        println!("{k}: mean {mean:.3}, worst {worst:.3}");
        assert!(mean > least_mean && worst > least, "{k}: mean {mean}, worst {worst}");
    }
}
