//! The cautions that a row gives rise to under a calibration, before and beside its numbers.

use super::{Kind, Resolved, class_of};
use crate::by_name::place_of;
use crate::calibration::caution::{Caution, Doubt};
use crate::calibration::fitting::falling;
use crate::calibration::{Calibration, PercussorSeen, SharedEffect, Variant};
use crate::flake::{Portion, Technique, Termination};
use crate::form::{ANGLE, PERCUSSOR_CLASS};
use crate::material::Stone;
use crate::strike::{Measured, PlatformKind};

/// Angles beyond this are near the end of the domain of a tangent. Common practice, no source.
pub(crate) const STEEPEST_DEG: f64 = 80.0;

/// How far beyond what was recorded the median must lie to be doubted, as a ratio: this crate's choice, no source. Of
/// the published rows, each predicted from others, 1.4 % are doubted (glass; flint none, quartzite 0.6 %), nearly
/// all of them predicted far too large; without a margin it would be 2.9 % of the glass.
pub(crate) const CLEARLY_BEYOND: f64 = 1.05;

/// So many groups, or fewer, hardly tell how much groups differ: intervals of a new group held 91 of 100 flakes after two of ten
/// flakes each, 93 after three and 94 after four, groups differing a little more than flakes of one do
/// (`intervals_cover_less_after_few_groups`). Where to draw the line is this crate's choice, no source.
pub(in crate::calibration) const FEW_GROUPS: u64 = 3;

/// The doubt about an angle near where the tangent runs away.
pub(crate) fn near_tangent(value: f64) -> Option<Caution> {
    (value > STEEPEST_DEG).then(|| {
        Doubt::NearEndOfDomain {
            measurement: ANGLE.to_string(),
            value,
            why: "the tangent runs away towards 90 degrees".to_string(),
        }
        .into()
    })
}

/// A stone by its own name where the text is an alias of it (`glass`).
pub(in crate::calibration) fn canonical_stone(text: &str) -> String {
    Stone::named(text).map_or_else(|_| text.to_string(), |s| s.name().to_string())
}

impl Resolved {
    /// The measurements outside what a variant was fitted to.
    pub(crate) fn outside_ranges(&self, variant: usize, x: &[f64], found: &mut Vec<Caution>) {
        for (r, at) in self.variant(variant).ranges.iter().zip(&self.ready(variant).ranged) {
            let value = at.map_or(f64::NAN, |at| x[at]);
            if value < r.low || value > r.high {
                found.push(
                    Doubt::OutsideRange { measurement: r.name.clone(), value, low: r.low, high: r.high }
                        .into(),
                );
            }
        }
    }

    /// How a flake, its stone, percussor, technique and platform differ from those of the experiment.
    pub(crate) fn unlike_experiment(&self, measured: &dyn Measured, found: &mut Vec<Caution>) {
        let calibration = self.calibration();
        let has = |class: &str| calibration.layout().classes.iter().any(|c| c.name == class);
        let percussors = calibration.percussors();
        let asked = measured.class("percussor").or(measured.class(PERCUSSOR_CLASS));
        if let Some(asked) = asked.filter(|_| !calibration.reads_percussor()) {
            let (percussor, class) = (asked.to_string(), class_of(asked).ok());
            let seen: Vec<String> = percussors.iter().map(|p| p.name.clone()).collect();
            match (self.own, self.other_percussor(asked)) {
                (Some(own), Some(other)) => found.push(
                    Doubt::PercussorRatio {
                        percussor,
                        seen,
                        ratio: (other != own).then(|| (other.on_glass().into(), own.on_glass().into())),
                    }
                    .into(),
                ),
                (None, None)
                    if class.is_some() && Kind::all(percussors.iter().map(|p| &p.name)).len() > 1 =>
                {
                    let struck = |p: &PercussorSeen| format!("{} ({})", p.name, p.flakes);
                    let seen = percussors.iter().map(struck).collect();
                    found.push(Doubt::PercussorsNotToldApart { seen }.into());
                }
                (_, None) if !seen.is_empty() && (class.is_some() || seen.contains(&percussor)) => {}
                _ if class.is_none() && !seen.is_empty() => {
                    found.push(
                        Doubt::NameNotKnown { what: "percussor", name: percussor, instead: seen }.into(),
                    );
                }
                _ => found.push(Doubt::PercussorNotInExperiment { percussor, leans_on: None, seen }.into()),
            }
        }
        if let Some(asked) = measured.class("stone").filter(|_| !has("stone")) {
            let (stone, seen) = (asked.to_string(), calibration.stone());
            if Stone::named(asked).is_err() && seen != Some(asked) {
                let instead = seen.map(str::to_string).into_iter().collect();
                found.push(Doubt::NameNotKnown { what: "stone", name: stone, instead }.into());
            } else if let Some(seen) = seen.filter(|seen| canonical_stone(asked) != canonical_stone(seen)) {
                let local = calibration.local().map(|l| l.flakes);
                found.push(Doubt::StoneNotInExperiment { stone, seen: seen.to_string(), local }.into());
            }
        }
        if let Some(technique) = measured.class("technique")
            && technique != Technique::Direct.name()
        {
            found.push(Doubt::Technique { technique: technique.to_string() }.into());
        }
        if measured.class("platform_bevelled") == Some("yes") && !has("platform_bevelled") {
            found.push(Doubt::Bevelled.into());
        }
        if let Some(kind) = measured.class(PlatformKind::COLUMN)
            && kind != PlatformKind::Plain.name()
            && !has(PlatformKind::COLUMN)
        {
            found.push(Doubt::PlatformKind { kind: kind.to_string() }.into());
        }
        if let Some(portion) = measured.class("portion")
            && portion != Portion::Complete.name()
        {
            found.push(Doubt::NotAsStruck { state: portion.to_string() }.into());
        }
        if measured.class("retouched") == Some("yes") {
            found.push(Doubt::NotAsStruck { state: "retouched".to_string() }.into());
        }
    }

    /// What there is to doubt of the groups of an input row: names that none of those fitted has, and new groups after too
    /// few.
    pub(crate) fn of_groups(
        &self,
        variant: usize,
        x: &[f64],
        measured: &dyn Measured,
        found: &mut Vec<Caution>,
    ) {
        let sizes = self.ready(variant).sizes.iter().zip(&self.variant(variant).sizes);
        let shared = sizes.filter_map(|(ready, m)| Some((ready.shared.as_ref()?, m)));
        let all = shared.clone().count();
        // an effect of each column with a new group, the first size that has it, and how many have
        let mut new: Vec<(&SharedEffect, &str, usize)> = Vec::new();
        for (shared, m) in shared {
            for e in shared.new_groups(|at| x[at]) {
                let at = place_of(&mut new, |(other, ..)| other.by == e.by, || (e, m.column.as_str(), 0));
                new[at].2 += 1;
            }
        }
        for (e, size, sizes) in new {
            let (by, groups) = (e.by.clone(), e.groups);
            if let Some(name) = measured.class(&by).filter(|_| !e.levels.is_empty()) {
                let (name, of) = (name.to_string(), (sizes < all).then(|| size.to_string()));
                found.push(Doubt::GroupNotFitted { by: by.clone(), name, groups, of }.into());
            }
            if groups <= FEW_GROUPS {
                found.push(Doubt::FewGroups { by, groups }.into());
            }
        }
    }

    /// The terminations that have no probability in an answer that tells some or none, where none is known.
    pub(crate) fn untold_terminations(&self, variant: usize, x: &[f64], told: bool) -> Option<Caution> {
        let ready = self.ready(variant);
        let known = ready.termination.is_some_and(|at| !x[at].is_nan());
        ready.untold[usize::from(told)].clone().filter(|_| !known)
    }
}

/// The doubt about the terminations that are not among those told.
pub(super) fn untold(told: &[String]) -> Option<Caution> {
    let names = Termination::ALL.iter().map(|t| t.name().to_string());
    let terminations: Vec<String> = names.filter(|n| !told.contains(n)).collect();
    (!terminations.is_empty()).then(|| Doubt::TerminationsNotTold { terminations }.into())
}

/// What there is to doubt of a variant whatever is asked: the flakes that it was updated with, sizes that fall as the
/// platform grows, what the experiment did not record.
pub(super) fn of_all_its_answers(calibration: &Calibration, v: &Variant) -> Vec<Caution> {
    let against = calibration.local().into_iter().flat_map(|l| &l.cautions);
    let mut found: Vec<Caution> =
        against.map(|text| Doubt::LocalFlakes { text: text.clone() }.into()).collect();
    let what = falling(&v.sizes);
    if !what.is_empty() {
        found.push(Doubt::FallsWithPlatform { what }.into());
    }
    let distance = calibration.distance();
    if let Some((size, d)) = distance.filter(|(_, d)| d.applied) {
        // what sites differ by holds the knapper and the core
        let times = d.coefficients.is_empty().then(|| d.shift.exp());
        let either_way = (1.96 * d.sd).exp();
        found.push(Doubt::MovedToSites { size: size.to_string(), times, either_way }.into());
        return found;
    }
    let mut what = calibration.not_recorded().to_vec();
    what.extend(distance.map(|_| "site".to_string()));
    if !what.is_empty() {
        found.push(Doubt::NotInExperiment { what }.into());
    }
    found
}
