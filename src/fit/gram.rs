//! Normal equations: inner products of tall columns, and their solution by Cholesky's method.

/// Columns are taken three by three (the settings of one stage against those of another), so
/// that nine sums share six loads.
const BLOCK: usize = 3;

/// Inner products of the first `count` columns of `columns` (each `len` long, `len` even) with
/// each other; row-major, symmetric. Linear in `len`, quadratic in `count`.
pub(super) fn inner_products(columns: &[f64], count: usize, len: usize) -> Vec<f64> {
    let column = |i: usize| &columns[i * len..(i + 1) * len];
    let mut products = vec![0.0; count * count];
    let whole = count - count % BLOCK;
    for i in (0..whole).step_by(BLOCK) {
        for j in (0..=i).step_by(BLOCK) {
            let block = block_of(
                [column(i), column(i + 1), column(i + 2)],
                [column(j), column(j + 1), column(j + 2)],
            );
            for (a, row) in block.iter().enumerate() {
                for (b, value) in row.iter().enumerate() {
                    products[(i + a) * count + j + b] = *value;
                    products[(j + b) * count + i + a] = *value;
                }
            }
        }
    }
    for i in whole..count {
        for j in 0..=i {
            let value = dot(column(i), column(j));
            products[i * count + j] = value;
            products[j * count + i] = value;
        }
    }
    products
}

/// Inner products of three columns with three others.
fn block_of(left: [&[f64]; BLOCK], right: [&[f64]; BLOCK]) -> [[f64; BLOCK]; BLOCK] {
    let mut sums = [[[0.0f64; 2]; BLOCK]; BLOCK];
    let [l0, l1, l2] = left.map(|c| c.as_chunks::<2>().0);
    let [r0, r1, r2] = right.map(|c| c.as_chunks::<2>().0);
    for (((((a0, a1), a2), b0), b1), b2) in l0.iter().zip(l1).zip(l2).zip(r0).zip(r1).zip(r2) {
        for (row, a) in sums.iter_mut().zip([a0, a1, a2]) {
            for (sum, b) in row.iter_mut().zip([b0, b1, b2]) {
                sum[0] += a[0] * b[0];
                sum[1] += a[1] * b[1];
            }
        }
    }
    sums.map(|row| row.map(|s| s[0] + s[1]))
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

/// Solves `matrix x = right` in place for a symmetric positive definite `matrix` of `n` rows,
/// row-major, lower half read; false, with `right` of no use, when it is not positive definite.
pub(super) fn solve_in_place(matrix: &mut [f64], right: &mut [f64]) -> bool {
    let n = right.len();
    for i in 0..n {
        let (before, rest) = matrix.split_at_mut(i * n);
        let row_i = &mut rest[..n];
        for j in 0..i {
            let row_j = &before[j * n..j * n + n];
            row_i[j] = (row_i[j] - dot(&row_i[..j], &row_j[..j])) / row_j[j];
        }
        let pivot = row_i[i] - dot(&row_i[..i], &row_i[..i]);
        if !(pivot > 0.0 && pivot.is_finite()) {
            return false;
        }
        row_i[i] = pivot.sqrt();
    }
    for i in 0..n {
        right[i] = (right[i] - dot(&matrix[i * n..i * n + i], &right[..i])) / matrix[i * n + i];
    }
    for i in (0..n).rev() {
        let mut value = right[i];
        for j in i + 1..n {
            value -= matrix[j * n + i] * right[j];
        }
        right[i] = value / matrix[i * n + i];
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocked_inner_products_equal_the_plain_sums() {
        let (count, len) = (7, 12);
        let columns: Vec<f64> = (0..count * len)
            .map(|i| ((i * i) as f64 * 0.37).sin())
            .collect();
        let products = inner_products(&columns, count, len);
        for i in 0..count {
            for j in 0..count {
                let plain: f64 = (0..len)
                    .map(|k| columns[i * len + k] * columns[j * len + k])
                    .sum();
                assert!((products[i * count + j] - plain).abs() < 1e-13);
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
        for i in 0..n {
            let back: f64 = (0..n).map(|j| entry(i, j) * x[j]).sum();
            assert!((back - right[i]).abs() < 1e-12);
        }
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_refused() {
        assert!(!solve_in_place(&mut [1.0, 2.0, 2.0, 1.0], &mut [1.0, 1.0]));
    }
}
