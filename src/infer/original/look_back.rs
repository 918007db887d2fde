//! One piece by whatever was recorded of it: its retouch where that was measured, otherwise its platform.

use super::{BetaLoss, LeansOn, Loss, Original, OriginalEstimate, ReadyLoss, Remains, by_platform};
use crate::calibration::bundled;
use crate::calibration::caution::Doubt;
use crate::error::{Error, Place, Result};
use crate::flake::{ORIGINAL_OVER_NOW, Portion, Retouch, RetouchKind, RetouchedEdges, WithRetouch};
use crate::flake::{nothing_lost, state_known};
use crate::predict::{Ask, Caution, Estimate, Predictor};
use crate::strike::Measured;
use std::sync::Arc;

/// The two things that tell of a piece, where neither is recorded.
const EITHER: &str = "either the marks of retouch of a complete piece are needed, its heights with the thickness there or \
                      retouch_index, or its platform";

/// What a broken piece needs.
const BROKEN: &str = "the retouch tells of complete pieces only; of a broken one the platform is needed";

/// The marks of a piece as a calibration of loss reads them: the variant, its input rows, and what there is to doubt.
pub(crate) struct MarksRead {
    pub(crate) variant: usize,
    pub(crate) rows: Vec<(f64, Vec<f64>)>,
    pub(crate) cautions: Vec<Caution>,
}

/// Looks back at pieces of every state under a calibration of loss, a calibration of sizes, and a model of loss for
/// pieces whose retouch was not measured.
///
/// | knob | default | purpose |
/// |---|---|---|
/// | `sizes` | none | the calibration of sizes, for platforms |
/// | `retouch` | [`bundled::LOSS`] | the calibration of loss, for retouch that was measured |
/// | `loss` | [`BetaLoss::usual`] | how large a share is usually lost, where only the platform tells |
/// | `unbroken` | none | sizes that neither retouch nor a break has changed, which the platform's answer is given |
///
/// ```
/// use conchoid::flake::Flake;
/// use conchoid::infer::{LeansOn, LookBack};
/// use conchoid::predict::Ask;
/// let scraper = Flake::builder().mass_now_g(31.0).max_thickness_now_mm(12.5);
/// let scraper = scraper.retouch_point(4.2, 9.1).retouch_point(5.0, 10.2).retouch_point(3.9, 8.8).build()?;
/// let found = LookBack::new()?.original(&scraper, &Ask::default())?;
/// let (mass, share) = (found.mass.interval(0.95)?, found.mass.share_lost(0.95)?);
/// assert_eq!(found.leans_on, LeansOn::Retouch);
/// assert!(mass.low > 31.0 && mass.high < 1.5 * mass.low && share.median < 0.3);
/// // neither retouch nor platform
/// let blank = Flake::builder().mass_now_g(31.0).build()?;
/// assert!(LookBack::new()?.original(&blank, &Ask::default()).is_err());
/// # Ok::<(), conchoid::Error>(())
/// ```
#[derive(Clone)]
pub struct LookBack<'a> {
    sizes: Option<&'a Predictor>,
    retouch: Arc<Predictor>,
    loss: Option<Arc<ReadyLoss>>,
    unbroken: Vec<String>,
}

impl std::fmt::Debug for LookBack<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LookBack")
            .field("sizes", &self.sizes.map(|p| p.calibration().name()))
            .field("retouch", &self.retouch.calibration().name())
            .finish_non_exhaustive()
    }
}

impl<'a> LookBack<'a> {
    /// With the bundled calibration of loss, and without one of sizes.
    ///
    /// # Errors
    /// None for the bundled calibration.
    pub fn new() -> Result<LookBack<'a>> {
        let retouch = Arc::new(Predictor::new(bundled::named(bundled::LOSS)?)?);
        Ok(LookBack {
            sizes: None,
            retouch,
            loss: Some(ReadyLoss::new(Arc::new(BetaLoss::usual()))),
            unbroken: Vec::new(),
        })
    }

    /// With this calibration of sizes for platforms.
    pub fn sizes(mut self, sizes: &'a Predictor) -> Self {
        self.sizes = Some(sizes);
        self
    }

    /// With this calibration of loss.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a calibration that does not tell [`ORIGINAL_OVER_NOW`].
    pub fn retouch(mut self, retouch: Arc<Predictor>) -> Result<Self> {
        if !retouch.calibration().tells(ORIGINAL_OVER_NOW) {
            return Err(Error::invalid(
                "calibration of loss",
                format!("{} does not tell {ORIGINAL_OVER_NOW}", retouch.calibration().name()),
            ));
        }
        self.retouch = retouch;
        Ok(self)
    }

    /// With this model of loss where only the platform tells; none: the platform and what remains alone.
    pub fn loss(mut self, loss: Option<Arc<dyn Loss>>) -> Self {
        self.loss = loss.map(ReadyLoss::new);
        self
    }

    /// With sizes that neither retouch nor a break has changed (`thickness_mm`, `width_mm`): where the platform answers,
    /// it is given the first of them that was recorded, in the column that the calibration of sizes reads it from.
    ///
    /// # Errors
    /// [`Error::UnknownName`] for what is no thickness or width.
    pub fn unbroken(mut self, sizes: &[&str]) -> Result<Self> {
        const MAY_STAY: [&str; 2] = ["thickness_mm", "width_mm"];
        if let Some(other) = sizes.iter().find(|s| !MAY_STAY.contains(s)) {
            return Err(Error::unknown_name("unbroken", *other, MAY_STAY));
        }
        self.unbroken = sizes.iter().map(|s| s.to_string()).collect();
        Ok(self)
    }

    /// Whether a piece without retouch is answered by its platform and what remains, and by nothing else.
    #[cfg_attr(not(feature = "table"), allow(dead_code))]
    pub(crate) fn is_by_platform_alone(&self) -> bool {
        self.loss.is_none() && self.unbroken.is_empty()
    }

    /// The calibration of loss.
    pub fn retouch_predictor(&self) -> &Predictor {
        &self.retouch
    }

    /// The original size of one piece.
    ///
    /// A complete piece with measured retouch is answered by the calibration of loss; with heights or an index of 0, or
    /// said to be complete and unretouched, it lost nothing. A piece without, or a broken one, is answered by its platform, with a model of loss where its
    /// shape is complete.
    ///
    /// # Errors
    /// [`Error::Missing`] without a mass now, or with neither a retouch nor a platform that a variant can read; those
    /// of a retouch that cannot be, and of [`super::original`].
    pub fn original(&self, piece: &impl Measured, ask: &Ask) -> Result<OriginalEstimate> {
        state_known(piece)?;
        let noted = WithRetouch::of(piece)?;
        let remains = Remains::of(piece)?;
        let whole = piece.class(Portion::COLUMN).is_none_or(|p| p == Portion::Complete.name());
        let platform = || match self.sizes {
            Some(sizes) => by_platform(sizes, piece, &remains, (ask, self.loss.clone()), &self.unbroken),
            None => {
                Err(Error::missing(if whole { "retouch_height_1_mm" } else { "platform_depth_mm" }, EITHER))
            }
        };
        let retouch = noted.retouch.as_ref().filter(|_| whole);
        let told = match retouch {
            retouch if nothing_lost(piece, retouch) => self.as_it_is(&remains),
            Some(retouch) => self.by_retouch(&noted, retouch, &remains),
            None => {
                return platform().map_err(|e| match e {
                    Error::Missing { at, .. } => {
                        let needed = if noted.retouch.is_none() { EITHER } else { BROKEN };
                        Error::Missing { at, needed: needed.to_string() }
                    }
                    e => e,
                });
            }
        };
        match told {
            Ok(mut found) => {
                if let Ok(beside) = platform() {
                    found.length = beside.length;
                    if let (LeansOn::Unretouched, Some(length)) = (found.leans_on, &mut found.length) {
                        length.as_now = remains.length_now_mm();
                    }
                    found.by_platform = Some(beside.mass);
                }
                Ok(found)
            }
            Err(e) => platform().map_err(|_| e),
        }
    }

    /// What remains of a piece, and its marks; none where its retouch was measured and is none.
    ///
    /// # Errors
    /// [`Error::Missing`] where the retouch was not measured, [`Error::Refused`] for a piece that is not complete, and
    /// those of [`LookBack::original`].
    pub(crate) fn marks(&self, piece: &impl Measured) -> Result<(Remains, Option<MarksRead>)> {
        state_known(piece)?;
        let noted = WithRetouch::of(piece)?;
        let remains = Remains::of(piece)?;
        if let Some(portion) = piece.class(Portion::COLUMN).filter(|p| *p != Portion::Complete.name()) {
            return Err(Error::Refused {
                at: Place::column(Portion::COLUMN),
                reason: format!("{portion}: the retouch tells of complete pieces (accepted: complete)"),
            });
        }
        let Some(retouch) = &noted.retouch else {
            return Err(Error::missing(
                "retouch_height_1_mm",
                "the heights of retouch or the retouch_index are needed",
            ));
        };
        if nothing_lost(piece, Some(retouch)) {
            return Ok((remains, None));
        }
        let marks = Marks { noted: &noted, certain: remains.certain_g() };
        let (variant, rows) = self.retouch.rows_of(&marks, &Ask::default())?;
        let cautions = doubts(retouch, &self.retouch.estimate(&marks, &Ask::default())?);
        Ok((remains, Some(MarksRead { variant, rows, cautions })))
    }

    /// A piece that lost nothing but what is missing and known.
    fn as_it_is(&self, remains: &Remains) -> Result<OriginalEstimate> {
        Ok(OriginalEstimate {
            mass: Original::whole(remains.mass_now_g(), remains.certain_g())?,
            length: None,
            estimate: as_it_is(self.retouch.calibration().name()),
            leans_on: LeansOn::Unretouched,
            by_platform: None,
            cautions: Vec::new(),
        })
    }

    fn by_retouch<P: Measured>(
        &self,
        noted: &WithRetouch<'_, P>,
        retouch: &Retouch,
        remains: &Remains,
    ) -> Result<OriginalEstimate> {
        let (now, certain) = (remains.mass_now_g(), remains.certain_g());
        let estimate = self.retouch.estimate(&Marks { noted, certain }, &Ask::default())?;
        let Some(ratio) = estimate.size(ORIGINAL_OVER_NOW).cloned() else {
            return Err(Error::invalid(
                "calibration",
                format!("{} does not tell {ORIGINAL_OVER_NOW}", estimate.calibration),
            ));
        };
        Ok(OriginalEstimate {
            mass: Original::by_marks(ratio, now, certain)?,
            length: None,
            cautions: doubts(retouch, &estimate),
            estimate,
            leans_on: LeansOn::Retouch,
            by_platform: None,
        })
    }
}

/// What there is to doubt of the retouch itself, of the estimate, and of the mix of states behind it.
fn doubts(retouch: &Retouch, estimate: &Estimate) -> Vec<Caution> {
    let mut found = Vec::new();
    if let Some(kind) = retouch.kind.filter(|k| *k != RetouchKind::Direct) {
        found.push(Doubt::RetouchNotInExperiment { what: format!("{kind} retouch") }.into());
    }
    if let Some(edges) = retouch.edges.filter(|e| !e.is_single()) {
        let what = match edges {
            RetouchedEdges::Around => "retouch all round".to_string(),
            other => format!("{other} retouch"),
        };
        found.push(Doubt::RetouchNotInExperiment { what }.into());
    }
    if retouch.is_over_full() {
        found.push(Doubt::HeightAboveThickness.into());
    }
    found.extend(estimate.doubts_of_sizes());
    found.push(Doubt::StatesOfExperiment.into());
    found
}

fn as_it_is(calibration: &str) -> Estimate {
    Estimate {
        kept: None,
        sizes: Vec::new(),
        calibration: calibration.to_string(),
        variant: "complete, without retouch".to_string(),
        form: String::new(),
        flakes: 0,
        terminations: Vec::new(),
        residual_correlation: Default::default(),
        cautions: Vec::new(),
        endings: Vec::new(),
    }
}

/// A piece as a calibration of loss sees it: its state now and its stone, but not the strike that took it off.
struct Marks<'a, 'b, P: ?Sized> {
    noted: &'a WithRetouch<'b, P>,
    /// Mass in hand and what is missing but known, in grams: the mass of the whole retouched piece.
    certain: f64,
}

impl<P: Measured + ?Sized> Measured for Marks<'_, '_, P> {
    fn number(&self, name: &str) -> Option<f64> {
        if name == "mass_now_g" { Some(self.certain) } else { self.noted.number(name) }
    }
    fn class(&self, name: &str) -> Option<&str> {
        // what speaks of the strike, or of a state that the calibration of loss is for
        const HIDDEN: [&str; 7] = [
            "percussor",
            "percussor_class",
            "technique",
            "platform_kind",
            "platform_bevelled",
            "retouched",
            "portion",
        ];
        if HIDDEN.contains(&name) { None } else { self.noted.class(name) }
    }
}
