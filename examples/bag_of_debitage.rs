//! A bag of debitage: behind the finds hut of a field school on chalk downland stands a bag of flint from last
//! year, sieved and unlabelled. What did the flakes weigh when they came off, how many went through the mesh,
//! and do they look like those the students make with red deer antler, or like those of quartzite?
//!
//! The students' own flakes, struck with both percussors, are fitted together; the bag is read with that. All
//! flakes are invented, and the bag was in truth made with antler.
//!
//! Run: `cargo run --example bag_of_debitage [FOLDER]`; the picture goes to FOLDER (`target/figures`).

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
use conchoid::calibration::{Calibration, Provenance};
use conchoid::calibration::{Collector, Method, Recipe, SizeRecipe};
use conchoid::flake::{Flake, Portion};
use conchoid::form::{Form, indicator};
use conchoid::infer::{Assemblage, Drawing, GroupTotals};
use conchoid::infer::{Comparison, Resampling};
use conchoid::infer::{Held, Mesh, size_grades, struck};
use conchoid::predict::{Ask, Interval, Predictive, Predictor};
use conchoid::strike::Strike;
use plot::{Axis, Layer, Panel, above_row, page};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::path::PathBuf;

/// How the invented knappers work: ln mass = a + b ln depth + c angle (+ d by antler), and the same of the width.
struct Law {
    constant: f64,
    depth: f64,
    angle: f64,
    antler: f64,
    spread: f64,
}

const MASS: Law = Law { constant: -3.4, depth: 1.75, angle: 0.026, antler: -0.45, spread: 0.40 };
const WIDTH: Law = Law { constant: 1.35, depth: 0.62, angle: 0.008, antler: -0.10, spread: 0.24 };

impl Law {
    fn draw(&self, s: &Setting, rng: &mut ChaCha8Rng) -> f64 {
        let z: f64 = StandardNormal.sample(rng);
        let antler = if s.antler { self.antler } else { 0.0 };
        (self.constant + self.depth * s.depth.ln() + self.angle * s.angle + antler + self.spread * z).exp()
    }
}

#[derive(Clone, Copy)]
struct Setting {
    depth: f64,
    angle: f64,
    antler: bool,
}

/// A flake as it came off.
#[derive(Clone, Copy)]
struct Came {
    setting: Setting,
    mass: f64,
    width: f64,
}

/// Small platforms are commoner than large ones.
fn knap(antler: bool, rng: &mut ChaCha8Rng) -> Came {
    let z: f64 = StandardNormal.sample(rng);
    let depth = (3.2 * (0.5 * z).exp()).clamp(1.0, 14.0);
    let setting = Setting { depth, angle: rng.random_range(60.0f64..85.0).round(), antler };
    Came { setting, mass: MASS.draw(&setting, rng), width: WIDTH.draw(&setting, rng) }
}

fn strike(s: &Setting, told: bool) -> Result<Strike, Error> {
    let percussor = if s.antler { "antler" } else { "quartzite" };
    Strike::builder()
        .platform_depth_mm(s.depth)
        .exterior_platform_angle_deg(s.angle)
        .percussor(told.then_some(percussor))
        .stone("flint")
        .build()
}

/// Mass and width of the students' flakes under one form, with a shift for antler.
fn calibrate(school: &[Came]) -> Result<Calibration, Error> {
    let form = Form::named("log-log")?.with_terms([indicator("percussor", "antler")])?;
    let provenance = Provenance::new("a field school (invented)", "own records", "own", "bag_of_debitage");
    let mut recipe = Recipe::single("school", "mass_g", form.clone(), provenance)?;
    recipe.stone = Some("flint".into());
    recipe.variants[0].sizes.insert(
        0,
        SizeRecipe {
            size: "width_mm".into(),
            column: "width_mm".into(),
            form,
            method: Method::least_squares(),
        },
    );
    let mut collector = Collector::new(recipe)?;
    for c in school {
        let flake =
            Flake::builder().strike(strike(&c.setting, true)?).mass_g(c.mass).width_mm(c.width).build()?;
        collector.offer(&flake);
    }
    Ok(collector.finish()?.0)
}

/// What lies in the bag of one flake: whole, or without its end, or in two halves.
enum Lies {
    Whole,
    Proximal,
    Split,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map_or_else(|| PathBuf::from("target/figures"), PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mesh = Mesh::inches(0.25)?;

    let school: Vec<Came> = (0..80).map(|i| knap(i % 2 == 0, &mut rng)).collect();
    let predictor = Predictor::new(calibrate(&school)?)?;
    println!(
        "The students strike 80 flakes of local flint, 40 by antler and 40 by quartzite, and fit mass and"
    );
    println!("width by platform depth, exterior angle and percussor. Then they empty the bag.\n");

    // last year, by antler; a flake lies flat on the mesh at some turn and passes if it is too narrow for it
    let made: Vec<Came> = (0..400).map(|_| knap(true, &mut rng)).collect();
    let found: Vec<Came> = made
        .iter()
        .filter(|c| c.width > mesh.opening_mm() * rng.random_range(1.0..std::f64::consts::SQRT_2))
        .copied()
        .collect();
    let lies: Vec<Lies> = found
        .iter()
        .map(|_| match rng.random::<f64>() {
            u if u < 0.75 => Lies::Whole,
            u if u < 0.92 => Lies::Proximal,
            _ => Lies::Split,
        })
        .collect();

    let mut bag = Assemblage::new(&predictor, Default::default())?;
    // the same flakes, as if nothing had been weighed
    let mut unweighed = Assemblage::new(&predictor, Default::default())?;
    let mut masses = Vec::new();
    let (mut whole, mut widths, mut held) = (Vec::new(), Vec::new(), Vec::new());
    for (i, (c, lies)) in found.iter().zip(&lies).enumerate() {
        let name = format!("B{i}");
        // the label is lost: the bag does not say what struck it, the analyst supposes antler
        let strike = strike(&c.setting, true)?;
        let piece = |portion: Portion, mass: f64| {
            Flake::builder().name(&*name).strike(strike.clone()).portion(portion).mass_now_g(mass).build()
        };
        match lies {
            Lies::Whole => {
                bag.offer("bag", &piece(Portion::Complete, c.mass)?);
                whole.push((c.mass, by_quartzite(&predictor, c)?));
            }
            Lies::Proximal => {
                bag.offer("bag", &piece(Portion::Proximal, c.mass * rng.random_range(0.4..0.95))?);
            }
            // the two halves bear one name and count as one flake
            Lies::Split => {
                bag.offer("bag", &piece(Portion::Split, 0.55 * c.mass)?);
                bag.offer("bag", &piece(Portion::Split, 0.40 * c.mass)?);
            }
        }
        let estimate = predictor.estimate(&strike, &Ask::default())?;
        let width = estimate.size("width_mm").ok_or("no width")?.clone();
        held.push(Held::AnyTurn.probability(&width, mesh)?);
        widths.push(width);
        masses.push(estimate.size("mass_g").ok_or("no mass")?.clone());
        unweighed.offer("bag", &strike);
    }
    for _ in 0..35 {
        let shatter =
            Flake::builder().portion(Portion::Distal).mass_now_g(rng.random_range(0.1..3.0)).build()?;
        bag.offer("bag", &shatter);
    }
    let drawing = Drawing::seeded(7).draws(4000)?;
    let totals = bag.totals(&drawing)?;
    let group = totals.first().ok_or("an empty bag")?;
    let platforms = unweighed.totals(&drawing)?.swap_remove(0).total_mass_g.ok_or("no total")?.interval();
    let naive = added_up(&masses, &mut rng);
    let truth: f64 = found.iter().map(|c| c.mass).sum();
    tell_totals(group, &platforms, naive, truth)?;
    let total = group.total_mass_g.ok_or("no total")?.interval();

    let n = struck(&held, 0.95)?;
    println!(
        "\nThe bag was sieved at {:.2} mm (a quarter inch). Of flakes from such platforms the mesh holds {:.0} % on\n\
         average, so the {} flakes found stand for {:.0} struck ({:.0} to {:.0}, by chance alone: what the students'\n\
         flakes do not know of widths comes on top). In truth there were {}.",
        mesh.opening_mm(),
        100.0 * held.iter().sum::<f64>() / held.len() as f64,
        n.found,
        n.estimate,
        n.low,
        n.high,
        made.len()
    );

    println!(
        "\nDo its whole flakes look like those the students made? Typical mass, the bag's over theirs:\n"
    );
    println!("                                                    overlap   p (Kolmogorov-Smirnov, energy)");
    let mut compared = Vec::new();
    for (name, antler) in [("antler", true), ("quartzite", false)] {
        // what the mesh would have lost does not count against the bag
        let held = school.iter().filter(|c| c.setting.antler == antler && c.width > mesh.opening_mm());
        let theirs =
            held.map(|c| Ok((c.mass, by_quartzite(&predictor, c)?))).collect::<Result<Vec<_>, Error>>()?;
        let on_scale = Comparison::new(&weights(&whole), &weights(&theirs), &Resampling::seeded(11))?;
        let by_platform = Comparison::new(&ratios(&whole), &ratios(&theirs), &Resampling::seeded(11))?;
        for (how, c) in [("as weighed", &on_scale), ("for their platforms", &by_platform)] {
            println!(
                "  {name:9}  {how:19}   {:.2} ({:.2} to {:.2})   {:>4.0} %   {:.4}, {:.4}",
                c.ratio.value,
                c.ratio.low,
                c.ratio.high,
                100.0 * c.overlap.value,
                c.kolmogorov_smirnov.p_value,
                c.energy.p_value
            );
        }
        compared.push((name, ratios(&theirs), by_platform.differ()));
    }
    println!(
        "\nFor their platforms: each mass is divided by what quartzite typically gives on such a platform, so that\n\
         small platforms do not pass for a light hammer.\n"
    );
    for (name, _, differ) in &compared {
        let verdict = if *differ {
            "they do not look alike"
        } else {
            "nothing tells them apart, which is no proof that they are alike"
        };
        println!("  The bag and {name}: {verdict}.");
    }

    let totals_drawn = [
        ("platforms, errors shared", [platforms.low, platforms.median, platforms.high]),
        ("platforms, as if independent", naive),
        ("and by what is usually lost", [total.low, total.median, total.high]),
    ];
    let totals_drawn = Totals { rows: totals_drawn, truth, now: group.mass_now_g };
    let picture = folder.join("bag-of-debitage.svg");
    std::fs::write(&picture, draw(&totals_drawn, &ratios(&whole), &compared, &found, &widths, mesh)?)?;
    println!("\nThe bag is drawn in {}.", picture.display());
    println!(
        "\nDebitage is sharp and its dust harmful: gloves, moving air, damp sorting; eye protection at any blow."
    );
    Ok(())
}

/// What quartzite typically gives on the platform of a flake.
fn by_quartzite(predictor: &Predictor, c: &Came) -> Result<f64, Error> {
    let strike = strike(&Setting { antler: false, ..c.setting }, true)?;
    let estimate = predictor.estimate(&strike, &Ask::default())?;
    match estimate.size("mass_g") {
        Some(p) => Ok(p.median()),
        None => Err(Error::missing("mass_g", "the story is about mass")),
    }
}

fn weights(flakes: &[(f64, f64)]) -> Vec<f64> {
    flakes.iter().map(|f| f.0).collect()
}

fn ratios(flakes: &[(f64, f64)]) -> Vec<f64> {
    flakes.iter().map(|f| f.0 / f.1).collect()
}

/// The total as if every flake erred by itself: low, median, high of 95 %.
fn added_up(masses: &[Predictive], rng: &mut ChaCha8Rng) -> [f64; 3] {
    let mut totals: Vec<f64> = (0..2000).map(|_| masses.iter().map(|m| m.sample(rng)).sum()).collect();
    totals.sort_by(f64::total_cmp);
    [50, 1000, 1949].map(|i| totals[i])
}

fn tell_totals(
    group: &GroupTotals,
    platforms: &Interval,
    naive: [f64; 3],
    truth: f64,
) -> Result<(), Box<dyn std::error::Error>> {
    println!(
        "In the bag: {} pieces, {} of them with a platform, from {} flakes; the others are listed, not estimated.",
        group.pieces, group.platforms, group.n
    );
    let total = group.total_mass_g.ok_or("no total")?.interval();
    let lost = group.mass_lost_g.ok_or("no loss")?.interval();
    let mean = group.mean_mass_g.ok_or("no mean")?.interval();
    println!("\n  on the scale now              {:>6.0} g", group.mass_now_g);
    println!(
        "  originally, by the platforms  {:>6.0} g   ({:.0} to {:.0})",
        platforms.median, platforms.low, platforms.high
    );
    println!(
        "  and by what is usually lost   {:>6.0} g   ({:.0} to {:.0})",
        total.median, total.low, total.high
    );
    println!(
        "  a flake on average            {:>6.1} g   ({:.1} to {:.1})",
        mean.median, mean.low, mean.high
    );
    println!(
        "  lost since                    {:>6.0} g   ({:.0} to {:.0})",
        lost.median, lost.low, lost.high
    );
    println!("  in truth it was               {truth:>6.0} g");
    println!(
        "\nAdding up the flakes as if each erred by itself would give {:.0} to {:.0} g by the platforms: too narrow,\n\
         for all of them lean on the same flakes of the students, and what is wrong with those is wrong for each.",
        naive[0], naive[2]
    );
    Ok(())
}

/// The totals of the picture: rows of low, median, high.
struct Totals {
    rows: [(&'static str, [f64; 3]); 3],
    truth: f64,
    now: f64,
}

fn draw(
    totals: &Totals,
    whole: &[f64],
    compared: &[(&str, Vec<f64>, bool)],
    found: &[Came],
    widths: &[Predictive],
    mesh: Mesh,
) -> Result<String, Box<dyn std::error::Error>> {
    let ends = totals.rows.iter().flat_map(|r| r.1).chain([totals.truth, totals.now]);
    let x = Axis::over("mass, g", ends, false);
    let mut layers = vec![Layer::Guide(vec![(totals.truth, 0.0), (totals.truth, 3.2)])];
    let mut middles = Vec::new();
    for (k, (name, [low, median, high])) in totals.rows.iter().enumerate() {
        let at = 2.5 - k as f64;
        layers.push(Layer::Label(
            x.low + 0.005 * (x.high - x.low),
            at + above_row(1, 4.2),
            (*name).to_string(),
        ));
        layers.push(Layer::Spans(vec![(at, *low, *high)], 0));
        middles.push((*median, at));
    }
    layers.push(Layer::Points(middles, 0));
    layers.push(Layer::Points(vec![(totals.now, 0.5)], 3));
    layers.push(Layer::Points(vec![(totals.truth, 3.2)], 1));
    let first = Panel {
        title: "Total mass of the bag (lines: 95 %)".into(),
        x,
        y: Axis::fixed("", 0.0, 4.2),
        layers,
        legend: vec![
            ("estimated".into(), 0),
            ("in truth (dashed)".into(), 1),
            ("on the scale now".into(), 3),
        ],
    };

    let sets: Vec<(&str, &[f64])> =
        [("the bag", whole)].into_iter().chain(compared.iter().map(|(n, v, _)| (*n, &v[..]))).collect();
    let x = Axis::over(
        "mass over what quartzite typically gives there",
        sets.iter().flat_map(|s| s.1.iter().copied()),
        true,
    );
    let (mut layers, mut legend) = (Vec::new(), Vec::new());
    for (k, (name, values)) in sets.iter().enumerate() {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let share = |i: usize| 100.0 * (i as f64 + 0.5) / sorted.len() as f64;
        let line: Vec<(f64, f64)> = sorted.iter().enumerate().map(|(i, v)| (*v, share(i))).collect();
        let marks = line.iter().copied().step_by(sorted.len().div_ceil(14)).collect();
        layers.push(if k == 0 { Layer::Line(line, k) } else { Layer::Dashes(line, k) });
        layers.push(Layer::Points(marks, k));
        legend.push((format!("{name} ({})", sorted.len()), k));
    }
    let second = Panel {
        title: "How heavy whole flakes are for their platforms".into(),
        x,
        y: Axis::fixed("share of flakes that are lighter, %", 0.0, 135.0),
        layers,
        legend,
    };

    let meshes = [25.4, 19.05, 12.7, 9.5].into_iter().chain([mesh.opening_mm()]);
    let meshes = meshes.map(Mesh::mm).collect::<Result<Vec<_>, _>>()?;
    let grades = size_grades(widths, &meshes, Held::WiderThanSides(1.0))?;
    let mut expected = Vec::new();
    let mut seen = Vec::new();
    let mut spread = Vec::new();
    for (k, g) in grades.iter().enumerate() {
        let at = k as f64 + 1.0;
        let floor = g.mesh.map_or(0.0, Mesh::opening_mm);
        let ceiling = if k == 0 { f64::INFINITY } else { meshes[k - 1].opening_mm() };
        let count = found.iter().filter(|c| c.width > floor && c.width <= ceiling).count();
        expected.push((at, g.expected));
        spread.push((at, (g.expected - 1.96 * g.deviation).max(0.0), g.expected + 1.96 * g.deviation));
        seen.push((at, count as f64));
    }
    let highest = spread.iter().map(|s| s.2).chain(seen.iter().map(|s| s.1)).fold(0.0, f64::max);
    let layers = vec![Layer::Bars(expected, 0.8), Layer::Whiskers(spread, 0), Layer::Points(seen, 1)];
    let names = ["25.4", "19.05", "12.7", "9.5", "6.35", "through"].iter().enumerate();
    let names = names.map(|(k, name)| (k as f64 + 1.0, (*name).to_string()));
    let third = Panel {
        title: "Size grades that such platforms give (bars, 95 %)".into(),
        x: Axis::fixed("held by the mesh of so many mm, the widest first", 0.5, 6.5).with_words(names),
        y: Axis::fixed("flakes", 0.0, 1.25 * highest),
        layers,
        legend: vec![("found in the bag".into(), 1)],
    };
    page("A bag of debitage", &[first, second, third], 3).map_err(|f| f.message.into())
}
