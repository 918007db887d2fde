//! Many retouched pieces at once: by group, what they weighed, the share of it that is lost, and how the shares of the
//! pieces are spread, with the uncertainty that the pieces share.
//!
//! Every piece is answered from the same few coefficients, so their errors do not average out over a group, and two
//! groups have them in common. Each draw takes one set of coefficients for all pieces and then an error of its own for
//! each, as for [`super::Assemblage`]:
//!
//! ```text
//! b ~ N(b0, V),   c ~ N(c0, C)                             once a draw, for each variant
//! piece i     r_i = 1 + exp(x_i'b + exp(z_i'c) e_i)        original over now
//! group       share lost = 1 - sum now_i / sum certain_i r_i
//! ```
//!
//! with what is certain of a piece: what is in hand and what is missing but known. The coefficients of draw k come from
//! one stream of a ChaCha8 generator, the errors of a group's pieces from one that its name chooses: the answer for a group
//! depends on the seed, the number of draws and its name, not on threads, and not on what other groups
//! are there (but where a calibration of loss of one's own shares effects: those are drawn as groups come).

use super::assemblage::draws::{Generator, Model, Rows};
use super::assemblage::{Drawing, Drawn};
use super::groups::{CountedCaution, NotEstimated, Reasons, count_caution, tell_the_rest};
use super::original::LookBack;
use crate::by_name::Groups;
use crate::calibration::fitting::commonest_first;
use crate::error::{Error, Result, counted};
use crate::flake::{ORIGINAL_OVER_NOW, Portion, Retouch};
use crate::page::{Page, name, short};
use crate::strike::Measured;
use crate::threads;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde::{Serialize, Serializer};
use std::fmt;

/// Shares lost at which the spread of a group's pieces is told: every twentieth.
pub(super) const TOLD_SHARES: [f64; 19] = [
    0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45, 0.50, 0.55, 0.60, 0.65, 0.70, 0.75, 0.80, 0.85,
    0.90, 0.95,
];

/// What is told of one group; `to_string` tells it in words (`{:79}` breaks its paragraphs at 79 characters).
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct GroupLosses {
    /// Its name.
    pub group: String,
    /// Pieces offered.
    pub(crate) pieces: u64,
    /// Pieces estimated.
    pub n: u64,
    /// Of these, pieces whose retouch was measured and is none.
    pub(crate) unretouched: u64,
    /// What the pieces estimated weigh now, in grams.
    pub mass_now_g: f64,
    /// What they weighed when struck, in grams. None without a piece, as all that follows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub original_mass_g: Option<Drawn>,
    /// Mass lost, in grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mass_lost_g: Option<Drawn>,
    /// Share of the group's mass that is lost, 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub share_lost: Option<Drawn>,
    /// Mean over the pieces of the share that each lost, 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) mean_share_lost: Option<Drawn>,
    /// Of the pieces, the part that lost more than each twentieth (0.05, 0.10, ... 0.95).
    #[serde(serialize_with = "parts")]
    #[cfg_attr(feature = "schema", schemars(with = "Vec<PartLost>"))]
    pub lost_more_than: Vec<(f64, Drawn)>,
    /// Pieces not estimated: the reason and how many.
    pub(crate) not_estimated: Vec<NotEstimated>,
    /// The first caution of each kind, and on how many pieces.
    pub(crate) cautions: Vec<CountedCaution>,
}

impl fmt::Display for GroupLosses {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        let bare = match self.unretouched {
            0 => String::new(),
            n => format!(", {n} of them without retouch"),
        };
        let told = counted(self.n, "piece", "pieces");
        page.line(format!("{}: {told} of {} told by retouch{bare}", name(&self.group), self.pieces));
        if self.n > 0 {
            page.line(format!("  weigh now            {:>7} g", short(self.mass_now_g)));
        }
        for (name, unit, scale, d) in [
            ("total original mass", "g", 1.0, &self.original_mass_g),
            ("mass lost", "g", 1.0, &self.mass_lost_g),
            ("share of mass lost", "%", 100.0, &self.share_lost),
            ("mean share of a piece", "%", 100.0, &self.mean_share_lost),
        ] {
            d.iter().for_each(|d| d.tell(&mut page, name, unit, scale));
        }
        let whole = |v: f64| format!("{:.0}", 100.0 * v);
        let told = |(share, d): &&(f64, Drawn)| [0.1, 0.25, 0.5].contains(share) && d.high > 0.0;
        for (share, d) in self.lost_more_than.iter().filter(told) {
            let [share, low, median, high] = [*share, d.low, d.median, d.high].map(whole);
            page.line(format!(
                "  lost over {share} %:       {median:>7} %   of the pieces ({low} to {high})"
            ));
        }
        let none = std::iter::empty();
        tell_the_rest(&mut page, &self.not_estimated, none, &self.cautions, ["piece", "pieces"]);
        page.show(f)
    }
}

#[derive(Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
struct PartLost {
    share_lost: f64,
    part_of_pieces: Drawn,
}

/// Shares with the part of the pieces that lost more, as a list of `share_lost` and `part_of_pieces`.
fn parts<S: Serializer>(of: &[(f64, Drawn)], s: S) -> std::result::Result<S::Ok, S::Error> {
    s.collect_seq(of.iter().map(|(share, part)| PartLost { share_lost: *share, part_of_pieces: *part }))
}

/// The pieces of one group.
#[derive(Debug, Clone, Default)]
struct Group {
    offered: u64,
    pieces: Vec<Piece>,
    left_out: Reasons,
    cautions: Vec<CountedCaution>,
}

#[derive(Debug, Clone, Copy)]
struct Piece {
    now: f64,
    certain: f64,
    /// Place among the rows; none where nothing was lost.
    at: Option<u32>,
}

/// Takes retouched pieces one by one, and answers for all of them together.
///
/// ```
/// use conchoid::flake::Flake;
/// use conchoid::infer::{Drawing, Losses, LookBack};
/// let look = LookBack::new()?;
/// let mut losses = Losses::new(&look);
/// for (site, index, mass) in [("spring", 0.35, 24.0), ("spring", 0.4, 31.0), ("quarry", 0.1, 40.0)] {
///     losses.offer(site, &Flake::builder().mass_now_g(mass).retouch_index(index).build()?);
/// }
/// let groups = losses.totals(&Drawing::seeded(3).draws(1000)?)?;
/// let share = |k: usize| groups[k].share_lost.unwrap().interval().median;
/// assert_eq!((groups[0].group.as_str(), groups[0].n), ("spring", 2));
/// assert!(share(0) > 2.0 * share(1));
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Losses<'a> {
    look: &'a LookBack<'a>,
    models: Vec<Option<Model>>,
    rows: Rows,
    groups: Groups<Group>,
}

impl<'a> Losses<'a> {
    /// No pieces yet.
    pub fn new(look: &'a LookBack<'a>) -> Losses<'a> {
        let resolved = look.retouch_predictor().resolved();
        let variants = look.retouch_predictor().calibration().variants().len();
        let models = (0..variants).map(|v| Model::of(resolved, v, ORIGINAL_OVER_NOW)).collect();
        Losses { look, models, rows: Rows::default(), groups: Groups::default() }
    }

    /// Whether a piece is told by its retouch: a complete one whose retouch was recorded, well or badly.
    pub fn reads(piece: &impl Measured) -> bool {
        piece.class(Portion::COLUMN).is_none_or(|p| p == Portion::Complete.name())
            && !matches!(Retouch::of(piece), Ok(None))
    }

    /// Puts one piece into a group. Gives back why it is not estimated, where that is so; it still counts among the
    /// pieces.
    pub fn offer(&mut self, group: &str, piece: &impl Measured) -> Option<Error> {
        let at = self.groups.place(group);
        let read = self.read(at, piece);
        let group = &mut self.groups.of[at];
        group.offered += 1;
        match read {
            Ok(piece) => {
                group.pieces.push(piece);
                None
            }
            Err(e) => {
                group.left_out.count(e.clone().with_row(None).to_string());
                Some(e)
            }
        }
    }

    /// Counts a piece that could not be read at all, such as a row of a table that was refused.
    pub fn leave_out(&mut self, group: &str, reason: impl Into<String>) {
        let at = self.groups.place(group);
        self.groups.of[at].offered += 1;
        self.groups.of[at].left_out.count(reason.into());
    }

    fn read(&mut self, group: usize, piece: &impl Measured) -> Result<Piece> {
        let (remains, marks) = self.look.marks(piece)?;
        let (now, certain) = (remains.mass_now_g(), remains.certain_g());
        let Some(marks) = marks else { return Ok(Piece { now, certain, at: None }) };
        let model = self.models[marks.variant].as_ref().ok_or_else(|| {
            Error::invalid("calibration", format!("this variant does not tell {ORIGINAL_OVER_NOW}"))
        })?;
        let told = &mut self.groups.of[group].cautions;
        marks.cautions.iter().for_each(|c| count_caution(told, c));
        self.rows.add(marks.variant, model, &marks.rows, piece);
        let at = u32::try_from(self.rows.pieces() - 1)
            .map_err(|_| Error::invalid("pieces", "more than can be drawn together"))?;
        Ok(Piece { now, certain, at: Some(at) })
    }

    /// The groups, in the order in which they were first met.
    ///
    /// # Errors
    /// None for draws within its range.
    pub fn totals(&self, drawing: &Drawing) -> Result<Vec<GroupLosses>> {
        Ok((0..self.groups.of.len()).map(|g| self.group_totals(g, drawing)).collect())
    }

    fn group_totals(&self, g: usize, drawing: &Drawing) -> GroupLosses {
        let group = &self.groups.of[g];
        let pieces = &group.pieces;
        let all = self.draws(g, drawing);
        let read =
            |of: &dyn Fn(&OneDraw) -> f64| Drawn::from_draws(all.iter().map(of).collect(), drawing.level);
        let now: f64 = pieces.iter().map(|p| p.now).sum();
        let n = pieces.len() as f64;
        let told = TOLD_SHARES.iter().enumerate();
        GroupLosses {
            group: self.groups.names[g].clone(),
            pieces: group.offered,
            n: pieces.len() as u64,
            unretouched: pieces.iter().filter(|p| p.at.is_none()).count() as u64,
            mass_now_g: now,
            original_mass_g: read(&|d| d.original),
            mass_lost_g: read(&|d| d.original - now),
            share_lost: read(&|d| (1.0 - now / d.original).clamp(0.0, 1.0)),
            mean_share_lost: read(&|d| d.shares / n),
            lost_more_than: told
                .filter_map(|(k, share)| Some((*share, read(&|d| f64::from(d.above[k]) / n)?)))
                .collect(),
            not_estimated: commonest_first(group.left_out.0.clone())
                .into_iter()
                .map(NotEstimated::from)
                .collect(),
            cautions: group.cautions.clone(),
        }
    }

    /// What the pieces of a group weighed in every draw; none where it has none.
    pub(super) fn originals(&self, group: &str, drawing: &Drawing) -> Option<Vec<f64>> {
        let g = self.groups.names.iter().position(|name| name == group)?;
        let all = self.draws(g, drawing);
        (!all.is_empty()).then(|| all.iter().map(|d| d.original).collect())
    }

    fn draws(&self, g: usize, drawing: &Drawing) -> Vec<OneDraw> {
        let pieces = &self.groups.of[g].pieces;
        match pieces.is_empty() {
            true => Vec::new(),
            false => threads::in_order(drawing.draws as usize, |k| self.draw(g, pieces, drawing.seed, k)),
        }
    }

    /// One draw of the sums of one group.
    fn draw(&self, g: usize, pieces: &[Piece], seed: u64, k: usize) -> OneDraw {
        let stream = |at: u64| {
            let mut base = ChaCha8Rng::seed_from_u64(seed);
            base.set_stream(at);
            Generator::from_rng(&mut base)
        };
        // there are fewer draws than 2^32
        let drawn = self.rows.draw_models(&self.models, &mut stream(1 << 63 | k as u64));
        let mut rng = stream(named(&self.groups.names[g]) << 32 | k as u64);
        let mut sum = OneDraw::default();
        for piece in pieces {
            let ratio = match piece.at {
                Some(at) => self.rows.draw(at as usize, &self.models, &drawn, 0.0, &mut rng).0,
                None => 1.0,
            };
            let then = piece.certain * ratio;
            let share = (1.0 - piece.now / then).clamp(0.0, 1.0);
            sum.original += then;
            sum.shares += share;
            for (above, told) in sum.above.iter_mut().zip(TOLD_SHARES) {
                *above += u32::from(share > told);
            }
        }
        sum
    }
}

/// A number below 2^31 that a name always has (FNV-1a; G. Fowler, L. Noll and K.-P. Vo, from memory).
fn named(group: &str) -> u64 {
    let hash = group.bytes().fold(0x811c_9dc5_u32, |h, b| (h ^ u32::from(b)).wrapping_mul(0x0100_0193));
    u64::from(hash >> 1)
}

/// The sums of one group in one draw.
#[derive(Debug, Clone, Default)]
struct OneDraw {
    original: f64,
    shares: f64,
    above: [u32; TOLD_SHARES.len()],
}
