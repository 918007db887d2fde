//! What a scraper lost: at the field school on chalk downland a student strikes a flake of local flint, weighs it, makes
//! a scraper of it and resharpens it six times, measuring the retouch each time. Somebody who has only the scraper asks
//! after each resharpening what it weighed when it came off: by its platform, and by its retouch. A second piece is
//! broken, with the missing end in another tray; a third cannot be what its label says. All pieces are invented.
//!
//! Run: `cargo run --example resharpened_scraper [FOLDER]`; the picture goes to FOLDER (`target/figures`).

#[allow(dead_code)]
#[path = "knap/src/failure.rs"]
mod failure;
#[allow(dead_code)]
#[path = "knap/src/plot.rs"]
mod plot;
#[allow(dead_code)]
#[path = "knap/src/say.rs"]
mod say;

use conchoid::Error;
use conchoid::calibration::bundled;
use conchoid::flake::Flake;
use conchoid::infer::Drawing;
use conchoid::infer::{GroupLosses, Losses};
use conchoid::infer::{LookBack, OriginalEstimate, Remains, original};
use conchoid::predict::{Ask, Interval, Predictor};
use conchoid::strike::Strike;
use plot::{Axis, Layer, Panel, page};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::PathBuf;

/// What the flake weighed when it was struck, g.
const STRUCK: f64 = 58.6;

/// Mass, greatest thickness, heights of retouch at three points and the thicknesses there.
type State = (f64, f64, [(f64, f64); 3]);

/// After each resharpening.
const STATES: [State; 6] = [
    (57.2, 15.1, [(2.4, 13.2), (2.9, 14.0), (2.1, 11.6)]),
    (54.6, 15.1, [(4.3, 13.4), (4.9, 14.2), (3.8, 11.7)]),
    (50.4, 15.0, [(6.6, 13.7), (7.2, 14.5), (5.7, 12.0)]),
    (45.1, 15.0, [(8.8, 14.0), (9.5, 14.7), (7.4, 12.1)]),
    (39.3, 14.9, [(10.9, 14.3), (11.8, 14.8), (9.2, 12.4)]),
    (34.0, 14.6, [(12.7, 14.5), (13.6, 14.6), (10.9, 12.5)]),
];

fn strike(depth: f64, angle: f64) -> Result<Strike, Error> {
    Strike::builder()
        .platform_depth_mm(depth)
        .exterior_platform_angle_deg(angle)
        .percussor("quartzite")
        .stone("flint")
        .build()
}

/// The scraper after a resharpening, with or without its retouch measured.
fn scraper(state: usize, measured: bool) -> Result<Flake, Error> {
    let (mass, thickness, points) = STATES[state];
    let mut flake = Flake::builder().strike(strike(10.5, 74.0)?).mass_now_g(mass);
    if measured {
        flake = flake.max_thickness_now_mm(thickness);
        flake = points.iter().fold(flake, |f, (t, whole)| f.retouch_point(*t, *whole));
    }
    flake.build()
}

fn told(i: &Interval, scale: f64) -> String {
    format!("{:>5.0}  ({:>3.0} to {:>3.0})", scale * i.median, scale * i.low, scale * i.high)
}

/// Lines of a paragraph, set in.
fn wrapped(text: &str) -> String {
    let mut out = String::from("   ");
    let mut column = 3;
    for word in text.split_whitespace() {
        if column + word.len() > 98 {
            out.push_str("\n   ");
            column = 3;
        }
        out.push(' ');
        out.push_str(word);
        column += 1 + word.len();
    }
    out
}

fn print(found: &OriginalEstimate) -> Result<(), Error> {
    let (mass, lost) = (found.mass.interval(0.95)?, found.mass.share_lost(0.95)?);
    println!("    it weighed, g   {}", told(&mass, 1.0));
    println!("    lost of that, % {}", told(&lost, 100.0));
    Ok(())
}

/// Two trenches of invented scrapers: one by the spring, where tools were used up, one by the quarry.
fn trenches<'a>(look: &'a LookBack<'a>) -> Result<Vec<GroupLosses>, Error> {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let mut losses = Losses::new(look);
    for (trench, low, high, n) in [("spring", 0.2, 0.95, 40), ("quarry", 0.05, 0.5, 40)] {
        for _ in 0..n {
            let thickness = rng.random_range(8.0..18.0);
            let full = rng.random_range(low..high);
            let piece = (0..3).fold(Flake::builder().max_thickness_now_mm(thickness), |piece, _| {
                let there = thickness * rng.random_range(0.8..1.0);
                piece.retouch_point(there * full, there)
            });
            let mass = 0.12 * thickness * thickness * rng.random_range(0.7..1.4);
            losses.offer(trench, &piece.mass_now_g(mass).build()?);
        }
    }
    losses.totals(&Drawing::seeded(5).draws(2000)?)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map_or_else(|| PathBuf::from("target/figures"), PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    let sizes = Predictor::new(bundled::named("hard-hammer-flint")?)?;
    let look = LookBack::new()?.sizes(&sizes);
    let ask = Ask::default();

    println!(
        "A flake of {STRUCK} g is made into a scraper and resharpened six times. What would somebody say it"
    );
    println!("weighed who has only the scraper? Median, and where 95 % of such pieces fall, g:\n");
    println!("    resharpened  weighs now   by its platform      by its retouch        lost, %");
    let (mut by_platform, mut by_retouch) = (Vec::new(), Vec::new());
    for (state, (now, ..)) in STATES.iter().enumerate() {
        let platform = look.original(&scraper(state, false)?, &ask)?;
        let retouch = look.original(&scraper(state, true)?, &ask)?;
        let (a, b) = (platform.mass.interval(0.95)?, retouch.mass.interval(0.95)?);
        let lost = retouch.mass.share_lost(0.95)?;
        println!(
            "    {:>11}  {now:>10.1}  {}  {}  {}",
            state + 1,
            told(&a, 1.0),
            told(&b, 1.0),
            told(&lost, 100.0)
        );
        by_platform.push(a);
        by_retouch.push(b);
    }
    let inside = by_retouch.iter().filter(|i| (i.low..=i.high).contains(&STRUCK)).count();
    let width = |list: &[Interval]| list.iter().map(|i| i.high - i.low).sum::<f64>() / list.len() as f64;
    println!(
        "\n  By its retouch the interval is {:.0} g wide on average and holds what it weighed {inside} times of 6; by its\n  \
         platform it is {:.0} g wide.",
        width(&by_retouch),
        width(&by_platform)
    );

    println!("\nA proximal fragment of such a platform weighs 19.0 g, and its distal end, 16.5 g, refits:");
    let refitted = Remains::new(19.0)?.with_missing_g(16.5)?;
    print(&original(&sizes, &strike(10.5, 74.0)?, &refitted, &ask, None)?)?;

    println!("\nA label says that a tool of 260 g has a platform of 3 mm at 65 degrees:");
    let wrong = original(&sizes, &strike(3.0, 65.0)?, &Remains::new(260.0)?, &ask, None)?;
    print(&wrong)?;
    for caution in wrong.cautions.iter().filter(|c| c.kind() == "remains-improbable") {
        println!("{}", wrapped(&format!("Mind: {caution}.")));
    }

    println!("\nForty scrapers of each of two trenches, share of the mass that is lost:");
    let groups = trenches(&look)?;
    for g in &groups {
        if let (Some(share), Some(half)) = (g.share_lost, g.lost_more_than.get(5)) {
            let share = share.interval();
            println!(
                "    {}: {:.0} % ({:.0} to {:.0}); more than 30 % gone of {:.0} % of the pieces",
                g.group,
                100.0 * share.median,
                100.0 * share.low,
                100.0 * share.high,
                100.0 * half.1.interval().median
            );
        }
    }
    let picture = folder.join("resharpened-scraper.svg");
    std::fs::write(&picture, draw(&by_platform, &by_retouch, &groups)?)?;
    println!("\nThe scraper and the trenches are drawn in {}.", picture.display());
    println!(
        "\nRetouch makes the finest dust: eye protection, moving air, a leg pad. Never retouch an old piece."
    );
    Ok(())
}

/// What it weighed, both ways; how the shares lost are spread in two trenches.
fn draw(
    by_platform: &[Interval],
    by_retouch: &[Interval],
    groups: &[GroupLosses],
) -> Result<String, Box<dyn std::error::Error>> {
    let place = |i: usize, beside: f64| i as f64 + 1.0 + beside;
    let whiskers = |list: &[Interval], beside: f64| -> Vec<(f64, f64, f64)> {
        list.iter().enumerate().map(|(i, v)| (place(i, beside), v.low, v.high)).collect()
    };
    let medians = |list: &[Interval], beside: f64| -> Vec<(f64, f64)> {
        list.iter().enumerate().map(|(i, v)| (place(i, beside), v.median)).collect()
    };
    let highest = by_platform.iter().map(|i| i.high).fold(0.0, f64::max);
    let first = Panel {
        title: "One scraper (dashed: what it weighed)".into(),
        x: Axis::fixed("times resharpened", 0.5, 6.5),
        y: Axis::fixed("original mass, g", 0.0, 1.35 * highest),
        layers: vec![
            Layer::Guide(vec![(0.5, STRUCK), (6.5, STRUCK)]),
            Layer::Whiskers(whiskers(by_platform, -0.12), 0),
            Layer::Points(medians(by_platform, -0.12), 0),
            Layer::Whiskers(whiskers(by_retouch, 0.12), 1),
            Layer::Points(medians(by_retouch, 0.12), 1),
        ],
        legend: vec![("by its platform".into(), 0), ("by its retouch".into(), 1)],
    };
    let mut layers = Vec::new();
    let mut legend = Vec::new();
    for (k, g) in groups.iter().enumerate() {
        let line: Vec<(f64, f64)> =
            g.lost_more_than.iter().map(|(s, d)| (100.0 * s, 100.0 * d.interval().median)).collect();
        let spans = g
            .lost_more_than
            .iter()
            .map(|(s, d)| (100.0 * s, d.interval()))
            .map(|(s, i)| (s, 100.0 * i.low, 100.0 * i.high))
            .collect();
        layers.push(Layer::Whiskers(spans, k));
        layers.push(Layer::Line(line, k));
        legend.push((format!("{} ({} scrapers)", g.group, g.n), k));
    }
    let second = Panel {
        title: "Two trenches".into(),
        x: Axis::fixed("share of a piece's mass lost, %", 0.0, 100.0),
        y: Axis::fixed("pieces that lost more, %", 0.0, 135.0),
        layers,
        legend,
    };
    page("What a resharpened scraper weighed when it came off", &[first, second], 2)
        .map_err(|f| f.message.into())
}
