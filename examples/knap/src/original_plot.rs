//! The pictures of `knap original`: one piece, what it weighed and what is lost of it, or all pieces of a table.

use crate::failure::Outcome;
use crate::plot::{Axis, Layer, Panel, Thinned, diagonal, page, pale};
use crate::report::{Ends, count, percent, short};
use crate::tables::save;
use conchoid::infer::{OriginalEstimate, Remains};
use conchoid::predict::{Caution, Interval};

/// Bars of a distribution.
const BARS: usize = 30;

/// A row of one interval under the bars: its height, the interval, and what it says.
fn marked(at: f64, i: &Interval, scale: f64, unit: &str) -> ([Layer; 2], String) {
    let [low, median, high] = i.times(scale);
    let layers = [Layer::Spans(vec![(at, low, high)], 1), Layer::Points(vec![(median, at)], 1)];
    let [low, median, high] = [low, median, high].map(short);
    (layers, format!("{median} {unit} ({low} to {high})"))
}

/// Bars over `low..high` from a distribution function, as percent of the whole.
fn bars(low: f64, high: f64, cdf: impl Fn(f64) -> f64) -> (Vec<(f64, f64)>, f64) {
    let width = (high - low) / BARS as f64;
    let edge = |i: usize| low + width * i as f64;
    let bar = |i: usize| (edge(i) + 0.5 * width, 100.0 * (cdf(edge(i + 1)) - cdf(edge(i))).max(0.0));
    ((0..BARS).map(bar).collect(), width)
}

/// One piece.
pub fn single(path: &str, found: &OriginalEstimate, remains: &Remains, level: f64) -> Outcome<()> {
    let (now, certain) = (remains.mass_now_g(), remains.certain_g());
    let (mass, lost) = (found.mass.interval(level)?, found.mass.share_lost(level)?);
    // where nothing is lost there is one mass; the axis still needs a length
    let far = found.mass.quantile(0.99)?.max(mass.high).max(1.05 * certain);
    let (list, width) = bars(certain, far, |v| found.mass.cdf(v));
    let highest = list.iter().map(|b| b.1).fold(0.0, f64::max);
    let (top, room) = (1.12 * highest, 1.45 * highest);
    let mut x = Axis::over("original mass, g", [0.95 * now, far], false);
    x.low = x.low.max(0.0);
    let (span, words) = marked(top, &mass, 1.0, "g");
    let mut layers = vec![Layer::Bars(list, width), Layer::Guide(vec![(now, 0.0), (now, 1.25 * highest)])];
    layers.extend(span);
    let mut panels = vec![Panel {
        title: format!("remains now (dashed): {} g", short(now)),
        x,
        y: Axis::fixed("probability, %", 0.0, room),
        layers,
        legend: vec![(words, 1)],
    }];
    let never = (1.0 - now / certain).max(0.0);
    // a share lost of at least s is an original of at least now / (1 - s)
    let (list, width) =
        bars(
            100.0 * never,
            100.0,
            |v| if v >= 100.0 { 1.0 } else { found.mass.cdf(now / (1.0 - v / 100.0)) },
        );
    let highest = list.iter().map(|b| b.1).fold(0.0, f64::max);
    let (span, words) = marked(1.12 * highest, &lost, 100.0, "%");
    let mut layers = vec![Layer::Bars(list, width)];
    layers.extend(span);
    panels.push(Panel {
        title: "how much of it is gone".into(),
        x: Axis::fixed("share of the mass lost, %", 0.0, 100.0),
        y: Axis::fixed("probability, %", 0.0, 1.45 * highest),
        layers,
        legend: vec![(words, 1)],
    });
    let title = format!(
        "What the piece was when it came off ({}; lines hold {} %)",
        found.estimate.calibration,
        percent(level)
    );
    save(path, &page(&title, &panels, 2)?)
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
        let improbable = found.cautions.iter().any(|c| matches!(c, Caution::RemainsImprobable { .. }));
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
        let of = |improbable: bool, at: fn(&Piece) -> f64| -> Vec<(f64, f64)> {
            all().filter(|p| p.improbable == improbable).map(|p| (p.now, at(p))).collect()
        };
        let strange = all().any(|p| p.improbable);
        let mut legend = vec![("median of what it was".to_string(), 0)];
        if strange {
            legend.push(("more remains than expected: check".to_string(), 1));
        }
        let first = Panel {
            title: "original mass (dashed: nothing lost)".into(),
            layers: vec![
                pale(all().map(|p| (p.now, p.mass.low, p.mass.high))),
                diagonal(&x, &mass),
                Layer::Points(of(false, |p| p.mass.median), 0),
                Layer::Points(of(true, |p| p.mass.median), 1),
            ],
            x: x.clone(),
            y: mass,
            legend: legend.clone(),
        };
        let second = Panel {
            title: "share lost".into(),
            x,
            y: Axis::fixed("share of the mass lost, %", 0.0, 100.0),
            layers: vec![
                pale(all().map(|p| (p.now, 100.0 * p.lost.low, 100.0 * p.lost.high))),
                Layer::Points(of(false, |p| 100.0 * p.lost.median), 0),
                Layer::Points(of(true, |p| 100.0 * p.lost.median), 1),
            ],
            legend: Vec::new(),
        };
        let (pieces, every) = (count(self.0.seen, "piece", "pieces"), self.0.told(""));
        let title = format!("{pieces}; upright lines hold {} %{every}", percent(level));
        save(path, &page(&title, &[first, second], 2)?)
    }
}
