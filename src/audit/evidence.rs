//! What the angles say, as curves: the evidence that is weighed for every frequency.
//!
//! All but the first are relative to the listening window, so that no EQ changes them. Angles
//! are gathered in groups that a speaker treats alike; a group is heard by its mean level in dB
//! and by its scatter. The mean in dB, not in power, because the level of a sound with a weaker
//! copy of any phase has on average the level of the sound alone (Jensen's formula: the mean of
//! `ln |1 + r exp(i phi)|` over `phi` is zero for `r < 1`): over many angles a cancellation goes
//! to nothing, a resonance does not.

use super::frame::{Frame, Who};
use crate::curve::Smoother;
use crate::response::{Direction, Orbit};

/// Groups of the horizontal orbit, by degrees off axis, both sides together.
const HORIZONTAL_DEG: [(f64, f64); 8] = [
    (0.0, 5.0),
    (5.0, 15.0),
    (15.0, 25.0),
    (25.0, 35.0),
    (35.0, 65.0),
    (65.0, 95.0),
    (95.0, 145.0),
    (145.0, 180.0),
];

/// Groups of the vertical orbit, by degrees up or down; the axis itself and the back are heard
/// on the horizontal one.
const VERTICAL_DEG: [(f64, f64); 7] = [
    (5.0, 15.0),
    (15.0, 25.0),
    (25.0, 45.0),
    (45.0, 75.0),
    (75.0, 105.0),
    (105.0, 145.0),
    (145.0, 175.0),
];

/// What changes over more octaves than this is the speaker's nature and no evidence.
const NATURE_OCT: f64 = 4.0;

/// Evidence is counted in this unit, dB, so that common values are about one.
const UNIT_DB: f64 = 3.0;

/// More than so many units say no more, dB: a null of 20 dB is a null.
const MOST_UNITS: f64 = 4.0;

/// Number of curves.
pub(super) const CURVES: usize = 1 + 2 * 8 + 2 * 14 + 4 + 3;

/// The curves of the vertical groups, first all above, then all below: two for each group.
const ABOVE: std::ops::Range<usize> =
    1 + 2 * HORIZONTAL_DEG.len()..1 + 2 * HORIZONTAL_DEG.len() + 2 * VERTICAL_DEG.len();

/// The evidence of the same speaker standing on its head.
pub(super) fn upside_down(evidence: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let mut turned = evidence.to_vec();
    for k in ABOVE {
        turned.swap(k, k + ABOVE.len());
    }
    turned
}

/// The evidence, one curve after the other, each with one value per frequency. Curves of what was not
/// measured are zero; the last three say what was measured, and where the window has rolled off.
pub(super) fn evidence(frame: &Frame, deviation_db: &[f64]) -> Vec<Vec<f64>> {
    let nature = Smoother::new(&frame.grid, NATURE_OCT);
    let ready = |values: &[f64]| -> Vec<f64> {
        values
            .iter()
            .zip(nature.apply(values))
            .map(|(v, n)| ((v - n) / UNIT_DB).clamp(-MOST_UNITS, MOST_UNITS))
            .collect()
    };
    let nothing = || vec![0.0; frame.grid.len()];
    let mut curves = vec![ready(deviation_db)];
    let horizontal =
        HORIZONTAL_DEG.map(|band| gathered(frame, &|d| in_band(d, Orbit::Horizontal, band, None)));
    let vertical = [true, false].map(|up| {
        VERTICAL_DEG.map(|band| gathered(frame, &|d| in_band(d, Orbit::Vertical, band, Some(up))))
    });
    let has_angles = horizontal.iter().any(Option::is_some);
    let has_vertical = vertical.iter().flatten().any(Option::is_some);
    for group in horizontal.into_iter().chain(vertical.into_iter().flatten()) {
        match group {
            Some((mean_db, scatter_db)) => {
                curves.push(ready(&mean_db));
                curves.push(ready(&scatter_db));
            }
            None => curves.extend([nothing(), nothing()]),
        }
    }
    for average in &frame.averages {
        curves.push(average.as_ref().map_or_else(nothing, |a| ready(a)));
    }
    for said in [has_angles, has_vertical] {
        curves.push(vec![f64::from(u8::from(said)); frame.grid.len()]);
    }
    curves.push(
        frame
            .grid
            .freqs_hz()
            .iter()
            .map(|f| frame.beside_roll_off(*f))
            .collect(),
    );
    curves
}

fn in_band(d: Direction, orbit: Orbit, band: (f64, f64), up: Option<bool>) -> bool {
    let off_deg = d.angle_deg().abs();
    d.orbit() == orbit
        && (band.0..band.1 + 1e-9).contains(&off_deg)
        && up.is_none_or(|up| (d.angle_deg() > 0.0) == up)
}

/// Mean and standard deviation over the members of a group, dB; `None` when it is empty.
fn gathered(frame: &Frame, belongs: &dyn Fn(Direction) -> bool) -> Option<(Vec<f64>, Vec<f64>)> {
    let group: Vec<&[f64]> = frame
        .members
        .iter()
        .filter(|m| matches!(m.who, Who::Angle(d) if belongs(d)))
        .map(|m| m.relative_db.as_slice())
        .collect();
    let count = group.len() as f64;
    (!group.is_empty()).then(|| {
        (0..frame.grid.len())
            .map(|i| {
                let mean = group.iter().map(|m| m[i]).sum::<f64>() / count;
                let square = group.iter().map(|m| (m[i] - mean).powi(2)).sum::<f64>() / count;
                (mean, square.sqrt())
            })
            .unzip()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::tests::{frame_of, with_copy};
    use crate::response::{Member, Response};

    #[test]
    fn over_all_phases_a_weaker_copy_leaves_the_mean_level_alone() {
        // Jensen's formula, 36 angles: what stays is of the order 0.8^36.
        let response = with_copy(0.8, |_, angle_deg| angle_deg.to_radians());
        let at = response.grid().nearest(1000.0);
        let on_orbit = |m: &&Member| m.direction.orbit() == Orbit::Horizontal;
        let levels: Vec<f64> = response
            .members()
            .iter()
            .filter(on_orbit)
            .map(|m| m.levels_db[at])
            .collect();
        let mean = levels.iter().sum::<f64>() / levels.len() as f64;
        assert!(mean.abs() < 0.01, "{mean}");
        assert!(levels.iter().any(|l| *l < -10.0));
    }

    #[test]
    fn an_equalizer_changes_the_first_curve_only() {
        let response = with_copy(0.8, |_, angle_deg| angle_deg.to_radians());
        let gain_db: Vec<f64> = (0..response.grid().len())
            .map(|i| (0.05 * i as f64).sin())
            .collect();
        let heard = |response: &Response| {
            let frame = frame_of(response);
            evidence(&frame, &frame.window_db.clone())
        };
        let (plain, equalized) = (heard(&response), heard(&response.with_gain(&gain_db)));
        assert_ne!(plain[0], equalized[0]);
        // All but the last, which says where the window has rolled off.
        for k in 1..CURVES - 1 {
            let same = plain[k]
                .iter()
                .zip(&equalized[k])
                .all(|(a, b)| (a - b).abs() < 0.02);
            assert!(same, "curve {k}");
        }
    }

    #[test]
    fn a_group_is_heard_by_its_mean_and_scatter_in_decibels() {
        // At +10 degrees 6 dB more than on the axis, at -10 degrees 14 dB less: by hand a mean of
        // -4 dB and a scatter of 10 dB. The mean power of the two would be +3 dB.
        let plain = with_copy(0.0, |_, _| 0.0);
        let members = plain
            .members()
            .iter()
            .map(|member| {
                let d = member.direction;
                let more_db = match (d.orbit(), d.angle_deg().round() as i32) {
                    (Orbit::Horizontal, 10) => 6.0,
                    (Orbit::Horizontal, -10) => -14.0,
                    _ => 0.0,
                };
                Member {
                    levels_db: member.levels_db.iter().map(|l| l + more_db).collect(),
                    ..member.clone()
                }
            })
            .collect();
        let response = Response::new(plain.grid().clone(), members).expect("every angle once");
        let frame = frame_of(&response);
        let group = |from_deg: f64, to_deg: f64| {
            let belongs = |d: Direction| in_band(d, Orbit::Horizontal, (from_deg, to_deg), None);
            gathered(&frame, &belongs).expect("these angles were measured")
        };
        let (axis, sides) = (group(0.0, 5.0), group(5.0, 15.0));
        for i in [0, 200, 400] {
            assert!(
                (sides.0[i] - axis.0[i] + 4.0).abs() < 1e-9,
                "{}",
                sides.0[i]
            );
            assert!((sides.1[i] - 10.0).abs() < 1e-9, "{}", sides.1[i]);
            assert!(axis.1[i].abs() < 1e-9);
        }
    }
}
