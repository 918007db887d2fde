//! The recipe of the bundled calibration of loss: how much lighter a retouched piece has become, by the marks of its
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

use super::Provenance;
use super::fitting::{Method, Recipe, SizeRecipe, VariantRecipe};
use crate::error::Result;
use crate::flake::{ORIGINAL_OVER_NOW, RETOUCH_HEIGHT};
use crate::form::{Form, Term, Transform, ln, power, product, value};

/// The column that names the flake.
const PIECE: &str = "flake";
const MASS: &str = "mass_now_g";
const THICKNESS: &str = "max_thickness_now_mm";
const INDEX: &str = "retouch_index";

fn variant(name: &str, terms: Vec<Term>, spread: Term) -> Result<VariantRecipe> {
    let form =
        Form::new(&format!("loss by {name}"), Transform::LnExcess, terms)?.with_spread_terms([spread])?;
    Ok(VariantRecipe {
        name: name.to_string(),
        sizes: vec![SizeRecipe {
            size: ORIGINAL_OVER_NOW.to_string(),
            column: ORIGINAL_OVER_NOW.to_string(),
            form,
            method: Method::least_squares().each_once(PIECE),
        }],
        termination: None,
    })
}

/// The variants of a calibration of loss, the one that needs most first.
///
/// # Errors
/// None for these forms.
pub(crate) fn loss_variants() -> Result<Vec<VariantRecipe>> {
    let marks = || vec![ln(MASS), ln(THICKNESS), ln(RETOUCH_HEIGHT), value(INDEX), power(INDEX, 3.0)];
    let mut measured = marks();
    measured.extend([ln("length_now_mm"), ln("width_now_mm")]);
    let by_index = |more: &[Term]| {
        let mut terms = vec![ln(MASS)];
        terms.extend(more.iter().cloned());
        terms.extend([ln(INDEX), value(INDEX), power(INDEX, 3.0)]);
        terms
    };
    let over_thickness = product([value(RETOUCH_HEIGHT), power(THICKNESS, -1.0)]);
    Ok(vec![
        variant("mass, thickness, heights, index, length, width", measured, value(INDEX))?,
        variant("mass, thickness, heights, index", marks(), value(INDEX))?,
        variant("mass, thickness, index", by_index(&[ln(THICKNESS)]), value(INDEX))?,
        variant(
            "mass, thickness, heights",
            vec![ln(MASS), ln(THICKNESS), ln(RETOUCH_HEIGHT), over_thickness],
            ln(RETOUCH_HEIGHT),
        )?,
        variant("mass, index", by_index(&[]), value(INDEX))?,
        variant(
            "mass, heights",
            vec![ln(MASS), ln(RETOUCH_HEIGHT), product([value(RETOUCH_HEIGHT), power(MASS, -1.0 / 3.0)])],
            ln(RETOUCH_HEIGHT),
        )?,
    ])
}

/// How a calibration of loss is made from a table of pieces that were weighed when struck and after being retouched.
///
/// # Errors
/// None for these forms.
pub fn loss_recipe(name: &str, provenance: Provenance) -> Result<Recipe> {
    Ok(Recipe {
        // the shares lost by retouch are no sizes of a flake as struck
        grows: false,
        name: name.to_string(),
        provenance,
        stone: None,
        variants: loss_variants()?,
        settings: Vec::new(),
        assumptions: Vec::new(),
        not_recorded: Vec::new(),
        keep_incomplete: true,
        struck_with: None,
    })
}

pub(super) fn retouched_flint() -> Result<Recipe> {
    let provenance = Provenance::new(
        "100 flint flakes retouched by hand with a hard hammer, directly and on one edge, weighed and measured after \
         each of up to nine episodes",
        "Bustos-Pérez 2025, \"Scraper original mass: a different approach and its wide range implementation\", \
         research compendium; a random 100 of its 134 flakes",
        "data CC BY-NC 4.0",
        "cargo run --release --example bundle -- FOLDER",
    );
    let mut recipe = loss_recipe("retouched-flint", provenance)?;
    recipe.stone = Some("flint".to_string());
    recipe.not_recorded = vec!["knapper".to_string()];
    Ok(recipe)
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
