//! What another percussor changes: a ratio of sizes, known from glass, times what a stone's own calibration says.
//!
//! ```text
//!   ln ratio  r = d'b        d = row(asked) - row(of the experiment)      b ~ N(coefficients, covariance) of the glass
//!   size of the stone, other percussor  =  size of the stone  x  exp r  x  exp(N(0, carried^2))
//! ```
//!
//! Steel, copper and bone struck glass of one mould at the same angles of blow and landing places; steel stands for a
//! hammerstone, copper for other soft metal, bone for antler and wood. Both rows take the angle of the blow at hand and its
//! landing place, held where both percussors were used ([`HELD`]); where the blow is not told they are averaged over
//! the blows of the whole experiment, and how far the ratio differs between those blows is part of its uncertainty.
//!
//! The ratio falls with depth (in mass from 2.0 at 2 mm to 0.6 at 7.4 mm), because flakes by bone grow less with it than
//! those by steel. What is carried over to a stone is just that: by which share less they grow. So the depth put into both
//! rows is that at which the steel-struck glass flake would have grown as much, from [`MIDDLE_MM`] on, as the stone's flake
//! has. Taken at the same millimetres instead, a flint flake by antler would be the shorter the deeper its platform.
//!
//! The exterior angle put into both rows is the one in the middle, whatever the flake's: on glass, whose lengths double from
//! 55 to 75 degrees, those by bone grow less with it (1.5 times as long as by steel at 55, 1.2 at 75), but flakes of stone
//! hardly grow with it, and taken at the same degrees those by antler would be the shorter the steeper their platform.
//!
//! Uncertainty of the ratio is shared by all flakes of a table, whoever asks: it never averages out in a total.

use super::{DesignRows, Resolved, ResolvedSize, dot};
use crate::calibration::bundled;
use crate::calibration::{Calibration, SizeModel};
use crate::error::Result;
use crate::form::{ANGLE, ANGLE_OF_BLOW, AREA, ClassInput, DEPTH, LANDS_ON, Layout, Plan};
use crate::material::{PercussorClass, PercussorMaterial};
use std::sync::OnceLock;

/// Where bone and copper were used beside steel: depth, angle of blow (exterior angles were 55 to 75 degrees). Own computation
/// from the glass table named in `data-sources.md`.
const HELD: [[(f64, f64); 2]; 2] = [[(1.2, 8.2), (-15.0, 15.0)], [(2.0, 7.4), (-20.0, 20.0)]];
/// The exterior angle in the middle of them.
const MIDDLE_DEG: f64 = 65.0;
/// The depth about which the glass form is written (its logarithm is 1.4), in the middle of bone's.
const MIDDLE_MM: f64 = 4.055_199_966_844_674;
/// Standard deviation of the logarithm of the ratio for carrying it from glass to another stone: lengths, mass. This
/// crate's choice, no source.
const CARRIED_SD: (f64, f64) = (0.15, 0.3);
/// The same for a punch between percussor and platform, which no experiment here used. This crate's choice, no source.
const PUNCH_SD: (f64, f64) = (0.25, 0.5);

/// The kinds of percussor that the glass tells apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Hammerstone, steel.
    Hard,
    /// Copper, other soft metal.
    Soft,
    /// Bone, antler, wood.
    Organic,
}

impl Kind {
    const ALL: [Kind; 3] = [Kind::Hard, Kind::Soft, Kind::Organic];

    /// What a percussor's name, or its class, is here.
    pub(crate) fn named(name: &str) -> Result<Kind> {
        Ok(match super::class_of(name)? {
            PercussorClass::Stone => Kind::Hard,
            PercussorClass::Organic => Kind::Organic,
            PercussorClass::Metal => match PercussorMaterial::named(name) {
                Ok(m) if m.name().contains("steel") => Kind::Hard,
                _ => Kind::Soft,
            },
        })
    }

    /// Those of some percussors, each once.
    pub(crate) fn all<'a>(names: impl Iterator<Item = &'a String>) -> Vec<Kind> {
        let found: Vec<Kind> = names.filter_map(|n| Kind::named(n).ok()).collect();
        Kind::ALL.into_iter().filter(|k| found.contains(k)).collect()
    }

    /// What struck the glass for it.
    pub(crate) fn on_glass(self) -> &'static str {
        match self {
            Kind::Hard => "steel",
            Kind::Soft => "copper",
            Kind::Organic => "bone",
        }
    }

    /// Where it was used beside steel.
    fn held(self) -> Option<[(f64, f64); 2]> {
        match self {
            Kind::Hard => None,
            Kind::Soft => Some(HELD[0]),
            Kind::Organic => Some(HELD[1]),
        }
    }
}

/// What is put behind the entries of a layout in an input row: kind of percussor (not a number for that of the experiment),
/// angle of blow, landing place (1 for the edge), 1 for a punch.
pub(crate) const BEHIND: usize = 4;

/// The glass experiment.
#[derive(Debug)]
pub(super) struct Glass {
    layout: Layout,
    sizes: Vec<(String, ResolvedSize, Plan)>,
    depth: usize,
    percussor: usize,
    codes: [f64; 3],
    /// Blows of the experiment whoever struck, held where copper and where bone were used: share, angle, whether on the
    /// edge.
    blows: [Vec<(f64, f64, bool)>; 2],
}

/// Read when it is first needed, for all predictors.
static GLASS: OnceLock<Option<Glass>> = OnceLock::new();

impl Glass {
    fn read() -> Option<Glass> {
        let calibration = bundled::named(bundled::NAMES[0]).ok()?;
        let (layout, settings) = (calibration.layout().clone(), calibration.setting_names());
        // sizes that depend neither on a width nor on how the flake ends
        let variant = calibration.variants().last()?;
        let percussor = layout.position("percussor")?;
        let levels = |at: usize| layout.class_at(at).map(|c| &c.levels);
        let code = |k: Kind| levels(percussor)?.iter().position(|l| l == k.on_glass());
        let [hard, soft, organic] = Kind::ALL.map(|k| code(k).map(|c| c as f64));
        let edge = levels(layout.position(LANDS_ON)?)?.iter().position(|l| l == "edge")? as f64;
        let at = |name: &str| settings.iter().position(|n| n == name);
        let (angle, lands) = (at(ANGLE_OF_BLOW)?, at(LANDS_ON)?);
        // of each landing place two angles with the mean and the spread of all: the ratio is straight in the angle
        let all: f64 = calibration.settings().iter().map(|s| s.flakes as f64).sum();
        let blows = HELD.map(|[_, (low, high)]| {
            let of = |on_edge: bool| {
                let here = calibration.settings().iter().filter(|s| (s.values[lands] == edge) == on_edge);
                let here: Vec<(f64, f64)> =
                    here.map(|s| (s.flakes as f64, s.values[angle].clamp(low, high))).collect();
                let n: f64 = here.iter().map(|(n, _)| n).sum();
                let mean = here.iter().map(|(n, a)| n * a).sum::<f64>() / n;
                let sd = (here.iter().map(|(n, a)| n * (a - mean).powi(2)).sum::<f64>() / n).sqrt();
                [-sd, sd].map(|apart| (0.5 * n / all, mean + apart, on_edge))
            };
            [of(true), of(false)].concat()
        });
        let ready = |m: &SizeModel| {
            let size = ResolvedSize::new(m, &layout, &[])?;
            let plan = size.compiled.plan();
            Ok((m.size.clone(), size, plan))
        };
        let sizes = variant.sizes.iter().map(ready).collect::<Result<_>>().ok()?;
        let depth = layout.position(DEPTH)?;
        Some(Glass { sizes, depth, percussor, codes: [hard?, soft?, organic?], blows, layout })
    }
}

/// What a ratio of one size is at one row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ratio {
    /// Its logarithm.
    pub(crate) ln: f64,
    /// Standard deviations of the logarithm, of parts that are independent of each other and shared by all flakes: the
    /// coefficients of the glass, the blow where it is not told, the way to another stone, the punch.
    pub(crate) parts: Vec<f64>,
}

impl Ratio {
    pub(crate) fn variance(&self) -> f64 {
        self.parts.iter().map(|p| p * p).sum()
    }
}

/// How a size of a calibration changes with the percussor.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Carried {
    /// Of the experiment; nothing where its forms read the percussor, or nobody recorded it.
    own: Option<Kind>,
    size: String,
    /// Places of depth and area.
    places: [Option<usize>; 2],
    /// Where the entries behind the layout begin.
    behind: usize,
}

impl Carried {
    /// Whether anything changes at a row.
    #[inline]
    pub(crate) fn any(&self, x: impl Fn(usize) -> f64) -> bool {
        !x(self.behind).is_nan() || x(self.behind + 3) == 1.0
    }

    /// Whether there are columns of what may change something.
    pub(crate) fn is_in<'a>(&self, column: impl Fn(usize) -> Option<&'a [f64]>) -> bool {
        [self.behind, self.behind + 3].into_iter().any(|at| column(at).is_some())
    }

    /// Whether two rows have the same kind of percussor.
    pub(crate) fn alike(&self, x: &[f64], y: &[f64]) -> bool {
        let kind = |row: &[f64]| row.get(self.behind).copied().filter(|k| !k.is_nan());
        kind(x) == kind(y)
    }

    /// The ratio at a row whose size this is, on the transformed scale; nothing where nothing changes.
    pub(crate) fn at(&self, x: impl Fn(usize) -> f64, size: &ResolvedSize) -> Option<Ratio> {
        let by = |(lengths, mass): (f64, f64)| if self.size.ends_with("_g") { mass } else { lengths };
        let punch = if x(self.behind + 3) == 1.0 { by(PUNCH_SD) } else { 0.0 };
        let code = x(self.behind);
        let (Some(own), false) = (self.own, code.is_nan()) else {
            return (punch > 0.0).then(|| Ratio { ln: 0.0, parts: vec![punch] });
        };
        let asked = Kind::ALL[(code as usize).min(2)];
        let (mut ln, mut parts) = (0.0, Vec::new());
        if asked != own
            && let Some(glass) = GLASS.get_or_init(Glass::read)
            && let Some((_, of_glass, plan)) = glass.sizes.iter().find(|s| s.0 == self.size)
        {
            (ln, parts) = self.on_glass(glass, (of_glass, plan), [asked, own], &x, size);
        }
        parts.extend([by(CARRIED_SD), punch]);
        Some(Ratio { ln, parts })
    }

    /// The logarithm of the ratio on glass, and the parts of its uncertainty.
    fn on_glass(
        &self,
        glass: &Glass,
        (of_glass, plan): (&ResolvedSize, &Plan),
        [asked, own]: [Kind; 2],
        x: &impl Fn(usize) -> f64,
        size: &ResolvedSize,
    ) -> (f64, Vec<f64>) {
        let grown = self.grown(x, size);
        let (angle, edge) = (x(self.behind + 1), x(self.behind + 2));
        let told = |b: &&(f64, f64, bool)| edge.is_nan() || (edge == 1.0) == b.2;
        let soft = asked != Kind::Organic && own != Kind::Organic;
        let mut blows: Vec<(f64, f64, bool)> =
            glass.blows[usize::from(!soft)].iter().filter(told).copied().collect();
        if !angle.is_nan() {
            let both = [asked, own].into_iter().filter_map(Kind::held);
            let held = both.fold(angle, |a, h| a.clamp(h[1].0, h[1].1));
            blows.iter_mut().for_each(|b| b.1 = held);
        }
        let all: f64 = blows.iter().map(|b| b.0).sum();
        // a row for each blow, and behind them another
        let (n, terms) = (blows.len(), of_glass.compiled.terms());
        let mut rows = glass.rows(&blows);
        let mut designs = vec![0.0; plan.registers() * 2 * n];
        let fill = |rows: &[Vec<f64>], designs: &mut [f64]| {
            let columns: Vec<&[f64]> = rows.iter().map(Vec::as_slice).collect();
            plan.fill(&columns, 0, 2 * n, designs, 2 * n);
        };
        // by which depth a steel-struck glass flake would have grown as much
        let (low, high) = asked.held().or(own.held()).map_or((MIDDLE_MM, MIDDLE_MM), |h| h[0]);
        rows[glass.depth] = [vec![low; n], vec![high; n]].concat();
        rows[glass.percussor] = vec![glass.codes[Kind::Hard as usize]; 2 * n];
        fill(&rows, &mut designs);
        for i in 0..n {
            let steel = |i: usize| -> f64 {
                (0..terms).map(|j| designs[j * 2 * n + i] * of_glass.coefficients[j]).sum()
            };
            let slope = (steel(n + i) - steel(i)) / (high / low).ln();
            let stretch = if slope > 0.0 { grown / slope } else { 0.0 };
            let depth = (MIDDLE_MM * crate::vector::exp(stretch)).clamp(low, high);
            for (at, kind) in [(i, asked), (n + i, own)] {
                rows[glass.depth][at] = depth;
                rows[glass.percussor][at] = glass.codes[kind as usize];
            }
        }
        fill(&rows, &mut designs);
        let (mut mean, mut differs) = (vec![0.0; terms], vec![0.0; n]);
        for (j, mean) in mean.iter_mut().enumerate() {
            for (i, (share, ..)) in blows.iter().enumerate() {
                let d = designs[j * 2 * n + i] - designs[j * 2 * n + n + i];
                *mean += share / all * d;
                differs[i] += d * of_glass.coefficients[j];
            }
        }
        let ln = dot(&mean, &of_glass.coefficients);
        let between: f64 = blows.iter().zip(&differs).map(|(b, r)| b.0 / all * (r - ln).powi(2)).sum();
        (ln, vec![of_glass.variance(&mean).sqrt(), between.sqrt()])
    }

    /// By how much the logarithm of the stone's size lies above that of a flake of [`MIDDLE_MM`], other things equal (area
    /// grows with depth at one width).
    fn grown(&self, x: &impl Fn(usize) -> f64, size: &ResolvedSize) -> f64 {
        let mut row: Vec<f64> = (0..self.behind + BEHIND).map(x).collect();
        let mut designs = DesignRows::default();
        let mut location = |row: &[f64]| {
            size.fill(row, &mut designs);
            dot(&designs.location, &size.coefficients)
        };
        let here = location(&row);
        let Some(depth) = self.places[0] else { return 0.0 };
        let by = MIDDLE_MM / row[depth];
        row[depth] = MIDDLE_MM;
        if let Some(area) = self.places[1] {
            row[area] *= by;
        }
        let there = location(&row);
        let grown = size.transform.ln_of(here) - size.transform.ln_of(there);
        if grown.is_finite() { grown } else { 0.0 }
    }
}

impl Glass {
    /// Columns of the glass, a row for each blow and behind them the same again; depth and percussor are still to be set.
    fn rows(&self, blows: &[(f64, f64, bool)]) -> Vec<Vec<f64>> {
        let twice = |of: &dyn Fn(&(f64, f64, bool)) -> f64| blows.iter().chain(blows).map(of).collect();
        let number = |name: &String| match name.as_str() {
            ANGLE => twice(&|_| MIDDLE_DEG),
            ANGLE_OF_BLOW => twice(&|b| b.1),
            _ => twice(&|_| MIDDLE_MM),
        };
        let class = |class: &ClassInput| {
            let code = |wanted: &str| class.levels.iter().position(|l| l == wanted).unwrap_or(0) as f64;
            match class.name.as_str() {
                LANDS_ON => twice(&|b| code(if b.2 { "edge" } else { "platform" })),
                "platform_bevelled" => twice(&|_| code("no")),
                _ => twice(&|_| code("semispherical")),
            }
        };
        self.layout.numbers.iter().map(number).chain(self.layout.classes.iter().map(class)).collect()
    }
}

impl Resolved {
    /// The percussor of the experiment, where another acts as a ratio: the forms do not read it, and one kind struck.
    pub(super) fn own_percussor(calibration: &Calibration) -> Option<Kind> {
        match (
            calibration.reads_percussor(),
            &Kind::all(calibration.percussors().iter().map(|p| &p.name))[..],
        ) {
            (false, [only]) => Some(*only),
            _ => None,
        }
    }

    /// What an input row has for a percussor that acts as a ratio: the place, and what stands there (not a number for that
    /// of the experiment); nothing where the forms read the percussor or nobody recorded it.
    pub(crate) fn ratio_of(&self, name: &str) -> Option<(usize, f64)> {
        self.own?;
        let code = self.other_percussor(name).map_or(f64::NAN, |k| k as usize as f64);
        Some((self.calibration().layout().len(), code))
    }

    /// Whether a place of an input row is that of the percussor.
    pub(crate) fn is_percussor(&self, at: usize) -> bool {
        let layout = self.calibration().layout();
        at == layout.len() || at < layout.len() && super::is_percussor(layout.name(at))
    }

    /// How every size of a calibration changes with the percussor.
    pub(super) fn carried(calibration: &Calibration) -> impl Fn(&SizeModel) -> Carried + use<> {
        let own = Resolved::own_percussor(calibration);
        let layout = calibration.layout();
        let (places, behind) = ([DEPTH, AREA].map(|n| layout.position(n)), layout.len());
        move |m| Carried { own, size: m.size.clone(), places, behind }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::infer::{Assemblage, Drawing};
    use crate::predict::{Ask, Estimate, Predictor};
    use crate::strike::Measured;

    /// A platform, and classes of the blow.
    #[derive(Clone)]
    struct Piece(f64, f64, Vec<(&'static str, &'static str)>);

    impl Measured for Piece {
        fn number(&self, name: &str) -> Option<f64> {
            match name {
                DEPTH => Some(self.0),
                ANGLE => Some(self.1),
                _ => None,
            }
        }
        fn class(&self, name: &str) -> Option<&str> {
            self.2.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
        }
    }

    fn flint() -> Predictor {
        Predictor::new(bundled::named("hard-hammer-flint").unwrap()).unwrap()
    }

    fn estimate(p: &Predictor, depth: f64, classes: &[(&'static str, &'static str)]) -> Estimate {
        p.estimate(&Piece(depth, 65.0, classes.to_vec()), &Ask::default()).unwrap()
    }

    #[test]
    fn the_percussor_of_the_experiment_changes_nothing() {
        let p = flint();
        let plain = estimate(&p, 5.0, &[]);
        for same in ["granite", "hammerstone", "stone"] {
            assert_eq!(estimate(&p, 5.0, &[("percussor", same)]), plain);
        }
        // steel is taken as a hammerstone, less surely
        let steel = estimate(&p, 5.0, &[("percussor", "steel")]);
        for (a, b) in steel.sizes.iter().zip(&plain.sizes) {
            let (a, b) = (a.predictive.components()[0], b.predictive.components()[0]);
            assert_eq!(a.location, b.location);
            let sd = if plain.sizes[3].predictive.components()[0] == b { CARRIED_SD.1 } else { CARRIED_SD.0 };
            assert!((a.scale - b.scale.hypot(sd)).abs() < 1e-12);
        }
    }

    /// In the middle of the depths the ratio is that of the glass form at the same angles and landing place.
    #[test]
    fn antler_on_flint_is_the_ratio_of_bone_over_steel_on_glass() {
        let (p, glass) = (flint(), Predictor::new(bundled::named("controlled-glass").unwrap()).unwrap());
        let variant = glass.calibration().variants().last().unwrap();
        let layout = glass.calibration().layout();
        for lands in ["edge", "platform"] {
            let antler = estimate(&p, MIDDLE_MM, &[("percussor", "antler"), (LANDS_ON, lands)]);
            let plain = estimate(&p, MIDDLE_MM, &[]);
            for (m, (a, b)) in variant.sizes.iter().zip(antler.sizes.iter().zip(&plain.sizes)) {
                let compiled = m.form.compile(layout).unwrap();
                let row = |percussor: &str, blow: f64| {
                    let mut x = vec![0.0; layout.len()];
                    for (name, v) in [(DEPTH, MIDDLE_MM), (ANGLE, 65.0), (ANGLE_OF_BLOW, blow)] {
                        x[layout.position(name).unwrap()] = v;
                    }
                    for (name, level) in
                        [("percussor", percussor), (LANDS_ON, lands), ("platform_bevelled", "no")]
                    {
                        let at = layout.position(name).unwrap();
                        let levels = &layout.class_at(at).unwrap().levels;
                        x[at] = levels.iter().position(|l| l == level).unwrap() as f64;
                    }
                    let mut row = vec![0.0; compiled.terms()];
                    compiled.fill(&x, &mut row);
                    dot(&row, &m.coefficients)
                };
                let (mut ln, mut n) = (0.0, 0.0);
                let at =
                    |name: &str| glass.calibration().setting_names().iter().position(|s| s == name).unwrap();
                for s in glass.calibration().settings() {
                    let code = s.values[at(LANDS_ON)] as usize;
                    if layout.class_at(layout.position(LANDS_ON).unwrap()).unwrap().levels[code] == lands {
                        let blow = s.values[at(ANGLE_OF_BLOW)].clamp(-20.0, 20.0);
                        ln += s.flakes as f64 * (row("bone", blow) - row("steel", blow));
                        n += s.flakes as f64;
                    }
                }
                let found = a.predictive.components()[0].location - b.predictive.components()[0].location;
                assert!((found - ln / n).abs() < 1e-10, "{} {lands}: {found} {}", m.size, ln / n);
                assert!(a.predictive.components()[0].scale > b.predictive.components()[0].scale);
            }
        }
    }

    /// A hundred flakes by antler do not know the ratio better than one.
    #[test]
    fn the_ratio_does_not_average_out_in_a_total() {
        let p = flint();
        let width = |percussor: &'static str| {
            let mut bag = Assemblage::new(&p, Default::default()).unwrap();
            for i in 0..150 {
                bag.offer("pit", &Piece(3.0 + 0.03 * f64::from(i), 70.0, vec![("percussor", percussor)]));
            }
            let total = &bag.totals(&Drawing::seeded(3)).unwrap()[0];
            let mass = total.total_mass_g.as_ref().unwrap();
            (mass.high / mass.low).ln() / (2.0 * 1.96)
        };
        let (stone, antler) = (width("hammerstone"), width("antler"));
        assert!(stone < 0.12, "{stone}");
        // the way to another stone alone is 0.3, the glass and its blows add to it
        assert!(antler > 0.3 && antler < 0.6, "{antler}");
    }

    #[test]
    fn a_punch_widens_and_a_pressed_flake_is_refused() {
        let p = flint();
        let (plain, punched) = (estimate(&p, 5.0, &[]), estimate(&p, 5.0, &[("technique", "indirect")]));
        for (a, b) in plain.sizes.iter().zip(&punched.sizes) {
            assert_eq!(a.predictive.median(), b.predictive.median());
            assert!(b.predictive.components()[0].scale > a.predictive.components()[0].scale + 0.02);
        }
        let pressed = Piece(5.0, 65.0, vec![("technique", "pressure")]);
        let e = p.estimate(&pressed, &Ask::default()).unwrap_err();
        assert!(e.to_string().contains("pressed off"), "{e}");
    }
}
