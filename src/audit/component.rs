//! Taking a deviation apart into bumps, dips and shelves, by what is trusted of it.
//!
//! An orthogonal matching pursuit: the shape that explains most of what is left is added, then
//! all amounts are solved for again, until a further shape would explain too little. Source of
//! the method: Pati, Rezaiifar and Krishnaprasad 1993, 27th Asilomar Conference, 40-44.
//!
//! Few smooth shapes fitted to the trusted frequencies run on through the others: that is the
//! bridge over what is left alone.

use super::frame::{Frame, rising};
use crate::algebra::{dot, dot_inlined, solve_positive_definite};
use crate::filter::Kind;
use crate::units::width_oct_of_q;
use pulp::NullaryFnOnce;

/// One bump (size above 0) or dip of the listening window against its target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Component {
    pub kind: Kind,
    pub f0_hz: f64,
    pub size_db: f64,
    pub q: f64,
}

impl Component {
    /// Level in dB of the component's shape at each frequency.
    pub fn shape_db(&self, freqs_hz: &[f64]) -> Vec<f64> {
        freqs_hz.iter().map(|f| self.level_db(*f)).collect()
    }

    /// Analog prototype of the cookbook's peaking and shelf stages, magnitude in dB.
    fn level_db(&self, f_hz: f64) -> f64 {
        let a = 10f64.powf(self.size_db / 40.0);
        let x = f_hz / self.f0_hz;
        let (x2, q2) = (x * x, self.q * self.q);
        let power = match self.kind {
            Kind::LowShelf => {
                a * a * ((a - x2).powi(2) + a * x2 / q2) / ((1.0 - a * x2).powi(2) + a * x2 / q2)
            }
            Kind::HighShelf => {
                a * a * ((1.0 - a * x2).powi(2) + a * x2 / q2) / ((a - x2).powi(2) + a * x2 / q2)
            }
            _ => {
                let skew = (1.0 - x2).powi(2);
                (skew + x2 * a * a / q2) / (skew + x2 / (a * a * q2))
            }
        };
        10.0 * power.log10()
    }

    /// Width at half gain in octaves; for a shelf the width of its transition by the same formula.
    pub fn width_oct(&self) -> f64 {
        width_oct_of_q(self.q)
    }
}

/// The Q of the bumps and dips looked for. Half-octave steps of width from a sweep of nearly
/// three octaves to a tenth of an octave; what is narrower is not heard as a colouring.
const QS: [f64; 11] = [0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 15.0];

/// The Q of the shelves looked for: the steepest without overshoot (S = 1 in the cookbook).
const SHELF_Q: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// Bumps stand a ninth of their width apart at most: the loss in between stays below 2 %. Times
/// Q, octaves.
const PLACES_PER_WIDTH: f64 = 0.117;

/// Shelves stand this far apart, octaves: their place is not sharp.
const SHELF_STEP_OCT: f64 = 1.0 / 3.0;

/// And keep this far from the ends of the judged band, octaves.
const SHELF_MARGIN_OCT: f64 = 0.7;

/// Size of a shape while it is looked for, dB; the shapes hardly change with their size.
const TRIAL_SIZE_DB: f64 = 3.0;

/// Most components a deviation is taken apart into: more than a plan has stages.
const MOST: usize = 16;

/// A further component must explain this much, dB squared, of the mean square: a bump of 1 dB
/// and half an octave has about ten times as much.
const LEAST_EXPLAINED_DB2: f64 = 0.001;

/// Components smaller than this are dropped again, dB: no one hears them, and they would cost the
/// plan a stage. Just below what is spoken of (`corrected`).
const LEAST_SIZE_DB: f64 = 0.58;

/// A dip of at least this Q is a dip up to the first depth, dB, and a null from the second on, whatever
/// the angles say: drivers and boxes do not lack so much in so narrow a band, two sounds that cancel do. Our
/// own judgement.
const NULL_DB: (f64, f64) = (4.5, 5.2);
const NULL_Q: f64 = 1.9;

/// Keeps shapes that overlap from fighting: what a shape explains is weighed against this times
/// its squared amount.
const RIDGE: f64 = 0.0002;

/// Sum of the shapes of all components at each frequency, dB.
pub(super) fn sum_of_shapes(components: &[Component], freqs_hz: &[f64]) -> Vec<f64> {
    let mut sum_db = vec![0.0; freqs_hz.len()];
    for component in components {
        for (sum, shape) in sum_db.iter_mut().zip(component.shape_db(freqs_hz)) {
            *sum += shape;
        }
    }
    sum_db
}

/// Limits of the bumps and dips that are looked for.
#[derive(Debug, Clone, Copy)]
pub(super) struct ShapeLimits {
    /// Narrowest of all, octaves: what the data resolve.
    pub width_at_least_oct: f64,
    /// Narrowest dip that may be filled, as Q.
    pub dip_q_at_most: f64,
    /// Deepest dip, dB.
    pub dip_at_most_db: f64,
}

/// Takes `deviation_db` apart into components by the frequencies that weigh something;
/// `weights` are not negative and one at least is positive. No dip is looked for where `no_dip`
/// says so of a frequency in Hz.
pub(super) fn decompose(
    frame: &Frame,
    deviation_db: &[f64],
    weights: &[f64],
    limits: ShapeLimits,
    no_dip: &dyn Fn(f64) -> bool,
) -> Vec<Component> {
    let sum: f64 = weights.iter().sum();
    let weights: Vec<f64> = weights.iter().map(|w| w / sum).collect();
    let shapes = Shapes::new(frame, &weights, limits, no_dip);
    let mut chosen: Vec<usize> = Vec::new();
    let mut solution = shapes.solve(&chosen, deviation_db, &weights);
    while let Some(next) = shapes.best(&solution.left_db, &weights)
        && chosen.len() < MOST
    {
        chosen.push(next);
        solution = shapes.solve(&chosen, deviation_db, &weights);
    }
    while let Some((smallest, size_db)) = solution
        .amounts_db
        .iter()
        .map(|a| a.abs())
        .enumerate()
        .min_by(|a, b| a.1.total_cmp(&b.1))
        && size_db < LEAST_SIZE_DB
    {
        chosen.remove(smallest);
        solution = shapes.solve(&chosen, deviation_db, &weights);
    }
    chosen
        .into_iter()
        .zip(solution.amounts_db)
        .map(|(k, amount)| Component {
            size_db: filled_db(amount, shapes.shapes[k].component.q).max(-limits.dip_at_most_db),
            ..shapes.shapes[k].component
        })
        .filter(|c| c.size_db > 0.0 || allowed(c, limits))
        .collect()
}

/// What is filled of a dip of this size (below 0) and Q, dB; bumps are cut in full.
fn filled_db(size_db: f64, q: f64) -> f64 {
    match q >= NULL_Q && size_db < 0.0 {
        true => size_db * (1.0 - rising(-size_db, NULL_DB)),
        false => size_db,
    }
}

fn allowed(component: &Component, limits: ShapeLimits) -> bool {
    component.kind != Kind::Peaking || component.q <= limits.dip_q_at_most
}

/// Weighted mean; the weights add up to one.
fn mean_of(values: &[f64], weights: &[f64]) -> f64 {
    dot(values, weights)
}

fn without_mean(values: &[f64], weights: &[f64]) -> Vec<f64> {
    let mean = mean_of(values, weights);
    values.iter().map(|v| v - mean).collect()
}

/// Every shape that is looked for. On a logarithmic grid a shape at another frequency is the same
/// shape shifted, so each width is worked out once.
struct Shapes {
    /// Level in dB per dB of size of each width, over twice the grid; its centre in the middle.
    widths: Vec<Vec<f64>>,
    shapes: Vec<Shape>,
    count: usize,
}

struct Shape {
    component: Component,
    width: usize,
    /// Index of its centre on the grid.
    centre: usize,
    mean: f64,
    /// Whether it may be a dip, too.
    may_dip: bool,
    /// Weighted square without the mean, since level is free, and the ridge.
    norm: f64,
}

struct Solution {
    amounts_db: Vec<f64>,
    left_db: Vec<f64>,
}

impl Shapes {
    fn new(
        frame: &Frame,
        weights: &[f64],
        limits: ShapeLimits,
        no_dip: &dyn Fn(f64) -> bool,
    ) -> Shapes {
        let freqs_hz = frame.grid.freqs_hz();
        let count = freqs_hz.len();
        let grid_step_oct = (freqs_hz[count - 1] / freqs_hz[0]).log2() / (count - 1) as f64;
        let forbidden: Vec<bool> = freqs_hz.iter().map(|f| no_dip(*f)).collect();
        let kinds = QS
            .into_iter()
            .filter(|q| width_oct_of_q(*q) >= limits.width_at_least_oct)
            .map(|q| (Kind::Peaking, q, PLACES_PER_WIDTH / q))
            .chain([(Kind::LowShelf, SHELF_Q, SHELF_STEP_OCT)]);
        let mut shapes = Shapes {
            widths: Vec::new(),
            shapes: Vec::new(),
            count,
        };
        for (kind, q, step_oct) in kinds {
            let at = |f0_hz: f64| Component {
                kind,
                f0_hz,
                size_db: TRIAL_SIZE_DB,
                q,
            };
            let width: Vec<f64> = (0..2 * count)
                .map(|i| {
                    let octaves = grid_step_oct * (i as f64 - count as f64);
                    at(1.0).level_db(octaves.exp2()) / TRIAL_SIZE_DB
                })
                .collect();
            let squares: Vec<f64> = width.iter().map(|v| v * v).collect();
            shapes.widths.push(width);
            let step = ((step_oct / grid_step_oct) as usize).max(1);
            // Half a shelf is not seen beyond the band, and half a shelf is no evidence.
            let margin = match kind {
                Kind::Peaking => 0,
                _ => (SHELF_MARGIN_OCT / grid_step_oct) as usize,
            };
            let inside = frame.judged.start + margin..frame.judged.end.saturating_sub(margin);
            for centre in inside.step_by(step) {
                let mut shape = Shape {
                    component: at(freqs_hz[centre]),
                    width: shapes.widths.len() - 1,
                    centre,
                    may_dip: allowed(&at(freqs_hz[centre]), limits) && !forbidden[centre],
                    mean: 0.0,
                    norm: 0.0,
                };
                shape.mean = mean_of(shapes.values(&shape), weights);
                let square = dot(&squares[count - centre..2 * count - centre], weights);
                shape.norm = square - shape.mean * shape.mean + RIDGE;
                shapes.shapes.push(shape);
            }
        }
        shapes
    }

    /// Level of a shape at every frequency, dB per dB of size.
    fn values(&self, shape: &Shape) -> &[f64] {
        let start = self.count - shape.centre;
        &self.widths[shape.width][start..start + self.count]
    }

    /// Amounts of the chosen shapes, all solved for together, and what they leave.
    fn solve(&self, chosen: &[usize], deviation_db: &[f64], weights: &[f64]) -> Solution {
        let n = chosen.len();
        let product = |a: &[f64], b: &[f64]| -> f64 {
            a.iter()
                .zip(b)
                .zip(weights)
                .map(|((a, b), w)| w * a * b)
                .sum()
        };
        let columns: Vec<Vec<f64>> = chosen
            .iter()
            .map(|k| {
                let shape = &self.shapes[*k];
                self.values(shape).iter().map(|v| v - shape.mean).collect()
            })
            .collect();
        let mut normal = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..n {
                normal[i * n + j] = product(&columns[i], &columns[j]);
            }
            normal[i * n + i] += RIDGE;
        }
        let mut amounts_db: Vec<f64> = columns.iter().map(|c| product(c, deviation_db)).collect();
        // The ridge makes the matrix positive definite whatever the shapes are.
        if !solve_positive_definite(&mut normal, &mut amounts_db) {
            amounts_db = vec![0.0; n];
        }
        let mut left_db = deviation_db.to_vec();
        for (column, amount_db) in columns.iter().zip(&amounts_db) {
            for (left, value) in left_db.iter_mut().zip(column) {
                *left -= amount_db * value;
            }
        }
        Solution {
            amounts_db,
            left_db: without_mean(&left_db, weights),
        }
    }

    /// The shape that explains most of `left_db`, which has no mean, if it explains enough.
    fn best(&self, left_db: &[f64], weights: &[f64]) -> Option<usize> {
        pulp::Arch::new().dispatch(Looking {
            shapes: self,
            left_db,
            weights,
        })
    }
}

/// The look for the shape that explains most.
struct Looking<'a> {
    shapes: &'a Shapes,
    left_db: &'a [f64],
    weights: &'a [f64],
}

impl NullaryFnOnce for Looking<'_> {
    type Output = Option<usize>;

    #[inline(always)]
    fn call(self) -> Option<usize> {
        let Looking {
            shapes,
            left_db,
            weights,
        } = self;
        let weighted: Vec<f64> = left_db.iter().zip(weights).map(|(l, w)| l * w).collect();
        let mut best: Option<(usize, f64)> = None;
        for (k, shape) in shapes.shapes.iter().enumerate() {
            let values = shapes.values(shape);
            let product = dot_inlined(values, &weighted);
            let explained = product * product / shape.norm;
            let fits = product > 0.0 || shape.may_dip;
            if fits && best.is_none_or(|(_, most)| explained > most) {
                best = Some((k, explained));
            }
        }
        best.filter(|(_, explained)| *explained >= LEAST_EXPLAINED_DB2)
            .map(|(k, _)| k)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Stage;

    #[test]
    fn shapes_are_those_of_the_cookbook_stages_at_a_very_high_rate() {
        for kind in [Kind::Peaking, Kind::LowShelf, Kind::HighShelf] {
            for size_db in [-7.0, 4.0] {
                let component = Component {
                    kind,
                    f0_hz: 900.0,
                    size_db,
                    q: 0.8,
                };
                let section = Stage {
                    kind,
                    f0_hz: 900.0,
                    gain_db: size_db,
                    q: 0.8,
                }
                .biquad(4.0e6);
                for f_hz in [50.0, 600.0, 900.0, 1500.0, 9000.0] {
                    let digital_db = section.gain_db(2.0 * std::f64::consts::PI * f_hz / 4.0e6);
                    let shape_db = component.shape_db(&[f_hz])[0];
                    assert!((digital_db - shape_db).abs() < 1e-3, "{kind} {f_hz}");
                }
            }
        }
    }
}
