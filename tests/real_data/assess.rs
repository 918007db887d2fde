//! Forms compared on the published tables, and the tables of the comparison printed.

use crate::open;
use conchoid::assess::{Assessment, Folds, Question, cross_validate};
use conchoid::calibration::Provenance;
use conchoid::calibration::Recipe;
use conchoid::calibration::bundled::recipe;
use conchoid::form::Form;
use conchoid::strike::Measured;
use conchoid::table::{Row, TableOptions, TableReader};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

fn rows(file: &str) -> Vec<Row> {
    let mut options = TableOptions::new();
    if file.starts_with("flint") {
        options = options.number("dorsal_cortex_1_to_5").number("dorsal_scars");
    }
    if file.starts_with("glass") {
        options = options.class("core_shape");
    }
    let mut table = TableReader::new(open(file), &options).unwrap();
    let mut rows = Vec::new();
    let mut row = table.row();
    while table.read(&mut row).unwrap() {
        rows.push(row.clone());
    }
    rows
}

fn named(form: &str) -> Recipe {
    if let Ok((r, _)) = recipe(form) {
        return r;
    }
    Recipe::single(
        form,
        "mass_g",
        Form::named(form).unwrap(),
        Provenance::new("table", "table", "table", "test"),
    )
    .unwrap()
}

fn print(a: &Assessment) {
    println!("\n{} of {}, {}", a.flakes, a.rows, a.rule);
    for f in &a.forms {
        let s = &f.overall;
        println!(
            "{:22} {:2} CRPS {:.4} ({:.4}) log {:.4} ({:.4}) RMSE {:.4} R2 {:.3} inside {} width {:.3} interval score {:.3} ({:.3}) PIT p {:.4}",
            f.name,
            f.coefficients,
            s.crps.value,
            s.crps.standard_error,
            s.log_score.value,
            s.log_score.standard_error,
            s.rmse_ln.value,
            s.r_squared.value,
            s.coverage.iter().map(|c| format!("{:.1}", 100.0 * c.inside.value)).collect::<Vec<_>>().join(" "),
            s.coverage[3].ln_width.value,
            s.interval_score.value,
            s.interval_score.standard_error,
            f.pit.p_value
        );
        for c in &f.by_class {
            let s = &c.scores;
            println!(
                "   {} {} ({}): CRPS {:.4} inside {:.1} ({:.1}) interval score {:.3}",
                c.class,
                c.level,
                s.flakes,
                s.crps.value,
                100.0 * s.coverage[3].inside.value,
                100.0 * s.coverage[3].inside.standard_error,
                s.interval_score.value
            );
        }
        for (reason, n) in &f.refused {
            println!("   {n} not used: {reason}");
        }
    }
    println!("{}", a.recommendation());
}

fn ten_by_ten(rows: &[Row]) -> Folds {
    Folds::k_fold(rows.len(), 10, 10, &mut ChaCha8Rng::seed_from_u64(1)).unwrap()
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn flint_forms_ten_by_ten() {
    let rows = rows("flint-replication.csv");
    let recipes: Vec<Recipe> =
        ["log-log", "cube-root", "area", "area-angle", "hard-hammer-flint"].map(named).to_vec();
    let a = cross_validate(&recipes, &rows, &ten_by_ten(&rows), &Question::new("mass_g")).unwrap();
    print(&a);
    let crps = |name: &str| a.form(name).unwrap().overall.crps.value;
    // least squares on area, depth, angle, cortex and scars gives 0.413; their squares and products help
    // (0.4049 before sizes had to grow with the platform and agree with each other: that costs 0.0021)
    assert!(crps("hard-hammer-flint") < 0.4079, "{}", crps("hard-hammer-flint"));
    assert!(crps("hard-hammer-flint") < crps("area") && crps("area") < crps("log-log"));
    assert_eq!(a.take(), "hard-hammer-flint");
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn quartzite_leaving_out_cores() {
    let rows = rows("quartzite-by-core.csv");
    let cores: Vec<Option<&str>> = rows.iter().map(|r| r.class("core")).collect();
    let folds = Folds::leave_one_group_out("core", &cores).unwrap();
    let recipes: Vec<Recipe> = ["log-log", "cube-root", "hard-hammer-quartzite"].map(named).to_vec();
    let a = cross_validate(&recipes, &rows, &folds, &Question::new("mass_g")).unwrap();
    print(&a);
    assert_eq!(a.form("log-log").unwrap().overall.groups, Some(20));
    let by_row =
        cross_validate(&recipes, &rows, &Folds::leave_one_out(rows.len()).unwrap(), &Question::new("mass_g"))
            .unwrap();
    let error = |a: &Assessment| a.form("log-log").unwrap().overall.crps;
    // a new core is harder than a new flake of cores seen, and known less well
    assert!(error(&a).value > error(&by_row).value);
    assert!(error(&a).standard_error > error(&by_row).standard_error);
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn glass_by_where_the_blow_lands() {
    let rows = rows("glass-controlled.csv");
    let recipes: Vec<Recipe> = ["log-log", "controlled-glass"].map(named).to_vec();
    let question = Question::new("mass_g").by_class("blow_lands_on").by_class("percussor_class");
    // once only: the penalised fits take seconds each
    let folds = Folds::k_fold(rows.len(), 10, 1, &mut ChaCha8Rng::seed_from_u64(1)).unwrap();
    let a = cross_validate(&recipes, &rows, &folds, &question).unwrap();
    print(&a);
    let f = a.form("controlled-glass").unwrap();
    assert!(f.tested.len() > 300);
    let all = &f.overall.coverage[3].inside;
    assert!((all.value - 0.95).abs() < 0.02, "{all:?}");
    assert!(f.by_class.iter().any(|c| c.class == "percussor_class" && c.level == "organic"));
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_guide_tells_these_scores() {
    let page = include_str!("../../src/guide/forms.rs");
    let glass = rows("glass-controlled.csv");
    let flint = rows("flint-replication.csv");
    let quartzite = rows("quartzite-by-core.csv");
    let cores: Vec<Option<&str>> = quartzite.iter().map(|r| r.class("core")).collect();
    let by_core = Folds::leave_one_group_out("core", &cores).unwrap();
    let mut missing = Vec::new();
    for form in conchoid::form::PUBLISHED {
        let mut line = format!("//! | [`{form}`](#{form}) |");
        for (rows, folds) in
            [(&glass, &ten_by_ten(&glass)), (&flint, &ten_by_ten(&flint)), (&quartzite, &by_core)]
        {
            // only flint has its areas measured
            if form.starts_with("area") && rows.len() != flint.len() {
                line.push_str(" | |");
                continue;
            }
            let a = cross_validate(&[named(form)], rows, folds, &Question::new("mass_g")).unwrap();
            let f = &a.forms[0];
            let s = &f.overall;
            let inside = 100.0 * s.coverage[3].inside.value;
            line.push_str(&format!(" {:.3} | {inside:.1} of {} |", s.crps.value, f.tested.len()));
        }
        if !page.contains(&line) {
            missing.push(line);
        }
    }
    assert!(missing.is_empty(), "the guide lacks\n{}", missing.join("\n"));
}
