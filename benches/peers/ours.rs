//! Our side of the comparison with what a user would run instead; `run.sh` calls it between the others' turns.
//!
//! `ours FOLDER` reads the columns that `data.py` wrote there (little-endian f64) and prints one line `work seconds`
//! per repetition. Without a folder it does nothing, so that it passes where benches are only tried out.

use conchoid::calibration::{SizeModel, Spread, Tails, bundled};
use conchoid::fit::columns::RawColumns;
use conchoid::fit::{Design, resample};
use conchoid::form::{Form, Layout, Transform, indicator, ln, product, square};
use conchoid::predict::batch::{Batch, IntervalColumns};
use conchoid::predict::{Interval, Predictor};
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

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
            indicator("percussor_class", "organic"),
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
    let form = form();
    // stone 0, organic 1
    let mut layout = Layout { classes: Vec::new(), ..Layout::of([&form]) };
    layout.add_level("percussor_class", "stone");
    layout.add_level("percussor_class", "organic");
    let columns: [&[f64]; 3] = [&depth, &angle, &class];
    let raw = RawColumns::new(&form, &layout, &columns, &mass).expect("columns");
    let fit = raw.fit().expect("a fit");
    time("fit", 20, 1, || {
        let fit = raw.fit().expect("a fit");
        black_box(fit.covariance());
    });
    for b in fit.coefficients() {
        println!("coefficient {b:e}");
    }

    let model = SizeModel {
        size: "mass_g".into(),
        column: "mass_g".into(),
        form: form.clone(),
        coefficients: fit.coefficients().to_vec(),
        covariance: fit.covariance(),
        spread: Spread::Constant { value: fit.spread(), degrees_of_freedom: fit.degrees_of_freedom() },
        tails: Tails::Normal,
        flakes: fit.rows(),
        r_squared: fit.r_squared(),
        left_out_error: fit.spread(),
        largest_leverage: 1.0,
        recorded: None,
        grouping: None,
    };
    let batch = Batch::new(&model, &layout, 0.95).expect("a batch");
    let n = mass.len();
    let (mut low, mut median, mut high) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
    time("intervals", 20, 1, || {
        let out = IntervalColumns { low: &mut low, median: &mut median, high: &mut high };
        batch.fill(&columns, out).expect("intervals");
        black_box(&high);
    });
    println!("interval {:e}", high[0]);

    let few = 500;
    let mut design = vec![0.0; 6 * few];
    let some: Vec<&[f64]> = columns.iter().map(|c| &c[..few]).collect();
    form.compile(&layout).expect("a form").fill_columns(&some, &mut design).expect("columns");
    let design =
        Design::new(form.term_names(), nalgebra::DMatrix::from_vec(few, 6, design)).expect("a design");
    let y: Vec<f64> = mass[..few].iter().map(|v| v.ln()).collect();
    time("bootstrap", 10, 1, || {
        black_box(resample::bootstrap(&design, &y, 2000, 1).expect("replicates"));
    });
    time("leave-one-out", 10, 500, || {
        black_box(resample::leave_one_out(&design, &y).expect("rows left out"));
    });

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
    triad(8_000_000);
}
