//! Forms: the shape of a regression, from measurements to a transformed size.
//!
//! A [`Form`] is a response [`Transform`] and a list of [`Term`]s, built with functions and lists:
//!
//! ```text
//! g(size) = b0 + b1 term_1 + ... + bk term_k,      optionally   ln spread = c0 + c1 term_1' + ...
//! ```
//!
//! where g is the identity, ln, log10 or the cube root and each term is a function of named
//! measurements (`platform_depth_mm`) or an indicator of a class (`blow_lands_on` = `edge`). The
//! published forms are available by name from [`Form::named`]. A form knows nothing of data: it is
//! compiled against a [`Layout`] (which measurement stands where) and then fills design rows.

use crate::error::{Error, Result};
use crate::vector;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How the size is transformed before the regression.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Transform {
    /// The size itself.
    Identity,
    /// Natural logarithm of the size.
    Ln,
    /// Common logarithm of the size.
    Log10,
    /// Cube root of the size ("to correct for the different dimensions": McPherron et al. 2020).
    CubeRoot,
}

impl Transform {
    /// g(size). Not a number for sizes outside the domain (zero or less, except under the identity).
    pub fn apply(self, size: f64) -> f64 {
        match self {
            Transform::Identity => size,
            _ if size <= 0.0 => f64::NAN,
            Transform::Ln => size.ln(),
            Transform::Log10 => size.log10(),
            Transform::CubeRoot => size.cbrt(),
        }
    }

    /// The size at which g takes this value. A cube root below zero has no size and gives 0.
    pub fn invert(self, value: f64) -> f64 {
        match self {
            Transform::Identity => value,
            Transform::Ln => value.exp(),
            Transform::Log10 => 10f64.powf(value),
            Transform::CubeRoot if value <= 0.0 => 0.0,
            Transform::CubeRoot => value * value * value,
        }
    }

    /// ln of dg/dsize: what must be added to a log density of g(size) to get that of the size itself.
    pub fn ln_jacobian(self, size: f64) -> f64 {
        match self {
            Transform::Identity => 0.0,
            Transform::Ln => -size.ln(),
            Transform::Log10 => -size.ln() - std::f64::consts::LN_10.ln(),
            Transform::CubeRoot => -(2.0 / 3.0) * size.ln() - 3f64.ln(),
        }
    }

    /// How a response reads under this transform: `ln mass_g`.
    pub fn describe(self, response: &str) -> String {
        match self {
            Transform::Identity => response.to_string(),
            Transform::Ln => format!("ln {response}"),
            Transform::Log10 => format!("log10 {response}"),
            Transform::CubeRoot => format!("{response}^(1/3)"),
        }
    }
}

/// One term of a form: a function of measurements, or the indicator of a class.
///
/// Build terms with the functions of this module: [`value`], [`ln`], [`log10`], [`power`], [`square`],
/// [`tangent`], [`above`], [`shifted`], [`product`], [`indicator`], [`spline`]. A measurement's name stands for
/// its value.
///
/// ```
/// use conchoid::form::{ln, product, square, tangent};
/// assert_eq!(ln("platform_depth_mm").to_string(), "ln platform_depth_mm");
/// assert_eq!(
///     product([ln("platform_depth_mm"), tangent("exterior_platform_angle_deg")]).to_string(),
///     "ln platform_depth_mm x tan exterior_platform_angle_deg"
/// );
/// assert_eq!(square(ln("platform_depth_mm")).to_string(), "(ln platform_depth_mm)^2");
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
#[non_exhaustive]
pub enum Term {
    /// A measurement itself.
    Value(String),
    /// Natural logarithm of a positive term.
    Ln(Box<Term>),
    /// Common logarithm of a positive term.
    Log10(Box<Term>),
    /// A term to a fixed power.
    Power {
        /// What is raised.
        of: Box<Term>,
        /// The exponent.
        exponent: f64,
    },
    /// Tangent of an angle in degrees, defined strictly between 0 and 90.
    Tangent(Box<Term>),
    /// How far a term is above a knot, 0 below it: max(term - knot, 0).
    Above {
        /// What is compared.
        of: Box<Term>,
        /// The knot.
        knot: f64,
    },
    /// A term less a fixed value, so that its products and squares are about a middle of the data.
    Shifted {
        /// What is shifted.
        of: Box<Term>,
        /// What is taken off.
        by: f64,
    },
    /// The product of terms.
    Product(Vec<Term>),
    /// 1 where the class variable has one of these levels, otherwise 0.
    Indicator {
        /// Name of the class variable.
        class: String,
        /// The levels that count.
        levels: Vec<String>,
    },
    /// One column of a natural cubic spline basis with these knots.
    Spline {
        /// What is smoothed.
        of: Box<Term>,
        /// The knots, increasing; linear beyond the first and last.
        knots: Vec<f64>,
        /// Which curved column, from 0 to the number of knots minus 3 (the straight one is `of` itself).
        column: usize,
    },
}

impl From<&str> for Term {
    fn from(name: &str) -> Self {
        Term::Value(name.to_string())
    }
}

/// The measurement itself.
pub fn value(name: &str) -> Term {
    Term::from(name)
}

/// Natural logarithm of a positive measurement or term.
pub fn ln(of: impl Into<Term>) -> Term {
    Term::Ln(Box::new(of.into()))
}

/// Common logarithm of a positive measurement or term.
pub fn log10(of: impl Into<Term>) -> Term {
    Term::Log10(Box::new(of.into()))
}

/// A measurement or term to a fixed power.
pub fn power(of: impl Into<Term>, exponent: f64) -> Term {
    Term::Power { of: Box::new(of.into()), exponent }
}

/// The square of a measurement or term.
pub fn square(of: impl Into<Term>) -> Term {
    power(of, 2.0)
}

/// Tangent of an angle in degrees; an error at 90 and more, where it diverges and turns negative.
pub fn tangent(of: impl Into<Term>) -> Term {
    Term::Tangent(Box::new(of.into()))
}

/// How far a measurement or term is above a knot, 0 below it: max(term - knot, 0).
pub fn above(of: impl Into<Term>, knot: f64) -> Term {
    Term::Above { of: Box::new(of.into()), knot }
}

/// A measurement or term less a fixed value: what products and squares under a penalty are made of, since a
/// penalty judges them about their middle.
pub fn shifted(of: impl Into<Term>, by: f64) -> Term {
    Term::Shifted { of: Box::new(of.into()), by }
}

/// The product of terms.
pub fn product<T: Into<Term>>(of: impl IntoIterator<Item = T>) -> Term {
    Term::Product(of.into_iter().map(Into::into).collect())
}

/// 1 where the class variable has this level, otherwise 0.
pub fn indicator(class: &str, level: &str) -> Term {
    Term::Indicator { class: class.to_string(), levels: vec![level.to_string()] }
}

/// All columns of a natural cubic spline of a measurement or term: the straight one, then the curved ones.
pub fn spline(of: impl Into<Term>, knots: &[f64]) -> Vec<Term> {
    let of = of.into();
    let curved = knots.len().saturating_sub(2);
    let mut terms = vec![of.clone()];
    terms.extend((0..curved).map(|column| Term::Spline {
        of: Box::new(of.clone()),
        knots: knots.to_vec(),
        column,
    }));
    terms
}

impl fmt::Display for Term {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Term::Value(name) => f.write_str(name),
            Term::Ln(of) => write!(f, "ln {of}"),
            Term::Log10(of) => write!(f, "log10 {of}"),
            Term::Power { of, exponent } => match **of {
                Term::Value(_) | Term::Shifted { .. } => write!(f, "{of}^{exponent}"),
                _ => write!(f, "({of})^{exponent}"),
            },
            Term::Tangent(of) => write!(f, "tan {of}"),
            Term::Above { of, knot } => write!(f, "({of} above {knot})"),
            Term::Shifted { of, by } if *by < 0.0 => write!(f, "({of} + {})", -by),
            Term::Shifted { of, by } => write!(f, "({of} - {by})"),
            Term::Product(of) => {
                for (i, t) in of.iter().enumerate() {
                    if i > 0 {
                        f.write_str(" x ")?;
                    }
                    write!(f, "{t}")?;
                }
                Ok(())
            }
            Term::Indicator { class, levels } => write!(f, "{class} = {}", levels.join(" or ")),
            Term::Spline { of, column, .. } => write!(f, "spline {} of {of}", column + 1),
        }
    }
}

/// How deep terms may nest; a calibration from elsewhere cannot exhaust the stack.
const DEEPEST: usize = 8;

impl Term {
    /// Checks what the type alone cannot: nesting, knots, exponents, empty lists.
    ///
    /// # Errors
    /// [`Error::Invalid`] naming the part that is wrong.
    pub fn check(&self) -> Result<()> {
        self.check_depth(0)
    }

    fn check_depth(&self, depth: usize) -> Result<()> {
        if depth > DEEPEST {
            return Err(Error::invalid("term", format!("terms nest deeper than {DEEPEST}")));
        }
        match self {
            Term::Value(name) if name.trim().is_empty() => {
                Err(Error::invalid("term", "a measurement without a name"))
            }
            Term::Value(_) => Ok(()),
            Term::Ln(of) | Term::Log10(of) | Term::Tangent(of) => of.check_depth(depth + 1),
            Term::Power { of, exponent } => {
                if !exponent.is_finite() {
                    return Err(Error::invalid("exponent", "a power needs a finite exponent"));
                }
                of.check_depth(depth + 1)
            }
            Term::Above { of, knot } => {
                if !knot.is_finite() {
                    return Err(Error::invalid("knot", "a knot needs a finite value"));
                }
                of.check_depth(depth + 1)
            }
            Term::Shifted { of, by } => {
                if !by.is_finite() {
                    return Err(Error::invalid("shift", "a shift needs a finite value"));
                }
                of.check_depth(depth + 1)
            }
            Term::Product(of) => {
                if of.is_empty() {
                    return Err(Error::invalid("term", "a product of nothing"));
                }
                of.iter().try_for_each(|t| t.check_depth(depth + 1))
            }
            Term::Indicator { class, levels } => {
                if class.trim().is_empty() || levels.is_empty() {
                    return Err(Error::invalid("term", "an indicator needs a class and at least one level"));
                }
                Ok(())
            }
            Term::Spline { of, knots, column } => {
                let rising = knots.windows(2).all(|w| w[0] < w[1]) && knots.iter().all(|k| k.is_finite());
                if knots.len() < 3 || !rising || *column + 2 >= knots.len() {
                    return Err(Error::invalid(
                        "knots",
                        "a spline needs at least three rising knots and two columns fewer than knots",
                    ));
                }
                of.check_depth(depth + 1)
            }
        }
    }

    /// Calls `see` with every input the term reads, in order of appearance.
    fn visit(&self, see: &mut impl FnMut(Input<'_>)) {
        match self {
            Term::Value(name) => see(Input::Number(name)),
            Term::Ln(of) | Term::Log10(of) | Term::Tangent(of) => of.visit(see),
            Term::Power { of, .. }
            | Term::Spline { of, .. }
            | Term::Above { of, .. }
            | Term::Shifted { of, .. } => of.visit(see),
            Term::Product(of) => of.iter().for_each(|t| t.visit(see)),
            Term::Indicator { class, levels } => see(Input::Class(class, levels)),
        }
    }
}

/// What a term reads.
enum Input<'a> {
    Number(&'a str),
    Class(&'a str, &'a [String]),
}

/// Which measurement stands at which place of an input row: numbers first, then classes.
///
/// A class is held as the index of its level (0.0, 1.0, ...); a missing entry is not a number.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// Names of the numeric measurements.
    pub numbers: Vec<String>,
    /// Class variables with their levels.
    pub classes: Vec<ClassInput>,
}

/// A class variable and its levels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassInput {
    /// Name of the variable (`blow_lands_on`).
    pub name: String,
    /// Its levels (`platform`, `edge`); the index into this list is the code in an input row.
    pub levels: Vec<String>,
}

impl Layout {
    /// The layout that these forms need, in order of first appearance. Levels not named by any indicator
    /// are unknown to it; add them with [`Layout::add_level`].
    pub fn of<'a>(forms: impl IntoIterator<Item = &'a Form>) -> Layout {
        let mut layout = Layout::default();
        for form in forms {
            for term in form.terms.iter().chain(&form.spread_terms) {
                term.visit(&mut |input| match input {
                    Input::Number(name) => {
                        if !layout.numbers.iter().any(|n| n == name) {
                            layout.numbers.push(name.to_string());
                        }
                    }
                    Input::Class(name, levels) => levels.iter().for_each(|l| {
                        layout.add_level(name, l);
                    }),
                });
            }
        }
        layout
    }

    /// The code of a level of a class, added if it is new.
    pub fn add_level(&mut self, class: &str, level: &str) -> usize {
        let at = match self.classes.iter().position(|c| c.name == class) {
            Some(at) => at,
            None => {
                self.classes.push(ClassInput { name: class.to_string(), levels: Vec::new() });
                self.classes.len() - 1
            }
        };
        let levels = &mut self.classes[at].levels;
        levels.iter().position(|l| l == level).unwrap_or_else(|| {
            levels.push(level.to_string());
            levels.len() - 1
        })
    }

    /// Entries of an input row.
    pub fn len(&self) -> usize {
        self.numbers.len() + self.classes.len()
    }

    /// Whether nothing is read at all.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The place of a measurement or class in an input row.
    pub fn position(&self, name: &str) -> Option<usize> {
        self.numbers
            .iter()
            .position(|n| n == name)
            .or_else(|| self.classes.iter().position(|c| c.name == name).map(|i| i + self.numbers.len()))
    }

    /// The name at a place.
    pub fn name(&self, position: usize) -> &str {
        match self.numbers.get(position) {
            Some(n) => n,
            None => &self.classes[position - self.numbers.len()].name,
        }
    }

    /// The class variable at a place, if it is one.
    pub fn class_at(&self, position: usize) -> Option<&ClassInput> {
        position.checked_sub(self.numbers.len()).and_then(|i| self.classes.get(i))
    }
}

/// The shape of a regression: transform, terms, and optionally terms of the spread.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "UncheckedForm", deny_unknown_fields)]
pub struct Form {
    name: String,
    transform: Transform,
    intercept: bool,
    terms: Vec<Term>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    spread_terms: Vec<Term>,
    citation: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UncheckedForm {
    name: String,
    transform: Transform,
    intercept: bool,
    terms: Vec<Term>,
    #[serde(default)]
    spread_terms: Vec<Term>,
    citation: String,
}

impl TryFrom<UncheckedForm> for Form {
    type Error = Error;
    fn try_from(f: UncheckedForm) -> Result<Form> {
        let form = Form {
            name: f.name,
            transform: f.transform,
            intercept: f.intercept,
            terms: f.terms,
            spread_terms: f.spread_terms,
            citation: f.citation,
        };
        form.check()?;
        Ok(form)
    }
}

/// Platform depth: percussion point to the exterior face.
pub const DEPTH: &str = "platform_depth_mm";
/// Platform width.
pub const WIDTH: &str = "platform_width_mm";
/// Platform area.
pub const AREA: &str = "platform_area_mm2";
/// Exterior platform angle.
pub const ANGLE: &str = "exterior_platform_angle_deg";
/// Angle of blow, 0 perpendicular to the platform.
pub const ANGLE_OF_BLOW: &str = "angle_of_blow_deg";
/// Class of the percussor: stone, metal, organic.
pub const PERCUSSOR_CLASS: &str = "percussor_class";
/// Where the blow lands: platform, edge.
pub const LANDS_ON: &str = "blow_lands_on";
/// How the flake ends: feather, hinge, step, overshot.
pub const TERMINATION: &str = "termination";

/// The names of the published forms, as [`Form::named`] takes them.
pub const PUBLISHED: [&str; 5] = ["log-log", "tangent-power", "cube-root", "area", "area-angle"];

impl Form {
    /// A form of one's own: any transform, any list of terms, with an intercept.
    ///
    /// # Errors
    /// [`Error::Invalid`] for an empty name, a term without meaning, or the same term twice.
    ///
    /// ```
    /// use conchoid::form::{Form, Transform, ln, indicator};
    /// let form = Form::new("mine", Transform::Ln, vec![ln("platform_depth_mm"), indicator("percussor_class", "organic")]).unwrap();
    /// assert_eq!(form.needs(), ["platform_depth_mm", "percussor_class"]);
    /// assert!(Form::new("twice", Transform::Ln, vec![ln("a"), ln("a")]).is_err());
    /// ```
    pub fn new(name: &str, transform: Transform, terms: Vec<Term>) -> Result<Form> {
        let form = Form {
            name: name.to_string(),
            transform,
            intercept: true,
            terms,
            spread_terms: Vec::new(),
            citation: "the user's own form".to_string(),
        };
        form.check()?;
        Ok(form)
    }

    /// A published form by its name.
    ///
    /// | name | form | domain | source |
    /// |---|---|---|---|
    /// | `log-log` | ln size = a + b ln depth + c angle | depth > 0 | log of size on log of platform size: Shott et al. 2000, J. Archaeol. Sci. 27:877; angle linear: the exponential of the tangent power's slope |
    /// | `tangent-power` | ln size = a + b ln depth + c ln tan angle | 0 < angle < 90 | depth and tan(angle) as in Dibble & Pelcin 1995, J. Archaeol. Sci. 22:429 (algebra from memory) |
    /// | `cube-root` | size^(1/3) = a + b angle + c depth + d angle x depth | where the right side is above 0 | McPherron et al. 2020, PLOS ONE 15:e0241714 |
    /// | `area` | log10 size = a + b log10 area | area > 0 | Shott et al. 2000; Clarkson & Hiscock 2011, J. Archaeol. Sci. 38:1062 |
    /// | `area-angle` | log10 size = a + b log10 area + c angle | area > 0 | the same with the angle, as in Muller & Clarkson 2014, J. Archaeol. Sci. 52:31 |
    ///
    /// Depth in mm, area in mm2, angle in degrees. Coefficients are never assumed: they are fitted.
    ///
    /// # Errors
    /// [`Error::UnknownName`] with the list of names.
    ///
    /// ```
    /// use conchoid::form::Form;
    /// assert_eq!(Form::named("log-log").unwrap().needs(), ["platform_depth_mm", "exterior_platform_angle_deg"]);
    /// assert!(Form::named("log-lin").unwrap_err().to_string().contains("did you mean \"log-log\""));
    /// ```
    pub fn named(name: &str) -> Result<Form> {
        let (transform, terms, citation) = match name {
            "log-log" => (
                Transform::Ln,
                vec![ln(DEPTH), value(ANGLE)],
                "log size on log platform size: Shott et al. 2000, J. Archaeol. Sci. 27:877; angle linear",
            ),
            "tangent-power" => (
                Transform::Ln,
                vec![ln(DEPTH), ln(tangent(ANGLE))],
                "platform depth and tangent of the angle: Dibble & Pelcin 1995, J. Archaeol. Sci. 22:429 \
                 (algebra from memory)",
            ),
            "cube-root" => (
                Transform::CubeRoot,
                vec![value(ANGLE), value(DEPTH), product([ANGLE, DEPTH])],
                "McPherron et al. 2020, PLOS ONE 15:e0241714",
            ),
            "area" => (
                Transform::Log10,
                vec![log10(AREA)],
                "Shott et al. 2000, J. Archaeol. Sci. 27:877; Clarkson & Hiscock 2011, J. Archaeol. Sci. 38:1062",
            ),
            "area-angle" => (
                Transform::Log10,
                vec![log10(AREA), value(ANGLE)],
                "log size on log platform area with the angle: Muller & Clarkson 2014, J. Archaeol. Sci. 52:31",
            ),
            other => return Err(Error::unknown_name("form", other, PUBLISHED)),
        };
        let mut form = Form::new(name, transform, terms)?;
        form.citation = citation.to_string();
        Ok(form)
    }

    fn check(&self) -> Result<()> {
        if self.name.trim().is_empty() || self.name.len() > 200 {
            return Err(Error::invalid("form name", "a form needs a name of 1 to 200 characters"));
        }
        if self.terms.len() + self.spread_terms.len() > 200 {
            return Err(Error::invalid("terms", "at most 200 terms"));
        }
        if !self.intercept && self.terms.is_empty() {
            return Err(Error::invalid("terms", "a form needs an intercept or at least one term"));
        }
        for (i, t) in self.terms.iter().enumerate() {
            t.check()?;
            if self.terms[..i].contains(t) {
                return Err(Error::invalid("terms", format!("the term {t} stands twice")));
            }
        }
        for (i, t) in self.spread_terms.iter().enumerate() {
            t.check()?;
            if self.spread_terms[..i].contains(t) {
                return Err(Error::invalid("spread terms", format!("the term {t} stands twice")));
            }
        }
        Ok(())
    }

    /// The same form with more terms, such as settings of the blow or classes.
    ///
    /// # Errors
    /// As [`Form::new`].
    pub fn with_terms(mut self, more: impl IntoIterator<Item = Term>) -> Result<Form> {
        self.terms.extend(more);
        self.check()?;
        Ok(self)
    }

    /// The same form with terms for the logarithm of the spread.
    ///
    /// # Errors
    /// As [`Form::new`].
    pub fn with_spread_terms(mut self, terms: impl IntoIterator<Item = Term>) -> Result<Form> {
        self.spread_terms = terms.into_iter().collect();
        self.check()?;
        Ok(self)
    }

    /// The same form without an intercept.
    ///
    /// # Errors
    /// [`Error::Invalid`] when no term is left.
    pub fn without_intercept(mut self) -> Result<Form> {
        self.intercept = false;
        self.check()?;
        Ok(self)
    }

    /// The same form under another name.
    ///
    /// # Errors
    /// [`Error::Invalid`] for an empty or overlong name.
    pub fn renamed(mut self, name: &str) -> Result<Form> {
        self.name = name.to_string();
        self.check()?;
        Ok(self)
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The transform of the response.
    pub fn transform(&self) -> Transform {
        self.transform
    }

    /// Whether a constant is estimated.
    pub fn intercept(&self) -> bool {
        self.intercept
    }

    /// The terms, without the intercept.
    pub fn terms(&self) -> &[Term] {
        &self.terms
    }

    /// The terms of the log spread, without its constant; empty when the spread is the same everywhere.
    pub fn spread_terms(&self) -> &[Term] {
        &self.spread_terms
    }

    /// Where the form comes from.
    pub fn citation(&self) -> &str {
        &self.citation
    }

    /// Names of the coefficients, in order, the intercept first.
    pub fn term_names(&self) -> Vec<String> {
        let constant = self.intercept.then(|| "intercept".to_string());
        constant.into_iter().chain(self.terms.iter().map(Term::to_string)).collect()
    }

    /// Names of the coefficients of the log spread, in order, its constant first.
    pub fn spread_term_names(&self) -> Vec<String> {
        std::iter::once("intercept".to_string())
            .chain(self.spread_terms.iter().map(Term::to_string))
            .collect()
    }

    /// The measurements and classes that the form reads, in order of appearance.
    pub fn needs(&self) -> Vec<String> {
        let layout = Layout::of([self]);
        layout.numbers.into_iter().chain(layout.classes.into_iter().map(|c| c.name)).collect()
    }

    /// Resolves the names against a layout.
    ///
    /// # Errors
    /// [`Error::Missing`] when the layout lacks a measurement or class of the form.
    pub fn compile(&self, layout: &Layout) -> Result<Compiled> {
        let mut location: Vec<Op> = Vec::with_capacity(self.terms.len() + 1);
        if self.intercept {
            location.push(Op::One);
        }
        for t in &self.terms {
            location.push(Op::compile(t, layout)?);
        }
        let mut spread = vec![Op::One];
        for t in &self.spread_terms {
            spread.push(Op::compile(t, layout)?);
        }
        Ok(Compiled { location, spread })
    }
}

/// A term with its names resolved to places of an input row.
#[derive(Debug, Clone, PartialEq)]
enum Op {
    One,
    Number(usize),
    Ln(Box<Op>),
    Log10(Box<Op>),
    Power(Box<Op>, f64),
    Tangent(Box<Op>),
    Above(Box<Op>, f64),
    Shifted(Box<Op>, f64),
    Product(Vec<Op>),
    /// Place in the input row, and which codes count, as a bit mask.
    Indicator(usize, u64),
    Spline(Box<Op>, Vec<f64>, usize),
}

impl Op {
    fn compile(term: &Term, layout: &Layout) -> Result<Op> {
        let place =
            |name: &str| layout.position(name).ok_or_else(|| Error::missing(name, "the form reads it"));
        let inner = |t: &Term| Op::compile(t, layout).map(Box::new);
        Ok(match term {
            Term::Value(name) => Op::Number(place(name)?),
            Term::Ln(of) => Op::Ln(inner(of)?),
            Term::Log10(of) => Op::Log10(inner(of)?),
            Term::Power { of, exponent } => Op::Power(inner(of)?, *exponent),
            Term::Tangent(of) => Op::Tangent(inner(of)?),
            Term::Above { of, knot } => Op::Above(inner(of)?, *knot),
            Term::Shifted { of, by } => Op::Shifted(inner(of)?, *by),
            Term::Product(of) => {
                Op::Product(of.iter().map(|t| Op::compile(t, layout)).collect::<Result<_>>()?)
            }
            Term::Indicator { class, levels } => {
                let at = place(class)?;
                let known = layout
                    .class_at(at)
                    .ok_or_else(|| Error::invalid(class, "a number is used as a class"))?;
                if known.levels.len() > 64 {
                    return Err(Error::invalid(class, "at most 64 levels of a class"));
                }
                let mut mask = 0;
                for level in levels {
                    let code = known
                        .levels
                        .iter()
                        .position(|l| l == level)
                        .ok_or_else(|| Error::unknown_name(class, level, known.levels.iter().cloned()))?;
                    mask |= 1u64 << code;
                }
                Op::Indicator(at, mask)
            }
            Term::Spline { of, knots, column } => Op::Spline(inner(of)?, knots.clone(), *column),
        })
    }

    /// The value at an input row; not a number outside the domain or where an input is missing.
    fn eval(&self, x: &[f64]) -> f64 {
        match self {
            Op::One => 1.0,
            Op::Number(i) => entry(x, *i),
            Op::Ln(of) => {
                let v = of.eval(x);
                if v > 0.0 { v.ln() } else { f64::NAN }
            }
            Op::Log10(of) => log10_of(of.eval(x)),
            Op::Power(of, e) => raise(of.eval(x), *e),
            Op::Tangent(of) => tangent_of(of.eval(x)),
            Op::Above(of, knot) => above_knot(of.eval(x), *knot),
            Op::Shifted(of, by) => of.eval(x) - by,
            Op::Product(of) => of.iter().map(|o| o.eval(x)).product(),
            Op::Indicator(i, mask) => indicate(entry(x, *i), *mask),
            Op::Spline(of, knots, column) => natural_cubic(of.eval(x), knots, *column),
        }
    }

    /// Which measurement is at fault where the value is not a number.
    fn explain(&self, x: &[f64], layout: &Layout) -> Option<Error> {
        match self {
            Op::One => None,
            Op::Number(i) | Op::Indicator(i, _) => {
                entry(x, *i).is_nan().then(|| Error::missing(layout.name(*i), "the form needs it"))
            }
            Op::Product(of) => of.iter().find_map(|o| o.explain(x, layout)),
            Op::Ln(of)
            | Op::Log10(of)
            | Op::Tangent(of)
            | Op::Above(of, _)
            | Op::Shifted(of, _)
            | Op::Power(of, _)
            | Op::Spline(of, _, _) => {
                if let Some(deeper) = of.explain(x, layout) {
                    return Some(deeper);
                }
                let accepted = match self {
                    Op::Ln(_) | Op::Log10(_) => "above 0",
                    Op::Tangent(_) => "above 0, below 90 degrees",
                    _ => "a finite result",
                };
                (!self.eval(x).is_finite()).then(|| Error::Domain {
                    term: self.describe(layout),
                    value: of.eval(x),
                    accepted: accepted.to_string(),
                })
            }
        }
    }

    fn describe(&self, layout: &Layout) -> String {
        match self {
            Op::One => "intercept".to_string(),
            Op::Number(i) | Op::Indicator(i, _) => layout.name(*i).to_string(),
            Op::Ln(of) => format!("ln {}", of.describe(layout)),
            Op::Log10(of) => format!("log10 {}", of.describe(layout)),
            Op::Power(of, e) => format!("({})^{e}", of.describe(layout)),
            Op::Tangent(of) => format!("tan {}", of.describe(layout)),
            Op::Above(of, knot) => format!("({} above {knot})", of.describe(layout)),
            Op::Shifted(of, by) => format!("({} less {by})", of.describe(layout)),
            Op::Product(of) => of.iter().map(|o| o.describe(layout)).collect::<Vec<_>>().join(" x "),
            Op::Spline(of, _, _) => format!("spline of {}", of.describe(layout)),
        }
    }
}

/// An entry of an input row; missing where the row is too short for it.
fn entry(x: &[f64], at: usize) -> f64 {
    x.get(at).copied().unwrap_or(f64::NAN)
}

fn log10_of(v: f64) -> f64 {
    if v > 0.0 { v.log10() } else { f64::NAN }
}

fn tangent_of(v: f64) -> f64 {
    if v > 0.0 && v < 90.0 { v.to_radians().tan() } else { f64::NAN }
}

fn above_knot(v: f64, knot: f64) -> f64 {
    let v = v - knot;
    if v < 0.0 { 0.0 } else { v }
}

/// 1 where the code is in the mask, 0 where it is not; not a number where it is missing.
fn indicate(code: f64, mask: u64) -> f64 {
    if code.is_nan() {
        f64::NAN
    } else if (0.0..64.0).contains(&code) && mask >> (code as u64) & 1 == 1 {
        1.0
    } else {
        0.0
    }
}

fn raise(v: f64, exponent: f64) -> f64 {
    if exponent == 2.0 {
        v * v
    } else if exponent == 3.0 {
        v * v * v
    } else if exponent == 0.5 {
        v.sqrt()
    } else {
        v.powf(exponent)
    }
}

/// One curved column of a natural cubic spline: cubic between the knots, straight beyond them.
///
/// d_k(v) = ((v - t_k)+^3 - (v - t_K)+^3) / (t_K - t_k); column k is (d_k - d_(K-1)), divided by the square
/// of the knots' span so that it has the size of `v` (Hastie, Tibshirani & Friedman 2009, The Elements
/// of Statistical Learning, section 5.2.1, equation 5.4, up to that scale).
///
/// Not a number with fewer than three knots, or for a column that these knots do not have.
pub fn natural_cubic(v: f64, knots: &[f64], column: usize) -> f64 {
    if knots.len() < 3 || column > knots.len() - 3 {
        return f64::NAN;
    }
    let last = knots.len() - 1;
    let cube = |x: f64| if x > 0.0 { x * x * x } else { 0.0 };
    let d = |k: usize| (cube(v - knots[k]) - cube(v - knots[last])) / (knots[last] - knots[k]);
    if v.is_nan() {
        return v;
    }
    let span = knots[last] - knots[0];
    (d(column) - d(last - 1)) / (span * span)
}

/// A form whose names are resolved: fills design rows from input rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Compiled {
    location: Vec<Op>,
    spread: Vec<Op>,
}

impl Compiled {
    /// Number of coefficients, the intercept included.
    pub fn terms(&self) -> usize {
        self.location.len()
    }

    /// Number of coefficients of the log spread, its constant included.
    pub fn spread_terms(&self) -> usize {
        self.spread.len()
    }

    /// Fills one design row. Entries outside a term's domain are not a number; [`Compiled::check`] says why.
    pub fn fill(&self, x: &[f64], out: &mut [f64]) {
        for (o, op) in out.iter_mut().zip(&self.location) {
            *o = op.eval(x);
        }
    }

    /// Fills one design row of the log spread.
    pub fn fill_spread(&self, x: &[f64], out: &mut [f64]) {
        for (o, op) in out.iter_mut().zip(&self.spread) {
            *o = op.eval(x);
        }
    }

    /// The terms laid out for blocks of rows.
    pub(crate) fn plan(&self) -> Plan {
        Plan::of(&self.location)
    }

    /// The terms of the log spread laid out for blocks of rows.
    pub(crate) fn spread_plan(&self) -> Plan {
        Plan::of(&self.spread)
    }

    /// Fills whole design columns: `x` holds one column per entry of the layout, `out` one column per term, each
    /// of `rows` numbers, one after the other. Logarithms are those of [`crate::vector`], so they may differ from
    /// [`Compiled::fill`] in the last place.
    ///
    /// # Errors
    /// [`Error::Shape`] when the columns differ in length, or `out` is not of `terms` times their length.
    ///
    /// ```
    /// use conchoid::form::{Form, Layout};
    /// let form = Form::named("cube-root").unwrap();
    /// let layout = Layout::of([&form]);
    /// let mut out = [0.0; 8];
    /// form.compile(&layout).unwrap().fill_columns(&[&[75.0, 60.0], &[8.0, 4.0]], &mut out).unwrap();
    /// assert_eq!(out, [1.0, 1.0, 75.0, 60.0, 8.0, 4.0, 600.0, 240.0]);
    /// ```
    pub fn fill_columns(&self, x: &[&[f64]], out: &mut [f64]) -> Result<()> {
        let plan = self.plan();
        let rows = out.len() / plan.terms.max(1);
        check_columns(&plan, x, rows)?;
        if rows * plan.terms != out.len() {
            return Err(Error::Shape {
                what: "numbers to fill".into(),
                found: out.len(),
                expected: rows * plan.terms,
            });
        }
        let mut block = vec![0.0; plan.registers * BLOCK];
        for from in (0..rows).step_by(BLOCK) {
            let n = BLOCK.min(rows - from);
            plan.fill(x, from, n, &mut block, BLOCK);
            for j in 0..plan.terms {
                out[j * rows + from..][..n].copy_from_slice(&block[j * BLOCK..][..n]);
            }
        }
        Ok(())
    }

    /// Whether every term has a finite value at this input row.
    ///
    /// # Errors
    /// [`Error::Missing`] for a measurement that is not there, [`Error::Domain`] for one outside the domain
    /// of a term.
    pub fn check(&self, x: &[f64], layout: &Layout) -> Result<()> {
        for op in self.location.iter().chain(&self.spread) {
            if !op.eval(x).is_finite() {
                return Err(op.explain(x, layout).unwrap_or_else(|| Error::Domain {
                    term: op.describe(layout),
                    value: f64::NAN,
                    accepted: "a finite result".to_string(),
                }));
            }
        }
        Ok(())
    }
}

/// Rows that a [`Plan`] takes at a time: seven columns of 256 numbers are half a first-level cache.
pub(crate) const BLOCK: usize = 256;

/// That all columns a plan may read are there and hold `rows` numbers.
pub(crate) fn check_columns(plan: &Plan, x: &[&[f64]], rows: usize) -> Result<()> {
    if let Some(wrong) = x.iter().find(|c| c.len() != rows) {
        return Err(Error::Shape { what: "numbers in a column".into(), found: wrong.len(), expected: rows });
    }
    if x.len() < plan.inputs() {
        return Err(Error::Shape { what: "columns".into(), found: x.len(), expected: plan.inputs() });
    }
    Ok(())
}

/// Where a step of a plan finds its operand.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Operand {
    /// A column of the input.
    Input(usize),
    /// A register.
    Register(usize),
}

#[derive(Debug, Clone, PartialEq)]
enum Step {
    One,
    Copy(Operand),
    Ln(Operand),
    Log10(Operand),
    Power(Operand, f64),
    Tangent(Operand),
    Above(Operand, f64),
    Shifted(Operand, f64),
    Product(Vec<Operand>),
    Indicator(usize, u64),
    Spline(Operand, Vec<f64>, usize),
}

/// A compiled form laid out for blocks of rows: each term that occurs in several others is worked out once.
///
/// The first registers are the design's columns, in order; the next is left free for a response; what stands
/// only inside other terms follows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Plan {
    steps: Vec<(usize, Step)>,
    terms: usize,
    registers: usize,
}

impl Plan {
    fn of(ops: &[Op]) -> Plan {
        let mut plan = Plan { steps: Vec::new(), terms: ops.len(), registers: ops.len() + 1 };
        let mut known: Vec<(&Op, usize)> = Vec::new();
        for op in ops {
            plan.place(op, ops, &mut known);
        }
        plan
    }

    /// The register in which a term ends up, with the steps that bring it there.
    fn place<'a>(&mut self, op: &'a Op, ops: &[Op], known: &mut Vec<(&'a Op, usize)>) -> usize {
        if let Some((_, at)) = known.iter().find(|(o, _)| *o == op) {
            return *at;
        }
        let step = match op {
            Op::One => Step::One,
            Op::Number(i) => Step::Copy(Operand::Input(*i)),
            Op::Ln(of) => Step::Ln(self.operand(of, ops, known)),
            Op::Log10(of) => Step::Log10(self.operand(of, ops, known)),
            Op::Power(of, e) => Step::Power(self.operand(of, ops, known), *e),
            Op::Tangent(of) => Step::Tangent(self.operand(of, ops, known)),
            Op::Above(of, knot) => Step::Above(self.operand(of, ops, known), *knot),
            Op::Shifted(of, by) => Step::Shifted(self.operand(of, ops, known), *by),
            Op::Product(of) => Step::Product(of.iter().map(|o| self.operand(o, ops, known)).collect()),
            Op::Indicator(i, mask) => Step::Indicator(*i, *mask),
            Op::Spline(of, knots, column) => {
                Step::Spline(self.operand(of, ops, known), knots.clone(), *column)
            }
        };
        let at = ops.iter().position(|o| o == op).unwrap_or_else(|| {
            self.registers += 1;
            self.registers - 1
        });
        known.push((op, at));
        self.steps.push((at, step));
        at
    }

    fn operand<'a>(&mut self, op: &'a Op, ops: &[Op], known: &mut Vec<(&'a Op, usize)>) -> Operand {
        match op {
            Op::Number(i) => Operand::Input(*i),
            _ => Operand::Register(self.place(op, ops, known)),
        }
    }

    /// Columns of [`BLOCK`] numbers that [`Plan::fill`] needs.
    pub(crate) fn registers(&self) -> usize {
        self.registers
    }

    /// How many input columns must be there.
    fn inputs(&self) -> usize {
        let reads = |f: &Operand| match f {
            Operand::Input(i) => i + 1,
            Operand::Register(_) => 0,
        };
        let of = |step: &Step| match step {
            Step::One => 0,
            Step::Indicator(i, _) => i + 1,
            Step::Product(of) => of.iter().map(reads).max().unwrap_or(0),
            Step::Copy(f)
            | Step::Ln(f)
            | Step::Log10(f)
            | Step::Tangent(f)
            | Step::Power(f, _)
            | Step::Above(f, _)
            | Step::Shifted(f, _)
            | Step::Spline(f, _, _) => reads(f),
        };
        self.steps.iter().map(|(_, s)| of(s)).max().unwrap_or(0)
    }

    /// Number of design columns.
    pub(crate) fn terms(&self) -> usize {
        self.terms
    }

    /// Fills the registers (columns `stride` apart) for the rows `from..from + rows` of the input columns.
    /// Entries outside a term's domain are not a number, as with [`Compiled::fill`].
    pub(crate) fn fill(&self, x: &[&[f64]], from: usize, rows: usize, out: &mut [f64], stride: usize) {
        for (at, step) in &self.steps {
            let start = at * stride;
            let input = |i: usize| &x[i][from..from + rows];
            match step {
                Step::One => out[start..start + rows].fill(1.0),
                Step::Indicator(i, mask) => {
                    vector::run(Indicate { of: input(*i), out: &mut out[start..start + rows], mask: *mask });
                }
                Step::Product(of) => {
                    for (k, operand) in of.iter().enumerate() {
                        with(out, start, rows, *operand, stride, input, |o, v| {
                            if k == 0 {
                                o.copy_from_slice(v);
                            } else {
                                vector::run(Times { by: v, out: o });
                            }
                        });
                    }
                }
                Step::Copy(of) => with(out, start, rows, *of, stride, input, |o, v| o.copy_from_slice(v)),
                Step::Ln(of) => with(out, start, rows, *of, stride, input, |o, v| vector::ln_into(v, o)),
                Step::Log10(of) => {
                    with(out, start, rows, *of, stride, input, |o, v| vector::log10_into(v, o))
                }
                Step::Power(of, e) if *e == 2.0 => each(out, start, rows, *of, stride, input, |v| v * v),
                Step::Power(of, e) => each(out, start, rows, *of, stride, input, |v| raise(v, *e)),
                Step::Tangent(of) => each(out, start, rows, *of, stride, input, tangent_of),
                Step::Above(of, knot) => each(out, start, rows, *of, stride, input, |v| above_knot(v, *knot)),
                Step::Shifted(of, by) => each(out, start, rows, *of, stride, input, |v| v - by),
                Step::Spline(of, knots, column) => {
                    each(out, start, rows, *of, stride, input, |v| natural_cubic(v, knots, *column));
                }
            }
        }
    }
}

/// The column of [`indicate`].
struct Indicate<'a> {
    of: &'a [f64],
    out: &'a mut [f64],
    mask: u64,
}

impl vector::Kernel for Indicate<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        // missing entries become not-a-number here, all others 0
        for (o, v) in self.out.iter_mut().zip(self.of) {
            *o = if v.is_nan() { *v } else { 0.0 };
        }
        let mut left = self.mask;
        while left != 0 {
            let code = f64::from(left.trailing_zeros());
            for (o, v) in self.out.iter_mut().zip(self.of) {
                *o += if (*v >= code) & (*v < code + 1.0) { 1.0 } else { 0.0 };
            }
            left &= left - 1;
        }
    }
}

/// out *= by.
struct Times<'a> {
    by: &'a [f64],
    out: &'a mut [f64],
}

impl vector::Kernel for Times<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        for (o, v) in self.out.iter_mut().zip(self.by) {
            *o *= v;
        }
    }
}

/// Shows a register to be written and the column that it is made from.
fn with<'a>(
    out: &mut [f64],
    start: usize,
    rows: usize,
    operand: Operand,
    stride: usize,
    input: impl Fn(usize) -> &'a [f64],
    see: impl FnOnce(&mut [f64], &[f64]),
) {
    match operand {
        Operand::Input(i) => see(&mut out[start..start + rows], input(i)),
        // a term is never its own operand, so one of the two lies before the other
        Operand::Register(r) if r * stride < start => {
            let (before, rest) = out.split_at_mut(start);
            see(&mut rest[..rows], &before[r * stride..r * stride + rows]);
        }
        Operand::Register(r) => {
            let (before, rest) = out.split_at_mut(r * stride);
            see(&mut before[start..start + rows], &rest[..rows]);
        }
    }
}

fn each<'a>(
    out: &mut [f64],
    start: usize,
    rows: usize,
    operand: Operand,
    stride: usize,
    input: impl Fn(usize) -> &'a [f64],
    f: impl Fn(f64) -> f64,
) {
    with(out, start, rows, operand, stride, input, |o, v| {
        for (o, v) in o.iter_mut().zip(v) {
            *o = f(*v);
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn transforms_invert_and_their_jacobian_is_the_derivative() {
        for t in [Transform::Identity, Transform::Ln, Transform::Log10, Transform::CubeRoot] {
            for size in [0.01, 1.0, 7.3, 812.0] {
                let back = t.invert(t.apply(size));
                assert!((back / size - 1.0).abs() < 1e-14, "{t:?} {size}: {back}");
                let h = size * 1e-6;
                let slope = (t.apply(size + h) - t.apply(size - h)) / (2.0 * h);
                assert!((slope.ln() - t.ln_jacobian(size)).abs() < 1e-8, "{t:?} {size}");
            }
        }
        assert!(Transform::Ln.apply(0.0).is_nan());
        assert_eq!(Transform::CubeRoot.invert(-0.5), 0.0);
    }

    #[test]
    fn tangent_beyond_ninety_is_an_error_and_not_a_number() {
        let form = Form::named("tangent-power").unwrap();
        let layout = Layout::of([&form]);
        let c = form.compile(&layout).unwrap();
        assert!(c.check(&[8.0, 75.0], &layout).is_ok());
        let e = c.check(&[8.0, 95.0], &layout).unwrap_err();
        assert_eq!(
            e.to_string(),
            "the term tan exterior_platform_angle_deg has no value at 95 (accepted: above 0, below 90 degrees)"
        );
        let e = c.check(&[f64::NAN, 75.0], &layout).unwrap_err();
        assert_eq!(e.to_string(), "platform_depth_mm: not recorded (the form needs it)");
    }

    #[test]
    fn cube_root_form_fills_its_row() {
        let form = Form::named("cube-root").unwrap();
        let layout = Layout::of([&form]);
        let mut row = [0.0; 4];
        form.compile(&layout).unwrap().fill(&[75.0, 8.0], &mut row);
        assert_eq!(row, [1.0, 75.0, 8.0, 600.0]);
    }

    #[test]
    fn a_shifted_term_is_the_term_less_its_shift() {
        let terms =
            vec![product([shifted(ln(DEPTH), 1.4), shifted(ANGLE, 65.0)]), square(shifted(ANGLE, -2.0))];
        let form = Form::new("shifted", Transform::Ln, terms).unwrap();
        assert_eq!(
            form.term_names()[1..],
            [
                "(ln platform_depth_mm - 1.4) x (exterior_platform_angle_deg - 65)",
                "(exterior_platform_angle_deg + 2)^2"
            ]
        );
        let mut row = [0.0; 3];
        form.compile(&Layout::of([&form])).unwrap().fill(&[1f64.exp(), 75.0], &mut row);
        assert!((row[1] + 4.0).abs() < 1e-12 && row[2] == 77.0 * 77.0, "{row:?}");
        assert!(Form::new("endless", Transform::Ln, vec![shifted(ANGLE, f64::INFINITY)]).is_err());
    }

    #[test]
    fn natural_spline_is_straight_beyond_its_knots() {
        let knots = [1.0, 2.0, 3.5, 5.0];
        for column in 0..2 {
            let f = |v| natural_cubic(v, &knots, column);
            assert_eq!(f(0.3), 0.0);
            let (a, b, c) = (f(6.0), f(7.0), f(8.0));
            assert!(((c - b) - (b - a)).abs() < 1e-12 * c.abs().max(1.0));
        }
    }

    #[test]
    fn a_form_survives_serde_and_a_broken_one_does_not() {
        let form = Form::named("area-angle").unwrap().with_terms([indicator(LANDS_ON, "edge")]).unwrap();
        let text = serde_json::to_string(&form).unwrap();
        assert_eq!(serde_json::from_str::<Form>(&text).unwrap(), form);
        let twice = text.replace("[{\"log10\"", "[{\"log10\":{\"value\":\"platform_area_mm2\"}},{\"log10\"");
        assert!(serde_json::from_str::<Form>(&twice).unwrap_err().to_string().contains("stands twice"));
    }
}
