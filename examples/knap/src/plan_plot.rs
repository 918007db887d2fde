//! The curves of a plan, as SVG: width of the intervals and chance to see a difference, by number of flakes.
//! Colours that colour-blind readers tell apart, and a mark of its own for each curve.

use plotters::coord::Shift;
use plotters::prelude::*;
use std::error::Error;
use std::path::Path;

/// One number of flakes.
pub struct Point {
    pub flakes: f64,
    /// Width of the interval of a new flake, and of the mean.
    pub new_flake: f64,
    pub mean: f64,
    pub power: Option<f64>,
}

/// What stands at the axes.
pub struct Words {
    pub title: String,
    pub width: String,
    pub power: String,
    /// The number of flakes planned, marked in both panels.
    pub planned: f64,
}

/// Blue and vermilion of Okabe & Ito 2008, Color Universal Design (from memory).
const BLUE: RGBColor = RGBColor(0, 114, 178);
const VERMILION: RGBColor = RGBColor(213, 94, 0);
const GREY: RGBColor = RGBColor(110, 110, 110);

type Failed = Box<dyn Error>;

pub fn draw(path: &Path, points: &[Point], words: &Words) -> Result<(), Failed> {
    let size = (900, 420);
    let root = SVGBackend::new(path, size).into_drawing_area();
    root.fill(&WHITE)?;
    let root = root.titled(&words.title, ("sans-serif", 18))?;
    // widths from hardly more flakes than terms would flatten all others
    let least = points.iter().map(|p| p.new_flake).fold(f64::INFINITY, f64::min);
    let points: Vec<&Point> = points.iter().filter(|p| p.new_flake <= 6.0 * least).collect();
    let powers: Vec<(f64, f64)> = points.iter().filter_map(|p| Some((p.flakes, p.power?))).collect();
    let panels = if powers.is_empty() { vec![root.clone()] } else { root.split_evenly((1, 2)) };
    let top = points.iter().map(|p| p.new_flake).filter(|w| w.is_finite()).fold(0.0f64, f64::max);
    let new: Vec<(f64, f64)> = points.iter().map(|p| (p.flakes, p.new_flake)).collect();
    let mean: Vec<(f64, f64)> = points.iter().map(|p| (p.flakes, p.mean)).collect();
    panel(
        &panels[0],
        &words.width,
        top * 1.05,
        words.planned,
        &[("one new flake", new, BLUE), ("the mean of such flakes", mean, VERMILION)],
    )?;
    if let Some(right) = panels.get(1) {
        panel(right, &words.power, 1.0, words.planned, &[("chance to see it", powers, BLUE)])?;
    }
    root.present()?;
    Ok(())
}

type Curve<'a> = (&'a str, Vec<(f64, f64)>, RGBColor);

fn panel(
    area: &DrawingArea<SVGBackend, Shift>,
    label: &str,
    top: f64,
    planned: f64,
    curves: &[Curve],
) -> Result<(), Failed> {
    let end = curves.iter().flat_map(|c| &c.1).map(|p| p.0).fold(1.0f64, f64::max) * 1.04;
    let mut chart = ChartBuilder::on(area)
        .margin(12)
        .x_label_area_size(40)
        .y_label_area_size(58)
        .build_cartesian_2d(0.0..end, 0.0..top)?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(GREY.mix(0.2))
        .x_desc("flakes struck")
        .y_desc(label)
        .x_label_formatter(&|v| format!("{v:.0}"))
        .label_style(("sans-serif", 13))
        .axis_desc_style(("sans-serif", 14))
        .draw()?;
    chart.draw_series(DashedLineSeries::new([(planned, 0.0), (planned, top)], 5, 4, GREY.stroke_width(1)))?;
    for (k, (name, points, colour)) in curves.iter().enumerate() {
        let colour = *colour;
        let line = colour.stroke_width(2);
        let drawn = chart.draw_series(LineSeries::new(points.iter().copied(), line))?.label(*name);
        // the key shows the mark too, so that it can be read without the colour
        if k == 0 {
            drawn.legend(move |at| {
                EmptyElement::at(at)
                    + PathElement::new([(0, 0), (22, 0)], line)
                    + Circle::new((11, 0), 4, colour.filled())
            });
            chart.draw_series(points.iter().map(|p| Circle::new(*p, 4, colour.filled())))?;
        } else {
            drawn.legend(move |at| {
                EmptyElement::at(at)
                    + PathElement::new([(0, 0), (22, 0)], line)
                    + TriangleMarker::new((11, 0), 6, colour.filled())
            });
            chart.draw_series(points.iter().map(|p| TriangleMarker::new(*p, 6, colour.filled())))?;
        }
    }
    chart
        .configure_series_labels()
        .position(if top == 1.0 { SeriesLabelPosition::LowerRight } else { SeriesLabelPosition::UpperRight })
        .background_style(WHITE.filled())
        .border_style(GREY.mix(0.4))
        .label_font(("sans-serif", 13))
        .draw()?;
    Ok(())
}
