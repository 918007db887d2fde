//! Percussors on one platform as one answer: the sizes of their flakes, force and detachment where the blows are known,
//! and the first against each of the others; serialised and in words.

use super::answer::Behind;
use super::contrast::{DifferenceScale, SideBySide, SizeDifference, side_by_side};
use super::detachment::{BlowAsKnown, BlowContrast, DetachmentEstimate, Ranged, chance, compare_blows};
use super::distribution::Interval;
use super::estimate::{Ask, Estimate, Predictor};
use crate::calibration::caution::{Caution, in_words};
use crate::error::{Error, Result, check_size, counted};
use crate::form::{ANGLE, DEPTH};
use crate::material::PercussorMaterial;
use crate::page::{Page, begun, percent, probability, unit};
use crate::strike::Measured;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// Percussors side by side on one platform.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::{Contrast, Predictor};
/// use conchoid::strike::{Platform, Strike};
///
/// let predictor = Predictor::new(bundled::named("controlled-glass")?)?;
/// let platform = Platform::builder().depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
/// let with = |percussor| Strike::builder().platform(platform).percussor(percussor).stone("flint").build();
/// let both = Contrast::of(&predictor, &[with("steel")?, with("antler")?], &[], 0.95)?;
/// let (size, mass) = &both.ratios()[0][3];
/// assert!(size == "mass_g" && mass.low < mass.value && mass.value < mass.high);
/// assert!(both.in_words(&[]).to_string().contains("steel over red-deer-antler, as ratios"));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Contrast {
    /// The estimate of each, in the order asked.
    pub estimates: Vec<Estimate>,
    stone: String,
    depth_mm: f64,
    angle_deg: f64,
    level: f64,
    names: Vec<String>,
    differences: Vec<Vec<SizeDifference>>,
    told_apart: Vec<bool>,
    sizes: Vec<BTreeMap<String, Interval>>,
    /// Of each where the blows are known: what the mechanics says, and the first over each of the others.
    blows: Vec<DetachmentEstimate>,
    blow_ratios: Vec<BlowContrast>,
}

impl Contrast {
    /// Lays percussors side by side: measurements that are the same but for the percussor, and the blow of each where
    /// mass, tip and speed are known (none, or one for each). Intervals are of `level`.
    ///
    /// # Errors
    /// [`Error::TooFew`] for fewer than two; [`Error::Missing`] where a percussor, depth or angle was not given;
    /// [`Error::Incomparable`] where anything but the percussor differs; [`Error::Shape`] for blows of some only;
    /// everything that [`Predictor::estimate`] refuses; [`Error::OutOfRange`] unless 0 < `level` < 1.
    pub fn of(
        predictor: &Predictor,
        flakes: &[impl Measured],
        blows: &[BlowAsKnown],
        level: f64,
    ) -> Result<Contrast> {
        let answers = blows.iter().map(|b| b.estimate(level)).collect::<Result<Vec<_>>>()?;
        let blow_ratios = blows.iter().skip(1).map(|other| compare_blows(&blows[0], other, level));
        let blow_ratios = blow_ratios.collect::<Result<Vec<_>>>()?;
        let SideBySide { estimates, differences, told_apart, level } =
            side_by_side(predictor, flakes, &Ask::default(), level)?;
        if !blows.is_empty() {
            check_size("blows", blows.len(), flakes.len())?;
        }
        let name = |p: &str| PercussorMaterial::named(p).map_or(p.to_string(), |m| m.name().to_string());
        let names = flakes.iter().map(|f| f.class("percussor").map_or(String::new(), name)).collect();
        let of_platform = |column: &str| {
            let told = flakes[0].number(column);
            told.ok_or_else(|| Error::missing(column, "percussors are compared on one platform"))
        };
        let stone = flakes[0].class("stone").unwrap_or("a stone not told").to_string();
        let sizes = |e: &Estimate| {
            e.sizes.iter().map(|s| Ok((s.size.clone(), s.predictive.interval(level)?))).collect()
        };
        let (depth_mm, angle_deg) = (of_platform(DEPTH)?, of_platform(ANGLE)?);
        let sizes = estimates.iter().map(sizes).collect::<Result<_>>()?;
        let blows = answers;
        Ok(Contrast {
            estimates,
            stone,
            depth_mm,
            angle_deg,
            level,
            names,
            differences,
            told_apart,
            sizes,
            blows,
            blow_ratios,
        })
    }

    /// What is expected of the first over each of the others, size by size, where it is told as a ratio.
    pub fn ratios(&self) -> Vec<Vec<(String, Ranged)>> {
        let ratio =
            |d: &SizeDifference| (d.scale == DifferenceScale::Ratio).then(|| (d.size.clone(), d.expected));
        self.differences.iter().map(|list| list.iter().filter_map(ratio).collect()).collect()
    }

    /// The names of the percussors with what there is to doubt of each, of its sizes and of its blow.
    pub fn cautions(&self) -> Vec<(&str, Vec<Caution>)> {
        let of = |i: usize| {
            let of_blow = self.blows.get(i).map_or(&[][..], |a| &a.cautions);
            self.estimates[i].cautions.iter().chain(of_blow).cloned().collect()
        };
        self.names.iter().enumerate().map(|(i, name)| (name.as_str(), of(i))).collect()
    }

    /// A page of it all but the cautions, with what each percussor was given in one's own words
    /// (`{:79}` breaks its paragraphs at 79 characters).
    pub fn in_words<'a>(&'a self, given: &'a [String]) -> impl fmt::Display + 'a {
        InWords { of: self, given }
    }

    fn tell_difference(&self, page: &mut Page, i: usize) {
        let (first, other) = (&self.names[0], &self.names[i]);
        page.line(format!("\n{first} over {other}, as ratios"));
        if let Some(r) = self.blow_ratios.get(i - 1) {
            let list = [
                ("peak force", r.peak_force),
                ("least speed", r.least_speed),
                ("least energy", r.least_energy),
            ];
            list.iter().for_each(|(what, r)| page.figure(what, (24, 6), "  ", r.ends()));
        }
        let differences = &self.differences[i - 1];
        if !self.told_apart[i - 1] {
            let calibration = &self.estimates[0].calibration;
            let same = format!(
                "The calibration {calibration} does not tell {first} from {other}: their sizes are the same by \
                 construction, which is no finding. Two new flakes, one of each, differ by chance alone:"
            );
            page.under("  ", "  ", same);
            for d in differences {
                page.figure(&in_words(&d.size), (24, 6), "  ", d.new_flakes.ends());
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
            page.figure(&format!("{told}, expected"), (24, 6), "  ", d.expected.ends());
            page.figure(&format!("{told}, two flakes"), (24, 6), "  ", d.new_flakes.ends());
        }
        differences.iter().for_each(|d| page.under("  ", "  ", support(d, first, other)));
    }
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

/// The page, with what each percussor was given.
struct InWords<'a> {
    of: &'a Contrast,
    given: &'a [String],
}

impl fmt::Display for InWords<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (mut page, c) = (Page::new(f), self.of);
        page.say(format!(
            "The same platform on {}, depth {} mm, exterior platform angle {} degrees. In brackets: {} % of such blows \
             and flakes fall inside.",
            c.stone,
            c.depth_mm,
            c.angle_deg,
            percent(c.level)
        ));
        let widest = c.names.iter().map(|n| n.chars().count()).max().unwrap_or(0);
        if c.blows.is_empty() {
            page.part(
                "Force and detachment were left out: they need mass, tip radius and speed of each percussor.",
            );
        } else if !self.given.is_empty() {
            page.line("");
            for (name, given) in c.names.iter().zip(self.given) {
                page.line(format!("  {name:widest$} {given}"));
            }
        }
        (1..c.names.len()).for_each(|i| c.tell_difference(&mut page, i));
        type Part = fn(&DetachmentEstimate) -> Ranged;
        let parts: [(&str, Part); 3] = [
            ("Peak force, N", |a| a.peak_force_n),
            ("Force the platform needs, N", |a| a.required_force_n),
            ("Least speed that would do, m/s", |a| a.least_speed_m_s),
        ];
        let answers = || c.names.iter().zip(&c.blows);
        if !c.blows.is_empty() {
            for (title, part) in parts {
                page.line(format!("\n{title}"));
                answers().for_each(|(name, a)| page.figure(name, (widest, 8), "  ", part(a).ends()));
            }
            page.line("\nProbability that a flake detaches");
            for (name, a) in answers() {
                page.line(format!("  {name:widest$} {}", chance(a.detachment_probability)));
            }
        }
        let e = &c.estimates[0];
        for size in &e.sizes {
            let with_unit = match unit(&size.size) {
                "" => in_words(&size.size),
                unit => format!("{}, {unit}", in_words(&size.size)),
            };
            page.line(format!("\n{}, if a flake comes off", begun(&with_unit)));
            for (name, sizes) in c.names.iter().zip(&c.sizes) {
                if let Some(p) = sizes.get(&size.size) {
                    page.figure(name, (widest, 8), "  ", [p.low, p.median, p.high]);
                }
            }
        }
        page.part(format!(
            "Sizes from the calibration {} ({} stand behind it), by {} (form {}).",
            e.calibration,
            counted(e.flakes, "flake", "flakes"),
            e.variant,
            e.form
        ));
        page.show(f)
    }
}

/// One percussor of a contrast; the mechanics where mass, tip and speed were given.
#[derive(Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct OfPercussor<'a> {
    percussor: &'a str,
    #[serde(flatten)]
    blow: Option<DetachmentEstimate>,
    #[serde(flatten)]
    sizes: &'a BTreeMap<String, Interval>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cautions: Option<Vec<Caution>>,
}

/// Two percussors against each other.
#[derive(Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct Difference<'a> {
    first: &'a str,
    second: &'a str,
    #[serde(flatten)]
    blows: Option<&'a BlowContrast>,
    told_apart: bool,
    #[serde(flatten)]
    sizes: BTreeMap<&'a str, &'a SizeDifference>,
}

/// Percussors side by side, as they are serialised.
#[derive(Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct Contrasted<'a> {
    stone: &'a str,
    platform_depth_mm: f64,
    exterior_platform_angle_deg: f64,
    level: f64,
    calibration: Behind,
    percussors: Vec<OfPercussor<'a>>,
    differences: Vec<Difference<'a>>,
}

impl Serialize for Contrast {
    fn serialize<S: Serializer>(&self, serializer: S) -> std::result::Result<S::Ok, S::Error> {
        let one = |(i, (percussor, cautions)): (usize, (_, Vec<Caution>))| {
            let mut blow = self.blows.get(i).cloned();
            blow.iter_mut().for_each(|answer| answer.cautions = cautions.clone());
            let cautions = blow.is_none().then_some(cautions);
            OfPercussor { percussor, blow, sizes: &self.sizes[i], cautions }
        };
        let difference = |i: usize| Difference {
            first: &self.names[0],
            second: &self.names[i],
            blows: self.blow_ratios.get(i - 1),
            told_apart: self.told_apart[i - 1],
            sizes: self.differences[i - 1].iter().map(|d| (d.size.as_str(), d)).collect(),
        };
        let told = Contrasted {
            stone: &self.stone,
            platform_depth_mm: self.depth_mm,
            exterior_platform_angle_deg: self.angle_deg,
            level: self.level,
            calibration: self.estimates[0].behind(),
            percussors: self.cautions().into_iter().enumerate().map(one).collect(),
            differences: (1..self.names.len()).map(difference).collect(),
        };
        told.serialize(serializer)
    }
}

#[cfg(feature = "schema")]
impl schemars::JsonSchema for Contrast {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Contrasted".into()
    }
    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        Contrasted::json_schema(generator)
    }
}
