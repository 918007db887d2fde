//! The predictive distribution: against closed forms, its own definition by integration, and its laws.

use crate::form::Transform;
use crate::predict::{Component, Predictive, Quantiles};
use crate::special::{normal_cdf, normal_quantile, student_cdf, student_quantile};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

const ALL: [Transform; 4] = [Transform::Identity, Transform::Ln, Transform::Log10, Transform::CubeRoot];

fn one(transform: Transform, location: f64, scale: f64, degrees_of_freedom: f64) -> Predictive {
    Predictive::new(transform, vec![Component { weight: 2.5, location, scale, degrees_of_freedom }]).unwrap()
}

/// Two components of unequal weight, one normal.
fn mixed(transform: Transform) -> Predictive {
    let c = |weight, location, scale, degrees_of_freedom| Component {
        weight,
        location,
        scale,
        degrees_of_freedom,
    };
    Predictive::new(
        transform,
        vec![c(1.0, 1.0, 0.3, 7.0), c(3.0, 2.0, 0.5, f64::INFINITY), c(0.0, -9.0, 0.1, 3.0)],
    )
    .unwrap()
}

#[track_caller]
fn same(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance * expected.abs(), "{found} found, {expected} expected");
}

#[test]
fn weights_are_scaled_and_bad_components_refused() {
    assert_eq!(one(Transform::Ln, 1.0, 1.0, 3.0).components()[0].weight, 1.0);
    assert_eq!(
        mixed(Transform::Ln).components().iter().map(|c| c.weight).collect::<Vec<_>>(),
        [0.25, 0.75, 0.0]
    );
    let fine = Component { weight: 1.0, location: 0.0, scale: 1.0, degrees_of_freedom: 5.0 };
    for bad in [
        Component { weight: -1.0, ..fine },
        Component { weight: f64::INFINITY, ..fine },
        Component { weight: 0.0, ..fine },
        Component { location: f64::NAN, ..fine },
        Component { location: f64::INFINITY, ..fine },
        Component { scale: 0.0, ..fine },
        Component { scale: f64::INFINITY, ..fine },
        Component { degrees_of_freedom: 0.0, ..fine },
        Component { degrees_of_freedom: f64::NAN, ..fine },
    ] {
        let alone = Predictive::new(Transform::Ln, vec![bad]).unwrap_err();
        assert!(alone.to_string().starts_with("predictive: needs components"), "{alone}");
        if bad.weight != 0.0 {
            assert!(Predictive::new(Transform::Ln, vec![fine, bad]).is_err(), "{bad:?}");
        }
    }
    assert!(Predictive::new(Transform::Ln, vec![]).is_err());
    assert!(
        Predictive::new(Transform::Ln, vec![Component { degrees_of_freedom: f64::INFINITY, ..fine }]).is_ok()
    );
}

#[test]
fn one_component_is_a_student_through_its_transform() {
    let p = one(Transform::Ln, 3.0, 0.4, 20.0);
    let t = student_quantile(0.975, 20.0);
    let i = p.interval(0.95).unwrap();
    same(i.low, (3.0 - 0.4 * t).exp(), 1e-14);
    same(i.median, 3f64.exp(), 1e-14);
    same(i.high, (3.0 + 0.4 * t).exp(), 1e-14);
    assert_eq!(i.level, 0.95);
    same(p.quantile(0.2).unwrap(), (3.0 + 0.4 * student_quantile(0.2, 20.0)).exp(), 1e-14);
    same(p.quantile_upper(1e-12).unwrap(), (3.0 - 0.4 * student_quantile(1e-12, 20.0)).exp(), 1e-14);
    same(p.cdf(10.0), student_cdf((10f64.ln() - 3.0) / 0.4, 20.0), 1e-14);
    assert_eq!((p.cdf(0.0), p.sf(0.0), p.cdf(-1.0)), (0.0, 1.0, 0.0), "no size is below zero");
    assert!(p.cdf(f64::NAN).is_nan() && p.sf(f64::NAN).is_nan());
    assert_eq!((p.cdf(f64::INFINITY), p.sf(f64::INFINITY)), (1.0, 0.0));
    assert_eq!(
        (p.ln_pdf(0.0), p.ln_pdf(-2.0), p.ln_pdf(f64::INFINITY)),
        (f64::NEG_INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY)
    );
    // one over ten powers: the same law of log10
    let log10 = one(Transform::Log10, 1.0, 0.2, f64::INFINITY);
    same(log10.quantile(0.9).unwrap(), 10f64.powf(1.0 + 0.2 * normal_quantile(0.9)), 1e-13);
    let below = one(Transform::Identity, -5.0, 1.0, f64::INFINITY);
    same(below.cdf(-6.0), normal_cdf(-1.0), 1e-14);
    assert!(below.ln_pdf(-6.0).is_finite() && below.atom_at_zero() == 0.0);
}

#[test]
fn a_cube_root_has_an_atom_at_nothing() {
    let p = one(Transform::CubeRoot, 1.0, 1.0, f64::INFINITY);
    same(p.atom_at_zero(), normal_cdf(-1.0), 1e-14);
    same(p.cdf(0.0), normal_cdf(-1.0), 1e-14);
    same(p.sf(0.0), normal_cdf(1.0), 1e-14);
    assert_eq!(p.cdf(-1e-9), 0.0, "nothing weighs less than nothing");
    same(p.cdf(8.0), normal_cdf(1.0), 1e-14);
    assert_eq!(p.interval(0.95).unwrap().low, 0.0);
    assert_eq!(one(Transform::Ln, 0.0, 1.0, 5.0).atom_at_zero(), 0.0);
}

#[test]
fn a_mixture_is_the_weighted_sum() {
    for transform in ALL {
        let p = mixed(transform);
        let size = transform.invert(1.7);
        let (a, b) = (student_cdf(0.7 / 0.3, 7.0), normal_cdf(-0.3 / 0.5));
        same(p.cdf(size), 0.25 * a + 0.75 * b, 1e-13);
        same(p.sf(size), 1.0 - (0.25 * a + 0.75 * b), 1e-13);
        for q in [1e-9, 0.01, 0.3, 0.5, 0.8, 0.999] {
            let x = p.quantile(q).unwrap();
            if transform == Transform::CubeRoot && x == 0.0 {
                assert!(q < p.atom_at_zero() && p.cdf(x) >= q);
                continue;
            }
            same(p.cdf(x), q, 1e-11);
            let x = p.quantile_upper(q).unwrap();
            if x != 0.0 {
                same(p.sf(x), q, 1e-11);
            }
        }
        let i = p.interval(0.8).unwrap();
        same(i.low, p.quantile(0.1).unwrap(), 1e-12);
        same(i.median, p.median(), 0.0);
        same(i.high, p.quantile_upper(0.1).unwrap(), 1e-12);
        let mut known = Quantiles::default();
        assert_eq!(p.interval_with(0.8, &mut known).unwrap(), i);
    }
}

#[test]
fn remembered_quantiles_change_nothing() {
    let mut known = Quantiles::default();
    for round in 0..3 {
        for k in 0..40 {
            let p = one(Transform::Ln, 1.0, 0.5, 3.0 + f64::from(k));
            for level in [0.5, 0.95] {
                let (with, without) =
                    (p.interval_with(level, &mut known).unwrap(), p.interval(level).unwrap());
                assert_eq!(with, without, "round {round}, {k}, {level}");
            }
        }
    }
    assert!(one(Transform::Ln, 1.0, 0.5, 3.0).interval_with(1.0, &mut known).is_err());
}

/// Simpson's rule.
fn integral(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let n = 4000;
    let h = (high - low) / f64::from(n);
    let weight = |k: i32| {
        if k == 0 || k == n {
            1.0
        } else if k % 2 == 1 {
            4.0
        } else {
            2.0
        }
    };
    (0..=n).map(|k| weight(k) * f(low + h * f64::from(k))).sum::<f64>() * h / 3.0
}

#[test]
fn the_density_is_the_derivative_of_the_probability() {
    for transform in ALL {
        for p in [mixed(transform), one(transform, 1.5, 0.2, 4.0)] {
            let (low, high) = (transform.invert(1.2), transform.invert(2.3));
            same(integral(|s| p.ln_pdf(s).exp(), low, high), p.cdf(high) - p.cdf(low), 1e-9);
            same(integral(|v| p.ln_pdf_transformed(v).exp(), 1.2, 2.3), p.cdf(high) - p.cdf(low), 1e-9);
        }
    }
    // so far out that every density of a normal has vanished, its logarithm has not
    let p = one(Transform::Identity, 0.0, 1.0, f64::INFINITY);
    same(p.ln_pdf(100.0), -5000.0 - 0.5 * (2.0 * std::f64::consts::PI).ln(), 1e-14);
    same(
        mixed(Transform::Identity).ln_pdf(60.0),
        {
            let z: f64 = 59.0 / 0.3;
            // far out the seven degrees of freedom rule: gamma(4) / (gamma(3.5) sqrt(7 pi)) (1 + z²/7)^-4 / 0.3
            let gamma = 6.0 / 3.323_350_970_447_842_6;
            (0.25 * gamma / (7.0 * std::f64::consts::PI).sqrt() / 0.3).ln() - 4.0 * (z * z / 7.0).ln_1p()
        },
        1e-12,
    );
}

#[test]
fn means_under_normal_errors_have_their_closed_forms() {
    let mean = |t: Transform| one(t, 1.2, 0.5, f64::INFINITY).mean_under_normal_errors().unwrap();
    same(mean(Transform::Identity), 1.2, 1e-15);
    same(mean(Transform::Ln), (1.2f64 + 0.125).exp(), 1e-14);
    let k = std::f64::consts::LN_10;
    same(mean(Transform::Log10), (k * 1.2 + 0.5 * k * k * 0.25).exp(), 1e-14);
    same(mean(Transform::CubeRoot), 1.728 + 3.0 * 1.2 * 0.25, 1e-14);
    same(mixed(Transform::Identity).mean_under_normal_errors().unwrap(), 0.25 + 1.5, 1e-14);
    assert_eq!(one(Transform::Identity, 1.0, 1.0, 1.0).mean_under_normal_errors(), None);
    assert_eq!(one(Transform::Identity, 1.0, 1.0, 1.5).mean_under_normal_errors(), Some(1.0));
    assert_eq!(one(Transform::Ln, 800.0, 1.0, 5.0).mean_under_normal_errors(), None, "beyond the doubles");
}

#[test]
fn draws_follow_the_distribution() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    for p in [
        mixed(Transform::Ln),
        one(Transform::CubeRoot, 1.0, 0.5, 4.0),
        one(Transform::Identity, 2.0, 1.0, 1e12),
    ] {
        let n = 4000;
        let mut draws: Vec<f64> = (0..n).map(|_| p.sample(&mut rng)).collect();
        draws.sort_by(f64::total_cmp);
        // no draw is nothing but under a cube root, and there about as many as lie in the atom
        let none = draws.iter().filter(|x| **x == 0.0).count();
        let expected = p.atom_at_zero() * f64::from(n);
        assert!(
            (none as f64 - expected).abs() <= 4.0 * expected.sqrt(),
            "{none} of nothing, {expected} expected"
        );
        // Kolmogorov's distance, 1.95 / sqrt(n) being passed once in a thousand
        let far = draws
            .iter()
            .enumerate()
            .filter(|(_, x)| **x != 0.0)
            .map(|(i, x)| (p.cdf(*x) - (i as f64 + 0.5) / f64::from(n)).abs())
            .fold(0.0, f64::max);
        assert!(far < 1.95 / f64::from(n).sqrt(), "{far}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, rng_seed: proptest::test_runner::RngSeed::Fixed(8), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn quantiles_rise_and_invert(locations in prop::collection::vec(-3.0..3.0f64, 1..4), scale in 0.05..2.0f64,
                                 df in 1.0..50.0f64, p in 1e-6..0.999_999f64, more in 1e-3..1.0f64, kind in 0..3usize) {
        let parts = locations.iter().enumerate()
            .map(|(i, m)| Component { weight: 1.0 + i as f64, location: *m, scale, degrees_of_freedom: df }).collect();
        let d = Predictive::new(ALL[kind], parts).unwrap();
        let x = d.quantile(p).unwrap();
        if x.is_finite() && x.abs() > 1e-300 {
            prop_assert!((d.cdf(x) / p - 1.0).abs() < 1e-8, "{} {}", d.cdf(x), p);
            prop_assert!((d.sf(x) / (1.0 - p) - 1.0).abs() < 1e-4);
        }
        let higher = p + (1.0 - p) * 0.5 * more;
        prop_assert!(d.quantile(higher).unwrap() >= x);
        let (narrow, wide) = (d.interval(0.5).unwrap(), d.interval(0.9).unwrap());
        prop_assert!(wide.low <= narrow.low && narrow.low <= narrow.median && narrow.median <= narrow.high && narrow.high <= wide.high);
    }
}
