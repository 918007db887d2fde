//! What to fit: sizes, their forms and how each is fitted, and what is written beside it.

use crate::calibration::{
    Assumption, Calibration, Provenance, RecoveryThreshold, SizeModel, TerminationModel, Variant,
};
use crate::error::{Error, Result};
use crate::fit::multinomial::Penalty;
use crate::form::{ANGLE_OF_BLOW, Form, LANDS_ON, Layout, PERCUSSOR_CLASS, Term};

/// The columns that a size may be read from, each with its size; where a table has several for one size, that of most
/// flakes is taken, and of equally many the one that stands first here.
pub const SIZE_COLUMNS: [(&str, &str); 6] = [
    ("length_mm", "length_mm"),
    ("width_mm", "width_mm"),
    ("thickness_mm", "thickness_mm"),
    ("mean_thickness_mm", "thickness_mm"),
    ("max_thickness_mm", "thickness_mm"),
    ("mass_g", "mass_g"),
];

/// Refuses a size that does not exist, under this name of what was asked.
pub(crate) fn known_size(asked: &str, size: &str) -> Result<()> {
    let known = SIZE_COLUMNS.iter().map(|(column, _)| *column).chain([crate::flake::ORIGINAL_OVER_NOW]);
    match known.clone().any(|k| k == size) {
        true => Ok(()),
        false => Err(Error::unknown_name(asked, size, known)),
    }
}

/// One size to be fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct SizeRecipe {
    /// Which size it is (`thickness_mm`).
    pub size: String,
    /// The column it is read from (`mean_thickness_mm`).
    pub column: String,
    /// The form.
    pub form: Form,
    /// How it is fitted.
    pub method: Method,
}

/// How a form is fitted: least squares, and what is asked for beyond. The options combine.
///
/// ```
/// use conchoid::calibration::Method;
/// assert_ne!(Method::least_squares().sharing("core"), Method::least_squares());
/// ```
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct Method {
    /// Terms under one ridge penalty, by their places in [`Form::terms`].
    pub(crate) penalised: Vec<usize>,
    /// The tails to choose from.
    pub(crate) tails: TailsToTry,
    /// Effects that the flakes of one group share, the outer first: one, or two of which the second's groups lie
    /// within those of the first (`knapper`, `core`).
    pub shared: Vec<SharedRecipe>,
    /// The column that names the piece (`flake`), for rows that are several states of one piece, such as a scraper
    /// weighed after each resharpening: each piece counts once, the spread has the form's spread terms, and the
    /// uncertainty is that of so many pieces. A row without a name is a piece of its own. It stands alone.
    pub(crate) by_piece: Option<String>,
    /// What was kept, where the table holds only that. The sizes of a variant are then fitted together, under the same
    /// terms and the same method, given that each flake was kept, so that the forms speak of what came off; a row that
    /// says `everything_kept` yes is fitted without that condition.
    pub(crate) kept: Option<RecoveryThreshold>,
}

impl Method {
    /// Least squares: one spread (or the form's spread terms), normal errors, nothing penalised or shared.
    pub fn least_squares() -> Method {
        Method::default()
    }

    /// Whether it asks for nothing beyond least squares; a form with spread terms does so itself.
    pub(crate) fn is_least_squares(&self) -> bool {
        *self == Method::default()
    }

    /// With an intercept that the flakes of one group share, by the column of the groups, their levels kept. Call it
    /// for the outer groups first.
    ///
    /// The variance between groups is that of restricted maximum likelihood, and may be 0; degrees of freedom are
    /// Satterthwaite's, from the expected information, so that an interval allows for a variance that the table failed
    /// to show.
    ///
    /// Simulated shares of flakes inside 95 % intervals, 4,000 tables each (standard error 0.3 points), two terms and an
    /// intercept, cores of one to twice the mean number of flakes, spread 1 within a core (`calibration/tests/shared.rs`):
    ///
    /// | cores | flakes a core | spread between cores | estimated as 0 | new core | known core |
    /// |---|---|---|---|---|---|
    /// | 20 | 18 | 0.4 | 0.3 % | 94.9 | 95.3 |
    /// | 20 | 6 | 0.5 | 1.6 % | 95.4 | 94.8 |
    /// | 20 | 6 | 0.2 | 30.4 % | 95.5 | 94.3 |
    /// | 20 | 6 | 1.0 | 0.0 % | 94.9 | 94.9 |
    /// | 10 | 6 | 0.5 | 9.2 % | 95.1 | 94.7 |
    pub fn sharing(mut self, by: &str) -> Method {
        self.shared.push(SharedRecipe::new(by));
        self
    }
}

/// An effect that flakes of one group share, to be fitted.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct SharedRecipe {
    /// The column of the groups (`core`).
    pub(crate) by: String,
    /// Terms whose slope varies from group to group, by their places in [`Form::terms`].
    pub terms: Vec<usize>,
    /// Whether the calibration keeps the effects of the groups fitted, for those who ask of them.
    pub levels: bool,
    /// Degrees of freedom of the effects, above 2; none for normal ones. Given, not estimated, and only where what was
    /// kept is fitted.
    pub(crate) degrees_of_freedom: Option<f64>,
    /// How many flakes a group counts for at most, so that large groups do not speak alone; none for all of them. Only
    /// where what was kept is fitted.
    pub(crate) at_most: Option<f64>,
    /// How many times the variance between groups that is estimated is taken, above 0, 1 unless said. Only where what was kept is
    /// fitted.
    pub times: f64,
}

impl SharedRecipe {
    /// An intercept, its levels kept.
    pub(crate) fn new(by: &str) -> SharedRecipe {
        SharedRecipe {
            by: by.to_string(),
            terms: Vec::new(),
            levels: true,
            degrees_of_freedom: None,
            at_most: None,
            times: 1.0,
        }
    }
}

/// Degrees of freedom to choose from; infinity is the normal.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) enum TailsToTry {
    /// Normal errors.
    #[default]
    Normal,
    /// By the level of a class that the form reads; levels not listed are normal.
    ByClass {
        /// The class variable (`blow_lands_on`).
        class: String,
        /// Levels, each with the degrees of freedom to try.
        levels: Vec<(String, Vec<f64>)>,
    },
}

/// Sizes that are fitted on the same measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct VariantRecipe {
    /// A short name (`depth, angle`).
    pub name: String,
    /// The sizes.
    pub sizes: Vec<SizeRecipe>,
    /// How its flakes end, where the table supports a model of that.
    pub termination: Option<TerminationRecipe>,
}

/// How a multinomial model of the termination is fitted.
///
/// ```
/// use conchoid::calibration::TerminationRecipe;
/// use conchoid::form::Form;
/// let by_platform = TerminationRecipe::feather_or_not(Form::named("log-log")?);
/// assert_ne!(by_platform.clone().with_ridge(0.1), by_platform);
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct TerminationRecipe {
    /// Its terms; the transform is not used.
    pub(crate) form: Form,
    /// Which terminations are told apart.
    pub(crate) told_apart: ToldApart,
    /// The penalty.
    pub(crate) penalty: Penalty,
}

impl TerminationRecipe {
    /// Feather, hinge, step and overshot told apart by the terms of a form (its transform is not used), other entries left
    /// out, under the prior of D. Firth 1993, *Biometrika* 80:27, which needs no strength to be chosen.
    pub fn four(form: Form) -> TerminationRecipe {
        TerminationRecipe { form, told_apart: ToldApart::Four, penalty: Penalty::Firth }
    }

    /// Feather told from hinge, step, overshot and inflexed together.
    pub fn feather_or_not(form: Form) -> TerminationRecipe {
        TerminationRecipe { told_apart: ToldApart::FeatherOrNot, ..TerminationRecipe::four(form) }
    }

    /// Under a ridge penalty in place of the prior, of this strength above 0 for each standard deviation of a column;
    /// 1e-12 is plain maximum likelihood, where no term tells the terminations apart altogether. A strength that is not above
    /// 0 and finite is refused when the recipe is fitted ([`Error::OutOfRange`]).
    pub fn with_ridge(mut self, lambda: f64) -> TerminationRecipe {
        self.penalty = Penalty::Ridge { lambda };
        self
    }
}

/// Which terminations a model tells apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ToldApart {
    /// Feather, hinge, step, overshot; other entries are left out.
    Four,
    /// Feather against hinge, step, overshot and inflexed together; other entries are left out.
    FeatherOrNot,
}

impl ToldApart {
    /// The class that a recorded termination falls into, if it is a termination.
    pub(super) fn class(self, recorded: &str) -> Option<&'static str> {
        match (self, known_termination(recorded)) {
            (ToldApart::Four, known) => known,
            (ToldApart::FeatherOrNot, Some("feather")) => Some("feather"),
            (ToldApart::FeatherOrNot, Some(_)) => Some(NOT_FEATHER),
            (ToldApart::FeatherOrNot, None) => (recorded == "inflexed").then_some(NOT_FEATHER),
        }
    }
}

/// The class of all flakes that do not feather out, where a table cannot tell them apart.
pub(crate) const NOT_FEATHER: &str = "not feather";

/// Measurements of the blow, which a row to be estimated may leave out.
pub(crate) const SETTINGS: [&str; 4] = [ANGLE_OF_BLOW, PERCUSSOR_CLASS, "percussor", LANDS_ON];

/// What to fit, and what to write beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Name of the calibration.
    pub name: String,
    /// Where the flakes come from.
    pub(crate) provenance: Provenance,
    /// The stone, where all flakes are of one.
    pub stone: Option<String>,
    /// Variants, the one that needs most first.
    pub variants: Vec<VariantRecipe>,
    /// Whether sizes must grow with the platform and agree with each other: median length, width, thickness and mass do
    /// not fall as depth or width grows, nor mass as the exterior platform angle grows, and mass over length x width x
    /// thickness of the medians stays within the 1st and 99th percentile of the flakes, from half the smallest
    /// platform fitted to twice the largest. All sizes must then have penalised terms.
    pub(crate) grows: bool,
    /// Settings of the blow that a row to be estimated may leave out.
    pub(crate) settings: Vec<String>,
    /// Classes taken as given where a row to be estimated does not record them.
    pub(crate) assumptions: Vec<Assumption>,
    /// What was not recorded and so is not in the intervals.
    pub(crate) not_recorded: Vec<String>,
    /// Whether incomplete and retouched pieces are fitted too.
    pub keep_incomplete: bool,
    /// What struck the flakes, where the table does not record it row by row.
    pub(crate) struck_with: Option<String>,
    /// Measurements that some flakes record, of too few for their coefficients.
    pub(crate) of_too_few: Vec<String>,
}

impl Recipe {
    /// What a calibration was made by as far as it tells: its forms, by least squares.
    pub(crate) fn of(made: &Calibration) -> Recipe {
        let size = |m: &SizeModel| SizeRecipe {
            size: m.size.clone(),
            column: m.column.clone(),
            form: m.form.clone(),
            method: Method::least_squares(),
        };
        let ends = |t: &TerminationModel| TerminationRecipe {
            form: t.form.clone(),
            told_apart: match t.fit.classes().iter().any(|c| c == NOT_FEATHER) {
                true => ToldApart::FeatherOrNot,
                false => ToldApart::Four,
            },
            penalty: t.fit.penalty(),
        };
        let variant = |v: &Variant| VariantRecipe {
            name: v.name.clone(),
            sizes: v.sizes.iter().map(size).collect(),
            termination: v.termination.as_ref().map(ends),
        };
        Recipe {
            name: made.name().to_string(),
            provenance: made.provenance().clone(),
            stone: made.stone().map(str::to_string),
            variants: made.variants().iter().map(variant).collect(),
            grows: false,
            settings: made.setting_names().to_vec(),
            assumptions: made.assumptions().to_vec(),
            not_recorded: made.not_recorded().to_vec(),
            of_too_few: Vec::new(),
            keep_incomplete: false,
            struck_with: None,
        }
    }

    /// Every size with an intercept that the flakes of one group share, by the column of the groups; call it for the
    /// outer groups first. See [`Method::sharing`].
    pub fn sharing(mut self, by: &str) -> Recipe {
        for s in self.variants.iter_mut().flat_map(|v| &mut v.sizes) {
            s.method = std::mem::take(&mut s.method).sharing(by);
        }
        self
    }

    /// Every size with what was kept of the flakes, so that the forms speak of what came off. Sizes share their terms then, and
    /// groups are fitted as new ones; call it after [`Recipe::sharing`].
    pub fn given_kept(mut self, kept: &RecoveryThreshold) -> Recipe {
        for s in self.variants.iter_mut().flat_map(|v| &mut v.sizes) {
            s.method.kept = Some(kept.clone());
            s.method.shared.iter_mut().for_each(|e| e.levels = false);
        }
        self
    }

    /// Every form with further terms, such as a shift for each level of a class; classes and measurements of the blow
    /// become settings.
    ///
    /// # Errors
    /// As [`Form::with_terms`].
    pub fn with_terms(mut self, terms: impl IntoIterator<Item = Term> + Clone) -> Result<Recipe> {
        for v in &mut self.variants {
            for s in &mut v.sizes {
                s.form = s.form.clone().with_terms(terms.clone())?;
            }
            let layout = Layout::of(v.sizes.iter().map(|s| &s.form));
            v.name = v.sizes.first().map_or(Vec::new(), |s| s.form.needs()).join(", ");
            let numbers = layout.numbers.iter().filter(|n| SETTINGS.contains(&n.as_str()));
            for setting in numbers.chain(layout.classes.iter().map(|c| &c.name)) {
                if !self.settings.contains(setting) {
                    self.settings.push(setting.clone());
                }
            }
        }
        Ok(self)
    }

    /// One size under one form; settings are the measurements of the blow that the form reads. The size is one of
    /// `length_mm`, `width_mm`, `thickness_mm`, `mean_thickness_mm`, `max_thickness_mm`, `mass_g`, or `original_over_now`;
    /// a [`SizeRecipe`] of one's own may have any column.
    ///
    /// ```
    /// use conchoid::calibration::{Provenance, Recipe};
    /// use conchoid::form::Form;
    /// let own = || Provenance::new("field school", "own records", "own", "by hand");
    /// assert!(Recipe::single("school", "mass_g", Form::named("log-log")?, own()).is_ok());
    /// let slip = Recipe::single("school", "mas_g", Form::named("log-log")?, own()).unwrap_err();
    /// assert!(slip.to_string().contains("mass_g"));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`Error::UnknownName`] for a size that does not exist.
    pub fn single(name: &str, size: &str, form: Form, provenance: Provenance) -> Result<Recipe> {
        known_size("size", size)?;
        let needs = form.needs();
        Ok(Recipe {
            name: name.to_string(),
            provenance,
            stone: None,
            settings: SETTINGS
                .iter()
                .filter(|s| needs.iter().any(|n| n == *s))
                .map(|s| s.to_string())
                .collect(),
            grows: false,
            assumptions: Vec::new(),
            not_recorded: Vec::new(),
            of_too_few: Vec::new(),
            keep_incomplete: false,
            struck_with: None,
            variants: vec![VariantRecipe {
                termination: None,
                name: needs.join(", "),
                sizes: vec![SizeRecipe {
                    size: size.to_string(),
                    column: size.to_string(),
                    form,
                    method: Method::least_squares(),
                }],
            }],
        })
    }
}

/// Refuses a method that does not suit its form, and a form that reads the size it is to foretell.
pub(super) fn check_method(recipe: &SizeRecipe) -> Result<()> {
    let (method, terms) = (&recipe.method, recipe.form.terms().len());
    if recipe.form.needs().contains(&recipe.column) {
        return Err(Error::invalid(&recipe.column, "the form reads the very size that it is to foretell"));
    }
    if method.penalised.iter().any(|p| *p >= terms) {
        return Err(Error::invalid(
            "penalised",
            "the places of terms count from 0 to one less than the form has",
        ));
    }
    if let TailsToTry::ByClass { class, levels } = &method.tails {
        if !recipe.form.needs().contains(class) {
            return Err(Error::invalid(class, "the class of the tails must be one that the form reads"));
        }
        if (0..levels.len()).any(|i| levels[..i].iter().any(|(l, _)| *l == levels[i].0)) {
            return Err(Error::invalid(class, "a level of the tails stands twice"));
        }
    }
    let alone = Method { by_piece: method.by_piece.clone(), ..Method::default() };
    if let Some(by) = &method.by_piece
        && (by.trim().is_empty() || *method != alone)
    {
        return Err(Error::invalid(
            "by_piece",
            "pieces that count once go with no penalty, tails or shared effects",
        ));
    }
    if method.shared.len() > 2 {
        return Err(Error::invalid(
            &method.shared[2].by,
            "flakes can share effects by two columns at most, the groups of the second within those of the first",
        ));
    }
    for (k, s) in method.shared.iter().enumerate() {
        if s.by.trim().is_empty() || method.shared[..k].iter().any(|o| o.by == s.by) {
            return Err(Error::invalid("group", format!("the column \"{}\" is empty or stands twice", s.by)));
        }
        if recipe.form.needs().contains(&s.by) {
            return Err(Error::invalid(
                &s.by,
                "the form has a shift for each of these groups already, so nothing is left for them to share; \
                 leave out one of the two",
            ));
        }
        let heavy = s.degrees_of_freedom.is_some() || s.at_most.is_some() || s.times != 1.0;
        if heavy && method.kept.is_none() {
            return Err(Error::invalid(&s.by, "tails and weights of groups need what was kept to be given"));
        }
        if s.degrees_of_freedom.is_some_and(|d| !(d > 2.0 && d.is_finite()))
            || s.at_most.is_some_and(|m| !(m >= 1.0))
            || !(s.times > 0.0 && s.times.is_finite())
        {
            return Err(Error::invalid(
                &s.by,
                "degrees of freedom must be above 2, a group count for 1 flake or more, its variance be taken some times",
            ));
        }
        if s.terms.iter().enumerate().any(|(i, t)| *t >= terms || s.terms[..i].contains(t)) {
            return Err(Error::invalid(
                &s.by,
                "the places of terms whose slope varies count from 0, once each",
            ));
        }
    }
    Ok(())
}

/// A recorded termination as one of the four, or none.
pub(super) fn known_termination(text: &str) -> Option<&'static str> {
    crate::flake::Termination::find(text).map(crate::flake::Termination::name)
}
