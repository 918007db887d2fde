//! `knap completions`, `knap manual` and `knap schema`: made from the options and types themselves, so that they
//! cannot fall behind.

use crate::failure::{Failure, Outcome};
use clap::{Args, Command};
use clap_complete::Shell;
use schemars::schema_for;
use std::io::Write;

#[derive(Args)]
pub struct Completions {
    /// The shell
    #[arg(index = 1)]
    shell: Shell,
}

pub fn completions(o: &Completions, command: &mut Command) -> Outcome<u8> {
    let mut script = Vec::new();
    clap_complete::generate(o.shell, command, "knap", &mut script);
    crate::say::stdout().write_all(&script)?;
    Ok(0)
}

#[derive(Args)]
pub struct Manual {
    /// The verb; without it the page of knap itself
    #[arg(index = 1)]
    verb: Option<String>,
}

pub fn manual(o: &Manual, command: Command) -> Outcome<u8> {
    let mut command = command;
    command.build();
    let command = match &o.verb {
        None => command,
        Some(verb) => {
            let verbs: Vec<String> = command.get_subcommands().map(|c| c.get_name().to_string()).collect();
            let Some(found) = command.find_subcommand(verb) else {
                return Err(Failure::unknown("verb", verb, verbs));
            };
            found.clone().name(format!("knap-{verb}"))
        }
    };
    let mut page = Vec::new();
    clap_mangen::Man::new(command).render(&mut page)?;
    let page = with_examples(&String::from_utf8_lossy(&page));
    crate::say::stdout().write_all(page.as_bytes())?;
    Ok(0)
}

/// A page whose last words have a heading of their own, and whose commands keep their lines.
fn with_examples(page: &str) -> String {
    let mut out = String::new();
    let (mut inside, mut command) = (false, false);
    for line in page.lines() {
        inside = if line.starts_with(".SH") { line == ".SH EXTRA" } else { inside };
        let begins = inside && line.starts_with(' ');
        if begins != command {
            out.push_str(if begins { ".nf\n" } else { ".fi\n" });
            command = begins;
        }
        let line = if line == ".SH EXTRA" { ".SH EXAMPLES AND CAUTIONS" } else { line };
        out.push_str(line);
        out.push('\n');
    }
    out
}

#[derive(Args)]
pub struct Schema {
    /// The verb; `comparison` for what assemblage prints with --compare or --against, `fit-starting-from` for fit with
    /// --starting-from, `fit-loss` for fits of losses
    #[arg(index = 1)]
    verb: String,
}

/// What prints JSON, each with its schema.
fn schemas() -> [(&'static str, schemars::Schema); 13] {
    [
        ("estimate", schema_for!(crate::estimate::Printed<'_>)),
        ("blow", schema_for!(crate::mechanics::Blow<'_>)),
        ("contrast", schema_for!(conchoid::predict::Contrast)),
        ("fit", schema_for!(crate::fit::Printed<'_>)),
        ("fit-starting-from", schema_for!(conchoid::predict::Updated)),
        ("fit-loss", schema_for!(crate::fit::loss::Printed<'_>)),
        ("assess", schema_for!(crate::assess::Printed<'_>)),
        ("percussor", schema_for!(conchoid::table::Attributions)),
        ("original", schema_for!(conchoid::infer::OriginalAt)),
        ("assemblage", schema_for!(crate::assemblage::Printed<'_>)),
        ("comparison", schema_for!(crate::assemblage::Compared<'_>)),
        ("calibrations", schema_for!(crate::calibrations::Printed)),
        ("plan", schema_for!(conchoid::plan::Plan)),
    ]
}

pub fn schema(o: &Schema) -> Outcome<u8> {
    let all = schemas();
    let Some((_, schema)) = all.iter().find(|(verb, _)| *verb == o.verb) else {
        let verbs = all.iter().map(|(verb, _)| *verb);
        return Err(Failure::unknown("verb", &o.verb, verbs));
    };
    crate::say::print_json(serde_json::to_string_pretty(schema)?)?;
    Ok(0)
}
