//! The command line and its files: no input is written over, outputs keep their mode and come whole or not at all,
//! streams may close, and what a terminal would obey is not sent to it.

use crate::{SCHOOL, knap};
use std::fs::{self, File, Permissions};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

/// A folder with the table of the field school, and a calibration made of it.
fn yard() -> TempDir {
    let folder = TempDir::new().unwrap();
    let school = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(SCHOOL);
    fs::copy(school, folder.path().join("t.csv")).unwrap();
    let made = "fit --table t.csv --response mass_g --form log-log --name school --out m.json";
    assert_eq!(run(folder.path(), made).0, 0);
    folder
}

/// Runs in a folder; the code and what was said.
fn run(folder: &Path, line: &str) -> (i32, String) {
    let out = knap().current_dir(folder).args(line.split(' ')).output().unwrap();
    let said = String::from_utf8(out.stdout).unwrap() + &String::from_utf8(out.stderr).unwrap();
    (out.status.code().unwrap(), said)
}

/// Runs through a shell, where streams can be led elsewhere.
fn shell(folder: &Path, line: &str) -> (i32, String, String) {
    let line = line.replace("knap ", &format!("{} ", knap().get_program().to_str().unwrap()));
    let out = Command::new("bash").args(["-c", &line]).current_dir(folder).output().unwrap();
    let text = |b: Vec<u8>| String::from_utf8_lossy(&b).into_owned();
    (out.status.code().unwrap_or(-1), text(out.stdout), text(out.stderr))
}

#[test]
fn an_input_is_never_written_over() {
    let yard = yard();
    let here = yard.path();
    fs::hard_link(here.join("t.csv"), here.join("hard.csv")).unwrap();
    symlink("t.csv", here.join("soft.csv")).unwrap();
    fs::create_dir(here.join("sub")).unwrap();
    let before = (fs::read(here.join("t.csv")).unwrap(), fs::read(here.join("m.json")).unwrap());
    for line in [
        "fit --table t.csv --response mass_g --form log-log --name x --out t.csv",
        "fit --table t.csv --response mass_g --form log-log --name x --out ./sub/../t.csv",
        "fit --table t.csv --response mass_g --form log-log --name x --out hard.csv",
        "fit --table t.csv --response mass_g --form log-log --name x --out soft.csv",
        "fit --table soft.csv --response mass_g --form log-log --name x --out t.csv",
        "fit --starting-from m.json --table t.csv --response mass_g --name x --out m.json",
        "estimate --table t.csv --out t.csv",
        "estimate --table t.csv --out o.csv --plot t.csv",
        "estimate --table t.csv --calibration m.json --out m.json",
        "estimate --depth-mm 8 --angle-deg 75 --calibration m.json --plot m.json",
        "original --table t.csv --out t.csv",
        "percussor --table t.csv --out t.csv",
        "assemblage --table t.csv --group percussor --seed 1 --plot t.csv",
        "assemblage --table m.json --against t.csv --size mass_g --seed 1 --plot t.csv",
        "assess --table t.csv --forms log-log --plot t.csv",
        "plan --flakes 9 --existing t.csv --sheet t.csv",
        "plan --flakes 9 --existing t.csv --plot t.csv",
    ] {
        let (code, said) = run(here, line);
        assert_eq!(code, 2, "{line}: {said}");
        assert!(
            said.contains("this is the file that --") && said.contains("name another file"),
            "{line}: {said}"
        );
        assert!(
            (fs::read(here.join("t.csv")).unwrap(), fs::read(here.join("m.json")).unwrap()) == before,
            "{line}"
        );
    }
    // outputs against each other, spelt otherwise and not there yet
    for line in [
        "estimate --table t.csv --out new.csv --plot ./new.csv",
        "plan --flakes 9 --sheet new.csv --plot sub/../new.csv",
    ] {
        let (code, said) = run(here, line);
        assert_eq!(code, 2, "{line}: {said}");
        assert!(!here.join("new.csv").exists(), "{line}");
    }
    // streams
    let (code, _, said) = shell(here, "knap estimate --table - --out t.csv < t.csv");
    assert!(code == 2 && said.contains("--table reads"), "{said}");
    let (code, _, said) = shell(here, "knap estimate --table t.csv >> t.csv");
    assert!(code == 2 && said.contains("standard output: this is the file that --table reads"), "{said}");
    assert!(fs::read(here.join("t.csv")).unwrap() == before.0);
    let (code, _, said) = shell(here, "knap estimate --table t.csv --out /dev/null --plot /dev/null");
    assert_eq!(code, 0, "{said}");
}

#[test]
fn outputs_keep_modes_and_links() {
    let yard = yard();
    let here = yard.path();
    let mode = |name: &str| fs::metadata(here.join(name)).unwrap().permissions().mode() & 0o777;
    let estimate = "knap estimate --table t.csv --out";
    fs::write(here.join("mine.csv"), "old").unwrap();
    fs::set_permissions(here.join("mine.csv"), Permissions::from_mode(0o600)).unwrap();
    assert_eq!(shell(here, &format!("{estimate} mine.csv")).0, 0);
    assert_eq!(mode("mine.csv"), 0o600);
    for (umask, expected) in [("027", 0o640), ("077", 0o600), ("022", 0o644)] {
        let _ = fs::remove_file(here.join("new.csv"));
        assert_eq!(shell(here, &format!("umask {umask}; {estimate} new.csv")).0, 0);
        assert_eq!(mode("new.csv"), expected, "{umask}");
    }
    symlink("behind.csv", here.join("link.csv")).unwrap();
    for _ in 0..2 {
        assert_eq!(shell(here, &format!("{estimate} link.csv")).0, 0);
        assert!(fs::symlink_metadata(here.join("link.csv")).unwrap().is_symlink());
        assert!(fs::read_to_string(here.join("behind.csv")).unwrap().contains("mass_g_median"));
    }
    fs::write(here.join("kept.csv"), "kept").unwrap();
    fs::set_permissions(here.join("kept.csv"), Permissions::from_mode(0o444)).unwrap();
    for line in ["estimate --table t.csv --out kept.csv", "plan --flakes 9 --plot kept.csv"] {
        let (code, said) = run(here, line);
        assert!(code == 1 && said.contains("kept.csv") && said.contains("read-only"), "{line}: {said}");
    }
    assert_eq!(fs::read_to_string(here.join("kept.csv")).unwrap(), "kept");
    // before any work: the table is not even opened
    let (code, said) = run(here, "estimate --table no-such.csv --out no/such/o.csv");
    assert!(code == 1 && said.contains("no/such/o.csv: there is no folder no/such"), "{said}");
    let (code, said) = run(here, "estimate --table t.csv --out ");
    assert!(code == 2 && said.contains("--out") && said.contains("name a file"), "{said}");
    let left: Vec<_> = fs::read_dir(here).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|n| !n.to_string_lossy().starts_with(".tmp")), "{left:?}");
}

/// Every verb, each with an answer of some length.
const VERBS: [&str; 17] = [
    "knap estimate --depth-mm 8 --angle-deg 75",
    "knap estimate --depth-mm 8 --angle-deg 75 --format json",
    "knap estimate --table t.csv",
    "knap blow --stone flint --percussor antler --percussor-mass-g 300 --tip-radius-mm 9 --speed-m-s 5 --depth-mm 8 \
     --angle-deg 75",
    "knap contrast --percussor antler --percussor quartzite --depth-mm 8 --angle-deg 75",
    "knap fit --table t.csv --response mass_g --form log-log --name x --out fitted.json",
    "knap assess --table t.csv --forms log-log --repeats 1",
    "knap percussor --table t.csv",
    "knap percussor --table t.csv --format csv",
    "knap original --mass-now-g 14 --depth-mm 9 --angle-deg 72",
    "knap assemblage --table t.csv --group percussor --seed 1 --draws 500",
    "knap calibrations",
    "knap calibrations hard-hammer-flint --format json",
    "knap plan --flakes 9",
    "knap completions bash",
    "knap manual",
    "knap schema estimate",
];

#[test]
fn streams_may_close() {
    let yard = yard();
    let here = yard.path();
    for line in VERBS {
        let (code, _, said) = shell(here, &format!("{line} > /dev/full"));
        assert_eq!(code, 1, "{line}: {said}");
        assert!(said.contains("standard output: ") && !said.contains("panicked"), "{line}: {said}");
        let (code, _, said) = shell(here, &format!("set -o pipefail; {line} | true"));
        assert!(code == 0 && !said.contains("panicked"), "{line}: {code} {said}");
        for closed in ["2> /dev/full", "2>&-"] {
            let (code, text, _) = shell(here, &format!("{line} {closed}"));
            assert!(code == 0 && !text.is_empty(), "{line} {closed}: {code}");
        }
        assert_eq!(shell(here, &format!("{line} >&- 2>&-")).0, 0, "{line}");
    }
    let (code, _, said) = shell(here, "knap --help > /dev/full");
    assert!(code == 1 && said.contains("standard output"), "{said}");
    assert_eq!(shell(here, "knap estimate --depth-mm x 2> /dev/full").0, 2);
    assert!(here.join("fitted.json").exists());
}

#[test]
fn nothing_that_a_terminal_obeys_is_sent_to_it() {
    let yard = yard();
    let here = yard.path();
    let evil = "a\u{1b}]0;owned\u{7}\u{202e}b\u{9b}31m";
    let obeyed = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
    let mut table =
        String::from("site,platform_depth_mm,exterior_platform_angle_deg,mass_g,percussor,stone\n");
    for i in 0..30 {
        let mass = 5.0 + f64::from(i * i % 17);
        table += &format!("{evil},{},{},{mass},antler,flint\n", 5 + i % 7, 60 + i % 11);
    }
    table += &format!("{evil},{evil},75,3,{evil},{evil}\n");
    fs::write(here.join("evil.csv"), &table).unwrap();
    let mut calibration = fs::read_to_string(here.join("m.json")).unwrap();
    calibration = calibration.replace("\"school\"", &serde_json::to_string(evil).unwrap());
    fs::write(here.join("evil.json"), calibration).unwrap();
    for line in [
        "estimate --table evil.csv --out o.csv --plot p.svg",
        "assemblage --table evil.csv --group site --seed 1 --draws 500 --plot p.svg",
        "assemblage --table evil.csv --group site --seed 1 --draws 500 --format json",
        "assess --table evil.csv --forms log-log --repeats 1 --class site",
        "percussor --table evil.csv --group site",
        "fit --table evil.csv --response mass_g --form log-log --name EVIL --out x.json",
        "fit --table evil.csv --response mass_g --form log-log --name x --where site=EVIL",
        "estimate --depth-mm 8 --angle-deg 75 --calibration evil.json --plot p.svg",
        "estimate --depth-mm 8 --angle-deg 75 --calibration evil.json --format json",
        "calibrations evil.json",
        "calibrations evil.json --format json",
        "estimate --table EVIL",
        "estimate --depth-mm 8 --EVIL 3",
        "estimate --depth-mm EVIL --angle-deg 75",
        "estimate --depth-mm 8 --angle-deg 75 --stone EVIL",
        "plan --flakes 9 --sheet EVIL.csv",
        "EVIL",
    ] {
        let (_, said) = run(here, &line.replace("EVIL", evil));
        assert!(!said.contains(obeyed), "{line}: {said:?}");
        if line.contains("--format json") {
            let mut read = serde_json::Deserializer::from_str(&said).into_iter::<serde_json::Value>();
            assert!(read.next().is_some_and(|v| v.is_ok()), "{line}: {said}");
        }
        if line.contains("--plot") {
            let drawn =
                fs::read_to_string(here.join("p.svg")).unwrap_or_else(|e| panic!("{line}: {e}: {said}"));
            assert!(drawn.starts_with("<svg") && !drawn.contains(obeyed), "{line}");
            fs::remove_file(here.join("p.svg")).unwrap();
        }
    }
    // the user's own cells come back as they were
    let out = fs::read_to_string(here.join("o.csv")).unwrap();
    for (theirs, ours) in table.lines().zip(out.lines()) {
        assert!(ours.starts_with(theirs), "{ours:?}");
    }
}

#[test]
fn a_full_disk_and_a_mark_of_byte_order() {
    let yard = yard();
    let here = yard.path();
    let full = File::options().write(true).open("/dev/full");
    if full.is_ok() {
        let (code, said) = run(here, "estimate --table t.csv --out /dev/full");
        assert!(code == 1 && said.contains("/dev/full: "), "{said}");
    }
    let text = fs::read_to_string(here.join("m.json")).unwrap();
    fs::write(here.join("bom.json"), format!("\u{feff}{text}")).unwrap();
    let (code, said) = run(here, "estimate --depth-mm 8 --angle-deg 75 --calibration bom.json");
    assert_eq!(code, 0, "{said}");
    let compare = "assemblage --table t.csv --group knapper --size mass_g --seed 1 --compare";
    let names: Vec<String> = {
        let table = fs::read_to_string(here.join("t.csv")).unwrap();
        let at = table.lines().next().unwrap().split(',').position(|c| c == "knapper").unwrap();
        table.lines().skip(1).map(|l| l.split(',').nth(at).unwrap().to_string()).collect()
    };
    let mut few = fs::read_to_string(here.join("t.csv")).unwrap();
    let last = few.lines().last().unwrap().replace(names.last().unwrap(), "Newcomer");
    few += &format!("{last}\n");
    fs::write(here.join("few.csv"), few).unwrap();
    let line = compare.replace("t.csv", "few.csv");
    let (code, said) = run(here, &format!("{line} {},Newcomer", names[0]));
    assert!(code == 1 && said.contains("Newcomer") && !said.contains("set"), "{said}");
    let out = knap().current_dir(here).args(["estimate", "--table", "sub"]).output().unwrap();
    assert!(String::from_utf8(out.stderr).unwrap().contains("sub: "));
}

#[test]
fn a_file_without_a_name_is_an_option_without_one() {
    for (args, option) in [
        (&["estimate", "--table", ""][..], "--table"),
        (&["estimate", "--depth-mm", "8", "--angle-deg", "75", "--calibration", ""], "--calibration"),
        (&["plan", "--flakes", "12", "--existing", ""], "--existing"),
        (&["fit", "--table", "-", "--name", "x", "--out", ""], "--out"),
    ] {
        let out = crate::knap().args(args).output().unwrap();
        let err = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(2), "{args:?}: {err}");
        assert_eq!(err, format!("knap: {option}: no name stands there; name a file\n"));
    }
}
