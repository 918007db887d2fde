//! What README says the program prints, the program prints.

use crate::knap;
#[test]
fn the_output_shown_is_the_output() {
    let readme = include_str!("../../../../README.md");
    let command = readme.lines().find_map(|l| l.strip_prefix("$ cargo run -q -p knap -- ")).unwrap();
    let out = knap().args(command.split_whitespace()).output().unwrap();
    let printed = String::from_utf8(out.stdout).unwrap();
    let shown = readme.split("```text\n").nth(1).unwrap().split("```").next().unwrap();
    assert_eq!(shown.trim(), printed.trim());
}

#[test]
fn calibrations_tell_the_rule() {
    let out = knap().arg("calibrations").output().unwrap();
    let printed = String::from_utf8(out.stdout).unwrap();
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words(&printed).contains(&words(conchoid::calibration::bundled::RULE)), "{printed}");
}
