//! One property of a material: a typical value, a range and a source.
//!
//! The range (low, high) is read as about two standard deviations either side of the median on a log scale,
//! so the implied standard deviation of the natural log is ln(high / low) / 4.

use std::borrow::Cow;

use serde::Deserialize;

use crate::error::{Bounds, Error, Result};

/// A property of a material: typical value, low and high end of its range, and where they come from.
///
/// All three numbers are finite, none is negative, and low ≤ typical ≤ high. Low may be zero only where all
/// three are (a Poisson's ratio of exactly 0). The unit is that of the field that holds the property.
///
/// ```
/// use conchoid::material::Property;
/// let k = Property::new(1.5e6, 1.0e6, 2.1e6, "from memory").unwrap();
/// assert_eq!((k.typical(), k.high(), k.source()), (1.5e6, 2.1e6, "from memory"));
/// assert!(Property::new(1.5e6, 1.6e6, 2.1e6, "low end above the typical value").is_err());
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Property {
    typical: f64,
    low: f64,
    high: f64,
    source: Cow<'static, str>,
}

impl Property {
    /// A property with a range.
    ///
    /// # Errors
    /// [`Error::Invalid`] when a number is negative or not finite, when low ≤ typical ≤ high does not hold,
    /// or when low is zero and high is not (a log scale has no such range).
    pub fn new(typical: f64, low: f64, high: f64, source: impl Into<Cow<'static, str>>) -> Result<Self> {
        Property { typical, low, high, source: source.into() }.sound("property")
    }

    /// Itself, where its numbers go together; the field is named in the message.
    fn sound(self, field: &str) -> Result<Self> {
        let Property { typical, low, high, .. } = self;
        let finite = [typical, low, high].iter().all(|v| v.is_finite() && *v >= 0.0);
        if !finite || low > typical || typical > high || (low == 0.0 && high > 0.0) {
            return Err(Error::invalid(
                field,
                format!(
                    "typical {typical}, low {low}, high {high} \
                     (accepted: finite numbers, 0 < low <= typical <= high, or all three 0)"
                ),
            ));
        }
        Ok(self)
    }

    /// The typical value, read as the median.
    pub fn typical(&self) -> f64 {
        self.typical
    }

    /// The low end of the range, about two standard deviations below on a log scale.
    pub fn low(&self) -> f64 {
        self.low
    }

    /// The high end of the range, about two standard deviations above on a log scale.
    pub fn high(&self) -> f64 {
        self.high
    }

    /// Where the numbers come from.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// The standard deviation of the natural log that the range implies: ln(high / low) / 4, taking the
    /// range as two standard deviations either side. Zero for an exact value.
    ///
    /// Where the typical value is not the geometric middle of the range, one number cannot reproduce both
    /// ends; this one keeps the width.
    pub(crate) fn log_sd(&self) -> f64 {
        if self.low == self.high { 0.0 } else { (self.high / self.low).ln() / 4.0 }
    }
}

/// What can be given for a property: one number, `(typical, low, high)`, or a [`Property`]. Checked where it is taken.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Figure {
    typical: f64,
    low: f64,
    high: f64,
    source: Cow<'static, str>,
}

impl Figure {
    /// The checked property, or an error that names the field.
    pub(crate) fn checked(self, bounds: &Bounds) -> Result<Property> {
        let Figure { typical, low, high, source } = self;
        for v in [typical, low, high] {
            bounds.check(v)?;
        }
        Property { typical, low, high, source }.sound(bounds.name())
    }
}

impl From<f64> for Figure {
    fn from(value: f64) -> Self {
        (value, value, value).into()
    }
}

impl From<(f64, f64, f64)> for Figure {
    fn from((typical, low, high): (f64, f64, f64)) -> Self {
        Figure { typical, low, high, source: Cow::Borrowed("given by the user") }
    }
}

impl From<Property> for Figure {
    fn from(p: Property) -> Self {
        Figure { typical: p.typical, low: p.low, high: p.high, source: p.source }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_ordered_finite_ranges_pass() {
        for (t, l, h) in [
            (1.0, 2.0, 3.0),
            (4.0, 2.0, 3.0),
            (f64::NAN, 1.0, 2.0),
            (1.0, f64::NAN, 2.0),
            (1.0, 0.5, f64::INFINITY),
            (-1.0, -2.0, 1.0),
            (0.5, 0.0, 1.0),
        ] {
            assert!(Property::new(t, l, h, "test").is_err(), "{t} {l} {h}");
        }
        assert_eq!(Property::new(0.0, 0.0, 0.0, "test").unwrap().log_sd(), 0.0);
    }
}
