//! The last check of a wish: no angle of the listening window may get rougher by it.
//!
//! The evidence is weighed, and a weighing can be wrong; what a filter does to a measured angle
//! is not a matter of weighing. A component that makes an angle rougher than it was is cut down
//! until it does not.

use super::component::Component;
use super::frame::{Frame, Who};
use crate::average::listening_window_directions;
use crate::response::Direction;

/// An angle may get rougher by this much, dB rms: what noise and rounding to stages do, and less than
/// anyone hears.
const ROUGHER_AT_MOST_DB: f64 = 0.1;

/// What a component is cut down to at each step.
const STEP: f64 = 0.7;

/// Steps at most: each takes a third off one component, so that a few times as many as there are
/// components empty them all.
const MOST_STEPS: usize = 60;

/// Cuts the components down until they make no angle of the listening window rougher by more than
/// [`ROUGHER_AT_MOST_DB`], the one that does most of it first.
pub(super) fn cut_down(frame: &Frame, components: &mut [Component]) {
    let freqs_hz = frame.grid.freqs_hz();
    let local = |values: &[f64]| -> Vec<f64> {
        let smooth = frame.trend.apply(values);
        values.iter().zip(smooth).map(|(v, s)| v - s).collect()
    };
    let angles_db: Vec<Vec<f64>> = frame
        .members
        .iter()
        .filter(|m| in_window(m.who))
        .map(|m| {
            let levels = m.relative_db.iter().zip(&frame.window_db);
            local(&levels.map(|(r, w)| r + w).collect::<Vec<f64>>())
        })
        .collect();
    // A shape hardly changes with its size: what a step takes off is a share of this.
    let mut shapes: Vec<Vec<f64>> = components
        .iter()
        .map(|c| local(&c.shape_db(freqs_hz)))
        .collect();
    for _ in 0..MOST_STEPS {
        let mut left: Vec<f64> = vec![0.0; freqs_hz.len()];
        for shape in &shapes {
            left.iter_mut().zip(shape).for_each(|(l, s)| *l -= s);
        }
        let worst = angles_db
            .iter()
            .map(|angle| (rougher_db(frame, angle, &left), angle))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((rougher, angle)) = worst else {
            return;
        };
        if rougher <= ROUGHER_AT_MOST_DB {
            return;
        }
        // The component that does most: along which the angle gets smoother when it shrinks.
        let guilt = |shape: &[f64]| -> f64 {
            (0..shape.len())
                .map(|i| -frame.weights[i] * shape[i] * (angle[i] + left[i]))
                .sum()
        };
        let worst =
            (0..shapes.len()).max_by(|a, b| guilt(&shapes[*a]).total_cmp(&guilt(&shapes[*b])));
        let Some(k) = worst.filter(|k| guilt(&shapes[*k]) > 0.0) else {
            return;
        };
        components[k].size_db *= STEP;
        shapes[k].iter_mut().for_each(|s| *s *= STEP);
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
    use crate::audit::tests::{frame_of, with_copy};
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
    fn what_smooths_every_angle_is_granted_in_full() {
        let response = with_copy(0.0, |_, _| 0.0);
        let grid = response.grid().clone();
        let component = bump(1000.0, 5.0);
        let response = response.with_gain(&component.shape_db(grid.freqs_hz()));
        let mut components = [component];
        cut_down(&frame_of(&response), &mut components);
        assert_eq!(components[0], component);
    }
}
