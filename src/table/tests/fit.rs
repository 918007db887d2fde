//! Fits of whole tables: read as columns of numbers against row by row, and many rows in pieces against one by one.

use crate::calibration::{Calibration, Collector, Provenance, Recipe, Report, SizeModel, Spread, triangle};
use crate::fit::linear::{Accumulator, LinearFit};
use crate::form::{Form, Layout};
use crate::strike::Measured;
use crate::table::stretches::Stretch;
use crate::table::{TableOptions, TableReader};

fn collector(form: &str) -> Collector {
    let provenance = Provenance::new("field school", "own records", "own", "a test");
    Collector::new(Recipe::single("school", "mass_g", Form::named(form).unwrap(), provenance).unwrap())
        .unwrap()
}

fn fit(text: &str, form: &str, numbers: bool) -> (Calibration, Report) {
    let table = TableReader::new(text.as_bytes(), &TableOptions::new()).unwrap();
    let names: Vec<String> = table.header().understood().map(String::from).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut collector = collector(form);
    let mut columns_came = false;
    table
        .each(
            numbers,
            |_| {},
            |stretch| {
                match stretch {
                    Stretch::Numbers(columns) => {
                        columns_came = true;
                        let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
                        collector.offer_numbers(&names, &columns)?;
                    }
                    Stretch::Row(row) if row.refused().is_some() => collector.leave_out("not a row"),
                    Stretch::Row(row) => drop(collector.offer(row)),
                }
                Ok(())
            },
        )
        .unwrap();
    assert_eq!(columns_came, numbers);
    collector.finish().unwrap()
}

/// The n-th of a fixed sequence spread over 0 to 1.
fn spread_out(n: usize, k: u32) -> f64 {
    (n as f64 * 0.618_033_988_749_894_9 + f64::from(k) * 0.414_213_562_373_095).fract()
}

#[test]
fn columns_of_numbers_are_fitted_as_the_rows_are() {
    let mut text = "flake,depth_mm,angle_deg,mass_g,percussor,portion\n".to_string();
    for n in 0..900 {
        let (depth, angle) = (2.0 + 11.0 * spread_out(n, 0), 50.0 + 45.0 * spread_out(n, 1));
        let mass = depth * depth * (0.1 + 0.4 * spread_out(n, 2));
        let (depth, angle, mass) = (format!("{depth:.2}"), format!("{angle:.1}"), format!("{mass:.3}"));
        text.push_str(&match n % 23 {
            3 => format!("F{n},,{angle},{mass},,\n"),
            5 => format!("F{n},{depth},{angle},NA,,\n"),
            7 => format!("F{n},{depth},{angle},{mass},antler,\n"),
            9 => format!("F{n},{depth},{angle},{mass},,proximal\n"),
            11 => format!("F{n},{depth},wide,{mass},,\n"),
            13 => format!("\"F{n}\",{depth},{angle},{mass},,\n"),
            15 => format!("F{n},{depth},{angle}\n"),
            17 => format!("F{n},{depth},{angle},0,,\n"),
            _ => format!("F{n},{depth},{angle},{mass},,\n"),
        });
    }
    for form in ["log-log", "tangent-power", "cube-root"] {
        let (by_columns, report) = fit(&text, form, true);
        let (by_rows, expected) = fit(&text, form, false);
        assert_eq!(report, expected, "{form}");
        assert_eq!(by_columns.to_json(), by_rows.to_json(), "{form}");
        assert_eq!(report.offered, report.used + report.left_out.iter().map(|(_, n)| n).sum::<u64>());
        assert!(report.left_out.len() > 3, "{:?}", report.left_out);
    }
}

/// Two fits agree, relative to the standard errors.
fn agree(a: &SizeModel, b: &LinearFit) {
    for ((a, b), e) in a.coefficients.iter().zip(b.coefficients()).zip(b.standard_errors()) {
        assert!((a - b).abs() <= 1e-9 * e, "{a} {b}");
    }
    let Spread::Constant { value, .. } = a.spread else { panic!("least squares has one spread") };
    assert!((value / b.spread() - 1.0).abs() < 1e-12);
}

#[test]
fn many_rows_in_pieces_are_fitted_as_one_by_one() {
    let n = 40_000;
    let depth: Vec<f64> = (0..n).map(|i| 2.0 + 12.0 * spread_out(i, 0)).collect();
    let angle: Vec<f64> = (0..n).map(|i| 50.0 + 38.0 * spread_out(i, 1)).collect();
    let mass: Vec<f64> = (0..n).map(|i| depth[i].powi(2) * (0.1 + 0.4 * spread_out(i, 2))).collect();
    let run = || {
        let mut many = collector("log-log");
        let names = ["mass_g", "platform_depth_mm", "exterior_platform_angle_deg"];
        many.offer_numbers(&names, &[&mass, &depth, &angle]).unwrap();
        many.finish().unwrap()
    };
    let (calibration, report) = run();
    let form = Form::named("log-log").unwrap();
    let layout = Layout::of([&form]);
    let compiled = form.compile(&layout).unwrap();
    let mut one_by_one = Accumulator::new(form.term_names()).unwrap();
    let mut terms = vec![0.0; compiled.terms()];
    let row = |i: usize| -> Vec<f64> {
        let of = |name: &String| if name == "platform_depth_mm" { depth[i] } else { angle[i] };
        layout.numbers.iter().map(of).collect()
    };
    for i in 0..n {
        compiled.fill(&row(i), &mut terms);
        one_by_one.push(&terms, mass[i].ln()).unwrap();
    }
    let expected = one_by_one.finish().unwrap();
    agree(&calibration.variants()[0].sizes[0], &expected);
    // and how the rows stand to it
    let (mut largest, mut squares) = (0.0f64, 0.0);
    for i in 0..n {
        compiled.fill(&row(i), &mut terms);
        let d = expected.diagnose(&terms, mass[i].ln(), 1.0).unwrap();
        largest = largest.max(d.leverage);
        squares += d.left_out * d.left_out;
    }
    let model = &calibration.variants()[0].sizes[0];
    assert!((model.largest_leverage / largest - 1.0).abs() < 1e-11);
    assert!((model.left_out_error / (squares / n as f64).sqrt() - 1.0).abs() < 1e-11);
    assert_eq!((report.used, model.flakes), (n as u64, n as u64));

    #[cfg(feature = "parallel")]
    for threads in [1, 2, 5] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        assert_eq!(pool.install(run).0.to_json(), calibration.to_json(), "{threads} threads");
    }
}

/// More flakes than a collector keeps, the lengths of some not recorded: the fits are those of all flakes, and so are,
/// to the digits told, the left-out error and the correlation that are worked out on the flakes kept.
#[test]
fn very_many_flakes_are_summed_up() {
    let n = 700_001;
    let column = |k: u32, low: f64, width: f64| (0..n).map(|i| low + width * spread_out(i, k)).collect();
    let (depth, angle): (Vec<f64>, Vec<f64>) = (column(0, 2.0, 12.0), column(1, 50.0, 38.0));
    let noise: Vec<f64> = column(2, 0.1, 0.4);
    let mass: Vec<f64> = (0..n).map(|i| depth[i].powi(2) * noise[i]).collect();
    let other = |i: usize| 1.0 + noise[i] + 0.3 * spread_out(i * 7, 5);
    let length: Vec<f64> =
        (0..n).map(|i| if i % 17 == 3 { f64::NAN } else { 4.0 * depth[i] * other(i) }).collect();
    let run = |pieces: usize| {
        let provenance = Provenance::new("field school", "own records", "own", "a test");
        let form = Form::named("log-log").unwrap();
        let mut recipe = Recipe::single("school", "mass_g", form, provenance).unwrap();
        let mut second = recipe.variants[0].sizes[0].clone();
        (second.size, second.column) = ("length_mm".into(), "length_mm".into());
        recipe.variants[0].sizes.push(second);
        let mut many = Collector::new(recipe).unwrap();
        let names = ["mass_g", "length_mm", "platform_depth_mm", "exterior_platform_angle_deg"];
        for from in (0..n).step_by(pieces) {
            let some = from..n.min(from + pieces);
            let columns = [&mass, &length, &depth, &angle].map(|c| &c[some.clone()]);
            many.offer_numbers(&names, &columns).unwrap();
        }
        many.finish().unwrap()
    };
    let (calibration, report) = run(n);
    assert_eq!(run(9_999).0.to_json(), calibration.to_json());

    let form = Form::named("log-log").unwrap();
    let layout = Layout::of([&form]);
    let compiled = form.compile(&layout).unwrap();
    let of = |name: &String| if name == "platform_depth_mm" { &depth } else { &angle };
    let (mut standardised, mut kept) = (Vec::new(), 0.0);
    for (k, size) in [&mass, &length].into_iter().enumerate() {
        let some: Vec<usize> = (0..n).filter(|i| size[*i].is_finite()).collect();
        let pick = |c: &[f64]| some.iter().map(|i| c[*i]).collect::<Vec<f64>>();
        let columns: Vec<Vec<f64>> = layout.numbers.iter().map(|n| pick(of(n))).collect();
        let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let sizes = pick(size);
        let r = triangle(&compiled, form.transform(), &columns, &sizes);
        let expected = Accumulator::of(form.term_names(), r, sizes.len() as u64).unwrap().finish().unwrap();
        agree(&calibration.variants()[0].sizes[k], &expected);
        let mut terms = vec![0.0; compiled.terms()];
        let (mut largest, mut squares, mut own) = (0.0f64, 0.0, vec![f64::NAN; n]);
        for (at, i) in some.iter().enumerate() {
            let row: Vec<f64> = columns.iter().map(|c| c[at]).collect();
            compiled.fill(&row, &mut terms);
            let d = expected.diagnose(&terms, sizes[at].ln(), 1.0).unwrap();
            largest = largest.max(d.leverage);
            squares += d.left_out * d.left_out;
            own[*i] = d.standardised;
        }
        standardised.push(own);
        let model = &calibration.variants()[0].sizes[k];
        assert_eq!(model.flakes, some.len() as u64);
        assert!((model.largest_leverage / largest - 1.0).abs() < 1e-10);
        let left_out = (squares / some.len() as f64).sqrt();
        assert!((model.left_out_error / left_out - 1.0).abs() < 1e-8, "{} {left_out}", model.left_out_error);
        let fitted = &report.fits[k];
        // one in eight
        assert!(fitted.left_out_flakes > 80_000 && fitted.left_out_flakes < model.flakes / 7);
        kept = fitted.left_out_flakes as f64;
        let recorded = model.recorded.unwrap();
        let ends = sizes.iter().fold((f64::INFINITY, 0.0f64), |(a, b), v| (a.min(*v), b.max(*v)));
        assert_eq!((recorded.low, recorded.high), ends);
    }
    assert_eq!((report.offered, report.used), (n as u64, n as u64));
    let ranges = &calibration.variants()[0].ranges;
    let range = ranges.iter().find(|r| r.name == "platform_depth_mm").unwrap();
    assert_eq!(range.low, depth.iter().copied().fold(f64::INFINITY, f64::min));
    assert_eq!(range.high, depth.iter().copied().fold(0.0, f64::max));
    let product = |i: usize| standardised[0][i] * standardised[1][i];
    let both: Vec<f64> = (0..n).map(product).filter(|v| v.is_finite()).collect();
    let correlation = both.iter().sum::<f64>() / both.len() as f64;
    let found = calibration.variants()[0].residual_correlation[1][0];
    // four times the standard error of a correlation of the flakes kept that have both
    assert!((found - correlation).abs() < 4.0 / f64::sqrt(kept), "{found} {correlation}");
    assert!(correlation > 0.3);

    #[cfg(feature = "parallel")]
    for threads in [1, 3] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        assert_eq!(pool.install(|| run(n)).0.to_json(), calibration.to_json(), "{threads} threads");
    }
}

/// Columns are summed where they lie as long as every row can be used: a row that cannot, and columns that come in pieces, change
/// nothing for the others.
#[test]
fn a_row_that_cannot_be_used_is_left_out_alone() {
    let n = 280_000;
    let mut depth: Vec<f64> = (0..n).map(|i| 2.0 + 12.0 * spread_out(i, 0)).collect();
    let mut angle: Vec<f64> = (0..n).map(|i| 50.0 + 38.0 * spread_out(i, 1)).collect();
    let mut mass: Vec<f64> = (0..n).map(|i| depth[i].powi(2) * (0.1 + 0.4 * spread_out(i, 2))).collect();
    let names = ["mass_g", "platform_depth_mm", "exterior_platform_angle_deg"];
    let run = |first: usize, pieces: usize, columns: [&[f64]; 3]| {
        let mut many = collector("log-log");
        // some one by one, the others in pieces
        for i in 0..first {
            let flake = Row { names: &names, numbers: columns.map(|c| c[i]) };
            assert_eq!(many.offer(&flake), None);
        }
        for from in (first..columns[0].len()).step_by(pieces) {
            let some = from..columns[0].len().min(from + pieces);
            many.offer_numbers(&names, &columns.map(|c| &c[some.clone()])).unwrap();
        }
        let (calibration, report) = many.finish().unwrap();
        (calibration.to_json(), report)
    };
    let ways = [(0, 9_999), (0, 65_536), (31_072, 100_000)];
    let (whole, report) = run(0, n, [&mass, &depth, &angle]);
    assert_eq!((report.used, report.left_out.len()), (n as u64, 0));
    for (first, pieces) in ways {
        let other = run(first, pieces, [&mass, &depth, &angle]);
        assert_eq!(other, (whole.clone(), report.clone()), "{first}, {pieces}");
    }
    #[cfg(feature = "parallel")]
    for threads in [1, 2, 5] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        assert_eq!(pool.install(|| run(0, n, [&mass, &depth, &angle]).0), whole, "{threads} threads");
    }

    (depth[150_000], mass[170_000], angle[279_999]) = (f64::NAN, 0.0, f64::NAN);
    let (some, report) = run(0, n, [&mass, &depth, &angle]);
    assert_eq!((report.offered, report.used, report.left_out.len()), (n as u64, n as u64 - 3, 3));
    for (first, pieces) in ways {
        let other = run(first, pieces, [&mass, &depth, &angle]);
        assert_eq!(other, (some.clone(), report.clone()), "{first}, {pieces}");
    }
    // the same flakes without the three
    let without = |c: &[f64]| [&c[..150_000], &c[150_001..170_000], &c[170_001..279_999]].concat();
    let rest = [&mass, &depth, &angle].map(|c| without(c));
    assert_eq!(run(0, n, [&rest[0], &rest[1], &rest[2]]).0, some);
}

/// A row of numbers.
struct Row<'a> {
    names: &'a [&'a str],
    numbers: [f64; 3],
}

impl Measured for Row<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        self.names.iter().position(|n| *n == name).map(|at| self.numbers[at]).filter(|v| !v.is_nan())
    }
    fn class(&self, _: &str) -> Option<&str> {
        None
    }
}

#[test]
fn columns_that_do_not_fit_together_are_refused() {
    let mut c = collector("log-log");
    assert!(c.offer_numbers(&["mass_g"], &[&[1.0], &[2.0]]).is_err());
    assert!(c.offer_numbers(&["mass_g", "platform_depth_mm"], &[&[1.0], &[2.0, 3.0]]).is_err());
    let twice = c.offer_numbers(&["mass_g", "mass_g"], &[&[1.0], &[2.0]]).unwrap_err().to_string();
    assert_eq!(twice, "mass_g: stands twice among the columns");
    c.offer_numbers(&["mass_g"], &[&[1.0, 2.0]]).unwrap();
    assert!(c.finish().is_err());
}

/// A piece whose portion or retouch could not be told is not taken for a whole one; a core that is unknown is none.
#[test]
fn what_could_not_be_told_of_a_piece_does_not_make_it_whole() {
    let table = "platform_depth_mm,exterior_platform_angle_deg,mass_g,portion,retouched,core\n8,75,12,indeterminate,no,a\n\
                 8,75,12,complete,unknown,a\n8,75,12,,NA,unknown\n";
    let mut table = TableReader::new(table.as_bytes(), &TableOptions::new()).unwrap();
    let (mut row, mut told) = (table.row(), Vec::new());
    while table.read(&mut row).unwrap() {
        told.push(
            crate::calibration::fitting::as_struck(&row, false)
                .map(|_| row.class("core").map(str::to_string)),
        );
    }
    let refused = |k: usize| told[k].as_ref().unwrap_err().to_string();
    assert!(refused(0).contains("portion") && refused(1).contains("retouched"), "{told:?}");
    assert_eq!(told[2].as_ref().unwrap(), &None);
}
