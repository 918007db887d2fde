//! The words of every caution and its stable kind, as other people's scripts and readers rely on them.

use crate::calibration::bundled;
use crate::calibration::caution::Doubt;
use crate::predict::{Ask, Caution, Predictor, in_words};
use crate::strike::{PlatformKind, Strike};

fn text(s: &str) -> String {
    s.to_string()
}

#[test]
fn every_caution_says_what_and_how_much() {
    let outside = |value: f64| Doubt::OutsideRange {
        measurement: text("platform_depth_mm"),
        value,
        low: 2.5,
        high: 12.0,
    };
    let remains =
        |size: &str, probability: f64| Doubt::RemainsImprobable { size: text(size), now: 850.0, probability };
    let beyond =
        |expected: f64| Doubt::BeyondRecorded { size: text("length_mm"), expected, low: 12.25, high: 210.0 };
    let percussor = |leans_on: Option<&str>| Doubt::PercussorNotInExperiment {
        percussor: text("antler"),
        leans_on: leans_on.map(text),
        seen: vec![text("steel"), text("copper")],
    };
    let cases = [
        (
            outside(2.0),
            "outside-range",
            "platform depth 2 mm is 0.5 mm below what the experiment covered (2.5 to 12 mm)",
        ),
        (
            outside(40.25),
            "outside-range",
            "platform depth 40.25 mm is 28.25 mm above what the experiment covered (2.5 to 12 mm)",
        ),
        (
            outside(1e-9),
            "outside-range",
            "platform depth 1e-9 mm is 2.5 mm below what the experiment covered (2.5 to 12 mm)",
        ),
        (
            Doubt::Leverage { value: 1234.56, largest: 0.123456 },
            "leverage",
            "this combination of measurements is unlike any flake of the experiment (leverage 1235, largest fitted 0.1235)",
        ),
        (
            beyond(9.5),
            "beyond-recorded",
            "the length expected here (9.5 mm) is below any that the experiment recorded (12.25 to 210 mm): \
             the form is drawn on past its flakes",
        ),
        (
            beyond(320.51),
            "beyond-recorded",
            "the length expected here (320.5 mm) is above any that the experiment recorded (12.25 to 210 mm): \
             the form is drawn on past its flakes",
        ),
        (
            percussor(Some("bone")),
            "percussor-not-in-experiment",
            "antler was not used in the experiment (steel, copper); the answer leans on bone",
        ),
        (
            percussor(None),
            "percussor-not-in-experiment",
            "antler was not used in the experiment (steel, copper); the answer is for what was used",
        ),
        (
            Doubt::NameNotKnown {
                what: "percussor",
                name: text("antlr"),
                instead: vec![text("hammerstone")],
            },
            "percussor-not-known",
            "the percussor \"antlr\" is not known; did you mean \"antler\"? The answer is for hammerstone (in a table, \
             --word percussor:antler=\"antlr\" makes it antler)",
        ),
        (
            Doubt::NameNotKnown { what: "stone", name: text("cheese"), instead: vec![] },
            "stone-not-known",
            "the stone \"cheese\" is not known; the answer is for any stone (in a table, --word stone:OURS=\"cheese\" makes \
             it OURS: flint, quartzite or another known one)",
        ),
        (
            Doubt::StoneNotInExperiment { stone: text("chalk"), seen: text("flint"), local: None },
            "stone-not-in-experiment",
            "the experiment flaked flint, not chalk",
        ),
        (
            Doubt::StoneNotInExperiment { stone: text("chalk"), seen: text("flint"), local: Some(1) },
            "stone-not-in-experiment",
            "the level is that of 1 local flake of flint, not chalk",
        ),
        (
            Doubt::PercussorsNotToldApart { seen: vec![text("antler (3)"), text("steel (4)")] },
            "percussors-not-told-apart",
            "these flakes were struck by antler (3), steel (4), and the calibration does not tell them apart: which is named \
             changes nothing",
        ),
        (
            Doubt::FallsWithPlatform { what: vec![text("mass with platform depth")] },
            "falls-with-platform",
            "falls as the platform grows (flakes do not): mass with platform depth",
        ),
        (
            Doubt::SettingsAveraged { settings: vec![text("angle_of_blow_deg"), text("blow_lands_on")] },
            "settings-averaged",
            "not given: angle of blow, blow lands on; averaged over the blows of the experiment",
        ),
        (
            Doubt::Assumed { class: text("core_shape"), level: text("semispherical") },
            "assumed",
            "core shape is taken as \"semispherical\" (not given, or not in the experiment)",
        ),
        (
            Doubt::PlatformKind { kind: text("faceted") },
            "platform-kind",
            "the kind of platform (faceted) is not read by the calibration: answered as any other",
        ),
        (
            Doubt::GroupNotFitted { by: text("core"), name: text("C 9"), groups: 6, of: None },
            "group-not-fitted",
            "core \"C 9\" is none of the 6 of the fit: answered as a new one",
        ),
        (
            Doubt::FewGroups { by: text("core"), groups: 2 },
            "few-groups",
            "2 groups of core hardly tell how much they differ: a new one may lie further out than the interval says",
        ),
        (
            Doubt::NotInExperiment { what: vec![text("core"), text("knapper")] },
            "not-in-experiment",
            "core and knapper not recorded in the experiment: the interval may be too narrow for a new one",
        ),
        (
            Doubt::NearEndOfDomain {
                measurement: text("exterior_platform_angle_deg"),
                value: 88.0,
                why: text("it ends"),
            },
            "near-end-of-domain",
            "exterior platform angle 88 degrees: it ends",
        ),
        (
            Doubt::AtomAtZero { size: text("mass_g"), probability: 0.1234 },
            "atom-at-zero",
            "12.3 % of the predictive of mass lies below zero, where no flake is",
        ),
        (
            Doubt::Technique { technique: text("indirect") },
            "technique",
            "indirect technique: the experiments struck directly; the sizes are those of a direct blow, with wider \
             intervals (this crate's choice)",
        ),
        (Doubt::Bevelled, "bevelled", "a bevelled platform gives a heavier flake than its depth predicts"),
        (
            Doubt::TerminationNotInExperiment { termination: text("step") },
            "termination-not-in-experiment",
            "the calibration cannot answer for a step termination; not conditioned on it",
        ),
        (
            Doubt::TerminationsNotTold { terminations: vec![text("step"), text("overshot")] },
            "terminations-not-told",
            "the calibration gives these terminations no probability of their own: step, overshot",
        ),
        (
            Doubt::NotAsStruck { state: text("split") },
            "not-as-struck",
            "the piece is split: the sizes are those of the flake as it came off",
        ),
        (
            remains("mass_g", 0.00125),
            "remains-improbable",
            "only 0.125 % of flakes from such a platform had the mass that remains (850 g): check the measurements; \
             the answer rests on the far tail of the calibration",
        ),
        (
            remains("length_mm", 1e-6),
            "remains-improbable",
            "only 0.0001 % of flakes from such a platform had the length that remains (850 mm): check the measurements; \
             the answer rests on the far tail of the calibration",
        ),
        (
            remains("length_mm", 9e-7),
            "remains-improbable",
            "fewer than one in a million flakes from such a platform had the length that remains (850 mm): check the \
             measurements; the answer rests on the far tail of the calibration",
        ),
        (
            Doubt::NoFailedBlows,
            "no-failed-blows",
            "whether the flake detaches is model-based: no failed blows were recorded, and the law of the required force \
             was found with sharp points pressed slowly",
        ),
        (Doubt::Mechanics { kind: "indirect", text: "a punch between" }, "indirect", "a punch between"),
    ];
    for (doubt, kind, sentence) in cases {
        let caution = Caution::from(doubt);
        assert_eq!(caution.kind(), kind);
        assert_eq!(caution.to_string(), sentence);
        let stored = serde_json::to_value(&caution).unwrap();
        assert_eq!(stored, serde_json::json!({"kind": kind, "text": sentence}));
    }
}

#[test]
fn numbers_keep_four_digits_and_their_units() {
    let of = |measurement: &str, value: f64| {
        Caution::from(Doubt::NearEndOfDomain { measurement: text(measurement), value, why: text("x") })
            .to_string()
    };
    for (measurement, value, said) in [
        ("platform_area_mm2", 123.456, "platform area 123.5 mm2: x"),
        ("speed_m_s", 0.0, "speed 0 m/s: x"),
        ("speed_m_s", -0.0123, "speed -0.0123 m/s: x"),
        ("mass_g", 98765.4, "mass 98765 g: x"),
        ("mass_g", 100.0, "mass 100 g: x"),
        ("dorsal_scars", 3.0, "dorsal scars 3: x"),
        ("mass_g", 1e300, "mass 1e300 g: x"),
        ("mass_g", f64::INFINITY, "mass inf g: x"),
    ] {
        assert_eq!(of(measurement, value), said);
    }
    assert_eq!(in_words("exterior_platform_angle_deg"), "exterior platform angle");
    assert_eq!(in_words("core"), "core");
}

#[test]
fn an_interval_that_holds_all_that_can_be_measured_is_no_answer() {
    let of = |name: &str, depth: f64| {
        let strike =
            Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(75.0).build().unwrap();
        Predictor::new(bundled::named(name).unwrap()).unwrap().estimate(&strike, &Ask::default())
    };
    let e = of("controlled-glass", 0.05).unwrap_err().to_string();
    assert!(
        e.starts_with("length_mm: the measurements are too far from those of the calibration: its"),
        "{e}"
    );
    for (name, depth) in
        [("controlled-glass", 0.6), ("hard-hammer-flint", 0.05), ("hard-hammer-quartzite", 0.05)]
    {
        let found = of(name, depth).unwrap();
        for s in &found.sizes {
            let i = s.predictive.interval(0.95).unwrap();
            assert!(i.low > 1e-6 && i.high < 1e6, "{name} {depth} {}: {i:?}", s.size);
        }
    }
}

/// The kind of a platform is doubted where it is not plain and the calibration does not read it.
#[test]
fn kinds_of_platform_that_are_not_read_are_told() {
    let flint = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let told = |kind: Option<PlatformKind>| {
        let strike =
            Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).platform_kind(kind);
        let e = flint.estimate(&strike.build().unwrap(), &Ask::default()).unwrap();
        e.cautions.iter().any(|c| c.kind() == "platform-kind")
    };
    assert!(told(Some(PlatformKind::Faceted)) && told(Some(PlatformKind::Cortical)));
    assert!(!told(Some(PlatformKind::Plain)) && !told(None));
}
