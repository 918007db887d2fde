//! `knap blow` and `knap contrast`: the mechanics of a blow, percussors side by side; and, for `estimate`, whether
//! the blow takes a flake off at all.

use crate::blow::{BlowOptions, Given, calibration};
use crate::failure::{Failure, Outcome, Whose};
use crate::number::Amount;
use crate::report::{Format, print};
use clap::Args;
use conchoid::calibration::Calibration;
use conchoid::material::{Figure, PercussorClass, PercussorMaterial, Stone};
use conchoid::predict::{
    BlowAsKnown, BlowFigures, Caution, Contrast, DetachmentEstimate, LEVEL, Predictor, Ranged, UsualBlow,
};
use conchoid::strike::Measured;
use schemars::JsonSchema;
use serde::Serialize;

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
            stone = option("--stone-modulus-gpa", stone.with_youngs_modulus_pa(a.times(1e9)))?;
        }
        if let Some(a) = self.stone_poisson {
            stone = option("--stone-poisson", stone.with_poisson_ratio(a))?;
        }
        if let Some(a) = self.stone_toughness_mpa_sqrt_m {
            stone = option("--stone-toughness-mpa-sqrt-m", stone.with_toughness_pa_sqrt_m(a.times(1e6)))?;
        }
        Ok(stone)
    }

    fn percussor(&self) -> Outcome<PercussorMaterial> {
        let mut tip = PercussorMaterial::named(&self.percussor).asked()?;
        if let Some(a) = self.percussor_modulus_gpa {
            tip = option("--percussor-modulus-gpa", tip.with_youngs_modulus_pa(a.times(1e9)))?;
        }
        if let Some(a) = self.percussor_poisson {
            tip = option("--percussor-poisson", tip.with_poisson_ratio(a))?;
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
    let mut figures = BlowFigures::new(mass, tip, speed, o.depth_mm, o.angle_deg);
    figures.angle_of_blow_deg = o.angle_of_blow_deg;
    figures.core_mass_g = o.core_mass_g.map(Figure::from);
    figures.restitution = o.restitution;
    let known = BlowAsKnown::new(o.stone()?, percussor, figures).asked()?;
    let answer = known.estimate(0.95)?;
    let (stone, percussor) = (known.stone().name(), known.percussor().name());
    let all = Blow { stone, percussor, usual: &taken, answer: &answer };
    print(o.format == Format::Json, &all, |page| {
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
        page.line("");
        page.told(&answer);
        page.cautions(&[("", &answer.cautions)]);
    })
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
    pub fn of(given: &Given, calibration: &Calibration, level: f64) -> Outcome<Option<Detachment>> {
        let Some(known) = BlowAsKnown::measured(given, calibration.stone()).asked()? else {
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
            stone_taken: given.class("stone").is_none(),
        }))
    }

    pub fn in_words(&self) -> String {
        let mut text = self.answer.sentence();
        if self.stone_taken {
            text.push_str(&format!(" The stone was taken as {}.", self.stone));
        }
        if self.probability.value < 0.05 {
            text.push_str(" The sizes below are for a flake of this platform that came off a harder blow.");
        }
        text
    }
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
    /// Calibration for the sizes, by name or a file; without it the experiment for the stone
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

pub fn contrast(o: &ContrastVerb) -> Outcome<u8> {
    let level = LEVEL.check(o.level).asked()?;
    if o.percussor.len() < 2 {
        return Err(Failure::usage("--percussor: name two or more, each with its own --percussor"));
    }
    let stone = Stone::named(o.stone.as_deref().unwrap_or("flint")).asked()?;
    let mut blows = Vec::new();
    for (i, percussor) in o.percussor.iter().enumerate() {
        blows.extend(o.blow(i, &stone, PercussorMaterial::named(percussor).asked()?)?);
    }
    let found = calibration(o.calibration.as_deref(), Some(stone.name()))?;
    let predictor = Predictor::new(if o.of_the_experiment { found } else { found.at_sites()? })?;
    let given = o.percussor.iter().map(|p| o.platform(p, &stone).given()).collect::<Outcome<Vec<_>>>()?;
    let found = Contrast::of(&predictor, &given, &blows, level).asked()?;
    let all = found.cautions();
    if let Some(path) = &o.plot {
        let platform = format!("depth {} mm, exterior platform angle {} degrees", o.depth_mm, o.angle_deg);
        let names: Vec<&str> = all.iter().map(|c| c.0).collect();
        crate::contrast_plot::sizes(path, &platform, &names, &found, level)?;
    }
    print(o.format == Format::Json, &found, |page| {
        let described: Vec<String> = (0..o.percussor.len()).map(|i| o.described(i)).collect();
        page.told(found.in_words(&described));
        let named: Vec<(&str, &[Caution])> = all.iter().map(|(n, c)| (*n, c.as_slice())).collect();
        page.cautions(&named);
    })
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

    fn blow(&self, i: usize, stone: &Stone, percussor: PercussorMaterial) -> Outcome<Option<BlowAsKnown>> {
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
        let mut figures = BlowFigures::new(mass?, tip?, speed?, self.depth_mm, self.angle_deg);
        figures.angle_of_blow_deg = self.angle_of_blow_deg.unwrap_or(0.0);
        figures.core_mass_g = self.core_mass_g.map(Figure::from);
        figures.restitution = self.restitution;
        BlowAsKnown::new(stone.clone(), percussor, figures).map(Some).asked()
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
