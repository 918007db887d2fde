//! `knap percussor`: what struck the flakes of a table, as far as they tell.

use crate::blow::calibration;
use crate::failure::{Failure, Outcome};
use crate::number::number as read;
use crate::report::{Ordered, RowFormat, cautions, count, wrapped};
use crate::tables::{self, Progress, Sink};
use clap::Args;
use conchoid::Error;
use conchoid::infer::{Attribution, BlowSetting, SettingsPrior, SiteShift, Strength, Verdict};
use conchoid::infer::{Judged, RecordedOutcome as Tried, TrackRecord};
use conchoid::predict::Caution;
use conchoid::strike::{LandsOn, Measured};
use conchoid::table::{Cell, Header, Row, TableWriter};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::fmt::Write as _;

pub const EXAMPLES: &str = "\
Examples:
  knap percussor --table flakes.csv --prior stone=0.7,organic=0.3
  knap percussor --table flakes.csv --group layer --out judged.csv
Each row needs platform depth, exterior platform angle and one size at least; termination and lip are used
where they are recorded and the calibration knows them. A group is judged as struck by one percussor.
Exit code 0: every row answered; 3: some refused (they stay in place, with the reason).";

#[derive(Args)]
pub struct Options {
    /// A table of flakes; - reads standard input
    #[arg(long, value_name = "FILE")]
    table: String,
    /// What may have struck, classes or materials, with prior weights, such as stone=0.7,organic=0.3; equal ones
    /// unless given
    #[arg(long, value_name = "WHAT=WEIGHT,...", value_delimiter = ',')]
    prior: Vec<String>,
    /// Column that says which flakes were struck by one percussor; without it the table is one group
    #[arg(long, value_name = "COLUMN")]
    group: Option<String>,
    /// Calibration by name, or a file made by `knap fit`
    #[arg(long, value_name = "NAME|FILE", default_value = "controlled-glass")]
    calibration: String,
    /// A second calibration to be told from the first, instead of percussors within one
    #[arg(long, value_name = "NAME|FILE")]
    against: Option<String>,
    /// How much larger flakes of the second experiment would have come off in the first, such as mass_g=1.2
    #[arg(long, value_name = "SIZE=RATIO", requires = "against")]
    offset: Vec<String>,
    /// How blows were set where rows do not tell: ANGLE,platform|edge,WEIGHT, such as 10,edge,1; may be
    /// repeated; without it as in the experiment
    #[arg(long, value_name = "DEG,WHERE,WEIGHT", allow_hyphen_values = true)]
    blow: Vec<String>,
    /// Ignore recorded angle of blow and landing place, as if the flakes were artefacts
    #[arg(long)]
    hide_blow: bool,
    /// Probability that all blows of a group were set alike
    #[arg(long, default_value_t = 0.5, value_name = "P", allow_negative_numbers = true)]
    habit: f64,
    /// How far all lengths of a site may differ from the experiment's together: standard deviation of ln (0.2 is
    /// about 20 %)
    #[arg(long, default_value_t = SiteShift::default().common(), value_name = "SD", allow_negative_numbers = true)]
    site_common: f64,
    /// How far each size may differ on its own: standard deviation of ln
    #[arg(long, default_value_t = SiteShift::default().own(), value_name = "SD", allow_negative_numbers = true)]
    site_own: f64,
    /// How far terminations and lips may differ: standard deviation of their log odds
    #[arg(long, default_value_t = SiteShift::default().log_odds(), value_name = "SD", allow_negative_numbers = true)]
    site_log_odds: f64,
    /// Seed of the random draws; the same seed gives the same numbers
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// How to print: text and json tell of groups, csv is the table with columns added
    #[arg(long, value_enum, default_value = "text")]
    format: RowFormat,
    /// Where the table with its columns added goes, whatever the format
    #[arg(long, value_name = "FILE")]
    out: Option<String>,
    /// A column of the table with another name: theirs=ours
    #[arg(long = "column", value_name = "THEIRS=OURS")]
    columns: Vec<String>,
}

/// `name=number` as a pair.
fn pair(option: &str, text: &str) -> Outcome<(String, f64)> {
    let wrong = || Failure::usage(format!("--{option} {text}: write NAME=NUMBER"));
    let (name, number) = text.split_once('=').ok_or_else(wrong)?;
    let number = read(number).map_err(|e| Failure::usage(format!("--{option} {text}: {e}")))?;
    Ok((name.trim().to_string(), number))
}

impl Options {
    fn attribution(&self) -> Outcome<Attribution> {
        let first = calibration(Some(&self.calibration), None)?;
        let mut a = match &self.against {
            None => Attribution::of(first)?,
            Some(second) => {
                let offset = self.offset.iter().map(|t| pair("offset", t)).collect::<Outcome<Vec<_>>>()?;
                let second = calibration(Some(second), None)?;
                Attribution::between(first, second, &offset).map_err(Failure::of_options)?
            }
        };
        if !self.prior.is_empty() {
            let prior = self.prior.iter().map(|t| pair("prior", t)).collect::<Outcome<Vec<_>>>()?;
            a = a.with_prior(&prior).map_err(Failure::of_options)?;
        }
        if !self.blow.is_empty() {
            let settings = self.blow.iter().map(|t| blow(t)).collect::<Outcome<Vec<_>>>()?;
            a = a.with_settings(SettingsPrior::new(settings).map_err(Failure::of_options)?);
        }
        let site = SiteShift::new(self.site_common, self.site_own, self.site_log_odds);
        a = a.with_site(site.map_err(Failure::of_options)?);
        a = a.with_habit(self.habit).map_err(Failure::of_options)?;
        Ok(if self.hide_blow { a.hiding_blow() } else { a })
    }

    /// Every answer starts from the same seed, so that it does not depend on the other rows.
    fn rng(&self) -> ChaCha8Rng {
        ChaCha8Rng::seed_from_u64(self.seed)
    }
}

fn blow(text: &str) -> Outcome<BlowSetting> {
    let parts: Vec<&str> = text.split(',').map(str::trim).collect();
    let [angle, lands, weight] = parts[..] else {
        let e = format!("--blow {text}: write ANGLE,platform|edge,WEIGHT, such as 10,edge,1");
        return Err(Failure::usage(e));
    };
    let number = |t: &str| read(t).map_err(|e| Failure::usage(format!("--blow {text}: {e}")));
    Ok(BlowSetting {
        angle_of_blow_deg: Some(number(angle)?),
        lands_on: Some(lands.parse::<LandsOn>().map_err(Failure::of_options)?),
        weight: number(weight)?,
    })
}

/// A row that was read, and why it is not answered where that is so.
type Judgement = Result<Verdict, Vec<Error>>;

pub fn run(o: &Options) -> Outcome<u8> {
    let attribution = o.attribution()?;
    let mut judged = OneByOne::default();
    // rows that are answered are judged together; the others are told as they come, and gone
    let mut rows: Vec<Row> = Vec::new();
    let calibrations: Vec<_> = attribution.calibrations().cloned().collect();
    let more: Vec<String> = calibrations[1..].iter().flat_map(|c| c.layout().numbers.clone()).collect();
    let options = tables::options(&o.columns, Some(&calibrations[0]), &more)?;
    let mut reader = tables::open(&o.table, &options)?;
    for remark in reader.header().remarks() {
        note!("knap: {remark}");
    }
    let group = match &o.group {
        None => None,
        Some(name) => Some(reader.header().position(name).ok_or_else(|| {
            let names: Vec<&str> = reader.header().names().collect();
            Failure::usage(Error::unknown_name("--group", name, names).to_string())
        })?),
    };
    let table = o.out.is_some() || o.format == RowFormat::Csv;
    let mut sheet = table.then(|| Sheet::open(&attribution, reader.header(), o)).transpose()?;
    let progress = Progress::new("judging");
    let mut row = reader.row();
    while reader.read(&mut row).map_err(|e| Failure::other(format!("{}: {e}", o.table)))? {
        progress.tick(row.row_number());
        let found = judge(&attribution, &row, o)?;
        judged.take(&found);
        if let Some(sheet) = &mut sheet {
            sheet.write(&row, &found)?;
        }
        if found.is_ok() {
            rows.push(row.clone());
        }
    }
    progress.finish();
    let groups = groups(&attribution, &rows, group, o)?;
    if let Some(sheet) = sheet {
        sheet.writer.finish()?.finish()?;
    }
    match o.format {
        RowFormat::Text => std::io::Write::write_all(
            &mut crate::say::screen(),
            text(&attribution, &judged, &groups, o).as_bytes(),
        )?,
        RowFormat::Json => json(&attribution, &judged, &groups).print()?,
        RowFormat::Csv => crate::say::aside(text(&attribution, &judged, &groups, o).trim_end()),
    }
    for e in &judged.reasons {
        note!("  refused: {e}");
    }
    Ok(if judged.refused == 0 { 0 } else { 3 })
}

/// What was found of each row on its own, counted: a table may be longer than what is told of it.
#[derive(Default)]
struct OneByOne {
    rows: u64,
    refused: u64,
    /// The first reasons.
    reasons: Vec<Error>,
    /// Rows that are more like a class, and those that say so by 20 to 1 or more.
    favoured: BTreeMap<String, (u64, u64)>,
    little: u64,
}

impl OneByOne {
    fn take(&mut self, found: &Judgement) {
        self.rows += 1;
        match found {
            Ok(v) => {
                let (all, telling) = self.favoured.entry(v.favoured().class.clone()).or_default();
                *all += 1;
                *telling += u64::from(v.strength() >= Strength::Speaks);
                self.little += u64::from(v.strength().name() == "says-little");
            }
            Err(reasons) => {
                self.refused += 1;
                let room = 10usize.saturating_sub(self.reasons.len());
                self.reasons.extend(reasons.iter().take(room).cloned());
            }
        }
    }
}

fn judge(a: &Attribution, row: &Row, o: &Options) -> Outcome<Judgement> {
    if let Some(e) = row.refused() {
        return Ok(Err(vec![e.clone()]));
    }
    match a.check(row).and_then(|()| a.attribute(&[row], &mut o.rng())) {
        Ok(v) => Ok(Ok(v)),
        Err(e) => {
            // a bad cell is the reason, before what is missing because of it
            let column = e.place().and_then(|p| p.column.clone());
            let bad = column.and_then(|c| row.header().column(&c)).and_then(|id| row.problem(id));
            Ok(Err(vec![bad.cloned().unwrap_or_else(|| e.in_row(row.row_number()))]))
        }
    }
}

/// A group with its name, none for the whole table.
struct Group {
    name: Option<String>,
    verdict: Verdict,
    /// Recorded percussors with their counts.
    recorded: BTreeMap<String, u64>,
}

fn groups(a: &Attribution, rows: &[Row], column: Option<usize>, o: &Options) -> Outcome<Vec<Group>> {
    let mut members: Vec<(Option<String>, Vec<&Row>)> = Vec::new();
    for row in rows {
        let name = match column {
            None => None,
            Some(at) => match row.text(at) {
                Some(text) => Some(text.to_string()),
                None => continue,
            },
        };
        match members.iter_mut().find(|(n, _)| *n == name) {
            Some((_, list)) => list.push(row),
            None => members.push((name, vec![row])),
        }
    }
    let mut found = Vec::new();
    for (name, list) in members {
        let verdict = a.attribute(&list, &mut o.rng())?;
        let mut recorded = BTreeMap::new();
        for row in &list {
            if let Some(p) = row.class("percussor") {
                *recorded.entry(p.to_string()).or_insert(0) += 1;
            }
        }
        found.push(Group { name, verdict, recorded });
    }
    Ok(found)
}

/// The table with its verdicts, written row by row.
struct Sheet {
    writer: TableWriter<Sink>,
    classes: usize,
}

impl Sheet {
    fn open(a: &Attribution, header: &Header, o: &Options) -> Outcome<Sheet> {
        let mut names: Vec<String> =
            a.prior().map(|(c, _)| format!("percussor_probability_{}", c.replace('-', "_"))).collect();
        let classes = names.len();
        names.extend(
            ["percussor_ln_bayes_factor", "percussor_favours", "percussor_strength", "percussor_cautions"]
                .map(String::from),
        );
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        Ok(Sheet { writer: TableWriter::new(Sink::open(o.out.as_deref())?, header, &names)?, classes })
    }

    fn write(&mut self, row: &Row, found: &Judgement) -> Outcome<()> {
        let list = |all: Vec<String>| all.join("; ");
        match found {
            Ok(v) => {
                let told = list(v.cautions.iter().map(Caution::to_string).collect());
                let mut cells: Vec<Cell> = v.classes.iter().map(|c| Cell::Number(c.probability)).collect();
                cells.extend([
                    Cell::Number(v.favoured().ln_bayes_factor),
                    Cell::Text(&v.favoured().class),
                    Cell::Text(v.strength().name()),
                    Cell::Text(&told),
                ]);
                Ok(self.writer.write(row, &cells)?)
            }
            Err(reasons) => {
                let refused = format!("refused: {}", list(reasons.iter().map(Error::to_string).collect()));
                let mut cells = vec![Cell::Blank; self.classes + 3];
                cells.push(Cell::Text(&refused));
                Ok(self.writer.write(row, &cells)?)
            }
        }
    }
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

fn text(a: &Attribution, judged: &OneByOne, groups: &[Group], o: &Options) -> String {
    let mut out = String::new();
    let answered = judged.rows - judged.refused;
    let rows = count(judged.rows, "row", "rows");
    let _ = writeln!(out, "{rows}: {answered} answered, {} refused", judged.refused);
    if answered > 1 {
        let _ = writeln!(out, "\nOne by one:");
        for (class, _) in a.prior() {
            let (all, telling) = judged.favoured.get(class).copied().unwrap_or_default();
            let _ = writeln!(out, "  {all} more like {class}; {telling} by 20 to 1 or more");
        }
        let little = judged.little;
        let _ = writeln!(out, "  {little} of {answered} say little on their own (less than 3 to 1)");
    }
    for g in groups {
        let name = match &g.name {
            Some(n) => format!("{}: ", crate::say::name(n)),
            None if g.verdict.flakes > 1 => "All together, if one percussor struck them: ".to_string(),
            None => String::new(),
        };
        let mut told = format!("{name}{}.", begun(&g.verdict.sentence(), name.is_empty()));
        let lips = g.verdict.lips;
        let flakes = count(g.verdict.flakes as u64, "flake", "flakes");
        let _ = write!(told, " Used beside the sizes: lips of {lips} of {flakes}");
        if a.knows_terminations() {
            let _ = write!(told, ", terminations of {}", g.verdict.terminations);
        }
        told.push('.');
        if !g.recorded.is_empty() {
            let list: Vec<String> = g.recorded.iter().map(|(p, n)| format!("{p} {n}")).collect();
            let _ = write!(told, " Recorded: {}.", list.join(", "));
        }
        if g.verdict.integration_error > 0.1 {
            let _ = write!(
                told,
                " The integration is rough: standard error {:.1} of the log odds.",
                g.verdict.integration_error
            );
        }
        let _ = writeln!(out, "\n{}", wrapped(&told, "", "  ", 79));
    }
    let _ = writeln!(out, "\n{}", wrapped(&basis(a, o), "", "", 79));
    if let Some(record) = a.calibrations().next().and_then(|c| TrackRecord::bundled(c.name()))
        && o.against.is_none()
    {
        let _ = write!(out, "\n{}", honest(&record, groups));
    }
    let mut all: Vec<Caution> = Vec::new();
    for c in groups.iter().flat_map(|g| &g.verdict.cautions) {
        if !all.iter().any(|o| o.kind() == c.kind()) {
            all.push(c.clone());
        }
    }
    out.push_str(&cautions(&all));
    out
}

/// A sentence as it begins a paragraph, or goes on after a colon.
fn begun(sentence: &str, first: bool) -> String {
    let mut letters = sentence.chars();
    match letters.next() {
        Some(c) if !first => c.to_lowercase().chain(letters).collect(),
        _ => sentence.to_string(),
    }
}

/// How often such answers were right in the experiment itself, for groups like these.
fn honest(record: &TrackRecord, groups: &[Group]) -> String {
    let lips = groups.iter().any(|g| g.verdict.lips > 0);
    let judged = Judged { lips, terminations: true, blow_hidden: true };
    let mut out = String::new();
    let percent = |n: u64, of: u64| 100.0 * n as f64 / of.max(1) as f64;
    if let Some(s) = record.singles(judged) {
        let each = |o: &Tried| format!("{} of {} {}", o.likelier_right, o.count, o.percussor);
        let list: Vec<String> = s.outcomes.iter().map(each).collect();
        let told = format!(
            "How good this is: single flakes of its own experiment, which it had not seen and whose blows it was \
             not told, went to the right class for {}, with even prior odds. Their log score is {:.2} +/- {:.2} \
             (knowing nothing scores 0.69) and their Brier score {:.2} +/- {:.2} (knowing nothing scores 0.50); \
             smaller is better.",
            list.join(", "),
            s.log_score.mean,
            s.log_score.standard_error,
            s.brier.mean,
            s.brier.standard_error
        );
        let _ = writeln!(out, "{}", wrapped(&told, "", "", 79));
    }
    if let Some(s) = record.singles(Judged { blow_hidden: false, ..judged }) {
        let told = format!(
            "Told how they were struck, it has a log score of {:.2} +/- {:.2}. Where that is worse, part of the \
             former is owed not to the percussor but to how each was swung in the experiment; a knapper may swing \
             otherwise. Hard tips that land on the edge leave lips too.",
            s.log_score.mean, s.log_score.standard_error
        );
        let _ = writeln!(out, "{}", wrapped(&told, "", "", 79));
    }
    let told = format!(
        "Groups struck by one percussor, decided where a class reaches {:.2} (right / wrong, in %; the others \
         stay undecided):",
        record.group_decided
    );
    let _ = writeln!(out, "{}", wrapped(&told, "", "", 79));
    for g in record.groups.iter().filter(|g| g.judged == judged) {
        let each = |o: &Tried| {
            if o.count == 0 {
                return format!("{} untried", o.percussor);
            }
            let (right, wrong) = (percent(o.decided_right, o.count), percent(o.decided_wrong, o.count));
            format!("{} {right:>3.0} / {wrong:<2.0}", o.percussor)
        };
        let list: Vec<String> = g.outcomes.iter().map(each).collect();
        let _ = writeln!(
            out,
            "  {:>2} {:6}  {}",
            g.flakes,
            if g.flakes == 1 { "flake" } else { "flakes" },
            list.join("   ").trim_end()
        );
    }
    out
}

fn verdict_json(v: &Verdict) -> Ordered {
    let mut out = Ordered::default();
    out.put("flakes", v.flakes).put("with_termination", v.terminations).put("with_lip", v.lips);
    let mut classes = Ordered::default();
    for c in &v.classes {
        let mut one = Ordered::default();
        one.put("prior", c.prior).put("probability", c.probability);
        one.put("ln_bayes_factor", c.ln_bayes_factor).put("bayes_factor", c.ln_bayes_factor.exp());
        if let Some(l) = &c.leans_on {
            one.put("leans_on", l);
        }
        classes.nest(&c.class, one);
    }
    out.nest("classes", classes);
    out.put("favours", &v.favoured().class).put("strength", v.strength().name());
    out.put("sentence", v.sentence()).put("integration_error", v.integration_error);
    out.put("measured_by", &v.variant).put("cautions", &v.cautions);
    out
}

fn json(a: &Attribution, judged: &OneByOne, groups: &[Group]) -> Ordered {
    let mut out = Ordered::default();
    let names: Vec<&str> = a.calibrations().map(|c| c.name()).collect();
    out.put("rows", judged.rows).put("refused", judged.refused).put("calibrations", names);
    out.put("settings", a.settings()).put("site_shift", a.site());
    out.put("terminations_modelled", a.knows_terminations()).put("lips_modelled", a.lip().is_some());
    let mut all = Ordered::default();
    for g in groups {
        let mut one = verdict_json(&g.verdict);
        if !g.recorded.is_empty() {
            one.put("recorded_percussors", &g.recorded);
        }
        match &g.name {
            Some(name) => {
                all.nest(name, one);
            }
            None => {
                out.nest("together", one);
            }
        }
    }
    out.nest("groups", all);
    if let Some(record) = a.calibrations().next().and_then(|c| TrackRecord::bundled(c.name())) {
        out.put("track_record", record);
    }
    out
}
