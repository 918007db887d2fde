//! Taking in tables as excavators keep them: old encodings, nameless columns, failed formulas, names of their own,
//! words of their own, and which rows are asked about.
#![cfg(feature = "table")]

use crate::calibration::bundled;
use crate::strike::{Measured, PlatformShape};
use crate::table::stretches::Stretch;
use crate::table::*;

fn reader<'a>(text: &'a [u8], options: &TableOptions) -> TableReader<&'a [u8]> {
    TableReader::new(text, options).unwrap()
}

/// One number and one class of every row that is chosen.
fn rows(
    text: &[u8],
    options: &TableOptions,
    number: &str,
    class: &str,
) -> Vec<(u64, Option<f64>, Option<String>)> {
    let mut table = reader(text, options);
    let (mut row, mut found) = (table.row(), Vec::new());
    while table.read(&mut row).unwrap() {
        let class = row.class(class).map(String::from);
        found.push((row.row_number(), Measured::number(&row, number), class));
    }
    found
}

fn told(text: &[u8], options: &TableOptions) -> String {
    let mut table = reader(text, options);
    let mut row = table.row();
    while table.read(&mut row).unwrap() {}
    table.intake().to_string()
}

/// The table with its estimates, and the summary in words.
fn estimated(text: &[u8], options: &TableOptions) -> (String, Summary) {
    let estimates = TableEstimates::new(bundled::named("hard-hammer-flint").unwrap(), 0.95).unwrap();
    let (out, summary) = estimates.write(reader(text, options), Vec::new(), |_| {}).unwrap();
    (String::from_utf8(out).unwrap(), summary)
}

#[test]
fn one_bad_byte_costs_a_cell_and_not_the_table() {
    let text = b"flake,depth_mm,angle_deg,notes\nA1,8,75,caf\xe9 \x96 bulb\nA2,7,70,\xc3\xa9clat\n";
    let (out, summary) = estimated(text, &TableOptions::new());
    assert!(out.contains("caf\u{e9} \u{2013} bulb") && out.contains("\u{e9}clat"), "{out}");
    assert_eq!((summary.rows(), summary.refused_rows()), (2, 0));
    let told = summary.intake().to_string();
    assert_eq!(told, "1 cell is not UTF-8 and was read as Windows-1252 (row 1)\n");
    // a header in the old encoding too
    assert_eq!(rows(b"fl\xe4che,depth_mm\n1,2\n", &TableOptions::new(), "platform_depth_mm", "x").len(), 1);
}

#[test]
fn a_first_column_without_a_name() {
    let text = b"depth_mm,percussor\nA1,8,antler\nA2,7,bone\n";
    let table = reader(text, &TableOptions::new());
    let remarks: Vec<String> = table.header().remarks().iter().map(|e| e.to_string()).collect();
    assert_eq!(
        remarks,
        [
            "the rows have one cell more than the header line has names: the first column is taken as one without a name"
        ]
    );
    assert_eq!(table.header().names().collect::<Vec<_>>(), ["", "depth_mm", "percussor"]);
    let found = rows(text, &TableOptions::new(), "platform_depth_mm", "percussor");
    assert_eq!(found, [(1, Some(8.0), Some("antler".into())), (2, Some(7.0), Some("bone".into()))]);
    // a separator too many at the end of every line is none, and neither is a single odd row
    for text in ["depth_mm,percussor\n8,antler,\n7,bone,\n", "depth_mm,percussor\n8,antler,x\n7,bone\n"] {
        let table = reader(text.as_bytes(), &TableOptions::new());
        assert_eq!(table.header().names().len(), 2, "{text:?}");
    }
}

#[test]
fn a_first_line_that_names_the_separator() {
    for text in ["sep=;\nflake;depth_mm\na;7,5\n", "\"sep=;\"\r\nflake;depth_mm\r\na;7,5\r\n"] {
        let found = rows(text.as_bytes(), &TableOptions::new(), "platform_depth_mm", "flake");
        assert_eq!(found, [(1, Some(7.5), Some("a".into()))], "{text:?}");
    }
}

#[test]
fn failed_formulas_are_missing_and_counted() {
    let text = b"depth_mm,mass_g,percussor\n#VALUE!,21,#REF!\n8,#DIV/0!,antler\n7,Err:502,antler\n";
    assert_eq!(
        rows(text, &TableOptions::new(), "mass_g", "percussor"),
        [(1, Some(21.0), None), (2, None, Some("antler".into())), (3, None, Some("antler".into()))]
    );
    assert_eq!(
        told(text, &TableOptions::new()),
        "depth_mm: 1 cell where a formula failed, taken as not recorded (row 1)\n\
         mass_g: 2 cells where a formula failed, taken as not recorded (rows 2, 3)\n\
         percussor: 1 cell where a formula failed, taken as not recorded (row 1)\n"
    );
}

#[test]
fn zeros_that_mean_not_measured() {
    let text = b"depth_mm,angle_of_blow_deg,mass_g,percussor\n0,0,0.0,none known\n8,10,999,antler\n";
    let zero = TableOptions::new().missing(None, "0");
    assert_eq!(rows(text, &zero, "platform_depth_mm", "percussor")[0].1, None);
    assert_eq!(rows(text, &zero, "angle_of_blow_deg", "percussor")[0].1, Some(0.0), "a blow may be upright");
    let by_column = TableOptions::new()
        .missing(Some("angle_of_blow_deg"), "0")
        .missing(Some("mass_g"), "999")
        .missing(None, "None known");
    assert_eq!(rows(text, &by_column, "angle_of_blow_deg", "percussor")[0], (1, None, None));
    assert_eq!(rows(text, &by_column, "mass_g", "percussor")[1].1, None);
    let e =
        TableReader::new(text.as_slice(), &TableOptions::new().missing(Some("length_mm"), "0")).unwrap_err();
    assert!(e.to_string().starts_with("column of what is missing: \"length_mm\" is not known"), "{e}");
}

#[test]
fn words_of_the_table_for_classes() {
    let text = b"portion,percussor,termination\nBlank,Geweih,Fl\nbroken,antler,hinge\n";
    let options = TableOptions::new()
        .word(None, "complete", "Blank")
        .word(Some("percussor"), "antler", "geweih")
        .word(None, "feather", "fl");
    for (column, first) in [("portion", "complete"), ("percussor", "antler"), ("termination", "feather")] {
        assert_eq!(rows(text, &options, "mass_g", column)[0].2.as_deref(), Some(first), "{column}");
    }
    let twice = TableOptions::new().word(None, "complete", "Blank").word(None, "proximal", "blank");
    let nowhere = TableOptions::new().word(None, "faceted", "fac");
    for (options, expected) in [
        (twice, "word blank: given twice, as complete and as proximal (give it once)"),
        (
            nowhere,
            "word faceted: no column of the table has classes with this word (its columns of classes: portion, \
             percussor, termination)",
        ),
    ] {
        assert_eq!(TableReader::new(text.as_slice(), &options).unwrap_err().to_string(), expected);
    }
}

#[test]
fn columns_left_alone() {
    let text = b"depth_mm,technique\n8,Levallois\n";
    let table = reader(text, &TableOptions::new().ignore("Technique"));
    assert!(table.header().column("technique").is_none());
    let e = table.header().need(&["platform_depth_mm", "technique"]).unwrap_err();
    assert_eq!(
        e.to_string(),
        "technique: the answer needs this column, and it is ignored (do not ignore it)"
    );
    let both = TableOptions::new().ignore("depth_mm").column("depth_mm", "platform_depth_mm");
    for (options, expected) in [
        (both, "depth_mm: taken as platform_depth_mm and ignored (choose one)"),
        (
            TableOptions::new().ignore("notes"),
            "column to ignore: \"notes\" is not known (accepted: depth_mm, technique)",
        ),
    ] {
        assert_eq!(TableReader::new(text.as_slice(), &options).unwrap_err().to_string(), expected);
    }
}

fn only(conditions: &[&str]) -> TableOptions {
    conditions.iter().fold(TableOptions::new(), |o, c| o.only(c.parse().unwrap()))
}

const LAYERS: &[u8] =
    b"layer,depth_cm,portion,Mass\nIII,0.8,complete,12\niv,0.3,Core,\nIII,0.5,proximal,3\n,0.9,complete,7\n";

#[test]
fn rows_are_chosen_by_their_columns() {
    for (conditions, chosen) in [
        (&["layer=iii"][..], &[1, 3][..]),
        (&["layer!=III"], &[2, 4]),
        (&["layer="], &[4]),
        (&["layer!="], &[1, 2, 3]),
        (&["platform_depth_mm>=5"], &[1, 3, 4]),
        (&["depth_cm<0.5"], &[2]),
        (&["Mass>3"], &[1, 4]),
        (&["Mass<=3"], &[3]),
        (&["layer=III", "portion=complete"], &[1]),
    ] {
        let options = only(conditions);
        let found: Vec<u64> = rows(LAYERS, &options, "mass_g", "flake").iter().map(|r| r.0).collect();
        assert_eq!(found, chosen, "{conditions:?}");
        // in blocks the same rows are chosen
        let (out, summary) = estimated(LAYERS, &options);
        assert_eq!(out.lines().count() - 1, chosen.len(), "{conditions:?}");
        assert_eq!(summary.intake().chosen(), Some((4, chosen.len() as u64)));
        let mut handed = 0;
        let noticed = reader(LAYERS, &options)
            .each(
                true,
                |_| {},
                |stretch| {
                    handed += match stretch {
                        Stretch::Numbers(columns) => columns[0].len(),
                        _ => 1,
                    };
                    Ok(())
                },
            )
            .unwrap();
        assert_eq!(handed, chosen.len(), "{conditions:?}");
        assert_eq!(noticed.chosen(), Some((4, chosen.len() as u64)));
    }
}

#[test]
fn conditions_that_leave_nothing_say_what_there_is() {
    for (conditions, expected) in [
        (&["layer=V"][..], "table: layer=V leaves no row; in the table layer is: (blank), III, iv"),
        (
            &["layer=IV", "portion=complete"],
            "table: layer=IV and portion=complete leave no row together, though each leaves some",
        ),
        (
            &["layr=IV"],
            "column of a condition: \"layr\" is not known; did you mean \"layer\"? (accepted: layer, depth_cm, portion, \
             Mass)",
        ),
        (&["layer<V"], "layer<V: \"V\" is not a number, so nothing is more or less than it"),
    ] {
        let options = only(conditions);
        let found = TableReader::new(LAYERS, &options).and_then(|mut table| {
            let mut row = table.row();
            while table.read(&mut row)? {}
            Ok(())
        });
        assert_eq!(found.unwrap_err().to_string(), expected);
        let estimates = TableEstimates::new(bundled::named("hard-hammer-flint").unwrap(), 0.95).unwrap();
        let found =
            TableReader::new(LAYERS, &options).and_then(|table| estimates.write(table, Vec::new(), |_| {}));
        assert_eq!(found.err().unwrap().to_string(), expected);
    }
    for bad in ["layer", "=5", "", "<="] {
        assert!(bad.parse::<Condition>().is_err(), "{bad:?}");
    }
    for good in ["a=b", "a!=b", "a<=1", "a>=1", "a<1", "a>1", "a=b=c"] {
        assert_eq!(good.parse::<Condition>().unwrap().to_string(), good);
    }
}

#[test]
fn platform_area_by_shape() {
    let text = b"platform_width_mm,platform_depth_mm,platform_area_mm2\n20,8,\n20,8,99\n20,,\n";
    let options = TableOptions::new().platform_shape(PlatformShape::Rectangle);
    let found: Vec<Option<f64>> =
        rows(text, &options, "platform_area_mm2", "x").iter().map(|r| r.1).collect();
    assert_eq!(found, [Some(160.0), Some(99.0), None]);
    assert_eq!(
        told(text, &options),
        "1 platform area worked out from width and depth by the shape (row 1)\n"
    );
    // without a column of areas, and with the shape of each row
    let text = b"platform_width_mm,platform_depth_mm,platform_shape\n20,8,triangle\n20,8,oval\n20,8,\n";
    let options = TableOptions::new();
    let found: Vec<Option<f64>> =
        rows(text, &options, "platform_area_mm2", "x").iter().map(|r| r.1).collect();
    assert_eq!((found[0], found[2]), (Some(80.0), None));
    assert!((found[1].unwrap() - 40.0 * std::f64::consts::PI).abs() < 1e-12);
    // a whole table of plain rows counts the same
    let mut many = String::from("platform_width_mm,platform_depth_mm,exterior_platform_angle_deg\n");
    (0..5000).for_each(|i| many.push_str(&format!("{},{},75\n", 10 + i % 20, 4 + i % 7)));
    let options = TableOptions::new().platform_shape(PlatformShape::Ellipse);
    let (_, summary) = estimated(many.as_bytes(), &options);
    assert_eq!(
        summary.intake().to_string(),
        "5000 platform areas worked out from width and depth by the shape (rows 1, 2, 3, ...)\n"
    );
}

#[test]
fn names_of_others_are_suggested_with_the_unit_of_their_values() {
    let text = b"ID,PlatformThickness,ExteriorPlatformAngle,TechLength,Weight,RawMaterial\n\
                 a,0.7,75,4.1,0.021,flint\nb,0.9,68,5.2,0.034,flint\nc,0.6,81,3.3,0.012,chert\n";
    let found = |text: &[u8], options: &TableOptions| -> Vec<(String, String)> {
        let table = reader(text, options);
        table.header().suggestions().to_vec()
    };
    let expected = [
        ("ID", "flake"),
        ("PlatformThickness", "platform_depth_cm"),
        ("ExteriorPlatformAngle", "exterior_platform_angle_deg"),
        ("TechLength", "length_cm"),
        ("Weight", "mass_kg"),
        ("RawMaterial", "stone"),
    ];
    let expected: Vec<(String, String)> = expected.map(|(a, b)| (a.into(), b.into())).to_vec();
    assert_eq!(found(text, &TableOptions::new()), expected);
    // given as suggested, nothing is left to suggest
    let mapped = expected.iter().fold(TableOptions::new(), |o, (theirs, ours)| o.column(theirs, ours));
    assert_eq!(found(text, &mapped), []);
    assert_eq!(rows(text, &mapped, "platform_depth_mm", "stone")[0], (1, Some(7.0), Some("flint".into())));
    let short = b"P.t.,EPA,W\n6,1.3,x\n8,1.2,y\n";
    assert_eq!(
        found(short, &TableOptions::new()),
        [
            ("P.t.".to_string(), "platform_depth_mm".to_string()),
            ("EPA".to_string(), "exterior_platform_angle_rad".to_string())
        ]
    );
    // values that are no platform depth betray nothing
    assert_eq!(found(b"Platform thickness\n7000\n8000\n", &TableOptions::new()), []);
}

#[test]
fn refusals_are_told_by_reason() {
    let mut text = String::from("depth_mm,angle_deg,portion\n");
    for i in 0..3000 {
        text.push_str(match i % 3 {
            0 => "8,75,complete\n",
            1 => "8,,complete\n",
            _ => "8,75,medial\n",
        });
    }
    text.push_str("wide,75,complete\n8,75\n");
    let (out, summary) = estimated(text.as_bytes(), &TableOptions::new());
    assert_eq!(out.lines().count(), 3003, "every row keeps its place");
    assert_eq!(out.lines().filter(|l| l.contains("refused: row")).count(), 2002, "with its reason beside it");
    let lines: Vec<String> = summary.refusals().lines(10);
    assert_eq!(lines.len(), 4, "{lines:?}");
    assert_eq!(lines[0], "1,000 rows: no exterior platform angle (rows 2, 5, 8, ...)");
    assert!(lines[1].starts_with("1,000 rows: portion: medial") && lines[1].ends_with("(rows 3, 6, 9, ...)"));
    assert!(lines.contains(&"1 row: depth_mm is not a number, such as \"wide\" (row 3001)".to_string()));
    assert!(summary.to_string().lines().count() <= 25, "{summary}");
}

#[test]
fn cells_come_back_byte_for_byte_and_formulas_are_told() {
    let text =
        "flake,depth_mm,angle_deg,notes\n-A1,8,75,\"quoted\"\n+3b,7,70,=1+1\n\"a,b\",wide,70,@x\nz,-5,70,-\n";
    let (out, summary) = estimated(text.as_bytes(), &TableOptions::new());
    for (before, after) in text.lines().zip(out.lines()).skip(1) {
        assert!(after.starts_with(&format!("{before},")), "{before} became {after}");
    }
    assert_eq!(
        summary.intake().to_string(),
        "4 cells begin like a formula, which a spreadsheet would run (rows 1, 2, 3); written as it stands\n"
    );
    let (out, _) = estimated(text.as_bytes(), &TableOptions::new().formulas_as_text());
    for cell in ["'-A1,", "'+3b,", "'=1+1,", "'@x,"] {
        assert!(out.contains(cell), "{cell} in {out}");
    }
    assert!(out.contains("z,-5,70,-,"), "numbers and marks of not recorded stay: {out}");
}
