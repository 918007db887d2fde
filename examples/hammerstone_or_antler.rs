//! Hammerstone or antler: what changes when mass, tip and material change, and what does not.
//!
//! A field school on chalk downland compares quartzite hammerstones with red deer antler on local flint. This
//! prints a table of both and draws two figures, `sizes.svg` and `force.svg`:
//!
//! ```text
//! cargo run --example hammerstone_or_antler [FOLDER]      # target/figures without a folder
//! ```
//!
//! Wear eye protection at every strike, gloves and a leg pad; keep silica dust down; local rules and trained supervision come
//! first. Never strike an archaeological piece.

use conchoid::Error;
use conchoid::calibration::bundled;
use conchoid::material::{PercussorMaterial, Stone};
use conchoid::predict::{BlowAsKnown, BlowFigures, DetachmentEstimate, Interval, Predictor};
use conchoid::strike::Strike;
use plotters::prelude::*;
use std::path::Path;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// Exterior platform angle of every platform here, degrees.
const ANGLE: f64 = 75.0;
/// The free core, g.
const CORE: f64 = 900.0;

/// One percussor as it is swung.
struct Swing {
    material: &'static str,
    mass_g: f64,
    tip_mm: f64,
    /// Speed: typical, slow, fast, m/s. Common practice, no source.
    speed: (f64, f64, f64),
}

const HAMMERSTONE: Swing =
    Swing { material: "quartzite", mass_g: 400.0, tip_mm: 8.0, speed: (2.5, 1.8, 3.5) };
const ANTLER: Swing = Swing { material: "antler", mass_g: 300.0, tip_mm: 15.0, speed: (4.0, 2.9, 5.5) };

impl Swing {
    fn blow(&self, depth_mm: f64) -> Result<DetachmentEstimate, Error> {
        let mut figures = BlowFigures::new(self.mass_g, self.tip_mm, self.speed, depth_mm, ANGLE);
        figures.core_mass_g = Some(CORE.into());
        let (stone, percussor) = (Stone::named("flint")?, PercussorMaterial::named(self.material)?);
        BlowAsKnown::new(stone, percussor, figures)?.estimate(0.95)
    }
}

fn main() -> Outcome<()> {
    let folder = std::env::args().nth(1).unwrap_or_else(|| "target/figures".to_string());
    let predictor = Predictor::new(bundled::named("controlled-glass")?)?;
    what_changes(&predictor)?;
    let folder = Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    let sizes = folder.join("sizes.svg");
    let force = folder.join("force.svg");
    draw_sizes(&predictor, &sizes)?;
    draw_force(&force)?;
    println!("\nDrawn: {} and {}", sizes.display(), force.display());
    Ok(())
}

/// Length and mass of the flake under hammerstone and antler, by this depth.
fn sizes(predictor: &Predictor, depth_mm: f64) -> Result<[[Interval; 2]; 2], Error> {
    let struck_by = |percussor| {
        Strike::builder()
            .platform_depth_mm(depth_mm)
            .exterior_platform_angle_deg(ANGLE)
            .percussor(percussor)
            .build()
    };
    let of = |percussor: &'static str| -> Result<[Interval; 2], Error> {
        let estimate = predictor.estimate(&struck_by(percussor)?, &Default::default())?;
        let size = |size: &str| match estimate.size(size) {
            Some(p) => p.interval(0.95),
            None => Err(Error::missing(size, "the figure shows it")),
        };
        Ok([size("length_mm")?, size("mass_g")?])
    };
    Ok([of(HAMMERSTONE.material)?, of(ANTLER.material)?])
}

fn what_changes(predictor: &Predictor) -> Outcome<()> {
    println!("One platform on flint: depth 8 mm, exterior platform angle 75 degrees.\n");
    println!("  percussor   mass  tip  speed   force it can   detaches   length      mass");
    println!("                g    mm    m/s   deliver, N                 mm         g");
    let [stone, antler] = sizes(predictor, 8.0)?;
    let changed = [
        ("hammerstone", HAMMERSTONE),
        (" half mass", Swing { mass_g: 200.0, ..HAMMERSTONE }),
        (" sharp tip", Swing { tip_mm: 3.0, ..HAMMERSTONE }),
        (" half speed", Swing { speed: (1.25, 0.9, 1.75), ..HAMMERSTONE }),
        ("antler", ANTLER),
        (" half mass", Swing { mass_g: 150.0, ..ANTLER }),
        (" sharp tip", Swing { tip_mm: 5.0, ..ANTLER }),
        (" half speed", Swing { speed: (2.0, 1.45, 2.75), ..ANTLER }),
    ];
    for (name, swing) in changed {
        let blow = swing.blow(8.0)?;
        let [length, mass] = if swing.material == ANTLER.material { antler } else { stone };
        println!(
            "  {name:11} {:4.0} {:4.0}  {:5.2}   {:12.0}       {:4.2}   {:3.0} ({:.0}-{:.0})  {:.0} ({:.0}-{:.0})",
            swing.mass_g,
            swing.tip_mm,
            swing.speed.0,
            blow.peak_force_n.value,
            blow.detachment_probability.value,
            length.median,
            length.low,
            length.high,
            mass.median,
            mass.low,
            mass.high,
        );
    }
    println!(
        "\nMass, tip, stiffness and speed decide whether a flake comes off; once it does, the\n\
         platform decides its size. Only the kind of percussor is left in the sizes, and the\n\
         glass experiment has metal for stone and bone for antler. Intervals are of 95 %.\n\
         Whether a flake detaches is model-based: no failed blows were recorded."
    );
    Ok(())
}

/// Blue and vermilion of the palette of Okabe and Ito, told apart under every common colour blindness.
const BLUE: RGBColor = RGBColor(0, 114, 178);
const VERMILION: RGBColor = RGBColor(213, 94, 0);
const GREY: RGBColor = RGBColor(90, 90, 90);
/// Platform depths drawn, mm.
const DEPTHS: std::ops::RangeInclusive<u32> = 2..=18;

/// One line with its band: depth, middle, low, high.
type Line = Vec<(f64, f64, f64, f64)>;

fn draw_sizes(predictor: &Predictor, path: &Path) -> Outcome<()> {
    // [percussor][length or mass]
    let mut lines: [[Line; 2]; 2] = Default::default();
    for at in DEPTHS.map(f64::from) {
        for (percussor, of) in sizes(predictor, at)?.iter().enumerate() {
            for (size, i) in of.iter().enumerate() {
                lines[percussor][size].push((at, i.median, i.low, i.high));
            }
        }
    }
    let root = SVGBackend::new(path, (760, 900)).into_drawing_area();
    root.fill(&WHITE)?;
    let title = "Flake size by platform depth, exterior platform angle 75 degrees";
    let root = root.titled(title, ("sans-serif", 20))?;
    let panels = root.split_evenly((2, 1));
    for (size, (panel, label, range)) in
        [(&panels[0], "length, mm", 10.0..1000.0), (&panels[1], "mass, g", 0.1..2000.0)]
            .into_iter()
            .enumerate()
    {
        let mut chart = ChartBuilder::on(panel)
            .margin(12)
            .x_label_area_size(44)
            .y_label_area_size(64)
            .build_cartesian_2d(0.0..20.0, range.log_scale())?;
        chart
            .configure_mesh()
            .light_line_style(TRANSPARENT)
            .x_desc("platform depth, mm")
            .y_desc(label)
            .label_style(("sans-serif", 15))
            .x_label_formatter(&|v: &f64| v.to_string())
            .y_label_formatter(&|v: &f64| v.to_string())
            .axis_desc_style(("sans-serif", 16))
            .draw()?;
        let names = ["quartzite hammerstone (leans on metal)", "antler (leans on bone)"];
        for (percussor, line) in lines.iter().enumerate() {
            draw_band(&mut chart, &line[size], percussor)?;
        }
        for (percussor, name) in names.into_iter().enumerate() {
            let label = format!("{name}: median, 95 % of flakes");
            draw_line(&mut chart, &lines[percussor][size], percussor, &label)?;
        }
        chart
            .configure_series_labels()
            .position(SeriesLabelPosition::LowerRight)
            .label_font(("sans-serif", 15))
            .background_style(WHITE.mix(0.85))
            .border_style(GREY)
            .draw()?;
    }
    root.present()?;
    Ok(())
}

fn draw_force(path: &Path) -> Outcome<()> {
    let mut required = Line::new();
    let mut delivered: [Line; 2] = Default::default();
    for at in DEPTHS.map(f64::from) {
        for (line, swing) in delivered.iter_mut().zip([HAMMERSTONE, ANTLER]) {
            let blow = swing.blow(at)?;
            let f = blow.peak_force_n;
            line.push((at, f.value / 1000.0, f.low / 1000.0, f.high / 1000.0));
            if swing.material == HAMMERSTONE.material {
                let r = blow.required_force_n;
                required.push((at, r.value / 1000.0, r.low / 1000.0, r.high / 1000.0));
            }
        }
    }
    let root = SVGBackend::new(path, (760, 560)).into_drawing_area();
    root.fill(&WHITE)?;
    let title = "Force delivered and required on flint, exterior platform angle 75 degrees";
    let root = root.titled(title, ("sans-serif", 20))?;
    let mut chart = ChartBuilder::on(&root)
        .margin(12)
        .x_label_area_size(44)
        .y_label_area_size(64)
        .build_cartesian_2d(0.0..20.0, (0.3..100.0).log_scale())?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .x_desc("platform depth, mm")
        .y_desc("force, kN")
        .label_style(("sans-serif", 15))
        .x_label_formatter(&|v: &f64| v.to_string())
        .y_label_formatter(&|v: &f64| v.to_string())
        .axis_desc_style(("sans-serif", 16))
        .draw()?;
    chart.draw_series(AreaBand::of(&required, GREY.mix(0.18)))?;
    chart
        .draw_series(LineSeries::new(required.iter().map(|p| (p.0, p.1)), GREY.stroke_width(2)))?
        .label("required by the platform, 95 % of blows")
        .legend(|(x, y)| PathElement::new([(x, y), (x + 24, y)], GREY.stroke_width(2)));
    for (i, line) in delivered.iter().enumerate() {
        draw_band(&mut chart, line, i)?;
    }
    for (i, name) in
        ["quartzite, 400 g at 1.8 to 3.5 m/s", "antler, 300 g at 2.9 to 5.5 m/s"].into_iter().enumerate()
    {
        draw_line(&mut chart, &delivered[i], i, &format!("delivered by {name}"))?;
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
        .label_font(("sans-serif", 15))
        .background_style(WHITE.mix(0.85))
        .border_style(GREY)
        .draw()?;
    root.present()?;
    Ok(())
}

/// The outline of a band, forth along its lower and back along its upper edge.
struct AreaBand;

impl AreaBand {
    fn of(line: &Line, style: RGBAColor) -> std::iter::Once<Polygon<(f64, f64)>> {
        let low = line.iter().map(|p| (p.0, p.2));
        let high = line.iter().rev().map(|p| (p.0, p.3));
        std::iter::once(Polygon::new(low.chain(high).collect::<Vec<_>>(), style.filled()))
    }
}

/// A plot in millimetres of depth.
type Chart<'a, Y> = ChartContext<'a, SVGBackend<'a>, Cartesian2d<plotters::coord::types::RangedCoordf64, Y>>;

fn colour(percussor: usize) -> RGBColor {
    if percussor == 0 { BLUE } else { VERMILION }
}

/// The band of a percussor; its edges unbroken for the first, dashed for the second.
fn draw_band<'a, Y: plotters::coord::ranged1d::Ranged<ValueType = f64>>(
    chart: &mut Chart<'a, Y>,
    line: &Line,
    percussor: usize,
) -> Outcome<()> {
    let colour = colour(percussor);
    chart.draw_series(AreaBand::of(line, colour.mix(0.16)))?;
    let style = colour.mix(0.6).stroke_width(1);
    for edge in [|p: &(f64, f64, f64, f64)| (p.0, p.2), |p: &(f64, f64, f64, f64)| (p.0, p.3)] {
        let edge = line.iter().map(edge);
        if percussor == 0 {
            chart.draw_series(LineSeries::new(edge, style))?;
        } else {
            chart.draw_series(DashedLineSeries::new(edge, 6, 4, style))?;
        }
    }
    Ok(())
}

/// The middle of a percussor: unbroken with circles for the first, dashed with triangles for the second.
fn draw_line<'a, Y: plotters::coord::ranged1d::Ranged<ValueType = f64>>(
    chart: &mut Chart<'a, Y>,
    line: &Line,
    percussor: usize,
    label: &str,
) -> Outcome<()> {
    let colour = colour(percussor);
    let style = colour.stroke_width(2);
    let middle = || line.iter().map(|p| (p.0, p.1));
    let marked = || middle().skip(2 + percussor).step_by(4);
    if percussor == 0 {
        chart.draw_series(marked().map(|at| Circle::new(at, 4, colour.filled())))?;
        chart.draw_series(LineSeries::new(middle(), style))?.label(label).legend(move |(x, y)| {
            EmptyElement::at((x, y))
                + PathElement::new([(0, 0), (24, 0)], style)
                + Circle::new((12, 0), 4, colour.filled())
        });
    } else {
        chart.draw_series(marked().map(|at| TriangleMarker::new(at, 6, colour.filled())))?;
        chart.draw_series(DashedLineSeries::new(middle(), 10, 5, style))?.label(label).legend(
            move |(x, y)| {
                EmptyElement::at((x, y))
                    + PathElement::new([(0, 0), (9, 0)], style)
                    + PathElement::new([(15, 0), (24, 0)], style)
                    + TriangleMarker::new((12, 0), 6, colour.filled())
            },
        );
    }
    Ok(())
}
