//! `knap fit --starting-from`: a published calibration updated with the flakes of a table.

use super::{Options, command, needed_columns, written, written_to};
use crate::blow::calibration;
use crate::failure::{Failure, Outcome, Whose};
use crate::tables;
use conchoid::calibration::{Local, SizeModel};
use conchoid::predict::Updated;
use conchoid::table::Offer;

pub fn run(o: &Options, from: &str) -> Outcome<u8> {
    let [response] = &o.response[..] else {
        return Err(Failure::usage("--starting-from updates one size: name it with --response"));
    };
    let start = calibration(Some(from), None)?;
    let sizes: Vec<&SizeModel> = start.variants().iter().flat_map(|v| &v.sizes).collect();
    if !sizes.iter().any(|m| m.size == *response || m.column == *response) {
        let mut names: Vec<&str> = sizes.iter().map(|m| m.size.as_str()).collect();
        names.dedup();
        return Err(Failure::unknown("--response", response, names));
    }
    let options = o.taken.options(&[&start], &[])?;
    let table = tables::open(&o.table, &options)?;
    let mut local = {
        let header = table.header();
        let has = |column: &str| header.has(column);
        let local = Local::new(&start, response, has);
        local.map_err(|e| Failure::other(format!("{}: {e}; map another with --column", o.table)))?
    };
    let kept = o.kept.threshold()?;
    if let Some(kept) = &kept {
        local = local.given_kept(kept.clone()).asked()?;
    }
    local = local.keep_incomplete(o.keep_incomplete);
    let mut needs = local.needs();
    needed_columns(o, table.header(), &needs)?;
    needs.extend(tables::state(o.keep_incomplete));
    tables::tell(&tables::offer(table, (&o.table, "reading"), (&needs, &[]), false, |offer| {
        match offer {
            Offer::Flake(row) => super::held(kept.as_ref(), row, local.offer(row))?,
            Offer::LeftOut(reason) => local.leave_out(reason),
            _ => {}
        }
        Ok(())
    })?);
    let (mut mine, report) = local.finish(&o.name, &command(o)).of_file(&o.table)?;
    if let Some(stone) = &o.stone {
        mine = mine.of_stone(stone);
    }
    let updated = Updated::of(&report)?;
    written(o, &mine, &updated, |page| {
        page.told(&updated);
        written_to(page, "\n", o);
    })
}
