//! `knap blow` and `knap contrast`: the mechanics of a blow, percussors side by side; and, for `estimate`, whether
//! the blow takes a flake off at all.

use crate::blow::{BlowOptions, Delivery, Given, calibration};
use crate::failure::{Failure, Outcome, Whose};
use crate::number::Amount;
use crate::report::{Ends, Format, Page, begun, behind, percent, probability, short, unit, with_unit};
use clap::Args;
use conchoid::calibration::Calibration;
use conchoid::material::{PercussorClass, PercussorMaterial, Stone};
use conchoid::predict::in_words;
use conchoid::predict::{Ask, Behind, Caution, Estimate, Interval, LEVEL, Predictor};
use conchoid::predict::{BlowAsKnown, BlowContrast, BlowFigures, DetachmentEstimate, Ranged, compare_blows};
use conchoid::predict::{DifferenceScale, SideBySide, SizeDifference, UsualBlow, side_by_side};
use conchoid::strike::Measured;
use conchoid::table::{Header, Row};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// The stone where none is named.
const LOCAL_STONE: &str = "flint";
/// The column that a table gains.
pub const PROBABILITY: &str = "detachment_probability";

#[derive(Args)]
pub struct BlowVerb {
    /// Stone: flint, chert, obsidian, quartzite, soda-lime-glass, ...
    stone: String,
    /// Percussor: antler, bone, wood, copper, steel, quartzite, sandstone, ...
    percussor: String,
    /// Mass of the percussor, g; a number or a range such as 350..450
    percussor_mass_g: Option<Amount>,
    /// Radius of the touching part of the tip, mm; a number or a range
    tip_radius_mm: Option<Amount>,
    /// Speed of the percussor at impact, m/s; a number or a range
    speed_m_s: Option<Amount>,
    /// Platform depth, percussion point to exterior face, mm; a number or a range
    depth_mm: Amount,
    /// Exterior platform angle, degrees
    angle_deg: f64,
    /// Angle of blow, degrees; 0 is perpendicular to the platform
    #[arg(default_value_t = 0.0)]
    angle_of_blow_deg: f64,
    /// Mass of the core where it is free to move, g; without it the core counts as fixed
    core_mass_g: Option<Amount>,
    /// Coefficient of restitution, up to 1: speed of rebound over speed of impact
    restitution: f64,
    /// Young's modulus (stiffness) of the stone, GPa, instead of the library's
    stone_modulus_gpa: Option<Amount>,
    /// Poisson's ratio of the stone, likewise
    stone_poisson: Option<Amount>,
    /// Fracture toughness of the stone, MPa m^(1/2), likewise
    #[arg(value_name = "K")]
    stone_toughness_mpa_sqrt_m: Option<Amount>,
    /// Young's modulus of the percussor, GPa, likewise
    percussor_modulus_gpa: Option<Amount>,
    /// Poisson's ratio of the percussor, likewise
    percussor_poisson: Option<Amount>,
    /// How to print the answer
    format: Format,
}

impl BlowVerb {
    /// The stone, one property or another replaced; each is checked on its own so that the message names the option.
    fn stone(&self) -> Outcome<Stone> {
        let mut stone = Stone::named(&self.stone).asked()?;
        if let Some(a) = self.stone_modulus_gpa {
            stone =
                option("--stone-modulus-gpa", stone.to_builder().youngs_modulus_pa(a.times(1e9)).build())?;
        }
        if let Some(a) = self.stone_poisson {
            stone = option("--stone-poisson", stone.to_builder().poisson_ratio(a.figure()).build())?;
        }
        if let Some(a) = self.stone_toughness_mpa_sqrt_m {
            let builder = stone.to_builder().toughness_pa_sqrt_m(a.times(1e6));
            stone = option("--stone-toughness-mpa-sqrt-m", builder.build())?;
        }
        Ok(stone)
    }

    fn percussor(&self) -> Outcome<PercussorMaterial> {
        let mut tip = PercussorMaterial::named(&self.percussor).asked()?;
        if let Some(a) = self.percussor_modulus_gpa {
            tip =
                option("--percussor-modulus-gpa", tip.to_builder().youngs_modulus_pa(a.times(1e9)).build())?;
        }
        if let Some(a) = self.percussor_poisson {
            tip = option("--percussor-poisson", tip.to_builder().poisson_ratio(a.figure()).build())?;
        }
        Ok(tip)
    }
}

/// Names the option in front of the library's message, which speaks of the property in SI.
fn option<T>(name: &str, result: conchoid::Result<T>) -> Outcome<T> {
    result.map_err(|e| Failure::usage(format!("{name}: {e}")))
}

pub fn blow(o: &BlowVerb) -> Outcome<u8> {
    let percussor = o.percussor()?;
    let usual = UsualBlow::of(percussor.class());
    // what was not given, and what is usual
    let mut taken: Vec<String> = Vec::new();
    let mut or_usual = |given: Option<Amount>, what: &str, (low, high): (f64, f64), unit: &str| {
        given.unwrap_or_else(|| {
            taken.push(format!("{what} {low} to {high} {unit}"));
            Amount { typical: (low * high).sqrt(), low, high }
        })
    };
    let mass = or_usual(o.percussor_mass_g, "mass", usual.percussor_mass_g, "g");
    let tip = or_usual(o.tip_radius_mm, "tip radius", usual.tip_radius_mm, "mm");
    let speed = or_usual(o.speed_m_s, "speed", usual.speed_m_s, "m/s");
    let mut figures =
        BlowFigures::new(mass.figure(), tip.figure(), speed.figure(), o.depth_mm.figure(), o.angle_deg);
    figures.angle_of_blow_deg = o.angle_of_blow_deg;
    figures.core_mass_g = o.core_mass_g.map(|a| a.figure().into());
    figures.restitution = o.restitution;
    let known = BlowAsKnown::new(o.stone()?, percussor, figures).asked()?;
    let answer = known.estimate(0.95)?;
    let (stone, percussor) = (known.stone().name(), known.percussor().name());
    if o.format == Format::Json {
        crate::say::json(&Blow { stone, percussor, usual: &taken, answer: &answer })?;
        return Ok(0);
    }
    let mut page = Page::default();
    let (depth, angle, set) = (o.depth_mm, o.angle_deg, o.angle_of_blow_deg);
    let set = if set == 0.0 { String::new() } else { format!(", angle of blow {set}") };
    let core = o.core_mass_g.map_or("the core fixed".to_string(), |m| format!("the core of {m} g free"));
    page.say(format!(
        "A blow of {percussor} ({mass} g, tip radius {tip} mm, {speed} m/s) on {stone}: platform depth {depth} mm, \
         exterior platform angle {angle} degrees{set}; {core}."
    ));
    if !taken.is_empty() {
        let usual = match known.percussor().class() {
            PercussorClass::Stone => "a hammerstone",
            PercussorClass::Organic => "antler, bone or wood",
            _ => "a metal percussor",
        };
        page.part(format!(
            "Not given, and taken as is usual with {usual}: {} (common practice, no source). Give your own: the answer \
             moves with them.",
            taken.join(", ")
        ));
    }
    page.part(verdict(&answer));
    page.line("\nIn brackets: 95 % of such blows fall inside.\n");
    for (what, figure, unit, scale) in [
        ("peak force of the blow", answer.peak_force_n, "N", 1.0),
        ("force the platform needs", answer.required_force_n, "N", 1.0),
        ("  square edge, square blow", answer.square_edge_force_n, "N", 1.0),
        ("delivered over needed", answer.margin, "", 1.0),
        ("least speed that would do", answer.least_speed_m_s, "m/s", 1.0),
        ("least energy", answer.least_energy_j, "J", 1.0),
        ("deepest platform it carries", answer.carried_depth_mm, "mm", 1.0),
        ("contact time", answer.contact_time_s, "ms", 1e3),
        ("contact radius", answer.contact_radius_mm, "mm", 1.0),
        ("pressure in the middle", answer.peak_pressure_pa, "GPa", 1e-9),
        ("tension at the rim", answer.edge_tensile_stress_pa, "MPa", 1e-6),
    ] {
        page.figure(what, (26, 8), &format!(" {unit:4} "), figure.times(scale));
    }
    page.part(
        "The least speed and energy are lower bounds: of an elastic tip on a perfect contact, nothing lost. We saw no \
         published speed of a knapper's hand; several metres a second are common (common practice, no source).",
    );
    if let Some(force) = answer.yielding_tip_force_n {
        let force = short(force);
        page.part(format!("Should the tip flow as soon as it touches, the peak force is {force} N."));
    }
    page.cautions(&[("", &answer.cautions)]);
    page.show()?;
    Ok(0)
}

/// Whether it comes off, in a sentence that can be read aloud.
fn verdict(a: &DetachmentEstimate) -> String {
    let p = a.detachment_probability;
    let word = match p.value {
        v if v < 0.01 => "This blow would not take a flake off",
        v if v < 0.05 => "This blow would hardly take a flake off",
        v if v < 0.35 => "This blow would probably not take a flake off",
        v if v < 0.65 => "It is about even whether this blow takes a flake off",
        v if v < 0.95 => "This blow would probably take a flake off",
        v if v < 0.99 => "This blow would almost surely take a flake off",
        _ => "This blow would take a flake off",
    };
    let [low, margin, high] = a.margin.ends().map(short);
    let p = probability_range(p);
    format!("{word}: probability {p}. It can deliver {margin} times the force needed ({low} to {high}).")
}

/// A probability with its ends, where they read differently.
fn probability_range(p: Ranged) -> String {
    let [low, value, high] = p.ends().map(probability);
    if low == high { value } else { format!("{value} ({low} to {high})") }
}

/// What `blow` prints as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Blow<'a> {
    stone: &'a str,
    percussor: &'a str,
    /// What was not given and taken as usual.
    usual: &'a [String],
    #[serde(flatten)]
    answer: &'a DetachmentEstimate,
}

// ---- for estimate ---------------------------------------------------------------------------------------

/// Whether the blow detaches, as `estimate` prints it.
#[derive(Serialize, JsonSchema)]
#[schemars(rename = "Detached")]
pub struct Detachment {
    stone: String,
    pub probability: Ranged,
    /// Delivered force over required force.
    margin: Ranged,
    delivered_force_n: Ranged,
    required_force_n: Ranged,
    least_speed_m_s: Ranged,
    #[serde(skip)]
    pub answer: DetachmentEstimate,
    #[serde(skip)]
    stone_taken: bool,
}

impl Detachment {
    /// Nothing where none of mass, tip and speed was given.
    pub fn of_options(
        blow: &BlowOptions,
        given: &Given,
        calibration: &Calibration,
        level: f64,
    ) -> Outcome<Option<Detachment>> {
        let Some(known) = known(given, None, &blow.delivery, calibration).asked()? else {
            return Ok(None);
        };
        let answer = known.estimate(level)?;
        Ok(Some(Detachment {
            stone: known.stone().name().to_string(),
            probability: answer.detachment_probability,
            margin: answer.margin,
            delivered_force_n: answer.peak_force_n,
            required_force_n: answer.required_force_n,
            least_speed_m_s: answer.least_speed_m_s,
            answer,
            stone_taken: blow.stone.is_none(),
        }))
    }

    pub fn in_words(&self) -> String {
        let mut text = verdict(&self.answer);
        if self.stone_taken {
            text.push_str(&format!(" The stone was taken as {}.", self.stone));
        }
        if self.probability.value < 0.05 {
            text.push_str(" The sizes below are for a flake of this platform that came off a harder blow.");
        }
        text
    }
}

/// The blow of a platform, its numbers from the row before those of the command line.
fn known(
    measured: &impl Measured,
    row: Option<&Row>,
    delivery: &Delivery,
    calibration: &Calibration,
) -> conchoid::Result<Option<BlowAsKnown>> {
    let Some(mut figures) = BlowFigures::measured(measured)? else { return Ok(None) };
    let own = |name: &str| row.is_some_and(|r| Measured::number(r, name).is_some());
    let ranges = [
        ("percussor_mass_g", delivery.percussor_mass_g, &mut figures.percussor_mass_g),
        ("tip_radius_mm", delivery.tip_radius_mm, &mut figures.tip_radius_mm),
        ("speed_m_s", delivery.speed_m_s, &mut figures.speed_m_s),
    ];
    for (name, amount, figure) in ranges {
        if let Some(a) = amount
            && !own(name)
        {
            *figure = a.figure().into();
        }
    }
    if let Some(a) = delivery.core_mass_g
        && !own("core_mass_g")
    {
        figures.core_mass_g = Some(a.figure().into());
    }
    let percussor = measured.class("percussor").ok_or_else(|| {
        conchoid::Error::missing("percussor", "whether the blow detaches a flake depends on what strikes")
    })?;
    let stone = measured.class("stone").or(calibration.stone()).unwrap_or(LOCAL_STONE);
    BlowAsKnown::new(Stone::named(stone)?, PercussorMaterial::named(percussor)?, figures).map(Some)
}

/// Whether a table says enough of its blows for a column of probabilities.
pub fn in_table(header: &Header, delivery: &Delivery) -> bool {
    let there = |name: &str, given: Option<Amount>| given.is_some() || header.column(name).is_some();
    there("percussor_mass_g", delivery.percussor_mass_g)
        && there("tip_radius_mm", delivery.tip_radius_mm)
        && there("speed_m_s", delivery.speed_m_s)
}

/// The probability of one row of a table; blank where the row does not say enough.
pub fn row_probability(
    measured: &impl Measured,
    row: &Row,
    delivery: &Delivery,
    calibration: &Calibration,
) -> Option<f64> {
    known(measured, Some(row), delivery, calibration).ok().flatten().map(|k| k.probability())
}

// ---- contrast -------------------------------------------------------------------------------------------

#[derive(Args)]
pub struct ContrastVerb {
    /// A percussor, such as quartzite or antler; repeat the option for each of two or more
    #[arg(required = true)]
    percussor: Vec<String>,
    /// Mass of the percussor, g, a number or a range; once for all or once for each
    percussor_mass_g: Vec<Amount>,
    /// Radius of the touching part of the tip, mm, likewise
    tip_radius_mm: Vec<Amount>,
    /// Speed of the percussor at impact, m/s, likewise
    speed_m_s: Vec<Amount>,
    /// Platform depth, percussion point to exterior face, mm
    depth_mm: f64,
    /// Exterior platform angle, degrees
    angle_deg: f64,
    /// Platform width, mm
    width_mm: Option<f64>,
    /// Platform area, mm2
    area_mm2: Option<f64>,
    /// Angle of blow, degrees; 0 is perpendicular to the platform
    angle_of_blow_deg: Option<f64>,
    /// Where the blow lands: platform or edge
    blow_lands_on: Option<String>,
    /// Stone for the mechanics: flint, chert, obsidian, ...; flint without it
    stone: Option<String>,
    /// Mass of the core where it is free to move, g; without it the core counts as fixed
    core_mass_g: Option<Amount>,
    /// Coefficient of restitution, up to 1: speed of rebound over speed of impact
    restitution: f64,
    /// Calibration for the sizes, by name or a file; controlled-glass without it
    calibration: Option<String>,
    /// Probability inside the intervals, between 0 and 1
    level: f64,
    /// The flakes were struck as in the experiment that answers: it is not moved to excavated sites
    of_the_experiment: bool,
    /// A picture (SVG): the sizes by percussor, and their ratios
    plot: Option<String>,
    /// How to print the answer
    format: Format,
}

/// Everything that stands side by side.
struct Contrast {
    stone: Stone,
    names: Vec<String>,
    blows: Vec<(BlowAsKnown, DetachmentEstimate)>,
    ratios: Vec<BlowContrast>,
    sizes: SideBySide,
}

pub fn contrast(o: &ContrastVerb) -> Outcome<u8> {
    let level = LEVEL.check(o.level).asked()?;
    if o.percussor.len() < 2 {
        return Err(Failure::usage("--percussor: name two or more, each with its own --percussor"));
    }
    let stone = Stone::named(o.stone.as_deref().unwrap_or(LOCAL_STONE)).asked()?;
    let materials = o.percussor.iter().map(|p| PercussorMaterial::named(p)).collect::<Result<Vec<_>, _>>();
    let materials = materials.asked()?;
    let mut blows = Vec::new();
    for (i, material) in materials.iter().enumerate() {
        if let Some(known) = o.blow(i, &stone, material)? {
            let answer = known.estimate(level)?;
            blows.push((known, answer));
        }
    }
    let ratios = blows
        .iter()
        .skip(1)
        .map(|(other, _)| compare_blows(&blows[0].0, other, level))
        .collect::<Result<Vec<_>, _>>()?;
    let found = calibration(o.calibration.as_deref(), Some(stone.name()))?;
    let predictor = Predictor::new(if o.of_the_experiment { found } else { found.at_sites()? })?;
    let given = o.percussor.iter().map(|p| o.platform(p, &stone).given()).collect::<Outcome<Vec<_>>>()?;
    let sizes = side_by_side(&predictor, &given, &Ask::default(), level).asked()?;
    let names: Vec<String> = materials.iter().map(|m| m.name().to_string()).collect();
    if let Some(path) = &o.plot {
        let platform = format!("depth {} mm, exterior platform angle {} degrees", o.depth_mm, o.angle_deg);
        crate::contrast_plot::sizes(path, &platform, &names, &sizes)?;
    }
    let found = Contrast { stone, names, blows, ratios, sizes };
    match o.format {
        Format::Json => found.print_json(o)?,
        Format::Text => found.print(o)?,
    }
    Ok(0)
}

impl ContrastVerb {
    /// One of the values of a repeated option: the only one, or that of this percussor.
    fn of<'a>(&self, name: &str, list: &'a [Amount], i: usize) -> Outcome<Option<&'a Amount>> {
        let n = self.percussor.len();
        match list.len() {
            0 => Ok(None),
            1 => Ok(list.first()),
            len if len == n => Ok(list.get(i)),
            len => Err(Failure::usage(format!(
                "--{name}: {len} values for {n} percussors (accepted: one for all, or one for each)"
            ))),
        }
    }

    fn blow(&self, i: usize, stone: &Stone, material: &PercussorMaterial) -> Outcome<Option<BlowAsKnown>> {
        let given = [
            ("percussor-mass-g", self.of("percussor-mass-g", &self.percussor_mass_g, i)?),
            ("tip-radius-mm", self.of("tip-radius-mm", &self.tip_radius_mm, i)?),
            ("speed-m-s", self.of("speed-m-s", &self.speed_m_s, i)?),
        ];
        if given.iter().all(|(_, a)| a.is_none()) {
            return Ok(None);
        }
        let [mass, tip, speed] = given.map(|(name, a)| {
            a.copied().ok_or_else(|| {
                Failure::usage(format!("--{name}: the mechanics needs mass, tip radius and speed together"))
            })
        });
        let mut figures =
            BlowFigures::new(mass?.figure(), tip?.figure(), speed?.figure(), self.depth_mm, self.angle_deg);
        figures.angle_of_blow_deg = self.angle_of_blow_deg.unwrap_or(0.0);
        figures.core_mass_g = self.core_mass_g.map(|a| a.figure().into());
        figures.restitution = self.restitution;
        let known = BlowAsKnown::new(stone.clone(), material.clone(), figures);
        known.map(Some).asked()
    }

    fn platform(&self, percussor: &str, stone: &Stone) -> BlowOptions {
        BlowOptions {
            depth_mm: Some(self.depth_mm),
            angle_deg: Some(self.angle_deg),
            width_mm: self.width_mm,
            area_mm2: self.area_mm2,
            angle_of_blow_deg: self.angle_of_blow_deg,
            blow_lands_on: self.blow_lands_on.clone(),
            percussor: Some(percussor.to_string()),
            stone: Some(stone.name().to_string()),
            ..BlowOptions::default()
        }
    }

    /// What this percussor was given, for a line of its own.
    fn described(&self, i: usize) -> String {
        let one = |list: &[Amount]| list.get(i).or(list.first()).map_or(String::new(), Amount::to_string);
        let [mass, tip, speed] =
            [&self.percussor_mass_g, &self.tip_radius_mm, &self.speed_m_s].map(|l| one(l));
        format!("{mass} g, tip {tip} mm, {speed} m/s")
    }
}

impl Contrast {
    fn print(&self, o: &ContrastVerb) -> Outcome<()> {
        let mut page = Page::default();
        let (stone, depth, angle, level) = (self.stone.name(), o.depth_mm, o.angle_deg, percent(o.level));
        page.say(format!(
            "The same platform on {stone}, depth {depth} mm, exterior platform angle {angle} degrees. In brackets: \
             {level} % of such blows and flakes fall inside."
        ));
        let widest = self.names.iter().map(|n| n.chars().count()).max().unwrap_or(0);
        if self.blows.is_empty() {
            page.part(
                "Force and detachment were left out: they need mass, tip radius and speed of each percussor.",
            );
        } else {
            page.gap();
            for (i, name) in self.names.iter().enumerate() {
                page.line(format!("  {name:widest$} {}", o.described(i)));
            }
        }
        for i in 1..self.names.len() {
            self.print_difference(&mut page, i, &self.names[0], &self.names[i]);
        }
        type Part = fn(&DetachmentEstimate) -> Ranged;
        let parts: [(&str, Part); 3] = [
            ("Peak force, N", |a| a.peak_force_n),
            ("Force the platform needs, N", |a| a.required_force_n),
            ("Least speed that would do, m/s", |a| a.least_speed_m_s),
        ];
        let answers = || self.names.iter().zip(&self.blows).map(|(name, (_, answer))| (name, answer));
        if !self.blows.is_empty() {
            for (title, part) in parts {
                page.line(format!("\n{title}"));
                answers().for_each(|(name, a)| page.figure(name, (widest, 8), "  ", part(a)));
            }
            page.line("\nProbability that a flake detaches");
            for (name, a) in answers() {
                page.line(format!("  {name:widest$} {}", probability_range(a.detachment_probability)));
            }
        }
        for size in &self.sizes.estimates[0].sizes {
            page.line(format!("\n{}, if a flake comes off", begun(&with_unit(&size.size))));
            for (name, e) in self.names.iter().zip(&self.sizes.estimates) {
                if let Some(p) = e.size(&size.size) {
                    page.figure(name, (widest, 8), "  ", p.interval(o.level)?);
                }
            }
        }
        let e = &self.sizes.estimates[0];
        page.part(format!("Sizes from {} (form {}).", behind(e), e.form));
        let all: Vec<Vec<Caution>> = (0..self.names.len()).map(|i| self.cautions(i)).collect();
        let named: Vec<(&str, &[Caution])> =
            self.names.iter().zip(&all).map(|(n, c)| (n.as_str(), c.as_slice())).collect();
        page.cautions(&named);
        page.show()
    }

    fn print_difference(&self, page: &mut Page, i: usize, first: &str, other: &str) {
        page.line(format!("\n{first} over {other}, as ratios"));
        let mut show = |what: &str, r: Ranged| page.figure(what, (24, 6), "  ", r);
        if let Some(r) = self.ratios.get(i - 1) {
            show("peak force", r.peak_force);
            show("least speed", r.least_speed);
            show("least energy", r.least_energy);
        }
        let differences = &self.sizes.differences[i - 1];
        if !self.sizes.told_apart[i - 1] {
            let calibration = &self.sizes.estimates[0].calibration;
            let same = format!(
                "The calibration {calibration} does not tell {first} from {other}: their sizes are the same by \
                 construction, which is no finding. Two new flakes, one of each, differ by chance alone:"
            );
            page.under("  ", "  ", same);
            for d in differences {
                page.figure(&in_words(&d.size), (24, 6), "  ", d.new_flakes);
            }
            return;
        }
        let which = "Sizes: expected, of many such flakes; two flakes, of one new flake by each.";
        page.under("  ", "  ", which);
        for d in differences {
            let words = in_words(&d.size);
            let told = match d.scale {
                DifferenceScale::Ratio => words,
                DifferenceScale::Difference => format!("{words}, {} more", unit(&d.size)),
                _ => format!("{words}, cube roots"),
            };
            page.figure(&format!("{told}, expected"), (24, 6), "  ", d.expected);
            page.figure(&format!("{told}, two flakes"), (24, 6), "  ", d.new_flakes);
        }
        differences.iter().for_each(|d| page.under("  ", "  ", support(d, first, other)));
    }

    /// The cautions of one percussor, of its sizes and of its blow.
    fn cautions(&self, i: usize) -> Vec<Caution> {
        let of_blow = self.blows.get(i).map_or(&[][..], |(_, a)| &a.cautions);
        self.sizes.estimates[i].cautions.iter().chain(of_blow).cloned().collect()
    }

    fn print_json(&self, o: &ContrastVerb) -> Outcome<()> {
        let each = self.names.iter().zip(&self.sizes.estimates).enumerate();
        let differences = (1..self.names.len()).map(|i| Difference {
            first: &self.names[0],
            second: &self.names[i],
            blows: self.ratios.get(i - 1),
            told_apart: self.sizes.told_apart[i - 1],
            sizes: self.sizes.differences[i - 1].iter().map(|d| (d.size.as_str(), d)).collect(),
        });
        crate::say::json(&Contrasted {
            stone: self.stone.name(),
            platform_depth_mm: o.depth_mm,
            exterior_platform_angle_deg: o.angle_deg,
            level: o.level,
            calibration: self.sizes.estimates[0].behind(),
            percussors: each.map(|(i, (name, e))| self.one(o, i, name, e)).collect::<Outcome<_>>()?,
            differences: differences.collect(),
        })
    }

    fn one<'a>(
        &'a self,
        o: &ContrastVerb,
        i: usize,
        name: &'a str,
        e: &'a Estimate,
    ) -> Outcome<OfPercussor<'a>> {
        let cautions = self.cautions(i);
        let mut blow = self.blows.get(i).map(|(_, answer)| answer.clone());
        blow.iter_mut().for_each(|answer| answer.cautions = cautions.clone());
        let sizes = e.sizes.iter().map(|s| Ok((s.size.as_str(), s.predictive.interval(o.level)?)));
        let (sizes, cautions) = (sizes.collect::<Outcome<_>>()?, blow.is_none().then_some(cautions));
        Ok(OfPercussor { percussor: name, cautions, blow, sizes })
    }
}

/// One percussor of a contrast; the mechanics where mass, tip and speed were given.
#[derive(Serialize, JsonSchema)]
struct OfPercussor<'a> {
    percussor: &'a str,
    #[serde(flatten)]
    blow: Option<DetachmentEstimate>,
    #[serde(flatten)]
    sizes: BTreeMap<&'a str, Interval>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cautions: Option<Vec<Caution>>,
}

/// Two percussors against each other.
#[derive(Serialize, JsonSchema)]
struct Difference<'a> {
    first: &'a str,
    second: &'a str,
    #[serde(flatten)]
    blows: Option<&'a BlowContrast>,
    told_apart: bool,
    #[serde(flatten)]
    sizes: BTreeMap<&'a str, &'a SizeDifference>,
}

/// What `contrast` prints as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Contrasted<'a> {
    stone: &'a str,
    platform_depth_mm: f64,
    exterior_platform_angle_deg: f64,
    level: f64,
    calibration: Behind,
    percussors: Vec<OfPercussor<'a>>,
    differences: Vec<Difference<'a>>,
}

/// What the data support of a difference, in a sentence.
fn support(d: &SizeDifference, first: &str, other: &str) -> String {
    let errors = d.standard_errors.abs();
    let side = if d.standard_errors < 0.0 { "smaller" } else { "larger" };
    let judged = if errors < 1.0 {
        format!("the data do not tell {first} from {other} here")
    } else {
        format!("the data give {first} the {side} flake with probability {}", probability(d.supported))
    };
    let (size, larger) = (begun(&in_words(&d.size)), probability(d.first_larger));
    format!(
        "{size}: {errors:.1} standard errors apart, {judged}; of two new flakes that of {first} is the larger with \
         probability {larger}."
    )
}
