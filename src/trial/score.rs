//! How one speaker fared: what the exported filters do to each of its defects.
//!
//! The truth about a defect is what it alone changes: the speaker with it minus the speaker
//! without it, free of noise. The score looks at the filters read back from the filter list, not
//! at labels.

use super::known::{Known, KnownDefect};
use crate::curve::{Band, Grid, Smoother};
use crate::error::{Error, Result};
use crate::filter::Bank;
use crate::simulate::DefectKind;
use crate::units::erb_numbers_per_octave;

/// Range and density of the frequencies at which filters are scored.
const SCORED_HZ: (f64, f64) = (40.0, 14_000.0);
const POINTS_PER_OCTAVE: f64 = 48.0;

/// A swing chased by less than this is not chased: no one hears it, dB.
const INAUDIBLE_DB: f64 = 0.3;

/// The frequencies at which filters are scored, and what each counts.
#[derive(Debug, Clone)]
pub struct ScoreGrid {
    /// The frequencies.
    pub grid: Grid,
    /// By frequency: what hearing resolves there (ERB numbers), zero where nothing is judged.
    pub weights: Vec<f64>,
}

impl ScoreGrid {
    /// The frequencies at which a speaker's defects have to be known.
    pub fn grid() -> Grid {
        Grid::logarithmic(SCORED_HZ.0, SCORED_HZ.1, POINTS_PER_OCTAVE)
    }

    /// Nothing counts below `from_hz`.
    pub fn from_hz(from_hz: f64) -> ScoreGrid {
        ScoreGrid::within(Band {
            from_hz,
            to_hz: f64::INFINITY,
        })
    }

    /// Nothing counts outside `band`.
    pub fn within(band: Band) -> ScoreGrid {
        let grid = ScoreGrid::grid();
        let cells = grid.cells_oct().into_iter().zip(grid.freqs_hz());
        let weights = cells
            .map(|(cell, f)| match band.contains(*f) {
                true => cell * erb_numbers_per_octave(*f),
                false => 0.0,
            })
            .collect();
        ScoreGrid { grid, weights }
    }

    /// A curve with its weighted mean taken out.
    pub fn without_mean(&self, values: &[f64]) -> Vec<f64> {
        let mean = self.mean(values);
        values.iter().map(|v| v - mean).collect()
    }

    /// Weighted mean of a curve.
    pub fn mean(&self, values: &[f64]) -> f64 {
        let sum: f64 = self.weights.iter().sum();
        values
            .iter()
            .zip(&self.weights)
            .map(|(v, w)| v * w)
            .sum::<f64>()
            / sum
    }

    /// Weighted root of the mean square of a curve, its mean taken out.
    pub fn rms(&self, values: &[f64]) -> f64 {
        let sum: f64 = self.weights.iter().sum();
        let mean = self.mean(values);
        let square = self
            .weights
            .iter()
            .zip(values)
            .map(|(w, v)| w * (v - mean).powi(2))
            .sum::<f64>();
        (square / sum).sqrt()
    }

    /// Largest size of an effect where it counts, dB.
    pub fn largest_db(&self, effect_db: &[f64]) -> f64 {
        effect_db
            .iter()
            .zip(&self.weights)
            .filter(|(_, w)| **w > 0.0)
            .map(|(e, _)| e.abs())
            .fold(0.0, f64::max)
    }

    /// Where an effect is: more than a seventh of its peak, and half an octave round that.
    fn neighbourhood(&self, effect_db: &[f64]) -> std::ops::Range<usize> {
        let peak_db = self.largest_db(effect_db);
        let inside = |(e, w): (&f64, &f64)| *w > 0.0 && e.abs() > 0.15 * peak_db;
        let mut pairs = effect_db.iter().zip(&self.weights);
        let first = pairs.clone().position(inside).unwrap_or(0);
        let last = pairs.rposition(inside).unwrap_or(effect_db.len() - 1);
        let margin = (POINTS_PER_OCTAVE / 2.0) as usize;
        let start = self.weights.iter().position(|w| *w > 0.0).unwrap_or(0);
        first.saturating_sub(margin).max(start)..(last + margin).min(effect_db.len())
    }
}

/// What became of one defect.
#[derive(Debug, Clone)]
pub struct DefectScore {
    /// What it is.
    pub kind: DefectKind,
    /// Where it is.
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

/// A speaker, what is true of it, and the filters planned for it. A measure of the judgement is a
/// method here: it has truth, filters and weights on one grid.
#[derive(Debug, Clone)]
pub struct Planned<'a> {
    /// What is true, on the grid of `on`.
    pub known: &'a Known,
    /// What the filters do without the level in front, dB.
    pub filters_db: Vec<f64>,
    /// Frequencies and weights.
    pub on: ScoreGrid,
}

impl<'a> Planned<'a> {
    /// The filters of `bank` for the speaker of `known`.
    ///
    /// # Errors
    /// When the truth is known on another grid than that of `on`.
    pub fn new(known: &'a Known, bank: &Bank, on: ScoreGrid) -> Result<Planned<'a>> {
        if !known.is_on(&on.grid) {
            return Err(Error::call("the defects are known on another grid"));
        }
        let freqs_hz = on.grid.freqs_hz().iter();
        Ok(Planned {
            known,
            filters_db: freqs_hz
                .map(|f| bank.gain_at_db(*f) - bank.gain_db)
                .collect(),
            on,
        })
    }

    /// Scores every defect.
    pub fn defect_scores(&self) -> Vec<DefectScore> {
        let defects = self.known.defects.iter().enumerate();
        defects
            .map(|(k, defect)| judge(&self.on, defect, &self.net_db(k)))
            .collect()
    }

    /// The filters and all that they are right to undo besides the `k`-th defect: the unevenness
    /// of the healthy speaker, since flattening it is right and no fault's share, and the other
    /// correctable defects.
    fn net_db(&self, k: usize) -> Vec<f64> {
        let mut net_db: Vec<f64> = self
            .filters_db
            .iter()
            .zip(&self.known.healthy_window_db)
            .map(|(f, h)| f + h)
            .collect();
        for (j, other) in self.known.defects.iter().enumerate() {
            if j != k && other.kind.is_correctable() {
                net_db
                    .iter_mut()
                    .zip(&other.window_db)
                    .for_each(|(n, e)| *n += e);
            }
        }
        net_db
    }
}

fn judge(on: &ScoreGrid, defect: &KnownDefect, net_db: &[f64]) -> DefectScore {
    let window = &defect.window_db;
    let peak = |curve: &[f64]| {
        curve
            .iter()
            .copied()
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0)
    };
    let mut score = DefectScore {
        kind: defect.kind,
        f_hz: defect.f_hz,
        effect_db: peak(window),
        undone: 0.0,
        local_boost_db: 0.0,
        left_db: 0.0,
        right: false,
    };
    match defect.kind {
        DefectKind::Balance => {
            let left: Vec<f64> = window.iter().zip(net_db).map(|(e, n)| e + n).collect();
            // Broad means an octave and more: what a null leaves or a filter misses is narrower.
            let broad = Smoother::new(&on.grid, 1.0);
            let (was, is) = (on.rms(&broad.apply(window)), on.rms(&broad.apply(&left)));
            score.undone = 1.0 - is / was;
            score.left_db = is;
            score.right = is <= 0.5 * was || is < 0.6;
        }
        DefectKind::DirectivityStep => {
            // On axis and in the window it hardly shows; the swing is in the room.
            score.undone = undone(on, &defect.room_db, net_db);
            let chased_db = score.undone * peak(&defect.room_db).abs();
            score.right = score.undone < 0.35 || chased_db < INAUDIBLE_DB;
        }
        DefectKind::Resonance => {
            score.undone = undone(on, window, net_db);
            score.right = (0.75..=1.25).contains(&score.undone);
        }
        DefectKind::ShallowDip => {
            score.undone = undone(on, window, net_db);
            score.right = (0.6..=1.3).contains(&score.undone);
        }
        DefectKind::Cancellation | DefectKind::DeepNull => {
            score.undone = undone(on, window, net_db);
            score.local_boost_db = local_boost_db(on, window, net_db);
            score.right = score.undone < 0.15 && score.local_boost_db < 1.5;
        }
        DefectKind::CrossoverPhase => {
            score.undone = undone(on, window, net_db);
            score.right = score.undone < 0.4;
        }
        DefectKind::SingleAxisRipple => {
            // The window averages it out; who chases it looks at the axis.
            score.undone = undone(on, &defect.on_axis_db, net_db);
            score.right = score.undone < 0.4;
        }
    }
    score
}

/// Minus the regression coefficient of the filters on the effect, level and slope free.
fn undone(on: &ScoreGrid, effect_db: &[f64], net_db: &[f64]) -> f64 {
    let range = on.neighbourhood(effect_db);
    let freqs_hz = &on.grid.freqs_hz()[range.clone()];
    let x: Vec<f64> = freqs_hz.iter().map(|f| f.log2()).collect();
    let w = &on.weights[range.clone()];
    let (e, n) = (&effect_db[range.clone()], &net_db[range]);
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

/// How far the filters rise over their median where the effect has half of its depth or more.
fn local_boost_db(on: &ScoreGrid, effect_db: &[f64], net_db: &[f64]) -> f64 {
    let range = on.neighbourhood(effect_db);
    let deepest = effect_db[range.clone()].iter().copied().fold(0.0, f64::min);
    let mut around: Vec<f64> = net_db[range.clone()].to_vec();
    around.sort_by(f64::total_cmp);
    let median = around[around.len() / 2];
    range
        .filter(|i| effect_db[*i] < 0.5 * deepest)
        .map(|i| net_db[i] - median)
        .fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{Biquad, Kind, Stage};

    const RATE_HZ: f64 = 192_000.0;

    fn stage(gain_db: f64) -> Biquad {
        let kind = Kind::Peaking;
        let (f0_hz, q) = (1000.0, 2.0);
        let stage = Stage {
            kind,
            f0_hz,
            gain_db,
            q,
        };
        stage.biquad(RATE_HZ)
    }

    fn known(kind: DefectKind, effect: &Biquad) -> Known {
        let grid = ScoreGrid::grid();
        let omega = |f: &f64| 2.0 * std::f64::consts::PI * f / RATE_HZ;
        let effect_db = || grid.freqs_hz().iter().map(|f| effect.gain_db(omega(f)));
        Known {
            healthy_window_db: vec![85.0; grid.len()],
            shared_unevenness_db: None,
            defects: vec![KnownDefect {
                kind,
                f_hz: 1000.0,
                window_db: effect_db().collect(),
                room_db: effect_db().collect(),
                on_axis_db: effect_db().collect(),
            }],
        }
    }

    fn score(kind: DefectKind, effect: Biquad, filter: Biquad) -> DefectScore {
        let known = known(kind, &effect);
        let bank = Bank {
            rate_hz: RATE_HZ,
            gain_db: -3.0,
            sections: vec![filter],
        };
        let planned = Planned::new(&known, &bank, ScoreGrid::from_hz(100.0)).unwrap();
        planned.defect_scores().remove(0)
    }

    /// A peaking stage and that of the opposite gain are each other's inverse (W3C Audio EQ
    /// Cookbook), so the share undone is known in closed form.
    #[test]
    fn the_inverse_of_a_defect_undoes_all_of_it_and_no_filter_nothing() {
        let inverse = score(DefectKind::Resonance, stage(4.0), stage(-4.0));
        assert!((inverse.undone - 1.0).abs() < 1e-9, "{}", inverse.undone);
        assert!(inverse.right);
        let nothing = score(DefectKind::Resonance, stage(4.0), stage(0.0));
        assert!(nothing.undone.abs() < 1e-9, "{}", nothing.undone);
        assert!(!nothing.right);
    }

    #[test]
    fn a_null_that_is_filled_is_wrong_and_one_left_alone_right() {
        let filled = score(DefectKind::DeepNull, stage(-9.0), stage(9.0));
        assert!(!filled.right && filled.local_boost_db > 5.0);
        let left = score(DefectKind::DeepNull, stage(-9.0), stage(0.0));
        assert!(left.right && left.local_boost_db < 1e-9);
    }

    #[test]
    fn a_truth_on_another_grid_is_refused() {
        let mut known = known(DefectKind::Balance, &stage(3.0));
        known.defects[0].room_db.pop();
        let bank = Bank {
            rate_hz: RATE_HZ,
            gain_db: 0.0,
            sections: Vec::new(),
        };
        assert!(Planned::new(&known, &bank, ScoreGrid::from_hz(100.0)).is_err());
    }
}
