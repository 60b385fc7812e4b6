//! Which peaks the seats share.
//!
//! Frequency by frequency the seats share the mean of what they lie over the baseline, but never
//! so much that a cut of it makes one seat worse than it was, which is at twice its height: then
//! the seat lies as far below as it stood above. So what one seat lacks is not shared. Where that
//! curve has peaks worth a stage it is taken apart into the shapes of stages, largest first, each
//! time adjusted to each other. At last cuts shrink until no seat has more variance than before.

use super::peak::{Peak, bell_db};
use crate::curve::{Grid, Smoother};
use crate::units::{median, q_of_width_oct, width_oct_of_q};
use std::ops::Range;

/// A shared peak gets a stage from this size on, dB.
const WORTH_A_STAGE_DB: f64 = 2.0;

/// So much may stay of a shared peak that got one, dB.
const MAY_STAY_DB: f64 = 0.8;

/// What most seats have and some lack is looked at from this size of the median on, dB.
const DISPUTED_DB: f64 = 3.0;

/// Widths that are looked at, as Q. Wider than a third of an octave is a tendency of the room
/// rather than a mode, and to cut it would lift the nulls in it against what is round them;
/// narrower than Q 32 rings for more than a second at 40 Hz, where homes do not.
const QS: [f64; 7] = [4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0];

/// The widest and the narrowest Q after adjusting.
const Q_RANGE: (f64, f64) = (3.5, 32.0);

/// More stages than a device has are not looked for.
const MOST_PEAKS: usize = 14;

/// Smoothing before seats are compared, octaves: takes out noise, keeps a mode of Q 30.
const SEARCH_OCT: f64 = 1.0 / 48.0;

/// So far to either side of its maximum the middle of a stage may lie, octaves: farther away it would
/// stand between two peaks and cut the valley.
const SHIFT_OCT: f64 = 1.0 / 48.0;

/// Two maxima are peaks of their own when they stand at least so far apart, octaves, and either half
/// of a stage's width or a valley of so many dB lies between: what is nearer is one mode with a
/// kink.
const APART_OCT: f64 = 1.0 / 20.0;
const VALLEY_DB: f64 = 1.0;

/// Rounds in which stages are adjusted to each other.
const ROUNDS: usize = 8;

/// Weight of frequencies where nothing is shared, and what each dB of a shared peak adds to it: the
/// tops are to be met, beside them a cut must only not stray.
const NOT_SHARED_WEIGHT: f64 = 0.15;
const WEIGHT_PER_DB: f64 = 0.3;

/// What seats lie over the baseline, on one grid.
pub(super) struct Seats<'a> {
    pub grid: &'a Grid,
    /// One list per seat, dB over the baseline.
    pub over_db: Vec<Vec<f64>>,
    /// The seats as they are heard, dB, baseline and all.
    pub heard_db: &'a [Vec<f64>],
    /// Weight of each frequency: its octaves within the zone, less in the join above.
    pub weights: Vec<f64>,
    /// The frequencies at which a peak may have its middle.
    pub zone: Range<usize>,
    /// The frequencies over which no seat may come out worse.
    pub heard: Range<usize>,
    /// The narrowest stage that the device makes, as Q.
    pub q_at_most: f64,
}

/// Peaks that may be cut, and maxima that most seats have but not all.
#[derive(Default)]
pub(super) struct Found {
    pub shared: Vec<Peak>,
    pub disputed: Vec<Peak>,
}

impl Seats<'_> {
    /// Finds the peaks.
    pub fn peaks(&self) -> Found {
        let smoother = Smoother::new(self.grid, SEARCH_OCT);
        let smooth: Vec<Vec<f64>> = self.over_db.iter().map(|s| smoother.apply(s)).collect();
        let at = |i: usize| -> Vec<f64> { smooth.iter().map(|seat| seat[i]).collect() };
        let middle: Vec<f64> = (0..self.grid.len()).map(|i| median(at(i))).collect();
        let shared: Vec<f64> = (0..self.grid.len())
            .map(|i| {
                let least = at(i).into_iter().fold(f64::INFINITY, f64::min);
                mean(at(i)).min(2.0 * least).max(0.0)
            })
            .collect();
        let mut stages = self.taken_apart(&shared);
        self.keep_every_seat(&mut stages);
        let mut peaks: Vec<Peak> = stages
            .iter()
            .map(|stage| self.told(stage, &smooth, &shared))
            .collect();
        peaks.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz));
        let disputed = self
            .tops(&middle)
            .filter(|i| middle[*i] >= DISPUTED_DB && shared[*i] < WORTH_A_STAGE_DB)
            .map(|i| {
                let q = q_of(self.grid, &middle, i);
                let stage = Stage {
                    top: i,
                    f0_hz: self.grid.freqs_hz()[i],
                    q,
                    cut_db: 0.0,
                };
                self.told(&stage, &smooth, &shared)
            })
            .collect();
        Found {
            shared: peaks,
            disputed,
        }
    }

    /// Local maxima of a curve within the zone.
    fn tops<'a>(&self, curve: &'a [f64]) -> impl Iterator<Item = usize> + 'a {
        let last = curve.len() - 1;
        self.zone.clone().filter(move |i| {
            let i = *i;
            (i == 0 || curve[i] >= curve[i - 1]) && (i == last || curve[i] > curve[i + 1])
        })
    }

    /// The shapes of stages that make up `shared`, where it has peaks worth one.
    fn taken_apart(&self, shared: &[f64]) -> Vec<Stage> {
        let weights: Vec<f64> = self
            .weights
            .iter()
            .zip(shared)
            .map(|(w, s)| w * (NOT_SHARED_WEIGHT + WEIGHT_PER_DB * s))
            .collect();
        let mut stages: Vec<Stage> = Vec::new();
        let mut left = shared.to_vec();
        for _ in 0..MOST_PEAKS {
            // A peak that has a stage must be met closely; one without must be worth it.
            let open = self
                .tops(&left)
                .filter(|i| stages.iter().all(|s| self.are_apart(s, *i, shared)))
                .filter(|i| {
                    let least = if shared[*i] >= 2.0 * left[*i] {
                        MAY_STAY_DB
                    } else {
                        WORTH_A_STAGE_DB
                    };
                    shared[*i] >= WORTH_A_STAGE_DB && left[*i] >= least
                })
                .max_by(|a, b| left[*a].total_cmp(&left[*b]));
            let Some(top) = open else { break };
            stages.push(self.best_at(&left, top, &weights));
            self.adjust(&mut stages, shared, &weights);
            left = self.without(&stages, shared, None);
        }
        self.meet_tops(&mut stages, shared);
        stages.retain(|stage| stage.cut_db >= MAY_STAY_DB);
        stages
    }

    /// Whether the maximum of `shared` at `i` is another peak than that of `stage`.
    fn are_apart(&self, stage: &Stage, i: usize, shared: &[f64]) -> bool {
        let apart_oct = (self.grid.freqs_hz()[i] / self.grid.freqs_hz()[stage.top])
            .log2()
            .abs();
        let between = &shared[i.min(stage.top)..=i.max(stage.top)];
        let valley_db = between.iter().copied().fold(f64::INFINITY, f64::min);
        apart_oct > APART_OCT
            && (apart_oct > 0.5 * width_oct_of_q(stage.q)
                || valley_db < shared[i].min(shared[stage.top]) - VALLEY_DB)
    }

    /// Sizes the stages so that together they take off what is shared at the top of each.
    fn meet_tops(&self, stages: &mut [Stage], shared: &[f64]) {
        const PASSES: usize = 6;
        /// So much of what is missing is added at a time: neighbours add their part.
        const STEP: f64 = 0.7;
        let freqs_hz = self.grid.freqs_hz();
        let near = SEARCH_OCT.exp2();
        for _ in 0..PASSES {
            let left = self.without(stages, shared, None);
            for stage in stages.iter_mut() {
                let round = self.grid.range(stage.f0_hz / near, stage.f0_hz * near);
                let top = round.max_by(|a, b| shared[*a].total_cmp(&shared[*b]));
                let top = top.unwrap_or(self.grid.nearest(stage.f0_hz));
                let share = stage.cut_db.max(0.1)
                    / bell_db(freqs_hz, stage.f0_hz, stage.q, stage.cut_db.max(0.1))[top].max(0.05);
                stage.cut_db = (stage.cut_db + STEP * left[top] * share.min(2.0)).max(0.0);
            }
        }
    }

    fn without(&self, stages: &[Stage], shared: &[f64], but: Option<usize>) -> Vec<f64> {
        let mut left = shared.to_vec();
        for (k, stage) in stages.iter().enumerate() {
            if Some(k) != but {
                let shape = stage.shape_db(self.grid);
                left.iter_mut().zip(&shape).for_each(|(l, s)| *l -= s);
            }
        }
        left
    }

    fn narrowest_q(&self) -> f64 {
        self.q_at_most.clamp(Q_RANGE.0, Q_RANGE.1)
    }

    fn best_at(&self, left: &[f64], top: usize, weights: &[f64]) -> Stage {
        let with = |q| Stage {
            top,
            f0_hz: self.grid.freqs_hz()[top],
            q,
            cut_db: 0.0,
        };
        let tried = QS.map(|q| self.sized(left, with(q.min(self.narrowest_q())), weights));
        let best = tried.into_iter().max_by(|a, b| a.1.total_cmp(&b.1));
        best.map_or(with(QS[0]), |b| b.0)
    }

    /// `stage` with the size that explains most of `left`, and by how much the sum of squares falls.
    fn sized(&self, left: &[f64], stage: Stage, weights: &[f64]) -> (Stage, f64) {
        let product = |a: &[f64], b: &[f64]| -> f64 {
            let pairs = a.iter().zip(b).zip(weights);
            pairs.map(|((a, b), w)| w * a * b).sum()
        };
        // The shape depends a little on its size; three times is enough.
        let mut cut_db: f64 = 6.0;
        for _ in 0..3 {
            let size = cut_db.clamp(0.5, 30.0);
            let mut unit = bell_db(self.grid.freqs_hz(), stage.f0_hz, stage.q, size);
            unit.iter_mut().for_each(|v| *v /= size);
            cut_db = product(left, &unit) / product(&unit, &unit);
        }
        let stage = Stage {
            cut_db: cut_db.max(0.0),
            ..stage
        };
        let shape = stage.shape_db(self.grid);
        (stage, 2.0 * product(left, &shape) - product(&shape, &shape))
    }

    /// Adjusts every stage to what the others leave.
    fn adjust(&self, stages: &mut [Stage], shared: &[f64], weights: &[f64]) {
        let freqs_hz = self.grid.freqs_hz();
        let (low_hz, high_hz) = (freqs_hz[self.zone.start], freqs_hz[self.zone.end - 1]);
        for round in 0..ROUNDS {
            let step = 0.6f64.powi(round as i32);
            for k in 0..stages.len() {
                let left = self.without(stages, shared, Some(k));
                let from = stages[k];
                let mut best = (from, f64::NEG_INFINITY);
                let top_hz = freqs_hz[from.top];
                for shift in [0.0, -1.0, 1.0] {
                    for wider in [0.0, -1.0, 1.0] {
                        let f0_hz = (from.f0_hz * (0.5 * step * shift * SHIFT_OCT).exp2())
                            .clamp(top_hz / SHIFT_OCT.exp2(), top_hz * SHIFT_OCT.exp2());
                        let q = from.q * (0.4 * step * wider).exp2();
                        let moved = Stage {
                            f0_hz: f0_hz.clamp(low_hz, high_hz),
                            q: q.clamp(Q_RANGE.0, self.narrowest_q()),
                            ..from
                        };
                        let tried = self.sized(&left, moved, weights);
                        if tried.1 > best.1 {
                            best = tried;
                        }
                    }
                }
                stages[k] = best.0;
            }
        }
    }

    /// Makes cuts smaller until no seat has more variance than before.
    fn keep_every_seat(&self, stages: &mut Vec<Stage>) {
        /// Share of a cut that stays at each step.
        const STEP: f64 = 0.85;
        /// By this share a seat's variance falls at least: what is less may be turned round by
        /// noise and by the device's rounding.
        const FALL: f64 = 0.005;
        let mut shapes: Vec<Vec<f64>> = stages.iter().map(|s| s.shape_db(self.grid)).collect();
        // By octaves as it is heard, and by hertz as rows of a transform count.
        let octaves = self.grid.cells_oct();
        let hertz: Vec<f64> = octaves
            .iter()
            .zip(self.grid.freqs_hz())
            .map(|(cell, f)| cell * f)
            .collect();
        for _ in 0..MOST_PEAKS * 16 {
            let variance = |seat: &[f64], cells: &[f64], but: Option<usize>| {
                let mut after = seat.to_vec();
                for (k, shape) in shapes.iter().enumerate() {
                    if Some(k) != but {
                        after.iter_mut().zip(shape).for_each(|(v, s)| *v -= s);
                    }
                }
                variance_within(&after, cells, self.heard.clone())
            };
            // With the tendency of the room as well as without it.
            let worst = self
                .over_db
                .iter()
                .chain(self.heard_db)
                .flat_map(|seat| [(seat, &octaves), (seat, &hertz)])
                .map(|(seat, cells)| {
                    let before = variance_within(seat, cells, self.heard.clone());
                    let rise = variance(seat, cells, None) - (1.0 - FALL) * before;
                    (seat, cells, rise)
                })
                .filter(|(_, _, rise)| *rise > 0.0)
                .max_by(|a, b| a.2.total_cmp(&b.2));
            let Some((seat, cells, _)) = worst else {
                return;
            };
            // The stage without which that seat would have least.
            let guilty = (0..stages.len())
                .map(|k| (k, variance(seat, cells, Some(k))))
                .min_by(|a, b| a.1.total_cmp(&b.1));
            let Some((guilty, _)) = guilty else { return };
            stages[guilty].cut_db *= STEP;
            if stages[guilty].cut_db < MAY_STAY_DB {
                stages.remove(guilty);
                shapes.remove(guilty);
            } else {
                shapes[guilty] = stages[guilty].shape_db(self.grid);
            }
        }
    }

    /// What the seats say of a stage.
    fn told(&self, stage: &Stage, smooth: &[Vec<f64>], shared: &[f64]) -> Peak {
        let i = self.grid.nearest(stage.f0_hz);
        let heights: Vec<f64> = smooth.iter().map(|seat| seat[i]).collect();
        let count = heights.len() as f64;
        let mean_db = heights.iter().sum::<f64>() / count;
        let variance = heights.iter().map(|h| (h - mean_db).powi(2)).sum::<f64>() / count;
        Peak {
            f0_hz: stage.f0_hz,
            q: stage.q,
            cut_db: stage.cut_db,
            mean_db,
            shared_db: shared[i],
            least_db: heights.iter().copied().fold(f64::INFINITY, f64::min),
            most_db: heights.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            spread_db: variance.sqrt(),
        }
    }
}

/// A cut as it is looked for.
#[derive(Clone, Copy)]
struct Stage {
    /// Index of the maximum that it is for.
    top: usize,
    f0_hz: f64,
    q: f64,
    cut_db: f64,
}

impl Stage {
    fn shape_db(&self, grid: &Grid) -> Vec<f64> {
        bell_db(grid.freqs_hz(), self.f0_hz, self.q, self.cut_db)
    }
}

fn mean(values: Vec<f64>) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Q of the maximum at `top` by where the curve has fallen to half of it.
fn q_of(grid: &Grid, curve: &[f64], top: usize) -> f64 {
    let half = 0.5 * curve[top];
    let freqs_hz = grid.freqs_hz();
    let low = (0..top).rev().find(|i| curve[*i] < half).unwrap_or(0);
    let high = (top..curve.len())
        .find(|i| curve[*i] < half)
        .unwrap_or(curve.len() - 1);
    let width_oct = (freqs_hz[high] / freqs_hz[low]).log2();
    q_of_width_oct(width_oct.max(1e-3)).clamp(Q_RANGE.0, Q_RANGE.1)
}

/// Variance of `values` within `range`, weighted with `cells`.
pub(super) fn variance_within(values: &[f64], cells: &[f64], range: Range<usize>) -> f64 {
    let sum: f64 = cells[range.clone()].iter().sum();
    let weighted = |power: i32, around: f64| -> f64 {
        range
            .clone()
            .map(|i| cells[i] * (values[i] - around).powi(power))
            .sum::<f64>()
            / sum
    };
    weighted(2, weighted(1, 0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_is_shared_than_twice_what_the_lowest_seat_has() {
        let grid = Grid::logarithmic(20.0, 200.0, 96.0);
        let over_db: Vec<Vec<f64>> = [9.0, 9.0, 2.0]
            .map(|size_db| bell_db(grid.freqs_hz(), 50.0, 8.0, size_db))
            .to_vec();
        let seats = Seats {
            grid: &grid,
            heard_db: &over_db,
            over_db: over_db.clone(),
            weights: grid.cells_oct(),
            zone: 0..grid.len(),
            heard: 0..grid.len(),
            q_at_most: 10.0,
        };
        let found = seats.peaks().shared;
        assert_eq!(found.len(), 1);
        // The mean is 6.7 dB; cut by more than 4 dB the third seat would lie farther below than it
        // stood above. The search smooths a little off the tops.
        let peak = found[0];
        assert!((peak.f0_hz / 50.0).log2().abs() < 0.02, "{}", peak.f0_hz);
        assert!((3.6..=4.0).contains(&peak.shared_db), "{}", peak.shared_db);
        assert!(peak.cut_db <= 4.0, "{}", peak.cut_db);
        assert!((peak.mean_db - 6.67).abs() < 0.4, "{}", peak.mean_db);
    }
}
