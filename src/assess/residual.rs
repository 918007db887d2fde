//! Checks of a least squares fit: what its residuals say against it, and what to do.
//!
//! Model: y = X b + e, y the transformed size. With residuals e_i and expected values f_i:
//!
//! ```text
//! heteroscedasticity   n R2 of e^2 on (1, f), and on the levels of each class; chi-squared
//! normality            Anderson-Darling A^2 of the standardised residuals
//! nonlinearity         F test of f^2 and f^3 added to X
//! influence            Cook's distance above 4/n
//! collinearity         1 / (1 - R2) of each term on the others; condition number of X with columns of length 1
//! ```
//!
//! A p-value below 0.05 is called doubtful (common practice). With half a dozen checks one in four honest
//! tables has one such, so read the statistic and the plot with it.

use super::compare::class_of;
use crate::by_name::each_once;
use crate::calibration::fitting::{Collector, Recipe};
use crate::error::{Error, Result};
use crate::fit::Design;
use crate::fit::linear::{self, LinearFit};
use crate::form::Layout;
use crate::special::{chi_squared_sf, normal_cdf};
use crate::strike::Measured;
use serde::Serialize;

/// p-values below this are called doubtful. Common practice, no source.
const DOUBTFUL: f64 = 0.05;

/// Variance inflation from which a coefficient is hard to tell apart. Common practice (ten is the figure of
/// Marquardt 1970, Technometrics 12:591; from memory).
const INFLATED: f64 = 10.0;

/// Condition number of scaled columns from which collinearity harms (Belsley, Kuh & Welsch 1980, Regression
/// Diagnostics, chapter 3; from memory).
const ILL_CONDITIONED: f64 = 30.0;

/// One check of a fit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct Check {
    /// What is asked (`spread against expected size`).
    pub name: String,
    /// The statistic, and what it is.
    pub statistic: f64,
    /// What the statistic is called (`chi-squared on 1 degree of freedom`).
    pub statistic_is: String,
    /// Its p-value, for checks that have one.
    pub p_value: Option<f64>,
    /// Whether it speaks against the fit.
    pub doubtful: bool,
    /// What it says and what to do, in a sentence.
    pub advice: String,
}

impl Check {
    /// A test, by its statistic, what that is called and its p-value: doubtful where the last is small; and what to say
    /// then, or otherwise.
    fn test(
        name: &str,
        (statistic, statistic_is, p_value): (f64, String, f64),
        doubt: impl FnOnce() -> String,
        fine: &str,
    ) -> Check {
        let doubtful = p_value < DOUBTFUL;
        let advice = if doubtful { doubt() } else { fine.to_string() };
        Check { name: name.to_string(), statistic, statistic_is, p_value: Some(p_value), doubtful, advice }
    }
}

/// The checks of one fit with what they rest on.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ResidualChecks {
    /// The rows of the fit by their places among those given, each with its Cook's distance: how far all fitted values
    /// move if it is left out (Cook 1977, Technometrics 19:15).
    #[serde(skip)]
    pub cooks_distances: Vec<(usize, f64)>,
    /// The checks, in the order of the table above.
    pub(crate) checks: Vec<Check>,
    /// Rows whose Cook's distance is above 4/n with that distance, the largest first.
    #[serde(skip)]
    pub influential: Vec<(usize, f64)>,
    /// Variance inflation of each term but the intercept.
    #[serde(serialize_with = "crate::by_name::serialize")]
    #[cfg_attr(feature = "schema", schemars(with = "std::collections::BTreeMap<String, f64>"))]
    pub(crate) variance_inflation: Vec<(String, f64)>,
    /// Largest over smallest singular value of X with columns of length 1.
    pub(crate) condition_number: f64,
}

/// Checks the least squares fit of the first variant of a recipe that has the size, on the rows that it can
/// use. A form's spread terms are not used: the question is whether it needs any.
///
/// # Errors
/// [`Error::UnknownName`] for a size that the recipe lacks; [`Error::TooFew`] and [`Error::RankDeficient`]
/// from the fit.
pub fn residual_checks<M: Measured>(
    recipe: &Recipe,
    rows: &[M],
    size: &str,
    classes: &[String],
) -> Result<ResidualChecks> {
    let found = recipe.variants.iter().find_map(|v| v.sizes.iter().find(|s| s.size == size));
    let Some(asked) = found else {
        let sizes = recipe.variants.iter().flat_map(|v| v.sizes.iter().map(|s| s.size.clone()));
        return Err(Error::unknown_name("size", size, sizes));
    };
    let mut probe = Collector::new(recipe.clone())?;
    let mut layout = Layout::of([&asked.form]);
    let mut inputs: Vec<(usize, Vec<f64>, f64)> = Vec::new();
    for (i, row) in rows.iter().enumerate() {
        let y = row.number(&asked.column).map_or(f64::NAN, |v| asked.form.transform().apply(v));
        if probe.offer(row).is_some() || !y.is_finite() {
            continue;
        }
        let mut x: Vec<f64> = layout.numbers.iter().map(|n| row.number(n).unwrap_or(f64::NAN)).collect();
        for k in 0..layout.classes.len() {
            let name = layout.classes[k].name.clone();
            x.push(class_of(row, &name).map_or(f64::NAN, |l| layout.add_level(&name, &l) as f64));
        }
        inputs.push((i, x, y));
    }
    let compiled = asked.form.compile(&layout)?;
    inputs.retain(|(_, x, _)| compiled.check(x, &layout).is_ok());
    let places: Vec<usize> = inputs.iter().map(|(i, ..)| *i).collect();
    let y: Vec<f64> = inputs.iter().map(|(.., y)| *y).collect();
    let design: Vec<Vec<f64>> = inputs.iter().map(|(_, x, _)| compiled.row(x)).collect();
    let design = Design::from_rows(asked.form.term_names(), &design)?;
    let levels = |c: &String| (c.clone(), places.iter().map(|i| class_of(&rows[*i], c)).collect());
    let levels: Vec<(String, Vec<Option<String>>)> = classes.iter().map(levels).collect();
    check_design(&design, &y, &places, &levels)
}

/// The checks of a design and its responses, whose rows have these places among those given; `classes` gives each
/// row's level for every class to be looked at.
///
/// # Errors
/// [`Error::Shape`] when lengths differ; [`Error::TooFew`] and [`Error::RankDeficient`] from the fit.
pub(super) fn check_design(
    design: &Design,
    y: &[f64],
    places: &[usize],
    classes: &[(String, Vec<Option<String>>)],
) -> Result<ResidualChecks> {
    let fit = linear::fit(design, y, None)?;
    let diagnostics = linear::diagnostics(&fit, design, y, None)?;
    let residuals: Vec<f64> = diagnostics.iter().map(|d| d.residual).collect();
    let expected: Vec<f64> = y.iter().zip(&residuals).map(|(y, r)| y - r).collect();
    let cooks_distances: Vec<(usize, f64)> =
        places.iter().zip(&diagnostics).map(|(i, d)| (*i, d.cooks_distance)).collect();
    let mut checks = Vec::new();
    checks.extend(spread_against_expected(&residuals, &expected));
    for (name, levels) in classes {
        checks.extend(spread_against_class(name, &residuals, levels));
    }
    checks.extend(normality(&residuals));
    checks.extend(nonlinearity(design, y, &fit, &expected));
    let mut influential = cooks_distances.clone();
    influential.retain(|(_, d)| *d > 4.0 / y.len() as f64);
    influential.sort_by(|a, b| b.1.total_cmp(&a.1));
    checks.push(influence(&cooks_distances, &influential));
    let variance_inflation = variance_inflation(design);
    let condition_number = condition_number(design);
    checks.push(collinearity(&variance_inflation, condition_number));
    Ok(ResidualChecks { cooks_distances, checks, influential, variance_inflation, condition_number })
}

/// Degrees of freedom with their noun.
fn freedom(df: f64) -> String {
    format!("{df} {}", if df == 1.0 { "degree of freedom" } else { "degrees of freedom" })
}

/// The least squares fit of y on columns; none where they cannot be told apart.
fn regress(columns: &[Vec<f64>], y: &[f64]) -> Option<LinearFit> {
    let names = (0..columns.len()).map(|j| if j == 0 { "intercept".to_string() } else { format!("{j}") });
    let rows: Vec<Vec<f64>> = (0..y.len()).map(|i| columns.iter().map(|c| c[i]).collect()).collect();
    linear::fit(&Design::from_rows(names.collect(), &rows).ok()?, y, None).ok()
}

/// n R2 of the squared residuals on columns (the first constant), what it is and its p-value (Koenker 1981,
/// J. Econometrics 17:107, the studentised form of Breusch & Pagan 1979, Econometrica 47:1287).
fn koenker(squares: &[f64], columns: &[Vec<f64>]) -> Option<(f64, String, f64)> {
    let fit = regress(columns, squares)?;
    let statistic = squares.len() as f64 * fit.r_squared();
    let df = columns.len() as f64 - 1.0;
    Some((statistic, format!("chi-squared on {}", freedom(df)), chi_squared_sf(statistic, df)))
}

fn spread_against_expected(residuals: &[f64], expected: &[f64]) -> Option<Check> {
    let squares: Vec<f64> = residuals.iter().map(|r| r.powi(2)).collect();
    let test = koenker(&squares, &[vec![1.0; squares.len()], expected.to_vec()])?;
    let doubt = || {
        "The spread changes with the expected size: intervals are too wide at one end and too narrow at \
             the other. Try another transform, or give the spread terms of its own."
            .to_string()
    };
    let fine = "The spread shows no change with the expected size.";
    Some(Check::test("spread against expected size", test, doubt, fine))
}

fn spread_against_class(name: &str, residuals: &[f64], levels: &[Option<String>]) -> Option<Check> {
    let known = each_once(levels.iter().flatten().map(String::as_str));
    if known.len() < 2 {
        return None;
    }
    let kept: Vec<(usize, &str)> =
        levels.iter().enumerate().filter_map(|(i, l)| Some((i, l.as_deref()?))).collect();
    let squares: Vec<f64> = kept.iter().map(|(i, _)| residuals[*i].powi(2)).collect();
    let mut columns = vec![vec![1.0; kept.len()]];
    for level in &known[1..] {
        columns.push(kept.iter().map(|(_, l)| f64::from(u8::from(l == level))).collect());
    }
    let test = koenker(&squares, &columns)?;
    let by = crate::predict::in_words(name);
    let doubt = || {
        let spread = |level: &str| {
            let (mut sum, mut n) = (0.0, 0.0);
            for ((_, l), s) in kept.iter().zip(&squares) {
                if *l == level {
                    sum += s;
                    n += 1.0;
                }
            }
            (sum / n).sqrt()
        };
        let (least, most) = known.iter().fold((known[0], known[0]), |(a, b), l| {
            (if spread(l) < spread(a) { l } else { a }, if spread(l) > spread(b) { l } else { b })
        });
        format!(
            "The spread differs by {by}: residuals of {most} are {:.2} times as large as those of {least}. Give \
             the spread a term for it, or fit the classes apart.",
            spread(most) / spread(least)
        )
    };
    let fine = format!("The spread shows no difference by {by}.");
    Some(Check::test(&format!("spread by {by}"), test, doubt, &fine))
}

/// Anderson and Darling's statistic for a normal law of unknown mean and spread, with the small-sample
/// correction and the p-value of D'Agostino & Stephens 1986, Goodness-of-fit Techniques, table 4.9 (from
/// memory; agrees with statsmodels, see the tests).
fn normality(residuals: &[f64]) -> Option<Check> {
    let n = residuals.len() as f64;
    if residuals.len() < 8 {
        return None;
    }
    let mean = residuals.iter().sum::<f64>() / n;
    let variance = residuals.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let mut z: Vec<f64> = residuals.iter().map(|r| (r - mean) / variance.sqrt()).collect();
    z.sort_by(f64::total_cmp);
    let last = z.len() - 1;
    let sum: f64 = (0..z.len())
        .map(|i| (2.0 * i as f64 + 1.0) * (normal_cdf(z[i]).ln() + normal_cdf(-z[last - i]).ln()))
        .sum();
    let a2 = -n - sum / n;
    if !a2.is_finite() {
        return None;
    }
    let a = a2 * (1.0 + 0.75 / n + 2.25 / (n * n));
    let p = match a {
        a if a < 0.2 => 1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp(),
        a if a < 0.34 => 1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp(),
        a if a < 0.6 => (0.9177 - 4.279 * a - 1.38 * a * a).exp(),
        // the parabola turns up beyond its range
        a => {
            let a = a.min(13.0);
            (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
        }
    };
    let doubt = || {
        "The residuals are not normal: expected sizes hold, but intervals at 95 % and beyond may not. \
             Look for mistyped rows, then fit with a modelled spread, whose tails may be heavy."
            .to_string()
    };
    let fine = "The residuals look normal.";
    Some(Check::test("normality of the residuals", (a2, "Anderson-Darling".into(), p), doubt, fine))
}

/// F test of the square and cube of the expected value (Ramsey 1969, J. R. Stat. Soc. B 31:350).
fn nonlinearity(design: &Design, y: &[f64], fit: &LinearFit, expected: &[f64]) -> Option<Check> {
    let n = expected.len() as f64;
    let mean = expected.iter().sum::<f64>() / n;
    let deviation = (expected.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / n).sqrt();
    if !(deviation > 0.0) {
        return None;
    }
    // with an intercept, powers of the standardised values span what the plain powers span, and better
    let constant = design.names().first().is_some_and(|n| n == "intercept");
    let scaled = |f: f64| if constant { (f - mean) / deviation } else { f / deviation };
    let mut names = design.names().to_vec();
    names.extend(["expected^2".to_string(), "expected^3".to_string()]);
    let mut wide = design.to_rows();
    for (x, f) in wide.iter_mut().zip(expected) {
        let f = scaled(*f);
        x.extend([f * f, f * f * f]);
    }
    let wider = linear::fit(&Design::from_rows(names, &wide).ok()?, y, None).ok()?;
    let df = wider.degrees_of_freedom();
    let (rss, less) = (fit.residual_sum_of_squares(), wider.residual_sum_of_squares());
    let statistic = (rss - less) / 2.0 / (less / df);
    // the upper tail of F on 2 and v degrees of freedom is (1 + 2 F / v)^(-v / 2)
    let p = (-0.5 * df * (2.0 * statistic.max(0.0) / df).ln_1p()).exp();
    let doubt = || {
        "The expected sizes bend away from the observed ones: try another transform or another form, or a \
             square or spline of the strongest term, and see whether it wins in the comparison."
            .to_string()
    };
    let fine = "The terms show no bend that the form lacks.";
    let test = (statistic, format!("F on 2 and {}", freedom(df)), p);
    Some(Check::test("nonlinearity", test, doubt, fine))
}

fn influence(rows: &[(usize, f64)], influential: &[(usize, f64)]) -> Check {
    let largest = rows.iter().map(|r| r.1).fold(0.0, f64::max);
    // a distance of 1 moves the coefficients to the edge of about their 50 % region (Cook 1977)
    let doubtful = largest > 1.0;
    let threshold = 4.0 / rows.len() as f64;
    let advice = if doubtful {
        format!(
            "One flake alone moves the fit (Cook's distance {largest:.2}): check how it was measured, and fit \
             once without it to see what changes."
        )
    } else if influential.is_empty() {
        "No flake stands out.".to_string()
    } else {
        format!(
            "{} of {} flakes are above 4/n = {threshold:.3}; none moves the fit by much, but check their \
             measurements first if something looks odd.",
            influential.len(),
            rows.len()
        )
    };
    Check {
        name: "influence".into(),
        statistic: largest,
        statistic_is: "largest Cook's distance".into(),
        p_value: None,
        doubtful,
        advice,
    }
}

/// Variance inflation of every term but the intercept; infinite where the others determine it.
fn variance_inflation(design: &Design) -> Vec<(String, f64)> {
    let constant = design.names().first().is_some_and(|n| n == "intercept");
    if !constant {
        return Vec::new();
    }
    let column = |j: usize| -> Vec<f64> { design.matrix().column(j).iter().copied().collect() };
    (1..design.columns())
        .map(|j| {
            let others: Vec<Vec<f64>> = (0..design.columns()).filter(|k| *k != j).map(column).collect();
            let inflation =
                regress(&others, &column(j)).map_or(f64::INFINITY, |f| 1.0 / (1.0 - f.r_squared()));
            (design.names()[j].clone(), inflation)
        })
        .collect()
}

/// Condition number of X with its columns scaled to length 1.
fn condition_number(design: &Design) -> f64 {
    let mut x = design.matrix().clone();
    for mut c in x.column_iter_mut() {
        let length = c.norm();
        if length > 0.0 {
            c /= length;
        }
    }
    let s = x.singular_values();
    s.max() / s.min()
}

fn collinearity(inflation: &[(String, f64)], condition: f64) -> Check {
    let worst = inflation.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let inflated = worst.is_some_and(|(_, v)| *v > INFLATED);
    let advice = match worst {
        Some((term, v)) if inflated => format!(
            "{term} hangs together with the other terms (its variance is {v:.0} times what it would be alone): \
             expected sizes hold inside the data, single coefficients mean little. Leave a term out, or record \
             flakes in which it varies on its own. For a product of terms this is common and harmless."
        ),
        _ if condition > ILL_CONDITIONED => format!(
            "The terms can be told apart, but some vary little against their mean (condition number \
             {condition:.0}): the intercept alone means little."
        ),
        _ => "The terms can be told apart.".to_string(),
    };
    Check {
        name: "collinearity".into(),
        statistic: worst.map_or(1.0, |w| w.1),
        statistic_is: "largest variance inflation".into(),
        p_value: None,
        doubtful: inflated,
        advice,
    }
}
