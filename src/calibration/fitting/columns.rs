//! Least squares straight from columns of measurements.
//!
//! The rows are cut into chunks that depend on their number alone; each chunk fills its design columns block by
//! block, folds them into a triangle of its own, and the triangles are joined in pairs:
//!
//! ```text
//!   columns -> blocks of 256 design rows -> R of a chunk -> ((R0 R1) (R2 R3)) ...
//! ```
//!
//! Nothing is kept of the rows, and the answer is the same bytes for any number of threads.

use crate::error::{Error, Place, Result};
#[cfg(test)]
use crate::fit::linear::LinearFit;
use crate::fit::linear::{Accumulator, kernel};
use crate::form::{BLOCK, Compiled, Form, Layout, Plan, Transform, check_columns};
use crate::{threads, vector};

/// Rows of a chunk, unless that makes more than [`CHUNKS`] of them. This crate's choice, no source.
const CHUNK: usize = 64 * BLOCK;
/// Most chunks, so that memory does not grow with the rows. This crate's choice, no source.
const CHUNKS: usize = 1024;

/// Columns of measurements and of the size, to be fitted with one form.
#[derive(Debug, Clone)]
pub(crate) struct RawColumns<'a> {
    names: Vec<String>,
    transform: Transform,
    compiled: Compiled,
    plan: Plan,
    layout: &'a Layout,
    columns: &'a [&'a [f64]],
    sizes: &'a [f64],
}

impl<'a> RawColumns<'a> {
    /// `columns` holds one column per entry of the layout (classes as codes), `sizes` the size itself, in its
    /// own unit; the form transforms it.
    ///
    /// # Errors
    /// [`Error::Missing`] when the layout lacks what the form reads, [`Error::Shape`] when lengths differ.
    pub(crate) fn new(
        form: &Form,
        layout: &'a Layout,
        columns: &'a [&'a [f64]],
        sizes: &'a [f64],
    ) -> Result<RawColumns<'a>> {
        let compiled = form.compile(layout)?;
        let plan = compiled.plan();
        check_columns(&plan, columns, sizes.len())?;
        Ok(RawColumns {
            names: form.term_names(),
            transform: form.transform(),
            compiled,
            plan,
            layout,
            columns,
            sizes,
        })
    }

    /// Folds all rows into an accumulator, which can be merged with others.
    ///
    /// # Errors
    /// The first row that the form cannot take, by its number and column: [`Error::Missing`],
    /// [`Error::Domain`], or [`Error::OutOfRange`] for a size.
    pub(crate) fn accumulate(&self) -> Result<Accumulator> {
        let n = self.sizes.len();
        let chunk = CHUNK.max(n.div_ceil(CHUNKS).next_multiple_of(BLOCK));
        let m = self.plan.terms() + 1;
        let parts = threads::in_order(n.div_ceil(chunk), |k| {
            let from = k * chunk;
            self.chunk(from, chunk.min(n - from))
        });
        let parts = parts.into_iter().collect::<Result<Vec<_>>>()?;
        let joined = threads::join(parts, |mut a, b| {
            kernel::stack(&mut a, m, &b);
            a
        });
        let mut all = Accumulator::new(self.names.clone())?;
        if let Some(triangle) = joined {
            all.adopt(triangle, n as u64, 0.0);
        }
        Ok(all)
    }

    /// Fits all rows.
    ///
    /// # Errors
    /// As [`RawColumns::accumulate`] and [`Accumulator::finish`].
    #[cfg(test)]
    pub(crate) fn fit(&self) -> Result<LinearFit> {
        self.accumulate()?.finish()
    }

    /// The triangle of some rows.
    fn chunk(&self, from: usize, rows: usize) -> Result<Vec<f64>> {
        let p = self.plan.terms();
        let m = p + 1;
        let mut r = vec![0.0; m * m];
        let mut dots = vec![0.0; m];
        let mut block = vec![0.0; self.plan.registers() * BLOCK];
        for start in (from..from + rows).step_by(BLOCK) {
            let n = BLOCK.min(from + rows - start);
            self.plan.fill(self.columns, start, n, &mut block, BLOCK);
            transform_into(self.transform, &self.sizes[start..start + n], &mut block[p * BLOCK..][..n]);
            let padded = n.next_multiple_of(kernel::STEP);
            for j in 0..m {
                block[j * BLOCK + n..j * BLOCK + padded].fill(0.0);
            }
            kernel::reflect(&mut r, m, &mut block[..m * BLOCK], BLOCK, padded, &mut dots);
        }
        // a number that is not finite anywhere leaves its mark on the triangle
        if r.iter().any(|v| !v.is_finite()) {
            self.find_fault(from, rows)?;
        }
        Ok(r)
    }

    /// The first row that cannot be fitted, as an error; none where finite rows overflowed.
    fn find_fault(&self, from: usize, rows: usize) -> Result<()> {
        let mut x = vec![0.0; self.columns.len()];
        for i in from..from + rows {
            let row = i as u64 + 1;
            for (v, c) in x.iter_mut().zip(self.columns) {
                *v = c[i];
            }
            self.compiled.check(&x, self.layout).map_err(|e| e.in_row(row))?;
            if !self.transform.apply(self.sizes[i]).is_finite() {
                return Err(Error::out_of_range(
                    Place::cell(row, "size"),
                    self.sizes[i],
                    match self.transform {
                        Transform::Identity => "finite numbers",
                        Transform::LnExcess => "finite numbers above 1",
                        _ => "finite numbers above 0",
                    },
                ));
            }
        }
        Ok(())
    }
}

/// g(size) of a column.
pub(crate) fn transform_into(transform: Transform, sizes: &[f64], out: &mut [f64]) {
    match transform {
        Transform::Identity => out.copy_from_slice(sizes),
        Transform::Ln => vector::ln_into(sizes, out),
        Transform::Log10 => vector::log10_into(sizes, out),
        Transform::CubeRoot | Transform::LnExcess => {
            out.iter_mut().zip(sizes).for_each(|(o, v)| *o = transform.apply(*v))
        }
    }
}
