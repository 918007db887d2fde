//! `knap report`: the page says what other verbs say of the same table, and its pictures stand beside it.

use crate::knap;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

/// Sixty invented flakes, some cores without a platform, one line with a bad cell.
fn table(folder: &TempDir) -> String {
    let mut text = "find,class,platform_depth_mm,exterior_platform_angle_deg,length_mm,mass_g\n".to_string();
    for i in 0..60_u32 {
        let uneven = |k: u32| f64::from((i * k) % 17) / 17.0 - 0.5;
        let (depth, angle) = (7.0 * uneven(5).exp(), 70.0 + 20.0 * uneven(7));
        let (length, mass) = (
            13.0 * depth.powf(0.6) * (0.6 * uneven(3)).exp(),
            0.7 * depth.powf(1.5) * (0.9 * uneven(6)).exp(),
        );
        text.push_str(&format!("F{i},flake,{depth:.2},{angle:.1},{length:.1},{mass:.2}\n"));
    }
    text.push_str("F60,flake,wide,70,30,8\n");
    (0..9).for_each(|i| text.push_str(&format!("C{i},core,,,60,120\n")));
    let path = folder.path().join("pit, north.csv");
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_string()
}

#[test]
fn the_page_holds_what_was_read_fitted_and_compared() {
    let folder = TempDir::new().unwrap();
    let (table, out) = (table(&folder), folder.path().join("pit.md"));
    let args = ["report", "--table", &table, "--where", "class=flake", "--out", out.to_str().unwrap()];
    let flint = ["--calibration", "hard-hammer-flint", "--of-the-experiment"];
    let run = knap().args(args).args(flint).output().unwrap();
    let err = String::from_utf8(run.stderr).unwrap();
    assert_eq!(run.status.code(), Some(3), "{err}");
    let page = fs::read_to_string(&out).unwrap();
    for words in [
        "# Flakes of pit, north.csv\n",
        "61 rows: 60 answered, 0 of them with a remark, 1 refused.",
        "- 61 of 70 rows chosen",
        "- 1 row: platform_depth_mm is not a number, such as \"wide\" (row 61)",
        "Taken in with `--where class=flake`",
        "**hard-hammer-flint**",
        "Bustos-Perez & Baena 2021, Lithic Technology 46:130",
        "| term | coefficient | standard error |",
        "| ln spread: intercept |",
        "observed over expected (95 % interval)",
        "Left out: area, area-angle (0 flakes to fit",
        "These are the rows with class=flake.",
        "## For a methods section\n\nExpected flake sizes were estimated with conchoid ",
        "60 were estimated and 1 could not be",
        "## How to cite",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    // the pictures are there and small, and named in the page
    for picture in ["pit-sizes.svg", "pit-forms-length_mm.svg", "pit-forms-mass_g.svg"] {
        assert!(page.contains(&format!("](<{picture}>)")), "{picture}: {page}");
        let svg = fs::read_to_string(folder.path().join(picture)).unwrap();
        assert!(svg.starts_with("<svg") && svg.len() < 300_000, "{picture}: {}", svg.len());
    }
    // coefficients are those of the calibration
    let shown = knap().args(["calibrations", "hard-hammer-flint", "--format", "json"]).output().unwrap();
    let c: Value = serde_json::from_slice(&shown.stdout).unwrap();
    let variant = c["variants"].as_array().unwrap().iter().find(|v| v["name"] == "depth, angle").unwrap();
    let mass = variant["sizes"].as_array().unwrap().iter().find(|m| m["size"] == "mass_g").unwrap();
    let (b, variance) =
        (mass["coefficients"][1].as_f64().unwrap(), mass["covariance"][1][1].as_f64().unwrap());
    let line = format!("| ln platform_depth_mm | {b:.5} | {:.5} |", variance.sqrt());
    assert!(page.contains(&line), "{line}: {page}");
    // flakes inside are those of the table of estimates
    let estimates =
        knap().args(["estimate", "--table", &table, "--where", "class=flake"]).args(flint).output().unwrap();
    let text = String::from_utf8(estimates.stdout).unwrap();
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let at = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let inside = text.lines().skip(1).filter(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |name: &str| cells[at(name)].parse::<f64>().unwrap_or(f64::NAN);
        (number("expected_mass_g_low")..=number("expected_mass_g_high")).contains(&number("mass_g"))
    });
    let line = format!("| mass | 60 | {} (", inside.count());
    assert!(page.contains(&line), "{line}: {page}");
    // and the same bytes again
    knap().args(args).args(flint).output().unwrap();
    assert_eq!(fs::read_to_string(&out).unwrap(), page);
    // moved to sites, the paragraph says by what
    assert!(!page.contains("excavated sites"), "{page}");
    knap().args(args).args(&flint[..2]).output().unwrap();
    let page = fs::read_to_string(&out).unwrap();
    let moved = "were moved by their distance from the flakes of 25 excavated sites, as measured by excavated-flakes (";
    assert!(page.contains(moved) && page.contains("\n- excavated-flakes: "), "{page}");
}

#[test]
fn sites_are_left_out_where_the_table_tells_of_them() {
    let folder = TempDir::new().unwrap();
    let (path, out) = (table(&folder), folder.path().join("pit.md"));
    let out = out.to_str().unwrap();
    let page = |with: &str| {
        let text = fs::read_to_string(&path).unwrap();
        let lines = text.lines().enumerate().map(|(i, line)| match i {
            0 => format!("{line},{with}\n"),
            i => format!("{line},K{}\n", i % 6),
        });
        let own = folder.path().join("grouped.csv");
        fs::write(&own, lines.collect::<String>()).unwrap();
        let run = knap().args(["report", "--table", own.to_str().unwrap(), "--out", out]).output().unwrap();
        assert_eq!(run.status.code(), Some(3), "{}", String::from_utf8_lossy(&run.stderr));
        fs::read_to_string(out).unwrap()
    };
    for by in ["site", "core"] {
        let told = format!("Mass, leave-one-{by}-out: each flake foretold by a fit without it.");
        assert!(page(by).contains(&told), "{}", page(by));
    }
    let page = page("box");
    assert!(page.contains("Mass, 10 times 10-fold: each flake foretold"), "{page}");
    // the scores that forms are compared by are of the same flakes
    assert!(page.contains("| CRPS of ln, same 60 |"), "{page}");
}

#[test]
fn a_report_that_cannot_be_made_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let (table, out) = (table(&folder), folder.path().join("pit.md"));
    let out = out.to_str().unwrap();
    for (more, told) in [
        (&["--where", "class=core"][..], "no row is answered: no"),
        (&["--where", "class=shard"], "class=shard leaves no row"),
        (&["--calibration", "nothing-here"], "there is no file of this name"),
    ] {
        let run = knap().args(["report", "--table", &table, "--out", out]).args(more).output().unwrap();
        let err = String::from_utf8(run.stderr).unwrap();
        assert!(!run.status.success() && err.contains(told), "{more:?}: {err}");
        assert!(!fs::exists(out).unwrap(), "{more:?}");
    }
    // a picture that would fall on the table
    let own = folder.path().join("pit-sizes.svg");
    fs::copy(&table, &own).unwrap();
    let run = knap().args(["report", "--table", own.to_str().unwrap(), "--out", out]).output().unwrap();
    assert_eq!(run.status.code(), Some(2));
    assert!(String::from_utf8(run.stderr).unwrap().contains("which is read; rename --out"));
    assert_eq!(fs::read(&own).unwrap(), fs::read(&table).unwrap());
}

#[test]
fn a_page_of_flakes_that_do_not_fit_begins_with_that_and_offers_nothing_to_quote() {
    let folder = TempDir::new().unwrap();
    let (path, out) = (folder.path().join("pit.csv"), folder.path().join("pit.md"));
    let mut text = "platform_depth_mm,exterior_platform_angle_deg,mass_g\n".to_string();
    for i in 0..20 {
        let depth = 4.0 + 0.4 * f64::from(i);
        // kilograms
        text.push_str(&format!("{depth:.1},75,{:.5}\n", 0.0005 * depth.powf(1.5)));
    }
    fs::write(&path, text).unwrap();
    let [path, out] = [&path, &out].map(|p| p.to_str().unwrap());
    let run = knap().args(["report", "--table", path, "--out", out]).output().unwrap();
    let page = fs::read_to_string(out).unwrap();
    let verdict = "The calibration does not fit these flakes: do not read on before the units are checked (mass in kilograms?";
    assert!(page.starts_with(&format!("# Flakes of pit.csv\n\n**{verdict}")), "{page}");
    assert!(!page.contains("## For a methods section") && page.contains("## How to cite"), "{page}");
    assert!(page.contains("| mass | 20 | 0 (0.0 %) | 0.000"), "{page}");
    let told = String::from_utf8(run.stderr).unwrap();
    assert!(told.contains("0 of 20 (chance") && told.contains("), 0.000"), "{told}");
    // the same of an assessment
    let flint = ["assess", "--table", path, "--calibration", "hard-hammer-flint"];
    let run = knap().args(flint).output().unwrap();
    assert!(String::from_utf8(run.stdout).unwrap().replace('\n', " ").starts_with(verdict));
    let run = knap().args(flint).args(["--format", "json"]).output().unwrap();
    let json: Value = serde_json::from_slice(&run.stdout).unwrap();
    assert!(json["verdict"].as_str().unwrap().starts_with(verdict), "{json}");
}
