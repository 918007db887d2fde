//! To be written.
use serde::{Deserialize, Serialize};
/// x
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MultinomialFit {
    classes: Vec<String>,
}
impl MultinomialFit {
    /// x
    pub fn columns(&self) -> usize {
        0
    }
    /// x
    pub fn classes(&self) -> &[String] {
        &self.classes
    }
    /// x
    pub fn probabilities(&self, _row: &[f64]) -> Vec<f64> {
        vec![]
    }
}
