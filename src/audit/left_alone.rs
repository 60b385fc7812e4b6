//! Findings that no EQ mends.

use super::component::DipLimits;
use super::family::{Family, SEARCH_OCT};
use super::finding::{Cause, Decision, Finding, Ground, WORTH_SAYING_DB};
use super::frame::{Frame, weighted_median};
use super::stretch::{Stretch, stretches};
use super::weigh::Weighed;
use super::witness::Witnesses;
use crate::curve::Smoother;
use crate::response::Orbit;
use crate::units::q_of_width_oct;
use std::ops::Range;

/// A swing in the room is wide, and heard as tonal balance; it is spoken of when the weighing answers with
/// this much, dB. Where it is not sure it answers with less than there is. Chosen on tuning seeds of the
/// trial, of 0.25 to 0.4 dB.
const SWING_WORTH_SAYING_DB: f64 = 0.3;

/// The same of a ripple of the axis, dB, of 0.3 to 0.7 dB.
const RIPPLE_WORTH_SAYING_DB: f64 = 0.4;

/// What is left so near beside a finding is its shoulder, octaves.
const SHOULDER_OCT: f64 = 1.0 / 6.0;

/// A further swing in the room, or ripple of the axis, within so many octaves of a larger one belongs
/// to it: both go up and down. Our own judgement.
const ONE_MATTER_OCT: f64 = 1.0;

/// What stays wrong in the listening window, in the room, and on the axis.
pub(super) fn left_alone(
    frame: &Frame,
    weighed: &Weighed,
    witnesses: &Witnesses,
    wish_db: &[f64],
    dips: DipLimits,
    family: &Family,
) -> Vec<Finding> {
    let left = Left::new(frame, witnesses, wish_db, family);
    let band = beside_roll_off(frame);
    let mut findings = Vec::new();
    let cancelled_db = left.search.apply(&weighed.cancelled_db);
    let mut nulls = stretches(&cancelled_db, band.clone(), WORTH_SAYING_DB);
    nulls.sort_by(|a, b| cancelled_db[a.peak].total_cmp(&cancelled_db[b.peak]));
    let beside = SHOULDER_OCT.exp2();
    for stretch in nulls {
        let peak_hz = frame.grid.freqs_hz()[stretch.peak];
        // The shoulders of a null belong to it, those above and those below the level.
        let shoulder = cancelled_db[stretch.peak] >= 0.0
            || findings
                .iter()
                .any(|f: &Finding| (f.from_hz / beside..=f.to_hz * beside).contains(&peak_hz));
        if !shoulder {
            findings.push(left.finding(&stretch, Cause::Cancellation, left.cancels(stretch.peak)));
        }
    }
    let matters = |values: &[f64], least_db: f64| {
        one_of_each_matter(stretches(values, band.clone(), least_db), values, frame)
    };
    for stretch in matters(&weighed.room_swing_db, SWING_WORTH_SAYING_DB) {
        findings.push(left.finding(&stretch, Cause::Directivity, Ground::OnlyInTheRoom));
    }
    if let Some(axis_db) = &left.axis_db {
        for stretch in matters(&weighed.axis_ripple_db, RIPPLE_WORTH_SAYING_DB) {
            let on_axis_db = axis_db[stretch.peak];
            let ground = Ground::OnTheAxisOnly { on_axis_db };
            findings.push(left.finding(&stretch, Cause::SingleAxis, ground));
        }
    }
    // What is still there and was spoken of nowhere.
    for stretch in stretches(&left.window_db, band, WORTH_SAYING_DB) {
        let peak_hz = frame.grid.freqs_hz()[stretch.peak];
        let below = left.window_db[stretch.peak] < 0.0;
        let spoken_of = findings.iter().any(|f: &Finding| {
            let reach = match below == (f.size_db < 0.0) {
                true => beside,
                false => 1.0,
            };
            (f.from_hz / reach..=f.to_hz * reach).contains(&peak_hz)
        });
        if spoken_of {
            continue;
        }
        let (cause, ground) = left.unexplained(&stretch, dips);
        let of_one_matter = matches!(cause, Cause::Directivity | Cause::SingleAxis)
            && findings
                .iter()
                .any(|f: &Finding| f.cause == cause && one_matter(f.peak_hz, peak_hz));
        if !of_one_matter {
            findings.push(left.finding(&stretch, cause, ground));
        }
    }
    findings
}

/// Whether two swings in the room, or two ripples of the axis, are one matter.
fn one_matter(a_hz: f64, b_hz: f64) -> bool {
    (a_hz / b_hz).log2().abs() <= ONE_MATTER_OCT
}

/// The largest stretches of `values`, none within [`ONE_MATTER_OCT`] of a larger one.
fn one_of_each_matter(mut stretches: Vec<Stretch>, values: &[f64], frame: &Frame) -> Vec<Stretch> {
    let freqs_hz = frame.grid.freqs_hz();
    stretches.sort_by(|a, b| values[b.peak].abs().total_cmp(&values[a.peak].abs()));
    let mut spoken_hz: Vec<f64> = Vec::new();
    stretches.retain(|stretch| {
        let peak_hz = freqs_hz[stretch.peak];
        let own = !spoken_hz.iter().any(|f_hz| one_matter(*f_hz, peak_hz));
        if own {
            spoken_hz.push(peak_hz);
        }
        own
    });
    stretches
}

/// The deviations that stay when the wish is granted, searched curves, level free.
struct Left<'a> {
    frame: &'a Frame,
    family: &'a Family<'a>,
    witnesses: &'a Witnesses,
    search: Smoother,
    window_db: Vec<f64>,
    room_db: Vec<f64>,
    axis_db: Option<Vec<f64>>,
}

impl<'a> Left<'a> {
    fn new(
        frame: &'a Frame,
        witnesses: &'a Witnesses,
        wish_db: &[f64],
        family: &'a Family,
    ) -> Left<'a> {
        let search = Smoother::new(&frame.grid, SEARCH_OCT);
        let after = |values: &[f64]| -> Vec<f64> {
            let sum: Vec<f64> = values.iter().zip(wish_db).map(|(v, w)| v + w).collect();
            let smooth = search.apply(&sum);
            let middle_db = weighted_median(&smooth, &frame.weights);
            smooth.iter().map(|v| v - middle_db).collect()
        };
        Left {
            window_db: after(&frame.window_db),
            room_db: after(&frame.in_room_db),
            axis_db: family.axis_db.as_ref().map(|axis| after(axis)),
            frame,
            family,
            witnesses,
            search,
        }
    }

    fn finding(&self, stretch: &Stretch, cause: Cause, ground: Ground) -> Finding {
        let grid = &self.frame.grid;
        let (from_hz, to_hz) = stretch.band_hz(grid);
        Finding {
            from_hz,
            to_hz,
            peak_hz: grid.freqs_hz()[stretch.peak],
            size_db: self.window_db[stretch.peak],
            in_room_size_db: self.frame.in_room_known.then(|| self.room_db[stretch.peak]),
            q: Some(q_of_width_oct(stretch.width_oct(grid))),
            spread_db: self.family.spread_at(stretch.peak),
            cause,
            decision: Decision::Leave,
            witnesses: match cause {
                Cause::Cancellation => self.witnesses.at(grid.freqs_hz()[stretch.peak]),
                _ => Vec::new(),
            },
            ground,
        }
    }

    /// What shows best that two sources cancel at `i`.
    fn cancels(&self, i: usize) -> Ground {
        let (horizontal, vertical) = (
            self.family.spread_over(Orbit::Horizontal, i),
            self.family.spread_over(Orbit::Vertical, i),
        );
        if self.frame.averages_only {
            Ground::AveragesOnly
        } else if let Some(movement) = self.family.movement(i) {
            Ground::Moves { movement }
        } else if vertical > 2.0 * horizontal && vertical > 1.0 {
            Ground::VerticalAnglesDisagree
        } else {
            Ground::AnglesDisagree
        }
    }

    /// Cause and ground of what no curve of the weighing speaks of: told by the window, the room
    /// and the axis alone.
    fn unexplained(&self, stretch: &Stretch, dips: DipLimits) -> (Cause, Ground) {
        let i = stretch.peak;
        let (size_db, room_db) = (self.window_db[i], self.room_db[i]);
        let on_axis_db = self.axis_db.as_ref().map_or(size_db, |axis| axis[i]);
        let q = q_of_width_oct(stretch.width_oct(&self.frame.grid));
        if on_axis_db / size_db > 2.0 && room_db / size_db < 0.5 {
            (Cause::SingleAxis, Ground::OnTheAxisOnly { on_axis_db })
        } else if room_db / size_db < 0.3 {
            (Cause::Directivity, Ground::NotInTheRoom)
        } else if size_db < 0.0 && q > dips.q_at_most {
            let limit_q = dips.q_at_most;
            let ground = match self.frame.averages_only {
                true => Ground::AveragesOnly,
                false => Ground::TooNarrow { limit_q },
            };
            (Cause::Cancellation, ground)
        } else if -size_db > dips.depth_at_most_db {
            let limit_db = dips.depth_at_most_db;
            (Cause::Cancellation, Ground::TooDeep { limit_db })
        } else {
            (Cause::Cancellation, self.cancels(i))
        }
    }
}

/// The judged band without an octave inside the corners: there, what is left is roll-off.
fn beside_roll_off(frame: &Frame) -> Range<usize> {
    let start = frame.above_roll_off();
    let end = frame.high_corner_hz.map_or(frame.grid.len(), |corner_hz| {
        frame.grid.nearest(0.5 * corner_hz)
    });
    start..end.min(frame.judged.end).max(start)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::tests::{frame_of, with_copy};

    #[test]
    fn of_two_swings_within_an_octave_the_larger_is_told_and_of_two_apart_both() {
        let frame = frame_of(&with_copy(0.0, |_, _| 0.0));
        let told_hz = |apart_oct: f64| -> Vec<f64> {
            let swing = |f_hz: f64, f0_hz: f64, size_db: f64| {
                size_db * (-(8.0 * (f_hz / f0_hz).log2()).powi(2)).exp()
            };
            let freqs_hz = frame.grid.freqs_hz();
            let second_hz = 1000.0 * apart_oct.exp2();
            let swings = freqs_hz
                .iter()
                .map(|f| swing(*f, 1000.0, 1.0) - swing(*f, second_hz, 2.0));
            let values: Vec<f64> = swings.collect();
            let found = stretches(&values, 0..values.len(), 0.5);
            assert_eq!(found.len(), 2);
            let told = one_of_each_matter(found, &values, &frame);
            told.iter().map(|s| freqs_hz[s.peak].round()).collect()
        };
        assert_eq!(told_hz(0.7).len(), 1);
        assert!(told_hz(0.7)[0] > 1500.0);
        assert_eq!(told_hz(1.5).len(), 2);
    }
}
