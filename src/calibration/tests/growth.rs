//! The bundled calibrations are sane everywhere: median sizes do not fall as a platform grows, and length, width,
//! thickness and mass agree, from half the smallest platform fitted to twice the largest, whatever else is given or left out.

use crate::calibration::{Calibration, Collector, Provenance, Recipe, Spread, Variant, bundled};
use crate::flake::Flake;
use crate::form::{Form, Transform, ln, shifted, square, value};
use crate::predict::{Estimate, Predictor};
use crate::strike::{Measured, Strike};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const DEPTH: &str = "platform_depth_mm";
const WIDTH: &str = "platform_width_mm";
const AREA: &str = "platform_area_mm2";
const ANGLE: &str = "exterior_platform_angle_deg";
const BLOW: &str = "angle_of_blow_deg";

/// Medians may fall by this share: rounding in their evaluation and in the search for the median of a mixture.
const ROUNDING: f64 = 1e-8;

/// What is measured of one platform.
#[derive(Debug, Clone, Default)]
struct Row {
    numbers: Vec<(String, f64)>,
    classes: Vec<(String, String)>,
}

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.iter().find(|(n, _)| n == name).map(|(_, v)| *v)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.classes.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }
}

impl Row {
    fn with(&self, name: &str, by: impl Fn(f64) -> f64) -> Row {
        let mut row = self.clone();
        row.numbers.iter_mut().filter(|(n, _)| n == name).for_each(|(_, v)| *v = by(*v));
        row
    }
}

/// Numbers without pattern, the same on every run.
struct Draws(u64);

impl Draws {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    fn of<T: Clone>(&mut self, all: &[T]) -> T {
        all[((self.next() * all.len() as f64) as usize).min(all.len() - 1)].clone()
    }
}

fn ends(variant: &Variant, name: &str) -> Option<(f64, f64)> {
    let r = variant.ranges.iter().find(|r| r.name == name)?;
    Some(match name {
        n if n.ends_with("_mm") || n.ends_with("_mm2") => (r.low / 2.0, r.high * 2.0),
        n if n.ends_with("_deg") => (r.low - 10.0, r.high + 10.0),
        _ => (r.low, r.high),
    })
}

/// A platform anywhere between the ends, often at one; settings and assumed classes given or not.
fn somewhere(calibration: &Calibration, variant: &Variant, draws: &mut Draws) -> Row {
    let required = calibration.required(variant);
    let layout = calibration.layout();
    let mut row = Row::default();
    for name in &layout.numbers {
        let Some((low, high)) = ends(variant, name) else { continue };
        if !required.contains(name) && draws.next() < 0.5 {
            continue;
        }
        let anywhere = draws.next();
        let share = draws.of(&[0.0, 1.0, anywhere, anywhere, anywhere]);
        let v = if name.ends_with("_deg") || low <= 0.0 || name.starts_with("dorsal") {
            low + share * (high - low)
        } else {
            low * (high / low).powf(share)
        };
        row.numbers.push((name.clone(), v));
    }
    for class in &layout.classes {
        if required.contains(&class.name) || (class.name != "termination" && draws.next() < 0.6) {
            row.classes.push((class.name.clone(), draws.of(&class.levels)));
        }
    }
    // another percussor than that of the experiment, its blow told or not
    if layout.position("percussor").is_none() && draws.next() < 0.5 {
        let of = |of: &str| of.to_string();
        row.classes.push((of("percussor"), draws.of(&[of("antler"), of("copper"), of("steel")])));
        if draws.next() < 0.5 {
            row.classes.push((of("blow_lands_on"), draws.of(&[of("edge"), of("platform")])));
            row.numbers.push((of("angle_of_blow_deg"), draws.of(&[-30.0, 0.0, 15.0, 45.0])));
        }
    }
    row
}

/// The answer for a row, where there is one: at corners of the glass experiment where nobody struck, the interval goes
/// beyond all that can be measured, and nothing is said.
fn answer(predictor: &Predictor, variant: &Variant, row: &Row, said: &mut Said) -> Option<Estimate> {
    said.asked += 1;
    match predictor.estimate(row, &Default::default()) {
        Ok(estimate) => {
            assert_eq!(estimate.variant, variant.name, "{row:?}");
            Some(estimate)
        }
        Err(e) => {
            assert!(e.to_string().contains("goes beyond all that can be measured"), "{row:?}: {e}");
            assert!(variant.ranges.iter().any(|r| r.name == BLOW), "{row:?}: {e}");
            said.nothing += 1;
            None
        }
    }
}

/// How many rows were asked for, and of how many nothing is said.
#[derive(Default)]
struct Said {
    asked: usize,
    nothing: usize,
}

impl Drop for Said {
    fn drop(&mut self) {
        // a few corners, of all that is walked
        if !std::thread::panicking() {
            assert!(self.nothing * 50 <= self.asked, "{} of {}", self.nothing, self.asked);
        }
    }
}

fn all() -> impl Iterator<Item = Calibration> {
    bundled::NAMES.iter().map(|n| bundled::named(n).unwrap())
}

/// Walks from platform to larger platform and holds the medians against the ones before.
fn does_not_fall(along: &[&str], sizes: &[&str], rows: usize) {
    does_not_fall_by(&bundled::NAMES, along, sizes, rows, &mut Said::default());
}

fn does_not_fall_by(names: &[&str], along: &[&str], sizes: &[&str], rows: usize, said: &mut Said) {
    let mut draws = Draws(11);
    let mut walks = 0;
    for calibration in names.iter().map(|n| bundled::named(n).unwrap()) {
        let predictor = Predictor::new(calibration.clone()).unwrap();
        for variant in calibration.variants() {
            if along.iter().any(|n| ends(variant, n).is_none()) {
                continue;
            }
            if along != [ANGLE] && !along.contains(&AREA) && ends(variant, AREA).is_some() {
                // a deeper platform at one width has more area: that is a walk of its own
                continue;
            }
            for _ in 0..rows {
                let start = somewhere(&calibration, variant, &mut draws);
                let mut before: Option<(Row, Vec<f64>)> = None;
                for step in 0..14 {
                    let mut row = start.clone();
                    for name in along {
                        let (low, high) = ends(variant, name).unwrap();
                        let share = step as f64 / 13.0;
                        row = row.with(name, |_| {
                            if *name == ANGLE {
                                low + share * (high - low)
                            } else {
                                low * (high / low).powf(share)
                            }
                        });
                    }
                    let Some(now) = answer(&predictor, variant, &row, said) else { continue };
                    let now: Vec<f64> = sizes.iter().map(|s| now.size(s).unwrap().median()).collect();
                    if let Some((smaller, then)) = &before {
                        for (size, (a, b)) in sizes.iter().zip(then.iter().zip(&now)) {
                            assert!(
                                *b >= a * (1.0 - ROUNDING),
                                "{} ({}): {size} falls from {a} to {b} between {smaller:?} and {row:?}",
                                calibration.name(),
                                variant.name
                            );
                        }
                    }
                    before = Some((row, now));
                }
                walks += 1;
            }
        }
    }
    assert!(walks >= rows, "nothing was walked");
}

const SIZES: [&str; 4] = ["length_mm", "width_mm", "thickness_mm", "mass_g"];

#[test]
fn no_size_falls_as_depth_grows() {
    does_not_fall(&[DEPTH], &SIZES, 150);
}

#[test]
fn no_size_falls_as_platform_width_grows() {
    does_not_fall(&[WIDTH], &SIZES, 150);
}

#[test]
fn no_size_falls_as_area_grows_or_depth_at_one_width() {
    does_not_fall(&[AREA], &SIZES, 150);
    does_not_fall(&[AREA, DEPTH], &SIZES, 150);
}

#[test]
fn mass_does_not_fall_as_the_exterior_angle_grows_nor_do_lengths_of_flint() {
    let [glass, flint, quartzite, sites] = bundled::NAMES;
    let mut said = Said::default();
    does_not_fall_by(&[glass, quartzite], &[ANGLE], &["mass_g"], 150, &mut said);
    does_not_fall_by(&[flint, sites], &[ANGLE], &["length_mm", "mass_g"], 150, &mut said);
}

#[test]
fn beyond_the_flakes_a_size_is_a_power_of_the_platform() {
    let (mut draws, mut said) = (Draws(5), Said::default());
    for calibration in all() {
        let predictor = Predictor::new(calibration.clone()).unwrap();
        for variant in calibration.variants() {
            let lengths = [DEPTH, WIDTH, AREA];
            for name in lengths.iter().filter(|n| ends(variant, n).is_some()) {
                let (low, high) = ends(variant, name).unwrap();
                for _ in 0..40 {
                    let mut row = somewhere(&calibration, variant, &mut draws);
                    // one blow and one core, so that the answer is no mixture
                    let termination = row.class("termination").map(str::to_string);
                    row.classes = [("percussor", "steel"), ("blow_lands_on", "platform")]
                        .map(|(c, l)| (c.to_string(), l.to_string()))
                        .to_vec();
                    row.classes.extend(termination.map(|t| ("termination".to_string(), t)));
                    if row.number("angle_of_blow_deg").is_none() {
                        row.numbers.push(("angle_of_blow_deg".into(), 10.0));
                    }
                    for from in [low, high / 2.0] {
                        let three = [1.0, 1.4, 1.96]
                            .map(|k| answer(&predictor, variant, &row.with(name, |_| from * k), &mut said));
                        let [Some(one), Some(two), Some(three)] = three else { continue };
                        for size in SIZES {
                            let [a, b, c] = [&one, &two, &three].map(|e| e.size(size).unwrap().median().ln());
                            assert!(((c - b) - (b - a)).abs() < 1e-6, "{} {size} {name}", calibration.name());
                        }
                    }
                }
            }
        }
    }
}

#[test]
fn sizes_agree_with_each_other_as_those_of_the_flakes_do() {
    let (mut draws, mut said) = (Draws(3), Said::default());
    let mut nearest = f64::INFINITY;
    for calibration in all() {
        let predictor = Predictor::new(calibration.clone()).unwrap();
        for variant in calibration.variants() {
            // excavated flakes are fitted given what was kept, without regard to the box
            let Some(range) = variant.box_density_g_cm3 else {
                assert_eq!(calibration.name(), "excavated-flakes");
                continue;
            };
            for _ in 0..1200 {
                let row = somewhere(&calibration, variant, &mut draws);
                let Some(e) = answer(&predictor, variant, &row, &mut said) else { continue };
                let [l, w, t, m] = SIZES.map(|s| e.size(s).unwrap().median());
                let density = m / (l * w * t) * 1000.0;
                // nobody measured the box of flakes by another percussor: on glass it is up to a fifth less or more
                let another =
                    row.class("percussor").is_some() && variant.ranges.iter().all(|r| r.name != BLOW);
                let by = if another { 1.25 } else { 1.001 };
                if !another {
                    nearest = nearest.min(density / range.low).min(range.high / density);
                }
                assert!(
                    (range.low / by..=range.high * by).contains(&density),
                    "{} ({}): {density} g/cm3 outside {range:?} at {row:?}",
                    calibration.name(),
                    variant.name
                );
            }
        }
    }
    // the range is reached somewhere: the sizes would not agree by themselves
    assert!(nearest < 1.01, "{nearest}");
}

#[test]
fn beyond_the_flakes_the_interval_opens() {
    // the spread beyond holds what the slopes of one body of flakes tell of another's (src/calibration/resolved/beyond.rs)
    let (mut draws, mut said) = (Draws(8), Said::default());
    for calibration in all() {
        let predictor = Predictor::new(calibration.clone()).unwrap();
        for variant in calibration.variants() {
            let mass = variant.sizes.iter().find(|m| m.size == "mass_g").unwrap();
            for _ in 0..60 {
                let mut start = somewhere(&calibration, variant, &mut draws);
                for r in &variant.ranges {
                    start = start.with(&r.name, |v| v.clamp(r.low, r.high));
                }
                for (name, per_ln, per_ten) in
                    [(DEPTH, 0.38, 0.0), (WIDTH, 0.38, 0.0), (AREA, 0.38, 0.0), (ANGLE, 0.0, 0.08)]
                {
                    let Some(r) = variant.ranges.iter().find(|r| r.name == name) else { continue };
                    let mut spread = |v: f64| {
                        let e = answer(&predictor, variant, &start.with(name, |_| v), &mut said).unwrap();
                        let mass = e.size("mass_g").unwrap().components().to_vec();
                        (mass.iter().map(|c| c.scale).collect::<Vec<_>>(), e)
                    };
                    let (at_end, _) = spread(r.high);
                    let (just_inside, _) = spread(r.high * (1.0 - 1e-9));
                    let beyond = if name == ANGLE { r.high + 15.0 } else { r.high * 2.5 };
                    let (opened, e) = spread(beyond);
                    let more = per_ln * 2.5f64.ln() + per_ten * 1.5;
                    for ((a, b), c) in at_end.iter().zip(&just_inside).zip(&opened) {
                        assert!(
                            (a / b - 1.0).abs() < 1e-6,
                            "{} {}: {name}: {a} {b} {start:?} {r:?}",
                            calibration.name(),
                            variant.name
                        );
                        // a flake's own spread stays in it: the same everywhere, or less for deep blows on glass
                        let own = match &mass.spread {
                            Spread::Modelled { coefficients, .. } if coefficients.len() == 1 => {
                                (2.0 * coefficients[0]).exp()
                            }
                            _ => 0.4 * a * a,
                        };
                        assert!(c * c >= own + more * more, "{name}: {c} {a}");
                    }
                    assert!(e.cautions.iter().any(|c| c.kind() == "outside-range"));
                }
            }
        }
    }
}

#[test]
fn beyond_the_flakes_terminations_go_back_to_the_shares_of_the_experiment() {
    let calibration = bundled::named("controlled-glass").unwrap();
    let predictor = Predictor::new(calibration.clone()).unwrap();
    let model = calibration.variants().iter().find_map(|v| v.termination.as_ref()).unwrap();
    let flakes: f64 = model.fit.class_rows().iter().sum();
    let row = |depth: f64, blow: f64| Row {
        numbers: [(DEPTH, depth), (ANGLE, 75.0), ("angle_of_blow_deg", blow)]
            .map(|(n, v)| (n.to_string(), v))
            .to_vec(),
        classes: [("percussor", "steel"), ("blow_lands_on", "platform")]
            .map(|(c, l)| (c.to_string(), l.to_string()))
            .to_vec(),
    };
    let far = |depth: f64| {
        let e = predictor.estimate(&row(depth, 0.0), &Default::default()).unwrap();
        let shares = e.terminations.iter().zip(model.fit.class_rows());
        // and the interval opens until anything may be
        let open = if depth > 900.0 { 0.95 } else { (depth / 19.0).ln().max(0.0).powi(2) / 3.0 };
        assert!(e.terminations.iter().all(|(_, t)| t.low <= 1.0 - open && t.high >= open), "{e:?}");
        assert!((e.terminations.iter().map(|t| t.1.value).sum::<f64>() - 1.0).abs() < 1e-9);
        assert!(e.terminations.iter().all(|(_, t)| t.low <= t.value && t.value <= t.high));
        shares.map(|((_, t), n)| (t.value - n / flakes).abs()).fold(0.0, f64::max)
    };
    let (inside, twice, many) = (far(19.0), far(38.0), far(19.0 * 50.0));
    assert!(inside > 0.5, "{inside}");
    // what is left of the blow's own shares goes down as the depth goes up
    assert!(twice < 0.6 * inside && many < 1.2 * inside / 50.0, "{inside} {twice} {many}");
}

/// Where the truth is flat, or nearly so, half the estimates would fall and are brought to growth: 95 % intervals of new
/// flakes still hold 95 of 100, although the covariance is that of the estimate before.
#[test]
fn intervals_hold_where_growth_is_enforced() {
    const TABLES: u64 = 100;
    const FLAKES: usize = 40;
    const NEW: usize = 25;
    let form = Form::new(
        "curved",
        Transform::Ln,
        vec![ln(DEPTH), value(ANGLE), square(shifted(ln(DEPTH), 5f64.ln()))],
    )
    .unwrap();
    let provenance = Provenance::new("invented", "none", "own", "test");
    let mut recipe = Recipe::single("invented", "mass_g", form, provenance).unwrap();
    recipe.variants[0].sizes[0].method.penalised = vec![2];
    recipe.grows = true;
    for slope in [0.0, 0.15] {
        let (mut shares, mut brought) = (Vec::new(), 0);
        for table in 0..TABLES {
            let mut rng = ChaCha8Rng::seed_from_u64(1400 + table);
            let mut drawn = || {
                let depth: f64 = rng.random_range(2f64.ln()..12f64.ln());
                let angle: f64 = rng.random_range(55.0..90.0);
                let e: f64 = StandardNormal.sample(&mut rng);
                let strike = Strike::builder()
                    .platform_depth_mm(depth.exp())
                    .exterior_platform_angle_deg(angle)
                    .build()
                    .unwrap();
                (strike, (2.0 + slope * depth + 0.6 * e).exp())
            };
            let mut collector = Collector::new(recipe.clone()).unwrap();
            for _ in 0..FLAKES {
                let (strike, mass) = drawn();
                collector.offer(&Flake::builder().strike(strike).mass_g(mass).build().unwrap());
            }
            let grown = collector.finish().unwrap().0;
            // brought to growth where a slope is nothing in the angle, or in depth at an end of the grid
            let v = &grown.variants()[0];
            let (b, (low, high)) = (&v.sizes[0].coefficients, ends(v, DEPTH).unwrap());
            let in_depth = [low, high].map(|d| b[1] + 2.0 * b[3] * (d / 5.0).ln());
            brought += u64::from(in_depth.iter().chain([&b[2]]).any(|s| s.abs() < 1e-6));
            let predictor = Predictor::new(grown).unwrap();
            let inside = (0..NEW).filter(|_| {
                let (strike, mass) = drawn();
                let e = predictor.estimate(&strike, &Default::default()).unwrap();
                let i = e.size("mass_g").unwrap().interval(0.95).unwrap();
                (i.low..=i.high).contains(&mass)
            });
            shares.push(inside.count() as f64 / NEW as f64);
        }
        // flakes of one table share its error: the band is that of tables
        let n = TABLES as f64;
        let mean = shares.iter().sum::<f64>() / n;
        let error = (shares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
        println!(
            "slope {slope}: {:.1} +/- {:.1} % inside, {brought} of {TABLES} brought",
            100.0 * mean,
            100.0 * error
        );
        assert!(brought > TABLES / 2, "{brought}");
        assert!((mean - 0.95).abs() < 3.0 * error, "slope {slope}: {mean} +/- {error}");
    }
}
