//! The upper quantile of Student's t at one tail probability, as a function of u = 1 / degrees of freedom: for rows
//! whose degrees of freedom all differ.
//!
//! A Chebyshev series of 16 terms on each of five pieces of u, made when it is first needed; it is held against the
//! exact quantile between the nodes and dropped where the two differ by more than 2e-13 of the quantile. The exact
//! quantile serves wherever there is no series. What comes out depends on tail and degrees of freedom alone, never on
//! what was asked before.

use super::series::Series;
use super::student::student_quantile_upper;
use std::sync::OnceLock;

/// Borders of the pieces. Own choice: the check against the exact quantile guards it.
const BORDERS: [f64; 6] = [0.0, 0.01, 0.04, 0.1, 0.2, 0.35];

/// The upper quantile of Student's t at one tail probability.
#[derive(Debug, Clone)]
pub(crate) struct TailQuantile {
    tail: f64,
    pieces: [OnceLock<Option<Series<16>>>; BORDERS.len() - 1],
}

impl TailQuantile {
    /// For this probability above the quantile.
    pub(crate) fn new(tail: f64) -> TailQuantile {
        TailQuantile { tail, pieces: Default::default() }
    }

    /// The probability above.
    pub(crate) fn tail(&self) -> f64 {
        self.tail
    }

    /// The quantile.
    pub(crate) fn at(&self, degrees_of_freedom: f64) -> f64 {
        let u = 1.0 / degrees_of_freedom;
        if (BORDERS[0]..=BORDERS[BORDERS.len() - 1]).contains(&u) {
            let k = BORDERS[1..BORDERS.len() - 1].iter().filter(|b| u > **b).count();
            let exact = |u: f64| student_quantile_upper(self.tail, 1.0 / u);
            let piece = || Series::new(BORDERS[k], BORDERS[k + 1], exact, |t| 2e-13 * t);
            if let Some(series) = self.pieces[k].get_or_init(piece) {
                return series.at(u);
            }
        }
        student_quantile_upper(self.tail, degrees_of_freedom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_series_are_the_exact_quantile() {
        for tail in [0.4, 0.25, 0.1, 0.05, 0.025, 0.005, 0.0005] {
            let quantile = TailQuantile::new(tail);
            for i in 1..3000 {
                let df = 2.0 + 0.01 * f64::from(i) * f64::from(i) / 30.0;
                let exact = student_quantile_upper(tail, df);
                assert!((quantile.at(df) / exact - 1.0).abs() < 5e-13, "{tail} {df}");
            }
            assert!(
                (quantile.at(f64::INFINITY) / student_quantile_upper(tail, f64::INFINITY) - 1.0).abs()
                    < 5e-13
            );
        }
    }

    #[test]
    fn what_was_asked_before_changes_nothing() {
        let (first, second) = (TailQuantile::new(0.05), TailQuantile::new(0.05));
        for df in [3.0, 7.0, 12.0, 50.0, 1000.0] {
            first.at(df);
        }
        assert_eq!(first.at(33.0).to_bits(), second.at(33.0).to_bits());
    }
}
