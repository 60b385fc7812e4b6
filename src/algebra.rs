//! The little linear algebra that several rooms need.

/// Solves `m x = b` for a symmetric positive definite `m` (row-major, `n` by `n`, overwritten) by
/// Cholesky's method; `b` becomes `x`. False, with both in an undefined state, when `m` is not
/// positive definite.
///
/// # Panics
/// When `m` does not have `b.len()` squared entries.
pub fn solve_positive_definite(m: &mut [f64], b: &mut [f64]) -> bool {
    let n = b.len();
    assert_eq!(m.len(), n * n, "one row per unknown");
    for j in 0..n {
        for k in 0..j {
            let factor = m[j * n + k];
            for i in j..n {
                m[i * n + j] -= m[i * n + k] * factor;
            }
        }
        let pivot = m[j * n + j];
        if !(pivot > 0.0 && pivot.is_finite()) {
            return false;
        }
        let root = pivot.sqrt();
        for i in j..n {
            m[i * n + j] /= root;
        }
    }
    for i in 0..n {
        for k in 0..i {
            b[i] -= m[i * n + k] * b[k];
        }
        b[i] /= m[i * n + i];
    }
    for i in (0..n).rev() {
        for k in i + 1..n {
            b[i] -= m[k * n + i] * b[k];
        }
        b[i] /= m[i * n + i];
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_system_is_solved_and_an_indefinite_one_refused() {
        // [[4, 2], [2, 3]] x = [8, 7] has x = [1.25, 1.5].
        let (mut m, mut b) = (vec![4.0, 2.0, 2.0, 3.0], vec![8.0, 7.0]);
        assert!(solve_positive_definite(&mut m, &mut b));
        assert!((b[0] - 1.25).abs() < 1e-14 && (b[1] - 1.5).abs() < 1e-14);
        assert!(!solve_positive_definite(
            &mut [1.0, 2.0, 2.0, 1.0],
            &mut [1.0, 1.0]
        ));
    }
}
