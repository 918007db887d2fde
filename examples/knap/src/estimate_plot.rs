//! The pictures of `knap estimate`: one strike among others of its kind, or the sizes of a table against what
//! was expected of them.

use crate::blow::Given;
use crate::failure::Outcome;
use crate::measured::By;
use crate::plot::{Axis, Layer, Panel, Thinned, diagonal, page, pale, points};
use crate::report::{count, percent, short, unit, with_unit};
use crate::tables::save;
use conchoid::calibration::SIZES;
use conchoid::predict::{Ask, Estimate, Interval, Predictor, in_words};
use conchoid::strike::Measured;
use conchoid::table::Completed;

/// Points of a curve.
const POINTS: usize = 61;
/// One strike: each size by platform depth (or what the calibration has for it), everything else as given.
pub fn single(
    path: &str,
    predictor: &Predictor,
    given: &Given,
    ask: &Ask,
    e: &Estimate,
    level: f64,
) -> Outcome<()> {
    let variants = predictor.calibration().variants();
    let variant = variants.iter().find(|v| v.name == e.variant);
    let ranges = variant.map_or(&[][..], |v| &v.ranges);
    let at = |name: &str| ranges.iter().find(|r| r.name == name && given.number(name).is_some());
    let moved = at("platform_depth_mm")
        .or_else(|| at("platform_area_mm2"))
        .or_else(|| ranges.iter().find_map(|r| at(&r.name)));
    let mut panels = Vec::new();
    for s in &e.sizes {
        let here = s.predictive.interval(level)?;
        let mut name = in_words(&s.column);
        let Some(range) = moved else { continue };
        let value = given.number(&range.name).unwrap_or(range.low);
        let (low, high) = (range.low.min(value), range.high.max(value));
        let x = Axis::over(&with_unit(&range.name), [low, high], false);
        let mut band = Vec::with_capacity(POINTS);
        let mut middle = Vec::with_capacity(POINTS);
        for i in 0..POINTS {
            // closer together where small platforms bend the curve
            let share = i as f64 / (POINTS - 1) as f64;
            let value = low + (high - low) * share * share;
            let number = |name: &str| if name == range.name { Some(value) } else { given.number(name) };
            let row = By { number: &number, class: &|name| given.class(name) };
            // where the form has no answer there is no curve
            let Ok(there) = predictor.estimate(&row, ask) else { continue };
            let Some(p) = there.size(&s.size) else { continue };
            let i = p.interval(level)?;
            band.push((value, i.low, i.high));
            middle.push((value, i.median));
        }
        let values = band.iter().flat_map(|b| [b.1, b.2]).chain([here.low, here.high]);
        let y = Axis::over(&with_unit(&s.size), values.filter(|v| *v > 1e-3), true);
        let band_top = y.high;
        let y = y.with_room();
        let mut layers = vec![
            Layer::Band(band.clone()),
            Layer::Dashes(band.iter().map(|b| (b.0, b.1)).collect(), 0),
            Layer::Dashes(band.iter().map(|b| (b.0, b.2)).collect(), 0),
            Layer::Line(middle, 0),
        ];
        // where the experiment ends, if the strike lies beyond
        let ends = [(range.low, value < range.low), (range.high, value > range.high)];
        for (end, _) in ends.into_iter().filter(|e| e.1) {
            layers.push(Layer::Guide(vec![(end, y.low), (end, band_top)]));
            layers.push(Layer::Label(end, y.along(0.035), "the experiment ends".into()));
        }
        let model = variant.and_then(|v| v.sizes.iter().find(|m| m.size == s.size));
        if let Some(most) = model.and_then(|m| m.recorded).map(|r| r.high).filter(|v| *v < band_top) {
            layers.push(Layer::Guide(vec![(x.low, most), (x.high, most)]));
            name.push_str(&format!(" (dashed across: largest recorded: {})", short(most)));
        }
        layers.push(Layer::Whiskers(vec![(value, here.low, here.high)], 1));
        layers.push(Layer::Points(vec![(value, here.low), (value, here.median), (value, here.high)], 1));
        let [low, median, high] = [here.low, here.median, here.high].map(short);
        let legend = vec![(format!("this blow: {median} ({low} to {high})"), 1)];
        panels.push(Panel { title: name, x, y, layers, legend });
    }
    let known = ranges.iter().filter(|r| moved.is_none_or(|m| m.name != r.name));
    let mut told: Vec<String> = known
        .filter_map(|r| Some(format!("{} {} {}", in_words(&r.name), given.number(&r.name)?, unit(&r.name))))
        .collect();
    told.extend(given.class("percussor").map(str::to_string));
    told.push(e.calibration.clone());
    let title = format!("{}: {} % of such flakes in the band", told.join(", "), percent(level));
    save(path, &page(&title, &panels, panels.len().clamp(1, 2))?)
}

/// One row of one size.
#[derive(Clone, Copy)]
struct Dot {
    at: f64,
    expected: Interval,
    observed: Option<f64>,
}

impl Dot {
    fn holds(&self, v: f64) -> bool {
        (self.expected.low..=self.expected.high).contains(&v)
    }
}

/// What one row shows: by what its platform stands, and each size with what the calibration means by it.
pub struct Seen(Option<&'static str>, [Option<(String, Dot)>; 4]);

impl Seen {
    /// Pieces that are not complete as struck do not show their size.
    pub fn of(both: &Completed<'_>, e: &Estimate, level: f64) -> conchoid::Result<Seen> {
        let row = both.row;
        let whole =
            row.class("portion").is_none_or(|p| p == "complete") && row.class("retouched") != Some("yes");
        let first = |name: &'static str| both.number(name).map(|v| (name, v));
        let Some((name, at)) = first("platform_depth_mm").or_else(|| first("platform_area_mm2")) else {
            return Ok(Seen(None, Default::default()));
        };
        let mut sizes: [Option<(String, Dot)>; 4] = Default::default();
        for (size, seen) in SIZES.iter().zip(&mut sizes) {
            let Some(s) = e.sizes.iter().find(|s| s.size == *size) else { continue };
            let observed = Measured::number(row, &s.column).filter(|v| whole && *v > 0.0);
            *seen = Some((s.column.clone(), Dot { at, expected: s.predictive.interval(level)?, observed }));
        }
        Ok(Seen(Some(name), sizes))
    }
}

/// What the rows of a table showed, in bounded memory.
#[derive(Default)]
pub struct Rows {
    seen: Thinned<[Option<Dot>; 4]>,
    sizes: [Size; 4],
    against: Option<&'static str>,
}

#[derive(Default)]
struct Size {
    /// What the calibration means by it (`mean_thickness_mm`).
    column: String,
    observed: u64,
    inside: u64,
}

impl Rows {
    /// Takes what one row shows.
    pub fn take(&mut self, Seen(by, seen): Seen) -> conchoid::Result<()> {
        self.against = self.against.or(by);
        let mut dots = [None; 4];
        for ((size, seen), dot) in self.sizes.iter_mut().zip(seen).zip(&mut dots) {
            let Some((column, own)) = seen else { continue };
            size.column = column;
            size.observed += u64::from(own.observed.is_some());
            size.inside += u64::from(own.observed.is_some_and(|v| own.holds(v)));
            *dot = Some(own);
        }
        self.seen.take(by.map(|_| dots));
        Ok(())
    }

    /// Draws them.
    pub fn draw(&self, path: &str, level: f64) -> Outcome<()> {
        let panels = self.sizes.iter().enumerate().filter_map(|(k, size)| {
            let dots: Vec<&Dot> = self.seen.rows().filter_map(|r| r[k].as_ref()).collect();
            match (dots.is_empty(), size.observed) {
                (true, _) => None,
                (false, 0) => Some(expected(size, &dots, self.against.unwrap_or("platform_depth_mm"))),
                (false, _) => Some(compared(size, &dots)),
            }
        });
        let panels: Vec<Panel> = panels.collect();
        let (rows, every) = (count(self.seen.seen, "row", "rows"), self.seen.told("row "));
        let title = format!("{rows}; upright lines hold {} % of such flakes{every}", percent(level));
        save(path, &page(&title, &panels, panels.len().clamp(1, 2))?)
    }
}

/// Observed against expected.
fn compared(s: &Size, dots: &[&Dot]) -> Panel {
    let name = with_unit(&s.column);
    let seen = || dots.iter().filter_map(|d| Some((*d, d.observed?)));
    let x = Axis::over(&format!("expected {name}"), seen().map(|(d, _)| d.expected.median), true);
    let values = seen().flat_map(|(d, o)| [d.expected.low, d.expected.high, o]).filter(|v| *v > 1e-3);
    let y = Axis::over(&format!("observed {name}"), values, true).with_room();
    let (name, share) = (in_words(&s.column), 100.0 * s.inside as f64 / s.observed as f64);
    let title = format!("{name}: {} of {} inside ({share:.0} %)", s.inside, s.observed);
    let held = pale(seen().map(|(d, _)| (d.expected.median, d.expected.low, d.expected.high)));
    let mut layers = vec![held, diagonal(&x, &y)];
    layers.extend(points(seen().map(|(d, o)| (d.expected.median, o, usize::from(!d.holds(o))))));
    let legend = vec![("inside what was expected".into(), 0), ("outside".into(), 1)];
    Panel { title, x, y, layers, legend }
}

/// What is expected, where nothing was observed.
fn expected(s: &Size, dots: &[&Dot], against: &str) -> Panel {
    let values = dots.iter().flat_map(|d| [d.expected.low, d.expected.high]).filter(|v| *v > 1e-3);
    let title = format!("{} expected (not in the table)", in_words(&s.column));
    let x = Axis::over(&with_unit(against), dots.iter().map(|d| d.at), false);
    let y = Axis::over(&format!("expected {}", with_unit(&s.column)), values, true);
    let layers = vec![
        pale(dots.iter().map(|d| (d.at, d.expected.low, d.expected.high))),
        Layer::Points(dots.iter().map(|d| (d.at, d.expected.median)).collect(), 4),
    ];
    Panel { title, x, y, layers, legend: Vec::new() }
}
