//! The one table of options: what an option of a name takes, in whichever verb, and what is taken where it is not given.
//! A verb only declares its fields; here each becomes an option of its own name.

use crate::number::{self, Amount};
use clap::{Arg, ArgAction, Command};
use std::any::TypeId;

/// The name of the value of an option, by the option's own name or the unit that this ends in.
fn value_name(id: &str) -> Option<&'static str> {
    Some(match id {
        "also" => "NAME=VALUE",
        "against" | "existing" | "out" | "plot" | "sheet" | "table" => "FILE",
        "at" => "SETTINGS",
        "between_cores" | "site_common" | "site_log_odds" | "site_own" | "spread" => "SD",
        "blow_lands_on" => "WHERE",
        "by" | "by_calibration" | "group" | "ignore" => "COLUMN",
        "calibration" | "starting_from" => "NAME|FILE",
        "difference" | "matters" => "RATIO",
        "draws" | "flakes" | "folds" | "repeats" | "seed" => "N",
        "flakes_per_core" => "M",
        "habit" | "level" => "P",
        "known" => "SIZE=VALUE",
        "loss" => "A,B|none",
        "more_than" => "SHARE",
        "percussor" => "MATERIAL",
        "percussor_poisson" | "stone_poisson" => "NU",
        "platform_kind" | "retouch_kind" => "KIND",
        "platform_shape" => "SHAPE",
        "restitution" => "E",
        "stone_toughness_mpa_sqrt_m" => "K",
        "retouch_index" => "INDEX",
        "retouched_edges" => "EDGES",
        "unbroken" => "SIZE",
        _ if id.ends_with("_m_s") => "M_S",
        _ => match id.rsplit_once('_')?.1 {
            "mm2" => "MM2",
            "mm" => "MM",
            "g" => "G",
            "deg" => "DEG",
            "gpa" => "GPA",
            "in" => "IN",
            _ => return None,
        },
    })
}

/// What is taken where an option is not given.
fn default(id: &str) -> Option<&'static str> {
    Some(match id {
        "folds" | "repeats" => "10",
        "format" => "text",
        "level" => "0.95",
        "more_than" => "0.5",
        "restitution" => "1",
        _ => return None,
    })
}

/// The options of a command and its verbs, with what stands under their help: each with its own name, and with the readers of `number.rs` for its type, so
/// that a slip gets the same answer everywhere.
pub fn of_the_table(command: Command) -> Command {
    // examples and prose, then the cautions
    let help = format!("{}\n\n{}", crate::told_of(command.get_name()), crate::told_of("care"));
    let mut place = 0;
    let placed = |arg: Arg| {
        place += 1;
        reading_numbers(named(arg, place))
    };
    command.after_help(help).mut_args(placed).mut_subcommands(of_the_table)
}

fn named(arg: Arg, place: usize) -> Arg {
    let id = arg.get_id().to_string();
    if arg.get_index().is_some() || arg.is_global_set() {
        return arg;
    }
    let long = arg.get_long().map_or(id.replace('_', "-"), str::to_string);
    let mut arg = arg.long(long).display_order(place);
    if matches!(arg.get_action(), ArgAction::SetTrue) {
        return arg;
    }
    if matches!(arg.get_action(), ArgAction::Append) {
        arg = arg.num_args(1);
    }
    // what a verb says itself goes before
    let own = arg.get_value_names().is_some_and(|v| *v[0] != id.to_uppercase());
    if let Some(name) = value_name(&id).filter(|_| !own) {
        arg = arg.value_name(name);
    }
    match default(&id) {
        Some(default) => arg.required(false).default_value(default),
        None => arg,
    }
}

fn reading_numbers(arg: Arg) -> Arg {
    let kind = arg.get_value_parser().type_id();
    if kind == TypeId::of::<f64>() {
        arg.value_parser(number::number).allow_negative_numbers(true)
    } else if kind == TypeId::of::<Amount>() {
        arg.allow_negative_numbers(true)
    } else if kind == TypeId::of::<u32>() {
        arg.value_parser(number::whole::<u32>)
    } else if kind == TypeId::of::<u64>() {
        arg.value_parser(number::whole::<u64>)
    } else if kind == TypeId::of::<usize>() {
        arg.value_parser(number::whole::<usize>)
    } else {
        arg
    }
}
