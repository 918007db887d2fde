//! Planning against the outside: published optimal designs with their proof (the equivalence theorem),
//! exhaustive search, R's power.t.test and predict.lm, 40-digit integrals, and simulated cores.

use crate::Error;
use crate::fit::shrunken::{SharedRows, Shrunken, Tails};
use crate::fit::{Design, linear};
use crate::flake::Flake;
use crate::form::{Form, indicator};
use crate::plan::{
    Aim, Allocation, Candidates, Cores, Exchange, Experiment, Factor, Information, Limit, choose,
    continuous_optimum, expected_width, noncentral_student_sf, power, undetermined,
};
use crate::special::{Student, student_quantile_upper, student_sf};
use crate::strike::Strike;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn seeded(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

/// Powers 0 to `degree` of each x.
fn polynomial(xs: &[f64], degree: i32) -> Design {
    let names = (0..=degree).map(|k| format!("x^{k}")).collect();
    let rows: Vec<Vec<f64>> = xs.iter().map(|x| (0..=degree).map(|k| x.powi(k)).collect()).collect();
    Design::from_rows(names, &rows).unwrap()
}

/// -1 to 1 in steps of 1/50, and the given points exactly.
fn line_with(points: &[f64]) -> Vec<f64> {
    let mut xs: Vec<f64> = (-50..=50).map(|i| f64::from(i) / 50.0).chain(points.iter().copied()).collect();
    xs.sort_by(f64::total_cmp);
    xs.dedup();
    xs
}

/// Supports from Fedorov 1972 and Atkinson & Donev 1992 (from memory), equal weights: the ends and the zeros
/// of the derivative of the Legendre polynomial. The theorem proves them: no variance above p.
#[test]
fn polynomials_on_a_line_have_their_published_optima() {
    for (degree, support) in [
        (1, vec![-1.0, 1.0]),
        (2, vec![-1.0, 0.0, 1.0]),
        (3, vec![-1.0, -(0.2f64.sqrt()), 0.2f64.sqrt(), 1.0]),
        (4, vec![-1.0, -((3.0 / 7.0f64).sqrt()), 0.0, (3.0 / 7.0f64).sqrt(), 1.0]),
    ] {
        let xs = line_with(&support);
        let candidates = polynomial(&xs, degree);
        let p = support.len() as f64;
        let best = continuous_optimum(&candidates).unwrap();
        assert!(best.largest_variance() <= p * (1.0 + 1e-9), "{degree}: {}", best.largest_variance());
        let mut weight = vec![0.0; support.len()];
        for (i, w) in best.shares() {
            let at = support.iter().position(|s| *s == xs[*i]);
            match at {
                Some(k) => weight[k] += w,
                // a neighbour may keep a trace that the tolerance of the theorem allows
                None => assert!(*w < 1e-4, "{degree}: {w} at {}", xs[*i]),
            }
        }
        for w in &weight {
            assert!((w - 1.0 / p).abs() < 1e-4, "{degree}: {weight:?}");
        }
        // with two flakes for each point of the support, the exchange finds the same
        let n = 2 * support.len();
        let plan = choose(&candidates, &Exchange { starts: 20, ..Exchange::new(n) }, &mut seeded(3)).unwrap();
        let chosen: Vec<f64> = plan.points.iter().map(|i| xs[*i]).collect();
        let expected: Vec<f64> = support.iter().flat_map(|s| [*s, *s]).collect();
        assert_eq!(chosen, expected, "{degree}");
        assert!((best.efficiency_of(&plan.information) - 1.0).abs() < 1e-8);
        for x in xs {
            let row: Vec<f64> = (0..=degree).map(|k| x.powi(k)).collect();
            let v = n as f64 * plan.information.variance_at(&row).unwrap();
            assert!(v <= p * (1.0 + 1e-10), "{degree}: {v} at {x}");
        }
    }
}

/// All multisets of `n` of `count`.
fn multisets(count: usize, n: usize) -> Vec<Vec<usize>> {
    let mut all = vec![vec![]];
    for _ in 0..n {
        all = all
            .into_iter()
            .flat_map(|m: Vec<usize>| {
                let from = m.last().copied().unwrap_or(0);
                (from..count).map(move |k| m.iter().copied().chain([k]).collect())
            })
            .collect();
    }
    all
}

fn picked(design: &Design, points: &[usize]) -> Design {
    let rows: Vec<Vec<f64>> =
        points.iter().map(|i| design.matrix().row(*i).iter().copied().collect()).collect();
    Design::from_rows(design.names().to_vec(), &rows).unwrap()
}

#[test]
fn the_exchange_finds_what_exhaustive_search_finds() {
    let reach = Candidates::grid(
        &Form::named("cube-root").unwrap(),
        vec![
            Factor::steps("platform_depth_mm", 4.0, 12.0, 4.0).unwrap(),
            Factor::steps("exterior_platform_angle_deg", 60.0, 85.0, 12.5).unwrap(),
        ],
        &[],
        &[],
    )
    .unwrap();
    let design = &reach.design;
    let at: Vec<Vec<f64>> = [1usize, 4, 6].map(|i| design.matrix().row(i).iter().copied().collect()).to_vec();
    let old = picked(design, &[1, 4]);
    for n in [4, 5, 6] {
        for existing in [None, Some(&old)] {
            let known = |points: &[usize]| {
                let mut all: Vec<Vec<f64>> =
                    points.iter().map(|i| design.matrix().row(*i).iter().copied().collect()).collect();
                for i in 0..existing.map_or(0, Design::rows) {
                    all.push(old.matrix().row(i).iter().copied().collect());
                }
                Information::of(&Design::from_rows(design.names().to_vec(), &all).unwrap())
            };
            let mean =
                |i: &Information| at.iter().map(|x| i.variance_at(x).unwrap()).sum::<f64>() / at.len() as f64;
            let (mut best_d, mut best_i) = (f64::NEG_INFINITY, f64::INFINITY);
            for points in multisets(reach.settings.len(), n) {
                let Ok(i) = known(&points) else { continue };
                best_d = best_d.max(i.ln_determinant());
                best_i = best_i.min(mean(&i));
            }
            let options = Exchange { starts: 30, existing: existing.cloned(), ..Exchange::new(n) };
            let d = choose(design, &options, &mut seeded(1)).unwrap();
            assert!((d.value - best_d).abs() < 1e-9, "D, {n}: {} {best_d}", d.value);
            let options = Exchange { at: Some(at.clone()), ..options };
            let i = choose(design, &options, &mut seeded(1)).unwrap();
            assert!((i.value / best_i - 1.0).abs() < 1e-9, "I, {n}: {} {best_i}", i.value);
            assert_eq!(d.information.flakes, n + existing.map_or(0, Design::rows));
        }
    }
}

fn names(of: &[&str]) -> Vec<String> {
    of.iter().map(|p| p.to_string()).collect()
}

fn field_school() -> Candidates {
    field_school_within(&[]).unwrap()
}

fn field_school_within(limits: &[Limit]) -> crate::Result<Candidates> {
    let form = Form::named("log-log").unwrap().with_terms([indicator("percussor", "antler")]).unwrap();
    let depth = Factor::steps("platform_depth_mm", 4.0, 12.0, 1.0).unwrap().within(1.0);
    let angle = Factor::steps("exterior_platform_angle_deg", 60.0, 90.0, 5.0).unwrap().within(5.0);
    Candidates::grid(&form, vec![depth, angle], &names(&["quartzite", "antler"]), limits)
}

#[test]
fn a_plan_of_24_beats_the_even_grid_of_24() {
    let reach = field_school();
    assert_eq!(reach.settings.len(), 9 * 7 * 2);
    let plan = choose(&reach.design, &Exchange::new(24), &mut seeded(5)).unwrap();
    let even = Information::of(&reach.even_grid(24).unwrap()).unwrap();
    // the even grid by hand: four depths by three angles by two percussors
    let mut rows = Vec::new();
    for depth in [4.0, 4.0 + 8.0 / 3.0, 4.0 + 16.0 / 3.0, 12.0f64] {
        for angle in [60.0, 75.0, 90.0] {
            for antler in [0.0, 1.0] {
                rows.push([1.0, depth.ln(), angle, antler]);
            }
        }
    }
    let by_hand = Information::of(&Design::from_rows(reach.design.names().to_vec(), &rows).unwrap()).unwrap();
    assert!((even.ln_determinant() - by_hand.ln_determinant()).abs() < 1e-9);
    // the corners of the reach only, each percussor alike
    for i in &plan.points {
        let s = &reach.settings[*i];
        assert!([4.0, 12.0].contains(&s.numbers[0].1) && [60.0, 90.0].contains(&s.numbers[1].1), "{s:?}");
    }
    assert!(plan.starts_agreeing >= 5);
    // by hand: variances 2/3 of the ends' in angle, and that of ln depth over four even depths; p = 4
    let logs = [4.0f64, 4.0 + 8.0 / 3.0, 4.0 + 16.0 / 3.0, 12.0].map(f64::ln);
    let mean = logs.iter().sum::<f64>() / 4.0;
    let spread = logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 4.0;
    let ends = (3f64.ln() / 2.0).powi(2);
    let expected = (ends / spread * 1.5).powf(0.25);
    let found = plan.information.efficiency_against(&even);
    assert!((found / expected - 1.0).abs() < 1e-10, "{found} {expected}");
    assert!(found > 1.2);
    let kept = reach.efficiency_within_tolerance(&plan.points, None, 200, &mut seeded(2)).unwrap();
    assert!(kept.low < kept.mean && kept.mean < 1.0 && kept.low > 0.7, "{kept:?}");
    println!("plan against even grid {found:.4}, within tolerance {kept:?}");
}

#[test]
fn the_same_seed_gives_the_same_plan_and_existing_flakes_are_counted() {
    let reach = field_school();
    for at in [
        None,
        Some(
            (0..reach.settings.len())
                .map(|i| reach.design.matrix().row(i).iter().copied().collect())
                .collect(),
        ),
    ] {
        let options = Exchange { at, starts: 4, ..Exchange::new(17) };
        let one = choose(&reach.design, &options, &mut seeded(11)).unwrap();
        let two = choose(&reach.design, &options, &mut seeded(11)).unwrap();
        assert_eq!(one, two);
        let other = choose(&reach.design, &options, &mut seeded(12)).unwrap();
        assert!((one.value - other.value).abs() < 0.01 * one.value.abs());
        assert!(one.starts_agreeing >= 1);
    }
    // twelve flakes by quartzite only: what is added is mostly antler
    let quartzite: Vec<usize> = (0..reach.settings.len())
        .filter(|i| reach.settings[*i].percussor.as_deref() == Some("quartzite"))
        .step_by(5)
        .take(12)
        .collect();
    let old = picked(&reach.design, &quartzite);
    assert_eq!(undetermined(&old), ["percussor = antler"]);
    let plan = choose(&reach.design, &Exchange { existing: Some(old), ..Exchange::new(12) }, &mut seeded(4))
        .unwrap();
    let antler = plan.points.iter().filter(|i| reach.settings[**i].percussor.as_deref() == Some("antler"));
    assert!(antler.count() >= 9);
    assert_eq!(plan.information.flakes, 24);
}

#[test]
fn rows_of_platforms_are_rows_of_terms() {
    let reach = field_school();
    let flake = |percussor| {
        let strike = Strike::builder()
            .platform_depth_mm(8.0)
            .exterior_platform_angle_deg(75.0)
            .percussor(percussor)
            .build()
            .unwrap();
        Flake::builder().strike(strike).build().unwrap()
    };
    assert_eq!(reach.row_of(&flake(Some("Antler"))).unwrap(), [1.0, 8f64.ln(), 75.0, 1.0]);
    assert_eq!(reach.row_of(&flake(Some("quartzite"))).unwrap(), [1.0, 8f64.ln(), 75.0, 0.0]);
    assert!(matches!(reach.row_of(&flake(Some("bone"))), Err(Error::UnknownName { .. })));
    assert!(matches!(reach.row_of(&flake(None)), Err(Error::Missing { .. })));
}

#[test]
fn what_cannot_be_planned_is_named() {
    let form = Form::named("log-log").unwrap().with_terms([indicator("percussor", "antler")]).unwrap();
    let depth = || Factor::steps("platform_depth_mm", 4.0, 12.0, 4.0).unwrap();
    let angle = |low, high| Factor::steps("exterior_platform_angle_deg", low, high, 30.0).unwrap();
    let grid = |factors, levels: &[&str]| Candidates::grid(&form, factors, &names(levels), &[]);
    let plan = |(low, high), levels: &[&str], n| {
        let reach = grid(vec![depth(), angle(low, high)], levels).unwrap();
        choose(&reach.design, &Exchange::new(n), &mut seeded(1)).map(|c| c.points.len())
    };
    assert_eq!(plan((60.0, 90.0), &["quartzite", "antler"], 4), Ok(4));
    let deficient = |term: &str| Err(Error::RankDeficient { term: term.to_string() });
    assert_eq!(plan((70.0, 70.0), &["quartzite", "antler"], 8), deficient("exterior_platform_angle_deg"));
    assert_eq!(plan((60.0, 90.0), &["quartzite"], 8), deficient("percussor = antler"));
    assert!(matches!(
        plan((60.0, 90.0), &["quartzite", "antler"], 3),
        Err(Error::TooFew { found: 3, needed: 4, .. })
    ));
    assert!(matches!(plan((60.0, 90.0), &["quartzite", "antler"], 0), Err(Error::Invalid { .. })));

    let count = |factors, levels: &[&str]| grid(factors, levels).map(|c| c.settings.len());
    assert!(matches!(count(vec![depth(), angle(70.0, 70.0)], &[]), Err(Error::Missing { .. })));
    assert!(matches!(count(vec![depth()], &["antler"]), Err(Error::Missing { .. })));
    assert_eq!(count(vec![depth(), angle(70.0, 70.0)], &["antler"]), Ok(3));
    let class = Factor::steps("percussor", 1.0, 2.0, 1.0).unwrap();
    assert!(matches!(count(vec![depth(), angle(70.0, 70.0), class], &[]), Err(Error::Invalid { .. })));
    let below = Factor::steps("platform_depth_mm", -1.0, 3.0, 4.0).unwrap();
    assert!(matches!(
        count(vec![below, angle(70.0, 70.0)], &["antler"]),
        Err(Error::Domain { value: -1.0, .. })
    ));
    for bad in [
        Factor::steps("a", f64::NAN, 1.0, 0.5).is_err(),
        Factor::steps("a", 2.0, 1.0, 0.5).is_err(),
        Factor::steps("a", 1.0, 2.0, 0.0).is_err(),
        Factor::steps("a", 1.0, 2.0, 1e-9).is_err(),
        Factor::steps("a", 8.0, 8.0 + 4e-15, 1e-15).is_err(),
        Factor::steps("a", f64::MIN, f64::MAX, 1.0).is_err(),
    ] {
        assert!(bad);
    }
    let reach = field_school();
    assert!(!undetermined(&reach.even_grid(3).unwrap()).is_empty());
    assert!(reach.even_grid(0).is_err());
    let limit = |percussor: &str, low, high| Limit {
        percussor: percussor.into(),
        column: "platform_depth_mm".into(),
        low,
        high,
    };
    let thick = field_school_within(&[limit("antler", 6.5, 99.0), limit("quartzite", 6.5, 99.0)]).unwrap();
    assert_eq!(thick.settings.len(), 6 * 7 * 2);
    // what is struck amiss stays within the reach of its percussor
    let depth = &thick.factors[0];
    assert_eq!(thick.range(depth, &thick.settings[0]), (6.5, 12.0));
    assert_eq!(depth.range(), (4.0, 12.0));
    let none = [limit("antler", 1.0, 2.0), limit("quartzite", 1.0, 2.0)];
    assert!(matches!(field_school_within(&none), Err(Error::Invalid { .. })));
}

fn lines(text: &str) -> impl Iterator<Item = Vec<String>> {
    text.lines().filter(|l| !l.starts_with('#')).skip(1).map(|l| l.split(',').map(str::to_string).collect())
}

#[test]
fn power_and_widths_agree_with_r() {
    let (mut tails, mut powers, mut widths) = (0, 0, 0);
    let mut worst = [0.0f64; 3];
    for line in lines(include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/plan.csv"))) {
        let v: Vec<f64> = line[1..].iter().map(|c| c.parse().unwrap()).collect();
        let (a, b, c, expected) = (v[0], v[1], v[2], v[4]);
        match line[0].as_str() {
            "nct" => {
                let found = noncentral_student_sf(a, b, c);
                assert!((found - expected).abs() < 1e-10, "{line:?}: {found}");
                worst[0] = worst[0].max((found - expected).abs());
                tails += 1;
            }
            "power" => {
                let found = power(b, 1.0, 2.0 / a, 2.0 * a - 2.0, c).unwrap();
                assert!((found - expected).abs() < 1e-9, "{line:?}: {found}");
                worst[1] = worst[1].max((found - expected).abs());
                powers += 1;
            }
            kind => {
                let rows: Vec<[f64; 2]> = (1..=a as i32).map(|x| [1.0, f64::from(x)]).collect();
                let design = Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap();
                let information = Information::of(&design).unwrap();
                let aim = if kind == "width_new" { Aim::NewFlake } else { Aim::Mean };
                let found = expected_width(&information, &[1.0, b], 1.0, c, aim).unwrap();
                assert!((found / expected - 1.0).abs() < 1e-12, "{line:?}: {found}");
                worst[2] = worst[2].max((found / expected - 1.0).abs());
                widths += 1;
            }
        }
    }
    assert_eq!((tails, powers, widths), (140, 72, 32));
    println!("largest differences: tails {:e}, power {:e}, widths {:e}", worst[0], worst[1], worst[2]);
}

#[test]
fn noncentral_tails_agree_with_forty_digits() {
    let mut count = 0;
    let mut worst = 0.0f64;
    for line in
        lines(include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/plan_noncentral.csv")))
    {
        let v: Vec<f64> = line.iter().map(|c| c.parse().unwrap()).collect();
        let found = noncentral_student_sf(v[0], v[1], v[2]);
        assert!((found - v[3]).abs() < 1e-18 + 1e-12 * v[3], "{line:?}: {found}");
        if v[3] > 1e-6 {
            worst = worst.max((found / v[3] - 1.0).abs());
        }
        count += 1;
    }
    assert_eq!(count, 120);
    println!("largest relative difference {worst:e}");
    for (t, v) in [(0.3, 1.0), (2.5, 4.0), (-1.0, 30.0), (1.96, 1e7), (3.0, 0.4)] {
        let found = noncentral_student_sf(t, v, 0.0);
        assert!((found / student_sf(t, v) - 1.0).abs() < 1e-12, "{t} {v}: {found}");
    }
    // far out, and what is no number
    assert!((noncentral_student_sf(1e5, 2.0, 1e5) - (1.0 - (-1f64).exp())).abs() < 1e-7);
    assert_eq!(noncentral_student_sf(-3.0, 2.0, 1e6), 1.0);
    assert_eq!(noncentral_student_sf(3.0, 2.0, -1e6), 0.0);
    assert!(noncentral_student_sf(1.0, 0.0, 1.0).is_nan());
    assert!(noncentral_student_sf(1.0, 3.0, f64::INFINITY).is_nan());
    assert_eq!(noncentral_student_sf(f64::INFINITY, 3.0, 1.0), 0.0);
}

#[test]
fn power_is_the_level_at_no_difference_and_rises() {
    for df in [1.0, 5.0, 40.0] {
        let none = power(0.0, 1.0, 0.1, df, 0.05).unwrap();
        assert!((none - 0.05).abs() < 1e-13, "{df}: {none}");
        let mut last = none;
        for k in 1..60 {
            let p = power(-0.4 * f64::from(k), 1.0, 0.1, df, 0.05).unwrap();
            assert!(p > last || p > 1.0 - 1e-12, "{df} {k}");
            assert!(p <= 1.0);
            last = p;
        }
    }
    assert!(power(1e9, 1e-3, 1e-3, 12.0, 0.05).unwrap() > 1.0 - 1e-7);
    for (difference, spread, variance, df, alpha) in [
        (f64::NAN, 1.0, 1.0, 5.0, 0.05),
        (1.0, 0.0, 1.0, 5.0, 0.05),
        (1.0, 1.0, -1.0, 5.0, 0.05),
        (1.0, 1.0, 1.0, 0.0, 0.05),
        (1.0, 1.0, 1.0, 5.0, 1.0),
    ] {
        assert!(matches!(power(difference, spread, variance, df, alpha), Err(Error::OutOfRange { .. })));
    }
}

/// The intervals of real fits on simulated flakes: each has the foreseen width up to the spread it shows, and
/// on average the foreseen one.
#[test]
fn widths_foreseen_are_the_widths_of_direct_fits() {
    let reach = field_school();
    let plan = choose(&reach.design, &Exchange::new(12), &mut seeded(8)).unwrap();
    let design = picked(&reach.design, &plan.points);
    let at = [1.0, 7f64.ln(), 72.0, 1.0];
    let spread = 0.4;
    let mut rng = seeded(99);
    let (mut total, repeats) = (0.0, 4000);
    let foreseen = expected_width(&plan.information, &at, spread, 0.95, Aim::NewFlake).unwrap();
    let shown = (2.0 * std::f64::consts::PI).sqrt() * Student::new(8.0).pdf(0.0);
    for _ in 0..repeats {
        let y: Vec<f64> = (0..12)
            .map(|i| {
                let e: f64 = StandardNormal.sample(&mut rng);
                2.0 * design.matrix()[(i, 1)] + spread * e
            })
            .collect();
        let fit = linear::fit(&design, &y, None).unwrap();
        let (low, high) = fit.interval(&at, 0.95, 1.0).unwrap();
        let exact = foreseen * fit.spread() / (spread * shown);
        assert!(((high - low) / exact - 1.0).abs() < 1e-9, "{} {exact}", high - low);
        total += high - low;
    }
    // the standard error of the mean of 4000 is 0.4 %
    assert!((total / f64::from(repeats) / foreseen - 1.0).abs() < 0.015, "{total} {foreseen}");
    let too_few = Information::of(&picked(&design, &[0, 3, 6, 9]))
        .map(|i| expected_width(&i, &at, 1.0, 0.95, Aim::Mean));
    assert!(matches!(too_few, Ok(Err(Error::TooFew { .. })) | Err(Error::RankDeficient { .. })));
}

/// Where cores differ: simulated fields of 24 flakes from 6 cores, fitted with random intercepts, percussors
/// varied within every core or between cores, and tested at 5 %.
#[test]
fn power_where_cores_differ_is_what_simulation_shows() {
    let (flakes, m, repeats) = (24usize, 4usize, 500);
    let cores = Cores::new(0.35, 0.3, m).unwrap();
    assert!((cores.design_effect() - (1.0 + 3.0 * 0.09 / (0.09 + 0.1225))).abs() < 1e-12);
    assert!(((cores.within.powi(2) + cores.between.powi(2)) - (0.09 + 0.1225)).abs() < 1e-12);
    let of: Vec<usize> = (0..flakes).map(|i| i / m).collect();
    let groups = [SharedRows::intercepts(of.clone(), 6)];
    let ones = Design::from_rows(vec!["1".into()], &vec![[1.0]; flakes]).unwrap();
    for (allocation, difference) in [(Allocation::WithinCores, 0.42), (Allocation::ByCore, 1.1)] {
        let rows: Vec<[f64; 2]> = (0..flakes)
            .map(|i| {
                let antler = match allocation {
                    Allocation::WithinCores => i % 2,
                    Allocation::ByCore => of[i] % 2,
                };
                [1.0, antler as f64]
            })
            .collect();
        let design = Design::from_rows(vec!["intercept".into(), "antler".into()], &rows).unwrap();
        let variance = Information::of(&design).unwrap().variance_of("antler").unwrap();
        let foreseen = cores.power(difference, variance, flakes, 2, allocation, 0.05).unwrap();
        let mut rng = seeded(2024);
        let mut seen = 0;
        for _ in 0..repeats {
            let effect: Vec<f64> = (0..6)
                .map(|_| {
                    let e: f64 = StandardNormal.sample(&mut rng);
                    0.3 * e
                })
                .collect();
            let y: Vec<f64> = (0..flakes)
                .map(|i| {
                    let e: f64 = StandardNormal.sample(&mut rng);
                    difference * rows[i][1] + effect[of[i]] + 0.35 * e
                })
                .collect();
            let fit = Shrunken::default()
                .fit_shared(&design, &[false; 2], &ones, &Tails::normal(), &groups, &y)
                .unwrap();
            let t = fit.coefficients[1] / fit.covariance[(1, 1)].sqrt();
            // the freedom that belongs to the allocation, as in the formula
            let freedom = match allocation {
                Allocation::WithinCores => 17.0,
                Allocation::ByCore => 4.0,
            };
            if t.abs() > student_quantile_upper(0.025, freedom) {
                seen += 1;
            }
        }
        let share = f64::from(seen) / f64::from(repeats);
        // three standard errors of the simulation, and what an estimate of zero between cores adds
        assert!((share - foreseen).abs() < 0.07, "{allocation:?}: {share} {foreseen}");
        assert!((0.6..0.95).contains(&foreseen));
    }
}

#[test]
fn widths_where_cores_differ() {
    let rows: Vec<[f64; 1]> = vec![[1.0]; 24];
    let design = Design::from_rows(vec!["intercept".into()], &rows).unwrap();
    let information = Information::of(&design).unwrap();
    // the mean of balanced cores is exact: t with K - 1 freedom on the mean square between cores
    let cores = Cores::new(0.35, 0.3, 4).unwrap();
    let found = cores.expected_width(&information, &[1.0], 0.95, Aim::Mean).unwrap();
    let t = Student::new(5.0);
    let mean_square: f64 = 0.35f64.powi(2) + 4.0 * 0.3f64.powi(2);
    let expected = 2.0
        * t.quantile(0.975)
        * (2.0 * std::f64::consts::PI).sqrt()
        * t.pdf(0.0)
        * (mean_square / 24.0).sqrt();
    assert!((found / expected - 1.0).abs() < 1e-12, "{found} {expected}");
    // cores of one flake: as without cores, at the total spread
    let single = Cores::new(0.4, 0.3, 1).unwrap();
    assert!(matches!(
        single.expected_width(&information, &[1.0], 0.95, Aim::NewFlake),
        Err(Error::TooFew { .. })
    ));
    assert!(Cores::new(0.4, -0.1, 3).is_err() && Cores::new(0.0, 0.1, 3).is_err());
    assert!(Cores::new(0.4, 0.1, 0).is_err());
    let one = Cores::new(0.4, 0.1, 24).unwrap();
    assert!(one.expected_width(&information, &[1.0], 0.95, Aim::Mean).is_err());
    assert!(one.power(1.0, 0.2, 24, 2, Allocation::ByCore, 0.05).is_err());
}

/// The front door over the same machinery: what it tells is what the parts give.
#[test]
fn a_plan_tells_what_its_parts_give() {
    let form = || Form::named("log-log").unwrap();
    let two = |n| Experiment::new(form(), "mass_g", n).percussors(&["Quartzite", "antler"]).unwrap();
    let experiment = two(24).reach("exterior_platform_angle_deg", 60.0, 90.0).unwrap();
    let told = experiment.clone().spread(0.45, "here").unwrap().difference(1.5).unwrap();
    let plan = told.plan(5).unwrap();
    assert_eq!(plan, told.plan(5).unwrap());
    let reach = field_school();
    let chosen =
        choose(&reach.design, &Exchange { starts: 20, ..Exchange::new(24) }, &mut seeded(5)).unwrap();
    let antler = chosen.information.variance_of("percussor = antler").unwrap();
    let chance = power(1.5f64.ln(), 0.45, antler, 20.0, 0.05).unwrap();
    let planned = plan.curve.iter().find(|c| c.flakes == 24).unwrap();
    assert!((planned.power.unwrap() - chance).abs() < 1e-12);
    assert!(plan.curve.windows(2).all(|w| w[0].flakes < w[1].flakes));
    // widths at a platform named, by each percussor
    let platform = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0);
    let at = told.clone().at("here", &platform.clone().build().unwrap()).unwrap().plan(5).unwrap();
    for (k, percussor) in [0.0, 1.0].iter().enumerate() {
        let row = [1.0, 8f64.ln(), 75.0, *percussor];
        let width = expected_width(&chosen.information, &row, 0.45, 0.95, Aim::NewFlake).unwrap();
        let planned = at.curve.iter().find(|c| c.flakes == 24).unwrap();
        assert!((planned.width_new_flake_at[k].unwrap() - width).abs() < 1e-12);
    }
    // a percussor that reaches less far: neither its targets nor what is accepted go beyond
    let thick = told.clone().reach_of("antler", "platform_depth_mm", 6.0, 12.0).plan(5).unwrap();
    for t in &thick.flakes {
        let (_, depth, low, high) = &t.settings[0];
        let least = if t.percussor.as_deref() == Some("antler") { 6.0 } else { 4.0 };
        assert!(least <= *low && low <= depth && depth <= high && *high <= 12.0, "{t:?}");
    }
    // by any of its names, whenever it is told
    let same =
        Experiment::new(form(), "mass_g", 24).reach_of("Red-deer-antler", "platform_depth_mm", 6.0, 12.0);
    let same = same.percussors(&["Quartzite", "Antler"]).unwrap();
    let same = same.reach("exterior_platform_angle_deg", 60.0, 90.0).unwrap().spread(0.45, "here").unwrap();
    assert_eq!(same.difference(1.5).unwrap().plan(5).unwrap().flakes, thick.flakes);
    // of one percussor it is the reach
    let one = Experiment::new(form(), "mass_g", 12).percussors(&["antler"]).unwrap();
    let one =
        one.spread(0.4, "here").unwrap().reach_of("antler", "platform_depth_mm", 6.0, 12.0).plan(1).unwrap();
    assert!(one.flakes.iter().all(|t| t.settings[0].2 >= 6.0), "{one:?}");
    for (percussor, column, low, high, said) in [
        ("cheese", "platform_depth_mm", 6.0, 12.0, "cheese"),
        ("bone", "platform_depth_mm", 6.0, 12.0, "bone is told a reach, but does not strike"),
        ("antler", "platform_width_mm", 6.0, 12.0, "platform_width_mm: the form log-log does not read it"),
        ("antler", "platform_depth_mm", f64::NAN, 12.0, "platform_depth_mm: from low to high"),
        ("antler", "platform_depth_mm", 12.0, 6.0, "platform_depth_mm: from low to high"),
        ("antler", "platform_depth_mm", -1.0, 6.0, "platform_depth_mm: -1 is out of range"),
        (
            "antler",
            "platform_depth_mm",
            20.0,
            30.0,
            "platform_depth_mm: antler reaches 20 to 30, which holds no step",
        ),
        (
            "antler",
            "platform_depth_mm",
            6.2,
            6.4,
            "platform_depth_mm: antler reaches 6.2 to 6.4, which holds no step",
        ),
    ] {
        let e = told.clone().reach_of(percussor, column, low, high).plan(5).unwrap_err().to_string();
        assert!(e.contains(said), "{e}");
    }
    let nothing = Experiment::new(form(), "nonsense", 24).spread(0.4, "here").unwrap().plan(1).unwrap_err();
    assert!(nothing.to_string().starts_with("response: \"nonsense\" is not known"), "{nothing}");
    // flakes one has: those of another percussor, and those that lack what the form reads, are left out
    let strike = |percussor| platform.clone().percussor(percussor).build().unwrap();
    let flake = |percussor| Flake::builder().strike(strike(percussor)).build().unwrap();
    let mut had = told.clone();
    [Some("antler"), Some("hard quartzite"), Some("bone"), None].iter().for_each(|p| had.offer(&flake(*p)));
    had.leave_out();
    let words = had.plan(5).unwrap().to_string();
    assert!(words.contains("1 flake you have cannot tell") || words.contains("left out"), "{words}");
    // cores, the form's own spread, and what is lacking
    let cores = told.clone().cores(4).between_cores(0.3).plan(5).unwrap();
    assert_eq!(cores.flakes.iter().filter_map(|t| t.core).max(), Some(6));
    let by_core = told.clone().cores(4).between_cores(0.3).one_percussor_a_core().plan(5).unwrap();
    let of = |p: &str| -> Vec<usize> {
        let by = by_core.flakes.iter().filter(|t| t.percussor.as_deref() == Some(p));
        by.filter_map(|t| t.core).collect()
    };
    assert!(of("quartzite").iter().all(|c| !of("antler").contains(c)));
    // no core is asked for more flakes than it gives, and both have as many cores
    for p in ["quartzite", "antler"] {
        let mut cores = of(p);
        cores.sort_unstable();
        assert!(cores.chunk_by(|a, b| a == b).all(|of| of.len() <= 4), "{p}: {cores:?}");
    }
    // percussors are mixed in the order of striking: over the plan, and within every core, of which none has more
    let runs = |flakes: &[crate::plan::Target]| flakes.chunk_by(|a, b| a.percussor == b.percussor).count();
    assert!(runs(&plan.flakes) > 6 && plan.flakes.iter().map(|t| t.number).eq(1..=24), "{plan}");
    let antler_first = (1..=6).filter(|core| {
        let of: Vec<&crate::plan::Target> = cores.flakes.iter().filter(|t| t.core == Some(*core)).collect();
        let antler = |t: &&crate::plan::Target| t.percussor.as_deref() == Some("antler");
        assert_eq!((of.len(), of.iter().copied().filter(antler).count()), (4, 2), "core {core}");
        antler(&of[0])
    });
    assert!((1..6).contains(&antler_first.count()), "{cores}");
    // core after core, cores of one percussor mixed too
    for plan in [&cores, &by_core] {
        let order: Vec<usize> = plan.flakes.iter().filter_map(|t| t.core).collect();
        assert!(order.is_sorted() && order[0] == 1, "{plan}");
    }
    assert!(runs(&by_core.flakes) > 2, "{by_core}");
    assert!(!by_core.to_string().contains("percussors mixed"), "{by_core}");
    assert_ne!(told.plan(6).unwrap().flakes, plan.flakes);
    assert!(cores.to_string().contains("percussors mixed within every core"), "{cores}");
    // uneven numbers: no core gives more flakes than it has
    let uneven = two(9).spread(0.4, "here").unwrap().cores(3).between_cores(0.3).plan(1).unwrap();
    for core in 1..=3 {
        assert_eq!(uneven.flakes.iter().filter(|t| t.core == Some(core)).count(), 3, "{uneven}");
    }
    let plain =
        Experiment::new(form(), "mass_g", 8).spread(0.4, "here").unwrap().plan(1).unwrap().to_string();
    assert!(plain.contains("random over the whole plan") && !plain.contains("percussor"), "{plain}");
    // platforms that no flake of the experiment had, or beyond the reach, are told first; those within are not
    let deep = Strike::builder().platform_depth_mm(80.0).exterior_platform_angle_deg(75.0).build().unwrap();
    let of = |low: f64, high: f64| {
        let plan = Experiment::new(form(), "mass_g", 8).reach("platform_depth_mm", low, high).unwrap();
        plan.reach("exterior_platform_angle_deg", low.max(10.0), 85.0).unwrap()
    };
    let flint = crate::calibration::bundled::named("hard-hammer-flint").unwrap();
    let wide = of(0.1, 100.0).spread_of(&flint).unwrap().plan(1).unwrap().cautions;
    for (at, said) in
        ["platform depth 0.1 mm is ", "exterior platform angle 10 degrees is ", "platform depth 100 mm is "]
            .iter()
            .enumerate()
    {
        assert!(wide[at].starts_with(said), "{wide:?}");
        assert!(wide[at].ends_with("(calibration hard-hammer-flint)"), "{wide:?}");
    }
    assert!(!wide[3].contains("experiment covered"), "{wide:?}");
    let plan = |e: Experiment| e.spread(0.4, "here").unwrap().plan(1).unwrap().cautions;
    let named = plan(
        of(4.0, 12.0).reach("exterior_platform_angle_deg", 60.0, 85.0).unwrap().at("deep", &deep).unwrap(),
    );
    assert!(named[0].starts_with("platform depth 80 mm is "), "{named:?}");
    assert_eq!(named[1], "deep: the platform depth 80 lies beyond the reach (4 to 12)");
    for (stone, said) in [
        ("flint", "the spread is"),
        ("obsidian", "the experiment flaked flint, not obsidian"),
        ("cheese", "the stone \"cheese\" is not known"),
    ] {
        let of_stone = plan(Experiment::new(form(), "mass_g", 8).stone(stone));
        assert!(of_stone[0].starts_with(said), "{of_stone:?}");
    }
    assert!(matches!(experiment.plan(5), Err(Error::Missing { .. })));
    assert!(matches!(told.clone().cores(4).plan(5), Err(Error::Missing { .. })));
    assert!(told.clone().cores(0).between_cores(0.3).plan(5).is_err());
    assert!(told.clone().cores(4).between_cores(-0.3).plan(5).is_err());
    for bad in [
        two(24).percussors(&["antler"]),
        two(24).percussors(&["cheese"]),
        two(24).spread(0.0, "here"),
        two(24).level(1.0),
        two(24).difference(1.0),
        two(24).reach("platform_depth_mm", 12.0, 4.0),
        two(24).reach("platform_depth_mm", 0.0, 4.0),
        two(24).reach("platform_width_mm", 4.0, 9.0),
    ] {
        assert!(bad.is_err());
    }
    let one = Experiment::new(form(), "mass_g", 24).spread(0.4, "here").unwrap();
    assert!(matches!(one.difference(1.5).unwrap().plan(1), Err(Error::Invalid { .. })));
    // an angle of blow adds its term
    let blow = told.reach("angle_of_blow_deg", 0.0, 20.0).unwrap().plan(5).unwrap();
    assert!(blow.flakes.iter().all(|t| t.settings[2].0 == "angle_of_blow_deg"));
}

/// Flakes of one candidate exchanged together reach what exchanges one by one do, and in no time.
#[test]
fn many_flakes_are_planned_as_few_are() {
    let reach = field_school();
    let at: Vec<Vec<f64>> = reach.design.to_rows().into_iter().step_by(7).collect();
    for at in [None, Some(at)] {
        let plan = |flakes| {
            let options = Exchange { at: at.clone(), starts: 4, ..Exchange::new(flakes) };
            choose(&reach.design, &options, &mut seeded(5)).unwrap()
        };
        let (few, many) = (plan(1000), plan(100_000));
        let (few_by, many_by) = match at {
            None => (few.value - 4.0 * 1000f64.ln(), many.value - 4.0 * 100_000f64.ln()),
            Some(_) => (-few.value * 1000.0, -many.value * 100_000.0),
        };
        // by flake alike; more flakes come nearer to the best shares
        assert!(many_by > few_by - 1e-6 && many_by < few_by + 1e-3, "{few_by} {many_by}");
        assert_eq!((many.points.len(), many.points.is_sorted()), (100_000, true));
        assert_eq!(many.starts_agreeing, 4);
        let best = continuous_optimum(&reach.design).unwrap();
        assert!(at.is_some() || best.efficiency_of(&many.information) > 1.0 - 1e-6);
    }
}
