//! The settings within reach, as rows of a form; and the even grid that a plan has to beat.

use super::information::{Information, rows_at};
use crate::error::{Error, Place, Result, at_least, finite};
use crate::fit::Design;
use crate::form::{Compiled, Form, Layout};
use crate::strike::Measured;
use rand::{Rng, RngExt};

/// The most candidates of a grid. This crate's choice, no source.
const MOST: usize = 100_000;

/// One thing that the knapper sets: a measurement in steps, or a class.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    pub name: String,
    /// How near to its target a knapper can be expected to strike: plus or minus; 0 for a class.
    pub tolerance: f64,
    reach: Reach,
}

#[derive(Debug, Clone, PartialEq)]
enum Reach {
    Numbers(Vec<f64>),
    Levels(Vec<String>),
}

impl Factor {
    /// A measurement that can be set to these values.
    ///
    /// # Errors
    /// [`Error::TooFew`] without a value, [`Error::OutOfRange`] at one that is not finite,
    /// [`Error::Invalid`] unless they rise.
    pub fn number(name: &str, values: &[f64]) -> Result<Factor> {
        at_least(format!("values of {name}"), values.len(), 1)?;
        values.iter().try_for_each(|v| finite(|| Place::column(name), *v).map(drop))?;
        if values.windows(2).any(|w| w[0] >= w[1]) {
            return Err(Error::invalid(name, "the values must rise"));
        }
        Ok(Factor { name: name.to_string(), tolerance: 0.0, reach: Reach::Numbers(values.to_vec()) })
    }

    /// A measurement from `low` to `high` in steps of about `step`, both ends included.
    ///
    /// # Errors
    /// As [`Factor::number`]; also for a step that is not positive, and for more than 10,000 steps.
    pub fn steps(name: &str, low: f64, high: f64, step: f64) -> Result<Factor> {
        if !(step > 0.0) || !(high - low).is_finite() || high < low {
            return Err(Error::invalid(name, "from low to high, in steps above 0"));
        }
        let count = ((high - low) / step).round();
        if count > 10_000.0 {
            return Err(Error::invalid(name, "at most 10000 steps"));
        }
        Factor::number(name, &evenly(low, high, count as usize + 1))
    }

    /// A class with these levels.
    ///
    /// # Errors
    /// [`Error::TooFew`] without a level, [`Error::Invalid`] at one that stands twice.
    pub fn class(name: &str, levels: &[&str]) -> Result<Factor> {
        at_least(format!("levels of {name}"), levels.len(), 1)?;
        if let Some(twice) = (1..levels.len()).find(|i| levels[..*i].contains(&levels[*i])) {
            return Err(Error::invalid(name, format!("{} stands twice", levels[twice])));
        }
        let levels = levels.iter().map(|l| l.to_string()).collect();
        Ok(Factor { name: name.to_string(), tolerance: 0.0, reach: Reach::Levels(levels) })
    }

    /// Struck as near to its target as this.
    pub fn within(self, tolerance: f64) -> Factor {
        Factor { tolerance, ..self }
    }

    /// Lowest and highest value; none for a class.
    pub fn range(&self) -> Option<(f64, f64)> {
        match &self.reach {
            Reach::Numbers(v) => Some((v[0], v[v.len() - 1])),
            Reach::Levels(_) => None,
        }
    }

    fn len(&self) -> usize {
        match &self.reach {
            Reach::Numbers(v) => v.len(),
            Reach::Levels(l) => l.len(),
        }
    }
}

/// `count` values from low to high; the middle for one.
fn evenly(low: f64, high: f64, count: usize) -> Vec<f64> {
    if low == high || count < 2 {
        return vec![0.5 * (low + high)];
    }
    let last = (count - 1) as f64;
    (0..count)
        .map(|i| {
            let share = i as f64 / last;
            // the far end exactly, and no idle digits such as 7.000000000000001
            let v = if i == count - 1 { high } else { low + (high - low) * share };
            let round = (v * 1e9).round() / 1e9;
            if (round - v).abs() < 1e-12 * v.abs() { round } else { v }
        })
        .collect()
}

/// A setting of one factor.
#[derive(Debug, Clone, PartialEq)]
pub enum SettingValue {
    /// Of a measurement.
    Number(f64),
    /// Of a class.
    Level(String),
}

/// What a knapper's misses leave of a plan, as shares of what it would know if struck exactly.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WithinTolerance {
    /// On average.
    pub mean: f64,
    /// Exceeded nineteen times in twenty.
    pub low: f64,
}

/// Where a class reaches less far.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    pub level: String,
    pub column: String,
    pub low: f64,
    pub high: f64,
}

/// The settings within reach, as rows of a form.
#[derive(Debug, Clone)]
pub struct Candidates {
    layout: Layout,
    compiled: Compiled,
    factors: Vec<Factor>,
    limits: Vec<Limit>,
    /// One input row of the layout each.
    inputs: Vec<Vec<f64>>,
    design: Design,
}

impl Candidates {
    /// Every combination of the factors, the first varying slowest.
    ///
    /// # Errors
    /// [`Error::Missing`] for a measurement of the form without a factor; [`Error::Invalid`] for a factor that
    /// the form does not read, stands twice, or more than 100,000 combinations; [`Error::Domain`] for a
    /// setting at which the form has no value (90 degrees under a tangent).
    pub fn grid(form: &Form, factors: Vec<Factor>) -> Result<Candidates> {
        let mut layout = Layout::of([form]);
        let needs = form.needs();
        for (i, f) in factors.iter().enumerate() {
            if factors[..i].iter().any(|o| o.name == f.name) {
                return Err(Error::invalid(&f.name, "this factor stands twice"));
            }
            if !needs.contains(&f.name) {
                return Err(Error::invalid(
                    &f.name,
                    format!("the form {} does not read it (leave it out, or add a term)", form.name()),
                ));
            }
            let is_class = layout.classes.iter().any(|c| c.name == f.name);
            match &f.reach {
                Reach::Levels(levels) if is_class => {
                    levels.iter().for_each(|l| {
                        layout.add_level(&f.name, l);
                    });
                }
                Reach::Numbers(_) if !is_class => {}
                _ => return Err(Error::invalid(&f.name, "the form reads it as another kind of measurement")),
            }
        }
        if let Some(lacking) = needs.iter().find(|n| !factors.iter().any(|f| f.name == **n)) {
            return Err(Error::missing(lacking, format!("the form {} needs its reach", form.name())));
        }
        let count = factors.iter().try_fold(1usize, |n, f| n.checked_mul(f.len()).filter(|n| *n <= MOST));
        let Some(count) = count else {
            return Err(Error::invalid("candidates", format!("at most {MOST} (take wider steps)")));
        };
        let inputs: Vec<Vec<f64>> = (0..count).map(|k| setting_at(&layout, &factors, k)).collect();
        let compiled = form.compile(&layout)?;
        let design = design(&form.term_names(), &compiled, &layout, &inputs)?;
        Ok(Candidates { layout, compiled, factors, limits: Vec::new(), inputs, design })
    }

    /// Only the settings within these limits. For reaches that are no grid: no thin platforms by antler.
    ///
    /// # Errors
    /// [`Error::TooFew`] when none is left.
    pub fn within(mut self, limits: Vec<Limit>) -> Result<Candidates> {
        self.limits = limits;
        let (factors, narrowed) = (self.factors.clone(), self.clone());
        self.retain(|setting| {
            factors.iter().zip(setting).all(|(f, v)| match (v, narrowed.range(f, setting)) {
                (SettingValue::Number(v), Some((low, high))) => (low..=high).contains(v),
                _ => true,
            })
        })
    }

    /// Lowest and highest value of a factor at a setting; none for a class.
    pub fn range(&self, factor: &Factor, setting: &[SettingValue]) -> Option<(f64, f64)> {
        let holds = |l: &&Limit| {
            l.column == factor.name
                && setting.iter().any(|v| matches!(v, SettingValue::Level(level) if *level == l.level))
        };
        let whole = factor.range()?;
        let limits = self.limits.iter().filter(holds);
        Some(limits.fold(whole, |(low, high), l| (low.max(l.low), high.min(l.high))))
    }

    /// Only the settings for which `keep` holds; it sees one value per factor, in their order.
    fn retain(mut self, mut keep: impl FnMut(&[SettingValue]) -> bool) -> Result<Candidates> {
        let kept: Vec<usize> = (0..self.len()).filter(|i| keep(&self.setting(*i))).collect();
        at_least("candidates", kept.len(), 1)?;
        self.design = rows_at(&self.design, &kept)?;
        self.inputs = kept.into_iter().map(|i| std::mem::take(&mut self.inputs[i])).collect();
        Ok(self)
    }

    /// Number of candidates.
    pub(crate) fn len(&self) -> usize {
        self.inputs.len()
    }

    /// The factors.
    pub fn factors(&self) -> &[Factor] {
        &self.factors
    }

    /// The rows of terms, one for each candidate.
    pub fn design(&self) -> &Design {
        &self.design
    }

    /// The settings of one candidate, in the order of the factors; empty where there is no such candidate.
    pub fn setting(&self, candidate: usize) -> Vec<SettingValue> {
        let Some(input) = self.inputs.get(candidate) else { return Vec::new() };
        self.factors
            .iter()
            .filter_map(|f| {
                let at = self.layout.position(&f.name)?;
                Some(match self.layout.class_at(at) {
                    None => SettingValue::Number(input[at]),
                    Some(c) => SettingValue::Level(c.levels.get(input[at] as usize)?.clone()),
                })
            })
            .collect()
    }

    /// The row of terms of a platform or a flake: to predict at, or to count as existing.
    ///
    /// # Errors
    /// [`Error::Missing`] for what is not recorded, [`Error::UnknownName`] for a level that neither the
    /// factors nor the form have, [`Error::Domain`] outside the form's domain.
    pub fn row_of(&self, measured: &impl Measured) -> Result<Vec<f64>> {
        let mut input = Vec::with_capacity(self.layout.len());
        for n in &self.layout.numbers {
            input.push(measured.number(n).unwrap_or(f64::NAN));
        }
        for c in &self.layout.classes {
            input.push(match measured.class(&c.name) {
                None => f64::NAN,
                Some(text) => c
                    .levels
                    .iter()
                    .position(|l| l.eq_ignore_ascii_case(text))
                    .ok_or_else(|| Error::unknown_name(&c.name, text, c.levels.iter().cloned()))?
                    as f64,
            });
        }
        self.compiled.check(&input, &self.layout)?;
        Ok(self.compiled.row(&input))
    }

    /// The rows of terms of an even grid of so many flakes over the same reach: every class level alike, the
    /// measurements in equal steps from end to end, as nearly square as the number allows (24 flakes of two
    /// percussors: four depths by three angles by each). Where no such grid has exactly this number, the next
    /// larger one is thinned evenly. A plan has to beat this.
    ///
    /// # Errors
    /// [`Error::Invalid`] for no flakes or more than 100,000; [`Error::Domain`] as [`Candidates::grid`].
    pub fn even_grid(&self, flakes: usize) -> Result<Design> {
        if flakes == 0 || flakes > MOST {
            return Err(Error::invalid("flakes", format!("1 to {MOST} flakes")));
        }
        let levels: usize =
            self.factors.iter().filter(|f| f.range().is_none()).map(Factor::len).product::<usize>().max(1);
        let varying = |f: &&Factor| f.range().is_some_and(|(low, high)| low < high);
        let steps = squarest(self.factors.iter().filter(varying).count(), flakes.div_ceil(levels));
        let mut steps = steps.into_iter();
        let even: Vec<Factor> = self
            .factors
            .iter()
            .map(|f| {
                let mut f = f.clone();
                if let Reach::Numbers(v) = &f.reach {
                    let (low, high) = (v[0], v[v.len() - 1]);
                    let count = if low < high { steps.next().unwrap_or(1) } else { 1 };
                    f.reach = Reach::Numbers(evenly(low, high, count));
                }
                f
            })
            .collect();
        let count: usize = even.iter().map(Factor::len).product();
        // thinned where there are more, gone through again where there are fewer
        let at = |k: usize| if count > flakes { k * count / flakes } else { k % count };
        let inputs: Vec<Vec<f64>> = (0..flakes).map(|k| setting_at(&self.layout, &even, at(k))).collect();
        design(self.design.names(), &self.compiled, &self.layout, &inputs)
    }

    /// What is left of a plan when every target is missed by up to its tolerance, evenly, though never past
    /// the ends of the reach: the p-th root of det M over that of the plan struck exactly.
    ///
    /// # Errors
    /// [`Error::Invalid`] for no draws, more than 100,000, or a candidate that does not exist;
    /// [`Error::RankDeficient`] for a plan that cannot tell its terms apart.
    pub fn efficiency_within_tolerance<R: Rng + ?Sized>(
        &self,
        points: &[usize],
        existing: Option<&Design>,
        draws: usize,
        rng: &mut R,
    ) -> Result<WithinTolerance> {
        if draws == 0 || draws > MOST || points.iter().any(|i| *i >= self.len()) {
            return Err(Error::invalid("draws", format!("1 to {MOST} draws, of candidates that exist")));
        }
        let exact = Information::with_existing(&rows_at(&self.design, points)?, existing)?;
        let settings: Vec<_> = points.iter().map(|i| self.setting(*i)).collect();
        let mut shares = Vec::with_capacity(draws);
        for _ in 0..draws {
            let mut inputs = Vec::with_capacity(points.len());
            for (i, setting) in points.iter().zip(&settings) {
                let mut input = self.inputs[*i].clone();
                for f in &self.factors {
                    let (Some((low, high)), Some(at)) =
                        (self.range(f, setting), self.layout.position(&f.name))
                    else {
                        continue;
                    };
                    let miss = (2.0 * rng.random::<f64>() - 1.0) * f.tolerance;
                    input[at] = (input[at] + miss).clamp(low, high);
                }
                inputs.push(input);
            }
            let struck = design(self.design.names(), &self.compiled, &self.layout, &inputs)?;
            let struck = Information::with_existing(&struck, existing)?;
            shares.push(struck.efficiency_against(&exact)?);
        }
        shares.sort_by(f64::total_cmp);
        Ok(WithinTolerance { mean: shares.iter().sum::<f64>() / draws as f64, low: shares[(draws - 1) / 20] })
    }
}

/// The input row of one setting of a grid, the first factor varying slowest.
fn setting_at(layout: &Layout, factors: &[Factor], setting: usize) -> Vec<f64> {
    let mut rest = setting;
    let mut input = vec![f64::NAN; layout.len()];
    for f in factors.iter().rev() {
        place(layout, f, rest % f.len(), &mut input);
        rest /= f.len();
    }
    input
}

/// Writes the k-th value of a factor into an input row.
fn place(layout: &Layout, factor: &Factor, k: usize, input: &mut [f64]) {
    let Some(at) = layout.position(&factor.name) else { return };
    input[at] = match &factor.reach {
        Reach::Numbers(v) => v[k],
        Reach::Levels(levels) => layout
            .class_at(at)
            .and_then(|c| c.levels.iter().position(|l| *l == levels[k]))
            .map_or(f64::NAN, |code| code as f64),
    };
}

/// The rows of terms of input rows.
fn design(names: &[String], compiled: &Compiled, layout: &Layout, inputs: &[Vec<f64>]) -> Result<Design> {
    inputs.iter().try_for_each(|input| compiled.check(input, layout))?;
    let rows: Vec<Vec<f64>> = inputs.iter().map(|input| compiled.row(input)).collect();
    Design::from_rows(names.to_vec(), &rows)
}

/// Numbers of steps, one for each measurement, whose product is at least `needed`: the least excess among
/// those with at least two steps each, then the most equal, the greater first.
fn squarest(measurements: usize, needed: usize) -> Vec<usize> {
    if measurements == 0 {
        return Vec::new();
    }
    let root = (needed as f64).powf(1.0 / measurements as f64).ceil() as usize;
    let mut best: Option<((bool, usize, usize), Vec<usize>)> = None;
    // steps up to twice the root: a grid longer than that is not even
    let most = (2 * root).max(2);
    let mut steps = vec![1usize; measurements];
    let mut tried = 0;
    loop {
        let product = steps.iter().product::<usize>();
        let falling = steps.windows(2).all(|w| w[0] >= w[1]);
        if product >= needed && falling {
            let uneven = steps[0] - steps[measurements - 1];
            let key = (steps.contains(&1), product - needed, uneven);
            if best.as_ref().is_none_or(|(k, _)| key < *k) {
                best = Some((key, steps.clone()));
            }
        }
        tried += 1;
        let Some(at) = (0..measurements).find(|i| steps[*i] < most) else { break };
        if tried > 1_000_000 {
            break;
        }
        steps[at] += 1;
        steps[..at].iter_mut().for_each(|s| *s = 1);
    }
    best.map_or_else(|| vec![root; measurements], |(_, s)| s)
}

#[cfg(test)]
mod tests {
    use super::squarest;

    #[test]
    fn grids_are_as_square_as_the_number_allows() {
        for (measurements, needed, expected) in [
            (2, 12, vec![4, 3]),
            (2, 9, vec![3, 3]),
            (2, 24, vec![6, 4]),
            (2, 7, vec![4, 2]),
            (1, 5, vec![5]),
            (3, 8, vec![2, 2, 2]),
            (2, 1, vec![2, 2]),
            (0, 4, vec![]),
        ] {
            assert_eq!(squarest(measurements, needed), expected, "{measurements} {needed}");
        }
    }
}
