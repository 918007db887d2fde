//! What a retouched blade lost: at the field school on chalk downland a student finds last year's flint knife, a
//! retouched blade with its platform still on, and asks what it weighed when it came off and how much of it lies
//! in the grass. A second one is broken, with the missing end in another tray; a third cannot be what it is
//! said to be. All pieces are invented.
//!
//! Run: `cargo run --example retouched_blade [FOLDER]`; the picture goes to FOLDER (`target/figures`).

#[allow(dead_code)]
#[path = "knap/src/failure.rs"]
mod failure;
#[allow(dead_code)]
#[path = "knap/src/plot.rs"]
mod plot;

use conchoid::Error;
use conchoid::calibration::bundled;
use conchoid::infer::{BetaLoss, Loss, OriginalEstimate, Remains, original};
use conchoid::predict::{Ask, Caution, Interval, Predictor};
use conchoid::strike::{Platform, Strike};
use plot::{Axis, Layer, Panel, page};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Distribution};
use std::path::PathBuf;
use std::sync::Arc;

/// How much the students usually retouch away: beta distributed, two sevenths on average. Invented.
const LOSS: (f64, f64) = (2.0, 5.0);
/// What remains of the blade, g.
const NOW: f64 = 14.2;
const TOOLS: usize = 1000;

fn strike(depth: f64, angle: f64) -> Result<Strike, Error> {
    let platform = Platform::builder().depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
    Strike::builder().platform(platform).percussor("quartzite").stone("flint").build()
}

fn usual() -> Result<Arc<dyn Loss>, Error> {
    Ok(Arc::new(BetaLoss::new(LOSS.0, LOSS.1)?))
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

fn told(i: &Interval, scale: f64, unit: &str) -> String {
    format!("{:.0} {unit} ({:.0} to {:.0})", scale * i.median, scale * i.low, scale * i.high)
}

fn print(found: &OriginalEstimate) -> Result<(), Error> {
    println!("    it weighed       {}", told(&found.mass.interval(0.95)?, 1.0, "g"));
    println!("    lost of that     {}", told(&found.mass.share_lost(0.95)?, 100.0, "%"));
    println!("    more than half   with a probability of {:.0} %", 100.0 * found.mass.lost_more_than(0.5)?);
    Ok(())
}

/// An invented tool: platform, what it weighed, what is left.
struct Tool {
    depth: f64,
    angle: f64,
    weighed: f64,
    now: f64,
}

/// Tools whose original is drawn from the calibration and whose loss from the model.
fn tools(
    predictor: &Predictor,
    n: usize,
    rng: &mut ChaCha8Rng,
) -> Result<Vec<Tool>, Box<dyn std::error::Error>> {
    let loss = Beta::new(LOSS.0, LOSS.1)?;
    let mut out = Vec::with_capacity(n);
    for _ in 0..n {
        let (depth, angle) = (rng.random_range(4.0..12.0), rng.random_range(60.0..85.0));
        let estimate = predictor.estimate(&strike(depth, angle)?, &Ask::default())?;
        let weighed = estimate.size("mass_g").ok_or("no mass")?.sample(rng);
        let now = weighed * (1.0 - loss.sample(rng));
        out.push(Tool { depth, angle, weighed, now });
    }
    Ok(out)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map_or_else(|| PathBuf::from("target/figures"), PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
    let ask = Ask::default();

    println!(
        "A retouched blade of local flint, platform 9 mm deep at 72 degrees, weighs {NOW} g. Median, and"
    );
    println!("where 95 % of such blades fall:\n");
    let blade = strike(9.0, 72.0)?;
    let remains = Remains::new(NOW)?;
    let bare = original(&predictor, &blade, &remains, &ask, None)?;
    let assumed = original(&predictor, &blade, &remains, &ask, Some(usual()?))?;
    println!("  Knowing only that nothing grows back (it weighed at least what is left):");
    print(&bare)?;
    println!("\n  Assuming the loss that is usual at the school (beta 2, 5: two sevenths on average):");
    print(&assumed)?;
    println!(
        "\n  The platform says what came off; only a model of loss says how much is usually retouched away."
    );

    println!("\nA proximal fragment of the same platform weighs 9.0 g, and its distal end, 6.5 g, refits:");
    let refitted = Remains::new(9.0)?.with_missing_g(6.5)?;
    print(&original(&predictor, &blade, &refitted, &ask, None)?)?;

    println!("\nA label says that a tool of 260 g has a platform of 3 mm at 65 degrees:");
    let wrong = original(&predictor, &strike(3.0, 65.0)?, &Remains::new(260.0)?, &ask, None)?;
    print(&wrong)?;
    for caution in wrong.cautions.iter().filter(|c| matches!(c, Caution::RemainsImprobable { .. })) {
        println!("{}", wrapped(&format!("Mind: {caution}.")));
    }

    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let tools = tools(&predictor, TOOLS, &mut rng)?;
    let mut answers = Vec::with_capacity(TOOLS);
    let (mut mass_inside, mut lost_inside, mut bare_inside, mut below) = (0, 0, 0, 0);
    for t in &tools {
        let (piece, remains) = (strike(t.depth, t.angle)?, Remains::new(t.now)?);
        let found = original(&predictor, &piece, &remains, &ask, Some(usual()?))?;
        let (mass, lost) = (found.mass.interval(0.95)?, found.mass.share_lost(0.95)?);
        let share = 1.0 - t.now / t.weighed;
        mass_inside += usize::from((mass.low..=mass.high).contains(&t.weighed));
        lost_inside += usize::from((lost.low..=lost.high).contains(&share));
        below += usize::from(mass.low < t.now);
        let plain = original(&predictor, &piece, &remains, &ask, None)?.mass.interval(0.95)?;
        bare_inside += usize::from((plain.low..=plain.high).contains(&t.weighed));
        answers.push(mass);
    }
    let percent = |n: usize| 100.0 * n as f64 / TOOLS as f64;
    println!(
        "\nDoes it work? {TOOLS} invented tools, retouched as is usual. With the model of loss the 95 % interval\n\
         holds the true original mass of {:.1} % of them and the true share lost of {:.1} %; knowing only what\n\
         remains, it holds {:.1} %. Originals below what remains: {below}.",
        percent(mass_inside),
        percent(lost_inside),
        percent(bare_inside),
    );
    let picture = folder.join("retouched-blade.svg");
    std::fs::write(&picture, draw([&bare, &assumed], &tools, &answers)?)?;
    println!("\nThe blade and its fellows are drawn in {}.", picture.display());
    println!(
        "\nRetouch makes the finest dust: eye protection, moving air, a leg pad. Never retouch an old piece."
    );
    Ok(())
}

/// The blade's original mass both ways; forty of the invented tools.
fn draw(
    blade: [&OriginalEstimate; 2],
    tools: &[Tool],
    answers: &[Interval],
) -> Result<String, Box<dyn std::error::Error>> {
    let far = blade[0].mass.quantile(0.985)?;
    let grid: Vec<f64> = (0..=160).map(|i| NOW + (far - NOW) * f64::from(i) / 160.0).collect();
    let density = |found: &OriginalEstimate| -> Vec<(f64, f64)> {
        let step = grid[1] - grid[0];
        grid.windows(2)
            .map(|w| (0.5 * (w[0] + w[1]), 100.0 * (found.mass.cdf(w[1]) - found.mass.cdf(w[0])) / step))
            .collect()
    };
    let (bare, assumed) = (density(blade[0]), density(blade[1]));
    let highest = bare.iter().chain(&assumed).map(|p| p.1).fold(0.0, f64::max);
    let marks = |line: &[(f64, f64)]| line.iter().copied().skip(8).step_by(20).collect::<Vec<_>>();
    let first = Panel {
        title: "The blade (upright dashes: what remains)".into(),
        x: Axis::over("original mass, g", [0.0, far], false),
        y: Axis::fixed("probability, % per gram", 0.0, 1.3 * highest),
        layers: vec![
            Layer::Guide(vec![(NOW, 0.0), (NOW, 1.03 * highest)]),
            Layer::Line(bare.clone(), 0),
            Layer::Dashes(assumed.clone(), 1),
            Layer::Points(marks(&bare), 0),
            Layer::Points(marks(&assumed), 1),
        ],
        legend: vec![("it weighed at least that".into(), 0), ("and the usual loss is assumed".into(), 1)],
    };
    let shown = 40;
    let (tools, answers) = (&tools[..shown], &answers[..shown]);
    let both = || tools.iter().zip(answers);
    let x = Axis::over("mass now, g", tools.iter().map(|t| t.now), true);
    let mut y =
        Axis::over("original mass, g", both().flat_map(|(t, i)| [t.weighed, t.now, i.low, i.high]), true);
    y.high *= (y.high / y.low).powf(0.2);
    let (from, to) = (x.low.max(y.low), x.high.min(y.high));
    let points = |inside: bool| -> Vec<(f64, f64)> {
        both()
            .filter(|(t, i)| (i.low..=i.high).contains(&t.weighed) == inside)
            .map(|(t, _)| (t.now, t.weighed))
            .collect()
    };
    let second = Panel {
        title: "Forty tools (dashes: nothing lost)".into(),
        layers: vec![
            Layer::Whiskers(both().map(|(t, i)| (t.now, i.low, i.high)).collect(), usize::MAX),
            Layer::Guide(vec![(from, from), (to, to)]),
            Layer::Points(points(true), 0),
            Layer::Points(points(false), 1),
        ],
        x,
        y,
        legend: vec![("true mass, inside its 95 % interval".into(), 0), ("outside it".into(), 1)],
    };
    page("What a retouched blade weighed when it came off", &[first, second], 2).map_err(|f| f.message.into())
}
