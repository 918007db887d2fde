//! Effects that flakes of one core or knapper share, from rows to interval: against lme4 (numbers and script in
//! `tests/reference/shared.R`), by simulated coverage, and what is refused.

use crate::calibration::{Calibration, Provenance, SizeModel, Spread};
use crate::calibration::{Collector, Method, Recipe, SharedRecipe};
use crate::form::{ANGLE, DEPTH, Form};
use crate::predict::Predictor;
use crate::strike::Measured;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A flake as a row of a table: its platform, its mass, its groups.
#[derive(Clone, Default)]
struct Row {
    depth: f64,
    angle: f64,
    ln_mass: f64,
    groups: Vec<(&'static str, String)>,
}

impl Measured for Row {
    fn number(&self, name: &str) -> Option<f64> {
        match name {
            DEPTH => Some(self.depth),
            ANGLE => Some(self.angle),
            "mass_g" => Some(self.ln_mass.exp()),
            "length_mm" => Some(10.0 * (self.ln_mass / 3.0).exp()),
            _ => None,
        }
    }
    fn class(&self, name: &str) -> Option<&str> {
        self.groups.iter().find(|(by, _)| *by == name).map(|(_, g)| g.as_str())
    }
}

fn recipe(groups: &[&str]) -> Recipe {
    let provenance = Provenance::new("invented", "own", "own", "test");
    let recipe = Recipe::single("school", "mass_g", Form::named("log-log").unwrap(), provenance).unwrap();
    groups.iter().fold(recipe, |r, by| r.sharing(by))
}

/// Without the left-out error of the report, which only [`options_combine`] reads.
fn fitted(recipe: Recipe, rows: &[Row]) -> crate::Result<Calibration> {
    collected(Collector::new(recipe)?.without_folds(), rows)
}

fn collected(mut collector: Collector, rows: &[Row]) -> crate::Result<Calibration> {
    rows.iter().for_each(|r| {
        collector.offer(r);
    });
    Ok(collector.finish()?.0)
}

fn model(c: &Calibration) -> &SizeModel {
    &c.variants()[0].sizes[0]
}

/// Rows of a table with these columns of groups.
fn table(text: &str, groups: &[(&str, &'static str)]) -> Vec<Row> {
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let at = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let row = |l: &str| {
        let cells: Vec<&str> = l.split(',').collect();
        let number = |name: &str| cells[at(name)].parse::<f64>().unwrap();
        let groups = groups.iter().map(|(theirs, ours)| (*ours, cells[at(theirs)].to_string())).collect();
        Row { depth: number("depth_mm"), angle: number("angle_deg"), ln_mass: number("ln_mass"), groups }
    };
    lines.map(row).collect()
}

const STUDENT: (&str, &str) = ("student", "knapper");
const CORE: (&str, &str) = ("core", "core");

fn nested() -> Vec<Row> {
    table(include_str!("../../../tests/reference/grouped_nested.csv"), &[STUDENT, CORE])
}

/// Agreement to a millionth, of the standard error where there is one.
#[track_caller]
fn same(what: &str, found: f64, expected: f64, size: f64) {
    let error = (found - expected).abs() / expected.abs().max(size);
    assert!(error < 1e-6, "{what}: {found} against {expected} ({error:.1e})");
}

/// Everything that the reference has of one case: the fit, and predictions for known and new groups.
fn against_lme4(case: &str, calibration: Calibration, groups: &[(&str, &'static str)]) {
    let m = model(&calibration).clone();
    let predictor = Predictor::new(calibration).unwrap();
    let Spread::Constant { value: sigma, .. } = m.spread else { panic!("one spread") };
    let se = |j: usize| m.covariance[j][j].sqrt();
    let place = |term: &str| ["(Intercept)", "log(depth_mm)", "angle_deg"].iter().position(|t| *t == term);
    let mut checked = std::collections::BTreeMap::new();
    for line in include_str!("../../../tests/reference/shared.csv").lines().skip(2) {
        let cells: Vec<&str> = line.split(',').collect();
        let [of, quantity, name, value] = cells[..] else { panic!("{line}") };
        if of != case {
            continue;
        }
        let value: f64 = value.parse().unwrap();
        *checked.entry(quantity).or_insert(0) += 1;
        match quantity {
            "coefficient" => {
                same(line, m.coefficients[place(name).unwrap()], value, se(place(name).unwrap()))
            }
            "standard error" => same(line, se(place(name).unwrap()), value, 0.0),
            "sd" => same(line, sigma, value, 0.0),
            "location" | "scale" => {
                let parts: Vec<&str> = name.split('|').collect();
                let named = groups.iter().zip(&parts[2..]).filter(|(_, name)| !name.is_empty());
                let row = Row {
                    depth: parts[0].parse().unwrap(),
                    angle: parts[1].parse().unwrap(),
                    groups: named.map(|((_, by), name)| (*by, name.to_string())).collect(),
                    ..Row::default()
                };
                let e = predictor.estimate(&row, &Default::default()).unwrap();
                let c = e.size("mass_g").unwrap().components()[0];
                if quantity == "location" {
                    same(line, c.location, value, 0.0);
                } else {
                    same(line, c.scale, value, 0.0);
                }
            }
            covariance => {
                let by = covariance.strip_prefix("covariance ").unwrap();
                let by = groups.iter().find(|(theirs, _)| *theirs == by).unwrap().1;
                let e = m.shared.iter().find(|e| e.by == by).unwrap();
                let (i, j) = name.split_once(' ').unwrap();
                let (i, j): (usize, usize) = (i.parse().unwrap(), j.parse().unwrap());
                let size = (e.covariance[i - 1][i - 1] * e.covariance[j - 1][j - 1]).sqrt();
                same(line, e.covariance[i - 1][j - 1], value, size);
            }
        }
    }
    assert!(checked["location"] >= 12 && checked.len() >= 6, "{checked:?}");
}

#[test]
fn one_level_agrees_with_lme4() {
    against_lme4("one level", fitted(recipe(&["core"]), &nested()).unwrap(), &[CORE]);
}

#[test]
fn two_levels_agree_with_lme4() {
    against_lme4("two levels", fitted(recipe(&["knapper", "core"]), &nested()).unwrap(), &[STUDENT, CORE]);
}

/// Cores that are more alike than chance: no variance between them is seen, and the interval still allows for some.
#[test]
fn no_variance_between_cores_agrees_with_lme4() {
    let text = include_str!("../../../tests/reference/grouped_nested.csv");
    let rows = table(&text.replacen("ln_mass,ln_mass_alike", "other,ln_mass", 1), &[CORE]);
    let m = model(&fitted(recipe(&["core"]), &rows).unwrap()).clone();
    assert_eq!(m.shared[0].covariance, [[0.0]]);
    assert!(m.variance_covariance[1][1] > 0.0 && m.shared[0].levels.iter().all(|l| l.effect == [0.0]));
    let mut checked = 0;
    for line in include_str!("../../../tests/reference/grouped.csv")
        .lines()
        .filter(|l| l.starts_with("boundary REML,lme4"))
    {
        let cells: Vec<&str> = line.split(',').collect();
        let value: f64 = cells[4].parse().unwrap();
        let place = ["(Intercept)", "log(depth_mm)", "angle_deg"].iter().position(|t| *t == cells[3]);
        match (cells[2], place) {
            ("coefficient", Some(j)) => same(line, m.coefficients[j], value, m.covariance[j][j].sqrt()),
            ("standard error", Some(j)) => same(line, m.covariance[j][j].sqrt(), value, 0.0),
            _ => continue,
        }
        checked += 1;
    }
    assert_eq!(checked, 6);
}

#[test]
fn slopes_that_differ_agree_with_lme4() {
    let mut recipe = recipe(&[]);
    let mut method = Method::least_squares();
    let mut slope = SharedRecipe::new("knapper");
    slope.terms = vec![0];
    method.shared.push(slope);
    recipe.variants[0].sizes[0].method = method;
    let rows = table(include_str!("../../../tests/reference/shared_slopes.csv"), &[STUDENT]);
    against_lme4("slopes", fitted(recipe, &rows).unwrap(), &[STUDENT]);
}

#[test]
fn what_is_stored_answers_the_same() {
    let c = fitted(recipe(&["knapper", "core"]), &nested()).unwrap();
    let again = Calibration::from_json(&c.to_json()).unwrap();
    assert_eq!(again.to_json(), c.to_json());
    let m = model(&again);
    assert_eq!((m.shared[0].by.as_str(), m.shared[1].by.as_str()), ("knapper", "core"));
    assert_eq!(m.shared[1].levels[0].of.as_deref(), Some("Avis"));
    let row = Row { depth: 8.0, angle: 75.0, groups: vec![("core", "Avis1".into())], ..Row::default() };
    let [a, b] = [c, again].map(|c| {
        let e = Predictor::new(c).unwrap().estimate(&row, &Default::default()).unwrap();
        e.size("mass_g").unwrap().components()[0]
    });
    assert_eq!(a, b);
}

/// A core known by its knapper too, a knapper alone, a core of another knapper's name: what is known narrows.
#[test]
fn what_is_known_of_a_flake_narrows() {
    let predictor = Predictor::new(fitted(recipe(&["knapper", "core"]), &nested()).unwrap()).unwrap();
    let scale = |groups: &[(&'static str, &str)]| {
        let groups = groups.iter().map(|(by, name)| (*by, name.to_string())).collect();
        let row = Row { depth: 8.0, angle: 75.0, groups, ..Row::default() };
        let e = predictor.estimate(&row, &Default::default()).unwrap();
        e.size("mass_g").unwrap().components()[0].scale
    };
    let (new, knapper) = (scale(&[]), scale(&[("knapper", "Avis")]));
    let core = scale(&[("knapper", "Avis"), ("core", "Avis1")]);
    assert!(core < knapper && knapper < new);
    assert_eq!(scale(&[("core", "Avis1")]), core, "a core is known with its knapper");
    assert_eq!(scale(&[("knapper", "Brock"), ("core", "Avis1")]), scale(&[("knapper", "Brock")]));
    assert_eq!(scale(&[("knapper", "Zoe"), ("core", "Zoe1")]), new);
}

#[test]
fn sizes_of_one_core_go_together() {
    let mut recipe = recipe(&["core"]);
    let mut length = recipe.variants[0].sizes[0].clone();
    (length.size, length.column) = ("length_mm".into(), "length_mm".into());
    recipe.variants[0].sizes.push(length);
    let c = fitted(recipe, &nested()).unwrap();
    let shared = &c.variants()[0].shared_correlation;
    // length is a third of ln mass, so their effects are the same
    assert_eq!((shared.len(), shared[0].by.as_str()), (1, "core"));
    assert!(shared[0].correlation[1][0] > 0.98, "{shared:?}");
}

#[test]
fn bad_groups_are_refused_by_name() {
    let rows = nested();
    let changed = |change: &dyn Fn(usize, &mut Row)| {
        let mut rows = rows.clone();
        rows.iter_mut().enumerate().for_each(|(i, r)| change(i, r));
        rows
    };
    let refused = |recipe: Recipe, rows: &[Row], told: &str| {
        let e = fitted(recipe, rows).unwrap_err().to_string();
        assert!(e.contains(told), "{e}");
    };
    refused(recipe(&["site"]), &rows, "site not recorded");
    let one = changed(&|_, r| r.groups = vec![("core", "A".into())]);
    refused(recipe(&["core"]), &one, "core: all");
    let each = changed(&|i, r| r.groups = vec![("core", i.to_string())]);
    refused(recipe(&["core"]), &each, "core: each of the");
    let alike = changed(&|_, r| r.groups.push(("site", r.groups[0].1.clone())));
    refused(recipe(&["knapper", "site"]), &alike, "site: its groups are those of knapper");
    let mut by = recipe(&["knapper"]);
    let form = &mut by.variants[0].sizes[0].form;
    let shifts = ["Brock", "Cleo", "Dunn", "Elm", "Fenn"].map(|l| crate::form::indicator("site", l));
    *form = form.clone().with_terms(shifts).unwrap();
    refused(by, &alike, "knapper: its groups are the levels of site");
    let mut by = recipe(&["knapper"]);
    let form = &mut by.variants[0].sizes[0].form;
    *form = form.clone().with_terms([crate::form::indicator("knapper", "Brock")]).unwrap();
    refused(by, &rows, "knapper: the form has a shift");
    refused(recipe(&["core", "core"]), &rows, "stands twice");
    let itself = recipe(&["core"]).with_terms([crate::form::value("mass_g")]).unwrap();
    refused(itself, &rows, "reads the very size");
    refused(recipe(&["site", "knapper", "core"]), &rows, "two columns at most");
}

/// A fit of few groups, a new group under it and a name that no group has are told, and what could not be left out is no
/// error of 0.
#[test]
fn few_groups_and_names_not_fitted_are_told() {
    let mut names: Vec<String> = nested().iter().map(|r| r.groups[0].1.clone()).collect();
    names.sort();
    names.dedup();
    for few in [2, 3, names.len()] {
        let among = |r: &Row| names[..few].contains(&r.groups[0].1);
        let rows: Vec<Row> = nested().into_iter().filter(among).collect();
        let by = rows[0].groups[0].0;
        let mut collector = Collector::new(recipe(&[by])).unwrap();
        assert!(rows.iter().all(|r| collector.offer(r).is_none()));
        let (c, report) = collector.finish().unwrap();
        let (m, told) = (model(&c).clone(), report.in_words(&c, &[]).to_string());
        let Spread::Constant { value, .. } = m.spread else { panic!("spread without terms") };
        assert!(m.left_out_error > 0.8 * value, "{few}: {}", m.left_out_error);
        assert_eq!(told.contains("left out)"), few == 2, "{told}");
        assert_eq!(told.contains("hardly tell how much they differ"), few <= 3, "{told}");
        let predictor = Predictor::new(c).unwrap();
        let kinds = |group: Option<&str>| {
            let groups = group.map(|name| (by, name.to_string())).into_iter().collect();
            let e = predictor.estimate(&Row { groups, ..rows[0].clone() }, &Default::default()).unwrap();
            let kinds: Vec<&str> = e.cautions.iter().map(|c| c.kind()).collect();
            (kinds.contains(&"few-groups"), kinds.contains(&"group-not-fitted"))
        };
        assert_eq!(kinds(Some(&names[0])), (false, false));
        assert_eq!(kinds(None), (few <= 3, false));
        assert_eq!(kinds(Some("none of them")), (few <= 3, true));
    }
}

/// What is said of groups is what the numbers do with them: an inner group is known by its name alone, but not where its
/// outer group is told and is another or a new one, nor where two outer groups have one of that name.
#[test]
fn what_is_said_of_nested_groups_is_what_is_answered() {
    let mut rows: Vec<Row> = nested();
    let mut knappers: Vec<String> = rows.iter().map(|r| r.groups[0].1.clone()).collect();
    knappers.sort();
    knappers.dedup();
    // one core of each of two knappers has the same name
    let first_core =
        |rows: &[Row], k: &str| rows.iter().find(|r| r.groups[0].1 == k).unwrap().groups[1].1.clone();
    let twice = [0, 1].map(|k| first_core(&rows, &knappers[k]));
    for r in &mut rows {
        if twice.contains(&r.groups[1].1) {
            r.groups[1].1 = "twice".into();
        }
    }
    let of_first = rows.iter().find(|r| r.groups[0].1 == knappers[0] && r.groups[1].1 != "twice").unwrap();
    let core = of_first.groups[1].1.clone();
    let predictor = Predictor::new(fitted(recipe(&["knapper", "core"]), &rows).unwrap()).unwrap();
    let asked = |knapper: Option<&str>, core: Option<&str>| {
        let named = [("knapper", knapper), ("core", core)];
        let groups = named.into_iter().filter_map(|(by, name)| Some((by, name?.to_string()))).collect();
        let e = predictor.estimate(&Row { groups, ..rows[0].clone() }, &Default::default()).unwrap();
        let told = e.cautions.iter().filter(|c| c.kind() == "group-not-fitted").map(|c| c.to_string());
        let told: Vec<String> = told.collect();
        (e.size("mass_g").unwrap().median(), told.join("; "))
    };
    let (known, new) = (asked(Some(&knappers[0]), Some(&core)), asked(None, None));
    let of_knapper = asked(Some(&knappers[0]), None);
    assert!(known.1.is_empty() && new.1.is_empty() && known.0 != new.0 && of_knapper.0 != new.0);
    // the knapper of a core that only one has is known by it
    assert_eq!(asked(None, Some(&core)), known);
    // the core of a knapper that was not fitted is not that of another
    let (median, told) = asked(Some("nobody"), Some(&core));
    assert_eq!(median, new.0);
    assert!(told.contains("knapper \"nobody\"") && told.contains("core \""), "{told}");
    let (median, told) = asked(Some(&knappers[1]), Some(&core));
    assert_eq!(median, asked(Some(&knappers[1]), None).0);
    assert!(!told.contains("knapper") && told.contains("core \""), "{told}");
    // whose it is cannot be told
    let (median, told) = asked(None, Some("twice"));
    assert_eq!(median, new.0);
    assert!(told.contains("core \"twice\""), "{told}");
    assert!(asked(Some(&knappers[0]), Some("twice")).1.is_empty());
}

/// Flakes of cores, unequal about the mean, as real cores have.
fn unequal(mean: usize) -> impl Fn(usize) -> usize {
    move |core| 1 + (core * 5) % (2 * mean - 1)
}

/// Shares of new flakes inside 95 % intervals: of a new core, of a known one; and how often no variance is seen.
fn coverage(
    cores: usize,
    flakes: impl Fn(usize) -> usize,
    sd: f64,
    tables: usize,
    two: bool,
    seed: u64,
) -> [f64; 3] {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut inside = [0usize; 3];
    for _ in 0..tables {
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let (mut rows, mut effects, mut outers) = (vec![], vec![], vec![]);
        let outer_sd = if two { sd } else { 0.0 };
        let row = |x: [f64; 2], ln_mass: f64, core: &str, knapper: &str| Row {
            depth: (0.3 * x[0] + 2.0).exp(),
            angle: 75.0 + 8.0 * x[1],
            ln_mass,
            groups: vec![("knapper", knapper.to_string()), ("core", core.to_string())],
        };
        for g in 0..cores {
            if g % 3 == 0 {
                outers.push(outer_sd * normal());
            }
            let u = sd * normal() + outers[g / 3];
            effects.push(u);
            for _ in 0..flakes(g) {
                let x = [normal(), normal()];
                rows.push(row(x, x[0] + u + normal(), &format!("C{g}"), &format!("K{}", g / 3)));
            }
        }
        let groups: &[&str] = if two { &["knapper", "core"] } else { &["core"] };
        let c = fitted(recipe(groups), &rows).unwrap();
        inside[2] += usize::from(model(&c).shared.iter().any(|e| e.covariance[0][0] == 0.0));
        let predictor = Predictor::new(c).unwrap();
        let mut hit = |row: &Row, at: usize| {
            // two or three groups may leave so much open that the interval holds all that can be measured
            let holds = match predictor.estimate(row, &Default::default()) {
                Err(e) if cores <= 3 => e.to_string().contains("beyond all that can be measured"),
                e => {
                    let i = e.unwrap().size("mass_g").unwrap().interval(0.95).unwrap();
                    (i.low..=i.high).contains(&row.ln_mass.exp())
                }
            };
            inside[at] += usize::from(holds);
        };
        let x = [normal(), normal()];
        let new = outer_sd * normal() + sd * normal();
        hit(&row(x, x[0] + new + normal(), "new", "new"), 0);
        let g = (normal().abs() * 1e6) as usize % cores;
        hit(&row(x, x[0] + effects[g] + normal(), &format!("C{g}"), &format!("K{}", g / 3)), 1);
    }
    inside.map(|k| k as f64 / tables as f64)
}

#[test]
fn intervals_cover() {
    let found = coverage(20, unequal(6), 0.5, 300, false, 77);
    for share in &found[..2] {
        assert!((0.915..=0.985).contains(share), "{found:?}");
    }
}

#[test]
#[ignore = "minutes of simulation; figures in the documentation of Method::sharing"]
fn intervals_cover_long() {
    for (cores, flakes, sd, two) in [
        (20, 18, 0.4, false),
        (20, 6, 0.5, false),
        (20, 6, 0.2, false),
        (20, 6, 1.0, false),
        (10, 6, 0.5, false),
        (6, 6, 0.5, false),
        (21, 6, 0.5, true),
        (36, 6, 0.5, true),
    ] {
        let found = coverage(cores, unequal(flakes), sd, 4000, two, 77);
        println!("{cores} cores, about {flakes} flakes, sd {sd}, two levels {two}: {found:?}");
        for share in &found[..2] {
            assert!((0.935..=0.965).contains(share), "{cores} {flakes} {sd}: {found:?}");
        }
    }
}

/// Why new groups after a few are doubted: intervals hold less than they say after two, about it after four.
#[test]
#[ignore = "simulation; figures in the documentation of FEW_GROUPS"]
fn intervals_cover_less_after_few_groups() {
    for (cores, low, high) in [(2, 0.89, 0.925), (3, 0.92, 0.945), (4, 0.93, 0.955)] {
        let found = coverage(cores, |_| 10, 1.2, 4000, false, 5);
        println!("{cores} cores of 10 flakes, sd 1.2: {found:?}");
        assert!((low..=high).contains(&found[0]), "{cores}: {found:?}");
    }
}

/// Spread terms, a penalty and tails combine with shared effects.
#[test]
fn options_combine() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let mut rows = Vec::new();
    for g in 0..15 {
        let u: f64 = 0.4 * Distribution::<f64>::sample(&StandardNormal, &mut rng);
        for _ in 0..20 {
            let depth: f64 = rng.random_range(2.0..12.0);
            let angle = rng.random_range(60.0..90.0);
            let e: f64 = StandardNormal.sample(&mut rng);
            let ln_mass = 2.0 * depth.ln() + 0.02 * angle + u + 0.5 * depth.powf(-0.5) * e;
            rows.push(Row { depth, angle, ln_mass, groups: vec![("core", format!("C{g}"))] });
        }
    }
    let mut recipe = recipe(&["core"]);
    let size = &mut recipe.variants[0].sizes[0];
    let square = crate::form::square(crate::form::shifted(crate::form::ln(DEPTH), 1.8));
    size.form = size.form.clone().with_terms([square]).unwrap();
    size.form = size.form.clone().with_spread_terms([crate::form::ln(DEPTH)]).unwrap();
    size.method.penalised = vec![2];
    let c = collected(Collector::new(recipe).unwrap(), &rows).unwrap();
    let m = model(&c);
    // whole cores left out: a flake's own spread, and that between cores
    assert!((0.3..0.65).contains(&m.left_out_error), "{}", m.left_out_error);
    let Spread::Modelled { coefficients, .. } = &m.spread else { panic!("spread with terms") };
    assert!((coefficients[1] + 0.5).abs() < 0.25, "{coefficients:?}");
    assert!((m.shared[0].covariance[0][0].sqrt() - 0.4).abs() < 0.2);
    assert!(m.coefficients[3].abs() < 0.2, "the square is not there: {:?}", m.coefficients);
    let predictor = Predictor::new(c).unwrap();
    let scale = |depth: f64, core: &str| {
        let groups = vec![("core", core.to_string())];
        let e =
            predictor.estimate(&Row { depth, angle: 75.0, groups, ..Row::default() }, &Default::default());
        e.unwrap().size("mass_g").unwrap().components()[0].scale
    };
    assert!(scale(3.0, "C3") < scale(3.0, "new") && scale(10.0, "C3") < scale(3.0, "C3"));
}

/// A variance between groups is taken a finite number of times above 0, and only where what was kept is fitted.
#[test]
fn how_often_a_variance_is_taken_is_checked() {
    let excavated = crate::calibration::bundled::recipe("excavated-flakes").unwrap().0;
    let with = |times: f64, kept: bool| {
        let mut recipe = excavated.clone();
        for size in recipe.variants.iter_mut().flat_map(|v| &mut v.sizes) {
            size.method.shared[0].times = times;
            if !kept {
                size.method.kept = None;
                size.method.shared.truncate(1);
                (size.method.shared[0].degrees_of_freedom, size.method.shared[0].at_most) = (None, None);
            }
        }
        crate::calibration::Collector::new(recipe).map(|_| ())
    };
    assert!(with(2.0, true).is_ok() && with(1.0, false).is_ok());
    for (times, kept) in [(0.0, true), (-1.0, true), (f64::NAN, true), (f64::INFINITY, true), (2.0, false)] {
        assert!(with(times, kept).is_err(), "{times} {kept}");
    }
}
