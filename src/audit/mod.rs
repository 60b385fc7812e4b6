//! What EQ can mend and what it must leave alone, with the evidence: candidates and the wish.
//!
//! One filter moves every angle by the same amount. So the audit asks of every bump and dip of
//! the listening window whether all the sound the speaker sends into the room has it.

mod candidate;
mod candidates;
mod component;
mod corrected;
mod energy;
mod evidence;
mod family;
mod frame;
mod left_alone;
mod no_rougher;
mod resolution;
mod roll_off;
mod stretch;
mod subject;
mod weigh;
mod witness;

pub use candidate::{CURVES_DIFFER_DB, Candidate, Cause, Circumstance, WORTH_SAYING_DB, Wish};
pub use energy::Deviations;
pub use family::Movement;
pub use frame::{TREND_OCT, median_level_db};
pub use subject::{BOOST_AT_MOST_DB, Basis, CORRECTED_TO_HZ, Options, Subject};
pub use witness::Witness;

use crate::curve::{Band, Curve, Grid};
use crate::error::Result;
use crate::target::Target;
use component::{ShapeLimits, sum_of_shapes};
use frame::{Frame, mean_and_spread, rising};
use left_alone::Heard;
use witness::Witnesses;

/// The result of an audit. All curves lie on `grid`. It never changes: what the room, the owner or
/// the other unit of a pair say to it is a [`Wish`] of their own.
#[derive(Debug, Clone, PartialEq)]
pub struct Audit {
    /// The audit's frequencies, logarithmic.
    pub grid: Grid,
    /// The EQ that the audit allows, and what it answers to or passes over.
    pub wish: Wish,
    /// Weight of each frequency in a fit of the wish: what hearing gives it within the judged
    /// band, less outside where the filters must only not stray.
    pub fit_weights: Vec<f64>,
    /// The shared part of the deviation: the family's weighted mean of local deviations.
    pub shared: Curve,
    /// The family's weighted standard deviation of local deviations; zero without angles.
    pub spread: Curve,
    /// Deviations from target with their weights.
    pub deviations: Deviations,
    /// Target of the in-room response with its level, where that response is known.
    pub in_room_target: Option<Curve>,
    /// The judged band.
    pub judged: Band,
    /// Where the listening window has fallen by 6 dB at the low end, Hz, if within the data.
    pub corner_hz: Option<f64>,
    /// Level of the listening window over its target, dB.
    pub level_db: f64,
    /// True when only averaged curves were at hand, which makes the evidence weaker.
    pub averages_only: bool,
    /// Dips of more Q are not filled.
    pub dip_q_at_most: f64,
    /// What the judgement rests on.
    pub basis: Basis,
}

impl Audit {
    /// The listening window before any EQ, relative to its own level.
    pub fn window_before(&self, target: &Target) -> Curve {
        &self.deviations.window + &target.curve(&self.grid)
    }
}

/// Dips of more than this Q are passed over: most that narrow are cancellations, and those that
/// are not are hardly heard (Buecklein 1981, from memory: peaks are more audible than equal dips,
/// narrow dips often go unnoticed).
const DIP_Q: f64 = 2.8;

/// The same where only averaged curves are at hand and the angles cannot be asked.
const DIP_Q_AVERAGES: f64 = 1.0;

/// A hole of the listening window is a dip so deep, dB: nobody fills it, and the network's evidence ends at 12 dB.
const HOLE_DB: f64 = 18.0;

/// It reaches to where the window has come up to this, dB.
const HOLE_EDGE_DB: f64 = -1.5;

/// A broad lack may exceed that on the axis by this much, dB. Our own judgement: more is right oftener in
/// the trial and makes a real speaker's flat axis rise (`DEVELOPERS.md`).
const BROAD_SLACK_DB: f64 = 0.3;

/// So near to an end of the judged band a dip cannot be told from roll-off, octaves.
const EDGE_OCT: f64 = 0.5;

/// From nothing to everything that the weighing says, octaves over the corner; the upper end is 2.2
/// times the corner (see [`taught`]).
const TAUGHT_FROM_OCT: (f64, f64) = (0.64, 1.14);

/// Weight of frequencies outside the judged band against those inside: enough to keep the
/// filters from straying, too little to cost them anything inside. Our own judgement.
const OUTSIDE_WEIGHT: f64 = 0.1;

/// What the audit hears of a speaker before it judges: for those who learn its weights anew
/// (`examples/weights`).
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// The audit's frequencies.
    pub grid: Grid,
    /// Listening window minus target, level taken out, dB.
    pub window_db: Vec<f64>,
    /// The same without what is only roll-off, dB: what is weighed.
    pub deviation_db: Vec<f64>,
    /// That level, dB.
    pub level_db: f64,
    /// Where the window has fallen by 6 dB at the low end, Hz, if within the data.
    pub corner_hz: Option<f64>,
    /// Indices of the judged frequencies.
    pub judged: std::ops::Range<usize>,
    /// The evidence, one value per frequency each.
    pub curves: Vec<Vec<f64>>,
}

/// Hears a speaker without judging it.
///
/// # Errors
/// As [`audit`].
pub fn evidence(subject: &Subject, options: &Options) -> Result<Evidence> {
    let frame = Frame::new(subject, options)?;
    let deviation_db = without_roll_off(&frame);
    Ok(Evidence {
        curves: evidence::evidence(&frame, &deviation_db),
        deviation_db,
        grid: frame.grid,
        window_db: frame.window_db,
        level_db: frame.level_db,
        corner_hz: frame.corner_hz,
        judged: frame.judged,
    })
}

/// Audits a measurement.
///
/// # Errors
/// When there is no listening window, or the band to judge is narrower than an octave.
pub fn audit(subject: &Subject, options: &Options) -> Result<Audit> {
    let frame = Frame::new(subject, options)?;
    let freqs_hz = frame.grid.freqs_hz();
    let deviation_db = without_roll_off(&frame);
    let weighed = weigh::weigh(&evidence::evidence(&frame, &deviation_db))
        .where_taught(|i| taught(&frame, freqs_hz[i]));
    let mut mendable_db: Vec<f64> = deviation_db
        .iter()
        .zip(&weighed.not_shared_db)
        .map(|(d, n)| d - n)
        .collect();
    lack_no_more_than_axis(&frame, &mut mendable_db);
    let basis = Basis::of(subject);
    let limits = ShapeLimits {
        width_at_least_oct: 1.0 / basis.points_per_octave,
        dip_q_at_most: if frame.averages_only {
            DIP_Q_AVERAGES
        } else {
            DIP_Q
        },
        dip_at_most_db: options.boost_at_most_db,
    };
    let witnesses = Witnesses::new(subject, &frame);
    witnesses.bridge_second_source(&mut mendable_db);
    bridge_holes(&frame, &deviation_db, &mut mendable_db);
    let edge = EDGE_OCT.exp2();
    let (first_hz, last_hz) = (freqs_hz[frame.judged.start], freqs_hz[frame.judged.end - 1]);
    let no_dip = |f_hz: f64| {
        f_hz < first_hz * edge || f_hz * edge > last_hz || !witnesses.at(f_hz).is_empty()
    };
    let mut components =
        component::decompose(&frame, &mendable_db, &frame.weights, limits, &no_dip);
    no_rougher::cut_down(&frame, &mut components);
    no_rougher::leave_no_more(&frame, &mut components);
    let mut wish_db: Vec<f64> = sum_of_shapes(&components, freqs_hz)
        .iter()
        .map(|s| -s)
        .collect();
    // A lack of the bass and an excess of everything else are one wish: at the level at which half of
    // what is heard is left as it is, others see what is boosted and what is cut.
    let level_db = frame::weighted_median(&wish_db, &frame.weights);
    wish_db.iter_mut().for_each(|wish| *wish -= level_db);
    limit_boost(&frame, &mut wish_db, options.boost_at_most_db);
    let heard = Heard {
        frame: &frame,
        deviation_db: &deviation_db,
        weighed: &weighed,
        witnesses: &witnesses,
        wish_db: &wish_db,
    };
    let candidates = candidates::all(&heard, &components);
    let (shared_db, spread_db) = shared_and_spread(&frame);
    let curve = |values_db: Vec<f64>| Curve::new(frame.grid.clone(), values_db);
    Ok(Audit {
        fit_weights: fit_weights(&frame),
        wish: Wish::new(curve(wish_db), candidates),
        shared: curve(shared_db),
        spread: curve(spread_db),
        deviations: Deviations {
            weights: frame.weights.clone(),
            window: curve(frame.window_db.clone()),
            in_room: curve(frame.in_room_db.clone()),
        },
        in_room_target: frame.in_room_target_db.clone().map(curve),
        judged: Band {
            from_hz: freqs_hz[frame.judged.start],
            to_hz: freqs_hz[frame.judged.end - 1],
        },
        corner_hz: frame.corner_hz,
        level_db: frame.level_db,
        averages_only: frame.averages_only,
        dip_q_at_most: limits.dip_q_at_most,
        basis,
        grid: frame.grid,
    })
}

/// How far the weighing is believed at `f_hz`: it was taught nothing below 2.2 times the corner, where
/// every box is small against the wave and all angles hear the same.
fn taught(frame: &Frame, f_hz: f64) -> f64 {
    frame.corner_hz.map_or(1.0, |corner_hz| {
        rising((f_hz / corner_hz).log2(), TAUGHT_FROM_OCT)
    })
}

/// The listening window's deviation without what is only roll-off: less of what was measured, and
/// nothing that was not.
fn without_roll_off(frame: &Frame) -> Vec<f64> {
    let roll_off_db = roll_off::roll_off_db(frame);
    (frame.grid.freqs_hz().iter())
        .zip(frame.window_db.iter().zip(roll_off_db))
        .map(|(f, (window, roll_off))| {
            let deviation = (window - roll_off).clamp(window.min(0.0), window.max(0.0));
            if deviation < 0.0 {
                deviation * frame.beside_roll_off(*f)
            } else {
                deviation
            }
        })
        .collect()
}

/// A broad lack of the window that the axis does not have is beaming and no matter of balance:
/// who fills it makes the axis shrill.
fn lack_no_more_than_axis(frame: &Frame, mendable_db: &mut [f64]) {
    let Some(axis_over_window_db) = &frame.averages[0] else {
        return;
    };
    let broad = |values: &[f64]| -> Vec<f64> {
        let smooth = frame.trend.apply(values);
        let middle_db = frame::weighted_median(&smooth, &frame.weights);
        smooth.iter().map(|v| v - middle_db).collect()
    };
    let axis_db: Vec<f64> = mendable_db
        .iter()
        .zip(axis_over_window_db)
        .map(|(m, a)| m + a)
        .collect();
    let (window_db, axis_db) = (broad(mendable_db), broad(&axis_db));
    for ((mendable, window), axis) in mendable_db.iter_mut().zip(window_db).zip(axis_db) {
        *mendable += (axis.min(0.0) - BROAD_SLACK_DB - window).max(0.0);
    }
}

/// Nothing is filled or cut within a hole: what the weighing leaves of its flanks are no bumps.
fn bridge_holes(frame: &Frame, deviation_db: &[f64], mendable_db: &mut [f64]) {
    let judged = frame.judged.clone();
    let mut at = judged.start;
    while at < judged.end {
        let low = |i: &usize| deviation_db[*i] < HOLE_EDGE_DB;
        let end = (at..judged.end).take_while(low).count() + at;
        let deepest = deviation_db[at..end].iter().copied().fold(0.0, f64::min);
        if deepest < -HOLE_DB {
            let (left, right) = (
                at.saturating_sub(1).max(judged.start),
                end.min(judged.end - 1),
            );
            let (from_db, to_db) = (mendable_db[left], mendable_db[right]);
            for (i, mendable) in mendable_db[at..end].iter_mut().enumerate() {
                let share = (at + i - left) as f64 / (right - left).max(1) as f64;
                *mendable = from_db + share * (to_db - from_db);
            }
        }
        at = end + 1;
    }
}

fn limit_boost(frame: &Frame, wish_db: &mut [f64], boost_at_most_db: f64) {
    for (f, wish) in frame.grid.freqs_hz().iter().zip(wish_db.iter_mut()) {
        *wish = wish.min(boost_at_most_db);
        if *wish > 0.0 {
            *wish *= frame.beside_roll_off(*f);
        }
    }
}

fn fit_weights(frame: &Frame) -> Vec<f64> {
    let usual = frame.weights.iter().copied().fold(0.0, f64::max);
    frame
        .weights
        .iter()
        .map(|w| if *w > 0.0 { *w } else { OUTSIDE_WEIGHT * usual })
        .collect()
}

/// Weighted mean and standard deviation of the members' local deviations.
fn shared_and_spread(frame: &Frame) -> (Vec<f64>, Vec<f64>) {
    let local = |values: &[f64]| -> Vec<f64> {
        values
            .iter()
            .zip(frame.trend.apply(values))
            .map(|(v, t)| v - t)
            .collect()
    };
    let window_local = local(&frame.window_db);
    let members: Vec<Vec<f64>> = frame
        .members
        .iter()
        .map(|m| local(&m.relative_db))
        .collect();
    (0..frame.grid.len())
        .map(|i| {
            let part: Vec<(f64, f64)> = members
                .iter()
                .zip(&frame.members)
                .map(|(local, m)| (window_local[i] + local[i], m.shares[i]))
                .collect();
            mean_and_spread(&part).unwrap_or((window_local[i], 0.0))
        })
        .unzip()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::average::{AveragedCurves, RearWall};
    use crate::curve::{At, Limits};
    use crate::response::{Direction, Member, Orbit, Response};
    use num_complex::Complex64;

    /// An ideal speaker with a weaker copy, loudest at 1 kHz, whose phase at each angle is
    /// `turn_rad`.
    pub(super) fn with_copy(copy: f64, turn_rad: impl Fn(Orbit, f64) -> f64) -> Response {
        let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
        let member = |orbit, angle_deg: f64| {
            let level = |f: &f64| {
                let s = Complex64::new(0.0, f / 1000.0);
                let band = s / (s * s + s + 1.0);
                let turned = Complex64::from_polar(1.0, turn_rad(orbit, angle_deg));
                20.0 * (1.0 + copy * band * turned).norm().log10()
            };
            Member {
                direction: Direction::new(orbit, angle_deg),
                levels_db: grid.freqs_hz().iter().map(level).collect(),
                phase_deg: None,
                mirrored: false,
            }
        };
        let members = (-17..=18)
            .flat_map(|i| {
                [Orbit::Horizontal, Orbit::Vertical].map(|o| member(o, f64::from(10 * i)))
            })
            .collect();
        Response::new(grid.clone(), members).expect("every angle once")
    }

    #[test]
    fn the_weighing_is_believed_above_twice_the_corner_and_not_near_it() {
        let mut frame = frame_of(&with_copy(0.0, |_, _| 0.0));
        assert_eq!(taught(&frame, 30.0), 1.0);
        frame.corner_hz = Some(50.0);
        assert_eq!(taught(&frame, 75.0), 0.0);
        assert!((0.2..0.8).contains(&taught(&frame, 93.0)));
        assert_eq!(taught(&frame, 112.0), 1.0);
    }

    pub(super) fn frame_of(response: &Response) -> Frame {
        let curves = AveragedCurves::from_response(response, RearWall::default());
        let target = Target {
            name: "flat".into(),
            about: String::new(),
            reason: String::new(),
            points: vec![At {
                f_hz: 1000.0,
                value_db: 0.0,
            }],
            in_room_slope_db_per_oct: None,
        };
        let subject = Subject {
            response: Some(response),
            curves: &curves,
            target: &target,
            trusted: Limits::default(),
            second_source: None,
        };
        Frame::new(&subject, &Options::default()).expect("a full measurement has a frame")
    }

    /// Share of a broad lack of the window that is mended where the axis has `axis_share` of it: 4 dB
    /// over three octaves round 200 Hz. They weigh a sixth of what is heard, so that the median stays
    /// at 0, and the trend, an octave wide, reaches the whole of it in the middle.
    fn left_of_a_lack(axis_share: f64) -> f64 {
        let mut frame = frame_of(&with_copy(0.0, |_, _| 0.0));
        let lack: Vec<f64> = frame
            .grid
            .freqs_hz()
            .iter()
            .map(|f| f64::from(u8::from((70.0..=560.0).contains(f))) * -4.0)
            .collect();
        let axis_over_window_db = lack.iter().map(|l| (axis_share - 1.0) * l).collect();
        frame.averages[0] = Some(axis_over_window_db);
        let at = frame.grid.nearest(200.0);
        let mut mendable_db = lack.clone();
        lack_no_more_than_axis(&frame, &mut mendable_db);
        mendable_db[at] / lack[at]
    }

    #[test]
    fn a_broad_lack_is_mended_no_farther_than_the_axis_has_it() {
        // By hand. All of it on the axis: all is mended. Half: half and the slack of 0.3 dB, 2.3 of
        // 4 dB. None: the slack alone, 0.3 of 4 dB.
        for (share, wanted) in [(1.0, 1.0), (0.5, 2.3 / 4.0), (0.0, 0.3 / 4.0)] {
            let left = left_of_a_lack(share);
            assert!((left - wanted).abs() < 0.005, "{share}: {left}");
        }
        // More on the axis than in the window is no reason to mend more.
        assert!((left_of_a_lack(1.5) - 1.0).abs() < 1e-9);
    }
}
