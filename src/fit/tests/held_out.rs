//! Probabilities of the class of every row from the fit without the row's fold.

use crate::error::Result;
use crate::fit::Design;
use crate::fit::multinomial::{Outcomes, Penalty, fit};

/// One row after another, one entry a class; `folds` gives each row a number from 0.
pub(crate) fn held_out_probabilities(
    design: &Design,
    outcomes: &Outcomes,
    penalty: Penalty,
    folds: &[usize],
) -> Result<Vec<f64>> {
    let row = |i: usize| design.matrix().row(i).iter().copied().collect::<Vec<f64>>();
    let mut out = vec![Vec::new(); folds.len()];
    for fold in 0..=folds.iter().copied().max().unwrap_or(0) {
        let (left_out, kept): (Vec<usize>, Vec<usize>) = (0..folds.len()).partition(|i| folds[*i] == fold);
        let rows: Vec<Vec<f64>> = kept.iter().map(|i| row(*i)).collect();
        let part = Design::from_rows(design.names().to_vec(), &rows)?;
        let classes = kept.iter().map(|i| outcomes.class_of_row()[*i]).collect();
        let fit = fit(&part, &Outcomes::new(outcomes.names().to_vec(), classes)?, penalty)?;
        assert_eq!(fit.classes(), outcomes.names(), "fold {fold} holds all rows of a class");
        for i in left_out {
            out[i] = fit.probabilities(&row(i))?;
        }
    }
    Ok(out.concat())
}
