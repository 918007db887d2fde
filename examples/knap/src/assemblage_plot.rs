//! The pictures of `knap assemblage`: what the groups of a bag weighed, or two sets of sizes side by side.

use crate::failure::Outcome;
use crate::plot::{Axis, Layer, Panel, above_row, guide_between_names, page, page_of_rows};
use crate::report::{percent, short};
use crate::tables::save;
use conchoid::infer::{Comparison, Drawn, GroupLosses, GroupTotals};
use conchoid::predict::in_words;

/// Groups that are drawn at most.
const GROUPS: usize = 40;

/// Groups whose shares lost are drawn as curves, so that they can be told apart.
const CURVES: usize = 6;

/// One number of one group, and what the group weighs now where that stands beside it.
struct Of {
    group: String,
    drawn: Option<Drawn>,
    now: Option<f64>,
}

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
    let mut panels = Vec::new();
    for (k, (title, label, of)) in platforms.into_iter().enumerate() {
        let list = groups.iter().take(GROUPS).map(|t| Of {
            group: t.group.clone(),
            drawn: *of(t),
            // the mass now stands beside the original mass of the same flakes only
            now: (k == 0 && t.weighed > 0 && t.weighed == t.n).then_some(t.mass_now_g),
        });
        panels.extend(rows(title, label, list.collect()));
    }
    panels.extend(spread(lost));
    for (k, (title, label, scale, of)) in by_retouch.into_iter().enumerate() {
        let scaled = |d: &Drawn| {
            let by = |v: f64| scale * v;
            Drawn { low: by(d.low), median: by(d.median), high: by(d.high), ..*d }
        };
        let list = lost.iter().take(GROUPS).map(|l| Of {
            group: l.group.clone(),
            drawn: of(l).as_ref().map(scaled),
            now: (k == 0).then_some(l.mass_now_g),
        });
        panels.extend(rows(title, label, list.collect()));
    }
    let mut names: Vec<&str> =
        groups.iter().map(|t| t.group.as_str()).chain(lost.iter().map(|l| l.group.as_str())).collect();
    names.sort_unstable();
    names.dedup();
    let mut title = format!("{} groups; lines hold {} %", names.len(), percent(level));
    if let [name] = names[..] {
        title = format!("{name}; lines hold {} %", percent(level));
    }
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
        let of = |(s, d): &(f64, Drawn)| (at(*s), 100.0 * d.low, 100.0 * d.high);
        layers.push(Layer::Whiskers(l.lost_more_than.iter().map(of).collect(), k));
        let curve: Vec<_> = l.lost_more_than.iter().map(|(s, d)| (at(*s), 100.0 * d.median)).collect();
        layers.push(Layer::Line(curve.clone(), k));
        layers.push(Layer::Points(curve, k));
        legend.push((format!("{} ({})", cut(&l.group, 34), l.n), k));
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

fn rows(title: &str, label: &str, groups: Vec<Of>) -> Option<Panel> {
    if groups.iter().all(|t| t.drawn.is_none()) {
        return None;
    }
    let n = groups.len() as f64;
    let values = groups
        .iter()
        .flat_map(|t| t.drawn.iter().flat_map(|d| [d.low, d.high]).chain(t.now).collect::<Vec<_>>());
    let values: Vec<f64> = values.filter(|v| *v > 0.0).collect();
    let (least, most) = values.iter().fold((f64::INFINITY, 0.0f64), |(a, b), v| (a.min(*v), b.max(*v)));
    let log = least > 0.0 && most / least > 12.0;
    let mut x = Axis::over(label, values, log);
    if !log {
        x.low = x.low.max(0.0);
    }
    let told = groups.iter().any(|t| t.drawn.is_some() && t.now.is_some());
    // a line of its own for the legend
    let top = if told { n + 0.15 + 0.5 * (n / 7.0).max(1.0) } else { n + 0.15 };
    let above = above_row(groups.len(), top);
    let mut layers = Vec::new();
    let (mut middles, mut weighed) = (Vec::new(), Vec::new());
    for (k, t) in groups.iter().enumerate() {
        let at = n - k as f64 - 0.65;
        let Some(d) = &t.drawn else { continue };
        let words =
            format!("{}: {} ({} to {})", cut(&t.group, 32), short(d.median), short(d.low), short(d.high));
        let left = if log { x.low * (x.high / x.low).powf(0.005) } else { x.low + 0.005 * (x.high - x.low) };
        layers.push(Layer::Label(left, at + above, words));
        layers.push(Layer::Spans(vec![(at, d.low, d.high)], 0));
        middles.push((d.median, at));
        weighed.extend(t.now.map(|v| (v, at)));
    }
    let legend = if told { vec![("weighs now".to_string(), 3)] } else { Vec::new() };
    layers.push(Layer::Points(middles, 0));
    layers.push(Layer::Points(weighed, 3));
    Some(Panel { title: title.to_string(), x, y: Axis::fixed("", 0.0, top), layers, legend })
}

fn cut(name: &str, width: usize) -> String {
    if name.chars().count() <= width {
        return name.to_string();
    }
    name.chars().take(width - 3).chain("...".chars()).collect()
}

/// Two sets of sizes: how they are spread, and how far their quantiles are apart.
pub fn comparison(
    path: &str,
    size: &str,
    names: &[String; 2],
    sizes: [&[f64]; 2],
    c: &Comparison,
) -> Outcome<()> {
    let unit = if size.ends_with("_g") { "g" } else { "mm" };
    let label = format!("{}, {unit}", in_words(size));
    let x = Axis::over(&label, sizes.iter().flat_map(|s| s.iter().copied()), true);
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
        legend.push((format!("{} ({})", cut(&names[k], 34), s.len()), k));
    }
    let spread = Panel {
        title: format!("How {} is spread", in_words(size)),
        x,
        y: Axis::fixed("share of flakes that are smaller, %", 0.0, 128.0),
        layers,
        legend,
    };
    let rows: Vec<(String, _)> = [("typical size".to_string(), &c.ratio)]
        .into_iter()
        .chain(c.quantile_ratios.iter().map(|(p, b)| (format!("at {} % of the flakes", percent(*p)), b)))
        .collect();
    let (n, top) = (rows.len() as f64, rows.len() as f64 + 0.15);
    let x = Axis::over("ratio, first over second", rows.iter().flat_map(|(_, b)| [b.low, b.high, 1.0]), true);
    let mut layers = guide_between_names(1.0, rows.len(), top);
    for (k, (name, b)) in rows.iter().enumerate() {
        let at = n - k as f64 - 0.65;
        let words = format!("{name}: {} ({} to {})", short(b.value), short(b.low), short(b.high));
        layers.push(Layer::Label(
            x.low * (x.high / x.low).powf(0.005),
            at + above_row(rows.len(), top),
            words,
        ));
        layers.push(Layer::Spans(vec![(at, b.low, b.high)], 0));
        layers.push(Layer::Points(vec![(b.value, at)], 0));
    }
    let ratios = Panel {
        title: format!("Ratio, lines hold {} % (dashed: alike)", percent(c.level)),
        x,
        y: Axis::fixed("", 0.0, top),
        layers,
        legend: Vec::new(),
    };
    let verdict = if c.differ() { "they do not look alike" } else { "nothing tells them apart" };
    let title = format!("{} against {}: {verdict}", cut(&names[0], 28), cut(&names[1], 28));
    save(path, &page(&title, &[spread, ratios], 2)?)
}
