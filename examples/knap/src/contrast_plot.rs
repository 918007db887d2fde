//! The picture of `knap contrast`: each size by percussor, one a row, and the first percussor over each of the others.

use crate::failure::Outcome;
use crate::plot::{Row, named_rows, page_of_rows};
use crate::report::{percent, with_unit};
use crate::tables::save;
use conchoid::predict::{Contrast, Ranged, in_words};

/// Draws percussors side by side.
pub fn sizes(path: &str, platform: &str, names: &[&str], found: &Contrast, level: f64) -> Outcome<()> {
    let mut panels = Vec::new();
    let sizes = found.estimates.first().map_or(&[][..], |e| &e.sizes);
    for (k, first) in sizes.iter().enumerate() {
        let mut list = Vec::new();
        for (name, e) in names.iter().zip(&found.estimates) {
            let Some(s) = e.sizes.get(k) else { continue };
            let i = s.predictive.interval(level)?;
            list.push(Row::told(name, [i.low, i.median, i.high], list.len() + 1));
        }
        panels.push(named_rows(in_words(&first.size), &with_unit(&first.size), Some(true), &list, None, ""));
    }
    for (other, ratios) in names.iter().skip(1).zip(found.ratios()) {
        let row = |(k, (size, r)): (usize, &(String, Ranged))| {
            Row::told(&in_words(size), [r.low, r.value, r.high], k + 1)
        };
        let list: Vec<Row> = ratios.iter().enumerate().map(row).collect();
        if !list.is_empty() {
            let title = format!("{} over {other}, as expected", names[0]);
            panels.push(named_rows(title, "ratio of expected sizes", Some(true), &list, Some(1.0), ""));
        }
    }
    let most = names.len().max(sizes.len());
    let title = format!("{platform}: lines hold {} % of such flakes", percent(level));
    save(path, &page_of_rows(&title, &panels, panels.len().clamp(1, 2), most)?)
}
