//! The bundled glass model of mass against least squares, in ten times ten-fold cross-validation in which everything
//! is fitted anew: penalty, spread, degrees of freedom.

use crate::calibration::bundled;
use crate::fit::shrunken::{Shrunken, Tails, USUAL_GRID};
use crate::fit::{Design, linear};
use crate::form::{Form, Layout};
use crate::special::{student_cdf, student_ln_pdf, student_quantile};
use crate::strike::Measured;
use crate::table::{TableOptions, TableReader};
use crate::tests::open;
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{Binomial, DiscreteCDF};
use statrs::function::beta::ln_beta;

const REPEATS: u64 = 10;

/// The rows of one size: designs of the location and the spread, response, edge blows, percussors.
struct Rows {
    names: (Vec<String>, Vec<String>),
    x: Vec<Vec<f64>>,
    z: Vec<Vec<f64>>,
    y: Vec<f64>,
    edge: Vec<bool>,
    percussor: Vec<String>,
}

/// Flakes with the size, mass, depth, angle, angle of blow and one of the four terminations.
fn rows(form: &Form, size: &str) -> Rows {
    let layout = Layout::of([form]);
    let compiled = form.compile(&layout).unwrap();
    let options = TableOptions::new().class("core_shape");
    let mut table = TableReader::new(open("glass-controlled.csv"), &options).unwrap();
    let mut row = table.row();
    let mut r = Rows {
        names: (form.term_names(), form.spread_term_names()),
        x: vec![],
        z: vec![],
        y: vec![],
        edge: vec![],
        percussor: vec![],
    };
    while table.read(&mut row).unwrap() {
        let four = ["feather", "hinge", "step", "overshot"];
        if !row.class("termination").is_some_and(|t| four.contains(&t)) || row.number("mass_g").is_none() {
            continue;
        }
        let numbers = layout.numbers.iter().map(|n| row.number(n).unwrap_or(f64::NAN));
        // a level that no term names counts as none of them
        let classes = layout.classes.iter().map(|c| {
            let level = row.class(&c.name);
            level.map_or(f64::NAN, |l| c.levels.iter().position(|k| k == l).map_or(63.0, |i| i as f64))
        });
        let input: Vec<f64> = numbers.chain(classes).collect();
        let Some(value) = row.number(size).filter(|v| *v > 0.0) else { continue };
        if compiled.check(&input, &layout).is_err() {
            continue;
        }
        let (mut x, mut z) = (vec![0.0; compiled.terms()], vec![0.0; compiled.spread_terms()]);
        compiled.fill(&input, &mut x);
        compiled.fill_spread(&input, &mut z);
        r.x.push(x);
        r.z.push(z);
        r.y.push(value.ln());
        r.edge.push(row.class("blow_lands_on") == Some("edge"));
        r.percussor.push(row.class("percussor").unwrap().to_string());
    }
    r
}

/// What a method says of every flake from the others: location, scale, degrees of freedom.
type Predicted = Vec<(f64, f64, f64)>;

/// The fold of every row in one repeat: a shuffle seeded with the number of the repeat, counted off by tens.
fn folds(n: usize, repeat: u64) -> Vec<usize> {
    let mut order: Vec<usize> = (0..n).collect();
    order.shuffle(&mut ChaCha8Rng::seed_from_u64(repeat));
    let mut fold = vec![0; n];
    order.iter().enumerate().for_each(|(at, row)| fold[*row] = at % 10);
    fold
}

fn pick<T: Clone>(from: &[T], which: &[usize]) -> Vec<T> {
    which.iter().map(|i| from[*i].clone()).collect()
}

fn least_squares(r: &Rows, terms: usize, kept: &[usize], left: &[usize], out: &mut Predicted) {
    let x: Vec<Vec<f64>> = kept.iter().map(|i| r.x[*i][..terms].to_vec()).collect();
    let design = Design::from_rows(r.names.0[..terms].to_vec(), &x).unwrap();
    let fit = linear::fit(&design, &pick(&r.y, kept), None).unwrap();
    for i in left {
        let row = &r.x[*i][..terms];
        let scale = fit.spread() * (1.0 + fit.leverage(row).unwrap()).sqrt();
        out[*i] = (fit.expected(row).unwrap(), scale, fit.degrees_of_freedom());
    }
}

fn shrunken(r: &Rows, flags: &[bool], heavy: bool, kept: &[usize], left: &[usize], out: &mut Predicted) {
    let x = Design::from_rows(r.names.0.clone(), &pick(&r.x, kept)).unwrap();
    let z = Design::from_rows(r.names.1.clone(), &pick(&r.z, kept)).unwrap();
    let class = kept.iter().map(|i| usize::from(heavy && r.edge[*i])).collect();
    let normal = vec![f64::INFINITY];
    let grid = if heavy { USUAL_GRID.to_vec() } else { normal.clone() };
    let tails = Tails::by_class(class, vec![grid, normal]).unwrap();
    let fit = Shrunken::default().tolerance(1e-6).fit(&x, flags, &z, &tails, &pick(&r.y, kept)).unwrap();
    for i in left {
        let new = fit.predict_row(&r.x[*i], &r.z[*i], usize::from(heavy && r.edge[*i])).unwrap();
        out[*i] = (new.location, new.scale, new.df);
    }
}

/// Scores of every flake, averaged over the repeats.
#[derive(Clone)]
struct Scores {
    crps: Vec<f64>,
    log: Vec<f64>,
    inside: Vec<f64>,
    interval: Vec<f64>,
}

/// Continuous ranked probability score of a t (closed form: Jordan, Kruger & Lerch 2019, J. Stat. Softw. 90(12);
/// from memory).
fn crps(e: f64, scale: f64, df: f64) -> f64 {
    let z = e / scale;
    let density = student_ln_pdf(z, df).exp();
    let root = 2.0 * df.sqrt() / (df - 1.0) * (ln_beta(0.5, df - 0.5) - 2.0 * ln_beta(0.5, 0.5 * df)).exp();
    scale * (z * (2.0 * student_cdf(z, df) - 1.0) + 2.0 * density * (df + z * z) / (df - 1.0) - root)
}

fn score(y: &[f64], repeats: &[Predicted]) -> Scores {
    let n = y.len();
    let mut s =
        Scores { crps: vec![0.0; n], log: vec![0.0; n], inside: vec![0.0; n], interval: vec![0.0; n] };
    let share = 1.0 / repeats.len() as f64;
    for p in repeats {
        for (i, (location, scale, df)) in p.iter().enumerate() {
            let e = y[i] - location;
            let half = scale * student_quantile(0.975, *df);
            let beyond = (e.abs() - half).max(0.0);
            s.crps[i] += share * crps(e, *scale, *df);
            s.log[i] += share * (scale.ln() - student_ln_pdf(e / scale, *df));
            s.inside[i] += if beyond > 0.0 { 0.0 } else { share };
            s.interval[i] += share * (2.0 * half + 40.0 * beyond);
        }
    }
    s
}

fn mean(v: &[f64], of: &[usize]) -> f64 {
    of.iter().map(|i| v[*i]).sum::<f64>() / of.len() as f64
}

/// Mean difference of two scores over the flakes, and its standard error.
fn paired(a: &[f64], b: &[f64]) -> (f64, f64) {
    let d: Vec<f64> = a.iter().zip(b).map(|(a, b)| a - b).collect();
    let n = d.len() as f64;
    let m = d.iter().sum::<f64>() / n;
    (m, (d.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (n - 1.0) / n).sqrt())
}

/// Cross-validates one size of one variant; the scores of the shrunken fit and of least squares, and the groups of
/// flakes with their names.
fn validate(variant: usize, size: &str, repeats: u64) -> (Scores, Scores, Vec<(&'static str, Vec<usize>)>) {
    let (recipe, _) = bundled::recipe("controlled-glass").unwrap();
    let recipe = recipe.variants[variant].sizes.iter().find(|s| s.size == size).unwrap().clone();
    let penalised = &recipe.method.penalised;
    let r = rows(&recipe.form, size);
    let terms = recipe.form.terms().len() + 1;
    let free = terms - penalised.len();
    let flags: Vec<bool> = (0..terms).map(|j| j > 0 && penalised.contains(&(j - 1))).collect();
    let heavy = !recipe.form.spread_terms().is_empty();
    let n = r.y.len();
    let (mut plain, mut ours) = (Vec::new(), Vec::new());
    for repeat in 0..repeats {
        let fold = folds(n, repeat);
        let (mut a, mut b) = (vec![(0.0, 0.0, 0.0); n], vec![(0.0, 0.0, 0.0); n]);
        for k in 0..10 {
            let (left, kept): (Vec<usize>, Vec<usize>) = (0..n).partition(|i| fold[*i] == k);
            least_squares(&r, free, &kept, &left, &mut a);
            shrunken(&r, &flags, heavy, &kept, &left, &mut b);
        }
        plain.push(a);
        ours.push(b);
    }
    let group = |of: &dyn Fn(usize) -> bool| (0..n).filter(|i| of(*i)).collect::<Vec<_>>();
    let groups = vec![
        ("overall", group(&|_| true)),
        ("edge", group(&|i| r.edge[i])),
        ("platform", group(&|i| !r.edge[i])),
        ("steel", group(&|i| r.percussor[i] == "steel")),
        ("copper", group(&|i| r.percussor[i] == "copper")),
        ("bone", group(&|i| r.percussor[i] == "bone")),
    ];
    let (ours, plain) = (score(&r.y, &ours), score(&r.y, &plain));
    let all = &groups[0].1;
    let (dc, sc) = paired(&ours.crps, &plain.crps);
    let (dl, sl) = paired(&ours.log, &plain.log);
    println!("{size}, {} flakes, {} repeats of ten folds", n, repeats);
    println!("  CRPS {:.4} against {:.4}: {dc:+.4} ({sc:.4})", mean(&ours.crps, all), mean(&plain.crps, all));
    println!(
        "  log score {:.4} against {:.4}: {dl:+.4} ({sl:.4})",
        mean(&ours.log, all),
        mean(&plain.log, all)
    );
    for (name, g) in &groups {
        let (low, high) = band(g.len());
        println!(
            "  {name:9} {:4} flakes: inside {:.1} % ({:.1} % to {:.1} %; least squares {:.1} %), interval score {:.3} against {:.3}",
            g.len(),
            100.0 * mean(&ours.inside, g),
            100.0 * low,
            100.0 * high,
            100.0 * mean(&plain.inside, g),
            mean(&ours.interval, g),
            mean(&plain.interval, g)
        );
    }
    (ours, plain, groups)
}

/// Central 99 % band of the share inside, were 95 % right.
fn band(n: usize) -> (f64, f64) {
    let b = Binomial::new(0.95, n as u64).unwrap();
    (b.inverse_cdf(0.005) as f64 / n as f64, b.inverse_cdf(0.995) as f64 / n as f64)
}

/// Places of the variants without a known termination: with platform width, and without.
const WIDE: usize = 1;
const BASE: usize = 3;

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn mass_on_glass_is_predicted_better_than_by_least_squares() {
    let (ours, plain, groups) = validate(BASE, "mass_g", REPEATS);
    let all = &groups[0].1;
    assert_eq!(all.len(), 335);
    // least squares under other folds, by an independent implementation: 0.346
    assert!((mean(&plain.crps, all) - 0.346).abs() < 0.002, "{}", mean(&plain.crps, all));
    assert!(mean(&ours.crps, all) <= 0.310, "{}", mean(&ours.crps, all));
    assert!(mean(&ours.log, all) <= 0.86, "{}", mean(&ours.log, all));
    for (name, g) in &groups {
        let (low, high) = band(g.len());
        let inside = mean(&ours.inside, g);
        assert!(inside >= low - 1e-9 && inside <= high + 1e-9, "{name}: {inside} outside {low} to {high}");
        assert!(mean(&ours.interval, g) < mean(&plain.interval, g), "{name}: interval score");
    }
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn the_other_sizes_on_glass_are_predicted_better_too() {
    for size in ["length_mm", "width_mm", "thickness_mm"] {
        let (ours, plain, groups) = validate(BASE, size, 3);
        let all = &groups[0].1;
        assert!(mean(&ours.crps, all) < mean(&plain.crps, all), "{size}: CRPS");
        assert!(mean(&ours.log, all) < mean(&plain.log, all), "{size}: log score");
        let interval = mean(&ours.interval, all) / mean(&plain.interval, all);
        assert!(interval < 1.01, "{size}: interval score {interval}");
    }
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn mass_on_glass_with_the_width_too() {
    let (ours, plain, groups) = validate(WIDE, "mass_g", 3);
    let all = &groups[0].1;
    assert!(mean(&ours.crps, all) < mean(&plain.crps, all));
    assert!(mean(&ours.log, all) < mean(&plain.log, all));
}
