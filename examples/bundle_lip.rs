//! Makes the bundled lip model and the track record of percussor attribution again from the glass table.
//!
//! `cargo run --release --example bundle_lip -- FOLDER [OUT]` reads `glass-controlled.csv` in FOLDER (see
//! data-sources.md for where it comes from) and writes `lip.json` and `track_record.json` into OUT, by default
//! `src/infer`. It prints the ten-fold log score of every set of terms that was tried for the lip. Run it again
//! whenever the recipe of `controlled-glass` changes.

use conchoid::calibration::bundled::recipe;
use conchoid::fit::multinomial::{MultinomialOptions, Score, held_out_probabilities, log_scores};
use conchoid::infer::{LipModel, candidate_terms, chosen_form, design, form_of};
use conchoid::infer::{RecordPlan, TrackRecord};
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use rand::{RngExt, SeedableRng};
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
    let options = TableOptions::new().class("core_shape");
    let mut table = TableReader::new(File::open(Path::new(&folder).join(file))?, &options)?;
    let mut flakes: Vec<Row> = Vec::new();
    let mut row = table.row();
    while table.read(&mut row)? {
        if row.refused().is_none() {
            flakes.push(row.clone());
        }
    }
    let all = || flakes.iter().map(|f| f as &dyn Measured);

    println!(
        "Terms of the lip besides the percussor class, with the mean log score of ten rounds of ten folds:"
    );
    let mut tried = Vec::new();
    // the same rows for every set: those that the fullest form can use
    let complete = form_of(&candidate_terms())?;
    let usable: Vec<&Row> = flakes
        .iter()
        .filter(|f| design(&complete, [*f as &dyn Measured]).is_ok_and(|(d, _)| d.rows() == 1))
        .collect();
    for set in 0..16usize {
        let terms: Vec<_> = candidate_terms()
            .into_iter()
            .enumerate()
            .filter(|(i, _)| set >> i & 1 == 1)
            .map(|(_, t)| t)
            .collect();
        let form = form_of(&terms)?;
        let (design, lips) = design(&form, usable.iter().map(|f| *f as &dyn Measured))?;
        let mut scores = vec![0.0; design.rows()];
        let mut rng = ChaCha8Rng::seed_from_u64(20);
        for _ in 0..10 {
            let mut folds: Vec<usize> = (0..design.rows()).map(|i| i % 10).collect();
            for i in (1..folds.len()).rev() {
                folds.swap(i, rng.random_range(0..=i));
            }
            let options = MultinomialOptions::default();
            let held = held_out_probabilities(&design, &lips, &options, &folds)?;
            for (s, l) in scores.iter_mut().zip(log_scores(&held, 2, lips.class_of_row())?) {
                *s += 0.1 * l;
            }
        }
        tried.push((Score::of(&scores, None)?, form.term_names()[2..].join(" + ")));
    }
    tried.sort_by(|a, b| a.0.mean.total_cmp(&b.0.mean));
    for (score, terms) in &tried {
        println!("  {:.4} +/- {:.4}  {terms}  ({} flakes)", score.mean, score.standard_error, score.rows);
    }
    let lip = LipModel::fit(&recipe.name, SOURCE, chosen_form()?, all())?;
    println!("chosen: {}", lip.form().term_names().join(" + "));
    for (name, (b, e)) in lip
        .form()
        .term_names()
        .iter()
        .zip(lip.fitted().coefficients().iter().zip(lip.fitted().standard_errors().iter()))
    {
        println!("  {name:40} {b:8.4} +/- {e:.4}");
    }
    std::fs::write(Path::new(&out).join("lip.json"), lip.to_json())?;

    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let record =
        TrackRecord::of(&recipe, &chosen_form()?, &flakes, &RecordPlan::default(), COMMAND, &mut rng)?;
    for s in &record.singles {
        println!("{:?}: log score {:?}, Brier {:?}", s.judged, s.log_score, s.brier);
        for o in &s.outcomes {
            println!("  {o:?}");
        }
    }
    for g in &record.groups {
        println!("groups of {}, {:?}", g.flakes, g.judged);
        for o in &g.outcomes {
            println!("  {o:?}");
        }
    }
    std::fs::write(Path::new(&out).join("track_record.json"), record.to_json())?;
    Ok(())
}
