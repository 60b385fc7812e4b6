//! What all angles share of the listening window's deviation, scale by scale.
//!
//! The deviation is taken apart into layers by width: details of a tenth of an octave in the
//! first, sweeps of two octaves in the last. A member's response relative to the listening
//! window does not change under EQ; its layers, added to those of the window, are the member's
//! own deviation. In every layer, at every frequency, the members are asked how much of the
//! window's deviation they have. Only what nearly all of them have can be mended.

use super::frame::{Frame, Who};
use crate::curve::Smoother;
use crate::response::Orbit;

/// Full widths at half height of the smoothings between the layers, octaves, each twice the one
/// before. The first keeps a resonance of Q 15; the last is wider than any single fault.
const WIDTHS_OCT: [f64; 7] = [1.0 / 16.0, 1.0 / 8.0, 1.0 / 4.0, 1.0 / 2.0, 1.0, 2.0, 4.0];

/// Spread that speakers without faults show in each layer by their directivity alone, dB.
const USUAL_SPREAD_DB: [f64; 6] = [0.10, 0.15, 0.25, 0.4, 0.6, 1.0];

/// A dip counts as far as all but this share of the sound has it: filling it must not raise a
/// peak elsewhere.
const DIP_EXCEPTIONS: f64 = 0.25;

/// A bump counts as far as all but this share of the sound has it: cutting it where it is not
/// does less harm.
const BUMP_EXCEPTIONS: f64 = 0.4;

/// The shared part of the listening window's deviation `deviation_db`, dB, by frequency.
pub(super) fn shared_db(frame: &Frame, deviation_db: &[f64]) -> Vec<f64> {
    let smoothers: Vec<Smoother> = WIDTHS_OCT
        .iter()
        .map(|width| Smoother::new(&frame.grid, *width))
        .collect();
    let window = Layers::of(&smoothers, deviation_db);
    let members: Vec<Layers> = frame
        .members
        .iter()
        .map(|m| Layers::of(&smoothers, &m.relative_db))
        .collect();
    let mut shared_db = window.rest.clone();
    for (layer, values) in window.layers.iter().enumerate() {
        for (i, value) in values.iter().enumerate() {
            let ask = |orbit: Option<Orbit>| -> Vec<(f64, f64)> {
                frame
                    .members
                    .iter()
                    .zip(&members)
                    .filter(|(m, _)| match (orbit, m.who) {
                        (Some(orbit), Who::Angle(d)) => d.orbit() == orbit,
                        _ => true,
                    })
                    .map(|(m, l)| (value + l.layers[layer][i], m.shares[i]))
                    .collect()
            };
            let usual = USUAL_SPREAD_DB[layer];
            let groups = [ask(Some(Orbit::Horizontal)), ask(Some(Orbit::Vertical))];
            let groups = groups.into_iter().filter(|g| !g.is_empty());
            shared_db[i] += if *value < 0.0 {
                groups
                    .map(|g| quantile(g, 1.0 - DIP_EXCEPTIONS) - 0.67 * usual)
                    .fold(*value, f64::max)
                    .min(0.0)
            } else {
                groups
                    .map(|g| quantile(g, BUMP_EXCEPTIONS) + 0.25 * usual)
                    .fold(*value, f64::min)
                    .max(0.0)
            };
        }
    }
    shared_db
}

/// A curve as a sum of layers by width and a rest.
struct Layers {
    layers: Vec<Vec<f64>>,
    rest: Vec<f64>,
}

impl Layers {
    fn of(smoothers: &[Smoother], values: &[f64]) -> Layers {
        let mut smooth: Vec<Vec<f64>> = smoothers.iter().map(|s| s.apply(values)).collect();
        let layers = smooth
            .windows(2)
            .map(|pair| pair[0].iter().zip(&pair[1]).map(|(a, b)| a - b).collect())
            .collect();
        Layers {
            layers,
            rest: smooth.pop().unwrap_or_default(),
        }
    }
}

/// Value below which the share `at` of the weight lies, straight lines between the middles of
/// the steps.
fn quantile(mut part: Vec<(f64, f64)>, at: f64) -> f64 {
    part.sort_by(|a, b| a.0.total_cmp(&b.0));
    let wanted = at * part.iter().map(|p| p.1).sum::<f64>();
    let mut below = 0.0;
    let mut last: Option<(f64, f64)> = None;
    for (value, weight) in &part {
        let middle = below + 0.5 * weight;
        if middle >= wanted {
            return match last {
                Some((v, m)) if middle > m => v + (value - v) * (wanted - m) / (middle - m),
                _ => *value,
            };
        }
        last = Some((*value, middle));
        below += weight;
    }
    part.last().map_or(0.0, |p| p.0)
}
