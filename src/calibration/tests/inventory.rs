//! Which form a table's flakes allow: never a fuller one for having fewer flakes, and what is not read is named.

use crate::calibration::{Collector, Inventory, Provenance, Recipe};
use crate::flake::Flake;
use crate::form::{Form, Transform, ln};
use crate::strike::Strike;

#[test]
fn fewer_flakes_never_have_a_fuller_form() {
    let own = || Provenance::new("a chalk pit", "own notes", "own", "a test");
    let flakes: Vec<Flake> = (0..24)
        .map(|i| {
            let (depth, width) = (4.0 + f64::from(i * 7 % 11), 9.0 + f64::from(i * 5 % 13));
            let strike = Strike::builder()
                .platform_depth_mm(depth)
                .platform_width_mm(width)
                .exterior_platform_angle_deg(65.0 + f64::from(i * 3 % 17))
                .build();
            Flake::builder()
                .strike(strike.unwrap())
                .mass_g(0.3 * depth * depth + 0.01 * width)
                .build()
                .unwrap()
        })
        .collect();
    let mut last = 0;
    for n in 4..=flakes.len() {
        let mut inventory = Inventory::new(None).unwrap();
        flakes[..n].iter().for_each(|f| inventory.see(f));
        let recipe = inventory.recipe("pit", &["mass_g"], own()).unwrap();
        let terms = recipe.variants[0].sizes[0].form.terms().len();
        let all: Vec<&str> = ["platform_width_mm", "exterior_platform_angle_deg"].to_vec();
        assert!(terms >= last && (n < 20) == (terms < 3), "{n} flakes, {terms} terms");
        last = terms;
        let mut collector = Collector::new(recipe).unwrap();
        flakes[..n].iter().for_each(|f| assert!(collector.offer(f).is_none()));
        let (made, report) = collector.finish().unwrap();
        let told = report.in_words(&made, &[]).to_string();
        // of two variants with two terms one reads the width and one the angle
        let unread = if terms == 1 { &all[..] } else { &[] };
        let fewer = "fewer than 5 flakes for each coefficient record it";
        assert_eq!(told.contains(fewer), !unread.is_empty(), "{told}");
        assert!(unread.iter().all(|n| told.contains(&crate::predict::in_words(n))), "{told}");
    }
}

/// Twelve flakes whose thickness happens to fall with the width of the platform.
#[test]
fn a_size_that_falls_as_the_platform_grows_is_named() {
    let own = Provenance::new("a chalk pit", "own notes", "own", "a test");
    let terms = [ln("platform_depth_mm"), ln("platform_width_mm")];
    let form = Form::new("both", Transform::Ln, terms.to_vec()).unwrap();
    let mut recipe = Recipe::single("pit", "thickness_mm", form, own).unwrap();
    recipe.variants[0].sizes[0].size = "thickness_mm".into();
    let told = |fall: f64| {
        let mut collector = Collector::new(recipe.clone()).unwrap();
        for i in 0..12 {
            let (depth, width) = (4.0 + f64::from(i * 7 % 11), 9.0 + f64::from(i * 5 % 13));
            let strike = Strike::builder().platform_depth_mm(depth).platform_width_mm(width);
            let strike = strike.exterior_platform_angle_deg(70.0 + f64::from(i % 4)).build().unwrap();
            let thickness = depth * width.powf(fall) * (1.0 + 0.01 * f64::from(i * 3 % 5));
            collector.offer(&Flake::builder().strike(strike).thickness_mm(thickness).build().unwrap());
        }
        let (made, report) = collector.finish().unwrap();
        report.in_words(&made, &[]).to_string()
    };
    assert!(told(-0.3).contains("thickness with platform width"), "{}", told(-0.3));
    assert!(!told(0.3).contains("fall"), "{}", told(0.3));
}
