//! The quartzite table and its 20 cores: random intercepts against lme4, and against plain least squares in
//! leave-one-core-out cross-validation.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use conchoid::fit::Design;
use conchoid::fit::grouped::{GroupedFit, Groups, Likelihood};
use conchoid::special::{student_cdf, student_quantile};
use nalgebra::{DMatrix, DVector};
use statrs::function::gamma::ln_gamma;

const REFERENCE: &str = include_str!("../reference/grouped.csv");

/// The flakes of the quartzite table with a complete row.
struct Quartzite {
    cores: Vec<String>,
    /// depth, platform width, angle; length, width, thickness, mass: as recorded.
    values: Vec<[f64; 7]>,
}

fn quartzite() -> Quartzite {
    let folder = std::env::var("CONCHOID_DATA").expect("CONCHOID_DATA names the folder of the shared tables");
    let text = std::fs::read_to_string(std::path::Path::new(&folder).join("quartzite-by-core.csv")).unwrap();
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let wanted = [
        "platform_depth_mm",
        "platform_width_mm",
        "exterior_platform_angle_deg",
        "length_mm",
        "width_mm",
        "thickness_mm",
        "mass_g",
    ]
    .map(column);
    let core = column("core");
    let mut q = Quartzite { cores: vec![], values: vec![] };
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let values: Vec<f64> = wanted.iter().filter_map(|i| cells[*i].parse().ok()).collect();
        if let Ok(values) = values.try_into() {
            q.values.push(values);
            q.cores.push(cells[core].to_string());
        }
    }
    assert_eq!(q.values.len(), 361);
    q
}

/// A term by name: how the table's row becomes a number.
type Term = (&'static str, fn(&[f64; 7]) -> f64);

const DEPTH: Term = ("ln depth", |v| v[0].ln());
const WIDTH: Term = ("ln platform width", |v| v[1].ln());
const ANGLE: Term = ("angle", |v| v[2] - 80.0);
const LN_ANGLE: Term = ("ln angle", |v| (v[2] / 80.0).ln());
const ANGLE_SQUARED: Term = ("angle squared", |v| ((v[2] - 80.0) / 10.0).powi(2));
const DEPTH_SQUARED: Term = ("ln depth squared", |v| v[0].ln().powi(2));
const WIDTH_SQUARED: Term = ("ln platform width squared", |v| v[1].ln().powi(2));
const DEPTH_BY_WIDTH: Term = ("ln depth x ln platform width", |v| v[0].ln() * v[1].ln());
const DEPTH_BY_ANGLE: Term = ("ln depth x angle", |v| v[0].ln() * (v[2] - 80.0) / 10.0);
const AREA: Term = ("ln area", |v| (v[0] * v[1]).ln());
const AREA_SQUARED: Term = ("ln area squared", |v| (v[0] * v[1]).ln().powi(2));
const DEPTH_MM: Term = ("depth in mm", |v| v[0] / 10.0);
const WIDTH_MM: Term = ("platform width in mm", |v| v[1] / 10.0);
const AREA_HINGE: Term = ("ln area above 4.6", |v| ((v[0] * v[1]).ln() - 4.6).max(0.0));
const DEPTH_OFFSET: Term = ("ln (depth + 5 mm)", |v| (v[0] + 5.0).ln());
const WIDTH_OFFSET: Term = ("ln (platform width + 20 mm)", |v| (v[1] + 20.0).ln());
const AREA_OFFSET: Term = ("ln (area + 100 mm2)", |v| (v[0] * v[1] + 100.0).ln());
const TAN: Term = ("ln tan half angle", |v| (v[2].to_radians() / 2.0).tan().ln());

fn design(terms: &[Term], rows: &[&[f64; 7]]) -> Design {
    let names = ["intercept"].into_iter().chain(terms.iter().map(|t| t.0)).map(String::from).collect();
    let matrix =
        DMatrix::from_fn(
            rows.len(),
            terms.len() + 1,
            |i, j| if j == 0 { 1.0 } else { terms[j - 1].1(rows[i]) },
        );
    Design::new(names, matrix).unwrap()
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn quartzite_agrees_with_lme4() {
    let q = quartzite();
    let (groups, of) = Groups::from_labels(&q.cores).unwrap();
    assert_eq!(groups.count(), 20);
    let rows: Vec<&[f64; 7]> = q.values.iter().collect();
    let y: Vec<f64> = q.values.iter().map(|v| v[6].ln()).collect();
    let angle: Term = ("angle_deg", |v| v[2]);
    for (case, terms, likelihood) in [
        ("quartzite REML", vec![DEPTH, angle], Likelihood::Restricted),
        ("quartzite ML", vec![DEPTH, angle], Likelihood::Full),
        ("quartzite width REML", vec![DEPTH, angle, WIDTH], Likelihood::Restricted),
    ] {
        let fit = GroupedFit::fit(&design(&terms, &rows), &y, &groups, &of, likelihood).unwrap();
        let reference = |quantity: &str| -> Vec<(String, f64)> {
            REFERENCE
                .lines()
                .map(|l| l.split(',').collect::<Vec<_>>())
                .filter(|l| l[0] == case && l[1] == "lme4" && l[2] == quantity)
                .map(|l| (l[3].to_string(), l[4].parse().unwrap()))
                .collect()
        };
        let criterion = reference("criterion")[0].1;
        println!("{case}: criterion {} (lme4 {criterion}), {:?}", fit.criterion(), fit.convergence());
        assert!(fit.criterion() <= criterion + 1e-9);
        assert!(fit.convergence().reached() && fit.convergence().gradient() < 1e-8);
        let expected = reference("coefficient");
        assert_eq!(expected.len(), terms.len() + 1);
        for ((_, e), b) in expected.iter().zip(fit.coefficients()) {
            assert_relative_eq!(*b, *e, max_relative = 1e-6, epsilon = 0.0);
        }
        let sds = reference("sd");
        for (name, e) in &sds {
            let ours = if name == "core" { fit.sd_between() } else { fit.sd_within() };
            assert_relative_eq!(ours, *e, max_relative = 1e-6, epsilon = 0.0);
        }
        let effects = reference("effect core");
        assert_eq!(effects.len(), 20);
        for ((name, e), (_, sd)) in effects.iter().zip(reference("effect sd core")) {
            let ours = fit.group_effect(groups.find(name).unwrap()).unwrap();
            assert_abs_diff_eq!(ours.effect, *e, epsilon = 1e-6);
            assert_abs_diff_eq!(ours.conditional_sd, sd, epsilon = 1e-6);
        }
    }
}

/// Minus log density and CRPS of a t distribution at `y`.
fn scores(location: f64, scale: f64, df: f64, y: f64) -> [f64; 2] {
    let z = (y - location) / scale;
    let log_density = ln_gamma(0.5 * (df + 1.0))
        - ln_gamma(0.5 * df)
        - 0.5 * (df * std::f64::consts::PI).ln()
        - 0.5 * (df + 1.0) * (z * z / df).ln_1p();
    let density = log_density.exp();
    // Gneiting & Raftery 2007 for the normal; Jordan, Krueger & Lerch 2019 (J. Stat. Softw. 90:12) for t,
    // from memory; held against the integral of quantile scores in `crps_is_the_integral`.
    let beta = |a: f64, b: f64| (ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b)).exp();
    let crps = z * (2.0 * student_cdf(z, df) - 1.0) + 2.0 * density * (df + z * z) / (df - 1.0)
        - 2.0 * df.sqrt() / (df - 1.0) * beta(0.5, df - 0.5) / beta(0.5, 0.5 * df).powi(2);
    [-(log_density - scale.ln()), scale * crps]
}

#[test]
#[ignore = "needs CONCHOID_DATA"]
fn crps_is_the_integral() {
    let (location, scale, df, y) = (1.0, 0.7, 9.0, 2.3);
    let n = 20_000;
    let sum: f64 = (0..n)
        .map(|i| {
            let p = (i as f64 + 0.5) / n as f64;
            let q = location + scale * student_quantile(p, df);
            2.0 * (f64::from(u8::from(y <= q)) - p) * (q - y)
        })
        .sum();
    assert_relative_eq!(scores(location, scale, df, y)[1], sum / n as f64, max_relative = 1e-4);
}

/// How one form does when each core in turn is left out: one entry per flake, of plain least squares,
/// of the random intercept for a new core, and of the latter once the core's earlier flakes are known.
struct LeftOut {
    scores: [Vec<[f64; 2]>; 3],
    inside: [usize; 3],
    of: Vec<usize>,
}

fn leave_one_core_out(q: &Quartzite, terms: &[Term], response: usize) -> LeftOut {
    let (_, of) = Groups::from_labels(&q.cores).unwrap();
    let mut out = LeftOut { scores: [vec![], vec![], vec![]], inside: [0; 3], of: vec![] };
    for left in 0..20 {
        let (train, test): (Vec<usize>, Vec<usize>) = (0..of.len()).partition(|i| of[*i] != left);
        let pick = |rows: &[usize]| -> (Design, Vec<f64>) {
            let values: Vec<&[f64; 7]> = rows.iter().map(|i| &q.values[*i]).collect();
            (design(terms, &values), values.iter().map(|v| v[response].ln()).collect())
        };
        let (x, y) = pick(&train);
        let labels: Vec<&String> = train.iter().map(|i| &q.cores[*i]).collect();
        let (groups, groups_of) = Groups::from_labels(&labels).unwrap();
        let fit = GroupedFit::fit(&x, &y, &groups, &groups_of, Likelihood::Restricted).unwrap();
        let plain = x.matrix().clone().qr();
        let (p, df) = (x.columns(), (x.rows() - x.columns()) as f64);
        let r = plain.r();
        let beta =
            r.solve_upper_triangular(&(plain.q().transpose() * DVector::from_column_slice(&y))).unwrap();
        let s = ((DVector::from_column_slice(&y) - x.matrix() * &beta).norm_squared() / df).sqrt();
        let (test_x, test_y) = pick(&test);
        for (i, y) in test_y.iter().enumerate() {
            let row: Vec<f64> = test_x.matrix().row(i).iter().copied().collect();
            let z = r.transpose().solve_lower_triangular(&DVector::from_column_slice(&row)).unwrap();
            let location: f64 = (0..p).map(|j| row[j] * beta[j]).sum();
            let new = fit.predict_new_group(&row).unwrap();
            let (known, known_y) = pick(&test[..i]);
            let shrunken = fit.predict_with_some_known(&row, &known, &known_y).unwrap();
            let all = [
                (location, s * (1.0 + z.norm_squared()).sqrt(), df),
                (new.location(), new.scale(), new.df()),
                (shrunken.location(), shrunken.scale(), shrunken.df()),
            ];
            for (k, (location, scale, df)) in all.into_iter().enumerate() {
                out.scores[k].push(scores(location, scale, df, *y));
                out.inside[k] += usize::from((y - location).abs() <= scale * student_quantile(0.975, df));
            }
            out.of.push(left);
        }
    }
    out
}

/// Mean difference of a score between two lists, with a standard error that takes cores as the units.
fn paired(a: &[[f64; 2]], b: &[[f64; 2]], of: &[usize], score: usize) -> (f64, f64) {
    let n = a.len() as f64;
    let mean = a.iter().zip(b).map(|(a, b)| a[score] - b[score]).sum::<f64>() / n;
    let mut by_core = [0.0; 20];
    for ((a, b), g) in a.iter().zip(b).zip(of) {
        by_core[*g] += a[score] - b[score] - mean;
    }
    (mean, (by_core.iter().map(|s| s * s).sum::<f64>() * 20.0 / 19.0).sqrt() / n)
}

/// The forms compared; the first is the one that the others are paired with.
fn forms() -> Vec<(&'static str, Vec<Term>)> {
    vec![
        ("depth + width + area^2 + ln angle", vec![DEPTH, WIDTH, AREA_SQUARED, LN_ANGLE]),
        ("depth + width", vec![DEPTH, WIDTH]),
        ("none", vec![]),
        ("depth", vec![DEPTH]),
        ("width", vec![WIDTH]),
        ("depth + angle", vec![DEPTH, ANGLE]),
        ("depth + ln angle", vec![DEPTH, LN_ANGLE]),
        ("depth + ln tan(angle/2)", vec![DEPTH, TAN]),
        ("depth + width + angle", vec![DEPTH, WIDTH, ANGLE]),
        ("depth + width + ln angle", vec![DEPTH, WIDTH, LN_ANGLE]),
        ("depth + width + angle + angle^2", vec![DEPTH, WIDTH, ANGLE, ANGLE_SQUARED]),
        ("depth + width + depth^2", vec![DEPTH, WIDTH, DEPTH_SQUARED]),
        ("depth + width + width^2", vec![DEPTH, WIDTH, WIDTH_SQUARED]),
        ("depth + width + depth:width", vec![DEPTH, WIDTH, DEPTH_BY_WIDTH]),
        ("depth + width + angle + depth:angle", vec![DEPTH, WIDTH, ANGLE, DEPTH_BY_ANGLE]),
        ("area", vec![AREA]),
        ("area + area^2", vec![AREA, AREA_SQUARED]),
        ("depth + width + area^2", vec![DEPTH, WIDTH, AREA_SQUARED]),
        ("depth + width + area^2 + angle", vec![DEPTH, WIDTH, AREA_SQUARED, ANGLE]),
        ("depth + width + area^2 + angle + angle^2", vec![DEPTH, WIDTH, AREA_SQUARED, ANGLE, ANGLE_SQUARED]),
        ("depth + width + area above 4.6", vec![DEPTH, WIDTH, AREA_HINGE]),
        ("depth + width + mm of both", vec![DEPTH, WIDTH, DEPTH_MM, WIDTH_MM]),
        ("depth + width + depth^2 + width^2", vec![DEPTH, WIDTH, DEPTH_SQUARED, WIDTH_SQUARED]),
        ("ln(depth + 5) + ln(width + 20)", vec![DEPTH_OFFSET, WIDTH_OFFSET]),
        ("ln(depth + 5) + ln(width + 20) + ln angle", vec![DEPTH_OFFSET, WIDTH_OFFSET, LN_ANGLE]),
        ("ln(area + 100)", vec![AREA_OFFSET]),
        ("depth in mm + width in mm", vec![DEPTH_MM, WIDTH_MM]),
        ("depth + ln(area + 100) + ln angle", vec![DEPTH, AREA_OFFSET, LN_ANGLE]),
        (
            "depth + width + depth^2 + width^2 + ln angle",
            vec![DEPTH, WIDTH, DEPTH_SQUARED, WIDTH_SQUARED, LN_ANGLE],
        ),
        ("quadratic in both", vec![DEPTH, WIDTH, DEPTH_SQUARED, WIDTH_SQUARED, DEPTH_BY_WIDTH]),
    ]
}

#[test]
#[ignore = "needs CONCHOID_DATA; the comparison table of forms"]
fn which_form_for_quartzite() {
    let q = quartzite();
    for (name, response) in [("mass", 6), ("length", 3), ("width", 4), ("thickness", 5)] {
        println!("\n### ln {name}");
        println!(
            "| terms | LS log score | RI log score | RI - LS (se) | some known - RI (se) | LS CRPS | RI CRPS | RI - first form, log score (se) | CRPS (se) | inside 95 %: LS, RI, some known |"
        );
        println!("|---|---|---|---|---|---|---|---|---|---|");
        let mut first: Option<LeftOut> = None;
        for (form, terms) in forms() {
            let out = leave_one_core_out(&q, &terms, response);
            let n = out.of.len() as f64;
            let mean = |k: usize, s: usize| out.scores[k].iter().map(|v| v[s]).sum::<f64>() / n;
            let show = |(d, se): (f64, f64)| format!("{d:+.4} ({se:.4})");
            let gain = paired(&out.scores[1], &out.scores[0], &out.of, 0);
            let known = paired(&out.scores[2], &out.scores[1], &out.of, 0);
            let base = first.as_ref().unwrap_or(&out);
            println!(
                "| {form} | {:.4} | {:.4} | {} | {} | {:.4} | {:.4} | {} | {} | {:.1} {:.1} {:.1} |",
                mean(0, 0),
                mean(1, 0),
                show(gain),
                show(known),
                mean(0, 1),
                mean(1, 1),
                show(paired(&out.scores[1], &base.scores[1], &out.of, 0)),
                show(paired(&out.scores[1], &base.scores[1], &out.of, 1)),
                100.0 * out.inside[0] as f64 / n,
                100.0 * out.inside[1] as f64 / n,
                100.0 * out.inside[2] as f64 / n,
            );
            if form == "depth + width" && response == 6 {
                // Knowing the core's earlier flakes helps: this is what the random intercept is for.
                assert!(mean(2, 0) < mean(1, 0) && mean(2, 1) < mean(1, 1));
                let inside = out.inside[2] as f64 / n;
                assert!((0.93..=0.97).contains(&inside), "{inside}");
            }
            first.get_or_insert(out);
        }
    }
}
