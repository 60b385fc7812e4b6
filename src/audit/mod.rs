//! What EQ can mend and what it must leave alone, with the evidence: findings and the wish.
//!
//! One filter moves every angle by the same amount. So the audit asks of every bump and dip of
//! the listening window whether all the sound the speaker sends into the room has it.

mod component;
mod corrected;
mod energy;
mod evidence;
mod family;
mod finding;
mod findings;
mod frame;
mod left_alone;
mod no_rougher;
mod stretch;
mod weigh;
mod witness;

pub use energy::Deviations;
pub use family::Movement;
pub use finding::{Cause, Decision, Finding, Ground, spoken_hz};
pub use frame::{TREND_OCT, median_level_db};
pub use left_alone::WORTH_SAYING_DB;
pub use witness::Witness;

use crate::average::AveragedCurves;
use crate::curve::Grid;
use crate::error::Result;
use crate::response::Response;
use crate::target::Target;
use component::{Component, DipLimits};
use frame::Frame;
use witness::Witnesses;

/// What is audited.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// All angles; `None` when only averaged curves are at hand.
    pub response: Option<&'a Response>,
    /// The averaged curves.
    pub curves: &'a AveragedCurves,
    /// The wanted curve.
    pub target: &'a Target,
    /// Lower end of the range in which the measurement is to be trusted, Hz.
    pub trusted_from_hz: Option<f64>,
    /// Upper end of that range, Hz.
    pub trusted_to_hz: Option<f64>,
    /// Near-field trace of a port or passive unit: its frequencies and levels in dB, any level.
    pub second_source: Option<(&'a Grid, &'a [f64])>,
}

/// What the user limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Nothing is corrected below, Hz.
    pub from_hz: Option<f64>,
    /// Nothing is corrected above, Hz; [`CORRECTED_TO_HZ`] when not given.
    pub to_hz: Option<f64>,
    /// Largest boost of the wish, dB.
    pub boost_at_most_db: f64,
}

/// Nothing is corrected above unless told otherwise, Hz: there a tweeter's own roll-off begins,
/// few microphones are true, and few listeners hear. The upper limit of the published preference
/// model too (Olive 2004, from memory).
pub const CORRECTED_TO_HZ: f64 = 16_000.0;

/// Largest boost unless told otherwise, dB: a boost of 5 dB takes three times the power. Our own
/// judgement.
pub const BOOST_AT_MOST_DB: f64 = 5.0;

impl Default for Options {
    fn default() -> Self {
        Options {
            from_hz: None,
            to_hz: None,
            boost_at_most_db: BOOST_AT_MOST_DB,
        }
    }
}

/// The result of an audit. All curves lie on `grid`.
#[derive(Debug, Clone, PartialEq)]
pub struct Audit {
    /// The audit's frequencies, logarithmic.
    pub grid: Grid,
    /// What is worth speaking of, by ascending frequency.
    pub findings: Vec<Finding>,
    /// EQ curve in dB that the audit allows.
    pub wish_db: Vec<f64>,
    /// Weight of each frequency in a fit of the wish: what hearing gives it within the judged
    /// band, less outside where the filters must only not stray.
    pub fit_weights: Vec<f64>,
    /// The shared part of the deviation, dB: the family's weighted mean of local deviations.
    pub shared_db: Vec<f64>,
    /// The family's weighted standard deviation of local deviations, dB; zero without angles.
    pub spread_db: Vec<f64>,
    /// Deviations from target with their weights.
    pub deviations: Deviations,
    /// The in-room response's target relative to the listening window's, dB.
    pub judged_from_hz: f64,
    /// Upper end of the judged band, Hz.
    pub judged_to_hz: f64,
    /// Where the listening window has fallen by 6 dB at the low end, Hz, if within the data.
    pub corner_hz: Option<f64>,
    /// Level of the listening window over its target, dB.
    pub level_db: f64,
    /// Share of the audible deviation energy that the wish itself would remove.
    pub reach: Option<f64>,
    /// True when only averaged curves were at hand, which makes the evidence weaker.
    pub averages_only: bool,
}

/// Dips of more than this Q are passed over: most that narrow are cancellations, and those that
/// are not are hardly heard (Buecklein 1981, from memory: peaks are more audible than equal dips,
/// narrow dips often go unnoticed).
const DIP_Q: f64 = 2.8;

/// The same where only averaged curves are at hand and the angles cannot be asked.
const DIP_Q_AVERAGES: f64 = 1.0;

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
    Ok(Evidence {
        curves: evidence::evidence(&frame, &without_roll_off(&frame)),
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
    let dips = DipLimits {
        q_at_most: if frame.averages_only {
            DIP_Q_AVERAGES
        } else {
            DIP_Q
        },
        depth_at_most_db: options.boost_at_most_db,
    };
    let witnesses = Witnesses::new(subject, &frame);
    witnesses.bridge_second_source(&mut mendable_db);
    let edge = EDGE_OCT.exp2();
    let (first_hz, last_hz) = (freqs_hz[frame.judged.start], freqs_hz[frame.judged.end - 1]);
    let no_dip = |f_hz: f64| {
        f_hz < first_hz * edge || f_hz * edge > last_hz || !witnesses.at(f_hz).is_empty()
    };
    let mut components = component::decompose(&frame, &mendable_db, &frame.weights, dips, &no_dip);
    no_rougher::cut_down(&frame, &mut components);
    let mut wish_db: Vec<f64> = sum_of_shapes(&components, freqs_hz)
        .iter()
        .map(|s| -s)
        .collect();
    limit_boost(&frame, &mut wish_db, options.boost_at_most_db);
    let findings = findings::all(&frame, &components, &weighed, &witnesses, &wish_db, dips);
    let (shared_db, spread_db) = shared_and_spread(&frame);
    let deviations = Deviations {
        weights: frame.weights.clone(),
        window_db: frame.window_db.clone(),
        in_room_db: frame.in_room_db.clone(),
    };
    Ok(Audit {
        reach: deviations.share_removed(&wish_db),
        fit_weights: fit_weights(&frame),
        findings,
        wish_db,
        shared_db,
        spread_db,
        deviations,
        judged_from_hz: freqs_hz[frame.judged.start],
        judged_to_hz: freqs_hz[frame.judged.end - 1],
        corner_hz: frame.corner_hz,
        level_db: frame.level_db,
        averages_only: frame.averages_only,
        grid: frame.grid,
    })
}

fn sum_of_shapes(components: &[Component], freqs_hz: &[f64]) -> Vec<f64> {
    let mut sum_db = vec![0.0; freqs_hz.len()];
    for component in components {
        for (sum, shape) in sum_db.iter_mut().zip(component.shape_db(freqs_hz)) {
            *sum += shape;
        }
    }
    sum_db
}

/// Share of a low deviation at `f_hz` that is not roll-off: 0 at the corner and beyond, 1 an
/// octave inside, where a second- or fourth-order roll-off has come up to within 0.6 dB of the
/// level.
fn beside_roll_off(frame: &Frame, f_hz: f64) -> f64 {
    let inside = |octaves: f64| rising(octaves, (0.0, 1.0));
    let low = frame
        .corner_hz
        .map_or(1.0, |corner_hz| inside((f_hz / corner_hz).log2()));
    let high = frame
        .high_corner_hz
        .map_or(1.0, |corner_hz| inside((corner_hz / f_hz).log2()));
    low * high
}

/// How far the weighing is believed at `f_hz`: it was taught nothing below 2.2 times the corner, where
/// every box is small against the wave and all angles hear the same.
fn taught(frame: &Frame, f_hz: f64) -> f64 {
    frame.corner_hz.map_or(1.0, |corner_hz| {
        rising((f_hz / corner_hz).log2(), TAUGHT_FROM_OCT)
    })
}

/// The listening window's deviation without what is only roll-off.
fn without_roll_off(frame: &Frame) -> Vec<f64> {
    frame
        .grid
        .freqs_hz()
        .iter()
        .zip(&frame.window_db)
        .map(|(f, d)| {
            if *d < 0.0 {
                d * beside_roll_off(frame, *f)
            } else {
                *d
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

fn limit_boost(frame: &Frame, wish_db: &mut [f64], boost_at_most_db: f64) {
    for (f, wish) in frame.grid.freqs_hz().iter().zip(wish_db.iter_mut()) {
        *wish = wish.min(boost_at_most_db);
        if *wish > 0.0 {
            *wish *= beside_roll_off(frame, *f);
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

/// Mean and standard deviation of values with weights; `None` without any.
fn mean_and_spread(part: &[(f64, f64)]) -> Option<(f64, f64)> {
    let sum: f64 = part.iter().map(|p| p.1).sum();
    if sum <= 0.0 {
        return None;
    }
    let mean = part.iter().map(|p| p.0 * p.1).sum::<f64>() / sum;
    let variance = part.iter().map(|p| p.1 * (p.0 - mean).powi(2)).sum::<f64>() / sum;
    Some((mean, variance.sqrt()))
}

/// 0 up to the first limit, 1 from the second on, smooth between.
fn rising(x: f64, limits: (f64, f64)) -> f64 {
    let t = ((x - limits.0) / (limits.1 - limits.0)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::average::RearWall;
    use crate::response::{Direction, Member, Orbit};
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
            points: vec![(1000.0, 0.0)],
            in_room_slope_db_per_oct: None,
        };
        let subject = Subject {
            response: Some(response),
            curves: &curves,
            target: &target,
            trusted_from_hz: None,
            trusted_to_hz: None,
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
