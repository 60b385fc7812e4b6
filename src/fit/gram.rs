//! Normal equations: inner products of tall columns, and their solution by Cholesky's method.
//!
//! Every sum runs in [`LANES`] lanes that are added in one fixed order, and a product that is added
//! to a sum is always fused with it: the outcome is the same to the last bit on every machine,
//! whatever vector unit the loops are run on (see [`super::unit`]).

use super::unit::{LANES, on_lanes};
use crate::algebra::dot_inlined;
use pulp::{NullaryFnOnce, Simd, WithSimd};

/// Columns are taken three by three (the settings of one stage against those of another), so
/// that nine sums share six loads.
const BLOCK: usize = 3;

/// Inner products of all of `columns` (each `len` long) with each other; row-major, symmetric.
/// Linear in `len`, quadratic in the number of columns.
///
/// The number of columns is a multiple of three, `len` one of [`LANES`].
pub(super) fn inner_products(columns: &[f64], len: usize) -> Vec<f64> {
    on_lanes(InnerProducts {
        left: columns,
        right: columns,
        len,
        symmetric: true,
    })
}

/// Inner products of each of `left` (rows of the outcome) with each of `right`, sizes as in
/// [`inner_products`].
pub(super) fn cross_products(left: &[f64], right: &[f64], len: usize) -> Vec<f64> {
    on_lanes(InnerProducts {
        left,
        right,
        len,
        symmetric: false,
    })
}

/// Inner products block by block; of a `symmetric` outcome one half is copied from the other.
struct InnerProducts<'a> {
    left: &'a [f64],
    right: &'a [f64],
    len: usize,
    symmetric: bool,
}

impl WithSimd for InnerProducts<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Vec<f64> {
        let InnerProducts {
            left,
            right,
            len,
            symmetric,
        } = self;
        let (rows, columns) = (left.len() / len, right.len() / len);
        debug_assert!(rows.is_multiple_of(BLOCK) && columns.is_multiple_of(BLOCK));
        let mut products = vec![0.0; rows * columns];
        for i in (0..rows).step_by(BLOCK) {
            let above = [i, i + 1, i + 2].map(|k| S::as_simd_f64s(&left[k * len..(k + 1) * len]).0);
            let end = if symmetric { i + BLOCK } else { columns };
            for j in (0..end).step_by(BLOCK) {
                let beside =
                    [j, j + 1, j + 2].map(|k| S::as_simd_f64s(&right[k * len..(k + 1) * len]).0);
                let block = block_of(simd, above, beside);
                for (a, row) in block.iter().enumerate() {
                    products[(i + a) * columns + j..][..BLOCK].copy_from_slice(row);
                }
                if symmetric {
                    let [r0, r1, r2] = block;
                    for b in 0..BLOCK {
                        let mirrored = [r0[b], r1[b], r2[b]];
                        products[(j + b) * columns + i..][..BLOCK].copy_from_slice(&mirrored);
                    }
                }
            }
        }
        products
    }
}

/// Inner products of three columns with three others.
#[inline(always)]
fn block_of<S: Simd>(
    simd: S,
    left: [&[S::f64s]; BLOCK],
    right: [&[S::f64s]; BLOCK],
) -> [[f64; BLOCK]; BLOCK] {
    let [l0, l1, l2] = left;
    let [r0, r1, r2] = right;
    let mut sums = [[simd.splat_f64s(0.0); BLOCK]; BLOCK];
    for (((((a0, a1), a2), b0), b1), b2) in l0.iter().zip(l1).zip(l2).zip(r0).zip(r1).zip(r2) {
        let (a, b) = ([*a0, *a1, *a2], [*b0, *b1, *b2]);
        for (row, a) in sums.iter_mut().zip(a) {
            for (sum, b) in row.iter_mut().zip(b) {
                *sum = simd.mul_add_f64s(a, b, *sum);
            }
        }
    }
    sums.map(|row| row.map(|sum| total::<S>(sum)))
}

/// The lanes added up, always in this order.
#[inline(always)]
fn total<S: Simd>(sums: S::f64s) -> f64 {
    let mut lanes = [0.0; LANES];
    if let [all] = S::as_mut_simd_f64s(&mut lanes).0 {
        *all = sums;
    }
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}

/// Inner product of each of `columns` (each as long as `vector`, a multiple of [`LANES`]) with
/// `vector`.
pub(super) fn inner_products_with(columns: &[f64], vector: &[f64]) -> Vec<f64> {
    debug_assert!(vector.len().is_multiple_of(LANES));
    on_lanes(InnerProductsWith { columns, vector })
}

struct InnerProductsWith<'a> {
    columns: &'a [f64],
    vector: &'a [f64],
}

impl WithSimd for InnerProductsWith<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Vec<f64> {
        let (vector, last) = S::as_simd_f64s(self.vector).0.as_chunks::<2>();
        let mut products = Vec::with_capacity(self.columns.len() / self.vector.len());
        for column in self.columns.chunks_exact(self.vector.len()) {
            // Two sums, so that one addition need not wait for the other.
            let mut sums = [simd.splat_f64s(0.0); 2];
            let (column, column_last) = S::as_simd_f64s(column).0.as_chunks::<2>();
            for (a, b) in column.iter().zip(vector) {
                sums[0] = simd.mul_add_f64s(a[0], b[0], sums[0]);
                sums[1] = simd.mul_add_f64s(a[1], b[1], sums[1]);
            }
            for (a, b) in column_last.iter().zip(last) {
                sums[0] = simd.mul_add_f64s(*a, *b, sums[0]);
            }
            products.push(total::<S>(simd.add_f64s(sums[0], sums[1])));
        }
        products
    }
}

/// `x^T matrix x` for a square `matrix`, row-major.
pub(super) fn quadratic_form(matrix: &[f64], x: &[f64]) -> f64 {
    on_lanes(QuadraticForm { matrix, x })
}

struct QuadraticForm<'a> {
    matrix: &'a [f64],
    x: &'a [f64],
}

impl NullaryFnOnce for QuadraticForm<'_> {
    type Output = f64;

    #[inline(always)]
    fn call(self) -> f64 {
        // A loop, not a closure: closures may be compiled without the vector unit.
        let mut sum = 0.0;
        for (row, x) in self.matrix.chunks_exact(self.x.len()).zip(self.x) {
            sum += x * dot_inlined(row, self.x);
        }
        sum
    }
}

/// Cholesky's factor U of a symmetric positive definite `matrix` of `n` rows, row-major, in
/// place: `U^T U = matrix`, upper half read and written; false when it is not positive definite.
pub(super) fn factor_in_place(matrix: &mut [f64], n: usize) -> bool {
    on_lanes(Factor { matrix, n })
}

struct Factor<'a> {
    matrix: &'a mut [f64],
    n: usize,
}

impl NullaryFnOnce for Factor<'_> {
    type Output = bool;

    #[inline(always)]
    fn call(self) -> bool {
        let Factor { matrix, n } = self;
        // Row by row; what is left below is updated at once, along its rows.
        for k in 0..n {
            let (done, rest) = matrix.split_at_mut((k + 1) * n);
            let row = &mut done[k * n..];
            let pivot = row[k];
            if !(pivot > 0.0 && pivot.is_finite()) {
                return false;
            }
            let per_root = pivot.sqrt().recip();
            for value in &mut row[k..] {
                *value *= per_root;
            }
            for (d, below) in rest.chunks_exact_mut(n).enumerate() {
                let i = k + 1 + d;
                subtract_multiple(&mut below[i..], row[i], &row[i..]);
            }
        }
        true
    }
}

/// `values -= factor * others`.
#[inline(always)]
fn subtract_multiple(values: &mut [f64], factor: f64, others: &[f64]) {
    for (value, other) in values.iter_mut().zip(others) {
        *value = (-factor).mul_add(*other, *value);
    }
}

/// Solves `U^T X = right` in place for a `factor` U of `n` rows and as many right sides as each
/// of the `n` rows of `right` is long.
pub(super) fn solve_lower_in_place(factor: &[f64], n: usize, right: &mut [f64]) {
    on_lanes(SolveLower { factor, n, right });
}

struct SolveLower<'a> {
    factor: &'a [f64],
    n: usize,
    right: &'a mut [f64],
}

impl NullaryFnOnce for SolveLower<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let SolveLower { factor, n, right } = self;
        let wide = right.len() / n;
        for k in 0..n {
            let (done, rest) = right.split_at_mut((k + 1) * wide);
            let row = &mut done[k * wide..];
            let per_pivot = factor[k * n + k].recip();
            for value in row.iter_mut() {
                *value *= per_pivot;
            }
            for (below, u) in rest.chunks_exact_mut(wide).zip(&factor[k * n + k + 1..]) {
                subtract_multiple(below, *u, row);
            }
        }
    }
}

/// Solves `U X = right` in place, sizes as in [`solve_lower_in_place`].
pub(super) fn solve_upper_in_place(factor: &[f64], n: usize, right: &mut [f64]) {
    on_lanes(SolveUpper { factor, n, right });
}

struct SolveUpper<'a> {
    factor: &'a [f64],
    n: usize,
    right: &'a mut [f64],
}

impl NullaryFnOnce for SolveUpper<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let SolveUpper { factor, n, right } = self;
        let wide = right.len() / n;
        for k in (0..n).rev() {
            let (rest, done) = right.split_at_mut(k * wide);
            let row = &mut done[..wide];
            let per_pivot = factor[k * n + k].recip();
            row.iter_mut().for_each(|v| *v *= per_pivot);
            for (i, above) in rest.chunks_exact_mut(wide).enumerate() {
                let u = factor[i * n + k];
                subtract_multiple(above, u, row);
            }
        }
    }
}

/// Solves `matrix x = right` in place for a symmetric positive definite `matrix` of as many
/// rows as `right`, row-major, upper half read; false, with `right` of no use, when it is not
/// positive definite.
pub(super) fn solve_in_place(matrix: &mut [f64], right: &mut [f64]) -> bool {
    if !factor_in_place(matrix, right.len()) {
        return false;
    }
    on_lanes(SolveOne {
        factor: matrix,
        right,
    });
    true
}

/// Both triangular systems of one right side, along the rows of the factor.
struct SolveOne<'a> {
    factor: &'a [f64],
    right: &'a mut [f64],
}

impl NullaryFnOnce for SolveOne<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let SolveOne { factor, right } = self;
        let n = right.len();
        for k in 0..n {
            let row = &factor[k * n + k..(k + 1) * n];
            let value = right[k] / row[0];
            right[k] = value;
            subtract_multiple(&mut right[k + 1..], value, &row[1..]);
        }
        for k in (0..n).rev() {
            let row = &factor[k * n + k..(k + 1) * n];
            right[k] = (right[k] - dot_inlined(&row[1..], &right[k + 1..])) / row[0];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocked_inner_products_equal_the_plain_sums() {
        let (count, len) = (6, 16);
        let columns: Vec<f64> = (0..count * len)
            .map(|i| ((i * i) as f64 * 0.37).sin())
            .collect();
        let products = inner_products(&columns, len);
        let crossed = cross_products(&columns, &columns[..3 * len], len);
        for i in 0..count {
            for j in 0..count {
                let plain: f64 = (0..len)
                    .map(|k| columns[i * len + k] * columns[j * len + k])
                    .sum();
                assert!((products[i * count + j] - plain).abs() < 1e-13);
                assert!(j >= 3 || (crossed[i * 3 + j] - plain).abs() < 1e-13);
            }
        }
    }

    #[test]
    fn a_machine_without_the_vector_unit_comes_to_the_same_bits() {
        // On machines without it both runs are lane by lane, and there is nothing to compare.
        let (count, len) = (6, 28);
        let columns: Vec<f64> = (0..count * len)
            .map(|i| 1e3 * ((i * i) as f64 * 0.37).sin())
            .collect();
        let work = || InnerProducts {
            left: &columns,
            right: &columns,
            len,
            symmetric: true,
        };
        assert_eq!(on_lanes(work()), work().with_simd(pulp::Scalar256b));
        let work = || InnerProductsWith {
            columns: &columns,
            vector: &columns[len..2 * len],
        };
        assert_eq!(on_lanes(work()), work().with_simd(pulp::Scalar256b));
        let mut square = inner_products(&columns, len);
        let mut other = square.clone();
        let one = on_lanes(Factor {
            matrix: &mut square,
            n: count,
        });
        let two = Factor {
            matrix: &mut other,
            n: count,
        }
        .with_simd(pulp::Scalar256b);
        assert!(one && two);
        assert_eq!(square, other);
        let work = || QuadraticForm {
            matrix: &other,
            x: &columns[..count],
        };
        assert_eq!(on_lanes(work()), work().with_simd(pulp::Scalar256b));
        let (mut right, mut same) = (columns[..count].to_vec(), columns[..count].to_vec());
        on_lanes(SolveOne {
            factor: &square,
            right: &mut right,
        });
        SolveOne {
            factor: &other,
            right: &mut same,
        }
        .with_simd(pulp::Scalar256b);
        assert_eq!(right, same);
    }

    #[test]
    fn a_solved_system_gives_its_right_side_back() {
        // The Lehmer matrix min(i,j)/max(i,j) is positive definite for every size.
        let n = 6;
        let entry = |i: usize, j: usize| (i.min(j) + 1) as f64 / (i.max(j) + 1) as f64;
        let mut matrix: Vec<f64> = (0..n * n).map(|k| entry(k / n, k % n)).collect();
        let right: Vec<f64> = (0..n).map(|i| (i as f64).cos()).collect();
        let mut x = right.clone();
        assert!(solve_in_place(&mut matrix, &mut x));
        for (i, wanted) in right.iter().enumerate() {
            let back: f64 = (0..n).map(|j| entry(i, j) * x[j]).sum();
            assert!((back - wanted).abs() < 1e-12);
        }
    }

    #[test]
    fn a_quadratic_form_counts_every_entry() {
        // 2 x^2 + (1 + 5) x y + 3 y^2 at (1, 2).
        assert_eq!(quadratic_form(&[2.0, 1.0, 5.0, 3.0], &[1.0, 2.0]), 26.0);
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_refused() {
        assert!(!solve_in_place(&mut [1.0, 2.0, 2.0, 1.0], &mut [1.0, 1.0]));
    }
}
