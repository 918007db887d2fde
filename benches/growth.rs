//! Time against rows (10^3 to 10^7) and against terms (2 to 40), and the most memory beyond the columns themselves:
//! `growth` prints one line `what size seconds`, which `growth.py` draws. Without `run` it does nothing, so that it
//! passes where benches are only tried out.

use conchoid::calibration::{Collector, Provenance, Recipe};
use conchoid::form::{Form, Layout, Transform, ln, power};
use conchoid::predict::Predictor;
use std::hint::black_box;
use std::time::Instant;

/// The n-th of a sequence spread over 0 to 1.
fn spread_out(n: usize, k: u32) -> f64 {
    (n as f64 * 0.618_033_988_749_894_9 + f64::from(k) * 0.414_213_562_373_095).fract()
}

/// The least time of a few calls: growth is a property of the work, not of what else the machine does.
fn least(mut f: impl FnMut()) -> f64 {
    f();
    let mut best = f64::INFINITY;
    let begun = Instant::now();
    while begun.elapsed().as_secs_f64() < 0.6 {
        let start = Instant::now();
        f();
        best = best.min(start.elapsed().as_secs_f64());
    }
    best
}

/// The most memory this process has had, MB (Linux; 0 elsewhere).
fn peak() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM"));
    line.and_then(|l| l.split_whitespace().nth(1)?.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

/// ln mass on so many terms: depth to various powers, the angle.
fn form(terms: usize) -> Form {
    let mut of = vec![ln("platform_depth_mm")];
    of.extend((2..terms).map(|k| power("exterior_platform_angle_deg", 0.05 * k as f64)));
    Form::new("growing", Transform::Ln, of).expect("a form")
}

fn main() {
    if !std::env::args().any(|a| a == "run") {
        return;
    }
    let curved = Form::named("log-log").expect("a form");
    for n in [1_000, 10_000, 100_000, 1_000_000, 10_000_000] {
        work(&curved, n, "rows", n);
    }
    for terms in [2, 4, 6, 10, 16, 24, 32, 40] {
        work(&form(terms), 100_000, "terms", terms);
    }
}

fn work(form: &Form, n: usize, against: &str, size: usize) {
    let depth: Vec<f64> = (0..n).map(|i| 2.0 + 12.0 * spread_out(i, 0)).collect();
    let angle: Vec<f64> = (0..n).map(|i| 0.5 + 0.5 * spread_out(i * 7, 1)).collect();
    let mass: Vec<f64> = (0..n).map(|i| depth[i].powi(2) * (0.6 + 0.8 * spread_out(i * 13, 2))).collect();
    let layout = Layout::of([form]);
    let columns: Vec<&[f64]> = layout
        .numbers
        .iter()
        .map(|name| if name == "platform_depth_mm" { &depth[..] } else { &angle[..] })
        .collect();
    let provenance = Provenance::new("invented", "this bench", "own", "cargo bench");
    let recipe = Recipe::single("growing", "mass_g", form.clone(), provenance).expect("a recipe");
    let names: Vec<&str> = layout.numbers.iter().map(String::as_str).chain(["mass_g"]).collect();
    let offered: Vec<&[f64]> = columns.iter().copied().chain([&mass[..]]).collect();
    let (before, mut fitted) = (peak(), None);
    println!(
        "fit-by-{against} {size} {:e}",
        least(|| {
            let mut collector = Collector::new(recipe.clone()).expect("a recipe");
            collector.offer_numbers(&names, &offered).expect("columns");
            fitted = Some(black_box(collector.finish().expect("a fit")).0);
        })
    );
    println!("fit-memory-by-{against} {size} {:e}", peak() - before);
    let predictor = Predictor::new(fitted.expect("a fit")).expect("a predictor");
    let batch =
        predictor.batch(&predictor.calibration().variants()[0].name, "mass_g", 0.95).expect("a batch");
    let (mut low, mut median, mut high) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
    let before = peak();
    let seconds = least(|| {
        let out = [&mut low[..], &mut median, &mut high];
        batch.fill(&columns, out).expect("intervals");
    });
    println!("intervals-by-{against} {size} {seconds:e}");
    println!("intervals-memory-by-{against} {size} {:e}", peak() - before);
}
