//! Percussors on one platform as one answer: the sizes of their flakes, force and detachment where the blows are known,
//! and the first against each of the others; serialised and in words.

use super::answer::Behind;
use super::contrast::{DifferenceScale, SideBySide, SizeDifference, side_by_side};
use super::detachment::{BlowAsKnown, BlowContrast, DetachmentEstimate, Ranged, chance, compare_blows};
use super::distribution::Interval;
use super::estimate::{Estimate, Predictor};
use crate::calibration::caution::{Caution, in_words};
use crate::error::{Error, Result, check_size};
use crate::form::{ANGLE, DEPTH};
use crate::material::PercussorMaterial;
use crate::page::{Page, Told, begun, percent, probability, unit};
use crate::strike::Measured;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// Percussors side by side on one platform.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::{Contrast, Predictor};
/// use conchoid::strike::Strike;
///
/// let predictor = Predictor::new(bundled::named("controlled-glass")?)?;
/// let with = |percussor| Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).percussor(percussor).stone("flint").build();
/// let both = Contrast::of(&predictor, &[with("steel")?, with("antler")?], &[], 0.95)?;
/// let (size, mass) = &both.ratios()[0][3];
/// assert!(size == "mass_g" && mass.low < mass.value && mass.value < mass.high);
/// assert!(both.in_words(&[]).to_string().contains("steel over red-deer-antler, as ratios"));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(
    feature = "schema",
    schemars(rename = "Contrasted", description = "Percussors side by side, as they are serialised.")
)]
pub struct Contrast {
    stone: String,
    platform_depth_mm: f64,
    exterior_platform_angle_deg: f64,
    level: f64,
    calibration: Behind,
    percussors: Vec<OfPercussor>,
    differences: Vec<Difference>,
    /// The estimate of each, in the order asked.
    #[serde(skip)]
    pub estimates: Vec<Estimate>,
}

/// One percussor of a contrast; the mechanics where mass, tip and speed were given.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct OfPercussor {
    percussor: String,
    // with the cautions of its sizes before its own
    #[serde(flatten)]
    blow: Option<DetachmentEstimate>,
    #[serde(flatten)]
    sizes: BTreeMap<String, Interval>,
    // where no blow holds them
    #[serde(skip_serializing_if = "Option::is_none")]
    cautions: Option<Vec<Caution>>,
}

/// Two percussors against each other.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct Difference {
    first: String,
    second: String,
    #[serde(flatten)]
    blows: Option<BlowContrast>,
    told_apart: bool,
    #[serde(flatten, serialize_with = "by_size")]
    #[cfg_attr(feature = "schema", schemars(with = "BTreeMap<String, SizeDifference>"))]
    sizes: Vec<SizeDifference>,
}

/// Differences as an object, by their sizes.
fn by_size<S: Serializer>(sizes: &[SizeDifference], s: S) -> std::result::Result<S::Ok, S::Error> {
    s.collect_map(sizes.iter().map(|d| (&d.size, d)).collect::<BTreeMap<_, _>>())
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
        let mut answers = blows.iter().map(|b| b.estimate(level)).collect::<Result<Vec<_>>>()?.into_iter();
        let ratios = blows.iter().skip(1).map(|other| compare_blows(&blows[0], other, level));
        let mut ratios = ratios.collect::<Result<Vec<_>>>()?.into_iter();
        let SideBySide { estimates, differences, told_apart } = side_by_side(predictor, flakes, level)?;
        if !blows.is_empty() {
            check_size("blows", blows.len(), flakes.len())?;
        }
        let name = |p: &str| PercussorMaterial::named(p).map_or(p.to_string(), |m| m.name().to_string());
        let of_platform = |column: &str| {
            let told = flakes[0].number(column);
            told.ok_or_else(|| Error::missing(column, "percussors are compared on one platform"))
        };
        let (platform_depth_mm, exterior_platform_angle_deg) = (of_platform(DEPTH)?, of_platform(ANGLE)?);
        let percussors = estimates.iter().zip(flakes).map(|(e, flake)| {
            let mut blow = answers.next();
            if let Some(blow) = &mut blow {
                blow.cautions.splice(0..0, e.cautions.iter().cloned());
            }
            Ok(OfPercussor {
                percussor: flake.class("percussor").map_or(String::new(), name),
                cautions: blow.is_none().then(|| e.cautions.clone()),
                blow,
                sizes: e
                    .sizes
                    .iter()
                    .map(|s| Ok((s.size.clone(), s.predictive.interval(level)?)))
                    .collect::<Result<_>>()?,
            })
        });
        let percussors = percussors.collect::<Result<Vec<_>>>()?;
        let differences = differences.into_iter().zip(told_apart).zip(&percussors[1..]);
        let differences = differences.map(|((sizes, told_apart), second)| Difference {
            first: percussors[0].percussor.clone(),
            second: second.percussor.clone(),
            blows: ratios.next(),
            told_apart,
            sizes,
        });
        Ok(Contrast {
            stone: flakes[0].class("stone").unwrap_or("a stone not told").to_string(),
            platform_depth_mm,
            exterior_platform_angle_deg,
            level,
            calibration: estimates[0].behind(),
            differences: differences.collect(),
            percussors,
            estimates,
        })
    }

    /// What is expected of the first over each of the others, size by size, where it is told as a ratio.
    pub fn ratios(&self) -> Vec<Vec<(String, Ranged)>> {
        let ratio =
            |d: &SizeDifference| (d.scale == DifferenceScale::Ratio).then(|| (d.size.clone(), d.expected));
        self.differences.iter().map(|d| d.sizes.iter().filter_map(ratio).collect()).collect()
    }

    /// The names of the percussors with what there is to doubt of each, of its sizes and of its blow.
    pub fn cautions(&self) -> Vec<(&str, Vec<Caution>)> {
        let of = |p: &OfPercussor| p.blow.as_ref().map(|b| &b.cautions).or(p.cautions.as_ref()).cloned();
        self.percussors.iter().map(|p| (p.percussor.as_str(), of(p).unwrap_or_default())).collect()
    }

    /// A page of it all but the cautions, with what each percussor was given in one's own words
    /// (`{:79}` breaks its paragraphs at 79 characters).
    pub fn in_words<'a>(&'a self, given: &'a [String]) -> impl fmt::Display + 'a {
        Told(move |page: &mut Page| self.tell(page, given))
    }

    fn tell(&self, page: &mut Page, given: &[String]) {
        page.say(format!(
            "The same platform on {}, depth {} mm, exterior platform angle {} degrees. In brackets: {} % of such blows \
             and flakes fall inside.",
            self.stone,
            self.platform_depth_mm,
            self.exterior_platform_angle_deg,
            percent(self.level)
        ));
        let widest = self.percussors.iter().map(|p| p.percussor.chars().count()).max().unwrap_or(0);
        let answers = || self.percussors.iter().filter_map(|p| Some((&p.percussor, p.blow.as_ref()?)));
        if answers().next().is_none() {
            page.part(
                "Force and detachment were left out: they need mass, tip radius and speed of each percussor.",
            );
        } else if !given.is_empty() {
            page.line("");
            for (p, given) in self.percussors.iter().zip(given) {
                page.line(format!("  {:widest$} {given}", p.percussor));
            }
        }
        let e = &self.estimates[0];
        self.differences.iter().for_each(|d| d.tell(page, &e.calibration));
        type Part = fn(&DetachmentEstimate) -> Ranged;
        let parts: [(&str, Part); 3] = [
            ("Peak force, N", |a| a.peak_force_n),
            ("Force the platform needs, N", |a| a.required_force_n),
            ("Least speed that would do, m/s", |a| a.least_speed_m_s),
        ];
        if answers().next().is_some() {
            for (title, part) in parts {
                page.line(format!("\n{title}"));
                answers().for_each(|(name, a)| page.figure(name, (widest, 8), "  ", part(a).ends()));
            }
            page.line("\nProbability that a flake detaches");
            for (name, a) in answers() {
                page.line(format!("  {name:widest$} {}", chance(a.detachment_probability)));
            }
        }
        for size in &e.sizes {
            let with_unit = match unit(&size.column) {
                "" => in_words(&size.column),
                unit => format!("{}, {unit}", in_words(&size.column)),
            };
            page.line(format!("\n{}, if a flake comes off", begun(&with_unit)));
            for percussor in &self.percussors {
                if let Some(p) = percussor.sizes.get(&size.size) {
                    page.figure(&percussor.percussor, (widest, 8), "  ", [p.low, p.median, p.high]);
                }
            }
        }
        page.part(format!("Sizes from {} (form {}).", e.behind(), e.form));
    }
}

impl Difference {
    fn tell(&self, page: &mut Page, calibration: &str) {
        let (first, other) = (&self.first, &self.second);
        page.line(format!("\n{first} over {other}, as ratios"));
        if let Some(r) = &self.blows {
            let list = [
                ("peak force", r.peak_force),
                ("least speed", r.least_speed),
                ("least energy", r.least_energy),
            ];
            list.iter().for_each(|(what, r)| page.figure(what, (24, 6), "  ", r.ends()));
        }
        if !self.told_apart {
            let same = format!(
                "The calibration {calibration} does not tell {first} from {other}: their sizes are the same by \
                 construction, which is no finding. Two new flakes, one of each, differ by chance alone:"
            );
            page.under("  ", "  ", same);
            for d in &self.sizes {
                page.figure(&in_words(&d.size), (24, 6), "  ", d.new_flakes.ends());
            }
            return;
        }
        let which = "Sizes: expected, of many such flakes; two flakes, of one new flake by each.";
        page.under("  ", "  ", which);
        for d in &self.sizes {
            let words = in_words(&d.size);
            let told = match d.scale {
                DifferenceScale::Ratio => words,
                DifferenceScale::Difference => format!("{words}, {} more", unit(&d.size)),
                _ => format!("{words}, cube roots"),
            };
            page.figure(&format!("{told}, expected"), (24, 6), "  ", d.expected.ends());
            page.figure(&format!("{told}, two flakes"), (24, 6), "  ", d.new_flakes.ends());
        }
        self.sizes.iter().for_each(|d| page.under("  ", "  ", support(d, first, other)));
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
