//! Makes the bundled lip model and the track record of percussor attribution again from the glass table.
//!
//! `cargo run --release --example bundle_lip -- FOLDER [OUT]` reads `glass-controlled.csv` in FOLDER (see
//! data-sources.md for where it comes from) and writes `lip.json` and `track_record.json` into OUT, by default
//! `src/infer`. Run it again whenever the recipe of `controlled-glass` changes.

use conchoid::calibration::bundled::recipe;
use conchoid::infer::{LipModel, TrackRecord};
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::fs::File;
use std::path::Path;

const COMMAND: &str = "cargo run --release --example bundle_lip -- FOLDER";
const SOURCE: &str = "lips recorded in the controlled glass experiments (those of Magnani et al. 2014, J. Archaeol. \
                      Sci. 46:37, and Leader et al. 2017, as collected by McPherron et al. 2020, PLOS ONE \
                      15:e0241714; CC BY 4.0)";

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let Some(folder) = arguments.next() else {
        println!("Makes the bundled lip model and track record again: bundle_lip FOLDER [OUT].");
        return Ok(());
    };
    let out = arguments.next().unwrap_or_else(|| "src/infer".to_string());
    let (recipe, file) = recipe("controlled-glass")?;
    let mut table = TableReader::new(File::open(Path::new(&folder).join(file))?, &TableOptions::new())?;
    let mut flakes: Vec<Row> = Vec::new();
    let mut row = table.row();
    while table.read(&mut row)? {
        if row.refused().is_none() {
            flakes.push(row.clone());
        }
    }
    let all = || flakes.iter().map(|f| f as &dyn Measured);

    let lip = LipModel::fit(&recipe.name, SOURCE, all())?;
    std::fs::write(Path::new(&out).join("lip.json"), lip.to_json())?;

    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let record = TrackRecord::of(&recipe, &flakes, COMMAND, &mut rng)?;
    print!("{}", record.to_json());
    std::fs::write(Path::new(&out).join("track_record.json"), record.to_json())?;
    Ok(())
}
