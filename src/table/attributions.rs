//! A table of flakes in, the same table with what struck them out, on all threads with the feature `parallel`; and
//! what is kept of the rows answered, to judge groups of them.

use super::kept::{Keeper, KeptRow};
use super::read::TableReader;
use super::row::Row;
use super::rows::{self, Answers};
use super::summary::Summary;
use super::write::Line;
use crate::calibration::caution::Doubt;
use crate::error::{Error, Result, counted};
use crate::infer::attribution::{Attribution, BlowSetting, SiteShift, Strength, Verdict};
use crate::infer::track_record::TrackRecord;
use crate::page::{Page, name};
use crate::predict::Caution;
use crate::threads;
use rand::Rng;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};
use std::fmt;
use std::io::{Read, Write};

/// What struck each flake of a table, one by one.
///
/// The columns added are the probability of each class, the Bayes factor of the one favoured, its name, in words how
/// much it says, and the cautions; a row without an answer keeps its place, with the reason under the last.
pub struct TableAttributions<'a> {
    attribution: &'a Attribution,
    /// Standard normal numbers for every answer.
    normals: nalgebra::DMatrix<f64>,
    group: Option<usize>,
    keeper: Keeper,
}

/// What is seen of a row.
pub struct Attributed {
    /// What stands in the column of groups, if there is one.
    group: Option<String>,
    /// Where it was answered.
    answered: Option<Told>,
}

/// A row that was answered.
struct Told {
    row: KeptRow,
    /// The class favoured, by its place, and how much is said for it.
    favours: usize,
    strength: Strength,
    telling: bool,
}

/// The group of rows whose group is blank.
const NO_GROUP: &str = "not recorded";

/// What a table of flakes says of what struck them: row by row, and in groups. It is serialised whole, and told in words by
/// `to_string` (`{:79}` breaks its paragraphs at 79 characters), but for its [cautions](Attributions::cautions).
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Attributions {
    rows: u64,
    refused: u64,
    calibrations: Vec<String>,
    /// How blows were set where rows do not tell.
    #[cfg_attr(feature = "schema", schemars(with = "Vec<serde_json::Value>"))]
    settings: Vec<BlowSetting>,
    /// How far a site may lie from the experiment.
    #[cfg_attr(feature = "schema", schemars(with = "serde_json::Value"))]
    site_shift: SiteShift,
    terminations_modelled: bool,
    lips_modelled: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    together: Option<Verdict>,
    groups: BTreeMap<String, Verdict>,
    /// Rows of each group that were refused; a group of which no row was answered stands here alone.
    refused_by_group: BTreeMap<String, u64>,
    /// How often such verdicts were right on flakes whose percussor is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<serde_json::Value>"))]
    track_record: Option<TrackRecord>,
    #[serde(skip)]
    seen: Seen,
    #[serde(skip)]
    summary: Summary,
    /// The groups in the order of the table.
    #[serde(skip)]
    order: Vec<String>,
    #[serde(skip)]
    basis: &'static str,
}

/// What the rows answered say one by one, and the members of each group.
#[derive(Debug, Clone, Default)]
struct Seen {
    /// By class: rows more like it, and those of them that say so by 20 to 1 or more.
    favours: Vec<(String, u64, u64)>,
    little: u64,
    /// Where the members of a group stand.
    places: HashMap<Option<String>, usize>,
    members: Vec<Members>,
}

/// The rows of a group: those answered, how many of them are more like each class, and how many were refused.
#[derive(Debug, Clone)]
struct Members {
    name: Option<String>,
    answered: Vec<KeptRow>,
    favours: Vec<u64>,
    refused: u64,
}

impl Seen {
    fn take(&mut self, row: Attributed) {
        let at = *self.places.entry(row.group).or_insert_with_key(|name| {
            let favours = vec![0; self.favours.len()];
            self.members.push(Members { name: name.clone(), answered: Vec::new(), favours, refused: 0 });
            self.members.len() - 1
        });
        let group = &mut self.members[at];
        let Some(told) = row.answered else {
            group.refused += 1;
            return;
        };
        if let Some((_, all, telling)) = self.favours.get_mut(told.favours) {
            *all += 1;
            *telling += u64::from(told.telling);
            group.favours[told.favours] += 1;
        }
        self.little += u64::from(told.strength == Strength::SaysLittle);
        group.answered.push(told.row);
    }
}

impl Members {
    /// What the rows answered say together, and whether few of them say so one by one.
    fn weigh(&self, a: &Attribution, normals: &nalgebra::DMatrix<f64>) -> Result<Verdict> {
        let mut verdict = a.weigh(&self.answered, normals)?;
        let class = verdict.favours.clone();
        let alike =
            verdict.classes.iter().zip(&self.favours).find(|(c, _)| c.class == class).map_or(0, |(_, n)| *n);
        let of = self.answered.len() as u64;
        if verdict.strength >= Strength::Leans && 2 * alike < of {
            verdict.cautions.insert(0, Doubt::GroupAgainstFlakes { class, alike, of }.into());
        }
        Ok(verdict)
    }
}

impl<'a> TableAttributions<'a> {
    /// By an attribution; what is drawn from `rng` serves for every row and group, so that an answer does not
    /// depend on the other rows. `group` is the place of a column in the table ([`Header::position`](super::Header::position)).
    pub fn new<R: Rng + ?Sized>(
        attribution: &'a Attribution,
        header: &super::Header,
        group: Option<usize>,
        rng: &mut R,
    ) -> TableAttributions<'a> {
        let own = ["percussor", "termination", "lip", "portion", "retouched", "platform_kind"];
        let layouts = || attribution.calibrations().map(|c| c.layout());
        let sizes = attribution.calibrations().flat_map(|c| c.variants()).flat_map(|v| &v.sizes);
        let mut names: Vec<&str> = layouts().flat_map(|l| l.numbers.iter()).map(String::as_str).collect();
        names.extend(layouts().flat_map(|l| &l.classes).map(|c| c.name.as_str()));
        names.extend(sizes.flat_map(|s| [s.size.as_str(), s.column.as_str()]));
        names.extend(own);
        let keeper = Keeper::new(header, &names);
        TableAttributions { attribution, normals: attribution.normals(rng), group, keeper }
    }

    /// Reads the table to its end, writes it with the answers of its rows, and gives what they say together, by group;
    /// `progress` is told the rows written so far.
    ///
    /// # Errors
    /// As [`TableEstimates::write`](super::TableEstimates::write).
    pub fn write<R: Read, W: Write>(
        &self,
        table: TableReader<R>,
        writer: W,
        progress: impl FnMut(u64),
    ) -> Result<(W, Attributions)> {
        let a = self.attribution;
        let favours = a.prior().map(|(class, _)| (class.to_string(), 0, 0)).collect();
        let mut seen = Seen { favours, ..Seen::default() };
        let take = |row| {
            seen.take(row);
            Ok(())
        };
        let (writer, summary) = rows::write(self, table, writer, progress, take)?;
        let (mut together, mut groups, mut order) = (None, BTreeMap::new(), Vec::new());
        let mut refused_by_group = BTreeMap::new();
        let members = std::mem::take(&mut seen.members);
        for group in &members {
            if let Some(name) = &group.name {
                order.push(name.clone());
                refused_by_group.extend((group.refused > 0).then(|| (name.clone(), group.refused)));
            }
        }
        let answered = members.into_iter().filter(|group| !group.answered.is_empty()).collect();
        let judged = threads::each(answered, |group: Members| (group.weigh(a, &self.normals), group.name));
        for (verdict, name) in judged {
            match name {
                None => together = Some(verdict?),
                Some(name) => drop(groups.insert(name, verdict?)),
            }
        }
        let found = Attributions {
            rows: summary.rows(),
            refused: summary.refused_rows(),
            calibrations: a.calibrations().map(|c| c.name().to_string()).collect(),
            settings: a.settings.clone(),
            site_shift: a.site,
            terminations_modelled: a.knows_terminations(),
            lips_modelled: a.lip.is_some(),
            together,
            groups,
            refused_by_group,
            track_record: a.record.clone(),
            seen,
            summary,
            order,
            basis: a.of_blows(),
        };
        Ok((writer, found))
    }

    /// The group of a row, where rows are grouped.
    fn group_of(&self, row: &Row) -> Option<String> {
        Some(row.text(self.group?).unwrap_or(NO_GROUP).to_string())
    }

    /// The answer for a row, or why there is none.
    fn judge(&self, row: &Row) -> std::result::Result<Verdict, Error> {
        if let Some(e) = row.refused() {
            return Err(e.clone());
        }
        let a = self.attribution;
        a.weigh(&[row], &self.normals).map_err(|e| {
            // a bad cell is the reason, before what is missing because of it
            let bad = row.bad(e.place().and_then(|at| at.column.as_ref())).pop();
            bad.unwrap_or_else(|| e.in_row(row.row_number()))
        })
    }
}

impl Answers for TableAttributions<'_> {
    type Seen = Attributed;

    fn columns(&self) -> Vec<String> {
        let classes = self.attribution.prior().map(|(c, _)| c.replace('-', "_"));
        let mut names: Vec<String> = classes.map(|c| format!("percussor_probability_{c}")).collect();
        let rest = ["ln_bayes_factor", "favours", "strength", "cautions"];
        names.extend(rest.map(|n| format!("percussor_{n}")));
        names
    }

    fn answer(&self, row: &Row, out: &mut Line, summary: &mut Summary) -> Result<Option<Attributed>> {
        match self.judge(row) {
            Ok(v) => {
                out.row(row);
                let favoured = v.favoured();
                v.classes.iter().for_each(|c| out.rounded(Some(c.probability)));
                out.rounded(Some(favoured.ln_bayes_factor));
                out.text(&v.favours);
                out.text(v.strength.name());
                let told: Vec<String> = v.cautions.iter().map(Caution::to_string).collect();
                out.text(&told.join("; "));
                out.end();
                summary.told(row, &v.cautions);
                let told = Told {
                    row: self.keeper.keep(row),
                    favours: v.classes.iter().position(|c| c.class == v.favours).unwrap_or(0),
                    strength: v.strength,
                    // bounded, it is 20 to the last digit but one
                    telling: v.favoured().bayes_factor > 20.0 - 1e-9,
                };
                Ok(Some(Attributed { group: self.group_of(row), answered: Some(told) }))
            }
            Err(reason) => {
                let blanks = self.attribution.prior().count() + 3;
                rows::refuse((out, summary), row, (blanks, None, 0), vec![reason]);
                Ok(Some(Attributed { group: self.group_of(row), answered: None }))
            }
        }
    }
}

impl Attributions {
    /// What became of the rows.
    pub fn summary(&self) -> &Summary {
        &self.summary
    }

    /// What there is to doubt of each group, by its name (none where all rows are one), as
    /// [`in_few_of`](crate::predict::in_few_of) takes it.
    pub fn cautions(&self) -> Vec<(&str, &[Caution])> {
        self.in_order().map(|(group, v)| (group.unwrap_or(""), &v.cautions[..])).collect()
    }

    /// The groups with their names, in the order of the table.
    fn in_order(&self) -> impl Iterator<Item = (Option<&str>, &Verdict)> {
        let named = self.order.iter().filter_map(|n| Some((Some(n.as_str()), self.groups.get(n)?)));
        self.together.iter().map(|v| (None, v)).chain(named)
    }

    /// What a group says.
    fn of_group(&self, group: Option<&str>, v: &Verdict) -> String {
        let name = match group {
            Some(n) => format!("{}: ", name(n)),
            None if v.flakes > 1 => "All together, if one percussor struck them: ".to_string(),
            None => String::new(),
        };
        let sentence = v.sentence.clone();
        let mut letters = sentence.chars();
        let sentence = match letters.next() {
            Some(c) if !name.is_empty() => c.to_lowercase().chain(letters).collect(),
            _ => sentence,
        };
        let flakes = counted(v.flakes as u64, "flake", "flakes");
        let mut told = format!("{name}{sentence}. Used beside the sizes: lips of {} of {flakes}", v.with_lip);
        if self.terminations_modelled {
            told.push_str(&format!(", terminations of {}", v.with_termination));
        }
        told.push('.');
        if let Some(rows) = group.and_then(|g| self.refused_by_group.get(g)) {
            told.push_str(&format!(" {} of it refused.", counted(*rows, "row", "rows")));
        }
        if !v.recorded_percussors.is_empty() {
            let list: Vec<String> = v.recorded_percussors.iter().map(|(p, n)| format!("{p} {n}")).collect();
            told.push_str(&format!(" Recorded: {}.", list.join(", ")));
        }
        if v.integration_error > 0.1 {
            let error = v.integration_error;
            told.push_str(&format!(" The integration is rough: standard error {error:.1} of the log odds."));
        }
        told
    }
}

impl fmt::Display for Attributions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut page = Page::new(f);
        let answered = self.rows - self.refused;
        page.line(format!(
            "{}: {answered} answered, {} refused",
            counted(self.rows, "row", "rows"),
            self.refused
        ));
        if answered > 1 {
            page.line("\nOne by one:");
            for (class, all, telling) in &self.seen.favours {
                page.line(format!("  {all} more like {class}; {telling} by 20 to 1 or more"));
            }
            let little = self.seen.little;
            page.line(format!("  {little} of {answered} say little on their own (less than 3 to 1)"));
        }
        for (name, v) in self.in_order() {
            page.line("");
            page.under("", "  ", self.of_group(name, v));
        }
        for (group, rows) in self.refused_by_group.iter().filter(|(g, _)| !self.groups.contains_key(*g)) {
            page.line("");
            page.under(
                "",
                "  ",
                format!("{}: no answer, {} refused.", name(group), counted(*rows, "row", "rows")),
            );
        }
        let site = self.site_shift;
        let ends = match self.terminations_modelled {
            true => "",
            false => " Terminations are left out: the calibration has no model of them.",
        };
        let lips = match self.lips_modelled {
            true => "",
            false => " Lips are left out: no model of them goes with the calibration.",
        };
        page.part(format!(
            "From {}. {}, the same for every class. A site may differ from the experiment (standard deviations \
             in ln: {} of all lengths together, {} of each size; {} in the log odds of lips and terminations); all \
             flakes of a group share that, and what is uncertain in the experiment.{ends}{lips}",
            self.calibrations.join(" against "),
            self.basis,
            site.common,
            site.own,
            site.log_odds
        ));
        if let (Some(record), [_]) = (&self.track_record, &self.calibrations[..]) {
            record.tell(&mut page, self.in_order().any(|(_, v)| v.with_lip > 0));
        }
        page.show(f)
    }
}
