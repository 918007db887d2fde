//! The pictures of `knap original`: one piece, what it weighed and what is lost of it, or all pieces of a table.

use crate::failure::Outcome;
use crate::plot::{Axis, Layer, Panel, Thinned, diagonal, page, pale, points};
use crate::report::{count, percent, short};
use crate::tables::save;
use conchoid::infer::{OriginalEstimate, Remains};
use conchoid::predict::Interval;

/// Bars of a distribution.
const BARS: usize = 30;

/// A distribution as bars over `from..to`, in percent of the whole, with an interval in another unit above them; dashed
/// at `now`.
fn distribution(
    (title, x): (String, Axis),
    (from, to): (f64, f64),
    cdf: impl Fn(f64) -> f64,
    (interval, scale, unit): (&Interval, f64, &str),
    now: Option<f64>,
) -> Panel {
    let width = (to - from) / BARS as f64;
    let edge = |i: usize| from + width * i as f64;
    let bar = |i: usize| (edge(i) + 0.5 * width, 100.0 * (cdf(edge(i + 1)) - cdf(edge(i))).max(0.0));
    let list: Vec<(f64, f64)> = (0..BARS).map(bar).collect();
    let highest = list.iter().map(|b| b.1).fold(0.0, f64::max);
    let mut layers = vec![Layer::Bars(list, width)];
    layers.extend(now.map(|now| Layer::Guide(vec![(now, 0.0), (now, 1.25 * highest)])));
    let [low, median, high] = [interval.low, interval.median, interval.high].map(|v| scale * v);
    layers.push(Layer::Spans(vec![(1.12 * highest, low, high)], 1));
    layers.push(Layer::Points(vec![(median, 1.12 * highest)], 1));
    let [low, median, high] = [low, median, high].map(short);
    let legend = vec![(format!("{median} {unit} ({low} to {high})"), 1)];
    Panel { title, x, y: Axis::fixed("probability, %", 0.0, 1.45 * highest), layers, legend }
}

/// One piece.
pub fn single(path: &str, found: &OriginalEstimate, remains: &Remains, level: f64) -> Outcome<()> {
    let (now, certain) = (remains.mass_now_g(), remains.certain_g());
    let (mass, lost) = (found.mass.interval(level)?, found.mass.share_lost(level)?);
    // where nothing is lost there is one mass; the axis still needs a length
    let far = found.mass.quantile(0.99)?.max(mass.high).max(1.05 * certain);
    let mut x = Axis::over("original mass, g", [0.95 * now, far], false);
    x.low = x.low.max(0.0);
    let title = format!("remains now (dashed): {} g", short(now));
    let cdf = |v| found.mass.cdf(v);
    let first = distribution((title, x), (certain, far), cdf, (&mass, 1.0, "g"), Some(now));
    let never = (1.0 - now / certain).max(0.0);
    // a share lost of at least s is an original of at least now / (1 - s)
    let cdf = |v| if v >= 100.0 { 1.0 } else { found.mass.cdf(now / (1.0 - v / 100.0)) };
    let x = Axis::fixed("share of the mass lost, %", 0.0, 100.0);
    let title = "how much of it is gone".to_string();
    let second = distribution((title, x), (100.0 * never, 100.0), cdf, (&lost, 100.0, "%"), None);
    let (calibration, level) = (&found.estimate.calibration, percent(level));
    let title = format!("What the piece was when it came off ({calibration}; lines hold {level} %)");
    save(path, &page(&title, &[first, second], 2)?)
}

/// One piece of a table.
struct Piece {
    now: f64,
    mass: Interval,
    lost: Interval,
    improbable: bool,
}

/// The pieces of a table, as many as are drawn.
#[derive(Default)]
pub struct Pieces(Thinned<Piece>);

impl Pieces {
    pub fn take(&mut self, found: &OriginalEstimate, now: f64, level: f64) -> conchoid::Result<()> {
        let improbable = found.cautions.iter().any(|c| c.kind() == "remains-improbable");
        let (mass, lost) = (found.mass.interval(level)?, found.mass.share_lost(level)?);
        self.0.take(Some(Piece { now, mass, lost, improbable }));
        Ok(())
    }

    pub fn draw(&self, path: &str, level: f64) -> Outcome<()> {
        let all = || self.0.rows();
        let x = Axis::over("mass now, g", all().map(|p| p.now), true);
        let mut mass =
            Axis::over("original mass, g", all().flat_map(|p| [p.now, p.mass.low, p.mass.high]), true);
        mass.high *= (mass.high / mass.low).powf(0.2);
        let mut legend = vec![("median of what it was".to_string(), 0)];
        if all().any(|p| p.improbable) {
            legend.push(("more remains than expected: check".to_string(), 1));
        }
        let held = pale(all().map(|p| (p.now, p.mass.low, p.mass.high)));
        let mut layers = vec![held, diagonal(&x, &mass)];
        layers.extend(points(all().map(|p| (p.now, p.mass.median, usize::from(p.improbable)))));
        let title = "original mass (dashed: nothing lost)".into();
        let first = Panel { title, x: x.clone(), y: mass, layers, legend };
        let mut layers = vec![pale(all().map(|p| (p.now, 100.0 * p.lost.low, 100.0 * p.lost.high)))];
        layers.extend(points(all().map(|p| (p.now, 100.0 * p.lost.median, usize::from(p.improbable)))));
        let y = Axis::fixed("share of the mass lost, %", 0.0, 100.0);
        let second = Panel { title: "share lost".into(), x, y, layers, legend: Vec::new() };
        let (pieces, every) = (count(self.0.seen, "piece", "pieces"), self.0.told(""));
        let title = format!("{pieces}; upright lines hold {} %{every}", percent(level));
        save(path, &page(&title, &[first, second], 2)?)
    }
}
