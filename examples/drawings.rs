//! The guide's drawings: what is measured on a platform and a flake, the four terminations, an interval.
//!
//! ```text
//! cargo run --example drawings [FOLDER]      # target/figures without a folder
//! ```
//!
//! `src/guide/` holds what this writes; a test compares the two. Lines and words carry the meaning, colour
//! only helps: blue (0,114,178) marks what is measured (palette of Okabe & Ito, Color Universal Design).

use conchoid::calibration::bundled;
use conchoid::predict::{Ask, Predictor};
use conchoid::strike::Strike;
use std::fmt::Write;
use std::path::Path;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;
type Point = (f64, f64);

const INK: &str = "#222";
const MEASURED: &str = "#0072b2";
const FLAKE: &str = "#d9d9d9";
const CORE: &str = "#f2f2f2";

fn main() -> Outcome<()> {
    let folder = std::env::args().nth(1).unwrap_or_else(|| "target/figures".to_string());
    let folder = Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    for (name, drawing) in [
        ("platform.svg", platform()),
        ("flake.svg", flake()),
        ("retouch.svg", retouch()),
        ("terminations.svg", terminations()),
        ("interval.svg", interval()?),
        ("expected.svg", expected()?),
    ] {
        let path = folder.join(name);
        std::fs::write(&path, drawing)?;
        println!("Drawn: {}", path.display());
    }
    Ok(())
}

/// Height of retouch and thickness there, in section; and where along the edge they are measured.
fn retouch() -> String {
    let mut p = Page::new(720, 290, "How retouch is measured");
    p.title((20.0, 24.0), "Across the retouched edge");
    // the flat interior face lies below; the ridge of the exterior above
    let (left, ridge, edge, base) = ((40.0, 220.0), (190.0, 90.0), (340.0, 220.0), (288.0, 220.0));
    let top = (262.0, 90.0 + (262.0 - 190.0) * 130.0 / 150.0);
    let section = format!("M{} L{} L{} L{} Z", at(left), at(ridge), at(top), at(base));
    p.path(&section, FLAKE, INK, 1.6);
    p.hint(top, edge);
    p.hint(base, edge);
    p.distance((190.0, 220.0), ridge);
    p.say((182.0, 165.0), "end", MEASURED, "T");
    p.hint(top, (316.0, top.1));
    p.distance((312.0, 220.0), (312.0, top.1));
    p.say((320.0, 196.0), "start", MEASURED, "t");
    p.say((40.0, 240.0), "start", INK, "flat interior face");
    p.say((258.0, 128.0), "start", INK, "scars of retouch");
    p.say((40.0, 266.0), "start", INK, "t to the top of the scars, T the whole thickness");
    p.title((420.0, 24.0), "Along it: three points or more");
    let outline = "M470 240 C440 160 460 80 540 60 C600 70 640 130 630 190 C610 240 560 250 470 240 Z";
    p.path(outline, FLAKE, INK, 1.6);
    // the retouched edge is the right side
    p.path("M540 60 C600 70 640 130 630 190", "none", MEASURED, 3.0);
    for (k, point) in [(580.8, 76.1), (611.3, 106.3), (628.6, 145.8)].into_iter().enumerate() {
        p.dot(point);
        p.say((point.0 + 10.0, point.1 + 2.0), "start", INK, &(k + 1).to_string());
    }
    p.say((420.0, 266.0), "start", INK, "equally far apart on the retouched edge");
    p.end()
}

/// An SVG page without blank lines, so that it can stand inside Markdown.
struct Page {
    text: String,
}

impl Page {
    fn new(width: u32, height: u32, title: &str) -> Page {
        let mut page = Page { text: String::new() };
        page.put(&format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
             height=\"{height}\" role=\"img\" font-family=\"sans-serif\" font-size=\"13\">"
        ));
        page.put(&format!("<title>{title}</title>"));
        page.put(&format!("<rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>"));
        page
    }

    fn put(&mut self, line: &str) {
        let _ = writeln!(self.text, "{line}");
    }

    fn path(&mut self, d: &str, fill: &str, stroke: &str, width: f64) {
        self.put(&format!(
            "<path d=\"{d}\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"{width}\" \
             stroke-linejoin=\"round\"/>"
        ));
    }

    fn line(&mut self, a: Point, b: Point, stroke: &str, width: f64) {
        self.path(&format!("M{} L{}", at(a), at(b)), "none", stroke, width);
    }

    /// A thin dashed line.
    fn hint(&mut self, a: Point, b: Point) {
        self.put(&format!(
            "<path d=\"M{} L{}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"0.8\" stroke-dasharray=\"3 3\"/>",
            at(a),
            at(b)
        ));
    }

    /// A measured distance: a line with arrow heads at both ends.
    fn distance(&mut self, a: Point, b: Point) {
        self.line(a, b, MEASURED, 1.6);
        self.head(b, a);
        self.head(a, b);
    }

    /// An arrow head at `tip`, coming from `from`.
    fn head(&mut self, from: Point, tip: Point) {
        let (dx, dy) = (tip.0 - from.0, tip.1 - from.1);
        let norm = dx.hypot(dy).max(1e-9);
        let (ux, uy) = (dx / norm * 7.0, dy / norm * 7.0);
        let left = (tip.0 - ux - uy * 0.45, tip.1 - uy + ux * 0.45);
        let right = (tip.0 - ux + uy * 0.45, tip.1 - uy - ux * 0.45);
        self.path(&format!("M{} L{} L{} Z", at(tip), at(left), at(right)), MEASURED, MEASURED, 0.5);
    }

    fn dot(&mut self, p: Point) {
        self.put(&format!("<circle cx=\"{}\" cy=\"{}\" r=\"3.5\" fill=\"{INK}\"/>", px(p.0), px(p.1)));
    }

    /// Text; `anchor` is start, middle or end.
    fn say(&mut self, p: Point, anchor: &str, colour: &str, text: &str) {
        self.put(&format!(
            "<text x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\" fill=\"{colour}\">{text}</text>",
            px(p.0),
            px(p.1)
        ));
    }

    fn title(&mut self, p: Point, text: &str) {
        self.put(&format!(
            "<text x=\"{}\" y=\"{}\" font-weight=\"bold\" fill=\"{INK}\">{text}</text>",
            px(p.0),
            px(p.1)
        ));
    }

    fn end(mut self) -> String {
        self.put("</svg>");
        self.text
    }
}

fn px(v: f64) -> String {
    let text = format!("{v:.1}");
    text.strip_suffix(".0").unwrap_or(&text).to_string()
}

fn at(p: Point) -> String {
    format!("{} {}", px(p.0), px(p.1))
}

/// Core in section, and the platform from above.
fn platform() -> String {
    let mut page = Page::new(720, 330, "What is measured on a platform");
    page.title((20.0, 24.0), "Core in section, just before the blow");
    page.say((20.0, 42.0), "start", INK, "drawings not to scale");
    let edge = (300.0, 110.0);
    let angle = 75f64.to_radians();
    let down = |t: f64| (edge.0 - t * angle.cos(), edge.1 + t * angle.sin());
    let point = (edge.0 - 62.0, edge.1);
    let (foot, tip) = (down(205.0), down(180.0));
    page.path(&format!("M70 110 L{} L{} L70 308 Z", at(edge), at(foot)), CORE, INK, 1.5);
    page.path(
        &format!(
            "M{} L{} L{} C{} {} {} Z",
            at(point),
            at(edge),
            at(tip),
            at((tip.0 - 14.0, tip.1 - 40.0)),
            at((point.0 - 22.0, point.1 + 60.0)),
            at(point)
        ),
        FLAKE,
        INK,
        1.2,
    );
    page.put(&format!(
        "<circle cx=\"{}\" cy=\"{}\" r=\"22\" fill=\"white\" stroke=\"{INK}\" stroke-width=\"1.5\"/>",
        px(point.0),
        px(point.1 - 23.0)
    ));
    page.say((point.0 - 30.0, point.1 - 22.0), "end", INK, "percussor");
    page.dot(point);
    page.hint((point.0, point.1 - 4.0), (point.0, point.1 - 70.0));
    page.hint((edge.0, edge.1 - 4.0), (edge.0, edge.1 - 70.0));
    page.distance((point.0, edge.1 - 62.0), (edge.0, edge.1 - 62.0));
    page.say((edge.0 + 8.0, edge.1 - 58.0), "start", MEASURED, "platform depth");
    let r = 44.0;
    let arc_end = down(r);
    page.path(
        &format!("M{} A{r} {r} 0 0 0 {}", at((edge.0 - r, edge.1)), at(arc_end)),
        "none",
        MEASURED,
        1.6,
    );
    page.head((arc_end.0 - 6.0, arc_end.1 - 2.5), arc_end);
    page.say((edge.0 + 10.0, edge.1 + 36.0), "start", MEASURED, "exterior platform angle");
    page.hint((edge.0 + 6.0, edge.1 + 31.0), (edge.0 - 24.0, edge.1 + 28.0));
    page.say((78.0, 102.0), "start", INK, "platform");
    page.say((92.0, 220.0), "start", INK, "core");
    page.say((down(95.0).0 + 12.0, down(95.0).1 + 8.0), "start", INK, "exterior face");
    page.say((down(150.0).0 + 12.0, down(150.0).1 + 20.0), "start", INK, "flake (grey)");

    page.title((480.0, 24.0), "Its platform, from above");
    page.path("M490 210 C540 262 640 262 690 210 C650 140 560 128 490 210 Z", FLAKE, INK, 1.5);
    page.dot((588.0, 154.0));
    page.say((588.0, 132.0), "middle", INK, "percussion point");
    page.distance((588.0, 158.0), (588.0, 248.5));
    page.say((596.0, 208.0), "start", MEASURED, "platform");
    page.say((596.0, 224.0), "start", MEASURED, "depth");
    page.hint((490.0, 214.0), (490.0, 292.0));
    page.hint((690.0, 214.0), (690.0, 292.0));
    page.distance((490.0, 284.0), (690.0, 284.0));
    page.say((590.0, 302.0), "middle", MEASURED, "platform width");
    page.say((480.0, 262.0), "start", INK, "exterior");
    page.say((480.0, 170.0), "start", INK, "interior");
    page.end()
}

/// Dimensions of a flake, and what portions are called.
fn flake() -> String {
    let mut page = Page::new(720, 330, "What is measured on a flake");
    page.title((20.0, 24.0), "Interior face");
    page.path(
        "M110 60 L170 60 C200 90 226 140 214 190 C202 250 160 288 136 292 C104 280 70 230 66 180 C62 130 84 84 \
         110 60 Z",
        FLAKE,
        INK,
        1.5,
    );
    page.path("M120 66 C124 92 156 92 160 66", "none", INK, 1.0);
    page.dot((140.0, 60.0));
    page.say((146.0, 48.0), "start", INK, "percussion point");
    page.distance((140.0, 64.0), (140.0, 291.0));
    page.say((146.0, 232.0), "start", MEASURED, "length");
    page.distance((66.0, 178.0), (216.0, 178.0));
    page.say((152.0, 172.0), "start", MEASURED, "width");

    page.title((270.0, 24.0), "In section");
    page.path(
        "M330 60 L368 60 C372 120 366 220 352 292 C338 230 318 150 322 96 C324 78 326 66 330 60 Z",
        FLAKE,
        INK,
        1.5,
    );
    page.distance((328.3, 176.0), (366.6, 176.0));
    page.say((376.0, 180.0), "start", MEASURED, "thickness");
    page.say((314.0, 96.0), "end", INK, "bulb");
    page.say((318.0, 150.0), "end", INK, "interior");
    page.say((376.0, 110.0), "start", INK, "exterior");
    page.say((376.0, 60.0), "start", INK, "platform");
    page.say((360.0, 296.0), "start", INK, "feather termination");

    page.title((510.0, 24.0), "Portions");
    let outline =
        "M-18 0 L18 0 C34 22 36 60 24 90 C16 108 6 118 0 120 C-6 118 -18 106 -26 88 C-36 58 -34 22 -18 0 Z";
    for (i, (name, left, top, bottom)) in [
        ("complete", -50.0, 0.0, 120.0),
        ("proximal", -50.0, 0.0, 52.0),
        ("split", 0.0, 0.0, 120.0),
        ("medial", -50.0, 44.0, 84.0),
        ("distal", -50.0, 76.0, 120.0),
    ]
    .into_iter()
    .enumerate()
    {
        let (x, y) = (540.0 + 74.0 * (i % 3) as f64, 44.0 + 142.0 * (i / 3) as f64);
        page.put(&format!(
            "<clipPath id=\"portion{i}\"><rect x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{}\"/></clipPath>",
            50.0 - left,
            bottom - top
        ));
        page.put(&format!("<g transform=\"translate({x} {y})\">"));
        page.put(&format!(
            "<path d=\"{outline}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"0.7\" stroke-dasharray=\"3 3\"/>"
        ));
        page.put(&format!(
            "<path d=\"{outline}\" fill=\"{FLAKE}\" stroke=\"{INK}\" stroke-width=\"1.4\" \
             clip-path=\"url(#portion{i})\"/>"
        ));
        page.put("</g>");
        page.say((x, y + 136.0), "middle", INK, name);
    }
    page.end()
}

/// How a flake ends, four cores in section.
fn terminations() -> String {
    let mut page = Page::new(720, 250, "The four terminations");
    for (i, (name, how, crack)) in [
        ("feather", "thins out to an edge", "M60 50 C52 90 60 150 76 190"),
        ("hinge", "turns out, rounded", "M60 50 C54 80 55 104 58 116 C61 130 70 136 83.5 136"),
        ("step", "breaks off square", "M60 50 C54 80 56 110 58 132 L83 132"),
        ("overshot", "takes the far end along", "M60 50 C50 100 46 150 36 180 C30 194 20 198 8 198"),
    ]
    .into_iter()
    .enumerate()
    {
        let x = 30.0 + 172.0 * i as f64;
        page.put(&format!("<g transform=\"translate({x} 0)\">"));
        page.path("M8 50 L98 50 L70 216 L8 216 Z", CORE, INK, 1.5);
        let flake = match name {
            "feather" => format!("{crack} L98 50 Z"),
            "hinge" | "step" => format!("{crack} L98 50 Z"),
            _ => format!("{crack} L8 216 L70 216 L98 50 Z"),
        };
        page.path(&flake, FLAKE, INK, 1.2);
        page.path(crack, "none", MEASURED, 2.2);
        page.dot((60.0, 50.0));
        page.title((8.0, 24.0), name);
        page.say((8.0, 238.0), "start", INK, how);
        page.put("</g>");
    }
    page.end()
}

/// The predictor and the strike of the README's command: flint, 75 degrees.
fn predictor() -> Outcome<Predictor> {
    Ok(Predictor::new(bundled::named("hard-hammer-flint")?)?)
}

fn strike(depth_mm: f64) -> Outcome<Strike> {
    Ok(Strike::builder().platform_depth_mm(depth_mm).exterior_platform_angle_deg(75.0).build()?)
}

/// A logarithmic scale between two pixels.
struct Log {
    from: f64,
    to: f64,
    start: f64,
    end: f64,
}

impl Log {
    fn at(&self, v: f64) -> f64 {
        self.start + (self.end - self.start) * (v / self.from).ln() / (self.to / self.from).ln()
    }
}

/// The distribution of one mass, its median and its interval.
fn interval() -> Outcome<String> {
    let estimate = predictor()?.estimate(&strike(8.0)?, &Ask::default())?;
    let mass = estimate.size("mass_g").ok_or("no mass")?;
    let (wide, middle) = (mass.interval(0.95)?, mass.interval(0.5)?);
    let mut page =
        Page::new(720, 300, "Reading an interval: mass of a flake, 8 mm deep platform at 75 degrees");
    let x = Log { from: 1.0, to: 200.0, start: 60.0, end: 690.0 };
    let (floor, top) = (236.0, 50.0);
    // density of ln mass, from the distribution function
    let steps = 158;
    let mut curve = Vec::new();
    for i in 0..=steps {
        let v = (200f64.ln() * f64::from(i) / f64::from(steps)).exp();
        let h = 0.02f64;
        curve.push((v, (mass.cdf(v * h.exp()) - mass.cdf(v * (-h).exp())) / (2.0 * h)));
    }
    let most = curve.iter().map(|c| c.1).fold(0.0, f64::max);
    let y = |d: f64| floor - (floor - top) * d / most;
    let under = |from: f64, to: f64| {
        let mut d = format!("M{}", at((x.at(from), floor)));
        for (v, density) in curve.iter().filter(|c| c.0 > from && c.0 < to) {
            let _ = write!(d, " L{}", at((x.at(*v), y(*density))));
        }
        let _ = write!(d, " L{} Z", at((x.at(to), floor)));
        d
    };
    page.title((20.0, 24.0), "What 100 flakes from platforms like this one would weigh");
    page.path(&under(1.0, 200.0), "white", INK, 1.0);
    page.path(&under(wide.low, wide.high), "#cfe3f1", "none", 0.0);
    page.path(&under(middle.low, middle.high), "#8fbfde", "none", 0.0);
    page.path(&under(1.0, 200.0), "none", INK, 1.2);
    page.line((x.at(wide.median), floor), (x.at(wide.median), top - 6.0), INK, 1.6);
    page.say(
        (x.at(wide.median) + 6.0, top - 4.0),
        "start",
        INK,
        &format!("half below {:.0} g, half above", wide.median),
    );
    page.say((540.0, 100.0), "start", INK, "dark: the middle 50");
    page.say((540.0, 120.0), "start", INK, "dark and pale: 95");
    page.distance((x.at(wide.low), floor + 36.0), (x.at(wide.high), floor + 36.0));
    page.say(
        (x.at(wide.median), floor + 54.0),
        "middle",
        MEASURED,
        &format!("95 % interval: {:.1} to {:.0} g", wide.low, wide.high),
    );
    page.line((60.0, floor), (690.0, floor), INK, 1.2);
    for tick in [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0] {
        page.line((x.at(tick), floor), (x.at(tick), floor + 5.0), INK, 1.2);
        page.say((x.at(tick), floor + 20.0), "middle", INK, &format!("{tick}"));
    }
    page.say((x.at(200.0), floor + 36.0), "end", INK, "mass, g (logarithmic scale)");
    Ok(page.end())
}

/// Expected length and mass against platform depth, with bands.
fn expected() -> Outcome<String> {
    let predictor = predictor()?;
    let mut page = Page::new(
        720,
        340,
        "Expected length and mass against platform depth, hard hammer on flint, 75 degrees",
    );
    let depths: Vec<f64> = (0..=40).map(|i| 2.0 + 0.45 * f64::from(i)).collect();
    for (panel, (size, label, low, high, ticks)) in [
        ("length_mm", "length, mm", 10.0, 200.0, [10.0, 20.0, 50.0, 100.0, 200.0]),
        ("mass_g", "mass, g", 0.1, 1000.0, [0.1, 1.0, 10.0, 100.0, 1000.0]),
    ]
    .into_iter()
    .enumerate()
    {
        let left = 70.0 + 350.0 * panel as f64;
        let x = |d: f64| left + (d - 2.0) / 18.0 * 270.0;
        let y = Log { from: low, to: high, start: 280.0, end: 40.0 };
        let mut answers = Vec::new();
        for d in &depths {
            let estimate = predictor.estimate(&strike(*d)?, &Ask::default())?;
            let of = estimate.size(size).ok_or("no such size")?;
            answers.push((*d, of.interval(0.95)?, of.interval(0.5)?));
        }
        for (band, fill) in [(0, "#cfe3f1"), (1, "#8fbfde")] {
            let pick = |a: &(f64, conchoid::predict::Interval, conchoid::predict::Interval)| {
                let i = if band == 0 { &a.1 } else { &a.2 };
                (i.low.max(low), i.high.min(high))
            };
            let mut d = String::new();
            for a in &answers {
                let _ =
                    write!(d, "{}{}", if d.is_empty() { "M" } else { " L" }, at((x(a.0), y.at(pick(a).1))));
            }
            for a in answers.iter().rev() {
                let _ = write!(d, " L{}", at((x(a.0), y.at(pick(a).0))));
            }
            page.path(&format!("{d} Z"), fill, "none", 0.0);
        }
        let middle: Vec<String> = answers.iter().map(|a| at((x(a.0), y.at(a.1.median)))).collect();
        page.path(&format!("M{}", middle.join(" L")), "none", INK, 1.8);
        page.path(&format!("M{left} 40 L{left} 280 L{} 280", px(left + 270.0)), "none", INK, 1.2);
        for t in ticks {
            page.line((left - 5.0, y.at(t)), (left, y.at(t)), INK, 1.2);
            page.say((left - 8.0, y.at(t) + 4.0), "end", INK, &format!("{t}"));
        }
        for t in [5.0, 10.0, 15.0, 20.0] {
            page.line((x(t), 280.0), (x(t), 285.0), INK, 1.2);
            page.say((x(t), 300.0), "middle", INK, &format!("{t}"));
        }
        page.title((left, 24.0), label);
        page.say((left + 270.0, 322.0), "end", INK, "platform depth, mm");
    }
    page.say((70.0, 322.0), "start", INK, "line: median");
    page.say((420.0, 322.0), "start", INK, "bands: 50 and 95 %");
    page.say((690.0, 24.0), "end", INK, "exterior angle 75 degrees, logarithmic sizes");
    Ok(page.end())
}
