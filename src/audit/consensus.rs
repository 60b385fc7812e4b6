//! Where the listening window's deviation is shared by all angles, scale by scale.
//!
//! The deviation is taken apart into layers by width: details of a tenth of an octave in the
//! first, sweeps of several octaves in the last. A member's response relative to the listening
//! window does not change under EQ; its layers, added to those of the window, are the member's
//! own deviation. In every layer, at every frequency, each orbit is asked for the deviation that
//! most of its sound has. What of the window's deviation the orbits do not bear out is rejected;
//! where much is rejected the window is not trusted.

use super::frame::{Frame, Who};
use crate::curve::Smoother;
use crate::response::Orbit;

/// Full widths at half height of the smoothings between the layers, octaves, each twice the one
/// before. The first keeps a resonance of Q 15; the last is wider than any single fault.
const WIDTHS_OCT: [f64; 7] = [1.0 / 16.0, 1.0 / 8.0, 1.0 / 4.0, 1.0 / 2.0, 1.0, 2.0, 4.0];

/// Spread over angles that speakers without faults show in each layer by their directivity and
/// by measuring noise, dB. From simulated healthy speakers.
const USUAL_SPREAD_DB: [f64; 6] = [0.15, 0.22, 0.38, 0.6, 0.9, 1.5];

/// So many times the unusual spread is taken off what an orbit bears out: a deviation counts as
/// far as it stands clear of the scatter. Two standard deviations.
const SCATTERS: f64 = 2.0;

/// Over this width what is rejected at one frequency makes its neighbours suspect, octaves.
const SUSPECT_OCT: f64 = 0.4;

/// Where so much is rejected the trust is one half, dB rms: less is within what healthy speakers
/// show.
const HALF_TRUST_DB: f64 = 0.5;

/// What is not trusted at all still weighs this much, so that a fit over it stays defined.
const LEAST_TRUST: f64 = 1e-4;

/// An orbit of fewer members has no say.
const LEAST_MEMBERS: usize = 3;

/// What is broader than this is the broad part of a deviation, octaves: the trend's width.
const BROAD_OCT: f64 = super::frame::TREND_OCT;

/// The broad part may exceed that near the axis by this much, dB: what healthy speakers show
/// between axis and window.
const BROAD_SLACK_DB: f64 = 0.3;

/// From this layer on (half an octave and wider) a dip counts as far as it is there near the
/// axis: a directivity step is voiced flat on the axis and shows only beside it.
const DIP_LAYER: usize = 3;

/// Members nearer than this are the axis, degrees.
const ON_AXIS_DEG: f64 = 1.0;

/// Members within this angle of the axis stand for it in narrower matters, degrees; the axis alone
/// is one noisy measurement with ripples of its own.
const NEAR_AXIS_DEG: f64 = 11.0;

/// The listening window's deviation as the angles bear it out.
pub(super) struct Consensus {
    /// Trust in the listening window by frequency, above 0 to 1.
    pub trust: Vec<f64>,
    /// The deviation, its broad part no larger than near the axis, dB.
    pub deviation_db: Vec<f64>,
}

impl Consensus {
    /// Asks the members of `frame` how far they have `deviation_db`.
    pub fn new(frame: &Frame, deviation_db: &[f64]) -> Consensus {
        let smoothers: Vec<Smoother> = WIDTHS_OCT
            .iter()
            .map(|width| Smoother::new(&frame.grid, *width))
            .collect();
        let window = layers(&smoothers, deviation_db);
        let members: Vec<Vec<Vec<f64>>> = frame
            .members
            .iter()
            .map(|m| layers(&smoothers, &m.relative_db))
            .collect();
        Consensus {
            trust: trust(frame, &window, &members),
            deviation_db: near_axis(frame, deviation_db, &window, &members),
        }
    }
}

fn trust(frame: &Frame, window: &[Vec<f64>], members: &[Vec<Vec<f64>>]) -> Vec<f64> {
    let orbits: Vec<Vec<usize>> = [Orbit::Horizontal, Orbit::Vertical]
        .into_iter()
        .map(|orbit| {
            let on_it = |i: &usize| match frame.members[*i].who {
                Who::Angle(d) => d.orbit() == orbit,
                _ => orbit == Orbit::Horizontal,
            };
            (0..frame.members.len()).filter(on_it).collect()
        })
        .filter(|members: &Vec<usize>| members.len() >= LEAST_MEMBERS)
        .collect();
    let mut rejected_db = vec![0.0; frame.grid.len()];
    if !orbits.is_empty() {
        for (layer, values) in window.iter().enumerate() {
            for (i, value) in values.iter().enumerate() {
                let borne_out = orbits.iter().map(|orbit| {
                    let part = orbit
                        .iter()
                        .map(|m| (value + members[*m][layer][i], frame.members[*m].shares[i]))
                        .collect();
                    clear_of_scatter(part, USUAL_SPREAD_DB[layer])
                });
                rejected_db[i] += value - agreed(borne_out);
            }
        }
    }
    let square: Vec<f64> = rejected_db.iter().map(|r| r * r).collect();
    Smoother::new(&frame.grid, SUSPECT_OCT)
        .apply(&square)
        .into_iter()
        .map(|square| {
            let halves = square.max(0.0) / HALF_TRUST_DB.powi(2);
            (1.0 / (1.0 + halves * halves)).max(LEAST_TRUST)
        })
        .collect()
}

/// The deviation as far as it is there near the axis: its broad part, and its wider dips. One
/// that is not is a matter of directivity.
fn near_axis(
    frame: &Frame,
    deviation_db: &[f64],
    window: &[Vec<f64>],
    members: &[Vec<Vec<f64>>],
) -> Vec<f64> {
    let within = |limit_deg: f64| -> Vec<usize> {
        let inside = |i: &usize| match frame.members[*i].who {
            Who::Angle(d) => d.off_axis_deg() < limit_deg,
            who => who == Who::OnAxis,
        };
        (0..frame.members.len()).filter(inside).collect()
    };
    let (on, near) = (within(ON_AXIS_DEG), within(NEAR_AXIS_DEG));
    if on.is_empty() {
        return deviation_db.to_vec();
    }
    let mean = |members: &[usize], of: &dyn Fn(usize) -> f64| {
        members.iter().map(|m| of(*m)).sum::<f64>() / members.len() as f64
    };
    let axis: Vec<f64> = deviation_db
        .iter()
        .enumerate()
        .map(|(i, d)| d + mean(&on, &|m| frame.members[m].relative_db[i]))
        .collect();
    let smoother = Smoother::new(&frame.grid, BROAD_OCT);
    let broad = |values: &[f64]| -> Vec<f64> {
        let smooth = smoother.apply(values);
        let middle = weighted_median(
            smooth
                .iter()
                .copied()
                .zip(frame.weights.iter().copied())
                .collect(),
        );
        smooth.iter().map(|v| v - middle).collect()
    };
    let mut limited_db: Vec<f64> = broad(deviation_db)
        .into_iter()
        .zip(broad(&axis))
        .zip(deviation_db)
        .map(|((window, axis), whole)| {
            let (low, high) = (
                axis.min(0.0) - BROAD_SLACK_DB,
                axis.max(0.0) + BROAD_SLACK_DB,
            );
            whole - window + window.clamp(low, high)
        })
        .collect();
    for (layer, values) in window.iter().enumerate().skip(DIP_LAYER) {
        for (i, value) in values.iter().enumerate().filter(|(_, v)| **v < 0.0) {
            let on_axis = value + mean(&near, &|m| members[m][layer][i]);
            limited_db[i] += agreed([*value, on_axis].into_iter()) - value;
        }
    }
    limited_db
}

/// A curve's layers, finest first, without the rest beyond the widest smoothing.
fn layers(smoothers: &[Smoother], values: &[f64]) -> Vec<Vec<f64>> {
    let smooth: Vec<Vec<f64>> = smoothers.iter().map(|s| s.apply(values)).collect();
    smooth
        .windows(2)
        .map(|pair| pair[0].iter().zip(&pair[1]).map(|(a, b)| a - b).collect())
        .collect()
}

/// Weighted median of the values, brought towards zero by the scatter beyond the usual.
fn clear_of_scatter(part: Vec<(f64, f64)>, usual_db: f64) -> f64 {
    let median = weighted_median(part.clone());
    let scatter = part
        .into_iter()
        .map(|(v, w)| ((v - median).abs(), w))
        .collect();
    // The median absolute deviation of a normal distribution is its standard deviation / 1.4826.
    let spread = 1.4826 * weighted_median(scatter);
    let unusual = (spread - usual_db).max(0.0);
    median.signum() * (median.abs() - SCATTERS * unusual).max(0.0)
}

/// The smallest of values of one sign; 0 when signs differ.
fn agreed(values: impl Iterator<Item = f64>) -> f64 {
    values
        .reduce(|a, b| {
            if a * b > 0.0 {
                a.signum() * a.abs().min(b.abs())
            } else {
                0.0
            }
        })
        .unwrap_or(0.0)
}

/// Value that half of the weight lies below, straight lines between the middles of the steps.
pub(super) fn weighted_median(mut part: Vec<(f64, f64)>) -> f64 {
    part.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * part.iter().map(|p| p.1).sum::<f64>();
    let mut below = 0.0;
    let mut last: Option<(f64, f64)> = None;
    for (value, weight) in &part {
        let middle = below + 0.5 * weight;
        if middle >= half {
            return match last {
                Some((v, m)) if middle > m => v + (value - v) * (half - m) / (middle - m),
                _ => *value,
            };
        }
        last = Some((*value, middle));
        below += weight;
    }
    part.last().map_or(0.0, |p| p.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weighted_median_lies_where_half_the_weight_is() {
        assert_eq!(
            weighted_median(vec![(3.0, 1.0), (1.0, 1.0), (2.0, 1.0)]),
            2.0
        );
        assert_eq!(weighted_median(vec![(0.0, 10.0), (5.0, 0.0)]), 0.0);
        assert!((weighted_median(vec![(0.0, 1.0), (1.0, 1.0)]) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn values_of_different_sign_agree_on_nothing() {
        assert_eq!(agreed([3.0, -1.0].into_iter()), 0.0);
        assert_eq!(agreed([-3.0, -1.0].into_iter()), -1.0);
    }
}
