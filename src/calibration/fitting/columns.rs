//! Least squares of one piece of the rows, from columns: they are filled and folded a block at a time.
//!
//! ```text
//!   columns -> blocks of 256 design rows -> R of the piece
//! ```

use crate::fit::linear::kernel;
use crate::form::{BLOCK, Compiled, Transform};
use crate::vector;

/// As [`triangle_looking`], of rows that the form takes all.
#[cfg(test)]
pub(crate) fn triangle(
    compiled: &Compiled,
    transform: Transform,
    columns: &[&[f64]],
    sizes: &[f64],
) -> Vec<f64> {
    triangle_looking(compiled, transform, columns, sizes, |_, _, _| ()).unwrap()
}

/// The triangle of [X y] of some rows, none where the form cannot take one of them: `columns` holds one column per entry
/// of the layout (classes as codes), `sizes` the size itself, in its own unit. `look` is shown each block before it is
/// folded: its place, its rows, and its columns of `BLOCK` numbers, the terms and then the response.
pub(super) fn triangle_looking(
    compiled: &Compiled,
    transform: Transform,
    columns: &[&[f64]],
    sizes: &[f64],
    mut look: impl FnMut(usize, usize, &[f64]),
) -> Option<Vec<f64>> {
    let plan = compiled.plan();
    let p = plan.terms();
    let m = p + 1;
    let (mut r, mut dots) = (vec![0.0; m * m], vec![0.0; m]);
    let mut block = vec![0.0; plan.registers() * BLOCK];
    for from in (0..sizes.len()).step_by(BLOCK) {
        let n = BLOCK.min(sizes.len() - from);
        plan.fill(columns, from, n, &mut block, BLOCK);
        transform_into(transform, &sizes[from..from + n], &mut block[p * BLOCK..][..n]);
        // nought times a number is nought, unless it is infinite or none
        let finite = |column: &[f64]| vector::sum_of(&column[..n], |v| 0.0 * v) == 0.0;
        if !block[..m * BLOCK].chunks_exact(BLOCK).all(finite) {
            return None;
        }
        look(from, n, &block[..m * BLOCK]);
        let padded = n.next_multiple_of(kernel::STEP);
        for column in block[..m * BLOCK].chunks_exact_mut(BLOCK) {
            column[n..padded].fill(0.0);
        }
        kernel::reflect(&mut r, m, &mut block[..m * BLOCK], BLOCK, padded, &mut dots);
    }
    Some(r)
}

/// g(size) of a column.
pub(super) fn transform_into(transform: Transform, sizes: &[f64], out: &mut [f64]) {
    match transform {
        Transform::Identity => out.copy_from_slice(sizes),
        Transform::Ln => vector::ln_into(sizes, out),
        Transform::Log10 => vector::log10_into(sizes, out),
        Transform::CubeRoot | Transform::LnExcess => {
            out.iter_mut().zip(sizes).for_each(|(o, v)| *o = transform.apply(*v))
        }
    }
}
