//! The settings within reach, as rows of a form; and the even grid that a plan has to beat.

use super::information::{Information, rows_at};
use crate::error::{Error, Result, at_least};
use crate::fit::Design;
use crate::form::{Compiled, Form, Layout};
use crate::strike::Measured;
use rand::{Rng, RngExt};

/// The most candidates of a grid. This crate's choice, no source.
const MOST: usize = 100_000;

/// What the knapper sets for one flake, or what is recorded of one.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    pub numbers: Vec<(String, f64)>,
    pub percussor: Option<String>,
}

impl Measured for Setting {
    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.iter().find(|(n, _)| n == name).map(|(_, v)| *v)
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.percussor.as_deref().filter(|_| name == "percussor")
    }
}

/// A measurement that the knapper sets in steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    pub name: String,
    /// How near to its target a knapper can be expected to strike: plus or minus.
    pub tolerance: f64,
    /// Rising.
    values: Vec<f64>,
}

impl Factor {
    /// From `low` to `high` in steps of about `step`, both ends included.
    ///
    /// # Errors
    /// [`Error::Invalid`] for ends that are not finite or fall, a step that is not positive, more than 10,000 steps, or
    /// steps too small to tell apart.
    pub fn steps(name: &str, low: f64, high: f64, step: f64) -> Result<Factor> {
        if !(step > 0.0) || !(high - low).is_finite() || high < low {
            return Err(Error::invalid(name, "from low to high, in steps above 0"));
        }
        let count = ((high - low) / step).round();
        if count > 10_000.0 {
            return Err(Error::invalid(name, "at most 10000 steps"));
        }
        let values = evenly(low, high, count as usize + 1);
        if values.windows(2).any(|w| w[0] >= w[1]) {
            return Err(Error::invalid(name, "the values must rise"));
        }
        Ok(Factor { name: name.to_string(), tolerance: 0.0, values })
    }

    /// Struck as near to its target as this.
    pub fn within(self, tolerance: f64) -> Factor {
        Factor { tolerance, ..self }
    }

    /// Lowest and highest value.
    pub fn range(&self) -> (f64, f64) {
        (self.values[0], self.values[self.values.len() - 1])
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

/// What a knapper's misses leave of a plan, as shares of what it would know if struck exactly.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WithinTolerance {
    /// On average.
    pub mean: f64,
    /// Exceeded nineteen times in twenty.
    pub low: f64,
}

/// Where a percussor reaches less far.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    pub percussor: String,
    pub column: String,
    pub low: f64,
    pub high: f64,
}

/// The settings within reach, as rows of a form.
#[derive(Debug, Clone)]
pub struct Candidates {
    layout: Layout,
    compiled: Compiled,
    pub factors: Vec<Factor>,
    percussors: Vec<String>,
    limits: Vec<Limit>,
    pub settings: Vec<Setting>,
    /// The rows of terms, one for each setting.
    pub design: Design,
}

impl Candidates {
    /// Every combination of the factors by each of the percussors (none: the form does not read them), the first varying
    /// slowest, within limits: for reaches that are no grid, such as no thin platforms by antler.
    ///
    /// # Errors
    /// [`Error::Missing`] for a measurement of the form without a factor; [`Error::Invalid`] for a factor that
    /// the form reads as a class, more than 100,000 combinations, or a limit that leaves no setting; [`Error::Domain`] for a
    /// setting at which the form has no value (90 degrees under a tangent).
    pub fn grid(
        form: &Form,
        factors: Vec<Factor>,
        percussors: &[String],
        limits: &[Limit],
    ) -> Result<Candidates> {
        let mut layout = Layout::of([form]);
        percussors.iter().for_each(|p| {
            layout.add_level("percussor", p);
        });
        if let Some(f) = factors.iter().find(|f| layout.classes.iter().any(|c| c.name == f.name)) {
            return Err(Error::invalid(&f.name, "the form reads it as another kind of measurement"));
        }
        // one percussor is no class of the form: whatever is struck is struck by it
        let reached = |l: &Limit, v: &f64| {
            let same = |o: &&Limit| (&o.percussor, &o.column) == (&l.percussor, &l.column);
            limits.iter().filter(same).all(|o| (o.low..=o.high).contains(v))
        };
        for l in limits {
            let Some(f) = factors.iter().find(|f| f.name == l.column) else {
                return Err(Error::invalid(&l.column, format!("the form {} does not read it", form.name())));
            };
            if !f.values.iter().any(|v| reached(l, v)) {
                let (low, high) = f.range();
                let reason = format!(
                    "{} reaches {} to {}, which holds no step of the reach of {low} to {high}",
                    l.percussor, l.low, l.high
                );
                return Err(Error::invalid(&l.column, reason));
            }
        }
        let set = |n: &str| factors.iter().any(|f| f.name == n) || n == "percussor" && !percussors.is_empty();
        if let Some(lacking) = form.needs().iter().find(|n| !set(n)) {
            return Err(Error::missing(lacking, format!("the form {} needs its reach", form.name())));
        }
        let count = factors
            .iter()
            .try_fold(percussors.len().max(1), |n, f| n.checked_mul(f.values.len()).filter(|n| *n <= MOST));
        let Some(count) = count else {
            return Err(Error::invalid("candidates", format!("at most {MOST} (take wider steps)")));
        };
        let settings: Vec<Setting> = (0..count).map(|k| setting_at(&factors, percussors, k)).collect();
        let empty = Design::from_rows(form.term_names(), &[[0.0; 0]; 0])?;
        let (compiled, limits) = (form.compile(&layout)?, limits.to_vec());
        let percussors = percussors.to_vec();
        let mut all = Candidates { layout, compiled, factors, percussors, limits, settings, design: empty };
        all.design = all.design_of(&all.settings)?;
        let within = |s: &Setting| {
            all.factors.iter().zip(&s.numbers).all(|(f, (_, v))| {
                let (low, high) = all.range(f, s);
                (low..=high).contains(v)
            })
        };
        let kept: Vec<usize> = (0..count).filter(|i| within(&all.settings[*i])).collect();
        at_least("candidates", kept.len(), 1)?;
        all.design = rows_at(&all.design, &kept)?;
        all.settings = kept.into_iter().map(|i| all.settings[i].clone()).collect();
        Ok(all)
    }

    /// Lowest and highest value of a factor at a setting.
    pub fn range(&self, factor: &Factor, setting: &Setting) -> (f64, f64) {
        let by = |l: &Limit| setting.percussor.as_ref().is_none_or(|p| *p == l.percussor);
        let holds = |l: &&Limit| l.column == factor.name && by(l);
        let limits = self.limits.iter().filter(holds);
        limits.fold(factor.range(), |(low, high), l| (low.max(l.low), high.min(l.high)))
    }

    /// The row of terms of a platform or a flake: to predict at, or to count as existing.
    ///
    /// # Errors
    /// [`Error::Missing`] for what is not recorded, [`Error::UnknownName`] for a percussor that neither the
    /// grid nor the form has, [`Error::Domain`] outside the form's domain.
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

    fn design_of(&self, settings: &[Setting]) -> Result<Design> {
        let rows = settings.iter().map(|s| self.row_of(s)).collect::<Result<Vec<_>>>()?;
        Design::from_rows(self.design.names().to_vec(), &rows)
    }

    /// The rows of terms of an even grid of so many flakes over the same reach: every percussor alike, the
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
        let by = self.percussors.len().max(1);
        let varying = self.factors.iter().filter(|f| f.values.len() > 1).count();
        let mut steps = squarest(varying, flakes.div_ceil(by)).into_iter();
        let mut even = self.factors.clone();
        for f in even.iter_mut().filter(|f| f.values.len() > 1) {
            let (low, high) = f.range();
            f.values = evenly(low, high, steps.next().unwrap_or(1));
        }
        let count = even.iter().map(|f| f.values.len()).product::<usize>() * by;
        // thinned where there are more, gone through again where there are fewer
        let at = |k: usize| if count > flakes { k * count / flakes } else { k % count };
        let settings: Vec<Setting> =
            (0..flakes).map(|k| setting_at(&even, &self.percussors, at(k))).collect();
        self.design_of(&settings)
    }

    /// What is left of a plan when every target is missed by up to its tolerance, evenly, though never past
    /// the ends of the reach: the p-th root of det M over that of the plan struck exactly.
    ///
    /// # Errors
    /// [`Error::RankDeficient`] for a plan that cannot tell its terms apart.
    pub fn efficiency_within_tolerance<R: Rng + ?Sized>(
        &self,
        points: &[usize],
        existing: Option<&Design>,
        draws: usize,
        rng: &mut R,
    ) -> Result<WithinTolerance> {
        let exact = Information::with_existing(&rows_at(&self.design, points)?, existing)?;
        let mut shares = Vec::with_capacity(draws);
        for _ in 0..draws {
            let mut struck: Vec<Setting> = points.iter().map(|i| self.settings[*i].clone()).collect();
            for s in &mut struck {
                let ranges: Vec<(f64, f64)> = self.factors.iter().map(|f| self.range(f, s)).collect();
                for ((f, (low, high)), (_, v)) in self.factors.iter().zip(ranges).zip(&mut s.numbers) {
                    let miss = (2.0 * rng.random::<f64>() - 1.0) * f.tolerance;
                    *v = (*v + miss).clamp(low, high);
                }
            }
            let struck = Information::with_existing(&self.design_of(&struck)?, existing)?;
            shares.push(struck.efficiency_against(&exact));
        }
        shares.sort_by(f64::total_cmp);
        Ok(WithinTolerance { mean: shares.iter().sum::<f64>() / draws as f64, low: shares[(draws - 1) / 20] })
    }
}

/// One setting of a grid, the first factor varying slowest and the percussor fastest.
fn setting_at(factors: &[Factor], percussors: &[String], setting: usize) -> Setting {
    let by = percussors.len().max(1);
    let (percussor, mut rest) = (percussors.get(setting % by).cloned(), setting / by);
    let mut numbers = Vec::with_capacity(factors.len());
    for f in factors.iter().rev() {
        numbers.push((f.name.clone(), f.values[rest % f.values.len()]));
        rest /= f.values.len();
    }
    numbers.reverse();
    Setting { numbers, percussor }
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
