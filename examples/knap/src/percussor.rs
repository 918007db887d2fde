//! `knap percussor`: what struck the flakes of a table, as far as they tell.

use crate::blow::calibration;
use crate::failure::{Failure, Outcome, Whose};
use crate::report::{Page, RowFormat, count, wrapped};
use crate::tables::{self, Progress, Sink, Twice};
use crate::taken::{TakenIn, named_number, read};
use clap::Args;
use conchoid::calibration::bundled;
use conchoid::infer::{Attribution, BlowSetting, ClassVerdict, SettingsPrior, SiteShift, Strength, Verdict};
use conchoid::infer::{Judged, RecordedOutcome as Tried, TrackRecord};
use conchoid::predict::Caution;
use conchoid::strike::{LandsOn, Measured};
use conchoid::table::{Attributed, KeptRow, Row, Summary, TableAttributions};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Args)]
pub struct Options {
    /// A table of flakes; - reads standard input
    table: String,
    /// What may have struck, classes or materials, with prior weights, such as stone=0.7,organic=0.3; equal ones
    /// unless given
    #[arg(value_name = "WHAT=WEIGHT,...", value_delimiter = ',')]
    prior: Vec<String>,
    /// Column that says which flakes were struck by one percussor; without it the table is one group
    group: Option<String>,
    /// Weigh metal too (copper, soft iron); without it stone is weighed against organic percussors
    #[arg(conflicts_with_all = ["prior", "against"])]
    metal: bool,
    /// Calibration by name, or a file made by `knap fit`; without it the experiment of the rows' stone, flint where none
    /// is recorded
    calibration: Option<String>,
    /// A second calibration to be told from the first, instead of percussors within one
    #[arg(value_name = "NAME|FILE")]
    against: Option<String>,
    /// How much larger flakes of the second experiment would have come off in the first, such as mass_g=1.2
    #[arg(value_name = "SIZE=RATIO", requires = "against")]
    offset: Vec<String>,
    /// How blows were set where rows do not tell: ANGLE,platform|edge,WEIGHT, such as 10,edge,1; may be
    /// repeated; without it as in the experiment
    #[arg(value_name = "DEG,WHERE,WEIGHT", allow_hyphen_values = true)]
    blow: Vec<String>,
    /// Ignore recorded angle of blow and landing place, as if the flakes were artefacts
    hide_blow: bool,
    /// Probability that all blows of a group were set alike
    #[arg(default_value_t = 0.5, value_name = "P")]
    habit: f64,
    /// How far all lengths of a site may differ from the experiment's together: standard deviation of ln (0.24 is
    /// about a quarter)
    #[arg(default_value_t = SiteShift::default().common(), value_name = "SD")]
    site_common: f64,
    /// How far each size may differ on its own: standard deviation of ln
    #[arg(default_value_t = SiteShift::default().own(), value_name = "SD")]
    site_own: f64,
    /// How far terminations and lips may differ: standard deviation of their log odds
    #[arg(default_value_t = SiteShift::default().log_odds(), value_name = "SD")]
    site_log_odds: f64,
    /// Seed of the random draws; the same seed gives the same numbers
    #[arg(default_value_t = 1)]
    seed: u64,
    /// How to print: text and json tell of groups, csv is the table with columns added
    format: RowFormat,
    /// Where the table with its columns added goes, whatever the format
    out: Option<String>,
    #[command(flatten)]
    taken: TakenIn,
}

impl Options {
    fn attribution(&self, source: &Twice) -> Outcome<Attribution> {
        let first = match &self.calibration {
            Some(named) => calibration(Some(named), None)?,
            None => calibration(Some(self.of_the_stone(source)?), None)?,
        };
        let mut a = match &self.against {
            None => Attribution::of(first)?,
            Some(second) => {
                let offset = named_numbers("offset", &self.offset)?;
                let second = calibration(Some(second), None)?;
                Attribution::between(first, second, &offset).asked()?
            }
        };
        if self.metal {
            a = a.with_metal().asked()?;
        }
        if !self.prior.is_empty() {
            let prior = named_numbers("prior", &self.prior)?;
            a = a.with_prior(&prior).asked()?;
        }
        if !self.blow.is_empty() {
            let settings = self.blow.iter().map(|t| blow(t)).collect::<Outcome<Vec<_>>>()?;
            a = a.with_settings(SettingsPrior::new(settings).asked()?);
        }
        let site = SiteShift::new(self.site_common, self.site_own, self.site_log_odds);
        a = a.with_site(site.asked()?);
        a = a.with_habit(self.habit).asked()?;
        Ok(if self.hide_blow { a.hiding_blow() } else { a })
    }

    /// The experiment of the stone that most rows record; others are told of.
    fn of_the_stone(&self, source: &Twice) -> Outcome<&'static str> {
        let table = source.open(&self.taken.options(None, &[])?)?;
        let stone = |row: &Row, _: &str| Measured::class(row, "stone").map(str::to_string);
        let stones = tables::entries(table, &self.table, "stone", stone)?;
        let answers = bundled::experiment_for(stones.first().map(|s| s.0.as_str()));
        let others = stones.iter().map(|s| s.0.as_str());
        let others: Vec<&str> = others.filter(|s| bundled::experiment_for(Some(s)) != answers).collect();
        if !others.is_empty() {
            let list = others.join(", ");
            note!("knap: {list} is judged by {answers} too; judge it apart with --where stone={}", others[0]);
        }
        Ok(answers)
    }

    /// Every answer starts from the same seed, so that it does not depend on the other rows.
    fn rng(&self) -> ChaCha8Rng {
        ChaCha8Rng::seed_from_u64(self.seed)
    }
}

fn named_numbers(option: &str, texts: &[String]) -> Outcome<Vec<(String, f64)>> {
    texts.iter().map(|text| named_number(option, text, "NAME=NUMBER")).collect()
}

fn blow(text: &str) -> Outcome<BlowSetting> {
    let parts: Vec<&str> = text.split(',').map(str::trim).collect();
    let [angle, lands, weight] = parts[..] else {
        let e = format!("--blow {text}: write ANGLE,platform|edge,WEIGHT, such as 10,edge,1");
        return Err(Failure::usage(e));
    };
    let number = |t: &str| read("blow", text, t);
    Ok(BlowSetting {
        angle_of_blow_deg: Some(number(angle)?),
        lands_on: Some(lands.parse::<LandsOn>().asked()?),
        weight: number(weight)?,
    })
}

pub fn run(o: &Options) -> Outcome<u8> {
    let source = Twice::of(&o.table)?;
    let attribution = o.attribution(&source)?;
    let calibrations: Vec<_> = attribution.calibrations().cloned().collect();
    let more: Vec<String> = calibrations[1..].iter().flat_map(|c| c.layout().numbers.clone()).collect();
    let options = o.taken.options(Some(&calibrations[0]), &more)?;
    let table = source.open(&options)?;
    tables::told(table.header());
    let unknown = |name: &String| tables::unknown(table.header(), "--group", name);
    let place = |name: &String| table.header().position(name).ok_or_else(|| unknown(name));
    let group = o.group.as_ref().map(place).transpose()?;
    let one_by_one = TableAttributions::new(&attribution, table.header(), group, || o.rng());
    let progress = Progress::new("judging");
    let mut found = Found::new(&attribution, group.is_some());
    let done = |rows: u64| progress.at(rows);
    // without a table to be written the rows are only counted
    let summary = if o.out.is_some() || o.format == RowFormat::Csv {
        let sink = Sink::open(o.out.as_deref())?;
        let (sink, summary) =
            one_by_one.write(table, sink, done, |row| found.take(row)).of_table(&o.table)?;
        sink.finish()?;
        summary
    } else {
        one_by_one.write(table, std::io::sink(), done, |row| found.take(row)).of_table(&o.table)?.1
    };
    progress.finish();
    let groups = found.groups(&attribution, o)?;
    match o.format {
        RowFormat::Text => text(&attribution, &summary, &found, &groups, o).show()?,
        RowFormat::Json => print_json(&attribution, &summary, &groups)?,
        RowFormat::Csv => crate::say::aside(text(&attribution, &summary, &found, &groups, o).0.trim_end()),
    }
    for line in summary.intake().to_string().lines() {
        note!("  {line}");
    }
    for line in summary.refusals().lines(8) {
        note!("{}", wrapped(&format!("refused, {line}"), "  ", "      ", 108));
    }
    Ok(if summary.tally().refused() > 0 { 3 } else { 0 })
}

/// What the rows answered say, one by one, and the members of each group.
struct Found {
    by_group: bool,
    /// By class: rows more like it, and those of them that say so by 20 to 1 or more.
    favours: Vec<(u64, u64)>,
    little: u64,
    members: Vec<(Option<String>, Vec<KeptRow>)>,
}

impl Found {
    fn new(a: &Attribution, by_group: bool) -> Found {
        let favours = vec![(0, 0); a.prior().count()];
        Found { by_group, favours, little: 0, members: Vec::new() }
    }

    fn take(&mut self, row: Attributed) -> conchoid::Result<()> {
        if let Some((all, telling)) = self.favours.get_mut(row.favours) {
            *all += 1;
            *telling += u64::from(row.strength >= Strength::Speaks);
        }
        self.little += u64::from(row.strength.name() == "says-little");
        if self.by_group && row.group.is_none() {
            return Ok(());
        }
        match self.members.iter_mut().find(|(name, _)| *name == row.group) {
            Some((_, list)) => list.push(row.row),
            None => self.members.push((row.group, vec![row.row])),
        }
        Ok(())
    }

    fn groups(&self, a: &Attribution, o: &Options) -> Outcome<Vec<Group>> {
        let mut found = Vec::new();
        for (name, list) in &self.members {
            let verdict = a.attribute(list, &mut o.rng())?;
            let mut recorded = BTreeMap::new();
            for p in list.iter().filter_map(|row| row.class("percussor")) {
                *recorded.entry(p.to_string()).or_insert(0) += 1;
            }
            found.push(Group { name: name.clone(), verdict, recorded });
        }
        Ok(found)
    }
}

/// A group with its name, none for the whole table.
struct Group {
    name: Option<String>,
    verdict: Verdict,
    /// Recorded percussors with their counts.
    recorded: BTreeMap<String, u64>,
}

/// How the answers were got, in one paragraph.
fn basis(a: &Attribution, o: &Options) -> String {
    let names: Vec<&str> = a.calibrations().map(|c| c.name()).collect();
    let site = a.site();
    let blow = match (o.blow.is_empty(), o.hide_blow) {
        (true, true) => "Angle of blow and landing place are averaged as the experiment's flakes were struck",
        (true, false) => {
            "Angle of blow and landing place, where a row does not tell, are averaged as the experiment's \
             flakes were struck"
        }
        (false, _) => "Angle of blow and landing place, where a row does not tell, are averaged as given",
    };
    let ends = if a.knows_terminations() {
        ""
    } else {
        " Terminations are left out: the calibration has no model of them."
    };
    let lips = match a.lip() {
        Some(_) => "",
        None => " Lips are left out: no model of them goes with the calibration.",
    };
    format!(
        "From {}. {blow}, the same for every class. A site may differ from the experiment (standard deviations \
         in ln: {} of all lengths together, {} of each size; {} in the log odds of lips and terminations); all \
         flakes of a group share that, and what is uncertain in the experiment.{ends}{lips}",
        names.join(" against "),
        site.common(),
        site.own(),
        site.log_odds()
    )
}

fn text(a: &Attribution, summary: &Summary, found: &Found, groups: &[Group], o: &Options) -> Page {
    let mut page = Page::default();
    let tally = summary.tally();
    let answered = tally.read() + tally.remarked();
    let rows = count(tally.rows(), "row", "rows");
    page.line(format!("{rows}: {answered} answered, {} refused", tally.refused()));
    if answered > 1 {
        page.line("\nOne by one:");
        for ((class, _), (all, telling)) in a.prior().zip(&found.favours) {
            page.line(format!("  {all} more like {class}; {telling} by 20 to 1 or more"));
        }
        page.line(format!("  {} of {answered} say little on their own (less than 3 to 1)", found.little));
    }
    for g in groups {
        let name = match &g.name {
            Some(n) => format!("{}: ", crate::say::name(n)),
            None if g.verdict.flakes > 1 => "All together, if one percussor struck them: ".to_string(),
            None => String::new(),
        };
        let (sentence, lips) = (going_on(&g.verdict.sentence(), name.is_empty()), g.verdict.lips);
        let flakes = count(g.verdict.flakes as u64, "flake", "flakes");
        let mut told = format!("{name}{sentence}. Used beside the sizes: lips of {lips} of {flakes}");
        if a.knows_terminations() {
            told.push_str(&format!(", terminations of {}", g.verdict.terminations));
        }
        told.push('.');
        if !g.recorded.is_empty() {
            let list: Vec<String> = g.recorded.iter().map(|(p, n)| format!("{p} {n}")).collect();
            told.push_str(&format!(" Recorded: {}.", list.join(", ")));
        }
        let error = g.verdict.integration_error;
        if error > 0.1 {
            told.push_str(&format!(" The integration is rough: standard error {error:.1} of the log odds."));
        }
        page.gap();
        page.under("", "  ", told);
    }
    page.part(basis(a, o));
    if let Some(record) = a.calibrations().next().and_then(|c| TrackRecord::bundled(c.name()))
        && o.against.is_none()
    {
        page.gap();
        honest(&mut page, &record, groups);
    }
    let mut all: Vec<Caution> = Vec::new();
    for c in groups.iter().flat_map(|g| &g.verdict.cautions) {
        if !all.iter().any(|o| o.kind() == c.kind()) {
            all.push(c.clone());
        }
    }
    page.cautions(&[("", &all)]);
    page
}

/// A sentence as it begins a paragraph, or goes on after a colon.
fn going_on(sentence: &str, first: bool) -> String {
    let mut letters = sentence.chars();
    match letters.next() {
        Some(c) if !first => c.to_lowercase().chain(letters).collect(),
        _ => sentence.to_string(),
    }
}

/// How often such answers were right in the experiment itself, for groups like these.
fn honest(page: &mut Page, record: &TrackRecord, groups: &[Group]) {
    let lips = groups.iter().any(|g| g.verdict.lips > 0);
    let judged = Judged { lips, terminations: true, blow_hidden: true };
    let percent = |n: u64, of: u64| 100.0 * n as f64 / of.max(1) as f64;
    if let Some(s) = record.singles(judged) {
        let each = |o: &Tried| format!("{} of {} {}", o.likelier_right, o.count, o.percussor);
        let list: Vec<String> = s.outcomes.iter().map(each).collect();
        page.say(format!(
            "How good this is: single flakes of its own experiment, which it had not seen and whose blows it was \
             not told, went to the right class for {}, with even prior odds. Their log score is {:.2} +/- {:.2} \
             (knowing nothing scores 0.69) and their Brier score {:.2} +/- {:.2} (knowing nothing scores 0.50); \
             smaller is better.",
            list.join(", "),
            s.log_score.value,
            s.log_score.standard_error,
            s.brier.value,
            s.brier.standard_error
        ));
    }
    if let Some(s) = record.singles(Judged { blow_hidden: false, ..judged }) {
        page.say(format!(
            "Told how they were struck, it has a log score of {:.2} +/- {:.2}. Where that is worse, part of the \
             former is owed not to the percussor but to how each was swung in the experiment; a knapper may swing \
             otherwise. Hard tips that land on the edge leave lips too.",
            s.log_score.value, s.log_score.standard_error
        ));
    }
    page.say(format!(
        "Groups struck by one percussor, decided where a class reaches {:.2} (right / wrong, in %; the others \
         stay undecided):",
        record.group_decided
    ));
    for g in record.groups.iter().filter(|g| g.judged == judged) {
        let each = |o: &Tried| {
            if o.count == 0 {
                return format!("{} untried", o.percussor);
            }
            let (right, wrong) = (percent(o.decided_right, o.count), percent(o.decided_wrong, o.count));
            format!("{} {right:>3.0} / {wrong:<2.0}", o.percussor)
        };
        let list: Vec<String> = g.outcomes.iter().map(each).collect();
        let flakes = if g.flakes == 1 { "flake" } else { "flakes" };
        page.line(format!("  {:>2} {flakes:6}  {}", g.flakes, list.join("   ").trim_end()));
    }
}

/// A class of percussors in a verdict.
#[derive(Serialize, JsonSchema)]
struct OfClass<'a> {
    prior: f64,
    probability: f64,
    ln_bayes_factor: f64,
    bayes_factor: f64,
    /// What the class leans on where the experiment did not use it.
    #[serde(skip_serializing_if = "Option::is_none")]
    leans_on: Option<&'a str>,
}

/// What flakes struck by one percussor say of it.
#[derive(Serialize, JsonSchema)]
struct Told<'a> {
    flakes: usize,
    with_termination: usize,
    with_lip: usize,
    classes: BTreeMap<&'a str, OfClass<'a>>,
    favours: &'a str,
    strength: &'static str,
    /// The strongest word that groups left out of the fits have earned.
    earned: &'static str,
    sentence: String,
    integration_error: f64,
    measured_by: &'a str,
    cautions: &'a [Caution],
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    recorded_percussors: &'a BTreeMap<String, u64>,
}

impl<'a> Told<'a> {
    fn of(g: &'a Group) -> Told<'a> {
        let v = &g.verdict;
        let class = |c: &'a ClassVerdict| OfClass {
            prior: c.prior,
            probability: c.probability,
            ln_bayes_factor: c.ln_bayes_factor,
            bayes_factor: c.ln_bayes_factor.exp(),
            leans_on: c.leans_on.as_deref(),
        };
        Told {
            flakes: v.flakes,
            with_termination: v.terminations,
            with_lip: v.lips,
            classes: v.classes.iter().map(|c| (c.class.as_str(), class(c))).collect(),
            favours: &v.favoured().class,
            strength: v.strength().name(),
            earned: v.earned.name(),
            sentence: v.sentence(),
            integration_error: v.integration_error,
            measured_by: &v.variant,
            cautions: &v.cautions,
            recorded_percussors: &g.recorded,
        }
    }
}

/// What is printed as JSON.
#[derive(Serialize, JsonSchema)]
pub struct Printed<'a> {
    rows: u64,
    refused: u64,
    calibrations: Vec<&'a str>,
    /// How blows were set where rows do not tell.
    #[schemars(with = "Vec<serde_json::Value>")]
    settings: &'a SettingsPrior,
    /// How far a site may lie from the experiment.
    #[schemars(with = "serde_json::Value")]
    site_shift: &'a SiteShift,
    terminations_modelled: bool,
    lips_modelled: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    together: Option<Told<'a>>,
    groups: BTreeMap<&'a str, Told<'a>>,
    /// How often such verdicts were right on flakes whose percussor is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<serde_json::Value>")]
    track_record: Option<TrackRecord>,
}

fn print_json(a: &Attribution, summary: &Summary, groups: &[Group]) -> Outcome<()> {
    let named = |g: &'_ Group| g.name.is_some();
    let site = a.site();
    let settings = a.settings();
    crate::say::json(&Printed {
        rows: summary.tally().rows(),
        refused: summary.tally().refused(),
        calibrations: a.calibrations().map(|c| c.name()).collect(),
        settings,
        site_shift: &site,
        terminations_modelled: a.knows_terminations(),
        lips_modelled: a.lip().is_some(),
        together: groups.iter().find(|g| !named(g)).map(Told::of),
        groups: groups.iter().filter_map(|g| Some((g.name.as_deref()?, Told::of(g)))).collect(),
        track_record: a.calibrations().next().and_then(|c| TrackRecord::bundled(c.name())),
    })
}
