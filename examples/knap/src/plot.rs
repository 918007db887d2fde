//! Drawing: panels with axes, points, lines, bands and bars on one SVG page.
//!
//! Colours are those of Okabe & Ito 2008 (Color Universal Design), told apart by colour-blind readers; every
//! series also has a marker of its own, so that a black and white print says the same.

use crate::failure::{Failure, Outcome};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Black, vermilion, blue, green, orange, sky blue, purple (Okabe & Ito 2008).
const COLOURS: [RGBColor; 7] = [
    RGBColor(0, 0, 0),
    RGBColor(213, 94, 0),
    RGBColor(0, 114, 178),
    RGBColor(0, 158, 115),
    RGBColor(230, 159, 0),
    RGBColor(86, 180, 233),
    RGBColor(204, 121, 167),
];

const GREY: RGBColor = RGBColor(110, 110, 110);
const PALE: RGBColor = RGBColor(175, 175, 175);
const BAND: RGBColor = RGBColor(228, 228, 228);
const FONT: &str = "sans-serif";
/// Marks on an axis at most.
const MARKS: usize = 12;

/// One axis: what it shows with its unit, and from where to where.
#[derive(Clone)]
pub struct Axis {
    pub label: String,
    pub low: f64,
    pub high: f64,
    pub log: bool,
    /// Words at places of the axis, instead of numbers.
    pub words: Vec<(f64, String)>,
}

impl Axis {
    /// An axis that holds these values with a little room; `log` for sizes.
    pub fn over(label: &str, values: impl IntoIterator<Item = f64>, log: bool) -> Axis {
        let mut low = f64::INFINITY;
        let mut high = f64::NEG_INFINITY;
        for v in values.into_iter().filter(|v| v.is_finite() && (!log || *v > 0.0)) {
            low = low.min(v);
            high = high.max(v);
        }
        if !(low <= high) {
            (low, high) = if log { (1.0, 10.0) } else { (0.0, 1.0) };
        }
        let mut axis = Axis { label: label.to_string(), low, high, log, words: Vec::new() };
        if log {
            let room = ((high / low).ln() * 0.04).max(0.05);
            (axis.low, axis.high) = (low * (-room).exp(), high * room.exp());
        } else {
            let room = if high > low { 0.05 * (high - low) } else { 0.5 };
            (axis.low, axis.high) = (low - room, high + room);
        }
        axis
    }

    /// An axis with given ends.
    pub fn fixed(label: &str, low: f64, high: f64) -> Axis {
        Axis { label: label.to_string(), low, high, log: false, words: Vec::new() }
    }

    /// The same axis with words at its places instead of numbers.
    pub fn with_words(mut self, words: impl IntoIterator<Item = (f64, String)>) -> Axis {
        self.words = words.into_iter().collect();
        self
    }

    /// Places and what stands there.
    fn marks(&self) -> Vec<(f64, String)> {
        if self.words.is_empty() {
            self.ticks().into_iter().map(|v| (v, tick(v))).collect()
        } else {
            self.words.clone()
        }
    }

    /// Where a value stands between the ends, from 0 to 1.
    fn share(&self, v: f64) -> f64 {
        let at = if self.log {
            (v.max(1e-300) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (v - self.low) / (self.high - self.low)
        };
        at.clamp(-0.5, 1.5)
    }

    /// Round values inside the ends.
    fn ticks(&self) -> Vec<f64> {
        let inside = |v: &f64| *v >= self.low * (1.0 - 1e-12) && *v <= self.high * (1.0 + 1e-12);
        let decades = (self.high / self.low).log10();
        // a short logarithmic axis holds too few powers: it is marked like a plain one
        if self.log && decades > 0.8 {
            let steps: &[f64] = if decades > 3.0 {
                &[1.0]
            } else if decades > 1.2 {
                &[1.0, 3.0]
            } else {
                &[1.0, 2.0, 5.0]
            };
            let (from, to) = (self.low.log10().floor() as i32, self.high.log10().ceil() as i32);
            // every so many decades, where there are more than can be read
            let every = (decades / MARKS as f64).ceil().max(1.0) as usize;
            return (from..=to)
                .step_by(every)
                .flat_map(|d| steps.iter().map(move |s| s * 10f64.powi(d)))
                .filter(inside)
                .collect();
        }
        let rough = (self.high - self.low) / 5.0;
        let power = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].iter().map(|s| s * power).find(|s| *s >= rough).unwrap_or(rough);
        if !(step > 0.0 && step.is_finite()) {
            return vec![self.low];
        }
        let first = (self.low / step).ceil() as i64;
        let last = (self.high / step).floor() as i64;
        (first..=last).take(MARKS).map(|i| i as f64 * step).collect()
    }
}

/// What is drawn in a panel, from back to front.
pub enum Layer {
    /// A grey area between two curves.
    Band(Vec<(f64, f64, f64)>),
    /// Vertical bars of this width from zero.
    Bars(Vec<(f64, f64)>, f64),
    /// Thin vertical lines: x, from, to.
    Whiskers(Vec<(f64, f64, f64)>, usize),
    /// Horizontal lines with closed ends: y, from, to.
    Spans(Vec<(f64, f64, f64)>, usize),
    /// A dashed grey line.
    Guide(Vec<(f64, f64)>),
    /// A dashed line in the colour of a series.
    Dashes(Vec<(f64, f64)>, usize),
    /// A line in the colour of a series.
    Line(Vec<(f64, f64)>, usize),
    /// Points in the colour and with the marker of a series.
    Points(Vec<(f64, f64)>, usize),
    /// Words beside a point.
    Label(f64, f64, String),
}

/// One panel.
pub struct Panel {
    pub title: String,
    pub x: Axis,
    pub y: Axis,
    pub layers: Vec<Layer>,
    /// Names of series, by their number.
    pub legend: Vec<(String, usize)>,
}

struct Frame<'a> {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    panel: &'a Panel,
}

impl Frame<'_> {
    fn at(&self, x: f64, y: f64) -> (i32, i32) {
        let h = self.left + self.width * self.panel.x.share(x);
        let v = self.top + self.height * (1.0 - self.panel.y.share(y));
        (h.round() as i32, v.round() as i32)
    }

    fn inside(&self, x: f64, y: f64) -> bool {
        let fine = |s: f64| (-1e-9..=1.0 + 1e-9).contains(&s);
        x.is_finite() && y.is_finite() && fine(self.panel.x.share(x)) && fine(self.panel.y.share(y))
    }
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

fn drawn<T, E: std::fmt::Display>(r: Result<T, E>) -> Outcome<T> {
    r.map_err(|e| Failure::other(format!("drawing: {e}")))
}

fn text(area: &Area, words: &str, at: (i32, i32), size: i32, pos: Pos) -> Outcome<()> {
    let style = TextStyle::from((FONT, size).into_font()).color(&BLACK).pos(pos);
    drawn(area.draw(&Text::new(crate::say::shown(words), at, style)))
}

fn line(area: &Area, points: Vec<(i32, i32)>, colour: RGBColor, width: u32) -> Outcome<()> {
    drawn(area.draw(&PathElement::new(points, colour.stroke_width(width))))
}

/// A line of dashes that run on over its corners.
fn dashed(area: &Area, points: &[(i32, i32)], colour: RGBColor, width: u32) -> Outcome<()> {
    const PERIOD: f64 = 10.0;
    let mut walked = 0.0;
    for pair in points.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let length = f64::from(b.0 - a.0).hypot(f64::from(b.1 - a.1));
        let on = |d: f64| {
            let at = |a: i32, b: i32| (f64::from(a) + f64::from(b - a) * d / length).round() as i32;
            (at(a.0, b.0), at(a.1, b.1))
        };
        let mut from = 0.0;
        while from < length {
            let phase = (walked + from) % PERIOD;
            let on_ink = phase < 0.6 * PERIOD;
            let to = (from + if on_ink { 0.6 * PERIOD - phase } else { PERIOD - phase }).min(length);
            if on_ink {
                line(area, vec![on(from), on(to)], colour, width)?;
            }
            from = to.max(from + 1e-6);
        }
        walked += length;
    }
    Ok(())
}

/// The marker of a series: disc, triangle, square, cross, ring, diamond, plus.
fn marker(area: &Area, (x, y): (i32, i32), series: usize) -> Outcome<()> {
    let colour = COLOURS[series % COLOURS.len()];
    let fill = colour.mix(0.75).filled();
    match series % 7 {
        0 => drawn(area.draw(&Circle::new((x, y), 3, fill))),
        1 => drawn(area.draw(&Polygon::new(vec![(x - 4, y + 3), (x + 4, y + 3), (x, y - 4)], fill))),
        2 => drawn(area.draw(&Rectangle::new([(x - 3, y - 3), (x + 3, y + 3)], fill))),
        3 => {
            line(area, vec![(x - 3, y - 3), (x + 3, y + 3)], colour, 2)?;
            line(area, vec![(x - 3, y + 3), (x + 3, y - 3)], colour, 2)
        }
        4 => drawn(area.draw(&Circle::new((x, y), 4, colour.stroke_width(2)))),
        5 => drawn(area.draw(&Polygon::new(vec![(x - 4, y), (x, y - 4), (x + 4, y), (x, y + 4)], fill))),
        _ => {
            line(area, vec![(x - 4, y), (x + 4, y)], colour, 2)?;
            line(area, vec![(x, y - 4), (x, y + 4)], colour, 2)
        }
    }
}

/// A number on an axis.
fn tick(v: f64) -> String {
    let v = if v.abs() < 1e-12 { 0.0 } else { v };
    if v.abs() >= 1e5 {
        return format!("{v:.0e}");
    }
    let text = format!("{v:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

fn draw(area: &Area, f: &Frame) -> Outcome<()> {
    let p = f.panel;
    let (left, right) = (f.left as i32, (f.left + f.width) as i32);
    let (top, bottom) = (f.top as i32, (f.top + f.height) as i32);
    for layer in &p.layers {
        layer_on(area, f, layer)?;
    }
    drawn(area.draw(&Rectangle::new([(left, top), (right, bottom)], BLACK.stroke_width(1))))?;
    for (v, words) in p.x.marks() {
        let (x, _) = f.at(v, p.y.low);
        line(area, vec![(x, bottom), (x, bottom + 5)], BLACK, 1)?;
        text(area, &words, (x, bottom + 8), 13, Pos::new(HPos::Center, VPos::Top))?;
    }
    // an axis without a label holds rows that are named inside the panel
    for (v, words) in if p.y.label.is_empty() { Vec::new() } else { p.y.marks() } {
        let (_, y) = f.at(p.x.low, v);
        line(area, vec![(left - 5, y), (left, y)], BLACK, 1)?;
        text(area, &words, (left - 8, y), 13, Pos::new(HPos::Right, VPos::Center))?;
    }
    text(area, &p.title, (left, top - 10), 16, Pos::new(HPos::Left, VPos::Bottom))?;
    let middle = (left + right) / 2;
    text(area, &p.x.label, (middle, bottom + 28), 14, Pos::new(HPos::Center, VPos::Top))?;
    let style = TextStyle::from((FONT, 14).into_font().transform(FontTransform::Rotate270))
        .color(&BLACK)
        .pos(Pos::new(HPos::Center, VPos::Bottom));
    drawn(area.draw(&Text::new(crate::say::shown(&p.y.label), (left - 44, (top + bottom) / 2), style)))?;
    for (i, (name, series)) in p.legend.iter().enumerate() {
        let y = top + 14 + 17 * i as i32;
        marker(area, (left + 14, y), *series)?;
        text(area, name, (left + 24, y), 13, Pos::new(HPos::Left, VPos::Center))?;
    }
    Ok(())
}

fn layer_on(area: &Area, f: &Frame, layer: &Layer) -> Outcome<()> {
    let p = f.panel;
    match layer {
        Layer::Band(points) => {
            let mut outline: Vec<(i32, i32)> =
                points.iter().map(|(x, _, u)| f.at(*x, u.min(p.y.high))).collect();
            outline.extend(points.iter().rev().map(|(x, l, _)| f.at(*x, l.max(p.y.low))));
            drawn(area.draw(&Polygon::new(outline, BAND.filled())))
        }
        Layer::Bars(bars, width) => bars.iter().try_for_each(|(x, y)| {
            let corners = [f.at(x - width / 2.0, y.min(p.y.high)), f.at(x + width / 2.0, p.y.low.max(0.0))];
            drawn(area.draw(&Rectangle::new(corners, COLOURS[5].mix(0.6).filled())))?;
            drawn(area.draw(&Rectangle::new(corners, BLACK.stroke_width(1))))
        }),
        Layer::Whiskers(list, series) => list.iter().filter(|w| w.0.is_finite()).try_for_each(|(x, l, u)| {
            let (l, u) = (l.max(p.y.low).min(p.y.high), u.min(p.y.high).max(p.y.low));
            let colour = if *series == usize::MAX { PALE } else { COLOURS[series % COLOURS.len()] };
            line(area, vec![f.at(*x, l), f.at(*x, u)], colour, 1)
        }),
        Layer::Spans(list, series) => list.iter().try_for_each(|(y, from, to)| {
            let colour = COLOURS[series % COLOURS.len()];
            let (a, b) = (f.at(from.max(p.x.low), *y), f.at(to.min(p.x.high), *y));
            line(area, vec![a, b], colour, 2)?;
            [a, b].into_iter().try_for_each(|e| line(area, vec![(e.0, e.1 - 4), (e.0, e.1 + 4)], colour, 2))
        }),
        Layer::Guide(points) => {
            let points: Vec<(i32, i32)> = points.iter().map(|(x, y)| f.at(*x, *y)).collect();
            dashed(area, &points, GREY, 1)
        }
        Layer::Dashes(points, series) => {
            let points: Vec<(i32, i32)> =
                points.iter().filter(|(x, y)| f.inside(*x, *y)).map(|(x, y)| f.at(*x, *y)).collect();
            dashed(area, &points, COLOURS[series % COLOURS.len()], 2)
        }
        Layer::Line(points, series) => {
            let points = points.iter().filter(|(x, y)| f.inside(*x, *y)).map(|(x, y)| f.at(*x, *y)).collect();
            line(area, points, COLOURS[series % COLOURS.len()], 2)
        }
        Layer::Points(points, series) => points
            .iter()
            .filter(|(x, y)| f.inside(*x, *y))
            .try_for_each(|(x, y)| marker(area, f.at(*x, *y), *series)),
        Layer::Label(x, y, words) => {
            let at = f.at(*x, *y);
            let right = p.x.share(*x) > 0.8;
            let (side, anchor) = if right { (-7, HPos::Right) } else { (7, HPos::Left) };
            text(area, words, (at.0 + side, at.1), 12, Pos::new(anchor, VPos::Center))
        }
    }
}

/// Height of a panel with its labels, in points.
const HEIGHT: usize = 410;
/// What of it is title and labels.
const MARGINS: usize = 96;

/// A page of panels in rows of `columns`, as SVG text.
pub fn page(title: &str, panels: &[Panel], columns: usize) -> Outcome<String> {
    page_of(title, panels, columns, HEIGHT)
}

/// The same with panels that hold so many named rows.
pub fn page_of_rows(title: &str, panels: &[Panel], columns: usize, rows: usize) -> Outcome<String> {
    page_of(title, panels, columns, height_of(rows))
}

fn height_of(rows: usize) -> usize {
    HEIGHT.max(130 + 44 * rows)
}

/// How far above its line the name of a row stands, in rows, where the panel of so many rows shows `0..top`.
pub fn above_row(rows: usize, top: f64) -> f64 {
    16.0 * top / (height_of(rows) - MARGINS) as f64
}

fn page_of(title: &str, panels: &[Panel], columns: usize, cell_height: usize) -> Outcome<String> {
    let (cell_width, head) = (480, 50);
    let rows = panels.len().div_ceil(columns);
    let size = ((cell_width * columns) as u32, (cell_height * rows + head) as u32);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        drawn(area.fill(&WHITE))?;
        text(&area, title, (20, 14), 20, Pos::new(HPos::Left, VPos::Top))?;
        for (i, panel) in panels.iter().enumerate() {
            let frame = Frame {
                left: (cell_width * (i % columns) + 72) as f64,
                top: (cell_height * (i / columns) + head + 34) as f64,
                width: (cell_width - 100) as f64,
                height: (cell_height - MARGINS) as f64,
                panel,
            };
            draw(&area, &frame)?;
        }
        drawn(area.present())?;
    }
    Ok(svg)
}
