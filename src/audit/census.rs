//! Asking every member of the family how much of each component it has.
//!
//! A member's response relative to the listening window does not change under EQ. What of a
//! component's shape is found in it is the amount by which the member has more (or less) of the
//! component than the listening window has. A resonance has one frequency, one Q and one size at
//! all angles: nothing of its shape is left in the relative responses. A cancellation is.

use super::component::Component;
use super::frame::{Frame, Who};
use crate::response::Orbit;

/// What the family says of one component.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Census {
    /// Size of the component in each member, dB, in the family's order.
    pub sizes_db: Vec<f64>,
    /// Weighted mean of the sizes: the component in the in-room response, dB.
    pub mean_db: f64,
    /// Weighted standard deviation of the sizes, dB.
    pub spread_db: f64,
    /// Size on the reference axis, dB, where that was measured.
    pub on_axis_db: Option<f64>,
    /// Weighted standard deviation over the horizontal orbit, dB.
    pub horizontal_spread_db: Option<f64>,
    /// Weighted standard deviation over the vertical orbit, dB.
    pub vertical_spread_db: Option<f64>,
}

/// Knots of the slow part of a member's relative response lie this far apart: twice the trend's
/// width, so that a directivity step of an octave is not mistaken for the speaker's nature.
const KNOT_OCT: f64 = 2.0;

/// Prior standard deviation of a component's amount in a member, dB; keeps components that
/// overlap from fighting. Large against what is judged (1 dB), small against nonsense (10 dB).
const PRIOR_DB: f64 = 4.0;

/// Standard deviation of what neither components nor slow part explain, dB per grid point.
const UNEXPLAINED_DB: f64 = 1.0;

/// One census per component.
pub(super) fn take(frame: &Frame, components: &[Component]) -> Vec<Census> {
    let band = frame.judged.clone();
    let freqs_hz = &frame.grid.freqs_hz()[band.clone()];
    let mut columns: Vec<Vec<f64>> = components
        .iter()
        .map(|c| {
            let mut shape = c.shape_db(freqs_hz);
            shape.iter_mut().for_each(|v| *v /= c.size_db);
            shape
        })
        .collect();
    columns.extend(slow_columns(freqs_hz));
    let precision = |k: usize| {
        if k < components.len() {
            (UNEXPLAINED_DB / PRIOR_DB).powi(2)
        } else {
            1e-9
        }
    };
    let n = columns.len();
    let mut normal = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..=i {
            let dot: f64 = columns[i].iter().zip(&columns[j]).map(|(a, b)| a * b).sum();
            normal[i * n + j] = dot;
            normal[j * n + i] = dot;
        }
        normal[i * n + i] += precision(i);
    }
    cholesky(&mut normal, n);
    let amounts: Vec<Vec<f64>> = frame
        .members
        .iter()
        .map(|member| {
            let relative = &member.relative_db[band.clone()];
            let mut right: Vec<f64> = columns
                .iter()
                .map(|column| column.iter().zip(relative).map(|(a, b)| a * b).sum())
                .collect();
            solve(&normal, n, &mut right);
            right
        })
        .collect();
    components
        .iter()
        .enumerate()
        .map(|(k, component)| {
            let sizes_db: Vec<f64> = amounts.iter().map(|a| component.size_db + a[k]).collect();
            let at = frame.grid.nearest(component.f0_hz);
            let weighted = |wanted: &dyn Fn(Who) -> bool| {
                let part: Vec<(f64, f64)> = frame
                    .members
                    .iter()
                    .zip(&sizes_db)
                    .filter(|(m, _)| wanted(m.who))
                    .map(|(m, size)| (*size, m.shares[at]))
                    .collect();
                mean_and_spread(&part)
            };
            let on_orbit = |orbit: Orbit| {
                weighted(&|who| matches!(who, Who::Angle(d) if d.orbit() == orbit)).map(|x| x.1)
            };
            let (mean_db, spread_db) = weighted(&|_| true).unwrap_or((component.size_db, 0.0));
            Census {
                on_axis_db: frame
                    .members
                    .iter()
                    .position(|m| match m.who {
                        Who::Angle(d) => d.off_axis_deg() < 1.0,
                        who => who == Who::OnAxis,
                    })
                    .map(|i| sizes_db[i]),
                horizontal_spread_db: on_orbit(Orbit::Horizontal),
                vertical_spread_db: on_orbit(Orbit::Vertical),
                sizes_db,
                mean_db,
                spread_db,
            }
        })
        .collect()
}

/// Mean and standard deviation of values with weights; `None` without any.
pub(super) fn mean_and_spread(part: &[(f64, f64)]) -> Option<(f64, f64)> {
    let sum: f64 = part.iter().map(|p| p.1).sum();
    if sum <= 0.0 {
        return None;
    }
    let mean = part.iter().map(|p| p.0 * p.1).sum::<f64>() / sum;
    let variance = part.iter().map(|p| p.1 * (p.0 - mean).powi(2)).sum::<f64>() / sum;
    Some((mean, variance.sqrt()))
}

/// Straight-line hats over log frequency with knots every [`KNOT_OCT`] or so.
fn slow_columns(freqs_hz: &[f64]) -> Vec<Vec<f64>> {
    let x: Vec<f64> = freqs_hz.iter().map(|f| f.log2()).collect();
    let (start, width) = (x[0], x[x.len() - 1] - x[0]);
    let spans = (width / KNOT_OCT).round().max(1.0);
    (0..=spans as usize)
        .map(|k| {
            x.iter()
                .map(|x| (1.0 - ((x - start) / width * spans - k as f64).abs()).max(0.0))
                .collect()
        })
        .collect()
}

/// Lower Cholesky factor in place; the matrix is symmetric and positive definite by its ridge.
fn cholesky(m: &mut [f64], n: usize) {
    for j in 0..n {
        for k in 0..j {
            let factor = m[j * n + k];
            for i in j..n {
                m[i * n + j] -= m[i * n + k] * factor;
            }
        }
        let root = m[j * n + j].max(1e-300).sqrt();
        for i in j..n {
            m[i * n + j] /= root;
        }
    }
}

fn solve(factor: &[f64], n: usize, right: &mut [f64]) {
    for i in 0..n {
        for k in 0..i {
            right[i] -= factor[i * n + k] * right[k];
        }
        right[i] /= factor[i * n + i];
    }
    for i in (0..n).rev() {
        for k in i + 1..n {
            right[i] -= factor[k * n + i] * right[k];
        }
        right[i] /= factor[i * n + i];
    }
}
