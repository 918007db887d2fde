//! The curves of a plan: width of the intervals and chance to see a difference, by number of flakes.

use crate::failure::Outcome;
use crate::plot::{self, Axis, Layer, Panel, marked};
use conchoid::plan::{Outlook, Plan};

/// What stands at the axes.
pub struct Words {
    pub title: String,
    pub width: String,
    pub power: String,
    /// The number of flakes planned, marked in both panels.
    pub planned: f64,
}

/// One number of flakes: widths of the interval of a new flake and of the mean, and the chance to see a difference.
struct Point {
    flakes: f64,
    new_flake: f64,
    mean: f64,
    power: Option<f64>,
}

/// A curve's name, its points, and the colour of its series.
type Curve<'a> = (&'a str, Vec<(f64, f64)>, usize);

/// The page, as SVG text.
pub fn page(plan: &Plan, words: &Words) -> Outcome<String> {
    let point = |c: &Outlook| {
        let (new_flake, mean) = (plan.readable(c.width_new_flake?), plan.readable(c.width_mean?));
        let point = Point { flakes: c.flakes as f64, new_flake, mean, power: c.power };
        (new_flake.is_finite() && mean.is_finite()).then_some(point)
    };
    let points: Vec<Point> = plan.curve.iter().filter_map(point).collect();
    // widths from hardly more flakes than terms would flatten all others
    let least = points.iter().map(|p| p.new_flake).fold(f64::INFINITY, f64::min);
    let points: Vec<&Point> = points.iter().filter(|p| p.new_flake <= 6.0 * least).collect();
    let powers: Vec<(f64, f64)> = points.iter().filter_map(|p| Some((p.flakes, p.power?))).collect();
    let curve = |of: fn(&Point) -> f64| points.iter().map(|p| (p.flakes, of(p))).collect::<Vec<_>>();
    let end = points.iter().map(|p| p.flakes).fold(1.0, f64::max) * 1.04;
    let panel = |label: &str, highest: f64, curves: Vec<Curve>| {
        let mut layers = vec![Layer::Guide(vec![(words.planned, 0.0), (words.planned, highest)])];
        let mut legend = Vec::new();
        for (name, points, series) in curves {
            layers.extend(marked(points, series));
            legend.push((name.to_string(), series));
        }
        let (x, y) = (Axis::fixed("flakes struck", 0.0, end), Axis::fixed(label, 0.0, 1.25 * highest));
        // room above for the legend
        Panel { title: String::new(), x, y, layers, legend }
    };
    let highest = points.iter().map(|p| p.new_flake).fold(0.0, f64::max);
    let both =
        vec![("one new flake", curve(|p| p.new_flake), 2), ("the mean of such flakes", curve(|p| p.mean), 1)];
    let mut panels = vec![panel(&words.width, highest, both)];
    if !powers.is_empty() {
        panels.push(panel(&words.power, 1.0, vec![("chance to see it", powers, 2)]));
    }
    plot::page(&words.title, &panels, panels.len())
}
