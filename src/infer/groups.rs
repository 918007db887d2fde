//! What is counted of a group of pieces beside its numbers: pieces without an answer, and what there is to doubt of
//! the others.

use crate::error::counted;
use crate::page::Page;
use crate::predict::Caution;
use serde::Serialize;
use std::collections::BTreeMap;

/// Why pieces have no answer, with their numbers.
#[derive(Debug, Clone, Default)]
pub(super) struct Reasons(pub(super) BTreeMap<String, u64>);

/// Reasons that are told apart in a group; the others are counted together. This crate's choice, no source.
const MOST_REASONS: usize = 64;

impl Reasons {
    /// Counts a piece.
    pub(super) fn count(&mut self, reason: String) {
        let told_apart = self.0.len() < MOST_REASONS || self.0.contains_key(&reason);
        *self.0.entry(if told_apart { reason } else { "other reasons".to_string() }).or_default() += 1;
    }
}

#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct NotEstimated {
    pub(super) reason: String,
    pub(super) pieces: u64,
}

impl From<(String, u64)> for NotEstimated {
    fn from((reason, pieces): (String, u64)) -> NotEstimated {
        NotEstimated { reason, pieces }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) struct CountedCaution {
    pub(super) kind: &'static str,
    text: String,
    pub(super) flakes: u64,
}

/// Counts a caution, told by the first of its kind.
pub(super) fn count_caution(told: &mut Vec<CountedCaution>, caution: &Caution) {
    match told.iter_mut().find(|o| o.kind == caution.kind()) {
        Some(o) => o.flakes += 1,
        None => told.push(CountedCaution { kind: caution.kind(), text: caution.to_string(), flakes: 1 }),
    }
}

/// Pieces that were not estimated, what more there is to say, and what there is to doubt of so many of `what`.
pub(super) fn tell_the_rest(
    page: &mut Page,
    not_estimated: &[NotEstimated],
    more: impl Iterator<Item = String>,
    cautions: &[CountedCaution],
    what: [&str; 2],
) {
    for left in not_estimated {
        page.entry(format!("not estimated, {}: {}", counted(left.pieces, "piece", "pieces"), left.reason));
    }
    more.for_each(|line| page.entry(line));
    for c in cautions {
        page.entry(format!("{}: {}", counted(c.flakes, what[0], what[1]), c.text));
    }
    page.line("");
}
