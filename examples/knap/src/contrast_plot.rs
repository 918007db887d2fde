//! The picture of `knap contrast`: each size by percussor, one a row, and the first percussor over each of the others.

use crate::failure::Outcome;
use crate::plot::{Axis, Layer, Panel, above_row, guide_between_names, page_of_rows};
use crate::report::{percent, short};
use crate::tables::save;
use conchoid::predict::{DifferenceScale, SideBySide, in_words};

/// One row: its name, an interval and what lies in its middle.
struct Span {
    name: String,
    low: f64,
    middle: f64,
    high: f64,
}

/// Draws percussors side by side.
pub fn sizes(path: &str, platform: &str, names: &[String], found: &SideBySide) -> Outcome<()> {
    let mut panels = Vec::new();
    let sizes = found.estimates.first().map_or(&[][..], |e| &e.sizes);
    for (k, first) in sizes.iter().enumerate() {
        let mut spans = Vec::new();
        for (name, e) in names.iter().zip(&found.estimates) {
            let Some(s) = e.sizes.get(k) else { continue };
            let i = s.predictive.interval(found.level)?;
            spans.push(Span { name: name.clone(), low: i.low, middle: i.median, high: i.high });
        }
        let unit = if first.size.ends_with("_g") { "g" } else { "mm" };
        let label = format!("{}, {unit}", in_words(&first.size));
        panels.push(rows(in_words(&first.size), &label, spans, None));
    }
    for (other, differences) in names.iter().skip(1).zip(&found.differences) {
        let ratios = differences.iter().filter(|d| d.scale == DifferenceScale::Ratio);
        let spans = ratios.map(|d| Span {
            name: in_words(&d.size),
            low: d.expected.low,
            middle: d.expected.value,
            high: d.expected.high,
        });
        let spans: Vec<Span> = spans.collect();
        if !spans.is_empty() {
            let title = format!("{} over {other}, as expected", names[0]);
            panels.push(rows(title, "ratio of expected sizes", spans, Some(1.0)));
        }
    }
    let most = names.len().max(sizes.len());
    let title = format!("{platform}: lines hold {} % of such flakes", percent(found.level));
    save(path, &page_of_rows(&title, &panels, panels.len().clamp(1, 2), most)?)
}

fn rows(title: String, label: &str, spans: Vec<Span>, guide: Option<f64>) -> Panel {
    let n = spans.len() as f64;
    let ends = spans.iter().flat_map(|s| [s.low, s.high]).chain(guide).filter(|v| *v > 0.0);
    let x = Axis::over(label, ends, true);
    let top = n + 0.15;
    let above = above_row(spans.len(), top);
    let mut layers = Vec::new();
    if let Some(at) = guide {
        layers.extend(guide_between_names(at, spans.len(), top));
    }
    for (k, s) in spans.iter().enumerate() {
        let y = n - k as f64 - 0.65;
        let series = k + 1;
        layers.push(Layer::Spans(vec![(y, s.low, s.high)], series));
        layers.push(Layer::Points(vec![(s.middle, y)], series));
        let words = format!("{}: {} ({} to {})", s.name, short(s.middle), short(s.low), short(s.high));
        layers.push(Layer::Label(x.low * (x.high / x.low).powf(0.005), y + above, words));
    }
    Panel { title, x, y: Axis::fixed("", 0.0, top), layers, legend: Vec::new() }
}
