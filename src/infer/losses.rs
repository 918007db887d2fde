//! Many retouched pieces at once: by group, what they weighed, the share of it that is lost, and how the shares of the
//! pieces are spread, with the uncertainty that the pieces share.
//!
//! Every piece is answered from the same few coefficients, so their errors do not average out over a group, and two
//! groups have them in common. Each draw takes one set of coefficients for all pieces and then an error of its own for
//! each:
//!
//! ```text
//! b ~ N(b0, V),   c ~ N(c0, C)                             once a draw, for each variant
//! piece i     r_i = 1 + exp(x_i'b + exp(z_i'c) e_i)        original over now
//! group       share lost = 1 - sum now_i / sum certain_i r_i
//! ```
//!
//! with what is certain of a piece: what is in hand and what is missing but known. Draw k has a generator of its own,
//! the k-th stream of a ChaCha8 generator: the answer depends on the seed and the number of draws, not on threads.

use super::assemblage::{Drawing, Drawn};
use super::original::LookBack;
use crate::calibration::{Spread, Tails, cholesky};
use crate::error::{Error, Result};
use crate::flake::ORIGINAL_OVER_NOW;
use crate::form::Compiled;
use crate::strike::Measured;
use crate::threads;
use nalgebra::{DMatrix, DVector};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use std::collections::BTreeMap;

/// Shares lost at which the spread of a group's pieces is told: every twentieth.
pub const TOLD_SHARES: [f64; 19] = [
    0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45, 0.50, 0.55, 0.60, 0.65, 0.70, 0.75, 0.80, 0.85,
    0.90, 0.95,
];

/// Draws that one piece of work takes. Own choice.
const TOGETHER: usize = 64;

/// What is told of one group.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[non_exhaustive]
pub struct GroupLosses {
    /// Its name.
    pub group: String,
    /// Pieces offered.
    pub pieces: u64,
    /// Pieces estimated.
    pub n: u64,
    /// Of these, pieces whose retouch was measured and is none.
    pub unretouched: u64,
    /// What the pieces estimated weigh now, in grams.
    pub mass_now_g: f64,
    /// What they weighed when struck, in grams. None without a piece, as all that follows.
    pub original_mass_g: Option<Drawn>,
    /// Mass lost, in grams.
    pub mass_lost_g: Option<Drawn>,
    /// Share of the group's mass that is lost, 0 to 1.
    pub share_lost: Option<Drawn>,
    /// Mean over the pieces of the share that each lost, 0 to 1.
    pub mean_share_lost: Option<Drawn>,
    /// Of the pieces, the part that lost more than each of [`TOLD_SHARES`].
    pub lost_more_than: Vec<(f64, Drawn)>,
    /// Pieces not estimated: the reason and how many.
    pub not_estimated: Vec<(String, u64)>,
}

/// A model of loss ready to be drawn from.
#[derive(Debug, Clone)]
struct Model {
    compiled: Compiled,
    coefficients: DVector<f64>,
    factor: DMatrix<f64>,
    spread: ModelSpread,
    tail: f64,
}

#[derive(Debug, Clone)]
enum ModelSpread {
    Constant(f64, f64),
    Modelled(DVector<f64>, DMatrix<f64>),
}

#[derive(Debug, Clone)]
struct Piece {
    group: usize,
    now: f64,
    certain: f64,
    /// Variant, design row, row of the spread; none where nothing was lost.
    row: Option<(usize, DVector<f64>, DVector<f64>)>,
}

/// Takes retouched pieces one by one, and answers for all of them together.
///
/// ```
/// use conchoid::flake::{Flake, Retouch};
/// use conchoid::infer::Drawing;
/// use conchoid::infer::Losses;
/// use conchoid::infer::LookBack;
/// let look = LookBack::new()?;
/// let mut losses = Losses::new(&look)?;
/// for (site, index, mass) in [("spring", 0.35, 24.0), ("spring", 0.4, 31.0), ("quarry", 0.1, 40.0)] {
///     let retouch = Retouch::builder().index(index).build()?;
///     losses.offer(site, &Flake::builder().mass_now_g(mass).retouch(retouch).build()?);
/// }
/// let groups = losses.totals(&Drawing::seeded(3).draws(1000)?)?;
/// let share = |k: usize| groups[k].share_lost.unwrap().median;
/// assert_eq!((groups[0].group.as_str(), groups[0].n), ("spring", 2));
/// assert!(share(0) > 2.0 * share(1));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Losses<'a> {
    look: &'a LookBack<'a>,
    models: Vec<Option<Model>>,
    groups: Vec<String>,
    by_name: BTreeMap<String, usize>,
    offered: Vec<u64>,
    pieces: Vec<Piece>,
    left_out: Vec<BTreeMap<String, u64>>,
}

impl<'a> Losses<'a> {
    /// No pieces yet.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a calibration of loss whose tails differ by a class.
    pub fn new(look: &'a LookBack<'a>) -> Result<Losses<'a>> {
        let calibration = look.retouch_predictor().calibration();
        let mut models = Vec::new();
        for v in calibration.variants() {
            let Some(m) = v.sizes.iter().find(|m| m.size == ORIGINAL_OVER_NOW) else {
                models.push(None);
                continue;
            };
            let compiled = m.form.compile(calibration.layout())?;
            let spread = match &m.spread {
                Spread::Constant { value, degrees_of_freedom } => {
                    ModelSpread::Constant(*value, *degrees_of_freedom)
                }
                Spread::Modelled { coefficients, covariance } => ModelSpread::Modelled(
                    DVector::from_column_slice(coefficients),
                    cholesky(&m.size, covariance, coefficients.len())?,
                ),
            };
            let tail = match &m.tails {
                Tails::Normal => f64::INFINITY,
                Tails::Student { degrees_of_freedom } => *degrees_of_freedom,
                Tails::ByClass { class, .. } => {
                    return Err(Error::invalid(
                        class,
                        "tails of a calibration of loss are the same for all pieces",
                    ));
                }
            };
            models.push(Some(Model {
                factor: cholesky(&m.size, &m.covariance, compiled.terms())?,
                compiled,
                coefficients: DVector::from_column_slice(&m.coefficients),
                spread,
                tail,
            }));
        }
        Ok(Losses {
            look,
            models,
            groups: Vec::new(),
            by_name: BTreeMap::new(),
            offered: Vec::new(),
            pieces: Vec::new(),
            left_out: Vec::new(),
        })
    }

    /// Puts one piece into a group. Gives back why it is not estimated, where that is so; it still counts among the
    /// pieces.
    pub fn offer(&mut self, group: &str, piece: &impl Measured) -> Option<Error> {
        let at = self.group(group);
        self.offered[at] += 1;
        match self.read(at, piece) {
            Ok(piece) => {
                self.pieces.push(piece);
                None
            }
            Err(e) => {
                *self.left_out[at].entry(e.to_string()).or_default() += 1;
                Some(e)
            }
        }
    }

    /// Counts a piece that could not be read at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, group: &str, reason: impl Into<String>) {
        let at = self.group(group);
        self.offered[at] += 1;
        *self.left_out[at].entry(reason.into()).or_default() += 1;
    }

    fn group(&mut self, name: &str) -> usize {
        if let Some(at) = self.by_name.get(name) {
            return *at;
        }
        self.groups.push(name.to_string());
        self.offered.push(0);
        self.left_out.push(BTreeMap::new());
        self.by_name.insert(name.to_string(), self.groups.len() - 1);
        self.groups.len() - 1
    }

    fn read(&self, group: usize, piece: &impl Measured) -> Result<Piece> {
        let (remains, row) = self.look.row(piece)?;
        let (now, certain) = (remains.mass_now_g(), remains.certain_g());
        let Some((variant, x)) = row else { return Ok(Piece { group, now, certain, row: None }) };
        let Some(model) = &self.models[variant] else {
            return Err(Error::invalid(
                "calibration",
                format!("this variant does not tell {ORIGINAL_OVER_NOW}"),
            ));
        };
        model.compiled.check(&x, self.look.retouch_predictor().calibration().layout())?;
        let mut design = vec![0.0; model.compiled.terms()];
        let mut spread = vec![0.0; model.compiled.spread_terms()];
        model.compiled.fill(&x, &mut design);
        model.compiled.fill_spread(&x, &mut spread);
        let row = Some((variant, DVector::from_vec(design), DVector::from_vec(spread)));
        Ok(Piece { group, now, certain, row })
    }

    /// The groups, in the order in which they were first met.
    ///
    /// # Errors
    /// None for draws within [`crate::infer::DRAWS`].
    pub fn totals(&self, drawing: &Drawing) -> Result<Vec<GroupLosses>> {
        let draws = drawing.count() as usize;
        let blocks = threads::in_order(draws.div_ceil(TOGETHER), |block| {
            (block * TOGETHER..draws.min((block + 1) * TOGETHER))
                .map(|k| self.draw(drawing.seed(), k as u64))
                .collect::<Vec<_>>()
        });
        let all: Vec<Vec<OneDraw>> = blocks.into_iter().flatten().collect();
        let told = self.groups.iter().enumerate().map(|(g, name)| {
            let own: Vec<&Piece> = self.pieces.iter().filter(|p| p.group == g).collect();
            let read = |of: &dyn Fn(&OneDraw) -> f64| {
                if own.is_empty() {
                    return None;
                }
                Drawn::from_draws(all.iter().map(|d| of(&d[g])).collect(), drawing.level_inside())
            };
            let now: f64 = own.iter().map(|p| p.now).sum();
            let n = own.len() as f64;
            let mut not_estimated: Vec<(String, u64)> =
                self.left_out[g].iter().map(|(reason, n)| (reason.clone(), *n)).collect();
            not_estimated.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
            GroupLosses {
                group: name.clone(),
                pieces: self.offered[g],
                n: own.len() as u64,
                unretouched: own.iter().filter(|p| p.row.is_none()).count() as u64,
                mass_now_g: now,
                original_mass_g: read(&|d| d.original),
                mass_lost_g: read(&|d| d.original - now),
                share_lost: read(&|d| (1.0 - now / d.original).clamp(0.0, 1.0)),
                mean_share_lost: read(&|d| d.shares / n),
                lost_more_than: TOLD_SHARES
                    .iter()
                    .enumerate()
                    .filter_map(|(k, share)| Some((*share, read(&|d| d.above[k] as f64 / n)?)))
                    .collect(),
                not_estimated,
            }
        });
        Ok(told.collect())
    }

    /// One draw: for each group its sums.
    fn draw(&self, seed: u64, k: u64) -> Vec<OneDraw> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(k);
        let drawn: Vec<Option<DrawnModel>> =
            self.models.iter().map(|m| Some(m.as_ref()?.draw(&mut rng))).collect();
        let mut sums = vec![OneDraw::default(); self.groups.len()];
        for piece in &self.pieces {
            let ratio = match &piece.row {
                None => 1.0,
                Some((variant, x, z)) => match (&self.models[*variant], &drawn[*variant]) {
                    (Some(model), Some(with)) => 1.0 + with.log_odds(model, x, z, &mut rng).exp(),
                    _ => 1.0,
                },
            };
            let then = piece.certain * ratio;
            let share = (1.0 - piece.now / then).clamp(0.0, 1.0);
            let sum = &mut sums[piece.group];
            sum.original += then;
            sum.shares += share;
            for (above, told) in sum.above.iter_mut().zip(TOLD_SHARES) {
                *above += u64::from(share > told);
            }
        }
        sums
    }
}

/// The sums of one group in one draw.
#[derive(Debug, Clone, Default)]
struct OneDraw {
    original: f64,
    shares: f64,
    above: [u64; TOLD_SHARES.len()],
}

/// The coefficients of one draw.
struct DrawnModel {
    location: DVector<f64>,
    spread: DrawnSpread,
}

enum DrawnSpread {
    Constant(f64),
    Modelled(DVector<f64>),
}

fn normals(n: usize, rng: &mut impl Rng) -> DVector<f64> {
    DVector::from_fn(n, |_, _| StandardNormal.sample(rng))
}

impl Model {
    fn draw(&self, rng: &mut impl Rng) -> DrawnModel {
        let location = &self.factor * normals(self.coefficients.len(), rng);
        match &self.spread {
            ModelSpread::Constant(value, df) => {
                let by = ChiSquared::new(*df).map_or(1.0, |chi| (df / chi.sample(rng)).sqrt());
                DrawnModel {
                    location: &self.coefficients + location * by,
                    spread: DrawnSpread::Constant(value * by),
                }
            }
            ModelSpread::Modelled(c, factor) => DrawnModel {
                location: &self.coefficients + location,
                spread: DrawnSpread::Modelled(c + factor * normals(c.len(), rng)),
            },
        }
    }
}

impl DrawnModel {
    fn log_odds(&self, model: &Model, x: &DVector<f64>, z: &DVector<f64>, rng: &mut impl Rng) -> f64 {
        let spread = match &self.spread {
            DrawnSpread::Constant(s) => *s,
            DrawnSpread::Modelled(c) => z.dot(c).exp(),
        };
        let normal: f64 = StandardNormal.sample(rng);
        let e = if model.tail.is_finite() {
            ChiSquared::new(model.tail).map_or(normal, |chi| normal / (chi.sample(rng) / model.tail).sqrt())
        } else {
            normal
        };
        x.dot(&self.location) + spread * e
    }
}
