//! The command line under random tables, calibrations and options: whatever comes in, it ends in time and in little
//! memory, without a panic, says what is wrong and where, loses no row and prints no number that is not finite.
//!
//! A few runs belong to the tests; `cargo test --release -p knap minutes_of -- --ignored` makes runs for minutes, the
//! same every time, and `CONCHOID_FUZZ_SECONDS=7200 CONCHOID_FUZZ_SEED=5 cargo test --release -p knap hours_of --
//! --ignored` as many others as are wanted. A run that fails is told with its table, to be kept as a test.

use crate::knap;
use rand::seq::IndexedRandom;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// What stands in a cell that somebody mistyped, or a program wrote.
const CELLS: [&str; 34] = [
    "",
    " ",
    "0",
    "-0.0",
    "-7.3",
    "7,3",
    "8",
    "75",
    "1e-300",
    "1e300",
    "1e-400",
    "1e400",
    "0.05",
    "1000",
    "179",
    "0x10",
    "#VALUE!",
    "#DIV/0!",
    "NA",
    "n/a",
    "-",
    "?",
    "=1+1",
    "@x",
    "-A1",
    "+3b",
    "antler",
    "Antler ",
    "quartzite",
    "step",
    "Plunging",
    "\u{1b}[31m",
    "\u{202e}x",
    "\u{e9}clat",
];

/// Options that any verb may meet, right or wrong.
const OPTIONS: [&str; 24] = [
    "--format json",
    "--format csv",
    "--format text",
    "--level 0.5",
    "--level 0.9999999999999999",
    "--level 1e-12",
    "--column a=b",
    "--column length_mm=mass_g",
    "--stone glass",
    "--stone quartzite",
    "--stone slate",
    "--percussor antler",
    "--percussor cheese",
    "--size mass_g",
    "--plot p.svg",
    "--out o.csv",
    "--out t.csv",
    "--seed 7",
    "--where percussor=antler",
    "--quiet",
    "--depth-mm 8",
    "--angle-deg 75",
    "--calibration c.json",
    "--group percussor",
];

const VERBS: [&str; 16] = [
    "estimate --table t.csv",
    "estimate --table t.csv --calibration c.json",
    "estimate --table t.csv --depth-error-mm 0.5",
    "estimate --depth-mm D --angle-deg A --calibration c.json",
    "estimate --depth-mm D --angle-deg A --percussor antler --percussor-mass-g M --tip-radius-mm T --speed-m-s S",
    "blow --stone flint --percussor quartzite --percussor-mass-g M --tip-radius-mm T --speed-m-s S --depth-mm D --angle-deg A",
    "contrast --percussor antler --percussor quartzite --depth-mm D --angle-deg A",
    "fit --table t.csv --response mass_g --form log-log --name x",
    "fit --table t.csv --response length_mm --form cube-root --name x --by percussor",
    "fit --table t.csv --response mass_g --name x --starting-from hard-hammer-flint",
    "assess --table t.csv --forms log-log,cube-root --repeats 1",
    "percussor --table t.csv",
    "original --table t.csv --column mass_g=mass_now_g",
    "original --mass-now-g M --depth-mm D --angle-deg A",
    "assemblage --table t.csv --group percussor --seed 1 --draws 200",
    "plan --flakes 9 --existing t.csv",
];

fn number(rng: &mut impl Rng) -> String {
    match rng.random_range(0..5) {
        0 => CELLS.choose(rng).unwrap().to_string(),
        1 => format!("{:e}", 10f64.powf(rng.random_range(-320.0..300.0))),
        2 => format!("{}..{}", rng.random_range(0.0..20.0), rng.random_range(0.0..20.0)),
        _ => format!("{:.3}", rng.random_range(0.01..120.0)),
    }
}

/// A table that was once the field school's.
fn table(rng: &mut impl Rng, school: &str) -> Vec<u8> {
    let mut rows: Vec<Vec<String>> =
        school.lines().map(|l| l.split(',').map(str::to_string).collect()).collect();
    for _ in 0..rng.random_range(0..40) {
        let i = rng.random_range(0..rows.len());
        let row = &mut rows[i];
        let j = rng.random_range(0..row.len());
        match rng.random_range(0..12) {
            0 => row.push("further".into()),
            1 => row.truncate(j.max(1)),
            2 if i > 0 => {
                let other = rows[i].clone();
                rows.push(other);
            }
            3 => row[j] = number(rng),
            _ if i > 0 => row[j] = CELLS.choose(rng).unwrap().to_string(),
            _ => {}
        }
    }
    let lines: Vec<String> = rows.iter().map(|r| r.join(",")).collect();
    let mut bytes = lines.join(["\n", "\r\n"].choose(rng).unwrap()).into_bytes();
    bytes.push(b'\n');
    if rng.random_range(0..8) == 0 {
        for _ in 0..rng.random_range(1..6) {
            let at = rng.random_range(0..bytes.len());
            bytes[at] = rng.random();
        }
    }
    if rng.random_range(0..16) == 0 {
        bytes.truncate(rng.random_range(0..bytes.len()));
    }
    bytes
}

/// A calibration in which numbers, and now and then anything, was changed.
fn calibration(rng: &mut impl Rng, whole: &str) -> String {
    let mut value: serde_json::Value = serde_json::from_str(whole).unwrap();
    for _ in 0..rng.random_range(0..4) {
        change(rng, &mut value);
    }
    value.to_string()
}

fn change(rng: &mut impl Rng, value: &mut serde_json::Value) {
    use serde_json::Value;
    match value {
        Value::Object(all) if !all.is_empty() => {
            let key = all.keys().nth(rng.random_range(0..all.len())).unwrap().clone();
            if rng.random_range(0..60) == 0 {
                all.remove(&key);
            } else {
                change(rng, all.get_mut(&key).unwrap());
            }
        }
        Value::Array(all) if !all.is_empty() => {
            let at = rng.random_range(0..all.len());
            change(rng, &mut all[at]);
        }
        Value::Number(n) => {
            let factors = [0.0, -1.0, 1e-9, 0.5, 2.0, 1e3, 1e9, 1e200, 1e-300];
            *value = (n.as_f64().unwrap_or(1.0) * factors.choose(rng).unwrap()).into();
        }
        other => *other = CELLS.choose(rng).map_or(Value::Null, |t| Value::String(t.to_string())),
    }
}

/// One run, in a folder of its own; what went wrong, with what is needed to see it again.
fn run(rng: &mut impl Rng, school: &str, whole: &str) -> Result<(), String> {
    let folder = TempDir::new().unwrap();
    let here = folder.path();
    let bytes = table(rng, school);
    fs::write(here.join("t.csv"), &bytes).unwrap();
    fs::write(here.join("c.json"), calibration(rng, whole)).unwrap();
    let mut words: Vec<String> = VERBS.choose(rng).unwrap().split(' ').map(String::from).collect();
    for word in &mut words {
        if ["D", "A", "M", "T", "S"].contains(&word.as_str()) {
            *word = number(rng);
        }
    }
    for _ in 0..rng.random_range(0..3) {
        words.extend(OPTIONS.choose(rng).unwrap().split(' ').map(String::from));
    }
    let told = |what: &str, said: &str| {
        let text = String::from_utf8_lossy(&bytes).escape_debug().to_string();
        Err(format!("{what}: knap {words:?}\n{said}\ntable: {text}"))
    };
    let (out, err) = (here.join("stdout"), here.join("stderr"));
    let stream = |path: &Path| Stdio::from(fs::File::create(path).unwrap());
    let mut child = Command::new("sh")
        .args(["-c", "ulimit -v 2000000 && ulimit -t 60 && exec \"$0\" \"$@\""])
        .arg(knap().get_program())
        .args(&words)
        .current_dir(here)
        .stdin(Stdio::null())
        .stdout(stream(&out))
        .stderr(stream(&err))
        .spawn()
        .unwrap();
    let begun = Instant::now();
    let status = loop {
        match child.try_wait().unwrap() {
            Some(status) => break status,
            None if begun.elapsed() > Duration::from_secs(120) => {
                child.kill().unwrap();
                child.wait().unwrap();
                return told("does not end", "");
            }
            None => std::thread::sleep(Duration::from_millis(5)),
        }
    };
    let said = String::from_utf8_lossy(&fs::read(&err).unwrap()).into_owned();
    let answer = fs::read(&out).unwrap();
    let text = String::from_utf8_lossy(&answer);
    let whole = format!("{text}\n{said}");
    let Some(code) = status.code().filter(|c| (0..=3).contains(c)) else {
        return told("ends badly", &said);
    };
    if said.contains("panicked") {
        return told("panics", &said);
    }
    let place = [
        "t.csv",
        "c.json",
        "--",
        "row ",
        "column",
        "_mm",
        "_g",
        "_deg",
        "_m_s",
        "Usage",
        "accepted",
        "level",
        "percussor",
        "calibration",
    ];
    if [1, 2].contains(&code) && !place.iter().any(|p| said.contains(p)) {
        return told("no place told", &said);
    }
    if fs::read(here.join("t.csv")).unwrap() != bytes {
        return told("the table is another", &said);
    }
    let words_of = |t: &str| t.split(|c: char| !c.is_alphanumeric()).any(|w| w == "NaN" || w == "inf");
    if words_of(&whole.replace("is not a finite number", "")) && !words_of(&String::from_utf8_lossy(&bytes)) {
        return told("a number that is not finite", &whole);
    }
    // a carriage return alone ends a line too
    let lines = |b: &[u8]| -> Vec<Vec<u8>> {
        let cut = b.split(|b| b"\r\n".contains(b)).filter(|l| !l.is_empty());
        cut.map(<[u8]>::to_vec).collect()
    };
    let rows = |b: &[u8]| lines(b).len();
    let plain = bytes.is_ascii()
        && !bytes.contains(&b'"')
        && !bytes.contains(&0)
        && !bytes.windows(2).any(|w| w == b"\n\n");
    let is_table =
        words.contains(&"--table".to_string()) && ["estimate", "original"].contains(&words[0].as_str());
    let all_rows = ["--out", "--where"].iter().all(|o| !words.contains(&o.to_string()));
    if is_table && plain && [0, 3].contains(&code) && all_rows {
        let blank = lines(&bytes).iter().filter(|l| l.iter().all(|b| b", ".contains(b))).count();
        let (came, went) = (rows(&bytes), rows(&answer));
        if went > came || went + blank < came {
            return told(&format!("{came} lines came and {went} went"), &whole);
        }
    }
    Ok(())
}

fn runs(seed: u64, most: usize, time: Duration) -> usize {
    let begun = Instant::now();
    let school = include_str!("../../../data/field-school.csv");
    let whole = conchoid::calibration::bundled::named("hard-hammer-flint").unwrap().to_json();
    let mut made = 0;
    let mut wrong = Vec::new();
    while made < most && begun.elapsed() < time && wrong.len() < 10 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(made as u64);
        if let Err(e) = run(&mut rng, school, &whole) {
            wrong.push(format!("seed {seed}, run {made}: {e}"));
        }
        made += 1;
    }
    assert!(wrong.is_empty(), "{} of {made} runs:\n{}", wrong.len(), wrong.join("\n\n"));
    made
}

#[test]
fn whatever_comes_in_is_answered_or_refused() {
    assert_eq!(runs(1, 60, Duration::from_secs(600)), 60);
}

#[test]
#[ignore = "takes minutes"]
fn minutes_of_runs() {
    assert_eq!(runs(2, 3000, Duration::from_secs(3600)), 3000);
}

#[test]
#[ignore = "takes as long as CONCHOID_FUZZ_SECONDS says"]
fn hours_of_runs() {
    let of = |name: &str, usual: u64| std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(usual);
    let made =
        runs(of("CONCHOID_FUZZ_SEED", 3), usize::MAX, Duration::from_secs(of("CONCHOID_FUZZ_SECONDS", 3600)));
    println!("{made} runs");
}
