//! One repetition: coefficients and spread once for all flakes, then an error of its own for each flake, column by
//! column where the model is plain and row by row where it is not.

use crate::by_name::place_of;
use crate::calibration::resolved::{At, DesignRows, Resolved, ResolvedSize, ResolvedSpread, Triangle, dot};
use crate::calibration::{ResolvedShared, SharedEffect, VarianceKnown};
use crate::form::Transform;
use crate::infer::original::{Truncated, ln_student_sf};
use crate::predict::distribution::standard_draw;
use crate::predict::{Component, Predictive};
use crate::strike::Measured;
use crate::vector::{self, Kernel};
use rand::rngs::Xoshiro256PlusPlus;
use rand::{Rng, RngExt};
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use std::collections::BTreeMap;

/// One size model of a variant, ready to be drawn from.
#[derive(Debug, Clone)]
pub(in crate::infer) struct Model {
    size: ResolvedSize,
    /// Effects that flakes of one site or core share.
    pub(in crate::infer) shared: Vec<SharedEffect>,
    /// The same with what is known of them given the coefficients, and how well their variances are known.
    given: Option<ResolvedShared>,
    known: Vec<Option<VarianceKnown>>,
}

/// One possible row of one flake. Every flake has one, so it holds as little as can be.
#[derive(Debug, Clone, Copy)]
struct RowAt {
    /// Where its design row begins; its spread row follows.
    design: usize,
    model: u32,
    /// Which of the ways to draw.
    way: u32,
}

/// What rows are drawn with beside their terms. Rows that follow each other mostly share it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Way {
    degrees_of_freedom: f64,
    /// By how much its location is moved: as that of every blow that was averaged over, and by another percussor.
    moved: f64,
    /// By what another percussor multiplies the spread on the transformed scale.
    by: f64,
    /// Share of the rows up to and including this one.
    up_to: f64,
    /// Where its shared effects begin among all, and how many it has.
    shared: (usize, usize),
}

/// A shared effect of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
struct EffectAt {
    cluster: usize,
    /// The standard deviation of the effect at the row.
    sd: f64,
    /// Which of the variances it is known by; none where that of a new group has no part in it.
    variance: Option<usize>,
}

/// All rows of one size, in the order of the pieces estimated.
#[derive(Debug, Clone, Default)]
pub(in crate::infer) struct Rows {
    numbers: Vec<f64>,
    rows: Vec<RowAt>,
    ways: Vec<Way>,
    /// Where the rows of each piece begin.
    pieces: Vec<usize>,
    /// Shared effects of the rows.
    shared: Vec<EffectAt>,
    /// How well the variances of effects are known, and the column of each effect among them.
    variances: Vec<(VarianceKnown, usize)>,
    /// Columns of groups whose variances are not known for certain, and the degrees of freedom behind each, which may differ
    /// by variant.
    columns: Vec<(String, f64)>,
    /// Groups by column and name, that of the outer group before an inner one's; pieces without a name are of one group, about
    /// which nothing is known.
    clusters: BTreeMap<(String, String), usize>,
    /// Degrees of freedom of the effect of each; infinite for a normal one.
    tails: Vec<f64>,
}

impl Model {
    /// The model of a size under a variant; none where the variant has none.
    pub(in crate::infer) fn of(resolved: &Resolved, variant: usize, size: &str) -> Option<Model> {
        let sizes = &resolved.variant(variant).sizes;
        let at = sizes.iter().position(|m| m.size == size)?;
        let size = resolved.ready(variant).sizes[at].clone();
        let given = size.shared.as_ref().map(|shared| shared.given_coefficients(&size.factor));
        let known = given.as_ref().map_or_else(Vec::new, ResolvedShared::variances_known);
        Some(Model { size, shared: sizes[at].shared.clone(), given, known })
    }

    /// Terms of the log spread, where it is modelled.
    fn spread_terms(&self) -> usize {
        match &self.size.spread {
            ResolvedSpread::Constant(..) => 0,
            ResolvedSpread::Modelled(coefficients, _) => coefficients.len(),
        }
    }
}

/// Draws of one repetition: quick, as a total of many flakes takes a number or two for each.
pub(in crate::infer) type Generator = Xoshiro256PlusPlus;

/// Flakes that are drawn by one model in the plain way (one possible row each, on the log scale, no effect of a core,
/// nothing known of the size), column by column. Those of a group that are weighed, and those that are not, stand
/// together.
pub(in crate::infer) struct Sheet {
    model: usize,
    /// How many flakes, of which group, whether weighed.
    runs: Vec<(usize, u32, bool)>,
    /// Terms of the location, then of the log spread: a column of all flakes each.
    design: Vec<f64>,
    spread: Vec<f64>,
    degrees_of_freedom: Vec<f64>,
    normal: bool,
}

/// Flakes of a sheet worked on together, so that they stay in the first-level cache. This crate's choice, no source.
const TOGETHER: usize = 256;

impl Sheet {
    /// Draws a size for every flake; `take` gets a group, whether its flakes are weighed, and the sum of some of them.
    pub(in crate::infer) fn draw(
        &self,
        drawn: &[Option<DrawnModel>],
        rng: &mut Generator,
        mut take: impl FnMut(u32, bool, f64),
    ) {
        let Some(model) = &drawn[self.model] else { return };
        let n = self.degrees_of_freedom.len();
        let mut location = [0.0; TOGETHER];
        let mut scale = [model.scale; TOGETHER];
        let mut size = [0.0; TOGETHER];
        let mut runs = self.runs.iter();
        let (mut left, mut group, mut weighed) = (0, 0, false);
        for from in (0..n).step_by(TOGETHER) {
            let m = TOGETHER.min(n - from);
            let summed = |columns: &[f64], coefficients: &[f64], out: &mut [f64]| {
                vector::run(Summed { columns, rows: n, from, coefficients, out });
            };
            summed(&self.design, &model.coefficients, &mut location[..m]);
            if !model.spread.is_empty() {
                summed(&self.spread, &model.spread, &mut size[..m]);
                vector::exp_into(&size[..m], &mut scale[..m]);
            }
            if self.normal {
                size[..m].iter_mut().for_each(|e| *e = StandardNormal.sample(rng));
            } else {
                let degrees = &self.degrees_of_freedom[from..from + m];
                size.iter_mut().zip(degrees).for_each(|(e, d)| *e = standard_draw(*d, rng));
            }
            vector::run(Sizes { location: &location[..m], scale: &scale[..m], size: &mut size[..m] });
            let mut at = 0;
            while at < m {
                if left == 0 {
                    let Some(run) = runs.next() else { return };
                    (left, group, weighed) = *run;
                }
                let some = left.min(m - at);
                take(group, weighed, sum(&size[at..at + some]));
                at += some;
                left -= some;
            }
        }
    }
}

/// The sum of some numbers, eight at a time.
fn sum(of: &[f64]) -> f64 {
    let (eights, rest) = of.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(s, v)| *s += v);
    }
    sums.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// Columns times coefficients, for the rows that `out` is long, from a row on.
struct Summed<'a> {
    columns: &'a [f64],
    rows: usize,
    from: usize,
    coefficients: &'a [f64],
    out: &'a mut [f64],
}

impl Kernel for Summed<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        self.out.fill(0.0);
        let (columns, rows, from, m) = (self.columns, self.rows, self.from, self.out.len());
        let column = |j: usize| &columns[j * rows + from..][..m];
        let (threes, rest) = self.coefficients.as_chunks::<3>();
        for (j, [a, b, c]) in threes.iter().enumerate() {
            let columns = column(3 * j).iter().zip(column(3 * j + 1)).zip(column(3 * j + 2));
            self.out.iter_mut().zip(columns).for_each(|(o, ((x, y), z))| *o = ((*o + a * x) + b * y) + c * z);
        }
        for (j, b) in rest.iter().enumerate() {
            self.out.iter_mut().zip(column(3 * threes.len() + j)).for_each(|(o, x)| *o += b * x);
        }
    }
}

/// Standard errors, in `size`, become sizes.
struct Sizes<'a> {
    location: &'a [f64],
    scale: &'a [f64],
    size: &'a mut [f64],
}

impl Kernel for Sizes<'_> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        for ((e, l), s) in self.size.iter_mut().zip(self.location).zip(self.scale) {
            *e = vector::exp(l + s * *e);
        }
    }
}

/// Sums of one draw over one group.
#[derive(Debug, Clone, Copy, Default)]
pub(in crate::infer) struct Sums {
    pub(in crate::infer) mass: f64,
    pub(in crate::infer) weighed: f64,
    pub(in crate::infer) length: f64,
    /// Log of how probable the bounds of its flakes were.
    pub(in crate::infer) ln_possible: f64,
}

/// One flake that is estimated.
#[derive(Debug, Clone, Copy)]
pub(in crate::infer) struct Flake {
    pub(in crate::infer) group: u32,
    /// Place among the pieces estimated.
    pub(in crate::infer) at: usize,
    pub(in crate::infer) now: f64,
    /// That and what is missing and known.
    pub(in crate::infer) certain: f64,
    pub(in crate::infer) weighed: bool,
}

/// One draw of a model: coefficients, the spread of all rows or the coefficients of its log, and effects.
pub(in crate::infer) struct DrawnModel {
    coefficients: Vec<f64>,
    scale: f64,
    spread: Vec<f64>,
}

/// One draw of what groups share: the effect of each, of standard deviation 1, and by what those of each variance are
/// multiplied.
pub(in crate::infer) struct DrawnEffects {
    units: Vec<f64>,
    factors: Vec<f64>,
}

impl Rows {
    pub(in crate::infer) fn add(
        &mut self,
        variant: usize,
        model: &Model,
        rows: &[(f64, Vec<f64>)],
        piece: &impl Measured,
    ) {
        let total: f64 = rows.iter().map(|(w, _)| w).sum();
        // a new group by its name and that of its outer one
        let mut named = String::new();
        let names: Vec<String> = model
            .shared
            .iter()
            .map(|e| {
                named = format!("{named} {}", piece.class(&e.by).unwrap_or_default());
                named.clone()
            })
            .collect();
        let variances: Vec<Option<usize>> = model
            .shared
            .iter()
            .zip(&model.known)
            .map(|(e, known)| Some(self.variance(&e.by, (*known)?)))
            .collect();
        self.pieces.push(self.rows.len());
        let moved = if rows.len() > 1 { moved(model, rows) } else { 0.0 };
        let mut up_to = 0.0;
        for (weight, x) in rows {
            let degrees_of_freedom = model.size.tails.at(|place| x[place]);
            let design = self.numbers.len();
            self.numbers.extend(model.size.compiled.row(x));
            if model.spread_terms() > 0 {
                self.numbers.extend(model.size.compiled.spread_row(x));
            }
            up_to += weight / total;
            let mut shared: Vec<EffectAt> = Vec::new();
            let row = &self.numbers[design..design + model.size.compiled.terms()];
            let mut known = 0.0;
            let effects = model.given.iter().flat_map(|given| given.draws_at(|place| x[place], row));
            for (k, effect) in effects.collect::<Vec<_>>().into_iter().enumerate() {
                // a known one: its error that goes with those of the coefficients is drawn with them
                known += effect.location - dot(&effect.along, &model.size.coefficients);
                let row = &mut self.numbers[design..design + model.size.compiled.terms()];
                row.iter_mut().zip(&effect.along).for_each(|(x, along)| *x += along);
                let e = &model.shared[k];
                let variance = variances[k].filter(|_| effect.known.is_none());
                // where the variance may be 0, what it is drawn as
                let sd = if variance.is_some() && e.covariance[0][0] == 0.0 { 1.0 } else { effect.sd };
                let (name, tails) = match effect.known {
                    Some(level) => (format!("known {level}"), f64::INFINITY),
                    None => (names[k].clone(), e.degrees_of_freedom.unwrap_or(f64::INFINITY)),
                };
                let cluster = self.cluster(e.by.clone(), name, tails);
                shared.push(EffectAt { cluster, sd, variance });
            }
            let (another, by) = self.apart(model, x, &mut shared);
            let moved = moved + another + known;
            let way = Way { degrees_of_freedom, moved, by, up_to, shared: (0, shared.len()) };
            let way = self.way(way, &shared);
            self.rows.push(RowAt { design, model: variant as u32, way });
        }
    }

    /// The place of a group that shares an effect, with these tails where it is new.
    fn cluster(&mut self, by: String, name: String, tails: f64) -> usize {
        let next = self.clusters.len();
        let cluster = *self.clusters.entry((by, name)).or_insert(next);
        if cluster == next {
            self.tails.push(tails);
        }
        cluster
    }

    /// The place of how well the variance of an effect is known among all, and of its column among the columns.
    fn variance(&mut self, by: &str, known: VarianceKnown) -> usize {
        let df = known.degrees_of_freedom;
        let same = |(name, d): &(String, f64)| name == by && *d == df;
        let column = place_of(&mut self.columns, same, || (by.to_string(), df));
        place_of(&mut self.variances, |v| *v == (known, column), || (known, column))
    }

    /// A piece without rows.
    pub(in crate::infer) fn add_none(&mut self) {
        self.pieces.push(self.rows.len());
    }

    /// Pieces that have a place.
    pub(in crate::infer) fn pieces(&self) -> usize {
        self.pieces.len()
    }

    /// Whether a piece has rows.
    pub(in crate::infer) fn has(&self, piece: usize) -> bool {
        !self.rows_of(piece).is_empty()
    }

    fn rows_of(&self, piece: usize) -> &[RowAt] {
        let Some(first) = self.pieces.get(piece) else { return &[] };
        &self.rows[*first..self.pieces.get(piece + 1).copied().unwrap_or(self.rows.len())]
    }

    /// The place of a way among all, with these shared effects; that of the row before where it is the same.
    fn way(&mut self, mut way: Way, shared: &[EffectAt]) -> u32 {
        if let Some(last) = self.ways.last() {
            let (from, count) = last.shared;
            way.shared.0 = from;
            if *last == way && self.shared[from..from + count] == *shared {
                return self.ways.len() as u32 - 1;
            }
        }
        way.shared.0 = self.shared.len();
        self.shared.extend_from_slice(shared);
        self.ways.push(way);
        self.ways.len() as u32 - 1
    }

    /// Which group of the outer shared effect a piece is of, where there is one.
    pub(in crate::infer) fn outer(&self, at: usize) -> Option<usize> {
        let (from, count) = self.ways[self.rows_of(at).first()?.way as usize].shared;
        (count > 0).then(|| self.shared[from].cluster)
    }

    /// What every flake shares that lies beyond the flakes fitted or was struck by another percussor: by how much that moves
    /// the location of a row and multiplies its spread; what is uncertain of it becomes effects of one group.
    fn apart(&mut self, model: &Model, x: &[f64], shared: &mut Vec<EffectAt>) -> (f64, f64) {
        let entry = |place: usize| x.get(place).copied().unwrap_or(f64::NAN);
        let size = &model.size;
        let at = size.at(x, &mut DesignRows::default());
        if at.beyond == 0.0 && at.carried == 0.0 {
            return (0.0, 1.0);
        }
        let plain = At { location: dot(&size.compiled.row(x), &size.coefficients), ..at };
        let ratio = size.carried.as_ref().and_then(|c| c.at(entry, size));
        let (location, by) = size.transform.times(plain.location, ratio.as_ref().map_or(0.0, |r| r.ln));
        let own = At { own: at.own / by, uncertainty: at.uncertainty / (by * by), ..plain };
        let beyond = if at.beyond > 0.0 { size.opening.parts(entry, &own) } else { Vec::new() };
        let beyond = beyond.into_iter().map(|(of, sd)| (format!("beyond {of}"), by * sd));
        let slope = size.transform.per_ln(location);
        let carried = ratio.iter().flat_map(|r| &r.parts).enumerate();
        let carried = carried.map(|(k, sd)| (format!("percussor {k}"), slope * sd));
        for (name, sd) in beyond.chain(carried) {
            let cluster = self.cluster(String::new(), name, f64::INFINITY);
            shared.push(EffectAt { cluster, sd, variance: None });
        }
        (location - plain.location, by)
    }

    /// The flakes that can be drawn in the plain way, and the others.
    pub(in crate::infer) fn sheets(
        &self,
        flakes: &[Flake],
        models: &[Option<Model>],
        at_least: impl Fn(&Flake) -> f64,
    ) -> (Vec<Sheet>, Vec<Flake>) {
        let plain = |f: &Flake| {
            let [row] = self.rows_of(f.at) else { return None };
            let log = models[row.model as usize].as_ref().is_some_and(|m| m.size.transform == Transform::Ln);
            (log && at_least(f) <= 0.0 && self.ways[row.way as usize].shared.1 == 0).then_some(row)
        };
        let mut sheets = Vec::new();
        for (k, model) in models.iter().enumerate() {
            let Some(model) = model else { continue };
            let of = |f: &&Flake| plain(f).is_some_and(|row| row.model as usize == k);
            let mut flakes: Vec<Flake> = flakes.iter().filter(of).copied().collect();
            if flakes.is_empty() {
                continue;
            }
            flakes.sort_by_key(|f| (f.group, f.weighed));
            let mut runs: Vec<(usize, u32, bool)> = Vec::new();
            for f in &flakes {
                match runs.last_mut() {
                    Some((n, group, weighed)) if (*group, *weighed) == (f.group, f.weighed) => *n += 1,
                    _ => runs.push((1, f.group, f.weighed)),
                }
            }
            let rows: Vec<&RowAt> = flakes.iter().filter_map(&plain).collect();
            let columns = |of: std::ops::Range<usize>| -> Vec<f64> {
                of.flat_map(|j| rows.iter().map(move |r| self.numbers[r.design + j])).collect()
            };
            let degrees_of_freedom: Vec<f64> =
                rows.iter().map(|r| self.ways[r.way as usize].degrees_of_freedom).collect();
            let terms = model.size.compiled.terms();
            sheets.push(Sheet {
                model: k,
                design: columns(0..terms),
                spread: columns(terms..terms + model.spread_terms()),
                normal: degrees_of_freedom.iter().all(|d| d.is_infinite()),
                degrees_of_freedom,
                runs,
            });
        }
        (sheets, flakes.iter().filter(|f| plain(f).is_none()).copied().collect())
    }

    /// One set of coefficients for every model, and one effect for every core.
    pub(in crate::infer) fn draw_models(
        &self,
        models: &[Option<Model>],
        rng: &mut Generator,
    ) -> (Vec<Option<DrawnModel>>, DrawnEffects) {
        let drawn = models.iter().map(|m| m.as_ref().map(|m| m.draw(rng))).collect();
        let ratio = |d: f64, rng: &mut Generator| ChiSquared::new(d).map_or(1.0, |c| d / c.sample(rng));
        let ratios: Vec<f64> = self.columns.iter().map(|(_, d)| ratio(*d, rng)).collect();
        let factors = self.variances.iter().map(|(known, column)| known.factor(ratios[*column])).collect();
        // of variance 1, whatever the tails
        let unit = |d: f64| if d.is_infinite() { 1.0 } else { ((d - 2.0) / d).sqrt() };
        let units = self.tails.iter().map(|d| unit(*d) * standard_draw(*d, rng)).collect();
        (drawn, DrawnEffects { units, factors })
    }

    /// One size of one piece, at least so large, and the log of how probable that was.
    pub(in crate::infer) fn draw(
        &self,
        piece: usize,
        models: &[Option<Model>],
        (drawn, effects): &(Vec<Option<DrawnModel>>, DrawnEffects),
        at_least: f64,
        rng: &mut Generator,
    ) -> (f64, f64) {
        let rows = self.rows_of(piece);
        let way = |row: &RowAt| &self.ways[row.way as usize];
        let at = |row: &RowAt| -> Option<(f64, f64, Transform)> {
            let model = row.model as usize;
            let (model, drawn) = (models[model].as_ref()?, drawn[model].as_ref()?);
            let spread = row.design + drawn.coefficients.len();
            let (row, way) = (row.design, way(row));
            let sum = |from: usize, b: &[f64]| dot(&self.numbers[from..from + b.len()], b);
            let mut location = sum(row, &drawn.coefficients) + way.moved;
            let mut scale = drawn.scale * way.by;
            if !drawn.spread.is_empty() {
                scale *= vector::exp(sum(spread, &drawn.spread));
            }
            let (from, count) = way.shared;
            for e in &self.shared[from..from + count] {
                let factor = e.variance.map_or(1.0, |v| effects.factors[v]);
                location += effects.units[e.cluster] * e.sd * factor;
            }
            Some((location, scale, model.size.transform))
        };
        let Some(mut row) = rows.first() else { return (0.0, 0.0) };
        if rows.len() > 1 {
            // given what remains, the rows that make it likelier weigh more
            if at_least > 0.0 {
                let mut before = 0.0;
                let components: Vec<Component> = rows
                    .iter()
                    .filter_map(|r| {
                        let weight = way(r).up_to - before;
                        before = way(r).up_to;
                        let (location, scale, _) = at(r)?;
                        let degrees_of_freedom = way(r).degrees_of_freedom;
                        Some(Component { weight, location, scale, degrees_of_freedom })
                    })
                    .collect();
                let transform = at(row).map_or(Transform::Identity, |a| a.2);
                return truncated(transform, components, at_least, rng);
            }
            let u: f64 = rng.random();
            row = rows.iter().find(|r| u < way(r).up_to).or(rows.last()).unwrap_or(row);
        }
        let Some((location, scale, transform)) = at(row) else { return (0.0, 0.0) };
        let df = way(row).degrees_of_freedom;
        if at_least <= 0.0 {
            return (transform.invert(location + scale * standard_draw(df, rng)), 0.0);
        }
        let bound = (transform.apply(at_least) - location) / scale;
        // most bounds lie below the middle, where trying again is quickest
        if bound < 1.0 {
            for _ in 0..100 {
                let e = standard_draw(df, rng);
                if e >= bound {
                    return (transform.invert(location + scale * e).max(at_least), ln_student_sf(bound, df));
                }
            }
        }
        let one = Component { weight: 1.0, location, scale, degrees_of_freedom: df };
        truncated(transform, vec![one], at_least, rng)
    }
}

/// A size of a predictive, at least so large, and the log of how probable that was.
fn truncated(
    transform: Transform,
    components: Vec<Component>,
    at_least: f64,
    rng: &mut Generator,
) -> (f64, f64) {
    let truncated = Predictive::new(transform, components).and_then(|p| Truncated::new(p, at_least));
    truncated.map_or((at_least, f64::NEG_INFINITY), |t| (t.sample(rng), t.ln_above))
}

impl Model {
    pub(in crate::infer) fn draw<R: Rng + ?Sized>(&self, rng: &mut R) -> DrawnModel {
        let (scale, by, spread) = match &self.size.spread {
            ResolvedSpread::Constant(value, degrees_of_freedom) => {
                // the checked degrees of freedom of a calibration are positive and finite
                let by = ChiSquared::new(*degrees_of_freedom)
                    .map_or(1.0, |c| (degrees_of_freedom / c.sample(rng)).sqrt());
                (value * by, by, Vec::new())
            }
            ResolvedSpread::Modelled(coefficients, factor) => {
                (1.0, 1.0, normal(coefficients, factor, 1.0, rng))
            }
        };
        DrawnModel {
            coefficients: normal(&self.size.coefficients, &self.size.factor, by, rng),
            scale,
            spread,
        }
    }
}

/// By how much an estimate moves the blows that it averages over: see [`Predictive::about_the_mean`].
fn moved(model: &Model, rows: &[(f64, Vec<f64>)]) -> f64 {
    let mut designs = DesignRows::default();
    let components =
        rows.iter().map(|(weight, x)| Component::of(*weight, &model.size.at(x, &mut designs))).collect();
    Predictive::new(model.size.transform, components).map_or(0.0, |p| p.median_to_mean())
}

/// A draw of N(centre, by^2 L L').
fn normal<R: Rng + ?Sized>(centre: &[f64], l: &Triangle, by: f64, rng: &mut R) -> Vec<f64> {
    let mut out = centre.to_vec();
    let z: Vec<f64> = centre.iter().map(|_| StandardNormal.sample(rng)).collect();
    l.add_times(by, &z, &mut out);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::bundled;
    use crate::predict::{Ask, Predictor};
    use crate::strike::Strike;

    /// Draws start from the numbers that an estimate has, to the last bit.
    #[test]
    fn what_is_drawn_about_is_what_is_estimated() {
        for name in bundled::NAMES {
            let predictor = Predictor::new(bundled::named(name).unwrap()).unwrap();
            let (resolved, mut rows) = (predictor.resolved(), Rows::default());
            let models: Vec<Option<Model>> = (0..predictor.calibration().variants().len())
                .map(|v| Model::of(resolved, v, "mass_g"))
                .collect();
            let mut compared = 0;
            // among the flakes of all three experiments: beyond them an estimate opens, and a draw does not yet
            for (depth, angle) in [(2.3, 57.0), (7.9, 74.5), (14.2, 66.0)] {
                let piece = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle);
                let piece = piece.build().unwrap();
                let (variant, complete) = predictor.rows_of(&piece, &Ask::default()).unwrap();
                let model = models[variant].as_ref().unwrap();
                let before = rows.rows.len();
                rows.add(variant, model, &complete, &piece);
                let estimate = predictor.estimate(&piece, &Ask::default()).unwrap();
                let components = estimate.size("mass_g").unwrap().components();
                let estimate_is_mixed = components.len() > 1;
                assert_eq!(components.len(), rows.rows.len() - before);
                for (component, row) in components.iter().zip(&rows.rows[before..]) {
                    let design = &rows.numbers[row.design..][..model.size.coefficients.len()];
                    let location = dot(design, &model.size.coefficients);
                    let moved = rows.ways[row.way as usize].moved;
                    let location = if estimate_is_mixed { location + moved } else { location };
                    assert_eq!(location.to_bits(), component.location.to_bits());
                    compared += 1;
                }
            }
            assert!(compared >= 3);
        }
    }
}
