//! One calibration from many tables that never lie in one place: eight field schools on chalk downland each keep
//! their own table of flakes struck from local flint with a quartzite hammerstone or a billet of red deer antler.
//!
//! ```text
//! map     partition file  ->  Collector  ->  partial file      (anywhere)
//! reduce  partial files   ->  Collector::merge  ->  calibration      (once)
//! ```
//!
//! Run: `cargo run --example partitions [FOLDER]`; files go to FOLDER (a temporary one without it).

use conchoid::calibration::{Collector, Part, Recipe};
use conchoid::calibration::{Provenance, SizeModel, Spread};
use conchoid::form::{Form, indicator};
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
    let recipe = || -> Result<Recipe, conchoid::Error> {
        let form = Form::named("log-log")?.with_terms([indicator("percussor", "antler")])?;
        let provenance = Provenance::new("eight field schools", "invented", "own", "examples/partitions.rs");
        Recipe::single("schools", "mass_g", form, provenance)
    };

    let mut partials = Vec::new();
    for school in 0..SCHOOLS {
        let table = folder.join(format!("school-{school}.csv"));
        invent(&table, school as u64)?;
        // map: each of these could run on a machine of its own
        let partial = folder.join(format!("school-{school}.json"));
        fs::write(&partial, serde_json::to_string(&collected(recipe()?, &[table])?.into_part()?)?)?;
        println!("school {school}: {FLAKES} flakes -> {} bytes", fs::metadata(&partial)?.len());
        partials.push(partial);
    }

    // reduce: in the order of the schools, so that the answer is the same bytes every time
    let mut whole = Collector::new(recipe()?)?;
    for partial in &partials {
        whole.merge(serde_json::from_str::<Part>(&fs::read_to_string(partial)?)?)?;
    }
    let (merged, report) = whole.finish()?;
    let merged = &merged.variants()[0].sizes[0];

    let tables: Vec<PathBuf> = (0..SCHOOLS).map(|s| folder.join(format!("school-{s}.csv"))).collect();
    let (single, _) = collected(recipe()?, &tables)?.finish()?;
    let single = &single.variants()[0].sizes[0];
    println!("\n{:28} {:>22} {:>22}", "", "from partial files", "from all rows at once");
    let coefficients = merged.coefficients.iter().zip(&single.coefficients);
    for (name, (a, b)) in merged.form.term_names().iter().zip(coefficients) {
        println!("{name:28} {a:>22.15} {b:>22.15}");
    }
    let apart = furthest_apart(merged, single);
    println!("\n{} flakes; coefficients, errors and spread agree to {apart:.1e}", report.used);
    assert!(apart <= 1e-12 && merged.flakes == single.flakes);
    Ok(())
}

/// Takes in the rows of tables.
fn collected(recipe: Recipe, tables: &[PathBuf]) -> Result<Collector, Box<dyn Error>> {
    let mut collector = Collector::new(recipe)?;
    for path in tables {
        let mut table = TableReader::new(File::open(path)?, &TableOptions::new())?;
        let mut row = table.row();
        while table.read(&mut row)? {
            collector.offer(&row);
        }
    }
    Ok(collector)
}

/// The largest difference of two models, relative to the larger of the numbers compared.
fn furthest_apart(a: &SizeModel, b: &SizeModel) -> f64 {
    let all = |m: &SizeModel| {
        let Spread::Constant { value, .. } = m.spread else { return Vec::new() };
        let errors = (0..m.coefficients.len()).map(|i| m.covariance[i][i].sqrt());
        m.coefficients.iter().copied().chain(errors).chain([value]).collect()
    };
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
