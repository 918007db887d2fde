//! Reading and writing tables: every awkward table with its exact message, and laws that hold for any bytes.
#![cfg(feature = "table")]

use super::Cell;
use crate::strike::Measured;
use crate::table::quantity::KNOWN;
use crate::table::*;
use crate::{Error, Result};
use proptest::prelude::*;
use std::io::{self, Read};

/// How many rows ended how.
#[derive(Debug, Default, PartialEq)]
struct Tally {
    read: u64,
    remarked: u64,
    refused: u64,
}

impl Tally {
    fn count(&mut self, outcome: &std::result::Result<Vec<Error>, Vec<Error>>) {
        match outcome {
            Ok(remarks) if remarks.is_empty() => self.read += 1,
            Ok(_) => self.remarked += 1,
            Err(_) => self.refused += 1,
        }
    }
}

/// How each row ended for an answer that needs platform depth, and the counts.
fn walk(bytes: impl Read, options: &TableOptions) -> Result<(Vec<String>, Tally)> {
    let mut table = TableReader::new(bytes, options)?;
    let (mut row, mut tally, mut said) = (table.row(), Tally::default(), Vec::new());
    while table.read(&mut row)? {
        let outcome = row.outcome(&["platform_depth_mm"]);
        tally.count(&outcome);
        said.push(match outcome {
            Ok(remarks) if remarks.is_empty() => format!("{}", row.number("platform_depth_mm").unwrap()),
            Ok(remarks) => format!("remark: {}", join(&remarks)),
            Err(reasons) => format!("refused: {}", join(&reasons)),
        });
    }
    assert_eq!(tally.read + tally.remarked + tally.refused, row.row_number());
    Ok((said, tally))
}

fn join(errors: &[Error]) -> String {
    assert!(!errors.is_empty());
    errors.iter().map(|e| e.to_string()).collect::<Vec<_>>().join("; ")
}

fn plain(text: &str) -> Vec<String> {
    walk(text.as_bytes(), &TableOptions::new()).unwrap().0
}

fn refused(text: impl AsRef<[u8]>) -> String {
    walk(text.as_ref(), &TableOptions::new()).unwrap_err().to_string()
}

fn remarks(text: &str, options: &TableOptions) -> Vec<String> {
    let table = TableReader::new(text.as_bytes(), options).unwrap();
    table.header().remarks().iter().map(|e| e.to_string()).collect()
}

#[test]
fn tables_that_cannot_be_read_at_all() {
    let many = vec!["c"; 4097].iter().enumerate().map(|(i, c)| format!("{c}{i}")).collect::<Vec<_>>();
    let cases: Vec<(Vec<u8>, &str)> = vec![
        (b"".to_vec(), "table: empty: neither a header line nor rows"),
        (b"\n\r\n\n".to_vec(), "table: empty: neither a header line nor rows"),
        (b"\xEF\xBB\xBF".to_vec(), "table: empty: neither a header line nor rows"),
        (b"flake,depth_mm\n".to_vec(), "table: no rows of data under the header line"),
        (b"flake,depth_mm".to_vec(), "table: no rows of data under the header line"),
        (b"flake,depth_mm\r\n\r\n  \r\n".to_vec(), "table: no rows of data under the header line"),
        (b",,\n1,2,3\n".to_vec(), "table: the header line has no names"),
        (
            b"f\0l\0a\0k\0e\0".to_vec(),
            "table: the header line has NUL bytes: UTF-16, or not a table of text (save it as CSV in UTF-8)",
        ),
        (b"\xFF\xFEf\0l\0".to_vec(), "table: it is UTF-16, not UTF-8 (save it as CSV in UTF-8)"),
        (
            b"depth_mm,notes,platform_depth_cm\n1,x,2\n".to_vec(),
            "table: \"depth_mm\" (column 1) and \"platform_depth_cm\" (column 3) are both platform_depth_mm \
             (rename or remove one)",
        ),
        (
            b"depth_mm,notes,depth_mm\n1,x,2\n".to_vec(),
            "table: columns 1 and 3 are both called \"depth_mm\" (rename or remove one)",
        ),
        (
            b"notes,depth_mm,notes\n1,x,2\n".to_vec(),
            "table: columns 1 and 3 are both called \"notes\" (rename or remove one)",
        ),
        (
            b"Termination,termination\nstep,step\n".to_vec(),
            "table: \"Termination\" (column 1) and \"termination\" (column 2) are both termination (rename or \
             remove one)",
        ),
        (
            b"platform_depth_g\n1\n".to_vec(),
            "table: platform_depth_g: platform_depth is a length, so it cannot be in g (accepted: \
             platform_depth_mm, or with _cm _m _um _in _inch _inches _ft)",
        ),
        (
            b"flake,Mass (mm)\na,1\n".to_vec(),
            "table: Mass (mm): mass is a mass, so it cannot be in mm (accepted: mass_g, or with _kg _mg _oz _lb \
             _lbs)",
        ),
        (
            b"angle_mm,flake\n1,a\n".to_vec(),
            "table: angle_mm: exterior_platform_angle is an angle, so it cannot be in mm (accepted: \
             exterior_platform_angle_deg, or with _degree _degrees _rad _radian _radians)",
        ),
        (
            format!("{}\n", many.join(",")).into_bytes(),
            "table: 4097 columns in the header line (accepted: at most 4096)",
        ),
    ];
    for (bytes, expected) in cases {
        assert_eq!(refused(&bytes), expected, "{:?}", String::from_utf8_lossy(&bytes[..bytes.len().min(60)]));
    }
}

/// Bytes without an end, made as they are asked for; fails the test when far more is asked than allowed.
struct Endless {
    opening: io::Cursor<Vec<u8>>,
    fill: u8,
    served: u64,
    most: u64,
}

impl Endless {
    fn new(opening: &str, fill: u8, most: u64) -> Self {
        Endless { opening: io::Cursor::new(opening.into()), fill, served: 0, most }
    }
}

impl Read for Endless {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let n = self.opening.read(buffer)?;
        if n > 0 {
            return Ok(n);
        }
        buffer.fill(self.fill);
        self.served += buffer.len() as u64;
        assert!(self.served <= self.most, "{} bytes asked for", self.served);
        Ok(buffer.len())
    }
}

#[test]
fn a_line_without_an_end_stops_before_it_fills_memory() {
    let end = "is longer than 1048576 bytes (a quote left open, or not a table of text?)";
    for (opening, fill, expected) in [
        ("", b'x', format!("table: the header line {end}")),
        ("", b',', format!("table: the header line {end}")),
        ("\"", b'\n', format!("table: the header line {end}")),
        ("flake,depth_mm\na,1\nb,", b'7', format!("table: row 2: the row {end}")),
        ("flake,depth_mm\na,1\nb,", b',', format!("table: row 2: the row {end}")),
        ("flake,depth_mm\na,1\nb,\"", b'\n', format!("table: row 2: the row {end}")),
        ("flake,depth_mm\na,1\n", b'x', format!("table: row 2: the row {end}")),
    ] {
        let endless = Endless::new(opening, fill, (1 << 20) + (1 << 18));
        let found = walk(endless, &TableOptions::new()).unwrap_err().to_string();
        assert_eq!(found, expected, "{opening:?}, then {:?} without end", char::from(fill));
    }
}

#[test]
fn the_longest_record_is_exact_and_the_error_stays() {
    let text = "flake,depth_mm\na,1\nlongname,22\n";
    let read = |most| walk(text.as_bytes(), &TableOptions::new().longest_record(most));
    assert_eq!(read(14).unwrap().0, ["1", "22"]);
    assert_eq!(
        read(13).unwrap_err().to_string(),
        "table: the header line is longer than 13 bytes (a quote left open, or not a table of text?)"
    );
    let text = "f,depth_mm\na,1\nlongnames,22\nb,3\n";
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new().longest_record(11)).unwrap();
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    for _ in 0..2 {
        assert_eq!(
            table.read(&mut row).unwrap_err().to_string(),
            "table: row 2: the row is longer than 11 bytes (a quote left open, or not a table of text?)"
        );
    }
}

/// A reader that fails after some bytes.
struct Failing<'a>(&'a [u8]);

impl Read for Failing<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self.0.read(buffer)? {
            0 => Err(io::Error::other("the disk was pulled out")),
            n => Ok(n),
        }
    }
}

#[test]
fn a_reader_that_fails_is_an_error_not_an_end() {
    for text in ["", "flake,dep", "flake,depth_mm\na,1\nb,"] {
        let e = walk(Failing(text.as_bytes()), &TableOptions::new()).unwrap_err();
        assert_eq!(e, Error::Io { reason: "the disk was pulled out".into() }, "{text:?}");
    }
}

#[test]
fn bad_cells_with_row_column_value_and_remedy() {
    for (cell, expected) in [
        ("7.3", "7.3"),
        ("7.3 mm", "\"7.3 mm\" is not a number (write the number alone; its unit belongs in the header)"),
        ("wide", "\"wide\" is not a number (write a number such as 7.3, or leave the cell blank)"),
        ("\"7,3\"", "\"7,3\" is not a number (use a point, not a comma)"),
        ("\"1,234.5\"", "\"1,234.5\" is not a number (write it without thousands separators)"),
        ("\"1,234\"", "\"1,234\" is not a number (use a point, not a comma, and no thousands separators)"),
        ("inf", "\"inf\" is not a number (a number must be finite)"),
        ("0", "0 is out of range (accepted: at least 0.05, at most 1000 mm)"),
        ("-2", "-2 is out of range (accepted: at least 0.05, at most 1000 mm)"),
        ("1000.1", "1000.1 is out of range (accepted: at least 0.05, at most 1000 mm)"),
        ("", "not recorded (the answer needs it)"),
        ("n.d.", "not recorded (the answer needs it)"),
    ] {
        let table = format!("flake,platform_depth_mm\n{}A14,{cell}\n", "x,1\n".repeat(13));
        let last = plain(&table).pop().unwrap();
        let expected = match expected {
            "7.3" => "7.3".to_string(),
            e => format!("refused: row 14, column platform_depth_mm: {e}"),
        };
        assert_eq!(last, expected, "{cell:?}");
    }
    let long = format!("depth_mm\n{}\n", "z".repeat(5000));
    assert!(plain(&long)[0].len() < 300);
}

#[test]
fn a_bad_cell_that_is_not_needed_is_a_remark() {
    let text = "depth_mm,thickness_mm,platform_kind,lip,retouched\n\
                5,0,plain,yes,n\n\
                5,2,smashed,maybe,TRUE\n\
                ,0,plain,,\n\
                5,2,,,\n";
    assert_eq!(
        plain(text),
        [
            "remark: row 1, column thickness_mm: 0 is out of range (accepted: at least 0.05, at most 10000 mm)",
            "remark: row 2, column platform_kind: \"smashed\" is not known (accepted: plain, cortical, dihedral, \
             faceted, linear, punctiform, crushed); row 2, column lip: \"maybe\" is not known (accepted: yes, no)",
            "refused: row 3, column depth_mm: not recorded (the answer needs it)",
            "5",
        ]
    );
    let (_, tally) = walk(text.as_bytes(), &TableOptions::new()).unwrap();
    assert_eq!((tally.read, tally.remarked, tally.refused), (1, 2, 1));
}

#[test]
fn a_needed_column_that_is_not_there() {
    assert_eq!(
        plain("flake\na\n"),
        [
            "refused: row 1, column platform_depth_mm: not recorded (the answer needs it, and the table has no \
          such column)"
        ]
    );
}

#[test]
fn pieces_without_a_platform_are_refused_where_a_platform_is_needed() {
    let text = "depth_mm,portion,platform_kind\n5,Medial,\n5,split,crushed\n5,proximal,plain\n";
    assert_eq!(
        plain(text),
        [
            "refused: row 1, portion: medial, so without a platform to estimate from (accepted: complete, \
             proximal, split)"
                .replace("row 1, portion", "row 1, column portion"),
            "refused: row 2, column platform_kind: a crushed platform cannot be measured, so nothing can be \
             estimated from it"
                .into(),
            "5".into(),
        ]
    );
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut row = table.row();
    while table.read(&mut row).unwrap() {
        assert_eq!(row.outcome(&["portion"]), Ok(Vec::new()));
    }
}

#[test]
fn ragged_rows_are_refused_and_the_table_goes_on() {
    assert_eq!(
        plain("flake,depth_mm\na\nb,1\nc,2,3\nd,4,\ne,5\n"),
        [
            "refused: row 1: 1 cell, but the header line has 2",
            "1",
            "refused: row 3: 3 cells, but the header line has 2; beyond them: \"3\"",
            // a separator too many at the end is none
            "4",
            "5",
        ]
    );
}

#[test]
fn a_quote_left_open_is_not_a_silent_loss_of_rows() {
    assert_eq!(
        plain("flake,depth_mm,notes\na,1,\"thin\nb,2,\nc,3,\n"),
        [
            "refused: row 1: a quote that opens here is never closed (close it, or double a quote that is meant as \
          one)"
        ]
    );
    assert_eq!(
        plain("flake,depth_mm,notes\na,\"1,\nb,2,\nc,\"3,x\n"),
        [
            "refused: row 1, column depth_mm: \"1, b,2, c,3\" is not a number (the cell runs over several lines, so \
             a quote may have been left open)"
        ]
    );
    assert_eq!(
        plain("flake,depth_mm,notes\na,\"1\nb,2,x\",y,z\nc,3,\n"),
        [
            "refused: row 1: 4 cells, but the header line has 3; beyond them: \"z\"; one cell runs over several lines, so a quote may \
             have been left open",
            "3",
        ]
    );
    // A quote inside a cell, or a closed one over several lines, is in order.
    assert_eq!(plain("flake,depth_mm,notes\na,1,6\" nodule\nb,2,\"two\nlines\"\n"), ["1", "2"]);
}

#[test]
fn marks_line_ends_quotes_and_blank_lines() {
    for text in [
        "flake,depth_mm\na,7.5\n\"b\",8\n",
        "\u{FEFF}flake,depth_mm\na,7.5\nb,8\n",
        "\u{FEFF}\"flake\",\"depth_mm\"\r\n\"a\",\"7.5\"\r\n\"b\",8",
        "flake,depth_mm\r\na,7.5\r\nb,8\r\n\r\n\r\n",
        "\n\nflake,depth_mm\n\na,7.5\n   \nb,8\n\n",
        "flake;depth_mm\na;7,5\nb;8\n",
        "flake\tdepth_mm\na\t7.5\nb\t8\n",
        "\"flake, or a; part; of it\",depth_mm\n\"a,\"\"1\"\"\nand more\", 7.5 \nb,8\n",
    ] {
        assert_eq!(plain(text), ["7.5", "8"], "{text:?}");
    }
}

#[test]
fn decimal_commas_only_where_a_semicolon_separates() {
    let three = "row 1, column depth_mm: \"7,3\" is not a number (use a point, not a comma)";
    assert_eq!(plain("flake,depth_mm\na,\"7,3\"\n"), [format!("refused: {three}")]);
    assert_eq!(plain("flake\tdepth_mm\na\t7,3\n"), [format!("refused: {three}")]);
    assert_eq!(plain("flake;depth_mm\na;7,3\nb;7.3\n"), ["7.3", "7.3"]);
    assert_eq!(
        plain("flake;depth_mm\na;1.234,5\n"),
        [
            "refused: row 1, column depth_mm: \"1.234,5\" is not a number (write it without thousands separators)"
        ]
    );
    // More commas than semicolons, but only one of them gives names that are understood.
    assert_eq!(plain("Platform depth, mm;Note, own, long\n7,3;x\n"), ["7.3"]);
    // Asked for, not guessed: nothing is understood under either.
    let guessed = TableReader::new("a,b;e,c,d\nx;7,3\n".as_bytes(), &TableOptions::new()).unwrap();
    assert_eq!(guessed.header().separator(), ',');
    let text = "flake;\"a,b\";\"depth_mm\";c,d,e,f\nx;1;7,3;2\n";
    let options = TableOptions::new().separator(';');
    assert_eq!(walk(text.as_bytes(), &options).unwrap().0, ["7.3"]);
    let table = TableReader::new(text.as_bytes(), &options).unwrap();
    assert_eq!((table.header().separator(), table.header().decimal_comma()), (';', true));
}

#[test]
fn units_are_converted_and_the_cell_is_named_as_written() {
    for (header, cell, expected) in [
        ("platform_depth_cm", "0.75", "7.5"),
        ("Platform depth (in)", "1", "25.4"),
        ("platform-depth m", "0.02", "20"),
        ("depth_um", "500", "0.5"),
        (
            "depth_cm",
            "150",
            "refused: row 1, column depth_cm: 150 is out of range (accepted: at least 0.05, at most 1000 mm; this is 1500 mm)",
        ),
    ] {
        assert_eq!(plain(&format!("{header}\n{cell}\n")), [expected], "{header}");
    }
    let text = "angle_rad,mass_oz,core_mass_kg,speed_km_h,area_cm2,angle_of_blow_deg\n1.5,1,2.5,36,1.5,-20\n";
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    for (name, expected) in [
        ("exterior_platform_angle_deg", 85.943_669_269_623_48),
        ("mass_g", 28.349_523_125),
        ("core_mass_g", 2500.0),
        ("speed_m_s", 10.0),
        ("platform_area_mm2", 150.0),
        ("angle_of_blow_deg", -20.0),
    ] {
        let found = Measured::number(&row, name).unwrap();
        assert!((found / expected - 1.0).abs() < 1e-15, "{name}: {found} against {expected}");
    }
}

#[test]
fn headers_that_are_doubtful_are_remarked() {
    let found = remarks(
        "flake,platfrom_depth_mm,depth,epa,Width_m,notes,terminaton,force\n1,2,x,74,5,6,7,8\n",
        &TableOptions::new(),
    );
    assert_eq!(
        found,
        [
            "depth: a name without a unit is not used, only carried through (accepted: platform_depth_mm, or with \
             _cm _m _um _in _inch _inches _ft)",
            "platfrom_depth_mm: not a known column, so only carried through (did you mean platform_depth_mm?)",
            "terminaton: not a known column, so only carried through (did you mean termination?)",
        ]
    );
    let width = "width_mm: read as the width of the flake (the width of the platform is platform_width_mm)";
    assert_eq!(remarks("depth_mm,angle_deg,width_mm\n1,2,3\n", &TableOptions::new()), [width]);
    assert!(remarks("depth_mm,length_mm,width_mm\n1,2,3\n", &TableOptions::new()).is_empty());
    // No suggestion of what the table has already.
    assert!(
        remarks(
            "platform_depth_mm,platform_depth_mm2\n1,2\n",
            &TableOptions::new().column("platform_depth_mm2", "platform_area_mm2")
        )
        .is_empty()
    );
}

#[test]
fn a_column_map_and_further_columns() {
    let text = "Stück;Tiefe;Schlagwinkel;Narben;core_shape;bulb_cm;Thickness\nA1;0,8;75;4;domed;1,5;3\n";
    let options = TableOptions::new()
        .column("Stück", "flake")
        .column("tiefe", "platform_depth_cm")
        .column("Schlagwinkel", "exterior_platform_angle_deg")
        .column("Thickness", "thickness_mm")
        .number("Narben")
        .number("bulb_mm")
        .number("platform_width_mm")
        .class("core_shape");
    let mut table = TableReader::new(text.as_bytes(), &options).unwrap();
    assert!(table.header().remarks().is_empty());
    assert_eq!(
        table.header().understood().collect::<Vec<_>>(),
        [
            "flake",
            "platform_depth_mm",
            "exterior_platform_angle_deg",
            "Narben",
            "core_shape",
            "bulb_mm",
            "thickness_mm"
        ]
    );
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    assert_eq!(row.class("flake"), Some("A1"));
    assert_eq!(row.number("platform_depth_mm"), Some(8.0));
    assert_eq!(row.number("exterior_platform_angle_deg"), Some(75.0));
    assert_eq!(row.number("Narben"), Some(4.0));
    assert_eq!(row.number("bulb_mm"), Some(15.0));
    assert_eq!(row.class("core_shape"), Some("domed"));
    assert_eq!((row.number("nothing"), row.class("nothing")), (None, None));
    let id = table.header().column("platform_depth_mm").unwrap();
    assert_eq!((row.value(id), row.class_of(id)), (Some(8.0), None));
    assert_eq!(table.header().position("Tiefe").and_then(|at| row.text(at)), Some("0,8"));

    for (options, expected) in [
        (
            TableOptions::new().column("Depht", "platform_depth_mm"),
            "column map: \"Depht\" is not known; did you mean \"depth\"? (accepted: flake, depth)",
        ),
        (
            TableOptions::new().column("flake", "flake").column("Flake", "core"),
            "column map: \"Flake\" is given twice, as flake and as core (give it once)",
        ),
        (
            TableOptions::new().column("depth", "platform_depth_kg"),
            "table: depth: platform_depth is a length, so it cannot be in kg (accepted: platform_depth_mm, or with \
             _cm _m _um _in _inch _inches _ft)",
        ),
        (TableOptions::new().number("stone"), "stone: a column of classes, not of numbers"),
        (TableOptions::new().class("mass_g"), "mass_g: a column of numbers, not of classes"),
        (TableOptions::new().number(" "), " : a column that is asked for needs a name"),
    ] {
        let e = TableReader::new("flake,depth\na,1\n".as_bytes(), &options).unwrap_err();
        assert_eq!(e.to_string(), expected);
    }
    let e =
        TableReader::new("flake,depth\na,1\n".as_bytes(), &TableOptions::new().column("depth", "depht_mm"));
    assert!(
        e.as_ref().unwrap_err().to_string().starts_with("column map: \"depht_mm\" is not known (accepted: "),
        "{e:?}"
    );
}

#[test]
fn classes_are_read_by_their_names() {
    let text = "flake,percussor,stone,blow_lands_on,termination,portion,technique,retouched,platform_kind,\
                platform_shape,platform_bevelled,core,knapper,lip\n\
                A1,Red Deer ANTLER,flint,Edge,Plunging,Complete,punch,Y,Facetted,Triangular,0,Nodule B,Wren,false\n\
                NA,-,,?,CoreEnd,n/a,none,,.,,,,,\n";
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    let found: Vec<Option<&str>> = CLASSES.iter().map(|name| row.class(name)).collect();
    let expected = [
        "A1",
        "red deer antler",
        "flint",
        "edge",
        "overshot",
        "complete",
        "indirect",
        "yes",
        "faceted",
        "triangle",
        "no",
        "Nodule B",
        "Wren",
        "no",
    ];
    assert_eq!(found.iter().flatten().copied().collect::<Vec<_>>(), expected);
    let none: Vec<&str> = CLASSES.into_iter().filter(|name| row.class(name).is_none()).collect();
    assert_eq!(none, ["retouch_kind", "retouched_edges", "site", "assemblage", "everything_kept"]);
    assert!(table.read(&mut row).unwrap());
    let recorded: Vec<&str> = CLASSES.iter().copied().filter(|name| row.class(name).is_some()).collect();
    assert_eq!(recorded, ["termination"]);
    assert_eq!(row.class("termination"), Some("coreend"));
    assert_eq!(row.outcome(&[]), Ok(Vec::new()));
    assert!(!table.read(&mut row).unwrap());
}

#[test]
fn every_quantity_is_read() {
    let header: Vec<&str> = QUANTITIES.iter().map(|q| q.name()).collect();
    let cells: Vec<String> = (1..=QUANTITIES.len()).map(|i| format!("{i}.25")).collect();
    let text = format!("{}\n{}\n", header.join(","), cells.join(","));
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut row = table.row();
    assert!(table.read(&mut row).unwrap());
    for (i, name) in header.iter().enumerate() {
        assert_eq!(Measured::number(&row, name), Some(i as f64 + 1.25), "{name}");
    }
    let mut table = TableReader::new("flake,mass_g\na,0\nb\n".as_bytes(), &TableOptions::new()).unwrap();
    assert!(table.read(&mut row).unwrap());
    assert_eq!(Measured::number(&row, "mass_g"), None);
    assert!(table.read(&mut row).unwrap());
    assert_eq!(row.refused().unwrap().to_string(), "row 2: 1 cell, but the header line has 2");
}

/// Writes the table back with one column added.
fn rewrite(text: &str) -> String {
    let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let mut out = TableWriter::new(Vec::new(), table.header(), &["expected", "cautions"]).unwrap();
    let mut row = table.row();
    while table.read(&mut row).unwrap() {
        let depth = row.number("platform_depth_mm");
        out.write(
            &row,
            &[
                depth.map_or(Cell::Blank, Cell::Number),
                row.refused().map_or(Cell::Blank, |_| Cell::Text("re,fu\"sed")),
            ],
        )
        .unwrap();
    }
    String::from_utf8(out.finish().unwrap()).unwrap()
}

#[test]
fn the_input_is_written_back_unchanged_with_columns_added() {
    for (text, expected) in [
        (
            "\u{FEFF} Flake ,depth_mm,own\r\n a ,7.50,\"x,\"\"y\"\"\nz\"\r\nb,,NA\r\n",
            " Flake ,depth_mm,own,expected,cautions\n a ,7.50,\"x,\"\"y\"\"\nz\",7.5,\nb,,NA,,\n",
        ),
        ("a;depth_mm\n1,5;7,5\n", "a;depth_mm;expected;cautions\n1,5;7,5;7.5;\n"),
        ("a\tdepth_cm\nx\t7.5\n", "a\tdepth_cm\texpected\tcautions\nx\t7.5\t75\t\n"),
        (
            "a,depth_mm,b\n1\n1,2,3,4\n",
            "a,depth_mm,b,expected,cautions\n1,,,,\"re,fu\"\"sed\"\n1,2,3,,\"re,fu\"\"sed\"\n",
        ),
    ] {
        assert_eq!(rewrite(text), expected, "{text:?}");
    }
    let table = TableReader::new("a,b\n1,2\n".as_bytes(), &TableOptions::new()).unwrap();
    assert_eq!(
        TableWriter::new(Vec::new(), table.header(), &["c", "b"]).unwrap_err().to_string(),
        "table: b: the table has this column already, and nothing of it is overwritten (rename or remove it)"
    );
}

#[test]
fn a_sheet_of_our_own() {
    let mut sheet = TableWriter::sheet(Vec::new(), b',', &["flake", "depth_mm"]).unwrap();
    sheet.write_cells(&[Cell::Text("A1"), Cell::Number(0.1)]).unwrap();
    sheet.write_cells(&[Cell::Text("A2"), Cell::Number(f64::NAN)]).unwrap();
    assert_eq!(String::from_utf8(sheet.finish().unwrap()).unwrap(), "flake,depth_mm\nA1,0.1\nA2,\n");
}

/// Text that looks like a table often enough to get past the header line.
fn tablish() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        4 => "[0-9]{1,3}(\\.[0-9]{1,2})?",
        2 => Just(",".to_string()),
        2 => Just("\n".to_string()),
        1 => Just(";".to_string()),
        1 => Just("\"".to_string()),
        1 => Just("0".to_string()),
        1 => Just("7,3".to_string()),
        1 => Just("\r\n".to_string()),
        1 => Just("plain".to_string()),
        1 => "\\PC{0,4}",
    ];
    let header = prop_oneof![
        Just("depth_mm,thickness_mm,platform_kind\n"),
        Just("depth_cm;platform_kind\r\n"),
        Just("depth_mm\n"),
        Just(""),
    ];
    (header, prop::collection::vec(piece, 0..60)).prop_map(|(h, p)| format!("{h}{}", p.concat()))
}

proptest! {
    #[test]
    fn any_bytes_give_rows_or_an_error(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = walk(bytes.as_slice(), &TableOptions::new().longest_record(100));
        let mut with_header = b"depth_mm,platform_kind,percussor\n".to_vec();
        with_header.extend(&bytes);
        let _ = walk(with_header.as_slice(), &TableOptions::new());
    }

    #[test]
    fn counts_add_up_to_rows_and_only_finite_numbers_come_out(text in tablish()) {
        // The counts themselves are checked against the rows in `walk`.
        if let Ok((said, _)) = walk(text.as_bytes(), &TableOptions::new()) {
            prop_assert!(!said.is_empty());
        }
        if let Ok(mut table) = TableReader::new(text.as_bytes(), &TableOptions::new()) {
            let mut row = table.row();
            while table.read(&mut row).unwrap() {
                for q in &QUANTITIES {
                    let value = Measured::number(&row, q.name());
                    prop_assert!(value.is_none_or(|v| q.check(v).is_ok()));
                }
            }
        }
    }

    #[test]
    fn a_unit_is_converted_and_back(
        quantity in 0..QUANTITIES.len(), unit in 0usize..8, share in 0.01..0.99f64
    ) {
        let q = &KNOWN[quantity];
        let units = q.dimension.units();
        let (ending, factor) = units[unit % units.len()];
        let value = 90.0 * share;
        let text = format!("{}_{ending}\n{}\n", q.stem, value / factor);
        let mut table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
        let mut row = table.row();
        prop_assert!(table.read(&mut row).unwrap());
        let found = Measured::number(&row, q.name()).unwrap();
        prop_assert!((found / value - 1.0).abs() < 1e-15, "{} {}: {} against {}", q.name(), ending, found, value);
    }

    #[test]
    fn a_number_written_is_read_back_exactly(value in prop::num::f64::NORMAL | prop::num::f64::ZERO) {
        let mut sheet = TableWriter::sheet(Vec::new(), b';', &["own"]).unwrap();
        sheet.write_cells(&[Cell::Number(value)]).unwrap();
        let bytes = sheet.finish().unwrap();
        let mut table = TableReader::new(bytes.as_slice(), &TableOptions::new().number("own")).unwrap();
        let mut row = table.row();
        prop_assert!(table.read(&mut row).unwrap());
        prop_assert_eq!(row.number("own").map(f64::to_bits), Some(value.to_bits()));
    }

    #[test]
    fn what_was_written_back_reads_as_the_same_cells(
        cells in prop::collection::vec(prop::collection::vec("[a-z0-9,;\" \\n.][a-z0-9,;\" \\n.-]{0,5}x", 3), 1..6)
    ) {
        let mut sheet = TableWriter::sheet(Vec::new(), b',', &["p", "q", "r"]).unwrap();
        for row in &cells {
            let row: Vec<Cell> = row.iter().map(|c| Cell::Text(c)).collect();
            sheet.write_cells(&row).unwrap();
        }
        let first = sheet.finish().unwrap();
        let mut table = TableReader::new(first.as_slice(), &TableOptions::new()).unwrap();
        let mut out = TableWriter::new(Vec::new(), table.header(), &[""; 0]).unwrap();
        let (mut row, mut found) = (table.row(), Vec::new());
        while table.read(&mut row).unwrap() {
            found.push(row.cells().map(String::from).collect::<Vec<_>>());
            out.write(&row, &[]).unwrap();
        }
        prop_assert_eq!(&found, &cells);
        prop_assert_eq!(out.finish().unwrap(), first);
    }
}
