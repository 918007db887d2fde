//! Percussor attribution on the glass table: the bundled track record is what trying again gives within chance, and hidden confounding is told.

use crate::open;
use conchoid::calibration::bundled::recipe;
use conchoid::infer::{Judged, RecordPlan, TrackRecord};
use conchoid::table::{Row, TableOptions, TableReader};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

fn flakes() -> Vec<Row> {
    let options = TableOptions::new().class("core_shape");
    let mut table = TableReader::new(open("glass-controlled.csv"), &options).unwrap();
    let (mut rows, mut row) = (Vec::new(), table.row());
    while table.read(&mut row).unwrap() {
        rows.push(row.clone());
    }
    rows
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn single_flakes_are_told_apart_better_than_by_chance_and_as_the_record_says() {
    let flakes = flakes();
    let plan = RecordPlan { groups: vec![5], repeats: 60, ..RecordPlan::default() };
    let mut rng = ChaCha8Rng::seed_from_u64(99);
    let (recipe, _) = recipe("controlled-glass").unwrap();
    let again = TrackRecord::of(&recipe, &flakes, &plan, "again", &mut rng).unwrap();
    let bundled = TrackRecord::bundled("controlled-glass").unwrap();
    for s in &again.singles {
        let told = bundled.singles(s.judged).unwrap();
        println!("{:?}: {:?} {:?}, bundled {:?}", s.judged, s.log_score, s.brier, told.log_score);
        // other folds, the same flakes: well within a standard error
        assert!(
            (s.log_score.mean - told.log_score.mean).abs() < told.log_score.standard_error,
            "{:?}",
            s.judged
        );
        assert!(
            s.log_score.mean + 2.0 * s.log_score.standard_error < std::f64::consts::LN_2,
            "{:?}",
            s.judged
        );
        assert!(s.brier.mean < 0.45);
    }
    // lips help
    let judged = |lips| Judged { lips, terminations: true, blow_hidden: true };
    let score = |lips| again.singles(judged(lips)).unwrap().log_score.mean;
    assert!(score(true) < score(false) - 0.05);
    for g in &again.groups {
        for o in &g.outcomes {
            println!("groups of {} {:?}: {o:?}", g.flakes, g.judged);
            assert!(o.decided_wrong * 5 <= o.count, "{o:?}");
        }
    }
}
