//! Percussor attribution on the table of sites: none speaks for what nobody there struck with.

use crate::open;
use conchoid::calibration::bundled;
use conchoid::infer::{Attribution, Strength};
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn no_site_speaks_for_metal_and_none_for_organic_beyond_twenty_to_one() {
    let options = TableOptions::new().class("site");
    let mut table = TableReader::new(open("flakes-of-sites.csv"), &options).unwrap();
    let (mut sites, mut row): (BTreeMap<String, Vec<Row>>, _) = (BTreeMap::new(), table.row());
    let stone = Attribution::of(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let metal = stone.clone().with_metal().unwrap();
    while table.read(&mut row).unwrap() {
        if stone.check(&row).is_ok() {
            sites.entry(row.class("site").unwrap_or("").to_string()).or_default().push(row.clone());
        }
    }
    assert!(sites.len() >= 23, "{}", sites.len());
    let (mut little, mut leaning) = (0, 0);
    for (site, flakes) in &sites {
        // what a thousand flakes do not tell more do not either: the ratio is as unsure
        let step = flakes.len().div_ceil(400);
        let some: Vec<&Row> = flakes.iter().step_by(step).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let two = stone.attribute(&some, &mut rng).unwrap();
        let three = metal.attribute(&some, &mut rng).unwrap();
        let factor = |v: &conchoid::infer::Verdict, class: &str| v.ln_bayes_factor(class).unwrap().exp();
        let (organic, of_metal) = (factor(&two, "organic"), factor(&three, "metal"));
        println!("{site}: {} flakes, organic {organic:.3}, metal {of_metal:.3}", some.len());
        assert!(organic < 20.0 && of_metal < 20.0, "{site}: {organic} {of_metal}");
        assert!(three.favours != "metal" || three.strength < Strength::Speaks, "{site}");
        leaning += usize::from(three.favours == "metal" && three.strength > Strength::SaysLittle);
        little += usize::from(two.strength == Strength::SaysLittle);
    }
    println!("{little} of {} sites say little", sites.len());
    assert!(little * 2 > sites.len() && leaning <= 1, "{leaning}");
}
