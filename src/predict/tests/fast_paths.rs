//! Every fast path against the simple one: to 1e-12 relative, and the same bytes for any number of threads.

use crate::Error;
#[cfg(feature = "parallel")]
use crate::calibration::{Collector, Provenance, Recipe};
use crate::calibration::{SizeModel, Spread, Tails, bundled, triangle};
use crate::fit::Design;
use crate::fit::linear::{self, Accumulator, LinearFit};
use crate::form::{
    Form, Layout, Transform, above, indicator, ln, log10, power, product, shifted, spline, square, tangent,
    value,
};
use crate::predict::Batch;
use crate::predict::{Component, Interval, Predictive, Predictor};
use proptest::prelude::*;
fn near(found: f64, expected: f64, tolerance: f64) -> bool {
    found == expected || (found - expected).abs() <= tolerance * expected.abs()
}

/// Numbers in [0, 1) that look random: the fractional parts of multiples.
fn spread_out(i: usize, k: u32) -> f64 {
    (i as f64 * (0.618_033_988_749_894_9 + f64::from(k) * 0.177_124_344_467_704_7)).fract()
}

/// Invented flakes: depth, angle, class of percussor, mass.
fn flakes(n: usize) -> [Vec<f64>; 4] {
    let depth: Vec<f64> = (0..n).map(|i| (0.4 + 2.4 * spread_out(i, 1)).exp()).collect();
    let angle: Vec<f64> = (0..n).map(|i| 45.0 + 40.0 * spread_out(i, 2)).collect();
    let class: Vec<f64> = (0..n).map(|i| f64::from(u8::from(spread_out(i, 3) < 0.4))).collect();
    let mass = (0..n)
        .map(|i| {
            let noise = spread_out(i, 4) + spread_out(i, 5) + spread_out(i, 6) - 1.5;
            (-2.0 + 2.0 * depth[i].ln() + 0.02 * angle[i] - 0.3 * class[i] + 0.6 * noise).exp()
        })
        .collect();
    [depth, angle, class, mass]
}

fn curved(transform: Transform) -> (Form, Layout) {
    let (d, a) = ("platform_depth_mm", "exterior_platform_angle_deg");
    let terms = vec![
        ln(d),
        value(a),
        indicator("percussor_class", "organic"),
        product([ln(d), value(a)]),
        square(ln(d)),
    ];
    let form = Form::new("curved", transform, terms).unwrap();
    let mut layout = Layout { numbers: vec![d.to_string(), a.to_string()], ..Layout::default() };
    layout.add_level("percussor_class", "stone");
    layout.add_level("percussor_class", "organic");
    (form, layout)
}

/// The simple path: one row after the other.
fn row_by_row(form: &Form, layout: &Layout, columns: &[&[f64]], sizes: &[f64]) -> LinearFit {
    let compiled = form.compile(layout).unwrap();
    let mut a = Accumulator::new(form.term_names()).unwrap();
    let mut row = vec![0.0; compiled.terms()];
    for i in 0..sizes.len() {
        let x: Vec<f64> = columns.iter().map(|c| c[i]).collect();
        compiled.fill(&x, &mut row);
        a.push(&row, form.transform().apply(sizes[i])).unwrap();
    }
    a.finish().unwrap()
}

/// The fast path: all rows at once.
fn by_columns(form: &Form, layout: &Layout, columns: &[&[f64]], sizes: &[f64]) -> LinearFit {
    let r = triangle(&form.compile(layout).unwrap(), form.transform(), columns, sizes);
    Accumulator::of(form.term_names(), r, sizes.len() as u64).unwrap().finish().unwrap()
}

fn same_fit(fast: &LinearFit, simple: &LinearFit) {
    // coefficients are compared on the scale of their standard errors too: one near zero has no relative digits
    let se = simple.standard_errors();
    for (j, (f, s)) in fast.coefficients().iter().zip(simple.coefficients()).enumerate() {
        assert!((f - s).abs() <= 1e-12 * (s.abs() + se[j]), "coefficient {j}: {f} {s}");
    }
    assert!(near(fast.spread(), simple.spread(), 1e-12), "{} {}", fast.spread(), simple.spread());
    for (j, (f, s)) in fast.standard_errors().iter().zip(&se).enumerate() {
        assert!(near(*f, *s, 1e-11), "standard error {j}: {f} {s}");
    }
    assert_eq!(fast.rows(), simple.rows());
}

#[test]
fn design_columns_are_the_design_rows() {
    let d = "platform_depth_mm";
    let mut terms = spline(ln(d), &[0.5, 1.2, 2.0, 2.7]);
    terms.extend([
        value("exterior_platform_angle_deg"),
        ln(tangent("exterior_platform_angle_deg")),
        log10(d),
        power(d, 0.7),
        square(shifted(ln(d), 1.5)),
        square(value(d)),
        above("exterior_platform_angle_deg", 70.0),
        product([ln(d), tangent("exterior_platform_angle_deg"), indicator("percussor_class", "organic")]),
        indicator("percussor_class", "organic"),
    ]);
    let form = Form::new("everything", Transform::Ln, terms).unwrap();
    let (_, layout) = curved(Transform::Ln);
    let [depth, mut angle, class, _] = flakes(700);
    angle[3] = 95.0;
    let compiled = form.compile(&layout).unwrap();
    let p = compiled.terms();
    let mut out = vec![0.0; 700 * p];
    compiled.fill_columns(&[&depth, &angle, &class], &mut out).unwrap();
    let mut row = vec![0.0; p];
    for i in 0..700 {
        compiled.fill(&[depth[i], angle[i], class[i]], &mut row);
        for j in 0..p {
            let (f, s) = (out[j * 700 + i], row[j]);
            assert!(
                f.is_nan() && s.is_nan() || (f - s).abs() <= 1e-13 * s.abs().max(1.0),
                "{i} {j}: {f} {s}"
            );
        }
    }
    let short = compiled.fill_columns(&[&depth[1..], &angle, &class], &mut out);
    assert!(matches!(short, Err(Error::Shape { .. })));
    let too_few = compiled.fill_columns(&[&depth, &angle], &mut out);
    assert!(matches!(too_few, Err(Error::Shape { .. })));
}

#[test]
fn a_fit_of_columns_is_the_fit_of_rows() {
    for transform in [Transform::Ln, Transform::Log10, Transform::CubeRoot, Transform::Identity] {
        for n in [9, 255, 256, 257, 16_384, 40_001] {
            let (form, layout) = curved(transform);
            let [depth, angle, class, mass] = flakes(n);
            let columns: [&[f64]; 3] = [&depth, &angle, &class];
            let fast = by_columns(&form, &layout, &columns, &mass);
            let simple = row_by_row(&form, &layout, &columns, &mass);
            same_fit(&fast, &simple);
            assert!(near(fast.aic_in_own_unit(0.0), simple.aic_in_own_unit(0.0), 1e-11));
        }
    }
}

#[cfg(feature = "parallel")]
fn on_threads<T: Send>(threads: usize, f: impl FnOnce() -> T + Send) -> T {
    rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(f)
}

#[cfg(feature = "parallel")]
#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let (form, layout) = curved(Transform::Ln);
    let [depth, angle, class, mass] = flakes(150_000);
    let columns: [&[f64]; 3] = [&depth, &angle, &class];
    let names = ["platform_depth_mm", "exterior_platform_angle_deg", "mass_g"];
    let fit = by_columns(&form, &layout, &columns, &mass);
    let all = |threads: usize| {
        on_threads(threads, || {
            let own = Provenance::new("invented", "this test", "own", "test");
            let recipe = Recipe::single("own", "mass_g", Form::named("log-log").unwrap(), own).unwrap();
            let mut collector = Collector::new(recipe).unwrap();
            collector.offer_numbers(&names, &[&depth, &angle, &mass]).unwrap();
            let fitted = collector.finish().unwrap().0.to_json();
            let out = intervals(&batch(&form, &layout, &fit), &columns);
            let bits = |v: &[f64]| v.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
            (fitted, bits(&out[0]), bits(&out[2]))
        })
    };
    let one = all(1);
    for threads in [2, 3, 8] {
        assert!(all(threads) == one, "{threads} threads");
    }
}

fn model(form: &Form, fit: &LinearFit) -> SizeModel {
    SizeModel {
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
        shared: Vec::new(),
        variance_covariance: Vec::new(),
        kept: None,
        distance: None,
    }
}

fn batch(form: &Form, layout: &Layout, fit: &LinearFit) -> Batch {
    Batch::new(&model(form, fit), layout, 0.95).unwrap()
}

fn intervals(batch: &Batch, columns: &[&[f64]]) -> [Vec<f64>; 3] {
    let n = columns[0].len();
    let mut out = [vec![0.0; n], vec![0.0; n], vec![0.0; n]];
    let [low, median, high] = &mut out;
    batch.fill(columns, [low, median, high]).unwrap();
    out
}

#[test]
fn a_batch_is_the_intervals_one_by_one() {
    for transform in [Transform::Ln, Transform::Log10, Transform::CubeRoot, Transform::Identity] {
        let (form, layout) = curved(transform);
        let [depth, angle, class, mass] = flakes(1001);
        let columns: [&[f64]; 3] = [&depth, &angle, &class];
        let fit = by_columns(&form, &layout, &columns, &mass);
        let out = intervals(&batch(&form, &layout, &fit), &columns);
        let compiled = form.compile(&layout).unwrap();
        let mut row = vec![0.0; compiled.terms()];
        for i in 0..1001 {
            compiled.fill(&[depth[i], angle[i], class[i]], &mut row);
            let scale = fit.spread() * (1.0 + fit.leverage(&row).unwrap()).sqrt();
            let location = fit.expected(&row).unwrap();
            let one =
                Component { weight: 1.0, location, scale, degrees_of_freedom: fit.degrees_of_freedom() };
            let simple = Predictive::new(transform, vec![one]).unwrap().interval(0.95).unwrap();
            // an end near zero is a difference of larger numbers, and is held to their size
            let size = if transform == Transform::Identity || transform == Transform::CubeRoot {
                simple.high.abs()
            } else {
                0.0
            };
            for (f, s) in [(out[0][i], simple.low), (out[1][i], simple.median), (out[2][i], simple.high)] {
                assert!((f - s).abs() <= 1e-12 * s.abs().max(size), "{transform:?} {i}: {f} {s}");
            }
        }
    }
}

#[test]
fn a_modelled_spread_and_tails_by_class_in_a_batch() {
    let (form, layout) = curved(Transform::Ln);
    let [depth, angle, class, mass] = flakes(600);
    let columns: [&[f64]; 3] = [&depth, &angle, &class];
    let fit = by_columns(&form, &layout, &columns, &mass);
    let form = form.with_spread_terms([ln("platform_depth_mm")]).unwrap();
    let mut m = model(&form, &fit);
    let (c, v) = ([-1.2, 0.2], [[0.002, -0.0005], [-0.0005, 0.001]]);
    let by_class = vec![("organic".to_string(), 5.0)];
    m.tails = Tails::ByClass { class: "percussor_class".into(), degrees_of_freedom: by_class };
    for modelled in [false, true] {
        if modelled {
            m.spread =
                Spread::Modelled { coefficients: c.to_vec(), covariance: v.map(|r| r.to_vec()).to_vec() };
        }
        let out = intervals(&Batch::new(&m, &layout, 0.9).unwrap(), &columns);
        let compiled = form.compile(&layout).unwrap();
        let mut row = vec![0.0; compiled.terms()];
        for i in 0..600 {
            compiled.fill(&[depth[i], angle[i], class[i]], &mut row);
            let l = depth[i].ln();
            let (own, behind) = if modelled {
                let q = v[0][0] + 2.0 * l * v[0][1] + l * l * v[1][1];
                ((c[0] + c[1] * l).exp(), 0.5 / q)
            } else {
                (fit.spread(), fit.degrees_of_freedom())
            };
            let tail = if class[i] == 1.0 { 5.0 } else { f64::INFINITY };
            let uncertainty = fit.leverage(&row).unwrap() * fit.spread().powi(2);
            let one = Component {
                weight: 1.0,
                location: fit.expected(&row).unwrap(),
                scale: (own * own + uncertainty).sqrt(),
                degrees_of_freedom: 1.0 / (1.0 / tail + 1.0 / behind),
            };
            let simple = Predictive::new(Transform::Ln, vec![one]).unwrap().interval(0.9).unwrap();
            assert!(near(out[0][i], simple.low, 1e-11), "{i}: {} {}", out[0][i], simple.low);
            assert!(near(out[2][i], simple.high, 1e-11), "{i}: {} {}", out[2][i], simple.high);
        }
    }
}

#[test]
fn rows_that_cannot_be_answered_are_counted_and_the_rest_is_answered() {
    let (form, layout) = curved(Transform::Ln);
    let [mut depth, angle, class, mass] = flakes(600);
    let fit = by_columns(&form, &layout, &[&depth, &angle, &class], &mass);
    let b = batch(&form, &layout, &fit);
    depth[7] = -1.0;
    depth[300] = f64::NAN;
    let (mut low, mut median, mut high) = (vec![0.0; 600], vec![0.0; 600], vec![0.0; 600]);
    let out = [&mut low[..], &mut median, &mut high];
    assert_eq!(b.fill(&[&depth, &angle, &class], out).unwrap(), 598);
    assert!(high[7].is_nan() && low[300].is_nan() && median[8] > 0.0);
    let out = [&mut low[1..], &mut median, &mut high];
    assert!(matches!(b.fill(&[&depth, &angle, &class], out), Err(Error::Shape { .. })));
    assert!(Batch::new(&model(&form, &fit), &layout, 1.0).is_err());
}

/// The predictive of one size at a complete input row, with nothing worked out beforehand.
fn one_by_one(m: &SizeModel, layout: &Layout, x: &[f64], row: &[f64]) -> Predictive {
    let quadratic = |v: &[Vec<f64>], z: &[f64]| -> f64 {
        let v = nalgebra::DMatrix::from_fn(z.len(), z.len(), |i, j| v[i][j]);
        (v.cholesky().unwrap().l().transpose() * nalgebra::DVector::from_column_slice(z)).norm_squared()
    };
    let (own, behind) = match &m.spread {
        Spread::Constant { value, degrees_of_freedom } => (*value, *degrees_of_freedom),
        Spread::Modelled { coefficients, covariance } => {
            let mut z = vec![0.0; coefficients.len()];
            m.form.compile(layout).unwrap().fill_spread(x, &mut z);
            let ln: f64 = z.iter().zip(coefficients).map(|(z, c)| z * c).sum();
            (ln.exp(), 0.5 / quadratic(covariance, &z))
        }
    };
    let tail = match &m.tails {
        Tails::ByClass { class, degrees_of_freedom } => {
            let at = layout.position(class).unwrap();
            let level = &layout.class_at(at).unwrap().levels[x[at] as usize];
            degrees_of_freedom.iter().find(|(n, _)| n == level).map_or(f64::INFINITY, |(_, d)| *d)
        }
        Tails::Student { degrees_of_freedom } => *degrees_of_freedom,
        _ => f64::INFINITY,
    };
    let one = Component {
        weight: 1.0,
        location: row.iter().zip(&m.coefficients).map(|(v, b)| v * b).sum(),
        scale: (own * own + quadratic(&m.covariance, row)).sqrt(),
        degrees_of_freedom: 1.0 / (1.0 / tail + 1.0 / behind),
    };
    Predictive::new(m.form.transform(), vec![one]).unwrap()
}

#[test]
fn quick_is_the_estimate() {
    let mut ran = 0;
    for name in ["hard-hammer-flint", "hard-hammer-quartzite", "controlled-glass"] {
        let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
        let layout = predictor.calibration().layout().clone();
        for variant in predictor.calibration().variants() {
            let quick = predictor.quick(&variant.name, 0.95).unwrap();
            let mut x: Vec<f64> = (0..layout.len()).map(|i| 0.3 * i as f64).collect();
            for (v, n) in x.iter_mut().zip(&layout.numbers) {
                *v = match n.as_str() {
                    "platform_depth_mm" => 8.0,
                    "platform_width_mm" => 21.0,
                    "platform_area_mm2" => 90.0,
                    "exterior_platform_angle_deg" => 72.0,
                    _ => 2.0,
                };
            }
            for v in &mut x[layout.numbers.len()..] {
                *v = 1.0;
            }
            let empty = Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.0 };
            let mut out = vec![empty; variant.sizes.len()];
            quick.intervals(&x, &mut out).unwrap();
            let mut row = Vec::new();
            for (m, found) in variant.sizes.iter().zip(&out) {
                let compiled = m.form.compile(&layout).unwrap();
                row.resize(compiled.terms(), 0.0);
                compiled.fill(&x, &mut row);
                let one = one_by_one(m, &layout, &x, &row).interval(0.95).unwrap();
                // such a platform lies beyond the glass flakes: there the quick interval opens, as an estimate's does
                if name == "controlled-glass" && !near(found.high, one.high, 1e-9) {
                    assert!(found.low < one.low && one.high < found.high, "{name} {}", m.size);
                    continue;
                }
                assert!(near(found.low, one.low, 1e-11), "{name} {}: {} {}", m.size, found.low, one.low);
                assert!(near(found.high, one.high, 1e-11), "{name} {}: {} {}", m.size, found.high, one.high);
                let columns: Vec<[f64; 1]> = x.iter().map(|v| [*v]).collect();
                let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
                let whole = intervals(&Batch::new(m, &layout, 0.95).unwrap(), &columns);
                assert!(near(found.high, whole[2][0], 1e-12) && near(found.low, whole[0][0], 1e-12));
                ran += 1;
            }
            x[0] = f64::NAN;
            x[1] = f64::NAN;
            assert!(quick.intervals(&x, &mut out).is_err());
            assert!(quick.intervals(&x[1..], &mut out).is_err());
        }
    }
    assert!(ran >= 20);
}

#[test]
fn quick_is_the_whole_estimate() {
    use crate::strike::Strike;
    let predictor = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build().unwrap();
    let estimate = predictor.estimate(&strike, &Default::default()).unwrap();
    let quick = predictor.quick(&estimate.variant, 0.9).unwrap();
    let layout = predictor.calibration().layout();
    let mut x = vec![f64::NAN; layout.len()];
    x[layout.position("platform_depth_mm").unwrap()] = 8.0;
    x[layout.position("exterior_platform_angle_deg").unwrap()] = 75.0;
    let mut out = [Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.0 }; 4];
    quick.intervals(&x, &mut out).unwrap();
    for (size, found) in estimate.sizes.iter().zip(out) {
        let whole = size.predictive.interval(0.9).unwrap();
        assert!(near(found.low, whole.low, 1e-13) && near(found.high, whole.high, 1e-13));
        assert!(near(found.median, whole.median, 1e-13));
    }
    assert!(
        predictor.quick("no such variant", 0.9).is_err() && predictor.quick("depth, angle", 0.0).is_err()
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any width and number of rows: the blocked QR against nalgebra's.
    #[test]
    fn the_blocked_qr_is_the_plain_one(p in 1usize..20, extra in 1usize..1500, seed in 0usize..1000, scale in -130i32..130) {
        let n = p + extra;
        let scale = 10f64.powi(scale);
        let x = nalgebra::DMatrix::from_fn(n, p, |i, j| {
            if j == 0 { 1.0 } else { (spread_out(i * 31 + seed, j as u32) - 0.4) * scale }
        });
        let y: Vec<f64> = (0..n).map(|i| spread_out(i + seed, 40) * 3.0).collect();
        let names = (0..p).map(|j| format!("t{j}")).collect();
        let fit = linear::fit(&Design::new(names, x.clone()).unwrap(), &y, None);
        let qr = x.clone().qr();
        let r = qr.r();
        prop_assume!((0..p).all(|j| r[(j, j)].abs() > 1e-4 * x.column(j).norm()));
        let fit = fit.unwrap();
        let b = r.solve_upper_triangular(&(qr.q().transpose() * nalgebra::DVector::from_vec(y.clone()))).unwrap();
        let expected = &x * &b;
        for i in (0..n).step_by(7) {
            let row: Vec<f64> = x.row(i).iter().copied().collect();
            let found = fit.expected(&row).unwrap();
            prop_assert!((found - expected[i]).abs() < 1e-10, "{} {}", found, expected[i]);
        }
        let residuals: f64 = (0..n).map(|i| (y[i] - expected[i]).powi(2)).sum();
        prop_assert!((fit.residual_sum_of_squares() - residuals).abs() <= 1e-11 * residuals + 1e-18);
    }
}
