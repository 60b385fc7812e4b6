//! What the wish passes over, sized as it was measured.

use super::candidate::{CURVES_DIFFER_DB, Candidate, Cause, WORTH_SAYING_DB};
use super::corrected::BALANCE_Q;
use super::family::{Family, SEARCH_OCT};
use super::frame::{Frame, weighted_median};
use super::stretch::{Stretch, stretches};
use super::weigh::Weighed;
use super::witness::Witnesses;
use crate::curve::{Band, Curve, Smoother};
use crate::units::q_of_width_oct;
use std::ops::Range;

/// A swing in the room is wide, and heard as tonal balance; it is spoken of when the weighing answers with
/// this much, dB. Where it is not sure it answers with less than there is. Chosen on tuning seeds of the
/// trial, of 0.25 to 0.4 dB.
const SWING_WORTH_SAYING_DB: f64 = 0.3;

/// The same of a ripple of the axis, dB, of 0.3 to 0.7 dB.
const RIPPLE_WORTH_SAYING_DB: f64 = 0.4;

/// What stands so near beside a null is its shoulder, octaves.
const SHOULDER_OCT: f64 = 1.0 / 6.0;

/// A further swing in the room, or ripple of the axis, within so many octaves of a larger one belongs
/// to it: both go up and down. Our own judgement.
const ONE_MATTER_OCT: f64 = 1.0;

/// Of what stays when the wish is granted at least this share was measured with the same sign: the rest
/// is what the wish itself makes beside it, and not the speaker's.
const MEASURED_SHARE: f64 = 0.5;

/// What was heard of a speaker, and what is wished for it.
pub(super) struct Heard<'a> {
    pub frame: &'a Frame,
    /// The listening window's deviation without what is only roll-off, dB.
    pub deviation_db: &'a [f64],
    pub weighed: &'a Weighed,
    pub witnesses: &'a Witnesses,
    /// The wanted EQ, dB.
    pub wish_db: &'a [f64],
}

/// What stays wrong in the listening window, in the room, and on the axis; `mended` is what the wish
/// answers to.
pub(super) fn left_alone(heard: &Heard, family: &Family, mended: &[Candidate]) -> Vec<Candidate> {
    let (frame, weighed) = (heard.frame, heard.weighed);
    let left = Left::new(frame, heard.deviation_db, heard.witnesses, family);
    let band = beside_roll_off(frame);
    let mut found: Vec<Candidate> = Vec::new();

    let cancelled_db = left.search.apply(&weighed.cancelled_db);
    let mut nulls = stretches(&cancelled_db, band.clone(), WORTH_SAYING_DB);
    nulls.sort_by(|a, b| cancelled_db[a.peak].total_cmp(&cancelled_db[b.peak]));
    for stretch in nulls {
        // The shoulders of a null belong to it, those above and those below the level.
        let is_shoulder = cancelled_db[stretch.peak] >= 0.0
            || found.iter().any(|null| beside(null, left.hz(stretch.peak)));
        if !is_shoulder {
            found.push(left.candidate(&stretch, &cancelled_db, Cause::Cancellation));
        }
    }
    let not_shared_db = left.search.apply(&weighed.not_shared_db);
    let matters = |values: &[f64], least_db: f64| {
        one_of_each_matter(stretches(values, band.clone(), least_db), values, frame)
    };
    // What the room's curve has and the window has not is seen without being weighed, unless a null
    // explains it.
    let beaming_db: Vec<f64> = (left.room_db.iter().zip(&left.window_db))
        .map(|(room, window)| room - window)
        .collect();
    let weighed_swings = matters(&weighed.room_swing_db, SWING_WORTH_SAYING_DB);
    let seen_swings = matters(&beaming_db, CURVES_DIFFER_DB);
    let nulls = found.clone();
    let is_by_null = |stretch: &Stretch| {
        let peak_hz = left.hz(stretch.peak);
        nulls.iter().any(|null| beside(null, peak_hz))
    };
    let seen_swings = seen_swings.into_iter().filter(|s| !is_by_null(s));
    for stretch in weighed_swings.into_iter().chain(seen_swings) {
        let peak_hz = left.hz(stretch.peak);
        let is_told = found
            .iter()
            .any(|other| other.cause == Cause::Directivity && one_matter(other.peak_hz, peak_hz));
        if !is_told {
            found.push(left.candidate(&stretch, &not_shared_db, Cause::Directivity));
        }
    }
    if family.axis_db.is_some() {
        for stretch in matters(&weighed.axis_ripple_db, RIPPLE_WORTH_SAYING_DB) {
            found.push(left.candidate(&stretch, &not_shared_db, Cause::SingleAxis));
        }
    }
    // What is still there when the wish is granted and was spoken of nowhere.
    let stays_db = left.stays_db(heard.wish_db);
    for stretch in stretches(&stays_db, band.clone(), WORTH_SAYING_DB) {
        let (i, peak_hz) = (stretch.peak, left.hz(stretch.peak));
        let was_measured = left.window_db[i] / stays_db[i] >= MEASURED_SHARE;
        let is_spoken_of = found.iter().any(|other| match other.cause {
            Cause::Cancellation => beside(other, peak_hz),
            _ => other.band.contains(peak_hz),
        }) || mended
            .iter()
            .any(|other| other.size_db * stays_db[i] > 0.0 && other.band.contains(peak_hz));
        if !was_measured || is_spoken_of {
            continue;
        }
        // What goes on beyond the end of the band is the end of the treble.
        if stretch.range.end == band.end {
            continue;
        }
        let cause = left.unexplained(&stretch, stays_db[i]);
        let of_one_matter = matches!(cause, Cause::Directivity | Cause::SingleAxis)
            && found
                .iter()
                .any(|other| other.cause == cause && one_matter(other.peak_hz, peak_hz));
        if !of_one_matter {
            found.push(left.candidate(&stretch, &stays_db, cause));
        }
    }
    found
}

/// Whether `f_hz` lies within a null or on one of its shoulders.
fn beside(null: &Candidate, f_hz: f64) -> bool {
    let shoulder = SHOULDER_OCT.exp2();
    (null.band.from_hz / shoulder..=null.band.to_hz * shoulder).contains(&f_hz)
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

/// The measured deviations, searched curves.
struct Left<'a> {
    frame: &'a Frame,
    family: &'a Family<'a>,
    witnesses: &'a Witnesses,
    search: Smoother,
    window_db: Vec<f64>,
    room_db: Vec<f64>,
}

impl<'a> Left<'a> {
    fn new(
        frame: &'a Frame,
        deviation_db: &[f64],
        witnesses: &'a Witnesses,
        family: &'a Family,
    ) -> Left<'a> {
        let search = Smoother::new(&frame.grid, SEARCH_OCT);
        Left {
            window_db: search.apply(deviation_db),
            room_db: search.apply(&frame.in_room_db),
            frame,
            family,
            witnesses,
            search,
        }
    }

    fn hz(&self, i: usize) -> f64 {
        self.frame.grid.freqs_hz()[i]
    }

    /// What stays of the listening window's deviation when the wish is granted, level free, dB.
    fn stays_db(&self, wish_db: &[f64]) -> Vec<f64> {
        let sum: Vec<f64> = (self.window_db.iter().zip(wish_db))
            .map(|(window, wish)| window + wish)
            .collect();
        let middle_db = weighted_median(&sum, &self.frame.weights);
        sum.iter().map(|stays| stays - middle_db).collect()
    }

    /// A candidate whose own share of the window's deviation is `own_db`.
    fn candidate(&self, stretch: &Stretch, own_db: &[f64], cause: Cause) -> Candidate {
        let grid = &self.frame.grid;
        let (from_hz, to_hz) = stretch.band_hz(grid);
        let peak_hz = self.hz(stretch.peak);
        let is_null = cause == Cause::Cancellation;
        Candidate {
            band: Band { from_hz, to_hz },
            peak_hz,
            size_db: own_db[stretch.peak],
            own: Curve::new(grid.clone(), own_db.to_vec()),
            q: Some(q_of_width_oct(stretch.width_oct(grid))),
            spread_db: self.family.spread_at(stretch.peak),
            movement: (is_null.then(|| self.family.movement(stretch.peak))).flatten(),
            cause,
            known: None,
            doubt_db: 0.0,
            witnesses: match is_null {
                true => self.witnesses.at(peak_hz),
                false => Vec::new(),
            },
        }
    }

    /// Cause of what no curve of the weighing speaks of: told by the window, the room and the axis
    /// alone.
    fn unexplained(&self, stretch: &Stretch, size_db: f64) -> Cause {
        let i = stretch.peak;
        let room_db = self.room_db[i];
        let axis_db = self.family.axis_db.as_ref();
        let axis_db = axis_db.map_or(size_db, |axis| axis[i]);
        let q = q_of_width_oct(stretch.width_oct(&self.frame.grid));
        if axis_db / size_db > 2.0 && room_db / size_db < 0.5 {
            Cause::SingleAxis
        } else if room_db / size_db < 0.3 {
            Cause::Directivity
        } else if size_db < 0.0 {
            Cause::Cancellation
        } else if q >= BALANCE_Q {
            Cause::Resonance
        } else {
            Cause::Balance
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
