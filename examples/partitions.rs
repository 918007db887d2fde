//! One calibration from many tables that never lie in one place: eight field schools on chalk downland each keep
//! their own table of flakes struck from local flint with a quartzite hammerstone or a billet of red deer antler.
//!
//! ```text
//! map     partition file  ->  accumulator (a triangle of 5 x 5 numbers)  ->  partial file      (anywhere)
//! reduce  partial files   ->  merge                                      ->  coefficients      (once)
//! ```
//!
//! Run: `cargo run --example partitions [FOLDER]`; files go to FOLDER (a temporary one without it).

use conchoid::fit::linear::{Accumulator, LinearFit};
use conchoid::form::{Form, Layout, Transform, indicator};
use conchoid::strike::Measured;
use conchoid::table::{TableOptions, TableReader};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::error::Error;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

const SCHOOLS: usize = 8;
const FLAKES: usize = 2500;

fn main() -> Result<(), Box<dyn Error>> {
    let kept = std::env::args().nth(1).map(PathBuf::from);
    let temporary = tempfile::tempdir()?;
    let folder = kept.as_deref().unwrap_or(temporary.path());
    fs::create_dir_all(folder)?;
    let form = Form::named("log-log")?.with_terms([indicator("percussor", "antler")])?;

    let mut partials = Vec::new();
    for school in 0..SCHOOLS {
        let table = folder.join(format!("school-{school}.csv"));
        invent(&table, school as u64)?;
        // map: each of these could run on a machine of its own
        let partial = folder.join(format!("school-{school}.json"));
        fs::write(&partial, serde_json::to_string(&accumulate(&form, &[table])?)?)?;
        println!("school {school}: {FLAKES} flakes -> {} bytes", fs::metadata(&partial)?.len());
        partials.push(partial);
    }

    // reduce: in the order of the schools, so that the answer is the same bytes every time
    let mut whole = Accumulator::new(form.term_names())?;
    for partial in &partials {
        whole.merge(&serde_json::from_str(&fs::read_to_string(partial)?)?)?;
    }
    let merged = whole.finish()?;

    let tables: Vec<PathBuf> = (0..SCHOOLS).map(|s| folder.join(format!("school-{s}.csv"))).collect();
    let single = accumulate(&form, &tables)?.finish()?;
    println!("\n{:28} {:>22} {:>22}", "", "from partial files", "from all rows at once");
    for ((name, a), b) in merged.names().iter().zip(merged.coefficients()).zip(single.coefficients()) {
        println!("{name:28} {a:>22.15} {b:>22.15}");
    }
    let apart = furthest_apart(&merged, &single);
    println!("\n{} flakes; coefficients, errors and spread agree to {apart:.1e}", merged.rows());
    assert!(apart <= 1e-12 && merged.rows() == single.rows());
    Ok(())
}

/// Folds the rows of tables into an accumulator.
fn accumulate(form: &Form, tables: &[PathBuf]) -> Result<Accumulator, Box<dyn Error>> {
    let mut layout = Layout::of([form]);
    layout.add_level("percussor", "antler");
    layout.add_level("percussor", "quartzite");
    let compiled = form.compile(&layout)?;
    let mut accumulator = Accumulator::new(form.term_names())?;
    let (mut x, mut terms) = (vec![0.0; layout.len()], vec![0.0; compiled.terms()]);
    for path in tables {
        let mut table = TableReader::new(File::open(path)?, &TableOptions::new())?;
        let mut row = table.row();
        while table.read(&mut row)? {
            for (v, name) in x.iter_mut().zip(&layout.numbers) {
                *v = row.number(name).unwrap_or(f64::NAN);
            }
            let antler = row.class("percussor") == Some("antler");
            x[layout.numbers.len()] = if antler { 0.0 } else { 1.0 };
            compiled.check(&x, &layout).map_err(|e| e.in_row(row.row_number()))?;
            compiled.fill(&x, &mut terms);
            let mass = row.number("mass_g").unwrap_or(f64::NAN);
            accumulator.push(&terms, Transform::Ln.apply(mass))?;
        }
    }
    Ok(accumulator)
}

/// The largest difference of two fits, relative to the larger of the numbers compared and of one.
fn furthest_apart(a: &LinearFit, b: &LinearFit) -> f64 {
    let all = |f: &LinearFit| [f.coefficients().to_vec(), f.standard_errors(), vec![f.spread()]].concat();
    all(a).iter().zip(all(b)).map(|(a, b)| (a - b).abs() / a.abs().max(b.abs())).fold(0.0, f64::max)
}

/// Writes the table of one school. Invented.
fn invent(path: &Path, school: u64) -> Result<(), Box<dyn Error>> {
    let mut rng = ChaCha8Rng::seed_from_u64(school);
    let mut out = BufWriter::new(File::create(path)?);
    writeln!(out, "platform_depth_mm,exterior_platform_angle_deg,percussor,mass_g")?;
    for _ in 0..FLAKES {
        let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let (depth, angle) = ((1.6 + 0.5 * normal()).exp(), (70.0 + 8.0 * normal()).clamp(40.0, 89.0));
        let error = 0.4 * normal();
        let antler = rng.random::<f64>() < 0.4;
        let ln = -4.0 + 2.0 * depth.ln() + 0.03 * angle - 0.2 * f64::from(u8::from(antler)) + error;
        let percussor = if antler { "antler" } else { "quartzite" };
        writeln!(out, "{depth:.2},{angle:.1},{percussor},{:.3}", ln.exp().max(0.001))?;
    }
    Ok(out.flush()?)
}
