//! Bad inputs by kind, and what each gets: the table `tests/bad-inputs.md`, made by running every one of them.
//!
//! The test fails where an answer differs from the committed table. After a change that is meant, write it again
//! with `CONCHOID_WRITE_BAD_INPUTS=1 cargo test -p knap bad_inputs` and read the difference.

use crate::knap;
use conchoid::Error;
use conchoid::calibration::{Calibration, Provenance, bundled};
use conchoid::calibration::{Collector, Recipe};
use conchoid::flake::Flake;
use conchoid::form::{self, Form, Term, Transform, value};
use conchoid::infer::{Assemblage, Drawing};
use conchoid::infer::{Comparison, Resampling};
use conchoid::infer::{Mesh, struck};
use conchoid::infer::{Remains, original};
use conchoid::material::{PercussorMaterial, Stone};
use conchoid::plan::Experiment;
use conchoid::predict::MeasurementErrors;
use conchoid::predict::Quick;
use conchoid::predict::{Ask, BlowAsKnown, BlowFigures, Interval, Joint, Predictor};
use conchoid::strike::{Measured, Strike};
use conchoid::table::{TableOptions, TableReader};
use std::fmt::Write as _;
use std::fs;
use tempfile::TempDir;

/// The table as it grows.
#[derive(Default)]
struct Sheet {
    rows: Vec<[String; 3]>,
    /// Inputs that were accepted, or refused by another error than they should.
    wrong: Vec<String>,
}

impl Sheet {
    fn row(&mut self, kind: &str, what: &str, got: impl Into<String>) {
        let got = got.into();
        assert!(!got.contains("panicked"), "{kind}, {what}: {got}");
        self.rows.push([kind.into(), what.into(), got]);
    }

    /// An input that must be refused, by an error of this variant.
    fn refused<T>(&mut self, kind: &str, what: &str, variant: &str, found: conchoid::Result<T>) {
        let Err(e) = found else {
            self.wrong.push(format!("{kind}, {what}: accepted"));
            return;
        };
        if variant_of(&e) != variant {
            self.wrong.push(format!("{kind}, {what}: {} instead of {variant}: {e}", variant_of(&e)));
        }
        self.row(kind, what, format!("{variant}: {e}"));
    }

    fn markdown(&self) -> String {
        let mut out = String::from(
            "# Bad inputs, and what each gets\n\n\
             Made by `tests/bad_inputs.rs`, which fails when an answer changes; do not edit by hand.\n\n\
             | kind | input | answer |\n|---|---|---|\n",
        );
        for [kind, what, got] in &self.rows {
            let cell = |t: &str| t.replace('|', "\\|").replace('\n', " / ");
            writeln!(out, "| {} | {} | {} |", cell(kind), cell(what), cell(got)).unwrap();
        }
        writeln!(out, "\n{} inputs.", self.rows.len()).unwrap();
        out
    }
}

fn variant_of(e: &Error) -> String {
    let text = format!("{e:?}");
    text.split([' ', '(', '{']).next().unwrap().to_string()
}

/// A table read to its end, row by row: what became of each.
fn read(bytes: &[u8], options: &TableOptions) -> String {
    let mut table = match TableReader::new(bytes, options) {
        Ok(t) => t,
        Err(e) => return format!("{}: {e}", variant_of(&e)),
    };
    let mut said: Vec<String> = table.header().remarks().iter().map(|r| format!("remark: {r}")).collect();
    let mut row = table.row();
    loop {
        match table.read(&mut row) {
            Ok(true) => {}
            Ok(false) => return said.join("; "),
            Err(e) => {
                said.push(format!("{}: {e}", variant_of(&e)));
                return said.join("; ");
            }
        }
        let depth = row.number("platform_depth_mm").map_or("none".to_string(), |d| d.to_string());
        let words = |all: Vec<Error>| all.iter().map(ToString::to_string).collect::<Vec<_>>().join(" and ");
        said.push(match row.outcome(&["platform_depth_mm", "exterior_platform_angle_deg"]) {
            Ok(r) if r.is_empty() => format!("read, depth {depth}"),
            Ok(r) => format!("read, depth {depth}, remark: {}", words(r)),
            Err(r) => format!("refused: {}", words(r)),
        });
    }
}

fn cells(sheet: &mut Sheet) {
    let long = "9".repeat(5000);
    let depths: &[(&str, &str)] = &[
        ("decimal comma", "\"7,3\""),
        ("thousands separator", "\"1,234.5\""),
        ("space between thousands", "1 234"),
        ("apostrophe between thousands", "1'234"),
        ("blank", ""),
        ("blanks only", "   "),
        ("a dash", "-"),
        ("not recorded", "n/a"),
        ("unit in the cell", "7.3 mm"),
        ("about", "~7"),
        ("a range", "7-8"),
        ("question mark", "7.3?"),
        ("less than", "<7"),
        ("negative", "-7.3"),
        ("zero", "0"),
        ("negative zero", "-0.0"),
        ("NaN", "NaN"),
        ("infinity", "inf"),
        ("overflow", "1e400"),
        ("underflow", "1e-400"),
        ("a metre and more", "1000.1"),
        ("hexadecimal", "0x1F"),
        ("digit groups of a program", "1_000"),
        ("two points", "7.3.1"),
        ("no digits", "e5"),
        ("Arabic digits", "٧٫٣"),
        ("fullwidth digits", "７.３"),
        ("minus sign of a typesetter", "−7.3"),
        ("superscript", "7²"),
        ("no-break space", "7.3\u{a0}"),
        ("zero-width space", "7\u{200b}.3"),
        ("NUL in a number", "7\0.3"),
        ("a formula", "=A1+1"),
        ("a very long number", &long),
        ("a word", "thick"),
    ];
    for (what, cell) in depths {
        let table = format!("platform_depth_mm,exterior_platform_angle_deg,notes\n{cell},75,x\n");
        let shown = if cell.len() > 40 { "9999… (5000 digits)".to_string() } else { format!("{cell:?}") };
        sheet.row("cell", &format!("depth, {what}: {shown}"), read(table.as_bytes(), &TableOptions::new()));
    }
    for (what, column, cell) in [
        ("obtuse angle, which is accepted", "exterior_platform_angle_deg", "95"),
        ("angle beyond a half turn", "exterior_platform_angle_deg", "200"),
        ("angle of a half turn", "exterior_platform_angle_deg", "180"),
        ("angle in degrees and minutes", "exterior_platform_angle_deg", "75°30'"),
        ("angle of blow along the platform", "angle_of_blow_deg", "90.5"),
        ("a speed of light", "speed_m_s", "299792458"),
        ("a kind that is not one", "platform_kind", "plane"),
        ("yes or no", "retouched", "maybe"),
        ("a misspelt termination, kept as recorded", "termination", "fether"),
        ("a portion of one's own", "portion", "half"),
        ("mass of nothing", "mass_g", "0"),
    ] {
        let table = match column {
            "exterior_platform_angle_deg" => format!("platform_depth_mm,{column}\n8,{cell}\n"),
            _ => format!("platform_depth_mm,exterior_platform_angle_deg,{column}\n8,75,{cell}\n"),
        };
        sheet.row(
            "cell",
            &format!("{column}, {what}: {cell:?}"),
            read(table.as_bytes(), &TableOptions::new()),
        );
    }
}

fn tables(sheet: &mut Sheet) {
    let utf16: Vec<u8> = "platform_depth_mm,exterior_platform_angle_deg\n8,75\n"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    let mut utf16_bom = vec![0xff, 0xfe];
    utf16_bom.extend(&utf16);
    let wide = format!("{}\n{}\n", vec!["c"; 5000].join(","), vec!["1"; 5000].join(","));
    let long = format!("platform_depth_mm,notes\n8,{}\n", "x".repeat(2_000_000));
    let endless = "x".repeat(2_000_000);
    for (what, bytes) in [
        ("nothing at all", &b""[..]),
        ("a line end only", b"\n"),
        ("blank lines only", b"\n\n\r\n"),
        ("a header and nothing under it", b"platform_depth_mm,exterior_platform_angle_deg\n"),
        ("a header without line end", b"platform_depth_mm"),
        ("no header: numbers in the first line", b"8,75\n6,80\n"),
        ("none of the columns needed", b"flake,notes\nA1,x\n"),
        ("one of the columns needed", b"flake,platform_depth_mm\nA1,8\n"),
        ("the same header twice", b"platform_depth_mm,platform_depth_mm\n8,8\n"),
        ("one meaning under two headers", b"platform_depth_mm,Platform depth (cm)\n8,0.8\n"),
        ("a misspelt header", b"platfrom_depth_mm,exterior_platform_angle_deg\n8,75\n"),
        ("a header without unit", b"platform_depth,exterior_platform_angle_deg\n8,75\n"),
        ("a unit of another kind", b"platform_depth_g,exterior_platform_angle_deg\n8,75\n"),
        ("a row too short", b"platform_depth_mm,exterior_platform_angle_deg\n8\n6,80\n"),
        ("a row too long", b"platform_depth_mm,exterior_platform_angle_deg\n8,75,1\n6,80\n"),
        (
            "a decimal comma that makes a cell too many",
            b"platform_depth_mm,exterior_platform_angle_deg\n7,3,75\n",
        ),
        (
            "a quote never closed",
            b"platform_depth_mm,exterior_platform_angle_deg,notes\n8,75,\"open\n6,80,x\n",
        ),
        ("a quote inside a cell", b"platform_depth_mm,exterior_platform_angle_deg,notes\n8,75,5\" long\n"),
        (
            "line ends of three kinds",
            b"platform_depth_mm,exterior_platform_angle_deg\r\n8,75\n6,80\r\n5,70\r4,60\n",
        ),
        ("tabs", b"platform_depth_mm\texterior_platform_angle_deg\n8\t75\n"),
        ("semicolons and decimal commas", b"platform_depth_mm;exterior_platform_angle_deg\n7,3;75\n"),
        ("two separators in one table", b"platform_depth_mm;exterior_platform_angle_deg,notes\n8;75,x\n"),
        ("bars between cells", b"platform_depth_mm|exterior_platform_angle_deg\n8|75\n"),
        ("a byte-order mark", b"\xef\xbb\xbfplatform_depth_mm,exterior_platform_angle_deg\n8,75\n"),
        ("UTF-16 without a mark", &utf16),
        ("UTF-16 with a mark", &utf16_bom),
        ("Latin-1", b"platform_depth_mm,exterior_platform_angle_deg,notes\n8,75,fl\xfcgel\n"),
        ("NUL bytes", b"platform_depth_mm,exterior_platform_angle_deg\n8,75\n\0\0\0\n"),
        ("a spreadsheet file", b"PK\x03\x04\x14\x00\x06\x00\x08\x00\x00\x00!\x00"),
        ("JSON", b"[{\"platform_depth_mm\": 8}]\n"),
        ("five thousand columns", wide.as_bytes()),
        ("a row of two million characters", long.as_bytes()),
        ("a line of two million characters and no end", endless.as_bytes()),
    ] {
        sheet.row("table", what, read(bytes, &TableOptions::new()));
    }
    let two = b"EPA,t\n75,8\n";
    for (what, options) in [
        ("a column that is not there", TableOptions::new().column("epb", "exterior_platform_angle_deg")),
        ("a meaning that does not exist", TableOptions::new().column("EPA", "exterior_angle")),
        ("one column for two", TableOptions::new().column("t", "mass_g").column("t", "platform_depth_mm")),
        ("a class asked for as a number", TableOptions::new().number("percussor")),
    ] {
        sheet.row("column map", what, read(two, &options));
    }
}

fn builders(sheet: &mut Sheet) {
    sheet.refused(
        "builder",
        "depth NaN",
        "OutOfRange",
        Strike::builder().platform_depth_mm(f64::NAN).build(),
    );
    sheet.refused("builder", "depth 1e308", "OutOfRange", Strike::builder().platform_depth_mm(1e308).build());
    sheet.refused(
        "builder",
        "width -inf",
        "OutOfRange",
        Strike::builder().platform_width_mm(f64::NEG_INFINITY).build(),
    );
    sheet.refused("builder", "area 0", "OutOfRange", Strike::builder().platform_area_mm2(0.0).build());
    sheet.refused(
        "builder",
        "angle 200",
        "OutOfRange",
        Strike::builder().exterior_platform_angle_deg(200.0).build(),
    );
    sheet.refused(
        "builder",
        "angle of blow 91",
        "OutOfRange",
        Strike::builder().angle_of_blow_deg(91.0).build(),
    );
    sheet.refused("builder", "speed -1", "OutOfRange", Strike::builder().speed_m_s(-1.0).build());
    sheet.refused("builder", "percussor without a name", "Invalid", Strike::builder().percussor(" ").build());
    sheet.refused(
        "builder",
        "percussor of 65 characters",
        "Invalid",
        Strike::builder().percussor(&*"a".repeat(65)).build(),
    );
    sheet.refused("builder", "stone on two lines", "Invalid", Strike::builder().stone("a\nb").build());
    sheet.refused("builder", "flake of negative mass", "OutOfRange", Flake::builder().mass_g(-3.0).build());
    sheet.refused("material", "a stone nobody knows", "UnknownName", Stone::named("flnt"));
    sheet.refused("material", "a percussor nobody knows", "UnknownName", PercussorMaterial::named("antlr"));
    let flint = Stone::named("flint").unwrap().with_youngs_modulus_pa((7e10, 8e10, 9e10));
    sheet.refused("material", "a range that does not hold its middle", "Invalid", flint);
    sheet.refused(
        "material",
        "a hammer of no mass",
        "OutOfRange",
        Strike::builder().percussor_mass_g(0.0).build(),
    );
    let thrown = Strike::builder().speed_m_s(5.0).percussor("antler").build().unwrap();
    sheet.refused("blow", "a hammer without mass", "Missing", BlowAsKnown::measured(&thrown, None));
    for (what, speed, depth, angle) in
        [("no speed", 0.0, 8.0, 75.0), ("depth NaN", 5.0, f64::NAN, 75.0), ("angle 180", 5.0, 8.0, 180.0)]
    {
        let (flint, antler) = (Stone::named("flint").unwrap(), PercussorMaterial::named("antler").unwrap());
        let found = BlowAsKnown::new(flint, antler, BlowFigures::new(300.0, 20.0, speed, depth, angle));
        sheet.refused("blow", what, "OutOfRange", found);
    }
}

/// The text of a bundled calibration with one value of it changed.
fn spoilt(path: &str, value: serde_json::Value) -> String {
    let mut all: serde_json::Value =
        serde_json::from_str(&bundled::named("hard-hammer-quartzite").unwrap().to_json()).unwrap();
    *all.pointer_mut(path).unwrap_or_else(|| panic!("no {path}")) = value;
    all.to_string()
}

fn calibrations(sheet: &mut Sheet) {
    use serde_json::json;
    let good = bundled::named("hard-hammer-quartzite").unwrap().to_json();
    let size = "/variants/0/sizes/0";
    let short: Vec<f64> = vec![1.0];
    let mut deep = json!({"value": "platform_depth_mm"});
    for _ in 0..40 {
        deep = json!({"ln": deep});
    }
    for (what, text) in [
        ("empty", String::new()),
        ("not JSON", "calibration: mine".into()),
        ("cut off in the middle", good[..good.len() / 2].to_string()),
        ("a list", "[]".into()),
        ("another schema", spoilt("/schema", json!(7))),
        ("a schema in words", spoilt("/schema", json!("one"))),
        ("no schema", good.replacen("\"schema\": 2,", "", 1)),
        ("an unknown field", good.replacen("\"name\"", "\"nom\"", 1)),
        ("a field twice", good.replacen("\"stone\":", "\"name\": \"other\", \"stone\":", 1)),
        ("no variants", spoilt("/variants", json!([]))),
        ("no name", spoilt("/name", json!(" "))),
        ("a name of 300 characters", spoilt("/name", json!("n".repeat(300)))),
        ("a million brackets", "[".repeat(1_000_000)),
        ("a term nested forty deep", spoilt(&format!("{size}/form/terms/0"), deep)),
        ("not-a-number, written as null", spoilt(&format!("{size}/coefficients/0"), json!(null))),
        ("1e999", good.replacen("\"joint_flakes\": ", "\"joint_flakes\": 1e999, \"x\": ", 1)),
        ("too few coefficients", spoilt(&format!("{size}/coefficients"), json!(short))),
        ("a covariance of one row", spoilt(&format!("{size}/covariance"), json!([[1.0]]))),
        ("a negative variance", spoilt(&format!("{size}/covariance/0/0"), json!(-1.0))),
        ("a covariance of words", spoilt(&format!("{size}/covariance/1/0"), json!("0.5"))),
        ("no flakes", spoilt(&format!("{size}/flakes"), json!(0))),
        ("flakes below zero", spoilt(&format!("{size}/flakes"), json!(-5))),
        ("half a flake", spoilt(&format!("{size}/flakes"), json!(2.5))),
        ("an R2 above one", spoilt(&format!("{size}/r_squared"), json!(1.5))),
        ("a size without a name", spoilt(&format!("{size}/size"), json!(""))),
        ("a size twice", spoilt(&format!("{size}/size"), json!("mass_g"))),
        ("a correlation of two", spoilt("/variants/0/residual_correlation/1/0", json!(2.0))),
        (
            "a correlation of one with itself that is not",
            spoilt("/variants/0/residual_correlation/0/0", json!(0.5)),
        ),
        ("a layout with a name twice", spoilt("/layout/numbers/1", json!("platform_depth_mm"))),
        ("a layout without the depth", spoilt("/layout/numbers/0", json!("depth"))),
        ("an empty range", spoilt("/variants/0/ranges/0/low", json!(1e300))),
        ("a setting that is nowhere", spoilt("/setting_names", json!(["angle_of_blow_deg"]))),
        ("an assumption that is nowhere", spoilt("/assumptions", json!([{"class": "layer", "level": "1"}]))),
        (
            "heavy tails of no freedom",
            spoilt(&format!("{size}/tails"), json!({"student": {"degrees_of_freedom": 1.0}})),
        ),
    ] {
        sheet.refused("calibration", what, "Calibration", Calibration::from_json(&text));
    }
    // what contradicts nothing is read; the answer then says what is wrong with it
    let strike = {
        let p = Strike::builder()
            .platform_depth_mm(8.0)
            .platform_width_mm(20.0)
            .exterior_platform_angle_deg(75.0);
        p.build().unwrap()
    };
    let text = spoilt(&format!("{size}/coefficients/1"), json!(1e308));
    let huge = Predictor::new(Calibration::from_json(&text).unwrap()).unwrap();
    let found = huge.estimate(&strike, &Ask::default());
    sheet.refused("calibration", "a coefficient of 1e308, when asked", "Invalid", found);
    let text = spoilt(&format!("{size}/covariance/0/0"), json!(1e308));
    let wide = Predictor::new(Calibration::from_json(&text).unwrap()).unwrap();
    let found = wide.estimate(&strike, &Ask::default());
    sheet.refused("calibration", "a variance of 1e308, when asked", "Invalid", found);
    let text = spoilt(&format!("{size}/flakes"), json!(u64::MAX));
    let many = Predictor::new(Calibration::from_json(&text).unwrap()).unwrap();
    let estimate = many.estimate(&strike, &Ask::default()).unwrap();
    sheet.row(
        "calibration",
        "18446744073709551615 flakes, when asked",
        format!("an estimate, of {} flakes", estimate.flakes),
    );
    sheet.refused(
        "calibration",
        "a bundled name that is none",
        "UnknownName",
        bundled::named("hard-hammer-flnt"),
    );
}

fn forms(sheet: &mut Sheet) {
    let own = |terms: Vec<Term>| Form::new("mine", Transform::Ln, terms);
    sheet.refused("form", "a published name that is none", "UnknownName", Form::named("log-lin"));
    sheet.refused("form", "no name", "Invalid", Form::new("", Transform::Ln, vec![]));
    sheet.refused("form", "the same term twice", "Invalid", own(vec![form::ln("a"), form::ln("a")]));
    sheet.refused("form", "a measurement without a name", "Invalid", own(vec![form::value(" ")]));
    sheet.refused("form", "a product of nothing", "Invalid", own(vec![form::product(Vec::<Term>::new())]));
    sheet.refused("form", "a power of NaN", "Invalid", own(vec![form::power("a", f64::NAN)]));
    sheet.refused("form", "a knot at infinity", "Invalid", own(vec![form::above("a", f64::INFINITY)]));
    let falling = own(form::spline("a", &[3.0, 2.0, 1.0]));
    sheet.refused("form", "knots that fall", "Invalid", falling);
    let deep = (0..10).fold(form::value("a"), |t, _| form::ln(t));
    sheet.refused("form", "ten logarithms deep", "Invalid", own(vec![deep]));
    let many = (0..201).map(|i| form::value(&format!("x{i}"))).collect();
    sheet.refused("form", "two hundred and one terms", "Invalid", own(many));
    sheet.refused(
        "form",
        "neither intercept nor term",
        "Invalid",
        own(vec![]).and_then(Form::without_intercept),
    );
}

fn fits(sheet: &mut Sheet) {
    let provenance = Provenance::new("a test", "nobody", "none", "none");
    let depth_only = Form::new("depth only", Transform::Identity, vec![value("platform_depth_mm")]).unwrap();
    let fit = |depth: &[f64], mass: &[f64]| {
        let recipe = Recipe::single("mine", "mass_g", depth_only.clone(), provenance.clone()).unwrap();
        let mut c = Collector::new(recipe)?;
        c.offer_numbers(&["platform_depth_mm", "mass_g"], &[depth, mass])?;
        c.finish()
    };
    sheet.refused("fit", "no rows", "TooFew", fit(&[], &[]));
    sheet.refused("fit", "as many rows as terms", "TooFew", fit(&[1.0, 2.0], &[1.0, 2.0]));
    sheet.refused("fit", "a depth that does not vary", "RankDeficient", fit(&[4.0; 3], &[1.0, 2.0, 3.0]));
    sheet.refused("fit", "NaN for every depth", "TooFew", fit(&[f64::NAN; 3], &[1.0, 2.0, 3.0]));
    sheet.refused("fit", "more sizes than depths", "Shape", fit(&[1.0, 2.0, 4.0], &[1.0, 2.0, 3.0, 4.0]));
    sheet.refused("fit", "sizes that do not vary", "Invalid", fit(&[1.0, 2.0, 4.0], &[2.0; 3]));
    let collect = |flakes: &[Flake]| {
        let recipe =
            Recipe::single("mine", "mass_g", Form::named("log-log").unwrap(), provenance.clone()).unwrap();
        let mut c = Collector::new(recipe)?;
        let taken: Vec<Option<String>> = flakes.iter().map(|f| c.offer(f)).collect();
        c.finish().map(|r| (taken.len(), r))
    };
    let flake = |depth: Option<f64>, mass: Option<f64>| {
        Flake::builder()
            .strike(
                Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(75.0).build().unwrap(),
            )
            .mass_g(mass)
            .build()
            .unwrap()
    };
    sheet.refused("fit", "a table of no flakes", "TooFew", collect(&[]));
    let blank: Vec<Flake> = (0..30).map(|_| flake(None, Some(3.0))).collect();
    sheet.refused("fit", "every depth missing", "TooFew", collect(&blank));
    let blank: Vec<Flake> = (0..30).map(|i| flake(Some(f64::from(i) + 1.0), None)).collect();
    sheet.refused("fit", "every mass missing", "TooFew", collect(&blank));
    let same: Vec<Flake> = (0..30).map(|i| flake(Some(f64::from(i) + 1.0), Some(3.0))).collect();
    sheet.refused("fit", "one mass for all", "Invalid", collect(&same));
    let same: Vec<Flake> =
        (0..30).map(|i| flake(Some(f64::from(i) + 1.0), Some(3.0 + f64::from(i % 4)))).collect();
    sheet.refused("fit", "one angle for all", "RankDeficient", collect(&same));
}

fn questions(sheet: &mut Sheet) {
    let predictor = Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap();
    let platform = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0);
    let strike = platform.clone().build().unwrap();
    let estimate = predictor.estimate(&strike, &Ask::default()).unwrap();
    let mass = estimate.size("mass_g").unwrap();
    for level in [0.0, 1.0, -0.5, 95.0, f64::NAN] {
        sheet.refused("level", &format!("an interval of level {level}"), "OutOfRange", mass.interval(level));
    }
    sheet.refused("level", "the quantile of 1", "OutOfRange", mass.quantile(1.0));
    sheet.refused(
        "estimate",
        "nothing measured",
        "Missing",
        predictor.estimate(&Strike::builder().build().unwrap(), &Ask::default()),
    );
    let unknown = platform.percussor("cheese").build().unwrap();
    let glass = Predictor::new(bundled::named("controlled-glass").unwrap()).unwrap();
    sheet.refused(
        "estimate",
        "a percussor of cheese",
        "UnknownName",
        glass.estimate(&unknown, &Ask::default()),
    );
    let joint = Joint::new(&estimate).unwrap();
    sheet.refused("known size", "a size that is none", "UnknownName", joint.given("mas_g", 3.0));
    sheet.refused("known size", "a mass of 0", "OutOfRange", joint.given("mass_g", 0.0));
    sheet.refused("known size", "a mass of NaN", "OutOfRange", joint.given("mass_g", f64::NAN));
    let errors = MeasurementErrors::new;
    sheet.refused("measurement error", "below 0", "OutOfRange", errors().absolute("platform_depth_mm", -1.0));
    sheet.refused(
        "measurement error",
        "a share of 2",
        "OutOfRange",
        errors().relative("platform_depth_mm", 2.0),
    );
    let quick: Quick = predictor.quick("depth, angle", 0.95).unwrap();
    let mut out = [Interval { low: 0.0, median: 0.0, high: 0.0, level: 0.95 }; 4];
    sheet.refused("quick", "a row of one entry", "Shape", quick.intervals(&[8.0], &mut out));
    sheet.refused(
        "quick",
        "a row of blanks",
        "Missing",
        quick.intervals(&[f64::NAN; 9][..predictor.calibration().layout().len()], &mut out),
    );
    sheet.refused("quick", "a variant that is none", "UnknownName", predictor.quick("depth", 0.95));
    sheet.refused("original", "a mass now of 0", "OutOfRange", Remains::new(0.0));
    sheet.refused(
        "original",
        "more missing than a tonne",
        "OutOfRange",
        Remains::new(3.0).and_then(|r| r.with_missing_g(1e7)),
    );
    let medial =
        Flake::builder().strike(strike.clone()).portion(conchoid::flake::Portion::Medial).build().unwrap();
    sheet.refused(
        "original",
        "a medial piece",
        "Refused",
        original(&predictor, &medial, &Remains::new(3.0).unwrap(), &Ask::default(), None),
    );
    sheet.refused("assemblage", "fifty draws", "OutOfRange", Drawing::seeded(1).draws(50));
    let mut bag = Assemblage::new(&predictor, Default::default()).unwrap();
    let reason = bag.offer("trench", &Strike::builder().build().unwrap()).unwrap();
    sheet.row("assemblage", "a piece without a platform", format!("counted, not estimated: {reason}"));
    let text = "platform_depth_mm,exterior_platform_angle_deg,mass_g,portion\n8,75,12,half\n";
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut half = table.row();
    assert!(table.read(&mut half).unwrap());
    let reason = bag.offer("trench", &half).unwrap();
    sheet.row("assemblage", "a portion of one's own", format!("counted, not estimated: {reason}"));
    sheet.refused("assemblage", "a mesh of nothing", "OutOfRange", Mesh::mm(0.0));
    sheet.refused("assemblage", "held by the mesh with probability 0", "OutOfRange", struck(&[0.0], 0.95));
    let how = Resampling::seeded(1);
    sheet.refused(
        "comparison",
        "two flakes a set",
        "TooFew",
        Comparison::new(&[1.0, 2.0], &[1.0, 2.0], &how),
    );
    sheet.refused(
        "comparison",
        "a size of 0",
        "Invalid",
        Comparison::new(&[1.0, 2.0, 3.0, 4.0, 5.0, 0.0], &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0], &how),
    );
    sheet.refused(
        "comparison",
        "sizes all the same",
        "Invalid",
        Comparison::new(&[2.0; 8], &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], &how),
    );
    let log_log = |flakes| Experiment::new(Form::named("log-log").unwrap(), "mass_g", flakes);
    let given = |flakes| log_log(flakes).spread(0.4, "given").unwrap();
    sheet.refused("plan", "a spread of 0", "OutOfRange", log_log(9).spread(0.0, "given"));
    sheet.refused("plan", "no spread", "Missing", log_log(9).plan(1));
    sheet.refused("plan", "a level of 1", "OutOfRange", log_log(9).level(1.0));
    sheet.refused("plan", "a difference of NaN", "OutOfRange", log_log(9).difference(f64::NAN));
    sheet.refused(
        "plan",
        "a difference of one percussor",
        "Invalid",
        given(9).difference(1.5).and_then(|e| e.plan(1)),
    );
    sheet.refused("plan", "no flakes a core", "TooFew", given(9).cores(0).between_cores(0.2).plan(1));
    sheet.refused("plan", "cores that differ by nobody knows what", "Missing", given(9).cores(3).plan(1));
    sheet.refused("plan", "a reach that falls", "Invalid", log_log(9).reach("platform_depth_mm", 8.0, 4.0));
    sheet.refused(
        "plan",
        "a depth that no platform has",
        "OutOfRange",
        log_log(9).reach("platform_depth_mm", f64::NEG_INFINITY, 4.0),
    );
    sheet.refused(
        "plan",
        "a reach that the form does not read",
        "Invalid",
        log_log(9).reach("platform_area_mm2", 20.0, 90.0),
    );
    sheet.refused("plan", "a percussor of cheese", "UnknownName", log_log(9).percussors(&["cheese"]));
    sheet.refused("plan", "two flakes for three coefficients", "TooFew", given(2).plan(1));
    sheet.refused("plan", "no flakes", "Invalid", given(0).plan(1));
    sheet.refused(
        "plan",
        "a depth that does not vary",
        "RankDeficient",
        given(9).reach("platform_depth_mm", 8.0, 8.0).and_then(|e| e.plan(1)),
    );
    sheet.refused("plan", "a platform without an angle", "Missing", {
        let platform = Strike::builder().platform_depth_mm(8.0).build().unwrap();
        given(9).at("here", &platform).and_then(|e| e.plan(1))
    });
}

#[cfg(unix)]
fn command_line(sheet: &mut Sheet) {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    let table = at("mine.csv");
    fs::write(&table, "platform_depth_mm,exterior_platform_angle_deg,mass_g\n8,75,21\n6,80,12\n4,70,5\n")
        .unwrap();
    fs::write(at("broken.json"), "{").unwrap();
    fs::write(at("file"), "").unwrap();
    let here = folder.path().to_str().unwrap().to_string();
    let ask = |more: &[&str]| -> Vec<String> {
        let usual = ["estimate", "--depth-mm", "8", "--angle-deg", "75"];
        usual.iter().chain(more).map(|s| s.to_string()).collect()
    };
    let words = |all: &[&str]| -> Vec<String> { all.iter().map(|s| s.to_string()).collect() };
    for (what, args, code) in [
        ("no verb", words(&[]), 2),
        ("a misspelt verb", words(&["estimat", "--depth-mm", "8"]), 2),
        ("a misspelt option", words(&["estimate", "--deph-mm", "8"]), 2),
        ("a depth in words", words(&["estimate", "--depth-mm", "eight"]), 2),
        ("a decimal comma", words(&["estimate", "--depth-mm", "7,3", "--angle-deg", "75"]), 2),
        ("a depth with its unit", words(&["estimate", "--depth-mm", "7.3 mm", "--angle-deg", "75"]), 2),
        ("a comma and a unit", words(&["estimate", "--depth-mm", "7,3mm", "--angle-deg", "75"]), 2),
        ("a comma of thousands", words(&["original", "--mass-now-g", "1,234"]), 2),
        ("a range for one number", words(&["estimate", "--depth-mm", "7..9", "--angle-deg", "75"]), 2),
        ("a level in percent", ask(&["--level", "95%"]), 2),
        ("a speed with a decimal comma", ask(&["--speed-m-s", "3,5..5"]), 2),
        ("a range with a hyphen", ask(&["--speed-m-s", "3-5"]), 2),
        ("a known size with a decimal comma", ask(&["--known", "length_mm=45,5"]), 2),
        ("half a flake to strike", words(&["plan", "--flakes", "12.5"]), 2),
        ("a depth of NaN", words(&["estimate", "--depth-mm", "NaN", "--angle-deg", "75"]), 2),
        ("a depth of 1e400", words(&["estimate", "--depth-mm", "1e400", "--angle-deg", "75"]), 2),
        ("an option twice", ask(&["--depth-mm", "9"]), 2),
        ("an angle of 200", words(&["estimate", "--depth-mm", "8", "--angle-deg", "200"]), 2),
        ("no depth", words(&["estimate", "--angle-deg", "75"]), 2),
        ("a level of 95", ask(&["--level", "95"]), 2),
        ("a level of 0", ask(&["--level", "0"]), 2),
        ("a level of NaN", ask(&["--level", "NaN"]), 2),
        ("a misspelt percussor", ask(&["--percussor", "antlr"]), 2),
        ("a misspelt calibration", ask(&["--calibration", "controled-glass"]), 2),
        ("a misspelt termination", ask(&["--termination", "fether"]), 2),
        ("a format that is none", ask(&["--format", "xml"]), 2),
        ("a plan as CSV", words(&["plan", "--flakes", "12", "--format", "csv"]), 2),
        ("a calibration that is a folder", ask(&["--calibration", &here]), 1),
        ("a calibration cut off", ask(&["--calibration", &at("broken.json")]), 1),
        (
            "a table as JSON",
            words(&["estimate", "--table", &table, "--format", "json", "--out", &at("x.json")]),
            2,
        ),
        ("a table of pieces as JSON", words(&["original", "--table", &table, "--format", "json"]), 2),
        ("a table that is not there", words(&["estimate", "--table", &at("none.csv")]), 1),
        ("a table that is a folder", words(&["estimate", "--table", &here]), 1),
        ("an empty file", words(&["estimate", "--table", &at("file")]), 1),
        (
            "an output in a folder that is not there",
            words(&["estimate", "--table", &table, "--out", &at("none/x.csv")]),
            1,
        ),
        ("an output that is a folder", words(&["estimate", "--table", &table, "--out", &here]), 1),
        ("an output below a file", words(&["estimate", "--table", &table, "--out", &at("file/x.csv")]), 1),
        ("a column map without =", words(&["estimate", "--table", &table, "--column", "EPA"]), 2),
        (
            "a column map of a misspelt column",
            words(&["estimate", "--table", &table, "--column", "mas_g=mass_g"]),
            1,
        ),
        (
            "a fit of three flakes",
            words(&["fit", "--table", &table, "--response", "mass_g", "--form", "log-log", "--name", "x"]),
            1,
        ),
        (
            "a fit of a misspelt response",
            words(&["fit", "--table", &table, "--response", "mas_g", "--form", "log-log", "--name", "x"]),
            2,
        ),
        (
            "a fit of a column that is not there",
            words(&["fit", "--table", &table, "--response", "length_mm", "--form", "log-log", "--name", "x"]),
            1,
        ),
        (
            "a misspelt form",
            words(&["fit", "--table", &table, "--response", "mass_g", "--form", "loglog", "--name", "x"]),
            2,
        ),
        ("a misspelt calibration to show", words(&["calibrations", "hard-hamer-flint"]), 2),
        (
            "a table that is not there, to plan from",
            words(&["plan", "--flakes", "12", "--existing", &at("none.csv")]),
            1,
        ),
        (
            "a bound and a model of loss",
            words(&["assemblage", "--table", &table, "--seed", "7", "--bound", "each", "--loss", "2,5"]),
            2,
        ),
        (
            "one standard input for two tables",
            words(&["assemblage", "--table", "-", "--against", "-", "--seed", "7"]),
            2,
        ),
        (
            "an assemblage that is not there",
            words(&["assemblage", "--table", &at("none.csv"), "--seed", "7"]),
            1,
        ),
    ] {
        let out = knap().args(&args).output().unwrap();
        let err = String::from_utf8(out.stderr).unwrap();
        assert!(!err.contains("panicked"), "{what}: {err}");
        if out.status.code() != Some(code) || !out.stdout.is_empty() {
            sheet.wrong.push(format!("{what}: exit {:?} instead of {code}: {err}", out.status.code()));
        }
        // what matters comes first; the usage that clap adds is left out
        let said: Vec<&str> =
            err.lines().take_while(|l| !l.starts_with("Usage:")).filter(|l| !l.trim().is_empty()).collect();
        let said = said.iter().map(|l| l.trim()).collect::<Vec<_>>().join(" / ").replace(&here, "FOLDER");
        let said: String = said.chars().take(400).collect();
        let shown: Vec<String> = args.iter().map(|a| a.replace(&here, "FOLDER")).collect();
        sheet.row(
            "command line",
            &format!("{what}: `knap {}`", shown.join(" ")),
            format!("exit {code}, {said}"),
        );
    }
    let names: Vec<String> =
        fs::read_dir(folder.path()).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect();
    assert_eq!(names.len(), 3, "nothing is left behind: {names:?}");
}

#[cfg(unix)]
#[test]
fn every_bad_input_gets_what_the_table_says() {
    let mut sheet = Sheet::default();
    cells(&mut sheet);
    tables(&mut sheet);
    builders(&mut sheet);
    calibrations(&mut sheet);
    forms(&mut sheet);
    fits(&mut sheet);
    questions(&mut sheet);
    command_line(&mut sheet);
    assert!(sheet.wrong.is_empty(), "{}", sheet.wrong.join("\n"));
    assert!(sheet.rows.len() >= 60, "{} rows", sheet.rows.len());
    let made = sheet.markdown();
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/bad-inputs.md");
    if std::env::var_os("CONCHOID_WRITE_BAD_INPUTS").is_some() {
        fs::write(path, &made).unwrap();
    }
    let kept = fs::read_to_string(path).unwrap_or_default();
    for (made, kept) in made.lines().zip(kept.lines()) {
        assert_eq!(made, kept, "tests/bad-inputs.md says otherwise");
    }
    assert_eq!(made.lines().count(), kept.lines().count(), "tests/bad-inputs.md has other rows");
}
