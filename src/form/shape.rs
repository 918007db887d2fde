//! A form itself: transform, terms and terms of the spread, checked once, and the published ones by name.

use super::compiled::Compiled;
use super::layout::Layout;
use super::op::Op;
use super::term::{Input, Term, ln, log10, product, tangent, value};
use super::transform::Transform;
use super::{ANGLE, AREA, DEPTH};
use crate::error::{Error, Result};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// The shape of a regression: transform, terms, and optionally terms of the spread.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self", deny_unknown_fields)]
pub struct Form {
    name: String,
    transform: Transform,
    intercept: bool,
    terms: Vec<Term>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    spread_terms: Vec<Term>,
    citation: String,
}

impl Serialize for Form {
    fn serialize<S: Serializer>(&self, to: S) -> std::result::Result<S::Ok, S::Error> {
        Form::serialize(self, to)
    }
}

impl<'de> Deserialize<'de> for Form {
    fn deserialize<D: Deserializer<'de>>(from: D) -> std::result::Result<Self, D::Error> {
        let form = Form::deserialize(from)?;
        form.check().map_err(serde::de::Error::custom)?;
        Ok(form)
    }
}

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
    #[cfg(test)]
    pub(crate) fn with_spread_terms(mut self, terms: impl IntoIterator<Item = Term>) -> Result<Form> {
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

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The transform of the response.
    pub fn transform(&self) -> Transform {
        self.transform
    }

    /// Whether a constant is estimated.
    pub(crate) fn intercept(&self) -> bool {
        self.intercept
    }

    /// The terms, without the intercept.
    pub fn terms(&self) -> &[Term] {
        &self.terms
    }

    /// The terms of the log spread, without its constant; empty when the spread is the same everywhere.
    pub(crate) fn spread_terms(&self) -> &[Term] {
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
    pub(crate) fn spread_term_names(&self) -> Vec<String> {
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
    pub(crate) fn compile(&self, layout: &Layout) -> Result<Compiled> {
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

impl Layout {
    /// The layout that these forms need, in order of first appearance. Levels not named by any indicator
    /// are unknown to it.
    pub fn of<'a>(forms: impl IntoIterator<Item = &'a Form>) -> Layout {
        let mut layout = Layout::default();
        for form in forms {
            for term in form.terms().iter().chain(form.spread_terms()) {
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
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::form::{LANDS_ON, indicator};

    #[test]
    fn a_form_survives_serde_and_a_broken_one_does_not() {
        let form = Form::named("area-angle").unwrap().with_terms([indicator(LANDS_ON, "edge")]).unwrap();
        let text = serde_json::to_string(&form).unwrap();
        assert_eq!(serde_json::from_str::<Form>(&text).unwrap(), form);
        let twice = text.replace("[{\"log10\"", "[{\"log10\":{\"value\":\"platform_area_mm2\"}},{\"log10\"");
        assert!(serde_json::from_str::<Form>(&twice).unwrap_err().to_string().contains("stands twice"));
    }
}
