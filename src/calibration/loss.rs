//! Calibrations of loss by the forms of the bundled one: how much lighter a retouched piece has become, by the marks of its
//! retouch.
//!
//! ```text
//! ln(original / now - 1) = b0 + b1 ln m + b2 ln T + b3 ln t + b4 i + b5 i^3 + s(i) e,    ln s(i) = c0 + c1 i
//! ```
//!
//! with the mass now m, the greatest thickness T, the mean height of retouch t and the index i = mean of t over the
//! thickness there; the other variants do with what was recorded. The left side is the log odds of the share lost, so
//! that no estimate lies below what remains. Each piece counts once, and the uncertainty is by piece.
//!
//! The forms were chosen with whole flakes left out (`data-sources.md`, "What the retouch tells"). A random intercept
//! by flake is not in it: it leans on what differs within a flake, and one scraper is seen once; on flakes left out it is
//! off by 3.12 g where these forms are off by 3.03 g, and explains 0.842 of the share lost where they explain 0.859.

use super::fitting::{Recipe, VariantRecipe};
use super::{Provenance, bundled};
use crate::error::{Bounds, Result};
use crate::flake::{RETOUCH_HEIGHT, RETOUCH_HEIGHT_MM, THICKNESS_AT_MM};

/// How a calibration of loss is made from a table of pieces that were weighed when struck and after being retouched: by
/// the forms of the bundled one, those whose measurements the pieces record. `has` tells whether they have a column
/// (`retouch_index`, or `retouch_height_1_mm` and `thickness_at_1_mm` to 10); without any there is no variant.
///
/// # Errors
/// None for these forms.
pub fn loss_recipe(name: &str, provenance: Provenance, has: impl Fn(&str) -> bool) -> Result<Recipe> {
    let (bundled, _) = bundled::recipe(bundled::LOSS)?;
    let any = |columns: &[Bounds]| columns.iter().any(|b| has(b.name()));
    let heights = any(&RETOUCH_HEIGHT_MM);
    let index = has("retouch_index") || (heights && any(&THICKNESS_AT_MM));
    let recorded = |v: &VariantRecipe| {
        v.sizes.iter().flat_map(|s| s.form.needs()).all(|name| match name.as_str() {
            RETOUCH_HEIGHT => heights,
            "retouch_index" => index,
            other => has(other),
        })
    };
    let variants = bundled.variants.into_iter().filter(recorded).collect();
    let name = name.to_string();
    Ok(Recipe { name, provenance, stone: None, not_recorded: Vec::new(), variants, ..bundled })
}

#[cfg(test)]
mod tests {
    use crate::calibration::{Spread, bundled};

    #[test]
    fn the_bundled_coefficients_are_those_of_r() {
        let calibration = bundled::named(bundled::LOSS).unwrap();
        let mut cases = 0;
        for line in include_str!("../../tests/reference/by_piece_flint.csv").lines().skip(2) {
            let f: Vec<&str> = line.split(';').collect();
            let v = calibration.variants().iter().find(|v| v.name == f[0]).unwrap();
            let model = &v.sizes[0];
            let Spread::Modelled { coefficients, covariance } = &model.spread else { panic!("{line}") };
            let (found, error) = match f[1].strip_prefix("spread ") {
                Some(k) => {
                    let k: usize = k.parse::<usize>().unwrap() - 1;
                    (coefficients[k], covariance[k][k].sqrt())
                }
                None => {
                    let k: usize = f[1].parse::<usize>().unwrap() - 1;
                    (model.coefficients[k], model.covariance[k][k].sqrt())
                }
            };
            let (value, its_error): (f64, f64) = (f[2].trim().parse().unwrap(), f[3].trim().parse().unwrap());
            // a millionth of a standard error
            assert!((found - value).abs() < 1e-6 * its_error, "{line}: {found}");
            assert!((error / its_error - 1.0).abs() < 1e-6, "{line}: {error}");
            cases += 1;
        }
        let all = calibration.variants().iter().map(|v| v.sizes[0].coefficients.len() + 2).sum::<usize>();
        assert_eq!(cases, all);
    }
}
