//! Retouch as an analyst records it: its height t and the thickness T of the piece at some points of the retouched
//! edge, their mean ratio (Kuhn's geometric index of reduction) where only that was written down, which edges bear it
//! and of what kind it is; and what all this says together, by the names that forms read.

use crate::error::{Bounds, Error, Place, Result};
use crate::strike::Measured;
use crate::vocabulary::vocabulary;

/// Length of a piece as it is now. The upper end is generous, no source.
pub const LENGTH_NOW_MM: Bounds = Bounds::closed("length_now_mm", 0.05, 10_000.0, "mm");
/// Width of a piece as it is now. The upper end is generous, no source.
pub const WIDTH_NOW_MM: Bounds = Bounds::closed("width_now_mm", 0.05, 10_000.0, "mm");
/// The greatest thickness of a piece as it is now. The upper end is generous, no source.
pub const MAX_THICKNESS_NOW_MM: Bounds = Bounds::closed("max_thickness_now_mm", 0.05, 10_000.0, "mm");
/// What a retouched piece weighed when it was struck, where that is known. The upper end is generous, no source.
pub const ORIGINAL_MASS_G: Bounds = Bounds::closed("original_mass_g", 0.001, 1e6, "g");
/// Mean of height of retouch over thickness there (Kuhn 1990, American Antiquity 55:583): 0 unretouched, 1 where the
/// retouch has reached the thickest part. Up to 1.05 is read as 1, which is what caliper error can make of it; this
/// crate's choice, no source.
pub const RETOUCH_INDEX: Bounds = Bounds::closed("retouch_index", 0.0, 1.05, "");

/// Points of an edge that can be recorded. This crate's choice, no source.
pub(crate) const MOST_POINTS: usize = 10;

/// Heights of retouch at the points of an edge, by column.
pub(crate) const RETOUCH_HEIGHT_MM: [Bounds; MOST_POINTS] = [
    Bounds::closed("retouch_height_1_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_2_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_3_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_4_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_5_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_6_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_7_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_8_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_9_mm", 0.0, 1000.0, "mm"),
    Bounds::closed("retouch_height_10_mm", 0.0, 1000.0, "mm"),
];
/// Thicknesses of the piece at the same points, by column.
pub(crate) const THICKNESS_AT_MM: [Bounds; MOST_POINTS] = [
    Bounds::closed("thickness_at_1_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_2_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_3_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_4_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_5_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_6_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_7_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_8_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_9_mm", 0.05, 1000.0, "mm"),
    Bounds::closed("thickness_at_10_mm", 0.05, 1000.0, "mm"),
];

/// How far a height of retouch may be above the thickness there before it is refused, in millimetres and as a share of
/// the thickness, whichever is more: what calipers can do. This crate's choice, no source.
pub const CALIPER_ERROR: (f64, f64) = (0.5, 0.05);

/// How far an index of retouch may be from the heights beside their own errors, for rounding and other points of the
/// edge. This crate's choice, no source.
const INDEX_ERROR: f64 = 0.05;

/// How far the mass now may be above the mass as struck, in grams and as a share of it, whichever is more: what two
/// balances and rounding can do. This crate's choice, no source.
const BALANCE_ERROR: (f64, f64) = (0.1, 0.05);

/// Most grams of a flake over the square of its greatest thickness in millimetres. The largest of the two tables of
/// flint flakes with a greatest thickness is 0.59 (data-sources.md); three times that is this crate's choice.
pub const HEAVIEST_FOR_THICKNESS: f64 = 1.8;

/// Mean height of retouch over the points of an edge, as forms read it.
pub(crate) const RETOUCH_HEIGHT: &str = "retouch_height_mm";
/// Original mass over the mass that remains of it, as forms read it: the response of a calibration of loss.
pub const ORIGINAL_OVER_NOW: &str = "original_over_now";

vocabulary! {
    /// On which face the retouch lies.
    pub enum RetouchKind in "retouch_kind" {
        /// Struck from the interior face, so that its scars lie on the exterior.
        Direct = "direct" | "normal" | "obverse",
        /// Struck from the exterior face.
        Inverse = "inverse",
        /// Direct on one edge or stretch, inverse on another.
        Alternate = "alternate" | "alternating",
        /// On both faces of the same edge.
        Bifacial = "bifacial",
    }
}

vocabulary! {
    /// Which edges are retouched.
    pub enum RetouchedEdges in "retouched_edges" {
        /// The left side, seen from the exterior with the platform below.
        Left = "left",
        /// The right side.
        Right = "right",
        /// The end away from the platform.
        Distal = "distal" | "transverse",
        /// The end of the platform.
        Proximal = "proximal",
        /// Both sides, apart from each other.
        Double = "double" | "both",
        /// Both sides, meeting in a point.
        Convergent = "convergent",
        /// All round.
        Around = "around" | "all",
    }
}

impl RetouchedEdges {
    /// Whether it is one edge.
    pub(crate) const fn is_single(self) -> bool {
        matches!(
            self,
            RetouchedEdges::Left | RetouchedEdges::Right | RetouchedEdges::Distal | RetouchedEdges::Proximal
        )
    }
}

/// One point of a retouched edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RetouchPoint {
    /// Height of retouch t, in millimetres: from the flat face to the top of the retouch scars. 0 where unretouched.
    pub height_mm: f64,
    /// Thickness of the piece there T, in millimetres.
    pub thickness_mm: Option<f64>,
}

/// Retouch as recorded: points along the edge, or their index alone.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Retouch {
    /// By place; nothing at a place where no height was recorded.
    points: Vec<Option<RetouchPoint>>,
    index: Option<f64>,
    /// Which edges.
    pub(crate) edges: Option<RetouchedEdges>,
    /// Of what kind.
    pub(crate) kind: Option<RetouchKind>,
}

/// Refuses a height that the piece has no thickness for.
fn check_height(k: usize, height: f64, thickness: f64) -> Result<()> {
    let room = thickness + CALIPER_ERROR.0.max(CALIPER_ERROR.1 * thickness);
    if height > room {
        return Err(Error::out_of_range(
            Place::column(RETOUCH_HEIGHT_MM[k].name()),
            height,
            format!("0 to {room} mm, the thickness of {thickness} mm there and caliper error"),
        ));
    }
    Ok(())
}

impl Retouch {
    /// The points with a height, in their order.
    pub(crate) fn points(&self) -> impl Iterator<Item = RetouchPoint> + '_ {
        self.points.iter().flatten().copied()
    }

    /// Mean height of retouch, in millimetres; none where no height was recorded.
    pub(crate) fn height_mm(&self) -> Option<f64> {
        let n = self.points().count();
        (n > 0).then(|| self.points().map(|p| p.height_mm).sum::<f64>() / n as f64)
    }

    /// Mean of height over thickness, 0 to 1: of the points where their thickness was measured, otherwise as recorded.
    pub(crate) fn index(&self) -> Option<f64> {
        self.index_of_points().or_else(|| self.index.map(|i| i.min(1.0)))
    }

    /// Mean of height over thickness at the points where both were measured.
    pub(super) fn index_of_points(&self) -> Option<f64> {
        let ratios: Vec<f64> =
            self.points().filter_map(|p| Some((p.height_mm / p.thickness_mm?).min(1.0))).collect();
        (!ratios.is_empty()).then(|| ratios.iter().sum::<f64>() / ratios.len() as f64)
    }

    /// Whether some height is above the thickness there, or the index above 1, within what calipers can do.
    pub(crate) fn is_over_full(&self) -> bool {
        self.points().any(|p| p.thickness_mm.is_some_and(|t| p.height_mm > t))
            || (self.points().count() == 0 && self.index.is_some_and(|i| i > 1.0))
    }

    /// Whether the record says that nothing was retouched: all heights, or the index, are 0.
    pub(crate) fn is_none(&self) -> bool {
        match self.height_mm() {
            Some(height) => height == 0.0,
            None => self.index == Some(0.0),
        }
    }

    /// Reads the record of a piece: `retouch_height_1_mm`, `thickness_at_1_mm` and so on to ten, `retouch_index`,
    /// `retouched_edges`, `retouch_kind`. None where neither a height nor an index was recorded.
    ///
    /// # Errors
    /// By column: [`Error::OutOfRange`] for a height, thickness or index outside its bounds, or a height above the
    /// thickness there by more than calipers err; [`Error::Missing`] for a height without a thickness among
    /// others that have one; [`Error::Invalid`] for retouch, its edges or kind, on a piece that is said to be unretouched
    /// (`retouched` is no), an index that the heights contradict, or a kind or edges that are not known.
    pub(crate) fn of(piece: &(impl Measured + ?Sized)) -> Result<Option<Retouch>> {
        let mut record = Retouch::default();
        for k in 0..MOST_POINTS {
            let point = piece.number(RETOUCH_HEIGHT_MM[k].name()).map(|height_mm| RetouchPoint {
                height_mm,
                thickness_mm: piece.number(THICKNESS_AT_MM[k].name()),
            });
            record.points.push(point);
        }
        record.index = piece.number(RETOUCH_INDEX.name());
        let class = |name: &str| piece.class(name);
        let unretouched = class("retouched") == Some("no");
        let told = [
            (RetouchedEdges::COLUMN, class(RetouchedEdges::COLUMN).and_then(RetouchedEdges::find).is_some()),
            (RetouchKind::COLUMN, class(RetouchKind::COLUMN).and_then(RetouchKind::find).is_some()),
        ];
        if let Some((column, _)) = told.iter().find(|(_, told)| unretouched && *told) {
            return Err(Error::invalid(
                *column,
                "told of a piece that is said to be unretouched (accepted: nothing, or retouched = yes)",
            ));
        }
        if record.points().next().is_none() && record.index.is_none() {
            return Ok(None);
        }
        record.edges = class(RetouchedEdges::COLUMN).map(str::parse).transpose()?;
        record.kind = class(RetouchKind::COLUMN).map(str::parse).transpose()?;
        record.check()?;
        if unretouched && !record.is_none() {
            let first = record.points.iter().position(|p| p.is_some_and(|p| p.height_mm > 0.0));
            let column = first.map_or(RETOUCH_INDEX.name(), |k| RETOUCH_HEIGHT_MM[k].name());
            return Err(Error::invalid(
                column,
                "retouch on a piece that is said to be unretouched (accepted: 0, or retouched = yes)",
            ));
        }
        Ok(Some(record))
    }

    fn check(&self) -> Result<()> {
        self.index.map(|i| RETOUCH_INDEX.check(i)).transpose()?;
        let with_thickness = self.points().any(|p| p.thickness_mm.is_some());
        for (k, point) in self.points.iter().enumerate() {
            let Some(point) = point else { continue };
            RETOUCH_HEIGHT_MM[k].check(point.height_mm)?;
            match point.thickness_mm {
                Some(thickness) => check_height(k, point.height_mm, THICKNESS_AT_MM[k].check(thickness)?)?,
                None if with_thickness => {
                    return Err(Error::missing(
                        THICKNESS_AT_MM[k].name(),
                        format!("{} needs the thickness at the same point", RETOUCH_HEIGHT_MM[k].name()),
                    ));
                }
                None => {}
            }
        }
        self.check_index()
    }

    /// Refuses an index that the heights contradict by more than calipers and rounding err: they may be of other points,
    /// or in other units, and nobody knows which to believe.
    fn check_index(&self) -> Result<()> {
        let (Some(index), Some(height)) = (self.index.map(|i| i.min(1.0)), self.height_mm()) else {
            return Ok(());
        };
        let thick = || self.points().filter_map(|p| p.thickness_mm);
        let differ = match self.index_of_points() {
            Some(measured) => {
                let errors = thick().map(|t| (CALIPER_ERROR.0 / t).max(CALIPER_ERROR.1));
                let near = INDEX_ERROR + errors.sum::<f64>() / thick().count() as f64;
                ((index - measured).abs() > near).then(|| format!("say {measured:.2}"))
            }
            None if height == 0.0 && index > INDEX_ERROR => Some("are 0".to_string()),
            None if height > CALIPER_ERROR.0 && index == 0.0 => Some("are not 0".to_string()),
            None => None,
        };
        match differ {
            Some(said) => Err(Error::invalid(
                RETOUCH_INDEX.name(),
                format!("{index}, but the heights of retouch {said} (leave out what is wrong)"),
            )),
            None => Ok(()),
        }
    }
}

/// Refuses a mass that no flake of such a thickness has.
pub(crate) fn check_mass_for_thickness(piece: &(impl Measured + ?Sized)) -> Result<()> {
    let (Some(mass), Some(thickness)) =
        (piece.number("mass_now_g"), piece.number(MAX_THICKNESS_NOW_MM.name()))
    else {
        return Ok(());
    };
    let most = HEAVIEST_FOR_THICKNESS * thickness * thickness;
    if mass > most {
        return Err(Error::out_of_range(
            Place::column("mass_now_g"),
            mass,
            format!(
                "at most {most:.1} g for a greatest thickness of {thickness} mm; check the units of both"
            ),
        ));
    }
    Ok(())
}

/// Refuses a piece that weighs more now than when it was struck.
pub(crate) fn check_mass_lost(piece: &(impl Measured + ?Sized)) -> Result<()> {
    let Some(now) = piece.number("mass_now_g") else { return Ok(()) };
    let grown = |then: f64| now > then + BALANCE_ERROR.0.max(BALANCE_ERROR.1 * then);
    match ["mass_g", "original_mass_g"].into_iter().find(|then| piece.number(then).is_some_and(grown)) {
        Some(then) => Err(Error::invalid(
            "mass_now_g",
            format!("more than {then}, which is its mass when struck, and a piece does not grow"),
        )),
        None => Ok(()),
    }
}

/// A piece together with what its record of retouch says by the names that forms read: [`RETOUCH_HEIGHT`],
/// `retouch_index`, and [`ORIGINAL_OVER_NOW`] where the original mass is known.
pub(crate) struct WithRetouch<'a, P: ?Sized> {
    piece: &'a P,
    pub(crate) retouch: Option<Retouch>,
}

/// The names by which forms read retouch and loss.
pub(crate) const DERIVED: [&str; 3] = [RETOUCH_HEIGHT, "retouch_index", ORIGINAL_OVER_NOW];

impl<'a, P: Measured + ?Sized> WithRetouch<'a, P> {
    pub(crate) fn of(piece: &'a P) -> Result<Self> {
        let retouch = Retouch::of(piece)?;
        check_mass_for_thickness(piece)?;
        check_mass_lost(piece)?;
        Ok(WithRetouch { piece, retouch })
    }
}

impl<P: Measured + ?Sized> Measured for WithRetouch<'_, P> {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            ORIGINAL_OVER_NOW => {
                let (then, now) = (self.piece.number("original_mass_g")?, self.piece.number("mass_now_g")?);
                Some(then / now)
            }
            RETOUCH_HEIGHT | "retouch_index" => match &self.retouch {
                Some(retouch) if name == RETOUCH_HEIGHT => retouch.height_mm(),
                Some(retouch) => retouch.index(),
                None => self.piece.number(name),
            },
            _ => self.piece.number(name),
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.piece.class(name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flake::{Flake, FlakeBuilder};

    fn of(record: FlakeBuilder) -> Retouch {
        Retouch::of(&record.build().unwrap()).unwrap().unwrap()
    }

    fn refused(record: FlakeBuilder) -> String {
        record.build().unwrap_err().to_string()
    }

    #[test]
    fn what_calipers_can_do_counts_as_full() {
        for (height, thickness) in [(5.4, 5.0), (20.9, 20.0)] {
            let r = of(Flake::builder().retouch_point(height, thickness));
            assert_eq!((r.index(), r.is_over_full()), (Some(1.0), true), "{height} {thickness}");
        }
        for (height, thickness) in [(5.6, 5.0), (21.1, 20.0)] {
            let found = refused(Flake::builder().retouch_point(height, thickness));
            assert!(found.starts_with("retouch_height_1_mm"));
        }
        assert!(!of(Flake::builder().retouch_point(5.0, 5.0)).is_over_full());
        assert_eq!(of(Flake::builder().retouch_index(1.04)).index(), Some(1.0));
        for index in [1.2, -0.1] {
            let found = refused(Flake::builder().retouch_index(index));
            assert!(found.starts_with(&format!("retouch_index: {index} is out of range")));
        }
    }

    #[test]
    fn heights_and_thicknesses_go_together() {
        let lacking = refused(Flake::builder().retouch_point(2.0, 5.0).retouch_point(2.0, None));
        assert_eq!(
            lacking,
            "thickness_at_2_mm: not recorded (retouch_height_2_mm needs the thickness at the same point)"
        );
        let heights = of(Flake::builder().retouch_point(2.0, None).retouch_point(3.0, None));
        assert_eq!((heights.index(), heights.height_mm()), (None, Some(2.5)));
        let many = (0..11).fold(Flake::builder(), |r, _| r.retouch_point(1.0, 3.0));
        assert!(refused(many).contains("11 points"));
        let none = of(Flake::builder().retouch_point(0.0, 5.0).retouch_point(0.0, 4.0));
        assert!(none.is_none() && none.index() == Some(0.0));
        assert!(!heights.is_none());
    }

    #[test]
    fn a_record_is_read_from_a_piece_and_survives_serde() {
        let flake = Flake::builder()
            .retouch_point(4.0, 9.0)
            .retouch_point(5.0, 10.0)
            .retouched_edges(RetouchedEdges::Left)
            .retouch_kind(RetouchKind::Direct)
            .build()
            .unwrap();
        assert_eq!(flake.number("retouch_height_2_mm"), Some(5.0));
        assert_eq!(flake.number("thickness_at_1_mm"), Some(9.0));
        assert_eq!(flake.number("thickness_at_3_mm"), None);
        let retouch = Retouch::of(&flake).unwrap().unwrap();
        assert_eq!((retouch.edges, retouch.kind), (Some(RetouchedEdges::Left), Some(RetouchKind::Direct)));
        assert_eq!(flake.number("retouch_index"), retouch.index());
        assert_eq!(Retouch::of(&Flake::builder().build().unwrap()).unwrap(), None);
        let text = serde_json::to_string(&flake).unwrap();
        let back: Flake = serde_json::from_str(&text).unwrap();
        assert_eq!(back, flake);
        assert!(serde_json::from_str::<Flake>("{\"retouch_index\": 3}").is_err());
    }

    #[test]
    fn a_piece_said_to_be_unretouched_has_none() {
        let piece = Flake::builder().retouch_point(0.0, 9.0).retouch_point(5.0, 10.0).retouched(false);
        let e = piece.build().unwrap_err().in_row(4).to_string();
        assert!(e.starts_with("row 4, column retouch_height_2_mm: retouch on a piece"), "{e}");
    }

    #[test]
    fn records_that_contradict_themselves_are_refused() {
        let piece = Flake::builder;
        for (record, said) in [
            (
                piece().retouch_index(0.5).retouch_point(0.0, None),
                "retouch_index: 0.5, but the heights of retouch are 0",
            ),
            (
                piece().retouch_index(0.0).retouch_point(3.0, None),
                "retouch_index: 0, but the heights of retouch are not 0",
            ),
            (
                piece().retouch_index(0.9).retouch_point(3.0, 10.0),
                "retouch_index: 0.9, but the heights of retouch say 0.30",
            ),
            (
                piece().retouched_edges(RetouchedEdges::Left).retouched(false),
                "retouched_edges: told of a piece that is",
            ),
            (
                piece().retouch_kind(RetouchKind::Inverse).retouched(false),
                "retouch_kind: told of a piece that is",
            ),
            (
                piece().mass_g(10.0).mass_now_g(20.0),
                "mass_now_g: more than mass_g, which is its mass when struck",
            ),
            (
                piece().original_mass_g(10.0).mass_now_g(20.0),
                "mass_now_g: more than original_mass_g, which is its mass when struck",
            ),
        ] {
            let found = refused(record);
            assert!(found.starts_with(said), "{found}");
        }
        // what calipers, balances and rounding do
        for fine in [
            piece().retouch_index(0.33).retouch_point(3.0, 10.0),
            piece().retouch_index(0.01).retouch_point(0.0, None),
            piece().retouch_index(0.0).retouch_point(0.2, None),
            piece().mass_g(10.0).mass_now_g(10.3),
            piece().retouched_edges(RetouchedEdges::Left).retouched(true),
        ] {
            fine.build().unwrap();
        }
    }

    #[test]
    fn a_mass_that_no_thickness_bears_is_refused() {
        let piece = |mass| Flake::builder().mass_now_g(mass).max_thickness_now_mm(9.5).build().unwrap();
        assert!(check_mass_for_thickness(&piece(31.4)).is_ok());
        let e = check_mass_for_thickness(&piece(900.0)).unwrap_err().to_string();
        assert!(e.starts_with("mass_now_g: 900 is out of range (accepted: at most 162.5 g"), "{e}");
    }
}
