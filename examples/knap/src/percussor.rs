//! `knap percussor`: what struck the flakes of a table, as far as they tell.

use crate::blow::calibration;
use crate::failure::{Failure, Outcome, Whose};
use crate::report::{Page, RowFormat, print};
use crate::tables::{self, Sink, Twice};
use crate::taken::{TakenIn, named_number, read};
use clap::Args;
use conchoid::calibration::bundled;
use conchoid::infer::{Attribution, BlowSetting, SiteShift};
use conchoid::strike::{LandsOn, Measured};
use conchoid::table::{Row, TableAttributions};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

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
    #[arg(default_value_t = 0.5)]
    habit: f64,
    /// How far all lengths of a site may differ from the experiment's together: standard deviation of ln (0.24 is
    /// about a quarter)
    #[arg(default_value_t = SiteShift::default().common)]
    site_common: f64,
    /// How far each size may differ on its own: standard deviation of ln
    #[arg(default_value_t = SiteShift::default().own)]
    site_own: f64,
    /// How far terminations and lips may differ: standard deviation of their log odds
    #[arg(default_value_t = SiteShift::default().log_odds)]
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
            a = a.with_settings(settings).asked()?;
        }
        let (common, own, log_odds) = (self.site_common, self.site_own, self.site_log_odds);
        a = a.with_site(SiteShift { common, own, log_odds }).asked()?;
        a = a.with_habit(self.habit).asked()?;
        Ok(if self.hide_blow { a.hiding_blow() } else { a })
    }

    /// The experiment of the stone that most rows record; others are told of.
    fn of_the_stone(&self, source: &Twice) -> Outcome<&'static str> {
        let table = source.open(&self.taken.options(&[], &[])?)?;
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
    let calibrations: Vec<_> = attribution.calibrations().collect();
    let options = o.taken.options(&calibrations, &[])?;
    let table = source.open(&options)?;
    tables::told(table.header());
    let unknown = |name: &String| tables::unknown(table.header(), "--group", name);
    let place = |name: &String| table.header().position(name).ok_or_else(|| unknown(name));
    let group = o.group.as_ref().map(place).transpose()?;
    // every answer starts from the same seed, so that it does not depend on the other rows
    let mut rng = ChaCha8Rng::seed_from_u64(o.seed);
    let one_by_one = TableAttributions::new(&attribution, table.header(), group, &mut rng);
    let done = tables::progress("judging");
    // without a table to be written the rows are only counted
    let found = if o.out.is_some() || o.format == RowFormat::Csv {
        let sink = Sink::open(o.out.as_deref())?;
        let (sink, found) = one_by_one.write(table, sink, done).of_table(&o.table)?;
        sink.finish()?;
        found
    } else {
        one_by_one.write(table, std::io::sink(), done).of_table(&o.table)?.1
    };
    let tell = |page: &mut Page| {
        page.told(&found);
        page.cautions(&found.cautions());
    };
    if o.format == RowFormat::Csv {
        let mut page = Page::default();
        tell(&mut page);
        crate::say::aside(page.0.trim_end());
    } else {
        print(o.format == RowFormat::Json, &found, tell)?;
    }
    let summary = found.summary();
    for line in summary.intake().to_string().lines() {
        note!("  {line}");
    }
    tables::unused("refused", &summary.refusals().lines(8), ["  ", "      "]);
    Ok(crate::report::exit_code(summary))
}
