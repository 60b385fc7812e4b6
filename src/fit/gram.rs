//! Normal equations: inner products of tall columns, and their solution by Cholesky's method.
//!
//! The inner products are most of the work of a fit, so they go through `pulp`, which picks the
//! widest vector unit of the machine at run time: five times as fast as what the compiler makes
//! of plain loops for the oldest machine it must serve.

use pulp::{Simd, WithSimd};

/// Columns are taken three by three (the settings of one stage against those of another), so
/// that nine sums share six loads.
const BLOCK: usize = 3;

/// Inner products of all of `columns` (each `len` long) with each other; row-major, symmetric.
/// Linear in `len`, quadratic in the number of columns.
///
/// The number of columns is a multiple of three, `len` one of [`super::rows::LANES`].
pub(super) fn inner_products(columns: &[f64], len: usize) -> Vec<f64> {
    pulp::Arch::new().dispatch(InnerProducts {
        left: columns,
        right: columns,
        len,
        symmetric: true,
    })
}

/// Inner products of each of `left` (rows of the outcome) with each of `right`, sizes as in
/// [`inner_products`].
pub(super) fn cross_products(left: &[f64], right: &[f64], len: usize) -> Vec<f64> {
    pulp::Arch::new().dispatch(InnerProducts {
        left,
        right,
        len,
        symmetric: false,
    })
}

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
                    for (b, value) in row.iter().enumerate() {
                        products[(i + a) * columns + j + b] = *value;
                        if symmetric {
                            products[(j + b) * columns + i + a] = *value;
                        }
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
                *sum = simd.mul_add_e_f64s(a, b, *sum);
            }
        }
    }
    sums.map(|row| row.map(|sum| simd.reduce_sum_f64s(sum)))
}

/// Inner product of each of `columns` (each as long as `vector`, a multiple of
/// [`super::rows::LANES`]) with `vector`.
pub(super) fn inner_products_with(columns: &[f64], vector: &[f64]) -> Vec<f64> {
    debug_assert!(vector.len().is_multiple_of(super::rows::LANES));
    pulp::Arch::new().dispatch(InnerProductsWith { columns, vector })
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
            let mut sums = [simd.splat_f64s(0.0); 2];
            let (column, column_last) = S::as_simd_f64s(column).0.as_chunks::<2>();
            for (a, b) in column.iter().zip(vector) {
                sums[0] = simd.mul_add_e_f64s(a[0], b[0], sums[0]);
                sums[1] = simd.mul_add_e_f64s(a[1], b[1], sums[1]);
            }
            for (a, b) in column_last.iter().zip(last) {
                sums[0] = simd.mul_add_e_f64s(*a, *b, sums[0]);
            }
            products.push(simd.reduce_sum_f64s(simd.add_f64s(sums[0], sums[1])));
        }
        products
    }
}

/// Inner product of two columns.
pub(super) fn dot(left: &[f64], right: &[f64]) -> f64 {
    let (l, l_rest) = left.as_chunks::<4>();
    let (r, r_rest) = right.as_chunks::<4>();
    let mut sums = [0.0; 4];
    for (a, b) in l.iter().zip(r) {
        for k in 0..4 {
            sums[k] += a[k] * b[k];
        }
    }
    let rest: f64 = l_rest.iter().zip(r_rest).map(|(a, b)| a * b).sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

/// Cholesky's factor U of a symmetric positive definite `matrix` of `n` rows, row-major, in
/// place: `U^T U = matrix`, upper half read and written; false when it is not positive definite.
pub(super) fn factor_in_place(matrix: &mut [f64], n: usize) -> bool {
    pulp::Arch::new().dispatch(Factor { matrix, n })
}

struct Factor<'a> {
    matrix: &'a mut [f64],
    n: usize,
}

impl WithSimd for Factor<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> bool {
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
            row[k..].iter_mut().for_each(|v| *v *= per_root);
            for (d, below) in rest.chunks_exact_mut(n).enumerate() {
                let i = k + 1 + d;
                let factor = row[i];
                subtract_multiple(simd, &mut below[i..], factor, &row[i..]);
            }
        }
        true
    }
}

/// `values -= factor * others`, the part that fills whole vectors by vectors.
#[inline(always)]
fn subtract_multiple<S: Simd>(simd: S, values: &mut [f64], factor: f64, others: &[f64]) {
    let (values, last) = S::as_mut_simd_f64s(values);
    let (others, others_last) = S::as_simd_f64s(others);
    let minus = simd.splat_f64s(-factor);
    for (value, other) in values.iter_mut().zip(others) {
        *value = simd.mul_add_e_f64s(minus, *other, *value);
    }
    for (value, other) in last.iter_mut().zip(others_last) {
        *value -= factor * other;
    }
}

/// Solves `U^T X = right` in place for a `factor` U of `n` rows and as many right sides as each
/// of the `n` rows of `right` is long.
pub(super) fn solve_lower_in_place(factor: &[f64], n: usize, right: &mut [f64]) {
    pulp::Arch::new().dispatch(SolveLower { factor, n, right });
}

struct SolveLower<'a> {
    factor: &'a [f64],
    n: usize,
    right: &'a mut [f64],
}

impl WithSimd for SolveLower<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let SolveLower { factor, n, right } = self;
        let wide = right.len() / n;
        for k in 0..n {
            let (done, rest) = right.split_at_mut((k + 1) * wide);
            let row = &mut done[k * wide..];
            let per_pivot = factor[k * n + k].recip();
            row.iter_mut().for_each(|v| *v *= per_pivot);
            for (below, u) in rest.chunks_exact_mut(wide).zip(&factor[k * n + k + 1..]) {
                subtract_multiple(simd, below, *u, row);
            }
        }
    }
}

/// Solves `U X = right` in place, sizes as in [`solve_lower_in_place`].
pub(super) fn solve_upper_in_place(factor: &[f64], n: usize, right: &mut [f64]) {
    let wide = right.len() / n;
    for k in (0..n).rev() {
        let (rest, done) = right.split_at_mut(k * wide);
        let row = &mut done[..wide];
        let per_pivot = factor[k * n + k].recip();
        row.iter_mut().for_each(|v| *v *= per_pivot);
        for (i, above) in rest.chunks_exact_mut(wide).enumerate() {
            let u = factor[i * n + k];
            for (value, x) in above.iter_mut().zip(row.iter()) {
                *value -= u * x;
            }
        }
    }
}

/// Solves `matrix x = right` in place for a symmetric positive definite `matrix` of as many
/// rows as `right`, row-major, upper half read; false, with `right` of no use, when it is not
/// positive definite.
pub(super) fn solve_in_place(matrix: &mut [f64], right: &mut [f64]) -> bool {
    let n = right.len();
    if !factor_in_place(matrix, n) {
        return false;
    }
    solve_lower_in_place(matrix, n, right);
    solve_upper_in_place(matrix, n, right);
    true
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
    fn a_matrix_that_is_not_positive_definite_is_refused() {
        assert!(!solve_in_place(&mut [1.0, 2.0, 2.0, 1.0], &mut [1.0, 1.0]));
    }
}
