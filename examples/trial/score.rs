//! How one simulated speaker fared: what the exported filters do to each of its defects.
//!
//! The truth about a defect is what it alone changes: the speaker with it minus the speaker
//! without it, free of noise. The score looks at the filters read back from the filter list, not
//! at labels.

use crate::known::{Known, KnownDefect};
use planish::curve::{Grid, Smoother};
use planish::filter::Bank;
use planish::simulate::DefectKind;
use planish::units::erb_numbers_per_octave;

/// What became of one defect.
#[derive(Debug, Clone)]
pub struct DefectScore {
    pub kind: DefectKind,
    pub f_hz: f64,
    /// Largest effect on the listening window, dB, with its sign.
    pub effect_db: f64,
    /// Share of the defect's effect that the filters undo, after the ideal EQ of the other
    /// correctable defects is taken off. For a balance error: share of the window's roughness
    /// that goes.
    pub undone: f64,
    /// For nulls: how far the filters rise at the null over their surroundings, dB.
    pub local_boost_db: f64,
    /// Roughness that stays, dB rms (balance errors).
    pub left_db: f64,
    /// Whether the bar of its kind is met.
    pub right: bool,
}

/// A swing chased by less than this is not chased: no one hears it, dB.
const INAUDIBLE_DB: f64 = 0.3;

struct Truth {
    grid: Grid,
    weights: Vec<f64>,
}

/// The frequencies at which a speaker's defects have to be known.
pub fn grid() -> Grid {
    Grid::logarithmic(40.0, 14000.0, 48.0)
}

/// What each frequency counts: what hearing resolves there, nothing below `from_hz`.
pub fn weights(grid: &Grid, from_hz: f64) -> Vec<f64> {
    let cells = grid.cells_oct().into_iter().zip(grid.freqs_hz());
    cells
        .map(|(cell, f)| match *f < from_hz {
            true => 0.0,
            false => cell * erb_numbers_per_octave(*f),
        })
        .collect()
}

/// Scores every defect of a speaker known on [`grid`] under `bank`.
pub fn score(known: &Known, bank: &Bank, from_hz: f64) -> Vec<DefectScore> {
    let grid = grid();
    let weights = weights(&grid, from_hz);
    let truth = Truth { weights, grid };
    let filters_db: Vec<f64> = truth
        .grid
        .freqs_hz()
        .iter()
        .map(|f| bank.gain_at_db(*f) - bank.gain_db)
        .collect();
    let others = |k: usize| {
        let others = known.defects.iter().enumerate();
        others.filter(move |(j, other)| *j != k && other.kind.is_correctable())
    };
    (0..known.defects.len())
        .map(|k| {
            // The healthy speaker is not flat either; flattening it is right and no fault's share.
            let mut net_db: Vec<f64> = filters_db
                .iter()
                .zip(&known.healthy_window_db)
                .map(|(f, h)| f + h)
                .collect();
            for (_, other) in others(k) {
                net_db
                    .iter_mut()
                    .zip(&other.window_db)
                    .for_each(|(n, e)| *n += e);
            }
            judge(&truth, &known.defects[k], &net_db)
        })
        .collect()
}

fn judge(truth: &Truth, defect: &KnownDefect, net_db: &[f64]) -> DefectScore {
    let KnownDefect { kind, f_hz, .. } = *defect;
    let window = &defect.window_db;
    let peak = |curve: &[f64]| {
        curve
            .iter()
            .copied()
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0)
    };
    let mut score = DefectScore {
        kind,
        f_hz,
        effect_db: peak(window),
        undone: 0.0,
        local_boost_db: 0.0,
        left_db: 0.0,
        right: false,
    };
    match kind {
        DefectKind::Balance => {
            let left: Vec<f64> = window.iter().zip(net_db).map(|(e, n)| e + n).collect();
            // Broad means an octave and more: what a null leaves or a filter misses is narrower.
            let broad = Smoother::new(&truth.grid, 1.0);
            let (was, is) = (
                rms(&truth.weights, &broad.apply(window)),
                rms(&truth.weights, &broad.apply(&left)),
            );
            score.undone = 1.0 - is / was;
            score.left_db = is;
            score.right = is <= 0.5 * was || is < 0.6;
        }
        DefectKind::DirectivityStep => {
            // On axis and in the window it hardly shows; the swing is in the room.
            score.undone = undone(truth, &defect.room_db, net_db);
            let chased_db = score.undone * peak(&defect.room_db).abs();
            score.right = score.undone < 0.35 || chased_db < INAUDIBLE_DB;
        }
        DefectKind::Resonance => {
            score.undone = undone(truth, window, net_db);
            score.right = (0.75..=1.25).contains(&score.undone);
        }
        DefectKind::ShallowDip => {
            score.undone = undone(truth, window, net_db);
            score.right = (0.6..=1.3).contains(&score.undone);
        }
        DefectKind::Cancellation | DefectKind::DeepNull => {
            score.undone = undone(truth, window, net_db);
            score.local_boost_db = local_boost_db(truth, window, net_db);
            score.right = score.undone < 0.15 && score.local_boost_db < 1.5;
        }
        DefectKind::CrossoverPhase => {
            score.undone = undone(truth, window, net_db);
            score.right = score.undone < 0.4;
        }
        DefectKind::SingleAxisRipple => {
            // The window averages it out; who chases it looks at the axis.
            score.undone = undone(truth, &defect.on_axis_db, net_db);
            score.right = score.undone < 0.4;
        }
    }
    score
}

fn rms(weights: &[f64], values: &[f64]) -> f64 {
    let sum: f64 = weights.iter().sum();
    let mean = weights.iter().zip(values).map(|(w, v)| w * v).sum::<f64>() / sum;
    let square = weights
        .iter()
        .zip(values)
        .map(|(w, v)| w * (v - mean).powi(2))
        .sum::<f64>();
    (square / sum).sqrt()
}

/// Where the effect is: more than a seventh of its peak, and half an octave round that.
fn neighbourhood(truth: &Truth, effect: &[f64]) -> std::ops::Range<usize> {
    let peak = effect
        .iter()
        .zip(&truth.weights)
        .filter(|(_, w)| **w > 0.0)
        .map(|(e, _)| e.abs())
        .fold(0.0, f64::max);
    let inside = |(e, w): (&f64, &f64)| *w > 0.0 && e.abs() > 0.15 * peak;
    let first = effect
        .iter()
        .zip(&truth.weights)
        .position(inside)
        .unwrap_or(0);
    let last = effect
        .iter()
        .zip(&truth.weights)
        .rposition(inside)
        .unwrap_or(effect.len() - 1);
    let margin = 24;
    let start = truth.weights.iter().position(|w| *w > 0.0).unwrap_or(0);
    first.saturating_sub(margin).max(start)..(last + margin).min(effect.len())
}

/// Minus the regression coefficient of the filters on the effect, level and slope free.
fn undone(truth: &Truth, effect: &[f64], net_db: &[f64]) -> f64 {
    let range = neighbourhood(truth, effect);
    let x: Vec<f64> = range
        .clone()
        .map(|i| truth.grid.freqs_hz()[i].log2())
        .collect();
    let w = &truth.weights[range.clone()];
    let (e, n) = (&effect[range.clone()], &net_db[range]);
    // Taking level and slope out of both is the same as fitting them along.
    let (e, n) = (without_line(&x, w, e), without_line(&x, w, n));
    let dot =
        |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).zip(w).map(|((a, b), w)| a * b * w).sum() };
    -dot(&e, &n) / dot(&e, &e).max(1e-12)
}

fn without_line(x: &[f64], w: &[f64], y: &[f64]) -> Vec<f64> {
    let s: f64 = w.iter().sum();
    let mean = |v: &[f64]| v.iter().zip(w).map(|(v, w)| v * w).sum::<f64>() / s;
    let (mx, my) = (mean(x), mean(y));
    let sxy: f64 = x
        .iter()
        .zip(y)
        .zip(w)
        .map(|((x, y), w)| w * (x - mx) * (y - my))
        .sum();
    let sxx: f64 = x.iter().zip(w).map(|(x, w)| w * (x - mx).powi(2)).sum();
    let slope = sxy / sxx;
    x.iter()
        .zip(y)
        .map(|(x, y)| y - my - slope * (x - mx))
        .collect()
}

fn local_boost_db(truth: &Truth, effect: &[f64], net_db: &[f64]) -> f64 {
    let range = neighbourhood(truth, effect);
    let deepest = effect[range.clone()].iter().copied().fold(0.0, f64::min);
    let mut around: Vec<f64> = net_db[range.clone()].to_vec();
    around.sort_by(f64::total_cmp);
    let median = around[around.len() / 2];
    range
        .filter(|i| effect[*i] < 0.5 * deepest)
        .map(|i| net_db[i] - median)
        .fold(0.0, f64::max)
}
