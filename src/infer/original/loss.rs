//! What is thought of the share lost before a piece is looked at.

use crate::error::{Bounds, Error, Result};
use crate::page::short;
use serde::{Deserialize, Serialize};
use statrs::function::beta::beta_reg;

/// A model of loss: how large a share of a flake is usually lost, before this piece is looked at.
///
/// Implemented by [`BetaLoss`] and by every function from the share lost to its density.
pub trait Loss: Send + Sync {
    /// Log density of the share lost, up to a constant. Both the share lost and the share left are given
    /// (they sum to 1), so that neither end loses digits. Minus infinity where it cannot be.
    fn ln_density(&self, lost: f64, left: f64) -> f64;
}

impl<F: Fn(f64) -> f64 + Send + Sync> Loss for F {
    fn ln_density(&self, lost: f64, _left: f64) -> f64 {
        self(lost).ln()
    }
}

/// A beta distribution of the share lost: density proportional to l^(a-1) (1-l)^(b-1).
///
/// Its mean is a / (a + b). `BetaLoss::new(1.0, 1.0)` takes every share for equally likely.
///
/// ```
/// use conchoid::infer::BetaLoss;
/// let light_retouch = BetaLoss::new(2.0, 8.0)?;
/// assert_eq!(light_retouch.mean(), 0.2);
/// assert!(BetaLoss::new(0.0, 1.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(try_from = "UncheckedBeta")]
pub struct BetaLoss {
    a: f64,
    b: f64,
}

#[derive(Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
struct UncheckedBeta {
    a: f64,
    b: f64,
}

impl TryFrom<UncheckedBeta> for BetaLoss {
    type Error = Error;
    fn try_from(u: UncheckedBeta) -> Result<BetaLoss> {
        BetaLoss::new(u.a, u.b)
    }
}

impl BetaLoss {
    /// What is assumed where nothing else is: a beta distribution with parameters 0.5 and 2. A fifth is lost on average;
    /// the density grows without bound toward nothing lost, so that it may be that nothing was. This crate's choice, no
    /// source: half a piece of evidence for a loss and two against it. Where the retouch was measured it plays no part.
    ///
    /// ```
    /// use conchoid::infer::BetaLoss;
    /// assert_eq!(BetaLoss::usual().mean(), 0.2);
    /// ```
    pub fn usual() -> BetaLoss {
        BetaLoss { a: 0.5, b: 2.0 }
    }

    /// With exponents a (of what is lost) and b (of what is left), each from 0.05 to 1000.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] outside that.
    pub fn new(a: f64, b: f64) -> Result<BetaLoss> {
        const A: Bounds = Bounds::closed("model of loss, a", 0.05, 1000.0, "");
        const B: Bounds = Bounds::closed("model of loss, b", 0.05, 1000.0, "");
        Ok(BetaLoss { a: A.check(a)?, b: B.check(b)? })
    }
    /// Exponent of what is lost.
    pub fn a(&self) -> f64 {
        self.a
    }
    /// Exponent of what is left.
    pub fn b(&self) -> f64 {
        self.b
    }
    /// The share lost on average.
    pub fn mean(&self) -> f64 {
        self.a / (self.a + self.b)
    }
    /// What is assumed of such a share.
    pub(crate) fn in_words(&self, share: &str) -> String {
        let (BetaLoss { a, b }, mean) = (self, short(100.0 * self.mean()));
        format!("a beta distribution of {share}, with parameters {a} and {b}, {mean} % on average")
    }
    /// How likely it is, up to a constant, that so much is left of an original of this size: the density h(1 - now / size) /
    /// size of what is left, averaged over sizes that are `near` it.
    pub(crate) fn likelihood(&self, now: f64, size: f64, near: f64) -> f64 {
        let at_most = |size: f64| if size > now { beta_reg(self.a, self.b, 1.0 - now / size) } else { 0.0 };
        // the integral of h(1 - now / size) / size^2; beyond the numbers there is nothing
        (size * (at_most(size + near) - at_most(size - near)) / near).max(0.0)
    }
}

impl Loss for BetaLoss {
    fn ln_density(&self, lost: f64, left: f64) -> f64 {
        // an exponent of exactly 0 must not meet ln 0
        let power = |e: f64, x: f64| if e == 0.0 { 0.0 } else { e * x.ln() };
        power(self.a - 1.0, lost) + power(self.b - 1.0, left)
    }
}
