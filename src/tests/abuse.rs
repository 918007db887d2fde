//! Wild numbers through every public door: nothing panics, and no answer is not-a-number without an error.
//!
//! Numbers come from the whole range of doubles (not-a-number, infinities, subnormals, 1e-300 to 1e300) and from
//! everyday magnitudes, so that both the doors and what lies behind them are reached. Findings of the fuzz
//! targets (`tests/fuzz/`) stay here as ordinary tests, below the properties.

use crate::calibration::{Calibration, bundled};
use crate::fit::multinomial::{self, Outcomes, Penalty};
use crate::fit::shrunken::{SharedRows, Shrunken, Tails};
use crate::fit::{Design, known_group, linear};
use crate::flake::{Flake, Termination};
use crate::form::{self, Form, Layout, Transform};
use crate::infer::{Assemblage, Drawing};
use crate::infer::{Comparison, Resampling};
use crate::infer::{Held, Mesh, size_grades, struck};
use crate::infer::{Remains, original};
use crate::material::{PercussorMaterial, Stone};
use crate::mechanics::blow::strike_mechanics;
use crate::mechanics::chipping;
use crate::mechanics::contact::{Contact, Elastic};
use crate::mechanics::impact::{self, effective_mass_kg};
use crate::mechanics::tests::setup;
use crate::plan::{
    Aim, Allocation, Candidates, Cores, Exchange, Factor, Information, choose, continuous_optimum,
    expected_width, noncentral_student_sf, power,
};
use crate::predict::Batch;
use crate::predict::MeasurementErrors;
use crate::predict::side_by_side;
use crate::predict::{Ask, Component, Interval, Joint, Predictive, Predictor};
use crate::predict::{BlowAsKnown, BlowFigures};
use crate::special::*;
use crate::strike::{LandsOn, Measured, Strike, StrikeBuilder};
use crate::{assess, vector};
use nalgebra::{DMatrix, DVector};
use proptest::collection::vec as many;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::sync::OnceLock;

/// So many cases, the same on every run; `CONCHOID_ABUSE_SEED` throws others.
fn fixed(cases: u32) -> ProptestConfig {
    let seed = std::env::var("CONCHOID_ABUSE_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(8);
    ProptestConfig {
        cases,
        rng_seed: proptest::test_runner::RngSeed::Fixed(seed),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

/// Any double at all, with the awkward ones often, magnitudes evenly over 600 powers of ten, and everyday numbers.
fn wild() -> impl Strategy<Value = f64> {
    prop_oneof![
        2 => any::<f64>(),
        2 => (-300.0..300.0f64, any::<bool>()).prop_map(|(e, minus)| if minus { -(10f64.powf(e)) } else { 10f64.powf(e) }),
        1 => prop_oneof![
            Just(0.0), Just(-0.0), Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY),
            Just(f64::MIN_POSITIVE), Just(5e-324), Just(f64::MAX), Just(f64::MIN), Just(1.0), Just(90.0), Just(180.0),
        ],
        5 => everyday(),
    ]
}

fn everyday() -> impl Strategy<Value = f64> {
    prop_oneof![0.001..1.0f64, 1.0..200.0f64, -90.0..90.0f64]
}

/// Numbers that are numbers, of any size.
fn finite() -> impl Strategy<Value = f64> {
    wild().prop_filter("finite", |v| v.is_finite())
}

/// Finite numbers above 0.
fn positive() -> impl Strategy<Value = f64> {
    prop_oneof![(-300.0..300.0f64).prop_map(|e| 10f64.powf(e)), 0.001..200.0f64, Just(5e-324), Just(f64::MAX)]
}

fn probability() -> impl Strategy<Value = f64> {
    prop_oneof![0.0..=1.0f64, Just(5e-324), Just(1e-300), Just(1.0 - f64::EPSILON / 2.0), Just(0.5)]
}

fn number(what: &str, v: f64) {
    assert!(!v.is_nan(), "{what} is not a number");
}

/// An answer is an error with a sentence, or a number.
fn answer(what: &str, found: crate::Result<f64>) {
    match found {
        Ok(v) => number(what, v),
        Err(e) => assert!(!e.to_string().is_empty()),
    }
}

fn ordered(what: &str, i: &Interval) {
    assert!(i.low <= i.median && i.median <= i.high, "{what}: {i:?}");
}

fn predictors() -> &'static [Predictor] {
    static ALL: OnceLock<Vec<Predictor>> = OnceLock::new();
    ALL.get_or_init(|| {
        bundled::NAMES.iter().map(|n| Predictor::new(bundled::named(n).unwrap()).unwrap()).collect()
    })
}

prop_compose! {
    fn any_platform()(depth in prop::option::weighted(0.9, wild()), width in prop::option::of(wild()),
                  area in prop::option::of(wild()), angle in prop::option::weighted(0.9, wild()))
                  -> StrikeBuilder {
        Strike::builder().platform_depth_mm(depth).platform_width_mm(width).platform_area_mm2(area).exterior_platform_angle_deg(angle)
    }
}

fn any_strike() -> impl Strategy<Value = crate::Result<Strike>> {
    let names = prop_oneof![
        Just("antler"),
        Just("steel"),
        Just("quartzite"),
        Just("stone"),
        Just("cheese"),
        Just("")
    ];
    let stone = prop_oneof![Just("flint"), Just("glass"), Just("chalk")];
    (
        any_platform(),
        prop::option::of(wild()),
        prop::option::of(wild()),
        prop::option::of(any::<bool>()),
        prop::option::of(names),
        prop::option::of(stone),
        prop::option::of(wild()),
    )
        .prop_map(|(platform, angle, speed, edge, percussor, stone, mass)| {
            platform
                .angle_of_blow_deg(angle)
                .speed_m_s(speed)
                .blow_lands_on(edge.map(|e| if e { LandsOn::Edge } else { LandsOn::Platform }))
                .percussor(percussor)
                .stone(stone)
                .percussor_mass_g(mass)
                .build()
        })
}

/// A strike within the doors, so that every run estimates.
fn fair_strike() -> impl Strategy<Value = Strike> {
    let depth =
        prop_oneof![0.5..20.0f64, (-300.0..3.0f64).prop_map(|e| 10f64.powf(e)), Just(5e-324), Just(1000.0)];
    let angle = prop_oneof![40.0..100.0f64, 1e-300..180.0f64, Just(5e-324), Just(90.0), Just(179.999_999)];
    (depth, angle, prop::option::of(-90.0..90.0f64), prop::option::of(any::<bool>())).prop_filter_map(
        "within the doors",
        |(depth, angle, blow, edge)| {
            Strike::builder()
                .platform_depth_mm(depth)
                .platform_width_mm(depth)
                .platform_area_mm2(depth)
                .exterior_platform_angle_deg(angle)
                .angle_of_blow_deg(blow)
                .blow_lands_on(edge.map(|e| if e { LandsOn::Edge } else { LandsOn::Platform }))
                .build()
                .ok()
        },
    )
}

fn terminations() -> impl Strategy<Value = Option<Termination>> {
    prop::option::of(prop_oneof![
        Just(Termination::Feather),
        Just(Termination::Hinge),
        Just(Termination::Step),
        Just(Termination::Overshot)
    ])
}

fn asking(termination: Option<Termination>) -> Ask {
    Ask { termination, ..Ask::default() }
}

fn judge(e: &crate::predict::Estimate, level: f64) {
    for s in &e.sizes {
        if let Ok(i) = s.predictive.interval(level) {
            ordered(&s.size, &i);
            assert!(i.low >= 0.0, "{} {i:?}", s.size);
            for p in [s.predictive.cdf(i.low), s.predictive.sf(i.high), s.predictive.atom_at_zero()] {
                assert!((0.0..=1.0).contains(&p), "{} {p}", s.size);
            }
        }
        if let Some(mean) = s.predictive.mean_under_normal_errors() {
            number("mean", mean);
        }
    }
    for (_, t) in &e.terminations {
        assert!(0.0 <= t.low && t.low <= t.value && t.value <= t.high && t.high <= 1.0, "{t:?}");
    }
    for c in &e.cautions {
        assert!(!c.to_string().contains("NaN"), "{c}");
    }
}

proptest! {
    #![proptest_config(fixed(256))]

    #[test]
    fn strikes_and_flakes_hold_only_numbers(strike in any_strike(), sizes in [wild(), wild(), wild(), wild(), wild()]) {
        let Ok(strike) = strike else { return Ok(()) };
        for name in ["platform_depth_mm", "platform_width_mm", "platform_area_mm2", "exterior_platform_angle_deg",
                     "percussor_mass_g", "angle_of_blow_deg", "speed_m_s"] {
            prop_assert!(strike.number(name).is_none_or(f64::is_finite), "{name}");
        }
        let flake = Flake::builder().strike(strike).length_mm(sizes[0]).width_mm(sizes[1]).thickness_mm(sizes[2])
            .mass_g(sizes[3]).mass_now_g(sizes[4]).build();
        if let Ok(f) = flake {
            let text = serde_json::to_string(&f).unwrap();
            prop_assert_eq!(&serde_json::from_str::<Flake>(&text).unwrap(), &f);
            prop_assert!(["length_mm", "width_mm", "mass_g"].map(|n| f.number(n)).iter().flatten().all(|v| *v > 0.0 && v.is_finite()));
        }
    }

    #[test]
    fn materials_hold_only_ordered_ranges(v in [wild(), wild(), wild(), wild(), wild(), wild()]) {
        let stone = || Stone::named("flint").unwrap();
        let given = stone().with_density_kg_m3(v[0]).and_then(|s| s.with_youngs_modulus_pa((v[1], v[2], v[3])))
            .and_then(|s| s.with_poisson_ratio(v[4])).and_then(|s| s.with_toughness_pa_sqrt_m(v[5]));
        for s in [given, stone().with_toughness_pa_sqrt_m(v[5]), stone().with_youngs_modulus_pa((v[1], v[2], v[3]))].iter().flatten() {
            prop_assert!(s.youngs_modulus_pa().low() <= s.youngs_modulus_pa().typical());
            prop_assert!(s.toughness_pa_sqrt_m().log_sd().is_finite());
        }
        let antler = || PercussorMaterial::named("antler").unwrap();
        for m in [antler().with_youngs_modulus_pa((v[1], v[2], v[3])), antler().with_yield_strength_pa(v[5])].iter().flatten() {
            prop_assert!(m.youngs_modulus_pa().typical().is_finite());
        }
    }

    #[test]
    fn mechanics_answers_with_numbers(v in many(wild(), 6), s in many(positive(), 3)) {
        answer("edge force", chipping::edge_force_n(v[0], v[1], v[2]));
        if let Ok(f) = chipping::glass_angle_factor(v[0], v[1]) {
            prop_assert!(!format!("{f:?}").contains("NaN"), "{f:?}");
        }
        answer("mass", effective_mass_kg(v[0], Some(v[1])));
        if let Ok(c) = Contact::new(Elastic::new(7e10, 0.3), Elastic::new(75e9, 0.2), s[2]) {
            let p = c.pressed(s[0].min(1e9));
            prop_assert!(!format!("{p:?}").contains("NaN"), "{p:?}");
        }
    }

    #[test]
    fn blows_answer_with_numbers(v in many(wild(), 6), p in many(positive(), 4), level in wild()) {
        let mut setup = setup("flint", "quartzite", (400.0, 20.0), 5.0, 8.0, 75.0);
        setup.speed_m_s = v[0];
        setup.depth_m = p[0];
        setup.exterior_platform_angle_deg = v[1];
        setup.angle_of_blow_deg = v[2];
        setup.core_mass_kg = Some(p[1]);
        setup.tip_radius_m = p[2];
        if let Ok(b) = strike_mechanics(&setup) {
            prop_assert!(!format!("{b:?}").contains("NaN"), "{setup:?} {b:?}");
        }
        let mut figures = BlowFigures::new(p[3], (p[2], v[3], v[4]), v[0], (8.0, 4.0, 12.0), v[1]);
        figures.angle_of_blow_deg = v[2];
        figures.restitution = v[5];
        for figures in [figures, BlowFigures::new(400.0, 20.0, (p[0], p[0] * 0.5, p[0] * 2.0), p[1], v[1])] {
            let steel = PercussorMaterial::named("steel").unwrap();
            if let Ok(b) = BlowAsKnown::new(Stone::named("obsidian").unwrap(), steel, figures)
                && let Ok(e) = b.estimate(level) {
                prop_assert!(!format!("{e:?}").contains("NaN"), "{e:?}");
                prop_assert!(e.detachment_probability.low <= e.detachment_probability.high);
            }
        }
    }

    #[test]
    fn normals_and_students_are_probabilities(x in wild(), df in positive(), p in probability(), scale in positive()) {
        for (what, v) in [("cdf", normal_cdf(x)), ("sf", normal_sf(x)), ("t cdf", student_cdf(x, df)), ("t sf", student_sf(x, df))] {
            if x.is_nan() {
                prop_assert!(v.is_nan(), "{what}");
            } else {
                prop_assert!((0.0..=1.0).contains(&v), "{what} {x} {df}: {v}");
            }
        }
        if !x.is_nan() {
            number("ln pdf", normal_ln_pdf(x));
            number("t ln pdf", student_ln_pdf(x, df));
        }
        for v in [normal_quantile(p), normal_quantile_upper(p), student_quantile(p, df), student_quantile_upper(p, df)] {
            number("quantile", v);
        }
        prop_assert!(student_quantile_upper(p, df) == -student_quantile(p, df));
        if x.is_finite() && x.abs() < 1e150 && scale < 1e150 {
            number("crps", crps_normal(x, 0.0, scale));
        }
        let t = noncentral_student_sf(x, df, 3.0);
        prop_assert!(x.is_nan() || (0.0..=1.0 + 1e-12).contains(&t), "{x} {df} {t}");
    }

    #[test]
    fn chi_squared_tails_are_probabilities(x in wild(), df in 1e-6..1e10f64) {
        if !x.is_nan() {
            for v in [chi_squared_cdf(x, df), chi_squared_sf(x, df)] {
                prop_assert!((0.0..=1.0).contains(&v), "{x} {df}: {v}");
            }
        }
    }

    #[test]
    fn columns_of_logarithms_and_exponentials(x in many(wild(), 0..9)) {
        let mut out = vec![0.0; x.len()];
        vector::ln_into(&x, &mut out);
        for (x, y) in x.iter().zip(&out) {
            prop_assert_eq!(y.is_nan(), !(*x >= 0.0) || (*x == 0.0 && y.is_nan()), "ln {} = {}", x, y);
        }
        vector::exp_into(&x, &mut out);
        for (x, y) in x.iter().zip(&out) {
            prop_assert!(x.is_nan() == y.is_nan() && !(*y < 0.0), "exp {x} = {y}");
        }
    }

    #[test]
    fn predictives_of_any_components(w in many(positive(), 1..4), m in many(finite(), 3), s in many(positive(), 3),
                                     df in many(positive(), 3), level in wild(), size in wild(), kind in 0..4usize) {
        let transform = [Transform::Identity, Transform::Ln, Transform::Log10, Transform::CubeRoot][kind];
        let components = w.iter().zip(&m).zip(s.iter().zip(&df))
            .map(|((w, m), (s, d))| Component { weight: *w, location: *m, scale: *s, degrees_of_freedom: *d }).collect();
        let Ok(p) = Predictive::new(transform, components) else { return Ok(()) };
        if let Ok(i) = p.interval(level) {
            prop_assert!(i.low <= i.median && i.median <= i.high, "{i:?} of {p:?}");
        }
        if !size.is_nan() {
            let (below, above) = (p.cdf(size), p.sf(size));
            prop_assert!((0.0..=1.0).contains(&below) && (0.0..=1.0).contains(&above), "{size}: {below} {above} {p:?}");
            number("density", p.ln_pdf(size));
        }
        number("draw", p.sample(&mut ChaCha8Rng::seed_from_u64(1)));
        if let Ok(score) = assess::Score::of(&p, size) {
            prop_assert!(size.is_finite(), "{score:?}");
        }
    }
}

proptest! {
    #![proptest_config(fixed(64))]

    #[test]
    fn estimates_are_ordered(strike in any_strike(), fair in fair_strike(), termination in terminations(), level in wild(),
                             which in 0..3usize) {
        let predictor = &predictors()[which];
        let ask = asking(termination);
        for strike in strike.into_iter().chain([fair]) {
            for level in [level, 0.95, 1e-300, 1.0 - f64::EPSILON / 2.0] {
                if let Ok(e) = predictor.estimate(&strike, &ask) {
                    judge(&e, level);
                }
            }
        }
    }

    #[test]
    fn estimates_with_a_known_size_are_ordered(strike in fair_strike(), value in wild(), place in 0..4usize, which in 0..3usize) {
        let Ok(e) = predictors()[which].estimate(&strike, &Ask::default()) else { return Ok(()) };
        let Ok(joint) = Joint::new(&e) else { return Ok(()) };
        let name = e.sizes[place % e.sizes.len()].size.clone();
        if let Ok(ln) = joint.ln_density(&[(&name, value)]) {
            number("density", ln);
        }
        if let Ok(given) = joint.given(&name, value) {
            for (other, c) in given.sizes() {
                let i = c.interval(0.9).unwrap();
                prop_assert!(i.low <= i.median && i.median <= i.high, "{other} given {name} = {value}: {i:?} {strike:?}");
                prop_assert!((0.0..=1.0).contains(&c.cdf(10.0)));
            }
        }
        prop_assert!(joint.sample(&mut ChaCha8Rng::seed_from_u64(2)).iter().all(|v| !v.is_nan()));
    }

    #[test]
    fn quick_and_batch_answers_are_never_nan_without_an_error(x in many(wild(), 12), level in wild(), which in 0..3usize) {
        let predictor = &predictors()[which];
        let calibration = predictor.calibration();
        let layout = calibration.layout();
        for variant in calibration.variants() {
            for level in [level, 0.95] {
                let Ok(quick) = predictor.quick(&variant.name, level) else { continue };
                let mut row: Vec<f64> = (0..layout.len()).map(|i| x[i % x.len()]).collect();
                for (i, v) in row.iter_mut().enumerate() {
                    if layout.class_at(i).is_some() {
                        *v = v.abs().min(3.0).floor();
                    }
                }
                let mut out = vec![Interval { low: 0.0, median: 0.0, high: 0.0, level }; variant.sizes.len()];
                if quick.intervals(&row, &mut out).is_ok() {
                    for i in &out {
                        prop_assert!(i.low <= i.median && i.median <= i.high, "{i:?} {row:?} {}", variant.name);
                    }
                }
                let batch = Batch::new(&variant.sizes[0], layout, level).unwrap();
                let columns: Vec<[f64; 2]> = row.iter().map(|v| [*v, *v]).collect();
                let columns: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
                let (mut low, mut median, mut high) = ([0.0; 2], [0.0; 2], [0.0; 2]);
                let spaces = [&mut low[..], &mut median, &mut high];
                let answered = batch.fill(&columns, spaces).unwrap();
                prop_assert!(answered == 0 || answered == 2);
                for k in 0..2 {
                    let all_numbers = low[k] <= median[k] && median[k] <= high[k];
                    prop_assert!(all_numbers == (answered == 2) || low[k].is_nan(), "{answered} {low:?} {median:?} {high:?}");
                }
            }
        }
    }

    #[test]
    fn assemblages_add_up(strikes in many(any_strike(), 1..5), fair in fair_strike(), seed in any::<u64>(), held in many(wild(), 1..5),
                          mesh in many(wild(), 1..4), level in wild(), sides in wild()) {
        let predictor = &predictors()[1];
        let mut bag = Assemblage::new(predictor, Default::default()).unwrap();
        for s in strikes.iter().flatten().chain([&fair]) {
            let _ = bag.offer("trench", s);
        }
        let drawing = Drawing::seeded(seed).draws(100).unwrap();
        for g in bag.totals(&drawing).unwrap() {
            prop_assert!(!format!("{g:?}").contains("NaN"), "{g:?}");
        }
        prop_assert!(Drawing::seeded(seed).level(level).is_ok() == (level > 0.0 && level < 1.0));
        if let Ok(s) = struck(&held, level) {
            prop_assert!(s.low <= s.estimate && s.estimate <= s.high, "{s:?}");
        }
        let width = predictor.estimate(&fair, &Ask::default()).ok().and_then(|e| e.size("width_mm").cloned());
        let meshes: Vec<Mesh> = mesh.iter().filter_map(|m| Mesh::mm(*m).ok()).collect();
        if let Some(width) = width {
            for held in [Held::WiderThanSides(1.0), Held::WiderThanSides(std::f64::consts::SQRT_2), Held::AnyTurn, Held::WiderThanSides(sides)] {
                if let Ok(grades) = size_grades(std::slice::from_ref(&width), &meshes, held) {
                    let sum: f64 = grades.iter().map(|g| g.expected).sum();
                    prop_assert!((sum - 1.0).abs() < 1e-9, "{grades:?}");
                }
            }
        }
    }

    #[test]
    fn comparisons_answer_with_numbers(a in many(wild(), 0..9), b in many(positive(), 5..9), fair in many(positive(), 5..9)) {
        let how = Resampling::seeded(1).resamples(99).or_else(|_| Resampling::seeded(1).resamples(199)).unwrap();
        for a in [&a, &fair] {
            if let Ok(c) = Comparison::new(a, &b, &how) {
                prop_assert!(!format!("{c:?}").contains("NaN"), "{c:?} {a:?} {b:?}");
            }
        }
    }

    #[test]
    fn plans_answer_with_numbers(v in many(wild(), 6), values in many(finite(), 1..5), n in 0..9usize, m in 0..4usize) {
        answer("power", power(v[0], v[1], v[2], v[3], v[4]));
        answer("power", power(v[0], v[1].abs(), v[2].abs(), v[3].abs() + 1.0, 0.05));
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if let Ok(cores) = Cores::new(v[1].abs(), v[2].abs(), m) {
            for a in [Allocation::WithinCores, Allocation::ByCore] {
                answer("power of cores", cores.power(v[0], v[3].abs(), n, m, a, 0.05));
            }
        }
        let _ = Factor::steps("platform_depth_mm", v[0], v[1], v[2]);
        let depth = Factor::steps("platform_depth_mm", low, high, (high - low) / values.len() as f64);
        let angle = Factor::steps("exterior_platform_angle_deg", 60.0, 90.0, 15.0).map(|f| f.within(v[3].abs().min(f64::MAX)));
        let (Ok(depth), Ok(angle)) = (depth, angle) else { return Ok(()) };
        let Ok(candidates) = Candidates::grid(&Form::named("cube-root").unwrap(), vec![depth, angle], &[], &[]) else { return Ok(()) };
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        if let Ok(plan) = choose(&candidates.design, &Exchange { starts: 2, ..Exchange::new(n) }, &mut rng) {
            number("criterion", plan.value);
            let row: Vec<f64> = candidates.design.matrix().row(0).iter().copied().collect();
            answer("variance", plan.information.variance_at(&row));
            answer("width", expected_width(&plan.information, &row, v[4].abs(), 0.9, Aim::NewFlake));
            let _ = candidates.efficiency_within_tolerance(&plan.points, None, 3, &mut rng);
        }
        if let Ok(best) = continuous_optimum(&candidates.design) {
            number("determinant", best.ln_determinant());
        }
        let _ = Information::of(&candidates.design).map(|i| number("determinant", i.ln_determinant()));
    }

    #[test]
    fn splines_never_panic(x in wild(), knots in many(wild(), 0..5), column in 0..9usize) {
        // out of order or too few: an answer that is not a number, never a panic
        let _ = form::elementary::natural_cubic(x, &knots, column);
    }
}

// the slow ones: hundreds of components, every calibration
proptest! {
    #![proptest_config(fixed(6))]

    #[test]
    fn estimates_from_measurements_that_err_are_ordered(strike in fair_strike(), sd in many(wild(), 3), which in 0..3usize) {
        let mut errors = MeasurementErrors::new();
        for (name, sd) in ["platform_depth_mm", "exterior_platform_angle_deg", "angle_of_blow_deg"].iter().zip(&sd) {
            errors = errors.clone().absolute(name, *sd).unwrap_or(errors);
        }
        errors = errors.clone().relative("platform_area_mm2", sd[0]).unwrap_or(errors);
        if let Ok(e) = predictors()[which].estimate_with_error(&strike, &Ask::default(), &errors) {
            judge(&e, 0.9);
        }
    }

    #[test]
    fn contrasts_and_originals_are_ordered(strike in fair_strike(), level in wild(), now in wild(), more in wild()) {
        let glass = &predictors()[0];
        let with = |name: &str| strike.to_builder().percussor(name).build().unwrap();
        for level in [level, 0.9] {
            if let Ok(both) = side_by_side(glass, &[with("steel"), with("antler")], level) {
                for d in both.differences.iter().flatten() {
                    prop_assert!(!format!("{d:?}").contains("NaN"), "{d:?}");
                    prop_assert!(d.expected.low <= d.expected.high && d.new_flakes.low <= d.new_flakes.high, "{d:?}");
                }
            }
        }
        for predictor in predictors() {
            for now in [now, now.abs().min(1e6)] {
                let Ok(remains) = Remains::new(now).and_then(|r| r.with_length_mm(more)).or_else(|_| Remains::new(now)) else {
                    continue;
                };
                if let Ok(o) = original(predictor, &strike, &remains, &Ask::default(), None) {
                    let i = o.mass.interval(0.9).unwrap();
                    prop_assert!(i.low <= i.median && i.median <= i.high && i.low >= now, "{now} {i:?} {strike:?}");
                    let s = o.mass.share_lost(0.9).unwrap();
                    prop_assert!(0.0 <= s.low && s.low <= s.median && s.median <= s.high && s.high <= 1.0, "{s:?}");
                    answer("lost", o.mass.lost_more_than(more));
                }
            }
        }
    }
}

/// A small table: an intercept, columns and a response, of wild or everyday numbers.
fn small_table(
    numbers: impl Strategy<Value = f64> + Clone + 'static,
) -> impl Strategy<Value = (Design, Vec<f64>)> {
    (1..3usize, 0..14usize).prop_flat_map(move |(p, n)| {
        (many(many(numbers.clone(), p), n), many(numbers.clone(), n)).prop_filter_map(
            "finite",
            move |(x, y)| {
                let rows: Vec<Vec<f64>> =
                    x.iter().map(|r| std::iter::once(1.0).chain(r.iter().copied()).collect()).collect();
                let names = (0..=p).map(|j| format!("t{j}")).collect();
                Design::from_rows(names, &rows).ok().map(|d| (d, y))
            },
        )
    })
}

/// Small whole numbers: ties, constants and collinear columns are common.
fn tied() -> impl Strategy<Value = f64> + Clone {
    (-2..3i32).prop_map(f64::from)
}

fn magnitudes() -> impl Strategy<Value = f64> + Clone {
    (-300.0..300.0f64, any::<bool>())
        .prop_map(|(e, minus)| if minus { -(10f64.powf(e)) } else { 10f64.powf(e) })
}

fn all_finite(what: &str, v: &[f64]) {
    assert!(v.iter().all(|v| v.is_finite()), "{what}: {v:?}");
}

fn every_fit(design: &Design, y: &[f64]) {
    let n = y.len();
    let row: Vec<f64> =
        if n > 0 { design.matrix().row(0).iter().copied().collect() } else { vec![1.0; design.columns()] };
    let ones = Design::from_rows(vec!["intercept".into()], &vec![[1.0]; n]).unwrap();
    if let Ok(f) = linear::fit(design, y, None) {
        all_finite("coefficients", f.coefficients());
        all_finite("errors", &f.standard_errors());
        all_finite("spread", &[f.spread(), f.r_squared(), f.residual_sum_of_squares()]);
        if let Ok((low, high)) = f.interval(&row, 0.95, 1.0) {
            assert!(low <= high, "{low} {high}");
        }
        let _ = linear::diagnostics(&f, design, y, None);
        let _ = f.aic_in_own_unit(0.0);
    }
    let folds: Vec<usize> = (0..n).map(|i| i % 3).collect();
    let penalised: Vec<bool> = (0..design.columns()).map(|j| j > 0).collect();
    if let Ok(f) = Shrunken::default().fit(design, &penalised, &ones, &Tails::normal(), y) {
        all_finite("shrunken", &f.coefficients);
        all_finite("gamma", &f.gamma);
    }
    let groups = [SharedRows::intercepts(folds.clone(), 3)];
    let free = vec![false; design.columns()];
    if let Ok(f) = Shrunken::default().fit_shared(design, &free, &ones, &Tails::normal(), &groups, y) {
        all_finite("coefficients with groups", &f.coefficients);
        all_finite("between", f.shared[0].covariance.as_slice());
        f.shared[0].groups.iter().for_each(|g| all_finite("effect", &g.effect));
    }
    let classes = vec!["feather".to_string(), "hinge".to_string(), "step".to_string()];
    if let Ok(outcomes) = Outcomes::new(classes, folds.clone()) {
        for penalty in [Penalty::Firth, Penalty::Ridge { lambda: 0.1 }] {
            if let Ok(f) = multinomial::fit(design, &outcomes, penalty) {
                all_finite("multinomial", f.coefficients().as_slice());
                let sum: f64 = f.probabilities(&row).unwrap().iter().sum();
                assert!((sum - 1.0).abs() < 1e-9, "{sum}");
            }
        }
    }
    let k = design.columns();
    let before = known_group::Before {
        coefficients: DVector::zeros(k),
        covariance: DMatrix::identity(k, k),
        heavy: DMatrix::identity(k, k),
        degrees_of_freedom: Some(4.0),
        normal: DMatrix::zeros(k, k),
        spread: 1.0,
        ln_spread_sd: 0.2,
    };
    if let Ok(after) = known_group::learn(&before, design, y, None) {
        all_finite("updated", after.coefficients.as_slice());
        number("ln spread", after.ln_spread);
    }
}

proptest! {
    #![proptest_config(fixed(24))]

    #[test]
    fn fits_of_wild_magnitudes((design, y) in small_table(magnitudes())) {
        every_fit(&design, &y);
    }

    #[test]
    fn fits_of_ties_and_constants((design, y) in small_table(tied())) {
        every_fit(&design, &y);
    }

    #[test]
    fn fits_of_tiny_and_of_huge_units((design, y) in small_table(-1.0..1.0f64), scale in -290.0..290.0f64) {
        let y: Vec<f64> = y.iter().map(|v| v * 10f64.powf(scale)).collect();
        every_fit(&design, &y);
    }
}

#[test]
fn an_input_row_that_is_too_short_has_no_value_rather_than_a_panic() {
    let form = Form::named("cube-root").unwrap();
    let compiled = form.compile(&Layout::of([&form])).unwrap();
    let mut out = [0.0; 4];
    compiled.fill(&[75.0], &mut out);
    assert_eq!(out[0], 1.0);
    assert!(out[2].is_nan() && out[3].is_nan());
    assert!(compiled.check(&[], &Layout::of([&form])).is_err());
}

#[test]
fn a_spline_without_its_knots_has_no_value_rather_than_a_panic() {
    assert!(form::elementary::natural_cubic(1.0, &[], 0).is_nan());
    assert!(form::elementary::natural_cubic(1.0, &[0.0], 0).is_nan());
    assert!(form::elementary::natural_cubic(1.0, &[0.0, 1.0, 2.0], 5).is_nan());
}

/// A bundled calibration with one place of its text changed.
fn changed(from: &str, to: &str) -> crate::Result<Calibration> {
    let text = bundled::named("hard-hammer-quartzite").unwrap().to_json();
    assert!(text.contains(from), "{from}");
    Calibration::from_json(&text.replacen(from, to, 1))
}

#[test]
fn very_few_degrees_of_freedom_have_quantiles_at_the_end_of_the_doubles() {
    for df in [5e-324, 1e-300, 1e-6] {
        assert_eq!(student_quantile_upper(0.2, df), f64::MAX, "{df}");
        assert_eq!(student_cdf(0.001, df).max(0.5), student_cdf(0.001, df), "{df}");
    }
    // P(T > x) = q with df = 0.01 by the power tail x^-df / (df^(1 - df/2) B(df/2, 1/2)), its only term at such x
    let x = student_quantile_upper(0.4, 0.01);
    assert!((student_sf(x, 0.01) / 0.4 - 1.0).abs() < 1e-12, "{x}");
}

#[test]
fn the_noncentral_t_of_very_many_degrees_of_freedom_is_the_normal() {
    for freedom in [1e15, 1e100, f64::MAX] {
        for (t, shift) in [(1e-238, 3.0), (2.0, 3.0), (-40.0, 1.0), (1e300, 3.0)] {
            let (found, normal) = (noncentral_student_sf(t, freedom, shift), normal_cdf(shift - t));
            assert!((found - normal).abs() < 1e-13, "{t} {freedom} {shift}: {found} {normal}");
        }
    }
}

#[test]
fn a_response_that_does_not_vary_has_nothing_to_explain() {
    let design =
        Design::from_rows(vec!["intercept".into(), "x".into()], &[[1.0, 0.0], [1.0, 1.0], [1.0, 3.0]])
            .unwrap();
    let fit = linear::fit(&design, &[0.0; 3], None).unwrap();
    assert_eq!(fit.r_squared(), 0.0);
}

#[test]
fn a_fit_whose_squares_overflow_is_refused() {
    let design = |x: f64| {
        let rows = [[1.0, 0.0], [1.0, x], [1.0, 3.0 * x], [1.0, 4.0 * x]];
        Design::from_rows(vec!["intercept".into(), "x".into()], &rows).unwrap()
    };
    let y = [1.0, 2.0, 2.5, 4.0];
    assert!(linear::fit(&design(1.0), &y, None).is_ok());
    // a slope whose variance is beyond the doubles, once with and once without anything left over
    for y in [y, [1.0; 4]] {
        let e = linear::fit(&design(1e-156), &y, None).unwrap_err();
        let said = "fit: its numbers are too large or too small to square (give the columns in other units)";
        assert_eq!(e.to_string(), said);
    }
    assert!(linear::fit(&design(1.0), &[0.0; 4], None).is_ok(), "nothing to explain");
}

#[test]
fn a_density_of_nearly_endless_freedom_so_far_out_that_squares_overflow() {
    // (x / sqrt(df))² = 1.3e-8 here, so the log density is about -x²/2, beyond the doubles
    assert_eq!(student_ln_pdf(1.5545621715312373e150, f64::MAX), f64::NEG_INFINITY);
    let far = student_ln_pdf(1e160, 3.0);
    assert!(
        (far - (6.0 * 3f64.sqrt() / std::f64::consts::PI).ln() + 4.0 * 160.0 * std::f64::consts::LN_10).abs()
            < 1e-9,
        "{far}"
    );
}

#[test]
fn a_plan_refuses_numbers_whose_squares_overflow() {
    let huge = Design::from_rows(vec!["intercept".into(), "x".into()], &[[1.0, 0.0], [1.0, 1e194]]).unwrap();
    let message = "x: 1e194 is out of range (accepted: from -1e100 to 1e100)";
    assert_eq!(Information::of(&huge).unwrap_err().to_string(), message);
    assert!(continuous_optimum(&huge).is_err());
    let plan = choose(&huge, &Exchange::new(4), &mut ChaCha8Rng::seed_from_u64(1)).unwrap_err();
    assert_eq!(plan.to_string(), message);
}

#[test]
fn a_component_of_no_width_keeps_an_interval_in_order() {
    let c = |weight, location, scale, degrees_of_freedom| Component {
        weight,
        location,
        scale,
        degrees_of_freedom,
    };
    let parts = vec![
        c(110.49715122881486, 88.65477014708182, 5e-324, 1.0),
        c(0.001, 0.001, 128.90573246753752, 44.90038623577811),
    ];
    let p = Predictive::new(Transform::Identity, parts).unwrap();
    ordered("two widths", &p.interval(0.413034029811894).unwrap());
}

#[test]
fn a_contact_that_vanishes_bears_nothing() {
    let stone = Elastic::new(75e9, 0.17);
    let contact = Contact::new(Elastic::new(f64::INFINITY, 0.0), stone, 0.001).unwrap();
    let press = contact.pressed(5e-324);
    assert_eq!(
        (press.contact_radius_m, press.peak_pressure_pa, press.edge_tensile_stress_pa),
        (0.0, 0.0, 0.0)
    );
    let hit = impact::struck(&contact, 1e-300, 1e-11, 1.0);
    assert!(!format!("{hit:?}").contains("NaN"), "{hit:?}");
}

#[test]
fn a_blow_too_small_for_numbers_is_refused() {
    let mut setup = setup("flint", "quartzite", (400.0, 20.0), 5.0, 8.0, 75.0);
    (setup.tip_radius_m, setup.depth_m, setup.speed_m_s) = (5e-324, 5e-324, 1e-308);
    let e = strike_mechanics(&setup).unwrap_err();
    assert!(e.to_string().starts_with("blow: its forces are too small"), "{e}");
}

#[test]
fn a_calibration_cannot_carry_what_a_file_cannot_say() {
    for (from, to) in [("\"schema\": 2", "\"schema\": NaN"), ("\"schema\": 2", "\"schema\": -1")] {
        assert!(changed(from, to).is_err(), "{to}");
    }
}
