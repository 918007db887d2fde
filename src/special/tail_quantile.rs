//! The upper quantile of Student's t at one tail probability, as a function of u = 1 / degrees of freedom: for rows
//! whose degrees of freedom all differ.
//!
//! A Chebyshev series of 16 terms on each of five pieces of u: for the tail of a 95 % interval a constant, for others
//! made when it is first needed, held against the exact quantile between the nodes and dropped where the two differ by
//! more than 2e-13 of the quantile. The exact quantile serves wherever there is no series. What comes out depends on
//! tail and degrees of freedom alone, never on what was asked before.

use super::series::Series;
use super::student::student_quantile_upper;
use std::sync::OnceLock;

/// Borders of the pieces. This crate's choice, no source: the check against the exact quantile guards it.
const BORDERS: [f64; 6] = [0.0, 0.01, 0.04, 0.1, 0.2, 0.35];

/// The tail of a 95 % interval.
const USUAL_TAIL: f64 = 0.5 * (1.0 - 0.95);

/// Its series (tests/reference/tail_quantile.py, mpmath 1.3.0).
#[rustfmt::skip]
const USUAL: [[f64; 16]; BORDERS.len() - 1] = [
    [
        1.9719319874572219, 0.012003686121331892, 3.5763948946631414e-05, 8.087027029615464e-08,
        1.2563405913386205e-10, 1.4683225475768687e-13, 3.0797404139826524e-16, 7.611933600883064e-20,
        -4.914671420996952e-21, 1.9869671152285184e-23, 2.3452272014378064e-25, -1.8242742946336313e-27,
        -1.3615183258308957e-29, 1.9283745731381886e-31, 9.6075393361347e-34, -2.5139846897893794e-35,
    ],
    [
        2.021415202295119, 0.03778122223310532, 0.00033982266585398717, 2.294842504305301e-06, 1.0677229885336745e-08,
        3.9263474382141175e-11, 2.2181080663823475e-13, -3.908387040990459e-16, -1.954042706356422e-17,
        6.118476632639468e-19, 2.7641948453716118e-21, -3.742925365969652e-22, 3.322495851400987e-24,
        2.320361778554319e-25, -6.618511376337071e-27, -1.1330492109514832e-28,
    ],
    [
        2.1423038300057295, 0.08427961312210798, 0.0015346807627929706, 2.0534996754987352e-05,
        1.9158867620658202e-07, 1.4977000985055309e-09, 1.2584866148201105e-11, -7.476466448148578e-14,
        2.019447985995963e-15, 1.5662907374760804e-16, -8.267384648405467e-18, 5.450840694007988e-20,
        1.416419485831501e-20, -8.079821229405573e-22, 6.648202032153072e-24, 1.887704398550883e-24,
    ],
    [
        2.394080488348625, 0.17110525421604217, 0.005278028060522883, 0.00011621340266953413, 1.8271383977882566e-06,
        2.4204237576959542e-08, 2.635928188903292e-10, 2.0760679298118046e-12, 1.5600547168680858e-13,
        -5.0614203303186336e-15, -3.742868010371581e-17, 1.8215526703760892e-17, -1.3021795822686626e-18,
        4.543020582027954e-20, 9.988580512134536e-22, -2.8739958975987233e-22,
    ],
    [
        2.9059524042835014, 0.3513629739457383, 0.016518935090722844, 0.0005391771615273158, 1.2900939702860734e-05,
        2.580535997361868e-07, 4.565546194537719e-09, 8.288035934326767e-11, 5.570997670377787e-13,
        -2.6091701886356154e-14, 3.683767500742931e-15, -1.7204624300887626e-16, 4.255954787468282e-18,
        2.0771120119282983e-19, -4.214757776124212e-20, 4.011942613886259e-21,
    ],
];

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
            let (low, high) = (BORDERS[k], BORDERS[k + 1]);
            let piece = || match self.tail == USUAL_TAIL {
                true => Some(Series::of(low, high, USUAL[k])),
                false => Series::new(low, high, exact, |t| 2e-13 * t),
            };
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
        for tail in [0.4, 0.25, 0.1, 0.05, 0.025, USUAL_TAIL, 0.005, 0.0005] {
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
