//! Our side of the comparison with what a user would run instead; `run.sh` calls it between the others' turns.
//!
//! `ours FOLDER` reads the columns that `data.py` wrote there (little-endian f64) and prints one line `work seconds`
//! per repetition. Without a folder it does nothing, so that it passes where benches are only tried out.

use conchoid::calibration::{Calibration, Provenance, bundled};
use conchoid::calibration::{Collector, Recipe, SizeRecipe, TerminationRecipe};
use conchoid::flake::Flake;
use conchoid::form::{Form, Transform, indicator, ln, product, square};
use conchoid::infer::{Assemblage, Drawing};
use conchoid::material::{PercussorMaterial, Stone};
use conchoid::predict::{Ask, Interval, Predictor};
use conchoid::predict::{BlowAsKnown, BlowFigures};
use conchoid::strike::{Measured, Strike};
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

/// The columns, by the names they are offered under; antler is 0 or 1.
const NAMES: [&str; 4] = ["platform_depth_mm", "exterior_platform_angle_deg", "struck_with_antler", "mass_g"];

fn read(folder: &Path, name: &str) -> Vec<f64> {
    let bytes = std::fs::read(folder.join(name)).expect("a column written by data.py");
    bytes.as_chunks::<8>().0.iter().map(|b| f64::from_le_bytes(*b)).collect()
}

/// Nanoseconds that all threads of this process have run on a core (Linux; 0 elsewhere).
fn on_core() -> u64 {
    let tasks = std::fs::read_dir("/proc/self/task").into_iter().flatten().flatten();
    tasks
        .filter_map(|t| std::fs::read_to_string(t.path().join("schedstat")).ok())
        .filter_map(|text| text.split(' ').next().and_then(|n| n.parse::<u64>().ok()))
        .sum()
}

/// Prints the time of each of `repeats` calls, and under `work@core` the time on all cores together, per call.
fn time(work: &str, repeats: usize, calls: u32, mut f: impl FnMut()) {
    f();
    let before = on_core();
    for _ in 0..repeats {
        let start = Instant::now();
        for _ in 0..calls {
            f();
        }
        println!("{work} {:e}", start.elapsed().as_secs_f64() / f64::from(calls));
    }
    let own = on_core().saturating_sub(before) as f64 * 1e-9;
    println!("{work}@core {:e}", own / (repeats as f64 * f64::from(calls)));
}

fn form() -> Form {
    let depth = || ln("platform_depth_mm");
    let angle = "exterior_platform_angle_deg";
    Form::new(
        "curved",
        Transform::Ln,
        vec![
            depth(),
            angle.into(),
            "struck_with_antler".into(),
            product([depth(), angle.into()]),
            square(depth()),
        ],
    )
    .expect("a form")
}

/// a = b + 3 c on both cores, over arrays beyond the last cache: bytes counted without write-allocation.
fn triad(n: usize) {
    let (b, c) = (vec![1.0; n], vec![2.0; n]);
    let mut a = vec![0.0; n];
    time("triad", 5, 1, || {
        std::thread::scope(|s| {
            for ((a, b), c) in a.chunks_mut(n / 2).zip(b.chunks(n / 2)).zip(c.chunks(n / 2)) {
                s.spawn(move || a.iter_mut().zip(b).zip(c).for_each(|((a, b), c)| *a = b + 3.0 * c));
            }
        });
        black_box(&a);
    });
}

fn main() {
    let Some(folder) = std::env::args().skip(1).find(|a| !a.starts_with('-')) else { return };
    let folder = Path::new(&folder);
    let [depth, angle, class, mass] = ["depth", "angle", "class", "mass"].map(|n| read(folder, n));
    let provenance = Provenance::new("invented", "data.py", "own", "a bench");
    let recipe = Recipe::single("curved", "mass_g", form(), provenance).expect("a recipe");
    let fit = || {
        let mut collector = Collector::new(recipe.clone()).expect("a recipe");
        collector.offer_numbers(&NAMES, &[&depth, &angle, &class, &mass]).expect("columns");
        collector.finish().expect("a fit").0
    };
    time("fit", 20, 1, || drop(black_box(fit())));
    let fitted = fit();
    let (variant, layout) = (&fitted.variants()[0], fitted.layout());
    let model = &variant.sizes[0];
    for b in &model.coefficients {
        println!("coefficient {b:e}");
    }
    let columns: Vec<&[f64]> = layout
        .numbers
        .iter()
        .map(|n| {
            NAMES.iter().position(|m| m == n).map(|at| [&depth[..], &angle, &class][at]).expect("a column")
        })
        .collect();
    let ready = Predictor::new(fitted.clone()).expect("a predictor");
    let batch = ready.batch(&variant.name, &model.size, 0.95).expect("a batch");
    let n = mass.len();
    let (mut low, mut median, mut high) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
    time("intervals", 20, 1, || {
        let out = [&mut low[..], &mut median, &mut high];
        batch.fill(&columns, out).expect("intervals");
        black_box(&high);
    });
    println!("interval {:e}", high[0]);

    ends_of_a_tenth(folder, [&depth, &angle, &class, &mass]);
    let tenfold = |c: &[f64]| (0..10).flat_map(|_| c.iter().copied()).collect::<Vec<f64>>();
    {
        let ten: Vec<Vec<f64>> = columns.iter().map(|c| tenfold(c)).collect();
        let ten: Vec<&[f64]> = ten.iter().map(Vec::as_slice).collect();
        let mut filled = [vec![0.0; 10 * n], vec![0.0; 10 * n], vec![0.0; 10 * n]];
        time("intervals-10x", 5, 1, || {
            let [low, median, high] = &mut filled;
            batch.fill(&ten, [low, median, high]).expect("intervals");
            black_box(&filled);
        });
    }

    let predictor =
        Predictor::new(bundled::named("hard-hammer-flint").expect("bundled")).expect("a predictor");
    let quick = predictor.quick("depth, angle", 0.95).expect("a variant");
    let layout = predictor.calibration().layout();
    let mut row = vec![f64::NAN; layout.len()];
    row[layout.position("platform_depth_mm").expect("depth")] = 8.0;
    row[layout.position("exterior_platform_angle_deg").expect("angle")] = 75.0;
    let mut out = [Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.95 }; 4];
    time("one-estimate", 10, 20_000, || {
        quick.intervals(black_box(&row), &mut out).expect("an estimate");
        black_box(&out);
    });
    whole_answer(folder, &depth, &angle, &mass);
    let own = std::fs::read_to_string(folder.join("fit.json")).expect("the calibration fitted to the table");
    let own = Predictor::new(Calibration::from_json(&own).expect("a calibration")).expect("a predictor");
    for (work, predictor) in [("assemblage", &own), ("assemblage-two-sizes", &predictor)] {
        let mut bag = Assemblage::new(predictor, Default::default()).expect("an assemblage");
        for (depth, angle) in depth.iter().zip(&angle).take(10_000) {
            bag.offer("all", &strike(*depth, *angle));
        }
        let drawing = Drawing::seeded(1).draws(10_000).expect("draws");
        time(work, 2, 1, || {
            black_box(bag.totals(&drawing).expect("totals"));
        });
        let total = bag.totals(&drawing).expect("totals")[0].total_mass_g.expect("flakes").interval();
        println!("fact {work} median, conchoid {:e}", total.median);
    }
    triad(8_000_000);
}

/// Everything there is to say of one flake: its size averaged over how it may end, and whether a blow detaches it.
/// Then the same averaged over the settings of the glass experiments, which are not recorded.
fn whole_answer(folder: &Path, depth: &[f64], angle: &[f64], mass: &[f64]) {
    let form = Form::new(
        "log-log by termination",
        Transform::Ln,
        vec![
            ln("platform_depth_mm"),
            "exterior_platform_angle_deg".into(),
            indicator("termination", "hinge"),
            indicator("termination", "step"),
            indicator("termination", "overshot"),
        ],
    )
    .expect("a form");
    let provenance = Provenance::new("invented", "data.py", "own", "a bench");
    let mut recipe = Recipe::single("by termination", "mass_g", form, provenance).expect("a recipe");
    let variant = &mut recipe.variants[0];
    for size in ["length_mm", "width_mm", "thickness_mm"] {
        let like = SizeRecipe { size: size.into(), column: size.into(), ..variant.sizes[0].clone() };
        variant.sizes.push(like);
    }
    variant.termination = Some(TerminationRecipe::four(Form::named("log-log").expect("a form")));
    let ends = read(folder, "ends");
    let mut collector = Collector::new(recipe).expect("a recipe");
    for i in 0..2_000 {
        let flake = Flake::builder()
            .strike(strike(depth[i], angle[i]))
            .mass_g(mass[i])
            .length_mm(10.0 * mass[i].cbrt())
            .width_mm(8.0 * mass[i].cbrt())
            .thickness_mm(3.0 * mass[i].powf(0.3))
            .termination(ENDS[ends[i] as usize].parse().expect("a termination"))
            .build();
        collector.offer(&flake.expect("a flake"));
    }
    let own = Predictor::new(collector.finish().expect("fits").0).expect("a predictor");
    let glass = Predictor::new(bundled::named("controlled-glass").expect("bundled")).expect("a predictor");
    let strike = strike(5.0, 70.0);
    let ask = Ask::default();
    let flint = Stone::named("flint").expect("a stone");
    let steel = PercussorMaterial::named("steel").expect("a percussor");
    for (work, predictor) in
        [("one-estimate-mixture-and-mechanics", &own), ("one-estimate-settings-not-recorded", &glass)]
    {
        let estimate = predictor.estimate(&strike, &ask).expect("an estimate");
        let parts = estimate.sizes[0].predictive.components().len();
        println!("fact components of {work} {parts:e}");
        time(work, 10, 2_000, || {
            let estimate = predictor.estimate(black_box(&strike), &ask).expect("an estimate");
            for size in &estimate.sizes {
                black_box(size.predictive.interval(0.95).expect("an interval"));
            }
            let figures = BlowFigures::new(400.0, 15.0, 6.0, 5.0, 70.0);
            let blow = BlowAsKnown::new(flint.clone(), steel.clone(), figures).expect("a blow");
            black_box(blow.probability());
        });
    }
}

fn strike(depth: f64, angle: f64) -> Strike {
    let strike = Strike::builder()
        .platform_depth_mm(depth)
        .exterior_platform_angle_deg(angle)
        .platform_bevelled(false);
    strike.build().expect("a strike")
}

/// How flakes end, in the order of the table.
const ENDS: [&str; 4] = ["feather", "hinge", "step", "overshot"];

/// One flake of the columns: depth, angle, whether struck with antler, mass, and how it ended.
struct Ended([f64; 4], &'static str);

impl Measured for Ended {
    fn number(&self, name: &str) -> Option<f64> {
        NAMES.iter().position(|n| *n == name).map(|at| self.0[at])
    }
    fn class(&self, name: &str) -> Option<&str> {
        (name == "termination").then_some(self.1)
    }
}

/// How the first tenth of the flakes end.
fn ends_of_a_tenth(folder: &Path, columns: [&[f64]; 4]) {
    let terms = vec![ln(NAMES[0]), NAMES[1].into(), NAMES[2].into()];
    let provenance = Provenance::new("invented", "data.py", "own", "a bench");
    let form = Form::named("log-log").expect("a form");
    let mut recipe = Recipe::single("ends", "mass_g", form, provenance).expect("a recipe");
    let ends = Form::new("ends", Transform::Identity, terms).expect("a form");
    recipe.variants[0].termination = Some(TerminationRecipe::four(ends).with_ridge(1e-12));
    let mut collector = Collector::new(recipe).expect("a recipe");
    for (i, end) in read(folder, "ends").iter().enumerate().take(columns[0].len() / 10) {
        collector.offer(&Ended(columns.map(|c| c[i]), ENDS[*end as usize]));
    }
    let fit = || collector.clone().finish().expect("a fit").0;
    time("multinomial", 5, 1, || drop(black_box(fit())));
    let fit = fit();
    let stored = serde_json::to_value(&fit).expect("plain data");
    let likelihood = &stored["variants"][0]["termination"]["fit"]["log_likelihood"];
    println!(
        "fact multinomial log-likelihood, conchoid {likelihood:e}",
        likelihood = likelihood.as_f64().expect("a number")
    );
}
