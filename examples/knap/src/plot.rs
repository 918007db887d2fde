//! Drawing: panels with axes, points, lines, bands and bars on one SVG page.
//!
//! Colours are those of Okabe & Ito 2008 (Color Universal Design), told apart by colour-blind readers; every
//! series also has a marker of its own, so that a black and white print says the same.

use crate::failure::{Failure, Outcome};
use conchoid::predict::short;
use plotters::element::DashedPathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use std::collections::BTreeMap;

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

/// Places are whole numbers of hundredths of a point, so that a curve is not a stair.
const FINE: i32 = 100;

/// Rows beyond which points are drawn as a density and upright lines as their course. This crate's choice, no source.
const MANY: usize = 400;

/// A page has at most so many bytes, whatever the table. This crate's choice, no source.
const MOST_BYTES: usize = 300_000;

/// Sides of the squares of a density that are tried, in points, until a page is small enough.
const SQUARES: [i32; 4] = [6, 9, 14, 22];

/// Points to hundredths.
const fn fine(points: i32) -> i32 {
    points * FINE
}

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
        let shown = values.into_iter().filter(|v| v.is_finite() && (!log || *v > 0.0));
        let (mut low, mut high) =
            shown.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        if !(low <= high) {
            (low, high) = if log { (1.0, 10.0) } else { (0.0, 1.0) };
        }
        let (low, high) = if log {
            let room = ((high / low).ln() * 0.04).max(0.05);
            (low * (-room).exp(), high * room.exp())
        } else {
            let room = if high > low { 0.05 * (high - low) } else { 0.5 };
            (low - room, high + room)
        };
        Axis { log, ..Axis::fixed(label, low, high) }
    }

    /// An axis with given ends.
    pub fn fixed(label: &str, low: f64, high: f64) -> Axis {
        Axis { label: label.to_string(), low, high, log: false, words: Vec::new() }
    }

    /// The same axis with words at its places instead of numbers; for the programs among the examples.
    #[allow(dead_code)]
    pub fn with_words(mut self, words: impl IntoIterator<Item = (f64, String)>) -> Axis {
        self.words = words.into_iter().collect();
        self
    }

    /// An axis with room above for a legend.
    pub fn with_room(mut self) -> Axis {
        self.high *= (self.high / self.low).powf(0.16);
        self
    }

    /// So far along the axis, from 0 to 1.
    pub fn along(&self, share: f64) -> f64 {
        match self.log {
            true => self.low * (self.high / self.low).powf(share),
            false => self.low + share * (self.high - self.low),
        }
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
            let steps: &[f64] = match decades {
                d if d > 3.0 => &[1.0],
                d if d > 1.2 => &[1.0, 3.0],
                _ => &[1.0, 2.0, 5.0],
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

/// A row of a panel: its words, an interval with its middle in the colour of a series, and what is marked beside.
#[derive(Default)]
pub struct Row {
    pub words: String,
    pub ends: Option<[f64; 3]>,
    pub series: usize,
    pub also: Option<f64>,
}

impl Row {
    /// A row whose words tell its figure too.
    pub fn told(name: &str, ends: [f64; 3], series: usize) -> Row {
        let [low, middle, high] = ends.map(short);
        let words = format!("{name}: {middle} ({low} to {high})");
        Row { words, ends: Some(ends), series, also: None }
    }
}

/// A panel of named rows, the first on top; `log` where it is known, otherwise where the values are far apart. A dashed
/// line at `guide`; `also` says what is marked beside the intervals.
pub fn named_rows(
    title: String,
    label: &str,
    log: Option<bool>,
    list: &[Row],
    guide: Option<f64>,
    also: &str,
) -> Panel {
    let values = list.iter().flat_map(|r| r.ends.iter().flat_map(|e| [e[0], e[2]]).chain(r.also));
    let values: Vec<f64> = values.chain(guide).collect();
    let above_zero = values.iter().filter(|v| **v > 0.0);
    let (least, most) = above_zero.fold((f64::INFINITY, 0.0f64), |(a, b), v| (a.min(*v), b.max(*v)));
    let mut x = Axis::over(label, values, log.unwrap_or(least > 0.0 && most / least > 12.0));
    if log.is_none() {
        x.low = x.low.max(0.0);
    }
    let n = list.len() as f64;
    let marked = list.iter().any(|r| r.ends.is_some() && r.also.is_some());
    // a line of its own for the legend
    let top = if marked { n + 0.15 + 0.5 * (n / 7.0).max(1.0) } else { n + 0.15 };
    let above = above_row(list.len(), top);
    let mut layers = guide.map_or(Vec::new(), |at| guide_between_names(at, list.len(), top));
    let mut beside = Vec::new();
    for (k, row) in list.iter().enumerate() {
        let (Some([low, middle, high]), at) = (row.ends, n - k as f64 - 0.65) else { continue };
        layers.push(Layer::Label(x.along(0.005), at + above, row.words.clone()));
        layers.push(Layer::Spans(vec![(at, low, high)], row.series));
        layers.push(Layer::Points(vec![(middle, at)], row.series));
        beside.extend(row.also.map(|v| (v, at)));
    }
    layers.push(Layer::Points(beside, 3));
    let legend = if marked { vec![(also.to_string(), 3)] } else { Vec::new() };
    Panel { title, x, y: Axis::fixed("", 0.0, top), layers, legend }
}

/// A dashed line where one axis shows the same as the other.
pub fn diagonal(x: &Axis, y: &Axis) -> Layer {
    let (from, to) = (x.low.max(y.low), x.high.min(y.high));
    Layer::Guide(vec![(from, from), (to, to)])
}

/// Points, each in the colour and with the marker of its series; those of one series are a layer.
pub fn points(list: impl IntoIterator<Item = (f64, f64, usize)>) -> impl Iterator<Item = Layer> {
    let mut series: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
    list.into_iter().for_each(|(x, y, k)| series.entry(k).or_default().push((x, y)));
    series.into_iter().map(|(k, points)| Layer::Points(points, k))
}

/// A line of a series with its points marked.
pub fn marked(points: Vec<(f64, f64)>, series: usize) -> [Layer; 2] {
    [Layer::Line(points.clone(), series), Layer::Points(points, series)]
}

/// Upright lines in pale grey.
pub fn pale(list: impl IntoIterator<Item = (f64, f64, f64)>) -> Layer {
    Layer::Whiskers(list.into_iter().collect(), usize::MAX)
}

/// A name cut to a width.
pub fn cut(name: &str, width: usize, end: &str) -> String {
    if name.chars().count() <= width {
        return name.to_string();
    }
    name.chars().take(width - end.len()).chain(end.chars()).collect()
}

/// Rows of a table as they are drawn: all, or beyond so many every second, every fourth, ...
pub struct Thinned<T> {
    pub seen: u64,
    every: u64,
    kept: Vec<(u64, T)>,
}

impl<T> Default for Thinned<T> {
    fn default() -> Self {
        Thinned { seen: 0, every: 1, kept: Vec::new() }
    }
}

impl<T> Thinned<T> {
    /// Rows that are drawn at most.
    const MOST: usize = 2000;

    /// Takes one more row; one that shows nothing counts all the same.
    pub fn take(&mut self, row: Option<T>) {
        self.seen += 1;
        if self.seen.is_multiple_of(self.every) {
            self.kept.extend(row.map(|row| (self.seen, row)));
        }
        if self.kept.len() > Self::MOST {
            self.every *= 2;
            let every = self.every;
            self.kept.retain(|(at, _)| at.is_multiple_of(every));
        }
    }

    /// Those to be drawn.
    pub fn rows(&self) -> impl Iterator<Item = &T> {
        self.kept.iter().map(|(_, row)| row)
    }

    /// What to say of those left out, of rows called so.
    pub fn told(&self, called: &str) -> String {
        if self.every > 1 { format!("; every {}th {called}drawn", self.every) } else { String::new() }
    }
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
        let hundredths = |v: f64| (v * f64::from(FINE)).round() as i32;
        (hundredths(h), hundredths(v))
    }

    fn inside(&self, x: f64, y: f64) -> bool {
        let fine = |s: f64| (-1e-9..=1.0 + 1e-9).contains(&s);
        x.is_finite() && y.is_finite() && fine(self.panel.x.share(x)) && fine(self.panel.y.share(y))
    }

    /// Where those points are that lie inside.
    fn within(&self, points: &[(f64, f64)]) -> Vec<(i32, i32)> {
        points.iter().filter(|(x, y)| self.inside(*x, *y)).map(|(x, y)| self.at(*x, *y)).collect()
    }
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

fn drawn<T, E: std::fmt::Display>(r: Result<T, E>) -> Outcome<T> {
    r.map_err(|e| Failure::other(format!("drawing: {e}")))
}

/// The colour of a series.
fn colour(series: usize) -> RGBColor {
    COLOURS[series % COLOURS.len()]
}

fn text(area: &Area, words: &str, at: (i32, i32), size: i32, pos: Pos) -> Outcome<()> {
    written(area, words, at, (FONT, fine(size)).into_font(), pos)
}

fn written(area: &Area, words: &str, at: (i32, i32), font: FontDesc, pos: Pos) -> Outcome<()> {
    let style = TextStyle::from(font).color(&BLACK).pos(pos);
    drawn(area.draw(&Text::new(crate::say::shown(words), at, style)))
}

fn line(area: &Area, points: Vec<(i32, i32)>, colour: RGBColor, width: u32) -> Outcome<()> {
    drawn(area.draw(&PathElement::new(points, colour.stroke_width(width * FINE as u32))))
}

/// The outline of a rectangle, as a line: the backend gives rectangles none of a width.
fn outline(area: &Area, [a, b]: [(i32, i32); 2], width: u32) -> Outcome<()> {
    line(area, vec![a, (b.0, a.1), b, (a.0, b.1), a, (b.0, a.1)], BLACK, width)
}

/// A line of dashes that run on over its corners.
fn dashed(area: &Area, points: Vec<(i32, i32)>, colour: RGBColor, width: u32) -> Outcome<()> {
    let style = colour.stroke_width(width * FINE as u32);
    drawn(area.draw(&DashedPathElement::new(points, fine(6), fine(4), style)))
}

/// The marker of a series: disc, triangle, square, cross, ring, diamond, plus.
fn marker(area: &Area, (x, y): (i32, i32), series: usize) -> Outcome<()> {
    let colour = colour(series);
    let fill = colour.mix(0.75).filled();
    let (a, b) = (fine(3), fine(4));
    match series % 7 {
        0 => drawn(area.draw(&Circle::new((x, y), a, fill))),
        1 => drawn(area.draw(&Polygon::new(vec![(x - b, y + a), (x + b, y + a), (x, y - b)], fill))),
        2 => drawn(area.draw(&Rectangle::new([(x - a, y - a), (x + a, y + a)], fill))),
        3 => {
            line(area, vec![(x - a, y - a), (x + a, y + a)], colour, 2)?;
            line(area, vec![(x - a, y + a), (x + a, y - a)], colour, 2)
        }
        4 => drawn(area.draw(&Circle::new((x, y), b, colour.stroke_width(2 * FINE as u32)))),
        5 => drawn(area.draw(&Polygon::new(vec![(x - b, y), (x, y - b), (x + b, y), (x, y + b)], fill))),
        _ => {
            line(area, vec![(x - b, y), (x + b, y)], colour, 2)?;
            line(area, vec![(x, y - b), (x, y + b)], colour, 2)
        }
    }
}

/// Many points as squares, the darker the more of them; squares of one shade that touch are one.
fn density(area: &Area, f: &Frame, places: &[(i32, i32)], series: usize, side: i32) -> Outcome<()> {
    let side = fine(side);
    let (left, bottom) = f.at(f.panel.x.low, f.panel.y.low);
    let (right, top) = f.at(f.panel.x.high, f.panel.y.high);
    // squares of a row stand beside each other
    let mut squares: BTreeMap<(i32, i32), u32> = BTreeMap::new();
    for (x, y) in places {
        *squares.entry((y.div_euclid(side), x.div_euclid(side))).or_default() += 1;
    }
    let most = squares.values().copied().max().unwrap_or(1);
    // four shades, each for as many times more as the one before
    let shade = |n: u32| (4.0 * f64::from(n).ln_1p() / f64::from(most).ln_1p()).ceil().clamp(1.0, 4.0) as u32;
    let squares: Vec<((i32, i32), u32)> = squares.into_iter().map(|(at, n)| (at, shade(n))).collect();
    let touch = |((row, column), shade): &((i32, i32), u32), next: &((i32, i32), u32)| {
        *next == ((*row, column + 1), *shade)
    };
    squares.chunk_by(touch).try_for_each(|run| {
        let ((row, from), shade) = run[0];
        let to = from + run.len() as i32;
        let within = |(x, y): (i32, i32)| (x.clamp(left, right), y.clamp(top, bottom));
        let corners = [(from * side, row * side), (to * side, (row + 1) * side)].map(within);
        let fill = colour(series).mix(0.22 * f64::from(shade)).filled();
        drawn(area.draw(&Rectangle::new(corners, fill)))
    })
}

/// Many upright lines as their course: at each place along the axis one that stands for those there, with the mean of
/// their ends, or for spikes that rise from one foot, the highest.
fn course(list: &[(i32, i32, i32)], spikes: bool, side: i32) -> Vec<(i32, i32, i32)> {
    let mut places: BTreeMap<i32, (f64, f64, f64)> = BTreeMap::new();
    for (x, low, high) in list {
        let (low, high) = (f64::from(*low), f64::from(*high));
        let at = places.entry(x.div_euclid(fine(side))).or_insert((0.0, 0.0, 0.0));
        *at = match (spikes, at.2) {
            // upwards is less
            (true, n) if n > 0.0 => (at.0.max(low), at.1.min(high), 1.0),
            (true, _) => (low, high, 1.0),
            (false, n) => (at.0 + low, at.1 + high, n + 1.0),
        };
    }
    let middle = |at: i32| at * fine(side) + fine(side) / 2;
    places.into_iter().map(|(at, (l, h, n))| (middle(at), (l / n) as i32, (h / n) as i32)).collect()
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

fn draw(area: &Area, f: &Frame, side: i32) -> Outcome<()> {
    let p = f.panel;
    let (left, bottom) = f.at(p.x.low, p.y.low);
    let (right, top) = f.at(p.x.high, p.y.high);
    for layer in &p.layers {
        layer_on(area, f, layer, side)?;
    }
    outline(area, [(left, top), (right, bottom)], 1)?;
    for (v, words) in p.x.marks() {
        let (x, _) = f.at(v, p.y.low);
        line(area, vec![(x, bottom), (x, bottom + fine(5))], BLACK, 1)?;
        text(area, &words, (x, bottom + fine(8)), 13, Pos::new(HPos::Center, VPos::Top))?;
    }
    // an axis without a label holds rows that are named inside the panel
    for (v, words) in if p.y.label.is_empty() { Vec::new() } else { p.y.marks() } {
        let (_, y) = f.at(p.x.low, v);
        line(area, vec![(left - fine(5), y), (left, y)], BLACK, 1)?;
        text(area, &words, (left - fine(8), y), 13, Pos::new(HPos::Right, VPos::Center))?;
    }
    text(area, &p.title, (left, top - fine(10)), 16, Pos::new(HPos::Left, VPos::Bottom))?;
    let middle = (left + right) / 2;
    text(area, &p.x.label, (middle, bottom + fine(28)), 14, Pos::new(HPos::Center, VPos::Top))?;
    let upwards = (FONT, fine(14)).into_font().transform(FontTransform::Rotate270);
    let at = (left - fine(44), (top + bottom) / 2);
    written(area, &p.y.label, at, upwards, Pos::new(HPos::Center, VPos::Bottom))?;
    for (i, (name, series)) in p.legend.iter().enumerate() {
        let y = top + fine(14 + 17 * i as i32);
        marker(area, (left + fine(14), y), *series)?;
        text(area, name, (left + fine(24), y), 13, Pos::new(HPos::Left, VPos::Center))?;
    }
    Ok(())
}

fn layer_on(area: &Area, f: &Frame, layer: &Layer, side: i32) -> Outcome<()> {
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
            outline(area, corners, 1)
        }),
        Layer::Whiskers(list, series) => {
            let colour = if *series == usize::MAX { PALE } else { colour(*series) };
            let within = |v: f64| v.max(p.y.low).min(p.y.high);
            let lines = list.iter().filter(|w| w.0.is_finite());
            let placed = |(x, l, u): &(f64, f64, f64)| {
                let (x, low) = f.at(*x, within(*l));
                (x, low, f.at(0.0, within(*u)).1)
            };
            let lines: Vec<(i32, i32, i32)> = lines.map(placed).collect();
            let (lines, shade, width) = match *series {
                _ if lines.len() <= MANY => (lines, colour, 1),
                usize::MAX => (course(&lines, false, side), BAND, side as u32),
                _ => (course(&lines, true, 2), colour, 1),
            };
            lines.into_iter().try_for_each(|(x, l, u)| line(area, vec![(x, l), (x, u)], shade, width))
        }
        Layer::Spans(list, series) => list.iter().try_for_each(|(y, from, to)| {
            let colour = colour(*series);
            let ends = [f.at(from.max(p.x.low), *y), f.at(to.min(p.x.high), *y)];
            line(area, ends.to_vec(), colour, 2)?;
            ends.into_iter()
                .try_for_each(|(x, y)| line(area, vec![(x, y - fine(4)), (x, y + fine(4))], colour, 2))
        }),
        Layer::Guide(points) => dashed(area, points.iter().map(|(x, y)| f.at(*x, *y)).collect(), GREY, 1),
        Layer::Dashes(points, series) => dashed(area, f.within(points), colour(*series), 2),
        Layer::Line(points, series) => line(area, f.within(points), colour(*series), 2),
        Layer::Points(points, series) => {
            let places = f.within(points);
            if places.len() > MANY {
                return density(area, f, &places, *series, side);
            }
            places.into_iter().try_for_each(|at| marker(area, at, *series))
        }
        Layer::Label(x, y, words) => {
            let at = f.at(*x, *y);
            let right = p.x.share(*x) > 0.8;
            let (aside, anchor) = if right { (-7, HPos::Right) } else { (7, HPos::Left) };
            text(area, words, (at.0 + fine(aside), at.1), 12, Pos::new(anchor, VPos::Center))
        }
    }
}

/// Height of a panel with its labels, in points.
const HEIGHT: usize = 410;
/// What of it is title and labels.
const MARGINS: usize = 96;

/// A page of panels in rows of `columns`, as SVG text.
pub fn page(title: &str, panels: &[Panel], columns: usize) -> Outcome<String> {
    page_of_rows(title, panels, columns, 0)
}

/// The same with panels that hold so many named rows.
pub fn page_of_rows(title: &str, panels: &[Panel], columns: usize, rows: usize) -> Outcome<String> {
    let mut page = String::new();
    // coarser squares where the page would be too large
    for side in SQUARES {
        page = page_with(title, panels, columns, height_of(rows), side)?;
        if page.len() <= MOST_BYTES {
            break;
        }
    }
    Ok(page)
}

fn height_of(rows: usize) -> usize {
    HEIGHT.max(130 + 44 * rows)
}

/// How far above its line the name of a row stands, in rows, where the panel of so many rows shows `0..top`.
pub fn above_row(rows: usize, top: f64) -> f64 {
    16.0 * top / (height_of(rows) - MARGINS) as f64
}

/// A guide across rows that are named above their lines, broken where the names stand.
fn guide_between_names(x: f64, rows: usize, top: f64) -> Vec<Layer> {
    let above = above_row(rows, top);
    let mut from = 0.0;
    let mut pieces = Vec::new();
    for k in (0..rows).rev() {
        let name = rows as f64 - k as f64 - 0.65 + above;
        pieces.push(Layer::Guide(vec![(x, from), (x, name - 0.5 * above)]));
        from = name + 0.5 * above;
    }
    pieces.push(Layer::Guide(vec![(x, from), (x, top)]));
    pieces
}

fn page_with(
    title: &str,
    panels: &[Panel],
    columns: usize,
    cell_height: usize,
    side: i32,
) -> Outcome<String> {
    let (cell_width, head) = (480, 50);
    let rows = panels.len().div_ceil(columns);
    let size = ((cell_width * columns) as u32, (cell_height * rows + head) as u32);
    let hundredths = (size.0 * FINE as u32, size.1 * FINE as u32);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, hundredths).into_drawing_area();
        drawn(area.fill(&WHITE))?;
        text(&area, title, (fine(20), fine(14)), 20, Pos::new(HPos::Left, VPos::Top))?;
        for (i, panel) in panels.iter().enumerate() {
            let frame = Frame {
                left: (cell_width * (i % columns) + 72) as f64,
                top: (cell_height * (i / columns) + head + 34) as f64,
                width: (cell_width - 100) as f64,
                height: (cell_height - MARGINS) as f64,
                panel,
            };
            draw(&area, &frame, side)?;
        }
        drawn(area.present())?;
    }
    // drawn in hundredths, shown in points
    let drawn_as = format!("width=\"{}\" height=\"{}\"", hundredths.0, hundredths.1);
    Ok(svg.replacen(&drawn_as, &format!("width=\"{}\" height=\"{}\"", size.0, size.1), 1))
}
