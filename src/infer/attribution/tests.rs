//! Percussor attribution against closed forms, quadrature and simulation from its own model.

use super::ClassVerdict;
use crate::Error;
use crate::calibration::caution::Doubt;
use crate::calibration::{
    Calibration, Parts, PercussorSeen, Provenance, Setting, SizeModel, Spread, Tails, TerminationModel,
    Variant, bundled,
};
use crate::fit::Design;
use crate::fit::multinomial::{Outcomes, Penalty, fit};
use crate::flake::{Flake, Portion, Termination};
use crate::form::{ANGLE_OF_BLOW, Form, LANDS_ON, Layout, PERCUSSOR_CLASS, TERMINATION, Term, Transform};
use crate::form::{indicator, value};
use crate::infer::LipModel;
use crate::infer::TrackRecord;
use crate::infer::attribution::settings::of_experiment;
use crate::infer::{Attribution, BlowSetting, SiteShift, Strength, Verdict};
use crate::strike::{LandsOn, Measured, PlatformKind, Strike};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SD: [f64; 2] = [0.35, 0.6];
const RHO: f64 = 0.75;
/// Variance of an intercept and of a contrast over squared spread, as in the reference script.
const V: [[f64; 2]; 2] = [[0.02, -0.02], [-0.02, 0.07]];

fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

/// What a made-up experiment looks like.
struct Made {
    name: &'static str,
    /// For each size its coefficients: intercept, organic, then one for each further term.
    coefficients: [Vec<f64>; 2],
    terms: Vec<Term>,
    tails: Tails,
    /// Divides the covariance of the coefficients.
    precise: f64,
    sizes: usize,
    settings: Vec<(f64, f64)>,
    termination: Option<TerminationModel>,
}

impl Made {
    fn plain() -> Made {
        Made {
            name: "students",
            coefficients: [vec![3.4, 0.3], vec![1.2, 0.05]],
            terms: vec![indicator(PERCUSSOR_CLASS, "organic")],
            tails: Tails::Normal,
            precise: 1.0,
            sizes: 2,
            settings: vec![],
            termination: None,
        }
    }

    fn calibration(&self) -> Calibration {
        let form = Form::new("made", Transform::Ln, self.terms.clone()).unwrap();
        let mut layout = Layout::of([&form]);
        layout.add_level(PERCUSSOR_CLASS, "organic");
        layout.add_level(PERCUSSOR_CLASS, "metal");
        if let Some(t) = &self.termination {
            for class in t.fit.classes() {
                layout.add_level(TERMINATION, class);
            }
        }
        let angle = self.terms.contains(&value(ANGLE_OF_BLOW));
        let k = self.terms.len() + 1;
        let size = |j: usize| SizeModel {
            size: ["length_mm", "mass_g"][j].to_string(),
            column: ["length_mm", "mass_g"][j].to_string(),
            form: form.clone(),
            coefficients: self.coefficients[j].clone(),
            covariance: (0..k)
                .map(|a| {
                    let v =
                        |b: usize| if a < 2 && b < 2 { V[a][b] } else { f64::from(u8::from(a == b)) * 1e-9 };
                    (0..k).map(|b| SD[j] * SD[j] * v(b) / self.precise).collect()
                })
                .collect(),
            spread: Spread::Constant { value: SD[j], degrees_of_freedom: 1e12 },
            tails: self.tails.clone(),
            flakes: 100,
            r_squared: 0.5,
            left_out_error: SD[j],
            largest_leverage: 1.0,
            recorded: None,
            shared: Vec::new(),
            variance_covariance: Vec::new(),
            kept: None,
            distance: None,
        };
        let correlation = [[1.0, RHO], [RHO, 1.0]];
        let mut setting_names = vec![PERCUSSOR_CLASS.to_string()];
        if angle {
            setting_names.push(ANGLE_OF_BLOW.to_string());
        }
        let settings = if angle {
            self.settings.iter().map(|(a, n)| Setting { values: vec![0.0, *a], flakes: *n as u64 }).collect()
        } else {
            vec![Setting { values: vec![0.0], flakes: 50 }, Setting { values: vec![1.0], flakes: 50 }]
        };
        Calibration::new(Parts {
            schema: 2,
            name: self.name.to_string(),
            provenance: Provenance::new("made up", "none", "none", "none"),
            stone: Some("flint".to_string()),
            percussors: ["steel", "antler"]
                .map(|n| PercussorSeen { name: n.to_string(), flakes: 50 })
                .to_vec(),
            not_recorded: vec![],
            layout,
            setting_names,
            settings,
            assumptions: vec![],
            variants: vec![Variant {
                name: "blow".to_string(),
                sizes: (0..self.sizes).map(size).collect(),
                ranges: vec![],
                joint_flakes: 100,
                shared_correlation: Vec::new(),
                residual_correlation: (0..self.sizes)
                    .map(|a| correlation[a][..self.sizes].to_vec())
                    .collect(),
                box_density_g_cm3: None,
                termination: self.termination.clone(),
            }],
            local: None,
        })
        .unwrap()
    }

    fn attribution(&self) -> Attribution {
        let site = SiteShift { common: 0.2, own: 0.1, log_odds: 1.0 };
        let mut a = Attribution::of(self.calibration())
            .unwrap()
            .with_metal()
            .unwrap()
            .with_lip(None)
            .with_site(site)
            .unwrap();
        a.cautions.clear();
        a
    }
}

fn strike() -> Strike {
    Strike::builder().platform_depth_mm(6.0).exterior_platform_angle_deg(70.0).build().unwrap()
}

fn flake(length: f64, mass: Option<f64>) -> Flake {
    Flake::builder().strike(strike()).length_mm(length).mass_g(mass).build().unwrap()
}

fn both(sizes: &[(f64, f64)]) -> Vec<Flake> {
    sizes.iter().map(|(l, m)| flake(*l, Some(*m))).collect()
}

fn metal(v: &Verdict) -> f64 {
    v.classes.iter().find(|c| c.class == "metal").unwrap().ln_bayes_factor_of_model
}

fn reference(case: &str) -> f64 {
    let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/attribution.csv"));
    let line = text.lines().find(|l| l.split(',').next() == Some(case)).unwrap();
    line.split(',').nth(1).unwrap().parse().unwrap()
}

const THREE: [(f64, f64); 3] = [(45.0, 4.0), (30.0, 2.5), (62.0, 9.0)];
const LONG: [(f64, f64); 5] = [(60.0, 3.0), (80.0, 6.0), (55.0, 2.2), (71.0, 4.0), (64.0, 5.5)];

#[test]
fn two_normal_classes_agree_with_the_closed_form() {
    let a = Made::plain().attribution();
    for (case, flakes) in [("one", &THREE[..1]), ("three", &THREE[..]), ("long", &LONG[..])] {
        let v = a.attribute(&both(flakes), &mut rng(1)).unwrap();
        let expected = reference(case);
        assert!((metal(&v) - expected).abs() < 1e-9, "{case}: {} {expected}", metal(&v));
        assert!(v.integration_error < 1e-9, "{}", v.integration_error);
        let p = 1.0 / (1.0 + (-expected).exp());
        assert!((v.probability_of_model("metal").unwrap() - p).abs() < 1e-9);
    }
}

#[test]
fn heavy_tails_agree_with_quadrature() {
    let made = Made { tails: Tails::Student { degrees_of_freedom: 5.0 }, sizes: 1, ..Made::plain() };
    let a = made.attribution().with_draws(20_000).unwrap();
    for (case, lengths) in [("t one", &[80.0][..]), ("t four", &[80.0, 30.0, 95.0, 140.0][..])] {
        let flakes: Vec<Flake> = lengths.iter().map(|l| flake(*l, None)).collect();
        let v = a.attribute(&flakes, &mut rng(2)).unwrap();
        let off = (metal(&v) - reference(case)).abs();
        assert!(
            off < 0.005 && off < 5.0 * v.integration_error + 1e-4,
            "{case}: {off} {}",
            v.integration_error
        );
    }
}

#[test]
fn prior_odds_multiply_and_labels_and_order_do_not_matter() {
    let a = Made::plain().attribution();
    let flakes = both(&LONG);
    let even = a.attribute(&flakes, &mut rng(3)).unwrap();
    for (m, o) in [(0.7, 0.3), (1.0, 99.0), (12.0, 3.0)] {
        let asked = a.clone().with_prior(&[("metal".into(), m), ("organic".into(), o)]).unwrap();
        let turned = a.clone().with_prior(&[("organic".into(), o), ("metal".into(), m)]).unwrap();
        let v = asked.attribute(&flakes, &mut rng(3)).unwrap();
        let p = v.probability_of_model("metal").unwrap();
        let odds = (m / o) * metal(&even).exp();
        assert!((p / (1.0 - p) / odds - 1.0).abs() < 1e-9, "{p} {odds}");
        assert!((metal(&v) - metal(&even)).abs() < 1e-12);
        let w = turned.attribute(&flakes, &mut rng(3)).unwrap();
        assert!((w.probability_of_model("metal").unwrap() - p).abs() < 1e-12);
        assert!((v.classes.iter().map(|c| c.probability).sum::<f64>() - 1.0).abs() < 1e-12);
    }
    let mut turned = flakes.clone();
    turned.reverse();
    let v = a.attribute(&turned, &mut rng(3)).unwrap();
    assert!((metal(&v) - metal(&even)).abs() < 1e-10);
}

#[test]
fn flakes_that_tell_nothing_leave_the_prior() {
    let made = Made { terms: vec![], coefficients: [vec![3.4], vec![1.2]], ..Made::plain() };
    let a = made.attribution().with_prior(&[("metal".into(), 0.8), ("organic".into(), 0.2)]).unwrap();
    let v = a.attribute(&both(&LONG), &mut rng(4)).unwrap();
    assert!((v.probability("metal").unwrap() - 0.8).abs() < 1e-12);
    assert_eq!(v.strength, Strength::SaysLittle);
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_agrees_within_the_error() {
    let glass = Attribution::of(bundled::named("controlled-glass").unwrap()).unwrap().with_metal().unwrap();
    let flakes: Vec<Flake> = [(30.0, 3.0), (52.0, 9.0), (41.0, 4.0)]
        .iter()
        .map(|(l, m)| flake(*l, Some(*m)).to_builder().lip(*l > 40.0).build().unwrap())
        .collect();
    let v = glass.attribute(&flakes, &mut rng(5)).unwrap();
    assert_eq!(v, glass.attribute(&flakes, &mut rng(5)).unwrap());
    assert_eq!(v.with_lip, 3);
    let w = glass.clone().with_draws(4000).unwrap().attribute(&flakes, &mut rng(6)).unwrap();
    assert!(v.integration_error > 0.0 && v.integration_error < 0.1, "{}", v.integration_error);
    assert!((metal(&v) - metal(&w)).abs() < 5.0 * v.integration_error, "{} {}", metal(&v), metal(&w));
}

/// Draws of a group from the model itself, and how often what is said with probability p is true.
fn reliable(made: &Made, groups: usize, size: usize, seed: u64) {
    reliable_with(made, None, groups, size, seed);
}

/// The same with lips by a model, which blows on the platform leave.
fn reliable_with(made: &Made, lip: Option<LipModel>, groups: usize, size: usize, seed: u64) {
    let mut a = made.attribution().with_draws(if made.tails == Tails::Normal { 10 } else { 100 }).unwrap();
    let site = a.site;
    a.settings.iter_mut().for_each(|s| s.lands_on = Some(LandsOn::Platform));
    let a = a.with_lip(lip.clone());
    let settings = a.settings.clone();
    let mut r = rng(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut r) };
    // (posterior of what was true, posterior of organic, organic was true)
    let mut said = Vec::new();
    let mut uniform = rng(seed + 1);
    for _ in 0..groups {
        let organic: bool = uniform.random_bool(0.5);
        let x = [1.0, f64::from(u8::from(organic))];
        let leverage: f64 =
            (0..2).flat_map(|i| (0..2).map(move |j| (i, j))).map(|(i, j)| x[i] * V[i][j] * x[j]).sum();
        let leverage = (leverage / made.precise).sqrt();
        let pair = |a: f64, b: f64| [a, RHO * a + (1.0 - RHO * RHO).sqrt() * b];
        let (known, common) = (pair(normal(), normal()), site.common * normal());
        let own = [site.own * normal(), site.own * normal()];
        let shift = |j: usize| known[j] * SD[j] * leverage + [1.0, 3.0][j] * common + own[j];
        let pick = |u: f64| {
            let mut left = u;
            let found = settings.iter().find(|s| {
                left -= s.weight;
                left < 0.0
            });
            found.unwrap_or(&settings[0]).angle_of_blow_deg.unwrap_or(0.0)
        };
        let odds_of_lips = site.log_odds * normal();
        let struck_lip = |angle: f64, u: f64| {
            let class = if organic { "bone" } else { "steel" };
            let blow = Strike::builder().percussor(class).angle_of_blow_deg(angle);
            let blow = blow.blow_lands_on(LandsOn::Platform).build().unwrap();
            lip.as_ref().map(|l| {
                let p = l.probability(&blow).unwrap();
                u < 1.0 / (1.0 + (1.0 / p - 1.0) * (-odds_of_lips).exp())
            })
        };
        let habit: Option<f64> = uniform.random_bool(0.5).then(|| pick(uniform.random()));
        let flakes: Vec<Flake> = (0..size)
            .map(|_| {
                let angle = habit.unwrap_or_else(|| pick(uniform.random()));
                let heavy = match made.tails {
                    Tails::Student { degrees_of_freedom } => {
                        // a multivariate t: both sizes over the root of one chi-square
                        let z: f64 = (0..degrees_of_freedom as usize).map(|_| normal().powi(2)).sum();
                        (degrees_of_freedom / z).sqrt()
                    }
                    _ => 1.0,
                };
                let e = pair(normal(), normal());
                let size = |j: usize| {
                    let b = &made.coefficients[j];
                    let angled = b.get(2).map_or(0.0, |b| b * angle);
                    (b[0] + b[1] * x[1] + angled + shift(j) + SD[j] * heavy * e[j]).exp()
                };
                let lip = struck_lip(angle, uniform.random());
                flake(size(0), Some(size(1))).to_builder().lip(lip).build().unwrap()
            })
            .collect();
        let v = a.attribute(&flakes, &mut uniform).unwrap();
        said.push((v.probability_of_model("organic").unwrap(), organic));
    }
    let bins = [0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0 + 1e-12];
    let mut judged = 0;
    for w in bins.windows(2) {
        let here: Vec<_> = said.iter().filter(|(p, _)| *p >= w[0] && *p < w[1]).collect();
        if here.len() < 30 {
            continue;
        }
        judged += 1;
        let n = here.len() as f64;
        let expected: f64 = here.iter().map(|(p, _)| p).sum::<f64>() / n;
        let error = (here.iter().map(|(p, _)| p * (1.0 - p)).sum::<f64>()).sqrt() / n;
        let found = here.iter().filter(|(_, o)| *o).count() as f64 / n;
        assert!((found - expected).abs() < 3.5 * error, "{w:?}: said {expected}, found {found} +/- {error}");
    }
    assert!(judged >= 4, "{judged}");
    // the log score is what the probabilities themselves expect
    let score: Vec<f64> = said.iter().map(|(p, o)| -(if *o { *p } else { 1.0 - p }).ln()).collect();
    let expected = said.iter().map(|(p, _)| -(p * p.ln() + (1.0 - p) * (1.0 - p).ln())).sum::<f64>();
    let spread = score.iter().map(|s| s * s).sum::<f64>().sqrt();
    assert!((score.iter().sum::<f64>() - expected).abs() < 3.5 * spread);
}

#[test]
fn what_is_said_with_probability_p_is_true_in_p_of_simulated_groups() {
    let far = [vec![3.4, 0.6], vec![1.2, 0.1]];
    reliable(&Made { coefficients: far.clone(), ..Made::plain() }, 6000, 3, 170);
    reliable(
        &Made { coefficients: far, tails: Tails::Student { degrees_of_freedom: 4.0 }, ..Made::plain() },
        600,
        2,
        72,
    );
}

#[test]
fn hidden_settings_of_the_blow_are_averaged_reliably() {
    let made = Made {
        coefficients: [vec![3.4, 0.5, -0.03], vec![1.2, 0.1, -0.06]],
        terms: vec![indicator(PERCUSSOR_CLASS, "organic"), value(ANGLE_OF_BLOW)],
        settings: vec![(-10.0, 30.0), (5.0, 40.0), (20.0, 30.0)],
        ..Made::plain()
    };
    reliable(&made, 800, 3, 80);
    // where the angle is known it is used, unless hidden
    let a = made.attribution();
    let strike = Strike::builder().angle_of_blow_deg(20.0).blow_lands_on(LandsOn::Platform).build().unwrap();
    let known = flake(45.0, Some(4.0));
    let known = known.to_builder().strike(strike).build().unwrap();
    let one = BlowSetting { angle_of_blow_deg: Some(20.0), lands_on: None, weight: 2.0 };
    let told = a.clone().with_settings(vec![one]).unwrap();
    let by_prior = told.attribute(&[flake(45.0, Some(4.0))], &mut rng(7)).unwrap();
    let by_record = a.attribute(&[&known], &mut rng(7)).unwrap();
    assert!((metal(&by_prior) - metal(&by_record)).abs() < 1e-12);
    let hidden = a.clone().hiding_blow().attribute(&[&known], &mut rng(7)).unwrap();
    let open = a.attribute(&[flake(45.0, Some(4.0))], &mut rng(7)).unwrap();
    assert_eq!(metal(&hidden), metal(&open));
    assert!((metal(&hidden) - metal(&by_record)).abs() > 1e-3);
}

#[test]
fn lips_are_weighed_reliably_where_the_blow_is_hidden() {
    let made = Made {
        coefficients: [vec![3.4, 0.2, -0.03], vec![1.2, 0.05, -0.06]],
        terms: vec![indicator(PERCUSSOR_CLASS, "organic"), value(ANGLE_OF_BLOW)],
        settings: vec![(-10.0, 30.0), (5.0, 40.0), (20.0, 30.0)],
        ..Made::plain()
    };
    for (groups, flakes) in [(800, 1), (900, 4)] {
        reliable_with(&made, Some(LipModel::bundled().unwrap()), groups, flakes, 90);
    }
}

/// A lip never speaks for a hard hammer, nor one that is lacking for a soft one: whatever the group, the stone, the habit, what
/// sites make of lips, and what some rows record of their blows.
#[test]
fn the_more_lips_the_more_for_a_soft_hammer() {
    let mut tried = 0;
    for name in bundled::NAMES {
        let Ok(all) = Attribution::of(bundled::named(name).unwrap()) else { continue };
        let all = [all.clone(), all.with_metal().unwrap()];
        for (a, n, habit, log_odds) in all.iter().flat_map(|a| {
            let habits = [(0.5, 1.0), (0.0, 1.0), (1.0, 0.0), (0.5, 10.0)];
            habits.into_iter().flat_map(move |(h, l)| [1, 3, 20, 400].map(|n| (a, n, h, l)))
        }) {
            let site = SiteShift { log_odds, ..SiteShift::default() };
            let a = a.clone().with_habit(habit).unwrap().with_site(site).unwrap();
            let soft = a.candidates.iter().position(|c| c.class == "organic").unwrap();
            let mut last = vec![f64::NEG_INFINITY; a.candidates.len()];
            for with in (0..=n).step_by(if n > 100 { n / 2 } else { 1 }) {
                let flakes: Vec<Flake> = (0..n)
                    .map(|i| {
                        // some rows tell how they were struck
                        let lands = [LandsOn::Edge, LandsOn::Platform][i % 2];
                        let told = strike().to_builder().angle_of_blow_deg(10.0 * (i % 4) as f64);
                        let told = told.blow_lands_on(lands).build().unwrap();
                        let strike = if i % 3 == 2 { told } else { strike() };
                        Flake::builder().strike(strike).length_mm(40.0).lip(i < with).build().unwrap()
                    })
                    .collect();
                let lips = |flakes: &[Flake]| {
                    let flakes: Vec<_> = flakes.iter().map(|f| f as &dyn Measured).collect();
                    a.lips(&flakes).unwrap()
                };
                // the same where nobody looked at the last flake
                let mut unseen = flakes.clone();
                unseen[n - 1] = unseen[n - 1].to_builder().lip(None).build().unwrap();
                let (lips, blank) = (lips(&flakes), lips(&unseen));
                assert_eq!((lips.flakes, blank.flakes), (n, n - 1));
                for (at, last) in last.iter_mut().enumerate().filter(|(at, _)| *at != soft) {
                    let now = lips.ln[soft] - lips.ln[at];
                    let where_ = format!("{name}, {with} of {n}, habit {habit}, {log_odds}: {last} {now}");
                    assert!(now.is_finite() && now > *last - 1e-9, "{where_}");
                    let more = now - (blank.ln[soft] - blank.ln[at]);
                    assert!(more.abs() < 1e-9 || (more > 0.0) == (with == n), "{where_}: {more}");
                    assert!(with > 0 || now < 0.0, "{where_}");
                    assert!(with < n || now > 0.0, "{where_}");
                    *last = now;
                }
                tried += 1;
            }
        }
    }
    assert!(tried > 500, "{tried}");
}

/// What lips say comes on top of the sizes, and is the same where nothing is shared as Bayes' rule has it.
#[test]
fn a_lip_multiplies_the_odds_by_its_chances() {
    let lip = LipModel::bundled().unwrap();
    let a = Made::plain().attribution().with_lip(Some(lip.clone()));
    let blow = |p: &str| {
        let s = strike().to_builder().percussor(p).angle_of_blow_deg(5.0).blow_lands_on(LandsOn::Edge);
        s.build().unwrap()
    };
    let odds = |lip: Option<bool>| {
        let flake = Flake::builder().strike(blow("bone")).length_mm(40.0).lip(lip).build().unwrap();
        metal(&a.attribute(&[flake], &mut rng(1)).unwrap())
    };
    // chances averaged over what is uncertain lie nearer to even ones
    let [bone, steel] = ["bone", "steel"].map(|p| lip.probability(&blow(p)).unwrap());
    let (with, without) = (odds(Some(true)) - odds(None), odds(Some(false)) - odds(None));
    assert!(with < 0.0 && with > 1.2 * (steel / bone).ln(), "{with} {bone} {steel}");
    assert!(without > 0.0 && without < ((1.0 - steel) / (1.0 - bone)).ln(), "{without}");
}

/// A termination model on percussor class alone, from made-up counts.
fn ends() -> TerminationModel {
    let form = Form::new("ends", Transform::Identity, vec![indicator(PERCUSSOR_CLASS, "organic")]).unwrap();
    let (mut rows, mut classes) = (Vec::new(), Vec::new());
    for (organic, counts) in [(0.0, [6000, 3000]), (1.0, [8000, 1000])] {
        for (class, n) in counts.iter().enumerate() {
            for _ in 0..*n {
                rows.push([1.0, organic]);
                classes.push(class);
            }
        }
    }
    let design = Design::from_rows(form.term_names(), &rows).unwrap();
    let outcomes = Outcomes::new(vec!["feather".into(), "hinge".into()], classes).unwrap();
    let fit = fit(&design, &outcomes, Penalty::Ridge { lambda: 1e-12 }).unwrap();
    TerminationModel { form, fit }
}

#[test]
fn terminations_count_by_their_chances_and_sizes_by_the_termination() {
    let chance = |organic: bool, hinge: bool| match (organic, hinge) {
        (false, true) => 1.0 / 3.0,
        (false, false) => 2.0 / 3.0,
        (true, true) => 1.0 / 9.0,
        (true, false) => 8.0 / 9.0,
    };
    let made = Made { termination: Some(ends()), precise: 1e6, ..Made::plain() };
    let a = made.attribution().with_site(SiteShift::none()).unwrap();
    let hinge = flake(45.0, Some(4.0)).to_builder().termination(Termination::Hinge).build().unwrap();
    let with = a.attribute(&[&hinge], &mut rng(8)).unwrap();
    let mut without = a.clone();
    without.terminations = false;
    let without = without.attribute(&[&hinge], &mut rng(8)).unwrap();
    assert_eq!((with.with_termination, without.with_termination), (1, 0));
    let told = metal(&with) - metal(&without);
    assert!((told - 3f64.ln()).abs() < 0.005, "{told}");
    // a site that records hinges its own way makes less of one
    let loose = a.clone().with_site(SiteShift { common: 0.0, own: 0.0, log_odds: 1.0 }).unwrap();
    let less = metal(&loose.attribute(&[&hinge], &mut rng(8)).unwrap()) - metal(&without);
    assert!(less > 0.2 && less < told, "{less}");

    // sizes that depend on the termination: unknown, it is averaged over; known, it is conditioned on
    let by_end = Made {
        coefficients: [vec![3.4, 0.3, 0.5], vec![1.2, 0.05, 0.9]],
        terms: vec![indicator(PERCUSSOR_CLASS, "organic"), indicator(TERMINATION, "hinge")],
        ..made
    };
    let a = by_end.attribution().with_site(SiteShift::none()).unwrap();
    let density = |y: [f64; 2], organic: bool, hinge: bool| {
        let m = |j: usize| {
            let b = &by_end.coefficients[j];
            b[0] + f64::from(u8::from(organic)) * b[1] + f64::from(u8::from(hinge)) * b[2]
        };
        let z = [(y[0] - m(0)) / SD[0], (y[1] - m(1)) / SD[1]];
        let q = (z[0] * z[0] - 2.0 * RHO * z[0] * z[1] + z[1] * z[1]) / (1.0 - RHO * RHO);
        (-0.5 * q).exp()
    };
    let y = [45f64.ln(), 4f64.ln()];
    let mixture =
        |organic| [false, true].iter().map(|h| chance(organic, *h) * density(y, organic, *h)).sum::<f64>();
    let open = a.attribute(&[flake(45.0, Some(4.0))], &mut rng(9)).unwrap();
    assert!((metal(&open) - (mixture(false) / mixture(true)).ln()).abs() < 0.005, "{}", metal(&open));
    let known = a.attribute(&[&hinge], &mut rng(9)).unwrap();
    let expected =
        (chance(false, true) * density(y, false, true) / (chance(true, true) * density(y, true, true))).ln();
    assert!((metal(&known) - expected).abs() < 0.005, "{} {expected}", metal(&known));
}

#[test]
fn two_calibrations_are_told_apart_after_their_offset() {
    let first = Made::plain();
    let second = Made {
        name: "others",
        coefficients: [vec![3.4 + 2f64.ln(), 0.3], vec![1.2 + 8f64.ln(), 0.05]],
        ..Made::plain()
    };
    let between =
        |offset: &[(String, f64)]| Attribution::between(first.calibration(), second.calibration(), offset);
    let flakes = both(&LONG);
    let plain =
        between(&[]).unwrap().with_site(SiteShift::none()).unwrap().attribute(&flakes, &mut rng(10)).unwrap();
    assert!(plain.classes[0].ln_bayes_factor_of_model.abs() > 3.0, "{plain:?}");
    let offset = [("length_mm".to_string(), 0.5), ("mass_g".to_string(), 0.125)];
    let even = between(&offset).unwrap().attribute(&flakes, &mut rng(10)).unwrap();
    assert!(even.classes[0].ln_bayes_factor.abs() < 1e-9, "{even:?}");
    assert!(matches!(between(&[("width_mm".to_string(), 1.0)]), Err(Error::UnknownName { .. })));
    assert!(matches!(between(&[("mass_g".to_string(), 0.0)]), Err(Error::OutOfRange { .. })));
    assert!(Attribution::between(first.calibration(), first.calibration(), &[]).is_err());
}

#[test]
fn a_group_that_is_a_fifth_larger_as_a_whole_is_not_decisive() {
    // organic flakes are a fifth larger, of the same shape; so are these forty, for whatever reason
    let a = Made { coefficients: [vec![3.4, 0.18], vec![1.2, 0.54]], precise: 10.0, ..Made::plain() }
        .attribution();
    let mut r = rng(11);
    let larger: Vec<Flake> = (0..40)
        .map(|_| {
            let z: [f64; 2] = [StandardNormal.sample(&mut r), StandardNormal.sample(&mut r)];
            let e = [z[0], RHO * z[0] + (1.0 - RHO * RHO).sqrt() * z[1]];
            flake((3.4 + 0.18 + SD[0] * e[0]).exp(), Some((1.2 + 0.54 + SD[1] * e[1]).exp()))
        })
        .collect();
    let careless = a.clone().with_site(SiteShift::none()).unwrap().attribute(&larger, &mut rng(12)).unwrap();
    let careful = a.attribute(&larger, &mut rng(12)).unwrap();
    assert!(metal(&careless) < -3.0, "{}", metal(&careless));
    assert!(metal(&careful).abs() < 1.1, "{}", metal(&careful));
}

#[test]
fn what_cannot_be_answered_is_refused_with_its_reason() {
    let glass = || Attribution::of(bundled::named("controlled-glass").unwrap()).unwrap();
    let a = glass();
    let whole = flake(45.0, Some(4.0));
    assert!(a.check(&whole).is_ok());
    let crushed = Strike::builder()
        .platform_depth_mm(6.0)
        .exterior_platform_angle_deg(70.0)
        .platform_kind(PlatformKind::Crushed)
        .build()
        .unwrap();
    let no_angle = Strike::builder().platform_depth_mm(6.0).build().unwrap();
    for (what, flake, message) in [
        ("proximal", whole.to_builder().portion(Portion::Proximal).build(), "portion: proximal"),
        ("retouched", whole.to_builder().retouched(true).build(), "retouched: yes"),
        ("crushed", whole.to_builder().strike(crushed).build(), "crushed"),
        (
            "no angle",
            Flake::builder().strike(no_angle).length_mm(45.0).build(),
            "exterior_platform_angle_deg",
        ),
        ("no size", Flake::builder().strike(strike()).build(), "length_mm"),
    ] {
        let flake = flake.unwrap();
        let e = a.check(&flake).unwrap_err().to_string();
        assert!(e.contains(message), "{what}: {e}");
        let e = a.attribute(&[&whole, &flake], &mut rng(1)).unwrap_err();
        assert_eq!(e.place().and_then(|p| p.row), Some(2), "{what}: {e}");
    }
    assert!(a.attribute::<Flake, _>(&[], &mut rng(1)).is_err());
    // nobody recorded what struck
    assert!(Attribution::of(bundled::named("excavated-flakes").unwrap()).is_err());
    let prior = |list: &[(&str, f64)]| {
        glass().with_prior(&list.iter().map(|(n, w)| (n.to_string(), *w)).collect::<Vec<_>>())
    };
    assert!(matches!(prior(&[("stone", 1.0), ("metal", 1.0)]), Err(Error::Invalid { .. })));
    assert!(matches!(prior(&[("antlr", 1.0), ("metal", 1.0)]), Err(Error::UnknownName { .. })));
    assert!(matches!(prior(&[("antler", 0.0), ("metal", 1.0)]), Err(Error::OutOfRange { .. })));
    assert!(matches!(prior(&[("metal", 1.0)]), Err(Error::Invalid { .. })));
    let leaning = prior(&[("quartzite", 0.7), ("antler", 0.3)]).unwrap();
    let v = leaning.attribute(&[&whole], &mut rng(1)).unwrap();
    assert_eq!(v.classes[0].leans_on.as_deref(), Some("steel"));
    assert_eq!(v.classes[1].leans_on.as_deref(), Some("organic"));
    assert_eq!(v.cautions.iter().filter(|c| c.kind() == "percussor-not-in-experiment").count(), 2);
    for common in [-0.1, f64::NAN] {
        assert!(a.clone().with_site(SiteShift { common, ..SiteShift::none() }).is_err());
    }
    assert!(a.clone().with_draws(1).is_err() && a.with_habit(1.5).is_err());
}

#[test]
fn settings_are_those_of_the_experiment_whatever_the_percussor() {
    let glass = bundled::named("controlled-glass").unwrap();
    let prior = of_experiment(&glass);
    assert!((&prior.iter().map(|s| s.weight).sum::<f64>() - 1.0).abs() < 1e-12);
    let all: u64 = glass.settings().iter().map(|s| s.flakes).sum();
    let (angle, lands) = (
        glass.setting_names().iter().position(|n| n == ANGLE_OF_BLOW).unwrap(),
        glass.setting_names().iter().position(|n| n == LANDS_ON).unwrap(),
    );
    let code = |l: LandsOn| {
        let at = glass.layout().position(LANDS_ON).unwrap();
        glass.layout().class_at(at).unwrap().levels.iter().position(|n| n == l.name()).unwrap() as f64
    };
    for s in &prior {
        let flakes: u64 = glass
            .settings()
            .iter()
            .filter(|o| {
                Some(o.values[angle]) == s.angle_of_blow_deg && o.values[lands] == code(s.lands_on.unwrap())
            })
            .map(|o| o.flakes)
            .sum();
        assert!((s.weight - flakes as f64 / all as f64).abs() < 1e-12, "{s:?}");
    }
}

#[test]
fn the_bundled_lip_model_and_track_record_read_and_agree_with_what_is_known() {
    let lip = LipModel::bundled().unwrap();
    assert_eq!(LipModel::from_json(&lip.to_json()).unwrap(), lip);
    assert_eq!(lip.to_json(), include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/src/infer/lip.json")));
    let struck = |percussor: &str, angle: f64, lands: &str| {
        let strike =
            Strike::builder().angle_of_blow_deg(angle).blow_lands_on(lands.parse::<LandsOn>().unwrap());
        lip.probability(&strike.percussor(percussor).build().unwrap())
    };
    let p = |percussor, angle, lands| struck(percussor, angle, lands).unwrap();
    assert!(p("bone", 0.0, "edge") > 0.95 && p("bone", 0.0, "edge") < 1.0);
    assert!(p("steel", 20.0, "platform") < p("steel", 0.0, "platform"));
    assert!(p("copper", 0.0, "edge") > p("copper", 0.0, "platform"));
    assert!(struck("butter", 0.0, "edge").is_err());
    let record = TrackRecord::bundled("controlled-glass").unwrap();
    assert_eq!(serde_json::from_str::<TrackRecord>(&record.to_json()).unwrap(), record);
    for o in record.singles.iter().flat_map(|s| &s.outcomes) {
        assert!(
            o.decided_right <= o.likelier_right && o.likelier_right + o.decided_wrong <= o.count,
            "{o:?}"
        );
    }
    assert!(LipModel::from_json(&lip.to_json().replace("\"no\"", "\"non\"")).is_err());
}

#[test]
fn sentences_say_no_more_than_they_can() {
    let a = Made::plain().attribution();
    let one = a.attribute(&[flake(40.0, None)], &mut rng(1)).unwrap();
    assert!(one.sentence.starts_with("This flake says little about "), "{one}");
    // nobody tried this made-up experiment on groups left out: no strong word is earned
    let mut five = a.attribute(&both(&LONG), &mut rng(1)).unwrap();
    assert!(five.sentence.starts_with("These 5 flakes lean towards organic, not metal: "), "{five}");
    five.earned = Strength::SpeaksStrongly;
    five = five.told();
    assert!(five.sentence.starts_with("These 5 flakes speak strongly for organic, not metal: "), "{five}");
    assert!(five.sentence.ends_with("from 0.50 to more than 0.99"), "{five}");
}

#[test]
fn another_name_of_the_same_stone_is_no_reason_for_doubt() {
    let mut parts = Made::plain().calibration().into_parts();
    parts.stone = Some("soda-lime-glass".to_string());
    let a = Attribution::of(Calibration::new(parts).unwrap()).unwrap().with_lip(None);
    let doubted = |stone: &str| {
        let strike = strike().to_builder().stone(stone).build().unwrap();
        let flake = Flake::builder().strike(strike).length_mm(40.0).build().unwrap();
        let verdict = a.attribute(&[flake], &mut rng(1)).unwrap();
        verdict.cautions.iter().any(|c| matches!(&*c.0, Doubt::StoneNotInExperiment { .. }))
    };
    assert!(!doubted("glass") && !doubted("soda-lime-glass"));
    assert!(doubted("flint"));
}

/// A flake of flint with a lip or without.
fn of_flint(length: f64, width: f64, thickness: f64, mass: f64, lip: Option<bool>) -> Flake {
    let sizes = Flake::builder().strike(strike()).length_mm(length).width_mm(width).thickness_mm(thickness);
    sizes.mass_g(mass).lip(lip).build().unwrap()
}

#[test]
fn on_flint_stone_is_the_calibration_and_organic_the_ratio_from_glass() {
    let a = Attribution::of(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    assert_eq!(a.prior().map(|(c, _)| c).collect::<Vec<_>>(), ["stone", "organic"]);
    let middling = || vec![of_flint(41.0, 35.0, 9.5, 14.0, None); 6];
    let v = a.attribute(&middling(), &mut rng(1)).unwrap();
    assert_eq!(v.classes[1].leans_on.as_deref(), Some("bone over steel on glass"));
    assert!(v.cautions.iter().any(|c| c.kind() == "percussor-ratio"));
    // never more than that they lean, however long and thin; a hundred of them no more than the ratio is known
    let thin = |n: usize| vec![of_flint(75.0, 38.0, 8.0, 22.0, None); n];
    let [few, many] = [6, 100].map(|n| a.attribute(&thin(n), &mut rng(2)).unwrap());
    assert!(few.classes[1].ln_bayes_factor > v.classes[1].ln_bayes_factor);
    assert!(
        many.strength <= Strength::Leans && many.classes[1].ln_bayes_factor_of_model < 20f64.ln(),
        "{many}"
    );
    // lips of the glass speak, the same for every stone
    let lipped = |lip: bool| {
        let flakes: Vec<Flake> = (0..6).map(|_| of_flint(41.0, 35.0, 9.5, 14.0, Some(lip))).collect();
        a.attribute(&flakes, &mut rng(3)).unwrap()
    };
    let (with, without) = (lipped(true), lipped(false));
    assert_eq!((with.with_lip, v.with_lip), (6, 0));
    assert!(with.classes[1].ln_bayes_factor > 1.0 && without.classes[1].ln_bayes_factor < -1.0);
    // metal is asked for, and is a class of its own here
    let three = a.with_metal().unwrap();
    assert_eq!(three.prior().map(|(c, _)| c).collect::<Vec<_>>(), ["stone", "metal", "organic"]);
    let glass = Attribution::of(bundled::named("controlled-glass").unwrap()).unwrap();
    assert_eq!(glass.prior().map(|(c, _)| c).collect::<Vec<_>>(), ["stone", "organic"]);
    let metal = glass.with_metal().unwrap();
    assert_eq!(metal.prior().map(|(c, _)| c).collect::<Vec<_>>(), ["metal", "organic"]);
}

#[test]
fn a_group_at_odds_with_itself_or_with_every_class_is_told_first() {
    let a = Attribution::of(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let kinds = |flakes: &[Flake]| -> Vec<&'static str> {
        a.attribute(flakes, &mut rng(1)).unwrap().cautions.iter().map(|c| c.kind()).collect()
    };
    // as flakes of the experiment differ
    let mut r = rng(4);
    let mut drawn = |spread: f64, by: f64| -> Vec<Flake> {
        let mut draw = || {
            let z: f64 = StandardNormal.sample(&mut r);
            (spread * z).exp() * by
        };
        (0..12)
            .map(|_| of_flint(41.0 * draw(), 35.0 * draw(), 9.5 * draw(), 14.0 * draw().powi(3), None))
            .collect()
    };
    assert!(!kinds(&drawn(0.2, 1.0)).iter().any(|k| ["flakes-disagree", "like-none"].contains(k)));
    let apart = drawn(1.2, 1.0);
    assert_eq!(kinds(&apart)[0], "flakes-disagree");
    let v = a.attribute(&apart, &mut rng(1)).unwrap();
    assert!(v.sentence.starts_with("Before any odds: these flakes differ among themselves"), "{v}");
    assert!(kinds(&drawn(0.2, 12.0)).contains(&"like-none"));
}

/// Lips that speak for one class and sizes for the other are told before any odds, lips and sizes that agree are not; what
/// either multiplies the odds by comes to the whole.
#[test]
fn lips_at_odds_with_sizes_are_told_first() {
    let a = Attribution::of(bundled::named("hard-hammer-flint").unwrap())
        .unwrap()
        .with_site(SiteShift::none())
        .unwrap();
    let group = |of: [f64; 4], lip: Option<bool>| {
        let flakes: Vec<Flake> = (0..8).map(|_| of_flint(of[0], of[1], of[2], of[3], lip)).collect();
        a.attribute(&flakes, &mut rng(3)).unwrap()
    };
    let told = |v: &Verdict| {
        v.cautions.iter().find_map(|c| match &*c.0 {
            Doubt::LipsAgainstSizes { lips_for, lips_times, sizes_for, sizes_times } => {
                Some((lips_for.clone(), *lips_times, sizes_for.clone(), *sizes_times))
            }
            _ => None,
        })
    };
    let (of_stone, of_bone) = ([41.0, 35.0, 9.5, 14.0], [60.0, 36.0, 8.5, 17.0]);
    let against = group(of_stone, Some(true));
    let (lips_for, lips, sizes_for, sizes) = told(&against).unwrap();
    assert_eq!((&lips_for[..], &sizes_for[..]), ("organic", "stone"));
    assert!(lips > 3.0 && sizes > 3.0);
    let whole = against.classes[1].ln_bayes_factor_of_model;
    assert!((lips.ln() - sizes.ln() - whole).abs() < 0.02, "{lips} {sizes} {whole}");
    let alone = group(of_stone, None).classes[0].ln_bayes_factor_of_model;
    assert!((sizes.ln() - alone).abs() < 0.02, "{sizes} {alone}");
    assert!(against.sentence.starts_with("Before any odds: the lips speak for organic"), "{against}");
    assert_eq!(told(&group(of_stone, Some(false))), None);
    assert_eq!(told(&group(of_bone, Some(true))), None);
    assert_eq!(told(&group(of_bone, Some(false))).unwrap().0, "stone");
    assert_eq!(told(&group(of_stone, None)), None);
}

/// Nothing is said more strongly than earned, neither in words nor in numbers, which agree; what the model says alone is kept.
#[test]
fn words_and_numbers_are_no_stronger_than_earned() {
    let verdict = |earned, tried, classes: Vec<ClassVerdict>| Verdict {
        flakes: 12,
        with_termination: 0,
        with_lip: 0,
        classes,
        favours: String::new(),
        strength: Strength::SaysLittle,
        earned,
        tried,
        sentence: String::new(),
        integration_error: 0.01,
        measured_by: "depth, angle".into(),
        cautions: Vec::new(),
        recorded_percussors: Default::default(),
    };
    let two = |prior: f64, leans_on: Option<&str>| {
        let class = |name, prior, ln| ClassVerdict::of_model(name, prior, ln, leans_on.map(String::from));
        vec![class("stone", 1.0 - prior, -9.0), class("organic", prior, 9.0)]
    };
    let told = verdict(Strength::Leans, false, two(0.5, None)).told();
    let text = told.sentence.clone();
    assert!(
        text.contains("lean towards organic") && text.contains("multiplied by 20, and by no more"),
        "{text}"
    );
    assert!(
        text.contains("since no groups left out of a fit have tried it;")
            && text.ends_with("goes from 0.50 to 0.95"),
        "{text}"
    );
    for (class, by) in told.classes.iter().zip([-1.0, 1.0]) {
        assert!((class.ln_bayes_factor - by * 20f64.ln()).abs() < 1e-9, "{class:?}");
        assert!((class.bayes_factor.ln() - class.ln_bayes_factor).abs() < 1e-9, "{class:?}");
        assert_eq!(class.ln_bayes_factor_of_model, by * 9.0);
    }
    assert!((told.probability("organic").unwrap() - 20.0 / 21.0).abs() < 1e-9);
    let text = verdict(Strength::Leans, false, two(0.5, Some("steel"))).told().sentence;
    assert!(text.contains("by no more, since stone leans on steel; its probability"), "{text}");
    let text = verdict(Strength::Speaks, true, two(0.5, None)).told().sentence;
    assert!(
        text.contains("150, and by no more, which is what groups left out of the fits have earned"),
        "{text}"
    );
    let told = verdict(Strength::SpeaksStrongly, true, two(0.5, None)).told();
    assert!(told.sentence.contains("multiplied by more than 1000"), "{told}");
    assert!((told.classes[1].ln_bayes_factor - 9.0).abs() < 1e-12);

    // three classes, whatever the odds before: each within what is earned, together certain
    for (priors, likely) in [
        ([0.2, 0.3, 0.5], [1.0f64, 1e-3, 1e-9]),
        ([0.98, 0.01, 0.01], [1e-7, 1.0, 0.5]),
        ([1.0 / 3.0; 3], [0.3, 1.0, 0.8]),
    ] {
        let all: f64 = priors.iter().zip(likely).map(|(p, l)| p * l).sum();
        let classes = ["stone", "metal", "organic"].iter().zip(priors).zip(likely).map(|((name, p), l)| {
            ClassVerdict::of_model(name, p, (l * (1.0 - p) / (all - p * l)).ln(), None)
        });
        let told = verdict(Strength::Leans, false, classes.collect()).told();
        let sum: f64 = told.classes.iter().map(|c| c.probability).sum();
        assert!((sum - 1.0).abs() < 1e-12, "{sum}");
        for c in &told.classes {
            let odds = c.probability / (1.0 - c.probability) * (1.0 - c.prior) / c.prior;
            assert!(
                c.ln_bayes_factor.abs() < 20f64.ln() + 1e-9 && (odds / c.bayes_factor - 1.0).abs() < 1e-9,
                "{c:?}"
            );
        }
        let bounded = told.classes.iter().any(|c| (c.ln_bayes_factor.abs() - 20f64.ln()).abs() < 1e-9);
        assert_eq!(bounded, told.classes.iter().any(|c| c.ln_bayes_factor_of_model.abs() > 20f64.ln()));
    }
}
