//! The little linear algebra that several rooms need.

use pulp::NullaryFnOnce;

/// Sums run side by side in so many lanes: as many as the vector registers of common machines
/// hold in a few of them, so that no addition waits for the one before.
const LANES: usize = 8;

/// Inner product of `a` and `b`, as far as the shorter one reaches.
///
/// The lanes are added up in one fixed order and every product is fused with its sum, so the
/// outcome has the same bits on every machine.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    pulp::Arch::new().dispatch(Dot { a, b })
}

struct Dot<'a> {
    a: &'a [f64],
    b: &'a [f64],
}

impl NullaryFnOnce for Dot<'_> {
    type Output = f64;

    #[inline(always)]
    fn call(self) -> f64 {
        dot_inlined(self.a, self.b)
    }
}

/// [`dot`] for loops that are dispatched by [`pulp`] themselves: it is compiled into the caller.
/// Elsewhere it is slow, for the fused product then is a call of its own.
#[inline(always)]
pub fn dot_inlined(a: &[f64], b: &[f64]) -> f64 {
    let length = a.len().min(b.len());
    let (a, b) = (&a[..length], &b[..length]);
    let mut sums = [0.0; LANES];
    let (runs_a, runs_b) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let mut rest = 0.0;
    for (a, b) in runs_a.remainder().iter().zip(runs_b.remainder()) {
        rest = f64::mul_add(*a, *b, rest);
    }
    for (a, b) in runs_a.zip(runs_b) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum = a.mul_add(*b, *sum);
        }
    }
    let [s0, s1, s2, s3, s4, s5, s6, s7] = sums;
    ((s0 + s4) + (s1 + s5)) + ((s2 + s6) + (s3 + s7)) + rest
}

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
    fn an_inner_product_of_any_length_is_the_plain_sum() {
        for length in 0..40 {
            let a: Vec<f64> = (0..length).map(f64::from).collect();
            let b: Vec<f64> = (0..length + 3).map(|i| f64::from(2 * i - 5)).collect();
            // Whole numbers: every order of adding gives the same.
            let plain: f64 = a.iter().zip(&b).map(|(a, b)| a * b).sum();
            assert_eq!(dot(&a, &b), plain, "{length}");
            assert_eq!(dot(&b, &a), plain, "{length}");
        }
    }

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
