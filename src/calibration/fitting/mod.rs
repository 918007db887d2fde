//! From rows of observed flakes to a calibration.
//!
//! A [`Recipe`] says which forms to fit to which sizes; a [`Collector`] takes flakes one by one, keeps the
//! few numbers the recipe needs, counts what it leaves out and why, and finishes into a [`Calibration`], or into a
//! [`Part`] that another collector merges. Least squares
//! are summed up on the way, so that memory does not grow with the flakes; see [`FitReport::left_out_flakes`].

mod columns;
mod growth;
mod inventory;
mod kept;
mod part;
mod recipe;
mod report;
mod running;
mod shrunken;
mod sizes;

#[cfg(test)]
pub(crate) use columns::triangle;
pub use inventory::Inventory;
pub use part::Part;
pub use recipe::{Method, Recipe, SIZE_COLUMNS, SharedRecipe, SizeRecipe, TerminationRecipe, VariantRecipe};
pub(crate) use recipe::{SETTINGS, TailsToTry, ToldApart, known_size};
pub(in crate::calibration) use report::{FALLS, OF_PLATFORM, falling};
pub use report::{Figure, FitReport, Report};
pub(crate) use report::{Offered, commonest_first, repeated, told_of_repeats};

use super::{Calibration, Parts, PercussorSeen, Range, Setting, TerminationModel, Variant};
use crate::by_name::{Groups, each_once};
use crate::error::{Error, Result, check_size};
use crate::fit::Design;
use crate::fit::multinomial::{self, Outcomes};
use crate::flake::{DERIVED, WithRetouch, state_known};
use crate::form::{BLOCK, Layout, PERCUSSOR_CLASS, TERMINATION};
use crate::strike::{Measured, percussor_class};
use crate::threads;
use nalgebra::DMatrix;
use recipe::{check_method, known_termination};
use running::{Columns, Flakes, PIECE, Reading, Running, TOGETHER, ends_of_all};
use shrunken::{FOLDS, keep_levels, shared_correlation};
use std::collections::BTreeMap;

/// Takes flakes one by one and finishes into a calibration.
///
/// ```
/// use conchoid::calibration::{Provenance, Collector, Recipe};
/// use conchoid::flake::Flake;
/// use conchoid::form::Form;
/// use conchoid::strike::Strike;
///
/// let provenance = Provenance::new("field school", "own records", "own", "example");
/// let recipe = Recipe::single("school", "mass_g", Form::named("log-log")?, provenance)?;
/// let mut collector = Collector::new(recipe)?;
/// for (depth, angle, mass) in [(4.0, 70.0, 6.1), (6.0, 80.0, 19.0), (9.0, 65.0, 25.0), (7.0, 75.0, 17.0), (5.0, 85.0, 15.0)] {
///     let strike = Strike::builder().platform_depth_mm(depth).exterior_platform_angle_deg(angle).build()?;
///     collector.offer(&Flake::builder().strike(strike).mass_g(mass).build()?);
/// }
/// let (calibration, report) = collector.finish()?;
/// assert_eq!((calibration.name(), report.used), ("school", 5));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Collector {
    recipe: Recipe,
    layout: Layout,
    /// Columns of sizes to keep, without repeats.
    columns: Vec<String>,
    /// Columns of groups that share effects, without repeats, and their names, in the order in which they came.
    groups: Vec<(String, Groups<()>)>,
    /// For each size of each variant, one after another: how it reads the rows, and what it has seen.
    readings: Vec<Reading>,
    running: Vec<Running>,
    /// Classes of the inputs may gain levels as they appear.
    flakes: Flakes,
    settings: Vec<Setting>,
    /// Why rows could not be folded.
    failed: Option<Error>,
    /// Terminations as recorded, one for each row, where terminations are fitted: by code, and their names.
    ended: Vec<Option<usize>>,
    ends: Groups<()>,
    /// The name of the piece of each row, where some method counts by piece.
    names: Vec<Option<String>>,
    /// Whether some form reads what the retouch says together.
    reads_retouch: bool,
    percussors: BTreeMap<String, u64>,
    offered: Offered,
    /// Parts that a fit beyond least squares is made without in turn, for what the report says of flakes left out: [`FOLDS`]
    /// but in tests of other things.
    folds: usize,
}

impl Collector {
    /// An empty collector.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a recipe without a variant or a size, or a method that does not suit its form.
    pub fn new(recipe: Recipe) -> Result<Collector> {
        if recipe.variants.is_empty() || recipe.variants.iter().any(|v| v.sizes.is_empty()) {
            return Err(Error::invalid("recipe", "at least one variant with at least one size is needed"));
        }
        let forms = recipe
            .variants
            .iter()
            .flat_map(|v| v.sizes.iter().map(|s| &s.form).chain(v.termination.iter().map(|t| &t.form)));
        let mut layout = Layout::of(forms);
        for a in &recipe.assumptions {
            layout.add_level(&a.class, &a.level);
        }
        for name in &recipe.settings {
            if layout.position(name).is_none() {
                return Err(Error::invalid("settings", format!("no form reads {name}")));
            }
        }
        let sizes = || recipe.variants.iter().flat_map(|v| &v.sizes);
        let columns = each_once(sizes().map(|s| s.column.clone()));
        recipe.variants.iter().try_for_each(kept::check)?;
        for s in sizes() {
            check_method(s)?;
            if let TailsToTry::ByClass { class, levels } = &s.method.tails {
                for (level, _) in levels {
                    layout.add_level(class, level);
                }
            }
        }
        let mut groups = each_once(sizes().flat_map(|s| &s.method.shared).map(|shared| shared.by.clone()));
        if sizes().any(|s| s.method.kept.is_some()) {
            groups.push(kept::EVERYTHING_KEPT.to_string());
        }
        let groups: Vec<(String, Groups<()>)> =
            groups.into_iter().map(|by| (by, Groups::default())).collect();
        // levels may be added as they appear, but places and codes once given stay
        let (mut readings, mut running) = (Vec::new(), Vec::new());
        for s in sizes() {
            let numbers = Layout::of([&s.form]).numbers;
            let reading = Reading {
                form: s.form.clone(),
                compiled: s.form.compile(&layout)?,
                transform: s.form.transform(),
                column: columns.iter().position(|c| *c == s.column).unwrap_or(0),
                reads: numbers.into_iter().filter_map(|n| layout.position(&n).map(|at| (n, at))).collect(),
                groups: s
                    .method
                    .shared
                    .iter()
                    .filter_map(|g| groups.iter().position(|(by, _)| *by == g.by))
                    .map(|k| layout.len() + k)
                    .collect(),
            };
            running.push(Running::new(&reading, plain(s))?);
            readings.push(reading);
        }
        let derived = |n: &str| DERIVED.contains(&n);
        let reads_retouch = layout.numbers.iter().any(|n| derived(n)) || columns.iter().any(|n| derived(n));
        let summed = recipe.variants.iter().all(|v| v.termination.is_none() && v.sizes.iter().all(plain));
        Ok(Collector {
            flakes: Flakes::new(layout.len() + groups.len(), columns.len(), summed),
            settings: Vec::new(),
            failed: None,
            recipe,
            layout,
            columns,
            groups,
            readings,
            running,
            ended: Vec::new(),
            ends: Groups::default(),
            names: Vec::new(),
            reads_retouch,
            percussors: BTreeMap::new(),
            offered: Offered::default(),
            folds: FOLDS,
        })
    }

    /// Without the fits that only the report's left-out error needs, eleven times as fast: for simulations of what else is
    /// fitted.
    #[cfg(test)]
    pub(crate) fn without_folds(mut self) -> Collector {
        self.folds = 0;
        self
    }

    /// Offers one flake. It is used, or left out and counted under the reason, which is given back.
    pub fn offer(&mut self, flake: &impl Measured) -> Option<String> {
        let taken = if self.reads_retouch {
            WithRetouch::of(flake).map_err(|e| e.to_string()).and_then(|flake| self.take(&flake))
        } else {
            self.take(flake)
        };
        self.offered.count(taken)
    }

    /// Offers flakes that record nothing but numbers: columns of one length under these names, not a number where
    /// nothing was recorded. Each is used or left out as [`Collector::offer`] would do.
    ///
    /// # Errors
    /// [`Error::Shape`] when lengths differ, or there are not as many columns as names; [`Error::Invalid`] for a name that
    /// stands twice.
    pub fn offer_numbers(&mut self, names: &[&str], columns: &[&[f64]]) -> Result<()> {
        let rows = columns.first().map_or(0, |c| c.len());
        for (what, found, expected) in [
            ("columns", columns.len(), names.len()),
            ("numbers in a column", columns.iter().map(|c| c.len()).max().unwrap_or(0), rows),
            ("numbers in a column", columns.iter().map(|c| c.len()).min().unwrap_or(0), rows),
        ] {
            check_size(what, found, expected)?;
        }
        if let Some(twice) = (1..names.len()).find(|k| names[..*k].contains(&names[*k])) {
            return Err(Error::invalid(names[twice], "stands twice among the columns"));
        }
        if self.reads_retouch || self.names_pieces().is_some() {
            for row in 0..rows {
                self.offer(&NumbersOnly { names, columns, row });
            }
            return Ok(());
        }
        let mut read = self.layout.numbers.iter().chain(&self.columns);
        let all_there = self.layout.len() + self.groups.len() == self.layout.numbers.len()
            && read.all(|n| names.contains(&n.as_str()));
        let nothing = vec![f64::NAN; if all_there { 0 } else { rows }];
        let column = |n: &String| names.iter().position(|m| m == n).map_or(&nothing[..], |at| columns[at]);
        let mut inputs: Vec<&[f64]> = self.layout.numbers.iter().map(column).collect();
        inputs.resize(self.layout.len() + self.groups.len(), &nothing);
        let columns = Columns { inputs, sizes: self.columns.iter().map(column).collect() };
        let before = self.flakes.used();
        let mut usable = Vec::new();
        let every: Vec<usize> = (0..TOGETHER.min(rows)).collect();
        let mut from = 0;
        while from < rows {
            let left = rows - from;
            // with a first fit to hold rows against, whole pieces are the same however many are folded together
            let whole = match self.running[..] {
                [ref only] if only.early.is_some() || left >= TOGETHER => TOGETHER.min(left - left % PIECE),
                _ => 0,
            };
            if whole > 0 && usable.is_empty() && self.flakes.room() == Some(TOGETHER) {
                // mostly every row can be used, and need not be looked at by itself
                let window = columns.window(from..from + whole);
                if self.sum_up(&window, &every[..whole], false) {
                    self.flakes.settle_from(&window);
                    self.offered.flakes += whole as u64;
                    from += whole;
                    continue;
                }
            }
            let window = from..from + left.min(TOGETHER);
            from = window.end;
            self.find_usable(&columns, window, &mut usable);
            while let Some(room) = self.flakes.room().filter(|room| *room <= usable.len()) {
                let later = usable.split_off(room);
                self.flakes.extend(&columns, &usable);
                self.fold(false);
                usable = later;
            }
        }
        self.flakes.extend(&columns, &usable);
        let used = self.flakes.used() - before;
        if self.tells_ends() {
            self.ended.resize(self.ended.len() + used as usize, None);
        }
        if let Some(p) = self.recipe.struck_with.as_ref().filter(|_| used > 0) {
            *self.percussors.entry(p.clone()).or_default() += used;
        }
        Ok(())
    }

    /// Adds the places of the rows that some fit can use; the others are counted as left out.
    fn find_usable(&mut self, columns: &Columns<'_>, rows: std::ops::Range<usize>, usable: &mut Vec<usize>) {
        let plans: Vec<_> = self
            .readings
            .iter()
            .filter(|r| r.compiled.spread_terms() <= 1 && r.groups.is_empty())
            .map(|r| (r.compiled.plan(), r.transform.above(), columns.sizes[r.column]))
            .collect();
        let most = plans.iter().map(|(p, ..)| p.registers()).max().unwrap_or(0);
        // a row that some form takes as it stands is used; the others are looked at one by one
        let fine = threads::in_order(rows.len().div_ceil(PIECE), |k| {
            let piece = rows.start + k * PIECE..rows.end.min(rows.start + (k + 1) * PIECE);
            let (mut block, mut fine) = (vec![0.0; most * BLOCK], vec![false; piece.len()]);
            for (from, fine) in piece.step_by(BLOCK).zip(fine.chunks_mut(BLOCK)) {
                let n = fine.len();
                for (plan, least, sizes) in &plans {
                    plan.fill(&columns.inputs, from, n, &mut block, BLOCK);
                    let mut takes = [true; BLOCK];
                    for j in 0..plan.terms() {
                        for (t, v) in takes.iter_mut().zip(&block[j * BLOCK..][..n]) {
                            *t &= v.is_finite();
                        }
                    }
                    for ((f, t), v) in fine.iter_mut().zip(takes).zip(&sizes[from..from + n]) {
                        *f |= t & v.is_finite() & (v > least);
                    }
                }
            }
            fine
        });
        for (i, fine) in rows.zip(fine.into_iter().flatten()) {
            let taken = if fine { Ok(()) } else { self.usable(&columns.row(i), &columns.own(i)) };
            if self.offered.count(taken).is_none() {
                usable.push(i);
            }
        }
    }

    /// Whether terminations are fitted, and so kept.
    fn tells_ends(&self) -> bool {
        self.recipe.variants.iter().any(|v| v.termination.is_some())
    }

    /// The column that names the pieces, where some method counts by piece.
    fn names_pieces(&self) -> Option<&str> {
        let mut methods = self.recipe.variants.iter().flat_map(|v| v.sizes.iter().map(|s| &s.method));
        methods.find_map(|m| m.by_piece.as_deref())
    }

    /// Counts a flake that could not be offered at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, reason: impl Into<String>) {
        self.offered.count(Err(reason.into()));
    }

    fn take(&mut self, flake: &impl Measured) -> std::result::Result<(), String> {
        as_struck(flake, self.recipe.keep_incomplete)?;
        let mut x: Vec<f64> = Vec::with_capacity(self.layout.len());
        for n in &self.layout.numbers {
            x.push(flake.number(n).unwrap_or(f64::NAN));
        }
        for k in 0..self.layout.classes.len() {
            let name = self.layout.classes[k].name.clone();
            let level = match name.as_str() {
                PERCUSSOR_CLASS => percussor_class(flake).map_err(|_| {
                    format!("percussor \"{}\" is not known", flake.class("percussor").unwrap_or_default())
                })?,
                TERMINATION => flake.class(TERMINATION).and_then(known_termination).map(str::to_string),
                _ => flake.class(&name).map(str::to_string),
            };
            x.push(match level {
                Some(level) => self.layout.add_level(&name, &level) as f64,
                None => f64::NAN,
            });
        }
        for (by, names) in &mut self.groups {
            x.push(flake.class(by).map_or(f64::NAN, |name| names.place(name) as f64));
        }
        let sizes: Vec<f64> = self.columns.iter().map(|c| flake.number(c).unwrap_or(f64::NAN)).collect();
        self.usable(&x, &sizes)?;
        if let Some(p) = flake.class("percussor").or(self.recipe.struck_with.as_deref()) {
            *self.percussors.entry(p.to_string()).or_default() += 1;
        }
        if self.tells_ends() {
            self.ended.push(flake.class(TERMINATION).map(|end| self.ends.place(end)));
        }
        if let Some(by) = self.names_pieces() {
            let name = flake.class(by).map(str::to_string);
            self.names.push(name);
        }
        self.keep(&x, &sizes);
        Ok(())
    }

    /// Takes a row that some fit can use.
    fn keep(&mut self, x: &[f64], sizes: &[f64]) {
        self.flakes.push(x, sizes);
        if self.flakes.room() == Some(0) {
            self.fold(false);
        }
    }

    /// Adds the rows that wait to the sums.
    fn fold(&mut self, last: bool) {
        let flakes = std::mem::take(&mut self.flakes);
        if !self.sum_up(&flakes.columns(), &flakes.waiting().collect::<Vec<usize>>(), last) {
            self.failed.get_or_insert(Error::invalid("flakes", "a term of a form is not a finite number"));
        }
        self.flakes = flakes;
        self.flakes.settle();
    }

    /// Adds some rows to the sums, but none of them where the only form does not take them all, as is said.
    fn sum_up(&mut self, columns: &Columns<'_>, rows: &[usize], last: bool) -> bool {
        let alone = self.readings.len() == 1;
        // of several forms each takes the rows that it can use, looked at together
        let mut taken = vec![Vec::new(); self.readings.len()];
        for i in rows.iter().filter(|_| !alone) {
            let (row, own) = (columns.row(*i), columns.own(*i));
            for (reading, taken) in self.readings.iter().zip(&mut taken) {
                if reading.takes(&row, &own, &self.layout) {
                    taken.push(*i);
                }
            }
        }
        for ((reading, running), taken) in self.readings.iter().zip(&mut self.running).zip(&taken) {
            let rows = if alone { rows } else { taken };
            match running.fold(reading, columns, rows, last) {
                Ok(true) => {}
                Ok(false) => return false,
                Err(e) => {
                    self.failed.get_or_insert(e);
                }
            }
        }
        self.count_settings(columns, rows);
        true
    }

    /// Whether some fit can use this row; otherwise why not.
    fn usable(&self, x: &[f64], sizes: &[f64]) -> std::result::Result<(), String> {
        let mut reason = None;
        for Reading { compiled, transform, column: at, groups, .. } in &self.readings {
            let column = &self.columns[*at];
            let why = match compiled.check(x, &self.layout) {
                Err(Error::Missing { at, .. }) => {
                    format!("{} not recorded", at.column.unwrap_or_default())
                }
                Err(e) => e.of_its_kind(),
                Ok(()) if groups.iter().any(|g| x[*g].is_nan()) => {
                    let lacking =
                        groups.iter().find(|g| x[**g].is_nan()).map_or(0, |g| g - self.layout.len());
                    format!("{} not recorded", self.groups[lacking].0)
                }
                Ok(()) if sizes[*at].is_nan() => format!("{column} not recorded"),
                Ok(()) if !transform.apply(sizes[*at]).is_finite() => {
                    format!("{column} is not above {}", transform.above())
                }
                Ok(()) => return Ok(()),
            };
            reason.get_or_insert(why);
        }
        Err(reason.unwrap_or_else(|| "nothing to fit".to_string()))
    }

    /// Fits everything the recipe asks for.
    ///
    /// # Errors
    /// [`Error::TooFew`], [`Error::RankDeficient`] from the fits, with the term named; [`Error::TooFew`]
    /// when no flake was used at all.
    pub fn finish(mut self) -> Result<(Calibration, Report)> {
        self.fold(true);
        let used = self.flakes.used();
        if used == 0 {
            return Err(self.offered.none_used("flakes to fit", 2));
        }
        for (k, column) in self.columns.iter().enumerate() {
            let of = self.readings.iter().zip(&self.running).filter(|(reading, _)| reading.column == k);
            let seen = || of.clone().map(|(_, running)| &running.seen);
            if ends_of_all(seen()).is_some_and(|(low, high)| low == high) && seen().any(|s| s.flakes > 1) {
                return Err(Error::invalid(
                    column,
                    "all flakes have the same, so nothing can be learnt of it",
                ));
            }
        }
        if let Some(e) = self.failed {
            return Err(e);
        }
        let mut variants = Vec::new();
        let mut fits = Vec::new();
        let mut first = 0;
        for v in &self.recipe.variants {
            let (variant, mut reports) = self.fit_variant(v, first)?;
            first += v.sizes.len();
            variants.push(variant);
            fits.append(&mut reports);
        }
        // groups that are known by name are classes of a row
        let mut layout = self.layout.clone();
        let models = variants.iter().flat_map(|v: &Variant| &v.sizes);
        for e in models.flat_map(|m| &m.shared).filter(|e| !e.levels.is_empty()) {
            for level in &e.levels {
                layout.add_level(&e.by, &level.name);
            }
        }
        let mut settings = self.settings;
        settings.sort_by(|a, b| a.values.partial_cmp(&b.values).unwrap_or(std::cmp::Ordering::Equal));
        let calibration = Calibration::new(Parts {
            schema: super::SCHEMA,
            name: self.recipe.name.clone(),
            provenance: self.recipe.provenance.clone(),
            stone: self.recipe.stone.clone(),
            percussors: self
                .percussors
                .iter()
                .map(|(name, flakes)| PercussorSeen { name: name.clone(), flakes: *flakes })
                .collect(),
            not_recorded: self.recipe.not_recorded.clone(),
            layout,
            setting_names: self.recipe.settings.clone(),
            settings,
            assumptions: self.recipe.assumptions.clone(),
            variants,
            local: None,
        })?;
        let left_out = commonest_first(self.offered.left_out);
        let of_too_few = self.recipe.of_too_few;
        let falls = falling(calibration.variants().iter().flat_map(|v| &v.sizes));
        let (columns, offered) = (self.flakes.columns(), self.offered.flakes);
        let all = || columns.inputs.iter().chain(&columns.sizes);
        let repeated = repeated((0..self.flakes.rows()).map(|i| all().map(move |c| c[i])));
        Ok((calibration, Report { offered, used, left_out, of_too_few, falls, repeated, fits }))
    }

    /// Fits a variant, whose sizes are read from the `first` reading on.
    fn fit_variant(&self, recipe: &VariantRecipe, first: usize) -> Result<(Variant, Vec<FitReport>)> {
        let mut sizes = Vec::new();
        let mut reports = Vec::new();
        // standardised residuals, one column a size, not a number where the size is missing
        let mut residuals: Vec<Vec<f64>> = Vec::new();
        let mut ranges: Vec<Range> = Vec::new();
        let kept = recipe.sizes[0].method.kept.as_ref();
        let together = kept.map(|kept| self.fit_kept(recipe, kept, first)).transpose()?;
        let (joined, within) = match together {
            Some(t) => (t.sizes, Some((t.shared, t.within, t.flakes))),
            None => (Vec::new(), None),
        };
        let mut joined = joined.into_iter();
        let mut all = Vec::with_capacity(recipe.sizes.len());
        for (k, s) in recipe.sizes.iter().enumerate() {
            all.push(match joined.next() {
                Some(fitted) => fitted,
                None => self.fit_size(s, first + k)?,
            });
            let read = self.readings[first + k].reads.iter().zip(&self.running[first + k].seen.ends);
            read.for_each(|((name, _), ends)| {
                ends.iter().for_each(|(l, h)| widen(&mut ranges, name, *l, *h))
            });
        }
        let box_density_g_cm3 = match self.recipe.grows {
            true => self.bring_to_growth(recipe, first, &ranges, &mut all)?,
            false => None,
        };
        for fitted in all {
            reports.push(FitReport::of(&recipe.name, &fitted));
            residuals.push(fitted.standardised);
            sizes.push(fitted.model);
        }
        let (joint_flakes, residual_correlation, shared_correlation) = match within {
            Some((shared, within, flakes)) => (flakes, within, shared),
            None => {
                let (flakes, within) = correlation(&residuals);
                let shared = shared_correlation(&sizes, &within);
                (flakes, within, shared)
            }
        };
        sizes.iter_mut().zip(&recipe.sizes).for_each(|(m, s)| keep_levels(m, &s.method.shared));
        let variant = Variant {
            name: recipe.name.clone(),
            sizes,
            ranges,
            joint_flakes,
            shared_correlation,
            residual_correlation,
            box_density_g_cm3,
            termination: recipe.termination.as_ref().map(|t| self.fit_termination(t)).transpose()?,
        };
        Ok((variant, reports))
    }

    fn fit_termination(&self, recipe: &TerminationRecipe) -> Result<TerminationModel> {
        let compiled = recipe.form.compile(&self.layout)?;
        let names = match recipe.told_apart {
            ToldApart::Four => vec!["feather", "hinge", "step", "overshot"],
            ToldApart::FeatherOrNot => vec!["feather", recipe::NOT_FEATHER],
        };
        let class = |end: &String| names.iter().position(|n| Some(*n) == recipe.told_apart.class(end));
        let by_code: Vec<Option<usize>> = self.ends.names.iter().map(class).collect();
        let (n, p, plan) = (self.flakes.rows(), compiled.terms(), compiled.plan());
        let mut terms = vec![0.0; n * plan.registers()];
        plan.fill(&self.flakes.columns().inputs, 0, n, &mut terms, n);
        let class = |i: usize| self.ended[i].and_then(|code| by_code[code]);
        let used = |i: &usize| class(*i).is_some() && (0..p).all(|j| terms[j * n + i].is_finite());
        let rows: Vec<usize> = (0..n).filter(used).collect();
        let classes = rows.iter().filter_map(|i| class(*i)).collect();
        // moved up to where they belong, for there may be many
        for (to, from) in (0..p).flat_map(|j| rows.iter().map(move |i| j * n + i)).enumerate() {
            terms[to] = terms[from];
        }
        terms.truncate(p * rows.len());
        let design = DMatrix::from_vec(rows.len(), p, terms);
        let design = Design::new(recipe.form.term_names(), design)?;
        let outcomes = Outcomes::new(names.iter().map(|n| n.to_string()).collect(), classes)?;
        let fit = multinomial::fit(&design, &outcomes, recipe.penalty)?;
        Ok(TerminationModel { form: recipe.form.clone(), fit })
    }

    /// Counts the combinations of settings of some rows.
    fn count_settings(&mut self, columns: &Columns<'_>, rows: &[usize]) {
        let places: Vec<usize> =
            self.recipe.settings.iter().filter_map(|n| self.layout.position(n)).collect();
        if places.is_empty() {
            return;
        }
        for i in rows {
            let values: Vec<f64> = places.iter().map(|at| columns.inputs[*at][*i]).collect();
            if values.iter().any(|v| v.is_nan()) {
                continue;
            }
            match self.settings.iter_mut().find(|s| s.values == values) {
                Some(s) => s.flakes += 1,
                None => self.settings.push(Setting { values, flakes: 1 }),
            }
        }
    }
}

/// One row of columns of numbers.
struct NumbersOnly<'a> {
    names: &'a [&'a str],
    columns: &'a [&'a [f64]],
    row: usize,
}

impl Measured for NumbersOnly<'_> {
    fn number(&self, name: &str) -> Option<f64> {
        let at = self.names.iter().position(|n| *n == name)?;
        Some(self.columns[at][self.row]).filter(|v| !v.is_nan())
    }
    fn class(&self, _: &str) -> Option<&str> {
        None
    }
}

/// Refuses a flake that is not as it was struck, with the reason; incomplete and retouched ones unless they are kept.
pub(crate) fn as_struck(flake: &impl Measured, keep_incomplete: bool) -> std::result::Result<(), String> {
    if !keep_incomplete {
        state_known(flake).map_err(|e| e.with_row(None).to_string())?;
        if let Some(portion) = flake.class("portion")
            && portion != "complete"
        {
            return Err(format!("not complete ({portion})"));
        }
        if flake.class("retouched") == Some("yes") {
            return Err("retouched".to_string());
        }
    }
    if flake.class("platform_kind") == Some("crushed") {
        return Err("crushed platform".to_string());
    }
    Ok(())
}

/// Whether a size is fitted by least squares.
fn plain(s: &SizeRecipe) -> bool {
    s.method.is_least_squares() && s.form.spread_terms().is_empty()
}

/// How the rows kept stand to a finished fit.
struct Standing {
    /// One entry a row kept, not a number where the fit could not use it.
    standardised: Vec<f64>,
    largest_leverage: f64,
    left_out_error: f64,
    left_out_flakes: u64,
}

/// Widens the range of a measurement.
fn widen(ranges: &mut Vec<Range>, name: &str, low: f64, high: f64) {
    match ranges.iter_mut().find(|r| r.name == name) {
        Some(r) => (r.low, r.high) = (r.low.min(low), r.high.max(high)),
        None => ranges.push(Range { name: name.to_string(), low, high }),
    }
}

/// Correlation of the columns over the rows that have them all, and how many those are. The identity where
/// they are too few to tell.
pub(crate) fn correlation(columns: &[Vec<f64>]) -> (u64, Vec<Vec<f64>>) {
    let k = columns.len();
    if let [only] = columns {
        return (only.iter().filter(|v| v.is_finite()).count() as u64, vec![vec![1.0]]);
    }
    let n = columns.first().map_or(0, Vec::len);
    let complete: Vec<usize> = (0..n).filter(|i| columns.iter().all(|c| c[*i].is_finite())).collect();
    let mut r = vec![vec![0.0; k]; k];
    for (a, row) in r.iter_mut().enumerate() {
        row[a] = 1.0;
    }
    if complete.len() < k + 3 {
        return (complete.len() as u64, r);
    }
    let m = complete.len() as f64;
    let mean: Vec<f64> = columns.iter().map(|c| complete.iter().map(|i| c[*i]).sum::<f64>() / m).collect();
    let moment = |a: usize, b: usize| -> f64 {
        complete.iter().map(|i| (columns[a][*i] - mean[a]) * (columns[b][*i] - mean[b])).sum()
    };
    for a in 0..k {
        for b in 0..a {
            let c = moment(a, b) / (moment(a, a) * moment(b, b)).sqrt();
            let c = if c.is_finite() { c.clamp(-0.999_999, 0.999_999) } else { 0.0 };
            r[a][b] = c;
            r[b][a] = c;
        }
    }
    (complete.len() as u64, r)
}
