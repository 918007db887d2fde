//! Original sizes against numerical integration (tests/reference/original.py), and the awkward pieces.

use crate::calibration::bundled;
use crate::calibration::caution::Doubt;
use crate::error::Error;
use crate::flake::{Flake, Portion};
use crate::form::Transform;
use crate::infer::original::{ReadyLoss, Truncated};
use crate::infer::{BetaLoss, Original, Remains, original};
use crate::predict::{Ask, Component, Predictive, Predictor};
use crate::strike::Strike;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;

fn predictive(transform: &str, components: &str) -> Predictive {
    let transform = match transform {
        "ln" => Transform::Ln,
        "log10" => Transform::Log10,
        "cube-root" => Transform::CubeRoot,
        "identity" => Transform::Identity,
        other => panic!("{other}"),
    };
    let component = |text: &str| {
        let v: Vec<f64> = text.split(':').map(|n| n.parse().unwrap()).collect();
        Component {
            weight: v[0],
            location: v[1],
            scale: v[2],
            degrees_of_freedom: if v[3] == 0.0 { f64::INFINITY } else { v[3] },
        }
    };
    Predictive::new(transform, components.split(' ').map(component).collect()).unwrap()
}

#[track_caller]
fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    let error = (found / expected - 1.0).abs();
    assert!(error <= tolerance, "{what}: {found} against {expected} (relative {error:.1e})");
}

#[test]
fn truncated_predictives_agree_with_integration() {
    let mut cases = 0;
    for line in include_str!("../../../tests/reference/original_truncated.csv").lines().skip(2) {
        let f: Vec<&str> = line.split(',').collect();
        let now: f64 = f[2].parse().unwrap();
        let t = Truncated::new(predictive(f[0], f[1]), now).unwrap();
        let value: f64 = f[5].parse().unwrap();
        match f[3] {
            "probability" => close(t.probability(), value, 1e-9, line),
            "sf" => {
                let size: f64 = f[4].parse().unwrap();
                close(t.tails(size).1, value, 1e-9, line);
                assert!((t.tails(size).0 - (1.0 - value)).abs() < 1e-9, "{line}");
            }
            "quantile" => close(t.quantile(f[4].parse().unwrap()).unwrap(), value, 1e-9, line),
            other => panic!("{other}"),
        }
        cases += 1;
    }
    assert!(cases > 150, "{cases}");
}

#[test]
fn the_posterior_under_a_model_of_loss_agrees_with_integration() {
    let mut cases = 0;
    for line in include_str!("../../../tests/reference/original_loss.csv").lines().skip(2) {
        let f: Vec<&str> = line.split(',').collect();
        let now: f64 = f[2].parse().unwrap();
        let loss = BetaLoss::new(f[3].parse().unwrap(), f[4].parse().unwrap()).unwrap();
        let o =
            Original::new(predictive(f[0], f[1]), now, now, Some(ReadyLoss::new(Arc::new(loss)))).unwrap();
        let argument: f64 = f[6].parse().unwrap();
        let value: f64 = f[7].parse().unwrap();
        let found = if f[5] == "cdf" { o.cdf(argument) } else { o.lost_more_than(argument).unwrap() };
        assert!((found - value).abs() < 1e-9, "{line}: {found}");
        assert!((o.cdf(argument.max(now)) + o.sf(argument.max(now)) - 1.0).abs() < 1e-12);
        if f[5] == "cdf" && value > 1e-6 && value < 1.0 - 1e-6 {
            close(o.quantile(found).unwrap(), argument, 1e-9, line);
        }
        cases += 1;
    }
    assert!(cases > 100, "{cases}");
}

#[test]
fn models_of_loss_at_the_ends_of_what_is_accepted_agree_with_integration() {
    let mut cases = 0;
    for line in include_str!("../../../tests/reference/original_loss_corners.csv").lines().skip(2) {
        let f: Vec<&str> = line.split(',').collect();
        let v = |k: usize| f[k].parse::<f64>().unwrap();
        let loss = BetaLoss::new(v(4), v(5)).unwrap();
        let p = predictive("ln", &format!("1:{}:{}:{}", f[0], f[1], f[2]));
        let o = Original::new(p, v(3), v(3), Some(ReadyLoss::new(Arc::new(loss)))).unwrap();
        let (argument, value) = (v(7), v(8));
        let found = if f[6] == "cdf" { o.cdf(argument) } else { o.lost_more_than(argument).unwrap() };
        assert!((found - value).abs() < 1e-9, "{line}: {found}");
        if f[6] == "cdf" {
            assert!((o.cdf(argument) + o.sf(argument) - 1.0).abs() < 1e-12, "{line}");
        } else {
            let i = o.interval(0.95).unwrap();
            assert!(
                v(3) <= i.low && i.low <= i.median && i.median <= i.high && i.high.is_finite(),
                "{line}: {i:?}"
            );
            assert!((o.cdf(i.high) - o.cdf(i.low) - 0.95).abs() < 1e-8, "{line}: {i:?}");
        }
        cases += 1;
    }
    assert_eq!(cases, 270);
}

#[test]
fn a_closure_and_the_same_beta_agree() {
    let p = predictive("ln", "1:3:0.5:30");
    let beta = Original::new(
        p.clone(),
        12.0,
        12.0,
        Some(ReadyLoss::new(Arc::new(BetaLoss::new(2.0, 5.0).unwrap()))),
    )
    .unwrap();
    let density = |l: f64| l * (1.0 - l).powi(4);
    let own = Original::new(p.clone(), 12.0, 12.0, Some(ReadyLoss::new(Arc::new(density)))).unwrap();
    for q in [0.025, 0.3, 0.9] {
        close(own.quantile(q).unwrap(), beta.quantile(q).unwrap(), 1e-9, "closure");
    }
    // a model that knows for sure that between 30 and 40 % are gone
    let narrow = |l: f64| if (0.3..0.4).contains(&l) { 1.0 } else { 0.0 };
    let o = Original::new(p.clone(), 12.0, 12.0, Some(ReadyLoss::new(Arc::new(narrow)))).unwrap();
    let share = o.share_lost(0.99).unwrap();
    assert!(share.low >= 0.3 - 1e-6 && share.high <= 0.4 + 1e-6, "{share:?}");
    for refused in [|_: f64| 0.0, |_: f64| f64::NAN, |_: f64| -1.0, |_: f64| f64::INFINITY] {
        assert!(Original::new(p.clone(), 12.0, 12.0, Some(ReadyLoss::new(Arc::new(refused)))).is_err());
    }
}

#[test]
fn a_known_missing_part_raises_the_bound_and_counts_as_lost() {
    let p = predictive("ln", "1:3:0.5:30");
    let o = Original::new(p.clone(), 10.0, 15.0, None).unwrap();
    let (mass, share) = (o.interval(0.95).unwrap(), o.share_lost(0.95).unwrap());
    assert!(mass.low > 15.0);
    close(share.median, 1.0 - 10.0 / mass.median, 1e-14, "share");
    assert!(share.low > 1.0 / 3.0);
    assert_eq!(o.lost_more_than(0.2).unwrap(), 1.0);
    assert_eq!(o.lost_more_than(1.0).unwrap(), 0.0);
    assert!(o.lost_more_than(1.5).is_err());
    assert!(Original::new(p, 15.0, 10.0, None).is_err());
}

#[test]
fn draws_follow_the_distribution() {
    let p = predictive("ln", "0.7:2:0.4:40 0.3:3.2:0.8:5");
    let o = Truncated::new(p, 12.0).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let n = 4000;
    let mut drawn: Vec<f64> = (0..n).map(|_| o.sample(&mut rng)).collect();
    drawn.sort_by(f64::total_cmp);
    let d = (0..n).map(|i| (o.tails(drawn[i]).0 - (i as f64 + 0.5) / n as f64).abs()).fold(0.0, f64::max);
    // 1.95 / sqrt n is the 0.1 % point of Kolmogorov's statistic
    assert!(d < 1.95 / (n as f64).sqrt(), "{d}");
}

#[test]
fn quantiles_have_the_probability_they_were_asked_for() {
    let law = || predictive("ln", "0.7:2:0.4:40 0.3:3.2:0.8:5");
    let usual = ReadyLoss::new(Arc::new(BetaLoss::usual()));
    for loss in [None, Some(usual)] {
        let told = loss.is_some();
        let o = Original::new(law(), 12.0, 12.0, loss).unwrap();
        for k in 1..20 {
            let p = 0.05 * f64::from(k);
            let found = o.cdf(o.quantile(p).unwrap());
            assert!((found - p).abs() < 1e-10, "model of loss {told}: {found} for {p}");
        }
    }
}

fn piece(depth: f64, angle: f64, portion: Option<Portion>) -> Flake {
    let strike =
        Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build().unwrap();
    Flake::builder().strike(strike).portion(portion).build().unwrap()
}

#[test]
fn portions_with_a_platform_are_answered_for_and_others_refused() {
    let predictor = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let remains = Remains::new(14.2).unwrap();
    for portion in Portion::ALL {
        let found = original(&predictor, &piece(9.0, 72.0, Some(*portion)), &remains, &Ask::default(), None);
        assert_eq!(found.is_ok(), portion.has_platform(), "{portion}");
    }
}

#[test]
fn a_tool_heavier_than_any_flake_gets_an_answer_and_a_caution() {
    for name in bundled::NAMES {
        let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
        for loss in [None, Some(BetaLoss::new(2.0, 5.0).unwrap())] {
            for now in [0.001, 14.2, 900.0, 25_000.0, 1e6] {
                let remains = Remains::new(now).unwrap().with_length_mm(9000.0).unwrap();
                let loss = loss.map(|l| Arc::new(l) as Arc<dyn crate::infer::Loss>);
                let found =
                    original(&predictor, &piece(9.0, 72.0, None), &remains, &Ask::default(), loss).unwrap();
                for level in [0.5, 0.95, 0.999] {
                    let i = found.mass.interval(level).unwrap();
                    assert!(now <= i.low && i.low <= i.median && i.median <= i.high, "{name} {now} {i:?}");
                    assert!(i.high.is_finite(), "{name} {now} {i:?}");
                    let s = found.mass.share_lost(level).unwrap();
                    // far out in the tail of a t with 3 degrees of freedom a share rounds to 1
                    assert!(
                        0.0 <= s.low && s.low <= s.median && s.median <= s.high && s.high <= 1.0,
                        "{s:?}"
                    );
                }
                let told = found
                    .cautions
                    .iter()
                    .any(|c| matches!(&*c.0, Doubt::RemainsImprobable { size, .. } if size == "mass_g"));
                assert_eq!(told, found.mass.truncated().unwrap().probability() < 0.01, "{name} {now}");
                // under heavy tails even a kilogram is not beyond the 99th percentile
                assert!(told || now < 25_000.0, "{name} {now}");
                assert!(!told || now > 14.2, "{name} {now}");
                if let Some(t) = found.length.as_ref().filter(|l| l.at_least_mm().is_some()) {
                    assert!(t.interval(0.95).unwrap().low >= 9000.0);
                    assert!(found.cautions.iter().any(|c| c.to_string().contains("length")));
                }
            }
        }
    }
}

#[test]
fn remains_are_checked_and_a_model_of_loss_also_when_stored() {
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 2e6] {
        assert!(Remains::new(bad).is_err());
    }
    assert!(Remains::new(3.0).unwrap().with_missing_g(-1.0).is_err());
    assert!(serde_json::from_str::<BetaLoss>(r#"{"a": 0, "b": 1}"#).is_err());
    assert!(Remains::of(&piece(9.0, 72.0, None)).unwrap_err().to_string().contains("mass_now_g"));
}

proptest! {
    #[test]
    fn quantiles_invert_the_cdf_and_stay_above_what_remains(
        location in -1.0f64..5.0, scale in 0.05f64..1.5, df in 1.0f64..1e4, now in 1e-3f64..1e5,
        p in 1e-6f64..0.999_999, which in 0usize..4,
    ) {
        let transform = [Transform::Ln, Transform::Log10, Transform::CubeRoot, Transform::Identity][which];
        let c = Component { weight: 1.0, location, scale, degrees_of_freedom: df };
        let t = Truncated::new(Predictive::new(transform, vec![c]).unwrap(), now).unwrap();
        let x = t.quantile(p).unwrap();
        prop_assert!(x >= now && !x.is_nan());
        if x.is_finite() && x < 1e12 {
            // the last digit of the size is worth so much probability
            let grain = (t.ln_pdf(x).exp() * x * 1e-13).min(1.0);
            prop_assert!((t.tails(x).0 - p).abs() < 1e-9 + grain, "{} against {p} at {x}", t.tails(x).0);
        }
        prop_assert!(t.tails(now).0 == 0.0 && t.tails(now * 0.5).1 == 1.0);
    }
}

/// Degrees of freedom at the end of the doubles make no panic, and no answer that is not finite: what runs out of the
/// doubles is refused.
#[test]
fn hardly_any_degrees_of_freedom_are_refused_or_answered_finite() {
    let (mut answered, mut refused) = (0, 0);
    for degrees_of_freedom in [5e-324, 1e-300, 1e-6, 0.01, 0.5, 3.0] {
        for at_least in [1e-3, 1.0, 1e6] {
            let c = Component { weight: 1.0, location: 2.0, scale: 0.5, degrees_of_freedom };
            let found = Predictive::new(Transform::Ln, vec![c])
                .and_then(|p| Original::new(p, at_least, at_least, None))
                .and_then(|o| o.interval(0.95));
            match found {
                Ok(i) => {
                    assert!(at_least <= i.low && i.low <= i.median && i.median <= i.high, "{i:?}");
                    assert!(i.high.is_finite(), "{degrees_of_freedom}: {i:?}");
                    answered += 1;
                }
                Err(Error::Refused { .. }) => refused += 1,
                Err(e) => panic!("{degrees_of_freedom}: {e}"),
            }
        }
    }
    assert!(answered >= 3 && refused >= 9, "{answered} answered, {refused} refused");
}
