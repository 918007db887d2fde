//! A ready form with additive errors: size = a · depth^b · tan(angle)^c + e, with the platform depth in
//! millimetres above 0 and the exterior platform angle in degrees between 0 and 90; the unit of a is that of
//! the size. Its starting values come from least squares on logarithms, ln size on ln depth and ln tan angle,
//! which is the same form with multiplicative errors. What is not covered: angles of 90 degrees and more,
//! where the tangent says nothing.

use super::{NonlinearForm, NonlinearProblem};
use crate::error::{Bounds, Error, Place, Result};
use nalgebra::{DMatrix, DVector};

const DEPTH: Bounds = Bounds::above("platform_depth_mm", 0.0, 1000.0, "mm");
const ANGLE: Bounds = Bounds::open("exterior_platform_angle_deg", 0.0, 90.0, "degrees");
/// Unit columns with a diagonal of their QR below this are dependent. Common practice, no source.
const RANK: f64 = 1e-10;

/// size = a · depth^b · tan(angle)^c, the settings being \[platform depth in mm, exterior platform angle in
/// degrees\].
///
/// ```
/// use conchoid::fit::nonlinear::DepthAngle;
/// // Invented: a field school on chalk downland, antler on local flint; depth in mm, angle in degrees, mass in g.
/// let depths = [4.0, 5.5, 6.0, 7.0, 8.5, 10.0, 11.0, 12.5];
/// let angles = [62.0, 71.0, 58.0, 75.0, 66.0, 70.0, 79.0, 64.0];
/// let masses = [5.2, 14.1, 10.3, 26.9, 24.0, 38.5, 72.3, 44.8];
/// let problem = DepthAngle::problem(&depths, &angles, &masses)?;
/// let fit = problem.fit(&DepthAngle::starting_values(&problem)?)?;
/// let one = fit.one_new(&problem, &[9.0, 68.0], 0.95)?;
/// assert!(one.low() < 29.0 && 29.0 < one.high());
/// // The tangent has no use for a right angle.
/// assert!(fit.one_new(&problem, &[9.0, 90.0], 0.95).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct DepthAngle;

impl DepthAngle {
    /// The problem for flakes with these platform depths (mm), exterior platform angles (degrees) and sizes.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] with the row for a depth or angle outside the form's domain, and as
    /// [`NonlinearProblem::new`].
    pub fn problem(
        depths_mm: &[f64],
        angles_deg: &[f64],
        sizes: &[f64],
    ) -> Result<NonlinearProblem<DepthAngle>> {
        if depths_mm.len() != angles_deg.len() {
            return Err(Error::Shape {
                what: "exterior platform angles".into(),
                found: angles_deg.len(),
                expected: depths_mm.len(),
            });
        }
        let rows: Vec<[f64; 2]> = depths_mm.iter().zip(angles_deg).map(|(d, a)| [*d, *a]).collect();
        NonlinearProblem::new(["a", "b", "c"].map(String::from).to_vec(), DepthAngle, &rows, sizes)
    }

    /// Starting values \[a, b, c\] by least squares on logarithms.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] with the row for a size that has no logarithm, [`Error::RankDeficient`] when
    /// depth or angle does not vary on its own.
    pub fn starting_values(problem: &NonlinearProblem<DepthAngle>) -> Result<Vec<f64>> {
        let n = problem.rows();
        if let Some(i) = problem.observed().iter().position(|y| *y <= 0.0) {
            return Err(Error::OutOfRange {
                at: Place::cell(i as u64 + 1, "size"),
                value: problem.observed()[i],
                accepted: "above 0, for starting values from logarithms".into(),
            });
        }
        let mut design = DMatrix::from_fn(n, 3, |i, j| match (j, problem.row(i)) {
            (1, [depth, ..]) => depth.ln(),
            (2, [_, angle, ..]) => angle.to_radians().tan().ln(),
            _ => 1.0,
        });
        let mut lengths = [1.0; 3];
        for (j, mut column) in design.column_iter_mut().enumerate() {
            let length = column.norm();
            if length > 0.0 {
                column /= length;
                lengths[j] = length;
            }
        }
        let qr = design.qr();
        let mut logs = DVector::from_fn(n, |i, _| problem.observed()[i].ln());
        qr.q_tr_mul(&mut logs);
        let r = qr.unpack_r();
        if let Some(j) = (0..3).find(|j| r[(*j, *j)].abs() < RANK) {
            let term = ["a", "ln(platform_depth_mm)", "ln(tan(exterior_platform_angle_deg))"][j];
            return Err(Error::RankDeficient { term: term.into() });
        }
        let solved = r.solve_upper_triangular(&logs.rows(0, 3).into_owned());
        let solved = solved.ok_or_else(|| Error::RankDeficient { term: "a".into() })?;
        Ok(vec![(solved[0] / lengths[0]).exp(), solved[1] / lengths[1], solved[2] / lengths[2]])
    }
}

impl NonlinearForm for DepthAngle {
    fn value(&self, settings: &[f64], coefficients: &[f64]) -> f64 {
        match (settings, coefficients) {
            ([depth, angle, ..], [a, b, c, ..]) => a * depth.powf(*b) * angle.to_radians().tan().powf(*c),
            _ => f64::NAN,
        }
    }

    fn gradient(&self, settings: &[f64], coefficients: &[f64], gradient: &mut [f64]) {
        match (settings, coefficients, gradient) {
            ([depth, angle, ..], [a, b, c, ..], [by_a, by_b, by_c, ..]) => {
                let tangent = angle.to_radians().tan();
                *by_a = depth.powf(*b) * tangent.powf(*c);
                *by_b = a * *by_a * depth.ln();
                *by_c = a * *by_a * tangent.ln();
            }
            (_, _, other) => other.fill(f64::NAN),
        }
    }

    fn check(&self, settings: &[f64]) -> Result<()> {
        let [depth, angle] = settings else {
            return Err(Error::Shape { what: "settings".into(), found: settings.len(), expected: 2 });
        };
        DEPTH.check(*depth)?;
        ANGLE.check(*angle)?;
        Ok(())
    }
}
