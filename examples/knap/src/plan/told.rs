//! The plan as it is told: the knapping list, what it is worth against an even grid, the curves, what to mind.

use super::wanted::{SpreadTold, Wanted};
use super::{AgainstGrid, Aimed, CurveTold, Options, Plan, STARTS, Target};
use crate::failure::Outcome;
use crate::plan_plot;
use crate::plan_sheet::target_name;
use crate::report::{Page, count, percent};
use crate::tables::save;
use conchoid::form;
use conchoid::plan::WithinTolerance;
use conchoid::predict::in_words;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// High over low, in as many digits as anybody would read.
fn told_width(v: f64) -> String {
    match v {
        v if v < 1e4 => format!("{v:.2}"),
        v if v.is_finite() => format!("{v:.1e}"),
        _ => "over 1e308".to_string(),
    }
}

pub fn plot(path: &str, w: &Wanted, plan: &Plan, o: &Options) -> Outcome<()> {
    let point = |c: &CurveTold| {
        let (new_flake, mean) = (w.readable(c.width_new_flake?), w.readable(c.width_mean?));
        let point = plan_plot::Point { flakes: c.flakes as f64, new_flake, mean, power: c.power };
        (new_flake.is_finite() && mean.is_finite()).then_some(point)
    };
    let points: Vec<plan_plot::Point> = plan.curve.iter().filter_map(point).collect();
    let scale = if w.logarithmic() { "high over low" } else { "high less low" };
    let words = plan_plot::Words {
        title: format!("What a plan buys: {} by {}", in_words(&o.response), w.form.name()),
        width: format!("{} % interval, {scale}", percent(w.level)),
        power: w.difference.map_or(String::new(), |(ratio, _)| format!("chance to see a ratio of {ratio}")),
        planned: o.flakes as f64,
    };
    save(path, &plan_plot::page(&points, &words)?)
}

pub fn text(o: &Options, w: &Wanted, plan: &Plan) -> Page {
    let mut page = Page::default();
    let aim = match (o.criterion, w.at.is_empty()) {
        (Aimed::D, _) => "the coefficients",
        (Aimed::I, true) => "the predictions over the whole reach",
        (Aimed::I, false) => "the predictions at the platforms named",
    };
    let (flakes, size) =
        (count(o.flakes as u64, "flake", "flakes"), w.form.transform().describe(&o.response));
    let (form, seed) = (w.form.name(), o.seed);
    page.say(format!(
        "{flakes} for {size} (form {form}), chosen so that {aim} become as certain as can be; seed {seed}."
    ));
    list(&mut page, plan);
    if let Some(e) = &w.existing {
        let have = format!("The {} you have", count(e.used as u64, "flake", "flakes"));
        let told = match (plan.worth, e.used) {
            (_, 0) => "None of the flakes of the table can be used".into(),
            (Some(worth), _) => format!("{have} know as much as {worth:.1} well placed ones would"),
            (None, _) => format!("{have} cannot tell by themselves: {}", plan.undetermined.join(", ")),
        };
        page.part(match e.left_out {
            0 => format!("{told}."),
            n => format!("{told} ({n} left out: incomplete, or of another experiment)."),
        });
    }
    even_grid(&mut page, o, plan);
    curves(&mut page, w, plan);
    page.mind(&notes(w, plan));
    if let Some(path) = &o.sheet {
        page.part(format!("The sheet to fill in is {path}; once filled in, it is fitted as planned by:"));
        page.0.push_str(&crate::over_lines(&fit_command(o, w, path)));
    }
    page.part(crate::told_of("care"));
    page
}

/// What fits the filled sheet under the form of the plan.
fn fit_command(o: &Options, w: &Wanted, sheet: &str) -> String {
    let mut command = format!("knap fit --table {sheet} --response {} --form {}", o.response, o.form);
    if o.angle_of_blow_deg.is_some() {
        command.push_str(&format!(" --by {}", form::ANGLE_OF_BLOW));
    }
    if w.percussors.len() > 1 {
        command.push_str(" --by percussor");
    }
    let path = std::path::Path::new(sheet);
    let name = path.file_stem().map_or("mine".into(), |s| s.to_string_lossy().replace(' ', "-"));
    let out = path.with_extension("json");
    command.push_str(&format!(" --name {name} --out {}", out.display()));
    command
}

fn list(page: &mut Page, plan: &Plan) {
    let mut last: Option<&Option<String>> = None;
    for t in &plan.targets {
        let line = |number: &str, core: &str, settings: Vec<String>| {
            let core = if t.core.is_some() { format!("  {core:>4}") } else { String::new() };
            let settings: String = settings.iter().map(|s| format!("  {s:>20}")).collect();
            format!("  {number:>4}{core}{settings}")
        };
        if last != Some(&t.percussor) {
            let by = t.percussor.as_deref().map_or("Strike:".to_string(), |p| format!("By {p}:"));
            page.line(format!("\n{by}"));
            page.line(line("no.", "core", t.settings.iter().map(|s| heading(&s.0)).collect()));
            last = Some(&t.percussor);
        }
        let settings = t.settings.iter().map(|(_, target, low, high)| format!("{target} ({low} to {high})"));
        let core = t.core.map_or(String::new(), |c| c.to_string());
        page.line(line(&t.number.to_string(), &core, settings.collect()));
    }
}

/// `platform depth, mm`.
fn heading(name: &str) -> String {
    let unit = name.rsplit('_').next().unwrap_or("");
    let words = in_words(name);
    format!("{}, {unit}", words.strip_prefix("exterior ").unwrap_or(&words))
}

fn even_grid(page: &mut Page, o: &Options, plan: &Plan) {
    let n = o.flakes;
    page.part(match &plan.even {
        AgainstGrid::Unknown { undetermined } => format!("An even grid of {n} could not tell {undetermined} from the other terms."),
        AgainstGrid::Known { d_efficiency_ratio: ratio, mean_width, mean_width_even_grid } => {
            let needed = (ratio * n as f64).ceil();
            let widths = mean_width.zip(*mean_width_even_grid).map_or(String::new(), |(mine, theirs)| {
                let more = 100.0 * (mine / theirs - 1.0);
                format!(
                    "; mean width of the interval of a flake, on the scale of the form, {mine:.4} against {theirs:.4} \
                     ({more:+.2} %)"
                )
            });
            format!(
                "Against an even grid of {n}: D-efficiency {ratio:.3} times the grid's (the grid would need \
                 {needed:.0} flakes to know the coefficients as well){widths}."
            )
        }
    });
    if let Some(bound) = plan.bound {
        page.line(format!("It knows {:.1} % of what any plan of this size could know.", 100.0 * bound));
    }
}

fn curves(page: &mut Page, w: &Wanted, plan: &Plan) {
    let scale = if w.logarithmic() { "high over low" } else { "high less low, on the scale of the form" };
    let place = if w.at.is_empty() { "mean over the reach" } else { "mean over the platforms" };
    page.part(format!("Expected {} % intervals ({scale}; {place}):", percent(w.level)));
    page.gap();
    let line = |flakes: &str, new: &str, mean: &str, chance: String| {
        let chance = if w.difference.is_some() { format!("  {chance:>24}") } else { String::new() };
        format!("  {flakes:>6}  {new:>12}  {mean:>12}{chance}")
    };
    let chance = w.difference.map_or(String::new(), |(ratio, _)| format!("chance to see {ratio} times"));
    page.line(line("flakes", "of a flake", "of the mean", chance));
    let cell = |v: Option<f64>| v.map_or("-".into(), |v| told_width(w.readable(v)));
    for c in &plan.curve {
        let chance = c.power.map_or("-".into(), |p| format!("{:.1} %", 100.0 * p));
        page.line(line(&c.flakes.to_string(), &cell(c.width_new_flake), &cell(c.width_mean), chance));
    }
    if w.at.is_empty() {
        return;
    }
    let across = |of: &dyn Fn(&CurveTold) -> String| -> String {
        plan.curve.iter().map(|c| format!(" {:>6}", of(c))).collect()
    };
    page.line("\nOf a flake at the platforms named:\n");
    page.line(format!("  flakes{}", across(&|c| c.flakes.to_string())));
    for (k, (words, _)) in w.at.iter().enumerate() {
        page.under("  ", "  ", words);
        page.line(format!("        {}", across(&|c| cell(c.width_new_flake_at[k]))));
    }
}

fn notes(w: &Wanted, plan: &Plan) -> Vec<String> {
    let mut notes = vec![
        format!("the spread is taken as {:.4} ({}); your own may differ", w.spread.value, w.spread.from),
        "the plan trusts its form and strikes mostly at the ends of the reach; a few flakes in the middle \
         show whether the form bends there"
            .to_string(),
        format!(
            "nobody strikes an exact target: within the bands (1 mm, 5 degrees; common practice) {} % of what \
             the plan would know is kept on average, at least {} % in nineteen of twenty runs. Measure every platform \
             and record what it was, not what it should have been",
            percent((plan.tolerance.mean * 1000.0).round() / 1000.0),
            percent((plan.tolerance.low * 1000.0).round() / 1000.0)
        ),
        "targets are rounded to tenths; strike in the order of the list, which is random within a percussor"
            .to_string(),
    ];
    if let Some(c) = &w.cores {
        notes.push(format!(
            "cores differ by {:.4} and flakes of one core by {:.4}: design effect {:.2} for what differs only \
             between cores",
            c.between(),
            c.within(),
            c.design_effect()
        ));
    }
    if w.percussors.len() > 1 {
        notes.push(format!(
            "all percussors are to be fitted together (knap fit --by percussor): the same slopes, and a shift of \
             each from {}",
            w.percussors[0]
        ));
    }
    if w.difference.is_some() {
        notes.push(
            "chances are for a two-sided test at 5 %, of the percussor hardest to tell from the first".into(),
        );
    }
    notes
}

#[derive(Serialize, JsonSchema)]
struct ExistingTold<'a> {
    used: usize,
    left_out: u64,
    worth_well_placed: Option<f64>,
    undetermined: &'a [String],
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    form: &'a str,
    response: &'a str,
    terms: Vec<String>,
    criterion: &'static str,
    seed: u64,
    /// What to strike, one entry a flake: targets and what is accepted of each.
    flakes: Vec<BTreeMap<String, serde_json::Value>>,
    criterion_value: f64,
    starts_agreeing: usize,
    starts: usize,
    share_of_bound: Option<f64>,
    against_even_grid: &'a AgainstGrid,
    kept_within_tolerance: WithinTolerance,
    spread: &'a SpreadTold,
    #[serde(skip_serializing_if = "Option::is_none")]
    existing: Option<ExistingTold<'a>>,
    level: f64,
    difference: Option<f64>,
    curve: &'a [CurveTold],
    at: Vec<&'a str>,
    cautions: Vec<String>,
}

pub fn print_json(o: &Options, w: &Wanted, plan: &Plan) -> Outcome<()> {
    let target = |t: &Target| {
        let mut m = BTreeMap::<String, serde_json::Value>::new();
        m.insert("flake".into(), t.number.into());
        m.insert("percussor".into(), t.percussor.clone().into());
        m.insert("core".into(), t.core.into());
        for (name, target, low, high) in &t.settings {
            m.insert(target_name(name), (*target).into());
            m.insert(format!("{}_accept", target_name(name)), vec![*low, *high].into());
        }
        m
    };
    crate::say::json(&Printed {
        form: w.form.name(),
        response: &o.response,
        terms: w.form.term_names(),
        criterion: if o.criterion == Aimed::D { "d" } else { "i" },
        seed: o.seed,
        flakes: plan.targets.iter().map(target).collect(),
        criterion_value: plan.chosen.value(),
        starts_agreeing: plan.chosen.starts_agreeing(),
        starts: STARTS.0,
        share_of_bound: plan.bound,
        against_even_grid: &plan.even,
        kept_within_tolerance: plan.tolerance,
        spread: &w.spread,
        existing: w.existing.as_ref().map(|e| ExistingTold {
            used: e.used,
            left_out: e.left_out,
            worth_well_placed: plan.worth,
            undetermined: &plan.undetermined,
        }),
        level: w.level,
        difference: w.difference.map(|d| d.0),
        curve: &plan.curve,
        at: w.at.iter().map(|a| a.0.as_str()).collect(),
        cautions: notes(w, plan),
    })
}
