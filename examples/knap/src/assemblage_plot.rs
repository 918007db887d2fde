//! The pictures of `knap assemblage`: what the groups of a bag weighed, or two sets of sizes side by side.

use crate::failure::Outcome;
use crate::plot::{Axis, Layer, Panel, Row, cut, marked, named_rows, page, page_of_rows};
use crate::report::{percent, with_unit};
use crate::tables::save;
use conchoid::infer::{Comparison, Drawn, GroupLosses, GroupTotals};
use conchoid::predict::{Ranged, in_words};
use std::collections::BTreeSet;

/// Groups that are drawn at most.
const GROUPS: usize = 40;

/// Groups whose shares lost are drawn as curves, so that they can be told apart.
const CURVES: usize = 6;

/// Groups, one a row, with what they weigh now; and how the shares lost of their retouched pieces are spread.
pub fn totals(path: &str, groups: &[GroupTotals], lost: &[GroupLosses], level: f64) -> Outcome<()> {
    type ByPlatform = fn(&GroupTotals) -> &Option<Drawn>;
    type ByRetouch = fn(&GroupLosses) -> &Option<Drawn>;
    let platforms: [(&str, &str, ByPlatform); 4] = [
        ("Total original mass", "total original mass, g", |t| &t.total_mass_g),
        ("Mean original mass", "mean original mass, g", |t| &t.mean_mass_g),
        ("Mass lost", "mass lost, g", |t| &t.mass_lost_g),
        ("Mean original length", "mean original length, mm", |t| &t.mean_length_mm),
    ];
    let by_retouch: [(&str, &str, f64, ByRetouch); 2] = [
        ("Retouched pieces: total original mass", "total original mass, g", 1.0, |l| &l.original_mass_g),
        ("Retouched pieces: share of their mass lost", "share of the mass lost, %", 100.0, |l| &l.share_lost),
    ];
    let row = |group: &str, drawn: &Option<Drawn>, scale: f64, also: Option<f64>| {
        let ends = drawn.as_ref().map(|d| {
            let d = d.interval();
            [d.low, d.median, d.high].map(|v| scale * v)
        });
        let told = ends.map(|ends| Row::told(&cut(group, 32, "..."), ends, 0));
        Row { also, ..told.unwrap_or_default() }
    };
    let panel = |title: &str, label: &str, list: Vec<Row>| {
        let drawn = list.iter().any(|r| r.ends.is_some());
        drawn.then(|| named_rows(title.to_string(), label, None, &list, None, "weighs now"))
    };
    let mut panels = Vec::new();
    for (k, (title, label, of)) in platforms.into_iter().enumerate() {
        // the mass now stands beside the original mass of the same flakes only
        let now = |t: &GroupTotals| (k == 0 && t.weighed > 0 && t.weighed == t.n).then_some(t.mass_now_g);
        let list = groups.iter().take(GROUPS).map(|t| row(&t.group, of(t), 1.0, now(t)));
        panels.extend(panel(title, label, list.collect()));
    }
    panels.extend(spread(lost));
    for (k, (title, label, scale, of)) in by_retouch.into_iter().enumerate() {
        let now = |l: &GroupLosses| (k == 0).then_some(l.mass_now_g);
        let list = lost.iter().take(GROUPS).map(|l| row(&l.group, of(l), scale, now(l)));
        panels.extend(panel(title, label, list.collect()));
    }
    let names = groups.iter().map(|t| &t.group).chain(lost.iter().map(|l| &l.group));
    let names: BTreeSet<&String> = names.collect();
    let called = match (names.len(), names.first()) {
        (1, Some(name)) => name.to_string(),
        (n, _) => format!("{n} groups"),
    };
    let mut title = format!("{called}; lines hold {} %", percent(level));
    let drawn = groups.len().max(lost.len());
    if drawn > GROUPS {
        title.push_str(&format!("; the first {GROUPS} drawn"));
    }
    save(path, &page_of_rows(&title, &panels, panels.len().clamp(1, 2), drawn.min(GROUPS))?)
}

/// How the shares lost of the pieces of each group are spread: of how many pieces more is gone than a share.
fn spread(lost: &[GroupLosses]) -> Option<Panel> {
    let told: Vec<&GroupLosses> = lost.iter().filter(|l| l.n > 0).take(CURVES).collect();
    let (mut layers, mut legend) = (Vec::new(), Vec::new());
    for (k, l) in told.iter().enumerate() {
        let at = |s: f64| 100.0 * s + 0.5 * (k as f64 - 0.5 * (told.len() - 1) as f64);
        let of = |(s, d): &(f64, Drawn)| (at(*s), 100.0 * d.interval().low, 100.0 * d.interval().high);
        layers.push(Layer::Whiskers(l.lost_more_than.iter().map(of).collect(), k));
        let curve = l.lost_more_than.iter().map(|(s, d)| (at(*s), 100.0 * d.interval().median));
        layers.extend(marked(curve.collect(), k));
        legend.push((format!("{} ({})", cut(&l.group, 34, "..."), l.n), k));
    }
    let mut title = "Retouched pieces: how the shares lost are spread".to_string();
    if lost.len() > CURVES {
        title = format!("How the shares lost are spread, first {CURVES} groups");
    }
    (!told.is_empty()).then(|| Panel {
        title,
        x: Axis::fixed("share of a piece's mass lost, %", 0.0, 100.0),
        y: Axis::fixed("pieces that lost more, %", 0.0, 105.0 + 6.0 * legend.len() as f64),
        layers,
        legend,
    })
}

/// Two sets of sizes: how they are spread, and how far their quantiles are apart.
pub fn comparison(
    path: &str,
    o: &crate::assemblage::Options,
    names: &[String; 2],
    sizes: [&[f64]; 2],
    c: &Comparison,
) -> Outcome<()> {
    let x = Axis::over(&with_unit(&o.size), sizes.iter().flat_map(|s| s.iter().copied()), true);
    let mut layers = Vec::new();
    let mut legend = Vec::new();
    for (k, s) in sizes.iter().enumerate() {
        let mut sorted = s.to_vec();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len() as f64;
        let mut steps = vec![(x.low, 0.0)];
        let mut marks = Vec::new();
        let every = sorted.len().div_ceil(40);
        for (i, v) in sorted.iter().enumerate() {
            steps.push((*v, 100.0 * i as f64 / n));
            steps.push((*v, 100.0 * (i + 1) as f64 / n));
            if i % every == 0 {
                marks.push((*v, 100.0 * (i + 1) as f64 / n));
            }
        }
        steps.push((x.high, 100.0));
        layers.push(if k == 0 { Layer::Line(steps, 0) } else { Layer::Dashes(steps, 1) });
        layers.push(Layer::Points(marks, k));
        legend.push((format!("{} ({})", cut(&names[k], 34, "..."), s.len()), k));
    }
    let spread = Panel {
        title: format!("How {} is spread", in_words(&o.size)),
        x,
        y: Axis::fixed("share of flakes that are smaller, %", 0.0, 128.0),
        layers,
        legend,
    };
    let all = [("typical size".to_string(), &c.ratio)];
    let at = c.quantile_ratios.iter().map(|(p, b)| (format!("at {} % of the flakes", percent(*p)), b));
    let row = |(name, b): (String, &Ranged)| Row::told(&name, [b.low, b.value, b.high], 0);
    let list: Vec<Row> = all.into_iter().chain(at).map(row).collect();
    let title = format!("Ratio, lines hold {} % (dashed: alike)", percent(o.level));
    let ratios = named_rows(title, "ratio, first over second", Some(true), &list, Some(1.0), "");
    let verdict = if c.differ() { "they do not look alike" } else { "nothing tells them apart" };
    let title = format!("{} against {}: {verdict}", cut(&names[0], 28, "..."), cut(&names[1], 28, "..."));
    save(path, &page(&title, &[spread, ratios], 2)?)
}
