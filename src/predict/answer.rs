//! An estimate at one level, as plain numbers: what a program stores, sends and reads back.
//!
//! An [`Estimate`] holds whole distributions; [`Estimate::at`] reads them off at one level. The keys are those of the
//! table columns: a size by its column, a termination by its name.

use super::detachment::Ranged;
use super::distribution::{Interval, Quantiles, USUAL_LEVEL};
use super::estimate::Estimate;
use super::joint::Joint;
use crate::calibration::caution::{Caution, in_words};
use crate::error::{Result, counted};
use crate::page::{Page, Told, begun, percent, short, unit};
use serde::{Deserialize, Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// One size at one level, in the unit that its key ends in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct SizeAt {
    /// Lower end.
    pub(crate) low: f64,
    /// The size exceeded by half of such flakes.
    pub(crate) median: f64,
    /// Upper end.
    pub(crate) high: f64,
    /// The mean under normal errors; nothing where the distribution has no mean.
    pub(crate) mean: Option<f64>,
    /// Probability inside.
    pub(crate) level: f64,
    /// The column meant, where it says more than the key (`mean_thickness_mm`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) measures: Option<String>,
}

/// What an answer leans on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct Behind {
    /// Name of the calibration.
    pub(crate) name: String,
    /// The form used.
    pub(crate) form: String,
    /// Flakes of the experiment behind it.
    pub(crate) n: u64,
    /// The measurements used.
    pub(crate) measured_by: String,
}

impl fmt::Display for Behind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let flakes = counted(self.n, "flake", "flakes");
        write!(f, "the calibration {} ({flakes} stand behind it), by {}", self.name, self.measured_by)
    }
}

/// A caution as text, for storage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct CautionText {
    /// A word for programs, such as `outside-range` ([`Caution::kind`]).
    pub(crate) kind: String,
    /// A sentence for people.
    pub(crate) text: String,
}

impl From<&Caution> for CautionText {
    fn from(c: &Caution) -> CautionText {
        CautionText { kind: c.kind().into(), text: c.to_string() }
    }
}

/// An estimate at one level: what is stored, sent and read back, by [`EstimateAt::size`] or in its JSON.
///
/// ```
/// use conchoid::calibration::bundled;
/// use conchoid::predict::{EstimateAt, Predictor};
/// use conchoid::strike::Strike;
///
/// let predictor = Predictor::new(bundled::named("hard-hammer-flint")?)?;
/// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
/// let estimate = predictor.estimate(&strike, &Default::default())?;
/// let json = serde_json::to_string(&estimate.at(0.9)?).unwrap();
/// let back: EstimateAt = serde_json::from_str(&json).unwrap();
/// assert_eq!(back.size("mass_g").unwrap().level, 0.9);
/// assert_eq!(back, estimate.at(0.9)?);
/// assert!(estimate.at(1.0).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct EstimateAt {
    /// Length, where the calibration tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) length_mm: Option<SizeAt>,
    /// Width.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) width_mm: Option<SizeAt>,
    /// Thickness.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) thickness_mm: Option<SizeAt>,
    /// Mass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) mass_g: Option<SizeAt>,
    /// Any other size of a calibration of one's own, by its column.
    #[serde(flatten)]
    pub(crate) other_sizes: BTreeMap<String, SizeAt>,
    /// Each termination that the calibration can tell, with its probability.
    pub(crate) termination: BTreeMap<String, Ranged>,
    /// What the estimate leans on.
    pub(crate) calibration: Behind,
    /// Probability that such a flake was kept, where flakes above a recovery threshold were asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) share_kept: Option<f64>,
    /// What there is to doubt.
    pub(crate) cautions: Vec<CautionText>,
}

impl Estimate {
    /// Every size read off at one level.
    ///
    /// # Errors
    /// [`Error::OutOfRange`](crate::Error::OutOfRange) unless 0 < `level` < 1.
    pub fn at(&self, level: f64) -> Result<EstimateAt> {
        let mut found = EstimateAt {
            length_mm: None,
            width_mm: None,
            thickness_mm: None,
            mass_g: None,
            other_sizes: BTreeMap::new(),
            termination: self.terminations.iter().cloned().collect(),
            calibration: self.behind(),
            share_kept: self.kept,
            cautions: self.cautions.iter().map(CautionText::from).collect(),
        };
        let mut quantiles = Quantiles::default();
        for s in &self.sizes {
            let i = s.predictive.interval_with(level, &mut quantiles)?;
            let at = SizeAt {
                low: i.low,
                median: i.median,
                high: i.high,
                mean: s.predictive.mean_under_normal_errors(),
                level,
                measures: (s.column != s.size).then(|| s.column.clone()),
            };
            match s.size.as_str() {
                "length_mm" => found.length_mm = Some(at),
                "width_mm" => found.width_mm = Some(at),
                "thickness_mm" => found.thickness_mm = Some(at),
                "mass_g" => found.mass_g = Some(at),
                other => drop(found.other_sizes.insert(other.to_string(), at)),
            }
        }
        Ok(found)
    }

    /// The same, one size of the flake being known: the others are read off in its light, without a mean. One that lies
    /// outside of what was expected is told first.
    ///
    /// # Errors
    /// Those of [`Joint::new`] and [`Joint::given`]; as [`Estimate::at`].
    pub fn at_knowing(&self, size: &str, value: f64, level: f64) -> Result<EstimateAt> {
        let given = Joint::new(self)?.given(size, value)?;
        let mut found = self.at(level)?;
        for s in &self.sizes {
            let Some(at) = found.size_mut(&s.size) else { continue };
            let outside = Caution::outside(&s.column, value, (at.low, at.high)).filter(|_| s.size == size);
            (at.low, at.median, at.high, at.mean) = match given.size(&s.size) {
                Some(other) => {
                    let i = other.interval(level)?;
                    (i.low, i.median, i.high, None)
                }
                None if s.size == size => (value, value, value, Some(value)),
                None => (at.low, at.median, at.high, None),
            };
            found.cautions.extend(outside.as_ref().map(CautionText::from));
        }
        Ok(found)
    }

    /// A page of it all but the cautions, as it was read off `at` a level, whether or not a size was known
    /// (`{:79}` breaks its paragraphs at 79 characters).
    ///
    /// ```
    /// use conchoid::calibration::bundled;
    /// use conchoid::predict::Predictor;
    /// use conchoid::strike::Strike;
    /// let strike = Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build()?;
    /// let estimate =
    ///     Predictor::new(bundled::named("hard-hammer-flint")?)?.estimate(&strike, &Default::default())?;
    /// let page = estimate.in_words(&estimate.at_knowing("length_mm", 45.0, 0.9)?).to_string();
    /// assert!(page.starts_with("Expected of this blow and its length of 45 mm; 90 % of such flakes fall inside:"));
    ///
    /// // beyond all flakes of the experiment that stands first
    /// let deep = Strike::builder().platform_depth_mm(60.0).exterior_platform_angle_deg(75.0).build()?;
    /// let estimate = Predictor::new(bundled::named("hard-hammer-flint")?)?.estimate(&deep, &Default::default())?;
    /// let page = estimate.in_words(&estimate.at(0.9)?).to_string();
    /// assert!(page.starts_with("No flake of the experiment was struck like this: platform depth 60 mm"));
    /// # Ok::<(), conchoid::Error>(())
    /// ```
    pub fn in_words<'a>(&'a self, at: &'a EstimateAt) -> impl fmt::Display + 'a {
        Told(move |page: &mut Page| self.tell(page, at))
    }

    fn tell(&self, page: &mut Page, at: &EstimateAt) {
        if let Some(first) = self.beyond_experiment() {
            page.say(first);
            page.line("");
        }
        if let Some(outside) = at.cautions.iter().find(|c| c.kind == "measured-outside") {
            page.say(begun(&format!("{}.", outside.text)));
            page.line("");
        }
        let sizes = || self.sizes.iter().filter_map(|s| Some((s, at.size_at(&s.size)?)));
        let known = sizes().find(|(_, size)| size.known()).map_or(String::new(), |(s, size)| {
            format!(" and its {} of {} {}", in_words(&s.size), size.median, unit(&s.size))
        });
        let share = percent(sizes().next().map_or(USUAL_LEVEL, |(_, size)| size.level));
        page.line(format!("Expected of this blow{known}; {share} % of such flakes fall inside:\n"));
        for (s, size) in sizes() {
            let (name, unit) = (in_words(&s.column), format!(" {:2}   ", unit(&s.size)));
            match size.known() {
                true => page.line(format!("  {name:15} {:>7}{unit}(known)", short(size.median))),
                false => page.figure(&name, (15, 7), &unit, [size.low, size.median, size.high]),
            }
        }
        if let Some(kept) = self.kept.map(whole_percent) {
            page.line("");
            page.under("  ", "  ", format!("Of such flakes {kept} % are kept; the sizes are of those."));
        }
        let ends = self.terminations.iter().map(|(termination, p)| {
            let [low, value, high] = p.ends().map(whole_percent);
            format!("{termination} {value} ({low} to {high})")
        });
        let ends: Vec<String> = ends.collect();
        if !ends.is_empty() {
            page.line("");
            page.under("  ", "  ", format!("Ends, in % (95 % interval): {}.", ends.join(", ")));
        }
        page.part(format!("From {} (form {}).", self.behind(), self.form));
    }

    /// What the estimate leans on.
    pub(crate) fn behind(&self) -> Behind {
        Behind {
            name: self.calibration.clone(),
            form: self.form.clone(),
            n: self.flakes,
            measured_by: self.variant.clone(),
        }
    }
}

impl EstimateAt {
    /// A size by its key.
    pub fn size(&self, size: &str) -> Option<Interval> {
        let at = self.size_at(size)?;
        Some(Interval { low: at.low, median: at.median, high: at.high, level: at.level })
    }

    fn size_at(&self, size: &str) -> Option<&SizeAt> {
        match size {
            "length_mm" => self.length_mm.as_ref(),
            "width_mm" => self.width_mm.as_ref(),
            "thickness_mm" => self.thickness_mm.as_ref(),
            "mass_g" => self.mass_g.as_ref(),
            other => self.other_sizes.get(other),
        }
    }

    fn size_mut(&mut self, size: &str) -> Option<&mut SizeAt> {
        match size {
            "length_mm" => self.length_mm.as_mut(),
            "width_mm" => self.width_mm.as_mut(),
            "thickness_mm" => self.thickness_mm.as_mut(),
            "mass_g" => self.mass_g.as_mut(),
            other => self.other_sizes.get_mut(other),
        }
    }
}

impl SizeAt {
    /// Whether the size was known: one that is estimated has a spread.
    fn known(&self) -> bool {
        self.low == self.high
    }
}

/// A probability in whole percent, or as far below one as it is.
fn whole_percent(p: f64) -> String {
    match p {
        0.0 => "0".to_string(),
        p if p < 0.0005 => "below 0.1".to_string(),
        p if p < 0.01 => format!("{:.1}", p * 100.0),
        p => format!("{:.0}", p * 100.0),
    }
}

/// As [`Estimate::at`] the level of 95 %.
impl Serialize for Estimate {
    fn serialize<S: Serializer>(&self, s: S) -> std::result::Result<S::Ok, S::Error> {
        self.at(USUAL_LEVEL).map_err(serde::ser::Error::custom)?.serialize(s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{Collector, Provenance, Recipe, bundled};
    use crate::form::Form;
    use crate::predict::{Interval, Predictor};
    use crate::strike::Strike;

    fn estimate(predictor: &Predictor) -> Estimate {
        predictor
            .estimate(
                &Strike::builder().platform_depth_mm(8.0).exterior_platform_angle_deg(75.0).build().unwrap(),
                &Default::default(),
            )
            .unwrap()
    }

    #[test]
    fn every_bundled_estimate_comes_back_from_json_with_its_numbers() {
        for name in bundled::NAMES {
            let e = estimate(&Predictor::new(bundled::named(name).unwrap()).unwrap());
            let at = e.at(0.8).unwrap();
            let text = serde_json::to_string(&at).unwrap();
            assert_eq!(serde_json::from_str::<EstimateAt>(&text).unwrap(), at, "{name}");
            let Interval { low, median, high, .. } = e.size("mass_g").unwrap().interval(0.8).unwrap();
            let mass = at.mass_g.as_ref().unwrap();
            assert_eq!([mass.low, mass.median, mass.high], [low, median, high]);
            assert_eq!(at.cautions.len(), e.cautions.len());
            assert_eq!(serde_json::to_value(&e).unwrap(), serde_json::to_value(e.at(0.95).unwrap()).unwrap());
            assert!(e.at(0.0).is_err() && e.at(f64::NAN).is_err());
        }
    }

    #[test]
    fn a_known_size_outside_of_what_was_expected_is_told() {
        let e = estimate(&Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap());
        let Interval { high, .. } = e.size("mass_g").unwrap().interval(0.95).unwrap();
        for (mass, outside) in [(0.99 * high, false), (1.01 * high, true), (5000.0, true)] {
            let at = e.at_knowing("mass_g", mass, 0.95).unwrap();
            let told: Vec<&CautionText> =
                at.cautions.iter().filter(|c| c.kind == "measured-outside").collect();
            assert_eq!(told.len(), usize::from(outside), "{mass}: {told:?}");
            let page = e.in_words(&at).to_string();
            assert_eq!(page.starts_with("The mass measured ("), outside, "{page}");
            assert!(told.iter().all(|c| c.text.contains("lies outside of what was expected (")), "{told:?}");
        }
    }

    #[test]
    fn a_size_of_ones_own_keeps_its_name() {
        let provenance = Provenance::new("field school", "own records", "own", "a test");
        let recipe =
            Recipe::single("school", "max_thickness_mm", Form::named("log-log").unwrap(), provenance)
                .unwrap();
        let mut collector = Collector::new(recipe).unwrap();
        let depth = [3.0, 4.5, 5.0, 6.5, 8.0, 9.5, 11.0, 12.5];
        let angle = [70.0, 78.0, 65.0, 82.0, 74.0, 68.0, 80.0, 72.0];
        let thick = [2.1, 3.0, 3.6, 4.4, 5.2, 6.6, 7.1, 8.9];
        let names = ["platform_depth_mm", "exterior_platform_angle_deg", "max_thickness_mm"];
        collector.offer_numbers(&names, &[&depth, &angle, &thick]).unwrap();
        let at = estimate(&Predictor::new(collector.finish().unwrap().0).unwrap()).at(0.9).unwrap();
        assert!(at.mass_g.is_none() && at.thickness_mm.is_none());
        let found = &at.other_sizes["max_thickness_mm"];
        assert!(found.low < found.median && found.median < found.high);
    }
}
