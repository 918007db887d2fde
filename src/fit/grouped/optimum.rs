//! The search for the variance ratios, and the judgement, apart from it, of what it found.
//!
//! A coarse scan (of both ratios at once, where there are two) guards against a second optimum; argmin's Brent root of the derivative in ln γ (its Brent
//! minimum where the derivative does not change sign) finds the neighbourhood of the optimum, and Newton
//! steps with the exact Hessian, never across zero and never uphill, bring the gradient down to rounding.
//! Whether the point is an optimum is then read from gradient, curvature and boundary alone.

use super::criterion::{Problem, Slopes, Value};
use super::{Convergence, Level};
use crate::error::{Error, Result};
use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::{BrentOpt, BrentRoot};

/// The largest ratio of variances that is looked at: a standard deviation between groups 10,000 times that
/// within them. Beyond it the flakes of a group are equal for all purposes. Common practice, no source.
const LARGEST_RATIO: f64 = 1e8;
/// An optimum counts as reached when a Newton step would lower the criterion by less than this.
/// Common practice, no source.
const GAIN: f64 = 1e-10;

/// The optimum with all that was evaluated there.
pub(super) struct Optimum {
    pub(super) ratios: [f64; 2],
    pub(super) value: Value,
    pub(super) slopes: Slopes,
    pub(super) convergence: Convergence,
}

/// One ratio on a logarithmic scale, the other held.
struct Along<'a> {
    problem: &'a Problem,
    ratios: [f64; 2],
    which: usize,
}

impl Along<'_> {
    fn at(&self, log_ratio: f64) -> [f64; 2] {
        let mut ratios = self.ratios;
        ratios[self.which] = log_ratio.exp();
        ratios
    }

    fn slope(&self, log_ratio: f64) -> f64 {
        let at = self.at(log_ratio);
        let value = self.problem.value(at);
        self.problem.slopes(at, &value).gradient[self.which] * at[self.which]
    }
}

struct Slope<'a>(Along<'a>);
struct Height<'a>(Along<'a>);

impl CostFunction for Slope<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, t: &f64) -> std::result::Result<f64, argmin::core::Error> {
        Ok(self.0.slope(*t))
    }
}

impl CostFunction for Height<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, t: &f64) -> std::result::Result<f64, argmin::core::Error> {
        Ok(self.0.problem.value(self.0.at(*t)).criterion)
    }
}

/// The best ratio `which` with the other held: zero, or the bottom of the lowest valley of a scan.
fn along(problem: &Problem, ratios: [f64; 2], which: usize, smallest: f64) -> f64 {
    let line = |problem| Along { problem, ratios, which };
    let path = line(problem);
    let (low, step) = (smallest.ln(), 0.5 * 10f64.ln());
    let count = ((LARGEST_RATIO.ln() - low) / step).ceil().clamp(2.0, 200.0) as usize;
    let mut zero = ratios;
    zero[which] = 0.0;
    let mut best = (problem.value(zero).criterion, None);
    for k in 0..=count {
        let height = problem.value(path.at(low + step * k as f64)).criterion;
        if height < best.0 {
            best = (height, Some(k));
        }
    }
    let Some(k) = best.1 else {
        // Nothing on the scan beats zero; Newton leaves zero again where the slope there is downhill.
        return 0.0;
    };
    let middle = low + step * k as f64;
    let (mut left, mut right) = (middle - step, middle + step);
    if path.slope(middle) > 0.0 {
        right = middle
    } else {
        left = middle
    }
    let (at_left, at_right) = (path.slope(left), path.slope(right));
    let found = if at_left <= 0.0 && at_right >= 0.0 {
        Executor::new(Slope(line(problem)), BrentRoot::new(left, right, 1e-7))
            .configure(|s| s.max_iters(60))
            .run()
            .ok()
            .and_then(|r| r.state().get_best_param().copied())
    } else {
        Executor::new(Height(line(problem)), BrentOpt::new(middle - step, middle + step))
            .configure(|s| s.max_iters(60))
            .run()
            .ok()
            .and_then(|r| r.state().get_best_param().copied())
    };
    found.filter(|t| t.is_finite()).unwrap_or(middle).exp()
}

/// Minimises the criterion over the ratios.
///
/// # Errors
/// [`Error::NotConverged`] with the reason.
pub(super) fn minimise(problem: &Problem, largest_group: f64) -> Result<Optimum> {
    let smallest = 1e-3 / largest_group.max(1.0);
    let mut ratios = [0.0; 2];
    let mut last = None;
    if problem.levels() == 2 {
        // A grid over both ratios is scan enough; line searches are for where Newton fails from there.
        let found = judge(problem, newton(problem, coarse(problem, smallest)));
        if found.convergence.reached() && found.ratios.iter().all(|r| *r < LARGEST_RATIO) {
            return Ok(found);
        }
        ratios = found.ratios;
    }
    for _ in 0..8 {
        for which in (0..problem.levels()).rev() {
            ratios[which] = along(problem, ratios, which, smallest);
        }
        let found = judge(problem, newton(problem, ratios));
        ratios = found.ratios;
        let done = found.convergence.reached();
        last = Some(found);
        if done || problem.levels() == 1 {
            break;
        }
    }
    let not =
        |reason: &str| Err(Error::NotConverged { what: "the grouped fit".into(), reason: reason.into() });
    match last {
        Some(found) if found.ratios.iter().any(|r| *r >= LARGEST_RATIO) => {
            not("the flakes of one group hardly differ beside the differences between groups; \
                 check that the response is not a property of the group")
        }
        Some(found) if found.convergence.reached() => Ok(found),
        Some(found) => not(&format!(
            "the search stopped with slope {:.3e} and curvature {:.3e} in the logarithm of the variance \
             ratio; the groups may be too few, or too small, to separate the variances",
            found.convergence.gradient, found.convergence.curvature
        )),
        None => not("no step was taken"),
    }
}

/// The best of a coarse grid over both ratios.
fn coarse(problem: &Problem, smallest: f64) -> [f64; 2] {
    let grid = [0.0, smallest, 1e-2, 0.1, 0.5, 2.0, 10.0, 1e3];
    let mut best = (f64::INFINITY, [0.0; 2]);
    for a in grid {
        for b in grid {
            let height = problem.value([a, b]).criterion;
            if height < best.0 {
                best = (height, [a, b]);
            }
        }
    }
    best.1
}

/// Solves the Newton system of the free ratios; `None` where the matrix is not positive definite.
fn newton_step(matrix: [[f64; 2]; 2], gradient: [f64; 2], free: [bool; 2]) -> Option<[f64; 2]> {
    let [[a, b], [_, c]] = matrix;
    match free {
        [true, true] => {
            let det = a * c - b * b;
            (a > 0.0 && det > 0.0).then(|| {
                [(b * gradient[1] - c * gradient[0]) / det, (b * gradient[0] - a * gradient[1]) / det]
            })
        }
        [true, false] => (a > 0.0).then(|| [-gradient[0] / a, 0.0]),
        [false, true] => (c > 0.0).then(|| [0.0, -gradient[1] / c]),
        [false, false] => Some([0.0; 2]),
    }
}

fn free(problem: &Problem, ratios: [f64; 2], gradient: [f64; 2]) -> [bool; 2] {
    [0, 1].map(|i| i < problem.levels() && (ratios[i] > 0.0 || gradient[i] < 0.0))
}

/// Projected Newton steps from `ratios` for as long as they help.
fn newton(problem: &Problem, mut ratios: [f64; 2]) -> ([f64; 2], Value, Slopes) {
    let mut value = problem.value(ratios);
    let mut slopes = problem.slopes(ratios, &value);
    // The slope that a step has to reduce where the criterion no longer tells two points apart.
    let slope_size = |r: [f64; 2], s: &Slopes| -> f64 {
        let open = free(problem, r, s.gradient);
        (0..2).filter(|i| open[*i]).map(|i| (s.gradient[i] * r[i]).abs()).fold(0.0, f64::max)
    };
    for _ in 0..50 {
        let open = free(problem, ratios, slopes.gradient);
        let step = newton_step(slopes.hessian, slopes.gradient, open)
            .or_else(|| newton_step(slopes.information, slopes.gradient, open));
        let Some(step) = step else { break };
        if step == [0.0; 2] {
            break;
        }
        let mut length = 1.0;
        let mut moved = false;
        for _ in 0..30 {
            let to = [0, 1].map(|i| (ratios[i] + length * step[i]).clamp(0.0, LARGEST_RATIO));
            let there = problem.value(to);
            let noise = 1e-13 * (1.0 + value.criterion.abs());
            if there.criterion <= value.criterion + noise {
                let slopes_there = problem.slopes(to, &there);
                let lower = there.criterion < value.criterion - noise;
                if lower || slope_size(to, &slopes_there) < slope_size(ratios, &slopes) {
                    (ratios, value, slopes) = (to, there, slopes_there);
                    moved = true;
                }
                break;
            }
            length *= 0.5;
        }
        if !moved {
            break;
        }
    }
    (ratios, value, slopes)
}

/// Reads gradient, curvature and boundary at a point, whatever search led there.
fn judge(problem: &Problem, at: ([f64; 2], Value, Slopes)) -> Optimum {
    let (ratios, value, slopes) = at;
    let open = free(problem, ratios, slopes.gradient);
    let gain = newton_step(slopes.hessian, slopes.gradient, open)
        .map_or(f64::MAX, |step| -0.5 * (step[0] * slopes.gradient[0] + step[1] * slopes.gradient[1]));
    // In the logarithms of the ratios, so that the numbers do not depend on any unit.
    let log = |i: usize, j: usize| {
        let own = if i == j { slopes.gradient[i] * ratios[i] } else { 0.0 };
        slopes.hessian[i][j] * ratios[i] * ratios[j] + own
    };
    let curvature = match open {
        [true, true] => {
            let (a, b, c) = (log(0, 0), log(0, 1), log(1, 1));
            0.5 * (a + c - ((a - c).powi(2) + 4.0 * b * b).sqrt())
        }
        [true, false] => log(0, 0),
        [false, true] => log(1, 1),
        [false, false] => 0.0,
    };
    let at_zero = [Level::Group, Level::Outer]
        .into_iter()
        .enumerate()
        .filter(|(i, _)| *i < problem.levels() && ratios[*i] == 0.0)
        .map(|(_, level)| level)
        .collect();
    let gradient = (0..2).filter(|i| open[*i]).map(|i| (slopes.gradient[i] * ratios[i]).abs());
    let convergence = Convergence { gradient: gradient.fold(0.0, f64::max), curvature, gain, at_zero };
    Optimum { ratios, value, slopes, convergence }
}

impl Convergence {
    /// Whether the point is an optimum: no step would gain anything, the criterion curves upward in every
    /// variance that is not zero, and it rises from those that are.
    pub fn reached(&self) -> bool {
        self.gain.abs() <= GAIN && self.curvature >= 0.0 && self.gradient.is_finite()
    }
}
