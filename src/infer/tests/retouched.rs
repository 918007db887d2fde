//! Looking back at retouched pieces: which road is taken, what every state keeps to, what bad records get, and the
//! shortest interval under a model of loss.

use crate::Error;
use crate::calibration::bundled;
use crate::calibration::{Collector, Provenance, Recipe, Spread, loss_recipe};
use crate::flake::{Flake, FlakeBuilder, Portion, RetouchKind, RetouchedEdges};
use crate::form::Transform;
use crate::infer::losses::TOLD_SHARES;
use crate::infer::original::ReadyLoss;
use crate::infer::{BetaLoss, Drawing, LeansOn, LookBack, Losses, Original, Remains};
use crate::predict::{Ask, Component, Predictive, Predictor};
use crate::strike::{PlatformKind, Strike};
use crate::table::{TableOptions, TableReader};
use proptest::prelude::*;
use std::sync::Arc;

fn strike() -> Strike {
    Strike::builder().platform_depth_mm(9.0).exterior_platform_angle_deg(72.0).build().unwrap()
}

fn retouched(piece: FlakeBuilder) -> FlakeBuilder {
    piece.retouch_point(4.2, 9.1).retouch_point(5.0, 10.2).retouch_point(3.9, 8.8)
}

fn scraper() -> FlakeBuilder {
    retouched(Flake::builder().mass_now_g(31.0).max_thickness_now_mm(12.5))
}

fn look() -> LookBack<'static> {
    LookBack::new().unwrap()
}

fn sizes() -> Predictor {
    Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap()
}

#[test]
fn the_retouch_answers_without_a_platform_and_beside_one() {
    let alone = look().original(&scraper().build().unwrap(), &Ask::default()).unwrap();
    assert_eq!(alone.leans_on, LeansOn::Retouch);
    assert_eq!(alone.estimate.calibration, bundled::LOSS);
    assert_eq!(alone.estimate.variant, "mass, thickness, heights, index");
    assert!(alone.by_platform.is_none() && alone.length.is_none());
    let sizes = sizes();
    let both = look().sizes(&sizes);
    let found = both.original(&scraper().strike(strike()).build().unwrap(), &Ask::default()).unwrap();
    assert_eq!(found.mass.interval(0.95).unwrap(), alone.mass.interval(0.95).unwrap());
    let beside = found.by_platform.unwrap().interval(0.95).unwrap();
    let by_retouch = alone.mass.interval(0.95).unwrap();
    // 24.3 g wide against 3.7 g, 6.6 times
    let width = |i: crate::predict::Interval| i.high - i.low;
    assert!(width(beside) > 6.0 * width(by_retouch), "the platform tells less: {beside:?} {by_retouch:?}");
    // a crushed platform takes nothing from the retouch
    let crushed = scraper()
        .strike(Strike::builder().platform_kind(PlatformKind::Crushed).build().unwrap())
        .build()
        .unwrap();
    let found = both.original(&crushed, &Ask::default()).unwrap();
    assert_eq!(found.mass.interval(0.9).unwrap(), alone.mass.interval(0.9).unwrap());
    assert!(found.by_platform.is_none());
}

#[test]
fn what_was_recorded_decides_the_variant() {
    let noted = |piece: FlakeBuilder, thickness: Option<f64>| {
        let piece = piece.mass_now_g(31.0).max_thickness_now_mm(thickness).build().unwrap();
        look().original(&piece, &Ask::default()).unwrap().estimate.variant
    };
    let index = || Flake::builder().retouch_index(0.4);
    let heights = || Flake::builder().retouch_point(4.0, None);
    assert_eq!(noted(index(), None), "mass, index");
    assert_eq!(noted(index(), Some(12.0)), "mass, thickness, index");
    assert_eq!(noted(heights(), None), "mass, heights");
    assert_eq!(noted(heights(), Some(12.0)), "mass, thickness, heights");
    let measured = scraper().length_now_mm(58.0).width_now_mm(41.0).build().unwrap();
    let found = look().original(&measured, &Ask::default()).unwrap();
    assert_eq!(found.estimate.variant, "mass, thickness, heights, index, length, width");
}

#[test]
fn heights_of_nothing_mean_that_nothing_is_lost() {
    let none = Flake::builder().mass_now_g(31.0).retouch_point(0.0, 9.0).retouch_point(0.0, 8.0);
    let piece = none.clone().build().unwrap();
    let found = look().original(&piece, &Ask::default()).unwrap();
    assert_eq!(found.leans_on, LeansOn::Unretouched);
    let (m, s) = (found.mass.interval(0.95).unwrap(), found.mass.share_lost(0.95).unwrap());
    assert_eq!((m.low, m.median, m.high), (31.0, 31.0, 31.0));
    assert_eq!((s.low, s.median, s.high), (0.0, 0.0, 0.0));
    assert_eq!(found.mass.lost_more_than(0.0).unwrap(), 0.0);
    // a broken piece without retouch lost what broke off: its platform is asked
    let sizes = sizes();
    let broken = none.portion(Portion::Proximal).strike(strike()).build().unwrap();
    let found = look().sizes(&sizes).original(&broken, &Ask::default()).unwrap();
    assert_eq!(found.leans_on, LeansOn::Platform);
    assert!(look().original(&broken, &Ask::default()).is_err());
    let scrap = scraper().portion(Portion::Distal).build().unwrap();
    let e = look().original(&scrap, &Ask::default()).unwrap_err().to_string();
    assert!(
        e.ends_with("(the retouch tells of complete pieces only; of a broken one the platform is needed)"),
        "{e}"
    );
}

#[test]
fn a_fresh_break_that_was_weighed_counts_as_mass_of_the_retouched_piece() {
    struct Refitted(Flake);
    impl crate::strike::Measured for Refitted {
        fn number(&self, name: &str) -> Option<f64> {
            match name {
                "mass_now_g" => Some(25.0),
                "mass_missing_g" => Some(6.0),
                _ => self.0.number(name),
            }
        }
        fn class(&self, name: &str) -> Option<&str> {
            self.0.class(name)
        }
    }
    let whole = look().original(&scraper().build().unwrap(), &Ask::default()).unwrap();
    let found = look().original(&Refitted(scraper().build().unwrap()), &Ask::default()).unwrap();
    let (a, b) = (whole.mass.interval(0.95).unwrap(), found.mass.interval(0.95).unwrap());
    assert_eq!(a, b);
    assert!((found.mass.share_lost(0.5).unwrap().median - (1.0 - 25.0 / b.median)).abs() < 1e-15);
}

#[test]
fn doubts_are_told() {
    let piece = Flake::builder().mass_now_g(31.0).retouch_point(5.2, 5.0).retouch_kind(RetouchKind::Inverse);
    let piece = piece.retouched_edges(RetouchedEdges::Double).build().unwrap();
    let kinds: Vec<&str> =
        look().original(&piece, &Ask::default()).unwrap().cautions.iter().map(|c| c.kind()).collect();
    for kind in ["retouch-not-in-experiment", "height-above-thickness", "states-of-experiment"] {
        assert!(kinds.contains(&kind), "{kind}: {kinds:?}");
    }
    assert_eq!(kinds.iter().filter(|k| **k == "retouch-not-in-experiment").count(), 2);
    // of an index alone too, which counts as 1
    let of = |index| look().original(&by_index(index, 31.0), &Ask::default());
    let (above, full) = (of(1.04).unwrap(), of(1.0).unwrap());
    let told =
        |o: &crate::infer::OriginalEstimate| o.cautions.iter().any(|c| c.kind() == "height-above-thickness");
    assert!(told(&above) && !told(&full));
    assert_eq!(above.mass.interval(0.9).unwrap(), full.mass.interval(0.9).unwrap());
    let quartzite = Strike::builder().stone("quartzite").build().unwrap();
    let piece = scraper().strike(quartzite).build().unwrap();
    let cautions = look().original(&piece, &Ask::default()).unwrap().cautions;
    assert!(
        cautions.iter().any(|c| c.to_string() == "the experiment flaked flint, not quartzite"),
        "{cautions:?}"
    );
}

#[test]
fn bad_rows_are_named_by_row_and_column() {
    let header = "flake;mass_now_g;max_thickness_now_mm;retouch_height_1_mm;thickness_at_1_mm;retouch_height_2_mm;\
                  thickness_at_2_mm;retouch_index;retouched";
    let cases = [
        ("a;31;12;9;5;;;;", "row 1, column retouch_height_1_mm: 9 is out of range (accepted: 0 to 5.5 mm"),
        (
            "a;31;12;;;;;1.3;",
            "row 1, column retouch_index: 1.3 is out of range (accepted: at least 0, at most 1.05)",
        ),
        (
            "a;31;12;;;;;-0.2;",
            "row 1, column retouch_index: -0.2 is out of range (accepted: at least 0, at most 1.05)",
        ),
        ("a;31;12;3;9;4;;;", "row 1, column thickness_at_2_mm: not recorded (retouch_height_2_mm needs"),
        ("a;900;9.5;3;9;;;;", "row 1, column mass_now_g: 900 is out of range (accepted: at most 162.5 g"),
        (
            "a;31;12;3;9;;;;no",
            "row 1, column retouch_height_1_mm: retouch on a piece that is said to be unretouched",
        ),
        (
            "a;31;12;;;;;0.3;no",
            "row 1, column retouch_index: retouch on a piece that is said to be unretouched",
        ),
        (
            "a;31;12;;;;;;yes",
            "row 1, column retouch_height_1_mm: not recorded (either the marks of retouch of a complete piece are",
        ),
        ("a;;12;3;9;;;;", "row 1, column mass_now_g: not recorded"),
    ];
    for (line, expected) in cases {
        let text = format!("{header}\n{line}\n");
        let options = TableOptions::new().number("retouch_index");
        let mut table = TableReader::new(text.as_bytes(), &options).unwrap();
        let mut row = table.row();
        assert!(table.read(&mut row).unwrap());
        let e = look().original(&row, &Ask::default()).unwrap_err().in_row(row.row_number());
        assert!(e.to_string().starts_with(expected), "{line}: {e}");
    }
    // in centimetres
    let text = "mass_now_g,retouch_height_1_cm,thickness_at_1_cm\n31,0.42,0.91\n";
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    let found = look().original(&row, &Ask::default()).unwrap();
    assert_eq!(found.estimate.variant, "mass, index");
}

#[test]
fn only_a_calibration_of_loss_reads_retouch() {
    let e = look().retouch(Arc::new(sizes())).unwrap_err();
    assert!(e.to_string().contains("hard-hammer-flint does not tell original_over_now"), "{e}");
    let c = Component { weight: 1.0, location: 0.0, scale: 1.0, degrees_of_freedom: 9.0 };
    for t in [Transform::Ln, Transform::Identity] {
        assert!(Original::by_marks(Predictive::new(t, vec![c]).unwrap(), 3.0, 3.0).is_err());
    }
}

/// Scrapers of a field school resharpened again and again: invented.
fn resharpened(pieces: usize, states: usize) -> Vec<Flake> {
    let mut all = Vec::new();
    for p in 0..pieces {
        let then = 20.0 + 3.0 * p as f64;
        let thickness = 8.0 + (p % 7) as f64;
        for s in 1..=states {
            let wobble = 0.9 + 0.2 * ((p * 7 + s * 3) % 11) as f64 / 10.0;
            let index = (0.16 * s as f64 * wobble).min(1.0);
            let own = 0.75 + 0.5 * ((p * 5) % 13) as f64 / 12.0;
            let lost = (0.05 * (s * s) as f64 * own * wobble).min(2.0);
            let name = format!("s{p}");
            all.push(
                Flake::builder()
                    .name(name.as_str())
                    .original_mass_g(then)
                    .mass_now_g(then / (1.0 + lost))
                    .max_thickness_now_mm(thickness + 1.0)
                    .retouch_point(index * thickness, thickness)
                    .build()
                    .unwrap(),
            );
        }
    }
    all
}

#[test]
fn a_calibration_of_loss_is_made_from_ones_own_pieces() {
    let provenance = Provenance::new("a field school's scrapers", "own records", "own", "test");
    let mut recipe = loss_recipe("school-loss", provenance, |_| true).unwrap();
    recipe.variants.retain(|v| v.name == "mass, index");
    let mut collector = Collector::new(recipe.clone()).unwrap();
    let flakes = resharpened(24, 5);
    flakes.iter().for_each(|f| {
        collector.offer(f);
    });
    // what weighs a little more than it did, as two balances may say, is left out by name
    let heavier = Flake::builder().name("odd").original_mass_g(10.0).mass_now_g(10.3);
    collector.offer(&retouched(heavier).build().unwrap());
    let (calibration, report) = collector.finish().unwrap();
    assert_eq!((report.used, report.offered), (120, 121));
    assert_eq!(report.left_out, [("original_over_now is not above 1".to_string(), 1)]);
    let model = &calibration.variants()[0].sizes[0];
    assert_eq!((model.flakes, calibration.name()), (24, "school-loss"));
    let look = look().retouch(Arc::new(Predictor::new(calibration).unwrap())).unwrap();
    let found = look.original(&flakes[3], &Ask::default()).unwrap();
    assert_eq!(found.estimate.calibration, "school-loss");
    let i = found.mass.interval(0.95).unwrap();
    assert!(i.low < 20.0 && 20.0 < i.high, "{i:?}");
    // a piece without a name stands for itself
    let mut unnamed = Collector::new(recipe).unwrap();
    flakes.iter().for_each(|f| {
        unnamed.offer(&f.to_builder().name(None).build().unwrap());
    });
    assert_eq!(unnamed.finish().unwrap().0.variants()[0].sizes[0].flakes, 120);
}

#[test]
fn a_recipe_of_least_squares_reads_loss_too() {
    let form = crate::form::Form::new(
        "plain loss",
        Transform::LnExcess,
        vec![crate::form::value("retouch_index"), crate::form::ln("mass_now_g")],
    )
    .unwrap();
    let provenance = Provenance::new("a field school's scrapers", "own records", "own", "test");
    let mut recipe = Recipe::single("plain", "original_over_now", form, provenance).unwrap();
    assert!(recipe.variants[0].sizes[0].method.is_least_squares());
    recipe.keep_incomplete = true;
    let mut collector = Collector::new(recipe).unwrap();
    resharpened(24, 5).iter().for_each(|f| {
        collector.offer(f);
    });
    let (calibration, _) = collector.finish().unwrap();
    let predictor = Arc::new(Predictor::new(calibration).unwrap());
    let found =
        look().retouch(predictor).unwrap().original(&scraper().build().unwrap(), &Ask::default()).unwrap();
    assert!(found.mass.interval(0.95).unwrap().low >= 31.0);
}

fn by_index(index: f64, mass: f64) -> Flake {
    Flake::builder().mass_now_g(mass).retouch_index(index).build().unwrap()
}

#[test]
fn a_piece_of_a_group_is_told_as_it_is_alone() {
    let look = look();
    let mut losses = Losses::new(&look);
    let piece = scraper().build().unwrap();
    assert!(losses.offer("alone", &piece).is_none());
    let group = &losses.totals(&Drawing::seeded(2).draws(20_000).unwrap()).unwrap()[0];
    let i = look.original(&piece, &Ask::default()).unwrap().mass.interval(0.95).unwrap();
    let drawn = group.original_mass_g.unwrap();
    for (a, b, error) in [
        (drawn.low, i.low, drawn.monte_carlo_error.low),
        (drawn.median, i.median, drawn.monte_carlo_error.median),
        (drawn.high, i.high, drawn.monte_carlo_error.high),
    ] {
        // four errors of the draws, and a hundredth of what the tails of a t and of a drawn spread may differ by
        assert!((a - b).abs() < 4.0 * error + 0.01 * (i.high - i.low), "{drawn:?} {i:?}");
    }
    let share = group.share_lost.unwrap();
    assert!((share.median - (1.0 - 31.0 / drawn.median)).abs() < 1e-12);
    assert_eq!(group.share_lost, group.mean_share_lost);
}

#[test]
fn what_pieces_share_does_not_average_out() {
    // many pieces alike: only coefficients and spread are left to be uncertain, and their law is known
    let (index, mass): (f64, f64) = (0.4, 30.0);
    let look = look();
    let mut losses = Losses::new(&look);
    (0..4000).for_each(|_| assert!(losses.offer("alike", &by_index(index, mass)).is_none()));
    let group = &losses.totals(&Drawing::seeded(9).draws(1000).unwrap()).unwrap()[0];
    let calibration = bundled::named(bundled::LOSS).unwrap();
    let model = &calibration.variants().iter().find(|v| v.name == "mass, index").unwrap().sizes[0];
    let x = [1.0, mass.ln(), index.ln(), index, index.powi(3)];
    let z = [1.0, index];
    let Spread::Modelled { coefficients, covariance } = &model.spread else { panic!() };
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let form = |v: &[Vec<f64>], x: &[f64]| x.iter().zip(v).map(|(a, row)| a * dot(row, x)).sum::<f64>();
    let (middle, variance) = (dot(&x, &model.coefficients), (2.0 * dot(&z, coefficients)).exp());
    // the mean over pieces of exp(mu + s e) is exp(mu + s^2 / 2)
    let mean = middle + 0.5 * variance;
    let sd = (form(&model.covariance, &x) + variance * variance * form(covariance, &z)).sqrt();
    let drawn = group.original_mass_g.unwrap();
    let at = |v: f64| (v / (4000.0 * mass) - 1.0).ln();
    assert!((at(drawn.median) - mean).abs() < 0.2 * sd, "{} {mean} {sd}", at(drawn.median));
    let width = (at(drawn.high) - at(drawn.low)) / (2.0 * 1.959964);
    assert!((width / sd - 1.0).abs() < 0.12, "{width} {sd}");
    // were the pieces independent it would be a tenth of that
    assert!(width > 5.0 * (variance / 4000.0).sqrt());
}

#[test]
fn groups_are_told_each_by_itself_and_what_is_not_told_is_listed() {
    let look = look();
    let fill = |losses: &mut Losses<'_>| {
        for (index, mass) in [(0.2, 20.0), (0.5, 31.0), (0.7, 12.0), (0.0, 9.0)] {
            assert!(losses.offer("spring", &by_index(index, mass)).is_none());
        }
    };
    let (mut one, mut two) = (Losses::new(&look), Losses::new(&look));
    fill(&mut one);
    fill(&mut two);
    two.offer("quarry", &by_index(0.1, 50.0));
    let inverse = Flake::builder().mass_now_g(20.0).retouch_index(0.3).retouch_kind(RetouchKind::Inverse);
    two.offer("quarry", &inverse.build().unwrap());
    let no_mass = retouched(Flake::builder()).build().unwrap();
    assert!(Losses::reads(&no_mass) && !Losses::reads(&Flake::builder().mass_now_g(3.0).build().unwrap()));
    assert!(two.offer("quarry", &no_mass).is_some());
    two.leave_out("quarry", "not a row of this table");
    let drawing = Drawing::seeded(4).draws(500).unwrap();
    let (one, two) = (one.totals(&drawing).unwrap(), two.totals(&drawing).unwrap());
    assert_eq!(one[0], two[0]);
    assert_eq!((one[0].n, one[0].unretouched, one[0].mass_now_g), (4, 1, 72.0));
    let quarry = &two[1];
    assert_eq!((quarry.pieces, quarry.n), (4, 2));
    assert_eq!(
        quarry.not_estimated.iter().map(|r| (r.reason.clone(), r.pieces)).collect::<Vec<_>>(),
        [
            (
                "mass_now_g: not recorded (the mass that remains bounds the original from below)".to_string(),
                1
            ),
            ("not a row of this table".to_string(), 1)
        ]
    );
    let cautions: Vec<(&str, u64)> = quarry.cautions.iter().map(|c| (c.kind, c.flakes)).collect();
    assert!(
        cautions.contains(&("retouch-not-in-experiment", 1))
            && cautions.contains(&("states-of-experiment", 2))
    );
    assert_eq!(quarry.lost_more_than.len(), TOLD_SHARES.len());
    for pair in quarry.lost_more_than.windows(2) {
        assert!(pair[0].1.median >= pair[1].1.median && pair[0].1.high <= 1.0, "{pair:?}");
    }
    // reasons are counted, not gathered without end
    let mut many = Losses::new(&look);
    for k in 0..500 {
        many.leave_out("spring", format!("reason {k}"));
    }
    let reasons = &many.totals(&drawing).unwrap()[0].not_estimated;
    assert_eq!((reasons.len(), &reasons[0].reason[..], reasons[0].pieces), (65, "other reasons", 436));
    // a group of none but failures is told without numbers
    let mut none = Losses::new(&look);
    none.leave_out("empty", "no");
    let told = &none.totals(&drawing).unwrap()[0];
    assert!(told.original_mass_g.is_none() && told.lost_more_than.is_empty());
    let text = serde_json::to_value(quarry).unwrap();
    assert_eq!(text["lost_more_than"][1]["share_lost"], 0.1);
    assert_eq!(text["not_estimated"][1]["pieces"], 1);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_estimate_lies_below_what_remains(
        mass in 0.5f64..400.0, thickness in 3.0f64..40.0, height in 0.05f64..40.0, full in 0.01f64..1.0,
        level in 0.01f64..0.999,
    ) {
        prop_assume!(mass < 1.7 * thickness * thickness);
        let piece = Flake::builder().mass_now_g(mass).max_thickness_now_mm(thickness);
        let piece = piece.retouch_point(full * height, height).build().unwrap();
        let found = look().original(&piece, &Ask::default()).unwrap();
        let i = found.mass.interval(level).unwrap();
        prop_assert!(mass <= i.low && i.low <= i.median && i.median <= i.high && i.high.is_finite(), "{i:?}");
        prop_assert!((found.mass.cdf(i.high) - found.mass.cdf(i.low) - level).abs() < 1e-9);
        prop_assert!((found.mass.cdf(i.median) + found.mass.sf(i.median) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_shortest_interval_is_no_wider_than_the_central_one(
        location in 1.0f64..5.0, scale in 0.2f64..1.0, now in 1.0f64..200.0, a in 0.4f64..3.0, b in 1.0f64..5.0,
    ) {
        let c = Component { weight: 1.0, location, scale, degrees_of_freedom: 200.0 };
        let p = Predictive::new(Transform::Ln, vec![c]).unwrap();
        let o = Original::new(p, now, now, Some(ReadyLoss::new(Arc::new(BetaLoss::new(a, b).unwrap())))).unwrap();
        let i = o.interval(0.9).unwrap();
        let (low, high) = (o.quantile(0.05).unwrap(), o.quantile(0.95).unwrap());
        prop_assert!(i.high - i.low <= (high - low) * (1.0 + 1e-6), "{i:?} {low} {high}");
        prop_assert!((o.cdf(i.high) - o.cdf(i.low) - 0.9).abs() < 1e-8, "{i:?}");
        // where the density grows without bound toward what remains, and falls from there, nothing lost is held
        if a < 0.8 && (now.ln() - location) > scale {
            prop_assert_eq!(i.low, now);
        }
        // no interval of the same level on either side is shorter
        for shift in [0.005, 0.02, 0.05, 0.09] {
            let other = o.quantile(0.9 + shift).unwrap() - o.quantile(shift).unwrap();
            prop_assert!(i.high - i.low <= other * (1.0 + 1e-5), "{i:?} against {other}");
        }
    }
}

#[test]
fn the_usual_model_of_loss_can_be_replaced() {
    let sizes = sizes();
    let piece = Flake::builder().mass_now_g(31.0).strike(strike()).build().unwrap();
    let of = |loss: Option<BetaLoss>| {
        let loss = loss.map(|l| Arc::new(l) as Arc<dyn crate::infer::Loss>);
        look()
            .sizes(&sizes)
            .loss(loss)
            .original(&piece, &Ask::default())
            .unwrap()
            .mass
            .interval(0.95)
            .unwrap()
    };
    let usual = look().sizes(&sizes).original(&piece, &Ask::default()).unwrap().mass.interval(0.95).unwrap();
    assert_eq!(usual, of(Some(BetaLoss::usual())));
    assert_eq!(usual.low, 31.0, "nothing lost is held");
    let light = of(Some(BetaLoss::new(0.5, 4.0).unwrap()));
    let heavy = of(Some(BetaLoss::new(1.0, 1.0).unwrap()));
    assert!(light.high < usual.high && usual.high < heavy.high, "{light:?} {usual:?} {heavy:?}");
    assert!(of(None).low > 31.0);
    let e = LookBack::new().unwrap().original(&piece, &Ask::default()).unwrap_err();
    assert!(matches!(e, Error::Missing { .. }), "{e}");
}

#[test]
fn a_broken_piece_is_given_the_thickness_that_the_break_left() {
    let sizes = sizes();
    let piece = |thickness: f64| {
        let flake = Flake::builder().mass_now_g(6.0).portion(Portion::Proximal).strike(strike());
        flake.mean_thickness_mm(thickness).build().unwrap()
    };
    let of = |look: &LookBack<'_>, thickness: f64| {
        look.original(&piece(thickness), &Ask::default()).unwrap().mass.interval(0.9).unwrap()
    };
    let plain = look().sizes(&sizes);
    let given = plain.clone().unbroken(&["thickness_mm", "width_mm"]).unwrap();
    assert_eq!(of(&plain, 5.0), of(&plain, 12.0));
    let (thin, thick) = (of(&given, 5.0), of(&given, 12.0));
    assert!(thin.median < thick.median && thin.high < of(&plain, 5.0).high, "{thin:?} {thick:?}");
    let e = plain.unbroken(&["length_mm"]).unwrap_err();
    assert_eq!(e.to_string(), "unbroken: \"length_mm\" is not known (accepted: thickness_mm, width_mm)");
}

/// A group has its answer whatever other groups stand before it.
#[test]
fn losses_of_a_group_do_not_depend_on_other_groups() {
    let look = look();
    let of = |before: &[&str]| {
        let mut losses = Losses::new(&look);
        for group in before.iter().chain(&["spring"]) {
            let piece = Flake::builder().mass_now_g(24.0).retouch_index(0.35).build().unwrap();
            assert!(losses.offer(group, &piece).is_none());
        }
        losses.totals(&Drawing::seeded(3).draws(200).unwrap()).unwrap().pop().unwrap()
    };
    assert_eq!(of(&[]), of(&["quarry", "cave"]));
}

#[test]
fn an_answer_is_told_with_what_it_was_asked_with() {
    let piece = Flake::builder().mass_now_g(24.0).retouch_index(0.35);
    let sizes = sizes();
    let look = look().sizes(&sizes);
    let bare = Flake::builder().mass_now_g(24.0).strike(strike());
    for piece in [piece.build().unwrap(), bare.build().unwrap()] {
        let found = look.original(&piece, &Ask::default()).unwrap();
        found.at(&Remains::of(&piece).unwrap(), None, 0.5, 0.95).unwrap();
        for other in [Remains::new(500.0), Remains::new(24.0).and_then(|r| r.with_missing_g(2.0))] {
            let e = found.at(&other.unwrap(), None, 0.5, 0.95);
            assert!(matches!(e, Err(Error::Incomparable { .. })), "{e:?}");
        }
    }
}
