//! The sizes of one flake together: margins, conditioning and densities against closed forms and draws.

use crate::calibration::bundled;
use crate::flake::Termination;
use crate::form::Transform;
use crate::predict::{Ask, Component, Estimate, Joint, Predictive, Predictor, SizeEstimate};
use crate::strike::Strike;
use approx::assert_relative_eq;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

fn size(name: &str, components: Vec<Component>) -> SizeEstimate {
    SizeEstimate {
        size: name.into(),
        column: name.into(),
        predictive: Predictive::new(Transform::Ln, components).unwrap(),
        flakes: 30,
    }
}

fn part(weight: f64, location: f64, scale: f64, degrees_of_freedom: f64) -> Component {
    Component { weight, location, scale, degrees_of_freedom }
}

fn estimate(sizes: Vec<SizeEstimate>, r: f64) -> Estimate {
    Estimate {
        kept: None,
        sizes,
        calibration: "test".into(),
        variant: "test".into(),
        form: "test".into(),
        flakes: 30,
        terminations: vec![],
        residual_correlation: vec![vec![1.0, r], vec![r, 1.0]].into(),
        cautions: vec![],
        endings: vec![],
    }
}

#[test]
fn normal_sizes_condition_as_a_bivariate_normal_does() {
    let inf = f64::INFINITY;
    let e = estimate(
        vec![
            size("length_mm", vec![part(1.0, 3.8, 0.3, inf)]),
            size("mass_g", vec![part(1.0, 2.7, 0.8, inf)]),
        ],
        0.7,
    );
    let given = Joint::new(&e).unwrap().given("length_mm", 70.0).unwrap();
    let i = given.size("mass_g").unwrap().interval(0.95).unwrap();
    // closed form: mean 2.7 + 0.7 * 0.8 * (ln 70 - 3.8) / 0.3, sd 0.8 * sqrt(1 - 0.49)
    let mean = 2.7 + 0.7 * 0.8 * (70f64.ln() - 3.8) / 0.3;
    let sd = 0.8 * 0.51f64.sqrt();
    let z = 1.959_963_984_540_054;
    assert_relative_eq!(i.median.ln(), mean, max_relative = 1e-12);
    assert_relative_eq!(i.low.ln(), mean - z * sd, max_relative = 1e-12);
    assert_relative_eq!(i.high.ln(), mean + z * sd, max_relative = 1e-12);
}

#[test]
fn joint_density_is_the_margin_times_the_conditional() {
    let e = estimate(
        vec![
            size("length_mm", vec![part(0.7, 3.8, 0.3, 5.0), part(0.3, 4.4, 0.2, 9.0)]),
            size("mass_g", vec![part(0.7, 2.7, 0.8, 7.0), part(0.3, 3.9, 0.5, 12.0)]),
        ],
        0.6,
    );
    let joint = Joint::new(&e).unwrap();
    let alone = joint.ln_density(&[("length_mm", 60.0)]).unwrap();
    assert_relative_eq!(alone, e.size("length_mm").unwrap().ln_pdf(60.0), max_relative = 1e-12);
    let given = joint.given("length_mm", 60.0).unwrap();
    let mass = given.size("mass_g").unwrap();
    for m in [4.0, 15.0, 60.0] {
        let h = m * 1e-5;
        let slope = (mass.cdf(m + h) - mass.cdf(m - h)) / (2.0 * h);
        let both = joint.ln_density(&[("length_mm", 60.0), ("mass_g", m)]).unwrap();
        assert_relative_eq!(both, alone + slope.ln(), max_relative = 1e-6);
    }
    for p in [0.001, 0.2, 0.5, 0.9, 0.999] {
        assert_relative_eq!(mass.cdf(mass.quantile(p).unwrap()), p, max_relative = 1e-10);
    }
}

#[test]
fn draws_keep_the_margins_and_the_correlation() {
    let e = estimate(
        vec![
            size("length_mm", vec![part(1.0, 3.8, 0.3, 4.0)]),
            size("mass_g", vec![part(1.0, 2.7, 0.8, 30.0)]),
        ],
        0.7,
    );
    let joint = Joint::new(&e).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let n = 20_000;
    let draws: Vec<Vec<f64>> = (0..n).map(|_| joint.sample(&mut rng)).collect();
    for (j, name) in ["length_mm", "mass_g"].iter().enumerate() {
        let p = e.size(name).unwrap();
        for q in [0.05, 0.5, 0.95] {
            let below = draws.iter().filter(|d| d[j] <= p.quantile(q).unwrap()).count() as f64 / n as f64;
            assert!((below - q).abs() < 4.0 * (q * (1.0 - q) / n as f64).sqrt(), "{name} {q}: {below}");
        }
    }
    // Kendall's tau of a Gaussian copula is 2/pi asin r, whatever the margins
    let pairs = 4000;
    let concordant = (0..pairs)
        .filter(|i| {
            let (a, b) = (&draws[2 * i], &draws[2 * i + 1]);
            (a[0] - b[0]) * (a[1] - b[1]) > 0.0
        })
        .count() as f64
        / pairs as f64;
    let tau = 2.0 * concordant - 1.0;
    let expected = 2.0 / std::f64::consts::PI * 0.7f64.asin();
    assert!((tau - expected).abs() < 4.0 / (pairs as f64).sqrt(), "{tau} {expected}");
}

#[test]
fn what_is_not_there_is_named() {
    let e = estimate(
        vec![
            size("length_mm", vec![part(1.0, 3.8, 0.3, 4.0)]),
            size("mass_g", vec![part(1.0, 2.7, 0.8, 30.0)]),
        ],
        0.7,
    );
    let joint = Joint::new(&e).unwrap();
    assert!(joint.given("width_mm", 10.0).unwrap_err().to_string().contains("\"width_mm\" is not known"));
    assert!(joint.given("length_mm", 0.0).unwrap_err().to_string().contains("above 0"));
    assert!(joint.ln_density(&[]).is_err());
    assert!(joint.ln_density(&[("mass_g", 1.0), ("mass_g", 2.0)]).is_err());
}

/// Sizes that differ by termination are drawn with the termination they belong to, in the shares that the estimate tells.
#[test]
fn a_drawn_flake_has_the_termination_that_its_sizes_belong_to() {
    let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build().unwrap();
    let n = 4000;
    for name in bundled::NAMES {
        let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
        let e = predictor.estimate(&strike, &Ask::default()).unwrap();
        let joint = Joint::new(&e).unwrap();
        let mut rng = ChaCha8Rng::seed_from_u64(23);
        let drawn: Vec<_> = (0..n).map(|_| joint.draw(&mut rng)).collect();
        for (termination, t) in &e.terminations {
            let share = drawn.iter().filter(|d| d.termination.as_ref() == Some(termination)).count() as f64
                / n as f64;
            // four standard errors of a binomial share
            let most = 4.0 * (t.value * (1.0 - t.value) / n as f64).sqrt();
            assert!((share - t.value).abs() <= most, "{name} {termination}: {share} {}", t.value);
        }
        // given a termination, every draw has it, and masses lie about as that estimate says
        let ask = Ask { termination: Some(Termination::Hinge), ..Ask::default() };
        let hinged = predictor.estimate(&strike, &ask).unwrap();
        let median = hinged.size("mass_g").unwrap().median();
        if hinged.endings.iter().all(|t| t.as_deref() == Some("hinge")) {
            let of = |d: &&crate::predict::DrawnFlake| d.termination.as_deref() == Some("hinge");
            let masses: Vec<f64> = drawn.iter().filter(of).map(|d| d.size("mass_g").unwrap()).collect();
            let below = masses.iter().filter(|m| **m < median).count() as f64 / masses.len() as f64;
            let most = 4.0 * (0.25 / masses.len() as f64).sqrt();
            assert!((below - 0.5).abs() < most, "{name}: {below} of {}", masses.len());
        }
    }
}
