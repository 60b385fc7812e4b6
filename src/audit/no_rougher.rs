//! The last check of a wish: no angle of the listening window may get rougher by it, neither locally
//! nor as a whole, and window and room together may not get worse.
//!
//! The evidence is weighed, and a weighing can be wrong; what a filter does to a measured angle
//! is not a matter of weighing. A component that makes an angle rougher than it was is cut down
//! until it does not.

use super::component::Component;
use super::frame::{Frame, Who};
use crate::algebra::dot;
use crate::average::listening_window_directions;
use crate::response::Direction;

/// An angle may get rougher by this much, dB rms: where a resonance lies under a cancellation, taking
/// the resonance away deepens the dip at some angles, and less than this no one hears. Our own
/// judgement.
const ROUGHER_AT_MOST_DB: f64 = 0.2;

/// The same of an angle as a whole but for its tilt, dB rms: a broad correction that one angle does
/// not need may cost it a little, and not so much that it would be heard. Our own judgement.
const ROUGHER_AS_A_WHOLE_AT_MOST_DB: f64 = 0.3;

/// What a component is cut down to at each step: a larger step takes more than is asked for.
const STEP: f64 = 0.9;

/// Steps at most: each takes a tenth off one component, so that some fifteen times as many as there are
/// components leave next to nothing of them all.
const MOST_STEPS: usize = 240;

/// One way to look at curves, in which angles may get rougher by so much.
struct View {
    angles_db: Vec<Vec<f64>>,
    /// One shape for each component. A shape hardly changes with its size: what a step takes off
    /// is a share of this.
    shapes_db: Vec<Vec<f64>>,
    at_most_db: f64,
}

impl View {
    /// The angles of the listening window and the components as `seen`.
    fn new(
        frame: &Frame,
        components: &[Component],
        seen: impl Fn(&[f64]) -> Vec<f64>,
        at_most_db: f64,
    ) -> View {
        let freqs_hz = frame.grid.freqs_hz();
        View {
            angles_db: frame
                .members
                .iter()
                .filter(|m| in_window(m.who))
                .map(|m| {
                    let levels = m.relative_db.iter().zip(&frame.window_db);
                    seen(&levels.map(|(r, w)| r + w).collect::<Vec<f64>>())
                })
                .collect(),
            shapes_db: components
                .iter()
                .map(|c| seen(&c.shape_db(freqs_hz)))
                .collect(),
            at_most_db,
        }
    }

    /// What the components change together, dB.
    fn change_db(&self) -> Vec<f64> {
        let mut change = vec![0.0; self.angles_db.first().map_or(0, Vec::len)];
        for shape in &self.shapes_db {
            change.iter_mut().zip(shape).for_each(|(c, s)| *c -= s);
        }
        change
    }
}

/// Cuts the components down until they make no angle of the listening window rougher by more than
/// [`ROUGHER_AT_MOST_DB`] locally and [`ROUGHER_AS_A_WHOLE_AT_MOST_DB`] as a whole, the one that
/// does most of it first.
pub(super) fn cut_down(frame: &Frame, components: &mut [Component]) {
    let freqs_hz = frame.grid.freqs_hz();
    let local = |values: &[f64]| -> Vec<f64> {
        let smooth = frame.trend.apply(values);
        values.iter().zip(smooth).map(|(v, s)| v - s).collect()
    };
    // The weighted straight line over log frequency is taken out: level is free, and a tilt is taste.
    let log2: Vec<f64> = freqs_hz.iter().map(|f| f.log2()).collect();
    let middle = dot(&log2, &frame.weights);
    let ramp: Vec<f64> = log2.iter().map(|x| x - middle).collect();
    let weighted: Vec<f64> = ramp
        .iter()
        .zip(&frame.weights)
        .map(|(r, w)| r * w)
        .collect();
    let square = dot(&weighted, &ramp);
    let whole = |values: &[f64]| -> Vec<f64> {
        let mean_db = dot(values, &frame.weights);
        let slope_db = dot(values, &weighted) / square;
        values
            .iter()
            .zip(&ramp)
            .map(|(v, r)| v - mean_db - slope_db * r)
            .collect()
    };
    let mut views = [
        View::new(frame, components, local, ROUGHER_AT_MOST_DB),
        View::new(frame, components, whole, ROUGHER_AS_A_WHOLE_AT_MOST_DB),
    ];
    for _ in 0..MOST_STEPS {
        let worst = views
            .iter()
            .filter_map(|view| {
                let change_db = view.change_db();
                let too_rough_db =
                    |angle: &[f64]| rougher_db(frame, angle, &change_db) - view.at_most_db;
                let worst = view
                    .angles_db
                    .iter()
                    .map(|angle| (too_rough_db(angle), angle));
                let worst = worst.max_by(|a, b| a.0.total_cmp(&b.0));
                worst.map(|(too_rough_db, angle)| (too_rough_db, view, angle, change_db))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, view, angle, change_db)) = worst.filter(|worst| worst.0 > 0.0) else {
            return;
        };
        // The component that does most: along which the angle gets smoother when it shrinks.
        let guilt = |shape: &[f64]| -> f64 {
            (0..shape.len())
                .map(|i| -frame.weights[i] * shape[i] * (angle[i] + change_db[i]))
                .sum()
        };
        let guilts = view.shapes_db.iter().map(|shape| guilt(shape));
        let most = guilts.enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((k, _)) = most.filter(|most| most.1 > 0.0) else {
            return;
        };
        components[k].size_db *= STEP;
        for view in &mut views {
            view.shapes_db[k].iter_mut().for_each(|s| *s *= STEP);
        }
    }
}

/// Of what the best share of the whole wish would take off the deviation at least so much stays taken
/// off: filters do not follow the wish to the last tenth of a decibel. Our own judgement.
const KEPT_OF_BEST: f64 = 0.1;

/// Cuts the components down until they leave no more audible deviation in the listening window and the
/// in-room response together (`super::Deviations`) than there was, the one that adds most to it first.
/// What is not to be mended lies so far off at times that even what is mended rightly makes the whole
/// look worse; a plan has to be better by its own figures.
pub(super) fn leave_no_more(frame: &Frame, components: &mut [Component]) {
    let freqs_hz = frame.grid.freqs_hz();
    let centred = |values: &[f64]| -> Vec<f64> {
        let mean_db = dot(values, &frame.weights);
        values.iter().map(|v| v - mean_db).collect()
    };
    let product = |a: &[f64], b: &[f64]| -> f64 {
        let pairs = a.iter().zip(b).zip(&frame.weights);
        pairs.map(|((a, b), w)| w * a * b).sum()
    };
    // The mean of the squares of window and room is the square of their mean and one of what both
    // differ by, which no EQ changes.
    let mean_db: Vec<f64> = (frame.window_db.iter().zip(&frame.in_room_db))
        .map(|(window, room)| 0.5 * (window + room))
        .collect();
    let mean_db = centred(&mean_db);
    let mut shapes_db: Vec<Vec<f64>> = components
        .iter()
        .map(|c| centred(&c.shape_db(freqs_hz)))
        .collect();
    let sum_db = |shapes_db: &[Vec<f64>]| -> Vec<f64> {
        let mut sum_db = vec![0.0; freqs_hz.len()];
        for shape_db in shapes_db {
            sum_db.iter_mut().zip(shape_db).for_each(|(s, v)| *s += v);
        }
        sum_db
    };
    let whole_db = sum_db(&shapes_db);
    let (along, square) = (product(&mean_db, &whole_db), product(&whole_db, &whole_db));
    let best_db2 = match square > 0.0 {
        true => along.max(0.0).powi(2) / square,
        false => return,
    };
    let at_most_db2 = product(&mean_db, &mean_db) - KEPT_OF_BEST * best_db2;
    for _ in 0..MOST_STEPS {
        let left_db: Vec<f64> = (mean_db.iter().zip(sum_db(&shapes_db)))
            .map(|(mean, mended)| mean - mended)
            .collect();
        if product(&left_db, &left_db) <= at_most_db2 {
            return;
        }
        let guilts = shapes_db.iter().map(|shape| -product(shape, &left_db));
        let most = guilts.enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((k, _)) = most.filter(|most| most.1 > 0.0) else {
            return;
        };
        components[k].size_db *= STEP;
        shapes_db[k].iter_mut().for_each(|s| *s *= STEP);
    }
}

fn in_window(who: Who) -> bool {
    match who {
        Who::Angle(direction) => listening_window_directions()
            .iter()
            .any(|(orbit, angle_deg)| Direction::new(*orbit, *angle_deg) == direction),
        Who::OnAxis | Who::EarlyReflections | Who::SoundPower => false,
    }
}

/// Roughness of an angle with `change_db` against without, dB rms.
fn rougher_db(frame: &Frame, angle_db: &[f64], change_db: &[f64]) -> f64 {
    let rms = |with: f64| -> f64 {
        angle_db
            .iter()
            .zip(change_db)
            .zip(&frame.weights)
            .map(|((a, c), w)| w * (a + with * c).powi(2))
            .sum::<f64>()
            .sqrt()
    };
    rms(1.0) - rms(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::Deviations;
    use crate::audit::component::sum_of_shapes;
    use crate::audit::tests::{frame_of, with_copy};
    use crate::curve::Curve;
    use crate::filter::Kind;

    fn bump(f0_hz: f64, size_db: f64) -> Component {
        Component {
            kind: Kind::Peaking,
            f0_hz,
            size_db,
            q: 2.0,
        }
    }

    #[test]
    fn a_cut_where_nothing_stands_out_is_taken_back_and_another_one_left() {
        // The axis alone has a dip at 1 kHz.
        let response = with_copy(0.5, |_, angle_deg| if angle_deg == 0.0 { 3.0 } else { 1.5 });
        let frame = frame_of(&response);
        let mut components = [bump(1000.0, 6.0), bump(5000.0, 0.6)];
        cut_down(&frame, &mut components);
        assert!(components[0].size_db < 3.0, "{components:?}");
        assert_eq!(components[1].size_db, 0.6);
    }

    #[test]
    fn a_broad_lift_that_no_angle_needs_is_taken_back() {
        // Everything is flat, so it only makes things worse; it is too broad to show locally.
        let frame = frame_of(&with_copy(0.0, |_, _| 0.0));
        let mut components = [Component {
            kind: Kind::Peaking,
            f0_hz: 800.0,
            size_db: -4.0,
            q: 0.3,
        }];
        cut_down(&frame, &mut components);
        assert!(components[0].size_db > -1.6, "{components:?}");
    }

    #[test]
    fn what_smooths_every_angle_is_granted_in_full() {
        let response = with_copy(0.0, |_, _| 0.0);
        let grid = response.grid().clone();
        let component = bump(1000.0, 5.0);
        let response = response.with_gain(&component.shape_db(grid.freqs_hz()));
        let mut components = [component];
        cut_down(&frame_of(&response), &mut components);
        assert_eq!(components[0], component);
    }

    /// Window and in-room curve of a frame, and what `components` leave of them, dB squared.
    fn before_and_after_db2(frame: &Frame, components: &[Component]) -> [f64; 2] {
        let curve = |values: &[f64]| Curve::new(frame.grid.clone(), values.to_vec());
        let deviations = Deviations {
            weights: frame.weights.clone(),
            window: curve(&frame.window_db),
            in_room: curve(&frame.in_room_db),
        };
        let eq = -&curve(&sum_of_shapes(components, frame.grid.freqs_hz()));
        [deviations.energy_before_db2(), deviations.energy_db2(&eq)]
    }

    /// A deep null at 1 kHz with a bump of `bump_db` under it, and the cut of that bump.
    fn bump_under_a_null(bump_db: f64) -> (Frame, [Component; 1]) {
        let component = bump(1000.0, bump_db);
        let response = with_copy(0.0, |_, _| 0.0);
        let freqs_hz = response.grid().freqs_hz();
        let null = Component {
            size_db: -12.0,
            ..component
        };
        let gains_db = sum_of_shapes(&[null, component], freqs_hz);
        (frame_of(&response.with_gain(&gains_db)), [component])
    }

    #[test]
    fn a_cut_under_a_null_that_makes_the_whole_worse_is_taken_back_as_far_as_it_does() {
        let (frame, mut components) = bump_under_a_null(4.0);
        let [before, after] = before_and_after_db2(&frame, &components);
        assert!(after > before, "nothing to take back: {after} {before}");
        leave_no_more(&frame, &mut components);
        let [before, after] = before_and_after_db2(&frame, &components);
        assert!(after <= before * (1.0 + 1e-6), "{after} {before}");
    }

    #[test]
    fn what_gains_little_by_the_whole_is_kept_where_it_makes_nothing_worse() {
        // The null stays whatever is done, so that the bump, two octaves away, is a small part of all.
        let (frame, _) = bump_under_a_null(0.0);
        let small = bump(4000.0, 0.15);
        let shape_db = small.shape_db(frame.grid.freqs_hz());
        let raised = |values: &[f64]| -> Vec<f64> {
            values.iter().zip(&shape_db).map(|(v, s)| v + s).collect()
        };
        let frame = Frame {
            window_db: raised(&frame.window_db),
            in_room_db: raised(&frame.in_room_db),
            ..frame
        };
        let mut components = [small];
        let [before, after] = before_and_after_db2(&frame, &components);
        assert!((0.99..1.0).contains(&(after / before)), "{after} {before}");
        leave_no_more(&frame, &mut components);
        assert_eq!(components, [small]);
    }
}
