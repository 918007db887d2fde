//! Numbers on the command line: what is taken for one, what a slip is told, and that every option of every verb tells it.

#[allow(dead_code)]
#[path = "../../src/number.rs"]
mod number;

use crate::knap;
use number::{Amount, ends, number as read, whole, with_comma};

#[test]
fn numbers_are_read_as_rust_reads_them() {
    for (text, value) in [
        ("7.3", 7.3),
        ("-7.3", -7.3),
        ("+.5", 0.5),
        ("1e-3", 1e-3),
        ("7.", 7.0),
        (" 8 ", 8.0),
        ("0.30000000000000004", 0.1 + 0.2),
    ] {
        assert_eq!(read(text), Ok(value), "{text}");
    }
}

#[test]
fn a_slip_is_told_what_to_write() {
    let point = "write a point";
    let thousands = "leave nothing between the thousands";
    let unit = "since the option's name tells the unit";
    for (text, told) in [
        ("7,3", format!("{point}: 7.3")),
        ("-7,3", format!("{point}: -7.3")),
        ("0,125", format!("{point}: 0.125")),
        ("7,3e2", format!("{point}: 7.3e2")),
        ("1,234", "write the one that is meant: 1.234 or 1234".to_string()),
        ("1,234.5", format!("{thousands}: 1234.5")),
        ("1.234,5", format!("{thousands}: 1234.5")),
        ("1.234.567", format!("{thousands}: 1234567")),
        ("1 234", format!("{thousands}: 1234")),
        ("1'234.5", format!("{thousands}: 1234.5")),
        ("1_000", format!("{thousands}: 1000")),
        ("7.3mm", format!("leave out mm, {unit}: 7.3")),
        ("7.3 mm", format!("leave out mm, {unit}: 7.3")),
        ("7,3 mm", format!("{point} and leave out mm, {unit}: 7.3")),
        ("20 mm2", format!("leave out mm2, {unit}: 20")),
        ("20mm²", format!("leave out mm², {unit}: 20")),
        ("4.5 m/s", format!("leave out m/s, {unit}: 4.5")),
        ("75°", format!("leave out °, {unit}: 75")),
        ("95%", "write the share itself: 0.95".to_string()),
        ("7,3 %", format!("{point} and write the share itself: 0.073")),
        ("\u{2212}7.3", "write the minus as a hyphen: -7.3".to_string()),
        ("75°30'", "write one such as 7.3".to_string()),
        ("eight", "write one such as 7.3".to_string()),
        ("", "write one such as 7.3".to_string()),
        ("0x1F", "write one such as 7.3".to_string()),
        ("12 34", "write one such as 7.3".to_string()),
        ("7.3.1", "write one such as 7.3".to_string()),
    ] {
        assert_eq!(read(text), Err(format!("\"{text}\" is not a number; {told}")));
    }
    for text in ["NaN", "inf", "-infinity", "1e400"] {
        assert_eq!(read(text), Err(format!("\"{text}\" is not a finite number")));
    }
    for text in ["3..5", "3-5", "-5-3", "3 to 5", "3\u{2013}5", "3 .. 5"] {
        assert_eq!(read(text), Err(format!("\"{text}\" is a range; write one number")));
    }
}

/// What is told to write is itself taken.
#[test]
fn advice_can_be_followed() {
    for text in ["7,3", "1,234", "1 234,5", "7.3 mm", "95%", "0,7 %", "\u{2212}7.3", "1.234.567,8 g"] {
        let told = read(text).unwrap_err();
        let (_, meant) = told.rsplit_once(": ").unwrap();
        for one in meant.split(" or ") {
            assert!(read(one).is_ok(), "{told}");
        }
    }
}

#[test]
fn ranges_and_whole_numbers() {
    let amount = |text: &str| text.parse::<Amount>();
    assert_eq!(amount("4"), Ok(Amount { typical: 4.0, low: 4.0, high: 4.0 }));
    let range = amount("2..8").unwrap();
    assert!((range.typical - 4.0).abs() < 1e-14 && range.low == 2.0 && range.high == 8.0);
    assert!(amount("2,5..8").unwrap_err().ends_with("\"2,5\" is not a number; write a point: 2.5"));
    assert!(amount("3-5").unwrap_err().ends_with("write a range as low..high, such as 3..5"));
    assert!(amount("8..2").unwrap_err().contains("runs from a number above 0"));
    assert!(amount("0..2").unwrap_err().contains("runs from a number above 0"));
    assert_eq!(ends("-5..10"), Ok(Some((-5.0, 10.0))));
    assert_eq!(ends("-5"), Ok(None));

    assert_eq!(whole::<u32>("24"), Ok(24));
    let wrong = |text: &str| whole::<u32>(text).unwrap_err();
    assert!(wrong("24.5").ends_with("is not a whole number; write digits alone, such as 12"));
    assert!(wrong("1e3").ends_with("is not a whole number; write digits alone, such as 12"));
    assert!(wrong("24 flakes").contains("leave out flakes"), "{}", wrong("24 flakes"));
    assert!(wrong("99999999999").ends_with("is too large a number here"));
    assert!(wrong("many").contains("is not a number"));

    assert!(with_comma("7,3") && !with_comma("7.3") && !with_comma("3b") && !with_comma("a,b"));
}

/// What the process says of these words, once without the verb's other options.
fn said(words: &[&str]) -> String {
    let out = knap().args(words).output().unwrap();
    assert_eq!(out.status.code(), Some(2), "{words:?}");
    String::from_utf8(out.stderr).unwrap()
}

#[test]
fn every_option_that_takes_a_number_tells_a_slip() {
    let numeric = "MM MM2 DEG G M_S E GPA NU K P A N S SD SHARE RATIO IN M";
    let numeric: Vec<&str> = numeric.split(' ').collect();
    let mut tried = 0;
    for verb in
        ["estimate", "blow", "contrast", "fit", "assess", "percussor", "original", "assemblage", "plan"]
    {
        let help = knap().args([verb, "--help"]).output().unwrap().stdout;
        let help = String::from_utf8(help).unwrap();
        for line in help.lines().filter(|l| l.trim_start().starts_with("--")) {
            let Some((option, rest)) = line.trim().split_once(" <") else { continue };
            let name = rest.split('>').next().unwrap();
            if !numeric.contains(&name) {
                continue;
            }
            let err = said(&[verb, option, "7,3"]);
            let told = err.split("Usage:").next().unwrap();
            assert!(told.contains("\"7,3\" is not a number; write a point: 7.3"), "{verb} {option}: {err}");
            tried += 1;
        }
    }
    assert!(tried > 60, "{tried} options");
}

#[test]
fn lists_are_still_lists() {
    for (words, told) in [
        ("original --mass-now-g 14.2 --depth-mm 9 --angle-deg 72 --loss 2,5", "28.6 % on average"),
        ("plan --flakes 12 --percussor quartzite,antler --seed 2", "  no.  percussor"),
        ("plan --flakes 12 --depth-mm 4..10 --angle-deg 70..85", "Strike, in this order:"),
        (
            "estimate --depth-mm 8 --angle-deg 75 --percussor quartzite --also dorsal_scars=3 --known length_mm=45",
            "length of 45 mm",
        ),
        ("estimate --depth-mm 8 --angle-deg 75 --angle-of-blow-deg -5", "Expected of this blow"),
    ] {
        let out = knap().args(words.split(' ')).output().unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        assert!(
            out.status.success() && text.contains(told),
            "{words}: {text}{}",
            String::from_utf8_lossy(&out.stderr)
        );
    }
    let platform = ["--depth-mm", "8", "--angle-deg", "75", "--percussor", "quartzite"];
    for (verb, words, told) in [
        (
            "estimate",
            ["--also", "dorsal_scars=7,3"],
            "--also dorsal_scars: \"7,3\" is not a number; write a point: 7.3",
        ),
        ("estimate", ["--known", "length_mm=45 mm"], "\"45 mm\" is not a number; leave out mm"),
        ("original", ["--loss", "2,fünf"], "\"fünf\" is not a number"),
        ("original", ["--loss", "2,5,1"], "write two numbers, A,B"),
        ("estimate", ["--also", "dorsal_scar=3"], "did you mean \"dorsal_scars\"?"),
        ("plan", ["--at", "deph_mm=8"], "did you mean \"depth_mm\"?"),
        ("plan", ["--response", "mas_g"], "did you mean \"mass_g\"?"),
        ("plan", ["--at", "depth_mm=8 mm"], "\"8 mm\" is not a number; leave out mm"),
    ] {
        let more: &[&str] = match verb {
            "plan" => &["--flakes", "12"],
            "original" => &["--mass-now-g", "9", "--depth-mm", "8", "--angle-deg", "75"],
            _ => &platform,
        };
        let err = said(&[&[verb], more, &words].concat());
        assert!(err.contains(told), "{err}");
    }
    let err = said(&["plan", "--flakes", "12", "--depth-mm", "4-10"]);
    assert!(err.contains("--depth-mm: \"4-10\": write a range as low..high"), "{err}");
}

#[test]
fn formats_are_those_that_work() {
    let both = "[possible values: text, json]";
    for verb in ["blow", "contrast", "fit", "assess", "assemblage", "calibrations", "plan"] {
        let err = said(&[verb, "--format", "csv"]);
        assert!(err.contains(both), "{verb}: {err}");
    }
    for verb in ["estimate", "original", "percussor"] {
        let err = said(&[verb, "--format", "xml"]);
        assert!(err.contains("[possible values: text, json, csv]"), "{verb}: {err}");
    }
}
