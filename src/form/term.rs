//! Terms: functions of named measurements and indicators of classes, as data that is stored and checked, with
//! the functions that build them.

use crate::error::{Error, Result};
use serde::{Deserialize, Serialize};
use std::fmt;

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
#[serde(transparent)]
pub struct Term(pub(crate) Kind);

/// What a term does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(crate) enum Kind {
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
        Term(Kind::Value(name.to_string()))
    }
}

/// The measurement itself.
pub fn value(name: &str) -> Term {
    Term::from(name)
}

/// Natural logarithm of a positive measurement or term.
pub fn ln(of: impl Into<Term>) -> Term {
    Term(Kind::Ln(Box::new(of.into())))
}

/// Common logarithm of a positive measurement or term.
pub fn log10(of: impl Into<Term>) -> Term {
    Term(Kind::Log10(Box::new(of.into())))
}

/// A measurement or term to a fixed power.
pub fn power(of: impl Into<Term>, exponent: f64) -> Term {
    Term(Kind::Power { of: Box::new(of.into()), exponent })
}

/// The square of a measurement or term.
pub fn square(of: impl Into<Term>) -> Term {
    power(of, 2.0)
}

/// Tangent of an angle in degrees; an error at 90 and more, where it diverges and turns negative.
pub fn tangent(of: impl Into<Term>) -> Term {
    Term(Kind::Tangent(Box::new(of.into())))
}

/// How far a measurement or term is above a knot, 0 below it: max(term - knot, 0).
pub fn above(of: impl Into<Term>, knot: f64) -> Term {
    Term(Kind::Above { of: Box::new(of.into()), knot })
}

/// A measurement or term less a fixed value: what products and squares under a penalty are made of, since a
/// penalty judges them about their middle.
pub fn shifted(of: impl Into<Term>, by: f64) -> Term {
    Term(Kind::Shifted { of: Box::new(of.into()), by })
}

/// The product of terms.
pub fn product<T: Into<Term>>(of: impl IntoIterator<Item = T>) -> Term {
    Term(Kind::Product(of.into_iter().map(Into::into).collect()))
}

/// 1 where the class variable has this level, otherwise 0.
pub fn indicator(class: &str, level: &str) -> Term {
    Term(Kind::Indicator { class: class.to_string(), levels: vec![level.to_string()] })
}

/// All columns of a natural cubic spline of a measurement or term: the straight one, then the curved ones.
pub fn spline(of: impl Into<Term>, knots: &[f64]) -> Vec<Term> {
    let of = of.into();
    let curved = knots.len().saturating_sub(2);
    let mut terms = vec![of.clone()];
    terms.extend(
        (0..curved)
            .map(|column| Term(Kind::Spline { of: Box::new(of.clone()), knots: knots.to_vec(), column })),
    );
    terms
}

impl fmt::Display for Term {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.0 {
            Kind::Value(name) => f.write_str(name),
            Kind::Ln(of) => write!(f, "ln {of}"),
            Kind::Log10(of) => write!(f, "log10 {of}"),
            Kind::Power { of, exponent } => match of.0 {
                Kind::Value(_) | Kind::Shifted { .. } => write!(f, "{of}^{exponent}"),
                _ => write!(f, "({of})^{exponent}"),
            },
            Kind::Tangent(of) => write!(f, "tan {of}"),
            Kind::Above { of, knot } => write!(f, "({of} above {knot})"),
            Kind::Shifted { of, by } if *by < 0.0 => write!(f, "({of} + {})", -by),
            Kind::Shifted { of, by } => write!(f, "({of} - {by})"),
            Kind::Product(of) => {
                for (i, t) in of.iter().enumerate() {
                    if i > 0 {
                        f.write_str(" x ")?;
                    }
                    write!(f, "{t}")?;
                }
                Ok(())
            }
            Kind::Indicator { class, levels } => write!(f, "{class} = {}", levels.join(" or ")),
            Kind::Spline { of, column, .. } => write!(f, "spline {} of {of}", column + 1),
        }
    }
}

/// How deep terms may nest; a calibration from elsewhere cannot exhaust the stack. This crate's choice, no source.
const DEEPEST: usize = 8;

impl Term {
    /// Checks what the type alone cannot: nesting, knots, exponents, empty lists.
    ///
    /// # Errors
    /// [`Error::Invalid`] naming the part that is wrong.
    pub(crate) fn check(&self) -> Result<()> {
        self.check_depth(0)
    }

    fn check_depth(&self, depth: usize) -> Result<()> {
        if depth > DEEPEST {
            return Err(Error::invalid("term", format!("terms nest deeper than {DEEPEST}")));
        }
        let wrong = match &self.0 {
            Kind::Value(name) if name.trim().is_empty() => ("term", "a measurement without a name"),
            Kind::Power { exponent, .. } if !exponent.is_finite() => {
                ("exponent", "a power needs a finite exponent")
            }
            Kind::Above { knot, .. } if !knot.is_finite() => ("knot", "a knot needs a finite value"),
            Kind::Shifted { by, .. } if !by.is_finite() => ("shift", "a shift needs a finite value"),
            Kind::Product(of) if of.is_empty() => ("term", "a product of nothing"),
            Kind::Indicator { class, levels } if class.trim().is_empty() || levels.is_empty() => {
                ("term", "an indicator needs a class and at least one level")
            }
            Kind::Spline { knots, column, .. }
                if !(knots.len() >= 3
                    && knots.windows(2).all(|w| w[0] < w[1])
                    && knots.iter().all(|k| k.is_finite())
                    && *column + 2 < knots.len()) =>
            {
                ("knots", "a spline needs at least three rising knots and two columns fewer than knots")
            }
            _ => return self.parts().iter().try_for_each(|t| t.check_depth(depth + 1)),
        };
        Err(Error::invalid(wrong.0, wrong.1))
    }

    /// Whether it takes the tangent of anything.
    pub(crate) fn has_tangent(&self) -> bool {
        matches!(&self.0, Kind::Tangent(_)) || self.parts().iter().any(Term::has_tangent)
    }

    /// Whether it reads this measurement.
    pub(crate) fn reads(&self, name: &str) -> bool {
        matches!(&self.0, Kind::Value(n) if n == name) || self.parts().iter().any(|t| t.reads(name))
    }

    /// The terms that stand inside it.
    pub(crate) fn parts(&self) -> &[Term] {
        match &self.0 {
            Kind::Value(_) | Kind::Indicator { .. } => &[],
            Kind::Product(of) => of,
            Kind::Ln(of)
            | Kind::Log10(of)
            | Kind::Tangent(of)
            | Kind::Power { of, .. }
            | Kind::Above { of, .. }
            | Kind::Shifted { of, .. }
            | Kind::Spline { of, .. } => std::slice::from_ref(of),
        }
    }

    /// Calls `see` with the name of every number and class the term reads.
    pub(crate) fn visit_names(&self, see: &mut impl FnMut(&str)) {
        self.visit(&mut |(Input::Number(name) | Input::Class(name, _))| see(name));
    }

    /// Calls `see` with every input the term reads, in order of appearance.
    pub(super) fn visit(&self, see: &mut impl FnMut(Input<'_>)) {
        match &self.0 {
            Kind::Value(name) => see(Input::Number(name)),
            Kind::Indicator { class, levels } => see(Input::Class(class, levels)),
            _ => self.parts().iter().for_each(|t| t.visit(see)),
        }
    }
}

/// What a term reads.
pub(super) enum Input<'a> {
    Number(&'a str),
    Class(&'a str, &'a [String]),
}
