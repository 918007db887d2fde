//! Any form of any terms: refused with a sentence, or its design rows are finite wherever its check passes.
#![no_main]

use arbitrary::{Arbitrary, Unstructured};
use conchoid::calibration::{Collector, Provenance, Recipe};
use conchoid::form::{self, Form, Term, Transform};
use libfuzzer_sys::fuzz_target;

const NAMES: [&str; 6] = ["platform_depth_mm", "exterior_platform_angle_deg", "a", "", " ", "blow_lands_on"];

fn name(u: &mut Unstructured<'_>) -> arbitrary::Result<&'static str> {
    Ok(*u.choose(&NAMES)?)
}

/// A term of at most this depth; deeper than the crate allows, now and then.
fn term(u: &mut Unstructured<'_>, deep: usize) -> arbitrary::Result<Term> {
    let kinds = if deep == 0 { 2 } else { 10 };
    let inner = |u: &mut Unstructured<'_>| term(u, deep.saturating_sub(1));
    Ok(match u.int_in_range(0..=kinds - 1)? {
        0 => form::value(name(u)?),
        1 => form::indicator(name(u)?, name(u)?),
        2 => form::ln(inner(u)?),
        3 => form::log10(inner(u)?),
        4 => form::tangent(inner(u)?),
        5 => form::power(inner(u)?, f64::arbitrary(u)?),
        6 => form::above(inner(u)?, f64::arbitrary(u)?),
        7 => form::shifted(inner(u)?, f64::arbitrary(u)?),
        8 => {
            let n = u.int_in_range(0..=3)?;
            let of = (0..n).map(|_| inner(u)).collect::<arbitrary::Result<Vec<Term>>>()?;
            form::product(of)
        }
        _ => {
            let n = u.int_in_range(0..=5)?;
            let knots = (0..n).map(|_| f64::arbitrary(u)).collect::<arbitrary::Result<Vec<f64>>>()?;
            let columns = form::spline(inner(u)?, &knots);
            u.choose(&columns)?.clone()
        }
    })
}

#[derive(Debug)]
struct Asked {
    terms: Vec<Term>,
    transform: Transform,
    x: [f64; 6],
    size: f64,
}

impl<'a> Arbitrary<'a> for Asked {
    fn arbitrary(u: &mut Unstructured<'a>) -> arbitrary::Result<Asked> {
        let transform = *u.choose(&[Transform::Identity, Transform::Ln, Transform::Log10, Transform::CubeRoot])?;
        let n = u.int_in_range(0..=4)?;
        let deepest = u.int_in_range(0..=10)?;
        let terms = (0..n).map(|_| term(u, deepest)).collect::<arbitrary::Result<_>>()?;
        Ok(Asked { terms, transform, x: <[f64; 6]>::arbitrary(u)?, size: f64::arbitrary(u)? })
    }
}

fuzz_target!(|a: Asked| {
    let form = match Form::new("fuzzed", a.transform, a.terms) {
        Ok(form) => form,
        Err(e) => {
            assert!(!e.to_string().is_empty());
            return;
        }
    };
    // one flake with these numbers: taken, or left out with a reason; never a panic
    let needs = form.needs();
    let provenance = Provenance::new("fuzz", "none", "none", "none");
    let recipe = Recipe::single("fuzz", "mass_g", form.clone(), provenance).expect("a size that exists");
    if let Ok(mut collector) = Collector::new(recipe) {
        let names: Vec<&str> = needs.iter().map(String::as_str).chain(["mass_g"]).collect();
        let x: Vec<[f64; 1]> = (0..needs.len()).map(|i| [a.x[i % a.x.len()]]).chain([[a.size]]).collect();
        let columns: Vec<&[f64]> = x.iter().map(|c| &c[..]).collect();
        let _ = collector.offer_numbers(&names, &columns);
        let _ = collector.finish();
    }
    assert!(!form.needs().iter().any(|n| n.trim().is_empty()));
});
