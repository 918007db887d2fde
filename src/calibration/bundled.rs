//! The three calibrations that come with the crate, and the recipes they were made by.
//!
//! | name | stone | percussors | variants |
//! |---|---|---|---|
//! | `controlled-glass` | soda-lime glass | steel, copper, bone, by machine | depth, angle, settings of the blow; with and without width |
//! | `hard-hammer-flint` | flint | hammerstones | area, depth, angle, cortex, scars; down to depth and angle |
//! | `hard-hammer-quartzite` | quartzite | hammerstones | depth, angle; with and without width |
//!
//! The coefficients are fitted to published tables, which are not part of the crate; `data-sources.md` says
//! where to get them. Given the tables, [`recipe`] and a [`Collector`](super::fitting::Collector) make the
//! same calibrations again.

use super::fitting::{Method, Recipe, SizeRecipe, TailsToTry, VariantRecipe};
use super::{Assumption, Calibration, Provenance};
use crate::error::{Error, Result};
use crate::fit::shrunken::USUAL_GRID;
use crate::form::{
    ANGLE, ANGLE_OF_BLOW, AREA, DEPTH, Form, LANDS_ON, Term, Transform, WIDTH, indicator, ln, product,
    shifted, square, value,
};

/// Names of the bundled calibrations.
pub const NAMES: [&str; 3] = ["controlled-glass", "hard-hammer-flint", "hard-hammer-quartzite"];

/// The calibration that is used where none is named: by the stone, otherwise flint.
///
/// | stone | calibration |
/// |---|---|
/// | soda-lime glass, porcelain | `controlled-glass` |
/// | quartzite, vein quartz, crystal quartz | `hard-hammer-quartzite` |
/// | any other, or none given | `hard-hammer-flint` |
pub fn default_for(stone: Option<&str>) -> &'static str {
    match stone {
        Some("soda-lime-glass" | "glass" | "porcelain") => NAMES[0],
        Some("quartzite" | "vein-quartz" | "crystal-quartz" | "quartz") => NAMES[2],
        _ => NAMES[1],
    }
}

/// A bundled calibration by its name.
///
/// # Errors
/// [`Error::UnknownName`] with the list of names.
///
/// ```
/// use conchoid::calibration::bundled;
/// assert_eq!(bundled::named("controlled-glass").unwrap().stone(), Some("soda-lime-glass"));
/// assert!(bundled::named("obsidian").is_err());
/// ```
pub fn named(name: &str) -> Result<Calibration> {
    let text = match name {
        "controlled-glass" => include_str!("controlled-glass.json"),
        "hard-hammer-flint" => include_str!("hard-hammer-flint.json"),
        "hard-hammer-quartzite" => include_str!("hard-hammer-quartzite.json"),
        other => return Err(Error::unknown_name("calibration", other, NAMES)),
    };
    Calibration::from_json(text)
}

/// How a bundled calibration is made, and the file name of the table it is made from.
///
/// # Errors
/// [`Error::UnknownName`] with the list of names.
pub fn recipe(name: &str) -> Result<(Recipe, &'static str)> {
    match name {
        "controlled-glass" => Ok((glass()?, "glass-controlled.csv")),
        "hard-hammer-flint" => Ok((flint()?, "flint-replication.csv")),
        "hard-hammer-quartzite" => Ok((quartzite()?, "quartzite-by-core.csv")),
        other => Err(Error::unknown_name("calibration", other, NAMES)),
    }
}

/// The four sizes under one form; `thickness` is the column that thickness is read from.
fn four(name: &str, form: &Form, thickness: &str) -> VariantRecipe {
    let one = |size: &str, column: &str| SizeRecipe {
        size: size.to_string(),
        column: column.to_string(),
        form: form.clone(),
        method: Method::LeastSquares,
    };
    VariantRecipe {
        name: name.to_string(),
        sizes: vec![
            one("length_mm", "length_mm"),
            one("width_mm", "width_mm"),
            one("thickness_mm", thickness),
            one("mass_g", "mass_g"),
        ],
    }
}

fn log_form(name: &str, terms: Vec<Term>) -> Result<Form> {
    Form::new(name, Transform::Ln, terms)
}

/// The variables of the glass form that stand in squares and products, each about a round value near its
/// middle, so that the penalty on products judges them there.
struct Glass {
    depth: Term,
    angle: Term,
    blow: Term,
    width: Term,
    copper: Term,
    bone: Term,
    edge: Term,
    bevelled: Term,
}

impl Glass {
    fn new() -> Glass {
        Glass {
            depth: shifted(ln(DEPTH), 1.4),
            angle: shifted(ANGLE, 65.0),
            blow: shifted(ANGLE_OF_BLOW, 10.0),
            width: shifted(ln(WIDTH), 2.8),
            copper: indicator("percussor", "copper"),
            bone: indicator("percussor", "bone"),
            edge: indicator(LANDS_ON, "edge"),
            bevelled: indicator("platform_bevelled", "yes"),
        }
    }

    /// Terms that are not penalised.
    fn free(&self, width: bool) -> Vec<Term> {
        let mut terms = vec![ln(DEPTH), value(ANGLE), value(ANGLE_OF_BLOW)];
        terms.extend([&self.copper, &self.bone, &self.edge, &self.bevelled].map(Term::clone));
        if width {
            terms.insert(1, ln(WIDTH));
        }
        terms
    }

    /// Squares and products, and the shapes of the core with theirs.
    fn second_order(&self, width: bool, core: bool) -> Vec<Term> {
        let (l, a, b, w) = (&self.depth, &self.angle, &self.blow, &self.width);
        let (copper, bone, edge, bevelled) = (&self.copper, &self.bone, &self.edge, &self.bevelled);
        let of = |u: &Term, v: &Term| product([u.clone(), v.clone()]);
        let mut terms = [l, a, b].map(|u| square(u.clone())).to_vec();
        terms.extend([(l, a), (l, b), (a, b)].map(|(u, v)| of(u, v)));
        for class in [copper, bone, edge] {
            terms.extend([l, a, b].map(|u| of(class, u)));
        }
        terms.extend([(edge, copper), (edge, bone), (bevelled, l)].map(|(u, v)| of(u, v)));
        if width {
            terms.push(square(w.clone()));
            terms.extend([l, a, b, edge, bevelled].map(|u| of(w, u)));
        }
        if core {
            for shape in ["centerridge", "convergent", "divergent", "parallel"] {
                let shape = indicator("core_shape", shape);
                terms.extend([shape.clone(), of(&shape, l), of(&shape, a)]);
            }
        }
        terms
    }

    /// One size. Spread terms, heavy tails and the shape of the core are for the sizes whose intervals they
    /// improve in cross-validation: all but thickness. Blows on the edge scatter widely but without outliers;
    /// blows on the platform seldom, then far.
    fn size(&self, size: &str, width: bool) -> Result<SizeRecipe> {
        let modelled = size != "thickness_mm";
        let mut terms = self.free(width);
        let free = terms.len();
        terms.extend(self.second_order(width, modelled));
        let penalised = (free..terms.len()).collect();
        let form = log_form(if width { "glass-width" } else { "glass" }, terms)?;
        let (form, tails) = if modelled {
            let levels = vec![("platform".to_string(), USUAL_GRID.to_vec())];
            (
                form.with_spread_terms([ln(DEPTH), self.edge.clone(), value(ANGLE_OF_BLOW)])?,
                TailsToTry::ByClass { class: LANDS_ON.to_string(), levels },
            )
        } else {
            (form, TailsToTry::Normal)
        };
        Ok(SizeRecipe {
            size: size.to_string(),
            column: size.to_string(),
            form,
            method: Method::Shrunken { penalised, tails },
        })
    }

    fn variant(&self, name: &str, width: bool) -> Result<VariantRecipe> {
        let sizes = super::SIZES.iter().map(|s| self.size(s, width)).collect::<Result<_>>()?;
        Ok(VariantRecipe { name: name.to_string(), sizes })
    }
}

fn glass() -> Result<Recipe> {
    let glass = Glass::new();
    Ok(Recipe {
        name: NAMES[0].to_string(),
        provenance: Provenance::new(
            "flakes struck by machine from moulded soda-lime glass cores with steel, copper and bone tips",
            "controlled experiments of Dibble & Rezek 2009, J. Archaeol. Sci. 36:1945, Magnani et al. 2014, \
             J. Archaeol. Sci. 46:37, and Leader et al. 2017, as collected by McPherron et al. 2020, PLOS ONE \
             15:e0241714",
            "CC BY 4.0",
            "cargo run --release --example bundle -- FOLDER",
        ),
        stone: Some("soda-lime-glass".to_string()),
        variants: vec![
            glass.variant("depth, width, angle and blow", true)?,
            glass.variant("depth, angle and blow", false)?,
        ],
        settings: vec![ANGLE_OF_BLOW.to_string(), "percussor".to_string(), LANDS_ON.to_string()],
        assumptions: [("platform_bevelled", "no"), ("core_shape", "semispherical")]
            .map(|(class, level)| Assumption { class: class.to_string(), level: level.to_string() })
            .to_vec(),
        not_recorded: vec!["core".to_string(), "knapper".to_string()],
        keep_incomplete: false,
    })
}

fn flint() -> Result<Recipe> {
    let area = [ln(AREA), value(ANGLE)];
    let both = [ln(AREA), ln(DEPTH), value(ANGLE)];
    let mut full = both.to_vec();
    full.extend([value("dorsal_cortex_1_to_5"), value("dorsal_scars")]);
    let thickness = "mean_thickness_mm";
    Ok(Recipe {
        name: NAMES[1].to_string(),
        provenance: Provenance::new(
            "complete flakes of 30 knapping sequences on flint, struck with hammerstones of several rocks",
            "Bustos-Perez & Baena 2021, Lithic Technology 46:130, and the data of its extension on predicting \
             flake mass",
            "CC BY-NC 4.0",
            "cargo run --release --example bundle -- FOLDER",
        ),
        stone: Some("flint".to_string()),
        variants: vec![
            four("area, depth, angle, cortex, scars", &log_form("area-depth-dorsal", full)?, thickness),
            four("area, depth, angle", &log_form("area-depth", both.to_vec())?, thickness),
            four("area, angle", &log_form("area-log", area.to_vec())?, thickness),
            four("depth, angle", &Form::named("log-log")?, thickness),
        ],
        settings: vec![],
        assumptions: vec![],
        not_recorded: vec!["core".to_string(), "knapper".to_string()],
        keep_incomplete: false,
    })
}

fn quartzite() -> Result<Recipe> {
    let wide = vec![ln(DEPTH), ln(WIDTH), value(ANGLE)];
    Ok(Recipe {
        name: NAMES[2].to_string(),
        provenance: Provenance::new(
            "complete flakes of 20 quartzite cobble cores struck with hammerstones, in order of removal",
            "Marwick 2008, J. Archaeol. Sci. 35:1189, and its public reanalysis",
            "MIT",
            "cargo run --release --example bundle -- FOLDER",
        ),
        stone: Some("quartzite".to_string()),
        variants: vec![
            four("depth, width, angle", &log_form("log-log-width", wide)?, "thickness_mm"),
            four("depth, angle", &Form::named("log-log")?, "thickness_mm"),
        ],
        settings: vec![],
        assumptions: vec![],
        not_recorded: vec!["knapper".to_string()],
        keep_incomplete: false,
    })
}
