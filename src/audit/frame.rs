//! The audit's view of a measurement: every curve on one logarithmic grid, relative to what EQ
//! cannot change.

use super::subject::{CORRECTED_TO_HZ, Options, Subject};
use crate::average::{AveragedCurves, in_room_shares};
use crate::curve::{Grid, Smoother, resample_db};
use crate::error::{Error, Result};
use crate::response::Direction;
use crate::units::{db_to_power, erb_numbers_per_octave};

/// Density of the audit's grid. Fine enough for a resonance of Q 15 (half-gain width of a tenth
/// of an octave), coarse enough to stay quick.
const POINTS_PER_OCTAVE: f64 = 48.0;

/// Audible range that a plan may touch.
const AUDIBLE_HZ: (f64, f64) = (20.0, 20000.0);

/// Width of the trend: what changes more slowly is the speaker's nature. An octave, as the
/// design states ("about an octave wide or more").
pub const TREND_OCT: f64 = 1.0;

/// A curve has rolled off where it lies this far below the speaker's level; -6 dB is the trade's
/// usual corner (common practice, as F6).
const CORNER_DB: f64 = -6.0;

/// Smoothing before the corner is looked for, so that noise does not move it: a third of an
/// octave, the trade's usual resolution for band limits (common practice).
const CORNER_SMOOTHING_OCT: f64 = 1.0 / 3.0;

/// Who a curve of the family belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Who {
    Angle(Direction),
    OnAxis,
    EarlyReflections,
    SoundPower,
}

/// One member of the family, relative to the listening window: EQ leaves it unchanged.
pub(super) struct Member {
    pub who: Who,
    pub relative_db: Vec<f64>,
    /// Share of the in-room response at each frequency, louder members counting more. The
    /// shares of all members add up to one at every frequency.
    pub shares: Vec<f64>,
}

/// Everything the audit looks at.
pub(super) struct Frame {
    pub grid: Grid,
    /// Octaves each frequency stands for times what hearing resolves there; zero outside the
    /// judged band. Adds up to one.
    pub weights: Vec<f64>,
    pub members: Vec<Member>,
    /// Listening window minus target, level taken out.
    pub window_db: Vec<f64>,
    /// Target of the in-room response with its level, where that response is known.
    pub in_room_target_db: Option<Vec<f64>>,
    /// In-room response minus that target; the window's deviation where the in-room curve is not
    /// known.
    pub in_room_db: Vec<f64>,
    /// Level of the listening window over its target.
    pub level_db: f64,
    /// Where the listening window has fallen by 6 dB at the low end, if within the data.
    pub corner_hz: Option<f64>,
    /// The same at the high end.
    pub high_corner_hz: Option<f64>,
    /// First and last index that may be corrected.
    pub judged: std::ops::Range<usize>,
    /// On-axis, early reflections, sound power and in-room response relative to the listening
    /// window, dB, as far as they are known.
    pub averages: [Option<Vec<f64>>; 4],
    /// Upper end of the trusted range, Hz.
    pub trusted_to_hz: Option<f64>,
    /// Takes the trend out of curves on the grid, over [`TREND_OCT`].
    pub trend: Smoother,
    /// True when only averaged curves were at hand.
    pub averages_only: bool,
}

impl Frame {
    pub fn new(subject: &Subject, options: &Options) -> Result<Frame> {
        let source = &subject.curves.grid;
        let from_hz = AUDIBLE_HZ.0.max(source.first_hz());
        let to_hz = AUDIBLE_HZ.1.min(source.last_hz());
        if to_hz < 2.0 * from_hz {
            return Err(Error::call(format!(
                "the measurement spans {:.0} to {:.0} Hz, less than an octave of the audible range",
                source.first_hz(),
                source.last_hz()
            )));
        }
        let grid = Grid::logarithmic(from_hz, to_hz, POINTS_PER_OCTAVE);
        let curves = on_grid(subject.curves, &grid);
        let Some(window) = &curves.listening_window else {
            return Err(Error::call(
                "the measurement gives no listening window: too few of its nine directions are there",
            )
            .with_hint("measure 0, +-10, +-20 and +-30 degrees horizontally and +-10 vertically"));
        };
        let window = &window.levels_db;
        let target = subject.target.curve(&grid);
        let target_db = target.values_db();
        let trend = Smoother::new(&grid, TREND_OCT);

        let above_target_db: Vec<f64> = window.iter().zip(target_db).map(|(l, t)| l - t).collect();
        let hearing: Vec<f64> = grid
            .cells_oct()
            .iter()
            .zip(grid.freqs_hz())
            .map(|(cell, f)| cell * erb_numbers_per_octave(*f))
            .collect();
        let rough_level_db = weighted_median(&above_target_db, &hearing);
        let smooth_db = Smoother::new(&grid, CORNER_SMOOTHING_OCT).apply(&above_target_db);
        let (corner_hz, high_corner_hz) = corners_hz(&grid, &smooth_db, rough_level_db);

        let start_hz = [
            Some(from_hz),
            options.from_hz,
            subject.trusted.from_hz,
            corner_hz,
        ]
        .into_iter()
        .flatten()
        .fold(0.0, f64::max);
        let end_hz = [
            Some(to_hz),
            Some(options.to_hz.unwrap_or(CORRECTED_TO_HZ)),
            subject.trusted.to_hz,
            high_corner_hz,
        ]
        .into_iter()
        .flatten()
        .fold(f64::INFINITY, f64::min);
        let judged = grid.range(start_hz * (1.0 - 1e-9), end_hz * (1.0 + 1e-9));
        if end_hz < 2.0 * start_hz || judged.len() < 24 {
            return Err(Error::call(format!(
                "nothing to judge: the band from {start_hz:.0} to {end_hz:.0} Hz is narrower than an octave"
            ))
            .with_hint("widen --from and --to, or look at the trusted range in speaker.toml"));
        }
        let mut weights = vec![0.0; grid.len()];
        weights[judged.clone()].copy_from_slice(&hearing[judged.clone()]);
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= sum);

        let level_db = weighted_median(&above_target_db, &weights);
        let window_db: Vec<f64> = above_target_db.iter().map(|d| d - level_db).collect();
        let in_room_target_db =
            in_room_target_db(&curves, subject, target_db, level_db, &trend, &weights);
        let in_room_db = match (&in_room_target_db, &curves.in_room) {
            (Some(target), Some(room)) => {
                let levels = room.levels_db.iter();
                levels.zip(target).map(|(level, t)| level - t).collect()
            }
            _ => window_db.clone(),
        };

        let members = match subject.response {
            Some(response) => {
                let response = response.resampled(&grid).ok_or_else(|| {
                    Error::call("the averaged curves reach beyond the measured angles")
                })?;
                let shares = in_room_shares(&response, subject.curves.rear_wall);
                response
                    .members()
                    .iter()
                    .zip(shares)
                    .filter(|(_, share)| *share > 0.0)
                    .map(|(m, share)| {
                        let relative_db: Vec<f64> =
                            m.levels_db.iter().zip(window).map(|(l, w)| l - w).collect();
                        (Who::Angle(m.direction), relative_db, share)
                    })
                    .collect()
            }
            None => averages_as_members(&curves, window),
        };
        let averages = [
            &curves.on_axis,
            &curves.early_reflections,
            &curves.sound_power,
            &curves.in_room,
        ]
        .map(|curve| -> Option<Vec<f64>> {
            let levels_db = &curve.as_ref()?.levels_db;
            Some(levels_db.iter().zip(window).map(|(l, w)| l - w).collect())
        });
        Ok(Frame {
            averages,
            in_room_target_db,
            members: with_loudness(members, &trend),
            trend,
            averages_only: subject.response.is_none(),
            trusted_to_hz: subject.trusted.to_hz,
            grid,
            weights,
            window_db,
            in_room_db,
            level_db,
            corner_hz,
            high_corner_hz,
            judged,
        })
    }
}

impl Frame {
    /// First judged index that is an octave above the corner: below, what stands out is roll-off.
    pub fn above_roll_off(&self) -> usize {
        let octave_above = self
            .corner_hz
            .map_or(0, |corner_hz| self.grid.nearest(2.0 * corner_hz));
        octave_above.clamp(self.judged.start, self.judged.end)
    }

    /// Share of a low deviation at `f_hz` that is not roll-off: 0 at the corner and beyond, 1 an
    /// octave inside, where a second- or fourth-order roll-off has come up to within 0.6 dB of the
    /// level.
    pub fn beside_roll_off(&self, f_hz: f64) -> f64 {
        let inside = |octaves: f64| rising(octaves, (0.0, 1.0));
        let low = self
            .corner_hz
            .map_or(1.0, |corner_hz| inside((f_hz / corner_hz).log2()));
        let high = self
            .high_corner_hz
            .map_or(1.0, |corner_hz| inside((corner_hz / f_hz).log2()));
        low * high
    }

    /// The deviation that is heard at one member, dB.
    pub fn heard_at(&self, member: &Member) -> Vec<f64> {
        member
            .relative_db
            .iter()
            .zip(&self.window_db)
            .map(|(r, w)| r + w)
            .collect()
    }
}

fn on_grid(curves: &AveragedCurves, grid: &Grid) -> AveragedCurves {
    let named = curves.named().map(|(_, curve)| {
        curve.and_then(|curve| {
            resample_db(&curves.grid, &curve.levels_db, grid)
                .into_iter()
                .collect::<Option<Vec<f64>>>()
        })
    });
    AveragedCurves::from_table(grid.clone(), named)
}

/// The in-room target is the listening-window target minus the trend of the speaker's own
/// directivity, at the level of the window, unless the target states a slope: that has a level of its
/// own. `None` where the window or the in-room response is not known.
fn in_room_target_db(
    curves: &AveragedCurves,
    subject: &Subject,
    target_db: &[f64],
    level_db: f64,
    trend: &Smoother,
    weights: &[f64],
) -> Option<Vec<f64>> {
    let window = &curves.listening_window.as_ref()?.levels_db;
    let in_room = &curves.in_room.as_ref()?.levels_db;
    let freqs_hz = curves.grid.freqs_hz();
    let Some(slope) = subject.target.in_room_slope_db_per_oct else {
        let index_db: Vec<f64> = window.iter().zip(in_room).map(|(w, r)| w - r).collect();
        let target = target_db.iter().zip(trend.apply(&index_db));
        return Some(target.map(|(t, index)| t - index + level_db).collect());
    };
    let sloping = |f_hz: &f64| slope * (f_hz / 1000.0).log2();
    let above_db: Vec<f64> = (freqs_hz.iter().zip(in_room))
        .map(|(f, level)| level - sloping(f))
        .collect();
    let own_level_db = weighted_median(&above_db, weights);
    Some(freqs_hz.iter().map(|f| sloping(f) + own_level_db).collect())
}

/// With averages only, three curves stand for the family: what is known of the direct sound, the
/// reflections and the power, with the weights of the in-room response.
fn averages_as_members(curves: &AveragedCurves, window: &[f64]) -> Vec<(Who, Vec<f64>, f64)> {
    [
        (Who::OnAxis, &curves.on_axis, 0.12),
        (Who::EarlyReflections, &curves.early_reflections, 0.44),
        (Who::SoundPower, &curves.sound_power, 0.44),
    ]
    .into_iter()
    .filter_map(|(who, curve, share)| {
        let levels_db = &curve.as_ref()?.levels_db;
        let relative_db = levels_db.iter().zip(window).map(|(l, w)| l - w).collect();
        Some((who, relative_db, share))
    })
    .collect()
}

fn with_loudness(members: Vec<(Who, Vec<f64>, f64)>, trend: &Smoother) -> Vec<Member> {
    let mut members: Vec<Member> = members
        .into_iter()
        .map(|(who, relative_db, share)| {
            let shares = trend
                .apply(&relative_db)
                .into_iter()
                .map(|level| share * db_to_power(level))
                .collect();
            Member {
                who,
                relative_db,
                shares,
            }
        })
        .collect();
    let count = members.first().map_or(0, |m| m.shares.len());
    for i in 0..count {
        let sum: f64 = members.iter().map(|m| m.shares[i]).sum();
        members.iter_mut().for_each(|m| m.shares[i] /= sum);
    }
    members
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

/// 0 up to the first limit, 1 from the second on, smooth between.
pub(super) fn rising(x: f64, limits: (f64, f64)) -> f64 {
    let t = ((x - limits.0) / (limits.1 - limits.0)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// The level of a curve in dB: half of what hearing resolves lies below.
pub fn median_level_db(grid: &Grid, levels_db: &[f64]) -> f64 {
    let weights: Vec<f64> = grid
        .cells_oct()
        .iter()
        .zip(grid.freqs_hz())
        .map(|(cell, f)| cell * erb_numbers_per_octave(*f))
        .collect();
    weighted_median(levels_db, &weights)
}

/// Value that half of the weight lies below.
pub(super) fn weighted_median(values: &[f64], weights: &[f64]) -> f64 {
    weighted_quantile(values, weights, 0.5)
}

/// Value that this share of the weight lies below.
pub(super) fn weighted_quantile(values: &[f64], weights: &[f64], share: f64) -> f64 {
    let mut pairs: Vec<(f64, f64)> = values
        .iter()
        .copied()
        .zip(weights.iter().copied())
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let below = share * pairs.iter().map(|p| p.1).sum::<f64>();
    let mut sum = 0.0;
    for (value, weight) in &pairs {
        sum += weight;
        if sum >= below {
            return *value;
        }
    }
    pairs.last().map_or(0.0, |p| p.0)
}

/// Where the smoothed curve comes within 6 dB of its level, seen from both ends; `None` where it
/// does not fall that far within the data.
fn corners_hz(grid: &Grid, above_target_db: &[f64], level_db: f64) -> (Option<f64>, Option<f64>) {
    let up = |d: &f64| *d > level_db + CORNER_DB;
    let first = above_target_db.iter().position(up).filter(|i| *i > 0);
    let last = above_target_db
        .iter()
        .rposition(up)
        .filter(|i| i + 1 < grid.len());
    let at = |i: Option<usize>| i.map(|i| grid.freqs_hz()[i]);
    (at(first), at(last))
}
