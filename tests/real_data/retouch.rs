//! What the retouch tells, on the published states of retouched flakes, with whole flakes left out: ten parts, five
//! divisions, everything fitted inside. An analyst sees each piece once, so every flake counts the same however many of
//! its states were measured; the same figures by state are printed beside.

use crate::open;
use conchoid::calibration::Collector;
use conchoid::calibration::bundled::{self, recipe};
use conchoid::infer::{BetaLoss, LeansOn, LookBack, Loss};
use conchoid::predict::{Ask, Predictor};
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::sync::Arc;

const PARTS: usize = 10;
const DIVISIONS: u64 = 5;

/// One state of one flake.
struct State {
    row: Row,
    flake: usize,
    episode: u32,
    /// Whether it is the last of its flake.
    last: bool,
    then: f64,
    now: f64,
}

fn states() -> Vec<State> {
    let options = TableOptions::new().number("episode").number("dorsal_cortex_1_to_5").number("dorsal_scars");
    let mut table = TableReader::new(open("retouch-sequences.csv"), &options).unwrap();
    let mut row = table.row();
    let mut flakes: BTreeMap<String, usize> = BTreeMap::new();
    let mut all = Vec::new();
    while table.read(&mut row).unwrap() {
        let next = flakes.len();
        let flake = *flakes.entry(row.class("flake").unwrap().to_string()).or_insert(next);
        all.push(State {
            flake,
            episode: row.number("episode").unwrap() as u32,
            last: false,
            then: row.number("original_mass_g").unwrap(),
            now: row.number("mass_now_g").unwrap(),
            row: row.clone(),
        });
    }
    for i in 0..all.len() {
        all[i].last = !all.iter().any(|s| s.flake == all[i].flake && s.episode > all[i].episode);
    }
    assert_eq!((all.len(), flakes.len()), (605, 100));
    all
}

/// The part that each flake is in.
fn divide(division: u64) -> Vec<usize> {
    let mut parts: Vec<usize> = (0..100).map(|i| i % PARTS).collect();
    parts.shuffle(&mut ChaCha8Rng::seed_from_u64(division));
    parts
}

/// One state told.
struct Told {
    state: usize,
    median: f64,
    low: f64,
    high: f64,
}

/// Every retouched state told from other flakes, by one variant.
fn tell(states: &[State], variant: &str) -> Vec<Told> {
    let mut told = Vec::new();
    for division in 0..DIVISIONS {
        let parts = divide(division);
        for part in 0..PARTS {
            let mut own = recipe(bundled::LOSS).unwrap().0;
            own.variants.retain(|v| v.name == variant);
            let mut collector = Collector::new(own).unwrap();
            for s in states.iter().filter(|s| parts[s.flake] != part) {
                collector.offer(&s.row);
            }
            let predictor = Arc::new(Predictor::new(collector.finish().unwrap().0).unwrap());
            let look = LookBack::new().unwrap().retouch(predictor).unwrap();
            for (i, s) in states.iter().enumerate().filter(|(_, s)| parts[s.flake] == part) {
                let found = look.original(&s.row, &Ask::default()).unwrap();
                let m = found.mass.interval(0.95).unwrap();
                if s.episode == 0 {
                    // heights of 0: nothing is lost
                    assert_eq!(found.leans_on, LeansOn::Unretouched);
                    assert!(m.low <= s.then && s.then <= m.high, "row {}", i + 1);
                    continue;
                }
                assert_eq!(found.leans_on, LeansOn::Retouch);
                assert!(s.now <= m.low && m.low <= m.median, "row {}: {m:?} below what remains", i + 1);
                told.push(Told { state: i, median: m.median, low: m.low, high: m.high });
            }
        }
    }
    assert_eq!(told.len(), 505 * DIVISIONS as usize);
    told
}

/// Figures of one way of counting.
struct Figures {
    error_g: f64,
    root_mean_square_g: f64,
    percent: f64,
    share_r2: f64,
    share_points: f64,
    inside: f64,
}

fn figures(states: &[State], told: &[Told], weight: impl Fn(&State) -> f64) -> Figures {
    let w: Vec<f64> = told.iter().map(|t| weight(&states[t.state])).collect();
    let total: f64 = w.iter().sum();
    let mean = |f: &dyn Fn(&Told, &State) -> f64| {
        told.iter().zip(&w).map(|(t, w)| w * f(t, &states[t.state])).sum::<f64>() / total
    };
    let share = |s: &State| 1.0 - s.now / s.then;
    let middle = mean(&|_, s| share(s));
    let rest = mean(&|t, s| (1.0 - s.now / t.median - share(s)).powi(2));
    Figures {
        error_g: mean(&|t, s| (t.median - s.then).abs()),
        root_mean_square_g: mean(&|t, s| (t.median - s.then).powi(2)).sqrt(),
        percent: 100.0 * mean(&|t, s| (t.median / s.then - 1.0).abs()),
        share_r2: 1.0 - rest / mean(&|_, s| (share(s) - middle).powi(2)),
        share_points: 100.0 * mean(&|t, s| (1.0 - s.now / t.median - share(s)).abs()),
        inside: 100.0 * mean(&|t, s| f64::from(u8::from(t.low <= s.then && s.then <= t.high))),
    }
}

/// First retouch, last state, or between.
fn stage(s: &State) -> usize {
    match (s.episode, s.last) {
        (1, _) => 0,
        (_, true) => 2,
        _ => 1,
    }
}

fn median(mut v: Vec<f64>) -> f64 {
    v.sort_by(f64::total_cmp);
    v[v.len() / 2]
}

fn score(states: &[State], variant: &str) -> (Figures, [f64; 3], f64) {
    let told = tell(states, variant);
    let mut count = [0.0; 100];
    states.iter().filter(|s| s.episode > 0).for_each(|s| count[s.flake] += 1.0);
    let each_flake = figures(states, &told, |s| 1.0 / count[s.flake]);
    let each_state = figures(states, &told, |_| 1.0);
    let of = |stage_wanted: usize| {
        let some: Vec<&Told> = told.iter().filter(|t| stage(&states[t.state]) == stage_wanted).collect();
        let inside = some.iter().filter(|t| t.low <= states[t.state].then && states[t.state].then <= t.high);
        100.0 * inside.count() as f64 / some.len() as f64
    };
    let stages = [of(0), of(1), of(2)];
    let factor = median(told.iter().map(|t| t.high / t.low).collect());
    println!("{variant}");
    for (name, f) in [("each flake once", &each_flake), ("each state", &each_state)] {
        println!(
            "  {name:16} off by {:.2} g (root mean square {:.2} g), {:.2} %; share lost r2 {:.3}, off by {:.2} points; \
             inside {:.1} %",
            f.error_g, f.root_mean_square_g, f.percent, f.share_r2, f.share_points, f.inside
        );
    }
    println!(
        "  inside, first retouch {:.1} %, between {:.1} %, last state {:.1} %; high over low {factor:.3}",
        stages[0], stages[1], stages[2]
    );
    for k in 0..3 {
        let of_stage = |t: &&Told| stage(&states[t.state]) == k;
        let off = told.iter().filter(of_stage).map(|t| (t.median - states[t.state].then).abs());
        let n = told.iter().filter(of_stage).count() as f64;
        let factor = median(told.iter().filter(of_stage).map(|t| t.high / t.low).collect());
        println!("    stage {k}: off by {:.2} g, high over low {factor:.3}", off.sum::<f64>() / n);
    }
    (each_flake, stages, factor)
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_retouch_tells_what_a_scraper_weighed() {
    let states = states();
    let (f, stages, factor) = score(&states, "mass, thickness, heights, index");
    assert!(f.error_g <= 3.3, "{}", f.error_g);
    assert!(f.percent <= 6.5, "{}", f.percent);
    // the goal is 0.86 to two figures
    assert!((100.0 * f.share_r2).round() >= 86.0, "{}", f.share_r2);
    assert!((93.0..=97.0).contains(&f.inside), "{}", f.inside);
    // of 100 flakes at 95 %, 90 to 99 are inside in 96 of 100 tables (binomial)
    for inside in stages {
        assert!((90.0..=99.0).contains(&inside), "{stages:?}");
    }
    assert!(factor <= 1.35, "{factor}");
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn what_is_recorded_decides_how_well_it_is_told() {
    let states = states();
    let (all, ..) = score(&states, "mass, thickness, heights, index, length, width");
    assert!(all.error_g <= 3.1 && all.percent <= 6.0 && all.share_r2 >= 0.855);
    let mut before = all.error_g;
    for (variant, most) in [
        ("mass, thickness, heights", 3.4),
        ("mass, thickness, index", 3.5),
        ("mass, heights", 3.6),
        ("mass, index", 4.0),
    ] {
        let (f, stages, _) = score(&states, variant);
        assert!(f.error_g <= most && f.error_g >= before, "{variant}: {} after {before}", f.error_g);
        assert!((92.0..=98.0).contains(&f.inside), "{variant}: {}", f.inside);
        assert!(stages[0] >= 89.0, "{variant}: {stages:?}");
        before = f.error_g;
    }
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_platform_alone_holds_what_a_piece_weighed() {
    /// A piece whose retouch was not measured.
    struct Unmeasured<'a>(&'a Row);
    impl Measured for Unmeasured<'_> {
        fn number(&self, name: &str) -> Option<f64> {
            if name.contains("retouch") || name.starts_with("thickness_at") {
                None
            } else {
                self.0.number(name)
            }
        }
        fn class(&self, name: &str) -> Option<&str> {
            if name == "termination" { None } else { self.0.class(name) }
        }
    }
    let states = states();
    let sizes = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let mut found = Vec::new();
    let usual = BetaLoss::usual();
    for loss in [usual, BetaLoss::new(1.0, 3.0).unwrap(), BetaLoss::new(0.5, 4.0).unwrap()] {
        let look = LookBack::new().unwrap().sizes(&sizes).loss(Some(Arc::new(loss) as Arc<dyn Loss>));
        let (mut off, mut as_now, mut inside, mut fresh, mut widths) = (0.0, 0.0, 0.0, 0.0, Vec::new());
        for s in &states {
            let answer = look.original(&Unmeasured(&s.row), &Ask::default()).unwrap();
            assert_eq!(answer.leans_on, LeansOn::Platform);
            let m = answer.mass.interval(0.95).unwrap();
            let held = f64::from(u8::from(m.low <= s.then && s.then <= m.high));
            if s.episode == 0 {
                fresh += held;
                continue;
            }
            off += (m.median - s.then).abs() / 505.0;
            as_now += (s.then - s.now) / 505.0;
            inside += 100.0 * held / 505.0;
            widths.push(m.high - m.low);
        }
        println!(
            "beta {}, {}: off by {off:.2} g (mass now: {as_now:.2} g), inside {inside:.1} %, unretouched {fresh:.0} of \
             100, median width {:.1} g",
            loss.a(),
            loss.b(),
            median(widths)
        );
        found.push((off, as_now, inside, fresh));
    }
    let (off, as_now, inside, fresh) = found[0];
    assert!(off < as_now && inside >= 93.0, "{off} {as_now} {inside}");
    assert_eq!(fresh, 100.0, "what unretouched flakes weigh lies inside for every one");
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn a_thickness_that_a_break_left_tells_of_the_whole() {
    /// A flake whose mass and length are hidden: half of it broke off.
    struct Broken<'a>(&'a Row);
    impl Measured for Broken<'_> {
        fn number(&self, name: &str) -> Option<f64> {
            match name {
                "mass_now_g" => self.0.number("mass_g").map(|m| 0.5 * m),
                "mass_g" | "length_mm" => None,
                _ => self.0.number(name),
            }
        }
        fn class(&self, name: &str) -> Option<&str> {
            match name {
                "portion" => Some("proximal"),
                "termination" => None,
                _ => self.0.class(name),
            }
        }
    }
    let options = TableOptions::new().number("dorsal_cortex_1_to_5").number("dorsal_scars");
    let mut table = TableReader::new(open("flint-replication.csv"), &options).unwrap();
    let (mut rows, mut row) = (Vec::new(), table.row());
    while table.read(&mut row).unwrap() {
        rows.push(row.clone());
    }
    let mut found = Vec::new();
    for unbroken in [&[][..], &["width_mm"], &["thickness_mm"]] {
        let (mut off, mut inside, mut ratio, mut n) = (0.0, 0.0, Vec::new(), 0.0);
        for part in 0..10 {
            let mut collector = Collector::new(recipe("hard-hammer-flint").unwrap().0).unwrap();
            rows.iter().filter(|r| r.row_number() % 10 != part).for_each(|r| {
                collector.offer(r);
            });
            let sizes = Predictor::new(collector.finish().unwrap().0).unwrap();
            let look = LookBack::new().unwrap().sizes(&sizes).loss(None).unbroken(unbroken).unwrap();
            for r in rows.iter().filter(|r| r.row_number() % 10 == part) {
                let mass = r.number("mass_g").unwrap();
                let m = look.original(&Broken(r), &Ask::default()).unwrap().mass.interval(0.95).unwrap();
                off += (m.median / mass).ln().abs();
                inside += f64::from(u8::from(m.low <= mass && mass <= m.high));
                ratio.push(m.high / m.low);
                n += 1.0;
            }
        }
        let figures = (off / n, 100.0 * inside / n, median(ratio));
        println!(
            "given {unbroken:?}: off by {:.3} of ln mass, inside {:.1} %, high over low {:.1}",
            figures.0, figures.1, figures.2
        );
        found.push(figures);
    }
    // either tells much more than the platform alone (off by 0.40 of ln mass): the width 0.29, the thickness 0.31
    assert!(found[1].0 < 0.85 * found[0].0 && found[2].0 < 0.85 * found[0].0, "{found:?}");
    assert!(found.iter().all(|f| f.1 >= 93.0), "{found:?}");
    assert!(found[2].2 < 0.8 * found[0].2, "{found:?}");
}
