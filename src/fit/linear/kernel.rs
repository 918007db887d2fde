//! The Householder step of the streaming QR, on a block of contiguous columns.
//!
//! [R; B] with R of m x m and B of `rows` rows becomes [R*; 0]. Reflector j is (1, x / pivot) with x the
//! current column j of B; it is never scaled, its scale goes into the numbers that multiply it:
//!
//! ```text
//!   alpha = -sign(d) sqrt(d^2 + x'x)      pivot = d - alpha      tau = -pivot / alpha
//!   w_l   = tau (R_jl + x'c_l / pivot)    R_jl -= w_l            c_l -= (w_l / pivot) x
//! ```
//!
//! Applying reflector j and taking the products that reflector j + 1 needs happens in one pass over the block,
//! so each column is loaded and stored once per reflector. Sums run in four or eight fixed lanes.

use crate::vector::{self, Four, Kernel4};

/// Sums run in this many lanes at least; a block's rows are a multiple of [`STEP`]. This crate's choice, no source:
/// the doubles of a 256-bit register.
const LANES: usize = 4;

/// Rows of a block are a multiple of this; what is over is filled with zeros, which change nothing.
/// This crate's choice, no source: eight lanes are the most that sums run in.
pub(crate) const STEP: usize = 8;

/// Makes [R; B] triangular again: R is m x m (column-major, upper), B has `rows` rows (a multiple of [`STEP`])
/// with columns `stride` apart (a multiple of [`STEP`]). B is destroyed. `dots` is scratch of m numbers.
pub(crate) fn reflect(r: &mut [f64], m: usize, b: &mut [f64], stride: usize, rows: usize, dots: &mut [f64]) {
    vector::run4(Reflect { r, m, b, stride, rows, dots });
}

/// Makes [R; S] triangular again for two upper triangles (column-major, m x m).
pub(crate) fn stack(r: &mut [f64], m: usize, s: &[f64]) {
    let stride = m.next_multiple_of(STEP);
    let mut b = vec![0.0; stride * m];
    for (to, from) in b.chunks_exact_mut(stride).zip(s.chunks_exact(m)) {
        to[..m].copy_from_slice(from);
    }
    reflect(r, m, &mut b, stride, stride, &mut vec![0.0; m]);
}

struct Reflect<'a> {
    r: &'a mut [f64],
    m: usize,
    b: &'a mut [f64],
    stride: usize,
    rows: usize,
    dots: &'a mut [f64],
}

impl Kernel4 for Reflect<'_> {
    type Output = ();
    #[inline(always)]
    fn go<F: Four>(self, f: F) {
        let Reflect { r, m, b, stride, rows, dots } = self;
        let steps = rows / LANES;
        {
            let (x, rest) = b.split_at_mut(stride);
            let x = &lanes(x)[..steps];
            dots[0] = products::<F, 1>(f, x, [x])[0];
            each_group::<F, true>(f, x, x, rest, stride, &mut dots[1..m]);
        }
        for j in 0..m {
            let (head, tail) = b.split_at_mut((j + 1) * stride);
            let x = &mut head[j * stride..j * stride + rows];
            let d = r[j * m + j];
            let mut pivot = 1.0;
            let squares = d * d + dots[j];
            let usable = |v: f64| (1e-280..1e280).contains(&v);
            let alpha;
            let tau;
            if usable(dots[j]) && usable(squares) && dots[j + 1..m].iter().all(|v| v.is_finite()) {
                let norm = squares.sqrt();
                alpha = if d > 0.0 { -norm } else { norm };
                pivot = d - alpha;
                tau = -pivot / alpha;
            } else {
                // zero, or so large or small that squares do not hold it
                let largest = x.iter().fold(0.0f64, |s, v| s.max(v.abs()));
                if largest == 0.0 {
                    alpha = d;
                    tau = 0.0;
                } else {
                    let scale = largest.max(d.abs());
                    let below = x.iter().map(|v| (v / scale).powi(2)).sum::<f64>().sqrt() * scale;
                    let norm = d.hypot(below);
                    alpha = if d > 0.0 { -norm } else { norm };
                    let own = d - alpha;
                    tau = -own / alpha;
                    x.iter_mut().for_each(|v| *v /= own);
                }
                for (l, c) in tail.chunks(stride).enumerate().take(m - j - 1) {
                    dots[j + 1 + l] = x.iter().zip(c).map(|(a, b)| a * b).sum();
                }
            }
            r[j * m + j] = alpha;
            if j + 1 == m {
                break;
            }
            for l in j + 1..m {
                let top = r[l * m + j];
                let w = tau * (top + dots[l] / pivot);
                r[l * m + j] = top - w;
                dots[l] = w / pivot;
            }
            let x = &lanes(x)[..steps];
            let (u, rest) = tail.split_at_mut(stride);
            let u = &mut lanes_mut(u)[..steps];
            dots[j + 1] = subtract(f, x, u, dots[j + 1]);
            each_group::<F, false>(f, x, u, rest, stride, &mut dots[j + 2..m]);
        }
    }
}

type Lane = [f64; LANES];

#[inline(always)]
fn lanes(x: &[f64]) -> &[Lane] {
    x.as_chunks().0
}

#[inline(always)]
fn lanes_mut(x: &mut [f64]) -> &mut [Lane] {
    x.as_chunks_mut().0
}

#[inline(always)]
fn total(s: Lane) -> f64 {
    (s[0] + s[2]) + (s[1] + s[3])
}

/// Walks columns in groups of at most five, with the numbers that go with them: for the `FIRST` reflector only
/// the products with x are taken, after it x is subtracted and the products with u are taken.
#[inline(always)]
fn each_group<F: Four, const FIRST: bool>(
    f: F,
    x: &[Lane],
    u: &[Lane],
    mut rest: &mut [f64],
    stride: usize,
    mut numbers: &mut [f64],
) {
    let steps = x.len();
    while !numbers.is_empty() {
        // rather three and three than five and one
        let k = match numbers.len() {
            6 => 3,
            n => n.min(5),
        };
        let (now, later) = numbers.split_at_mut(k);
        let (columns, after) = rest.split_at_mut(k * stride);
        let group = Group { columns, stride, steps };
        if FIRST {
            take_products(f, x, group, now);
        } else {
            subtract_group(f, x, u, group, now);
        }
        numbers = later;
        rest = after;
    }
}

struct Group<'a> {
    columns: &'a mut [f64],
    stride: usize,
    steps: usize,
}

impl<'a> Group<'a> {
    #[inline(always)]
    fn split<const K: usize>(self) -> [&'a mut [Lane]; K] {
        let mut columns = self.columns.chunks_exact_mut(self.stride);
        std::array::from_fn(|_| match columns.next() {
            Some(c) => &mut lanes_mut(c)[..self.steps],
            None => &mut [],
        })
    }
}

#[inline(always)]
fn take_products<F: Four>(f: F, x: &[Lane], group: Group<'_>, dots: &mut [f64]) {
    match dots.len() {
        1 => dots.copy_from_slice(&products(f, x, group.split::<1>().map(|c| &*c))),
        2 => dots.copy_from_slice(&products(f, x, group.split::<2>().map(|c| &*c))),
        3 => dots.copy_from_slice(&products(f, x, group.split::<3>().map(|c| &*c))),
        4 => dots.copy_from_slice(&products(f, x, group.split::<4>().map(|c| &*c))),
        _ => dots.copy_from_slice(&products(f, x, group.split::<5>().map(|c| &*c))),
    }
}

#[inline(always)]
fn subtract_group<F: Four>(f: F, x: &[Lane], u: &[Lane], group: Group<'_>, g: &mut [f64]) {
    match g.len() {
        1 => subtract_and_multiply::<F, 1>(f, x, u, group.split(), g),
        2 => subtract_and_multiply::<F, 2>(f, x, u, group.split(), g),
        3 => subtract_and_multiply::<F, 3>(f, x, u, group.split(), g),
        4 => subtract_and_multiply::<F, 4>(f, x, u, group.split(), g),
        _ => subtract_and_multiply::<F, 5>(f, x, u, group.split(), g),
    }
}

/// x'c for each c.
#[inline(always)]
fn products<F: Four, const K: usize>(f: F, x: &[Lane], columns: [&[Lane]; K]) -> [f64; K] {
    let n = x.len();
    let columns = columns.map(|c| &c[..n]);
    let mut sums = [f.all(0.0); K];
    for i in 0..n {
        let xi = f.load(&x[i]);
        for k in 0..K {
            sums[k] = f.add(sums[k], f.mul(xi, f.load(&columns[k][i])));
        }
    }
    sums.map(|s| total(f.store(s)))
}

/// u -= g x; returns the new u'u.
#[inline(always)]
fn subtract<F: Four>(f: F, x: &[Lane], u: &mut [Lane], g: f64) -> f64 {
    let (x, u) = (x.as_chunks::<2>().0, u.as_chunks_mut::<2>().0);
    let by = f.all(g);
    let mut sums = [f.all(0.0); 2];
    for (x, u) in x.iter().zip(u) {
        for h in 0..2 {
            let v = f.sub(f.load(&u[h]), f.mul(by, f.load(&x[h])));
            u[h] = f.store(v);
            sums[h] = f.add(sums[h], f.mul(v, v));
        }
    }
    total(f.store(sums[0])) + total(f.store(sums[1]))
}

/// c -= g x for each c, and then g = u'c.
#[inline(always)]
fn subtract_and_multiply<F: Four, const K: usize>(
    f: F,
    x: &[Lane],
    u: &[Lane],
    columns: [&mut [Lane]; K],
    g: &mut [f64],
) {
    let n = x.len();
    let u = &u[..n];
    let columns = columns.map(|c| &mut c[..n]);
    let by: [F::Pack; K] = std::array::from_fn(|k| f.all(g[k]));
    let mut sums = [f.all(0.0); K];
    for i in 0..n {
        let (xi, ui) = (f.load(&x[i]), f.load(&u[i]));
        for k in 0..K {
            let v = f.sub(f.load(&columns[k][i]), f.mul(by[k], xi));
            columns[k][i] = f.store(v);
            sums[k] = f.add(sums[k], f.mul(ui, v));
        }
    }
    g.copy_from_slice(&sums.map(|s| total(f.store(s))));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Small whole numbers in no order, so that products of columns are exact.
    fn block(seed: u64, rows: usize, m: usize) -> Vec<f64> {
        let mut state = seed;
        (0..rows * m)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                ((state >> 40) % 19) as f64 - 9.0
            })
            .collect()
    }

    fn gram(columns: &[f64], rows: usize, a: usize, b: usize) -> f64 {
        (0..rows).map(|i| columns[a * rows + i] * columns[b * rows + i]).sum()
    }

    /// A triangle fed blocks one after the other.
    fn fed(m: usize, blocks: &[(Vec<f64>, usize)]) -> Vec<f64> {
        let mut r = vec![0.0; m * m];
        for (b, rows) in blocks {
            reflect(&mut r, m, &mut b.clone(), *rows, *rows, &mut vec![7.0; m]);
        }
        r
    }

    /// R'R is the sum of B'B over the blocks, for every number of columns that goes into groups in its own way.
    #[test]
    fn the_triangle_keeps_the_products_of_the_columns() {
        for m in 1..=14 {
            let mut blocks = vec![(block(1, 16, m), 16), (block(2, 8, m), 8), (block(3, 40, m), 40)];
            // a column of nothing is no trouble, first or later
            for (which, column) in [(0, 0), (1, m / 2)] {
                let rows = blocks[which].1;
                blocks[which].0[column * rows..(column + 1) * rows].fill(0.0);
            }
            let r = fed(m, &blocks);
            for a in 0..m {
                assert!((a + 1..m).all(|i| r[a * m + i] == 0.0), "below the diagonal");
                for b in 0..=a {
                    let expected: f64 = blocks.iter().map(|(c, rows)| gram(c, *rows, a, b)).sum();
                    let found = gram(&r, m, a, b);
                    assert!((found - expected).abs() < 1e-10, "{m} columns, {a} {b}: {found} {expected}");
                }
            }
            let mut stacked = fed(m, &blocks[..2]);
            stack(&mut stacked, m, &fed(m, &blocks[2..]));
            for (a, b) in stacked.iter().zip(&r) {
                assert!((a.abs() - b.abs()).abs() < 1e-11, "{m} columns: {a} {b}");
            }
        }
    }

    /// A column in another unit is that column of R in the other unit, also where its squares are beyond doubles.
    #[test]
    fn a_power_of_two_on_a_column_comes_out_of_the_triangle() {
        let m = 7;
        let blocks = [(block(4, 16, m), 16), (block(5, 8, m), 8), (block(6, 24, m), 24)];
        let plain = fed(m, &blocks);
        for power in [-1000, -600, -480, -3, 5, 480, 600, 1013] {
            let unit = 2f64.powi(power);
            for scaled in [&[0][..], &[3], &[6], &[0, 4], &[2, 3, 5], &[0, 1, 2, 3, 4, 5, 6]] {
                let own = |j: usize| if scaled.contains(&j) { unit } else { 1.0 };
                let other: Vec<_> = blocks
                    .iter()
                    .map(|(b, rows)| (b.iter().enumerate().map(|(i, v)| v * own(i / rows)).collect(), *rows))
                    .collect();
                let r = fed(m, &other);
                for j in 0..m {
                    for i in 0..=j {
                        let (found, expected) = (r[j * m + i] / own(j), plain[j * m + i]);
                        assert!(
                            (found - expected).abs() < 5e-11,
                            "2^{power} on {scaled:?}, {i} {j}: {found} {expected}"
                        );
                    }
                }
            }
        }
    }

    /// Rows that weigh next to nothing beside what came before leave it as it was, whatever its sign; and rows
    /// beside which the earlier ones are nothing take its place.
    #[test]
    fn rows_of_very_unlike_size_stand_beside_each_other() {
        let m = 4;
        for (large, small) in [(0, -40), (0, -600), (0, -1000), (600, 0), (1000, 0)] {
            let of = |seed, rows, power| {
                (block(seed, rows, m).iter().map(|v| v * 2f64.powi(power)).collect::<Vec<f64>>(), rows)
            };
            let (large, small) = (|seed, rows| of(seed, rows, large), |seed| of(seed, 8, small));
            let alone = fed(m, &[large(7, 16)]);
            let later = fed(m, &[large(7, 16), small(8), small(9), small(10)]);
            let first = fed(m, &[small(8), small(9), small(10), large(7, 16)]);
            let unit = alone[0].abs();
            for ((a, b), c) in alone.iter().zip(&later).zip(&first) {
                assert!((a.abs() - b.abs()).abs() < 1e-12 * unit, "{unit:e}: {a} {b}");
                assert!((a.abs() - c.abs()).abs() < 1e-12 * unit, "{unit:e}: {a} {c}");
            }
        }
    }
}
