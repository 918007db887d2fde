//! The vocabulary: names, bounds and messages, and that stored values come in by the same door.

use crate::Error;
use crate::flake::{Flake, Portion, Technique, Termination, refusal};
use crate::strike::{LandsOn, Measured, PlatformKind, Strike};
use proptest::prelude::*;

macro_rules! each_name_is_read_and_written {
    ($($Name:ty),+) => {$(
        for member in <$Name>::ALL {
            let name = member.name();
            assert_eq!(member.to_string(), name);
            assert_eq!(name.to_uppercase().parse::<$Name>().unwrap(), *member);
            let json = serde_json::to_string(member).unwrap();
            assert_eq!(json, format!("\"{name}\""));
            assert_eq!(serde_json::from_str::<$Name>(&json).unwrap(), *member);
        }
        assert!("".parse::<$Name>().is_err());
        assert!(serde_json::from_str::<$Name>("\"sideways\"").is_err());
        assert!(serde_json::from_str::<$Name>("3").is_err());
    )+};
}

#[test]
fn names_of_all_vocabularies() {
    each_name_is_read_and_written!(PlatformKind, LandsOn, Portion, Technique, Termination);
}

#[test]
fn other_spellings_are_read() {
    for (text, expected) in [
        ("Plunging", Termination::Overshot),
        ("overshoot", Termination::Overshot),
        (" HINGE ", Termination::Hinge),
    ] {
        assert_eq!(text.parse::<Termination>().unwrap(), expected, "{text}");
    }
    for (text, expected) in [
        ("punch", Technique::Indirect),
        ("hard hammer", Technique::Direct),
        ("Soft-Hammer", Technique::Direct),
        ("soft_hammer", Technique::Direct),
    ] {
        assert_eq!(text.parse::<Technique>().unwrap(), expected, "{text}");
    }
}

#[test]
fn an_unknown_name_lists_what_is_accepted() {
    let e = "crush".parse::<PlatformKind>().unwrap_err();
    assert_eq!(
        e.to_string(),
        "platform_kind: \"crush\" is not known; did you mean \"crushed\"? (accepted: plain, cortical, \
         dihedral, faceted, linear, punctiform, crushed)"
    );
    assert_eq!(e.place().unwrap().column.as_deref(), Some("platform_kind"));
}

#[test]
fn measurements_outside_their_bounds() {
    let flake = Flake::builder;
    let strike = Strike::builder;
    let cases: Vec<(Option<Error>, &str)> = vec![
        (
            strike().platform_depth_mm(0.0).build().err(),
            "platform_depth_mm: 0 is out of range (accepted: at least 0.05, at most 1000 mm)",
        ),
        (
            strike().platform_width_mm(1000.5).build().err(),
            "platform_width_mm: 1000.5 is out of range (accepted: at least 0.05, at most 1000 mm)",
        ),
        (
            strike().platform_area_mm2(f64::NAN).build().err(),
            "platform_area_mm2: NaN is out of range (accepted: at least 0.0025, at most 1000000 mm2)",
        ),
        (
            strike().exterior_platform_angle_deg(180.0).build().err(),
            "exterior_platform_angle_deg: 180 is out of range (accepted: at least 1, at most 179 degrees)",
        ),
        (
            strike().exterior_platform_angle_deg(0.0).build().err(),
            "exterior_platform_angle_deg: 0 is out of range (accepted: at least 1, at most 179 degrees)",
        ),
        (
            strike().angle_of_blow_deg(-90.5).build().err(),
            "angle_of_blow_deg: -90.5 is out of range (accepted: at least -90, at most 90 degrees)",
        ),
        (
            strike().speed_m_s(f64::INFINITY).build().err(),
            "speed_m_s: inf is out of range (accepted: at least 0.01, at most 100 m/s)",
        ),
        (
            flake().thickness_mm(0.0).build().err(),
            "thickness_mm: 0 is out of range (accepted: at least 0.05, at most 10000 mm)",
        ),
        (
            flake().mass_g(-3.0).build().err(),
            "mass_g: -3 is out of range (accepted: at least 0.001, at most 1000000 g)",
        ),
        (
            strike().percussor_mass_g(0.0).build().err(),
            "percussor_mass_g: 0 is out of range (accepted: at least 0.1, at most 100000 g)",
        ),
        (strike().stone("  ").build().err(), "stone: a name has 1 to 64 characters, this has 0"),
        (
            strike().percussor(&*"a".repeat(65)).build().err(),
            "percussor: a name has 1 to 64 characters, this has 65",
        ),
        (flake().core("A\nB").build().err(), "core: a name stands on one line, without control characters"),
    ];
    for (found, expected) in cases {
        assert_eq!(found.map(|e| e.to_string()).as_deref(), Some(expected));
    }
    // The ends that are accepted.
    assert!(
        strike()
            .platform_depth_mm(1000.0)
            .platform_area_mm2(1e6)
            .exterior_platform_angle_deg(140.0)
            .build()
            .is_ok()
    );
    assert!(strike().angle_of_blow_deg(-90.0).build().is_ok());
    assert!(strike().angle_of_blow_deg(90.0).speed_m_s(100.0).build().is_ok());
    assert_eq!(strike().build().unwrap(), Strike::default());
}

fn whole_flake() -> Flake {
    let strike = Strike::builder()
        .platform_depth_mm(8.25)
        .platform_width_mm(21.0)
        .platform_area_mm2(110.5)
        .exterior_platform_angle_deg(104.0)
        .platform_kind(PlatformKind::Faceted)
        .platform_bevelled(true)
        .angle_of_blow_deg(-5.0)
        .speed_m_s(6.5)
        .blow_lands_on(LandsOn::Edge)
        .percussor(" Red deer ANTLER ")
        .percussor_mass_g(310.0)
        .tip_radius_mm(12.0)
        .stone("Flint")
        .core_mass_g(2400.0)
        .build()
        .unwrap();
    Flake::builder()
        .name("A17")
        .strike(strike)
        .length_mm(61.2)
        .width_mm(44.0)
        .thickness_mm(9.5)
        .mean_thickness_mm(8.1)
        .max_thickness_mm(11.0)
        .mass_g(27.3)
        .mass_now_g(25.0)
        .portion(Portion::Complete)
        .technique(Technique::Direct)
        .retouched(false)
        .termination(Termination::Step)
        .lip(true)
        .core("Nodule 3")
        .knapper("Wren")
        .build()
        .unwrap()
}

#[test]
fn a_whole_flake_is_seen_by_column() {
    let flake = whole_flake();
    for (name, value) in [
        ("platform_depth_mm", 8.25),
        ("platform_width_mm", 21.0),
        ("platform_area_mm2", 110.5),
        ("exterior_platform_angle_deg", 104.0),
        ("angle_of_blow_deg", -5.0),
        ("speed_m_s", 6.5),
        ("percussor_mass_g", 310.0),
        ("tip_radius_mm", 12.0),
        ("core_mass_g", 2400.0),
        ("length_mm", 61.2),
        ("width_mm", 44.0),
        ("thickness_mm", 9.5),
        ("mean_thickness_mm", 8.1),
        ("max_thickness_mm", 11.0),
        ("mass_g", 27.3),
        ("mass_now_g", 25.0),
    ] {
        assert_eq!(flake.number(name), Some(value), "{name}");
        assert_eq!(Flake::default().number(name), None, "{name}");
    }
    for (name, value) in [
        ("flake", "A17"),
        ("percussor", "red deer antler"),
        ("stone", "flint"),
        ("blow_lands_on", "edge"),
        ("termination", "step"),
        ("portion", "complete"),
        ("technique", "direct"),
        ("retouched", "no"),
        ("platform_kind", "faceted"),
        ("platform_bevelled", "yes"),
        ("core", "Nodule 3"),
        ("knapper", "Wren"),
        ("lip", "yes"),
    ] {
        assert_eq!(flake.class(name), Some(value), "{name}");
        assert_eq!(Flake::default().class(name), None, "{name}");
    }
    assert_eq!((flake.number("termination"), flake.class("mass_g")), (None, None));
}

#[test]
fn stored_flakes_come_in_by_the_same_door() {
    for flake in [whole_flake(), Flake::default()] {
        let json = serde_json::to_string(&flake).unwrap();
        let back: Flake = serde_json::from_str(&json).unwrap();
        assert_eq!(back, flake);
        assert_eq!(serde_json::to_string(&back).unwrap(), json);
    }
    let read = |json: &str| serde_json::from_str::<Flake>(json).map_err(|e| e.to_string());
    let wrong = |json: &str, expected: &str| {
        let e = read(json).unwrap_err();
        assert!(e.starts_with(expected), "{json}: {e}");
    };
    wrong(
        r#"{"platform_depth_mm":0}"#,
        "platform_depth_mm: 0 is out of range (accepted: at least 0.05, at most 1000 mm)",
    );
    wrong(r#"{"stone":""}"#, "stone: a name has 1 to 64 characters, this has 0");
    wrong(r#"{"mass_g":-1}"#, "mass_g: -1 is out of range (accepted: at least 0.001, at most 1000000 g)");
    wrong(r#"{"portion":"half"}"#, "portion: \"half\" is not known (accepted: complete, proximal,");
    wrong(r#"{"weight_g":3}"#, "weight_g: not a column of a flake");
    wrong(r#"{"mass_g":"heavy"}"#, "mass_g: not a column of a flake, or of the other kind");
    wrong(r#"{"retouched":"perhaps"}"#, "retouched: \"perhaps\" is not known (accepted: yes, no)");
    assert!(read(r#"{"lip":true}"#).is_err() && read(r#"["lip"]"#).is_err());
    let stored = read(r#"{"termination":"Exploded","percussor":"STEEL","lip":"Y"}"#).unwrap();
    assert_eq!(stored.class("lip"), Some("yes"));
    assert_eq!(stored.class("termination"), Some("exploded"));
    assert_eq!(stored.class("percussor"), Some("steel"));
}

#[test]
fn a_known_termination_never_hides_as_another() {
    let read = |text: &str| serde_json::from_str::<Flake>(&format!("{{\"termination\":\"{text}\"}}"));
    assert_eq!(read("Plunging").unwrap().class("termination"), Some("overshot"));
    assert!(read("").is_err());
}

#[test]
fn pieces_that_cannot_be_estimated_are_refused_by_name() {
    let with_kind = |kind, depth: Option<f64>| {
        let strike = Strike::builder().platform_kind(kind).platform_depth_mm(depth).build().unwrap();
        Flake::builder().strike(strike).build().unwrap()
    };
    let with_portion = |portion| Flake::builder().portion(portion).build().unwrap();
    for (flake, expected) in [
        (
            with_kind(PlatformKind::Crushed, Some(5.0)),
            Some("platform_kind: a crushed platform cannot be measured, so nothing can be estimated from it"),
        ),
        (
            with_kind(PlatformKind::Punctiform, None),
            Some(
                "platform_kind: a punctiform platform without a measured depth or area cannot be estimated from",
            ),
        ),
        (with_kind(PlatformKind::Linear, Some(0.8)), None),
        (with_kind(PlatformKind::Plain, None), None),
        (
            with_portion(Portion::Shatter),
            Some(
                "portion: shatter, so without a platform to estimate from (accepted: complete, proximal, split)",
            ),
        ),
        (with_portion(Portion::Proximal), None),
        (Flake::default(), None),
    ] {
        assert_eq!(refusal(&flake).map(|e| e.to_string()).as_deref(), expected, "{flake:?}");
    }
}

proptest! {
    #[test]
    fn a_platform_that_exists_is_within_its_bounds(
        depth in any::<f64>(), angle in any::<f64>(), area in any::<f64>()
    ) {
        let built =
            Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).platform_area_mm2(area).build();
        let inside = (0.05..=1000.0).contains(&depth)
            && (1.0..=179.0).contains(&angle)
            && (0.0025..=1e6).contains(&area);
        prop_assert_eq!(built.is_ok(), inside);
    }

    #[test]
    fn stored_measurements_come_back_bit_for_bit(depth in 0.05..1000.0f64, angle in 1.0..179.0f64) {
        let strike = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build().unwrap();
        let flake = Flake::builder().strike(strike).build().unwrap();
        let json = serde_json::to_string(&flake).unwrap();
        prop_assert_eq!(serde_json::from_str::<Flake>(&json).unwrap(), flake);
    }

    #[test]
    fn any_text_is_a_termination_or_an_error(text in ".{0,80}") {
        let read = |text: &str| serde_json::from_value::<Flake>(serde_json::json!({"termination": text}));
        if let Ok(flake) = read(&text) {
            let told = flake.class("termination").unwrap();
            let again = read(told).unwrap();
            prop_assert_eq!(again.class("termination"), Some(told));
        }
    }
}
