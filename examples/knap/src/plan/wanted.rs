//! The experiment as asked for: form, reach, percussors, platforms to predict at, flakes one has, and the spread.

use super::{Aimed, Allotted, Options, usage};
use crate::blow::calibration;
use crate::failure::{Failure, Outcome, Whose};
use crate::measured::by;
use crate::number::{self, number};
use crate::tables;
use crate::taken::read;
use conchoid::calibration::{SizeModel, Spread};
use conchoid::form::{self, Form, Transform, indicator, value};
use conchoid::material::PercussorMaterial;
use conchoid::plan::{
    Aim, Allocation, Candidates, Cores, Criterion, Design, Exchange, Factor, Information, expected_width,
    power,
};
use conchoid::predict::LEVEL;
use conchoid::strike::{Blow, Measured, Platform};
use schemars::JsonSchema;
use serde::Serialize;

/// A measurement that can be set: its step, which is how near a practised knapper strikes too (common practice, no
/// source), and the reach taken where none is given.
struct Settable {
    name: &'static str,
    flag: &'static str,
    step: f64,
    reach: (f64, f64),
}

const SETTABLE: [Settable; 4] = [
    settable(form::DEPTH, "depth-mm", 1.0, (4.0, 12.0)),
    settable(form::ANGLE, "angle-deg", 5.0, (60.0, 85.0)),
    settable(form::AREA, "area-mm2", 20.0, (20.0, 300.0)),
    settable(form::ANGLE_OF_BLOW, "angle-of-blow-deg", 5.0, (0.0, 30.0)),
];

const fn settable(name: &'static str, flag: &'static str, step: f64, reach: (f64, f64)) -> Settable {
    Settable { name, flag, step, reach }
}

/// `4..12`, or one number.
fn reach(flag: &str, text: &str) -> Outcome<(f64, f64)> {
    let wrong = |e: String| Failure::usage(format!("--{flag}: {e}"));
    match number::ends(text).map_err(wrong)? {
        Some((low, high)) if low <= high => Ok((low, high)),
        Some(_) => Err(wrong(format!("\"{text}\" falls; write LOW..HIGH, such as 4..12"))),
        None => number(text).map(|v| (v, v)).map_err(wrong),
    }
}

/// Refuses what no platform or blow can be.
fn check(name: &str, v: f64) -> Result<(), conchoid::Error> {
    match name {
        form::DEPTH => Platform::builder().depth_mm(v).build().map(|_| ()),
        form::ANGLE => Platform::builder().exterior_platform_angle_deg(v).build().map(|_| ()),
        form::AREA => Platform::builder().area_mm2(v).build().map(|_| ()),
        _ => Blow::builder().angle_of_blow_deg(v).build().map(|_| ()),
    }
}

/// The word among those given for the percussor that this word means; itself where it is none of them.
fn percussor(text: &str, given: &[String]) -> Outcome<String> {
    let known = PercussorMaterial::named(text.trim()).map_err(usage)?;
    let same = |g: &&String| PercussorMaterial::named(g).is_ok_and(|m| m.name() == known.name());
    Ok(given.iter().find(same).cloned().unwrap_or_else(|| text.trim().to_lowercase()))
}

/// The percussors of the command line, in the user's own words, each once.
fn percussors(texts: &[String]) -> Outcome<Vec<String>> {
    let mut out: Vec<String> = Vec::new();
    for text in texts {
        let word = percussor(text, &out)?;
        if out.contains(&word) {
            return Err(Failure::usage(format!("--percussor: {text} stands twice")));
        }
        out.push(word);
    }
    Ok(out)
}

/// The experiment as asked for.
pub struct Wanted {
    pub form: Form,
    pub reach: Candidates,
    pub percussors: Vec<String>,
    /// Platforms named by `--at`, by their words, or the whole reach.
    pub at: Vec<(String, Vec<f64>)>,
    pub everywhere: Vec<Vec<f64>>,
    pub existing: Option<Existing>,
    pub spread: SpreadTold,
    pub cores: Option<Cores>,
    pub level: f64,
    /// On the scale of the form.
    pub difference: Option<(f64, f64)>,
}

pub struct Existing {
    pub design: Option<Design>,
    pub used: usize,
    pub left_out: u64,
}

#[derive(Serialize, JsonSchema)]
pub struct SpreadTold {
    pub value: f64,
    #[serde(rename = "between_cores")]
    pub between: Option<f64>,
    pub from: String,
}

impl Wanted {
    pub fn of(o: &Options) -> Outcome<Wanted> {
        let level = LEVEL.check(o.level).map_err(usage)?;
        let percussors = percussors(&o.percussor)?;
        let mut form = Form::named(&o.form).map_err(usage)?;
        if o.angle_of_blow_deg.is_some() {
            form = form.with_terms([value(form::ANGLE_OF_BLOW)]).map_err(usage)?;
        }
        let several = percussors.len() > 1;
        if several {
            let terms = percussors[1..].iter().map(|p| indicator("percussor", p));
            form = form.with_terms(terms.collect::<Vec<_>>()).map_err(usage)?;
        }
        let given = [&o.depth_mm, &o.angle_deg, &o.area_mm2, &o.angle_of_blow_deg];
        let needs = form.needs();
        let mut factors = Vec::new();
        for (s, text) in SETTABLE.iter().zip(given) {
            let needed = needs.iter().any(|n| n == s.name);
            let (low, high) = match text {
                Some(_) if !needed => {
                    let m = format!("--{}: the form {} does not read it", s.flag, form.name());
                    return Err(Failure::usage(m));
                }
                Some(text) => reach(s.flag, text)?,
                None if needed => s.reach,
                None => continue,
            };
            [low, high].iter().try_for_each(|v| check(s.name, *v)).map_err(usage)?;
            // at least four steps, however narrow the reach
            let step = if low < high { s.step.min((high - low) / 4.0) } else { s.step };
            let factor = Factor::steps(s.name, low, high, step).and_then(|f| f.with_tolerance(s.step));
            factors.push(factor.map_err(usage)?);
        }
        if several {
            let levels: Vec<&str> = percussors.iter().map(String::as_str).collect();
            factors.push(Factor::class("percussor", &levels).map_err(usage)?);
        }
        let reach = Candidates::grid(&form, factors).map_err(usage)?;
        let everywhere = reach.design().to_rows();
        let at = o.at.iter().map(|text| platform(text, &percussors, &reach)).collect::<Outcome<Vec<_>>>()?;
        let at = at.concat();
        let existing =
            o.existing.as_deref().map(|path| existing(o, path, &reach, &percussors)).transpose()?;
        let mut spread = spread(o, form.transform())?;
        let cores = match o.flakes_per_core {
            None if o.between_cores.is_some() => {
                return Err(Failure::usage("--between-cores: say --flakes-per-core too"));
            }
            None => None,
            Some(m) => {
                let between = spread.between.ok_or_else(|| {
                    Failure::usage("--flakes-per-core: this calibration does not know how cores differ; say --between-cores")
                })?;
                Some(Cores::new(spread.value, between, m).map_err(usage)?)
            }
        };
        // of cores that are not planned for nothing is told
        spread.between = cores.as_ref().map(Cores::between);
        let difference = o.difference.map(|ratio| difference(ratio, &form, several)).transpose()?;
        Ok(Wanted { form, reach, percussors, at, everywhere, existing, spread, cores, level, difference })
    }

    pub fn old(&self) -> Option<&Design> {
        self.existing.as_ref().and_then(|e| e.design.as_ref())
    }

    pub fn exchange(&self, o: &Options, flakes: usize, starts: usize) -> Exchange {
        let mut exchange = Exchange::new(flakes).starts(starts);
        if o.criterion == Aimed::I {
            exchange = exchange.criterion(Criterion::Predictions { at: self.platforms() });
        }
        match self.old() {
            Some(old) => exchange.existing(old.clone()),
            None => exchange,
        }
    }

    /// Where intervals are judged: the platforms named, or the whole reach.
    pub fn platforms(&self) -> Vec<Vec<f64>> {
        if self.at.is_empty() {
            self.everywhere.clone()
        } else {
            self.at.iter().map(|a| a.1.clone()).collect()
        }
    }

    pub fn width(&self, i: &Information, row: &[f64], aim: Aim) -> Option<f64> {
        match &self.cores {
            Some(c) => c.expected_width(i, row, self.level, aim).ok(),
            None => expected_width(i, row, self.spread.value, self.level, aim).ok(),
        }
    }

    /// The mean width over the platforms, on the scale of the form.
    pub fn mean_width(&self, i: &Information, aim: Aim) -> Option<f64> {
        let at = self.platforms();
        let widths = at.iter().map(|x| self.width(i, x, aim)).collect::<Option<Vec<f64>>>()?;
        Some(widths.iter().sum::<f64>() / at.len() as f64)
    }

    /// The chance to see the least visible of the differences from the first percussor.
    pub fn power(&self, o: &Options, i: &Information) -> Option<f64> {
        let (_, difference) = self.difference?;
        let chances = self.percussors[1..].iter().map(|p| {
            let variance = i.variance_of(&indicator("percussor", p).to_string()).ok()?;
            match &self.cores {
                None => power(difference, self.spread.value, variance, i.degrees_of_freedom(), 0.05).ok(),
                Some(c) => {
                    let allocation = match o.cores {
                        Allotted::Within => Allocation::WithinCores,
                        Allotted::ByCore => Allocation::ByCore,
                    };
                    c.power(difference, variance, i.flakes(), i.terms().len(), allocation, 0.05).ok()
                }
            }
        });
        chances.collect::<Option<Vec<f64>>>()?.into_iter().reduce(f64::min)
    }

    /// A width as a person reads it: high over low where the scale is logarithmic.
    pub fn readable(&self, width: f64) -> f64 {
        match self.form.transform() {
            Transform::Ln => width.exp(),
            Transform::Log10 => 10f64.powf(width),
            _ => width,
        }
    }

    pub fn logarithmic(&self) -> bool {
        matches!(self.form.transform(), Transform::Ln | Transform::Log10)
    }
}

/// The rows of one `--at`: for each percussor where none is named.
fn platform(text: &str, percussors: &[String], reach: &Candidates) -> Outcome<Vec<(String, Vec<f64>)>> {
    let (mut numbers, mut named) = (Vec::new(), None);
    let wrong = || Failure::usage(format!("--at {text}: write depth_mm=8,angle_deg=75"));
    for pair in text.split(',') {
        let (key, v) = pair.split_once('=').ok_or_else(wrong)?;
        let key = key.trim();
        if key == "percussor" {
            named = Some(percussor(v, percussors)?);
            continue;
        }
        let flag = key.replace('_', "-");
        let settable = SETTABLE.iter().find(|s| s.flag == flag || s.name == key).ok_or_else(|| {
            let names = SETTABLE.iter().map(|s| s.flag.replace('-', "_")).chain(["percussor".to_string()]);
            Failure::unknown("--at", key, names)
        })?;
        let v = read("at", text, v)?;
        check(settable.name, v).map_err(usage)?;
        numbers.push((settable.name, v));
    }
    let number = |name: &str| numbers.iter().find(|(n, _)| *n == name).map(|(_, v)| *v);
    let row = |words: String, by_it: Option<&str>| {
        let platform = by(number, |name| by_it.filter(|_| name == "percussor"));
        Ok((words, reach.row_of(&platform).map_err(usage)?))
    };
    match &named {
        None if percussors.len() > 1 => {
            percussors.iter().map(|p| row(format!("{text},percussor={p}"), Some(p))).collect()
        }
        own => Ok(vec![row(text.to_string(), own.as_deref())?]),
    }
}

/// The flakes one has already, as rows of the form.
fn existing(o: &Options, path: &str, reach: &Candidates, percussors: &[String]) -> Outcome<Existing> {
    let options = o.taken.options(None, &[])?;
    let mut table = tables::open(path, &options)?;
    let mut row = table.row();
    let mut taken: Vec<Vec<f64>> = Vec::new();
    let mut left_out = 0;
    while table.read(&mut row).of_file(path)? {
        let plain = row.class("percussor").and_then(|p| percussor(p, percussors).ok());
        // of one percussor only: the others are another experiment
        let foreign = percussors.len() == 1 && plain.as_ref().is_some_and(|p| *p != percussors[0]);
        let number = |name: &str| row.number(name);
        match reach.row_of(&by(number, |name| plain.as_deref().filter(|_| name == "percussor"))) {
            Ok(terms) if row.refused().is_none() && !foreign => taken.push(terms),
            _ => left_out += 1,
        }
    }
    let used = taken.len();
    let design = || Design::from_rows(reach.design().names().to_vec(), &taken);
    let design = (used > 0).then(design).transpose()?;
    Ok(Existing { design, used, left_out })
}

/// The spread asked for, or that of a calibration on the same scale.
fn spread(o: &Options, transform: Transform) -> Outcome<SpreadTold> {
    if let Some(value) = o.spread {
        if !(value > 0.0 && value.is_finite()) {
            return Err(Failure::usage(format!("--spread: {value} is out of range (accepted: above 0)")));
        }
        return Ok(SpreadTold { value, between: o.between_cores, from: "given by --spread".into() });
    }
    let c = calibration(o.calibration.as_deref(), o.stone.as_deref())?;
    let all = || c.variants().iter().flat_map(|v| &v.sizes);
    let models: Vec<&SizeModel> = all().filter(|m| m.size == o.response).collect();
    let Some(first) = models.first() else {
        let mut sizes: Vec<&str> = all().map(|m| m.size.as_str()).collect();
        sizes.sort_unstable();
        sizes.dedup();
        let e = conchoid::Error::unknown_name("--response", &o.response, sizes);
        return Err(Failure::usage(format!("{e} in the calibration {}", c.name())));
    };
    let same = models
        .iter()
        .find(|m| m.form.name() == o.form && m.form.transform() == transform)
        .or_else(|| models.iter().find(|m| m.form.transform() == transform))
        .ok_or_else(|| {
            Failure::usage(format!(
                "the calibration {} has {}, the form {} needs the spread of {} (say --spread)",
                c.name(),
                first.form.transform().describe(&o.response),
                o.form,
                transform.describe(&o.response)
            ))
        })?;
    let between = same.shared.last().map(|e| e.covariance[0][0].sqrt());
    let (value, how) = match (between, &same.spread) {
        (Some(_), Spread::Constant { value, .. }) if o.flakes_per_core.is_some() => (*value, "within a core"),
        (Some(b), Spread::Constant { value, .. }) => (value.hypot(b), "about the form"),
        (None, Spread::Constant { value, .. }) => (*value, "about the form"),
        _ => (same.left_out_error, "of predicting each flake from the others"),
    };
    let between = o.between_cores.or(between);
    Ok(SpreadTold { value, between, from: format!("{how}, from the calibration {}", c.name()) })
}

/// A ratio on the scale of the form.
fn difference(ratio: f64, form: &Form, several: bool) -> Outcome<(f64, f64)> {
    if !(ratio > 0.0 && ratio.is_finite() && ratio != 1.0) {
        let m = format!("--difference: {ratio} is out of range (accepted: a ratio above 0, not 1)");
        return Err(Failure::usage(m));
    }
    if !several {
        return Err(Failure::usage("--difference: name two percussors or more"));
    }
    match form.transform() {
        Transform::Ln => Ok((ratio, ratio.ln())),
        Transform::Log10 => Ok((ratio, ratio.log10())),
        _ => Err(Failure::usage("--difference: a ratio needs a form on a logarithmic scale")),
    }
}
