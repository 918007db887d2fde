//! The command line abused as a process: adversarial calibrations, closed pipes, interrupts, inputs without end in
//! little memory, outputs that cannot be written.

use crate::knap;
use conchoid::calibration::bundled;
use serde_json::{Value, json};
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use tempfile::TempDir;

const HEADER: &str = "platform_depth_mm,exterior_platform_angle_deg\n";

/// The binary to start by hand, with pipes of its own.
fn start(args: &[&str]) -> Command {
    let mut command = Command::new(knap().get_program());
    command.args(args).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// The binary under a limit of its address space, in kilobytes.
fn limited(kilobytes: u64, args: &[&str]) -> Command {
    let knap = knap();
    let mut command = Command::new("sh");
    command
        .arg("-c")
        .arg(format!("ulimit -v {kilobytes} && exec \"$0\" \"$@\""))
        .arg(knap.get_program())
        .args(args);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Feeds a process from a function that goes on until the pipe breaks, and waits for it.
fn feed(
    mut child: Child,
    mut more: impl FnMut(&mut dyn Write) -> std::io::Result<()> + Send + 'static,
) -> Output {
    let mut stdin = child.stdin.take().unwrap();
    let feeder = std::thread::spawn(move || {
        let _ = more(&mut stdin);
    });
    let out = child.wait_with_output().unwrap();
    feeder.join().unwrap();
    out
}

#[track_caller]
fn refused(out: &Output, code: i32, message: &str) {
    let err = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(code), "{err}");
    assert!(err.contains(message), "{err}");
    assert!(!err.contains("panicked") && err.len() < 4000, "{err}");
}

fn interrupt(child: &Child) {
    let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
}

/// Waits for a process that was told to end; one that does not within half a minute is killed and fails the test, as where the
/// suite itself was started with interrupts ignored.
fn ended(child: &mut Child) -> std::process::ExitStatus {
    for _ in 0..300 {
        if let Some(status) = child.try_wait().unwrap() {
            return status;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    child.kill().unwrap();
    panic!("an interrupt did not end it (was the suite started with interrupts ignored?)");
}

fn names(folder: &Path) -> Vec<String> {
    fs::read_dir(folder).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect()
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    for args in [
        &["calibrations", "controlled-glass", "--format", "json"][..],
        &["calibrations"],
        &["estimate", "--depth-mm", "8", "--angle-deg", "75"],
        &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--format", "json"],
        &["contrast", "--help"],
    ] {
        let mut child = start(args).stdin(Stdio::null()).spawn().unwrap();
        drop(child.stdout.take());
        let out = child.wait_with_output().unwrap();
        let err = String::from_utf8_lossy(&out.stderr);
        assert!(!err.contains("panicked"), "{args:?}: {err}");
        assert!(out.status.success(), "{args:?}: {} {err}", out.status);
    }
    // `| head`: one line is read, then no more of a table that would go on for ever
    let mut child = start(&["estimate", "--table", "-"]).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap());
    let mut stdin = child.stdin.take().unwrap();
    let feeder = std::thread::spawn(move || {
        let _ = stdin.write_all(HEADER.as_bytes());
        let rows = "8,75\n".repeat(1000);
        while stdin.write_all(rows.as_bytes()).is_ok() {}
    });
    let mut first = String::new();
    lines.read_line(&mut first).unwrap();
    assert!(first.starts_with("platform_depth_mm,"), "{first}");
    drop(lines);
    let out = child.wait_with_output().unwrap();
    feeder.join().unwrap();
    assert!(out.status.success(), "{} {}", out.status, String::from_utf8_lossy(&out.stderr));
}

#[test]
fn an_interrupt_leaves_nothing_behind() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("expected.csv");
    for before in [None, Some("what was there before\n")] {
        if let Some(text) = before {
            fs::write(&path, text).unwrap();
        }
        let mut child =
            start(&["estimate", "--table", "-", "--out", path.to_str().unwrap()]).spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        stdin.write_all(HEADER.as_bytes()).unwrap();
        // more than the buffers hold, so that the writing has begun
        stdin.write_all("8,75\n".repeat(50_000).as_bytes()).unwrap();
        std::thread::sleep(Duration::from_millis(300));
        interrupt(&child);
        let status = ended(&mut child);
        assert!(!status.success(), "an interrupt is no success");
        drop(stdin);
        match before {
            None => assert_eq!(names(folder.path()), Vec::<String>::new()),
            Some(text) => {
                assert_eq!(names(folder.path()), ["expected.csv"]);
                assert_eq!(fs::read_to_string(&path).unwrap(), text, "the old file is whole");
            }
        }
    }
}

#[test]
fn a_line_of_a_gigabyte_ends_early_and_in_little_memory() {
    let block = vec![b'x'; 1 << 20];
    for (what, opening, message) in [
        ("a header without end", "", "the header line is longer than 1048576 bytes"),
        (
            "a row without end",
            "platform_depth_mm,exterior_platform_angle_deg\n8,75\n6,",
            "the row is longer than",
        ),
        (
            "a quote without end",
            "platform_depth_mm,exterior_platform_angle_deg\n8,\"",
            "the row is longer than",
        ),
    ] {
        let block = block.clone();
        let child = limited(400_000, &["estimate", "--table", "-"]).spawn().unwrap();
        let out = feed(child, move |to| {
            to.write_all(opening.as_bytes())?;
            (0..1024).try_for_each(|_| to.write_all(&block))
        });
        refused(&out, 1, message);
        assert!(!String::from_utf8_lossy(&out.stderr).contains("memory"), "{what}");
    }
}

#[test]
fn a_hundred_thousand_columns_are_refused() {
    let header = (0..100_000).map(|i| format!("c{i}")).collect::<Vec<_>>().join(",");
    let child = limited(400_000, &["estimate", "--table", "-"]).spawn().unwrap();
    let out = feed(child, move |to| writeln!(to, "{header}\n{header}"));
    refused(&out, 1, "100000 columns in the header line (accepted: at most 4096)");
}

#[test]
fn files_that_never_end_are_refused() {
    for (args, message) in [
        (&["estimate", "--table", "/dev/zero"][..], "the header line"),
        (
            &["estimate", "--depth-mm", "8", "--angle-deg", "75", "--calibration", "/dev/zero"],
            "larger than any calibration",
        ),
    ] {
        if Path::new("/dev/zero").exists() {
            let out = limited(600_000, args).stdin(Stdio::null()).output().unwrap();
            refused(&out, 1, message);
        }
    }
}

#[test]
fn a_table_without_end_takes_no_more_memory() {
    // half a million rows, 2.5 megabytes of them in memory if they were kept, in what three calibrations need
    let child = limited(400_000, &["estimate", "--table", "-"]).stdout(Stdio::null()).spawn().unwrap();
    let out = feed(child, |to| {
        to.write_all(HEADER.as_bytes())?;
        let rows = "8,75\n".repeat(1000);
        (0..100).try_for_each(|_| to.write_all(rows.as_bytes()))
    });
    let err = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{err}");
    assert!(err.is_empty() || err.contains("100000 rows"), "{err}");
}

#[test]
fn outputs_that_cannot_be_written() {
    let folder = TempDir::new().unwrap();
    let table = folder.path().join("mine.csv");
    fs::write(&table, format!("{HEADER}8,75\n")).unwrap();
    let table = table.to_str().unwrap();
    let to = |out: &str| {
        start(&["estimate", "--table", table, "--out", out]).stdin(Stdio::null()).output().unwrap()
    };
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    refused(&to(folder.path().to_str().unwrap()), 1, "is a folder");
    refused(&to(&at("none/x.csv")), 1, "there is no folder");
    refused(&to(&at("mine.csv/x.csv")), 1, "there is no folder");
    assert_eq!(names(folder.path()), ["mine.csv"]);
    if Path::new("/dev/full").exists() {
        // a full disk, by name and as standard output; and the device is still one afterwards
        refused(&to("/dev/full"), 1, "space");
        let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let out = start(&["estimate", "--table", table]).stdin(Stdio::null()).stdout(full).output().unwrap();
        refused(&out, 1, "space");
        assert!(!fs::metadata("/dev/full").unwrap().is_file());
    }
    // what is no ordinary file is written to, not replaced
    assert!(to("/dev/null").status.success());
    assert!(!fs::metadata("/dev/null").unwrap().is_file());
    let out = to(&at("fine.csv"));
    assert!(out.status.success());
    assert_eq!(fs::read_to_string(at("fine.csv")).unwrap().lines().count(), 2);
}

#[test]
fn a_folder_that_may_not_be_written() {
    use std::os::unix::fs::PermissionsExt;
    let folder = TempDir::new().unwrap();
    let table = folder.path().join("mine.csv");
    fs::write(&table, format!("{HEADER}8,75\n")).unwrap();
    let shut = folder.path().join("shut");
    fs::create_dir(&shut).unwrap();
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o555)).unwrap();
    // an administrator may write everywhere; there is nothing to see then
    if fs::write(shut.join("probe"), "").is_err() {
        let out = shut.join("x.csv");
        let run = start(&["estimate", "--table", table.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        let run = { run }.stdin(Stdio::null()).output().unwrap();
        refused(&run, 1, "permission denied");
    }
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o755)).unwrap();
}

/// A bundled calibration with one value changed, asked about one platform.
fn ask(folder: &TempDir, text: &str) -> Output {
    let path = folder.path().join("c.json");
    fs::write(&path, text).unwrap();
    let asked = ["estimate", "--depth-mm", "8", "--width-mm", "20", "--angle-deg", "75", "--calibration"];
    let mut args = asked.to_vec();
    args.push(path.to_str().unwrap());
    limited(900_000, &args).stdin(Stdio::null()).output().unwrap()
}

#[test]
fn adversarial_calibrations() {
    let folder = TempDir::new().unwrap();
    let good: Value =
        serde_json::from_str(&bundled::named("hard-hammer-quartzite").unwrap().to_json()).unwrap();
    let with = |path: &str, value: Value| {
        let mut all = good.clone();
        *all.pointer_mut(path).unwrap_or_else(|| panic!("no {path}")) = value;
        all.to_string()
    };
    let size = "/variants/0/sizes/0";
    let deep_product = (0..100_000).fold(String::from("{\"value\":\"platform_depth_mm\"}"), |t, i| {
        if i < 400 { format!("{{\"product\":[{t}]}}") } else { t }
    });
    let wide_product: Vec<Value> = (0..50_000).map(|_| json!({"value": "platform_depth_mm"})).collect();
    let many_levels: Vec<String> = (0..1000).map(|i| format!("level {i}")).collect();
    for (what, text, message) in [
        ("a tower of brackets", "[".repeat(5_000_000), "not a calibration"),
        ("a tower of objects", "{\"schema\":".repeat(200_000), "not a calibration"),
        (
            "a tower of products",
            with(&format!("{size}/form/terms/0"), json!("HERE")).replace("\"HERE\"", &deep_product),
            "not a calibration",
        ),
        ("a name of ten megabytes", with("/name", json!("n".repeat(10_000_000))), "1 to 200 characters"),
        (
            "a hundred thousand variants of nothing",
            with("/variants", json!(vec![json!({}); 100_000])),
            "missing field",
        ),
        (
            "numbers beyond the doubles",
            with(&format!("{size}/coefficients/0"), json!("HERE")).replace("\"HERE\"", "1e309"),
            "number out of range",
        ),
        ("a covariance of strings", with(&format!("{size}/covariance"), json!([["1"]])), "invalid type"),
        (
            "a covariance of huge numbers",
            with(&format!("{size}/covariance/0/0"), json!(-1e308)),
            "positive definite",
        ),
        ("a thousand levels", with("/layout/classes", json!([{"name": "layer", "levels": many_levels}])), ""),
        ("a mark of byte order and nothing behind it", "\u{feff}{}".to_string(), "no schema version"),
        ("UTF-16", "{\0\"\0".to_string(), "not a calibration"),
        ("NUL", "\0".repeat(1000), "not a calibration"),
    ] {
        let out = ask(&folder, &text);
        let err = String::from_utf8_lossy(&out.stderr);
        assert!(
            !err.contains("panicked") && out.status.code().is_some_and(|c| c < 4),
            "{what}: {} {err}",
            out.status
        );
        if message.is_empty() {
            assert!(out.status.success(), "{what}: {err}");
        } else {
            assert_eq!(out.status.code(), Some(1), "{what}: {err}");
            assert!(err.contains(message), "{what}: {err}");
        }
        assert!(err.len() < 2000, "{what}: a message of {} bytes", err.len());
    }
    // what contradicts nothing is answered for, never with not-a-number
    for (what, text) in [
        ("a variance of 1e308", with(&format!("{size}/covariance/0/0"), json!(1e308))),
        ("flakes beyond count", with(&format!("{size}/flakes"), json!(u64::MAX))),
        (
            "a product of fifty thousand depths",
            with(&format!("{size}/form/terms/1"), json!({"product": wide_product})),
        ),
        ("a leverage of 0", with(&format!("{size}/largest_leverage"), json!(0.0))),
        (
            "a range of everything",
            with("/variants/0/ranges/0", json!({"name": "platform_depth_mm", "low": -1e308, "high": 1e308})),
        ),
        ("a range of another measurement", with("/variants/0/ranges/0/name", json!("nothing"))),
    ] {
        let out = ask(&folder, &text);
        let (said, err) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
        assert!(
            !err.contains("panicked") && out.status.code().is_some_and(|c| c < 4),
            "{what}: {} {err}",
            out.status
        );
        assert!(!said.contains("NaN"), "{what}: {said}");
        assert!(out.status.success() != said.is_empty(), "{what}: an answer or an error: {said} {err}");
    }
}

#[test]
fn a_table_that_stops_in_the_middle_is_answered_as_far_as_it_goes() {
    let mut child = start(&["estimate", "--table", "-"]).spawn().unwrap();
    child.stdin.take().unwrap().write_all(format!("{HEADER}8,75\n6,8").as_bytes()).unwrap();
    let mut said = String::new();
    child.stdout.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(child.wait().unwrap().success());
    assert_eq!(said.lines().count(), 3, "{said}");
}
